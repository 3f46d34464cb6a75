"""docs/commands.md says what the commands say of themselves, and what they show runs."""

import os
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main
from skysill.cli.reference import command_reference, examples

ROOT = Path(__file__).parents[2]


def test_the_page_is_what_the_commands_say():
    page = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert page == command_reference(), "make it again: python -m skysill.cli.reference > docs/commands.md"


@pytest.mark.parametrize("name", sorted({"look", "horizon", "check", "sun"} & set(examples())))
def test_the_line_in_the_help_runs_on_the_demo(name, tmp_path, monkeypatch):
    (tmp_path / "demo_terrain").symlink_to(ROOT / "demo_terrain")
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, shlex.split(examples()[name])[1:])
    assert result.exit_code == 0, result.stderr
    assert result.stdout
    for written in set(os.listdir(tmp_path)) - {"demo_terrain"}:
        assert (tmp_path / written).stat().st_size > 0

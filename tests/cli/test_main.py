"""The console command as a whole: listing, faults, exit codes."""

import os
import subprocess
import sys

import click
import pytest
from click.testing import CliRunner

from skysill.cli import group
from skysill.cli.command_list import COMMANDS, listing, present
from skysill.cli.group import main
from skysill.errors import CoverageError, InputError


def skysill(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-m", "skysill.cli.main", *arguments],
        capture_output=True,
        check=False,
        env={**os.environ, **environment},
    )


def failing(fault):
    @click.command()
    def look():
        raise fault

    return look


@pytest.fixture
def broken(monkeypatch):
    """Runs `skysill look` with a command that fails in a given way."""

    def run(fault):
        monkeypatch.setattr(group._Commands, "get_command", lambda self, ctx, name: failing(fault))
        return CliRunner().invoke(main, ["look"])

    return run


def test_the_listing_names_the_commands_there_are():
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    assert result.stdout.rstrip() == listing()
    for name in present():
        assert f"  {name}" in result.stdout


def test_the_listing_says_what_each_command_says_of_itself():
    context = click.Context(main)
    for name in present():
        command = main.get_command(context, name)
        assert command is not None
        assert (command.help or "").strip().splitlines()[0] == COMMANDS[name], name


def test_without_arguments_the_listing_is_shown():
    done = skysill()
    assert (done.returncode, done.stdout.decode().rstrip(), done.stderr) == (0, listing(), b"")
    assert CliRunner().invoke(main, []).stdout.rstrip() == listing()


def test_version():
    from importlib.metadata import version

    assert CliRunner().invoke(main, ["--version"]).stdout == f"skysill {version('skysill')}\n"


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["chek"], 'skysill: "chek" is no command. Did you mean check? Try: skysill --help'),
        (["frobnicate"], 'skysill: "frobnicate" is no command. Try: skysill --help'),
        (["look", "--satelite", "5E"], "Try: skysill look --help"),
        (["look", "a.toml", "b.toml"], "Got unexpected extra argument (b.toml)"),
        (["look", "--dish"], "Try: skysill look --help"),
    ],
)
def test_wrong_use_is_one_line_and_exit_2(arguments, line):
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 2
    assert line in result.stderr
    assert result.stderr.count("\n") == 1
    assert result.stdout == ""


def test_bad_input_is_one_line_and_exit_2(broken):
    result = broken(InputError("is not\na number.\x1b[31m", where="h.csv, row 1"))
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == "skysill: h.csv, row 1: is not a number. [31m\n"


def test_missing_coverage_is_exit_2(broken):
    assert broken(CoverageError("nobody looked there")).exit_code == 2


def test_an_unforeseen_fault_is_one_line_and_exit_1(broken):
    result = broken(ZeroDivisionError("division by zero"))
    assert result.exit_code == 1
    assert result.stderr == (
        "skysill: internal fault, ZeroDivisionError: division by zero (set SKYSILL_TRACE=1 to see where)\n"
    )


def test_the_trace_of_a_fault_is_shown_on_request(broken, monkeypatch):
    monkeypatch.setenv("SKYSILL_TRACE", "1")
    assert isinstance(broken(ZeroDivisionError("x")).exception, ZeroDivisionError)


def test_stopping_from_the_keyboard_is_no_fault(broken):
    result = broken(KeyboardInterrupt())
    assert (result.exit_code, result.stderr.strip()) == (130, "skysill: stopped.")


def test_a_reader_that_has_seen_enough_is_no_fault():
    command = (
        f"'{sys.executable}' -m skysill.cli.main look --json --at '58.0312 N 24.6541 W' "
        + "--satellite 24W " * 400
    )
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", f"{command} | head -c 10"], capture_output=True, check=False
    )
    assert done.returncode == 0
    assert b"Traceback" not in done.stderr
    assert b"BrokenPipe" not in done.stderr


def test_output_is_utf_8_on_any_locale():
    done = skysill(
        "look",
        "--at",
        "58.0312 N 24.6541 W",
        "--satellite",
        "Süd=24.0W",
        "--json",
        LC_ALL="C",
        PYTHONIOENCODING="ascii",
    )
    assert done.returncode == 0
    assert "Süd" in done.stdout.decode("utf-8")


def in_shell(line):
    return subprocess.run(["bash", "-c", line], capture_output=True, check=False)


@pytest.mark.parametrize(
    ("redirect", "sentence"),
    [(">&-", "standard output is closed."), ("> /dev/full", "standard output: No space left on device.")],
)
@pytest.mark.parametrize("command", ["look --at '58 N 24 W' --satellite 24W --ground-elevation 0", "--help"])
def test_output_that_goes_nowhere_is_one_line_and_exit_2(command, redirect, sentence):
    done = in_shell(f"{sys.executable} -m skysill.cli.main {command} {redirect}")
    assert (done.returncode, done.stderr.decode().strip()) == (2, f"skysill: {sentence}")


def test_names_reach_no_terminal_with_control_characters():
    arguments = ["look", "--at", "58 N 24 W", "--satellite", "a\x1b[2J\u202eb\x9b=24W"]
    for done in (CliRunner().invoke(main, arguments), CliRunner().invoke(main, [*arguments, "--json"])):
        assert done.exit_code == 0
        assert all(letter.isprintable() or letter == "\n" for letter in done.output)

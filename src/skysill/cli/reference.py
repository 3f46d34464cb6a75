"""docs/commands.md, made from the commands' own help: python -m skysill.cli.reference > docs/commands.md"""

from __future__ import annotations

import re

import click

from skysill.cli.command_list import listing, present
from skysill.cli.group import main

__all__ = ["examples", "handbook"]

_WIDTH = 100


def handbook() -> str:
    """The whole page."""
    parts = [
        "# Commands\n",
        "Made from `--help` by `python -m skysill.cli.reference`; a test fails when it differs.\n",
        "Exit codes: 0 done, whatever the verdict; 2 wrong use or bad input, one line on standard error;",
        "3 a verdict asked for by `--require` was missed; 1 internal fault. Data on standard output, talk on",
        "standard error. Options win over the site file.\n",
        f"```text\n{listing()}\n```\n",
    ]
    for name in present():
        parts.append(f"## skysill {name}\n\n```text\n{_help(name)}\n```\n")
    return "\n".join(parts)


def _help(name: str) -> str:
    context = click.Context(main, info_name="skysill", terminal_width=_WIDTH, max_content_width=_WIDTH)
    command = main.get_command(context, name)
    assert command is not None
    with click.Context(command, info_name=name, parent=context) as inner:
        return command.get_help(inner).rstrip()


def examples() -> dict[str, str]:
    """The line that each command's help shows, which runs on the demo."""
    found = {}
    for name in present():
        lines = re.findall(rf"^ *(skysill {name} .*)$", _help(name), re.MULTILINE)
        assert lines, f"the help of {name} shows no example"
        found[name] = lines[0]
    return found


if __name__ == "__main__":
    print(handbook(), end="")

"""The command reference, docs/commands.md, from the help of the commands.

python -m skysill.cli.reference > docs/commands.md
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import click

from skysill.cli.command_list import listing, present
from skysill.cli.group import main

__all__ = ["command_reference", "examples"]

_WIDTH = 100


def command_reference() -> str:
    """The page docs/commands.md as Markdown."""
    parts = [
        "# Commands\n",
        "Made from `--help` by `python -m skysill.cli.reference`; a test fails when it differs.\n",
        "Exit codes: 0 done, whatever the verdict; 2 wrong use or bad input, one line on standard error;",
        "3 a verdict asked for by `--require` was missed; 1 internal fault. Data on standard output, messages on",
        "standard error. Options win over the site file.\n",
        f"```text\n{listing()}\n```\n",
    ]
    for name in present():
        parts += [f"## skysill {words}\n\n```text\n{text}\n```\n" for words, text in _helps(name)]
    return "\n".join(parts)


def _helps(name: str) -> Iterator[tuple[str, str]]:
    """Words and help of a command, then of its subcommands."""
    context = click.Context(
        main,
        info_name="skysill",
        terminal_width=_WIDTH,
        max_content_width=_WIDTH,
        help_option_names=main.context_settings["help_option_names"],
    )
    command = main.get_command(context, name)
    assert command is not None
    with click.Context(command, info_name=name, parent=context) as inner:
        yield name, command.get_help(inner).rstrip()
        subcommands = command.commands if isinstance(command, click.Group) else {}
        for below, subcommand in subcommands.items():
            with click.Context(subcommand, info_name=below, parent=inner) as innermost:
                yield f"{name} {below}", subcommand.get_help(innermost).rstrip()


def examples() -> dict[str, str]:
    """Command -> the example line of its help, which runs on the demo."""
    found = {}
    for name in present():
        _, text = next(_helps(name))
        lines = re.findall(rf"^ *(skysill {name} .*)$", text, re.MULTILINE)
        assert lines, f"the help of {name} shows no example"
        found[name] = lines[0]
    return found


if __name__ == "__main__":
    print(command_reference(), end="")

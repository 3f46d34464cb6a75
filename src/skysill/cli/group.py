"""The command group: each command is imported when it is called; errors become one line and an exit code.

Exit 0: done, whatever the verdict. 1: internal fault. 2: wrong use or bad input. 3: a verdict that was
required was missed. 130: stopped from the keyboard.
"""

from __future__ import annotations

import contextlib
import difflib
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any

import click

from skysill.cli.command_list import listing, present
from skysill.errors import CoverageError, InputError

__all__ = ["main"]


class _Commands(click.Group):
    """Group whose commands are modules of this package, each imported only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return present()

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in present():
            return None
        command = getattr(importlib.import_module(f"skysill.cli.{cmd_name}"), cmd_name)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in present() and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], present(), n=1)
            ctx.fail(f'"{args[0]}" is no command.' + (f" Did you mean {near[0]}?" if near else ""))
        return super().resolve_command(ctx, args)

    def get_help(self, ctx: click.Context) -> str:
        return listing()

    def main(self, args: Sequence[str] | None = None, standalone_mode: bool = True, **extra: Any) -> Any:  # type: ignore[override]  # the further arguments pass through
        if not standalone_mode:
            return super().main(args, standalone_mode=False, **extra)
        sys.exit(_exit_code_of(lambda: super(_Commands, self).main(args, standalone_mode=False, **extra)))


def _exit_code_of(call: Callable[[], Any]) -> int:
    try:
        code = call()
        sys.stdout.flush()
    except (InputError, CoverageError) as fault:
        return _error_line(str(fault), code=2)
    except click.exceptions.NoArgsIsHelpError as fault:
        click.echo(fault.format_message())
        return 0
    except click.UsageError as fault:
        path = fault.ctx.command_path if fault.ctx else "skysill"
        return _error_line(f"{fault.format_message()} Try: {path} --help", code=2)
    except click.ClickException as fault:
        return _error_line(fault.format_message(), code=2)
    except (KeyboardInterrupt, click.Abort):
        return _error_line("stopped.", code=130)
    except BrokenPipeError:
        # the reader closed the pipe; prevent an error from the interpreter's last flush
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as fault:
        # full disk behind standard output, file removed while it was read
        if fault.errno is None:
            return _internal_error(fault)
        if fault.filename is None:
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        shown = "standard output" if fault.filename is None else str(fault.filename)
        return _error_line(f"{shown}: {fault.strerror or type(fault).__name__}.", code=2)
    except Exception as fault:
        return _internal_error(fault)
    return code if isinstance(code, int) else 0


def _internal_error(fault: Exception) -> int:
    if os.environ.get("SKYSILL_TRACE"):
        raise fault
    kind = f"internal fault, {type(fault).__name__}: {fault}"
    return _error_line(f"{kind} (set SKYSILL_TRACE=1 to see where)", code=1)


def _error_line(text: str, *, code: int) -> int:
    with contextlib.suppress(BrokenPipeError):
        shown = "".join(letter if letter.isprintable() else " " for letter in text)
        click.echo(f"skysill: {' '.join(shown.split())}", err=True)
    return code


_SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


@click.group("skysill", cls=_Commands, context_settings=_SETTINGS)
@click.version_option(package_name="skysill", message="skysill %(version)s")
def main() -> None:
    """Will a small satellite dish see its satellite from this spot?"""

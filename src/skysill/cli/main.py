"""Entry point of the installed `skysill`; its `--help` is printed without loading anything else."""

from __future__ import annotations

import os
import sys

from skysill.cli.command_list import listing

__all__ = ["run"]


def run() -> int:
    """Run the installed command; returns the exit code."""
    if sys.stdout is None:  # the caller closed it
        print("skysill: standard output is closed.", file=sys.stderr)
        return 2
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    if sys.argv[1:] in ([], ["--help"], ["-h"]):
        try:
            print(listing(), flush=True)
        except OSError as fault:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            if isinstance(fault, BrokenPipeError):
                return 0
            print(f"skysill: standard output: {fault.strerror}.", file=sys.stderr)
            return 2
        return 0
    if not os.environ.get("SKYSILL_TRACE"):
        import warnings

        warnings.simplefilter("ignore")  # other libraries' advice to programmers; ours travels in results
    from skysill.cli.group import main

    main(prog_name="skysill")
    return 0


def __getattr__(name: str) -> object:
    if name == "main":
        from skysill.cli.group import main

        return main
    raise AttributeError(f"skysill.cli.main has no {name}")


if __name__ == "__main__":
    sys.exit(run())

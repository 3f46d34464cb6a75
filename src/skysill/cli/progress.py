"""Progress of long work: share done, rate and time left, on standard error when it is a terminal."""

from __future__ import annotations

import sys
import time

import click

__all__ = ["ProgressLine"]

_EVERY_S = 0.2


class ProgressLine:
    """Progress line: called with the work done and the whole work, it rewrites one line.

    unit : what is counted, in the plural
    """

    def __init__(self, unit: str, *, quiet: bool) -> None:
        self.unit = unit
        self.silent = quiet or not sys.stderr.isatty()
        self.start: tuple[float, int] | None = None
        self.written_at = 0.0
        self.width = 0

    def __call__(self, done: int, total: int) -> None:
        now = time.monotonic()
        if self.start is None:
            self.start = (now, done)  # what an earlier run had done says nothing about the rate
        if self.silent or (now - self.written_at < _EVERY_S and done < total):
            return
        self.written_at = now
        line = progress_line(done, total, self.unit, seconds=now - self.start[0], since=done - self.start[1])
        self.width = max(self.width, len(line))
        click.echo("\r" + line.ljust(self.width), nl=done >= total, err=True)


def progress_line(done: int, total: int, unit: str, *, seconds: float, since: int) -> str:
    """One line of progress.

    >>> progress_line(300_000, 1_000_000, "addresses", seconds=3.0, since=300_000)
    ' 30 %  300,000 of 1,000,000 addresses, 100,000 a second, 0:07 left'
    """
    share = 100.0 if total == 0 else 100.0 * done / total
    line = f"{share:3.0f} %  {done:,} of {total:,} {unit}"
    if since <= 0 or seconds <= 0.0:
        return line
    rate = since / seconds
    left_s = round((total - done) / rate)
    hours, rest = divmod(left_s, 3600)
    clock = f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"
    return f"{line}, {rate:,.0f} a second" + (f", {clock} left" if done < total else f", {seconds:.1f} s")

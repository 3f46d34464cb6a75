"""The errors that this library raises, and what a person can do about each.

SkysillError
├── InputError      an input is wrong: what, where, how to mend it
└── CoverageError   no source covers the place or azimuth that was asked for
"""

from __future__ import annotations

__all__ = ["CoverageError", "InputError", "SkysillError"]


class SkysillError(Exception):
    """Base class of the errors that this library raises on purpose; anything else is a fault of the library."""


def _one_line(text: str) -> str:
    """Text without characters that end a line or control a terminal: what a file holds may stand in it."""
    return text if text.isprintable() else "".join(letter if letter.isprintable() else " " for letter in text)


class InputError(SkysillError):
    """An input is wrong: a value, a file, a combination of options. The command line prints it and exits with 2.

    Parameters
    ----------
    what : the fault in one sentence
    where : file, row and field, as far as known ("horizon.csv, row 14, elevation_deg")
    mend : how to put it right, in one sentence

    >>> print(InputError('"12,5.3" is not a number.', where="horizon.csv, row 14", mend="Write 12.5 or 12,5."))
    horizon.csv, row 14: "12,5.3" is not a number. Write 12.5 or 12,5.
    """

    def __init__(self, what: str, *, where: str | None = None, mend: str | None = None) -> None:
        self.what = _one_line(what)
        self.where = None if where is None else _one_line(where)
        self.mend = None if mend is None else _one_line(mend)
        super().__init__(self.what, self.where, self.mend)

    def __str__(self) -> str:
        line = self.what if self.where is None else f"{self.where}: {self.what}"
        return line if self.mend is None else f"{line} {self.mend}"

    def placed(self, where: str) -> InputError:
        """The same error with its place named; an outer place goes before an inner one."""
        joined = where if self.where is None else f"{where}, {self.where}"
        return InputError(self.what, where=joined, mend=self.mend)


class CoverageError(SkysillError):
    """No source covers what was asked; the message says which place or azimuth."""

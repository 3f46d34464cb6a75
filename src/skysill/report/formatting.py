"""Numbers as text, tables of texts, and sentences without names of options, shared by record and field sheet."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = [
    "NOT_KNOWN",
    "WORDS",
    "Facts",
    "Head",
    "Table",
    "bearing",
    "degrees",
    "east_and_north",
    "for_readers",
    "metres",
    "percent",
]

Facts = tuple[tuple[str, str], ...]

WORDS = {
    "clear": ("●", "CLEAR"),
    "marginal": ("▲", "MARGINAL"),
    "needs-survey": ("◆", "NEEDS SURVEY"),
    "unknown": ("■", "UNKNOWN"),
    "blocked": ("✖", "BLOCKED"),
}
"""A symbol and a word for each verdict, so that colour is never the only sign."""

NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Head:
    """The head of a column. number : aligned right; long : holds sentences; code : holds a checksum"""

    text: str
    number: bool = False
    long: bool = False
    code: bool = False

    @property
    def style(self) -> str:
        """Style of its cells, one word."""
        return "number" if self.number else "code" if self.code else "long" if self.long else ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table of texts; the first column names the row. strong : rows to emphasise"""

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[str, ...], ...]
    strong: frozenset[int] = frozenset()


def degrees(value: float | None, digits: int = 1) -> str:
    """An angle in degrees, or that it is not known."""
    return NOT_KNOWN if value is None else f"{value:.{digits}f}°"


def bearing(value: float | None) -> str:
    """An azimuth in degrees, never 360.0: north is 0."""
    return NOT_KNOWN if value is None else f"{round(value, 1) % 360.0:.1f}°"


def metres(value: float | None) -> str:
    """A length: kilometres from 10 km on, whole metres from 100 m on."""
    if value is None:
        return NOT_KNOWN
    if abs(value) >= 10_000.0:
        return f"{value / 1000.0:.1f} km"
    return (
        f"{value:.0f} m"
        if abs(value) >= 100.0
        else f"{value:.1f} m"
        if abs(value) >= 10.0
        else f"{value:.2f} m"
    )


def east_and_north(east_m: float, north_m: float, *, digits: int | None = 1, between: str = ", ") -> str:
    """A plan position in words. digits : None: as many as the numbers have

    >>> east_and_north(2.0836, -1.4), east_and_north(-3.0, 5.0, digits=None, between=" and ")
    ('2.1 m east, 1.4 m south', '3 m west and 5 m north')
    """
    words = []
    for value, ahead, back in ((east_m, "east", "west"), (north_m, "north", "south")):
        number = f"{abs(value):g}" if digits is None else f"{abs(value):.{digits}f}"
        words.append(f"{number} m {back if value < 0.0 and float(number) else ahead}")
    return between.join(words)


def percent(share: float) -> str:
    """A share as a percentage; never 0 or 100."""
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{100.0 * share:.0f} %"


_KEY = re.compile(
    r"--[a-z]|\[\[?[a-z_]+\]?\]|\b[a-z]+(?:_[a-z]+)*_(?:m|deg|ghz|w|kv|db|percent|fraction|year|years|ahead|tall|site)\b"
)
"""Options of commands, tables and keys of site files."""


def for_readers(sentences: Iterable[str]) -> tuple[str, ...]:
    """Sentences for a customer: without those that say what to type into files or commands.

    Text in brackets after "(type " is removed first, then whole sentences that still name an option or a key. Names in
    quotes are the user's own and do not count.

    >>> for_readers(["The roof was taken for the ground. Give ground_elevation_m.", "Say --mount.", "Look (type x_m)."])
    ('The roof was taken for the ground.', 'Look.')
    """
    kept = []
    for text in (re.sub(r"\s*\(type [^()]*(?:\([^()]*\)[^()]*)*\)", "", one) for one in sentences):
        parts = [
            part for part in re.split(r"(?<=[.!?])\s+", text) if not _KEY.search(re.sub(r'"[^"]*"', "", part))
        ]
        if parts:
            kept.append(" ".join(parts))
    return tuple(dict.fromkeys(kept))

"""Text files in: UTF-8 or refused in words; numbers and columns as people type them."""

from __future__ import annotations

import csv
import difflib
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from skysill.errors import InputError

__all__ = [
    "Column",
    "Row",
    "Table",
    "check_file",
    "nearest",
    "placed_at",
    "quoted",
    "read_number",
    "read_text",
    "split_table",
]

_LONGEST_SHOWN = 60
_BIGGEST_BYTES = 200_000_000


@dataclass(frozen=True, slots=True)
class Column:
    """A column that may stand in a table."""

    name: str
    needed: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table: where it stands, and its cells by the names of the columns."""

    where: str
    line: int
    cells: dict[str, str]

    def fault(self, column: str, what: str, mend: str | None = None) -> InputError:
        """A fault in one cell of this row."""
        return InputError(what, where=f"{self.where}, {column}", mend=mend)


@dataclass(frozen=True, slots=True)
class Table:
    """A table as text. delimiter : what stood between its columns."""

    name: str
    delimiter: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]


def quoted(text: object) -> str:
    """Text from a file, shortened, in quotes, fit for one line of talk.

    >>> quoted("12,5.3")
    '"12,5.3"'
    """
    line = " ".join(str(text).split())
    return f'"{line}"' if len(line) <= _LONGEST_SHOWN else f'"{line[:_LONGEST_SHOWN]}..."'


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name most like a word, None when none is like it.

    >>> nearest("dish_diametre_m", ["dish_diameter_m", "receive_ghz"])
    'dish_diameter_m'
    """
    names = list(known)
    lower = {name.lower(): name for name in names}
    found = difflib.get_close_matches(word.lower().strip(), lower, n=1, cutoff=0.6)
    return lower[found[0]] if found else None


def check_file(path: str | Path) -> Path:
    """The path of a file that can be read, or a refusal: missing, a folder, not allowed."""
    place, shown = Path(path), str(path)
    try:
        if place.is_dir():
            raise InputError("is a folder, and a file is wanted.", where=shown)
        if not place.exists():
            near = (
                nearest(place.name, [one.name for one in place.parent.iterdir()])
                if place.parent.is_dir()
                else None
            )
            mend = f"Did you mean {place.with_name(near)}?" if near else "Is the path right?"
            raise InputError("there is no such file.", where=shown, mend=mend)
    except (
        OSError,
        ValueError,
    ) as fault:  # a name too long, a nul inside, a folder that may not be looked into
        raise InputError("cannot be read: its name is not accepted here.", where=quoted(shown)) from fault
    return place


def read_text(path: str | Path) -> str:
    """The whole of a UTF-8 text file, without its byte order mark, lines ended by a newline.

    Raises
    ------
    InputError : missing, a folder, not allowed, not UTF-8, too big to be text typed by people
    """
    place, shown = check_file(path), str(path)
    try:
        if place.stat().st_size > _BIGGEST_BYTES:
            raise InputError("is over 200 MB, too big for this kind of file.", where=shown)
        raw = place.read_bytes()
    except OSError as fault:
        raise InputError(f"cannot be read ({fault.strerror}).", where=shown) from fault
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw[: fault.start].count(b"\n") + 1
        raise InputError(
            "is not UTF-8 text.", where=f"{shown}, row {line}", mend="Save it as UTF-8."
        ) from None
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise InputError("is not text.", where=f"{shown}, row {line}", mend="Save it as plain UTF-8 text.")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def read_number(text: str, *, comma: bool = False) -> float:
    """A finite number as a person types it; ValueError carries the sentence.

    comma : whether the table is known to write decimal commas, so that "1,234" is 1.234

    >>> read_number("12,5"), read_number(" -3 "), read_number("1,234", comma=True)
    (12.5, -3.0, 1.234)
    """
    plain = text.strip().replace("−", "-")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain) and not comma:
        dotted, whole = plain.replace(",", "."), plain.replace(",", "")
        raise ValueError(f"{quoted(text)} may be {dotted} or {whole}. Write the one you mean.")
    if re.fullmatch(r"[+-]?\d*,\d+", plain):
        plain = plain.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", plain):
        raise ValueError(f"{quoted(text)} is not a number. Write 12.5 or 12,5.")
    number = float(plain)
    if not math.isfinite(number):
        raise ValueError(f"{quoted(text)} is not a finite number.")
    return number


def split_table(text: str, name: str, columns: Sequence[Column]) -> Table:
    """A delimited table (comma, semicolon or tab) with a header, `#` comments and blank lines left out.

    Parameters
    ----------
    text : the whole file
    name : of the file, for messages
    columns : those that are known; others are kept unless they look like a misspelt known one

    Raises
    ------
    InputError : empty, no header, a needed column missing or twice, a row with too many cells, an open quote
    """
    lines = [
        (number, line)
        for number, line in enumerate(text.split("\n"), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    example = ",".join(column.name for column in columns if column.needed)
    if not lines:
        raise InputError("is empty.", where=name, mend=f"Begin it with the header {example}.")
    first, header = lines[0]
    delimiter = max(",;\t", key=header.count) if any(mark in header for mark in ",;\t") else ","
    heads = _header(
        _cells(header, delimiter, f"{name}, row {first}"), columns, f"{name}, row {first}", example
    )
    rows = tuple(_rows(lines[1:], heads, delimiter, name))
    return Table(name, delimiter, heads, rows)


def _cells(line: str, delimiter: str, where: str) -> list[str]:
    try:
        [cells] = csv.reader([line], delimiter=delimiter, skipinitialspace=True, strict=True)
    except (csv.Error, ValueError):
        raise InputError("a quotation mark is not closed.", where=where) from None
    return [cell.strip() for cell in cells]


def _header(cells: list[str], columns: Sequence[Column], where: str, example: str) -> tuple[str, ...]:
    known = [column.name for column in columns]
    heads = [cell.lower() if cell.lower() in known else cell for cell in cells]
    mend = f"Begin the file with {example}."
    if not set(heads) & set(known) and any(_is_number(cell) for cell in cells):
        raise InputError("there is no header.", where=where, mend=mend)
    for head in heads:
        near = nearest(head, known)
        if head not in known and near is not None and near not in heads:
            raise InputError(
                f"the column {quoted(head)} is not known.", where=where, mend=f"Did you mean {near}?"
            )
        if head and heads.count(head) > 1:
            raise InputError(f"the column {quoted(head)} stands twice.", where=where)
    for column in columns:
        if column.needed and column.name not in heads:
            raise InputError(f"the column {column.name} is missing.", where=where, mend=mend)
    return tuple(heads)


def _is_number(cell: str) -> bool:
    try:
        read_number(cell, comma=True)
    except ValueError:
        return False
    return True


def _rows(
    lines: Iterable[tuple[int, str]], heads: tuple[str, ...], delimiter: str, name: str
) -> Iterator[Row]:
    for number, line in lines:
        where = f"{name}, row {number}"
        cells = _cells(line, delimiter, where)
        while len(cells) > len(heads) and not cells[-1]:
            cells.pop()
        if len(cells) > len(heads):
            mend = "Quote a note that holds commas; part columns by semicolons where commas are decimal."
            mend = mend if delimiter == "," else "Quote a note that holds the mark between columns."
            raise InputError(f"has {len(cells)} cells under {len(heads)} heads.", where=where, mend=mend)
        if any(cells):
            yield Row(where, number, dict(zip(heads, cells + [""] * (len(heads) - len(cells)), strict=True)))


@contextmanager
def placed_at(where: str, *, inner: bool = True) -> Iterator[None]:
    """Faults inside get the place they happened at, in front. inner False: only those without a place."""
    try:
        yield
    except InputError as fault:
        if not inner and fault.where is not None:
            raise
        raise fault.placed(where) from None

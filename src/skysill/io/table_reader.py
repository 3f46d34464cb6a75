"""Delimited tables with a header (RFC 4180): the reader for every table that people type.

A table is read whole or refused: the error names the row of a record that is wider or narrower than the header, or
whose quotation mark is not closed. Lists of addresses, in which such records are rejected one by one, have their own
reader in `delimited_bytes`.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from skysill.errors import InputError
from skysill.io.text import nearest, quoted, read_number, read_text

__all__ = ["MOST_ROWS", "Column", "Piece", "Row", "Table", "read_table", "split_pieces", "split_table"]

MOST_ROWS = 200_000
"""Most rows of one table that people type or export; a longer file is something else."""

_MOST_LINES = 200
"""Most lines of one quoted cell; more of them mean that its quotation mark was never closed."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column that a table may have."""

    name: str
    needed: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One record of a table: its first line, and its cells by column name, none missing."""

    where: str
    line: int
    cells: dict[str, str]

    def fault(self, column: str, what: str, mend: str | None = None) -> InputError:
        """An error about one cell of this row, to be raised."""
        return InputError(what, where=f"{self.where}, {column}", mend=mend)


@dataclass(frozen=True, slots=True)
class Table:
    """A table as text. delimiter : the character between its columns"""

    name: str
    delimiter: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of a table as it stands: a record, or a comment or blank line.

    line : its first line, from 1; text : its lines as they stand, without the last line end
    cells : of a record, as many as the header has; None for a comment, and for a record that cannot be split
    fault : why it cannot; None: it can
    """

    line: int
    text: str
    cells: tuple[str, ...] | None
    fault: InputError | None = None

    @property
    def ignored(self) -> bool:
        """Whether it is a comment or a blank line."""
        return self.cells is None and self.fault is None


def read_table(path: str | Path, columns: Sequence[Column]) -> Table:
    """The table in a file: UTF-8, or UTF-16 with a byte order mark; line ends of any system. See `split_table`."""
    return split_table(read_text(path), str(path), columns)


def split_table(text: str, name: str, columns: Sequence[Column]) -> Table:
    """A delimited table (comma, semicolon or tab) with a header, `#` comments and blank lines left out.

    Parameters
    ----------
    text : the whole file, its lines ended by newlines
    name : of the file, for messages
    columns : those that are known; others are kept unless they look like a misspelt known one

    Raises
    ------
    InputError : empty, no header, a needed column missing or twice, a record wider or narrower than the header, an
        open quotation mark, too many rows
    """
    delimiter, heads, records = _opened(text, name, columns)
    return Table(name, delimiter, heads, tuple(_rows(records, heads, delimiter, name)))


def split_pieces(
    text: str, name: str, columns: Sequence[Column]
) -> tuple[str, tuple[str, ...], tuple[Piece, ...]]:
    """Delimiter, columns and every piece of a table, header included; a record that cannot be split is kept as text.

    Joined by newlines, the texts of the pieces are the text of the table.

    Raises
    ------
    InputError : the table as a whole, as in `split_table`: empty, no header, a needed column missing, too many rows
    """
    delimiter, heads, _ = _opened(text, name, columns)
    pieces, headed = [], False
    for line, raw, cells in _blocks(text.split("\n"), delimiter, name):
        if _is_ignored(raw):
            pieces.append(Piece(line, raw, None))
        elif not headed:
            headed = True
            pieces.append(Piece(line, raw, heads))
        else:
            pieces.append(_piece(line, raw, cells, heads, delimiter, name))
    return delimiter, heads, tuple(pieces)


def _piece(
    line: int, raw: str, cells: list[str] | None, heads: tuple[str, ...], delimiter: str, name: str
) -> Piece:
    where = f"{name}, row {line}"
    if cells is None:
        return Piece(line, raw, None, _open_quote(where))
    while len(cells) > len(heads) and not cells[-1]:
        cells.pop()
    if not any(cells):
        return Piece(line, raw, ("",) * len(heads))
    fault = _width_fault(cells, heads, delimiter, where)
    return Piece(line, raw, tuple(cells) if fault is None else None, fault)


def _opened(
    text: str, name: str, columns: Sequence[Column]
) -> tuple[str, tuple[str, ...], Iterator[tuple[int, list[str]]]]:
    """Delimiter, checked header and the records below it."""
    example = ",".join(column.name for column in columns if column.needed)
    lines = text.split("\n")
    begin = next((k for k, line in enumerate(lines) if not _is_ignored(line)), None)
    if begin is None:
        raise InputError("is empty.", where=name, mend=f"Begin it with the header {example}.")
    delimiter = max(",;\t", key=lines[begin].count)
    records = _records(lines, delimiter, name)
    first, head = next(records)
    return delimiter, _header(head, columns, f"{name}, row {first}", example), records


def _is_ignored(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith("#")


def _records(lines: Sequence[str], delimiter: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """The line each record begins on, from 1, and its cells."""
    for first, record, cells in _blocks(lines, delimiter, name):
        if _is_ignored(record):
            continue
        if cells is None:
            raise _open_quote(f"{name}, row {first}")
        yield first, cells


def _open_quote(where: str) -> InputError:
    mend = 'Write a mark inside a quoted cell twice: "6"" pipe".'
    return InputError("a quotation mark is not closed, or stands where none may.", where=where, mend=mend)


def _blocks(lines: Sequence[str], delimiter: str, name: str) -> Iterator[tuple[int, str, list[str] | None]]:
    """First line, text and cells of each record, comment and blank line; cells None where a quotation mark is open."""
    at, count = 0, 0
    while at < len(lines):
        first, record = at, lines[at]
        at += 1
        if _is_ignored(record):
            yield first + 1, record, None
            continue
        count += 1
        if count > MOST_ROWS + 1:
            raise InputError(f"has more than {MOST_ROWS:,} rows.", where=name, mend="Is it the right file?")
        end, cells = at, _cells(record, delimiter)
        while cells is None and end < len(lines) and end - first <= _MOST_LINES:
            record += "\n" + lines[end]
            end += 1
            cells = _cells(record, delimiter)
        if cells is None:
            record = lines[first]  # the lines below it may be records of their own
        else:
            at = end
        yield first + 1, record, cells


def _cells(record: str, delimiter: str) -> list[str] | None:
    """The cells of a record; None where a quotation mark of it is not closed or misplaced."""
    if '"' not in record:
        return [cell.strip() for cell in record.split(delimiter)]
    try:
        found = list(
            csv.reader(record.splitlines(True), delimiter=delimiter, skipinitialspace=True, strict=True)
        )
    except (csv.Error, ValueError):
        return None
    return [cell.strip() for cell in found[0]] if len(found) == 1 else None


def _header(cells: list[str], columns: Sequence[Column], where: str, example: str) -> tuple[str, ...]:
    known = [column.name for column in columns]
    heads = [cell.lower() if cell.lower() in known else cell for cell in cells]
    while len(heads) > 1 and not heads[-1]:
        heads.pop()
    mend = f"Begin the file with {example}."
    if not set(heads) & set(known) and any(_is_number(cell) for cell in cells):
        raise InputError("there is no header.", where=where, mend=mend)
    for head in heads:
        near = nearest(head, known)
        if head not in known and near is not None and near not in heads:
            raise InputError(
                f"the column {quoted(head)} is not known.", where=where, mend=f"Did you mean {near}?"
            )
        if heads.count(head) > 1:
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
    records: Iterable[tuple[int, list[str]]], heads: tuple[str, ...], delimiter: str, name: str
) -> Iterator[Row]:
    for number, cells in records:
        where = f"{name}, row {number}"
        while len(cells) > len(heads) and not cells[-1]:
            cells.pop()
        if not any(cells):
            continue
        fault = _width_fault(cells, heads, delimiter, where)
        if fault is not None:
            raise fault
        yield Row(where, number, dict(zip(heads, cells, strict=True)))


def _width_fault(cells: Sequence[str], heads: Sequence[str], delimiter: str, where: str) -> InputError | None:
    if len(cells) > len(heads):
        mend = "Quote a note that holds commas; part columns by semicolons where commas are decimal."
        mend = mend if delimiter == "," else "Quote a note that holds the mark between columns."
        return InputError(f"has {len(cells)} cells under {len(heads)} heads.", where=where, mend=mend)
    if len(cells) < len(heads):
        return InputError(
            f"has {len(cells)} {'cell' if len(cells) == 1 else 'cells'} under {len(heads)} heads.",
            where=where,
            mend="Was it cut short? Where a cell is left empty, its mark between columns stands all the same.",
        )
    return None

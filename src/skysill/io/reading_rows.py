"""The table of a measured horizon as rows that are edited one by one, and back to its text.

A row that cannot be read is kept as it was typed, with its faults; comments, blank lines, columns of other programs and
the order of the rows stay. `read_horizon_csv` reads what is written here.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from skysill.errors import InputError
from skysill.io.survey_tables import (
    HORIZON_COLUMNS,
    TypedReading,
    gathered_readings,
    typed_reading,
    writes_decimal_commas,
)
from skysill.io.table_reader import Piece, Row, split_pieces
from skysill.io.text import nearest, quoted
from skysill.model.readings import Readings

__all__ = [
    "COLUMN_NAMES",
    "ReadingTable",
    "RowFault",
    "TypedRow",
    "checked_rows",
    "pasted_rows",
    "reading_table",
    "readings_from",
    "table_text",
]

COLUMN_NAMES = tuple(column.name for column in HORIZON_COLUMNS)

_USUAL = ("azimuth_deg", "elevation_deg", "distance_m", "kind", "leaf", "note")
"""Columns of a new table, and of cells pasted without a header; the order of the field sheet."""

_MOST_LETTERS = 2000


@dataclass(frozen=True, slots=True)
class RowFault:
    """What is wrong with one row. field : the column; "" where it is the row as a whole; text : with the mend"""

    field: str
    text: str


@dataclass(frozen=True, slots=True)
class TypedRow:
    """One row as it was typed.

    cells : text by column; empty where the row could not be split
    key : number of its piece in the table that it came from; None: it is new
    text : the row as it stands, where it could not be split into cells; else ""
    """

    cells: Mapping[str, str] = field(default_factory=dict)
    key: int | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class ReadingTable:
    """A table of readings as it stands. pieces : header, records, comments and blank lines; empty: a new table"""

    name: str
    delimiter: str
    columns: tuple[str, ...]
    pieces: tuple[Piece, ...]

    @property
    def rows(self) -> tuple[TypedRow, ...]:
        """The records below the header, those without any cell left out."""
        return tuple(self._rows())

    def _rows(self) -> Iterable[TypedRow]:
        for key, piece in list(enumerate(self.pieces))[self._header_at + 1 :]:
            if piece.cells is not None:
                if any(piece.cells):
                    yield TypedRow(dict(zip(self.columns, piece.cells, strict=True)), key)
            elif piece.fault is not None:
                yield TypedRow({}, key, piece.text)

    @property
    def _header_at(self) -> int:
        return next((k for k, piece in enumerate(self.pieces) if not piece.ignored), -1)


def reading_table(text: str, name: str) -> ReadingTable:
    """The table of a measured horizon with all its pieces. text : "" for a table that is not there yet

    Raises
    ------
    InputError : the table as a whole cannot be read: no header, a column missing or misspelt, too many rows

    >>> table = reading_table("# dry\\nazimuth_deg,elevation_deg\\n10,4.5\\n20,\\"x\\n", "horizon.csv")
    >>> [row.cells or row.text for row in table.rows]
    [{'azimuth_deg': '10', 'elevation_deg': '4.5'}, '20,"x']
    """
    if not text.strip():
        return ReadingTable(name, ",", _USUAL, ())
    delimiter, columns, pieces = split_pieces(text.removesuffix("\n"), name, HORIZON_COLUMNS)
    return ReadingTable(name, delimiter, columns, pieces)


def pasted_rows(text: str, name: str = "pasted") -> tuple[TypedRow, ...]:
    """New rows from text of a spreadsheet or another table, with or without a header.

    Without a header the columns are azimuth, elevation, distance, kind, leaf, note; a row that lacks the last cells is
    filled up. Columns that this table does not have are left out.

    Raises
    ------
    InputError : as `reading_table`

    >>> [dict(row.cells) for row in pasted_rows("146\\t34,5\\t22,9\\n")]
    [{'azimuth_deg': '146', 'elevation_deg': '34,5', 'distance_m': '22,9'}]
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n").strip("\n")
    first = next((line for line in text.split("\n") if line.strip() and not line.startswith("#")), "")
    if not first:
        return ()
    delimiter = next((mark for mark in "\t;," if mark in first), ",")
    heads = [cell.strip().strip('"').lower() for cell in first.split(delimiter)]
    if not set(heads) & set(COLUMN_NAMES) and re.match(r"[\s\"]*[+-]?\d", first):
        text = _headed(text, delimiter)
    table = reading_table(text, name)
    return tuple(
        TypedRow({c: v for c, v in row.cells.items() if c in COLUMN_NAMES and v}, None, row.text)
        for row in table.rows
    )


def _headed(text: str, delimiter: str) -> str:
    """Cells without a header, filled up to the widest row of the usual columns, under a header."""
    lines = text.split("\n")
    widest = max(line.count(delimiter) for line in lines) + 1
    columns = _USUAL if widest <= len(_USUAL) else COLUMN_NAMES
    width = min(max(widest, 2), len(columns))
    filled = [
        line + delimiter * (width - 1 - line.count(delimiter)) if line.strip() and '"' not in line else line
        for line in lines
    ]
    return "\n".join([delimiter.join(columns[:width]), *filled])


def checked_rows(
    rows: Sequence[TypedRow], *, stations: Collection[str] | None = None
) -> tuple[tuple[TypedReading | None, ...], tuple[tuple[RowFault, ...], ...]]:
    """For each row its reading, None where there is none, and its faults.

    stations : names that the column `station` may have; None: any

    >>> rows = [TypedRow({"azimuth_deg": "10", "elevation_deg": "4,5x"}), TypedRow({"azimuth_deg": "20"})]
    >>> checked_rows(rows)[1]
    ((RowFault(field='elevation_deg', text='"4,5x" is not a number. Write 12.5 or 12,5.'),), ())
    """
    as_table = [Row("row", at, _all_cells(row)) for at, row in enumerate(rows)]
    comma = writes_decimal_commas(as_table)
    found, faults = [], []
    for typed, row in zip(rows, as_table, strict=True):
        reading, wrong = _checked(typed, row, comma, stations)
        found.append(reading)
        faults.append(wrong)
    return tuple(found), tuple(faults)


def _all_cells(row: TypedRow) -> dict[str, str]:
    return {name: row.cells.get(name, "").strip() for name in COLUMN_NAMES}


def _checked(
    typed: TypedRow, row: Row, comma: bool, stations: Collection[str] | None
) -> tuple[TypedReading | None, tuple[RowFault, ...]]:
    if typed.text:
        return None, (RowFault("", _text_fault(typed.text)),)
    if not any(row.cells.values()):
        return None, ()
    long = next((name for name, cell in row.cells.items() if len(cell) > _MOST_LETTERS), None)
    if long is not None:
        return None, (RowFault(long, f"is longer than {_MOST_LETTERS} letters. Shorten it."),)
    faults: dict[str, RowFault] = {}
    reading = _first_fault(row, comma, faults)
    for name in ("elevation_deg", "distance_m", "kind", "leaf", "growth_m_per_year"):
        # the reader stops at the first fault, so each further cell is asked alone
        if faults and name not in faults and row.cells[name]:
            alone = {**dict.fromkeys(COLUMN_NAMES, ""), "azimuth_deg": "0", "elevation_deg": "0"}
            alone[name] = row.cells[name]
            _first_fault(Row("row", row.line, alone), comma, faults)
    station = row.cells["station"]
    if stations is not None and station and station not in stations:
        near = nearest(station, stations)
        mend = f'Did you mean "{near}"?' if near else "Name it under stations first, or leave it empty."
        faults["station"] = RowFault("station", f"{quoted(station)} is no station of this site. {mend}")
    return (None if faults else reading), tuple(faults[name] for name in COLUMN_NAMES if name in faults)


def _first_fault(row: Row, comma: bool, faults: dict[str, RowFault]) -> TypedReading | None:
    try:
        return typed_reading(row, comma)
    except InputError as fault:
        column = (fault.where or "").rpartition(", ")[2]
        text = fault.what if fault.mend is None else f"{fault.what} {fault.mend}"
        faults.setdefault(column, RowFault(column, text[:1].upper() + text[1:]))
        return None


def _text_fault(text: str) -> str:
    """Why a row could not be split."""
    if '"' in text:
        return "A quotation mark is not closed, or stands where none may. Type the row into its fields."
    return "It has more or fewer cells than the table has columns. Type the row into its fields."


def readings_from(read: Iterable[TypedReading | None], source: str) -> Readings | None:
    """The readings of checked rows as a survey has them; None where there is none. source : the file's name"""
    found = [one for one in read if one is not None]
    return gathered_readings(found, source) if found else None


def table_text(table: ReadingTable, rows: Sequence[TypedRow], *, comments: Sequence[str] = ()) -> str:
    """The text of a table with these rows: those unchanged stand as they stood, and comments before the row below.

    Parameters
    ----------
    table : that the keys of the rows belong to
    rows : in their order; rows without any cell are left out
    comments : lines at the top of a new table, without their marks

    >>> table = reading_table("azimuth_deg,elevation_deg\\n# gable\\n10, 4.5\\n20,5\\n", "horizon.csv")
    >>> first, last = table.rows
    >>> print(table_text(table, [first, TypedRow({"azimuth_deg": "15", "elevation_deg": "4", "note": "a, b"}), last]))
    azimuth_deg,elevation_deg,note
    # gable
    10, 4.5,
    15,4,"a, b"
    20,5,
    <BLANKLINE>
    """
    kept = [row for row in rows if row.text or any(cell.strip() for cell in row.cells.values())]
    columns = _columns(table, kept)
    more = table.delimiter * (len(columns) - len(table.columns))
    lines = [f"# {line}" for line in comments] if not table.pieces else []
    at = table._header_at
    if table.pieces:
        lines += [piece.text for piece in table.pieces[:at]]
        new = "".join(table.delimiter + name for name in columns[len(table.columns) :])
        lines.append(table.pieces[at].text.rstrip(" ") + new)
    else:
        lines.append(table.delimiter.join(columns))
    told = at + 1
    for row in kept:
        if row.key is not None and at < row.key < len(table.pieces):
            lines += [piece.text for piece in table.pieces[told : row.key] if piece.ignored]
            told = max(told, row.key + 1)
        lines.append(_row_text(table, row, columns, more))
    lines += [piece.text for piece in table.pieces[told:] if piece.ignored]
    return "\n".join(lines) + "\n"


def _columns(table: ReadingTable, rows: Sequence[TypedRow]) -> tuple[str, ...]:
    """The table's columns, and those that a row needs besides, in the usual order."""
    used = {name for row in rows for name, cell in row.cells.items() if cell.strip()}
    return (*table.columns, *(name for name in COLUMN_NAMES if name in used and name not in table.columns))


def _row_text(table: ReadingTable, row: TypedRow, columns: Sequence[str], more: str) -> str:
    piece = table.pieces[row.key] if row.key is not None and 0 <= row.key < len(table.pieces) else None
    if row.text:
        return row.text
    if piece is not None and piece.cells is not None:
        stood = dict(zip(table.columns, piece.cells, strict=True))
        now = {name: row.cells.get(name, "").strip() for name in columns}
        if all(now[name] == stood.get(name, "") for name in columns):
            return piece.text + more
    return table.delimiter.join(_cell(row.cells.get(name, ""), table.delimiter) for name in columns)


def _cell(text: str, delimiter: str) -> str:
    """RFC 4180, section 2: quotes around what holds the delimiter, a quote or a line end; quotes doubled."""
    plain = re.sub(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]", " ", text).strip()
    if delimiter in plain or any(mark in plain for mark in '"\n\t#'):
        return '"' + plain.replace('"', '""') + '"'
    return plain

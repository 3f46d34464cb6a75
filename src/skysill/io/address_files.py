"""An address list as a file: its format, its columns, and one record of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from skysill.io.delimited_bytes import Block, blocks

__all__ = ["AddressFile", "Record"]


@dataclass(frozen=True, slots=True)
class Record:
    """One address as its file has it.

    line : line of the file on which it begins (for GeoJSON and Parquet the record's number, from 1)
    cells : text of each column; values as they are in Parquet and GeoJSON
    raw : bytes of a CSV record without the line's end
    fault : what is wrong with the record as a whole, None if nothing is
    """

    line: int
    cells: Sequence[Any]
    raw: bytes = b""
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class AddressFile:
    """An opened list: its format and columns.

    delimiter, encoding, header, line_end : CSV only; header is its raw bytes
    plain : CSV without any quotation mark, so that every line is a record
    data : CSV that had to be converted (UTF-16, lines ended by a carriage return alone), as UTF-8
    features : GeoJSON only
    notes : sentences for the user
    """

    path: Path
    kind: str
    names: tuple[str, ...]
    delimiter: str = ","
    encoding: str = "utf-8"
    header: bytes = b""
    line_end: bytes = b"\n"
    plain: bool = False
    data: bytes | None = field(default=None, repr=False, compare=False)
    features: Sequence[Any] = field(default=(), repr=False, compare=False)
    notes: tuple[str, ...] = ()

    def blocks(self) -> Iterator[Block]:
        """The records of a CSV, in blocks."""
        return blocks(self.path if self.data is None else self.data, self.delimiter, len(self.names))

    def column(self, name: str) -> int | None:
        """Index of a column by its name, whatever its case; None where there is none."""
        wanted = [i for i, own in enumerate(self.names) if own.strip().lower() == name]
        return wanted[0] if wanted else None

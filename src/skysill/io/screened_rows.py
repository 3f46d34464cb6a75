"""A screened list and its rejects read back as rows of text, for a page."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

__all__ = ["ScreenedRows", "rejected_rows", "screened_rows"]


@dataclass(frozen=True, slots=True)
class ScreenedRows:
    """columns : names in the file's order; rows : texts, one list a record; left_out : records beyond the most asked"""

    columns: tuple[str, ...]
    rows: list[list[str]]
    left_out: int


def screened_rows(path: str | Path, *, most: int) -> ScreenedRows:
    """The first records of a CSV file that `screen_file` wrote."""
    with open(path, encoding="utf-8-sig", newline="") as opened:
        table = csv.reader(opened)
        columns = tuple(next(table, []))
        rows = list(islice(table, most))
        return ScreenedRows(columns, rows, sum(1 for _ in table))


def rejected_rows(path: str | Path | None, *, most: int) -> ScreenedRows:
    """The first rejected records with line, id and reason; none where no file was written."""
    return ScreenedRows((), [], 0) if path is None else screened_rows(path, most=most)

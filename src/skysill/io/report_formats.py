"""File formats of reports, and tables of readings that must not be overwritten."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from skysill.errors import InputError
from skysill.io.text import read_text

__all__ = ["refuse_filled_table", "report_format"]


def report_format(path: str) -> Literal["html", "pdf"]:
    """Format of a report by its file name suffix. Raises InputError for another."""
    suffix = Path(path).suffix.lower()
    if suffix in (".html", ".htm"):
        return "html"
    if suffix == ".pdf":
        return "pdf"
    raise InputError(
        "reports and sheets are written as HTML or PDF.", where=path, mend="End the name in .html or .pdf."
    )


def refuse_filled_table(path: str | Path, written: str = "") -> None:
    """Refuse to overwrite a table that somebody has filled in.

    written : the new text; rows that are in it too may be in the old table

    Raises
    ------
    InputError : the file exists and holds more than a header, comments and azimuths
    """
    if not Path(path).exists():
        return
    kept = set(written.splitlines())
    for line in read_text(path).splitlines()[:100_000]:
        if line in kept:
            continue
        cells = [cell.strip() for cell in line.replace(";", ",").replace("\t", ",").split(",")]
        if line.lstrip().startswith("#") or "azimuth_deg" in cells:
            continue
        if any(cells[1:]):
            raise InputError(
                "holds readings already, and is not written over.",
                where=str(path),
                mend="Give another name with --csv, or move it away.",
            )

"""What a paper is written as, and tables on it that must not be written over."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from skysill.errors import InputError
from skysill.io.text import read_text

__all__ = ["check_blank", "paper_kind"]


def paper_kind(path: str) -> Literal["html", "pdf"]:
    """HTML or PDF by the suffix. Raises InputError for another."""
    suffix = Path(path).suffix.lower()
    if suffix in (".html", ".htm"):
        return "html"
    if suffix == ".pdf":
        return "pdf"
    raise InputError("papers are written as HTML or PDF.", where=path, mend="End the name in .html or .pdf.")


def check_blank(path: str | Path, written: str = "") -> None:
    """Refuse to write a table over one that somebody has filled in.

    written : what is to be written; rows that stand in it too may stand in the old one

    Raises
    ------
    InputError : the file is there and holds more than a header, comments and azimuths
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

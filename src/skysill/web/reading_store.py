"""The table of readings of a site: read with a revision, saved only when nobody wrote in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from starlette.responses import Response

from skysill.errors import InputError
from skysill.io.reading_rows import ReadingTable, TypedRow, checked_rows, reading_table, table_text
from skysill.io.site_schema import SiteFile, parse_site_file, parse_site_text
from skysill.io.site_store import NEW_FILE, RevisionConflictError, SiteMissingError, StoredSite
from skysill.io.text import printable
from skysill.web.answers import json_response
from skysill.web.state import AppState

__all__ = ["read_table", "save_table", "table_file", "title_of"]

_MARK = "\ufeff"


def title_of(stored: StoredSite) -> str:
    """The site's own name, or that of its file where it has none or cannot be read."""
    try:
        return printable(parse_site_text(stored.text, stored.path.name).name or stored.name)
    except InputError:
        return stored.name


def table_file(state: AppState, name: str) -> tuple[str, bool]:
    """Name of a site's table of readings, and whether its site file names it already.

    Raises
    ------
    InputError : it lies in another folder, where this page does not write
    """
    path = state.store.path_of(name)
    named = parse_site_file(path).survey.horizon
    if named is None:
        return f"{path.stem}_horizon.csv", False
    if Path(named).name != named:
        raise InputError(
            "lies in another folder: this page reads and writes tables beside the site file only.",
            where=f"{path.name}, [survey], horizon",
            mend="Put the table beside the site file.",
        )
    return named, True


def read_table(state: AppState, name: str) -> dict[str, Any]:
    """The rows of a site's table, with the revision to give back when they are saved, and what is wrong with each."""
    file, named = table_file(state, name)
    table, revision, _ = _stored(state, name, file)
    return {"named": named, **_document(file, table, revision, _stations(state, name))}


def _stations(state: AppState, name: str) -> set[str]:
    file: SiteFile = parse_site_file(state.store.path_of(name))
    return {one.name for one in file.stations}


def _document(file: str, table: ReadingTable, revision: str, stations: set[str]) -> dict[str, Any]:
    rows = table.rows
    _, faults = checked_rows(rows, stations=stations)
    return {
        "file": file,
        "revision": revision,
        "columns": list(table.columns),
        "rows": [
            {
                "key": row.key,
                "cells": dict(row.cells),
                "text": row.text,
                "faults": [asdict(one) for one in wrong],
            }
            for row, wrong in zip(rows, faults, strict=True)
        ],
    }


def _stored(state: AppState, name: str, file: str) -> tuple[ReadingTable, str, bytes]:
    try:
        raw, revision = state.store.read_companion(name, file)
    except SiteMissingError:
        return reading_table("", file), NEW_FILE, b""
    return reading_table(_text(raw, file), file), revision, raw


def _text(raw: bytes, file: str) -> str:
    wide = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        text = raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text.", where=file, mend="Save it as UTF-8.") from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def save_table(state: AppState, name: str, rows: Sequence[TypedRow], revision: str | None) -> Any:
    """Write the rows into the site's table; comments, order and unknown columns stay.

    Rows with faults are refused with all their faults: a table that lacks a reading could make a verdict better.

    Raises
    ------
    InputError : no revision, or the table may not be written
    """
    if revision is None:
        raise InputError("give the revision that the rows were read with.", where="revision")
    file, named = table_file(state, name)
    table, now, raw = _stored(state, name, file)
    stations = _stations(state, name)
    if now != revision:
        return _conflict(file, table, now, stations)
    refused = _refused(rows, stations)
    if refused is not None:
        return refused
    made = table_text(table, rows, comments=_comments(state, name))
    if b"\r\n" in raw:
        made = made.replace("\n", "\r\n")
    mark = _MARK if raw.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")) else ""
    try:
        written = state.store.write_companion(name, file, (mark + made).encode("utf-8"), revision=revision)
    except RevisionConflictError:
        table, now, _ = _stored(state, name, file)
        return _conflict(file, table, now, stations)
    return {
        "named": named,
        **_document(file, reading_table(made.replace("\r\n", "\n"), file), written, stations),
    }


def _refused(rows: Sequence[TypedRow], stations: set[str]) -> Response | None:
    _, faults = checked_rows(rows, stations=stations)
    wrong = next((k for k, one in enumerate(faults) if one), None)
    if wrong is None:
        return None
    first = faults[wrong][0]
    said = (
        f"Row {wrong + 1}: {first.text} Nothing is written before every row can be read; your rows are kept."
    )
    return json_response(
        {
            "error": said,
            "path": None,
            "row": wrong + 1,
            "field": first.field or None,
            "faults": [[asdict(one) for one in row] for row in faults],
        },
        422,
    )


def _conflict(file: str, table: ReadingTable, revision: str, stations: set[str]) -> Response:
    said = f"{file} was changed by someone else since you read it. Nothing of yours is lost."
    return json_response({"error": said, "path": None, **_document(file, table, revision, stations)}, 409)


def _comments(state: AppState, name: str) -> list[str]:
    """Lines at the top of a new table."""
    file = parse_site_file(state.store.path_of(name))
    title = " ".join((file.name or name).split())
    return [
        f"{title}: horizon readings.",
        'azimuth_deg counts from what "bearings" under [survey] in the site file says; elevation_deg is of the edge '
        "against the sky; distance_m along the line of sight.",
    ]

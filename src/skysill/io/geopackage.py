"""GeoPackages looked at before a library opens them (OGC 12-128r15; gridded coverages OGC 17-066r1)."""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from skysill.errors import InputError
from skysill.io.text import nearest

if TYPE_CHECKING:
    import sqlite3

__all__ = ["GEOPACKAGE_MARK", "check_coverage", "geopackage_tables", "split_table"]

GEOPACKAGE_MARK = b"SQLite format 3\0"
"""First bytes of an SQLite file, which a GeoPackage is."""


def split_table(path: str | os.PathLike[str]) -> tuple[Path, str | None]:
    """The file and the table of FILE or FILE:TABLE."""
    place = Path(path)
    name, colon, table = os.fspath(path).rpartition(":")
    if colon and table and not place.exists() and Path(name).is_file():
        return Path(name), table
    return place, None


@contextlib.contextmanager
def _opened(place: Path, shown: str, mend: str) -> Iterator[sqlite3.Connection]:
    import sqlite3  # loaded only where there is a GeoPackage

    try:
        uri = Path(os.path.abspath(place)).as_uri() + "?mode=ro&immutable=1"
        with contextlib.closing(sqlite3.connect(uri, uri=True)) as base:
            base.execute("PRAGMA trusted_schema=OFF")
            yield base
    except (sqlite3.Error, ValueError, TypeError, OverflowError) as fault:  # names that are no UTF-8, too
        raise InputError("is damaged, or no GeoPackage.", where=shown, mend=mend) from fault


def geopackage_tables(place: Path, shown: str, *, kind: str, mend: str) -> list[str]:
    """Names of its tables of one kind, in order. kind : as gpkg_contents has it: "features", "2d-gridded-coverage"

    Raises
    ------
    InputError : still open in another program, damaged, views or tables that a program's extension makes up
    """
    if any(Path(f"{place}{end}").exists() for end in ("-wal", "-journal")):
        raise InputError(
            "is being written to, or was not closed.", where=shown, mend="Close it in the other program."
        )
    with _opened(place, shown, mend) as base:
        virtual = base.execute(
            "SELECT count(*) FROM sqlite_master WHERE (sql LIKE '%VIRTUAL%TABLE%' AND sql NOT LIKE '%USING%rtree%')"
            " OR type = 'view'"
        ).fetchone()[0]
        whole = base.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
        found = base.execute(
            "SELECT table_name FROM gpkg_contents WHERE data_type = ? ORDER BY table_name", [kind]
        )
        names = [str(row[0]) for row in found]
    if virtual:
        raise InputError(
            "holds views or virtual tables, which are not read.", where=shown, mend="Save its layers anew."
        )
    if not whole:
        raise InputError("is damaged.", where=shown, mend=mend)
    return names


def check_coverage(place: Path, table: str | None, shown: str) -> tuple[str, int]:
    """The table of elevations that is meant, and its finest zoom level, all of whose tiles are there.

    table : None: the only one

    Raises
    ------
    InputError : as `geopackage_tables`; none or several tables of elevations; tiles missing and no value for voids
    """
    mend = "Save it as GeoTIFF, or check it is complete."
    names = geopackage_tables(place, shown, kind="2d-gridded-coverage", mend=mend)
    if not names:
        raise InputError("holds no table of elevations.", where=shown, mend="Save the elevations as GeoTIFF.")
    if table is None and len(names) > 1:
        raise InputError(f"the file holds {len(names)} rasters: {', '.join(names[:10])}.", where=shown,
                         mend=f"Name one: {place.name}:{names[0]}.")  # fmt: skip
    if table is not None and table not in names:
        near = nearest(table, names) or ", ".join(names[:10])
        raise InputError(f'has no table of elevations "{table}".', where=shown, mend=f"Did you mean {near}?")
    name = names[0] if table is None else table
    with _opened(place, shown, mend) as base:
        zoom, missing = _missing_tiles(base, name)
        void = base.execute(
            "SELECT data_null FROM gpkg_2d_gridded_coverage_ancillary WHERE tile_matrix_set_name = ?", [name]
        ).fetchone()
    if void is None or zoom is None:
        raise InputError("is damaged: its tiles are not described.", where=shown, mend=mend)
    if missing and void[0] is None:
        raise InputError(
            f"lacks {missing:,} of its tiles, and declares no value for voids.",
            where=shown,
            mend="Write it out as a GeoTIFF that declares one.",
        )
    return name, zoom


def _missing_tiles(base: sqlite3.Connection, name: str) -> tuple[int | None, int]:
    """The finest zoom level that has tiles, and how many it lacks of those that its extent needs."""
    quoted = '"' + name.replace('"', '""') + '"'
    zoom = base.execute(f"SELECT max(zoom_level) FROM {quoted}").fetchone()[0]
    matrix = base.execute(
        "SELECT tile_width * pixel_x_size, tile_height * pixel_y_size FROM gpkg_tile_matrix"
        " WHERE table_name = ? AND zoom_level = ?",
        [name, zoom],
    ).fetchone()
    origin = base.execute(
        "SELECT min_x, max_y FROM gpkg_tile_matrix_set WHERE table_name = ?", [name]
    ).fetchone()
    extent = base.execute(
        "SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name = ?", [name]
    ).fetchone()
    if zoom is None or matrix is None or origin is None or None in (*matrix, *origin, *extent):
        return None, 0
    first_col, last_col = _span(extent[0] - origin[0], extent[2] - origin[0], matrix[0])
    first_row, last_row = _span(origin[1] - extent[3], origin[1] - extent[1], matrix[1])
    there = base.execute(
        f"SELECT count(*) FROM {quoted} WHERE zoom_level = ? AND tile_column BETWEEN ? AND ?"
        " AND tile_row BETWEEN ? AND ? AND length(tile_data) > 0",
        [zoom, first_col, last_col, first_row, last_row],
    ).fetchone()[0]
    wanted = (last_col - first_col + 1) * (last_row - first_row + 1)
    return int(zoom), max(wanted - int(there), 0)


def _span(begin: float, end: float, step: float) -> tuple[int, int]:
    """First and last of the steps that a stretch touches, hairs of rounding left out."""
    if not (math.isfinite(begin) and math.isfinite(end) and step > 0.0 and end > begin):
        raise ValueError("no extent")
    first = math.floor(begin / step + 1e-6)
    return first, max(math.ceil(end / step - 1e-6) - 1, first)

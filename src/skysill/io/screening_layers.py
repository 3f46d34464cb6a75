"""A screened list as a layer for a GIS: a GeoPackage with its verdicts styled.

OGC 12-128r15 (GeoPackage 1.2). The style stands in the table `layer_styles`, which QGIS reads; its columns are those
that QGIS makes. Other programs find the same as a Styled Layer Descriptor in the table's column `styleSLD`.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from skysill.io.address_files import AddressFile, Record
from skysill.io.address_lists import Addresses
from skysill.io.address_vectors import holds_areas, outline_of
from skysill.io.screening_results import ResultTable, matched_records, own_names, write_list
from skysill.io.vector_files import write_geopackage
from skysill.io.verdict_styles import VERDICT_SYMBOLS, qml_style, sld_style
from skysill.units import Floats

__all__ = ["LAYER_SUFFIXES", "outer_rings", "write_layer"]

LAYER_SUFFIXES = (".gpkg", ".geojson", ".json")
"""Endings of the names of layers."""

_LAYER = "screened"
_TOGETHER = 20_000


def write_layer(path: Path, file: AddressFile, places: Addresses, results: ResultTable, *, date: str) -> None:
    """Write one feature for each screened record, a point or an outline, with its style; the ending is the format.

    Parameters
    ----------
    path : GeoPackage, or GeoJSON with the colour and shape of each verdict in `map_colour` and `map_shape`
    date : ISO 8601, said to be when the contents last changed; the same date gives the same bytes
    """
    if path.suffix.lower() != ".gpkg":
        symbols = {
            name: {"map_colour": one.colour, "map_shape": one.shape} for name, one in VERDICT_SYMBOLS.items()
        }
        write_list(path, file, places, results, neutralize=False, symbols=symbols)
        return
    areas = holds_areas(file)
    path.unlink(missing_ok=True)
    names = [
        *_field_names(own_names(file, results.columns.names), results.columns.names),
        *results.columns.names,
    ]
    write_geopackage(path, _LAYER, "MultiPolygon" if areas else "Point", names, _batches(file, places, results, areas),
                     date=date)  # fmt: skip
    _add_style(path, areas, date)


def _batches(
    file: AddressFile, places: Addresses, results: ResultTable, areas: bool
) -> Iterator[tuple[list[bytes], list[Any], list[Any]]]:
    """Geometries, columns and which of their values are missing, some thousands of records at a time."""
    columns_of = results.columns
    for address, records in matched_records(file, places, _TOGETHER):
        last = address + len(records)
        shapes = _outlines(records) if areas else _points(places, address, last)
        columns = [_texts(record.cells[at] for record in records) for at in range(len(file.names))]
        kinds: list[Any] = [str] * len(columns)
        for name in columns_of.names:
            columns.append(results.values(address, last, name))
            kinds.append(float if name in columns_of.places else bool if name == "margin_is_floor" else str)
        masks = [np.array([value is None for value in column]) for column in columns]
        yield shapes, [_filled(column, kind) for column, kind in zip(columns, kinds, strict=True)], masks


def _field_names(own: Sequence[str], added: Sequence[str]) -> list[str]:
    """Names of the record's own columns that differ from each other whatever their case, and from those of the file."""
    taken, found = {"fid", "geom", *(name.lower() for name in added)}, []
    for number, name in enumerate(own, 1):
        wanted = name.strip().encode("utf-8", "replace").decode("utf-8") or f"column_{number}"
        while wanted.lower() in taken:
            wanted += "_"
        taken.add(wanted.lower())
        found.append(wanted)
    return found


def _points(places: Addresses, first: int, last: int) -> list[Any]:
    import shapely

    at = np.stack([places.longitude_deg[first:last], places.latitude_deg[first:last]], axis=1).round(7)
    return list(shapely.to_wkb(shapely.points(at)))


def _outlines(records: Sequence[Record]) -> list[Any]:
    import shapely
    from shapely.geometry import shape

    shapes = [shape(outline_of(record.cells[-1])) for record in records]
    flat = [shapely.force_2d(one) for one in shapes]
    return list(
        shapely.to_wkb(
            [one if one.geom_type == "MultiPolygon" else shapely.multipolygons([one]) for one in flat]
        )
    )


def _texts(values: Iterator[Any]) -> list[Any]:
    return [None if v is None else str(v).encode("utf-8", "replace").decode("utf-8") for v in values]


def _filled(column: Sequence[Any], kind: Any) -> Any:
    """An array of one kind of values; what stands for missing ones does not count."""
    dtype = object if kind is str else kind
    return np.array([kind() if value is None else value for value in column], dtype=dtype)


def outer_rings(file: AddressFile, places: Addresses) -> tuple[tuple[Floats, ...], ...]:
    """Outer rings of each screened record's outline, (point, 2) longitude and latitude; () for a list of points."""
    if not holds_areas(file):
        return ()
    found = []
    for _, records in matched_records(file, places, _TOGETHER):
        for record in records:
            outline = outline_of(record.cells[-1])
            parts = outline["coordinates"] if outline["type"] == "MultiPolygon" else [outline["coordinates"]]
            found.append(
                tuple(np.array([point[:2] for point in part[0]], dtype=np.float64) for part in parts)
            )
    return tuple(found)


_STYLES_TABLE = """CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
    f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
    useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME)"""


def _add_style(path: Path, areas: bool, date: str) -> None:
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        (geometry,) = base.execute(
            "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", [_LAYER]
        ).fetchone()
        base.execute(_STYLES_TABLE)
        base.execute(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
            "styleQML, styleSLD, useAsDefault, description, owner, update_time) "
            "VALUES ('', '', ?, ?, 'verdict', ?, ?, 1, ?, '', ?)",
            [_LAYER, geometry, qml_style("verdict", areas=areas), sld_style(_LAYER, "verdict", areas=areas),
             "one colour and shape for each verdict", date],
        )  # fmt: skip
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
            "VALUES ('layer_styles', 'attributes', 'layer_styles', 'styles of layers', ?, 0)",
            [date],
        )

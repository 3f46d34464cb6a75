"""GeoParquet: geometry and columns of a Parquet file with the metadata of the GeoParquet specification.

GeoParquet 1.1.0 (Open Geospatial Consortium, from memory): the file's key "geo" holds a JSON object with "version",
"primary_column" and "columns"; a column's "encoding" is "WKB" or a native one, its "crs" a PROJJSON object; without the
key "crs" the coordinates are longitude and latitude of OGC:CRS84, and null means that the system is not known.
"geometry_types" lists the kinds that occur, and "bbox" is west, south, east, north.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.io.text import quoted

__all__ = ["GeoTable", "geometry_head", "geometry_name", "read_geoparquet", "wkb_of"]

_MOST_ROWS = 5_000_000
_MOST_UNPACKED_BYTES = 8_000_000_000
_MOST_HEAD_BYTES = 10_000_000
_MEND = "Copy it again, or save it as GeoPackage."


@dataclass(frozen=True, slots=True, eq=False)
class GeoTable:
    """crs : as pyproj takes it; shapes : shapely geometries or None; columns : one list of values a field."""

    crs: str
    shapes: Sequence[Any]
    fields: tuple[str, ...]
    columns: tuple[Sequence[Any], ...]


def read_geoparquet(place: Path, where: str) -> GeoTable:
    """The geometry of the primary column, and the other columns; maps come as dictionaries, nested ones are left out.

    Raises
    ------
    InputError : damaged, cut short, too large, no GeoParquet metadata, no coordinate system, an encoding not read
    """
    import pyarrow
    import pyarrow.parquet
    import shapely

    faults = (
        OSError,
        ValueError,
        OverflowError,
        TypeError,
        pyarrow.ArrowException,
        shapely.errors.ShapelyError,
    )
    try:
        opened = pyarrow.parquet.ParquetFile(os.path.abspath(place))
        about = opened.metadata
        unpacked = sum(about.row_group(i).total_byte_size for i in range(about.num_row_groups))
        head = (opened.schema_arrow.metadata or {}).get(b"geo")
    except faults as fault:
        raise InputError(
            "is no Parquet file that can be read, or is damaged.", where=where, mend=_MEND
        ) from fault
    if about.num_rows > _MOST_ROWS or unpacked > _MOST_UNPACKED_BYTES:
        raise InputError(
            f"holds {about.num_rows:,} rows and {unpacked / 1e9:.1f} GB unpacked.", where=where,
            mend=f"Cut it to the area: {_MOST_ROWS:,} rows and {_MOST_UNPACKED_BYTES / 1e9:g} GB are read.",
        )  # fmt: skip
    geometry, crs = _geometry_column(head, opened.schema_arrow, where)
    try:
        names = [geometry, *_plain_columns(opened.schema_arrow, geometry)]
        table = opened.read(columns=names)
        shapes = shapely.from_wkb(table.column(geometry).to_pylist())
        columns = tuple(_values(table.column(name)) for name in names[1:])
    except faults as fault:
        raise InputError("is damaged.", where=where, mend=_MEND) from fault
    if len(shapes) != about.num_rows or any(len(column) != about.num_rows for column in columns):
        raise InputError("is damaged: it has fewer rows than its head says.", where=where, mend=_MEND)
    return GeoTable(crs, list(shapes), tuple(names[1:]), columns)


def _geometry_column(head: bytes | None, schema: Any, where: str) -> tuple[str, str]:
    """Name and coordinate system of the primary geometry column."""
    mend = "Save it as GeoParquet with its coordinate system, or as GeoPackage."
    if head is None:
        raise InputError("is Parquet without geometry (no GeoParquet metadata).", where=where, mend=mend)
    try:
        if len(head) > _MOST_HEAD_BYTES:
            raise ValueError("too long")
        said = json.loads(head)
        name = said["primary_column"]
        column = said["columns"][name]
        encoding = column["encoding"]
        if not isinstance(name, str) or name not in schema.names or not isinstance(column, dict):
            raise ValueError(name)
    except (ValueError, LookupError, TypeError, RecursionError):
        raise InputError("has GeoParquet metadata that cannot be read.", where=where, mend=mend) from None
    if encoding != "WKB":
        raise InputError(
            f"its geometry is encoded as {quoted(encoding)}, which is not read.", where=where, mend="Save it with WKB."
        )  # fmt: skip
    if "crs" not in column:
        return name, "OGC:CRS84"
    if not isinstance(column["crs"], dict):
        raise InputError("names no coordinate system.", where=where, mend=mend)
    return name, json.dumps(column["crs"])


def _plain_columns(schema: Any, geometry: str) -> list[str]:
    """Columns of numbers, text, truth values and maps of text; others say nothing that is read."""
    import pyarrow.types as kinds

    def plain(kind: Any) -> bool:
        if kinds.is_dictionary(kind):
            kind = kind.value_type
        if kinds.is_map(kind):
            return bool(kinds.is_string(kind.key_type) and kinds.is_string(kind.item_type))
        return bool(
            kinds.is_integer(kind) or kinds.is_floating(kind) or kinds.is_string(kind) or kinds.is_large_string(kind)
            or kinds.is_boolean(kind)
        )  # fmt: skip

    names = [str(name) for name in schema.names]
    return [
        name
        for name in names
        if name != geometry and names.count(name) == 1 and plain(schema.field(name).type)
    ]


def _values(column: Any) -> list[Any]:
    import pyarrow.types as kinds

    values: list[Any] = column.to_pylist()
    return [None if one is None else dict(one) for one in values] if kinds.is_map(column.type) else values


def geometry_name(names: Collection[str]) -> str:
    """A name for a geometry column beside others."""
    name = "geometry"
    while name in names:
        name += "_"
    return name


def wkb_of(shapes: Sequence[Mapping[str, Any]]) -> list[bytes]:
    """Well-known binary of GeoJSON geometries, without elevations."""
    import shapely
    from shapely.geometry import shape

    return list(shapely.to_wkb(shapely.force_2d([shape(one) for one in shapes]), flavor="iso"))


def geometry_head(name: str, shapes: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """The file's metadata for one geometry column of longitude and latitude.

    shapes : GeoJSON geometries; name : of their column

    >>> geometry_head("geometry", [{"type": "Point", "coordinates": [-24.6, 58.0]}])["geo"][:40]
    '{"version": "1.1.0", "primary_column": "'
    """
    import shapely
    from shapely.geometry import shape

    about: dict[str, Any] = {
        "encoding": "WKB",
        "geometry_types": sorted({str(one["type"]) for one in shapes}),
    }
    if shapes:
        about["bbox"] = [float(side) for side in shapely.total_bounds([shape(one) for one in shapes])]
    said = {"version": "1.1.0", "primary_column": name, "columns": {name: about}}
    return {"geo": json.dumps(said)}

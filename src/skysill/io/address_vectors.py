"""Address lists in GeoPackage, Shapefile, FlatGeobuf and GeoParquet, record by record."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.io.address_files import AddressFile, Record
from skysill.io.vector_files import Layer, read_layers
from skysill.units import Floats

__all__ = [
    "VECTOR_SUFFIXES",
    "holds_areas",
    "is_geoparquet",
    "open_vector",
    "outline_of",
    "vector_records",
]

VECTOR_SUFFIXES = (".gpkg", ".shp", ".fgb", ".geoparquet")
"""Endings of lists that are vector files, beside GeoJSON and Parquet with geometry."""

_AREAS = ("Polygon", "MultiPolygon")


class _Rows(Sequence[Any]):
    """The records of one layer. shapes : in WGS 84 degrees, longitude first; columns : one a field."""

    def __init__(self, shapes: Sequence[Any], columns: tuple[Any, ...]) -> None:
        self.shapes, self.columns = shapes, columns

    def __len__(self) -> int:
        return len(self.shapes)

    def __getitem__(self, row: Any) -> list[Any]:
        return [*(_plain(column[row]) for column in self.columns), self.shapes[row]]


def open_vector(path: Path) -> AddressFile:
    """A list that is the one layer of a vector file; the geometry is the last cell of its records.

    Raises
    ------
    InputError : a file that cannot be read, or of several layers
    """
    layers = list(read_layers(path))
    if len(layers) > 1:
        raise InputError(
            f"holds {len(layers)} layers: {', '.join(layer.name for layer in layers[:10])}.",
            where=os.fspath(path),
            mend="Save the one that is the list as a file of its own.",
        )
    layer = layers[0]
    if len(set(layer.fields)) < len(layer.fields):
        raise InputError("has two columns of one name.", where=os.fspath(path), mend="Rename one.")
    return AddressFile(path, "vector", layer.fields, features=_Rows(_in_degrees(layer), layer.columns))


def is_geoparquet(path: Path) -> bool:
    """Whether a Parquet file says in its metadata that it has geometry."""
    import pyarrow
    import pyarrow.parquet

    try:
        return b"geo" in (pyarrow.parquet.read_schema(os.path.abspath(path)).metadata or {})
    except (OSError, ValueError, pyarrow.ArrowException):
        return False


def vector_records(file: AddressFile) -> Iterator[Record]:
    """The records of a vector file."""
    for row in range(len(file.features)):
        yield Record(row + 1, file.features[row])


def holds_areas(file: AddressFile) -> bool:
    """Whether a list is one of buildings: the first record that has a geometry has a polygon."""
    if file.kind == "geojson":
        for feature in file.features:
            geometry = feature.get("geometry") if isinstance(feature, dict) else None
            if isinstance(geometry, dict):
                return geometry.get("type") in _AREAS
    elif file.kind == "vector":
        for row in range(len(file.features)):
            if (shape := file.features[row][-1]) is not None:
                return str(shape.geom_type) in _AREAS
    return False


def outline_of(geometry: Any) -> Any:
    """The geometry of a record as a GeoJSON object."""
    if geometry is None or isinstance(geometry, dict):
        return geometry
    from shapely.geometry import mapping

    return mapping(geometry)


def _in_degrees(layer: Layer) -> Sequence[Any]:
    """Geometries in WGS 84 degrees, longitude first; None for those without any or without a place there."""
    import shapely
    from pyproj import Transformer
    from pyproj.exceptions import ProjError

    try:
        to_degrees = Transformer.from_crs(layer.crs, "EPSG:4326", always_xy=True)
    except ProjError:
        raise InputError("its coordinate system is not known.", where=layer.where) from None

    def turned(points: Floats) -> Floats:
        return np.column_stack(to_degrees.transform(points[:, 0], points[:, 1]))

    given = np.array([*layer.shapes, None], dtype=object)[
        :-1
    ]  # the last keeps geometries from becoming a table
    return list(shapely.transform(shapely.force_2d(given), turned))


def _plain(value: Any) -> Any:
    """A cell as Python has it, None where the file has nothing."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and np.isnan(value):
        return None
    return str(value) if isinstance(value, np.datetime64) else value

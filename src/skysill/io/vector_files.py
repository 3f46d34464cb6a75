"""Vector files read through GDAL: known formats only, all layers or the one named; incomplete files are refused."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.io.geopackage import GEOPACKAGE_MARK, geopackage_tables, split_table
from skysill.io.geoparquet import read_geoparquet
from skysill.io.text import check_file, nearest, quoted

__all__ = ["FORMATS", "Layer", "read_layers", "split_layer", "write_geopackage"]

FORMATS = {
    ".geojson": "GeoJSON",
    ".json": "GeoJSON",
    ".gpkg": "GeoPackage",
    ".shp": "Shapefile",
    ".fgb": "FlatGeobuf",
    ".parquet": "GeoParquet",
    ".geoparquet": "GeoParquet",
}
"""File name suffix -> format of the vector files that are read."""

_DRIVERS = {".gpkg": "GPKG", ".shp": "ESRI Shapefile", ".fgb": "FlatGeobuf"}
_PARQUET = (".parquet", ".geoparquet")
_MOST_BYTES = 2_000_000_000
_MOST_ROWS = 5_000_000
_FAULTS = (RuntimeError, Warning, ValueError, LookupError, TypeError, NameError, OSError, ArithmeticError)
"""What the libraries raise for damaged files; pyogrio's own errors are RuntimeErrors."""

_MEND = "Save it as GeoJSON, or check it is complete."


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One layer of a vector file. shapes : shapely geometries or None; columns : one array of values per field."""

    name: str
    where: str
    crs: str
    shapes: Sequence[Any]
    fields: tuple[str, ...] = ()
    columns: tuple[Any, ...] = field(default=(), repr=False)


def split_layer(path: str | os.PathLike[str]) -> tuple[Path, str | None]:
    """The file and the layer of `FILE` or `FILE:LAYER`."""
    return split_table(path)


def read_layers(path: str | os.PathLike[str]) -> Iterator[Layer]:
    """All layers of a GeoPackage, Shapefile, FlatGeobuf or GeoParquet, or the one named behind a colon.

    Raises
    ------
    InputError : another format, damaged, truncated, a layer without geometry or coordinate system, no such layer
    """
    place, wanted = split_layer(path)
    shown = os.fspath(place)
    check_file(place, most_bytes=_MOST_BYTES)
    suffix = place.suffix.lower()
    names = _checked_names(place, suffix, shown)
    if wanted is not None:
        if wanted not in names:
            near = nearest(wanted, names) or ", ".join(names[:10])
            raise InputError(f"has no layer {quoted(wanted)}.", where=shown, mend=f"Did you mean {near}?")
        names = [wanted]
    for name in names:
        where = shown if len(names) == 1 else f"{shown}, layer {name}"
        yield _layer(os.path.abspath(place), suffix, name, where)


def _checked_names(place: Path, suffix: str, shown: str) -> list[str]:
    """Names of the layers of a file, after checking that it is complete as far as its format shows that."""
    with place.open("rb") as opened:
        head = opened.read(100)
    if suffix == ".gpkg" and head.startswith(GEOPACKAGE_MARK):
        names = geopackage_tables(place, shown, kind="features", mend=_MEND)
        if not names:
            raise InputError("holds no layer with geometry.", where=shown)
        return names
    if suffix == ".shp" and head.startswith(b"\0\0\x27\x0a"):
        _check_shapefile(place, shown)
        return [place.stem]
    if suffix == ".fgb" and head.startswith(b"fgb\x03fgb"):
        return [place.stem]
    if suffix in _PARQUET and head.startswith(b"PAR1"):
        return [place.stem]
    known = ", ".join(dict.fromkeys(FORMATS.values()))
    raise InputError("cannot be read as a vector file.", where=shown, mend=f"Save it as one of: {known}.")


def _check_shapefile(place: Path, shown: str) -> None:
    """Compare the sizes of the three files with their headers.

    ESRI Shapefile Technical Description, July 1998; dBASE III.
    """
    beside = {end: place.with_suffix(end) if place.suffix == ".shp" else place.with_suffix(end.upper())
              for end in (".shx", ".dbf")}  # fmt: skip
    for end, file in beside.items():
        if not file.is_file():
            raise InputError(
                f"its {end} file is missing.", where=shown, mend="Copy all files of the shapefile."
            )
    sizes = {}
    for file in (place, beside[".shx"]):
        head = file.read_bytes()[:100]
        sizes[file] = 2 * int.from_bytes(head[24:28], "big")
        if len(head) < 100 or sizes[file] != file.stat().st_size:
            raise InputError("is cut short, or has grown.", where=str(file), mend="Copy it again.")
    table = beside[".dbf"]
    head = table.read_bytes()[:32]
    rows, begin, wide = (int.from_bytes(head[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    if len(head) < 32 or not 0 <= table.stat().st_size - begin - rows * wide <= 1:
        raise InputError("is cut short, or has grown.", where=str(table), mend="Copy it again.")
    if rows != (sizes[beside[".shx"]] - 100) // 8:
        raise InputError(
            "its .dbf file has another number of rows.", where=shown, mend="Copy all files again."
        )


def _layer(path: str, suffix: str, name: str, where: str) -> Layer:
    if suffix in _PARQUET:
        table = read_geoparquet(Path(path), where)
        return Layer(name, where, table.crs, table.shapes, table.fields, table.columns)
    import pyogrio
    import pyogrio.raw
    import shapely

    options = {"IMMUTABLE": "YES"} if suffix == ".gpkg" else {}
    layer = name if suffix == ".gpkg" else 0
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            about = pyogrio.read_info(path, layer=layer, force_feature_count=True, **options)
            if about["driver"] != _DRIVERS[suffix] or about["features"] > _MOST_ROWS:
                raise ValueError(about["driver"])
            meta, _, wkb, columns = pyogrio.raw.read(path, layer=layer, **options)
            shapes = [] if wkb is None else shapely.from_wkb(wkb).tolist()
    except (*_FAULTS, shapely.errors.ShapelyError) as fault:
        raise InputError("cannot be read as a vector file.", where=where, mend=_MEND) from fault
    if wkb is None or not meta["geometry_type"]:
        raise InputError("holds no geometry.", where=where)
    if len(shapes) != about["features"]:
        raise InputError(f"gives {len(shapes)} of its {about['features']} features.", where=where, mend=_MEND)
    if meta["crs"] is None:
        raise InputError("names no coordinate system.", where=where, mend="Save it as GeoJSON in WGS 84.")
    fields = tuple(str(label) for label in meta["fields"])
    return Layer(name, where, str(meta["crs"]), shapes, fields, tuple(columns))


def write_geopackage(
    path: Path, layer: str, geometry_type: str, names: Sequence[str],
    batches: Iterable[tuple[Sequence[bytes], Sequence[Any], Sequence[Any]]], *, date: str,
) -> None:  # fmt: skip
    """Write one layer in WGS 84 degrees as a new GeoPackage, some rows at a time.

    Parameters
    ----------
    names : of the columns
    batches : geometries as WKB; one array a column; one mask a column, true where a value is missing
    date : ISO 8601, said to be when the contents last changed; the same date gives the same bytes

    Raises
    ------
    InputError : the file cannot be written
    """
    import pyogrio
    import pyogrio.raw

    about = {"layer": layer, "driver": "GPKG", "geometry_type": geometry_type, "crs": "EPSG:4326"}
    nothing = np.zeros(0, dtype=object)
    kept = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": date})
    written = False
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for shapes, columns, masks in batches:
                more = {"append": True} if written else {"VERSION": "1.2"}
                pyogrio.raw.write(path, np.asarray(shapes, dtype=object), list(columns), list(names),
                                  field_mask=list(masks), **about, **more)  # fmt: skip
                written = True
            if not written:
                pyogrio.raw.write(path, nothing, [nothing] * len(names), list(names), **about, VERSION="1.2")
    except (RuntimeError, OSError) as fault:
        raise InputError("the layer could not be written.", where=os.fspath(path),
                         mend="Make room there, then go on with --resume.") from fault  # fmt: skip
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": kept})

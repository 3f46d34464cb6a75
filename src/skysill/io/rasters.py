"""Elevation rasters opened from files, folders, tile names and web addresses; GeoTIFF written."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.errors import RasterioError

from skysill.errors import InputError
from skysill.horizon.lattice import Grid, Lattice
from skysill.io.elevation.areas import Around
from skysill.io.elevation.raster_heads import RasterHead, TerrainSource, datum_of
from skysill.io.elevation.terrain_sources import open_source
from skysill.io.output_files import write_whole
from skysill.io.raster_windows import Raster, RasterTile
from skysill.model.default_errors import CellValue, RasterFacts, raster_defaults
from skysill.pointing.compass import decimal_year

if TYPE_CHECKING:
    from skysill.io.elevation.allowed_hosts import AllowedHosts

__all__ = ["RasterSpec", "default_vertical_error_m", "open_rasters", "write_geotiff"]


@dataclass(frozen=True, slots=True)
class RasterSpec:
    """A raster to open: a file or a folder of tiles, what it shows, and the errors of its heights.

    path : a file that GDAL reads, or a folder of tiles
    kind : "surface" (with trees and buildings) or "bare"
    vertical_error_m, horizontal_error_m : standard deviations; None takes those of `raster_defaults`
    cells : what a cell's value is; None: not stated, taken as "mean"
    date : when the heights were measured; None: not known
    growth_m_per_year : of the vegetation on a surface raster; None: not stated
    attribution : what its maker wants stated; None: what its copyright tag says
    """

    path: str | os.PathLike[str]
    kind: Literal["surface", "bare"] = "bare"
    vertical_error_m: float | None = None
    horizontal_error_m: float | None = None
    cells: CellValue | None = None
    date: dt.date | None = None
    growth_m_per_year: float | None = None
    attribution: str | None = None


def open_rasters(
    specs: Sequence[RasterSpec], *, around: Around | None = None, hosts: AllowedHosts | None = None
) -> tuple[Raster, ...]:
    """Open rasters; their cells are read later, by windows.

    Parameters
    ----------
    specs : (n,) rasters to open, finest first
    around : the area that they are needed for; None: everywhere. A template of tile names needs it
    hosts : web hosts that files may be fetched from; None: none

    Returns
    -------
    Raster, finest first, heights above one datum. A folder or a template of tile names gives one Raster for each
    lattice its tiles lie on (tiles of one size and one CRS lie on one), the finest first; so there may be more rasters
    than specs.

    Raises
    ------
    InputError : no such file, not a raster, no CRS, no elevation unit that is known, a folder without rasters, a host
        that is not allowed

    >>> [raster] = open_rasters([RasterSpec("demo_terrain/island.tif", kind="bare")])
    >>> raster.name, raster.rows, raster.cols
    ('island.tif', 1400, 1600)
    """
    found = [raster for spec in specs for raster in _open_one(spec, around, hosts)]
    return tuple(_on_one_datum(_finest_first(found), around))


def _finest_first(rasters: Sequence[Raster]) -> list[Raster]:
    """Rasters in order of their cells; where these are alike (5 %) a surface before bare ground, else as given."""
    found = sorted(
        rasters, key=lambda raster: (round(np.log(raster.cell_size_m) / np.log(1.05)), raster.kind == "bare")
    )
    if found == list(rasters):
        return found
    names = ", ".join(f"{raster.name} ({raster.cell_size_m:.3g} m)" for raster in found)
    return [
        replace(found[0], notes=(*found[0].notes, f"Rasters are read finest first: {names}.")),
        *found[1:],
    ]


def _open_one(spec: RasterSpec, around: Around | None, hosts: AllowedHosts | None) -> list[Raster]:
    from pyproj.exceptions import ProjError

    where = os.fspath(spec.path)
    if spec.vertical_error_m is not None and not 0.0 <= spec.vertical_error_m <= 1000.0:
        raise InputError(f"{spec.vertical_error_m:g} m is no vertical error.", where=where,
                         mend="Give the standard deviation of the heights in metres.")  # fmt: skip
    source = open_source(where, around=around, hosts=hosts)
    try:
        rasters = [_lattice(source, spec, group) for group in _groups(source.heads)]
    except ProjError as fault:
        raise InputError("its coordinate reference system does not lie on the Earth.", where=where,
                         mend="Assign the projection the data are in.") from fault  # fmt: skip
    return sorted(rasters, key=lambda raster: raster.cell_size_m)


def _on_one_datum(rasters: Sequence[Raster], around: Around | None) -> Iterator[Raster]:
    """Rasters with their heights above one datum: that of the finest that names one."""
    datums = [datum_of(raster.crs, raster.name) for raster in rasters]
    wanted = next((datum for datum in datums if datum is not None), None)
    if wanted is None:
        yield from rasters
        return
    from skysill.io.elevation.vertical_datums import datum_difference

    for raster, datum in zip(rasters, datums, strict=True):
        if around is not None:
            place = around.latitude_deg, around.longitude_deg
        else:
            lattice = Lattice((raster.rows, raster.cols), raster.transform, raster.crs)
            middle = lattice.place(np.array([raster.rows / 2]), np.array([raster.cols / 2]))
            place = float(middle[0][0]), float(middle[1][0])
        shift, error_m, said = datum_difference(datum, wanted, *place)
        if not said and datum is not None:
            said = f"heights are {datum.said}"
        yield replace(
            raster,
            shift=shift,
            vertical_error_m=float(np.hypot(raster.vertical_error_m, error_m)) if error_m else raster.vertical_error_m,
            notes=(*raster.notes, *([f"{raster.name}: {said}."] if said else [])),
        )  # fmt: skip


def _groups(heads: Sequence[RasterHead]) -> list[list[RasterHead]]:
    """Files that lie on one lattice: same CRS, same cells, whole cells apart."""
    groups: list[list[RasterHead]] = []
    for head in heads:
        for group in groups:
            if _offset(group[0], head) is not None:
                group.append(head)
                break
        else:
            groups.append([head])
    return groups


def _offset(first: RasterHead, other: RasterHead) -> tuple[int, int] | None:
    """Columns and rows from the first file's corner to the other's, None if they do not share a lattice."""
    if first.crs != other.crs:
        return None
    a, b, c, d, e, f = first.transform
    steps, others = np.array([a, b, d, e]), np.array(other.transform)[[0, 1, 3, 4]]
    reach = max(first.rows, first.cols, other.rows, other.cols)
    if np.abs(steps - others).max() * reach > 0.02 * np.abs(steps).max():
        return None
    area = a * e - b * d
    dx, dy = other.transform[2] - c, other.transform[5] - f
    col, row = (e * dx - b * dy) / area, (a * dy - d * dx) / area
    if max(abs(col - round(col)), abs(row - round(row))) > 0.02:
        return None
    return round(col), round(row)


def _across_180(offsets: list[tuple[int, int]], group: Sequence[RasterHead]) -> list[tuple[int, int]]:
    """Offsets with a turn of longitude added to files west of the widest gap, so that files on both sides of the
    meridian of 180 degrees are neighbours on the lattice."""
    first = group[0]
    turn = Lattice((first.rows, first.cols), first.transform, first.crs).turn_columns
    if len(group) < 2 or not turn or abs(turn - round(turn)) > 0.02:
        return offsets
    spans = sorted((col, col + head.cols) for (col, _), head in zip(offsets, group, strict=True))
    end, widest, start = spans[0][1], 0, spans[0][0]
    for left, right in spans[1:]:
        if left - end > widest:
            widest, start = left - end, left
        end = max(end, right)
    if spans[0][0] + round(turn) - end >= widest:  # the gap is where the longitudes begin and end
        return offsets
    return [(col + round(turn) if col < start else col, row) for col, row in offsets]


def _lattice(source: TerrainSource, spec: RasterSpec, group: Sequence[RasterHead]) -> Raster:
    first = group[0]
    offsets = _across_180([_offset(first, head) or (0, 0) for head in group], group)
    left, top = min(col for col, _ in offsets), min(row for _, row in offsets)
    cols = max(col + head.cols for (col, _), head in zip(offsets, group, strict=True)) - left
    rows = max(row + head.rows for (_, row), head in zip(offsets, group, strict=True)) - top
    a, b, c, d, e, f = first.transform
    transform = (a, b, a * left + b * top + c, d, e, d * left + e * top + f)
    tiles = tuple(
        RasterTile(head.path, col - left, row - top, head.cols, head.rows, head.unit_m, head.scale, head.offset,
                   head.nodata, head.masked, head.driver, head.files, head.gaps, head.covered, head.remote, head.table)
        for (col, row), head in zip(offsets, group, strict=True)
    )  # fmt: skip
    cell_m = _cell_size_m(first.crs, transform, rows, cols)
    if not 0.0 < cell_m < np.inf:
        raise InputError(
            "its cells lie nowhere on the Earth.",
            where=first.path,
            mend="Correct its place and cell size, or its CRS.",
        )
    error_m = spec.vertical_error_m
    if error_m is None:
        error_m = default_vertical_error_m(Path(first.path).name, spec.kind, cell_m)
    said = spec.attribution
    if said is None:
        said = "; ".join(dict.fromkeys(head.attribution for head in group if head.attribution))
    notes = (*source.notes, *(note for head in group for note in head.notes))
    if said:
        notes = (*notes, f"Elevations of {source.name}: {said.rstrip('.')}.")
    facts = _facts(spec, Path(first.path).name, cell_m)
    return Raster(
        source.name, spec.kind, cell_m, error_m, first.crs, transform, rows, cols, tiles,
        tuple(dict.fromkeys(notes)), facts, said,
    )  # fmt: skip


def _facts(spec: RasterSpec, file_name: str, cell_m: float) -> RasterFacts:
    default = raster_defaults(file_name, spec.kind, cell_m)
    stated = spec.vertical_error_m is not None and spec.horizontal_error_m is not None
    return RasterFacts(
        horizontal_error_m=default.horizontal_m
        if spec.horizontal_error_m is None
        else spec.horizontal_error_m,
        cells=spec.cells or "mean",
        survey_year=None if spec.date is None else decimal_year(spec.date),
        growth_m_per_year=spec.growth_m_per_year,
        error_source="stated" if stated else default.source,
    )


def _cell_size_m(crs: str, transform: tuple[float, ...], rows: int, cols: int) -> float:
    from pyproj import CRS, Geod, Transformer

    plane = CRS.from_wkt(crs)
    plane = (plane.sub_crs_list[0] if plane.is_compound else plane).to_2d()
    a, b, c, d, e, f = transform
    col, row = np.array([0.0, 1.0, 0.0]) + (cols - 1) / 2, np.array([0.0, 0.0, 1.0]) + (rows - 1) / 2
    longitude, latitude = Transformer.from_crs(plane, "EPSG:4326", always_xy=True).transform(
        a * col + b * row + c, d * col + e * row + f
    )
    sides = Geod(ellps="WGS84").inv(
        np.full(2, longitude[0]), np.full(2, latitude[0]), longitude[1:], latitude[1:]
    )[2]
    return float(np.max(sides))


def default_vertical_error_m(file_name: str, kind: Literal["surface", "bare"], cell_size_m: float) -> float:
    """Standard deviation of a raster's heights where nobody gave one, metres.

    Notes
    -----
    By model, with their sources: `skysill.model.default_errors.raster_defaults`.

    >>> default_vertical_error_m("N34W119.hgt", "surface", 30.9)
    5.7
    """
    return raster_defaults(file_name, kind, cell_size_m).vertical_m


def write_geotiff(
    path: str | os.PathLike[str],
    values: NDArray[Any],
    *,
    like: Grid | Raster,
    nodata: float | None = None,
    tags: Mapping[str, str] | None = None,
) -> None:
    """A tiled, compressed GeoTIFF of one band on the lattice of `like`, whole or not at all.

    values : (row, col), any number type
    nodata : marks voids; None: nan for floats, nothing for integers
    tags : file metadata, name to text
    """
    path = Path(path)
    shape = like.values.shape if isinstance(like, Grid) else (like.rows, like.cols)
    if values.shape != shape:
        raise InputError(f"the values are {values.shape}, the raster is {shape}.", where=str(path))
    if nodata is None and values.dtype.kind == "f":
        nodata = float("nan")
    a, b, c, d, e, f = like.transform
    options = {
        "driver": "GTiff", "height": shape[0], "width": shape[1], "count": 1, "dtype": values.dtype.name,
        "crs": like.crs, "transform": rasterio.Affine(a, b, c - (a + b) / 2, d, e, f - (d + e) / 2), "nodata": nodata,
        "tiled": True, "compress": "deflate", "zlevel": 6, "predictor": 3 if values.dtype.kind == "f" else 2,
        "BIGTIFF": "IF_SAFER",
    }  # fmt: skip

    def fill(part: Path) -> None:
        with rasterio.Env(GDAL_NUM_THREADS="2"), rasterio.open(part, "w", **options) as target:
            target.write(values, 1)
            target.update_tags(**dict(tags or {}))

    try:
        write_whole(path, fill)
    except (RasterioError, OSError) as fault:
        raise InputError(
            "the file could not be written.",
            where=str(path),
            mend="Check the folder, its rights and the space there.",
        ) from fault

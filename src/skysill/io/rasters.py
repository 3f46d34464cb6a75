"""Elevation rasters: any raster GDAL reads, or a folder of tiles, as windows of a lattice; and GeoTIFF out.

A raster here is a `skysill.horizon.lattice.Elevations`: it opens its file for each
window and closes it again, so it may be pickled and sent to other processes.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.windows import Window

from skysill.errors import InputError
from skysill.horizon.lattice import Grid, Lattice, geod
from skysill.io.elevation.areas import Around
from skysill.io.elevation.raster_heads import RasterHead, TerrainSource, datum_of
from skysill.io.elevation.terrain_sources import open_source
from skysill.io.raster_open import (
    BREAKS_OFF,
    Rectangle,
    fetch_blocks,
    opened,
    opened_remote,
    painted,
    unwritten_cells,
)
from skysill.model.default_errors import CellValue, RasterFacts, raster_defaults
from skysill.pointing.compass import decimal_year
from skysill.units import Floats

if TYPE_CHECKING:
    from skysill.io.elevation.allowed_hosts import AllowedHosts
    from skysill.io.elevation.remote_source import RemoteSource
    from skysill.io.elevation.vertical_datums import DatumShift

__all__ = ["Raster", "RasterSpec", "default_vertical_error_m", "open_rasters", "write_geotiff"]

MOST_CELLS = 150_000_000
"""Largest window read at once (600 MB of float32); a wider one is cut, and says so."""

MOST_CELLS_KEPT = 40_000_000
"""Largest window kept for the next question (160 MB)."""

MOST_REMOTE_CELLS = 25_000_000
"""Largest window that is read over a network: 150 km of 30 m cells, 5 km of 1 m cells."""

_STRIP_CELLS = 16_000_000

_SHIFT_STEP_M = 2000.0
_UNDECLARED_VOIDS = (-32768.0, -32767.0, -9999.0)
_HIGHEST_M = 9000.0


@dataclass(frozen=True, slots=True)
class RasterSpec:
    """A raster as asked for: a file or a folder of tiles, what it shows, and how good its heights are.

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


@dataclass(frozen=True, slots=True)
class _Tile:
    """One file's place on the common lattice.

    files : it, and everything it is read from
    gaps : blocks of it were never written, and it declares no value for them
    covered : of a mosaic that declares no value for gaps: first and last-plus-one column and row of its files' cells,
        as (left, top, right, bottom)
    remote : of a file on the web, how it is read
    table : of a GeoPackage
    """

    path: str
    col: int
    row: int
    cols: int
    rows: int
    unit_m: float
    scale: float
    offset: float
    nodata: float | None
    masked: bool
    driver: str
    files: tuple[str, ...]
    gaps: bool = False
    covered: tuple[Rectangle, ...] | None = None
    remote: RemoteSource | None = None
    table: str = ""


class _LastWindow:
    """The window read last. Left behind when its raster is pickled."""

    def __init__(self) -> None:
        self.box = (0, 0, 0, 0)
        self.grid: Grid | None = None

    def __reduce__(self) -> tuple[type[_LastWindow], tuple[()]]:
        return _LastWindow, ()

    def holds(self, box: tuple[int, int, int, int]) -> bool:
        mine = self.box
        return mine[0] <= box[0] and mine[1] >= box[1] and mine[2] <= box[2] and mine[3] >= box[3]


@dataclass(frozen=True, slots=True)
class Raster:
    """One elevation raster, or tiles that lie on one lattice. Its cells are read when they are asked for.

    name : file or folder name; kind : "surface" or "bare"
    cell_size_m : larger side of a cell at the middle of the raster
    vertical_error_m : standard deviation of its heights
    crs : WKT of the plane
    transform : of cell centres, as in Grid
    rows, cols : of the whole lattice; tiles : the files
    notes : about the whole raster, in whole sentences
    facts : errors in plan, what a cell's value is, survey date, growth
    attribution : what its maker wants stated; empty: nothing
    shift : brings its heights to the datum of the other rasters of the job; None: they are above it
    """

    name: str
    kind: Literal["surface", "bare"]
    cell_size_m: float
    vertical_error_m: float
    crs: str
    transform: tuple[float, float, float, float, float, float]
    rows: int
    cols: int
    tiles: tuple[_Tile, ...]
    notes: tuple[str, ...] = ()
    facts: RasterFacts = field(default_factory=RasterFacts)
    attribution: str = ""
    shift: DatumShift | None = None
    _last: _LastWindow = field(default_factory=_LastWindow, repr=False, compare=False)

    @property
    def is_remote(self) -> bool:
        """Whether any of it is read over a network."""
        return any(tile.remote is not None for tile in self.tiles)

    @property
    def most_cells(self) -> int:
        """Largest window that is read at once."""
        return MOST_REMOTE_CELLS if self.is_remote else MOST_CELLS

    @property
    def files(self) -> list[str]:
        """All files of this machine that it is read from."""
        return [path for tile in self.tiles for path in tile.files]

    def web_versions(self) -> dict[str, list[str | int]]:
        """Size, ETag and time of change of each of its files on the web, by their addresses without queries."""
        found: dict[str, list[str | int]] = {}
        for tile in self.tiles:
            if tile.remote is not None and tile.remote.version is not None:
                version = tile.remote.version
                found[tile.path] = [version.size_bytes, version.etag, version.last_modified]
        return found

    def away_m(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """How far places are from the raster at least, metres; 0 inside, and where its plane does not reach."""
        lattice = Lattice((self.rows, self.cols), self.transform, self.crs)
        row, column = lattice.cell(latitude_deg, longitude_deg)
        known = np.isfinite(column) & np.isfinite(row)
        nearest = (np.clip(np.where(known, at, 0.0), -0.5, count - 0.5)
                   for at, count in ((row, self.rows), (column, self.cols)))  # fmt: skip
        latitude, longitude = lattice.place(*nearest)
        away_m = geod().inv(longitude_deg, latitude_deg, longitude, latitude)[2]
        return np.asarray(
            np.where(known, 0.8 * away_m, 0.0)
        )  # a skewed lattice's nearest point may be nearer

    def corner_bearings_deg(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """(4, place): true bearings of the raster's corners."""
        rows, columns = (
            np.array([0, 0, self.rows, self.rows]) - 0.5,
            np.array([0, self.cols, 0, self.cols]) - 0.5,
        )
        corners = Lattice((self.rows, self.cols), self.transform, self.crs).place(rows, columns)
        shape = (4, np.size(latitude_deg))
        there = [np.broadcast_to(part[:, None], shape) for part in corners]
        here = [np.broadcast_to(part, shape) for part in (latitude_deg, longitude_deg)]
        return np.asarray(geod().inv(here[1], here[0], there[1], there[0])[0])

    def window(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> Grid | None:
        """Elevations out to at least `radius_m` around a place, clipped to the raster; None where it has nothing.

        A window of more than MOST_CELLS (over a network MOST_REMOTE_CELLS) is cut to a smaller radius, with a note in
        the grid. The last window is kept
        and given again where it is wide enough, so many mounts on one property read the file once.
        """
        notes, radius_now_m = self.notes, radius_m
        box = self._box(latitude_deg, longitude_deg, radius_now_m)
        while box is not None and (box[1] - box[0]) * (box[3] - box[2]) > self.most_cells:
            radius_now_m *= 0.9
            box = (
                self._box(latitude_deg, longitude_deg, radius_now_m)
                if radius_now_m > self.cell_size_m
                else None
            )
        if box is None:
            return None
        if radius_now_m < radius_m:
            why = "be too much for the network" if self.is_remote else "not fit in memory"
            notes = (*notes, f"{self.name} was read only out to {radius_now_m / 1000:.1f} km, beyond that it would "
                     f"{why}: add a coarser raster for the far ground, or give highest_ground_m.")  # fmt: skip
        elif self._last.holds(box) and self._last.grid is not None:
            return self._last.grid
        grid = self._cells(box, notes)
        if grid.values.size <= MOST_CELLS_KEPT and radius_now_m >= radius_m:
            self._last.box, self._last.grid = box, grid
        return grid

    def _box(
        self, latitude_deg: float, longitude_deg: float, radius_m: float
    ) -> tuple[int, int, int, int] | None:
        """First and last-plus-one row and column of the cells within radius of a place."""
        around = np.linspace(0.0, 360.0, 73)
        east, north, _ = geod().fwd(
            np.full(73, longitude_deg), np.full(73, latitude_deg), around, np.full(73, radius_m * 1.002)
        )
        latitude, longitude = np.append(north, latitude_deg), np.append(east, longitude_deg)
        row, col = Lattice((self.rows, self.cols), self.transform, self.crs).cell(latitude, longitude)
        if not (np.isfinite(col).all() and np.isfinite(row).all()):
            if not (np.isfinite(col[-1]) and np.isfinite(row[-1])):
                return None
            return 0, self.rows, 0, self.cols
        over_pole = np.abs(latitude_deg) * 111_000 + radius_m > 9_990_000  # the circle may hold a pole
        first_row, last_row = (
            max(int(np.floor(row.min())) - 1, 0),
            min(int(np.ceil(row.max())) + 2, self.rows),
        )
        first_col, last_col = (
            max(int(np.floor(col.min())) - 1, 0),
            min(int(np.ceil(col.max())) + 2, self.cols),
        )
        if over_pole:
            first_row, last_row, first_col, last_col = 0, self.rows, 0, self.cols
        if first_row >= last_row or first_col >= last_col:
            return None
        return first_row, last_row, first_col, last_col

    def highest_m(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> float:
        """Highest ground within a radius of a place; -inf where there is none. Keeps no window.

        A circle of more than MOST_CELLS is cut to a smaller one.
        """
        box = self._box(latitude_deg, longitude_deg, radius_m)
        while box is not None and (box[1] - box[0]) * (box[3] - box[2]) > self.most_cells:
            radius_m *= 0.9
            box = self._box(latitude_deg, longitude_deg, radius_m)
        return -np.inf if box is None else self.highest_of_m(*box)

    def highest_of_m(self, first_row: int, last_row: int, first_col: int, last_col: int) -> float:
        """Highest ground of a block of cells, read strip by strip; -inf where all of it is void."""
        found, strip = -np.inf, max(_STRIP_CELLS // max(last_col - first_col, 1), 1)
        for top in range(first_row, last_row, strip):
            values = self._cells((top, min(top + strip, last_row), first_col, last_col), ()).values
            high = float(np.fmax.reduce(values, axis=None, initial=-np.inf))
            found = max(found, high)
        return found

    def cells(self, first_row: int, last_row: int, first_col: int, last_col: int) -> Grid:
        """The block of rows first_row..last_row-1 and columns first_col..last_col-1 as a Grid; void outside tiles."""
        return self._cells((first_row, last_row, first_col, last_col), self.notes)

    def _cells(self, box: tuple[int, int, int, int], known_notes: tuple[str, ...]) -> Grid:
        first_row, last_row, first_col, last_col = box
        shape = (last_row - first_row, last_col - first_col)
        values: NDArray[np.float32] | None = None
        notes = list(known_notes)
        for tile in self.tiles:
            top, bottom = max(first_row, tile.row), min(last_row, tile.row + tile.rows)
            left, right = max(first_col, tile.col), min(last_col, tile.col + tile.cols)
            if top >= bottom or left >= right:
                continue
            part = _read(tile, top - tile.row, bottom - tile.row, left - tile.col, right - tile.col, notes)
            if values is None and part.shape == shape:
                values = part
                continue
            if values is None:
                values = np.full(shape, np.nan, np.float32)
            into = values[top - first_row : bottom - first_row, left - first_col : right - first_col]
            np.copyto(into, part, where=np.isnan(into))
        if values is None:
            values = np.full(shape, np.nan, np.float32)
        a, b, c, d, e, f = self.transform
        corner_x, corner_y = a * first_col + b * first_row + c, d * first_col + e * first_row + f
        if self.shift is not None:
            values = self._shifted(values, first_row, first_col)
        return Grid(values, (a, b, corner_x, d, e, corner_y), self.crs, tuple(dict.fromkeys(notes)))

    def _shifted(self, values: NDArray[np.float32], first_row: int, first_col: int) -> NDArray[np.float32]:
        """Values brought to another datum; the difference is worked out at nodes and bilinear between them."""
        assert self.shift is not None
        rows, cols = values.shape
        row, col = (_nodes(count, self.cell_size_m) for count in (rows, cols))
        lattice = Lattice((self.rows, self.cols), self.transform, self.crs)
        there = lattice.place(*np.meshgrid(row + first_row, col + first_col, indexing="ij"))
        at_nodes = self.shift.metres(*there)
        along = np.stack([np.interp(np.arange(cols), col, line) for line in at_nodes])
        shifted = np.empty_like(values)
        for number in range(rows):
            at = int(np.clip(np.searchsorted(row, number, side="right") - 1, 0, row.size - 2))
            part = (number - row[at]) / (row[at + 1] - row[at])
            shifted[number] = values[number] + (1.0 - part) * along[at] + part * along[at + 1]
        return shifted


def _nodes(count: int, cell_m: float) -> Floats:
    """Where along `count` cells a datum's difference is worked out: every 2 km or closer, at least at both ends."""
    spans = int(np.clip(np.ceil(count * cell_m / _SHIFT_STEP_M), 1, 1000))
    return np.linspace(0.0, max(count - 1, 1), spans + 1)


def _read(tile: _Tile, top: int, bottom: int, left: int, right: int, notes: list[str]) -> NDArray[np.float32]:
    place = Window(left, top, right - left, bottom - top)
    name = Path(tile.path).name
    with _opened_tile(tile, place) as source:
        try:
            raw = source.read(1, window=place)
            hidden = source.read_masks(1, window=place) == 0 if tile.masked else None
            unwritten = unwritten_cells(source, place) if tile.gaps else None
        except (RasterioError, ValueError) as fault:
            raise InputError(BREAKS_OFF, where=tile.path, mend="Copy or download it again.") from fault
    if tile.covered is not None:
        unwritten = ~painted(tile.covered, place)
    void = None
    if tile.nodata is not None and not np.isnan(tile.nodata):
        void = raw == np.asarray(tile.nodata).astype(raw.dtype)
    values: NDArray[np.float32] = raw.astype(np.float32, copy=False)
    if tile.scale != 1.0 or tile.offset != 0.0:
        values = (raw * tile.scale + tile.offset).astype(np.float32)
    if tile.unit_m != 1.0:
        values = values * np.float32(tile.unit_m)
    for mask in (void, hidden, unwritten):
        if mask is not None and mask.any():
            values[mask] = np.nan
    low, high = _limits(values)
    if low <= -9000.0:
        for undeclared in _UNDECLARED_VOIDS:
            mask = raw == undeclared
            if mask.any():
                values[mask] = np.nan
                notes.append(
                    f"{name}: cells of {undeclared:g} are taken as voids, though the file does not declare it."
                )
    if high > _HIGHEST_M or low < -12_000.0:
        with np.errstate(invalid="ignore"):
            mask = (values > _HIGHEST_M) | (values < -12_000.0)
        if mask.any():
            values[mask] = np.nan
            notes.append(f"{name}: heights above {_HIGHEST_M:g} m or below -12000 m are taken as voids.")
    return values


@contextlib.contextmanager
def _opened_tile(tile: _Tile, place: Window) -> Iterator[Any]:
    if tile.remote is None:
        with opened(tile.path, tile.driver, tile.table) as source:
            yield source
        return
    with opened_remote(tile.remote) as (source, file):
        fetch_blocks(source, file, place)
        yield source


def _limits(values: NDArray[np.float32]) -> tuple[float, float]:
    """Lowest and highest value, voids apart; 0, 0 where there is none."""
    low, high = float(values.min()), float(values.max())
    if np.isnan(low):
        low, high = float(np.fmin.reduce(values, axis=None)), float(np.fmax.reduce(values, axis=None))
    return (0.0, 0.0) if np.isnan(low) else (low, high)


def open_rasters(
    specs: Sequence[RasterSpec], *, around: Around | None = None, hosts: AllowedHosts | None = None
) -> tuple[Raster, ...]:
    """Rasters ready to be asked for windows.

    Parameters
    ----------
    specs : (n,) rasters asked for, finest first
    around : the area that they are wanted for; None: everywhere. A template of tile names needs it
    hosts : that may be asked for what lies on the web; None: none

    Returns
    -------
    Raster, in the order given, heights above one datum. A folder or a template of tile names gives one Raster for each
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
    return tuple(_on_one_datum(found, around))


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


def _lattice(source: TerrainSource, spec: RasterSpec, group: Sequence[RasterHead]) -> Raster:
    first = group[0]
    offsets = [_offset(first, head) or (0, 0) for head in group]
    left, top = min(col for col, _ in offsets), min(row for _, row in offsets)
    cols = max(col + head.cols for (col, _), head in zip(offsets, group, strict=True)) - left
    rows = max(row + head.rows for (_, row), head in zip(offsets, group, strict=True)) - top
    a, b, c, d, e, f = first.transform
    transform = (a, b, a * left + b * top + c, d, e, d * left + e * top + f)
    tiles = tuple(
        _Tile(head.path, col - left, row - top, head.cols, head.rows, head.unit_m, head.scale, head.offset, head.nodata,
              head.masked, head.driver, head.files, head.gaps, head.covered, head.remote, head.table)
        for (col, row), head in zip(offsets, group, strict=True)
    )  # fmt: skip
    cell_m = _cell_size_m(first.crs, transform, rows, cols)
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
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with rasterio.Env(GDAL_NUM_THREADS="2"), rasterio.open(temporary, "w", **options) as target:
            target.write(values, 1)
            target.update_tags(**dict(tags or {}))
        os.replace(temporary, path)
    except (RasterioError, OSError) as fault:
        raise InputError(
            "the file could not be written.",
            where=str(path),
            mend="Check the folder, its rights and the space there.",
        ) from fault
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)

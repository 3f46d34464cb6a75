"""Elevation rasters as windows of a lattice.

A raster is a `skysill.horizon.lattice.Elevations`. It opens its files for each window and closes them again, so it may
be pickled and sent to other processes.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.windows import Window

from skysill.errors import InputError
from skysill.horizon.lattice import Grid, Lattice, geod
from skysill.io.raster_open import (
    BREAKS_OFF,
    Rectangle,
    fetch_blocks,
    opened,
    opened_remote,
    painted,
    unwritten_cells,
)
from skysill.model.default_errors import RasterFacts
from skysill.units import Floats

if TYPE_CHECKING:
    from skysill.io.elevation.remote_source import RemoteSource
    from skysill.io.elevation.vertical_datums import DatumShift

__all__ = ["MOST_CELLS", "Raster", "RasterTile"]

MOST_CELLS = 150_000_000
"""Largest window read at once (600 MB of float32); a wider one is cut, with a note."""

MOST_CELLS_KEPT = 40_000_000
"""Largest window kept for the next call (160 MB)."""

MOST_REMOTE_CELLS = 25_000_000
"""Largest window that is read over a network: 150 km of 30 m cells, 5 km of 1 m cells."""

_STRIP_CELLS = 16_000_000

_SHIFT_STEP_M = 2000.0
_UNDECLARED_VOIDS = (-32768.0, -32767.0, -9999.0)
_HIGHEST_M = 9000.0


@dataclass(frozen=True, slots=True)
class RasterTile:
    """One file of a raster, and its cells on the common lattice.

    files : the file, and everything that it is read from
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


class LastWindow:
    """The window of a raster that was read last, which several mounts of one property share; not pickled."""

    def __init__(self) -> None:
        self.box = (0, 0, 0, 0)
        self.grid: Grid | None = None

    def __reduce__(self) -> tuple[type[LastWindow], tuple[()]]:
        return LastWindow, ()

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
    tiles: tuple[RasterTile, ...]
    notes: tuple[str, ...] = ()
    facts: RasterFacts = field(default_factory=RasterFacts)
    attribution: str = ""
    shift: DatumShift | None = None
    _last: LastWindow = field(default_factory=LastWindow, repr=False, compare=False)

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
        return self.range_of_m(first_row, last_row, first_col, last_col)[1]

    def range_of_m(self, first_row: int, last_row: int, first_col: int, last_col: int) -> tuple[float, float]:
        """Lowest and highest ground of a block of cells, read strip by strip; inf and -inf where all of it is void."""
        low, high, strip = np.inf, -np.inf, max(_STRIP_CELLS // max(last_col - first_col, 1), 1)
        for top in range(first_row, last_row, strip):
            values = self._cells((top, min(top + strip, last_row), first_col, last_col), ()).values
            low = min(low, float(np.fmin.reduce(values, axis=None, initial=np.inf)))
            high = max(high, float(np.fmax.reduce(values, axis=None, initial=-np.inf)))
        return low, high

    def cells(self, first_row: int, last_row: int, first_col: int, last_col: int) -> Grid:
        """The block of rows first_row..last_row-1 and columns first_col..last_col-1 as a Grid; void outside tiles."""
        return self._cells((first_row, last_row, first_col, last_col), self.notes)

    def thinned(self, box: tuple[int, int, int, int], most_cells: int) -> tuple[NDArray[np.float32], int]:
        """Every n-th cell of rows box[0]..box[1]-1 and columns box[2]..box[3]-1, for pictures; and n.

        Read through overviews where the file has them; within n cells of their place, heights above the raster's own
        datum. Cells that were never written count as the file's fill value.
        """
        first_row, last_row, first_col, last_col = box
        cells = (last_row - first_row) * (last_col - first_col)
        step = max(1, int(np.ceil(np.sqrt(cells / most_cells))))
        shape = -(-(last_row - first_row) // step), -(-(last_col - first_col) // step)
        values = np.full(shape, np.nan, np.float32)
        for tile in self.tiles:
            top, bottom = max(first_row, tile.row), min(last_row, tile.row + tile.rows)
            left, right = max(first_col, tile.col), min(last_col, tile.col + tile.cols)
            if top >= bottom or left >= right:
                continue
            part = _read_tile(
                tile, top - tile.row, bottom - tile.row, left - tile.col, right - tile.col, [], step=step
            )
            into = values[(top - first_row) // step :, (left - first_col) // step :][
                : part.shape[0], : part.shape[1]
            ]
            part = part[: into.shape[0], : into.shape[1]]
            np.copyto(into, part, where=np.isnan(into))
        return values, step

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
            part = _read_tile(
                tile, top - tile.row, bottom - tile.row, left - tile.col, right - tile.col, notes
            )
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


def _read_tile(
    tile: RasterTile, top: int, bottom: int, left: int, right: int, notes: list[str], *, step: int = 1
) -> NDArray[np.float32]:
    place = Window(left, top, right - left, bottom - top)
    shape = -(-(bottom - top) // step), -(-(right - left) // step)
    with _opened_tile(tile, place) as source:
        try:
            raw = source.read(1, window=place, out_shape=shape)
            hidden = source.read_masks(1, window=place, out_shape=shape) == 0 if tile.masked else None
            unwritten = unwritten_cells(source, place) if tile.gaps and step == 1 else None
        except (RasterioError, ValueError) as fault:
            raise InputError(BREAKS_OFF, where=tile.path, mend="Copy or download it again.") from fault
    if tile.covered is not None and step == 1:
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
    _void_undeclared(values, raw, Path(tile.path).name, notes)
    return values


def _void_undeclared(values: NDArray[np.float32], raw: NDArray[Any], name: str, notes: list[str]) -> None:
    """Set cells to nan that cannot be ground though the file does not declare them void; says so in the notes."""
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


@contextlib.contextmanager
def _opened_tile(tile: RasterTile, place: Window) -> Iterator[Any]:
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

"""Elevations on a lattice: where a place lies on it, and how high the ground is there.

A raster is taken as a lattice of points, the centres of its cells, with bilinear ground between four neighbours. The
antenna's own ground and the rays of `skysill.horizon.rays` use this one surface, so they can never be out of register.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, Protocol, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skysill.horizon.block_maxima import BlockMaxima, block_maxima
from skysill.model.default_errors import RasterFacts
from skysill.units import Bools, Floats, Ints

if TYPE_CHECKING:
    from pyproj import Geod, Transformer

__all__ = [
    "EDGE_SLACK",
    "Elevations",
    "Grid",
    "HeldGrid",
    "Lattice",
    "LineSampler",
    "bilinear",
    "chord_elevation_m",
    "chord_maximum",
    "geod",
    "has_data",
    "interpolate",
    "lattice_position",
    "mixed_difference",
    "within_m",
]

EDGE_SLACK = 1e-6
"""Part of a cell by which a position may lie outside the outermost nodes and still count: an allowance for rounding."""


@dataclass(frozen=True, slots=True)
class Lattice:
    """Where the cell centres of a raster lie. Rows and columns are counted from 0, fractions are allowed.

    shape : rows, columns
    transform : (a, b, c, d, e, f) of cell CENTRES: x = a col + b row + c, y = d col + e row + f
    crs : anything pyproj understands ("EPSG:32627", WKT); x is easting or longitude, y northing or latitude
    """

    shape: tuple[int, int]
    transform: tuple[float, float, float, float, float, float]
    crs: str

    @property
    def turn_columns(self) -> float:
        """Columns of a full turn of longitude; 0 for a projected CRS and where columns do not run along parallels."""
        a, b = self.transform[:2]
        turn = _projector(self.crs)[1]
        return abs(turn / a) if turn and a and not b else 0.0

    def place(self, row: ArrayLike, column: ArrayLike) -> tuple[Floats, Floats]:
        """Latitude and longitude (WGS 84, degrees) of lattice positions, broadcast; inf where they have none."""
        a, b, c, d, e, f = self.transform
        row, column = np.asarray(row, dtype=np.float64), np.asarray(column, dtype=np.float64)
        longitude_deg, latitude_deg = _projector(self.crs)[0].transform(
            a * column + b * row + c, d * column + e * row + f, direction="INVERSE"
        )
        return np.asarray(latitude_deg), np.asarray(longitude_deg)

    def cell(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Row and column of positions in WGS 84 degrees, broadcast; inf where they lie outside the CRS."""
        to_plane, turn = _projector(self.crs)
        latitude_deg, longitude_deg = np.broadcast_arrays(
            np.asarray(latitude_deg, float), np.asarray(longitude_deg, float)
        )
        x, y = (np.asarray(part, float) for part in to_plane.transform(longitude_deg, latitude_deg))
        a, b, c, d, e, f = self.transform
        if turn:
            middle = a * (self.shape[1] - 1) / 2 + b * (self.shape[0] - 1) / 2 + c
            x = x + turn * np.round((middle - x) / turn)
        area = a * e - b * d
        return (a * (y - f) - d * (x - c)) / area, (e * (x - c) - b * (y - f)) / area


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Elevations on a lattice of points.

    values : (row, col) float32, metres above the raster's datum, nan = void
    transform : (a, b, c, d, e, f) of cell CENTRES: x = a col + b row + c, y = d col + e row + f
    crs : anything pyproj understands ("EPSG:32627", WKT); x is easting or longitude, y northing or latitude
    notes : plain sentences about what was found while reading
    highest_m : highest value, -inf where all is void (worked out here)
    has_void : whether any value is void (worked out here)
    """

    values: NDArray[np.float32]
    transform: tuple[float, float, float, float, float, float]
    crs: str
    notes: tuple[str, ...] = ()
    highest_m: float = field(init=False)
    has_void: bool = field(init=False)
    _held: dict[str, Any] = field(init=False, default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        top = float(self.values.max()) if self.values.size else float("nan")  # nan wherever one value is nan
        object.__setattr__(self, "has_void", bool(np.isnan(top)))
        if np.isnan(top):
            top = float(np.fmax.reduce(self.values, axis=None)) if self.values.size else float("nan")
        object.__setattr__(self, "highest_m", -np.inf if np.isnan(top) else top)

    @property
    def lattice(self) -> Lattice:
        """Where the cell centres lie."""
        rows, columns = self.values.shape
        return Lattice((rows, columns), self.transform, self.crs)

    def blocks(self) -> BlockMaxima:
        """Maxima over blocks of 16 by 16 cells, calculated at the first call."""
        if "blocks" not in self._held:
            self._held["blocks"] = block_maxima(self.values)
        return cast(BlockMaxima, self._held["blocks"])


class Elevations(Protocol):
    """Something that can be asked for the ground around a place: a raster file, or a grid held in memory.

    cell_size_m : the larger side of a cell
    vertical_error_m : standard deviation of the heights
    """

    @property
    def name(self) -> str: ...
    @property
    def kind(self) -> Literal["surface", "bare"]: ...
    @property
    def cell_size_m(self) -> float: ...
    @property
    def vertical_error_m(self) -> float: ...

    def window(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> Grid | None:
        """Elevations out to at least `radius_m` around a place, as far as the source goes; None where it has none."""


@dataclass(frozen=True, slots=True, eq=False)
class HeldGrid:
    """A grid in memory, as a source of elevations."""

    grid: Grid
    name: str = "grid"
    kind: Literal["surface", "bare"] = "bare"
    cell_size_m: float = 30.0
    vertical_error_m: float = 3.0
    facts: RasterFacts | None = None

    def window(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> Grid | None:
        """The whole grid, whatever is asked."""
        return self.grid


@lru_cache(maxsize=64)
def _projector(crs: str) -> tuple[Transformer, float]:
    """From WGS 84 longitude, latitude to the grid's x, y; and the length of a full turn of x (0 if projected)."""
    from pyproj import CRS, Transformer

    plane = CRS.from_user_input(crs)
    if plane.is_compound:
        plane = plane.sub_crs_list[0]
    plane = plane.to_2d()
    named = plane.source_crs if plane.is_bound and plane.source_crs is not None else plane
    turn = 2.0 * np.pi / named.axis_info[0].unit_conversion_factor if named.is_geographic else 0.0
    return Transformer.from_crs("EPSG:4326", plane, always_xy=True), turn


@lru_cache(maxsize=1)
def geod() -> Geod:
    """Geodesics on WGS 84."""
    from pyproj import Geod

    return Geod(ellps="WGS84")


def lattice_position(grid: Grid, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Column and row (fractional; whole numbers are cell centres) of positions, broadcast; inf outside the CRS."""
    row, column = grid.lattice.cell(latitude_deg, longitude_deg)
    return column, row


def within_m(grid: Grid, latitude_deg: float, longitude_deg: float) -> float:
    """Distance from a place within which all of the grid lies, metres; inf where its corners have no position."""
    rows, cols = grid.values.shape
    across, down = np.linspace(0, cols - 1, 9), np.linspace(0, rows - 1, 9)
    col = np.concatenate([across, across, np.zeros(9), np.full(9, cols - 1.0)])
    row = np.concatenate([np.zeros(9), np.full(9, rows - 1.0), down, down])
    latitude, longitude = grid.lattice.place(row, col)
    if not (np.isfinite(longitude).all() and np.isfinite(latitude).all()):
        return float("inf")
    away = geod().inv(np.full(36, longitude_deg), np.full(36, latitude_deg), longitude, latitude)[2]
    return float(np.max(away)) * 1.01 + 1.0


def _cell_corner(grid: Grid, col: Floats, row: Floats) -> tuple[Bools, Ints, Floats, Floats]:
    rows, cols = grid.values.shape
    inside = (col >= -EDGE_SLACK) & (col <= cols - 1 + EDGE_SLACK) & (min(rows, cols) > 1)
    inside &= (row >= -EDGE_SLACK) & (row <= rows - 1 + EDGE_SLACK)
    left = np.clip(np.floor(np.where(inside, col, 0.0)), 0, max(cols - 2, 0))
    upper = np.clip(np.floor(np.where(inside, row, 0.0)), 0, max(rows - 2, 0))
    return (
        inside,
        (upper * cols + left).astype(np.int64),
        np.where(inside, col, 0) - left,
        np.where(inside, row, 0) - upper,
    )


def interpolate(grid: Grid, col: ArrayLike, row: ArrayLike) -> Floats:
    """Bilinear height at fractional lattice positions, broadcast; nan outside, and wherever one of the four is void."""
    col, row = np.broadcast_arrays(np.asarray(col, float), np.asarray(row, float))
    inside, corner, right, down = _cell_corner(grid, col, row)
    if not inside.any():
        return np.full(col.shape, np.nan)
    flat, cols = grid.values.ravel(), grid.values.shape[1]
    nodes = [flat.take(corner + step) for step in (0, 1, cols, cols + 1)]
    return np.where(inside, bilinear(nodes, right, down), np.nan)


def bilinear(nodes: Sequence[NDArray[Any]], right: Floats, down: Floats) -> Floats:
    """Height inside cells, broadcast.

    nodes : heights of the nodes at the upper left, upper right, lower left and lower right
    right, down : share of the way from column to column and from row to row, 0 to 1

    >>> float(bilinear(np.array([0.0, 2.0, 4.0, 6.0]), np.array(0.5), np.array(0.25)))
    2.0
    """
    upper = nodes[0].astype(float) * (1 - right) + nodes[1] * right
    lower = nodes[2].astype(float) * (1 - right) + nodes[3] * right
    return np.asarray(upper * (1 - down) + lower * down)


def has_data(grid: Grid, col: ArrayLike, row: ArrayLike) -> Bools:
    """Whether the lattice has a height at fractional positions: inside, and none of the four around is void."""
    col, row = np.broadcast_arrays(np.asarray(col, float), np.asarray(row, float))
    inside, corner, _, _ = _cell_corner(grid, col, row)
    if not grid.has_void or not inside.any():
        return np.asarray(inside)
    flat, cols = grid.values.ravel(), grid.values.shape[1]
    together = (
        flat.take(corner) + flat.take(corner + 1) + flat.take(corner + cols) + flat.take(corner + cols + 1)
    )
    return np.asarray(inside & ~np.isnan(together))


def mixed_difference(grid: Grid, col: ArrayLike, row: ArrayLike) -> Floats:
    """z00 - z01 - z10 + z11 of the cell around fractional positions, broadcast; nan outside and beside voids.

    The bilinear ground of a cell is a plane plus the mixed difference times (column share) times (row share).
    """
    col, row = np.broadcast_arrays(np.asarray(col, float), np.asarray(row, float))
    inside, corner, _, _ = _cell_corner(grid, col, row)
    if not inside.any():
        return np.full(col.shape, np.nan)
    flat, cols = grid.values.ravel(), grid.values.shape[1]
    upper = flat.take(corner) - flat.take(corner + 1)
    lower = flat.take(corner + cols) - flat.take(corner + cols + 1)
    return np.where(inside, upper - lower, np.nan).astype(float)


def chord_maximum(near_m: Floats, far_m: Floats, slope_difference: Floats, bend_m: Floats) -> Floats:
    """Share of a chord through a cell at which the ground on it looks highest; nan where that is one of its ends.

    Parameters
    ----------
    near_m, far_m : (...) ground distances of the chord's ends, metres
    slope_difference : (...) slope at which the far end is seen less that of the near end
    bend_m : (...) c of `chord_elevation_m`, metres

    Notes
    -----
    Ground seen from a distance d has the slope of its chord plus c t (1 - t) / d, with d taken as the mean of both
    ends; the derivative is zero at t = 1/2 + slope_difference d / 2c.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = 0.5 + slope_difference * (near_m + far_m) / (4.0 * bend_m)
        inside = (bend_m > 0.0) & (share > 0.0) & (share < 1.0)
    return np.where(inside, share, np.nan)


def chord_elevation_m(low_m: Floats, high_m: Floats, bend_m: Floats, share: Floats) -> Floats:
    """Elevation of bilinear ground on a straight line through a cell, at a share of the way between its ends.

    The ground is the chord plus c t (1 - t), t from 0 to 1, with c = -(mixed difference) * (columns crossed) *
    (rows crossed).

    low_m, high_m : (...) elevations of both ends; bend_m : (...) c; share : (...) t

    >>> float(chord_elevation_m(np.array(1.0), np.array(2.0), np.array(4.0), np.array(0.5)))
    2.5
    """
    return np.asarray(low_m + share * (high_m - low_m) + bend_m * share * (1.0 - share))


class LineSampler:
    """Heights of a grid on its lattice lines, linear between two nodes, for rays with a main axis each.

    by_column : (ray,) bool; True where columns are the ray's main axis. The main lines of such a ray are columns,
        its other axis are the rows.
    """

    def __init__(self, grid: Grid, by_column: Bools) -> None:
        rows, cols = grid.values.shape
        self.flat = grid.values.ravel()
        by_column = by_column[:, None]
        self.main_last = np.where(by_column, cols - 1, rows - 1)
        self.other_last = np.where(by_column, rows - 1, cols - 1)
        self.main_stride = np.where(by_column, 1, cols)
        self.other_stride = np.where(by_column, cols, 1)
        self.has_cells = min(rows, cols) > 1

    def on_main_line(self, line: Ints | Floats, other: Floats, cell: Floats) -> Floats:
        """(ray, n) heights on main lines at positions along the other axis; nan in voids and outside.

        line : (ray, n) whole numbers; other : (ray, n) position along the other axis; cell : its floor
        """
        inside = (line >= 0) & (line <= self.main_last) & (other >= -EDGE_SLACK)
        inside &= other <= self.other_last + EDGE_SLACK
        node = np.minimum(np.maximum(cell, 0.0), np.maximum(self.other_last - 1, 0))
        index = line * self.main_stride + node * self.other_stride
        return self._between(inside, index, other - node, self.other_stride)

    def on_other_line(
        self, nearer: Ints | Floats, line: Floats, share: Floats, ray: Ints | None = None
    ) -> Floats:
        """Heights where rays cross lines of the other axis between two main lines; nan in voids and outside.

        nearer : lower number of the two main lines; line : number of the crossed line; share : of the way from the
        lower to the higher main line; ray : (n,) the ray of each crossing, where the others are (n,) and not (ray, n)
        """
        main_last, other_last, main_stride, other_stride = (
            part if ray is None else part[ray, 0]
            for part in (self.main_last, self.other_last, self.main_stride, self.other_stride)
        )
        inside = (nearer >= 0) & (nearer < main_last) & (line >= 0) & (line <= other_last)
        return self._between(inside, nearer * main_stride + line * other_stride, share, main_stride)

    def _between(self, inside: Bools, index: Ints | Floats, share: Floats, stride: Ints) -> Floats:
        if not self.has_cells:
            return np.full(share.shape, np.nan)
        whole = bool(inside.all())
        if not whole:
            index = np.where(inside, index, 0)
        node = index.astype(np.int64, copy=False)
        low = self.flat.take(node)
        height_m = (self.flat.take(node + stride) - low) * share
        height_m += low
        if not whole:
            height_m[~inside] = np.nan
        return np.asarray(height_m)

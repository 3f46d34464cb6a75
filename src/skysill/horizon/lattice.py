"""Elevations on a lattice: where a place lies on it, and how high the ground is there.

A raster is taken as a lattice of points, the centres of its cells, with bilinear ground between four neighbours. The
antenna's own ground and the rays of `skysill.horizon.rays` use this one surface, so they can never be out of register.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, Protocol, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skysill.model.default_errors import RasterFacts
from skysill.units import Bools, Floats, Ints

if TYPE_CHECKING:
    from pyproj import Geod, Transformer

__all__ = [
    "BLOCK_CELLS",
    "EDGE_SLACK",
    "Blocks",
    "Elevations",
    "Grid",
    "HeldGrid",
    "geod",
    "has_data",
    "interpolate",
    "lattice_position",
    "position_on",
    "twist",
    "within_m",
]

EDGE_SLACK = 1e-6
"""Part of a cell by which a place may lie outside the outermost nodes and still count: rounding, not distance."""

BLOCK_CELLS = 16
"""Side of the blocks of which the highest ground is kept, to pass over ground that cannot matter."""


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

    def blocks(self) -> Blocks:
        """What the ground can at most do near each block of 16 by 16 cells; worked out once."""
        if "blocks" not in self._held:
            self._held["blocks"] = _blocks(self.values)
        return cast(Blocks, self._held["blocks"])


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Extremes of a grid by blocks: block (i, j) answers for its own 16 by 16 nodes and the eight blocks around it.

    highest_m : (block row, block column) highest ground, -inf where all is void
    void : whether there is a void
    bulge_m : how far bilinear ground can rise above a straight line through one of the cells: a quarter of the
        largest twist, z00 - z01 - z10 + z11 of a cell
    """

    highest_m: NDArray[np.float32]
    void: Bools
    bulge_m: NDArray[np.float32]


def _blocks(values: NDArray[np.float32]) -> Blocks:
    rows, cols = values.shape
    tall, bulge, tall_known = [], [], []
    for row in range(0, rows, BLOCK_CELLS):  # strips that fit the cache
        strip = values[row : row + BLOCK_CELLS + 1]
        tall.append(np.maximum.reduce(strip[:BLOCK_CELLS], axis=0))
        tall_known.append(
            np.fmax.reduce(strip[:BLOCK_CELLS], axis=0) if np.isnan(tall[-1]).any() else tall[-1]
        )
        lean = strip[1:] - strip[:-1]
        twisted = np.abs(lean[:, 1:] - lean[:, :-1])
        bulge.append(np.fmax.reduce(twisted, axis=0, initial=0.0))
    starts = np.arange(0, cols, BLOCK_CELLS)
    void = np.isnan(np.maximum.reduceat(np.stack(tall), starts, axis=1))
    highest = np.fmax.reduceat(np.stack(tall_known), starts, axis=1)
    bent = np.stack(bulge)
    bent = np.fmax.reduceat(np.column_stack([bent, bent[:, -1:]]), starts, axis=1) / 4.0
    return Blocks(_widened(np.where(np.isnan(highest), -np.inf, highest)), _widened(void), _widened(bent))


def _widened(blocks: NDArray[Any]) -> NDArray[Any]:
    """Each block takes the highest of itself and the eight around it."""
    for axis in (0, 1):
        wide = blocks.copy()
        low, high = (slice(None, -1), slice(1, None))
        if axis:
            np.maximum(wide[:, low], blocks[:, high], out=wide[:, low])
            np.maximum(wide[:, high], blocks[:, low], out=wide[:, high])
        else:
            np.maximum(wide[low], blocks[high], out=wide[low])
            np.maximum(wide[high], blocks[low], out=wide[high])
        blocks = wide
    return blocks


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
    """Column and row (fractional; whole numbers are cell centres) of places, broadcast; inf where out of the CRS."""
    return position_on(grid.crs, grid.transform, grid.values.shape, latitude_deg, longitude_deg)


def position_on(
    crs: str,
    transform: tuple[float, float, float, float, float, float],
    shape: tuple[int, ...],
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
) -> tuple[Floats, Floats]:
    """Column and row of places on a lattice told by its CRS, transform of cell centres, and (rows, columns)."""
    to_plane, turn = _projector(crs)
    latitude_deg, longitude_deg = np.broadcast_arrays(
        np.asarray(latitude_deg, float), np.asarray(longitude_deg, float)
    )
    x, y = (np.asarray(part, float) for part in to_plane.transform(longitude_deg, latitude_deg))
    a, b, c, d, e, f = transform
    if turn:
        middle = a * (shape[1] - 1) / 2 + b * (shape[0] - 1) / 2 + c
        x = x + turn * np.round((middle - x) / turn)
    area = a * e - b * d
    return (e * (x - c) - b * (y - f)) / area, (a * (y - f) - d * (x - c)) / area


def within_m(grid: Grid, latitude_deg: float, longitude_deg: float) -> float:
    """Distance from a place within which all of the grid lies, metres; inf where its corners have no position."""
    rows, cols = grid.values.shape
    across, down = np.linspace(0, cols - 1, 9), np.linspace(0, rows - 1, 9)
    col = np.concatenate([across, across, np.zeros(9), np.full(9, cols - 1.0)])
    row = np.concatenate([np.zeros(9), np.full(9, rows - 1.0), down, down])
    a, b, c, d, e, f = grid.transform
    longitude, latitude = _projector(grid.crs)[0].transform(
        a * col + b * row + c, d * col + e * row + f, direction="INVERSE"
    )
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
    upper = flat.take(corner).astype(float) * (1 - right) + flat.take(corner + 1) * right
    lower = flat.take(corner + cols).astype(float) * (1 - right) + flat.take(corner + cols + 1) * right
    return np.where(inside, upper * (1 - down) + lower * down, np.nan)


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


def twist(grid: Grid, col: ArrayLike, row: ArrayLike) -> Floats:
    """z00 - z01 - z10 + z11 of the cell around fractional positions, broadcast; nan outside and beside voids.

    The bilinear ground of a cell is a plane plus twist times (column part) times (row part).
    """
    col, row = np.broadcast_arrays(np.asarray(col, float), np.asarray(row, float))
    inside, corner, _, _ = _cell_corner(grid, col, row)
    if not inside.any():
        return np.full(col.shape, np.nan)
    flat, cols = grid.values.ravel(), grid.values.shape[1]
    upper = flat.take(corner) - flat.take(corner + 1)
    lower = flat.take(corner + cols) - flat.take(corner + cols + 1)
    return np.where(inside, upper - lower, np.nan).astype(float)

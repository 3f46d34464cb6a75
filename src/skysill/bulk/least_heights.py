"""A raster of least antenna heights: how high a dish must stand over each cell to see the satellite.

For a cell at p the answer is the largest, over the ground q towards the satellite, of what q reaches above the
straight line from p's own ground to the satellite: `max_q [z(q) - rise(p, q)] - z(p)`, and 0 where nothing does.
All cells are answered together by one running maximum that is swept over the raster away from the satellite.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skysill.bulk.running_maximum import NO_GROUND_M, RAYS_PER_CELL, GridValues, Sweep, SweepGeometry
from skysill.horizon.block_maxima import over_blocks
from skysill.horizon.lattice import Lattice, geod
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.pointing.look_vector import look_angles, refraction_deg
from skysill.units import Floats, local_earth_radius_m

__all__ = [
    "Lattice",
    "RayDirections",
    "Relief",
    "Tile",
    "block_relief",
    "ray_directions",
    "reach_of_ground_m",
    "relevant_window",
    "sweep_geometry",
    "tile_heights_m",
]

_PART_ROWS = 512
_NODE_ROWS = 32
_PROBE_M = 1000.0
_CURVE_TOLERANCE_M = 0.1
_EARTH_M = 6.371e6


@dataclass(frozen=True, slots=True)
class Tile:
    """A window of a raster: rows [top, bottom), columns [left, right)."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.bottom - self.top, self.right - self.left

    def within(self, other: Tile) -> Tile:
        """The part inside another tile."""
        return Tile(
            max(self.top, other.top), min(self.bottom, other.bottom),
            max(self.left, other.left), min(self.right, other.right),
        )  # fmt: skip

    def cut(self, values: GridValues, around: Tile) -> GridValues:
        """This tile's part of an array that covers a larger tile."""
        return values[
            self.top - around.top : self.bottom - around.top,
            self.left - around.left : self.right - around.left,
        ]


# --- where the rays run -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class RayDirections:
    """The way to the satellite from some cells, all arrays of one shape.

    along_row, along_column : cells moved per metre towards the satellite
    slope : tangent of the apparent elevation
    bend_per_m : by how much s**2 the ground's line bends less than the field of slopes does
    curve_per_m : curvature and foreshortening of the line itself, rise = slope * s + curve * s**2
    """

    along_row: Floats
    along_column: Floats
    slope: Floats
    bend_per_m: Floats
    curve_per_m: Floats


@dataclass(frozen=True, slots=True)
class _Orientation:
    """How a window of the raster is laid before the sweep: transposed, then its rows reversed."""

    transposed: bool
    reversed: bool

    def to_sweep(self, window: GridValues) -> GridValues:
        sheet = window.T if self.transposed else window
        return np.ascontiguousarray(sheet[::-1] if self.reversed else sheet)

    def from_sweep(self, sheet: GridValues) -> GridValues:
        sheet = sheet[::-1] if self.reversed else sheet
        return sheet.T if self.transposed else sheet

    def rows(self, window: Tile, top: int, bottom: int) -> Tile:
        """The part of the raster that sheet rows [top, bottom) of a window are."""
        count = window.shape[1] if self.transposed else window.shape[0]
        low, high = (count - bottom, count - top) if self.reversed else (top, bottom)
        if self.transposed:
            return Tile(window.top, window.bottom, window.left + low, window.left + high)
        return Tile(window.top + low, window.top + high, window.left, window.right)

    def cells(self, window: Tile, row: Floats, column: Floats) -> tuple[Floats, Floats]:
        """Raster row and column of sheet rows and columns."""
        last = (window.shape[1] if self.transposed else window.shape[0]) - 1
        row = last - row if self.reversed else row
        return (
            (window.top + column, window.left + row)
            if self.transposed
            else (window.top + row, window.left + column)
        )


def ray_directions(
    lattice: Lattice,
    row: Floats,
    column: Floats,
    *,
    satellite_longitude_deg: float,
    ground_m: float,
    refraction_factor: float,
) -> RayDirections:
    latitude_deg, longitude_deg = lattice.place(row, column)
    azimuth_deg, slope = _pointing(latitude_deg, longitude_deg, ground_m, satellite_longitude_deg)
    probe_longitude, probe_latitude, _ = geod().fwd(
        longitude_deg, latitude_deg, azimuth_deg, np.full(latitude_deg.shape, _PROBE_M)
    )
    probe_row, probe_column = lattice.cell(probe_latitude, probe_longitude)
    _, probe_slope = _pointing(
        np.asarray(probe_latitude), np.asarray(probe_longitude), ground_m, satellite_longitude_deg
    )
    radius_m = refraction_factor * local_earth_radius_m(latitude_deg, azimuth_deg)
    curve_per_m = (1.0 + 2.0 * slope**2) / (2.0 * radius_m)
    return RayDirections(
        along_row=(probe_row - row) / _PROBE_M,
        along_column=(probe_column - column) / _PROBE_M,
        slope=slope,
        bend_per_m=(probe_slope - slope) / (2.0 * _PROBE_M) - curve_per_m,
        curve_per_m=curve_per_m,
    )


def _pointing(
    latitude_deg: Floats, longitude_deg: Floats, ground_m: float, satellite_longitude_deg: float
) -> tuple[Floats, Floats]:
    """Azimuth (south where there is none) and tangent of the apparent elevation, held under 89.9 degrees."""
    azimuth_deg, elevation_deg, _ = look_angles(
        latitude_deg, longitude_deg, ground_m, satellite_longitude_deg=satellite_longitude_deg
    )
    apparent_deg = np.minimum(elevation_deg + refraction_deg(elevation_deg, ground_m), 89.9)
    return np.where(np.isnan(azimuth_deg), 180.0, azimuth_deg), np.tan(np.deg2rad(apparent_deg))


def reach_of_ground_m(rise_m: float, *, slope: float, curve_per_m: float) -> float:
    """Distance beyond which ground `rise_m` higher than the antenna's can no longer reach the ray.

    Solves slope * s + curve * s**2 = rise.

    >>> round(reach_of_ground_m(1000.0, slope=0.364, curve_per_m=0.0))
    2747
    """
    if rise_m <= 0.0:
        return 0.0
    return float(2.0 * rise_m / (slope + np.sqrt(slope**2 + 4.0 * curve_per_m * rise_m)))


def sweep_geometry(
    window: Tile,
    orientation: _Orientation,
    *,
    sight: Callable[[Floats, Floats], RayDirections],
    scale: float,
    reach_m: float,
) -> SweepGeometry:
    """How the rays run over a window laid out by `turn`.

    Parameters
    ----------
    sight : raster (row, column) -> the way to the satellite there
    scale : how much longer a metre is at the height of the ground than on the ellipsoid
    reach_m : distance out to which the swept line must not rise faster than the true one

    Notes
    -----
    The satellite's elevation grows along the ray by 1/R per metre and a little more, the satellite being at a finite
    distance; the line over ground bent by k R grows by 1/(k R). The field of slopes therefore rises too fast by
    K s**2. Taking K * reach off every slope turns that into K s (s - reach): never too fast within reach.
    """
    rows, columns = window.shape[::-1] if orientation.transposed else window.shape
    node = np.linspace(0.0, rows - 1.0, max(2, rows // _NODE_ROWS + 1))
    across = np.array([0.0, (columns - 1) / 2.0, columns - 1.0])
    grid_row, grid_column = orientation.cells(window, *np.meshgrid(node, across, indexing="ij"))
    seen = sight(grid_row, grid_column)
    major, minor = (
        (seen.along_column, seen.along_row) if orientation.transposed else (seen.along_row, seen.along_column)
    )
    row_m = 1.0 / np.abs(major)
    bend = float(seen.bend_per_m.max())
    lost = (seen.slope - seen.bend_per_m * reach_m) * row_m * scale
    polynomial = np.stack(
        [lost[:, 1], (lost[:, 2] - lost[:, 0]) / 2, (lost[:, 2] + lost[:, 0]) / 2 - lost[:, 1]], 1
    )
    every = np.arange(rows, dtype=np.float64)
    drift = np.interp(every + 0.5, node, -(minor * row_m)[:, 1])
    per_row = np.stack([np.interp(every, node, polynomial[:, i]) for i in range(3)], axis=1)
    return SweepGeometry(
        drift=drift, rise_m=_summed_along_rays(per_row, drift, (columns - 1) / 2.0), bend_per_m=bend
    )


def _summed_along_rays(per_row: Floats, drift: Floats, half: float) -> Floats:
    """Sum what each ray loses from row to row: polynomials in the ray's own column, then in the sheet's."""
    offset = np.concatenate([[0.0], np.cumsum(drift[:-1])]) / half
    own = _shifted(per_row, offset)
    total = np.zeros_like(own)
    total[1:] = np.cumsum((own[1:] + own[:-1]) / 2.0, axis=0)
    return _shifted(total, -offset)


def _shifted(polynomial: Floats, by: Floats) -> Floats:
    """Coefficients in u of the second-degree polynomials in u + by."""
    level, tilt, bend = polynomial.T
    return np.stack([level + tilt * by + bend * by**2, tilt + 2.0 * bend * by, bend], axis=1)


# --- one tile of a raster -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Relief:
    """Extremes of a raster by square blocks.

    block : cells a side
    lowest_m, highest_m : (block row, block column) float; inf and -inf where a block is all void
    void : (block row, block column) bool; whether a block holds any void
    """

    block: int
    lowest_m: Floats
    highest_m: Floats
    void: NDArray[np.bool_]

    def _blocks(self, tile: Tile) -> tuple[slice, slice]:
        return (
            slice(max(tile.top, 0) // self.block, -(-tile.bottom // self.block)),
            slice(max(tile.left, 0) // self.block, -(-tile.right // self.block)),
        )

    def typical_m(self, tile: Tile) -> float:
        """Mean, over the blocks a tile touches, of the middle between their lowest and highest ground."""
        here = self._blocks(tile)
        some = np.isfinite(self.highest_m[here])
        return float(((self.lowest_m[here] + self.highest_m[here])[some] / 2.0).mean())

    def over(self, tile: Tile) -> tuple[float, float, bool]:
        """Lowest and highest ground of the blocks a tile touches, and whether they hold a void."""
        here = self._blocks(tile)
        return (
            float(self.lowest_m[here].min()),
            float(self.highest_m[here].max()),
            bool(self.void[here].any()),
        )


def block_relief(elevation_m: GridValues, block: int) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Lowest, highest and any void of every block of a sheet whose first cell starts a block."""
    lowest, highest = (
        over_blocks(operation, elevation_m, block).astype(np.float64)
        for operation in (np.minimum, np.maximum)
    )
    void = np.isnan(lowest)  # a minimum is nan wherever one value is
    if void.any():
        unknown = np.isnan(elevation_m)
        lowest, highest = (
            over_blocks(operation, np.where(unknown, np.float32(filled), elevation_m), block).astype(
                np.float64
            )
            for operation, filled in ((np.minimum, np.inf), (np.maximum, -np.inf))
        )
    return lowest, highest, void


def relevant_window(
    lattice: Lattice,
    tile: Tile,
    *,
    satellite_longitude_deg: float,
    refraction_factor: float,
    highest_ground_m: float,
) -> Tile:
    """A tile and all cells of the raster whose ground, however high, could reach the rays from it."""

    def sight(row: Floats, column: Floats) -> RayDirections:
        return ray_directions(
            lattice, row, column, satellite_longitude_deg=satellite_longitude_deg, ground_m=0.0,
            refraction_factor=refraction_factor,
        )  # fmt: skip

    corners, whole = _corner_sights(tile, sight), Tile(0, lattice.shape[0], 0, lattice.shape[1])
    if not np.isfinite([corners.slope, corners.along_row, corners.along_column]).all():
        return whole
    # the tangent of a degree less, for what lies between the corners and how high the ground is
    slope = max(float(corners.slope.min()) * 0.98 - 0.01, 0.0)
    reach_m = reach_of_ground_m(highest_ground_m - LOWEST_GROUND_M, slope=slope,
                                curve_per_m=float(corners.curve_per_m.min()))  # fmt: skip
    return _toward_satellite(tile, corners, reach_m).within(whole)


def tile_heights_m(
    read: Callable[[Tile], GridValues],
    lattice: Lattice,
    tile: Tile,
    *,
    relief: Relief,
    satellite_longitude_deg: float,
    refraction_factor: float = 4.0 / 3.0,
    highest_ground_m: float,
    rays_per_cell: int = RAYS_PER_CELL,
) -> GridValues:
    """Least antenna heights for one tile of a raster, from the tile and all ground that can reach its rays.

    Parameters
    ----------
    read : gives the ground of any window, nan where it is void; the window may reach one cell past the raster
    relief : extremes of the whole raster
    highest_ground_m : nothing around is higher; decides where a raster's end or a void leaves the answer unknown

    Returns
    -------
    (row, column) float32, metres above the cell's own ground; nan where the cell is void, where the ray meets a void
    or the raster's end while ground there could still reach it, and where the satellite is below the horizon
    """
    lowest_m, highest_m, _ = relief.over(tile)
    if lowest_m > highest_m:
        return np.full(tile.shape, np.nan, dtype=np.float32)
    ground_m = relief.typical_m(tile)

    def sight(row: Floats, column: Floats) -> RayDirections:
        return ray_directions(
            lattice, row, column, satellite_longitude_deg=satellite_longitude_deg, ground_m=ground_m,
            refraction_factor=refraction_factor,
        )  # fmt: skip

    corners = _corner_sights(tile, sight)
    if not (corners.slope > 0.0).any():
        return np.full(tile.shape, np.nan, dtype=np.float32)
    plan = _plan(tile, lattice.shape, corners, relief, lowest_m, highest_ground_m)
    geometries = [
        sweep_geometry(
            plan.window, plan.orientation, sight=sight, scale=1.0 + ground_m / _EARTH_M, reach_m=reach_m
        )
        for reach_m in plan.reaches_m
    ]
    fills = [(geometry, NO_GROUND_M) for geometry in geometries]
    if plan.uncertain:
        ceiling_fill_m = highest_ground_m + max(geometries[0].bend_per_m, 0.0) * plan.farthest_m**2
        fills.append((geometries[0], ceiling_fill_m))
    ground, swept = _swept_in_parts(read, tile, plan, fills, rays_per_cell)
    heights_m = (
        swept[0]
        if len(geometries) == 1
        else _without_bend(swept[0], swept[1], geometries[0], plan.reaches_m[0])
    )
    if plan.uncertain:
        heights_m[swept[-1] > swept[0]] = np.nan
    heights_m[np.isnan(ground)] = np.nan
    return _above_horizon(heights_m, tile, corners, sight)


def _swept_in_parts(
    read: Callable[[Tile], GridValues],
    tile: Tile,
    plan: _Plan,
    fills: Sequence[tuple[SweepGeometry, float]],
    rays_per_cell: int,
) -> tuple[GridValues, list[GridValues]]:
    """The tile's ground, and its heights by every sweep; each sweep has its own course and what it puts into voids.

    The window may be far larger than the tile, so its rows come in parts and only the tile's own are kept.
    """
    rows, columns = plan.window.shape[::-1] if plan.orientation.transposed else plan.window.shape
    sweeps = [Sweep(geometry, columns, rays_per_cell) for geometry, _ in fills]
    kept: list[list[GridValues]] = [[] for _ in range(len(fills) + 1)]
    for top in range(0, rows, _PART_ROWS):
        stop = min(top + _PART_ROWS, rows)
        ahead = plan.orientation.rows(plan.window, top, min(stop + 1, rows))
        part = plan.orientation.rows(plan.window, top, stop)
        sheet = plan.orientation.to_sweep(read(ahead))
        found = [s.over(_filled(sheet, fill)) for s, (_, fill) in zip(sweeps, fills, strict=True)]
        own = part.within(tile)
        if own.top < own.bottom and own.left < own.right:
            for into, laid in zip(kept, [sheet[: stop - top], *found], strict=True):
                into.append(own.cut(plan.orientation.from_sweep(laid), part))
    axis = 1 if plan.orientation.transposed else 0
    merged = [
        np.concatenate(parts[::-1] if plan.orientation.reversed else parts, axis=axis) for parts in kept
    ]
    return merged[0], merged[1:]


@dataclass(frozen=True, slots=True)
class _Plan:
    """What has to be read and swept for one tile.

    reaches_m : for each sweep, the distance within which its line must not rise too fast (see lay_course)
    uncertain : whether a void or the raster's end lies where ground could still reach a ray
    farthest_m : where even the highest ground cannot reach any more
    """

    orientation: _Orientation
    window: Tile
    reaches_m: tuple[float, ...]
    uncertain: bool
    farthest_m: float


def _plan(
    tile: Tile,
    shape: tuple[int, int],
    corners: RayDirections,
    relief: Relief,
    lowest_m: float,
    highest_ground_m: float,
) -> _Plan:
    slope, curve = max(float(corners.slope.min()), 0.0), float(corners.curve_per_m.min())
    raster = Tile(0, shape[0], 0, shape[1])

    def reach(to_m: float) -> float:
        return reach_of_ground_m(to_m - lowest_m, slope=slope, curve_per_m=curve)

    farthest_m = reach(highest_ground_m)
    wide = _toward_satellite(tile, corners, farthest_m)
    uncertain = wide.within(raster) != wide or relief.over(wide.within(raster))[2]
    reach_m, window = farthest_m, wide.within(raster)
    for _ in range(8):  # the highest ground within reach is lower than the highest anywhere
        nearer_m = min(reach_m, reach(relief.over(window)[1]))
        if nearer_m >= reach_m:
            break
        reach_m, window = nearer_m, _toward_satellite(tile, corners, nearer_m).within(raster)
    if uncertain:
        window = wide.within(Tile(-1, shape[0] + 1, -1, shape[1] + 1))
    bend = max(float(corners.bend_per_m.max()), 0.0)
    straight = bend * reach_m**2 / 4.0 <= _CURVE_TOLERANCE_M
    orientation = _Orientation(
        transposed=bool(abs(corners.along_column[-1]) > abs(corners.along_row[-1])),
        reversed=bool((corners.along_column if abs(corners.along_column[-1]) > abs(corners.along_row[-1])
                       else corners.along_row)[-1] > 0.0),
    )  # fmt: skip
    return _Plan(orientation, window, (reach_m,) if straight else (reach_m, 0.0), uncertain, farthest_m)


def _corner_sights(tile: Tile, sight: Callable[[Floats, Floats], RayDirections]) -> RayDirections:
    """The way to the satellite from a tile's corners, the middles of its sides, and last its middle."""
    rows = np.array([tile.top, (tile.top + tile.bottom - 1) / 2.0, tile.bottom - 1])
    columns = np.array([tile.left, (tile.left + tile.right - 1) / 2.0, tile.right - 1])
    order = [0, 1, 2, 3, 5, 6, 7, 8, 4]
    row, column = (part.ravel()[order] for part in np.meshgrid(rows, columns, indexing="ij"))
    return sight(row, column)


def _toward_satellite(tile: Tile, corners: RayDirections, reach_m: float) -> Tile:
    """A tile and all cells towards the satellite from it, out to a distance, with two cells to spare."""

    def span(low: int, high: int, along: Floats) -> tuple[int, int]:
        return (
            low + int(np.floor(min(float(along.min()), 0.0) * reach_m * 1.01)) - 2,
            high + int(np.ceil(max(float(along.max()), 0.0) * reach_m * 1.01)) + 2,
        )

    return Tile(
        *span(tile.top, tile.bottom, corners.along_row), *span(tile.left, tile.right, corners.along_column)
    )


def _filled(sheet: GridValues, elevation_m: float) -> GridValues:
    if not (sheet.size and np.isnan(sheet.min())):
        return sheet
    return np.where(np.isnan(sheet), np.float32(elevation_m), sheet)


def _without_bend(early: GridValues, late: GridValues, geometry: SweepGeometry, reach_m: float) -> GridValues:
    """Take the bend out of two sweeps that differ only in slope: their difference tells how far off the ground is.

    early was swept with K * reach taken off every slope, late with the slopes as they are, so early - late =
    K reach s, and what late is too low is K s**2.
    """
    away = (early - late) / np.float32(geometry.bend_per_m * reach_m)
    return np.asarray(late + np.float32(geometry.bend_per_m) * away * away)


def _above_horizon(
    heights_m: GridValues,
    tile: Tile,
    corners: RayDirections,
    sight: Callable[[Floats, Floats], RayDirections],
) -> GridValues:
    """Unknown wherever the satellite stands below the horizon plane."""
    if float(corners.slope.min()) > 0.01:
        return heights_m
    row, column = np.meshgrid(
        np.arange(tile.top, tile.bottom), np.arange(tile.left, tile.right), indexing="ij"
    )
    heights_m[sight(row.astype(np.float64), column.astype(np.float64)).slope <= 0.0] = np.nan
    return heights_m

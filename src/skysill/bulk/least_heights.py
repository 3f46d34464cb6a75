"""Least antenna heights of the cells of a raster: how high a dish must stand above each to see the satellite.

The height of a cell at p is the largest amount, over the ground q toward the satellite, by which q rises above the
straight line from p's own ground to the satellite: `max_q [z(q) - rise(p, q)] - z(p)`, and 0 where no ground does.
One running maximum, swept over the raster away from the satellite, gives the heights of all cells together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from skysill.bulk.raster_tiles import Relief, Tile
from skysill.bulk.running_maximum import NO_GROUND_M, RAYS_PER_CELL, GridValues, Sweep, SweepGeometry
from skysill.bulk.sweep_geometry import (
    Orientation,
    RayDirections,
    ray_directions,
    reach_of_ground_m,
    sweep_geometry,
)
from skysill.horizon.lattice import Lattice
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.units import Floats

__all__ = ["relevant_window", "tile_heights_m"]

_PART_ROWS = 512
_CURVE_TOLERANCE_M = 0.1
_EARTH_M = 6.371e6


def relevant_window(
    lattice: Lattice,
    tile: Tile,
    *,
    satellite_longitude_deg: float,
    refraction_factor: float,
    highest_ground_m: float,
) -> Tile:
    """The part of a raster on which the least heights of a tile depend: all ground that could reach its rays."""

    def directions_at(row: Floats, column: Floats) -> RayDirections:
        return ray_directions(
            lattice, row, column, satellite_longitude_deg=satellite_longitude_deg, ground_m=0.0,
            refraction_factor=refraction_factor,
        )  # fmt: skip

    corners, whole = _corner_directions(tile, directions_at), Tile(0, lattice.shape[0], 0, lattice.shape[1])
    if not np.isfinite([corners.slope, corners.along_row, corners.along_column]).all():
        return whole
    # tangent of about a degree less: the slope varies between the corners and with the height of the ground
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
    """Least antenna heights of one tile of a raster, from the tile and all ground that can reach its rays.

    Parameters
    ----------
    read : window -> its ground, nan where void; a window may reach one cell beyond the raster
    relief : extremes of the whole raster
    highest_ground_m : no ground around is higher; decides where a raster's end or a void leaves a height unknown

    Returns
    -------
    (row, column) float32, metres above the cell's own ground; nan where the cell is void, where the ray meets a void
    or the raster's end while ground there could still reach it, and where the satellite is below the horizon plane
    """
    lowest_m, highest_m, _ = relief.over(tile)
    if lowest_m > highest_m:
        return np.full(tile.shape, np.nan, dtype=np.float32)
    ground_m = relief.typical_m(tile)

    def directions_at(row: Floats, column: Floats) -> RayDirections:
        return ray_directions(
            lattice, row, column, satellite_longitude_deg=satellite_longitude_deg, ground_m=ground_m,
            refraction_factor=refraction_factor,
        )  # fmt: skip

    corners = _corner_directions(tile, directions_at)
    if not (corners.slope > 0.0).any():
        return np.full(tile.shape, np.nan, dtype=np.float32)
    plan = _plan(tile, lattice.shape, corners, relief, lowest_m, highest_ground_m)
    geometries = [
        sweep_geometry(
            plan.window,
            plan.orientation,
            directions_at=directions_at,
            scale=1.0 + ground_m / _EARTH_M,
            reach_m=reach_m,
        )
        for reach_m in plan.reaches_m
    ]
    fills = [(geometry, NO_GROUND_M) for geometry in geometries]
    if plan.uncertain:
        fill_m = highest_ground_m + max(geometries[0].bend_per_m, 0.0) * plan.farthest_m**2
        fills.append((geometries[0], fill_m))
    ground, swept = _swept_in_parts(read, tile, plan, fills, rays_per_cell)
    heights_m = (
        swept[0]
        if len(geometries) == 1
        else _without_bend(swept[0], swept[1], geometries[0], plan.reaches_m[0])
    )
    if plan.uncertain:
        heights_m[swept[-1] > swept[0]] = np.nan
    heights_m[np.isnan(ground)] = np.nan
    return _above_horizon(heights_m, tile, corners, directions_at)


def _swept_in_parts(
    read: Callable[[Tile], GridValues],
    tile: Tile,
    plan: _Plan,
    fills: Sequence[tuple[SweepGeometry, float]],
    rays_per_cell: int,
) -> tuple[GridValues, list[GridValues]]:
    """The tile's ground, and its heights by every sweep; fills : geometry and elevation put into voids of each sweep.

    The window may be far larger than the tile, so it is read in parts and only the tile's own rows are kept.
    """
    rows, columns = plan.window.shape[::-1] if plan.orientation.transposed else plan.window.shape
    sweeps = [Sweep(geometry, columns, rays_per_cell) for geometry, _ in fills]
    kept: list[list[GridValues]] = [[] for _ in range(len(fills) + 1)]
    for top in range(0, rows, _PART_ROWS):
        stop = min(top + _PART_ROWS, rows)
        ahead = plan.orientation.rows(plan.window, top, min(stop + 1, rows))
        part = plan.orientation.rows(plan.window, top, stop)
        values = plan.orientation.to_sweep(read(ahead))
        found = [s.over(_filled(values, fill)) for s, (_, fill) in zip(sweeps, fills, strict=True)]
        own = part.within(tile)
        if own.top < own.bottom and own.left < own.right:
            for into, laid in zip(kept, [values[: stop - top], *found], strict=True):
                into.append(own.cut(plan.orientation.from_sweep(laid), part))
    axis = 1 if plan.orientation.transposed else 0
    merged = [
        np.concatenate(parts[::-1] if plan.orientation.reversed else parts, axis=axis) for parts in kept
    ]
    return merged[0], merged[1:]


@dataclass(frozen=True, slots=True)
class _Plan:
    """What has to be read and swept for one tile.

    reaches_m : for each sweep, the distance within which its line must not rise too fast (see sweep_geometry)
    uncertain : whether a void or the raster's end lies where ground could still reach a ray
    farthest_m : distance from which on not even the highest ground reaches a ray
    """

    orientation: Orientation
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
    for _ in range(8):  # the highest ground within reach may be lower than the highest anywhere
        nearer_m = min(reach_m, reach(relief.over(window)[1]))
        if nearer_m >= reach_m:
            break
        reach_m, window = nearer_m, _toward_satellite(tile, corners, nearer_m).within(raster)
    if uncertain:
        window = wide.within(Tile(-1, shape[0] + 1, -1, shape[1] + 1))
    bend = max(float(corners.bend_per_m.max()), 0.0)
    straight = bend * reach_m**2 / 4.0 <= _CURVE_TOLERANCE_M
    orientation = Orientation(
        transposed=bool(abs(corners.along_column[-1]) > abs(corners.along_row[-1])),
        reversed=bool((corners.along_column if abs(corners.along_column[-1]) > abs(corners.along_row[-1])
                       else corners.along_row)[-1] > 0.0),
    )  # fmt: skip
    return _Plan(orientation, window, (reach_m,) if straight else (reach_m, 0.0), uncertain, farthest_m)


def _corner_directions(tile: Tile, directions_at: Callable[[Floats, Floats], RayDirections]) -> RayDirections:
    """Directions to the satellite from a tile's corners, the middles of its sides, and last its middle."""
    rows = np.array([tile.top, (tile.top + tile.bottom - 1) / 2.0, tile.bottom - 1])
    columns = np.array([tile.left, (tile.left + tile.right - 1) / 2.0, tile.right - 1])
    order = [0, 1, 2, 3, 5, 6, 7, 8, 4]
    row, column = (part.ravel()[order] for part in np.meshgrid(rows, columns, indexing="ij"))
    return directions_at(row, column)


def _toward_satellite(tile: Tile, corners: RayDirections, reach_m: float) -> Tile:
    """A tile and all cells toward the satellite from it, out to a distance, and two cells more."""

    def span(low: int, high: int, along: Floats) -> tuple[int, int]:
        return (
            low + int(np.floor(min(float(along.min()), 0.0) * reach_m * 1.01)) - 2,
            high + int(np.ceil(max(float(along.max()), 0.0) * reach_m * 1.01)) + 2,
        )

    return Tile(
        *span(tile.top, tile.bottom, corners.along_row), *span(tile.left, tile.right, corners.along_column)
    )


def _filled(values: GridValues, elevation_m: float) -> GridValues:
    if not (values.size and np.isnan(values.min())):
        return values
    return np.where(np.isnan(values), np.float32(elevation_m), values)


def _without_bend(early: GridValues, late: GridValues, geometry: SweepGeometry, reach_m: float) -> GridValues:
    """Heights without the error of the bend, from two sweeps that differ only in slope.

    `early` was swept with K * reach subtracted from every slope, `late` with the slopes as they are. Their difference
    K reach s gives the distance s of the ground, and `late` is too low by K s**2.
    """
    away = (early - late) / np.float32(geometry.bend_per_m * reach_m)
    return np.asarray(late + np.float32(geometry.bend_per_m) * away * away)


def _above_horizon(
    heights_m: GridValues,
    tile: Tile,
    corners: RayDirections,
    directions_at: Callable[[Floats, Floats], RayDirections],
) -> GridValues:
    """Heights, nan wherever the satellite stands below the horizon plane."""
    if float(corners.slope.min()) > 0.01:
        return heights_m
    row, column = np.meshgrid(
        np.arange(tile.top, tile.bottom), np.arange(tile.left, tile.right), indexing="ij"
    )
    heights_m[directions_at(row.astype(np.float64), column.astype(np.float64)).slope <= 0.0] = np.nan
    return heights_m

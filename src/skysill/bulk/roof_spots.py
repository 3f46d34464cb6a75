"""Candidate spots for a mount on the roofs of many buildings, by the rules of the roof search of one property.

Each building has a plan of its own: metres east and north of its own origin. The spots are those that
`skysill.siting.spots` finds on a grid through that origin: inside the outline less its setback, on the surface that the
finest surface raster shows there, without chimneys, crowns and walls.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.bulk.compiled.jit import available
from skysill.bulk.local_maps import LocalMaps, local_maps
from skysill.horizon.lattice import Grid, interpolate
from skysill.siting.spots import STANDS_OFF_M, STEEPEST_DEG, STRETCH_M
from skysill.units import Bools, Floats, Ints

__all__ = ["RoofSpots", "Roofs", "inner_areas", "most_spots", "roof_spots"]

_DIRECTIONS, _SAMPLE_M, _SHORTEST_M = 16, 0.5, 1.5
_TOGETHER = 2_000


@dataclass(frozen=True, slots=True, eq=False)
class Roofs:
    """Outlines of buildings.

    latitude_deg, longitude_deg : (building,) origin of each one's plan, WGS 84
    plan : (building,) polygons or multipolygons with their holes, metres east and north of the origin
    """

    latitude_deg: Floats
    longitude_deg: Floats
    plan: np.ndarray[Any, np.dtype[np.object_]]

    def __len__(self) -> int:
        return int(self.latitude_deg.size)

    def take(self, at: Ints | Bools) -> Roofs:
        return Roofs(self.latitude_deg[at], self.longitude_deg[at], self.plan[at])


@dataclass(frozen=True, slots=True, eq=False)
class RoofSpots:
    """Spots on many roofs, those of one building next to each other.

    building : (spot,) index; east_m, north_m : in the building's plan
    surface_m : elevation of the roof there; raster : (spot,) which raster shows it
    left_out : (building,) how many spots have something standing on the roof
    without_surface : (building,) at how many no surface is known
    """

    building: Ints
    east_m: Floats
    north_m: Floats
    surface_m: Floats
    raster: Ints
    left_out: Ints
    without_surface: Ints


def inner_areas(plan: np.ndarray[Any, Any], setback_m: float) -> np.ndarray[Any, Any]:
    """(building,) what is left of outlines at a distance from their edges, holes included."""
    import shapely

    return np.asarray(shapely.buffer(plan, -setback_m, join_style="mitre"), dtype=object)


def most_spots(plan: np.ndarray[Any, Any], step_m: float) -> Floats:
    """(building,) points of a grid in the box around each outline; no spots can be more."""
    import shapely

    west, south, east, north = shapely.bounds(plan).T
    counts = [np.floor(hi / step_m) - np.ceil(lo / step_m) + 1.0 for lo, hi in ((west, east), (south, north))]
    return np.asarray(np.maximum(counts[0], 1.0) * np.maximum(counts[1], 1.0))


def roof_spots(roofs: Roofs, grids: Sequence[Grid], *, step_m: float, setback_m: float) -> RoofSpots:
    """The spots of every roof.

    Parameters
    ----------
    grids : surface rasters of 2 m or finer, the finest first; the first with data at a spot counts
    step_m : of the grid, whose lines run through each building's origin
    setback_m : distance kept from the edges
    """
    building, part, east, north, stretch_m = _lattices(roofs, step_m, setback_m)
    surface = np.full(east.shape, np.nan)
    raster = np.full(east.shape, -1, dtype=np.int64)
    off = np.zeros(east.shape, dtype=bool)
    maps = [local_maps(grid, roofs.latitude_deg, roofs.longitude_deg) for grid in grids]
    for number, (grid, map_) in enumerate(zip(grids, maps, strict=True)):
        wanted = np.flatnonzero(np.isnan(surface))
        value = interpolate(grid, *positions(map_, building[wanted], east[wanted], north[wanted]))
        surface[wanted] = value
        raster[wanted[np.isfinite(value)]] = number
    known = np.flatnonzero(raster >= 0)
    off[known] = _stands_off(grids, maps, building[known], east[known], north[known], stretch_m[part[known]])
    count = len(roofs)
    keep = np.flatnonzero((raster >= 0) & ~off)
    return RoofSpots(
        building[keep],
        east[keep],
        north[keep],
        surface[keep],
        raster[keep],
        np.bincount(building[off], minlength=count),
        np.bincount(building[raster < 0], minlength=count),
    )


def _lattices(roofs: Roofs, step_m: float, setback_m: float) -> tuple[Ints, Ints, Floats, Floats, Floats]:
    """Building, part, east and north of every grid point inside the parts of outlines; (part,) length of stretches.

    A part without any grid point has its middle.
    """
    import shapely

    parts, of = shapely.get_parts(roofs.plan, return_index=True)
    stretch_m = _stretches_m(parts)
    inner = inner_areas(parts, setback_m)
    there = np.flatnonzero(~shapely.is_empty(inner))
    west, south, east, north = shapely.bounds(inner[there]).T
    first_x, last_x = np.ceil(west / step_m - 1e-9), np.floor(east / step_m + 1e-9)
    first_y, last_y = np.ceil(south / step_m - 1e-9), np.floor(north / step_m + 1e-9)
    across = np.maximum(last_x - first_x + 1.0, 0.0).astype(np.int64)
    down = np.maximum(last_y - first_y + 1.0, 0.0).astype(np.int64)
    count = across * down
    own = np.repeat(np.arange(there.size), count)
    number = np.arange(own.size) - np.repeat(np.cumsum(count) - count, count)
    x = (first_x[own] + number % np.maximum(across[own], 1)) * step_m
    y = (first_y[own] + number // np.maximum(across[own], 1)) * step_m
    wide = shapely.buffer(inner[there], 1e-9)
    shapely.prepare(wide)
    inside = shapely.intersects_xy(wide[own], x, y)
    own, x, y = own[inside], x[inside], y[inside]
    bare = np.flatnonzero(np.bincount(own, minlength=there.size) == 0)
    if bare.size:
        middle = shapely.point_on_surface(inner[there[bare]])
        own = np.concatenate([own, bare])
        x, y = np.concatenate([x, shapely.get_x(middle)]), np.concatenate([y, shapely.get_y(middle)])
        order = np.argsort(own, kind="stable")
        own, x, y = own[order], x[order], y[order]
    part = there[own]
    return of[part], part, x, y, stretch_m


def _stretches_m(parts: np.ndarray[Any, Any]) -> Floats:
    """(part,) length of the lines that tell a roof from what stands on it, as `siting.spots` takes it."""
    import shapely

    box = shapely.oriented_envelope(parts)
    corners = shapely.get_coordinates(shapely.get_exterior_ring(box)).reshape(-1, 5, 2)
    sides = np.linalg.norm(np.diff(corners, axis=1), axis=2)
    return np.asarray(np.clip(sides.min(axis=1) / 2.0, _SHORTEST_M, STRETCH_M))


def positions(maps: LocalMaps, building: Ints, east_m: Floats, north_m: Floats) -> tuple[Floats, Floats]:
    """Column and row of places in the plans of buildings; places have the shape of `building` and further axes."""
    more = (slice(None),) + (None,) * (np.ndim(east_m) - 1)
    found = []
    for axis in (0, 1):
        linear, square = maps.linear[building, axis], maps.square[building, axis]
        found.append(
            maps.start[building, axis][more]
            + (linear[:, 0][more] + square[:, 0][more] * east_m + square[:, 1][more] * north_m) * east_m
            + (linear[:, 1][more] + square[:, 2][more] * north_m) * north_m
        )
    return found[0], found[1]


def _stands_off(
    grids: Sequence[Grid], maps: Sequence[LocalMaps], building: Ints, east: Floats, north: Floats, stretch_m: Floats
) -> Bools:  # fmt: skip
    """(spot,) whether the rasters show something there that is no roof to stand a mast on: see `spots.stands_off`."""
    found = np.zeros(east.shape, dtype=bool)
    halves = np.maximum(2, (stretch_m / _SAMPLE_M).astype(np.int64))
    todo = np.arange(east.size)
    if available() and grids:
        from skysill.bulk.compiled.standing_off import stand_off

        told = np.zeros(east.shape, dtype=np.int8)
        first = maps[0]
        stand_off(grids[0].values, first.start, first.linear, first.square, building, east, north, halves, STANDS_OFF_M,
                  float(np.tan(np.deg2rad(STEEPEST_DEG))), told)  # fmt: skip
        found, todo = told == 1, np.flatnonzero(told < 0)
    turn = np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS
    for half in np.unique(halves):
        along_m = np.arange(-half, half + 1) * _SAMPLE_M
        step = np.stack([np.sin(turn), np.cos(turn)])[:, :, None] * along_m
        mine = todo[halves[todo] == half]
        for start in range(0, mine.size, _TOGETHER):
            at = mine[start : start + _TOGETHER]
            x, y = east[at, None, None] + step[0], north[at, None, None] + step[1]
            surface = np.full(x.shape, np.nan)
            for grid, map_ in zip(grids, maps, strict=True):
                if not (missing := np.isnan(surface)).any():
                    break
                surface = np.where(missing, interpolate(grid, *positions(map_, building[at], x, y)), surface)
            found[at] = _standing_off(surface, int(half))
    return found


def _standing_off(surface_m: Floats, half: int) -> Bools:
    """(spot,) from the surface (spot, line, sample) along lines through each spot, which is in the middle."""
    windows = np.lib.stride_tricks.sliding_window_view(surface_m, half + 1, axis=2)
    levels = np.where(np.isnan(windows), -np.inf, windows).min(axis=3).max(axis=(1, 2))
    steps = (surface_m[:, :, half + 1] - surface_m[:, :, half - 1]) / (2.0 * _SAMPLE_M)
    steep = np.fmax.reduce(np.abs(steps), axis=1) > np.tan(np.deg2rad(STEEPEST_DEG))
    return np.asarray((surface_m[:, 0, half] - levels > STANDS_OFF_M) | steep)

"""How deep rays that are met stand in the ground: the angle to the nearest open direction, from many places."""

from __future__ import annotations

import numpy as np

from skysill.assessment.clearance import column_margin_deg
from skysill.bulk.fan_results import Fan, first_of_each, slope_of, spread
from skysill.bulk.ray_samples import sampled
from skysill.horizon.lattice import interpolate
from skysill.units import Bools, Floats, Ints, cross_track_deg

__all__ = ["measure_depths"]


def measure_depths(fan: Fan, inside: Bools, top_deg: Floats) -> None:
    """Where the ray is met: how far it is to the nearest open direction, over the skyline of the fan.

    Few rays first. Of those between only such are followed on which the ground that stands highest beside them does
    not already put the open direction farther off than what is known.
    """
    apparent, met = fan.places.apparent_deg, np.flatnonzero(inside)
    depth_deg = np.where(inside, np.nan_to_num(top_deg, nan=-90.0) - apparent, np.nan)
    owner, number = spread(fan.window.last[met])
    place, window = met[owner], fan.window.take(met[owner])
    offset_deg = window.offset_deg(number)
    asked = (number != 0) & (np.abs(offset_deg) < 90.0)
    highest_m = np.full(place.size, np.nan)
    for stride, before in zip(_DEPTH_STRIDES, (0, *_DEPTH_STRIDES), strict=False):
        some = np.flatnonzero(asked & (number % stride == 0))
        asked[some] = False
        aside_deg = cross_track_deg(offset_deg[some], apparent[place[some]])
        some = some[aside_deg < depth_deg[place[some]]]
        for sign in (-1, 1) if before else ():
            step = sign * (sign * -number[some] % before)
            beside = np.abs(number[some] + step) <= window.last[some]
            distance_m = highest_m[some + np.where(beside, step, 0)]
            some = some[~_open_farther(fan, place[some], offset_deg[some], distance_m, depth_deg)]
        highest_m[some] = _open_beside(fan, place[some], offset_deg[some], depth_deg)
    fan.margin_deg[met] = -depth_deg[met]
    fan.spare_deg[met] = fan.margin_deg[met] - fan.limits.room_deg(fan.slant_m[met])


_DEPTH_STRIDES = (10, 1)


def _open_farther(fan: Fan, place: Ints, offset_deg: Floats, distance_m: Floats, depth_deg: Floats) -> Bools:
    """Whether ground at a distance on rays surely puts the open direction farther off than what is known."""
    farther = np.zeros(place.size, dtype=bool)
    # beyond this, pieces between two crossings count as a whole
    whole_m = fan.near_m + 1.5 * fan.ground.cell_size_m
    some = np.flatnonzero(distance_m > whole_m)
    place, offset_deg, distance_m = place[some], offset_deg[some], distance_m[some]
    rays = fan.rays(place, offset_deg, np.full(some.size, -np.inf), distance_m)
    height_m = interpolate(fan.ground.grid, *rays.at(distance_m))
    slope = slope_of(rays, np.arange(some.size), distance_m, height_m) - 1e-4
    farther[some] = _over(fan, place, offset_deg, slope) > depth_deg[place]
    return farther


def _open_beside(fan: Fan, place: Ints, offset_deg: Floats, depth_deg: Floats) -> Floats:
    """Lower the depths to the nearest open direction on rays; returns how far off their highest ground stands."""
    highest_m = np.full(place.size, np.nan)
    least = np.tan(np.deg2rad(fan.places.apparent_deg[place]))
    # a ray without any ground says nothing; one with low ground is open
    top = np.where(_surely_known(fan, place), least - 1e-3, -np.inf)
    looked = fan.rays(place, offset_deg, top.copy(), fan.reach_below(least, place))
    seen = sampled(fan.ground.grid, looked, fan.ground.maxima)
    best = first_of_each(seen.ray, -seen.slope, seen.distance_m)
    top[seen.ray[best]] = np.maximum(top[seen.ray[best]], seen.slope[best])
    highest_m[seen.ray[best]] = seen.distance_m[best]
    some = np.flatnonzero(np.isfinite(top))
    np.minimum.at(depth_deg, place[some], _over(fan, place[some], offset_deg[some], top[some]))
    return highest_m


def _over(fan: Fan, place: Ints, offset_deg: Floats, slope: Floats) -> Floats:
    """Angle from the ray to the nearest direction over ground of a slope, at an azimuth offset."""
    return column_margin_deg(offset_deg, fan.places.apparent_deg[place], 90.0, np.rad2deg(np.arctan(slope)))


def _surely_known(fan: Fan, place: Ints) -> Bools:
    """Whether there is ground around a place as far as a ray needs to meet some."""
    grid = fan.ground.grid
    rows, columns = grid.values.shape
    cells_per_m = 1.01 * float(np.sqrt((fan.maps.linear**2).sum(axis=(1, 2)).max()))
    cells = (fan.near_m + 3.0 * fan.ground.cell_size_m) * cells_per_m
    column, row = fan.maps.start[place].T
    inside = (column > cells) & (row > cells) & (column < columns - 1 - cells) & (row < rows - 1 - cells)
    return np.asarray(inside & (not grid.has_void))

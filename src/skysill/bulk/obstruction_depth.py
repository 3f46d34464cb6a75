"""Obstruction depth of many places whose ray meets ground: the angle to the nearest open direction."""

from __future__ import annotations

import numpy as np

from skysill.assessment.clearance import column_margin_deg
from skysill.bulk.fan_results import FanResults, least_of_each, slope_of, symmetric_steps
from skysill.bulk.ray_samples import sampled
from skysill.horizon.lattice import interpolate
from skysill.units import Bools, Floats, Ints, cross_track_deg

__all__ = ["measure_depths"]


def measure_depths(results: FanResults, inside: Bools, top_deg: Floats) -> None:
    """Set the margin of places whose ray meets ground to minus the angle to the nearest open direction above the fan.

    Every tenth ray is sampled first. A ray between two of them is left out where the ground that controls its
    neighbour already puts its open direction farther away than the smallest depth known.

    inside : (place,) whether the ray meets ground; top_deg : (place,) elevation of the highest ground on its azimuth
    """
    apparent, met = results.places.apparent_deg, np.flatnonzero(inside)
    depth_deg = np.where(inside, np.nan_to_num(top_deg, nan=-90.0) - apparent, np.nan)
    owner, number = symmetric_steps(results.window.last[met])
    place, window = met[owner], results.window.take(met[owner])
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
            some = some[~_opens_farther(results, place[some], offset_deg[some], distance_m, depth_deg)]
        highest_m[some] = _lower_depths(results, place[some], offset_deg[some], depth_deg)
    results.margin_deg[met] = -depth_deg[met]
    results.excess_deg[met] = results.margin_deg[met] - results.thresholds.room_deg(results.slant_m[met])


_DEPTH_STRIDES = (10, 1)


def _opens_farther(
    results: FanResults, place: Ints, offset_deg: Floats, distance_m: Floats, depth_deg: Floats
) -> Bools:
    """(ray,) whether ground at a distance certainly puts the open direction farther away than the depth known."""
    farther = np.zeros(place.size, dtype=bool)
    # beyond this distance the ground between two crossings counts as a whole
    whole_m = results.near_m + 1.5 * results.ground.cell_size_m
    some = np.flatnonzero(distance_m > whole_m)
    place, offset_deg, distance_m = place[some], offset_deg[some], distance_m[some]
    rays = results.rays(place, offset_deg, np.full(some.size, -np.inf), distance_m)
    height_m = interpolate(results.ground.grid, *rays.at(distance_m))
    slope = slope_of(rays, np.arange(some.size), distance_m, height_m) - 1e-4
    farther[some] = _angle_over(results, place, offset_deg, slope) > depth_deg[place]
    return farther


def _lower_depths(results: FanResults, place: Ints, offset_deg: Floats, depth_deg: Floats) -> Floats:
    """Lower the depths to the nearest open direction on rays; returns (ray,) the distance of their highest ground."""
    highest_m = np.full(place.size, np.nan)
    least = np.tan(np.deg2rad(results.places.apparent_deg[place]))
    # a ray without any known ground says nothing; a ray with only low ground is open
    top = np.where(_certainly_known(results, place), least - 1e-3, -np.inf)
    looked = results.rays(place, offset_deg, top.copy(), results.reach_below(least, place))
    seen = sampled(results.ground.grid, looked, results.ground.maxima)
    best = least_of_each(seen.ray, -seen.slope, seen.distance_m)
    top[seen.ray[best]] = np.maximum(top[seen.ray[best]], seen.slope[best])
    highest_m[seen.ray[best]] = seen.distance_m[best]
    some = np.flatnonzero(np.isfinite(top))
    np.minimum.at(depth_deg, place[some], _angle_over(results, place[some], offset_deg[some], top[some]))
    return highest_m


def _angle_over(results: FanResults, place: Ints, offset_deg: Floats, slope: Floats) -> Floats:
    """Angle from the ray to the nearest direction above ground of a slope, at an azimuth offset."""
    return column_margin_deg(
        offset_deg, results.places.apparent_deg[place], 90.0, np.rad2deg(np.arctan(slope))
    )


def _certainly_known(results: FanResults, place: Ints) -> Bools:
    """Whether the raster has ground around a place as far as a ray needs to meet some."""
    grid = results.ground.grid
    rows, columns = grid.values.shape
    densest_cells_per_m = 1.01 * float(np.sqrt((results.maps.linear**2).sum(axis=(1, 2)).max()))
    cells = (results.near_m + 3.0 * results.ground.cell_size_m) * densest_cells_per_m
    column, row = results.maps.start[place].T
    inside = (column > cells) & (row > cells) & (column < columns - 1 - cells) & (row < rows - 1 - cells)
    return np.asarray(inside & (not grid.has_void))

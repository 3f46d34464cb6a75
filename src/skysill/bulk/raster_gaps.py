"""Edges and voids of a raster on the ray fans of many places: how far out the ground is known."""

from __future__ import annotations

import numpy as np

from skysill.bulk.fan_results import DENSE_DEG, Window, half_windows_deg, symmetric_steps
from skysill.bulk.local_maps import local_maps
from skysill.bulk.prefilter import Ground, Places, ScreeningQuery, cells_along_ray, densest_cells_per_m
from skysill.bulk.ray_fan import Rays, distance_to
from skysill.bulk.ray_samples import first_gap_m
from skysill.horizon.lattice import Grid
from skysill.units import Bools, Floats

__all__ = ["known_out_to_m", "may_have_gap"]


def may_have_gap(ground: Ground, places: Places, query: ScreeningQuery) -> Bools:
    """(place,) whether the ray fan might leave the raster or meet a void where ground matters; a False is certain."""
    column, row, (by_column, by_row) = places.column, places.row, cells_along_ray(ground, places)
    per_m = densest_cells_per_m(ground, places)
    aside = (
        places.needed_m
        * np.sin(np.deg2rad(np.minimum(half_windows_deg(places, query)[0], 90.0)))
        * per_m
        * 1.05
        + 2.0
    )
    rows, columns = ground.grid.values.shape
    gap = np.zeros(column.shape, dtype=bool)
    for start, by, last in ((column, by_column, columns - 1), (row, by_row, rows - 1)):
        end = start + by * places.needed_m * 1.02
        gap |= (np.minimum(start, end) - aside < 0.0) | (np.maximum(start, end) + aside > last)
    if ground.maxima.neighbourhood_void is not None:
        cells = places.needed_m * per_m * 0.6 + aside
        level = np.minimum(
            np.ceil(np.log2(np.maximum(cells, 1.0))).astype(np.int64), len(ground.maxima.neighbourhood_m) - 1
        )
        for one in np.unique(level):
            at = np.flatnonzero(level == one)
            half_m = places.needed_m[at] / 2.0
            gap[at] |= ground.maxima.void_near(
                int(one), column[at] + by_column[at] * half_m, row[at] + by_row[at] * half_m
            )
    return gap


def known_out_to_m(ground: Ground, places: Places, query: ScreeningQuery) -> Floats:
    """(place,) distance out to which ground is known on the whole ray fan; inf where that is as far as it matters."""
    maps = local_maps(ground.grid, places.latitude_deg, places.longitude_deg)
    steps = Window.of(places, query).dense
    place, step = symmetric_steps(steps)
    if ground.maxima.neighbourhood_void is None:  # the raster is convex: a few rays find its edge
        coarse = (step % 10 == 0) | (np.abs(step) == steps[place])
        place, step = place[coarse], step[coarse]
    offset_deg = step * DENSE_DEG
    azimuth_rad = np.deg2rad(places.azimuth_deg[place] + offset_deg)
    first, second = maps.take(place).along(np.sin(azimuth_rad), np.cos(azimuth_rad))
    needed_m = places.needed_m[place]
    rays = Rays(place, maps.start[place], first, second, places.antenna_m[place], places.radius_m[place],
                np.zeros(place.size), needed_m, 0.0)  # fmt: skip
    if ground.maxima.neighbourhood_void is None:
        known_m = _edge_distance_m(ground.grid, rays)
        known_m = np.where(known_m >= needed_m, np.inf, known_m)
    else:
        known_m = first_gap_m(ground.grid, rays)
    least_m = np.full(places.antenna_m.size, np.inf)
    np.minimum.at(least_m, place, known_m)
    return least_m


def _edge_distance_m(grid: Grid, rays: Rays) -> Floats:
    """(ray,) ground distance at which rays leave the raster."""
    leaving_m = np.full(len(rays), np.inf)
    for axis, count in ((0, grid.values.shape[1]), (1, grid.values.shape[0])):
        rate, bend = rays.first[:, axis], rays.second[:, axis]
        remaining = np.where(rate > 0, count - 1.0 - rays.start[:, axis], -rays.start[:, axis])
        distance_m = distance_to(remaining, rate, bend)
        leaving_m = np.minimum(leaving_m, np.where(distance_m >= 0.0, distance_m, np.inf))
    return leaving_m

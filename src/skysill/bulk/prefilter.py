"""Prefilter: which of many places have ground that could come near their ray.

Most places are decided by a bound: no ground of the raster can come within ten degrees of the ray.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal

import numpy as np

from skysill.assessment.search_window import EXACT_MARGIN_DEG, sought_elevation_deg
from skysill.bulk.local_maps import local_maps, over_mesh
from skysill.horizon.block_maxima import MaximumPyramid, maximum_pyramid
from skysill.horizon.lattice import Grid, HeldGrid, interpolate, lattice_position
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.horizon.rays import NEAREST_SAMPLE_M, reach_needed_m
from skysill.model.default_errors import RasterFacts
from skysill.model.link import Link
from skysill.model.site import Criteria, Satellite, Terminal
from skysill.pointing.look_vector import look_angles
from skysill.pointing.refraction import refraction_deg
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, Ints, local_earth_radius_m

__all__ = [
    "FLOOR_DEG",
    "Ground",
    "Places",
    "ScreeningQuery",
    "cache_order",
    "cell_axes",
    "cells_along_ray",
    "densest_cells_per_m",
    "locate_places",
    "may_come_near",
    "may_come_near_upright",
]

FLOOR_DEG = EXACT_MARGIN_DEG
"""Larger margins are given as at least this."""

_TILE_CELLS, _FILTERED_TOGETHER = 256, 32_768


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """One elevation raster, or a part of it, held in memory with the maxima of its blocks. Made by `Ground.of`.

    grid : its elevations and where they lie; maxima : highest ground of blocks of cells
    name, kind, cell_size_m, vertical_error_m, facts : as of the raster
    held : what is made of it when it is first wanted, by name
    """

    grid: Grid
    maxima: MaximumPyramid
    name: str
    kind: Literal["surface", "bare"]
    cell_size_m: float
    vertical_error_m: float
    facts: RasterFacts | None = None
    held: dict[str, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, grid: Grid, *, name: str, kind: Literal["surface", "bare"], cell_size_m: float,
           vertical_error_m: float, facts: RasterFacts | None = None) -> Ground:  # fmt: skip
        maxima = maximum_pyramid(grid.values, has_void=grid.has_void)
        return cls(grid, maxima, name, kind, cell_size_m, vertical_error_m, facts)

    @property
    def near_m(self) -> float:
        """Nearer ground is not counted: coarse cells are reliable from a distance of two cells on."""
        return 2.0 * self.cell_size_m if self.cell_size_m > FINE_CELL_M else NEAREST_SAMPLE_M

    @property
    def source(self) -> HeldGrid:
        return HeldGrid(self.grid, self.name, self.kind, self.cell_size_m, self.vertical_error_m, self.facts)


@dataclass(frozen=True, slots=True)
class ScreeningQuery:
    """What is asked of every address.

    satellite : a geostationary one
    terminal, criteria : dish, frequencies, and what counts as clear
    highest_ground_m : nothing around is higher
    full : also give margins over 10 degrees (slow)
    position_error_m : standard deviation of an address's place along each of two axes; 0: the dish stands there
    """

    satellite: Satellite
    terminal: Terminal
    criteria: Criteria
    highest_ground_m: float
    full: bool = False
    position_error_m: float = 0.0

    @property
    def link(self) -> Link:
        """The terminal with the criteria it is judged by."""
        return Link(self.terminal, self.criteria)


@dataclass(slots=True, eq=False)
class Places:
    """Addresses with the ray of each; arrays of one length.

    antenna_m : elevation of the dish centre
    apparent_deg : apparent elevation of the ray
    radius_m : effective Earth radius along the ray
    needed_m : distance out to which ground of the query's greatest height could take the room
    search_floor_deg : elevation down to which ground is searched (search_window.sought_elevation_deg)
    search_m : largest distance of such ground on this raster, on any azimuth
    column, row : position on the raster's lattice
    """

    latitude_deg: Floats
    longitude_deg: Floats
    height_m: Floats
    antenna_m: Floats
    azimuth_deg: Floats
    elevation_deg: Floats
    apparent_deg: Floats
    radius_m: Floats
    needed_m: Floats
    search_floor_deg: Floats
    search_m: Floats
    column: Floats
    row: Floats

    def take(self, at: Ints | Bools | slice) -> Places:
        return Places(*(getattr(self, name)[at] for name in self.__slots__))


def locate_places(
    ground: Ground, latitude: Floats, longitude: Floats, height: Floats, query: ScreeningQuery
) -> tuple[Places, Bools]:
    """Places with their rays, and whether the raster has ground at each of them.

    latitude, longitude, height : (place,) WGS 84 degrees, dish centre above the ground in metres
    """
    column, row = lattice_position(ground.grid, latitude, longitude)
    own_m = interpolate(ground.grid, column, row)
    known = ~np.isnan(own_m)
    antenna_m = np.where(known, own_m, 0.0) + height
    satellite_deg = query.satellite.longitude_deg
    assert satellite_deg is not None
    azimuth, elevation, _ = look_angles(latitude, longitude, antenna_m, satellite_longitude_deg=satellite_deg)
    apparent = elevation + refraction_deg(elevation, antenna_m)
    radius = query.criteria.refraction_factor * local_earth_radius_m(latitude, np.nan_to_num(azimuth))
    highest_m = max(query.highest_ground_m, ground.grid.highest_m)
    rise_m = np.maximum(highest_m - antenna_m, 0.0)
    far_m = np.maximum(
        rise_m / np.sin(np.deg2rad(np.maximum(apparent, 1.0))), query.criteria.assumed_distance_m
    )
    stop_deg = apparent - room_angle_deg(far_m, query.link)
    needed_m = reach_needed_m(antenna_m, stop_deg, highest_ground_m=highest_m, radius_m=radius)
    search_floor_deg = sought_elevation_deg(apparent, stop_deg)
    # ground at the end of rays as low as these can be nearer than FLOOR_DEG
    low = search_floor_deg > apparent - FLOOR_DEG
    limit_m = np.where(low, highest_m, ground.grid.highest_m)
    search_m = reach_needed_m(antenna_m, search_floor_deg, highest_ground_m=limit_m, radius_m=radius)
    return Places(
        latitude, longitude, height, antenna_m, azimuth, elevation, apparent, radius, needed_m, search_floor_deg,
        1.005 * search_m, column, row,
    ), known  # fmt: skip


def cells_along_ray(ground: Ground, places: Places) -> tuple[Floats, Floats]:
    """(place,), (place,): columns and rows per metre along each ray, within 1 %: enough for bounds."""
    along = cell_axes(ground, places)
    azimuth_rad = np.deg2rad(np.nan_to_num(places.azimuth_deg))
    east, north = np.sin(azimuth_rad), np.cos(azimuth_rad)
    return along[:, 0] * east + along[:, 2] * north, along[:, 1] * east + along[:, 3] * north


def cell_axes(ground: Ground, places: Places) -> Floats:
    """(place, 4): columns and rows per metre east, columns and rows per metre north; within 1 %."""
    at = (places.latitude_deg, places.longitude_deg)
    return over_mesh(partial(_cell_axes, ground.grid), *at, spacing_deg=0.25)


def _cell_axes(grid: Grid, latitude: Floats, longitude: Floats) -> Floats:
    """(n, 4): columns and rows per metre east, columns and rows per metre north, from differences over 500 m."""
    step_m = 500.0
    arc_deg = float(np.rad2deg(step_m / 6.371e6))
    here = np.stack(lattice_position(grid, latitude, longitude), axis=-1)
    east = np.stack(
        lattice_position(grid, latitude, longitude + arc_deg / np.cos(np.deg2rad(latitude))), axis=-1
    )
    sign = np.where(latitude + arc_deg > 90.0, -1.0, 1.0)
    north = np.stack(lattice_position(grid, latitude + sign * arc_deg, longitude), axis=-1)
    return np.concatenate([(east - here) / step_m, sign[:, None] * (north - here) / step_m], axis=1)


def cache_order(places: Places) -> Ints:
    """An order of places in which neighbours follow each other, so that the ground they use stays in the cache."""
    _, tile = np.unique(
        (places.row // _TILE_CELLS) * 4096 + places.column // _TILE_CELLS, return_inverse=True
    )
    return np.argsort(
        tile.astype(np.uint16 if tile.size and tile.max() < 65_536 else np.int64), kind="stable"
    )


def may_come_near(
    ground: Ground, places: Places, query: ScreeningQuery, *, angle_limit: Callable[[float], float] | None = None,
    moved_m: float = 0.0,
) -> Bools:  # fmt: skip
    """Whether ground could be within FLOOR_DEG plus the required room of the ray; a False is certain.

    The bound is taken ring by ring outwards: the highest ground in a box that contains the ring's part of the ray fan.

    Parameters
    ----------
    angle_limit : angle in place of FLOOR_DEG plus the room, degrees, for ground at least so many metres away
    moved_m : the answer holds for all dishes up to this far from each place that are no lower than antenna_m

    Returns
    -------
    (place,) bool
    """

    def within_deg(away_m: float) -> float:
        return FLOOR_DEG + float(room_angle_deg(away_m, query.link))

    parts = [
        slice(low, low + _FILTERED_TOGETHER) for low in range(0, places.antenna_m.size, _FILTERED_TOGETHER)
    ]
    found = [_may_come_near(ground, places.take(part), angle_limit or within_deg, moved_m) for part in parts]
    return np.concatenate(found) if found else np.zeros(0, dtype=bool)


_RING_GROWTH = 1.35


def _may_come_near(
    ground: Ground, places: Places, angle_limit: Callable[[float], float], moved_m: float
) -> Bools:
    near = np.zeros(places.antenna_m.shape, dtype=bool)
    ahead_column, ahead_row = cells_along_ray(ground, places)
    antenna_m, up = places.antenna_m, np.tan(np.deg2rad(places.apparent_deg))
    level = float(np.cos(np.deg2rad(places.apparent_deg.max())))
    densest = densest_cells_per_m(ground, places)
    inner_m = 0.98 * ground.near_m
    rows = np.arange(near.size)
    while rows.size:
        outer_m, middle_m = inner_m * _RING_GROWTH, inner_m * (1.0 + _RING_GROWTH) / 2.0
        wide = float(np.tan(np.deg2rad(min(angle_limit(inner_m) + 0.05, 89.0))))
        aside_m = outer_m * min(wide / max(level, 0.1), 1.5)
        box_m = np.hypot((outer_m - inner_m) / 2.0, aside_m) + moved_m
        top_m = ground.maxima.highest_near(
            ground.maxima.level_for(box_m * densest),
            places.column.take(rows) + ahead_column.take(rows) * middle_m,
            places.row.take(rows) + ahead_row.take(rows) * middle_m,
        )
        here_m, steep = antenna_m.take(rows), up.take(rows)
        least = (steep - wide) / (
            1.0 + steep * wide
        ) - 1e-4  # tangent of the ray's elevation less the angle limit
        rise_m = top_m - here_m - inner_m * inner_m / (2.01 * places.radius_m.take(rows))
        hit = rise_m >= least * np.where(rise_m > 0.0, inner_m, outer_m)
        near[rows[hit]] = True
        inner_m = outer_m
        left = (ground.grid.highest_m - here_m >= least * inner_m) & (places.search_m.take(rows) > inner_m)
        rows = rows[left & ~hit]
    return near


def may_come_near_upright(ground: Ground, places: Places, query: ScreeningQuery) -> Bools:
    """(place,) whether ground in any direction could come near a ray that is almost vertical; a False is certain."""
    near = np.zeros(places.antenna_m.shape, dtype=bool)
    if not near.size:
        return near
    densest, inner_m = densest_cells_per_m(ground, places), 0.98 * ground.near_m
    farthest_m = float(places.search_m.max())
    while inner_m < farthest_m:
        outer_m = inner_m * 1.5
        room_deg = float(room_angle_deg(inner_m, query.link))
        slope = np.tan(np.deg2rad(places.apparent_deg - FLOOR_DEG - room_deg - 0.05))
        top_m = ground.maxima.highest_near(
            ground.maxima.level_for(outer_m * densest), places.column, places.row
        )
        near |= top_m - places.antenna_m >= slope * inner_m
        inner_m = outer_m
    return near


def densest_cells_per_m(ground: Ground, places: Places) -> float:
    """The largest number of cells per metre, in any direction, where the places are."""
    ends = np.unique([places.latitude_deg.argmin(), places.latitude_deg.argmax(), 0])
    maps = local_maps(ground.grid, places.latitude_deg[ends], places.longitude_deg[ends])
    return 1.02 * float(np.linalg.norm(maps.linear, axis=2).max())

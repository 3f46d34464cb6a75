"""Which ground comes near the ray to the satellite, for many places at once.

Most places are settled by a bound: no ground anywhere can come within ten degrees of the ray.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Literal

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
from skysill.pointing.look_vector import look_angles, refraction_deg
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, Ints, local_earth_radius_m

__all__ = [
    "FLOOR_DEG",
    "Ground",
    "Places",
    "Question",
    "cells_along",
    "cells_per_m",
    "cliffs_around",
    "direction",
    "may_come_near",
    "placed",
    "together",
]

FLOOR_DEG = EXACT_MARGIN_DEG
"""Margins beyond this are given as a floor."""

_TILE_CELLS, _SIEVED = 256, 32_768


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """One elevation raster, or a part of it, held in memory with the maxima of its blocks."""

    grid: Grid
    maxima: MaximumPyramid
    name: str
    kind: Literal["surface", "bare"]
    cell_size_m: float
    vertical_error_m: float
    facts: RasterFacts | None = None

    @classmethod
    def of(cls, grid: Grid, *, name: str, kind: Literal["surface", "bare"], cell_size_m: float,
           vertical_error_m: float, facts: RasterFacts | None = None) -> Ground:  # fmt: skip
        maxima = maximum_pyramid(grid.values, has_void=grid.has_void)
        return cls(grid, maxima, name, kind, cell_size_m, vertical_error_m, facts)

    @property
    def near_m(self) -> float:
        """Ground nearer is not counted: coarse cells say nothing reliable nearer than two of them."""
        return 2.0 * self.cell_size_m if self.cell_size_m > FINE_CELL_M else NEAREST_SAMPLE_M

    @property
    def source(self) -> HeldGrid:
        return HeldGrid(self.grid, self.name, self.kind, self.cell_size_m, self.vertical_error_m, self.facts)


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of every address.

    full : also work out margins over FLOOR_DEG (slow)
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

    needed_m : distance out to which ground of the height told in the question could take the room
    sought_deg : elevation down to which ground is looked for (gather.sought_elevation_deg)
    sought_m : how far, on this raster, such ground can lie at most, on any azimuth
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
    sought_deg: Floats
    sought_m: Floats
    column: Floats
    row: Floats

    def take(self, at: Ints | Bools | slice) -> Places:
        return Places(*(getattr(self, name)[at] for name in self.__slots__))


def placed(
    ground: Ground, latitude: Floats, longitude: Floats, height: Floats, question: Question
) -> tuple[Places, Bools]:
    column, row = lattice_position(ground.grid, latitude, longitude)
    own_m = interpolate(ground.grid, column, row)
    known = ~np.isnan(own_m)
    antenna_m = np.where(known, own_m, 0.0) + height
    satellite_deg = question.satellite.longitude_deg
    assert satellite_deg is not None
    azimuth, elevation, _ = look_angles(latitude, longitude, antenna_m, satellite_longitude_deg=satellite_deg)
    apparent = elevation + refraction_deg(elevation, antenna_m)
    radius = question.criteria.refraction_factor * local_earth_radius_m(latitude, np.nan_to_num(azimuth))
    highest_m = max(question.highest_ground_m, ground.grid.highest_m)
    rise_m = np.maximum(highest_m - antenna_m, 0.0)
    far_m = np.maximum(
        rise_m / np.sin(np.deg2rad(np.maximum(apparent, 1.0))), question.criteria.assumed_distance_m
    )
    stop_deg = apparent - room_angle_deg(far_m, question.link)
    needed_m = reach_needed_m(antenna_m, stop_deg, highest_ground_m=highest_m, radius_m=radius)
    sought_deg = sought_elevation_deg(apparent, stop_deg)
    low = sought_deg > apparent - FLOOR_DEG  # what lies at the end of such rays can be nearer than FLOOR_DEG
    sought_m = reach_needed_m(antenna_m, sought_deg, highest_ground_m=np.where(low, highest_m, ground.grid.highest_m),
                              radius_m=radius)  # fmt: skip
    return Places(
        latitude, longitude, height, antenna_m, azimuth, elevation, apparent, radius, needed_m, sought_deg,
        1.005 * sought_m, column, row,
    ), known  # fmt: skip


def direction(ground: Ground, places: Places) -> tuple[Floats, Floats]:
    """Columns and rows per metre along each ray, to a hundredth: enough for bounds."""
    along = cells_along(ground, places)
    azimuth_rad = np.deg2rad(np.nan_to_num(places.azimuth_deg))
    east, north = np.sin(azimuth_rad), np.cos(azimuth_rad)
    return along[:, 0] * east + along[:, 2] * north, along[:, 1] * east + along[:, 3] * north


def cells_along(ground: Ground, places: Places) -> Floats:
    """(place, 4): columns and rows a metre east, columns and rows a metre north; to a hundredth."""
    at = (places.latitude_deg, places.longitude_deg)
    return over_mesh(partial(_cells_along, ground.grid), *at, spacing_deg=0.25)


def _cells_along(grid: Grid, latitude: Floats, longitude: Floats) -> Floats:
    """(n, 4): columns and rows a metre east, columns and rows a metre north."""
    step_m = 500.0
    arc_deg = float(np.rad2deg(step_m / 6.371e6))
    here = np.stack(lattice_position(grid, latitude, longitude), axis=-1)
    east = np.stack(
        lattice_position(grid, latitude, longitude + arc_deg / np.cos(np.deg2rad(latitude))), axis=-1
    )
    sign = np.where(latitude + arc_deg > 90.0, -1.0, 1.0)
    north = np.stack(lattice_position(grid, latitude + sign * arc_deg, longitude), axis=-1)
    return np.concatenate([(east - here) / step_m, sign[:, None] * (north - here) / step_m], axis=1)


def together(places: Places) -> Ints:
    """An order of places in which neighbours stand together, so that the ground they look up stays at hand."""
    _, tile = np.unique(
        (places.row // _TILE_CELLS) * 4096 + places.column // _TILE_CELLS, return_inverse=True
    )
    return np.argsort(
        tile.astype(np.uint16 if tile.size and tile.max() < 65_536 else np.int64), kind="stable"
    )


def may_come_near(
    ground: Ground, places: Places, question: Question, *, widest: Callable[[float], float] | None = None,
    moved_m: float = 0.0,
) -> Bools:  # fmt: skip
    """Whether any ground that counts could be within FLOOR_DEG and the required room of the ray; never wrongly no.

    Ring by ring outwards, the highest ground in a box that surely holds the ring's part of the fan; in parts that fit
    the cache.

    Parameters
    ----------
    widest : the angle in place of FLOOR_DEG and the room, degrees, of ground at least so many metres away
    moved_m : the same for all places up to so far from each of them, with the dish no lower than antenna_m
    """

    def within_deg(away_m: float) -> float:
        return FLOOR_DEG + float(room_angle_deg(away_m, question.link))

    parts = [slice(low, low + _SIEVED) for low in range(0, places.antenna_m.size, _SIEVED)]
    found = [_sieve(ground, places.take(part), widest or within_deg, moved_m) for part in parts]
    return np.concatenate(found) if found else np.zeros(0, dtype=bool)


_RING_GROWTH = 1.35


def _sieve(ground: Ground, places: Places, widest: Callable[[float], float], moved_m: float) -> Bools:
    near = np.zeros(places.antenna_m.shape, dtype=bool)
    ahead_column, ahead_row = direction(ground, places)
    antenna_m, up = places.antenna_m, np.tan(np.deg2rad(places.apparent_deg))
    level = float(np.cos(np.deg2rad(places.apparent_deg.max())))
    densest = cells_per_m(ground, places)
    inner_m = 0.98 * ground.near_m
    rows = np.arange(near.size)
    while rows.size:
        outer_m, middle_m = inner_m * _RING_GROWTH, inner_m * (1.0 + _RING_GROWTH) / 2.0
        wide = float(np.tan(np.deg2rad(min(widest(inner_m) + 0.05, 89.0))))
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
        ) - 1e-4  # the tangent of so much less than the ray's elevation
        rise_m = top_m - here_m - inner_m * inner_m / (2.01 * places.radius_m.take(rows))
        hit = rise_m >= least * np.where(rise_m > 0.0, inner_m, outer_m)
        near[rows[hit]] = True
        inner_m = outer_m
        left = (ground.grid.highest_m - here_m >= least * inner_m) & (places.sought_m.take(rows) > inner_m)
        rows = rows[left & ~hit]
    return near


def cliffs_around(ground: Ground, places: Places, question: Question) -> Bools:
    """Whether ground in any direction could come near a ray that is almost upright; never wrongly no."""
    near = np.zeros(places.antenna_m.shape, dtype=bool)
    if not near.size:
        return near
    densest, inner_m = cells_per_m(ground, places), 0.98 * ground.near_m
    farthest_m = float(places.sought_m.max())
    while inner_m < farthest_m:
        outer_m = inner_m * 1.5
        room_deg = float(room_angle_deg(inner_m, question.link))
        slope = np.tan(np.deg2rad(places.apparent_deg - FLOOR_DEG - room_deg - 0.05))
        top_m = ground.maxima.highest_near(
            ground.maxima.level_for(outer_m * densest), places.column, places.row
        )
        near |= top_m - places.antenna_m >= slope * inner_m
        inner_m = outer_m
    return near


def cells_per_m(ground: Ground, places: Places) -> float:
    """The most cells in a metre, in any direction, where the places are."""
    ends = np.unique([places.latitude_deg.argmin(), places.latitude_deg.argmax(), 0])
    maps = local_maps(ground.grid, places.latitude_deg[ends], places.longitude_deg[ends])
    return 1.02 * float(np.linalg.norm(maps.linear, axis=2).max())

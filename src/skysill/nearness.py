"""Which ground comes near the ray to the satellite, for many places at once.

Most places are settled by a bound: no ground anywhere can come within ten degrees of the ray.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from skysill.clearance import room_angle_deg
from skysill.fan import Ceiling, ceiling, local_maps, over_mesh
from skysill.gather import EXACT_MARGIN_DEG, sought_elevation_deg
from skysill.horizon.lattice import Grid, HeldGrid, interpolate, lattice_position
from skysill.horizon.rays import reach_needed_m
from skysill.look import look_angles, refraction_deg
from skysill.site import Criteria, Satellite, Terminal
from skysill.units import Bools, Floats, Ints, cross_track_deg, local_earth_radius_m

__all__ = [
    "FLOOR_DEG",
    "Ground",
    "Places",
    "Question",
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
    """One elevation raster, or a part of it, held in memory with its ceilings."""

    grid: Grid
    ceiling: Ceiling
    name: str
    kind: Literal["surface", "bare"]
    cell_size_m: float
    vertical_error_m: float

    @classmethod
    def of(cls, grid: Grid, *, name: str, kind: Literal["surface", "bare"], cell_size_m: float,
           vertical_error_m: float) -> Ground:  # fmt: skip
        return cls(grid, ceiling(grid), name, kind, cell_size_m, vertical_error_m)

    @property
    def source(self) -> HeldGrid:
        return HeldGrid(self.grid, self.name, self.kind, self.cell_size_m, self.vertical_error_m)


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of every address.

    full : also work out margins over FLOOR_DEG (slow)
    """

    satellite: Satellite
    terminal: Terminal
    criteria: Criteria
    highest_ground_m: float
    full: bool = False


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
    eye_m: Floats
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
    eye_m = np.where(known, own_m, 0.0) + height
    satellite_deg = question.satellite.longitude_deg
    assert satellite_deg is not None
    azimuth, elevation, _ = look_angles(latitude, longitude, eye_m, satellite_longitude_deg=satellite_deg)
    apparent = elevation + refraction_deg(elevation, eye_m)
    radius = question.criteria.refraction_factor * local_earth_radius_m(latitude, np.nan_to_num(azimuth))
    highest_m = max(question.highest_ground_m, ground.grid.highest_m)
    rise_m = np.maximum(highest_m - eye_m, 0.0)
    far_m = np.maximum(
        rise_m / np.sin(np.deg2rad(np.maximum(apparent, 1.0))), question.criteria.assumed_distance_m
    )
    stop_deg = apparent - room_angle_deg(far_m, question.terminal, question.criteria)
    needed_m = reach_needed_m(eye_m, stop_deg, highest_ground_m=highest_m, radius_m=radius)
    sought_deg = sought_elevation_deg(apparent, stop_deg)
    low = sought_deg > apparent - FLOOR_DEG  # what lies at the end of such rays can be nearer than FLOOR_DEG
    sought_m = reach_needed_m(eye_m, sought_deg, highest_ground_m=np.where(low, highest_m, ground.grid.highest_m),
                              radius_m=radius)  # fmt: skip
    return Places(
        latitude, longitude, height, eye_m, azimuth, elevation, apparent, radius, needed_m, sought_deg,
        1.005 * sought_m, column, row,
    ), known  # fmt: skip


def direction(ground: Ground, places: Places, turn_deg: float = 0.0) -> tuple[Floats, Floats, Floats, Floats]:
    """Column and row of places, and cells per metre along each ray (turned), to a hundredth: enough for bounds."""
    at = (places.latitude_deg, places.longitude_deg)
    along = over_mesh(partial(_cells_along, ground.grid), *at, spacing_deg=0.25)
    azimuth_rad = np.deg2rad(np.nan_to_num(places.azimuth_deg) + turn_deg)
    east, north = np.sin(azimuth_rad), np.cos(azimuth_rad)
    by_column, by_row = (along[:, i] * east + along[:, 2 + i] * north for i in (0, 1))
    return places.column, places.row, by_column, by_row


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


def may_come_near(ground: Ground, places: Places, question: Question) -> Bools:
    """Whether any ground that counts could be within FLOOR_DEG and the required room of the ray; never wrongly no.

    Two sieves, the second with a finer mesh; in parts that fit the cache.
    """
    near = np.zeros(places.eye_m.shape, dtype=bool)
    for low in range(0, near.size, _SIEVED):
        part = slice(low, low + _SIEVED)
        some = places.take(part)
        rough = np.flatnonzero(_sieve(ground, some, question, growth=1.35, boxes=1))
        near[low + rough] = _sieve(ground, some.take(rough), question, growth=1.1, boxes=3)
    return near


def cliffs_around(ground: Ground, places: Places, question: Question) -> Bools:
    """Whether ground in any direction could come near a ray that is almost upright; never wrongly no."""
    near = np.zeros(places.eye_m.shape, dtype=bool)
    if not near.size:
        return near
    column, row = lattice_position(ground.grid, places.latitude_deg, places.longitude_deg)
    densest, inner_m = cells_per_m(ground, places), 2.0 * ground.cell_size_m * 0.98
    farthest_m = float(places.sought_m.max())
    while inner_m < farthest_m:
        outer_m = inner_m * 1.5
        room_deg = float(room_angle_deg(inner_m, question.terminal, question.criteria))
        slope = np.tan(np.deg2rad(places.apparent_deg - FLOOR_DEG - room_deg - 0.05))
        top_m = ground.ceiling.over(ground.ceiling.level_for(outer_m * densest), column, row)
        near |= top_m - places.eye_m >= slope * inner_m
        inner_m = outer_m
    return near


def _sieve(ground: Ground, places: Places, question: Question, *, growth: float, boxes: int) -> Bools:
    """Ring by ring outwards: the highest ground in boxes that surely hold the ring's part of the fan."""
    near = np.zeros(places.eye_m.shape, dtype=bool)
    if not near.size:
        return near
    column, row, ahead_column, ahead_row = direction(ground, places)
    _, _, aside_column, aside_row = direction(ground, places, 90.0)
    low_deg, high_deg = places.apparent_deg.min(), places.apparent_deg.max()
    table_deg = np.linspace(low_deg, high_deg + 1e-9, int((high_deg - low_deg) / 0.03) + 2)
    entry = ((places.apparent_deg - low_deg) / (table_deg[1] - table_deg[0])).astype(np.int64)
    entry = np.minimum(entry, table_deg.size - 1)  # the one before: a lower ray asks for less
    level_share = np.maximum(np.cos(np.deg2rad(places.apparent_deg)), 0.1)
    densest = cells_per_m(ground, places)
    inner_m = 2.0 * ground.cell_size_m * 0.98
    rows = np.arange(near.size)
    while rows.size:
        outer_m, middle_m = inner_m * growth, inner_m * (1.0 + growth) / 2.0
        wide_deg = FLOOR_DEG + 0.05 + float(room_angle_deg(inner_m, question.terminal, question.criteria))
        side = np.minimum(np.tan(np.deg2rad(wide_deg)) / level_share[rows], 1.5)
        table_side = np.minimum(
            np.tan(np.deg2rad(wide_deg)) / np.maximum(np.cos(np.deg2rad(table_deg)), 0.1), 1.5
        )
        box_m = np.hypot((outer_m - inner_m) / 2.0, outer_m * float(side.max()) / boxes)
        level = ground.ceiling.level_for(box_m * densest)
        hit = np.zeros(rows.size, dtype=bool)
        for box in range(boxes):
            aside_m = middle_m * side * (2 * box + 1 - boxes) / boxes
            top_m = ground.ceiling.over(
                level,
                column[rows] + ahead_column[rows] * middle_m + aside_column[rows] * aside_m,
                row[rows] + ahead_row[rows] * middle_m + aside_row[rows] * aside_m,
            )
            rise_m = top_m - places.eye_m[rows] - inner_m * inner_m / (2.01 * places.radius_m[rows])
            bound = rise_m / np.where(rise_m > 0.0, inner_m, outer_m)
            beside = table_side * max(abs(2 * box + 1 - boxes) - 1, 0) / boxes
            least = _least_slope(table_deg, beside, wide_deg) - 1e-4
            hit |= bound >= least.take(entry[rows])
        near[rows[hit]] = True
        inner_m = outer_m
        left = (
            ground.grid.highest_m - places.eye_m[rows]
            >= np.tan(np.deg2rad(places.apparent_deg[rows] - wide_deg)) * inner_m
        )
        rows = rows[left & (places.sought_m[rows] > inner_m) & ~hit]
    return near


def _least_slope(apparent_deg: Floats, aside: Floats, wide_deg: Floats | float) -> Floats:
    """Slope that ground must show, at least a tangent `aside` off the azimuth, to be within an angle of the ray."""
    offset_deg = np.rad2deg(np.arctan(aside))
    across_deg = cross_track_deg(offset_deg, apparent_deg)
    foot_deg = np.rad2deg(np.arctan2(np.tan(np.deg2rad(apparent_deg)), np.cos(np.deg2rad(offset_deg))))
    share = np.cos(np.deg2rad(wide_deg)) / np.cos(np.deg2rad(across_deg))
    down_deg = np.rad2deg(np.arccos(np.minimum(share, 1.0)))
    return np.asarray(np.tan(np.deg2rad(np.maximum(foot_deg - down_deg, -89.0))))


def cells_per_m(ground: Ground, places: Places) -> float:
    """The most cells in a metre, in any direction, where the places are."""
    ends = np.unique([places.latitude_deg.argmin(), places.latitude_deg.argmax(), 0])
    maps = local_maps(ground.grid, places.latitude_deg[ends], places.longitude_deg[ends])
    return 1.02 * float(np.linalg.norm(maps.linear, axis=2).max())

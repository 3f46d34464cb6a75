"""Which ground comes near the ray to the satellite, for many places at once.

Most places are settled by a bound: no ground anywhere can come within ten degrees of the ray. The others are followed
ray by ray, on the azimuths, samples and rules of the one-mount chain, until what controls is known exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from skysill.clearance import column_margin_deg, room_angle_deg
from skysill.fan import (
    NEAR_CELLS,
    STEEP_CELLS,
    Ceiling,
    LocalMaps,
    Rays,
    Samples,
    Steepness,
    ceiling,
    local_maps,
    sampled,
    steepness,
)
from skysill.horizon.lattice import Grid, HeldGrid, interpolate, lattice_position
from skysill.horizon.rays import reach_needed_m, sight_slope
from skysill.look import look_angles, refraction_deg
from skysill.site import Criteria, Satellite, Terminal
from skysill.units import Bools, Floats, Ints, cross_track_deg, local_earth_radius_m

__all__ = [
    "CHUNK",
    "DENSE_DEG",
    "FLOOR_DEG",
    "Close",
    "Ground",
    "Places",
    "Question",
    "cells_per_m",
    "cliffs_around",
    "direction",
    "followed",
    "may_come_near",
    "placed",
    "spread",
    "surely_enough",
]

FLOOR_DEG = 10.0
"""Margins beyond this are given as a floor."""

DENSE_DEG, _WIDE_DEG, _NEAREST_M = 0.1, 0.5, 2.0  # the window of gather.window_azimuths_deg
_FIRST_LOOK_M = 1_500.0
_DISH_ERROR_M = 0.23  # hypot of position and height errors as the survey states them
_ALIKE_CELLS = 5.0  # gather's correlation length
CHUNK = 2_000
_TOGETHER_CELLS = 256


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """One elevation raster, or a part of it, held in memory with its ceilings."""

    grid: Grid
    ceiling: Ceiling
    steepness: Steepness
    name: str
    kind: Literal["surface", "bare"]
    cell_size_m: float
    vertical_error_m: float

    @classmethod
    def of(cls, grid: Grid, *, name: str, kind: Literal["surface", "bare"], cell_size_m: float,
           vertical_error_m: float) -> Ground:  # fmt: skip
        return cls(grid, ceiling(grid), steepness(grid), name, kind, cell_size_m, vertical_error_m)

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
    """Addresses with the ray of each; arrays of one length."""

    latitude_deg: Floats
    longitude_deg: Floats
    height_m: Floats
    eye_m: Floats
    azimuth_deg: Floats
    elevation_deg: Floats
    apparent_deg: Floats
    radius_m: Floats
    needed_m: Floats
    column: Floats
    row: Floats

    def take(self, at: Ints | Bools) -> Places:
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
    return Places(
        latitude, longitude, height, eye_m, azimuth, elevation, apparent, radius, needed_m, column, row
    ), known


def direction(ground: Ground, places: Places, turn_deg: float = 0.0) -> tuple[Floats, Floats, Floats, Floats]:
    """Column and row of places, and cells per metre along each ray (turned), to a hundredth: enough for bounds."""
    by_east, by_north = _cells_along(ground, places.latitude_deg, places.longitude_deg)
    azimuth_rad = np.deg2rad(np.nan_to_num(places.azimuth_deg) + turn_deg)
    east, north = np.sin(azimuth_rad), np.cos(azimuth_rad)
    by_column, by_row = (by_east[i] * east + by_north[i] * north for i in (0, 1))
    return places.column, places.row, by_column, by_row


_MESH, _MESH_DEG = 9, 2.0


def _cells_along(ground: Ground, latitude: Floats, longitude: Floats) -> tuple[Floats, Floats]:
    """(2, n), (2, n): columns and rows a metre east and north; over a small region from a mesh of it."""
    low, high = (np.array([f(latitude), f(longitude)]) for f in (np.min, np.max))
    if latitude.size < 2 * _MESH * _MESH or (high - low > _MESH_DEG).any():
        return _cells_along_exactly(ground, latitude, longitude)
    span = np.maximum(high - low, 1e-6)
    mesh = np.linspace(0.0, 1.0, _MESH)
    nodes = (low[0] + span[0] * np.repeat(mesh, _MESH), low[1] + span[1] * np.tile(mesh, _MESH))
    up, right = ((part - least) / wide * (_MESH - 1)
                 for part, least, wide in zip((latitude, longitude), low, span, strict=True))  # fmt: skip
    i, j = (np.clip(part.astype(np.int64), 0, _MESH - 2) for part in (up, right))
    up, right = up - i, right - j
    shares = ((1 - up) * (1 - right), (1 - up) * right, up * (1 - right), up * right)
    corner = i * _MESH + j
    corners = (corner, corner + 1, corner + _MESH, corner + _MESH + 1)
    found = [np.stack([sum((share * part.take(at) for share, at in zip(shares, corners, strict=True)),
                           start=np.zeros(latitude.size)) for part in along])
             for along in _cells_along_exactly(ground, *nodes)]  # fmt: skip
    return found[0], found[1]


def _cells_along_exactly(ground: Ground, latitude: Floats, longitude: Floats) -> tuple[Floats, Floats]:
    step_m = 500.0
    arc_deg = float(np.rad2deg(step_m / 6.371e6))
    here = np.stack(lattice_position(ground.grid, latitude, longitude))
    east = np.stack(
        lattice_position(ground.grid, latitude, longitude + arc_deg / np.cos(np.deg2rad(latitude)))
    )
    sign = np.where(latitude + arc_deg > 90.0, -1.0, 1.0)
    north = np.stack(lattice_position(ground.grid, latitude + sign * arc_deg, longitude))
    return (east - here) / step_m, sign * (north - here) / step_m


def may_come_near(ground: Ground, places: Places, question: Question) -> Bools:
    """Whether any ground that counts could be within FLOOR_DEG and the required room of the ray; never wrongly no.

    Two sieves, the second with a finer mesh.
    """
    near = np.zeros(places.eye_m.shape, dtype=bool)
    for growth, boxes in ((1.35, 1), (1.1, 3)):
        asked = np.flatnonzero(near) if boxes > 1 else np.arange(near.size)
        near[asked] = _sieve(ground, places.take(asked), question, growth=growth, boxes=boxes)
    return near


def cliffs_around(ground: Ground, places: Places, question: Question) -> Bools:
    """Whether ground in any direction could come near a ray that is almost upright; never wrongly no."""
    near = np.zeros(places.eye_m.shape, dtype=bool)
    if not near.size:
        return near
    column, row = lattice_position(ground.grid, places.latitude_deg, places.longitude_deg)
    densest, inner_m = cells_per_m(ground, places), 2.0 * ground.cell_size_m * 0.98
    farthest_m = float(places.needed_m.max())
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
    table_deg = np.linspace(low_deg, high_deg, int((high_deg - low_deg) / 0.02) + 2)
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
            hit |= bound >= np.interp(places.apparent_deg[rows], table_deg, least)
        near[rows[hit]] = True
        inner_m = outer_m
        left = (
            ground.grid.highest_m - places.eye_m[rows]
            >= np.tan(np.deg2rad(places.apparent_deg[rows] - wide_deg)) * inner_m
        )
        rows = rows[left & (places.needed_m[rows] > inner_m) & ~hit]
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


@dataclass(frozen=True, slots=True, eq=False)
class Close:
    """What controls at each place that ground comes near to. nan or False where nothing does.

    spare_deg, margin_deg, slant_m, controlling_az_deg : at what controls
    top_deg, top_m : the highest ground straight below the ray, and its slant distance
    inside : the centre ray meets ground
    doubtful : stated errors might take the room away; unsure : they surely do so too often
    raise_m : how much higher the dish must be for what controls, to begin with
    """

    spare_deg: Floats
    margin_deg: Floats
    slant_m: Floats
    top_deg: Floats
    top_m: Floats
    inside: Bools
    doubtful: Bools
    unsure: Bools
    raise_m: Floats

    def take(self, at: Ints | Bools) -> Close:
        return Close(*(getattr(self, name)[at] for name in self.__slots__))


def followed(ground: Ground, places: Places, question: Question) -> Close:
    """Follow the fan of every place, in chunks that fit the cache, neighbours together."""
    count = places.eye_m.size
    if not count:
        nothing, none = np.zeros(0), np.zeros(0, dtype=bool)
        return Close(nothing, nothing, nothing, nothing, nothing, none, none, none, nothing)
    order = np.lexsort((places.column // _TOGETHER_CELLS, places.row // _TOGETHER_CELLS))
    parts = [_near_of(ground, places.take(order[at : at + CHUNK]), question) for at in range(0, count, CHUNK)]
    found = Close(*(np.concatenate([getattr(part, name) for part in parts]) for name in Close.__slots__))
    back = np.empty_like(order)
    back[order] = np.arange(count)
    return found.take(back)


@dataclass(slots=True, eq=False)
class _Fan:
    """One chunk at work: its places, their local maps, and what has been found so far."""

    ground: Ground
    places: Places
    question: Question
    maps: LocalMaps
    spare_deg: Floats
    margin_deg: Floats
    slant_m: Floats
    raise_m: Floats
    doubtful: Bools
    unsure: Bools
    noted: list[tuple[Ints, Floats, Floats]] | None = None
    """Place, slant distance and spare room of all that errors could bring near; kept only where a list is given."""

    def take(self, at: Ints) -> _Fan:
        kept = ("spare_deg", "margin_deg", "slant_m", "raise_m", "doubtful", "unsure")
        return _Fan(self.ground, self.places.take(at), self.question, self.maps.take(at),
                    *(getattr(self, name)[at] for name in kept))  # fmt: skip

    @property
    def cells_per_m(self) -> float:
        """The most cells in a metre, in any direction."""
        return 1.01 * float(np.linalg.norm(self.maps.linear, ord=2, axis=(1, 2)).max())

    @property
    def near_m(self) -> float:
        """Coarse cells say nothing reliable nearer than two of them."""
        return 2.0 * self.ground.cell_size_m

    def room_deg(self, slant_m: Floats) -> Floats:
        return room_angle_deg(slant_m, self.question.terminal, self.question.criteria)

    def rays(self, place: Ints, offset_deg: Floats, least_slope: Floats, limit_m: Floats) -> Rays:
        azimuth_deg = self.places.azimuth_deg[place] + offset_deg
        first, second = self.maps.take(place).along(azimuth_deg)
        radius_m = self.question.criteria.refraction_factor * local_earth_radius_m(
            self.places.latitude_deg[place], azimuth_deg
        )
        return Rays(place, self.maps.start[place], first, second, self.places.eye_m[place], radius_m, least_slope,
                    np.minimum(limit_m, self.places.needed_m[place]), self.near_m, self.near_m)  # fmt: skip

    def slant(self, rays: Rays, samples: Samples) -> Floats:
        radius_m = rays.radius_m[samples.ray]
        return (
            (radius_m + samples.elevation_m)
            * np.sin(samples.distance_m / radius_m)
            * np.hypot(1.0, samples.slope)
        )

    def reach_below(self, top_slope: Floats, place: Ints) -> Floats:
        """Distance beyond which no ground of the raster is seen higher than a slope; from the ceiling around."""
        places, column_row = self.places, self.maps.start[place]
        rise_m = np.maximum(self.ground.grid.highest_m - places.eye_m[place], 0.0)
        steep = top_slope > 1e-3
        reach_m = np.where(steep, rise_m / np.where(steep, top_slope, 1.0), np.inf)
        reach_m = np.minimum(reach_m, places.needed_m[place])
        per_m = float(np.abs(self.maps.linear).max()) * 1.5
        for _ in range(2):
            level = np.ceil(np.log2(np.maximum(reach_m * per_m, 1.0))).astype(np.int64)
            for one in np.unique(level):
                if one >= len(self.ground.ceiling.levels):
                    continue
                at = np.flatnonzero(level == one)
                top_m = self.ground.ceiling.over(int(one), column_row[at, 0], column_row[at, 1])
                rise_m[at] = np.maximum(top_m - places.eye_m[place[at]], 0.0)
            reach_m = np.minimum(reach_m, np.where(steep, rise_m / np.where(steep, top_slope, 1.0), np.inf))
        return reach_m + 1.0


def _near_of(ground: Ground, places: Places, question: Question) -> Close:
    """One chunk: every tenth ray first; only places where ground comes near on one of them are followed in full."""
    fan = _new_fan(ground, places, question)
    everyone = np.arange(places.eye_m.size)
    place, offset_deg = _offsets(fan)
    seen = _first_rays(fan, place, offset_deg)
    near, seen.place = np.unique(seen.place, return_inverse=True)
    none = np.zeros(everyone.size, dtype=bool)
    nothing = np.full(everyone.size, np.nan)
    whole_chunk = Close(nothing, nothing.copy(), nothing.copy(), nothing.copy(), nothing.copy(), none, none.copy(),
                        none.copy(), np.zeros(everyone.size))  # fmt: skip
    if near.size:
        found = _fan_of(fan.take(near), seen)
        for name in Close.__slots__:
            getattr(whole_chunk, name)[near] = getattr(found, name)
    return whole_chunk


def _new_fan(ground: Ground, places: Places, question: Question) -> _Fan:
    count = places.eye_m.size
    maps = local_maps(ground.grid, places.latitude_deg, places.longitude_deg)
    nan, none = np.full(count, np.nan), np.zeros(count, dtype=bool)
    return _Fan(ground, places, question, maps, np.full(count, np.inf), nan, nan.copy(), np.zeros(count), none,
                none.copy())  # fmt: skip


def _fan_of(fan: _Fan, seen: _Seen) -> Close:
    top_deg, top_m, inside = _centre(fan)
    fan_place, fan_offset = _offsets(fan)
    free = ~inside
    chosen = free[fan_place]
    _beside(fan, fan_place[chosen], fan_offset[chosen], seen.take(np.flatnonzero(free[seen.place])))
    met = inside[fan_place]
    _depths(fan, fan_place[met], fan_offset[met], inside, top_deg)
    nothing = ~np.isfinite(fan.spare_deg)
    fan.spare_deg[nothing] = np.nan
    return Close(
        fan.spare_deg,
        fan.margin_deg,
        fan.slant_m,
        top_deg,
        top_m,
        inside,
        fan.doubtful & free,
        fan.unsure & free,
        fan.raise_m,
    )


def _centre(fan: _Fan) -> tuple[Floats, Floats, Bools]:
    """The ray itself: the highest ground on its azimuth, whether it is met, and what it leaves for the room."""
    places, count = fan.places, fan.places.eye_m.size
    everyone, level = np.arange(count), np.zeros(count)
    surely = _surely_seen(fan)
    rays = fan.rays(everyone, level, surely, np.full(count, _FIRST_LOOK_M))
    seen = sampled(fan.ground.grid, rays, fan.ground.ceiling)
    top = surely.copy()
    np.maximum.at(top, seen.ray, seen.slope)
    reach_m = np.minimum(fan.reach_below(top, everyone), places.needed_m)
    more = np.flatnonzero(reach_m > _FIRST_LOOK_M)
    if more.size:
        least = np.minimum(top, np.tan(np.deg2rad(places.apparent_deg)))
        farther = replace(fan.rays(more, level[more], least[more], reach_m[more]), near_m=_FIRST_LOOK_M)
        beyond = sampled(fan.ground.grid, farther, fan.ground.ceiling)
        seen = Samples(
            np.concatenate([seen.ray, more[beyond.ray]]),
            *(
                np.concatenate([getattr(seen, n), getattr(beyond, n)])
                for n in ("distance_m", "elevation_m", "slope")
            ),
        )
    slant_m = fan.slant(rays, seen)
    best = _first_of_each(seen.ray, -seen.slope, slant_m)
    top_deg, top_m = np.full(count, np.nan), np.full(count, np.nan)
    top_deg[seen.ray[best]], top_m[seen.ray[best]] = np.rad2deg(np.arctan(seen.slope[best])), slant_m[best]
    inside = top_deg >= places.apparent_deg
    _take(fan, rays, seen, np.zeros(len(seen.ray)))
    met = np.flatnonzero(np.rad2deg(np.arctan(seen.slope)) >= places.apparent_deg[seen.ray])
    nearest = met[_first_of_each(seen.ray[met], slant_m[met], slant_m[met])]
    fan.slant_m[seen.ray[nearest]] = slant_m[nearest]
    return top_deg, top_m, inside


def _surely_seen(fan: _Fan) -> Floats:
    """Slope that the highest ground on the ray surely reaches, at most the ray's own; -inf where nothing is known."""
    places, cell_m = fan.places, fan.ground.cell_size_m
    distance_m = (fan.near_m + 2.0 * cell_m) * 1.25 ** np.arange(24.0)
    first, second = fan.maps.along(places.azimuth_deg)
    column, row = np.moveaxis(
        fan.maps.start[:, None]
        + (first[:, None] + second[:, None] * distance_m[:, None]) * distance_m[:, None],
        2,
        0,
    )
    slope = sight_slope(
        distance_m, interpolate(fan.ground.grid, column, row), antenna_elevation_m=places.eye_m[:, None],
        radius_m=places.radius_m[:, None],
    )  # fmt: skip
    slope[np.isnan(slope) | (distance_m > places.needed_m[:, None] - 2.0 * cell_m)] = -np.inf
    surely = slope.max(axis=1)
    return np.asarray(
        np.minimum(surely - 1e-3 - 1e-3 * np.abs(surely), np.tan(np.deg2rad(places.apparent_deg)))
    )


def _surely_known(fan: _Fan, place: Ints) -> Bools:
    """Whether there is ground around a place as far as a ray needs to meet some."""
    grid = fan.ground.grid
    rows, columns = grid.values.shape
    cells = (fan.near_m + 3.0 * fan.ground.cell_size_m) * fan.cells_per_m
    column, row = fan.maps.start[place].T
    inside = (column > cells) & (row > cells) & (column < columns - 1 - cells) & (row < rows - 1 - cells)
    return np.asarray(inside & (not grid.has_void))


def _first_of_each(group: Ints, key: Floats, then: Floats) -> Ints:
    """Index of the smallest key of each group, the smaller `then` where keys are equal."""
    order = np.lexsort((then, key, group))
    first = np.ones(order.size, dtype=bool)
    first[1:] = group[order[1:]] != group[order[:-1]]
    return np.asarray(order[first])


def _offsets(fan: _Fan) -> tuple[Ints, Floats]:
    """Place and azimuth offset of every other ray of the chain's window that could still matter."""
    level = np.maximum(np.cos(np.deg2rad(fan.places.apparent_deg)), 1e-9)
    halves = [
        np.rad2deg(np.arcsin(np.minimum(np.sin(np.deg2rad(float(fan.room_deg(np.array(at))))) / level, 1.0)))
        for at in (fan.question.criteria.assumed_distance_m, _NEAREST_M)
    ]
    dense = np.ceil(halves[0] / DENSE_DEG).astype(np.int64)
    wide = (halves[1] / _WIDE_DEG).astype(np.int64) + 1
    place, step = spread(dense)
    offset = step * DENSE_DEG
    place, offset = place[step != 0], offset[step != 0]
    wide_place, wide_step = spread(wide)
    wide_offset = wide_step * _WIDE_DEG
    outer = np.abs(wide_offset) > halves[0][wide_place] + DENSE_DEG
    return np.concatenate([place, wide_place[outer]]), np.concatenate([offset, wide_offset[outer]])


def spread(steps: Ints) -> tuple[Ints, Ints]:
    """-n..n for each n: (which n, the step)."""
    counts = 2 * steps + 1
    owner = np.repeat(np.arange(steps.size), counts)
    start = np.cumsum(counts) - counts
    return owner, np.arange(owner.size) - start[owner] - steps[owner]


@dataclass(slots=True, eq=False)
class _Seen:
    """Ground seen on every tenth ray that comes near; the rays between may see ground as near around it.

    aside : tangent of the least azimuth offset that it speaks for; degree : its ray's own
    slack : how much higher, as a slope, the rays between may see the ground
    """

    place: Ints
    degree: Ints
    aside: Floats
    distance_m: Floats
    slope: Floats
    slack: Floats

    def take(self, at: Ints) -> _Seen:
        return _Seen(*(getattr(self, name)[at] for name in self.__slots__))

    def and_more(self, more: _Seen) -> _Seen:
        return _Seen(*(np.append(getattr(self, name), getattr(more, name)) for name in self.__slots__))


_MOST_DEG = 90
_PIECE_CELLS = 1.5  # no piece of a ray between two crossings is longer


def _first_rays(fan: _Fan, place: Ints, offset_deg: Floats) -> _Seen:
    """Follow every tenth ray; what comes so near that the rays beside it must be followed there.

    Every fiftieth first, beginning with the centre, which may leave less to be looked for beside it.
    """
    everyone = np.arange(fan.places.eye_m.size)
    whole = (np.abs(offset_deg - np.round(offset_deg)) < 1e-6) & (np.abs(offset_deg) < _MOST_DEG)
    place, offset_deg = place[whole], np.round(offset_deg[whole])
    fifth = np.round(offset_deg / _FIFTH_DEG) * _FIFTH_DEG
    own = fifth == offset_deg
    length_m = _PIECE_CELLS * fan.ground.cell_size_m
    seen = _looked(fan, everyone, np.zeros(everyone.size), _FIFTH_DEG / 2.0)
    seen = seen.and_more(_looked(fan, place[own], offset_deg[own], _FIFTH_DEG / 2.0))
    key, from_m, to_m = _runs(fan, seen.take(_still_close(fan, seen)))
    place, offset_deg, fifth = place[~own], offset_deg[~own], fifth[~own]
    ray, run = _in_runs(_key(place, fifth), key)
    rays_between = _looked(
        fan, place[ray], offset_deg[ray], 0.5, from_m=from_m[run] - length_m, to_m=to_m[run] + length_m
    )
    seen.slack *= _tangent(0.5) / _tangent(_FIFTH_DEG / 2.0)
    seen.aside = np.tan(np.deg2rad(np.maximum(np.abs(seen.degree) - 0.5, 0.0)))
    seen = seen.and_more(rays_between)
    return seen.take(_still_close(fan, seen))


_FIFTH_DEG = 5.0


def _tangent(half_deg: float) -> float:
    return float(np.tan(np.deg2rad(half_deg + 0.01)))


def _looked(
    fan: _Fan, place: Ints, offset_deg: Floats, half_deg: float, *, from_m: Floats | None = None,
    to_m: Floats | None = None,
) -> _Seen:  # fmt: skip
    """Follow rays, and keep what the rays within half_deg of each may see near enough.

    Ground seen from those differs by no more than the steepest ground can rise over so many degrees.
    """
    nearer = np.maximum(np.abs(offset_deg) - half_deg, 0.0)
    widest_deg = _widest_deg(fan, place, fan.near_m)
    some = np.flatnonzero(cross_track_deg(nearer, fan.places.apparent_deg[place]) < widest_deg)
    place, offset_deg, nearer, widest_deg = place[some], offset_deg[some], nearer[some], widest_deg[some]
    aside = np.tan(np.deg2rad(nearer))
    least = _least_slope(fan.places.apparent_deg[place], aside, widest_deg)
    reach_m = fan.reach_below(least, place)
    if to_m is not None:
        reach_m = np.minimum(reach_m, to_m[some])
    rays = fan.rays(place, offset_deg, least, reach_m)
    slack = _slack(fan, rays, half_deg)
    limit_m = fan.reach_below(least - slack, place)
    near_m = np.full(place.size, 0.25 * fan.near_m)
    if from_m is not None and to_m is not None:
        limit_m, near_m = np.minimum(limit_m, to_m[some]), np.maximum(near_m, from_m[some])
    slack = np.maximum(slack, _slack(fan, replace(rays, limit_m=limit_m), half_deg))
    rays = replace(
        rays,
        least_slope=least - slack,
        limit_m=np.minimum(limit_m, fan.places.needed_m[place]),
        near_m=near_m,
    )
    found = sampled(fan.ground.grid, rays, fan.ground.ceiling)
    far = found.distance_m >= fan.near_m
    _take(fan, rays, Samples(found.ray[far], found.distance_m[far], found.elevation_m[far], found.slope[far]),
          offset_deg[found.ray[far]])  # fmt: skip
    ray, distance_m = found.ray, found.distance_m
    column, row = _places_on(rays.take(ray), distance_m)
    per_m = fan.cells_per_m
    away = (_tangent(half_deg) * distance_m + _PIECE_CELLS * fan.ground.cell_size_m) * per_m
    own = fan.ground.steepness.beside(column, row) * (per_m * _tangent(half_deg))
    own = np.where(away < NEAR_CELLS, np.minimum(own, slack[ray]), slack[ray])
    degree = np.round(offset_deg).astype(np.int64)
    seen = _Seen(place[ray], degree[ray], aside[ray], distance_m, found.slope, own)
    return seen.take(_still_close(fan, seen))


def _places_on(rays: Rays, distance_m: Floats) -> tuple[Floats, Floats]:
    """Column and row at a distance along each ray."""
    column, row = (rays.start + (rays.first + rays.second * distance_m[:, None]) * distance_m[:, None]).T
    return column, row


def _slack(fan: _Fan, rays: Rays, half_deg: float) -> Floats:
    """How much higher, as a slope, the rays within half_deg of each may see the ground out to its limit."""
    per_m, table, start = fan.cells_per_m, fan.ground.steepness, rays.start
    steep = np.where(rays.limit_m * per_m < STEEP_CELLS, table.around(start[:, 0], start[:, 1]), table.most)
    away = (_tangent(half_deg) * rays.limit_m + _PIECE_CELLS * fan.ground.cell_size_m) * per_m
    short = np.flatnonzero((away < NEAR_CELLS / 2) & (rays.limit_m * per_m < _SHORT_STEPS * NEAR_CELLS))
    if short.size:
        some, most = rays.take(short), np.zeros(short.size)
        for step in range(_SHORT_STEPS):
            distance_m = np.minimum((step + 0.5) * NEAR_CELLS / per_m, some.limit_m)
            most = np.maximum(most, table.beside(*_places_on(some, distance_m)))
        steep[short] = np.minimum(steep[short], most)
    return np.asarray(steep * per_m * _tangent(half_deg))


_SHORT_STEPS = 8


def _still_close(fan: _Fan, seen: _Seen) -> Ints:
    """Which of what has been seen could still, on the rays beside it, matter."""
    from_m = np.maximum(seen.distance_m - _PIECE_CELLS * fan.ground.cell_size_m, fan.near_m)
    widest_deg = _widest_deg(fan, seen.place, from_m)
    least = _least_slope(fan.places.apparent_deg[seen.place], seen.aside, widest_deg)
    return np.flatnonzero(seen.slope >= least - seen.slack)


def _beside(fan: _Fan, place: Ints, offset_deg: Floats, seen: _Seen) -> None:
    """The rays between, only beside ground that came near enough to control or to make the room doubtful.

    The nearest ones first: what they see is closest to what is known, and may leave less to look for.
    """
    key = _key(place, np.round(offset_deg))
    tenths = np.round(np.abs(offset_deg - np.round(offset_deg)) * 10.0).astype(np.int64)
    tenths[np.abs(offset_deg) >= _MOST_DEG] = 0
    for tenth in range(1, 6):
        some = np.flatnonzero(tenths == tenth)
        nearer = np.maximum(np.abs(seen.degree) - 0.1 * tenth, 0.0)
        share = _tangent(0.1 * tenth) / _tangent(0.5)
        close = replace(seen, aside=np.tan(np.deg2rad(nearer)), slack=seen.slack * share)
        run_key, from_m, to_m = _runs(fan, close.take(_still_close(fan, close)))
        ray, run = _in_runs(key[some], run_key)
        ray = some[ray]
        _stretches_of(fan, place[ray], offset_deg[ray], np.maximum(from_m[run], fan.near_m), to_m[run])


def _key(place: Ints, degree: Floats | Ints) -> Ints:
    return np.asarray(place * (4 * _MOST_DEG) + degree.astype(np.int64) + _MOST_DEG)


def _in_runs(key: Ints, run_key: Ints) -> tuple[Ints, Ints]:
    """Every pair of a ray and a run that have the same key."""
    order = np.argsort(key, kind="stable")
    low, high = (np.searchsorted(key[order], run_key, side=side) for side in _SIDES)
    run = np.repeat(np.arange(run_key.size), high - low)
    ray = np.arange(run.size) - np.repeat(np.cumsum(high - low) - high, high - low)
    return order[ray], run


_SIDES: tuple[Literal["left"], Literal["right"]] = ("left", "right")


def _runs(fan: _Fan, seen: _Seen) -> tuple[Ints, Floats, Floats]:
    """Stretches (key of place and degree, from, to) around what has been seen, those that touch joined."""
    if not seen.place.size:
        return np.zeros(0, np.int64), np.zeros(0), np.zeros(0)
    length_m = _PIECE_CELLS * fan.ground.cell_size_m
    key = _key(seen.place, seen.degree)
    order = np.lexsort((seen.distance_m, key))
    key, distance_m = key[order], seen.distance_m[order]
    begins = np.ones(key.size, dtype=bool)
    begins[1:] = (key[1:] != key[:-1]) | (distance_m[1:] - distance_m[:-1] > 3.0 * length_m)
    first = np.flatnonzero(begins)
    last = np.append(first[1:], key.size) - 1
    return key[first], distance_m[first] - length_m, distance_m[last] + length_m


def _widest_deg(fan: _Fan, place: Ints, from_m: Floats | float) -> Floats:
    """Angle from the ray within which ground at least so far away could control, or could make the room doubtful."""
    spare_deg = fan.spare_deg[place]
    distance_m = np.broadcast_to(np.asarray(from_m, dtype=np.float64), spare_deg.shape)
    if fan.noted is not None:
        return np.asarray(_noted_deg(fan, distance_m) + fan.room_deg(distance_m))
    widest_deg = np.minimum(spare_deg, FLOOR_DEG) + fan.room_deg(distance_m)
    undecided = (spare_deg >= 0.0) & ~fan.unsure[place] & ~fan.doubtful[place]
    return np.where(undecided, np.maximum(widest_deg, _doubt_deg(fan, distance_m)), widest_deg)


def _stretches_of(fan: _Fan, place: Ints, offset_deg: Floats, from_m: Floats, to_m: Floats) -> None:
    """Follow rays from one distance to another."""
    widest_deg = _widest_deg(fan, place, from_m)
    apparent = fan.places.apparent_deg[place]
    some = np.flatnonzero((cross_track_deg(offset_deg, apparent) < widest_deg) & (from_m <= to_m))
    place, offset_deg, from_m, to_m = place[some], offset_deg[some], from_m[some], to_m[some]
    least = _least_slope(apparent[some], np.tan(np.deg2rad(np.abs(offset_deg))), widest_deg[some])
    rays = replace(fan.rays(place, offset_deg, least, to_m), near_m=from_m)
    seen = sampled(fan.ground.grid, rays, fan.ground.ceiling)
    _take(fan, rays, seen, offset_deg[seen.ray])


def _take(fan: _Fan, rays: Rays, seen: Samples, offset_deg: Floats) -> None:
    """Keep the smallest spare room, and note where stated errors might take the room."""
    if not seen.ray.size:
        return
    place = rays.place[seen.ray]
    apparent = fan.places.apparent_deg[place]
    top_deg = np.rad2deg(np.arctan(seen.slope))
    margin_deg = column_margin_deg(offset_deg, apparent, top_deg)
    slant_m = fan.slant(rays, seen)
    spare_deg = margin_deg - fan.room_deg(slant_m)
    if fan.noted is not None:
        near = spare_deg < _noted_deg(fan, slant_m)
        fan.noted.append((place[near], slant_m[near], spare_deg[near]))
        return
    fan.doubtful[place[margin_deg < _doubt_deg(fan, slant_m)]] = True
    straight = cross_track_deg(offset_deg, apparent) < 0.3 * margin_deg
    fan.unsure[place[straight & (margin_deg < _unsure_deg(fan, slant_m))]] = True
    best = _first_of_each(place, spare_deg, slant_m)
    best = best[spare_deg[best] < fan.spare_deg[place[best]]]
    at = place[best]
    fan.spare_deg[at], fan.margin_deg[at], fan.slant_m[at] = spare_deg[best], margin_deg[best], slant_m[best]
    fan.raise_m[at] = _raise_m(fan, rays, seen, best, offset_deg[best], slant_m[best])


_NOTED_DEVIATIONS = 2.9  # beyond: less than two in a thousand
_DRAWS, _KNOTS, _DRAWN_APART = 4000, 24, 0.03


def surely_enough(ground: Ground, places: Places, question: Question) -> Bools:
    """Whether the stated errors surely leave the room with the probability asked for, where the centre ray is free.

    All ground that the errors could bring near is drawn with errors as `confidence` draws them: alike over five cells,
    knots at 0, L, 2L, 4L, ... along the ray, the one at the dish shared; the dish's own error always to the bad. Only
    a probability higher than asked by _DRAWN_APART, four standard errors of the two estimates, counts as sure.
    """
    enough = np.zeros(places.eye_m.size, dtype=bool)
    wanted = question.criteria.min_p_clear + _DRAWN_APART
    if not enough.size or wanted >= 1.0:
        return enough
    rng = np.random.default_rng(1)
    knots = rng.standard_normal((_DRAWS, _KNOTS), dtype=np.float32)
    dish_m = np.linalg.norm(rng.standard_normal((_DRAWS, 3)) * _DISH_ERRORS_M, axis=1)
    for low in range(0, enough.size, CHUNK):
        some = np.arange(low, min(low + CHUNK, enough.size))
        for number, slant_m, spare_deg in _noted_by_place(ground, places.take(some), question):
            level_m = slant_m * np.cos(np.deg2rad(places.apparent_deg[some[number]] - spare_deg))
            error_deg = np.rad2deg(np.arctan(ground.vertical_error_m / slant_m))
            tilt_deg = _unit_errors(knots, level_m / (_ALIKE_CELLS * ground.cell_size_m)) * error_deg
            shift_deg = np.rad2deg(dish_m[:, None] / slant_m)
            roomy = (spare_deg - tilt_deg - shift_deg >= 0.0).all(axis=1)
            enough[some[number]] = roomy.mean() >= wanted
    return enough


_DISH_ERRORS_M = (0.2, 0.2, 0.1)


def _noted_by_place(
    ground: Ground, places: Places, question: Question
) -> Iterator[tuple[int, Floats, Floats]]:
    """Of each place: slant distances and spare room of ground that errors could bring near, one for each distance."""
    fan = replace(_new_fan(ground, places, question), noted=[])
    place, offset_deg = _offsets(fan)
    _beside(fan, place, offset_deg, _first_rays(fan, place, offset_deg))
    noted = fan.noted or [(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))]
    owner, slant_m, spare_deg = (np.concatenate(parts) for parts in zip(*noted, strict=True))
    distance = np.floor(np.log(np.maximum(slant_m, 1.0)) * 50.0).astype(np.int64)
    best = _first_of_each(owner * 100_000 + distance, spare_deg, slant_m)
    owner, slant_m, spare_deg = owner[best], slant_m[best], spare_deg[best]
    ends = np.searchsorted(owner, np.arange(places.eye_m.size + 1))
    for number, (low, high) in enumerate(pairwise(ends.tolist())):
        yield number, slant_m[low:high], spare_deg[low:high]


def _unit_errors(knots: NDArray[np.float32], along: Floats) -> Floats:
    """(draw, n): errors of ground at distances in correlation lengths, less the dish's own, in standard deviations."""
    at = np.append(0.0, 2.0 ** np.arange(_KNOTS - 1))
    upper = np.clip(np.searchsorted(at, along, side="right"), 1, _KNOTS - 1)
    share = (along - at[upper - 1]) / (at[upper] - at[upper - 1])
    return np.asarray(knots[:, upper - 1] * (1.0 - share) + knots[:, upper] * share - knots[:, :1])


def _noted_deg(fan: _Fan, slant_m: Floats) -> Floats:
    """Spare room beyond which errors hardly ever bring ground too near."""
    return np.asarray(_NOTED_DEVIATIONS * _deviation_deg(fan, slant_m, np.sqrt(2.0)))


def _doubt_deg(fan: _Fan, slant_m: Floats) -> Floats:
    """Margin from which the stated errors surely leave the room with the probability asked for.

    The room and so many standard deviations that not even three independent parts of the ground together fail more
    often: of height, alike over five cells and shared with the dish's own ground, so that it tilts near ground by at
    most sqrt(2) sigma over five cells; and of the dish's position.
    """
    many = NormalDist().inv_cdf(1.0 - (1.0 - min(fan.question.criteria.min_p_clear, 0.9999)) / 3.5)
    return np.asarray(fan.room_deg(slant_m) + max(many, 0.0) * _deviation_deg(fan, slant_m, np.sqrt(2.0)))


def _unsure_deg(fan: _Fan, slant_m: Floats) -> Floats:
    """Margin up to which ground straight below the ray alone surely fails more often than asked for."""
    few = NormalDist().inv_cdf(max(fan.question.criteria.min_p_clear - 0.035, 1e-6))
    return np.asarray(
        fan.room_deg(slant_m) + max(few, 0.0) * 0.95 * _deviation_deg(fan, slant_m, np.sqrt(1.5))
    )


def _deviation_deg(fan: _Fan, slant_m: Floats, farther: float) -> Floats:
    """Standard deviation of ground's elevation angle; `farther` is that of the raster's error beyond five cells."""
    alike = slant_m / (_ALIKE_CELLS * fan.ground.cell_size_m)
    share = np.where(alike < 1.0, np.sqrt(2.0) * alike, farther)
    if farther < np.sqrt(2.0):
        share = np.minimum(share, farther)
    tilt_deg = np.rad2deg(np.arctan(fan.ground.vertical_error_m / slant_m)) * share
    shift_deg = np.rad2deg(np.arctan(_DISH_ERROR_M / slant_m)) if farther >= np.sqrt(2.0) else 0.0
    return np.asarray(np.hypot(tilt_deg, shift_deg))


def _raise_m(fan: _Fan, rays: Rays, seen: Samples, best: Ints, offset_deg: Floats, slant_m: Floats) -> Floats:
    """How much higher the dish must be for the ground that controls to leave just the room, to first order."""
    apparent = fan.places.apparent_deg[rays.place[seen.ray[best]]]
    room = fan.room_deg(slant_m)
    aside = np.minimum(cross_track_deg(offset_deg, apparent), room)
    foot = np.rad2deg(np.arctan2(np.tan(np.deg2rad(apparent)), np.cos(np.deg2rad(offset_deg))))
    down = np.rad2deg(np.arccos(np.minimum(np.cos(np.deg2rad(room)) / np.cos(np.deg2rad(aside)), 1.0)))
    allowed = np.tan(np.deg2rad(foot - down))
    return np.asarray(np.maximum((seen.slope[best] - allowed) * seen.distance_m[best], 0.0))


def _depths(fan: _Fan, place: Ints, offset_deg: Floats, inside: Bools, top_deg: Floats) -> None:
    """Where the ray is met: how far it is to the nearest open direction, over the skyline of the fan."""
    apparent = fan.places.apparent_deg
    depth = np.where(inside, np.nan_to_num(top_deg, nan=-90.0) - apparent, np.nan)
    aside = cross_track_deg(offset_deg, apparent[place])
    matters = (aside < depth[place]) & (np.abs(offset_deg) < 90.0)
    place, offset_deg = place[matters], offset_deg[matters]
    least = np.tan(np.deg2rad(apparent[place]))
    everywhere = _surely_known(
        fan, place
    )  # a ray without any ground says nothing; one with low ground is open
    lowest = np.where(everywhere, least - 1e-3, -np.inf)
    looked = fan.rays(place, offset_deg, lowest, fan.reach_below(least, place))
    seen = sampled(fan.ground.grid, looked, fan.ground.ceiling)
    top = np.where(everywhere, least - 1e-3, -np.inf)
    np.maximum.at(top, seen.ray, seen.slope)
    some = np.flatnonzero(np.isfinite(top))
    away = column_margin_deg(offset_deg[some], apparent[place[some]], 90.0, np.rad2deg(np.arctan(top[some])))
    np.minimum.at(depth, place[some], away)
    met = np.flatnonzero(inside)
    fan.margin_deg[met] = -depth[met]
    fan.spare_deg[met] = fan.margin_deg[met] - fan.room_deg(fan.slant_m[met])

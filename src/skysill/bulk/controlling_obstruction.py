"""What controls at each of many places: exactly the ground that the one-mount chain would find on its fan of rays.

The cells that could matter come from `descent`. Of them the rays that their edges come nearest to are sampled
(`edges`), and those through ground that bulges inside (`crests`); where the ray is met, how deep (`depths`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from skysill.bulk.cell_edges import Corners, sample_edges
from skysill.bulk.cell_maxima import sample_bulges
from skysill.bulk.fan_results import CHUNK, Fan, first_of_each, take_in
from skysill.bulk.obstruction_depth import measure_depths
from skysill.bulk.prefilter import FLOOR_DEG, Ground, Places, Question
from skysill.bulk.quadtree import Cells, cells_near
from skysill.bulk.ray_samples import sampled
from skysill.bulk.thresholds import Limits, limits_of
from skysill.horizon.lattice import interpolate
from skysill.horizon.rays import sight_slope
from skysill.units import Bools, Floats, Ints

__all__ = ["Close", "followed"]


@dataclass(frozen=True, slots=True, eq=False)
class Close:
    """What controls at each place that ground comes near to. nan or False where nothing does.

    spare_deg, margin_deg, slant_m : at what controls
    top_deg, top_m : the highest ground straight below the ray, and its slant distance
    inside : the centre ray meets ground
    doubtful : stated errors might take the room away
    raise_m : how much higher the dish must be for what controls, to begin with
    """

    spare_deg: Floats
    margin_deg: Floats
    slant_m: Floats
    top_deg: Floats
    top_m: Floats
    inside: Bools
    doubtful: Bools
    raise_m: Floats

    def take(self, at: Ints | Bools) -> Close:
        return Close(*(getattr(self, f.name)[at] for f in fields(self)))


def followed(ground: Ground, places: Places, question: Question, *, most_deg: float = FLOOR_DEG) -> Close:
    """What controls at every place, in chunks that fit the cache; neighbours are best asked together.

    most_deg : spare room beyond which what controls is not asked for; 0 is enough for verdicts
    """
    count = places.antenna_m.size
    nothing, none = np.full(count, np.nan), np.zeros(count, dtype=bool)
    whole = Close(nothing, nothing.copy(), nothing.copy(), nothing.copy(), nothing.copy(), none, none.copy(),
                  np.zeros(count))  # fmt: skip
    if not count:
        return whole
    limits = limits_of(ground, question)
    found = [_come_near(limits, places, low, most_deg) for low in range(0, count, CHUNK)]
    near = _Near(*(np.concatenate(column) for column in zip(*(part.columns for part in found), strict=True)))
    for place, cells, bound_deg, doubtful in near.in_chunks():
        fan = Fan.of(limits, places.take(place))
        fan.bound_deg, fan.doubtful = bound_deg, doubtful
        close = _fan_of(fan, cells)
        for f in fields(Close):
            getattr(whole, f.name)[place] = getattr(close, f.name)
    return whole


@dataclass(frozen=True, slots=True, eq=False)
class _Near:
    """Places that ground comes near to: bounds of their spare room, whether it is known to be doubtful, their cells."""

    place: Ints
    bound_deg: Floats
    doubtful: Bools
    cells: Ints
    column: Ints
    row: Ints

    @property
    def columns(self) -> tuple[Ints | Floats | Bools, ...]:
        return self.place, self.bound_deg, self.doubtful, self.cells, self.column, self.row

    def in_chunks(self) -> Iterator[tuple[Ints, Cells, Floats, Bools]]:
        ends = np.append(0, np.cumsum(self.cells))
        for low in range(0, self.place.size, CHUNK):
            part = slice(low, low + CHUNK)
            mine = slice(ends[low], ends[min(low + CHUNK, self.place.size)])
            owner = np.repeat(np.arange(self.place[part].size), self.cells[part])
            yield (self.place[part], Cells(owner, self.column[mine], self.row[mine]), self.bound_deg[part],
                   self.doubtful[part])  # fmt: skip


def _come_near(limits: Limits, places: Places, low: int, most_deg: float) -> _Near:
    """Which places of one chunk ground comes near to, or that surely meet it, and the cells it may be in."""
    fan = Fan.of(limits, places.take(slice(low, low + CHUNK)), most_deg=most_deg)
    met = _guess(fan)
    open_ = np.flatnonzero(~met)
    frames = fan.sights if open_.size == met.size else fan.sights.take(open_)
    cells = cells_near(limits.ground.maxima, frames, fan.near_m, lambda p, d: fan.widest_deg(open_[p], d))
    place = open_[cells.place]
    order = np.argsort(place.astype(np.uint16), kind="stable")
    counts = np.bincount(place, minlength=met.size)
    near = np.flatnonzero(met | (counts > 0))
    return _Near(low + near, fan.bound_deg[near], fan.doubtful[near], counts[near], cells.column[order],
                 cells.row[order])  # fmt: skip


def _fan_of(fan: Fan, cells: Cells) -> Close:
    top_deg, top_m, inside = _centre(fan)
    free = ~inside
    cells = cells.take(free[cells.place])
    corners = Corners.of(fan, cells)
    sample_edges(fan, cells, corners)
    sample_bulges(fan, cells, corners)
    measure_depths(fan, inside, top_deg)
    nothing = ~np.isfinite(fan.spare_deg)
    fan.spare_deg[nothing] = np.nan
    return Close(fan.spare_deg, fan.margin_deg, fan.slant_m, top_deg, top_m, inside, fan.doubtful & free,
                 fan.raise_m)  # fmt: skip


def _guess(fan: Fan) -> Bools:
    """Whether a ray surely meets ground; where not, what the ground below it at a few distances surely leaves."""
    places, cell_m = fan.places, fan.ground.cell_size_m
    distance_m, slope = _below(fan)
    top = slope.max(axis=1)
    met = np.asarray(top - 1e-3 - 1e-3 * np.abs(top) >= np.tan(np.deg2rad(places.apparent_deg)))
    margin_deg = places.apparent_deg[:, None] - np.rad2deg(np.arctan(slope))
    level = np.cos(np.deg2rad(places.apparent_deg))[:, None]
    spare_deg = margin_deg - fan.limits.room_deg((distance_m + 2.0 * cell_m) / level)
    fan.bound_deg = np.minimum(fan.bound_deg, spare_deg.min(axis=1) + 0.01)
    fan.doubtful |= (margin_deg < fan.limits.doubt_at_most_deg(distance_m / level)).any(axis=1)
    return met


def _below(fan: Fan) -> tuple[Floats, Floats]:
    """Distances (knot,), and the slopes (place, knot) at which ground straight below the ray is seen there."""
    places, cell_m = fan.places, fan.ground.cell_size_m
    farthest_m = max(float(places.sought_m.max()), 2.0 * fan.near_m)
    knots = int(np.ceil(np.log(farthest_m / fan.near_m) / np.log(1.25)))
    distance_m = (fan.near_m + 2.0 * cell_m) * 1.25 ** np.arange(float(knots))
    azimuth_rad = np.deg2rad(places.azimuth_deg)
    first, second = fan.maps.along(np.sin(azimuth_rad), np.cos(azimuth_rad))
    column, row = (start[:, None] + (one[:, None] + two[:, None] * distance_m) * distance_m
                   for start, one, two in zip(fan.maps.start.T, first.T, second.T, strict=True))  # fmt: skip
    slope = sight_slope(
        distance_m, interpolate(fan.ground.grid, column, row), antenna_elevation_m=places.antenna_m[:, None],
        radius_m=places.radius_m[:, None],
    )  # fmt: skip
    unknown = np.isnan(slope) | (distance_m > places.sought_m[:, None] - 2.0 * cell_m)
    slope[unknown] = -1e3  # as good as no ground
    return distance_m, slope


def _centre(fan: Fan) -> tuple[Floats, Floats, Bools]:
    """The ray itself: the highest ground on its azimuth, whether it is met, and what it leaves for the room."""
    places, count = fan.places, fan.places.antenna_m.size
    everyone, level = np.arange(count), np.zeros(count)
    surely = _below(fan)[1].max(axis=1)
    surely = np.minimum(surely - 1e-3 - 1e-3 * np.abs(surely), np.tan(np.deg2rad(places.apparent_deg)))
    rays = fan.rays(everyone, level, surely, fan.reach_below(surely, everyone))
    seen = sampled(fan.ground.grid, rays, fan.ground.maxima)
    slant_m = fan.slant(rays, seen)
    best = first_of_each(seen.ray, -seen.slope, slant_m)
    top_deg, top_m = np.full(count, np.nan), np.full(count, np.nan)
    top_deg[seen.ray[best]], top_m[seen.ray[best]] = np.rad2deg(np.arctan(seen.slope[best])), slant_m[best]
    inside = top_deg >= places.apparent_deg
    take_in(fan, rays, seen, np.zeros(len(seen.ray)))
    met = np.flatnonzero(np.rad2deg(np.arctan(seen.slope)) >= places.apparent_deg[seen.ray])
    nearest = met[first_of_each(seen.ray[met], slant_m[met], slant_m[met])]
    fan.slant_m[seen.ray[nearest]] = slant_m[nearest]
    return top_deg, top_m, inside

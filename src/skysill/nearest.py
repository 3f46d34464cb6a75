"""What controls at each of many places: exactly the ground that the one-mount chain would find on its fan of rays.

The cells that could matter come from `descent`. The ground on one edge of a cell is a straight line in space, and how
near a ray comes to it has one lowest point along the edge: it is found in closed form, and only the fan's rays beside
that point are sampled. Where ground bulges inside a cell, between its edges, the rays through the cell are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from skysill.clearance import column_margin_deg
from skysill.descent import Cells, Sights, cells_near, sights
from skysill.doubts import Limits, limits_of
from skysill.fan import LocalMaps, Rays, Samples, local_maps, sampled
from skysill.horizon.lattice import interpolate
from skysill.horizon.rays import reach_needed_m, sight_slope
from skysill.nearness import FLOOR_DEG, Ground, Places, Question
from skysill.units import Bools, Floats, Ints, cross_track_deg, local_earth_radius_m

__all__ = [
    "CHUNK",
    "DENSE_DEG",
    "Close",
    "Corners",
    "Fan",
    "first_of_each",
    "followed",
    "half_windows_deg",
    "pieces",
    "spread",
]

DENSE_DEG, _WIDE_DEG, _NEAREST_M = 0.1, 0.5, 2.0  # the window of gather.window_azimuths_deg
CHUNK = 2_000


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


def followed(ground: Ground, places: Places, question: Question) -> Close:
    """What controls at every place, in chunks that fit the cache; neighbours are best asked together."""
    count = places.eye_m.size
    if not count:
        nothing, none = np.zeros(0), np.zeros(0, dtype=bool)
        return Close(nothing, nothing, nothing, nothing, nothing, none, none, nothing)
    limits = limits_of(ground, question)
    nothing, none = np.full(count, np.nan), np.zeros(count, dtype=bool)
    whole = Close(nothing, nothing.copy(), nothing.copy(), nothing.copy(), nothing.copy(), none, none.copy(),
                  np.zeros(count))  # fmt: skip
    found = [_come_near(limits, places, low) for low in range(0, count, CHUNK)]
    near = _Near(*(np.concatenate(column) for column in zip(*(part.columns for part in found), strict=True)))
    for place, cells, bound_deg, doubtful in near.in_chunks():
        fan = Fan.of(limits, places.take(place))
        fan.bound_deg, fan.doubtful = bound_deg, doubtful
        close = _fan_of(fan, cells)
        for f in fields(Close):
            getattr(whole, f.name)[place] = getattr(close, f.name)
    return whole


@dataclass(slots=True, eq=False)
class Fan:
    """One chunk at work: its places, their local maps, and what has been found so far.

    curvatures : of the effective Earth, east and north, per metre
    bound_deg : spare room that surely is not exceeded
    """

    limits: Limits
    places: Places
    curvatures: tuple[Floats, Floats]
    maps: LocalMaps
    sights: Sights
    window: Window
    bound_deg: Floats
    spare_deg: Floats
    margin_deg: Floats
    slant_m: Floats
    raise_m: Floats
    doubtful: Bools

    @classmethod
    def of(cls, limits: Limits, places: Places) -> Fan:
        count = places.eye_m.size
        maps = local_maps(limits.ground.grid, places.latitude_deg, places.longitude_deg)
        outer_deg = half_windows_deg(places, limits)[1] + _WIDE_DEG
        window = Window.of(places, limits)
        frames = sights(maps, places.azimuth_deg, places.apparent_deg, eye_m=places.eye_m, radius_m=places.radius_m,
                        reach_m=places.sought_m, widest_deg=outer_deg)  # fmt: skip
        factor = limits.question.criteria.refraction_factor
        across, along = (1.0 / (factor * local_earth_radius_m(places.latitude_deg, at)) for at in (90.0, 0.0))
        nan, none = np.full(count, np.nan), np.zeros(count, dtype=bool)
        return cls(
            limits, places, (across, along), maps, frames, window, bound_deg=np.full(count, FLOOR_DEG),
            spare_deg=np.full(count, np.inf), margin_deg=nan, slant_m=nan.copy(), raise_m=np.zeros(count),
            doubtful=none,
        )  # fmt: skip

    @property
    def ground(self) -> Ground:
        return self.limits.ground

    @property
    def near_m(self) -> float:
        """Coarse cells say nothing reliable nearer than two of them."""
        return 2.0 * self.ground.cell_size_m

    @property
    def least_deg(self) -> Floats:
        """Spare room above which nothing is of interest."""
        return np.asarray(np.minimum(self.spare_deg, self.bound_deg))

    def widest_deg(self, place: Ints, from_m: Floats) -> Floats:
        """Angle from the ray within which ground at least so far away could control, or make the room doubtful."""
        least_deg = self.least_deg
        widest_deg = least_deg.take(place) + self.limits.room_at_most_deg(from_m)
        undecided = (least_deg >= 0.0) & ~self.doubtful
        if not undecided.any():
            return np.asarray(widest_deg)
        doubt_deg = np.where(undecided.take(place), self.limits.doubt_at_most_deg(from_m), 0.0)
        return np.asarray(np.maximum(widest_deg, doubt_deg))

    def rays(self, place: Ints, offset_deg: Floats, least_slope: Floats, limit_m: Floats) -> Rays:
        azimuth_rad = np.deg2rad(self.places.azimuth_deg.take(place) + offset_deg)
        east, north = np.sin(azimuth_rad), np.cos(azimuth_rad)
        maps = self.maps.take(place)
        first, second = maps.along(east, north)
        across, along = (part.take(place) for part in self.curvatures)
        radius_m = 1.0 / (
            east * east * across + north * north * along
        )  # Euler's formula, as local_earth_radius_m
        limit_m = np.minimum(limit_m, self.places.sought_m[place])
        low = np.flatnonzero(self.places.sought_deg[place] > self.places.apparent_deg[place] - FLOOR_DEG)
        if low.size:  # followed as far as the chain does: what lies there can be nearer than FLOOR_DEG
            eye_m, sought_deg = self.places.eye_m[place[low]], self.places.sought_deg[place[low]]
            limit_m[low] = np.minimum(limit_m[low], reach_needed_m(
                eye_m, sought_deg, radius_m=radius_m[low],
                highest_ground_m=max(self.limits.question.highest_ground_m, self.ground.grid.highest_m)))  # fmt: skip
        return Rays(place, maps.start, first, second, self.places.eye_m.take(place), radius_m, least_slope,
                    limit_m, self.near_m, self.near_m)  # fmt: skip

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
        reach_m = np.minimum(reach_m, places.sought_m[place])
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


def _come_near(limits: Limits, places: Places, low: int) -> _Near:
    """Which places of one chunk ground comes near to, or that surely meet it, and the cells it may be in."""
    fan = Fan.of(limits, places.take(slice(low, low + CHUNK)))
    met = _guess(fan)
    open_ = np.flatnonzero(~met)
    frames = fan.sights if open_.size == met.size else fan.sights.take(open_)
    cells = cells_near(limits.ground.ceiling, frames, fan.near_m, lambda p, d: fan.widest_deg(open_[p], d))
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
    _edges(fan, cells, corners)
    _bulges(fan, cells, corners)
    _depths(fan, inside, top_deg)
    nothing = ~np.isfinite(fan.spare_deg)
    fan.spare_deg[nothing] = np.nan
    return Close(fan.spare_deg, fan.margin_deg, fan.slant_m, top_deg, top_m, inside, fan.doubtful & free,
                 fan.raise_m)  # fmt: skip


# --- the ray itself -------------------------------------------------------------------------------------------------


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
        distance_m, interpolate(fan.ground.grid, column, row), antenna_elevation_m=places.eye_m[:, None],
        radius_m=places.radius_m[:, None],
    )  # fmt: skip
    unknown = np.isnan(slope) | (distance_m > places.sought_m[:, None] - 2.0 * cell_m)
    slope[unknown] = -1e3  # as good as no ground
    return distance_m, slope


def _centre(fan: Fan) -> tuple[Floats, Floats, Bools]:
    """The ray itself: the highest ground on its azimuth, whether it is met, and what it leaves for the room."""
    places, count = fan.places, fan.places.eye_m.size
    everyone, level = np.arange(count), np.zeros(count)
    surely = _below(fan)[1].max(axis=1)
    surely = np.minimum(surely - 1e-3 - 1e-3 * np.abs(surely), np.tan(np.deg2rad(places.apparent_deg)))
    rays = fan.rays(everyone, level, surely, fan.reach_below(surely, everyone))
    seen = sampled(fan.ground.grid, rays, fan.ground.ceiling)
    slant_m = fan.slant(rays, seen)
    best = first_of_each(seen.ray, -seen.slope, slant_m)
    top_deg, top_m = np.full(count, np.nan), np.full(count, np.nan)
    top_deg[seen.ray[best]], top_m[seen.ray[best]] = np.rad2deg(np.arctan(seen.slope[best])), slant_m[best]
    inside = top_deg >= places.apparent_deg
    _take(fan, rays, seen, np.zeros(len(seen.ray)))
    met = np.flatnonzero(np.rad2deg(np.arctan(seen.slope)) >= places.apparent_deg[seen.ray])
    nearest = met[first_of_each(seen.ray[met], slant_m[met], slant_m[met])]
    fan.slant_m[seen.ray[nearest]] = slant_m[nearest]
    return top_deg, top_m, inside


# --- the fan of rays ------------------------------------------------------------------------------------------------


def half_windows_deg(places: Places, limits: Limits) -> tuple[Floats, Floats]:
    """Azimuth offsets out to which the chain's fan is dense, and out to which it goes (gather.window_azimuths_deg)."""
    level = np.maximum(np.cos(np.deg2rad(places.apparent_deg)), 1e-9)
    room = [np.sin(np.deg2rad(float(limits.room_deg(np.array(at)))))
            for at in (limits.question.criteria.assumed_distance_m, _NEAREST_M)]  # fmt: skip
    dense, wide = (np.rad2deg(np.arcsin(np.minimum(part / level, 1.0))) for part in room)
    return dense, wide


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """The rays of the chain's fan around each place's centre one, numbered from it: ... -1, 0, 1, ...

    dense : rays DENSE_DEG apart on either side; beyond come others, _WIDE_DEG apart
    inner, outer : the first and last of those, in steps of _WIDE_DEG
    """

    dense: Ints
    inner: Ints
    outer: Ints

    @classmethod
    def of(cls, places: Places, limits: Limits) -> Window:
        dense_deg, wide_deg = half_windows_deg(places, limits)
        return cls(np.ceil(dense_deg / DENSE_DEG).astype(np.int64),
                   np.floor((dense_deg + DENSE_DEG) / _WIDE_DEG).astype(np.int64) + 1,
                   np.floor(wide_deg / _WIDE_DEG).astype(np.int64) + 1)  # fmt: skip

    def take(self, place: Ints) -> Window:
        return Window(self.dense.take(place), self.inner.take(place), self.outer.take(place))

    @property
    def last(self) -> Ints:
        """The number of the outermost ray."""
        return np.asarray(self.dense + np.maximum(self.outer - self.inner + 1, 0))

    def ray_from(self, offset_deg: Floats) -> Ints:
        """Number of the first ray at or after an azimuth offset; last + 1 where there is none."""
        step = np.ceil(offset_deg / DENSE_DEG - 1e-9)
        wide = np.ceil(offset_deg / _WIDE_DEG - 1e-9)
        number = np.where(
            step > self.dense,
            self.dense + 1 + np.maximum(wide - self.inner, 0.0),
            np.where(step >= -self.dense, step, np.minimum(self.inner + wide, 1.0) - 1.0 - self.dense),
        )
        return np.clip(number, -self.last, self.last + 1).astype(np.int64)

    def ray_until(self, offset_deg: Floats) -> Ints:
        """Number of the last ray at or before an azimuth offset; -last - 1 where there is none."""
        return np.asarray(-self.ray_from(-offset_deg))

    def offset_deg(self, number: Ints) -> Floats:
        """Azimuth offset of rays by their numbers."""
        away = np.abs(number)
        wide = np.copysign((self.inner + away - self.dense - 1) * _WIDE_DEG, number)
        return np.asarray(np.where(away <= self.dense, number * DENSE_DEG, wide))


def spread(steps: Ints) -> tuple[Ints, Ints]:
    """-n..n for each n: (which n, the step)."""
    owner, step = numbered(2 * steps + 1)
    return owner, step - steps[owner]


def numbered(counts: Ints) -> tuple[Ints, Ints]:
    """0, 1, ... as many as each count says: (which count, the number)."""
    owner = np.repeat(np.arange(counts.size), counts)
    return owner, np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)


# --- edges of cells -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """The four corners (4, n) of cells, seen from their places: metres ahead, aside and above the dish, and heights.

    In the order: the cell's own node, the one a column on, the one a row on, the one both on.
    """

    ahead_m: Floats
    aside_m: Floats
    above_m: Floats
    height_m: Floats

    @classmethod
    def of(cls, fan: Fan, cells: Cells) -> Corners:
        values, sight, place = fan.ground.grid.values, fan.sights, cells.place
        rows, columns = values.shape
        column = np.minimum(cells.column + np.array([0, 1, 0, 1])[:, None], columns - 1)
        row = np.minimum(cells.row + np.array([0, 0, 1, 1])[:, None], rows - 1)
        height_m = values.ravel().take(row * columns + column).astype(np.float64)
        right, down = column - sight.column.take(place), row - sight.row.take(place)
        axes = [part[:, i].take(place) for part in (sight.ahead_m, sight.aside_m) for i in (0, 1)]
        ahead_m, aside_m = right * axes[0] + down * axes[1], right * axes[2] + down * axes[3]
        bent = fan.sights.bent[place]  # what straight axes leave out
        right, down = (
            part
            - (bent[:, i, 0] * ahead_m**2 + bent[:, i, 1] * ahead_m * aside_m + bent[:, i, 2] * aside_m**2)
            for i, part in enumerate((right, down))
        )
        ahead_m, aside_m = right * axes[0] + down * axes[1], right * axes[2] + down * axes[3]
        radius_m, eye_m = sight.radius_m.take(place), sight.eye_m.take(place)
        above_m = (height_m - eye_m) * (radius_m / (radius_m + height_m))
        above_m -= (ahead_m * ahead_m + aside_m * aside_m) / (2.0 * radius_m)
        return cls(ahead_m, aside_m, above_m, height_m)

    def take(self, at: Ints) -> Corners:
        return Corners(*(getattr(self, f.name)[:, at] for f in fields(self)))

    def edge(self, since: int, until: int) -> Edge:
        """The edge between two corners."""
        return Edge(*(getattr(self, name)[end] for name in ("ahead_m", "aside_m", "above_m")
                      for end in (since, until)))  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """Straight lines in space, from one point (0) to another (1): metres ahead, aside, above; (n,) each."""

    ahead0_m: Floats
    ahead1_m: Floats
    aside0_m: Floats
    aside1_m: Floats
    above0_m: Floats
    above1_m: Floats

    def at(self, t: Floats) -> tuple[Floats, Floats, Floats]:
        return (self.ahead0_m + t * (self.ahead1_m - self.ahead0_m),
                self.aside0_m + t * (self.aside1_m - self.aside0_m),
                self.above0_m + t * (self.above1_m - self.above0_m))  # fmt: skip

    def nearest(self, sine: Floats, cosine: Floats, since: Floats | float = 0.0, until: Floats | float = 1.0,
                ) -> tuple[Floats, Floats]:  # fmt: skip
        """Where along the edge its ground comes nearest to rays, and the cosine of the angle there.

        Notes
        -----
        The angle to a point P + t E of the line is least where (P + tE).u / |P + tE| is largest, which a linear
        equation tells. Ground below the line counts as well: where the line runs over the foot of the ray on its
        vertical circle, the nearest is an end.
        """
        ahead, aside = self.ahead1_m - self.ahead0_m, self.aside1_m - self.aside0_m
        above = self.above1_m - self.above0_m
        along0, along = self.ahead0_m * cosine + self.above0_m * sine, ahead * cosine + above * sine
        square0 = self.ahead0_m**2 + self.aside0_m**2 + self.above0_m**2
        square1 = self.ahead0_m * ahead + self.aside0_m * aside + self.above0_m * above
        square2 = ahead * ahead + aside * aside + above * above
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (along * square0 - along0 * square1) / (along0 * square2 - along * square1)
        t = np.clip(np.where(np.isfinite(t), t, 0.0), since, until)
        best, best_t = self.nearness(t, sine, cosine), t
        for end in (since, until):
            there = self.nearness(np.broadcast_to(end, t.shape), sine, cosine)
            best_t = np.where(there > best, end, best_t)
            best = np.fmax(there, best)
        return best_t, best

    def nearness(self, t: Floats, sine: Floats, cosine: Floats) -> Floats:
        """Cosine of the angle between rays and the ground at and below points of the line; -1 behind the dish."""
        ahead, aside, above = self.at(t)
        level2 = ahead * ahead + aside * aside
        over = above * ahead * cosine > level2 * sine
        toward = np.where(over, 1.0, (ahead * cosine + above * sine) / np.sqrt(level2 + above * above))
        beside = np.sqrt(np.maximum(1.0 - aside * aside * cosine * cosine / level2, 0.0))
        return np.asarray(np.where(ahead > 0.0, np.where(over, beside, toward), -1.0))

    def least_away_m(self) -> Floats:
        """Ground distance of the nearest point, from below."""
        ahead, aside = self.ahead1_m - self.ahead0_m, self.aside1_m - self.aside0_m
        with np.errstate(divide="ignore", invalid="ignore"):
            t = -(self.ahead0_m * ahead + self.aside0_m * aside) / (ahead * ahead + aside * aside)
        ahead_m, aside_m, _ = self.at(np.clip(np.nan_to_num(t), 0.0, 1.0))
        return np.asarray(np.hypot(ahead_m, aside_m))

    def take(self, at: Ints) -> Edge:
        return Edge(*(getattr(self, f.name)[at] for f in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Parts of edges far enough away, one entry each.

    cell : index into the cells; across : whether it runs along a row, from column to column
    since, until : part of the edge; nearest, angle_deg, away_m : where its ground comes nearest to the ray, how near,
    and the least ground distance of the whole edge
    """

    cell: Ints
    across: Bools
    edge: Edge
    since: Floats
    until: Floats
    nearest: Floats
    angle_deg: Floats
    away_m: Floats

    def take(self, at: Ints) -> Pieces:
        return Pieces(self.cell[at], self.across[at], self.edge.take(at), self.since[at], self.until[at],
                       self.nearest[at], self.angle_deg[at], self.away_m[at])  # fmt: skip


def _edges(fan: Fan, cells: Cells, corners: Corners) -> None:
    """Sample the rays beside where edges come nearest."""
    if not len(cells):
        return
    piece = pieces(fan, cells, corners)
    place = cells.place[piece.cell]
    fan.doubtful[place[piece.angle_deg < fan.limits.doubt_at_most_deg(piece.away_m)]] = True
    guess_deg = piece.angle_deg - fan.limits.room_at_most_deg(piece.away_m)
    first = first_of_each(place, guess_deg, piece.away_m)
    first = first[guess_deg[first] < fan.least_deg[place[first]]]
    _sample_edges(fan, cells, piece.take(first))
    rest = guess_deg < fan.least_deg[place]
    rest[first] = False
    _sample_edges(fan, cells, piece.take(np.flatnonzero(rest)))


def pieces(fan: Fan, cells: Cells, corners: Corners) -> Pieces:
    """The parts of each cell's own two edges that are far enough away to count, and their nearest points."""
    count = len(cells)
    cell = np.tile(np.arange(count), 2)
    across = np.repeat([True, False], count)
    one, other = corners.edge(0, 1), corners.edge(0, 2)
    edge = Edge(*(np.concatenate([getattr(one, f.name), getattr(other, f.name)]) for f in fields(Edge)))
    away_m = edge.least_away_m()
    far0, far1 = (np.hypot(*ends) >= fan.near_m
                  for ends in ((edge.ahead0_m, edge.aside0_m), (edge.ahead1_m, edge.aside1_m)))  # fmt: skip
    since, until = np.zeros(2 * count), np.ones(2 * count)
    cut = np.flatnonzero((away_m < fan.near_m) & (far0 | far1))
    enters, leaves = _through_circle(edge.take(cut), fan.near_m)
    until[cut] = np.where(far0[cut], enters, until[cut])
    since[cut] = np.where(far0[cut], 0.0, leaves)
    known = ~np.isnan(edge.above0_m + edge.above1_m)
    kept = np.flatnonzero((far0 | far1) & known)
    again = np.flatnonzero(
        far0[cut] & far1[cut] & known[cut]
    )  # with both ends far, what leaves is a part too
    which = np.concatenate([kept, cut[again]])
    since = np.concatenate([since[kept], leaves[again]])
    until = np.concatenate([until[kept], np.ones(again.size)])
    edge, cell, across = edge.take(which), cell[which], across[which]
    away_m = np.maximum(away_m[which], fan.near_m)
    for end, inward in ((since, 1.0), (until, -1.0)):  # ends on the circle give way to the first ray inside
        moved = np.flatnonzero(end > 0.0 if inward > 0.0 else end < 1.0)
        end[moved] = _first_ray(
            fan.window.take(cells.place[cell[moved]]), edge.take(moved), end[moved], inward
        )
    kept = np.flatnonzero(since <= until)
    edge, cell, across, away_m = edge.take(kept), cell[kept], across[kept], away_m[kept]
    since, until = since[kept], until[kept]
    place = cells.place[cell]
    sine, cosine = (part.take(place) for part in (fan.sights.sine, fan.sights.cosine))
    nearest, near = edge.nearest(sine, cosine, since, until)
    angle_deg = np.rad2deg(np.arccos(np.clip(near, -1.0, 1.0)))
    return Pieces(cell, across, edge, since, until, nearest, angle_deg, away_m)


def _first_ray(window: Window, edge: Edge, t: Floats, inward: float) -> Floats:
    """Where edges are crossed by the first ray of the window met from t on, going inward (1 or -1 along t)."""
    azimuth_deg = _azimuths(edge, t, t)[0]
    ahead, aside = edge.ahead1_m - edge.ahead0_m, edge.aside1_m - edge.aside0_m
    clockwise = inward * (aside * edge.ahead0_m - ahead * edge.aside0_m) > 0.0
    number = np.where(clockwise, window.ray_from(azimuth_deg), window.ray_until(azimuth_deg))
    slope = np.tan(np.deg2rad(window.offset_deg(number)))
    with np.errstate(divide="ignore", invalid="ignore"):
        crossed = (slope * edge.ahead0_m - edge.aside0_m) / (aside - slope * ahead)
    none = ~np.isfinite(crossed) | (np.abs(number) > window.last)
    return np.asarray(np.where(none, 2.0 * inward, inward * np.maximum(inward * crossed, inward * t)))


def _through_circle(edge: Edge, radius_m: float) -> tuple[Floats, Floats]:
    """The parts of edges at which they enter and leave a circle around the place; 0 and 1 where they do not."""
    ahead, aside = edge.ahead1_m - edge.ahead0_m, edge.aside1_m - edge.aside0_m
    square2, square1 = ahead * ahead + aside * aside, edge.ahead0_m * ahead + edge.aside0_m * aside
    square0 = edge.ahead0_m**2 + edge.aside0_m**2 - radius_m * radius_m
    root = np.sqrt(np.maximum(square1 * square1 - square2 * square0, 0.0))
    return np.clip((-square1 - root) / square2, 0.0, 1.0), np.clip((-square1 + root) / square2, 0.0, 1.0)


_BESIDE_RAYS = 2


def _sample_edges(fan: Fan, cells: Cells, piece: Pieces) -> None:
    """Sample the rays of the fan that cross edges beside where these come nearest, and where they leave least room."""
    if not piece.cell.size:
        return
    window = fan.window.take(cells.place[piece.cell])
    low_deg, high_deg = _azimuths(piece.edge, piece.since, piece.until)
    beside = np.arange(-_BESIDE_RAYS, _BESIDE_RAYS)[:, None]
    number = np.concatenate([window.ray_from(_azimuths(piece.edge, t, t)[0]) + beside
                             for t in (piece.nearest, _tightest(fan, piece))])  # fmt: skip
    offset_deg = window.offset_deg(number)
    wanted = (
        (offset_deg >= low_deg - 1e-7) & (offset_deg <= high_deg + 1e-7) & (np.abs(number) <= window.last)
    )
    at = np.nonzero(wanted)[1]
    _take_edges(fan, cells.take(piece.cell[at]), piece.across[at], offset_deg[wanted])


def _tightest(fan: Fan, piece: Pieces) -> Floats:
    """Where along edges the spare room is least: a little nearer to the dish than where the angle is.

    With the arc l along the edge, the angle is sqrt(a**2 + l**2) and the room r + q l: their difference is least at
    l = a q / sqrt(1 - q**2).
    """
    edge, t = piece.edge, piece.nearest
    point = np.stack(edge.at(t))
    along = np.stack(
        [edge.ahead1_m - edge.ahead0_m, edge.aside1_m - edge.aside0_m, edge.above1_m - edge.above0_m]
    )
    away_m = np.sqrt((point * point).sum(axis=0))
    receding = (point * along).sum(axis=0) / away_m
    turning = np.sqrt(np.maximum((along * along).sum(axis=0) - receding**2, 1e-12)) / away_m
    room, farther = (np.deg2rad(fan.limits.room_deg(d)) for d in (away_m, away_m * 1.001))
    growing = (farther - room) / (0.001 * away_m) * receding / turning  # of the room, per arc
    arc = np.deg2rad(piece.angle_deg) * growing / np.sqrt(np.maximum(1.0 - growing**2, 0.1))
    return np.asarray(np.clip(t + arc / turning, piece.since, piece.until))


def _azimuths(edge: Edge, since: Floats, until: Floats) -> tuple[Floats, Floats]:
    """Azimuth offsets of two points of edges, the smaller first."""
    ends = [np.rad2deg(np.arctan2(aside, ahead)) for ahead, aside, _ in (edge.at(since), edge.at(until))]
    return np.minimum(*ends), np.maximum(*ends)


def _take_edges(fan: Fan, cells: Cells, across: Bools, offset_deg: Floats) -> None:
    """Sample rays where they cross the edge that runs along a row (across) or a column from a cell's own node."""
    place = cells.place
    nothing = np.full(place.shape, -np.inf)
    rays = fan.rays(place, offset_deg, nothing, np.full(place.shape, np.inf))
    distance_m, share = _crossing(rays, cells, across)
    values = fan.ground.grid.values
    low = cells.row * values.shape[1] + cells.column
    high = low + np.where(across, 1, values.shape[1])
    low_m, high_m = (values.ravel().take(at).astype(np.float64) for at in (low, high))
    height_m = low_m + share * (high_m - low_m)
    good = (distance_m >= fan.near_m) & (distance_m <= rays.limit_m) & ~np.isnan(height_m)
    ray = np.flatnonzero(good & (share >= -1e-9) & (share <= 1.0 + 1e-9))
    distance_m, height_m = distance_m[ray], height_m[ray]
    _take(
        fan,
        rays,
        Samples(ray, distance_m, height_m, _slope(rays, ray, distance_m, height_m)),
        offset_deg[ray],
    )


def _slope(rays: Rays, ray: Ints, distance_m: Floats, height_m: Floats) -> Floats:
    return sight_slope(distance_m, height_m, antenna_elevation_m=rays.eye_m[ray], radius_m=rays.radius_m[ray])


def _crossing(rays: Rays, cells: Cells, across: Bools) -> tuple[Floats, Floats]:
    """Ground distance at which rays cross the line of an edge, and the part of the edge gone there."""
    axis = np.where(across, 1, 0)  # an edge along a row is crossed where the row number is a whole one
    at = np.arange(axis.size)
    line, node = np.where(across, cells.row, cells.column), np.where(across, cells.column, cells.row)
    distance_m = _distance_to(line - rays.start[at, axis], rays.first[at, axis], rays.second[at, axis])
    other = 1 - axis
    place = rays.start[at, other] + (rays.first[at, other] + rays.second[at, other] * distance_m) * distance_m
    return distance_m, place - node


def _distance_to(gone: Floats, rate: Floats, bend: Floats) -> Floats:
    """Distance at which rate * d + bend * d**2 = gone, the root near gone / rate."""
    rate = np.where(np.abs(rate) < 1e-12, np.copysign(1e-12, rate), rate)
    root = np.sqrt(np.maximum(rate * rate + 4.0 * bend * gone, 0.0))
    return np.asarray(2.0 * gone / (rate + np.copysign(root, rate)))


# --- ground that bulges inside cells --------------------------------------------------------------------------------


def _bulges(fan: Fan, cells: Cells, corners: Corners) -> None:
    """Rays through cells whose ground, bulging between the edges, could come nearer than all edges do.

    Every fourth ray first; then those between which the others could be nearer still.
    """
    if not len(cells):
        return
    away_m = np.maximum(np.hypot(corners.ahead_m, corners.aside_m).min(axis=0), fan.near_m)
    bulge_deg = np.rad2deg(_bulge_m(fan, cells, corners) / away_m)
    at = np.flatnonzero(bulge_deg > 1e-4)
    cells, corners, away_m, bulge_deg = cells.take(at), corners.take(at), away_m[at], bulge_deg[at]
    room_deg = fan.limits.room_at_most_deg(away_m)
    edge_deg = _edge_angles_deg(fan, cells, corners)
    doubtful = edge_deg - bulge_deg < fan.limits.doubt_at_most_deg(away_m)
    fan.doubtful[cells.place[doubtful]] = True
    at = np.flatnonzero(edge_deg - bulge_deg - room_deg < fan.least_deg[cells.place])
    if not at.size:
        return
    some, room_deg, least_deg = cells.take(at), room_deg[at], (edge_deg - bulge_deg - room_deg)[at]
    window = fan.window.take(some.place)
    azimuths = np.rad2deg(np.arctan2(corners.aside_m[:, at], corners.ahead_m[:, at]))
    wide = np.sin(np.deg2rad(np.minimum(np.maximum(fan.least_deg[some.place] + room_deg, 0.0), 90.0)))
    most_deg = np.rad2deg(np.arcsin(np.minimum(wide / fan.sights.cosine[some.place], 1.0))) + 1e-6
    low = window.ray_from(np.maximum(azimuths.min(axis=0), -most_deg))
    high = window.ray_until(np.minimum(azimuths.max(axis=0), most_deg))
    cell, step = numbered(np.where(low <= high, (high - low + _STRIDE - 1) // _STRIDE + 1, 0))
    number = np.minimum(low[cell] + _STRIDE * step, high[cell])
    spare_deg = _take_crests(fan, some.take(cell), window.take(cell).offset_deg(number))
    between = np.flatnonzero((cell[1:] == cell[:-1]) & (number[1:] > number[:-1] + 1))
    ends = (spare_deg[between], spare_deg[between + 1])
    nearer_deg, farther_deg = np.minimum(*ends), np.maximum(*ends)
    seen = np.isfinite(nearer_deg)
    between, nearer_deg, farther_deg = between[seen], nearer_deg[seen], farther_deg[seen]
    hope_deg = nearer_deg - np.minimum(farther_deg - nearer_deg, _STRIDE * DENSE_DEG) - _SAG_DEG
    still = np.maximum(hope_deg, least_deg[cell[between]]) < fan.least_deg[some.place[cell[between]]]
    between = between[still]
    owner, step = numbered(number[between + 1] - number[between] - 1)
    which = cell[between[owner]]
    _take_crests(fan, some.take(which), window.take(which).offset_deg(number[between[owner]] + 1 + step))


_STRIDE = 4
_SAG_DEG = 0.1
"""Crests do not sag more than this between every fourth ray, nor do they rise more steeply than 45 degrees."""


def _edge_angles_deg(fan: Fan, cells: Cells, corners: Corners) -> Floats:
    """The least angle from the ray to any of the four edges of cells, and what is below."""
    sine, cosine = (part.take(cells.place) for part in (fan.sights.sine, fan.sights.cosine))
    near = np.full(len(cells), -1.0)
    for ends in ((0, 1), (0, 2), (1, 3), (2, 3)):
        near = np.fmax(near, corners.edge(*ends).nearest(sine, cosine)[1])
    return np.asarray(np.rad2deg(np.arccos(np.clip(near, -1.0, 1.0))))


def _bulge_m(fan: Fan, cells: Cells, corners: Corners) -> Floats:
    """How far ground inside cells can rise over a ray's chord through them; 0 where it only falls below it.

    Over a chord that crosses so many columns u and rows v it rises by at most twist * u * v / 4.
    """
    rows, columns = fan.ground.grid.values.shape
    h = corners.height_m
    twisted = h[0] - h[1] - h[2] + h[3]
    right = cells.column + 0.5 - fan.sights.column.take(cells.place)
    down = cells.row + 0.5 - fan.sights.row.take(cells.place)
    rises = (twisted * right * down < 0.0) | (np.abs(right) < 1.0) | (np.abs(down) < 1.0)
    rises &= (cells.column < columns - 1) & (cells.row < rows - 1)
    less, more = np.minimum(np.abs(right), np.abs(down)), np.maximum(np.abs(right), np.abs(down))
    share = np.minimum((less + 0.75) / np.maximum(more - 0.75, 0.1), 1.0)
    return np.asarray(np.where(rises, np.abs(twisted) * share / 4.0, 0.0))


def _take_crests(fan: Fan, cells: Cells, offset_deg: Floats) -> Floats:
    """Sample rays where ground inside a cell looks higher than at both of its edges; see `horizon.rays.crests`.

    Returns the spare room there, inf where there is no such crest.
    """
    spare_deg = np.full(len(cells), np.inf)
    if not len(cells):
        return spare_deg
    place = cells.place
    rays = fan.rays(place, offset_deg, np.full(place.shape, -np.inf), np.full(place.shape, np.inf))
    from_m, to_m = np.full(place.shape, -np.inf), np.full(place.shape, np.inf)
    for axis, line in enumerate((cells.column, cells.row)):
        start, rate, bend = rays.start[:, axis], rays.first[:, axis], rays.second[:, axis]
        ends = [_distance_to(line + one - start, rate, bend) for one in (0.0, 1.0)]
        from_m, to_m = np.maximum(from_m, np.minimum(*ends)), np.minimum(to_m, np.maximum(*ends))
    ray = np.flatnonzero((from_m >= fan.near_m) & (to_m > from_m) & (from_m <= rays.limit_m))
    rays, from_m, to_m, cells = rays.take(ray), from_m[ray], to_m[ray], cells.take(ray)
    offset_deg = offset_deg[ray]
    values = fan.ground.grid.values
    node = cells.row * values.shape[1] + cells.column
    h00, h01, h10, h11 = (values.ravel().take(node + step).astype(np.float64)
                          for step in (0, 1, values.shape[1], values.shape[1] + 1))  # fmt: skip
    twisted = h00 - h01 - h10 + h11
    where = [(rays.start + (rays.first + rays.second * d[:, None]) * d[:, None]).T for d in (from_m, to_m)]
    (u0, v0), (u1, v1) = ((column - cells.column, row - cells.row) for column, row in where)
    low_m, high_m = (
        h00 + u * (h01 - h00) + v * (h10 - h00) + u * v * twisted for u, v in ((u0, v0), (u1, v1))
    )
    bent = -twisted * (u1 - u0) * (v1 - v0)
    everyone = np.arange(bent.size)
    slope = [_slope(rays, everyone, d, h) for d, h in ((from_m, low_m), (to_m, high_m))]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = 0.5 + (slope[1] - slope[0]) * (from_m + to_m) / (4.0 * bent)
        crest = np.flatnonzero((bent > 0.0) & (t > 0.0) & (t < 1.0))
    t = t[crest]
    top_m = low_m[crest] + t * (high_m[crest] - low_m[crest]) + bent[crest] * t * (1.0 - t)
    distance_m = from_m[crest] + t * (to_m[crest] - from_m[crest])
    good = distance_m <= rays.limit_m[crest]
    crest, distance_m, top_m = crest[good], distance_m[good], top_m[good]
    seen = Samples(crest, distance_m, top_m, _slope(rays, crest, distance_m, top_m))
    spare_deg[ray[crest]] = _take(fan, rays, seen, offset_deg[crest])
    return spare_deg


# --- what has been seen ---------------------------------------------------------------------------------------------


def first_of_each(group: Ints, key: Floats, then: Floats) -> Ints:
    """Index of the smallest key of each group, the smaller `then` where keys are equal; in order of the groups."""
    if not group.size:
        return np.zeros(0, dtype=np.int64)
    at = np.arange(group.size)
    for part in (key, then):
        least = np.full(int(group.max()) + 1, np.inf)
        np.minimum.at(least, group[at], part[at])
        at = at[part[at] == least[group[at]]]
    first = np.full(int(group.max()) + 1, -1)
    first[group[at[::-1]]] = at[::-1]
    return np.asarray(first[first >= 0])


def _take(fan: Fan, rays: Rays, seen: Samples, offset_deg: Floats) -> Floats:
    """Keep the smallest spare room of each place, and return all."""
    if not seen.ray.size:
        return np.zeros(0)
    place = rays.place[seen.ray]
    apparent = fan.places.apparent_deg[place]
    margin_deg = column_margin_deg(offset_deg, apparent, np.rad2deg(np.arctan(seen.slope)))
    slant_m = fan.slant(rays, seen)
    spare_deg = margin_deg - fan.limits.room_deg(slant_m)
    best = first_of_each(place, spare_deg, slant_m)
    best = best[spare_deg[best] < fan.spare_deg[place[best]]]
    at = place[best]
    fan.spare_deg[at], fan.margin_deg[at], fan.slant_m[at] = spare_deg[best], margin_deg[best], slant_m[best]
    fan.raise_m[at] = _raise_m(fan, rays, seen, best, offset_deg[best], slant_m[best])
    return np.asarray(spare_deg)


def _raise_m(fan: Fan, rays: Rays, seen: Samples, best: Ints, offset_deg: Floats, slant_m: Floats) -> Floats:
    """How much higher the dish must be for the ground that controls to leave just the room, to first order."""
    apparent = fan.places.apparent_deg[rays.place[seen.ray[best]]]
    room = fan.limits.room_deg(slant_m)
    aside = np.minimum(cross_track_deg(offset_deg, apparent), room)
    foot = np.rad2deg(np.arctan2(np.tan(np.deg2rad(apparent)), np.cos(np.deg2rad(offset_deg))))
    down = np.rad2deg(np.arccos(np.minimum(np.cos(np.deg2rad(room)) / np.cos(np.deg2rad(aside)), 1.0)))
    allowed = np.tan(np.deg2rad(foot - down))
    return np.asarray(np.maximum((seen.slope[best] - allowed) * seen.distance_m[best], 0.0))


def _surely_known(fan: Fan, place: Ints) -> Bools:
    """Whether there is ground around a place as far as a ray needs to meet some."""
    grid = fan.ground.grid
    rows, columns = grid.values.shape
    cells_per_m = 1.01 * float(np.sqrt((fan.maps.linear**2).sum(axis=(1, 2)).max()))
    cells = (fan.near_m + 3.0 * fan.ground.cell_size_m) * cells_per_m
    column, row = fan.maps.start[place].T
    inside = (column > cells) & (row > cells) & (column < columns - 1 - cells) & (row < rows - 1 - cells)
    return np.asarray(inside & (not grid.has_void))


def _depths(fan: Fan, inside: Bools, top_deg: Floats) -> None:
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
    whole_m = (
        fan.near_m + 1.5 * fan.ground.cell_size_m
    )  # beyond, pieces between two crossings count as a whole
    some = np.flatnonzero(distance_m > whole_m)
    place, offset_deg, distance_m = place[some], offset_deg[some], distance_m[some]
    rays = fan.rays(place, offset_deg, np.full(some.size, -np.inf), distance_m)
    column, row = (rays.start + (rays.first + rays.second * distance_m[:, None]) * distance_m[:, None]).T
    height_m = interpolate(fan.ground.grid, column, row)
    slope = _slope(rays, np.arange(some.size), distance_m, height_m) - 1e-4
    farther[some] = _over(fan, place, offset_deg, slope) > depth_deg[place]
    return farther


def _open_beside(fan: Fan, place: Ints, offset_deg: Floats, depth_deg: Floats) -> Floats:
    """Lower the depths to the nearest open direction on rays; returns how far off their highest ground stands."""
    highest_m = np.full(place.size, np.nan)
    least = np.tan(np.deg2rad(fan.places.apparent_deg[place]))
    # a ray without any ground says nothing; one with low ground is open
    top = np.where(_surely_known(fan, place), least - 1e-3, -np.inf)
    looked = fan.rays(place, offset_deg, top.copy(), fan.reach_below(least, place))
    seen = sampled(fan.ground.grid, looked, fan.ground.ceiling)
    best = first_of_each(seen.ray, -seen.slope, seen.distance_m)
    top[seen.ray[best]] = np.maximum(top[seen.ray[best]], seen.slope[best])
    highest_m[seen.ray[best]] = seen.distance_m[best]
    some = np.flatnonzero(np.isfinite(top))
    np.minimum.at(depth_deg, place[some], _over(fan, place[some], offset_deg[some], top[some]))
    return highest_m


def _over(fan: Fan, place: Ints, offset_deg: Floats, slope: Floats) -> Floats:
    """Angle from the ray to the nearest direction over ground of a slope, at an azimuth offset."""
    return column_margin_deg(offset_deg, fan.places.apparent_deg[place], 90.0, np.rad2deg(np.arctan(slope)))

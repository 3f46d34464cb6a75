"""The fan of rays from each of many places, and what has been found on it so far.

The rays are those of the one-mount chain (gather.window_azimuths_deg): dense around the satellite's azimuth, wider
beyond.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.assessment.clearance import column_margin_deg
from skysill.bulk.local_maps import LocalMaps, local_maps
from skysill.bulk.prefilter import FLOOR_DEG, Ground, Places, Question
from skysill.bulk.quadtree import Sights, sights
from skysill.bulk.ray_fan import Rays, Samples
from skysill.bulk.thresholds import Limits
from skysill.horizon.rays import reach_needed_m, sight_slope
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, Ints, cross_track_deg, local_earth_radius_m

__all__ = [
    "CHUNK",
    "DENSE_DEG",
    "Fan",
    "Window",
    "first_of_each",
    "half_windows_deg",
    "numbered",
    "slope_of",
    "spread",
    "take_in",
]


DENSE_DEG, _WIDE_DEG, _NEAREST_M = 0.1, 0.5, 2.0  # the window of gather.window_azimuths_deg
CHUNK = 2_000
"""Places worked on together: what fits in the processor's cache."""


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
    def of(cls, limits: Limits, places: Places, *, most_deg: float = FLOOR_DEG) -> Fan:
        """most_deg : spare room beyond which nothing is of interest"""
        count = places.antenna_m.size
        maps = local_maps(limits.ground.grid, places.latitude_deg, places.longitude_deg)
        outer_deg = half_windows_deg(places, limits.question)[1] + _WIDE_DEG
        window = Window.of(places, limits.question)
        frames = sights(maps, places.azimuth_deg, places.apparent_deg, antenna_m=places.antenna_m,
                        radius_m=places.radius_m, reach_m=places.sought_m, widest_deg=outer_deg)  # fmt: skip
        factor = limits.question.criteria.refraction_factor
        across, along = (1.0 / (factor * local_earth_radius_m(places.latitude_deg, at)) for at in (90.0, 0.0))
        nan, none = np.full(count, np.nan), np.zeros(count, dtype=bool)
        return cls(
            limits, places, (across, along), maps, frames, window, bound_deg=np.full(count, most_deg),
            spare_deg=np.full(count, np.inf), margin_deg=nan, slant_m=nan.copy(), raise_m=np.zeros(count),
            doubtful=none,
        )  # fmt: skip

    @property
    def ground(self) -> Ground:
        return self.limits.ground

    @property
    def near_m(self) -> float:
        """Ground nearer is not counted."""
        return self.ground.near_m

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
        radius_m = 1.0 / (east**2 * across + north**2 * along)  # Euler's formula, as local_earth_radius_m
        limit_m = np.minimum(limit_m, self.places.sought_m[place])
        low = np.flatnonzero(self.places.sought_deg[place] > self.places.apparent_deg[place] - FLOOR_DEG)
        if low.size:  # followed as far as the chain does: what lies there can be nearer than FLOOR_DEG
            antenna_m, sought_deg = self.places.antenna_m[place[low]], self.places.sought_deg[place[low]]
            limit_m[low] = np.minimum(limit_m[low], reach_needed_m(
                antenna_m, sought_deg, radius_m=radius_m[low],
                highest_ground_m=max(self.limits.question.highest_ground_m, self.ground.grid.highest_m)))  # fmt: skip
        return Rays(place, maps.start, first, second, self.places.antenna_m.take(place), radius_m, least_slope,
                    limit_m, self.near_m)  # fmt: skip

    def slant(self, rays: Rays, samples: Samples) -> Floats:
        radius_m = rays.radius_m[samples.ray]
        return (
            (radius_m + samples.elevation_m)
            * np.sin(samples.distance_m / radius_m)
            * np.hypot(1.0, samples.slope)
        )

    def reach_below(self, top_slope: Floats, place: Ints) -> Floats:
        """Distance beyond which no ground of the raster is seen higher than a slope, by the block maxima around."""
        places, column_row = self.places, self.maps.start[place]
        rise_m = np.maximum(self.ground.grid.highest_m - places.antenna_m[place], 0.0)
        steep = top_slope > 1e-3
        reach_m = np.where(steep, rise_m / np.where(steep, top_slope, 1.0), np.inf)
        reach_m = np.minimum(reach_m, places.sought_m[place])
        per_m = float(np.abs(self.maps.linear).max()) * 1.5
        for _ in range(2):
            level = np.ceil(np.log2(np.maximum(reach_m * per_m, 1.0))).astype(np.int64)
            for one in np.unique(level):
                if one >= len(self.ground.maxima.neighbourhood_m):
                    continue
                at = np.flatnonzero(level == one)
                top_m = self.ground.maxima.highest_near(int(one), column_row[at, 0], column_row[at, 1])
                rise_m[at] = np.maximum(top_m - places.antenna_m[place[at]], 0.0)
            reach_m = np.minimum(reach_m, np.where(steep, rise_m / np.where(steep, top_slope, 1.0), np.inf))
        return reach_m + 1.0


def half_windows_deg(places: Places, question: Question) -> tuple[Floats, Floats]:
    """Azimuth offsets out to which the chain's fan is dense, and out to which it goes (gather.window_azimuths_deg)."""
    level = np.maximum(np.cos(np.deg2rad(places.apparent_deg)), 1e-9)
    distances_m = np.array([question.criteria.assumed_distance_m, _NEAREST_M])
    room = np.sin(np.deg2rad(room_angle_deg(distances_m, question.link)))
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
    def of(cls, places: Places, question: Question) -> Window:
        dense_deg, wide_deg = half_windows_deg(places, question)
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


def take_in(fan: Fan, rays: Rays, seen: Samples, offset_deg: Floats) -> Floats:
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


def slope_of(rays: Rays, ray: Ints, distance_m: Floats, height_m: Floats) -> Floats:
    return sight_slope(
        distance_m, height_m, antenna_elevation_m=rays.antenna_m[ray], radius_m=rays.radius_m[ray]
    )

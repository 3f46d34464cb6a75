"""The ray fan of each of many places, and what has been found on it so far.

The rays are those of `assessment/search_window.py`: dense around the satellite's azimuth, farther apart beyond.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.assessment.clearance import column_margin_deg
from skysill.bulk.local_maps import LocalMaps, local_maps
from skysill.bulk.prefilter import FLOOR_DEG, Ground, Places, ScreeningQuery
from skysill.bulk.quadtree import RayFrames, ray_frames
from skysill.bulk.ray_fan import Rays, Samples
from skysill.bulk.thresholds import Thresholds
from skysill.horizon.rays import reach_needed_m, sight_slope
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, Ints, cross_track_deg, local_earth_radius_m

__all__ = [
    "CHUNK_PLACES",
    "DENSE_DEG",
    "FanResults",
    "Window",
    "counted_indices",
    "half_windows_deg",
    "keep_least",
    "least_of_each",
    "slope_of",
    "symmetric_steps",
]


DENSE_DEG, _WIDE_DEG, _NEAREST_M = 0.1, 0.5, 2.0  # the window of search_window
CHUNK_PLACES = 2_000
"""Places in one batch: what fits in the processor's cache."""


@dataclass(slots=True, eq=False)
class FanResults:
    """The ray fans of one batch of places, and what has been found on them so far; arrays are (place,).

    curvatures : of the effective Earth, east and north, per metre
    bound_deg : upper bound of the excess margin
    excess_deg, margin_deg, slant_m : at the ground found so far that controls; inf or nan where there is none
    raise_m : how much higher the dish must be for that ground to leave the room, to first order
    uncertain : whether stated errors might take the room
    """

    thresholds: Thresholds
    places: Places
    curvatures: tuple[Floats, Floats]
    maps: LocalMaps
    frames: RayFrames
    window: Window
    bound_deg: Floats
    excess_deg: Floats
    margin_deg: Floats
    slant_m: Floats
    raise_m: Floats
    uncertain: Bools

    @classmethod
    def of(cls, thresholds: Thresholds, places: Places, *, most_deg: float = FLOOR_DEG) -> FanResults:
        """Ray fans on which nothing has been found yet; most_deg : excess margin above which nothing is searched."""
        count = places.antenna_m.size
        maps = local_maps(thresholds.ground.grid, places.latitude_deg, places.longitude_deg)
        outer_deg = half_windows_deg(places, thresholds.query)[1] + _WIDE_DEG
        window = Window.of(places, thresholds.query)
        frames = ray_frames(maps, places.azimuth_deg, places.apparent_deg, antenna_m=places.antenna_m,
                        radius_m=places.radius_m, reach_m=places.search_m, azimuth_limit_deg=outer_deg)  # fmt: skip
        factor = thresholds.query.criteria.refraction_factor
        across, along = (1.0 / (factor * local_earth_radius_m(places.latitude_deg, at)) for at in (90.0, 0.0))
        nan, none = np.full(count, np.nan), np.zeros(count, dtype=bool)
        return cls(
            thresholds, places, (across, along), maps, frames, window, bound_deg=np.full(count, most_deg),
            excess_deg=np.full(count, np.inf), margin_deg=nan, slant_m=nan.copy(), raise_m=np.zeros(count),
            uncertain=none,
        )  # fmt: skip

    @property
    def ground(self) -> Ground:
        return self.thresholds.ground

    @property
    def near_m(self) -> float:
        """Nearer ground is not counted."""
        return self.ground.near_m

    @property
    def excess_limit_deg(self) -> Floats:
        """(place,) excess margin above which nothing is searched any more."""
        return np.asarray(np.minimum(self.excess_deg, self.bound_deg))

    def angle_limit_deg(self, place: Ints, from_m: Floats) -> Floats:
        """Angle from the ray within which ground at least this far away could control or make the room uncertain."""
        excess_limit_deg = self.excess_limit_deg
        controls_deg = excess_limit_deg.take(place) + self.thresholds.room_bound_deg(from_m)
        undecided = (excess_limit_deg >= 0.0) & ~self.uncertain
        if not undecided.any():
            return np.asarray(controls_deg)
        uncertain_deg = np.where(undecided.take(place), self.thresholds.uncertain_bound_deg(from_m), 0.0)
        return np.asarray(np.maximum(controls_deg, uncertain_deg))

    def rays(self, place: Ints, offset_deg: Floats, least_slope: Floats, limit_m: Floats) -> Rays:
        """Rays from places at azimuth offsets from the satellite, out to limit_m or as far as ground can matter."""
        azimuth_rad = np.deg2rad(self.places.azimuth_deg.take(place) + offset_deg)
        east, north = np.sin(azimuth_rad), np.cos(azimuth_rad)
        maps = self.maps.take(place)
        first, second = maps.along(east, north)
        across, along = (part.take(place) for part in self.curvatures)
        radius_m = 1.0 / (east**2 * across + north**2 * along)  # Euler's formula, as local_earth_radius_m
        limit_m = np.minimum(limit_m, self.places.search_m[place])
        low = np.flatnonzero(
            self.places.search_floor_deg[place] > self.places.apparent_deg[place] - FLOOR_DEG
        )
        if low.size:  # as far as the assessment of one mount goes: ground there can be nearer than FLOOR_DEG
            antenna_m, search_floor_deg = (
                self.places.antenna_m[place[low]],
                self.places.search_floor_deg[place[low]],
            )
            limit_m[low] = np.minimum(limit_m[low], reach_needed_m(
                antenna_m, search_floor_deg, radius_m=radius_m[low],
                highest_ground_m=max(self.thresholds.query.highest_ground_m, self.ground.grid.highest_m)))  # fmt: skip
        return Rays(place, maps.start, first, second, self.places.antenna_m.take(place), radius_m, least_slope,
                    limit_m, self.near_m)  # fmt: skip

    def slant(self, rays: Rays, samples: Samples) -> Floats:
        """(sample,) distance along the line of sight, metres."""
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
        reach_m = np.minimum(reach_m, places.search_m[place])
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


def half_windows_deg(places: Places, query: ScreeningQuery) -> tuple[Floats, Floats]:
    """(place,), (place,): azimuth offsets of the last dense ray and of the last ray (search_window)."""
    level = np.maximum(np.cos(np.deg2rad(places.apparent_deg)), 1e-9)
    distances_m = np.array([query.criteria.assumed_distance_m, _NEAREST_M])
    room = np.sin(np.deg2rad(room_angle_deg(distances_m, query.link)))
    dense, wide = (np.rad2deg(np.arcsin(np.minimum(part / level, 1.0))) for part in room)
    return dense, wide


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """The rays of each place's fan, numbered from the centre ray: ... -1, 0, 1, ...

    dense : number of rays DENSE_DEG apart on either side; beyond them rays are _WIDE_DEG apart
    inner, outer : the first and last of those, in steps of _WIDE_DEG
    """

    dense: Ints
    inner: Ints
    outer: Ints

    @classmethod
    def of(cls, places: Places, query: ScreeningQuery) -> Window:
        dense_deg, wide_deg = half_windows_deg(places, query)
        return cls(np.ceil(dense_deg / DENSE_DEG).astype(np.int64),
                   np.floor((dense_deg + DENSE_DEG) / _WIDE_DEG).astype(np.int64) + 1,
                   np.floor(wide_deg / _WIDE_DEG).astype(np.int64) + 1)  # fmt: skip

    def take(self, place: Ints) -> Window:
        return Window(self.dense.take(place), self.inner.take(place), self.outer.take(place))

    @property
    def last(self) -> Ints:
        """Number of the outermost ray."""
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


def symmetric_steps(steps: Ints) -> tuple[Ints, Ints]:
    """-n..n for each n, as (index of the n, step).

    >>> [part.tolist() for part in symmetric_steps(np.array([1, 0]))]
    [[0, 0, 0, 1], [-1, 0, 1, 0]]
    """
    owner, step = counted_indices(2 * steps + 1)
    return owner, step - steps[owner]


def counted_indices(counts: Ints) -> tuple[Ints, Ints]:
    """0, 1, ... for each count, as (index of the count, number).

    >>> [part.tolist() for part in counted_indices(np.array([2, 0, 1]))]
    [[0, 0, 2], [0, 1, 0]]
    """
    owner = np.repeat(np.arange(counts.size), counts)
    return owner, np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)


def least_of_each(group: Ints, key: Floats, then: Floats) -> Ints:
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


def keep_least(results: FanResults, rays: Rays, seen: Samples, offset_deg: Floats) -> Floats:
    """(sample,) excess margins of samples on rays; the least of each place is kept in `results`."""
    if not seen.ray.size:
        return np.zeros(0)
    place = rays.place[seen.ray]
    apparent = results.places.apparent_deg[place]
    margin_deg = column_margin_deg(offset_deg, apparent, np.rad2deg(np.arctan(seen.slope)))
    slant_m = results.slant(rays, seen)
    excess_deg = margin_deg - results.thresholds.room_deg(slant_m)
    best = least_of_each(place, excess_deg, slant_m)
    best = best[excess_deg[best] < results.excess_deg[place[best]]]
    at = place[best]
    results.excess_deg[at], results.margin_deg[at], results.slant_m[at] = (
        excess_deg[best],
        margin_deg[best],
        slant_m[best],
    )
    results.raise_m[at] = _raise_m(results, rays, seen, best, offset_deg[best], slant_m[best])
    return np.asarray(excess_deg)


def _raise_m(
    results: FanResults, rays: Rays, seen: Samples, best: Ints, offset_deg: Floats, slant_m: Floats
) -> Floats:
    """How much higher the dish must be for the controlling ground to leave the required room, to first order."""
    apparent = results.places.apparent_deg[rays.place[seen.ray[best]]]
    room = results.thresholds.room_deg(slant_m)
    aside = np.minimum(cross_track_deg(offset_deg, apparent), room)
    foot = np.rad2deg(np.arctan2(np.tan(np.deg2rad(apparent)), np.cos(np.deg2rad(offset_deg))))
    down = np.rad2deg(np.arccos(np.minimum(np.cos(np.deg2rad(room)) / np.cos(np.deg2rad(aside)), 1.0)))
    allowed = np.tan(np.deg2rad(foot - down))
    return np.asarray(np.maximum((seen.slope[best] - allowed) * seen.distance_m[best], 0.0))


def slope_of(rays: Rays, ray: Ints, distance_m: Floats, height_m: Floats) -> Floats:
    """Slope at which ground of an elevation is seen at a distance along rays; (n,) each."""
    return sight_slope(
        distance_m, height_m, antenna_elevation_m=rays.antenna_m[ray], radius_m=rays.radius_m[ray]
    )

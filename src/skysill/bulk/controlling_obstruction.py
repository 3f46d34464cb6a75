"""The controlling obstruction of each of many places: the ground that the assessment of one mount would find.

The cells that could matter come from `quadtree`. Rays are sampled where the edges of those cells come nearest
(`cell_edges`) and where ground inside them rises higher (`cell_maxima`); `obstruction_depth` measures how deep a ray
that meets ground stands in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from skysill.bulk.cell_edges import Corners, sample_edges
from skysill.bulk.cell_maxima import sample_cell_maxima
from skysill.bulk.fan_results import CHUNK_PLACES, FanResults, keep_least, least_of_each
from skysill.bulk.obstruction_depth import measure_depths
from skysill.bulk.prefilter import FLOOR_DEG, Ground, Places, ScreeningQuery
from skysill.bulk.quadtree import Cells, cells_near
from skysill.bulk.ray_samples import sampled
from skysill.bulk.thresholds import Thresholds, thresholds_for
from skysill.horizon.lattice import interpolate
from skysill.horizon.rays import sight_slope
from skysill.units import Bools, Floats, Ints

__all__ = ["ControllingGround", "controlling_ground"]


@dataclass(frozen=True, slots=True, eq=False)
class ControllingGround:
    """The controlling ground of each place, (place,); nan or False where no ground comes near.

    excess_deg, margin_deg, slant_m : at the controlling ground
    top_deg, top_m : the highest ground straight below the ray, and its slant distance
    inside : the centre ray meets ground
    uncertain : stated errors might take the room
    raise_m : how much higher the dish must be for the controlling ground to leave the room, to first order
    """

    excess_deg: Floats
    margin_deg: Floats
    slant_m: Floats
    top_deg: Floats
    top_m: Floats
    inside: Bools
    uncertain: Bools
    raise_m: Floats

    def take(self, at: Ints | Bools) -> ControllingGround:
        return ControllingGround(*(getattr(self, f.name)[at] for f in fields(self)))


def controlling_ground(
    ground: Ground, places: Places, query: ScreeningQuery, *, most_deg: float = FLOOR_DEG
) -> ControllingGround:
    """The controlling ground of every place.

    Places are treated in batches that fit the processor's cache, so neighbours should follow each other.

    most_deg : excess margin above which the controlling ground is not searched; 0 is enough for verdicts
    """
    count = places.antenna_m.size
    nothing, none = np.full(count, np.nan), np.zeros(count, dtype=bool)
    whole = ControllingGround(
        nothing,
        nothing.copy(),
        nothing.copy(),
        nothing.copy(),
        nothing.copy(),
        none,
        none.copy(),
        np.zeros(count),
    )
    if not count:
        return whole
    thresholds = thresholds_for(ground, query)
    found = [_candidates(thresholds, places, low, most_deg) for low in range(0, count, CHUNK_PLACES)]
    near = _Candidates(
        *(np.concatenate(column) for column in zip(*(part.columns for part in found), strict=True))
    )
    for place, cells, bound_deg, uncertain in near.in_batches():
        results = FanResults.of(thresholds, places.take(place))
        results.bound_deg, results.uncertain = bound_deg, uncertain
        batch = _controlling(results, cells)
        for f in fields(ControllingGround):
            getattr(whole, f.name)[place] = getattr(batch, f.name)
    return whole


@dataclass(frozen=True, slots=True, eq=False)
class _Candidates:
    """Places that ground comes near to: bounds of their excess margin, whether it is uncertain, and their cells.

    cells : (place,) number of cells of each; column, row : (cell,)
    """

    place: Ints
    bound_deg: Floats
    uncertain: Bools
    cells: Ints
    column: Ints
    row: Ints

    @property
    def columns(self) -> tuple[Ints | Floats | Bools, ...]:
        return self.place, self.bound_deg, self.uncertain, self.cells, self.column, self.row

    def in_batches(self) -> Iterator[tuple[Ints, Cells, Floats, Bools]]:
        ends = np.append(0, np.cumsum(self.cells))
        for low in range(0, self.place.size, CHUNK_PLACES):
            part = slice(low, low + CHUNK_PLACES)
            mine = slice(ends[low], ends[min(low + CHUNK_PLACES, self.place.size)])
            owner = np.repeat(np.arange(self.place[part].size), self.cells[part])
            yield (self.place[part], Cells(owner, self.column[mine], self.row[mine]), self.bound_deg[part],
                   self.uncertain[part])  # fmt: skip


def _candidates(thresholds: Thresholds, places: Places, low: int, most_deg: float) -> _Candidates:
    """The places of one batch whose ray certainly meets ground or could come near it, and the cells of that ground."""
    results = FanResults.of(thresholds, places.take(slice(low, low + CHUNK_PLACES)), most_deg=most_deg)
    met = _first_bounds(results)
    open_ = np.flatnonzero(~met)
    frames = results.frames if open_.size == met.size else results.frames.take(open_)
    cells = cells_near(
        thresholds.ground.maxima, frames, results.near_m, lambda p, d: results.angle_limit_deg(open_[p], d)
    )
    place = open_[cells.place]
    order = np.argsort(place.astype(np.uint16), kind="stable")
    counts = np.bincount(place, minlength=met.size)
    near = np.flatnonzero(met | (counts > 0))
    return _Candidates(
        low + near,
        results.bound_deg[near],
        results.uncertain[near],
        counts[near],
        cells.column[order],
        cells.row[order],
    )


def _controlling(results: FanResults, cells: Cells) -> ControllingGround:
    """The controlling ground of one batch of places, all ground that could matter being in `cells`."""
    top_deg, top_m, inside = _sample_centre_rays(results)
    free = ~inside
    cells = cells.take(free[cells.place])
    corners = Corners.of(results, cells)
    sample_edges(results, cells, corners)
    sample_cell_maxima(results, cells, corners)
    measure_depths(results, inside, top_deg)
    nothing = ~np.isfinite(results.excess_deg)
    results.excess_deg[nothing] = np.nan
    return ControllingGround(
        results.excess_deg, results.margin_deg, results.slant_m, top_deg, top_m, inside,
        results.uncertain & free, results.raise_m,
    )  # fmt: skip


def _first_bounds(results: FanResults) -> Bools:
    """(place,) whether the ray certainly meets ground. Sets bounds of the excess from ground at a few distances."""
    places, cell_m = results.places, results.ground.cell_size_m
    distance_m, slope = _ground_below_ray(results)
    top = slope.max(axis=1)
    met = np.asarray(top - 1e-3 - 1e-3 * np.abs(top) >= np.tan(np.deg2rad(places.apparent_deg)))
    margin_deg = places.apparent_deg[:, None] - np.rad2deg(np.arctan(slope))
    level = np.cos(np.deg2rad(places.apparent_deg))[:, None]
    excess_deg = margin_deg - results.thresholds.room_deg((distance_m + 2.0 * cell_m) / level)
    results.bound_deg = np.minimum(results.bound_deg, excess_deg.min(axis=1) + 0.01)
    results.uncertain |= (margin_deg < results.thresholds.uncertain_bound_deg(distance_m / level)).any(axis=1)
    return met


def _ground_below_ray(results: FanResults) -> tuple[Floats, Floats]:
    """Distances (knot,), and slopes (place, knot) at which ground straight below the ray is seen from the dish."""
    places, cell_m = results.places, results.ground.cell_size_m
    farthest_m = max(float(places.search_m.max()), 2.0 * results.near_m)
    knots = int(np.ceil(np.log(farthest_m / results.near_m) / np.log(1.25)))
    distance_m = (results.near_m + 2.0 * cell_m) * 1.25 ** np.arange(float(knots))
    azimuth_rad = np.deg2rad(places.azimuth_deg)
    first, second = results.maps.along(np.sin(azimuth_rad), np.cos(azimuth_rad))
    column, row = (start[:, None] + (one[:, None] + two[:, None] * distance_m) * distance_m
                   for start, one, two in zip(results.maps.start.T, first.T, second.T, strict=True))  # fmt: skip
    slope = sight_slope(
        distance_m, interpolate(results.ground.grid, column, row), antenna_elevation_m=places.antenna_m[:, None],
        radius_m=places.radius_m[:, None],
    )  # fmt: skip
    unknown = np.isnan(slope) | (distance_m > places.search_m[:, None] - 2.0 * cell_m)
    slope[unknown] = -1e3  # as if there were no ground
    return distance_m, slope


def _sample_centre_rays(results: FanResults) -> tuple[Floats, Floats, Bools]:
    """Sample the centre rays: elevation and distance of the highest ground, and whether the ray meets ground."""
    places, count = results.places, results.places.antenna_m.size
    everyone, level = np.arange(count), np.zeros(count)
    certain = _ground_below_ray(results)[1].max(axis=1)
    certain = np.minimum(certain - 1e-3 - 1e-3 * np.abs(certain), np.tan(np.deg2rad(places.apparent_deg)))
    rays = results.rays(everyone, level, certain, results.reach_below(certain, everyone))
    seen = sampled(results.ground.grid, rays, results.ground.maxima)
    slant_m = results.slant(rays, seen)
    best = least_of_each(seen.ray, -seen.slope, slant_m)
    top_deg, top_m = np.full(count, np.nan), np.full(count, np.nan)
    top_deg[seen.ray[best]], top_m[seen.ray[best]] = np.rad2deg(np.arctan(seen.slope[best])), slant_m[best]
    inside = top_deg >= places.apparent_deg
    keep_least(results, rays, seen, np.zeros(len(seen.ray)))
    met = np.flatnonzero(np.rad2deg(np.arctan(seen.slope)) >= places.apparent_deg[seen.ray])
    nearest = met[least_of_each(seen.ray[met], slant_m[met], slant_m[met])]
    results.slant_m[seen.ray[nearest]] = slant_m[nearest]
    return top_deg, top_m, inside

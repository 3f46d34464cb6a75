"""All rays together through one raster after another: what rises, and where each raster has data.

Rays go in bundles that fit the cache, 64 lattice lines at a time, and drop out once the highest ground of the raster
could no longer rise over what they have met (an exact bound on the sphere).
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from skysill.horizon.block_maxima import BLOCK_CELLS
from skysill.horizon.lattice import Elevations, Grid, has_data, within_m
from skysill.horizon.rays import (
    NEAREST_SAMPLE_M,
    Crossings,
    RayPaths,
    crests,
    crossings,
    extent_m,
    ray_paths,
    sight_slope,
)
from skysill.units import Bools, Floats, Ints

__all__ = ["FINE_CELL_M", "Layer", "Marched", "Observer", "layers_around", "march", "stretches_beside"]

FINE_CELL_M = 2.0
"""Cells up to this size speak for near things; larger ones say nothing reliable nearer than two of them
(common practice, no source)."""

_BLOCK = 64
_RAYS_TOGETHER = 512
_WORTH_NOTING = 1e-6
"""Slope (0.00006 degree) by which the highest point between two crossings must rise to be recorded."""


_Bundle: TypeAlias = tuple[list[tuple[Ints, Floats, Floats, Floats]], tuple[Ints, Floats, Floats]]
"""Rising samples (ray, distance, height, slope) of a bundle; known stretches (ray, from, to)."""


@dataclass(frozen=True, slots=True, eq=False)
class Observer:
    """The dish centre and the rays that leave it."""

    latitude_deg: float
    longitude_deg: float
    antenna_elevation_m: float
    azimuth_deg: Floats
    radius_m: Floats

    def slope(self, ray: Ints, distance_m: Floats, elevation_m: Floats) -> Floats:
        return sight_slope(
            distance_m,
            elevation_m,
            antenna_elevation_m=self.antenna_elevation_m,
            radius_m=self.radius_m[ray][:, None],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One raster's part: its window, the rays through it, and where along each ray it is."""

    index: int
    assured_m: float
    grid: Grid
    paths: RayPaths
    enter_m: Floats
    leave_m: Floats

    def covers(self, ray: Ints, distance_m: Floats) -> Bools:
        """Whether this raster has data at distances (ray, n); nan distances count as not covered."""
        if not self.grid.has_void:
            return np.asarray(
                (distance_m >= self.enter_m[ray][:, None]) & (distance_m <= self.leave_m[ray][:, None])
            )
        paths = self.paths.take(ray)
        near = (distance_m <= self.leave_m[ray][:, None]) & (distance_m >= self.enter_m[ray][:, None])
        if not near.any():
            return np.asarray(near)
        col, row = paths.position_at(paths.t_at(np.where(near, distance_m, 0.0)))
        return np.asarray(near & has_data(self.grid, col, row))


@dataclass(frozen=True, slots=True, eq=False)
class Marched:
    """Rising samples and known stretches of one raster along the rays."""

    ray: Ints
    distance_m: Floats
    elevation_m: Floats
    slope: Floats
    known_ray: Ints
    known_from_m: Floats
    known_to_m: Floats


def layers_around(rasters: Sequence[Elevations], observer: Observer, stop_m: Floats) -> list[Layer]:
    layers = []
    farthest_m = float(np.max(stop_m, initial=0.0))
    for index, raster in enumerate(rasters):
        grid = raster.window(
            observer.latitude_deg, observer.longitude_deg, farthest_m + 3.0 * raster.cell_size_m
        )
        if grid is None or min(grid.values.shape) < 2 or not observer.azimuth_deg.size:
            continue
        length_m = max(
            min(1.0001 * farthest_m, within_m(grid, observer.latitude_deg, observer.longitude_deg)), 1.0
        )
        paths = ray_paths(grid, latitude_deg=observer.latitude_deg, longitude_deg=observer.longitude_deg,
                          azimuth_deg=observer.azimuth_deg, distance_m=length_m)  # fmt: skip
        assured_m = 2.0 * raster.cell_size_m if raster.cell_size_m > FINE_CELL_M else 0.0
        layers.append(Layer(index, assured_m, grid, paths, *extent_m(grid, paths)))
    return layers


def march(
    observer: Observer, layer: Layer, finer: Sequence[Layer], stop_m: Floats, highest_ground_m: float
) -> Marched:
    """Follow all rays through one raster, in bundles that fit the cache."""
    end_m = np.fmin(stop_m, layer.leave_m)
    present = np.flatnonzero((layer.enter_m < end_m) & (layer.paths.length > 0))
    bundles = [present[at : at + _RAYS_TOGETHER] for at in range(0, present.size, _RAYS_TOGETHER)]
    layer.grid.blocks()  # worked out once, before several threads ask for it

    def follow(ray: Ints) -> _Bundle:
        return _march_bundle(observer, layer, finer, ray, end_m, stop_m, highest_ground_m)

    if len(bundles) > 1:  # long array calls let go of the interpreter, so two threads keep two cores busy
        with ThreadPoolExecutor(2) as pool:
            parts = list(pool.map(follow, bundles))
    else:
        parts = [follow(ray) for ray in bundles]
    rising = [piece for part in parts for piece in part[0]]
    known = [part[1] for part in parts]
    if layer.grid.has_void:
        stretches = [np.concatenate(column) if known else np.zeros(0) for column in zip(*known, strict=True)]
        stretches = stretches or [np.zeros(0)] * 3
    else:
        stretches = [present, layer.enter_m[present], layer.leave_m[present]]
    columns = [np.concatenate(column) for column in zip(*rising, strict=True)] or [np.zeros(0)] * 4
    ray, distance_m, elevation_m, slope = columns
    known_ray, from_m, to_m = stretches
    return Marched(
        ray.astype(np.int64), distance_m, elevation_m, slope, known_ray.astype(np.int64), from_m, to_m
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Stages:
    """The stages of _BLOCK lattice lines of each ray, (ray, stage).

    from_m : distance where the stage begins
    hope : highest slope that its ground can show; -inf before the raster begins and beyond the ray's end
    bulge_m : how far its ground can rise between two crossings
    void : whether a void is in it or beside it
    """

    from_m: Floats
    hope: Floats
    bulge_m: Floats
    void: Bools

    def take(self, ray: Ints) -> _Stages:
        return _Stages(self.from_m[ray], self.hope[ray], self.bulge_m[ray], self.void[ray])

    def next_worth(self, stage: Ints, best: Floats) -> tuple[Ints, Bools]:
        """Each ray's next stage that may rise over its best or holds a void; and whether there is none."""
        worth = (self.hope > best[:, None]) | self.void
        worth &= np.arange(worth.shape[1]) > stage[:, None]
        ahead = worth.argmax(axis=1)
        return ahead, ~worth[np.arange(stage.size), ahead]


def _march_bundle(
    observer: Observer, layer: Layer, finer: Sequence[Layer], ray: Ints, end_m: Floats, stop_m: Floats,
    highest_ground_m: float,
) -> _Bundle:  # fmt: skip
    rising: list[tuple[Ints, Floats, Floats, Floats]] = []
    known = _KnownStretches(layer, ray)
    now, who, end, stop = layer.paths.take(ray), ray, end_m[ray], stop_m[ray]
    stages = _stages(observer, layer, now, who, end)
    alive, best, stage = np.arange(ray.size), np.full(ray.size, -np.inf), np.full(ray.size, -1)
    while alive.size:
        stage, over = stages.next_worth(stage, best)
        begins_m = stages.from_m[np.arange(alive.size), stage]
        far = ~over & stages.void.any(axis=1) & (_bound(observer, who, begins_m, highest_ground_m) <= best)
        if over.any() or far.any():
            known.close(alive[over], end[over])
            known.close(alive[far], begins_m[far])
            still = np.flatnonzero(~(over | far))
            alive, best, stage, who = alive[still], best[still], stage[still], who[still]
            now, stages, end, stop = now.take(still), stages.take(still), end[still], stop[still]
        if alive.size:
            seen = crossings(
                layer.grid, now, _BLOCK * stage, _BLOCK + 1
            )  # stages share a line: no cell is left out
            if layer.grid.has_void:
                known.add(alive, seen, end)
            bulge_m = stages.bulge_m[np.arange(alive.size), stage]
            best = _rise(observer, layer, finer, now, who, seen, stop, bulge_m, best, rising)
    return rising, known.stretches()


def _stages(observer: Observer, layer: Layer, paths: RayPaths, ray: Ints, end_m: Floats) -> _Stages:
    blocks = layer.grid.blocks()
    down, across = blocks.highest_m.shape
    last = float(np.max(paths.t_at(end_m[:, None]), initial=0.0))
    count = max(int(np.ceil((last + 1.0) / _BLOCK)), 1)
    shape = (len(paths), count, _BLOCK // BLOCK_CELLS)
    # blocks are looked at 16 lines apart; each also answers for its neighbours, so none is passed by
    probe = paths.behind[:, None] + BLOCK_CELLS * (np.arange(shape[1] * shape[2]) + 0.5)
    col, row = paths.position_at(probe)
    i, j = (np.floor(part / BLOCK_CELLS).astype(np.int64) for part in (row, col))
    beside = (i >= -1) & (j >= -1) & (i <= down) & (j <= across)
    index = np.clip(i, 0, down - 1) * across + np.clip(j, 0, across - 1)
    roof_m = np.where(beside, blocks.highest_m.ravel().take(index), -np.inf).reshape(shape).max(axis=2)
    bulge_m = blocks.rise_m.ravel().take(index).reshape(shape).max(axis=2).astype(float)
    edge_m = np.maximum(
        paths.distance_at(paths.behind[:, None] + _BLOCK * np.arange(count + 1)), NEAREST_SAMPLE_M
    )
    from_m, to_m = edge_m[:, :-1], edge_m[:, 1:]
    begun = (from_m < end_m[:, None]) & (to_m >= layer.enter_m[ray][:, None])
    hope = np.where(begun & np.isfinite(roof_m), _highest_slope(observer, ray, from_m, to_m, roof_m), -np.inf)
    void = np.zeros(begun.shape, bool)
    if layer.grid.has_void:
        near = (blocks.void.ravel().take(index) & beside).reshape(shape).any(axis=2)
        void |= near
        void[:, 1:] |= near[:, :-1]  # a stretch that begins again is seen from its first line
        void[:, :-1] |= near[:, 1:]
        void &= begun
    return _Stages(from_m, hope, bulge_m, void)


def _highest_slope(observer: Observer, ray: Ints, from_m: Floats, to_m: Floats, roof_m: Floats) -> Floats:
    """Highest slope that ground up to roof_m can show between two distances (ray, n): exact on the sphere."""
    radius_m = observer.radius_m[ray][:, None]
    roof_m = np.where(np.isfinite(roof_m), roof_m, 0.0)
    ratio = np.clip((radius_m + roof_m) / (radius_m + observer.antenna_elevation_m), -1.0, 1.0)
    tangent_m = radius_m * np.arccos(
        ratio
    )  # ground below the observer has its largest slope there, ground above at the near end
    return sight_slope(
        np.clip(tangent_m, from_m, to_m),
        roof_m,
        antenna_elevation_m=observer.antenna_elevation_m,
        radius_m=radius_m,
    )


def _rise(
    observer: Observer, layer: Layer, finer: Sequence[Layer], paths: RayPaths, ray: Ints, seen: Crossings,
    stop_m: Floats, bulge_m: Floats, best: Floats,
    rising: list[tuple[Ints, Floats, Floats, Floats]],
) -> Floats:  # fmt: skip
    """Note the samples that rise over everything nearer, and return the new maxima (slopes).

    What a coarse raster shows nearer than `assured_m` is noted too, but hides nothing behind it.
    """
    slope = observer.slope(ray, seen.distance_m, seen.elevation_m)
    slope[seen.distance_m > stop_m[:, None]] = np.nan
    for other in finer:
        slope[other.covers(ray, seen.distance_m)] = np.nan
    near = seen.distance_m < layer.assured_m if layer.assured_m else None
    if near is not None and near.any():
        level = np.full(best.shape, -np.inf)
        _note_steps(observer, layer, paths, ray, seen, np.where(near, slope, np.nan), bulge_m, level, rising)
        slope[near] = np.nan
    return _note_steps(observer, layer, paths, ray, seen, slope, bulge_m, best, rising)


def _note_steps(
    observer: Observer, layer: Layer, paths: RayPaths, ray: Ints, seen: Crossings, slope: Floats, bulge_m: Floats,
    best: Floats,     rising: list[tuple[Ints, Floats, Floats, Floats]],
) -> Floats:  # fmt: skip
    hopeful = np.flatnonzero(np.fmax.reduce(slope, axis=1) + bulge_m / _nearest_m(seen) > best)
    if not hopeful.size:
        return best
    slope, distance_m = slope[hopeful], seen.distance_m[hopeful]
    ladder = np.fmax.accumulate(np.column_stack([best[hopeful], slope]), axis=1)
    row, slot = np.nonzero(ladder[:, 1:] > ladder[:, :-1])
    who = hopeful[row]
    rising.append((ray[who], distance_m[row, slot], seen.elevation_m[who, slot], slope[row, slot]))
    best = best.copy()
    best[hopeful] = ladder[:, -1]
    slack = (bulge_m[hopeful] / _nearest_m(seen)[hopeful])[:, None]
    with np.errstate(invalid="ignore"):
        row, here, there = stretches_beside(distance_m, slope + slack > ladder[:, 1:] + _WORTH_NOTING)
    low, high, level = slope[row, here], slope[row, there], ladder[row, here + 1]
    with np.errstate(invalid="ignore"):
        reach = np.maximum(low, high) + bulge_m[hopeful[row]] / distance_m[row, here]
    chance = np.flatnonzero(reach > level + _WORTH_NOTING)
    who, level = hopeful[row[chance]], level[chance]
    crest_m, height_m = crests(
        layer.grid, paths, seen, who, here[chance], there[chance], (high - low)[chance]
    )
    crest = observer.slope(ray[who], crest_m[:, None], height_m[:, None])[:, 0]
    higher = crest > level + _WORTH_NOTING
    rising.append((ray[who[higher]], crest_m[higher], height_m[higher], crest[higher]))
    np.maximum.at(best, who[higher], crest[higher])
    return best


def _nearest_m(seen: Crossings) -> Floats:
    return np.asarray(np.fmin.reduce(seen.distance_m[:, :8], axis=1))


def stretches_beside(distance_m: Floats, wanted: Bools) -> tuple[Ints, Ints, Ints]:
    """Row and the two slots of crossings that follow each other on a ray, where either is wanted."""
    slots = distance_m.shape[1]
    blank = np.isnan(distance_m)
    row, slot = np.nonzero(wanted)
    before = slot - 1
    while (empty := (before >= 0) & blank[row, before]).any():
        before = before - empty
    begins = np.zeros(wanted.shape, bool)
    begins[row, slot] = True
    begins[row[before >= 0], before[before >= 0]] = True
    begins &= ~blank
    row, here = np.nonzero(begins)
    there = here + 1
    while (empty := (there < slots) & blank[row, np.minimum(there, slots - 1)]).any():
        there = there + empty
    inside = there < slots
    return row[inside], here[inside], there[inside]


def _bound(observer: Observer, ray: Ints, distance_m: Floats, roof_m: float) -> Floats:
    """Highest slope that ground up to roof_m can show at or beyond a distance."""
    beyond_m = np.full((distance_m.size, 1), 1e7)
    roof = np.full((distance_m.size, 1), roof_m)
    return _highest_slope(observer, ray, distance_m[:, None], beyond_m, roof)[:, 0]


class _KnownStretches:
    """From where to where a raster with voids has data along each ray of a bundle."""

    def __init__(self, layer: Layer, ray: Ints) -> None:
        self.ray = ray
        col, row = layer.paths.take(ray).position_at(np.zeros((ray.size, 1)))
        self.open = (layer.enter_m[ray] <= 0) & has_data(layer.grid, col, row)[:, 0]
        self.last_m = np.zeros(ray.size)
        self.starts = [(np.flatnonzero(self.open), np.zeros(int(self.open.sum())))]
        self.stops: list[tuple[Ints, Floats]] = []

    def add(self, alive: Ints, seen: Crossings, end_m: Floats) -> None:
        real = (seen.distance_m <= end_m[:, None]).nonzero()
        who, distance_m = alive[real[0]], seen.distance_m[real]
        if not who.size:
            return
        good = ~np.isnan(seen.elevation_m[real])
        head = np.concatenate([[True], who[1:] != who[:-1]])
        before = np.where(head, self.open[who], np.concatenate([[False], good[:-1]]))
        before_m = np.where(head, self.last_m[who], np.concatenate([[0.0], distance_m[:-1]]))
        start, stop = good & ~before, ~good & before
        self.starts.append((who[start], distance_m[start]))
        self.stops.append((who[stop], before_m[stop]))
        tail = np.concatenate([head[1:], [True]])
        self.open[who[tail]], self.last_m[who[tail]] = good[tail], distance_m[tail]

    def close(self, who: Ints, distance_m: Floats) -> None:
        still = self.open[who]
        self.stops.append((who[still], distance_m[still]))

    def stretches(self) -> tuple[Ints, Floats, Floats]:
        (start, from_m), (stop, to_m) = (
            (np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts]))
            if parts
            else (np.zeros(0, np.int64), np.zeros(0))
            for parts in (self.starts, self.stops)
        )
        first, second = np.lexsort((from_m, start)), np.lexsort((to_m, stop))
        return self.ray[start[first]], from_m[first], to_m[second]

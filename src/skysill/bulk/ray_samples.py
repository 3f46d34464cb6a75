"""Samples of the ground along rays from many places: at lattice lines, and at maxima inside cells."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from skysill.bulk.ray_fan import Rays, Samples, Stretches, main_axis, stretches_to_sample
from skysill.horizon.block_maxima import BLOCK_CELLS, MaximumPyramid
from skysill.horizon.lattice import Grid, LineSampler, chord_elevation_m, chord_maximum, mixed_difference
from skysill.horizon.rays import NEAREST_SAMPLE_M, sight_slope
from skysill.units import Floats, Ints

__all__ = ["first_gap_m", "sampled"]

_ALLOWANCE_M = 0.05
_GAP_RAYS_TOGETHER = 768


def sampled(grid: Grid, rays: Rays, maxima: MaximumPyramid) -> Samples:
    """All samples along rays that look at least as high as least_slope.

    Samples lie where a ray crosses lattice lines, and where ground inside a cell looks higher than both crossings of
    the cell's edge.
    """
    found = [part for batch in stretches_to_sample(rays, maxima) for part in _samples_of(grid, rays, batch)]
    nothing = (np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
    ray, distance_m, elevation_m = (np.concatenate([part[i] for part in (*found, nothing)]) for i in range(3))
    slope = sight_slope(
        distance_m, elevation_m, antenna_elevation_m=rays.antenna_m[ray], radius_m=rays.radius_m[ray]
    )
    kept = slope >= rays.least_slope[ray]
    return Samples(ray[kept], distance_m[kept], elevation_m[kept], slope[kept])


class _Lines:
    """Stretches laid out line by line: line k is the k-th lattice line crossed along the main axis; (stretch, line)."""

    def __init__(self, grid: Grid, rays: Rays, stretches: Stretches) -> None:
        batch, axis, at = stretches.ray, stretches.axis, np.arange(stretches.ray.size)
        rate, bend = rays.first[batch][at, axis], rays.second[batch][at, axis]
        sign = np.where(rate > 0, 1, -1)
        origin = rays.start[batch][at, axis]
        line0 = np.where(sign > 0, np.floor(origin), np.ceil(origin))
        ahead = stretches.first[:, None] + np.arange(stretches.lines + 1)
        t = ahead - np.abs(line0 - origin)[:, None]  # lattice units along the main axis
        speed, turn = np.abs(rate)[:, None], (bend * sign)[:, None]
        distance_m = t / speed
        for _ in range(2):  # Newton's method for speed s + turn s**2 = t
            distance_m -= (distance_m * (speed + turn * distance_m) - t) / (speed + 2.0 * turn * distance_m)
        across = 1 - axis
        other = rays.second[batch][at, across][:, None] * distance_m
        other += rays.first[batch][at, across][:, None]
        other *= distance_m
        other += rays.start[batch][at, across][:, None]
        self.distance_m, self.other, self.cell = distance_m, other, np.floor(other)
        self.lines = line0[:, None] + sign[:, None] * ahead
        self.axis, self.sampler = axis, LineSampler(grid, axis == 0)

    def heights_m(self) -> Floats:
        """Ground on the main lines; nan where it is void or outside."""
        return self.sampler.on_main_line(self.lines, self.other, self.cell)


def _samples_of(grid: Grid, rays: Rays, stretches: Stretches) -> list[tuple[Ints, Floats, Floats]]:
    crossed, batch = _Lines(grid, rays, stretches), stretches.ray
    height_m = crossed.heights_m()
    lowest_m = _lowest_of_interest(rays, batch, crossed.distance_m)
    wanted = (height_m >= lowest_m) & (crossed.distance_m >= rays.near_m)
    wanted &= crossed.distance_m <= rays.limit_m[batch][:, None]
    row, k = np.nonzero(wanted)
    other = _other_crossings(crossed)
    found = [
        (batch[row], crossed.distance_m[row, k], height_m[row, k]),
        _of_interest(rays, batch[other.row], other.distance_m, other.height_m),
    ]
    for part in _chords(crossed, height_m, lowest_m - _largest_rise_m(grid, crossed)[:, None], other):
        ray, distance_m, top_m = _cell_maxima(grid, rays, batch, crossed, part)
        found.append(_of_interest(rays, ray, distance_m, top_m))
    return found


def _lowest_of_interest(rays: Rays, batch: Ints, distance_m: Floats) -> Floats:
    """(stretch, line) height below which ground certainly looks lower than least_slope."""
    slope = rays.least_slope[batch][:, None]
    lowest_m = distance_m * (0.4995 / rays.radius_m[batch])[:, None]
    lowest_m += slope - np.abs(slope) * 2e-3
    lowest_m *= distance_m
    lowest_m += rays.antenna_m[batch][:, None] - _ALLOWANCE_M
    return np.asarray(lowest_m)


def _of_interest(rays: Rays, ray: Ints, distance_m: Floats, height_m: Floats) -> tuple[Ints, Floats, Floats]:
    slope = rays.least_slope[ray]
    lowest_m = rays.antenna_m[ray] + (slope - np.abs(slope) * 2e-3) * distance_m - _ALLOWANCE_M
    with np.errstate(invalid="ignore"):
        wanted = (height_m >= lowest_m) & (distance_m >= rays.near_m) & (distance_m <= rays.limit_m[ray])
    return ray[wanted], distance_m[wanted], height_m[wanted]


@dataclass(frozen=True, slots=True, eq=False)
class _OtherCrossings:
    """Where rays cross a line of the other axis between main lines k and k + 1, at a share `part` of the way."""

    row: Ints
    k: Ints
    part: Floats
    distance_m: Floats
    height_m: Floats


def _other_crossings(crossed: _Lines) -> _OtherCrossings:
    other, cell, lines, distance_m = crossed.other, crossed.cell, crossed.lines, crossed.distance_m
    row, k = np.nonzero(cell[:, 1:] != cell[:, :-1])
    here, ahead = other[row, k], other[row, k + 1]
    line = np.where(ahead > here, cell[row, k] + 1, cell[row, k])
    part = (line - here) / (ahead - here)
    found_m = distance_m[row, k] + part * (distance_m[row, k + 1] - distance_m[row, k])
    nearer = np.minimum(lines[row, k], lines[row, k + 1])
    share = np.where(lines[row, k + 1] > lines[row, k], part, 1.0 - part)
    return _OtherCrossings(row, k, part, found_m, crossed.sampler.on_other_line(nearer, line, share, row))


@dataclass(frozen=True, slots=True, eq=False)
class _Chords:
    """Parts of rays inside one cell, from crossing to crossing, between main lines k and k + 1.

    row : the stretch; since, until : shares of the way from line k to line k + 1
    """

    row: Ints
    k: Ints
    since: Floats
    until: Floats
    from_m: Floats
    to_m: Floats
    low_m: Floats
    high_m: Floats


def _largest_rise_m(grid: Grid, crossed: _Lines) -> Floats:
    """(stretch,) bound of how far ground can rise above a chord: an entry also covers the blocks around its own."""
    middle = crossed.lines.shape[1] // 2
    main, other = crossed.lines[:, middle], crossed.other[:, middle]
    by_column = crossed.axis == 0
    rise_m = grid.blocks().rise_m
    column, row = np.where(by_column, main, other), np.where(by_column, other, main)
    i = np.clip(row // BLOCK_CELLS, 0, rise_m.shape[0] - 1).astype(np.int64)
    j = np.clip(column // BLOCK_CELLS, 0, rise_m.shape[1] - 1).astype(np.int64)
    return np.asarray(rise_m[i, j], dtype=np.float64)


def _chords(crossed: _Lines, height_m: Floats, lowest_m: Floats, other: _OtherCrossings) -> Iterator[_Chords]:
    """The chords whose ends are so high that ground rising between them could look as high as least_slope."""
    higher = np.maximum(height_m[:, :-1], height_m[:, 1:])
    row, k = np.nonzero((higher >= lowest_m[:, :-1]) & (crossed.cell[:, 1:] == crossed.cell[:, :-1]))
    distance_m = crossed.distance_m
    yield _Chords(row, k, np.zeros(row.size), np.ones(row.size), distance_m[row, k], distance_m[row, k + 1],
                  height_m[row, k], height_m[row, k + 1])  # fmt: skip
    row, k, part = other.row, other.k, other.part
    for first in (True, False):
        low_m, high_m = (
            (height_m[row, k], other.height_m) if first else (other.height_m, height_m[row, k + 1])
        )
        some = np.flatnonzero(np.maximum(low_m, high_m) >= lowest_m[row, k])
        r, at, p = row[some], k[some], part[some]
        from_m, to_m = (
            (distance_m[r, at], other.distance_m[some])
            if first
            else (other.distance_m[some], distance_m[r, at + 1])
        )
        yield _Chords(r, at, np.zeros(r.size) if first else p, p if first else np.ones(r.size), from_m, to_m,
                      low_m[some], high_m[some])  # fmt: skip


def _cell_maxima(
    grid: Grid, rays: Rays, batch: Ints, crossed: _Lines, chord: _Chords
) -> tuple[Ints, Floats, Floats]:
    """Where ground on chords looks higher than both ends, as `horizon.rays.crests` finds it: ray, distance, height."""
    known = np.flatnonzero((chord.from_m >= rays.near_m) & ~np.isnan(chord.low_m) & ~np.isnan(chord.high_m))
    row, k, since, until = chord.row[known], chord.k[known], chord.since[known], chord.until[known]
    from_m, to_m, low_m, high_m = (
        part[known] for part in (chord.from_m, chord.to_m, chord.low_m, chord.high_m)
    )
    middle = (since + until) / 2.0
    sideways = crossed.other[row, k + 1] - crossed.other[row, k]
    step = crossed.lines[row, k + 1] - crossed.lines[row, k]
    main, other = crossed.lines[row, k] + step * middle, crossed.other[row, k] + sideways * middle
    by_column = crossed.axis[row] == 0
    mixed = mixed_difference(grid, np.where(by_column, main, other), np.where(by_column, other, main))
    bend_m = -mixed * step * (until - since) ** 2 * sideways
    ray = batch[row]
    near_slope, far_slope = (
        sight_slope(d, h, antenna_elevation_m=rays.antenna_m[ray], radius_m=rays.radius_m[ray])
        for d, h in ((from_m, low_m), (to_m, high_m))
    )
    share = chord_maximum(from_m, to_m, far_slope - near_slope, bend_m)
    at = np.flatnonzero(~np.isnan(share))
    share, from_m, to_m = share[at], from_m[at], to_m[at]
    top_m = chord_elevation_m(low_m[at], high_m[at], bend_m[at], share)
    return ray[at], from_m + share * (to_m - from_m), top_m


def first_gap_m(grid: Grid, rays: Rays) -> Floats:
    """(ray,) ground distance of the last known sample before the first unknown one; inf if that lies past limit_m."""
    gap_m = np.full(len(rays), np.inf)
    axis, per_m = main_axis(rays)
    steps = np.ceil(rays.limit_m * per_m * 1.001).astype(np.int64) + 2
    order = np.argsort(steps, kind="stable")
    for at in range(0, order.size, _GAP_RAYS_TOGETHER):
        batch = order[at : at + _GAP_RAYS_TOGETHER]
        crossed = _Lines(
            grid, rays, Stretches(batch, np.zeros(batch.size, np.int64), int(steps[batch[-1]]), axis[batch])
        )
        # a ray is known out to the limit if the next line is known too
        last_m = rays.limit_m[batch] + 1.0 / np.maximum(per_m[batch], 1e-12)
        counted = (crossed.distance_m >= NEAREST_SAMPLE_M) & (crossed.distance_m <= last_m[:, None])
        unknown = counted & np.isnan(crossed.heights_m())
        ends = unknown.any(axis=1)
        at_line = unknown.argmax(axis=1)
        gap_m[batch[ends]] = crossed.distance_m[ends, np.maximum(at_line[ends] - 1, 0)]
    return np.where(gap_m >= rays.limit_m, np.inf, gap_m)

"""Rays from many places over one lattice, and the stretches of them on which ground could matter.

The lattice, crossings and angles are those of `horizon/terrain.py`, laid out for a hundred thousand places instead of
one. Rays are cut into stretches of a few lattice lines; a stretch is sampled only if the highest ground around it could
look as high as the ray's `least_slope`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from skysill.horizon.block_maxima import MaximumPyramid
from skysill.units import Bools, Floats, Ints

__all__ = ["Rays", "Samples", "Stretches", "distance_to", "main_axis", "stretches_to_sample"]

_LINES = 6
"""Lattice lines in a stretch when it is first tested; half of them in what is sampled of it."""

_TESTED_TOGETHER = 200_000
_SAMPLED_TOGETHER = 12_288
"""Stretches in one batch: what fits in the processor's cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """Rays over one lattice, one entry each.

    place : int, index of the place a ray starts from
    start, first, second : (ray, 2) column and row: at the start, per metre, per square metre
    antenna_m : elevation of the dish centre
    radius_m : effective Earth radius along the ray
    least_slope : lower samples are left out
    limit_m : samples at a larger ground distance are left out
    near_m : samples at a smaller ground distance are left out
    """

    place: Ints
    start: Floats
    first: Floats
    second: Floats
    antenna_m: Floats
    radius_m: Floats
    least_slope: Floats
    limit_m: Floats
    near_m: float

    def __len__(self) -> int:
        return int(self.place.size)

    def take(self, ray: Ints) -> Rays:
        return Rays(
            self.place[ray], self.start[ray], self.first[ray], self.second[ray], self.antenna_m[ray],
            self.radius_m[ray], self.least_slope[ray], self.limit_m[ray], self.near_m,
        )  # fmt: skip

    def at(self, distance_m: Floats) -> tuple[Floats, Floats]:
        """Column and row at a ground distance along each ray."""
        column, row = (self.start + (self.first + self.second * distance_m[:, None]) * distance_m[:, None]).T
        return column, row


_NEVER_M = 1e9


def distance_to(offset: Floats, rate: Floats, bend: Floats) -> Floats:
    """Distance d at which rate * d + bend * d**2 = offset: the root near offset / rate; +-1e9 m where there is none.

    offset : lattice units; rate : lattice units per metre; bend : lattice units per square metre
    """
    rate = np.where(np.abs(rate) < 1e-12, np.copysign(1e-12, rate), rate)
    discriminant = rate * rate + 4.0 * bend * offset
    root = np.copysign(np.sqrt(np.maximum(discriminant, 0.0)), rate)
    return np.where(discriminant < 0.0, np.copysign(_NEVER_M, offset * rate), 2.0 * offset / (rate + root))


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Ground on rays, one entry a sample, in no order: ray, ground distance, elevation, slope at which it is seen."""

    ray: Ints
    distance_m: Floats
    elevation_m: Floats
    slope: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Stretches of rays, one entry each.

    ray : the ray; first : main line (counted along the ray) at which the stretch begins; lines : main lines in each;
    axis : main axis of the ray
    """

    ray: Ints
    first: Ints
    lines: int
    axis: Ints


def main_axis(rays: Rays) -> tuple[Ints, Floats]:
    """The axis along which each ray crosses more lines (0 columns, 1 rows), and lines crossed per metre."""
    axis = np.argmax(np.abs(rays.first), axis=1)
    return axis, np.abs(np.take_along_axis(rays.first, axis[:, None], axis=1)[:, 0])


def stretches_to_sample(rays: Rays, maxima: MaximumPyramid) -> Iterator[Stretches]:
    """The stretches on which ground could look as high as least_slope, in batches: first whole ones are tested by the
    highest ground around them, then the halves of those that remain.
    """
    axis, _ = main_axis(rays)
    heading = _heading(rays, axis)
    begin, end = (
        _line_at(heading, distance_m) for distance_m in (np.full(len(rays), rays.near_m), rays.limit_m)
    )
    begin = np.maximum(np.floor(begin - 0.01), 0.0).astype(np.int64)
    count = np.maximum(np.ceil((end + 0.01 - begin) / _LINES).astype(np.int64), 0)
    ends = np.cumsum(count)
    total = int(ends[-1]) if ends.size else 0
    for low in range(0, total, _TESTED_TOGETHER):
        index = np.arange(low, min(low + _TESTED_TOGETHER, total))
        ray = np.searchsorted(ends, index, side="right")
        first = begin[ray] + (index - (ends[ray] - count[ray])) * _LINES
        kept = _may_matter(rays, maxima, ray, first, heading, _LINES)
        ray, first = np.repeat(ray[kept], 2), np.repeat(first[kept], 2)
        first[1::2] += _LINES // 2
        kept = _may_matter(rays, maxima, ray, first, heading, _LINES // 2)
        ray, first = ray[kept], first[kept]
        for at in range(0, ray.size, _SAMPLED_TOGETHER):
            some = slice(at, at + _SAMPLED_TOGETHER)
            yield Stretches(ray[some], first[some], _LINES // 2, axis[ray[some]])


def _heading(rays: Rays, axis: Ints) -> tuple[Floats, Floats, Floats]:
    """Of each ray along its main axis: lines per metre, per square metre, and how far line 0 lies behind the place."""
    at = np.arange(axis.size)
    rate, bend, origin = (part[at, axis] for part in (rays.first, rays.second, rays.start))
    sign = np.where(rate > 0, 1.0, -1.0)
    behind = np.where(sign > 0, origin - np.floor(origin), np.ceil(origin) - origin)
    return rate * sign, bend * sign, behind


def _line_at(heading: tuple[Floats, Floats, Floats], distance_m: Floats) -> Floats:
    """Number of lattice lines, with a fraction, between line 0 and a distance along each ray."""
    rate, bend, behind = heading
    return np.asarray((rate + bend * distance_m) * distance_m + behind)


def _may_matter(
    rays: Rays,
    maxima: MaximumPyramid,
    ray: Ints,
    first: Ints,
    heading: tuple[Floats, Floats, Floats],
    lines: int,
) -> Bools:
    """(stretch,) whether the highest ground around it could look as high as least_slope."""
    level = maxima.level_for(lines / 2 + 0.25)
    rate, bend, behind = (part[ray] for part in heading)
    middle = first - behind + lines / 2
    middle_m = middle / rate
    middle_m -= (middle_m * (rate + bend * middle_m) - middle) / (rate + 2.0 * bend * middle_m)
    half_m = (lines / 2 + 0.1) / rate
    from_m, to_m = np.maximum(middle_m - half_m, 1.0), middle_m + half_m
    position = rays.start[ray] + (rays.first[ray] + rays.second[ray] * middle_m[:, None]) * middle_m[:, None]
    rise_m = (
        maxima.highest_near(level, position[:, 0], position[:, 1])
        - rays.antenna_m[ray]
        - from_m * from_m / (2.002 * rays.radius_m[ray])
    )
    slope = rise_m / np.where(rise_m > 0.0, from_m, to_m)
    least = rays.least_slope[ray]
    return np.asarray(slope >= least - np.abs(least) * 2e-3 - 1e-4)

"""Quadtree search for the cells of a raster that could come near the rays from many places.

A block is bounded by its highest ground, seen from the block's smallest distance on the azimuth of the block that is
nearest to the ray. Blocks that could come near enough are cut in four, down to single cells. Blocks near the place are
small from the start: except for single cells, no block is tested that is nearer than its own side.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from skysill.bulk.local_maps import LocalMaps
from skysill.horizon.block_maxima import MaximumPyramid
from skysill.units import Bools, Floats, Ints

__all__ = ["Cells", "RayFrames", "cells_near", "ray_frames"]

AngleLimit = Callable[[Ints, Floats], Floats]
"""(place, least distance of ground in metres) -> angle from the ray, degrees, within which such ground counts."""


@dataclass(frozen=True, slots=True, eq=False)
class RayFrames:
    """Rays relative to a lattice, one entry a place.

    column, row : position of the place
    ahead_m, aside_m : (place, 2) metres along the ray's azimuth, and to the right of it, of one column and one row
    half_m : half the diagonal of a cell
    bent : (place, 2, 3) second-degree terms of columns and rows, cells per square metre: ahead**2, ahead * aside,
        aside**2
    bend : largest departure of lattice lines from straight ones at a distance d, over d**2, per metre
    antenna_m, radius_m, reach_m : dish centre, effective Earth radius along the ray, largest distance searched
    sine, cosine : of the ray's apparent elevation
    azimuth_limit_rad : largest azimuth offset searched
    """

    column: Floats
    row: Floats
    ahead_m: Floats
    aside_m: Floats
    half_m: Floats
    bent: Floats
    bend: Floats
    antenna_m: Floats
    radius_m: Floats
    reach_m: Floats
    sine: Floats
    cosine: Floats
    azimuth_limit_rad: Floats

    def take(self, place: Ints) -> RayFrames:
        return RayFrames(*(getattr(self, f.name)[place] for f in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells, or blocks of them, each with the place it is tested for; arrays of one length."""

    place: Ints
    column: Ints
    row: Ints

    def __len__(self) -> int:
        return int(self.place.size)

    def take(self, at: Ints | Bools) -> Cells:
        return Cells(self.place[at], self.column[at], self.row[at])

    def quarters(self) -> Cells:
        """The four blocks of the next finer level that make up each block."""
        count = len(self)
        column, row = np.empty((2, 4, count), dtype=np.int64)
        column[:2], row[::2] = 2 * self.column, 2 * self.row
        column[2:], row[1::2] = 2 * self.column + 1, 2 * self.row + 1
        return Cells(np.tile(self.place, 4), column.ravel(), row.ravel())


def ray_frames(
    maps: LocalMaps, azimuth_deg: Floats, apparent_deg: Floats, *, antenna_m: Floats, radius_m: Floats,
    reach_m: Floats, azimuth_limit_deg: Floats,
) -> RayFrames:  # fmt: skip
    """The rays of places relative to the lattice of `maps`; all arguments (place,)."""
    metres = np.linalg.inv(maps.linear)  # (place, east/north, column/row)
    azimuth_rad, apparent_rad = np.deg2rad(azimuth_deg), np.deg2rad(apparent_deg)
    east, north = np.sin(azimuth_rad)[:, None], np.cos(azimuth_rad)[:, None]
    ahead_m = metres[:, 0] * east + metres[:, 1] * north
    aside_m = metres[:, 0] * north - metres[:, 1] * east
    half_m = 0.5 * np.maximum(*(np.hypot(*(part[:, 0] + sign * part[:, 1] for part in (ahead_m, aside_m)))
                                for sign in (1.0, -1.0)))  # fmt: skip
    east2, mixed, north2 = np.moveaxis(maps.square, 2, 0)
    bent = np.stack([
        east2 * east * east + mixed * east * north + north2 * north * north,
        2.0 * (east2 - north2) * east * north + mixed * (north * north - east * east),
        east2 * north * north - mixed * east * north + north2 * east * east,
    ], axis=2)  # fmt: skip
    bend = 3.0 * half_m * np.abs(bent).sum(axis=2).max(axis=1)
    return RayFrames(maps.start[:, 0], maps.start[:, 1], ahead_m, aside_m, half_m, bent, bend, antenna_m, radius_m,
                  reach_m, np.sin(apparent_rad), np.cos(apparent_rad),
                  np.deg2rad(np.minimum(azimuth_limit_deg, 90.0)))  # fmt: skip


def cells_near(maxima: MaximumPyramid, frames: RayFrames, near_m: float, angle_limit: AngleLimit) -> Cells:
    """All cells that could come within `angle_limit` of the rays; a few others are among them, none is missing.

    near_m : cells that lie wholly nearer than this are left out
    """
    count = frames.column.size
    none = np.zeros(0, dtype=np.int64)
    found = Cells(none, none, none)
    if not count:
        return found
    place_column, place_row = (np.floor(part).astype(np.int64) for part in (frames.column, frames.row))
    cell_m = float(frames.half_m.min()) * np.sqrt(2.0)
    wanted = float(frames.reach_m.max()) / cell_m / 2.0
    top = int(np.clip(np.ceil(np.log2(max(wanted, 1.0))), 0, len(maxima.block_m) - 1))
    single = _SinglePrecision.of(frames)
    level_frame, side_m = (
        _LevelFrame.of(frames),
        0.9 * float(np.hypot(frames.ahead_m, frames.aside_m).min()),
    )
    for level in range(top, -1, -1):
        frame = level_frame.at(
            level, _azimuth_limit_rad(frames, angle_limit, max(near_m, side_m * 2**level if level else 0.0))
        )
        around = int(np.ceil(2.0 * wanted / 2**level)) + 1 if level == top else 3
        tested = _new_blocks(frame, place_column >> level, place_row >> level, around, top=level == top)
        tested = _joined([tested, found.quarters()])
        rows, columns = maxima.block_m[level].shape
        if tested.column.size:
            inside = (
                (tested.column >= 0) & (tested.column < columns) & (tested.row >= 0) & (tested.row < rows)
            )
            if not inside.all():
                tested = tested.take(inside)
        found = tested.take(_may_count(maxima, level, single, tested, near_m, angle_limit))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _SinglePrecision:
    """Ray frames in single precision, for bounds; `columns` in the order in which `_may_count` unpacks them."""

    column: Floats
    row: Floats
    columns: tuple[NDArray[np.float32], ...]

    @classmethod
    def of(cls, frames: RayFrames) -> _SinglePrecision:
        parts = (*frames.ahead_m.T, *frames.aside_m.T, frames.half_m * 1.0001, frames.bend, frames.antenna_m - 1e-3,
                 0.4995 / frames.radius_m, frames.reach_m + 1.0, frames.cosine, frames.sine)  # fmt: skip
        return cls(frames.column, frames.row, tuple(part.astype(np.float32) for part in parts))


def _joined(parts: Sequence[Cells]) -> Cells:
    return Cells(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Cells)))


@dataclass(frozen=True, slots=True, eq=False)
class _LevelFrame:
    """Blocks of one level as seen from any of the places: mean axes, and the largest departure of a place from them.

    ahead_m, aside_m : (2,) of one block; departure_m : (2,) largest departure of any place, per block
    azimuth_limit_rad : largest azimuth offset at which ground as far away as such blocks can matter
    """

    level: int
    ahead_m: Floats
    aside_m: Floats
    departure_m: Floats
    half_m: float
    bend: float
    azimuth_limit_rad: float

    @classmethod
    def of(cls, frames: RayFrames) -> _LevelFrame:
        mean = [part.mean(axis=0) for part in (frames.ahead_m, frames.aside_m)]
        departure_m = np.abs(frames.ahead_m - mean[0]).max(axis=0) + np.abs(frames.aside_m - mean[1]).max(
            axis=0
        )
        return cls(
            0, mean[0], mean[1], departure_m, float(frames.half_m.max()), float(frames.bend.max()), np.inf
        )

    def at(self, level: int, azimuth_limit_rad: float) -> _LevelFrame:
        """The frame of blocks of another level."""
        size = float(2**level)
        return _LevelFrame(level, self.ahead_m * size, self.aside_m * size, self.departure_m * size, self.half_m * size,
                      self.bend, azimuth_limit_rad)  # fmt: skip


def _azimuth_limit_rad(frames: RayFrames, angle_limit: AngleLimit, away_m: float) -> float:
    """Largest azimuth offset at which ground this far away can matter, over all places."""
    places = np.arange(frames.column.size)
    sine_aside = (
        np.sin(np.deg2rad(np.minimum(angle_limit(places, np.full(places.shape, away_m)), 90.0)))
        / frames.cosine
    )
    return float(np.minimum(np.arcsin(np.minimum(sine_aside, 1.0)), frames.azimuth_limit_rad).max())


def _new_blocks(frame: _LevelFrame, column: Ints, row: Ints, around: int, *, top: bool) -> Cells:
    """The blocks of one level whose parents were not tested: those within the ray fan, neither too near nor too far."""
    steps = np.arange(-around, around + 1)
    right, down = (part.ravel() for part in np.meshgrid(steps, steps))
    if frame.level:
        away = np.maximum(np.abs(right), np.abs(down)) > 1
        right, down = right[away], down[away]
    kept = _near_any_ray(frame, right, down)
    right, down = right[kept], down[kept]
    parts = []
    for odd_column in (0, 1):
        for odd_row in (0, 1):
            mine = np.flatnonzero(((column & 1) == odd_column) & ((row & 1) == odd_row))
            new = np.ones(right.size, dtype=bool)
            if not top:  # blocks farther away have a parent that was tested itself
                new = (np.abs((odd_column + right) >> 1) <= 1) & (np.abs((odd_row + down) >> 1) <= 1)
            some = int(new.sum())
            parts.append(Cells(np.tile(mine, some), (column[mine] + right[new][:, None]).ravel(),
                               (row[mine] + down[new][:, None]).ravel()))  # fmt: skip
    return _joined(parts)


def _near_any_ray(frame: _LevelFrame, right: Ints, down: Ints) -> Bools:
    """Whether a block could be in the ray fan of any place, by its offset from the place's own block."""
    ahead_m = right * frame.ahead_m[0] + down * frame.ahead_m[1]
    aside_m = np.abs(right * frame.aside_m[0] + down * frame.aside_m[1])
    away_m = np.hypot(ahead_m, aside_m)
    half_m = 2.0 * frame.half_m + np.abs(right) * frame.departure_m[0] + np.abs(down) * frame.departure_m[1]
    half_m = half_m + frame.bend * away_m**2
    with np.errstate(divide="ignore", invalid="ignore"):
        least_rad = np.arctan2(aside_m, ahead_m) - np.arcsin(np.minimum(half_m / away_m, 1.0))
    return np.asarray((half_m >= away_m) | (least_rad <= frame.azimuth_limit_rad))


def _may_count(
    maxima: MaximumPyramid,
    level: int,
    single: _SinglePrecision,
    tested: Cells,
    near_m: float,
    angle_limit: AngleLimit,
) -> Bools:
    """(block,) whether its ground could come within the angle limit of the ray."""
    place, size, one = tested.place, float(2**level), np.float32(1.0)
    top_m = maxima.block_m[level].ravel().take(tested.row * maxima.block_m[level].shape[1] + tested.column)
    right = ((tested.column + 0.5) * size - single.column.take(place)).astype(np.float32)
    down = ((tested.row + 0.5) * size - single.row.take(place)).astype(np.float32)
    ahead0, ahead1, aside0, aside1, half, bend, antenna_m, sag, reach_m, cosine, sine = (
        part.take(place) for part in single.columns
    )
    ahead_m = right * ahead0 + down * ahead1
    aside_m = np.abs(right * aside0 + down * aside1)
    away2 = ahead_m * ahead_m + aside_m * aside_m
    away_m = np.sqrt(away2)
    half_m = half * np.float32(size) + bend * away2
    far_m, from_m = away_m + half_m, np.maximum(away_m - half_m, np.float32(near_m))
    rise_m = np.maximum(top_m, np.float32(-1e5)) - antenna_m - from_m * from_m * sag
    slope = rise_m / np.where(rise_m > 0.0, from_m, far_m)
    # direction to the block turned toward the ray by half the angle the block covers; the place's own has none
    with np.errstate(divide="ignore", invalid="ignore"):
        wide = np.minimum(half_m / away_m, one)
        narrow = np.sqrt(one - wide * wide)
        across = (aside_m * narrow - ahead_m * wide) / away_m
        along = (ahead_m * narrow + aside_m * wide) / away_m
    contains_ray = (wide >= one) | ((across <= 0.0) & (along >= 0.0))
    across, along = np.where(contains_ray, np.float32(0.0), across), np.where(contains_ray, one, along)
    sine_aside, toward = across * cosine, along * cosine
    under = (toward + slope * sine) / np.sqrt(one + slope * slope)
    near = np.where(
        slope * toward < sine, under, np.sqrt(np.maximum(one - sine_aside * sine_aside, np.float32(0.0)))
    )
    counts = (far_m > near_m) & (from_m <= reach_m) & (along > 0.0)
    enough = np.cos(np.deg2rad(angle_limit(place, from_m).astype(np.float32) + _ROUNDED_DEG))
    return np.asarray(counts & (near >= enough))


_ROUNDED_DEG = np.float32(0.03)
"""Largest rounding error of single precision in an angle of 0.01 degree; it is smaller in larger angles."""

"""Which cells of a raster could come near the rays from many places: from large blocks down to single cells.

A block is bounded by its highest ground, seen from as near as it can be, on the azimuth nearest to the ray that any
of it can have. Blocks that might come near enough are cut in four, down to cells. Near the place blocks are small from
the beginning: no block is asked that is not at least its own length away, but for single cells.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from skysill.bulk.local_maps import LocalMaps
from skysill.horizon.block_maxima import MaximumPyramid
from skysill.units import Bools, Floats, Ints

__all__ = ["Cells", "Sights", "cells_near", "sights"]

Widest = Callable[[Ints, Floats], Floats]
"""Of places, and ground at least so far away: the angle from the ray, degrees, within which it counts."""


@dataclass(frozen=True, slots=True, eq=False)
class Sights:
    """Rays as they lie over a lattice, one entry a place.

    column, row : where the place is
    ahead_m, aside_m : (place, 2) metres along the ray's azimuth, and to the right of it, of one column and one row
    half_m : half the diagonal of a cell
    bent : (place, 2, 3) cells, of columns and of rows, per square metre: ahead**2, ahead * aside, aside**2
    bend : what lattice lines bend off straight at a distance d, at most, over d**2, per metre
    antenna_m, radius_m, reach_m : dish centre, effective Earth radius along the ray, largest distance of interest
    sine, cosine : of the ray's apparent elevation
    widest_rad : the azimuth offset beyond which nothing is asked
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
    widest_rad: Floats

    def take(self, place: Ints) -> Sights:
        return Sights(*(getattr(self, f.name)[place] for f in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells, or blocks of them, each with the place that looks at it; arrays of one length."""

    place: Ints
    column: Ints
    row: Ints

    def __len__(self) -> int:
        return int(self.place.size)

    def take(self, at: Ints | Bools) -> Cells:
        return Cells(self.place[at], self.column[at], self.row[at])

    def quartered(self) -> Cells:
        """The four of the next finer level that make up each block."""
        count = len(self)
        column, row = np.empty((2, 4, count), dtype=np.int64)
        column[:2], row[::2] = 2 * self.column, 2 * self.row
        column[2:], row[1::2] = 2 * self.column + 1, 2 * self.row + 1
        return Cells(np.tile(self.place, 4), column.ravel(), row.ravel())


def sights(
    maps: LocalMaps, azimuth_deg: Floats, apparent_deg: Floats, *, antenna_m: Floats, radius_m: Floats,
    reach_m: Floats, widest_deg: Floats,
) -> Sights:  # fmt: skip
    """The frames of rays over the lattice that `maps` lead to; shapes (place,)."""
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
    return Sights(maps.start[:, 0], maps.start[:, 1], ahead_m, aside_m, half_m, bent, bend, antenna_m, radius_m,
                  reach_m, np.sin(apparent_rad), np.cos(apparent_rad),
                  np.deg2rad(np.minimum(widest_deg, 90.0)))  # fmt: skip


def cells_near(maxima: MaximumPyramid, sights: Sights, near_m: float, widest: Widest) -> Cells:
    """All cells that could come as near to the rays as `widest` says; others may be among them, none is missing.

    near_m : cells wholly nearer than this are left out
    """
    count = sights.column.size
    none = np.zeros(0, dtype=np.int64)
    found = Cells(none, none, none)
    if not count:
        return found
    place_column, place_row = (np.floor(part).astype(np.int64) for part in (sights.column, sights.row))
    cell_m = float(sights.half_m.min()) * np.sqrt(2.0)
    wanted = float(sights.reach_m.max()) / cell_m / 2.0
    top = int(np.clip(np.ceil(np.log2(max(wanted, 1.0))), 0, len(maxima.block_m) - 1))
    quick = _Quick.of(sights)
    level_frame, side_m = _Frame.of(sights), 0.9 * float(np.hypot(sights.ahead_m, sights.aside_m).min())
    for level in range(top, -1, -1):
        frame = level_frame.at(
            level, _widest_rad(sights, widest, max(near_m, side_m * 2**level if level else 0.0))
        )
        around = int(np.ceil(2.0 * wanted / 2**level)) + 1 if level == top else 3
        asked = _ring(frame, place_column >> level, place_row >> level, around, top=level == top)
        asked = _together([asked, found.quartered()])
        rows, columns = maxima.block_m[level].shape
        if asked.column.size:
            inside = (asked.column >= 0) & (asked.column < columns) & (asked.row >= 0) & (asked.row < rows)
            if not inside.all():
                asked = asked.take(inside)
        found = asked.take(_worth(maxima, level, quick, asked, near_m, widest))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Quick:
    """Sights in single precision, for bounds; `columns` in the order in which `_worth` unpacks them."""

    column: Floats
    row: Floats
    columns: tuple[NDArray[np.float32], ...]

    @classmethod
    def of(cls, sights: Sights) -> _Quick:
        parts = (*sights.ahead_m.T, *sights.aside_m.T, sights.half_m * 1.0001, sights.bend, sights.antenna_m - 1e-3,
                 0.4995 / sights.radius_m, sights.reach_m + 1.0, sights.cosine, sights.sine)  # fmt: skip
        return cls(sights.column, sights.row, tuple(part.astype(np.float32) for part in parts))


def _together(parts: Sequence[Cells]) -> Cells:
    return Cells(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Cells)))


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """What holds for blocks of one level seen from any of the places: mean axes, and how far places differ from them.

    ahead_m, aside_m : (2,) of one block; off_m : (2,) the most that any place differs, a block
    widest_rad : azimuth offset beyond which no ground as far off as such blocks are counts
    """

    level: int
    ahead_m: Floats
    aside_m: Floats
    off_m: Floats
    half_m: float
    bend: float
    widest_rad: float

    @classmethod
    def of(cls, sights: Sights) -> _Frame:
        mean = [part.mean(axis=0) for part in (sights.ahead_m, sights.aside_m)]
        off_m = np.abs(sights.ahead_m - mean[0]).max(axis=0) + np.abs(sights.aside_m - mean[1]).max(axis=0)
        return cls(0, mean[0], mean[1], off_m, float(sights.half_m.max()), float(sights.bend.max()), np.inf)

    def at(self, level: int, widest_rad: float) -> _Frame:
        """The same for blocks of another level."""
        size = float(2**level)
        return _Frame(level, self.ahead_m * size, self.aside_m * size, self.off_m * size, self.half_m * size,
                      self.bend, widest_rad)  # fmt: skip


def _widest_rad(sights: Sights, widest: Widest, away_m: float) -> float:
    """Azimuth offset beyond which no ground so far off counts, for none of the places."""
    places = np.arange(sights.column.size)
    beside = (
        np.sin(np.deg2rad(np.minimum(widest(places, np.full(places.shape, away_m)), 90.0))) / sights.cosine
    )
    return float(np.minimum(np.arcsin(np.minimum(beside, 1.0)), sights.widest_rad).max())


def _ring(frame: _Frame, column: Ints, row: Ints, around: int, *, top: bool) -> Cells:
    """The blocks of one level that are asked without their parents having been: in the fan, not too near or far."""
    steps = np.arange(-around, around + 1)
    right, down = (part.ravel() for part in np.meshgrid(steps, steps))
    if frame.level:
        away = np.maximum(np.abs(right), np.abs(down)) > 1
        right, down = right[away], down[away]
    kept = _in_any_fan(frame, right, down)
    right, down = right[kept], down[kept]
    parts = []
    for odd_column in (0, 1):
        for odd_row in (0, 1):
            mine = np.flatnonzero(((column & 1) == odd_column) & ((row & 1) == odd_row))
            fresh = np.ones(right.size, dtype=bool)
            if not top:  # blocks farther off than this have a parent that was asked itself
                fresh = (np.abs((odd_column + right) >> 1) <= 1) & (np.abs((odd_row + down) >> 1) <= 1)
            some = int(fresh.sum())
            parts.append(Cells(np.tile(mine, some), (column[mine] + right[fresh][:, None]).ravel(),
                               (row[mine] + down[fresh][:, None]).ravel()))  # fmt: skip
    return _together(parts)


def _in_any_fan(frame: _Frame, right: Ints, down: Ints) -> Bools:
    """Whether a block so many blocks away from a place's own could be in the fan of any place."""
    ahead_m = right * frame.ahead_m[0] + down * frame.ahead_m[1]
    aside_m = np.abs(right * frame.aside_m[0] + down * frame.aside_m[1])
    away_m = np.hypot(ahead_m, aside_m)
    half_m = 2.0 * frame.half_m + np.abs(right) * frame.off_m[0] + np.abs(down) * frame.off_m[1]
    half_m = half_m + frame.bend * away_m**2
    with np.errstate(divide="ignore", invalid="ignore"):
        least_rad = np.arctan2(aside_m, ahead_m) - np.arcsin(np.minimum(half_m / away_m, 1.0))
    return np.asarray((half_m >= away_m) | (least_rad <= frame.widest_rad))


def _worth(
    maxima: MaximumPyramid, level: int, quick: _Quick, asked: Cells, near_m: float, widest: Widest
) -> Bools:
    """Whether blocks could come near enough."""
    place, size, one = asked.place, float(2**level), np.float32(1.0)
    top_m = maxima.block_m[level].ravel().take(asked.row * maxima.block_m[level].shape[1] + asked.column)
    right = ((asked.column + 0.5) * size - quick.column.take(place)).astype(np.float32)
    down = ((asked.row + 0.5) * size - quick.row.take(place)).astype(np.float32)
    ahead0, ahead1, aside0, aside1, half, bend, antenna_m, sag, reach_m, cosine, sine = (
        part.take(place) for part in quick.columns
    )
    ahead_m = right * ahead0 + down * ahead1
    aside_m = np.abs(right * aside0 + down * aside1)
    away2 = ahead_m * ahead_m + aside_m * aside_m
    away_m = np.sqrt(away2)
    half_m = half * np.float32(size) + bend * away2
    far_m, from_m = away_m + half_m, np.maximum(away_m - half_m, np.float32(near_m))
    rise_m = np.maximum(top_m, np.float32(-1e5)) - antenna_m - from_m * from_m * sag
    slope = rise_m / np.where(rise_m > 0.0, from_m, far_m)
    # turned towards the ray by half of what the block fills
    wide = np.minimum(half_m / away_m, one)
    narrow = np.sqrt(one - wide * wide)
    across = (aside_m * narrow - ahead_m * wide) / away_m
    along = (ahead_m * narrow + aside_m * wide) / away_m
    holds = (wide >= one) | ((across <= 0.0) & (along >= 0.0))
    across, along = np.where(holds, np.float32(0.0), across), np.where(holds, one, along)
    beside, toward = across * cosine, along * cosine
    under = (toward + slope * sine) / np.sqrt(one + slope * slope)
    near = np.where(slope * toward < sine, under, np.sqrt(np.maximum(one - beside * beside, np.float32(0.0))))
    counts = (far_m > near_m) & (from_m <= reach_m) & (along > 0.0)
    enough = np.cos(np.deg2rad(widest(place, from_m).astype(np.float32) + _ROUNDED_DEG))
    return np.asarray(counts & (near >= enough))


_ROUNDED_DEG = np.float32(0.03)
"""What single precision can amount to in an angle of a hundredth of a degree; less in larger ones."""

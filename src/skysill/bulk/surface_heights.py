"""Least heights of a dish over every cell of a fine surface raster, with the required room around the ray.

The dish stands on the surface itself: on a roof, or on the ground. A point of the surface at q asks for the dish centre
at `z(q) - allowed_rise(q - p)` at least (`sight_lines`), and the height of p is the largest of these over all samples
that the assessment of one mount would take, less z(p).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from skysill.bulk.raster_tiles import Tile
from skysill.bulk.running_maximum import NO_GROUND_M, GridValues
from skysill.bulk.sight_lines import GROUP_CELLS, SightLines
from skysill.units import Bools, Ints

__all__ = ["SurfaceWindow", "may_meet_void", "raised_levels_m", "surface_window"]


_Kind = TypeVar("_Kind", bound=np.generic)


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceWindow:
    """A window of a surface raster, and maxima by which most of its cells are ruled out.

    tile : which rows and columns of the raster
    elevation_m : (row, column) float32; voids are NO_GROUND_M
    cell_m : (row, column) highest of a cell's four nodes; group_m : of the GROUP_CELLS cells a side from there on
    void_cell, void_group : the same for voids; None where the window has none
    """

    tile: Tile
    elevation_m: GridValues
    cell_m: GridValues
    group_m: GridValues
    void_cell: Bools | None
    void_group: Bools | None


def surface_window(elevation_m: GridValues, tile: Tile) -> SurfaceWindow:
    """A window with its maxima; elevation_m : (row, column) float32, nan = void or outside the raster."""
    void = np.isnan(elevation_m)
    ground_m = np.where(void, np.float32(NO_GROUND_M), elevation_m).astype(np.float32)
    cell_m = _sliding(ground_m, 2)
    some = bool(void.any())
    void_cell = _sliding(void, 2) if some else None
    return SurfaceWindow(tile, ground_m, cell_m, _sliding(cell_m, GROUP_CELLS), void_cell,
                         None if void_cell is None else _sliding(void_cell, GROUP_CELLS))  # fmt: skip


def _sliding(values: NDArray[_Kind], side: int) -> NDArray[_Kind]:
    """Maxima over squares of `side` (a power of two) from each place on; at the end over what there is."""
    whole, step = values.copy(), 1
    while step < side:
        whole[:-step] = np.maximum(whole[:-step], whole[step:])
        whole[:, :-step] = np.maximum(whole[:, :-step], whole[:, step:])
        step *= 2
    return whole


def raised_levels_m(window: SurfaceWindow, part: Tile, lines: SightLines, level_m: GridValues) -> GridValues:
    """Least elevations of the dish centre over the nodes of a small part of the window.

    Parameters
    ----------
    window : the part and all ground that its sight lines cross
    part : the nodes; lines : their sight lines
    level_m : (row, column) float32; elevations that the dish has in any case, often the surface itself

    Returns
    -------
    (row, column) float32, not below level_m

    Notes
    -----
    All arithmetic is element-wise float32: the same bits on any processor.
    """
    width = window.elevation_m.shape[1]
    level = np.ascontiguousarray(level_m, dtype=np.float32).ravel().copy()
    ground, highest = window.elevation_m.ravel(), window.cell_m.ravel()
    base = _flat_indices(window, part)
    rise = lines.least_rise_m.astype(np.float32)
    for begin, end in zip(lines.group[:-1], lines.group[1:], strict=True):
        corner = (
            lines.row[begin] // GROUP_CELLS * GROUP_CELLS,
            lines.column[begin] // GROUP_CELLS * GROUP_CELLS,
        )
        above = _shifted(window, window.group_m, part, *corner).ravel()
        live = np.flatnonzero(above - rise[begin:end].min() > level)
        if not live.size:
            continue
        for cell in begin + np.argsort(rise[begin:end], kind="stable"):  # the most demanding rule others out
            start = base[live] + (lines.row[cell] * width + lines.column[cell])
            near = np.flatnonzero(highest.take(start) - rise[cell] > level.take(live))
            if near.size:
                at = live[near]
                level[at] = np.maximum(level[at], _asked_by_cell(ground, width, start[near], lines, cell))
    return level.reshape(part.shape)


_TOGETHER = 64_000


def _asked_by_cell(ground: GridValues, width: int, start: Ints, lines: SightLines, cell: int) -> GridValues:
    """(n,) elevation of the dish centre that one cell of the sight lines asks for; start : its upper left nodes."""
    chords = slice(int(lines.first[cell]), int(lines.first[cell + 1]))
    count = chords.stop - chords.start
    if start.size * count > _TOGETHER and start.size > 1:
        step = max(1, _TOGETHER // count)
        parts = [
            _asked_by_cell(ground, width, start[k : k + step], lines, cell)
            for k in range(0, start.size, step)
        ]
        return np.concatenate(parts)
    corner = ground.take(start)[:, None]
    right, down = ground.take(start + 1)[:, None] - corner, ground.take(start + width)[:, None] - corner
    mixed = ground.take(start + (width + 1))[:, None] - corner - right - down

    def asked(place: NDArray[np.float64], rise_m: NDArray[np.float64]) -> GridValues:
        x, y = place.astype(np.float32).T
        return np.asarray(corner + right * x + down * y + mixed * (x * y) - rise_m.astype(np.float32))

    near, far = lines.near[chords], lines.far[chords]
    first, last = asked(near, lines.near_rise_m[chords]), asked(far, lines.far_rise_m[chords])
    whole = np.maximum(first, last)
    crossed = np.prod(far - near, axis=1).astype(np.float32)
    bend = -mixed * crossed
    with np.errstate(invalid="ignore", divide="ignore"):
        change = last - first
        bulging = bend > np.abs(change)
        if bulging.any():
            share = np.float32(0.5) + change / (np.float32(2.0) * bend)
            sag = lines.sag_m[chords].astype(np.float32)
            crest = first + share * change + (bend - sag) * share * (np.float32(1.0) - share)
            whole = np.where(bulging, np.maximum(whole, crest), whole)
    return np.asarray(whole.max(axis=1))


def _flat_indices(window: SurfaceWindow, part: Tile) -> Ints:
    row = np.arange(part.top, part.bottom) - window.tile.top
    column = np.arange(part.left, part.right) - window.tile.left
    return np.asarray((row[:, None] * window.elevation_m.shape[1] + column).ravel(), dtype=np.int64)


def _shifted(
    window: SurfaceWindow, values: NDArray[_Kind], part: Tile, row: int, column: int
) -> NDArray[_Kind]:
    """Values at an offset from each node of a part."""
    top, left = part.top - window.tile.top + row, part.left - window.tile.left + column
    return values[top : top + part.shape[0], left : left + part.shape[1]]


def may_meet_void(
    window: SurfaceWindow,
    part: Tile,
    lines: SightLines,
    level_m: GridValues,
    *,
    highest_ground_m: float,
    within_m: float = np.inf,
) -> Bools:
    """Whether a void that sight lines cross could hold ground that takes the room: (row, column).

    level_m : (row, column) elevation of the dish centres
    highest_ground_m : no ground is higher; within_m : ground distance beyond which voids do not count
    """
    unknown = np.zeros(part.shape, dtype=bool)
    if window.void_cell is None or window.void_group is None:
        return unknown
    reached_m = np.float32(highest_ground_m) - level_m
    for begin, end in zip(lines.group[:-1], lines.group[1:], strict=True):
        if lines.nearest_m[begin:end].min() > within_m:
            continue
        corner = (
            lines.row[begin] // GROUP_CELLS * GROUP_CELLS,
            lines.column[begin] // GROUP_CELLS * GROUP_CELLS,
        )
        able = _shifted(window, window.void_group, part, *corner) & ~unknown
        if not (able & (reached_m > lines.least_rise_m[begin:end].min())).any():
            continue
        for cell in range(begin, end):
            if lines.nearest_m[cell] <= within_m:
                void = _shifted(window, window.void_cell, part, int(lines.row[cell]), int(lines.column[cell]))
                unknown |= void & (reached_m > lines.least_rise_m[cell])
    return unknown

"""Search of one raster around a place by blocks, near ones first, down to cells and their edges.

A block that cannot matter is left out (`block_frame.block_matters`). In a cell the angle to each edge is
bounded in closed form (`edge_room.edge_bound`), and only the rays beside the nearest point are sampled, exactly
where `check` samples them; along an edge the spare room falls towards that point from both sides. Where ground
inside a cell may look higher than its edges, some of its rays are sampled as a whole, then those beside the
best.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.block_frame import (
    DOUBT,
    F_AHEAD_COLUMN,
    F_AHEAD_ROW,
    F_ASIDE_COLUMN,
    F_ASIDE_ROW,
    F_BEND_2,
    F_BEND_3,
    F_COLUMN,
    F_COSINE,
    F_EYE,
    F_HALF,
    F_HALF_DISH,
    F_LEAST,
    F_MOST,
    F_OFF,
    F_ROW,
    F_WIDE,
    F_ZONE,
    LEAST_EYE,
    NOTE,
    OPEN,
    block_matters,
    errors_reach,
    node_at,
)
from skysill.bulk.compiled.edge_columns import note_cell
from skysill.bulk.compiled.edge_room import NO_CROSSING, crest, crossing, edge_bound, spare_of
from skysill.bulk.compiled.fan_rays import V_LAST, ray_from, ray_laid, ray_until
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import LEVEL_0, LEVELS, NO_GROUND_M, OFFSET

__all__ = ["B_FIELDS", "B_MARGIN", "B_MOST_EYE", "B_SLANT", "B_SPARE", "STACK_FIELDS", "search_blocks"]

# what is found: least spare room and margin (radians), slant distance; the eye above which nobody asks
B_SPARE, B_MARGIN, B_SLANT, B_MOST_EYE = range(4)
B_FIELDS = 4
STACK_FIELDS = 3

_NO_RISE = 1e-5
_NO_SPARE = 1e-9
"""Radians by which the room may be short: rounding, 0.02 mm at 20 km."""

_MOST_STEPS = 100
_FIRST_RAYS = 8
"""At most so many rays of a cell are sampled before those beside the best."""


@compiled
def _first_blocks(part: Any, frame: Any, stack: Any) -> int:
    """Put blocks that hold the whole fan on the stack; returns how many."""
    rows, columns = part[OFFSET + 1], part[OFFSET + 2]
    reach_m = frame[F_MOST]
    half_m = reach_m * min(frame[F_WIDE], 1.0) * 1.05 + reach_m * reach_m * 3e-7
    # columns and rows a metre ahead and aside: the map backwards
    determinant = frame[F_AHEAD_COLUMN] * frame[F_ASIDE_ROW] - frame[F_AHEAD_ROW] * frame[F_ASIDE_COLUMN]
    ahead_c, ahead_r = frame[F_ASIDE_ROW] / determinant, -frame[F_ASIDE_COLUMN] / determinant
    aside_c, aside_r = -frame[F_AHEAD_ROW] / determinant, frame[F_AHEAD_COLUMN] / determinant
    bent = reach_m * reach_m * (frame[F_BEND_2] + frame[F_BEND_3] * reach_m) / frame[F_HALF]
    behind_m = 0.0
    if frame[F_WIDE] > 5.0:
        behind_m, half_m = reach_m, reach_m
    left, right, upper, lower = 1e30, -1e30, 1e30, -1e30
    for ahead in (-behind_m, reach_m):
        for aside in (-half_m, half_m):
            c = frame[F_COLUMN] + ahead * ahead_c + aside * aside_c
            r = frame[F_ROW] + ahead * ahead_r + aside * aside_r
            left, right, upper, lower = min(left, c), max(right, c), min(upper, r), max(lower, r)
    pad = 1.0 + bent + frame[F_OFF] * (abs(ahead_c) + abs(aside_c) + abs(ahead_r) + abs(aside_r))
    left, right = max(left - pad, 0.0), min(right + pad, columns - 2.0)
    upper, lower = max(upper - pad, 0.0), min(lower + pad, rows - 2.0)
    if left > right or upper > lower:
        return 0
    c0, c1, r0, r1 = int(left) >> 1, int(right) >> 1, int(upper) >> 1, int(lower) >> 1
    level = 0
    while (c1 - c0 > 1 or r1 - r0 > 1) and level < part[LEVELS] - 1:
        c0, c1, r0, r1, level = c0 >> 1, c1 >> 1, r0 >> 1, r1 >> 1, level + 1
    count = 0
    for i in range(r0, r1 + 1):
        for j in range(c0, c1 + 1):
            stack[count, 0], stack[count, 1], stack[count, 2] = level, i, j
            count += 1
    # the block of the place itself, or the one nearest to it, last
    size = 1 << (level + 1)
    nearest, least = count - 1, 1e30
    for k in range(count):
        off = abs((stack[k, 2] + 0.5) * size - frame[F_COLUMN]) + abs(
            (stack[k, 1] + 0.5) * size - frame[F_ROW]
        )
        if off < least:
            nearest, least = k, off
    for field in range(STACK_FIELDS):
        stack[nearest, field], stack[count - 1, field] = stack[count - 1, field], stack[nearest, field]
    return count


@compiled
def _bulge_m(frame: Any, row: int, column: int, mixed: float) -> float:
    """How far ground inside a cell may rise over straight lines from edge to edge along rays; 0: it does not."""
    if mixed != mixed:  # a void
        return 0.0
    right, down = abs(column + 0.5 - frame[F_COLUMN]), abs(row + 0.5 - frame[F_ROW])
    if right > 1.0 and down > 1.0:
        # along rays that go to the right and down, or to the left and up, the ground bends with the mixed
        # difference
        if (mixed > 0.0) == ((column + 0.5 > frame[F_COLUMN]) == (row + 0.5 > frame[F_ROW])):
            return 0.0
        share = min((down + 0.6) / (right - 0.6), (right + 0.6) / (down - 0.6), 1.0)
        return float(0.25 * abs(mixed) * share)
    return 0.25 * abs(mixed)


@compiled
def _errors_reach(frame: Any, lifts: Any, corner: Any, bulge_m: float, nearest_m: float) -> bool:
    """Whether the kept samples of the stated errors could bring ground of a cell into the required room."""
    top_m, aside_m, left, right, farthest_m = -1e9, 1e30, False, False, nearest_m
    at, least = 0, 1e30
    for k in range(4):
        ahead, aside, above = corner[k, 0], corner[k, 1], corner[k, 2]
        if above > top_m:
            top_m = above
        left, right = left or aside <= 0.0, right or aside >= 0.0
        if ahead <= 0.0:
            aside_m = 0.0
        beside = abs(aside) / max(ahead, 1e-3)
        if beside < least:
            at, least = k, beside
        farthest_m = max(farthest_m, np.hypot(ahead, aside))
    top_m += bulge_m
    slope = top_m / (nearest_m if top_m > 0.0 else farthest_m)
    slope += 1e-3 * abs(slope)
    ahead, aside = corner[at, 0], abs(corner[at, 1])
    if (left and right) or aside_m == 0.0:
        ahead, aside = 1.0, 0.0
    return errors_reach(frame, lifts, slope, ahead, aside, np.hypot(ahead, aside), 0.0, nearest_m, farthest_m)


@compiled
def _needed_eye_m(
    ray: Any, d: float, z: float, spare: float, slant_m: float, frame: Any, most_m: float
) -> float:
    """The least eye that leaves the room beside a sample, to a hundredth of a millimetre; inf above most_m."""
    before, low, low_spare = frame[F_EYE], frame[F_EYE], spare
    high = low - 1.2 * spare * slant_m + 0.01
    while True:
        frame[F_EYE] = high
        high_spare = spare_of(ray, d, z, frame)[0]
        if high_spare >= 0.0:
            break
        if high > most_m:
            frame[F_EYE] = before
            return np.inf
        low, low_spare, high = high, high_spare, high + 2.0 * (high - low)
    for _ in range(_MOST_STEPS):
        if high - low <= 1e-5 or not low_spare < high_spare:
            break
        share = min(max(low_spare / (low_spare - high_spare), 0.02), 0.98)
        frame[F_EYE] = low + share * (high - low)
        there = spare_of(ray, d, z, frame)[0]
        if there >= 0.0:
            high, high_spare = frame[F_EYE], there
        else:
            low, low_spare = frame[F_EYE], there
    frame[F_EYE] = before
    return float(high)


@compiled
def _kept(ray: Any, d: float, z: float, mode: int, frame: Any, found: Any) -> tuple[float, bool]:
    """Spare room of a sample, from the eye that it needs where the least one is looked for; whether that is news."""
    spare, margin, slant_m = spare_of(ray, d, z, frame)
    if mode == LEAST_EYE:
        if not spare < -_NO_SPARE:
            return spare, False
        frame[F_EYE] = _needed_eye_m(ray, d, z, spare, slant_m, frame, found[B_MOST_EYE])
        return 0.0, True
    if spare >= found[B_SPARE]:
        return spare, False
    found[B_SPARE], found[B_MARGIN], found[B_SLANT] = spare, margin, slant_m
    return spare, True


@compiled
def _chord(
    frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any, mode: int, i: int,
    column: int,
    row: int, nodes: Any, found: Any,
) -> tuple[float, bool]:  # fmt: skip
    """Spare room of the highest-looking ground between the edges of a cell on one ray; whether that is news."""
    ray = ray_laid(fan, heading, terms, turns, rays, laid, i)
    d, z = crest(ray, frame, column, row, nodes)
    if d == NO_CROSSING:
        return 1e9, False
    return _kept(ray, d, z, mode, frame, found)


@compiled
def _inside(
    frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any, mode: int, bounded: bool,
    column: int, row: int, corner: Any, nodes: Any, nearest_m: float, found: Any,
) -> bool:  # fmt: skip
    """Sample some of the rays that pass through a cell, then those beside the best."""
    left, right, behind = 1e9, -1e9, False
    for k in range(4):
        off = np.arctan2(corner[k, 1], corner[k, 0])
        left, right, behind = min(left, off), max(right, off), behind or corner[k, 0] < 0.0
    if bounded and not behind:
        spare = 0.0 if mode == LEAST_EYE else found[B_SPARE]
        room = np.arctan((frame[F_HALF_DISH] + frame[F_ZONE] * np.sqrt(nearest_m)) / nearest_m)
        beside = np.sin(min(max(spare + room, 0.0), 1.57)) / frame[F_COSINE]
        most = np.arcsin(beside) + 1e-3 if beside < 1.0 else np.pi
        left, right = max(left, -most), min(right, most)
    first, last = ray_from(fan, left - 1e-7), ray_until(fan, right + 1e-7)
    if behind and right - left > np.pi:
        first, last = 0, fan[V_LAST]
    first, last = max(first, 0), min(last, fan[V_LAST])
    changed, best, nearest = False, 1e9, first
    step = 1
    # of a cell that begins nearer than ground counts only some rays have a sample: all of them are looked at
    while bounded and nearest_m > frame[F_LEAST] and (last - first) // step > _FIRST_RAYS:
        step *= 2
    for i in range(first, last + 1, step):
        spare, better = _chord(
            frame, terms, fan, heading, turns, rays, laid, mode, i, column, row, nodes, found
        )
        changed |= better
        if spare < best:
            best, nearest = spare, i
    while step > 1:
        step //= 2
        middle = nearest
        for i in (middle - step, middle + step):
            if first <= i <= last:
                spare, better = _chord(
                    frame, terms, fan, heading, turns, rays, laid, mode, i, column, row, nodes, found
                )
                changed |= better
                if spare < best:
                    best, nearest = spare, i
    return changed


@compiled
def _at_crossing(
    cells: Any, part: Any, frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any,
    mode: int,
    upright: bool, line: int, i: int, found: Any,
) -> tuple[float, bool]:  # fmt: skip
    """Spare room where a ray crosses a line of the lattice, and whether that is news; a large one where it does
    not."""
    ray = ray_laid(fan, heading, terms, turns, rays, laid, i)
    d, z = crossing(cells, part, ray, upright, line, frame)
    if d == NO_CROSSING:
        return 1e9, False
    return _kept(ray, d, z, mode, frame, found)


@compiled
def _climb(
    cells: Any, part: Any, frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any,
    mode: int,
    upright: bool, line: int, first: int, start: int, last: int, found: Any,
) -> bool:  # fmt: skip
    """Sample rays to both sides as long as the spare room falls."""
    at_start, changed = _at_crossing(
        cells, part, frame, terms, fan, heading, turns, rays, laid, mode, upright, line, start, found
    )
    for step in (-1, 1):
        i, before = start + step, at_start
        while first <= i <= last:
            spare, better = _at_crossing(
                cells, part, frame, terms, fan, heading, turns, rays, laid, mode, upright, line, i, found
            )
            changed |= better
            if spare > before:
                break
            before = spare
            i += step
    return changed


@compiled
def _counts(
    cells: Any, part: Any, frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any,
    upright: bool, line: int, i: int,
) -> bool:  # fmt: skip
    """Whether a ray crosses a line of the lattice where ground counts."""
    ray = ray_laid(fan, heading, terms, turns, rays, laid, i)
    return bool(crossing(cells, part, ray, upright, line, frame)[0] != NO_CROSSING)


@compiled
def _edge(
    cells: Any, part: Any, frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any,
    mode: int,
    upright: bool, line: int, off_0: float, off_1: float, off: float, found: Any,
) -> bool:  # fmt: skip
    """Sample the rays that cross an edge, outwards from its nearest point as long as the spare room falls."""
    first, last = ray_from(fan, min(off_0, off_1) - 1e-7), ray_until(fan, max(off_0, off_1) + 1e-7)
    if abs(off_0 - off_1) > np.pi:
        first, last = 0, fan[V_LAST]
    first, last = max(first, 0), min(last, fan[V_LAST])
    if first > last:
        return False
    start = min(max(ray_from(fan, off), first), last)
    changed = False
    whole = True
    for i in (first, start, last):
        whole = whole and _counts(
            cells, part, frame, terms, fan, heading, turns, rays, laid, upright, line, i
        )
    if whole:
        return _climb(
            cells,
            part,
            frame,
            terms,
            fan,
            heading,
            turns,
            rays,
            laid,
            mode,
            upright,
            line,
            first,
            start,
            last,
            found,
        )
    # it begins nearer, or ends farther, than ground counts: pieces of it from both ends
    for end in range(2):
        low, high = (first, last) if end == 0 else (last, first)
        if not _counts(cells, part, frame, terms, fan, heading, turns, rays, laid, upright, line, low):
            low, high = start, low
        if not _counts(cells, part, frame, terms, fan, heading, turns, rays, laid, upright, line, low):
            for i in range(first, last + 1):
                changed |= _at_crossing(
                    cells, part, frame, terms, fan, heading, turns, rays, laid, mode, upright, line, i, found
                )[1]
            return changed
        good, bad = low, high
        if not _counts(cells, part, frame, terms, fan, heading, turns, rays, laid, upright, line, high):
            while abs(bad - good) > 1:
                middle = (good + bad) // 2
                if _counts(cells, part, frame, terms, fan, heading, turns, rays, laid, upright, line, middle):
                    good = middle
                else:
                    bad = middle
        else:
            good = high
        left, right = min(low, good), max(low, good)
        changed |= _climb(
            cells, part, frame, terms, fan, heading, turns, rays, laid, mode, upright, line, left,
            min(max(start, left), right), right, found,
        )  # fmt: skip
    return changed


@compiled
def _cell(
    cells: Any, part: Any, frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any,
    lifts: Any,
    mode: int, bounded: bool, row: int, column: int, tangent: float, found: Any, corner: Any, noted: Any,
) -> bool:  # fmt: skip
    """Look at one cell; returns whether it changed what is found, or, for DOUBT and OPEN, whether it matters."""
    columns = part[OFFSET + 2]
    index = part[OFFSET] + row * columns + column
    z00, z01 = float(cells[index]), float(cells[index + 1])
    z10, z11 = float(cells[index + columns]), float(cells[index + columns + 1])
    top_m = NO_GROUND_M
    for z in (z00, z01, z10, z11):
        if z > top_m:
            top_m = z
    if top_m <= NO_GROUND_M:
        return False
    if bounded and not block_matters(frame, mode, tangent, lifts, column + 0.5, row + 0.5, 1.0, top_m):
        return False
    if frame[F_OFF] > 0.0:  # dishes around the place: blocks are all that is looked at
        return True
    corner[0, 0], corner[0, 1], corner[0, 2] = node_at(frame, terms, column, row, z00)
    corner[1, 0], corner[1, 1], corner[1, 2] = node_at(frame, terms, column + 1, row, z01)
    corner[2, 0], corner[2, 1], corner[2, 2] = node_at(frame, terms, column, row + 1, z10)
    corner[3, 0], corner[3, 1], corner[3, 2] = node_at(frame, terms, column + 1, row + 1, z11)
    changed, least, nearest_m = False, 1e9, 1e30
    for k in range(4):
        nearest_m = min(nearest_m, np.hypot(corner[k, 0], corner[k, 1]))
    right, down = abs(column + 0.5 - frame[F_COLUMN]), abs(row + 0.5 - frame[F_ROW])
    if right < 0.8 or down < 0.8:  # a point between two corners may be nearest
        nearest_m -= frame[F_HALF]
    nearest_m = max(nearest_m - 1e-3, frame[F_LEAST])
    bulge_m = _bulge_m(frame, row, column, z00 - z01 - z10 + z11)
    rise = bulge_m / nearest_m
    if mode >= OPEN and _errors_reach(frame, lifts, corner, bulge_m, nearest_m):
        if mode != NOTE:
            return True
        note_cell(
            cells, part, frame, terms, fan, heading, turns, rays, laid, lifts, row, column, corner, (z00, z01,
            z10, z11), bulge_m,
            noted,
        )  # fmt: skip
    if mode >= DOUBT:
        return False
    # upper, left, lower, right edge; the last two are those of other cells as well, if there are any
    for k in range(4):
        first, second = (0, 0, 2, 1)[k], (1, 2, 3, 3)[k]
        u0, u1 = corner[first, 2], corner[second, 2]
        if not (u0 == u0 and u1 == u1):
            continue
        angle, away_m, share = edge_bound(
            corner[first, 0], corner[first, 1], u0, corner[second, 0], corner[second, 1], u1, frame
        )
        room = np.arctan((frame[F_HALF_DISH] + frame[F_ZONE] * np.sqrt(away_m)) / away_m)
        bound = angle - room - 1e-6
        least = min(least, bound)
        if mode == OPEN:
            if bound - rise < found[B_SPARE]:
                return True
            continue
        own = k < 2 or (k == 2 and row + 2 == part[OFFSET + 1]) or (k == 3 and column + 2 == columns)
        if own and (bound < found[B_SPARE] or not bounded):
            upright = k == 1 or k == 3
            line = (row, column, row + 1, column + 1)[k]
            off = np.arctan2(
                corner[first, 1] + share * (corner[second, 1] - corner[first, 1]),
                corner[first, 0] + share * (corner[second, 0] - corner[first, 0]),
            )
            changed |= _edge(
                cells, part, frame, terms, fan, heading, turns, rays, laid, mode, upright, line,
                np.arctan2(corner[first, 1], corner[first, 0]), np.arctan2(corner[second, 1], corner[second,
                0]), off,
                found,
            )  # fmt: skip
    if mode == OPEN or not rise > _NO_RISE or (bounded and least - rise >= found[B_SPARE]):
        return changed
    return changed | _inside(
        frame, terms, fan, heading, turns, rays, laid, mode, bounded, column, row, corner, (z00, z01, z10, z11),
        nearest_m, found,
    )  # fmt: skip


@compiled
def search_blocks(
    cells: Any, part: Any, frame: Any, terms: Any, fan: Any, heading: Any, turns: Any, rays: Any, laid: Any,
    lifts: Any,
    mode: int, bounded: bool, found: Any, stack: Any, corner: Any, noted: Any,
) -> bool:  # fmt: skip
    """Look at all ground that matters.

    Parameters
    ----------
    frame, fan, lifts : see `block_frame`, `fan_rays`, `kept_samples`; heading, turns, rays, laid : as
        `fan_rays.ray_laid` wants them
    mode : see `block_frame`
    bounded : False looks at everything, for tests
    found : the best so far, changed here; frame changes too where the least eye is looked for
    stack, corner : room to work in; noted : see `edge_columns.note_cell`

    Returns
    -------
    For DOUBT and OPEN: whether some ground matters; the search ends with the first
    """
    tangent = np.tan(found[B_SPARE])
    count = _first_blocks(part, frame, stack)
    while count > 0:
        count -= 1
        level, i, j = stack[count, 0], stack[count, 1], stack[count, 2]
        at, across = part[LEVEL_0 + 3 * level], part[LEVEL_0 + 3 * level + 2]
        top_m = float(cells[at + i * across + j])
        if top_m <= NO_GROUND_M:
            continue
        size = 1 << (level + 1)
        if bounded and not block_matters(
            frame, mode, tangent, lifts, (j + 0.5) * size, (i + 0.5) * size, float(size), top_m
        ):
            continue
        # the nearest of the four last, so that it comes next
        right, down = frame[F_COLUMN] < (j + 0.5) * size, frame[F_ROW] < (i + 0.5) * size
        for k in range(4):
            by_column, by_row = (k & 1) ^ (1 if right else 0), (k >> 1) ^ (1 if down else 0)
            row, column = 2 * i + by_row, 2 * j + by_column
            if level > 0:
                if row < part[LEVEL_0 + 3 * level - 2] and column < part[LEVEL_0 + 3 * level - 1]:
                    stack[count, 0], stack[count, 1], stack[count, 2] = level - 1, row, column
                    count += 1
                continue
            if row >= part[OFFSET + 1] - 1 or column >= part[OFFSET + 2] - 1:
                continue
            if _cell(
                cells, part, frame, terms, fan, heading, turns, rays, laid, lifts, mode, bounded, row, column,
                tangent,
                found, corner, noted,
            ):  # fmt: skip
                if mode in (OPEN, DOUBT):
                    return True
                tangent = np.tan(found[B_SPARE])
                if mode == LEAST_EYE and frame[F_EYE] > found[B_MOST_EYE]:
                    return True
    return False

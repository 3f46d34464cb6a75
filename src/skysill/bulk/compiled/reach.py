"""How far out a place's rays are known: without a gap, and by near evidence; as `horizon.terrain` finds it."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import CELL, FINE, HAS_VOID, LEVEL_0, OFFSET
from skysill.bulk.compiled.ray_sampling import COLUMN_TERMS, OFF_RAD, RADIUS, ROW_TERMS, position, sample_ray
from skysill.bulk.compiled.skyline import NO_SLOPE, TOP_SLOPE, highest_on_ray
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = ["GAP_FIELDS", "G_FIRST", "G_LAST", "G_NEAR_SEEN", "G_REACH", "MOST_STRETCHES", "known_rays"]

# first and last of the dense rays that are not covered, -1: all are; the shortest distance known on those; whether
# all have near evidence
G_FIRST, G_LAST, G_REACH, G_NEAR_SEEN = range(4)
GAP_FIELDS = 4

MOST_STRETCHES = 64
_PIECE_CELLS, _LONG_PIECE_CELLS = 8.0, 128.0
_CHORDS = 64


@compiled
def _is_whole(voids: Any, part: Any, left: float, right: float, upper: float, lower: float) -> bool:
    """Whether a box of columns and rows lies inside a raster and holds no void; a True is certain."""
    rows, columns = part[OFFSET + 1], part[OFFSET + 2]
    if not (left >= 0.0 and upper >= 0.0 and right <= columns - 1 and lower <= rows - 1):
        return False
    if part[HAS_VOID] == 0:
        return True
    c0, c1 = int(min(left, columns - 2.0)) >> 1, int(min(right, columns - 2.0)) >> 1
    r0, r1 = int(min(upper, rows - 2.0)) >> 1, int(min(lower, rows - 2.0)) >> 1
    level = LEVEL_0
    while c1 - c0 > 3 or r1 - r0 > 3:
        c0, c1, r0, r1 = c0 >> 1, c1 >> 1, r0 >> 1, r1 >> 1
        level += 3
    for i in range(r0, r1 + 1):
        for j in range(c0, c1 + 1):
            if voids[part[level] + i * part[level + 2] + j] != 0:
                return False
    return True


@compiled
def _sector_known(voids: Any, part: Any, rays: Any, i0: int, i1: int, to_m: float) -> bool:
    """Whether a raster has data on the whole sector between two rays; a True is certain."""
    left, upper, right, lower = 1e30, 1e30, -1e30, -1e30
    for i in (i0, i1):
        for r in (0.0, to_m):
            column, row = position(rays[i], r)
            left, right, upper, lower = (
                min(left, column),
                max(right, column),
                min(upper, row),
                max(lower, row),
            )
    turn = abs(rays[i1, OFF_RAD] - rays[i0, OFF_RAD])
    rate = max(
        abs(rays[i0, COLUMN_TERMS + 1]) + abs(rays[i0, ROW_TERMS + 1]),
        abs(rays[i1, COLUMN_TERMS + 1]) + abs(rays[i1, ROW_TERMS + 1]),
    )
    pad = 1.0 + 1.1 * rate * to_m * (1.0 - np.cos(min(0.5 * turn, np.pi)))
    return _is_whole(voids, part, left - pad, right + pad, upper - pad, lower + pad)


@compiled
def _is_inside(part: Any, ray: Any, distance_m: float) -> bool:
    column, row = position(ray, distance_m)
    return column >= 0.0 and row >= 0.0 and column <= part[OFFSET + 2] - 1 and row <= part[OFFSET + 1] - 1


@compiled
def _extent(part: Any, ray: Any, to_m: float) -> tuple[float, float]:
    """Ground distances at which a ray enters and leaves a raster, up to to_m; inf, -inf where it misses it.

    The ray is taken as chords, each clipped at the four edges, as `horizon.rays.extent_m` does.
    """
    enter_m, leave_m = np.inf, -np.inf
    last_row, last_column = part[OFFSET + 1] - 1.0, part[OFFSET + 2] - 1.0
    column, row = position(ray, 0.0)
    for chord in range(_CHORDS):
        next_column, next_row = position(ray, to_m * (chord + 1) / _CHORDS)
        begin, end = 0.0, 1.0
        for inside, next_inside in (
            (column, next_column),
            (last_column - column, last_column - next_column),
            (row, next_row),
            (last_row - row, last_row - next_row),
        ):
            change = next_inside - inside
            if change > 0.0:
                begin = max(begin, -inside / change)
            elif change < 0.0:
                end = min(end, -inside / change)
            elif inside < 0.0:
                begin = 2.0
        if begin <= end:
            enter_m = min(enter_m, to_m * (chord + begin) / _CHORDS)
            leave_m = max(leave_m, to_m * (chord + end) / _CHORDS)
        column, row = next_column, next_row
    return enter_m, leave_m


@compiled
def _has_data(cells: Any, part: Any, ray: Any) -> bool:
    """Whether a raster has data at the place itself."""
    if not _is_inside(part, ray, 0.0):
        return False
    rows, columns = part[OFFSET + 1], part[OFFSET + 2]
    column, row = position(ray, 0.0)
    at = part[OFFSET] + min(int(row), rows - 2) * columns + min(int(column), columns - 2)
    total = cells[at] + cells[at + 1] + cells[at + columns] + cells[at + columns + 1]
    return bool(total == total)


@compiled
def _stretches(
    cells: Any,
    voids: Any,
    part: Any,
    cell_m: float,
    ray: Any,
    to_m: float,
    known: Any,
    away: Any,
    height: Any,
) -> int:
    """From where to where a raster has data along a ray, up to to_m; returns how many stretches, -1: too many."""
    enter_m, leave_m = _extent(part, ray, to_m)
    if enter_m > leave_m:
        return 0
    if part[HAS_VOID] == 0:
        known[0, 0], known[0, 1] = enter_m, leave_m
        return 1
    count, is_open, last_m = 0, enter_m <= 0.0 and _has_data(cells, part, ray), 0.0
    if is_open:
        known[0, 0], count = 0.0, 1
    from_m = 0.0 if enter_m <= 0.0 else enter_m
    while from_m < leave_m:
        until_m = from_m
        for size in (_LONG_PIECE_CELLS, _PIECE_CELLS):
            end_m = min(from_m + size * cell_m, leave_m)
            (left, upper), (right, lower) = position(ray, from_m), position(ray, end_m)
            if is_open and _is_whole(
                voids, part, min(left, right), max(left, right), min(upper, lower), max(upper, lower)
            ):
                until_m = end_m
                break
        if until_m > from_m:
            from_m = last_m = until_m
            continue
        end_m = min(from_m + _PIECE_CELLS * cell_m, leave_m)
        found = sample_ray(cells, part, ray, from_m, end_m, NEAREST_SAMPLE_M, to_m, 0.0, away, height, True)
        for k in range(found):
            good = height[k] == height[k]
            if good and not is_open:
                if count >= MOST_STRETCHES:
                    return -1
                known[count, 0] = away[k, 0]
                count += 1
            elif is_open and not good:
                known[count - 1, 1] = last_m
            is_open, last_m = good, away[k, 0]
        from_m = end_m
    if is_open:
        known[count - 1, 1] = leave_m
    return count


@compiled
def _joined(parts: Any, facts: Any, known: Any, counts: Any, only_fine: bool) -> float:
    """Ground distance out to which some raster has data without a gap; see `horizon.terrain._joined_reach_m`."""
    reach_m, owner, growing = 0.0, -1, True
    while growing:
        growing = False
        for raster in range(parts.shape[0]):
            if only_fine and parts[raster, FINE] == 0:
                continue
            for n in range(counts[raster]):
                bridged_m = 0.0 if owner == raster or owner < 0 else 1.5 * facts[raster, CELL]
                if known[raster, n, 0] <= reach_m + bridged_m and known[raster, n, 1] > reach_m:
                    reach_m, owner, growing = known[raster, n, 1], raster, True
    if only_fine:
        for raster in range(parts.shape[0]):  # a raster set before a fine one speaks in its place
            finer = False
            for later in range(raster, parts.shape[0]):
                finer = finer or parts[later, FINE] != 0
            if parts[raster, FINE] == 0 and finer and counts[raster] > 0:
                reach_m = min(reach_m, known[raster, 0, 0])
    return reach_m


@compiled
def _needed_m(eye_m: float, slope: float, highest_m: float, radius_m: float) -> float:
    """As `horizon.rays.reach_needed_m`, for a direction given by its slope."""
    level = 1.0 / np.sqrt(1.0 + slope * slope)
    ratio = (radius_m + eye_m) * level / (radius_m + highest_m)
    if ratio > 1.0 or (slope >= 0.0 and eye_m >= highest_m):
        return 0.0
    return float(radius_m * max(np.arccos(ratio) - np.arctan(slope), 0.0))


@compiled
def known_rays(
    cells: Any,
    voids: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    centre: int,
    dense: int,
    eye_m: float,
    wanted_m: float,
    near_m: float,
    most_m: float,
    highest_m: float,
    gaps: Any,
    known: Any,
    counts: Any,
    top: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> bool:
    """How far out the dense rays of a place are known.

    wanted_m, near_m : distances out to which ground, and near evidence, must be known; highest_m : of the ground
    around
    gaps : (GAP_FIELDS,), filled; known : (raster, MOST_STRETCHES, 2), counts : (raster,), top, nodes, away, height
        : room to work in

    Returns
    -------
    Whether it could be told; not where a ray passes through too many voids
    """
    first, last = centre - dense, centre + dense
    gaps[G_FIRST], gaps[G_LAST], gaps[G_REACH], gaps[G_NEAR_SEEN] = -1.0, -1.0, np.inf, 0.0
    all_known, near_known, has_fine = False, False, False
    for raster in range(parts.shape[0]):
        all_known = all_known or _sector_known(voids, parts[raster], rays[raster], first, last, wanted_m)
        if parts[raster, FINE] != 0:
            has_fine = True
            if raster == 0:
                near_known = _sector_known(voids, parts[raster], rays[raster], first, last, near_m)
    near_known = near_known or not has_fine
    gaps[G_NEAR_SEEN] = 1.0 if has_fine else 0.0
    if all_known and near_known:
        return True
    beyond_m = 2.0 * facts[:, CELL].max()
    for i in range(first, last + 1):
        # a stretch ends at the last sample before a void, also where the void begins just beyond
        to_m = min(max(near_m, 0.0 if all_known else wanted_m) + beyond_m, max(most_m, near_m, wanted_m))
        for raster in range(parts.shape[0]):
            counts[raster] = _stretches(
                cells,
                voids,
                parts[raster],
                facts[raster, CELL],
                rays[raster, i],
                to_m,
                known[raster],
                away,
                height,
            )
            if counts[raster] < 0:
                return False
        if not near_known and _joined(parts, facts, known, counts, True) < near_m:
            gaps[G_NEAR_SEEN] = 0.0
        if all_known:
            continue
        seen_m = _joined(parts, facts, known, counts, False)
        if seen_m >= wanted_m:
            continue
        highest_on_ray(
            cells, parts, facts, rays, i, eye_m, most_m, NO_SLOPE, np.inf, np.inf, top, nodes, away, height
        )
        if top[TOP_SLOPE] > NO_SLOPE and seen_m >= _needed_m(
            eye_m, top[TOP_SLOPE], highest_m, rays[0, i, RADIUS]
        ):
            continue
        gaps[G_FIRST] = i if gaps[G_FIRST] < 0.0 else gaps[G_FIRST]
        gaps[G_LAST], gaps[G_REACH] = i, min(gaps[G_REACH], seen_m, most_m)
    return True

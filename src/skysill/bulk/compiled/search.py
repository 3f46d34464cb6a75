"""Search of a place's ray fan for ground near the ray: halving by distance and by azimuth, near halves first.

A piece of the fan is bounded by the highest ground of the blocks under it, seen from its near end on its azimuth
nearest
to the ray. Pieces that could matter are halved, down to a few cells; there every ray is sampled. So every sample that
matters is looked at, in order of the distance on each ray, and the pieces left out never change an answer.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.columns import (
    BLURS_WITHIN_M,
    COLUMNS,
    FLOOR,
    LEAF_DROP,
    LEAF_THIN,
    blur_of_nodes,
    most_blur,
    note_column,
)
from skysill.bulk.compiled.cone import margin_and_slant, room_tangent, sight, tangent_of_sum, within
from skysill.bulk.compiled.displacement import FLOOR_BINS, FLOOR_THIN_M, floor_bin, piece_may_take_room
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import (
    CELL,
    FINE,
    HIGHEST,
    LEVEL_0,
    NO_GROUND_M,
    OFFSET,
    RELIEF_CELLS,
)
from skysill.bulk.compiled.ray_sampling import (
    COLUMN_TERMS,
    OFF_COS,
    OFF_RAD,
    OFF_SIN,
    RADIUS,
    ROW_TERMS,
    position,
    sample_ray,
)

__all__ = [
    "CONTROLS",
    "EYE",
    "LEAST_EYE",
    "MARGIN",
    "MOST_EYE",
    "RASTER",
    "RAY",
    "SEARCH_FIELDS",
    "SLANT",
    "SPARE",
    "highest_ground_m",
    "is_covered",
    "search",
]

# what is searched for: the least spare room; the least eye that leaves the room; columns that errors may bring into
# it
CONTROLS, LEAST_EYE = 0, 1

# fields of what is found: spare room and margin (radians), slant distance, number of the ray and of the raster; the
# eye, which rises in a search for the least one, and where it stops
SPARE, MARGIN, SLANT, RAY, RASTER, EYE, MOST_EYE = range(7)
SEARCH_FIELDS = 7

_SLACK = 3e-3
"""Radians by which bounds are looser: slopes in bounds and sieves are good to a thousandth."""

_LEAF_CELLS = 3.0
_RAY_LEAF_CELLS = 6.0
_RING_GROWTH = 1.5
_FEW_CELLS = 4.0


@compiled
def highest_ground_m(cells: Any, part: Any, left: float, right: float, upper: float, lower: float) -> float:
    """Highest ground of the blocks that touch a box of columns and rows; NO_GROUND_M outside the raster."""
    rows, columns = part[OFFSET + 1], part[OFFSET + 2]
    if right < 0.0 or lower < 0.0 or left > columns - 1 or upper > rows - 1:
        return NO_GROUND_M
    # numbers of cells, then of blocks of two of them
    c0, c1 = int(min(max(left, 0.0), columns - 2.0)) >> 1, int(min(right, columns - 2.0)) >> 1
    r0, r1 = int(min(max(upper, 0.0), rows - 2.0)) >> 1, int(min(lower, rows - 2.0)) >> 1
    level = LEVEL_0
    while c1 - c0 > 1 or r1 - r0 > 1:
        c0, c1, r0, r1 = c0 >> 1, c1 >> 1, r0 >> 1, r1 >> 1
        level += 3
    at, across = part[level], part[level + 2]
    top = NO_GROUND_M
    for i in range(r0, r1 + 1):
        for j in range(c0, c1 + 1):
            top = max(top, float(cells[at + i * across + j]))
    return top


@compiled
def _highest_node_m(cells: Any, part: Any, left: float, right: float, upper: float, lower: float) -> float:
    """The same by the nodes themselves, for small boxes."""
    rows, columns = part[OFFSET + 1], part[OFFSET + 2]
    top = np.float32(NO_GROUND_M)
    for i in range(max(int(np.floor(upper)), 0), min(int(np.floor(lower)) + 2, rows)):
        at = part[OFFSET] + i * columns
        for j in range(max(int(np.floor(left)), 0), min(int(np.floor(right)) + 2, columns)):
            top = max(top, cells[at + j])  # nan is never larger
    return float(top)


@compiled
def _has_finer(cells: Any, parts: Any, rays: Any, raster: int, ray: int, distance_m: float) -> bool:
    for finer in range(raster):
        part = parts[finer]
        rows, columns = part[OFFSET + 1], part[OFFSET + 2]
        column, row = position(rays[finer, ray], distance_m)
        if column >= 0.0 and row >= 0.0 and column <= columns - 1 and row <= rows - 1:
            at = part[OFFSET] + min(int(row), rows - 2) * columns + min(int(column), columns - 2)
            total = cells[at] + cells[at + 1] + cells[at + columns] + cells[at + columns + 1]
            if total == total:
                return True
    return False


@compiled
def is_covered(cells: Any, parts: Any, rays: Any, raster: int, ray: int, away: Any) -> bool:
    """Whether a raster before this one has data at a sample, or at either crossing that it lies between.

    away : (3,) as `sample_ray` fills it
    """
    if raster == 0:
        return False
    return _has_finer(cells, parts, rays, raster, ray, away[1]) or (
        away[2] != away[1] and _has_finer(cells, parts, rays, raster, ray, away[2])
    )


@compiled
def _needed_eye(
    d: float,
    z: float,
    radius_m: float,
    off_cos: float,
    off_sin: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    eye_m: float,
    most_m: float,
) -> float:
    """The least eye that leaves the room beside one sample, from an eye that does not; inf above most_m."""
    low, step = eye_m, 0.02
    high = low
    while True:
        high = low + step
        slope = sight(d, z, high, radius_m)
        margin, slant_m = margin_and_slant(slope, d, z, radius_m, off_cos, off_sin, cosine, sine)
        if margin >= np.arctan(room_tangent(slant_m, half_dish_m, zone)):
            break
        if high > most_m:
            return np.inf
        low, step = high, 2.0 * step
    while high - low > 1e-6:
        eye = 0.5 * (low + high)
        slope = sight(d, z, eye, radius_m)
        margin, slant_m = margin_and_slant(slope, d, z, radius_m, off_cos, off_sin, cosine, sine)
        if margin >= np.arctan(room_tangent(slant_m, half_dish_m, zone)):
            high = eye
        else:
            low = eye
    return high


@compiled
def _limit_tangent(mode: int, spare: float, distance_m: float, half_dish_m: float, zone: float) -> float:
    """Tangent of the angle from the ray within which ground at least this far away matters; inf: all does."""
    tangent = room_tangent(distance_m, half_dish_m, zone)
    if mode == CONTROLS:
        tangent = tangent_of_sum(tangent, np.tan(spare))
    return tangent if tangent == np.inf else tangent_of_sum(tangent, _SLACK)


@compiled
def _matters(
    top_m: float,
    r0: float,
    r1: float,
    off_cos: float,
    off_sin: float,
    cosine: float,
    sine: float,
    found: Any,
    mode: int,
    half_dish_m: float,
    zone: float,
    errors: Any,
    thin: float,
    drop: float,
    radius_m: float,
) -> bool:
    """Whether ground up to top_m at distances from r0 to r1 on an azimuth could matter; a False is certain."""
    rise_m = top_m - found[EYE] - r0 * r0 / (2.01 * radius_m)
    slope = rise_m / (r0 if rise_m > 0.0 else r1)
    slope += abs(slope) * 2e-3 + 1e-6
    if mode == COLUMNS:
        return piece_may_take_room(
            slope, off_cos, off_sin, r0, r1, thin, drop, cosine, sine, half_dish_m, zone, errors, _SLACK
        )
    tangent = _limit_tangent(mode, found[SPARE], r0, half_dish_m, zone)
    return within(slope, off_cos, off_sin, cosine, sine, tangent)


@compiled
def _under_floor(top_m: float, r0: float, r1: float, errors: Any) -> bool:
    """Whether ground up to top_m over the dish takes the room in no sample, by `displacement.harmless_floor`."""
    last = floor_bin(r1)
    if last >= FLOOR_BINS:
        return False
    return bool(top_m <= errors[FLOOR + floor_bin(r0) : FLOOR + last + 1].min())


@compiled
def _node_matters(
    cells: Any,
    part: Any,
    rays: Any,
    r0: float,
    r1: float,
    i0: int,
    i1: int,
    centre: int,
    cosine: float,
    sine: float,
    found: Any,
    mode: int,
    half_dish_m: float,
    zone: float,
    errors: Any,
    fine: bool,
    cell_m: float,
) -> bool:
    """The same for a piece of the fan, by the blocks under it."""
    left, upper, right, lower = 1e30, 1e30, -1e30, -1e30
    for i in (i0, i1):
        for r in (r0, r1):
            column, row = position(rays[i], r)
            left, right, upper, lower = (
                min(left, column),
                max(right, column),
                min(upper, row),
                max(lower, row),
            )
    turn = abs(rays[i1, OFF_RAD] - rays[i0, OFF_RAD])
    # the arc between the outer rays bends out of the box of its ends
    pad = 0.02
    if i1 > i0:
        rate = max(
            abs(rays[i0, COLUMN_TERMS + 1]) + abs(rays[i0, ROW_TERMS + 1]),
            abs(rays[i1, COLUMN_TERMS + 1]) + abs(rays[i1, ROW_TERMS + 1]),
        )
        pad += 1.1 * rate * r1 * (1.0 - np.cos(min(0.5 * turn, np.pi)))
    left, right, upper, lower = left - pad, right + pad, upper - pad, lower + pad
    if max(right - left, lower - upper) <= _FEW_CELLS:
        top_m = _highest_node_m(cells, part, left, right, upper, lower)
    else:
        top_m = highest_ground_m(cells, part, left, right, upper, lower)
    if top_m <= NO_GROUND_M:
        return False
    near = i0 if i0 > centre else i1 if i1 < centre else centre
    if mode != COLUMNS:
        return _matters(
            top_m,
            r0,
            r1,
            rays[near, OFF_COS],
            rays[near, OFF_SIN],
            cosine,
            sine,
            found,
            mode,
            half_dish_m,
            zone,
            errors,
            0.0,
            0.0,
            rays[near, RADIUS],
        )
    thin, drop, small = 0.0, 0.0, max(right - left, lower - upper) <= _FEW_CELLS
    blurred = fine and r0 < BLURS_WITHIN_M
    low = _under_floor(top_m - found[EYE], r0, r1, errors)
    for step in range(2):
        if blurred and step == 0:
            thin = drop = 1e9
            if max(right - left, lower - upper) <= 2 * RELIEF_CELLS:
                thin, drop = most_blur(cells, part, left, right, upper, lower)
        elif blurred and small and thin + drop > 0.0:
            if not low and _matters(
                top_m,
                r0,
                r1,
                rays[near, OFF_COS],
                rays[near, OFF_SIN],
                cosine,
                sine,
                found,
                mode,
                half_dish_m,
                zone,
                errors,
                0.0,
                0.0,
                rays[near, RADIUS],
            ):
                break
            thin, drop = blur_of_nodes(cells, part, left, right, upper, lower)
        elif step == 1:
            break
        errors[LEAF_THIN], errors[LEAF_DROP] = thin, drop
        if low and thin <= FLOOR_THIN_M:
            return False
        if not _matters(
            top_m,
            r0,
            r1,
            rays[near, OFF_COS],
            rays[near, OFF_SIN],
            cosine,
            sine,
            found,
            mode,
            half_dish_m,
            zone,
            errors,
            thin,
            drop,
            rays[near, RADIUS],
        ):
            return False
    return True


@compiled
def _look(
    cells: Any,
    parts: Any,
    rays: Any,
    raster: int,
    i: int,
    r0: float,
    r1: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    least_m: float,
    most_m: float,
    mode: int,
    found: Any,
    errors: Any,
    columns: Any,
    ladder: Any,
    away: Any,
    height: Any,
    fine: bool,
) -> None:
    """Look at the samples of one ray on a short stretch."""
    ray = rays[raster, i]
    off_cos, off_sin, radius_m = ray[OFF_COS], ray[OFF_SIN], ray[RADIUS]
    count = sample_ray(cells, parts[raster], ray, r0, r1, least_m, most_m, found[EYE], away, height)
    if count == 0:
        return
    sag = 0.5 / radius_m
    thin, drop = errors[LEAF_THIN], errors[LEAF_DROP]
    tangent = _limit_tangent(mode, found[SPARE], away[0, 0], half_dish_m, zone)
    for k in range(count):
        d, z = away[k, 0], height[k]
        slope = (z - found[EYE]) / d - d * sag
        if mode == COLUMNS:
            if slope >= ladder[i] - 2e-3 * abs(slope) - 1e-6 and piece_may_take_room(
                slope, off_cos, off_sin, d, d, thin, drop, cosine, sine, half_dish_m, zone, errors, _SLACK
            ):
                slope = sight(d, z, found[EYE], radius_m)
                if slope > ladder[i] and not is_covered(cells, parts, rays, raster, i, away[k]):
                    note_column(
                        cells,
                        parts[raster],
                        ray,
                        raster,
                        i,
                        d,
                        z,
                        slope,
                        cosine,
                        sine,
                        half_dish_m,
                        zone,
                        errors,
                        columns,
                        ladder,
                    )
            continue
        if not within(slope, off_cos, off_sin, cosine, sine, tangent):
            continue
        slope = sight(d, z, found[EYE], radius_m)
        margin, slant_m = margin_and_slant(slope, d, z, radius_m, off_cos, off_sin, cosine, sine)
        spare = margin - np.arctan(room_tangent(slant_m, half_dish_m, zone))
        if spare >= (found[SPARE] if mode == CONTROLS else 0.0) or is_covered(
            cells, parts, rays, raster, i, away[k]
        ):
            continue
        if mode == LEAST_EYE:
            found[EYE] = _needed_eye(
                d, z, radius_m, off_cos, off_sin, cosine, sine, half_dish_m, zone, found[EYE], found[MOST_EYE]
            )
            if found[EYE] > found[MOST_EYE]:
                return
            spare = 0.0
        found[SPARE], found[MARGIN], found[SLANT], found[RAY], found[RASTER] = (
            spare,
            margin,
            slant_m,
            i,
            raster,
        )
        tangent = _limit_tangent(mode, found[SPARE], away[0, 0], half_dish_m, zone)


@compiled
def search(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    raster: int,
    first_ray: int,
    last_ray: int,
    centre: int,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    least_m: float,
    most_m: float,
    mode: int,
    bounded: bool,
    found: Any,
    errors: Any,
    columns: Any,
    ladder: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> None:
    """Look at all ground of one raster that matters.

    Parameters
    ----------
    cells, parts, facts : of the raster stack
    rays : (raster, ray, field); first_ray, last_ray : those looked at; centre : the ray to the satellite
    cosine, sine : of its apparent elevation
    half_dish_m, zone : of the required room, see `cone.room_tangent`
    least_m, most_m : ground distances outside which nothing counts
    mode : CONTROLS, LEAST_EYE or COLUMNS
    bounded : False looks at everything, for tests: the answers must not change
    found : the best so far, changed here; columns, ladder : see `columns.note_column`; errors : see `columns`
    nodes, away, height : room to work in
    """
    part, cell_m = parts[raster], facts[raster, CELL]
    fine = part[FINE] != 0
    from_m = least_m
    while from_m < most_m:
        least_step_m = cell_m if mode == COLUMNS and fine else 0.1
        to_m = min(max(from_m * _RING_GROWTH, from_m + least_step_m), most_m)
        unknown = 1e9 if fine and from_m < BLURS_WITHIN_M else 0.0
        if bounded and not _matters(
            facts[raster, HIGHEST],
            from_m,
            most_m,
            1.0,
            0.0,
            cosine,
            sine,
            found,
            mode,
            half_dish_m,
            zone,
            errors,
            unknown,
            unknown,
            rays[raster, centre, RADIUS],
        ):
            return
        nodes[0, 0], nodes[0, 1], nodes[0, 2], nodes[0, 3] = from_m, to_m, first_ray, last_ray
        count = 1
        while count > 0:
            count -= 1
            r0, r1, i0, i1 = nodes[count, 0], nodes[count, 1], int(nodes[count, 2]), int(nodes[count, 3])
            if found[EYE] > found[MOST_EYE]:
                return
            errors[LEAF_THIN] = errors[LEAF_DROP] = 1e9
            if bounded and not _node_matters(
                cells,
                part,
                rays[raster],
                r0,
                r1,
                i0,
                i1,
                centre,
                cosine,
                sine,
                found,
                mode,
                half_dish_m,
                zone,
                errors,
                fine,
                cell_m,
            ):
                continue
            radial_m, across_m = r1 - r0, r1 * abs(rays[raster, i1, OFF_RAD] - rays[raster, i0, OFF_RAD])
            if max(radial_m, across_m) <= _LEAF_CELLS * cell_m or (
                i0 == i1 and radial_m <= _RAY_LEAF_CELLS * cell_m
            ):
                for i in range(i0, i1 + 1):
                    _look(
                        cells,
                        parts,
                        rays,
                        raster,
                        i,
                        r0,
                        r1,
                        cosine,
                        sine,
                        half_dish_m,
                        zone,
                        least_m,
                        most_m,
                        mode,
                        found,
                        errors,
                        columns,
                        ladder,
                        away,
                        height,
                        fine,
                    )
            elif across_m > radial_m and i1 > i0:
                middle = (i0 + i1) // 2
                right_first = middle < centre  # the half nearer to the ray to the satellite
                for half in range(2):
                    right = right_first == (half == 1)
                    nodes[count, 0], nodes[count, 1] = r0, r1
                    nodes[count, 2], nodes[count, 3] = (middle + 1, i1) if right else (i0, middle)
                    count += 1
            else:
                half_m = 0.5 * (r0 + r1)
                nodes[count, 0], nodes[count, 1], nodes[count, 2], nodes[count, 3] = half_m, r1, i0, i1
                count += 1
                nodes[count, 0], nodes[count, 1], nodes[count, 2], nodes[count, 3] = r0, half_m, i0, i1
                count += 1
        from_m = to_m

"""Which pieces of a ray fan could hold ground that matters: what is searched for, and its bounds."""

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
)
from skysill.bulk.compiled.cone import room_tangent, tangent_of_sum, within
from skysill.bulk.compiled.displacement import FLOOR_BINS, FLOOR_THIN_M, floor_bin, piece_may_take_room
from skysill.bulk.compiled.fan_ground import highest_ground_m, highest_node_m
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import NO_GROUND_M, RELIEF_CELLS
from skysill.bulk.compiled.ray_sampling import (
    COLUMN_TERMS,
    OFF_COS,
    OFF_RAD,
    OFF_SIN,
    RADIUS,
    ROW_TERMS,
    position,
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
    "SLACK",
    "SLANT",
    "SPARE",
    "limit_tangent",
    "matters",
    "node_matters",
]

# what is searched for: the least spare room; the least eye that leaves the room; columns that errors may bring into
# it
CONTROLS, LEAST_EYE = 0, 1

# fields of what is found: spare room and margin (radians), slant distance, number of the ray and of the raster; the
# eye, which rises in a search for the least one, and where it stops
SPARE, MARGIN, SLANT, RAY, RASTER, EYE, MOST_EYE = range(7)

SEARCH_FIELDS = 7

SLACK = 3e-3
"""Radians by which bounds are looser: slopes in bounds and sieves are good to a thousandth."""

_FEW_CELLS = 4.0


@compiled
def limit_tangent(mode: int, spare: float, distance_m: float, half_dish_m: float, zone: float) -> float:
    """Tangent of the angle from the ray within which ground at least this far away matters; inf: all does."""
    tangent = room_tangent(distance_m, half_dish_m, zone)
    if mode == CONTROLS:
        tangent = tangent_of_sum(tangent, np.tan(spare))
    return tangent if tangent == np.inf else tangent_of_sum(tangent, SLACK)


@compiled
def matters(
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
            slope, off_cos, off_sin, r0, r1, thin, drop, cosine, sine, half_dish_m, zone, errors, SLACK
        )
    tangent = limit_tangent(mode, found[SPARE], r0, half_dish_m, zone)
    return within(slope, off_cos, off_sin, cosine, sine, tangent)


@compiled
def _under_floor(top_m: float, r0: float, r1: float, errors: Any) -> bool:
    """Whether ground up to top_m over the dish takes the room in no sample, by `displacement.harmless_floor`."""
    last = floor_bin(r1)
    if last >= FLOOR_BINS:
        return False
    return bool(top_m <= errors[FLOOR + floor_bin(r0) : FLOOR + last + 1].min())


@compiled
def node_matters(
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
        top_m = highest_node_m(cells, part, left, right, upper, lower)
    else:
        top_m = highest_ground_m(cells, part, left, right, upper, lower)
    if top_m <= NO_GROUND_M:
        return False
    near = i0 if i0 > centre else i1 if i1 < centre else centre
    if mode != COLUMNS:
        return matters(
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
            if not low and matters(
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
        if not matters(
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

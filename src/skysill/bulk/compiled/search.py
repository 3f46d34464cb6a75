"""Search of a place's ray fan for ground near the ray: halving by distance and by azimuth, near halves first.

A piece of the fan is bounded by the highest ground of the blocks under it, seen from its near end on its azimuth
nearest to the ray (`piece_bounds`). Pieces that could matter are halved, down to a few cells; there every ray is
sampled. So every sample that matters is looked at, in order of the distance on each ray, and the pieces left out never
change an answer.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.columns import (
    BLURS_WITHIN_M,
    COLUMNS,
    LEAF_DROP,
    LEAF_THIN,
    note_column,
)
from skysill.bulk.compiled.cone import margin_and_slant, room_tangent, sight, within
from skysill.bulk.compiled.displacement import piece_may_take_room
from skysill.bulk.compiled.fan_ground import is_covered
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.piece_bounds import (
    CONTROLS,
    EYE,
    LEAST_EYE,
    MARGIN,
    MOST_EYE,
    RASTER,
    RAY,
    SLACK,
    SLANT,
    SPARE,
    limit_tangent,
    matters,
    node_matters,
)
from skysill.bulk.compiled.raster_stack import (
    CELL,
    FINE,
    HIGHEST,
)
from skysill.bulk.compiled.ray_sampling import (
    OFF_COS,
    OFF_RAD,
    OFF_SIN,
    RADIUS,
    sample_ray,
)

__all__ = [
    "search",
]


_LEAF_CELLS = 3.0
_RAY_LEAF_CELLS = 6.0
_RING_GROWTH = 1.5


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
    tangent = limit_tangent(mode, found[SPARE], away[0, 0], half_dish_m, zone)
    for k in range(count):
        d, z = away[k, 0], height[k]
        slope = (z - found[EYE]) / d - d * sag
        if mode == COLUMNS:
            if slope >= ladder[i] - 2e-3 * abs(slope) - 1e-6 and piece_may_take_room(
                slope, off_cos, off_sin, d, d, thin, drop, cosine, sine, half_dish_m, zone, errors, SLACK
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
        tangent = limit_tangent(mode, found[SPARE], away[0, 0], half_dish_m, zone)


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
        if bounded and not matters(
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
            if bounded and not node_matters(
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

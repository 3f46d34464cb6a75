"""The highest ground on single rays of a fan, and how deep a blocked ray stands in it."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.cone import sight
from skysill.bulk.compiled.fan_ground import highest_ground_m, is_covered
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import ASSURED, CELL
from skysill.bulk.compiled.ray_sampling import OFF_COS, OFF_SIN, RADIUS, position, sample_ray
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = [
    "HIT_AWAY",
    "HIT_RASTER",
    "HIT_Z",
    "NO_SLOPE",
    "TOP_AWAY",
    "TOP_FIELDS",
    "TOP_SLOPE",
    "TOP_Z",
    "depth",
    "highest_on_ray",
]

# slope, ground distance and elevation of the highest ground; the same of the nearest that reaches over a slope
TOP_SLOPE, TOP_AWAY, TOP_Z, HIT_AWAY, HIT_Z, HIT_RASTER = range(6)
TOP_FIELDS = 6

_LEAF_CELLS = 6.0
_RING_GROWTH = 2.0
NO_SLOPE = -1e9


@compiled
def highest_on_ray(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    i: int,
    eye_m: float,
    most_m: float,
    floor: float,
    over: float,
    enough: float,
    top: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> None:
    """The highest reliable ground of all rasters on one ray.

    floor : slopes that are not above need not be found; over : the nearest ground at or above this slope is told as
    well
    enough : the search may end at a slope above this
    top : filled; TOP_SLOPE is NO_SLOPE where nothing above floor was found, HIT_AWAY inf where nothing reaches over
    """
    top[TOP_SLOPE], top[HIT_AWAY] = NO_SLOPE, np.inf
    best = floor
    for raster in range(parts.shape[0]):
        least_m = max(facts[raster, ASSURED], NEAREST_SAMPLE_M)
        ray, part, leaf_m = rays[raster, i], parts[raster], _LEAF_CELLS * facts[raster, CELL]
        radius_m = ray[RADIUS]
        hit_here = False
        from_m = least_m
        while from_m < most_m:
            to_m = min(from_m * _RING_GROWTH, most_m)
            nodes[0, 0], nodes[0, 1] = from_m, to_m
            from_m = to_m
            count = 1
            while count > 0:
                count -= 1
                r0, r1 = nodes[count, 0], nodes[count, 1]
                (left, upper), (right, lower) = position(ray, r0), position(ray, r1)
                top_m = highest_ground_m(
                    cells,
                    part,
                    min(left, right) - 0.02,
                    max(left, right) + 0.02,
                    min(upper, lower) - 0.02,
                    max(upper, lower) + 0.02,
                )
                rise_m = top_m - eye_m - r0 * r0 / (2.01 * radius_m)
                slope = rise_m / (r0 if rise_m > 0.0 else r1)
                limit = best if hit_here or r0 >= top[HIT_AWAY] else min(best, over - 1e-12)
                if slope + abs(slope) * 2e-3 + 1e-6 <= limit:
                    continue
                if r1 - r0 > leaf_m:
                    middle_m = 0.5 * (r0 + r1)
                    nodes[count, 0], nodes[count, 1] = middle_m, r1
                    nodes[count + 1, 0], nodes[count + 1, 1] = r0, middle_m
                    count += 2
                    continue
                found = sample_ray(cells, part, ray, r0, r1, least_m, most_m, eye_m, away, height)
                for k in range(found):
                    slope = sight(away[k, 0], height[k], eye_m, radius_m)
                    if slope <= limit or is_covered(cells, parts, rays, raster, i, away[k]):
                        continue
                    if slope >= over and not hit_here:
                        hit_here = True
                        if away[k, 0] < top[HIT_AWAY]:
                            top[HIT_AWAY], top[HIT_Z], top[HIT_RASTER] = away[k, 0], height[k], raster
                    if slope <= best:
                        continue
                    best = slope
                    top[TOP_SLOPE], top[TOP_AWAY], top[TOP_Z] = slope, away[k, 0], height[k]
                    if best > enough:
                        return


@compiled
def _has_ground(
    cells: Any, parts: Any, facts: Any, rays: Any, i: int, most_m: float, away: Any, height: Any
) -> bool:
    """Whether there is any reliable ground on a ray."""
    for raster in range(parts.shape[0]):
        least_m, cell_m = max(facts[raster, ASSURED], NEAREST_SAMPLE_M), facts[raster, CELL]
        from_m = least_m
        while from_m < most_m:
            to_m = min(from_m + 8.0 * cell_m, most_m)
            found = sample_ray(
                cells, parts[raster], rays[raster, i], from_m, to_m, least_m, most_m, 0.0, away, height
            )
            for k in range(found):
                if not is_covered(cells, parts, rays, raster, i, away[k]):
                    return True
            from_m = to_m
    return False


@compiled
def depth(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    count: int,
    centre: int,
    eye_m: float,
    most_m: float,
    cosine: float,
    sine: float,
    top_slope: float,
    top: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> float:
    """Angle from a blocked ray to the nearest direction that the ground leaves open, radians.

    top_slope : of the highest ground on the ray itself; top : room to work in
    """
    best = np.arctan(top_slope) - np.arctan2(sine, cosine)
    for step in range(1, count):
        for side in range(2):
            i = centre + step if side else centre - step
            if i < 0 or i >= count:
                continue
            off_cos, off_sin = rays[0, i, OFF_COS], rays[0, i, OFF_SIN]
            # the nearest point of the azimuth's circle; behind the dish the zenith is nearest
            beside = (
                np.arcsin(min(cosine * abs(off_sin), 1.0))
                if off_cos > 0.0
                else 0.5 * np.pi - np.arctan2(sine, cosine)
            )
            if beside >= best:
                continue
            foot = sine / (cosine * off_cos) if off_cos > 1e-9 else 1e9
            # ground this high puts the open direction of this azimuth as far away as the best
            gap = np.arccos(min(np.cos(best) / np.cos(beside), 1.0))
            high = np.arctan(foot) + gap
            enough = np.tan(high) if high < 1.57 else 1e9
            highest_on_ray(
                cells, parts, facts, rays, i, eye_m, most_m, foot, np.inf, enough, top, nodes, away, height
            )
            if top[TOP_SLOPE] == NO_SLOPE:
                if _has_ground(cells, parts, facts, rays, i, most_m, away, height):
                    best = beside
                continue
            # the open part of the circle begins at the skyline, which stands over its nearest point
            over = np.arctan(top[TOP_SLOPE]) - np.arctan(foot)
            away_rad = np.arccos(min(max(np.cos(beside) * np.cos(over), -1.0), 1.0))
            best = min(best, away_rad)
    return float(best)

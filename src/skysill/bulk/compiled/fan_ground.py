"""The highest ground under a piece of a ray fan, and where a finer raster speaks for it."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import LEVEL_0, NO_GROUND_M, OFFSET
from skysill.bulk.compiled.ray_sampling import position

__all__ = ["highest_ground_m", "highest_node_m", "is_covered"]


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
def highest_node_m(cells: Any, part: Any, left: float, right: float, upper: float, lower: float) -> float:
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

"""Columns of terrain that stated errors might bring into the required room: which they are, and what is known of each."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.cone import room_tangent
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import (
    OFFSET,
    RELIEF,
    RELIEF_CELLS,
)
from skysill.bulk.compiled.ray_sampling import position

__all__ = [
    "AWAY",
    "COLUMNS",
    "COLUMN_FIELDS",
    "COLUMN_RASTER",
    "COLUMN_RAY",
    "COLUMN_SLOPE",
    "COLUMN_SPARE",
    "ERROR_FIELDS",
    "LIMIT_FIELDS",
    "MOST_COLUMNS",
    "NOTED",
    "OVERFLOW",
    "blur_at",
    "column_reach",
    "most_blur",
    "note_column",
]

COLUMNS = 2
"""The mode of `search.search` that notes columns."""

# fields of a column: ground distance, slope, slant distance, spare room (radians), numbers of ray and raster
AWAY, COLUMN_SLOPE, COLUMN_SLANT, COLUMN_SPARE, COLUMN_RAY, COLUMN_RASTER = range(6)
COLUMN_FIELDS = 6
MOST_COLUMNS = 20_000

# what the errors of one raster can do in any of the draws: fields of `errors`
# turn a column by so many metres, bring it nearer by so many, more of both by upright edges, share of the relief that a
# thin thing may have lost, number of columns noted, whether there were too many
TURNS, NEARS, EDGE, THIN, NOTED, OVERFLOW = range(6)
LIMIT_FIELDS, ERROR_FIELDS = 4, 6

_BLURS_WITHIN_M = 80.0
"""As in `horizon.raster_sharpness`."""

_TURN_FACTOR = 1.3
"""Azimuths turn by a column's level distance, not its slant one, and columns far below the dish rise when they turn."""


@compiled
def blur_at(cells: Any, part: Any, r0: int, c0: int) -> tuple[float, float]:
    """Height of a node over both sides two cells away, and its drop to the lowest neighbour; see `raster_sharpness`."""
    rows, columns, offset = part[OFFSET + 1], part[OFFSET + 2], part[OFFSET]
    r0, c0 = min(max(r0, 0), rows - 1), min(max(c0, 0), columns - 1)
    middle = float(cells[offset + r0 * columns + c0])
    if middle != middle:
        middle = 0.0
    top, low = middle, middle
    for r in range(r0 - 1, r0 + 2):
        for c in range(c0 - 1, c0 + 2):
            z = float(cells[offset + min(max(r, 0), rows - 1) * columns + min(max(c, 0), columns - 1)])
            if z == z:
                top, low = max(top, z), min(low, z)
    least, second = np.inf, np.inf
    for way in range(4):
        by_row, by_column = (0, 2, 2, 2)[way], (2, 0, 2, -2)[way]
        side = -np.inf
        for sign in range(-1, 2, 2):
            r, c = min(max(r0 + sign * by_row, 0), rows - 1), min(max(c0 + sign * by_column, 0), columns - 1)
            z = float(cells[offset + r * columns + c])
            side = max(side, z if z == z else middle)
        if side < least:
            least, second = side, least
        elif side < second:
            second = side
    return max(top - second, 0.0), max(top - low, 0.0)


@compiled
def most_blur(cells: Any, part: Any, left: float, right: float, upper: float, lower: float) -> tuple[float, float]:
    """The largest of `blur_at` over the blocks under a box of columns and rows; 0 for rasters that are not fine."""
    thin, drop = 0.0, 0.0
    at, down, across = part[RELIEF], part[RELIEF + 1], part[RELIEF + 2]
    if at < 0:
        return thin, drop
    i0, i1 = min(max(int(upper) // RELIEF_CELLS, 0), down - 1), min(max(int(lower) // RELIEF_CELLS, 0), down - 1)
    j0, j1 = min(max(int(left) // RELIEF_CELLS, 0), across - 1), min(max(int(right) // RELIEF_CELLS, 0), across - 1)
    for i in range(i0, i1 + 1):
        for j in range(j0, j1 + 1):
            index = at + 2 * (i * across + j)
            if cells[index] != cells[index]:  # not asked for yet
                thinnest, steepest = 0.0, 0.0
                for r in range(RELIEF_CELLS * i - 1, RELIEF_CELLS * (i + 1) + 2):
                    for c in range(RELIEF_CELLS * j - 1, RELIEF_CELLS * (j + 1) + 2):
                        one, other = blur_at(cells, part, r, c)
                        thinnest, steepest = max(thinnest, one), max(steepest, other)
                cells[index], cells[index + 1] = thinnest * 1.000001, steepest * 1.000001
            thin, drop = max(thin, float(cells[index])), max(drop, float(cells[index + 1]))
    return thin, drop


@compiled
def column_reach(slant_m: float, thin: float, drop: float, fine: bool, errors: Any) -> tuple[float, float]:
    """How far errors can turn a column at a distance, as a tangent, and how near they can bring it: upper bounds."""
    turns, nears = errors[TURNS], errors[NEARS]
    if fine and slant_m < _BLURS_WITHIN_M:
        edge = errors[EDGE] * min(drop, 1.0)
        turns += edge + errors[THIN] * thin
        nears += edge
    nearest_m = max(slant_m * max(1.0 - nears / slant_m, 0.1), 0.1) if fine else slant_m
    return _TURN_FACTOR * turns / slant_m, nearest_m


@compiled
def note_column(
    cells: Any, part: Any, ray: Any, raster: int, i: int, d: float, slope: float, slant_m: float, margin: float,
    spare: float, half_dish_m: float, zone: float, errors: Any, columns: Any, ladder: Any,
) -> None:  # fmt: skip
    """Note a sample that rises over all nearer ones noted on its ray, if errors might bring it into the room."""
    thin, drop = 0.0, 0.0
    if part[RELIEF] >= 0 and slant_m < _BLURS_WITHIN_M:
        column, row = position(ray, d)
        thin, drop = most_blur(cells, part, column, column, row, row)
    turned, nearest_m = column_reach(slant_m, thin, drop, part[RELIEF] >= 0, errors)
    if margin >= np.arctan(turned) + np.arctan(room_tangent(nearest_m, half_dish_m, zone)):
        return
    ladder[i] = slope
    n = int(errors[NOTED])
    if n >= MOST_COLUMNS:
        errors[OVERFLOW] = 1.0
        return
    columns[n, AWAY], columns[n, COLUMN_SLOPE], columns[n, COLUMN_SLANT] = d, slope, slant_m
    columns[n, COLUMN_SPARE], columns[n, COLUMN_RAY], columns[n, COLUMN_RASTER] = spare, i, raster
    errors[NOTED] = n + 1

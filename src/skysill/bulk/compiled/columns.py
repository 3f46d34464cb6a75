"""Columns of terrain that stated errors might bring into the required room."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.cone import margin_and_slant, room_tangent
from skysill.bulk.compiled.displacement import BOUNDS, FLOOR_BINS, may_take_room_at
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import (
    FINE,
    OFFSET,
    RELIEF,
    RELIEF_CELLS,
)
from skysill.bulk.compiled.ray_sampling import OFF_COS, OFF_SIN, RADIUS, position

__all__ = [
    "AWAY",
    "BLURS_WITHIN_M",
    "COLUMNS",
    "COLUMN_DROP",
    "COLUMN_FIELDS",
    "COLUMN_RASTER",
    "COLUMN_RAY",
    "COLUMN_SLOPE",
    "COLUMN_SPARE",
    "COLUMN_THIN",
    "ERROR_FIELDS",
    "FLOOR",
    "LEAF_DROP",
    "LEAF_THIN",
    "MOST_COLUMNS",
    "NOTED",
    "OVERFLOW",
    "blur_at",
    "blur_of_nodes",
    "most_blur",
    "note_column",
]

COLUMNS = 2
"""The mode of `search.search` that notes columns."""

# fields of a column: ground distance, slope, slant distance, spare room (radians), numbers of ray and raster
(
    AWAY,
    COLUMN_SLOPE,
    COLUMN_SLANT,
    COLUMN_SPARE,
    COLUMN_RAY,
    COLUMN_RASTER,
    COLUMN_THIN,
    COLUMN_DROP,
    COLUMN_SEEN,
) = range(9)
COLUMN_FIELDS = 9
MOST_COLUMNS = 20_000

# fields of `errors`: first the bounds of `displacement`; how many columns are noted; whether there were too
# many; the harmless floor; the blur of the piece of the fan looked at last
NOTED, OVERFLOW, FLOOR = BOUNDS, BOUNDS + 1, BOUNDS + 2
LEAF_THIN, LEAF_DROP = FLOOR + FLOOR_BINS, FLOOR + FLOOR_BINS + 1
ERROR_FIELDS = FLOOR + FLOOR_BINS + 2

_ROUNDING = 1e-4
"""Tangent by which the room is wider where a single sample is asked about: the Monte Carlo samples are rounded."""

BLURS_WITHIN_M = 80.0
_STEEP_M = 1.0
"""As in `horizon.raster_sharpness`."""


@compiled
def blur_at(cells: Any, part: Any, r0: int, c0: int) -> tuple[float, float]:
    """Height of a node over both sides two cells away, and its drop to the lowest neighbour, steep beside a void; see
    `raster_sharpness`."""
    rows, columns, offset = part[OFFSET + 1], part[OFFSET + 2], part[OFFSET]
    r0, c0 = min(max(r0, 0), rows - 1), min(max(c0, 0), columns - 1)
    middle = float(cells[offset + r0 * columns + c0])
    if middle != middle:
        middle = 0.0
    top, low, hidden_m = middle, middle, 0.0
    for r in range(r0 - 1, r0 + 2):
        for c in range(c0 - 1, c0 + 2):
            z = float(cells[offset + min(max(r, 0), rows - 1) * columns + min(max(c, 0), columns - 1)])
            if z == z:
                top, low = max(top, z), min(low, z)
            else:
                hidden_m = _STEEP_M
    least, second = np.inf, np.inf
    for way in range(4):
        by_row, by_column = (0, 2, 2, 2)[way], (2, 0, 2, -2)[way]
        side = -np.inf
        for sign in range(-1, 2, 2):
            r, c = min(max(r0 + sign * by_row, 0), rows - 1), min(max(c0 + sign * by_column, 0), columns - 1)
            z = float(cells[offset + r * columns + c])
            side = max(side, z if z == z else side)
        if side == -np.inf:
            side = low
        if side < least:
            least, second = side, least
        elif side < second:
            second = side
    return max(top - second, 0.0), max(top - low, hidden_m)


@compiled
def most_blur(
    cells: Any, part: Any, left: float, right: float, upper: float, lower: float
) -> tuple[float, float]:
    """The largest of `blur_at` over the blocks under a box of columns and rows; 0 for rasters that are not fine."""
    thin, drop = 0.0, 0.0
    at, down, across = part[RELIEF], part[RELIEF + 1], part[RELIEF + 2]
    if at < 0:
        return thin, drop
    i0, i1 = (
        min(max(int(upper) // RELIEF_CELLS, 0), down - 1),
        min(max(int(lower) // RELIEF_CELLS, 0), down - 1),
    )
    j0, j1 = (
        min(max(int(left) // RELIEF_CELLS, 0), across - 1),
        min(max(int(right) // RELIEF_CELLS, 0), across - 1),
    )
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
def blur_of_nodes(
    cells: Any, part: Any, left: float, right: float, upper: float, lower: float
) -> tuple[float, float]:
    """The largest of `blur_at` over a small box of columns and rows."""
    thin, drop = 0.0, 0.0
    for r in range(int(np.rint(upper)), int(np.rint(lower)) + 1):
        for c in range(int(np.rint(left)), int(np.rint(right)) + 1):
            one, other = blur_at(cells, part, r, c)
            thin, drop = max(thin, one), max(drop, other)
    return thin, drop


@compiled
def note_column(
    cells: Any,
    part: Any,
    ray: Any,
    raster: int,
    i: int,
    d: float,
    z: float,
    slope: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    errors: Any,
    columns: Any,
    ladder: Any,
) -> None:
    """Note a sample that rises over all nearer ones noted on its ray, if errors might bring it into the room.

    d, z : its ground distance and elevation; slope : at which it is seen
    """
    off_cos, off_sin, radius_m, thin, drop = ray[OFF_COS], ray[OFF_SIN], ray[RADIUS], 0.0, 0.0
    if part[FINE] != 0 and d < BLURS_WITHIN_M:
        slant_m = (radius_m + z) * np.sin(d / radius_m) * np.sqrt(1.0 + slope * slope)
        if slant_m < BLURS_WITHIN_M:
            column, row = position(ray, d)
            thin, drop = blur_at(cells, part, int(np.rint(row)), int(np.rint(column)))
    if not may_take_room_at(
        slope, off_cos, off_sin, d, thin, drop, cosine, sine, half_dish_m, zone, errors, _ROUNDING
    ):
        return
    margin, slant_m = margin_and_slant(slope, d, z, radius_m, off_cos, off_sin, cosine, sine)
    ladder[i] = slope
    n = int(errors[NOTED])
    if n >= MOST_COLUMNS:
        errors[OVERFLOW] = 1.0
        return
    columns[n, AWAY], columns[n, COLUMN_SLOPE], columns[n, COLUMN_SLANT] = d, slope, slant_m
    columns[n, COLUMN_SPARE] = margin - np.arctan(room_tangent(slant_m, half_dish_m, zone))
    columns[n, COLUMN_RAY], columns[n, COLUMN_RASTER] = i, raster
    columns[n, COLUMN_THIN], columns[n, COLUMN_DROP], columns[n, COLUMN_SEEN] = thin, drop, 0.0
    errors[NOTED] = n + 1

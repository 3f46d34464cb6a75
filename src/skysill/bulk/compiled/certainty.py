"""The columns of terrain that decide how probable the required room is, by the groups of `assessment.confidence`."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.assessment.sampling import THIN_LOST
from skysill.bulk.compiled.columns import (
    COLUMN_DROP,
    COLUMN_RASTER,
    COLUMN_RAY,
    COLUMN_SLANT,
    COLUMN_SLOPE,
    COLUMN_SPARE,
    COLUMN_THIN,
    MOST_COLUMNS,
)
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import (
    BLUR_LOST,
    BLUR_SPREAD,
    CORRELATION,
    FINE,
    MEANS,
    PLAN,
    VERTICAL,
)
from skysill.bulk.compiled.ray_sampling import EAST, NORTH, OFF_COS, OFF_RAD, OFF_SIN

__all__ = [
    "DRAW_FIELDS",
    "D_NUMBER",
    "D_TAKES",
    "GROUP_TABLE",
    "MOST_DECIDING",
    "MOST_GROUPS",
    "deciding_columns",
]

MOST_DECIDING = 48
_STEEP_M = 1.0
_MOST_DEVIATIONS = 5.0
"""As in `confidence`: columns farther from the required room do not count."""

GROUP_TABLE, MOST_GROUPS = 1 << 15, MOST_COLUMNS
"""No group may be left out: as many as columns, and a table half as large again at least."""

# fields of a deciding column: its direction against the ray (sine and cosine of azimuth offset and elevation),
# lengths, unit vectors to the right, upward and outward, raster, knots and their weights, blur, deviations, which of
# the columns noted it is, and whether it takes the room in a sample in which none before it does
(
    D_OFF_SIN,
    D_OFF_COS,
    D_TOP_SIN,
    D_TOP_COS,
    D_SLANT,
    D_LEVEL,
    D_EAST,
    D_NORTH,
    D_RASTER,
    D_KNOT,
    D_WEIGHT_0,
    D_WEIGHT_1,
    D_THIN,
    D_LOST,
    D_SPREAD,
    D_FINE,
    D_DEVIATIONS,
    D_NUMBER,
    D_TAKES,
) = range(19)
DRAW_FIELDS = 19


@compiled
def _blur_of(part: Any, fact: Any, column: Any) -> tuple[float, float, float]:
    """What a fine raster may have blurred at a column: thin height, lost and spread width."""
    steep = min(column[COLUMN_DROP] / _STEEP_M, 1.0)
    thin = column[COLUMN_THIN] if part[MEANS] != 0 else 0.0
    return thin, steep * fact[BLUR_LOST], steep * fact[BLUR_SPREAD]


@compiled
def _describe(parts: Any, facts: Any, rays: Any, column: Any, into: Any) -> None:
    """The fields of one deciding column."""
    raster, i, slope, slant_m = (
        int(column[COLUMN_RASTER]),
        int(column[COLUMN_RAY]),
        column[COLUMN_SLOPE],
        column[COLUMN_SLANT],
    )
    ray, fact = rays[raster, i], facts[raster]
    level = 1.0 / np.sqrt(1.0 + slope * slope)
    into[D_OFF_SIN], into[D_OFF_COS], into[D_TOP_SIN], into[D_TOP_COS] = (
        ray[OFF_SIN],
        ray[OFF_COS],
        slope * level,
        level,
    )
    into[D_SLANT], into[D_LEVEL], into[D_EAST], into[D_NORTH] = (
        slant_m,
        slant_m * level,
        ray[EAST],
        ray[NORTH],
    )
    into[D_RASTER], into[D_FINE] = raster, 1.0 if parts[raster, FINE] != 0 else 0.0
    along = slant_m * level / fact[CORRELATION]
    knot, low, high = 0, 0.0, 1.0
    while along >= high and knot < 18:
        knot, low, high = knot + 1, high, 2.0 * high
    share = min((along - low) / (high - low), 1.0)
    scale = np.hypot(1.0 - share, share)
    into[D_KNOT] = knot
    into[D_WEIGHT_0], into[D_WEIGHT_1] = (
        fact[VERTICAL] * (1.0 - share) / scale,
        fact[VERTICAL] * share / scale,
    )
    into[D_THIN], into[D_LOST], into[D_SPREAD] = _blur_of(parts[raster], fact, column)


@compiled
def deciding_columns(
    parts: Any,
    facts: Any,
    rays: Any,
    columns: Any,
    count: int,
    dish_m: float,
    own_m: float,
    deciding: Any,
    table: Any,
    slots: Any,
) -> int:
    """Of the columns noted, those that decide: of each group with the same errors the most critical one, 48 at most.

    dish_m, own_m : standard deviations of the dish's place and of the ground under it
    deciding : (MOST_DECIDING, DRAW_FIELDS) float32, filled, the most critical first
    table, slots : room to work in; table is -1 everywhere, before and after

    Returns
    -------
    How many there are
    """
    groups = 0
    for n in range(count):
        raster, i = int(columns[n, COLUMN_RASTER]), int(columns[n, COLUMN_RAY])
        slant_m, fact = columns[n, COLUMN_SLANT], facts[raster]
        thin, lost, spread = _blur_of(parts[raster], fact, columns[n])
        shift_m = dish_m + fact[VERTICAL] + fact[PLAN] + own_m + lost + spread + THIN_LOST * thin
        sigma = max(np.arctan2(shift_m, slant_m), 1.7e-11)
        deviations = columns[n, COLUMN_SPARE] / sigma
        if deviations > _MOST_DEVIATIONS:
            continue
        aside = int(np.floor(np.rint(20.0 * np.rad2deg(rays[raster, i, OFF_RAD])) / 10.0)) + 400
        away = int(np.floor(20.0 * np.log(max(slant_m, 0.1)))) + 100
        key = (raster * 1000 + aside) * 1000 + away
        at = (key * 40503) % GROUP_TABLE
        while table[at] >= 0 and slots[table[at], 0] != key:
            at = (at + 1) % GROUP_TABLE
        if table[at] < 0:
            table[at] = groups
            slots[groups, 0], slots[groups, 1], slots[groups, 2], slots[groups, 3] = key, deviations, n, at
            groups += 1
        elif deviations < slots[table[at], 1]:
            slots[table[at], 1], slots[table[at], 2] = deviations, n
    for g in range(groups):
        table[int(slots[g, 3])] = -1
    order = np.argsort(slots[:groups, 1])
    chosen = min(groups, MOST_DECIDING)
    for place in range(chosen):
        n = int(slots[order[place], 2])
        _describe(parts, facts, rays, columns[n], deciding[place])
        deciding[place, D_DEVIATIONS], deciding[place, D_NUMBER] = slots[order[place], 1], n
    return chosen

"""Search of a place's ray fan for the columns that decide how probable the required room is."""

from __future__ import annotations

from typing import Any

from skysill.assessment.sampling import THIN_LOST
from skysill.bulk.compiled.certainty import MOST_DECIDING, deciding_columns, rising_columns
from skysill.bulk.compiled.columns import COLUMNS, DEVIATIONS, EDGE, NOTED, OVERFLOW, SIGMA, THIN
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import ASSURED, BLUR_LOST, BLUR_SPREAD, FINE, MEANS, PLAN, VERTICAL
from skysill.bulk.compiled.search import EYE, MOST_EYE, SPARE, search
from skysill.bulk.compiled.skyline import NO_SLOPE
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = ["columns_that_decide"]

_WIDENING = (1.3, 5.0)
"""Standard deviations from the required room within which columns are looked for, one after the other until they are
enough to decide alone; the last one is that of `assessment.confidence`. They are the cautious sums of
`sampling.sigma_bound_deg`. Every ray is looked at: of each group of columns the most critical one is wanted, and it may
stand on any."""


@compiled
def columns_that_decide(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    centre: int,
    own: int,
    eye_m: float,
    most_m: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    dish_m: float,
    bounded: bool,
    found: Any,
    errors: Any,
    columns: Any,
    ladder: Any,
    deciding: Any,
    table: Any,
    slots: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> int:
    """Find the columns that decide at one place.

    own : the raster that the dish's ground is from, the number of rasters: none; dish_m : error of the dish's place
    found, errors, columns, ladder, table, slots, nodes, away, height : room to work in
    deciding : see `certainty.deciding_columns`

    Returns
    -------
    How many there are; -1: more than can be noted
    """
    count = parts.shape[0]
    own_m = float(facts[own, VERTICAL]) if own < count else 0.0
    errors[:] = 0.0
    found[SPARE], found[EYE], found[MOST_EYE] = 0.0, eye_m, 1e30
    chosen = 0
    for most in _WIDENING:
        errors[NOTED], errors[DEVIATIONS] = 0.0, most
        for raster in range(count):
            fact = facts[raster]
            # added up as `sampling.sigma_bound_deg` does
            errors[SIGMA] = dish_m + fact[VERTICAL] + fact[PLAN] + own_m
            errors[EDGE] = fact[BLUR_LOST] + fact[BLUR_SPREAD] if parts[raster, FINE] != 0 else 0.0
            errors[THIN] = THIN_LOST if parts[raster, MEANS] != 0 else 0.0
            ladder[: 2 * centre + 1] = NO_SLOPE
            search(
                cells,
                parts,
                facts,
                rays,
                raster,
                0,
                2 * centre,
                centre,
                cosine,
                sine,
                half_dish_m,
                zone,
                max(fact[ASSURED], NEAREST_SAMPLE_M),
                most_m,
                COLUMNS,
                bounded,
                found,
                errors,
                columns,
                ladder,
                nodes,
                away,
                height,
            )
        if errors[OVERFLOW] > 0.0:
            return -1
        noted = int(errors[NOTED])
        if count > 1:
            noted = rising_columns(columns, noted)
            errors[NOTED] = noted
        chosen = deciding_columns(
            cells, parts, facts, rays, columns, noted, dish_m, own_m, most, deciding, table, slots
        )
        if chosen == MOST_DECIDING:
            return chosen
    return chosen

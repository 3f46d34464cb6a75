"""Search of a place's ray fan for the columns that decide how probable the required room is."""

from __future__ import annotations

from typing import Any

from skysill.bulk.compiled.certainty import deciding_columns
from skysill.bulk.compiled.columns import COLUMNS, FLOOR, NOTED, OVERFLOW
from skysill.bulk.compiled.displacement import BOUNDS, FLOOR_BINS
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import ASSURED, VERTICAL
from skysill.bulk.compiled.search import EYE, MOST_EYE, SPARE, search
from skysill.bulk.compiled.skyline import NO_SLOPE
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = ["columns_that_decide"]


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
    bounds: Any,
    floors: Any,
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
    for raster in range(count):
        fact = facts[raster]
        errors[:BOUNDS] = bounds[own, raster]
        errors[FLOOR : FLOOR + FLOOR_BINS] = floors[own, raster]
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
    return deciding_columns(
        parts, facts, rays, columns, int(errors[NOTED]), dish_m, own_m, deciding, table, slots
    )

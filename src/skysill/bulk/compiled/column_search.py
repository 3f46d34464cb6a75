"""Search of a place's ray fan for the columns that decide how probable the required room is."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.certainty import D_NUMBER, D_TAKES, deciding_columns
from skysill.bulk.compiled.columns import (
    AWAY,
    COLUMN_RAY,
    COLUMN_SEEN,
    COLUMN_SLOPE,
    COLUMN_SPARE,
    COLUMNS,
    FLOOR,
    NOTED,
    OVERFLOW,
)
from skysill.bulk.compiled.displacement import BOUNDS, FLOOR_BINS
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.piece_bounds import EYE, MOST_EYE, SPARE
from skysill.bulk.compiled.raster_stack import ASSURED, VERTICAL
from skysill.bulk.compiled.sampled_room import probability
from skysill.bulk.compiled.search import search
from skysill.bulk.compiled.skyline import NO_SLOPE, TOP_SLOPE, highest_on_ray
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = ["columns_that_decide", "probability_by_seen"]


@compiled
def _is_hidden(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    column: Any,
    eye_m: float,
    top: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> bool:
    """Whether nearer ground on its ray reaches higher than a column: an assessment does not see it then.

    Nearer ground that no error brings into the room was not noted, and may still stand before one that is.
    """
    slope, nearer_m = column[COLUMN_SLOPE], column[AWAY] - 1e-6
    i = int(column[COLUMN_RAY])
    highest_on_ray(
        cells, parts, facts, rays, i, eye_m, nearer_m, slope, np.inf, slope, top, nodes, away, height
    )
    return bool(top[TOP_SLOPE] > NO_SLOPE)


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


@compiled
def probability_by_seen(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    own: int,
    eye_m: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    dish_m: float,
    enough: float,
    drawn: Any,
    failed: Any,
    errors: Any,
    columns: Any,
    chosen: int,
    deciding: Any,
    table: Any,
    slots: Any,
    top: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> tuple[float, int]:
    """The share of the samples in which no column that is seen takes the room; how many columns decide.

    chosen, deciding : from `columns_that_decide`, changed where a column that takes the room turns out to be hidden
    drawn, enough, failed : see `certainty.probability`
    """
    moved, knots, inward, short, ground_m = drawn
    own_m = float(facts[own, VERTICAL]) if own < parts.shape[0] else 0.0
    while True:
        p_clear = probability(
            deciding,
            chosen,
            moved,
            knots,
            ground_m[own],
            inward,
            short,
            cosine,
            sine,
            half_dish_m,
            zone,
            enough,
            failed,
        )
        hidden = 0
        for place in range(chosen):
            column = columns[int(deciding[place, D_NUMBER])]
            if deciding[place, D_TAKES] > 0.0 and column[COLUMN_SEEN] == 0.0:
                column[COLUMN_SEEN] = 1.0
                if _is_hidden(cells, parts, facts, rays, column, eye_m, top, nodes, away, height):
                    column[COLUMN_SPARE] = np.inf  # does not count any more
                    hidden += 1
        if hidden == 0:
            return p_clear, chosen
        chosen = deciding_columns(
            parts, facts, rays, columns, int(errors[NOTED]), dish_m, own_m, deciding, table, slots
        )

"""Search of a place's ray fan for the columns that decide how probable the required room is."""

from __future__ import annotations

from typing import Any

from skysill.assessment.sampling import THIN_LOST
from skysill.bulk.compiled.certainty import MOST_DECIDING, deciding_columns, rising_columns
from skysill.bulk.compiled.columns import COLUMNS, DEVIATIONS, EDGE, NOTED, OVERFLOW, SIGMA, THIN
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import ASSURED, BLUR_LOST, BLUR_SPREAD, FINE, MEANS, PLAN, VERTICAL
from skysill.bulk.compiled.ray_sampling import RAY_FIELDS
from skysill.bulk.compiled.search import EYE, MOST_EYE, SPARE, search
from skysill.bulk.compiled.skyline import NO_SLOPE
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = ["columns_that_decide"]

_NEAR_DEVIATIONS, _FAR_DEVIATIONS = 0.9, 1.8
"""Columns within so many standard deviations of the required room are looked for on all rays; if these are too few to
decide alone, those within the second number on some rays as well. The standard deviations are the cautious sums of
`sampling.sigma_bound_deg`, about twice the real ones."""

_EVERY_DENSE, _EVERY_WIDE = 2, 1
"""Columns of one group have the same errors, and a group is half a degree wide: far from the ray fewer rays do."""


@compiled
def _thinned(rays: Any, rasters: int, centre: int, dense: int) -> tuple[int, int]:
    """Append some of a place's rays behind all of them; returns how many, and which of them is the centre."""
    count, middle = 0, 0
    for i in range(2 * centre + 1):
        away = abs(i - centre)
        if away % _EVERY_DENSE != 0 if away <= dense else (away - dense) % _EVERY_WIDE != 0:
            continue
        if away == 0:
            middle = count
        for raster in range(rasters):
            for at in range(RAY_FIELDS):
                rays[raster, 2 * centre + 1 + count, at] = rays[raster, i, at]
        count += 1
    return count, middle


@compiled
def columns_that_decide(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    centre: int,
    dense: int,
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
    first, last, middle, chosen = 0, 2 * centre, centre, 0
    for step in range(2):
        if step:
            first = 2 * centre + 1
            number, middle = _thinned(rays, count, centre, dense)
            last, middle = first + number - 1, middle + first
        most = _FAR_DEVIATIONS if step else _NEAR_DEVIATIONS
        errors[DEVIATIONS] = most
        for raster in range(count):
            fact = facts[raster]
            # added up as `sampling.sigma_bound_deg` does
            errors[SIGMA] = dish_m + fact[VERTICAL] + fact[PLAN] + own_m
            errors[EDGE] = fact[BLUR_LOST] + fact[BLUR_SPREAD] if parts[raster, FINE] != 0 else 0.0
            errors[THIN] = THIN_LOST if parts[raster, MEANS] != 0 else 0.0
            ladder[first : last + 1] = NO_SLOPE
            search(
                cells,
                parts,
                facts,
                rays,
                raster,
                first,
                last,
                middle,
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

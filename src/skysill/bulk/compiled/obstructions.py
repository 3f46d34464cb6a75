"""What obstructs the ray of one place, and what only cells too coarse so near put into its room."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.cone import margin_and_slant, room_tangent, sight
from skysill.bulk.compiled.fan_ground import is_covered
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.piece_bounds import CONTROLS, EYE, MOST_EYE, RASTER, SLANT, SPARE
from skysill.bulk.compiled.place_fields import (
    O_MARGIN,
    O_MET,
    O_NEAR_RASTER,
    O_NEAR_SLANT,
    O_RASTER,
    O_SLANT,
    O_SPARE,
    O_TOP_SLANT,
    O_TOP_SLOPE,
    P_EYE,
    P_MOST,
)
from skysill.bulk.compiled.raster_stack import ASSURED
from skysill.bulk.compiled.ray_sampling import RADIUS, sample_ray
from skysill.bulk.compiled.search import search
from skysill.bulk.compiled.skyline import (
    HIT_AWAY,
    HIT_RASTER,
    HIT_Z,
    NO_SLOPE,
    TOP_AWAY,
    TOP_SLOPE,
    TOP_Z,
    depth,
    highest_on_ray,
)
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = ["near_doubt", "obstructed"]


@compiled
def obstructed(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    centre: int,
    place: Any,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    into: Any,
    top: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> bool:
    """The highest ground below the satellite; and, where the ray meets some, how deep it stands in it.

    Where it meets none, SPARE becomes that of the highest ground below.
    """
    eye_m, most_m, radius_m, level = place[P_EYE], place[P_MOST], rays[0, centre, RADIUS], sine / cosine
    highest_on_ray(
        cells, parts, facts, rays, centre, eye_m, most_m, NO_SLOPE, level, np.inf, top, nodes, away, height
    )
    into[O_SPARE], into[O_MET] = np.inf, 0.0
    highest = top[TOP_SLOPE]
    if highest <= NO_SLOPE:
        return False
    margin, slant_m = margin_and_slant(highest, top[TOP_AWAY], top[TOP_Z], radius_m, 1.0, 0.0, cosine, sine)
    into[O_TOP_SLOPE], into[O_TOP_SLANT] = highest, slant_m
    if top[HIT_AWAY] == np.inf:
        into[O_SPARE] = margin - np.arctan(room_tangent(slant_m, half_dish_m, zone))
        return False
    slope = sight(top[HIT_AWAY], top[HIT_Z], eye_m, radius_m)
    slant_m = margin_and_slant(slope, top[HIT_AWAY], top[HIT_Z], radius_m, 1.0, 0.0, cosine, sine)[1]
    into[O_MET], into[O_RASTER], into[O_SLANT] = 1.0, top[HIT_RASTER], slant_m
    into[O_MARGIN] = -depth(
        cells,
        parts,
        facts,
        rays,
        2 * centre + 1,
        centre,
        eye_m,
        most_m,
        cosine,
        sine,
        highest,
        top,
        nodes,
        away,
        height,
    )
    into[O_SPARE] = into[O_MARGIN] - np.arctan(room_tangent(slant_m, half_dish_m, zone))
    return True


@compiled
def near_doubt(
    cells: Any,
    parts: Any,
    facts: Any,
    rays: Any,
    centre: int,
    place: Any,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    bounded: bool,
    found: Any,
    errors: Any,
    columns: Any,
    ladder: Any,
    into: Any,
    nodes: Any,
    away: Any,
    height: Any,
) -> None:
    """What only cells too coarse to be relied on so near put into the required room."""
    eye_m, level = place[P_EYE], sine / cosine
    found[:] = np.nan
    found[SPARE], found[EYE], found[MOST_EYE] = 0.0, eye_m, np.inf
    met_m = np.inf
    for raster in range(parts.shape[0]):
        least_m, most_m = NEAREST_SAMPLE_M, min(facts[raster, ASSURED], place[P_MOST])
        if most_m <= least_m:
            continue
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
            least_m,
            most_m,
            CONTROLS,
            bounded,
            found,
            errors,
            columns,
            ladder,
            nodes,
            away,
            height,
        )
        ray = rays[raster, centre]
        number = sample_ray(cells, parts[raster], ray, least_m, most_m, least_m, most_m, eye_m, away, height)
        for n in range(number):
            d, z = away[n, 0], height[n]
            slope = sight(d, z, eye_m, ray[RADIUS])
            if slope >= level and d < met_m and not is_covered(cells, parts, rays, raster, centre, away[n]):
                met_m = d
                into[O_NEAR_RASTER] = raster
                into[O_NEAR_SLANT] = margin_and_slant(slope, d, z, ray[RADIUS], 1.0, 0.0, cosine, sine)[1]
    if met_m == np.inf:
        into[O_NEAR_SLANT], into[O_NEAR_RASTER] = found[SLANT], found[RASTER]

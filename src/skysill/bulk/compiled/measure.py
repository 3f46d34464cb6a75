"""The compiled loop over places: clearance, certainty, coverage or least height of each."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.certainty import (
    DRAW_FIELDS,
    GROUP_TABLE,
    MOST_DECIDING,
    MOST_GROUPS,
    spread_alone,
)
from skysill.bulk.compiled.column_search import columns_that_decide, probability_by_seen
from skysill.bulk.compiled.columns import (
    COLUMN_FIELDS,
    ERROR_FIELDS,
    MOST_COLUMNS,
)
from skysill.bulk.compiled.cone import margin_and_slant, room_tangent, sight
from skysill.bulk.compiled.displacement import FLOOR_BINS, floor_bin, harmless_floor
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import ASSURED
from skysill.bulk.compiled.ray_sampling import (
    MOST_SAMPLES,
    OFF_RAD,
    RADIUS,
    RAY_FIELDS,
    lay_rays,
    sample_ray,
    turn_rays,
)
from skysill.bulk.compiled.reach import (
    G_FIRST,
    G_LAST,
    G_NEAR_SEEN,
    G_REACH,
    GAP_FIELDS,
    MOST_STRETCHES,
    known_rays,
)
from skysill.bulk.compiled.search import (
    CONTROLS,
    EYE,
    LEAST_EYE,
    MARGIN,
    MOST_EYE,
    RASTER,
    SEARCH_FIELDS,
    SLANT,
    SPARE,
    is_covered,
    search,
)
from skysill.bulk.compiled.skyline import (
    HIT_AWAY,
    HIT_RASTER,
    HIT_Z,
    NO_SLOPE,
    TOP_AWAY,
    TOP_FIELDS,
    TOP_SLOPE,
    TOP_Z,
    depth,
    highest_on_ray,
)
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = [
    "OUT_FIELDS",
    "PLACE_FIELDS",
    "P_DENSE",
    "clearances",
    "least_eyes",
]

# fields of a place: eye, azimuth, apparent elevation (radians), curvatures of the effective Earth east and north,
# most distance that counts, rays of the window, distances out to which ground and near evidence must be known, and
# the raster that the dish's ground is from (the number of rasters: none)
(
    P_EYE,
    P_AZIMUTH,
    P_ELEVATION,
    P_CURVE_EAST,
    P_CURVE_NORTH,
    P_MOST,
    P_DENSE,
    P_INNER,
    P_OUTER,
    P_WANTED,
    P_NEAR,
    P_OWN,
) = range(12)
PLACE_FIELDS = 12

# fields of what is found of a place: see `kernel.DishClearances` and `kernel.DishFindings`
(
    O_SPARE,
    O_MARGIN,
    O_SLANT,
    O_RASTER,
    O_MET,
    O_TOP_SLOPE,
    O_TOP_SLANT,
    O_NEAR_SLANT,
    O_NEAR_RASTER,
    O_GAP_FIRST,
    O_GAP_LAST,
    O_GAP_REACH,
    O_NEAR_SEEN,
    O_P_CLEAR,
    O_ALONE,
    O_UNTOLD,
) = (*range(15), 17)
OUT_FIELDS = 18

MOST_RAYS = 4096
_MOST_NODES = 1024


@compiled
def _set_up(parts: Any, terms: Any, k: int, place: Any, rays: Any) -> int:
    """Lay the rays of one place over all rasters; returns the number of the ray to the satellite."""
    centre = turn_rays(
        rays[0],
        int(place[P_DENSE]),
        int(place[P_INNER]),
        int(place[P_OUTER]),
        place[P_AZIMUTH],
        place[P_CURVE_EAST],
        place[P_CURVE_NORTH],
    )
    for raster in range(parts.shape[0]):
        if raster:
            for i in range(2 * centre + 1):
                for at in range(RADIUS + 1):
                    rays[raster, i, at] = rays[0, i, at]
        lay_rays(rays[raster], 2 * centre + 1, terms[raster, k])
    return centre


@compiled
def _lay_floors(facts: Any, places: Any, half_dish_m: float, zone: float, bounds: Any, floors: Any) -> None:
    """The harmless floors of all rasters that show ground so near, for the lowest ray of all places."""
    lowest = places[:, P_ELEVATION].min()
    for own in range(floors.shape[0]):
        if not (places[:, P_OWN] == own).any():
            continue
        for raster in range(floors.shape[1]):
            if floor_bin(facts[raster, ASSURED]) < FLOOR_BINS:
                harmless_floor(
                    np.cos(lowest),
                    np.sin(lowest),
                    half_dish_m,
                    zone,
                    bounds[own, raster],
                    1e-3,
                    floors[own, raster],
                )


@compiled
def _obstructed(
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
def _near_doubt(
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


@compiled
def _explain(
    deciding: Any,
    chosen: int,
    own: int,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    alone: Any,
    failed: Any,
    into: Any,
) -> None:
    """What each kind of error alone moves."""
    moved_alone, knots, inward, short, own_m = alone
    for kind in range(3):
        into[O_ALONE + kind] = spread_alone(
            deciding,
            chosen,
            moved_alone[kind],
            knots,
            own_m[own],
            inward,
            short,
            1.0 if kind == 2 else 0.0,
            cosine,
            sine,
            half_dish_m,
            zone,
            failed,
        )


@compiled
def clearances(
    cells: Any,
    voids: Any,
    parts: Any,
    facts: Any,
    terms: Any,
    places: Any,
    half_dish_m: float,
    zone: float,
    most_spare: float,
    bounded: bool,
    highest_m: float,
    least_p: float,
    enough_p: float,
    dish_m: float,
    bounds: Any,
    drawn: Any,
    alone: Any,
    out: Any,
) -> None:
    """The clearance of many places; and, where `least_p` is not negative, what else decides their verdicts.

    terms : (raster, place, MAP_TERMS); places : (place, PLACE_FIELDS)
    most_spare : radians; ground that leaves more is not looked for
    highest_m : of the ground around; least_p : probability that `clear` asks; dish_m : error of the dish's place
    enough_p : of a probability less than this only an upper bound is asked that is less, too
    bounds : of `draws.Draws`
    drawn : moved, knots, inward, short, own of `draws.Draws`; alone : the same of fewer samples, moved by one error
        alone at a time, (error, raster, 3, samples)
    out : (place, OUT_FIELDS), filled; SPARE is inf where nothing leaves less than most_spare
    """
    count = parts.shape[0]
    rays = np.zeros((count, MOST_RAYS, RAY_FIELDS))
    nodes, away, height = np.zeros((_MOST_NODES, 4)), np.zeros((MOST_SAMPLES, 3)), np.zeros(MOST_SAMPLES)
    found, top, errors = np.zeros(SEARCH_FIELDS), np.zeros(TOP_FIELDS), np.zeros(ERROR_FIELDS)
    columns, ladder = np.zeros((MOST_COLUMNS, COLUMN_FIELDS)), np.zeros(MOST_RAYS)
    deciding = np.zeros((MOST_DECIDING, DRAW_FIELDS), dtype=np.float32)
    table, slots = np.full(GROUP_TABLE, -1, dtype=np.int64), np.zeros((MOST_GROUPS, 4))
    failed = np.zeros(drawn[2].shape[0], dtype=np.float32)
    gaps, known, counts = (
        np.zeros(GAP_FIELDS),
        np.zeros((count, MOST_STRETCHES, 2)),
        np.zeros(count, dtype=np.int64),
    )
    floors = np.full((count + 1, count, FLOOR_BINS), -np.inf)
    if least_p >= 0.0 and places.shape[0] > 0:
        _lay_floors(facts, places, half_dish_m, zone, bounds, floors)
    for k in range(places.shape[0]):
        place, into = places[k], out[k]
        into[:] = np.nan
        cosine, sine = np.cos(place[P_ELEVATION]), np.sin(place[P_ELEVATION])
        centre = _set_up(parts, terms, k, place, rays)
        into[O_UNTOLD] = 0.0
        if _obstructed(
            cells,
            parts,
            facts,
            rays,
            centre,
            place,
            cosine,
            sine,
            half_dish_m,
            zone,
            into,
            top,
            nodes,
            away,
            height,
        ):
            continue
        found[:] = np.nan
        found[SPARE], found[EYE], found[MOST_EYE] = (
            min(most_spare, into[O_SPARE] + 1e-9),
            place[P_EYE],
            np.inf,
        )
        for raster in range(count):
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
                max(facts[raster, ASSURED], NEAREST_SAMPLE_M),
                place[P_MOST],
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
        into[O_SPARE] = np.inf if np.isnan(found[RASTER]) else found[SPARE]
        into[O_MARGIN], into[O_SLANT], into[O_RASTER] = found[MARGIN], found[SLANT], found[RASTER]
        if least_p < 0.0:
            continue
        if not known_rays(
            cells,
            voids,
            parts,
            facts,
            rays,
            centre,
            int(place[P_DENSE]),
            place[P_EYE],
            place[P_WANTED],
            place[P_NEAR],
            place[P_MOST],
            highest_m,
            gaps,
            known,
            counts,
            top,
            nodes,
            away,
            height,
        ):
            into[O_UNTOLD] = 1.0
        into[O_NEAR_SEEN], into[O_GAP_REACH] = gaps[G_NEAR_SEEN], gaps[G_REACH]
        if gaps[G_FIRST] >= 0.0:
            into[O_GAP_FIRST] = np.rad2deg(rays[0, int(gaps[G_FIRST]), OFF_RAD])
            into[O_GAP_LAST] = np.rad2deg(rays[0, int(gaps[G_LAST]), OFF_RAD])
        if into[O_SPARE] < 0.0:
            continue
        _near_doubt(
            cells,
            parts,
            facts,
            rays,
            centre,
            place,
            cosine,
            sine,
            half_dish_m,
            zone,
            bounded,
            found,
            errors,
            columns,
            ladder,
            into,
            nodes,
            away,
            height,
        )
        if gaps[G_FIRST] >= 0.0:
            continue
        chosen = columns_that_decide(
            cells,
            parts,
            facts,
            rays,
            centre,
            int(place[P_OWN]),
            place[P_EYE],
            place[P_MOST],
            cosine,
            sine,
            half_dish_m,
            zone,
            dish_m,
            bounds,
            floors,
            bounded,
            found,
            errors,
            columns,
            ladder,
            deciding,
            table,
            slots,
            nodes,
            away,
            height,
        )
        if chosen < 0:
            into[O_UNTOLD] = 1.0
            continue
        p_clear, chosen = probability_by_seen(
            cells,
            parts,
            facts,
            rays,
            int(place[P_OWN]),
            place[P_EYE],
            cosine,
            sine,
            half_dish_m,
            zone,
            dish_m,
            enough_p,
            drawn,
            failed,
            errors,
            columns,
            chosen,
            deciding,
            table,
            slots,
            top,
            nodes,
            away,
            height,
        )
        into[O_P_CLEAR] = p_clear
        if p_clear < least_p and 0.005 <= p_clear <= 0.995:
            _explain(
                deciding, chosen, int(place[P_OWN]), cosine, sine, half_dish_m, zone, alone, failed, into
            )


@compiled
def least_eyes(
    cells: Any,
    parts: Any,
    facts: Any,
    terms: Any,
    places: Any,
    half_dish_m: float,
    zone: float,
    highest_m: Any,
    bounded: bool,
    out: Any,
) -> None:
    """The least elevation of the dish that leaves the room, of many places: at least P_EYE.

    terms, places : as in `clearances`
    highest_m : (place,) elevation above which nobody asks
    out : (place, 3), filled: eye, inf above highest_m; slant distance and raster of what decides it, nan: nothing
    does
    """
    count = parts.shape[0]
    rays = np.zeros((count, MOST_RAYS, RAY_FIELDS))
    nodes, away, height = np.zeros((_MOST_NODES, 4)), np.zeros((MOST_SAMPLES, 3)), np.zeros(MOST_SAMPLES)
    found, errors = np.zeros(SEARCH_FIELDS), np.zeros(ERROR_FIELDS)
    columns, ladder = np.zeros((1, COLUMN_FIELDS)), np.zeros(1)
    for k in range(places.shape[0]):
        place = places[k]
        cosine, sine = np.cos(place[P_ELEVATION]), np.sin(place[P_ELEVATION])
        centre = _set_up(parts, terms, k, place, rays)
        found[:] = np.nan
        found[EYE], found[MOST_EYE] = place[P_EYE], highest_m[k]
        before_m = -1e30
        while (
            found[EYE] > before_m and found[EYE] <= found[MOST_EYE]
        ):  # maxima inside cells move as the eye rises
            before_m = found[EYE]
            for raster in range(count):
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
                    max(facts[raster, ASSURED], NEAREST_SAMPLE_M),
                    place[P_MOST],
                    LEAST_EYE,
                    bounded,
                    found,
                    errors,
                    columns,
                    ladder,
                    nodes,
                    away,
                    height,
                )
        out[k, 0], out[k, 1], out[k, 2] = found[EYE], found[SLANT], found[RASTER]
        if found[EYE] > found[MOST_EYE]:
            out[k, 0] = np.inf

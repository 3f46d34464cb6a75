"""The compiled loop over places: clearance, certainty, coverage or least height of each."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.certainty import DRAW_FIELDS, GROUP_TABLE, MOST_DECIDING, MOST_GROUPS
from skysill.bulk.compiled.column_search import columns_that_decide, probability_by_seen
from skysill.bulk.compiled.columns import (
    COLUMN_FIELDS,
    ERROR_FIELDS,
    MOST_COLUMNS,
)
from skysill.bulk.compiled.displacement import FLOOR_BINS, floor_bin, harmless_floor
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.obstructions import near_doubt, obstructed
from skysill.bulk.compiled.piece_bounds import (
    CONTROLS,
    EYE,
    LEAST_EYE,
    MARGIN,
    MOST_EYE,
    RASTER,
    SEARCH_FIELDS,
    SLANT,
    SPARE,
)
from skysill.bulk.compiled.place_fields import (
    O_ALONE,
    O_GAP_FIRST,
    O_GAP_LAST,
    O_GAP_REACH,
    O_MARGIN,
    O_NEAR_SEEN,
    O_P_CLEAR,
    O_RASTER,
    O_SLANT,
    O_SPARE,
    O_UNTOLD,
    P_AZIMUTH,
    P_CURVE_EAST,
    P_CURVE_NORTH,
    P_DENSE,
    P_ELEVATION,
    P_EYE,
    P_INNER,
    P_MOST,
    P_NEAR,
    P_OUTER,
    P_OWN,
    P_WANTED,
)
from skysill.bulk.compiled.raster_stack import ASSURED
from skysill.bulk.compiled.ray_sampling import (
    MOST_SAMPLES,
    OFF_RAD,
    RADIUS,
    RAY_FIELDS,
    lay_rays,
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
from skysill.bulk.compiled.sampled_room import spread_alone
from skysill.bulk.compiled.search import search
from skysill.bulk.compiled.skyline import (
    TOP_FIELDS,
)
from skysill.horizon.rays import NEAREST_SAMPLE_M

__all__ = [
    "clearances",
    "least_eyes",
]


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
        if obstructed(
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
        near_doubt(
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

"""The compiled loop over places on bare ground: clearance, doubt and least height of each, over one raster."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.bare_certainty import share_with_room
from skysill.bulk.compiled.block_frame import (
    CONTROLS,
    DOUBT,
    F_EYE,
    FRAME_FIELDS,
    LEAST_EYE,
    NOTE,
    OPEN,
    set_frame,
)
from skysill.bulk.compiled.block_search import (
    B_FIELDS,
    B_MARGIN,
    B_MOST_EYE,
    B_SLANT,
    B_SPARE,
    STACK_FIELDS,
    search_blocks,
)
from skysill.bulk.compiled.cone import margin_and_slant, room_tangent, sight
from skysill.bulk.compiled.edge_columns import MOST_NOTED, NOTED_FIELDS
from skysill.bulk.compiled.fan_rays import FAN_FIELDS, V_CENTRE, V_LAST, lay_fan, ray_laid, set_fan
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import ASSURED, CORRELATION
from skysill.bulk.compiled.ray_sampling import MOST_SAMPLES, RADIUS, RAY_FIELDS
from skysill.bulk.compiled.skyline import (
    HIT_AWAY,
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

__all__ = ["BARE_FIELDS", "FOUND_FIELDS", "bare_certainty", "bare_clearances", "bare_eyes"]

# fields of a place: dish centre, azimuth and apparent elevation (radians), curvatures of the effective Earth
# east and north, most distance that counts, rays of the window, number of its lifts, metres by which the dish
# may stand off
(Q_EYE, Q_AZIMUTH, Q_ELEVATION, Q_CURVE_EAST, Q_CURVE_NORTH, Q_MOST, Q_DENSE, Q_INNER, Q_OUTER, Q_LIFTS) = (
    range(10)
)
BARE_FIELDS = 10

# what is found: spare room, margin, slant distance, whether the ray is obstructed, slope and slant distance of
# the highest ground straight below, whether stated errors might take the room
(R_SPARE, R_MARGIN, R_SLANT, R_MET, R_TOP_SLOPE, R_TOP_SLANT, R_DOUBT) = range(7)
FOUND_FIELDS = 7

_MOST_RAYS = 4096
_MOST_NODES = 1024
_STACK = 512
_MOST_PASSES = 50


@compiled
def _set_up(
    frame: Any,
    fan: Any,
    terms: Any,
    place: Any,
    facts: Any,
    half_dish_m: float,
    zone: float,
    off_m: float,
    stamp: int,
) -> Any:
    """Frame and fan of one place; returns sine and cosine of the azimuth, and the curvatures."""
    wide_rad = np.deg2rad(0.5 * (place[Q_OUTER] + 1.0))
    set_frame(
        frame, terms, place[Q_EYE], place[Q_AZIMUTH], place[Q_ELEVATION], place[Q_CURVE_EAST], place[Q_CURVE_NORTH],
        max(facts[ASSURED], NEAREST_SAMPLE_M), place[Q_MOST], wide_rad, half_dish_m, zone, facts[CORRELATION],
        off_m,
    )  # fmt: skip
    set_fan(fan, int(place[Q_DENSE]), int(place[Q_INNER]), int(place[Q_OUTER]), stamp)
    return np.sin(place[Q_AZIMUTH]), np.cos(place[Q_AZIMUTH]), place[Q_CURVE_EAST], place[Q_CURVE_NORTH]


@compiled
def _look_below(
    cells: Any, parts: Any, facts: Any, rays: Any, centre: int, place: Any, cosine: float, sine: float,
    half_dish_m: float, zone: float, into: Any, top: Any, nodes: Any, away: Any, height: Any,
) -> None:  # fmt: skip
    """The highest ground straight below the satellite, the nearest that the ray meets, and the spare room it
    leaves."""
    eye_m, radius_m, level = place[Q_EYE], rays[0, centre, RADIUS], sine / cosine
    highest_on_ray(
        cells,
        parts,
        facts,
        rays,
        centre,
        eye_m,
        place[Q_MOST],
        NO_SLOPE,
        level,
        np.inf,
        top,
        nodes,
        away,
        height,
    )
    if top[TOP_SLOPE] <= NO_SLOPE:
        return
    margin, slant_m = margin_and_slant(
        top[TOP_SLOPE], top[TOP_AWAY], top[TOP_Z], radius_m, 1.0, 0.0, cosine, sine
    )
    into[R_TOP_SLOPE], into[R_TOP_SLANT] = top[TOP_SLOPE], slant_m
    if top[HIT_AWAY] == np.inf:
        into[R_MARGIN], into[R_SLANT] = margin, slant_m
        into[R_SPARE] = margin - np.arctan(room_tangent(slant_m, half_dish_m, zone))
        return
    slope = sight(top[HIT_AWAY], top[HIT_Z], eye_m, radius_m)
    into[R_MET] = 1.0
    into[R_SLANT] = margin_and_slant(slope, top[HIT_AWAY], top[HIT_Z], radius_m, 1.0, 0.0, cosine, sine)[1]


@compiled
def bare_clearances(
    cells: Any, parts: Any, facts: Any, terms: Any, places: Any, half_dish_m: float, zone: float, most_spare: float,
    off_m: float, exact: bool, bounded: bool, lifts: Any, turns: Any, out: Any,
) -> None:  # fmt: skip
    """The clearance of many places.

    terms : (place, MAP_TERMS); places : (place, BARE_FIELDS)
    most_spare : radians; ground that leaves more is not looked for
    off_m : 0, or: only R_DOUBT is found, for all dishes up to this far away that are no lower
    exact : False leaves out the depth of obstructed rays
    lifts : (direction, 3, LIFT_BINS), see `kept_samples`; turns : see `fan_rays`
    out : (place, FOUND_FIELDS), filled; R_SPARE is inf where nothing leaves less than most_spare
    """
    part, fact = parts[0], facts[0]
    rays = np.zeros((1, _MOST_RAYS, RAY_FIELDS))
    laid, fan = np.full(_MOST_RAYS, -1, dtype=np.int64), np.zeros(FAN_FIELDS, dtype=np.int64)
    frame, found, top = np.zeros(FRAME_FIELDS), np.zeros(B_FIELDS), np.zeros(TOP_FIELDS)
    stack, nodes, corner = (
        np.zeros((_STACK, STACK_FIELDS), dtype=np.int64),
        np.zeros((_MOST_NODES, 4)),
        np.zeros((4, 3)),
    )
    away, height, noted = np.zeros((MOST_SAMPLES, 3)), np.zeros(MOST_SAMPLES), np.zeros((1, NOTED_FIELDS))
    for k in range(places.shape[0]):
        place, into = places[k], out[k]
        into[:] = np.nan
        into[R_SPARE], into[R_MET], into[R_DOUBT] = np.inf, 0.0, 0.0
        heading = _set_up(frame, fan, terms[k], place, fact, half_dish_m, zone, off_m, k)
        lift = lifts[int(place[Q_LIFTS])]
        found[B_SPARE] = most_spare
        if not search_blocks(
            cells, part, frame, terms[k], fan, heading, turns, rays[0], laid, lift, OPEN, bounded, found,
            stack, corner, noted,
        ):  # fmt: skip
            continue
        if off_m > 0.0:
            into[R_DOUBT] = 1.0
            continue
        ray_laid(fan, heading, terms[k], turns, rays[0], laid, fan[V_CENTRE])
        cosine, sine = np.cos(place[Q_ELEVATION]), np.sin(place[Q_ELEVATION])
        _look_below(cells, parts, facts, rays, fan[V_CENTRE], place, cosine, sine, half_dish_m, zone, into,
        top, nodes, away,
                    height)  # fmt: skip
        if into[R_MET] > 0.0:
            if exact:
                lay_fan(fan, heading, terms[k], turns, rays[0], laid)
                into[R_MARGIN] = -depth(
                    cells, parts, facts, rays, fan[V_LAST] + 1, fan[V_CENTRE], place[Q_EYE], place[Q_MOST],
                    cosine, sine,
                    into[R_TOP_SLOPE], top, nodes, away, height,
                )  # fmt: skip
            else:
                into[R_MARGIN] = place[Q_ELEVATION] - np.arctan(into[R_TOP_SLOPE]) - 1e-9
            into[R_SPARE] = into[R_MARGIN] - np.arctan(room_tangent(into[R_SLANT], half_dish_m, zone))
            continue
        found[:] = np.nan
        found[B_SPARE] = most_spare
        if into[R_SPARE] < most_spare:
            found[B_SPARE], found[B_MARGIN], found[B_SLANT] = into[R_SPARE], into[R_MARGIN], into[R_SLANT]
        search_blocks(
            cells, part, frame, terms[k], fan, heading, turns, rays[0], laid, lift, CONTROLS, bounded, found,
            stack, corner, noted,
        )  # fmt: skip
        into[R_SPARE] = np.inf if np.isnan(found[B_MARGIN]) else found[B_SPARE]
        into[R_MARGIN], into[R_SLANT] = found[B_MARGIN], found[B_SLANT]
        if into[R_SPARE] >= 0.0 and search_blocks(
            cells, part, frame, terms[k], fan, heading, turns, rays[0], laid, lift, DOUBT, bounded, found,
            stack, corner, noted,
        ):  # fmt: skip
            into[R_DOUBT] = 1.0


@compiled
def bare_eyes(
    cells: Any, parts: Any, facts: Any, terms: Any, places: Any, half_dish_m: float, zone: float, highest_m: Any,
    bounded: bool, lifts: Any, turns: Any, out: Any,
) -> None:  # fmt: skip
    """The least elevation of the dish that leaves the room, of many places: at least Q_EYE, inf above highest_m.

    terms, places, lifts, turns : as in `bare_clearances`; highest_m, out : (place,)
    """
    rays = np.zeros((1, _MOST_RAYS, RAY_FIELDS))
    laid, fan = np.full(_MOST_RAYS, -1, dtype=np.int64), np.zeros(FAN_FIELDS, dtype=np.int64)
    frame, found = np.zeros(FRAME_FIELDS), np.zeros(B_FIELDS)
    stack, corner, noted = (
        np.zeros((_STACK, STACK_FIELDS), dtype=np.int64),
        np.zeros((4, 3)),
        np.zeros((1, NOTED_FIELDS)),
    )
    for k in range(places.shape[0]):
        place = places[k]
        heading = _set_up(frame, fan, terms[k], place, facts[0], half_dish_m, zone, 0.0, k)
        found[B_SPARE], found[B_MOST_EYE] = 0.0, highest_m[k]
        before_m = -1e30
        for _ in range(_MOST_PASSES):  # maxima inside cells move as the eye rises
            if not before_m < frame[F_EYE] <= highest_m[k]:
                break
            before_m = frame[F_EYE]
            search_blocks(
                cells, parts[0], frame, terms[k], fan, heading, turns, rays[0], laid, lifts[0], LEAST_EYE,
                bounded, found,
                stack, corner, noted,
            )  # fmt: skip
        out[k] = frame[F_EYE] if frame[F_EYE] <= highest_m[k] else np.inf


@compiled
def bare_certainty(
    cells: Any, parts: Any, facts: Any, terms: Any, places: Any, half_dish_m: float, zone: float, lifts: Any,
    turns: Any,
    moved: Any, knots: Any, own_m: Any, enough: float, out: Any,
) -> None:  # fmt: skip
    """The probability that the room is there, of many places whose ray is free.

    terms, places, turns : as in `bare_clearances`; lifts : of all samples; moved, knots, own_m, enough : as
        `bare_certainty.share_with_room` wants them
    out : (place,), filled; nan where there are too many columns
    """
    rays = np.zeros((1, _MOST_RAYS, RAY_FIELDS))
    laid, fan = np.full(_MOST_RAYS, -1, dtype=np.int64), np.zeros(FAN_FIELDS, dtype=np.int64)
    frame, found, top = np.zeros(FRAME_FIELDS), np.zeros(B_FIELDS), np.zeros(TOP_FIELDS)
    stack, nodes, corner = (
        np.zeros((_STACK, STACK_FIELDS), dtype=np.int64),
        np.zeros((_MOST_NODES, 4)),
        np.zeros((4, 3)),
    )
    away, height, noted = (
        np.zeros((MOST_SAMPLES, 3)),
        np.zeros(MOST_SAMPLES),
        np.zeros((MOST_NOTED, NOTED_FIELDS)),
    )
    failed, lift_m = np.zeros(own_m.shape[0], dtype=np.float32), np.zeros(own_m.shape[0], dtype=np.float32)
    for k in range(places.shape[0]):
        place = places[k]
        heading = _set_up(frame, fan, terms[k], place, facts[0], half_dish_m, zone, 0.0, k + 1)
        noted[0, 0] = noted[0, 1] = found[B_SPARE] = 0.0
        search_blocks(
            cells, parts[0], frame, terms[k], fan, heading, turns, rays[0], laid, lifts[int(place[Q_LIFTS])],
            NOTE, True,
            found, stack, corner, noted,
        )  # fmt: skip
        out[k] = share_with_room(
            cells,
            parts,
            facts,
            frame,
            rays,
            noted,
            moved,
            knots,
            own_m,
            enough,
            failed,
            lift_m,
            top,
            nodes,
            away,
            height,
        )
        if noted[0, 1] > 0.0:
            out[k] = np.nan

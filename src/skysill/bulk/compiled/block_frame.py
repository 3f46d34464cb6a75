"""Blocks of cells as seen from one place: how near to its ray their ground could come.

Metres ahead of the dish along the azimuth of the satellite and aside of it follow from columns and rows by the
map around the place. A block is bounded by its highest ground, seen from its smallest distance on its azimuth
nearest to the ray.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.cone import room_tangent, tangent_of_sum, within
from skysill.bulk.compiled.jit import compiled, in_place

__all__ = [
    "CONTROLS",
    "DOUBT",
    "FRAME_FIELDS",
    "F_AHEAD_COLUMN",
    "F_AHEAD_ROW",
    "F_ASIDE_COLUMN",
    "F_ASIDE_ROW",
    "F_BEND_2",
    "F_BEND_3",
    "F_BIN",
    "F_COLUMN",
    "F_COSINE",
    "F_CURVE_EAST",
    "F_CURVE_NORTH",
    "F_EAST_COLUMN",
    "F_EAST_ROW",
    "F_EYE",
    "F_HALF",
    "F_HALF_DISH",
    "F_LEAST",
    "F_MOST",
    "F_NORTH_COLUMN",
    "F_NORTH_ROW",
    "F_OFF",
    "F_ROW",
    "F_SAG",
    "F_SINE",
    "F_TANGENT",
    "F_TURN",
    "F_TURN_SINE",
    "F_WIDE",
    "F_ZONE",
    "LEAST_EYE",
    "LIFT_BINS",
    "NEAR_BINS",
    "NOTE",
    "OPEN",
    "block_matters",
    "errors_reach",
    "lift_bin",
    "node_at",
    "set_frame",
]

# fields of a frame: position of the place in columns and rows; metres east, north, ahead and aside of one
# column, one row; half the diagonal of a cell; departure of lattice lines from straight ones at a distance d:
# terms of d**2 and d**3; curvatures of the effective Earth east and north; dish centre; half the least
# curvature; tangent, cosine and sine of the apparent elevation; cosine and sine of the azimuth; ground
# distances between which ground counts; tangent of the widest azimuth offset; required room (see
# `cone.room_tangent`); metres by which the dish may stand off
(
    F_COLUMN, F_ROW, F_EAST_COLUMN, F_EAST_ROW, F_NORTH_COLUMN, F_NORTH_ROW, F_AHEAD_COLUMN, F_AHEAD_ROW,
    F_ASIDE_COLUMN,
    F_ASIDE_ROW, F_HALF, F_BEND_2, F_BEND_3, F_CURVE_EAST, F_CURVE_NORTH, F_EYE, F_SAG, F_TANGENT, F_COSINE, F_SINE,
    F_TURN, F_TURN_SINE, F_LEAST, F_MOST, F_WIDE, F_HALF_DISH, F_ZONE, F_OFF, F_BIN,
) = range(29)  # fmt: skip
FRAME_FIELDS = 29

CONTROLS, LEAST_EYE, OPEN, DOUBT, NOTE = range(5)
"""What a search is for: the least spare room; the least eye that leaves the room; whether ground lies within the
spare room asked about, or stated errors could bring it into the required room; whether errors could; the
columns that they could."""

NEAR_BINS, LIFT_BINS = 8, 16
"""Distances by which `lifts` is told: eighths of the correlation length of a raster's errors, then its doublings."""

_SLACK = 2e-4
_ROUNDED = 1e-3
"""Slopes in bounds are good to a thousandth."""

_FAR_MOVE = 0.6
"""Largest move of ground over its distance at which lower ground is lifted to lower elevations."""


@compiled
def set_frame(
    frame: Any, terms: Any, eye_m: float, azimuth_rad: float, elevation_rad: float, curve_east: float,
    curve_north: float, least_m: float, most_m: float, wide_rad: float, half_dish_m: float, zone: float,
    correlation_m: float, off_m: float,
) -> None:  # fmt: skip
    """The frame of one place; terms : of its map, see `cubic_maps`."""
    across, down = terms[2], terms[3]
    across_row, down_row = terms[4], terms[5]
    determinant = across * down_row - down * across_row
    east_c, east_r = down_row / determinant, -down / determinant
    north_c, north_r = -across_row / determinant, across / determinant
    sine, cosine = np.sin(azimuth_rad), np.cos(azimuth_rad)
    frame[F_COLUMN], frame[F_ROW] = terms[0], terms[1]
    frame[F_EAST_COLUMN], frame[F_EAST_ROW] = east_c, east_r
    frame[F_NORTH_COLUMN], frame[F_NORTH_ROW] = north_c, north_r
    frame[F_AHEAD_COLUMN], frame[F_AHEAD_ROW] = (
        east_c * sine + north_c * cosine,
        east_r * sine + north_r * cosine,
    )
    frame[F_ASIDE_COLUMN], frame[F_ASIDE_ROW] = (
        east_c * cosine - north_c * sine,
        east_r * cosine - north_r * sine,
    )
    half_m = 0.5 * max(
        np.hypot(east_c + east_r, north_c + north_r), np.hypot(east_c - east_r, north_c - north_r)
    )
    square = max(
        abs(terms[6]) + abs(terms[7]) + abs(terms[8]), abs(terms[9]) + abs(terms[10]) + abs(terms[11])
    )
    cube = max(
        abs(terms[12]) + abs(terms[13]) + abs(terms[14]) + abs(terms[15]),
        abs(terms[16]) + abs(terms[17]) + abs(terms[18]) + abs(terms[19]),
    )
    frame[F_HALF], frame[F_BEND_2], frame[F_BEND_3] = (
        1.0001 * half_m,
        3.0 * half_m * square,
        3.0 * half_m * cube,
    )
    frame[F_CURVE_EAST], frame[F_CURVE_NORTH], frame[F_EYE] = curve_east, curve_north, eye_m
    frame[F_SAG] = 0.499 * min(curve_east, curve_north)
    frame[F_COSINE], frame[F_SINE] = np.cos(elevation_rad), np.sin(elevation_rad)
    frame[F_TANGENT] = frame[F_SINE] / frame[F_COSINE]
    frame[F_TURN], frame[F_TURN_SINE] = cosine, sine
    frame[F_LEAST], frame[F_MOST] = least_m, most_m
    frame[F_WIDE] = np.tan(min(wide_rad, 1.55))
    frame[F_HALF_DISH], frame[F_ZONE], frame[F_OFF] = half_dish_m, zone, off_m
    frame[F_BIN] = NEAR_BINS / correlation_m


@compiled
def node_at(frame: Any, terms: Any, column: int, row: int, z: float) -> tuple[float, float, float]:
    """Metres ahead, aside and above at which a node is seen; by the map's second and third degree, to centimetres."""
    right, down = column - frame[F_COLUMN], row - frame[F_ROW]
    e = frame[F_EAST_COLUMN] * right + frame[F_EAST_ROW] * down
    n = frame[F_NORTH_COLUMN] * right + frame[F_NORTH_ROW] * down
    e2, n2 = e * e, n * n
    right -= (
        terms[6] * e2
        + terms[7] * e * n
        + terms[8] * n2
        + e2 * (terms[12] * e + terms[13] * n)
        + n2 * (terms[14] * e + terms[15] * n)
    )
    down -= (
        terms[9] * e2
        + terms[10] * e * n
        + terms[11] * n2
        + e2 * (terms[16] * e + terms[17] * n)
        + n2 * (terms[18] * e + terms[19] * n)
    )
    e = frame[F_EAST_COLUMN] * right + frame[F_EAST_ROW] * down
    n = frame[F_NORTH_COLUMN] * right + frame[F_NORTH_ROW] * down
    above = (z - frame[F_EYE]) * (1.0 - z * frame[F_CURVE_EAST])
    above -= 0.5 * (e * e * frame[F_CURVE_EAST] + n * n * frame[F_CURVE_NORTH])
    return (
        e * frame[F_TURN_SINE] + n * frame[F_TURN],
        e * frame[F_TURN] - n * frame[F_TURN_SINE],
        above,
    )


@in_place
def lift_bin(eighths: float) -> int:
    if eighths < NEAR_BINS:
        return int(eighths)
    at, end = NEAR_BINS, 2.0 * NEAR_BINS
    while eighths > end and at < LIFT_BINS - 1:
        at, end = at + 1, 2.0 * end
    return at


@compiled
def _is_low(frame: Any, from_m: float, rise_m: float, move_m: float) -> bool:
    """Whether ground moved by so much is certainly below the ray less the room; nothing is divided.

    Notes
    -----
    tan(E - b) is at least tan E - b / cos(E)**2 where it is positive, b no more than its tangent, and the
    tangent of a sum of two angles whose tangents add up to less than a half no more than 1.07 times that.
    """
    need_m = 1.07 * (frame[F_HALF_DISH] + frame[F_ZONE] * np.sqrt(from_m) + max(move_m, 0.0))
    level = frame[F_TANGENT]
    least_m = level * from_m - need_m * (1.0 + level * level) - 1e-3 * from_m
    return bool(need_m < 0.5 * from_m and least_m > 0.0 and rise_m * (1.0 + 2.0 * _ROUNDED) < least_m)


@compiled
def _room_and(frame: Any, distance_m: float, more: float) -> float:
    """Tangent of the angle of the required room and of another one, which is given by its tangent; a little more."""
    room = room_tangent(distance_m, frame[F_HALF_DISH], frame[F_ZONE])
    return float(tangent_of_sum(tangent_of_sum(room, more), _SLACK))


@compiled
def _is_within(frame: Any, slope: float, off_cos: float, off_sin: float, tangent: float) -> bool:
    """As `cone.within`, for the ray of a frame."""
    return bool(within(slope, off_cos, off_sin, frame[F_COSINE], frame[F_SINE], tangent))


@compiled
def errors_reach(
    frame: Any, lifts: Any, slope: float, ahead_m: float, aside_m: float, away_m: float, half_m: float, from_m:
    float,
    to_m: float,
) -> bool:  # fmt: skip
    """Whether the kept samples of the stated errors could bring ground into the required room.

    slope : at which it is seen at most; ahead_m, aside_m, away_m : where its middle is; half_m : its half
        width; from_m, to_m : its distances; lifts : (3, LIFT_BINS) of `kept_samples.lift_table`
    """
    at = lift_bin(to_m * frame[F_BIN])
    if lifts[2, at] > _FAR_MOVE * from_m:
        return True
    # ground below the level is lifted by steps of the dish as well, but to lower elevations the lower it is
    lift, turn = (lifts[0, at] + lifts[2, at] * max(-slope, 0.0)) / from_m, lifts[1, at] / from_m
    room = _room_and(frame, from_m, 0.0)
    rest = 1.0 - slope * lift
    if rest <= 0.0:
        return True
    lifted = (slope + lift) / rest
    level = frame[F_TANGENT]
    if lifted * (1.0 + level * room) < level - room and 1.0 + level * room > 0.0:
        return False
    wide = half_m / away_m + turn
    if wide >= 1.0:
        return True
    narrow = np.sqrt(1.0 - wide * wide)
    beside, along = aside_m * narrow - ahead_m * wide, ahead_m * narrow + aside_m * wide
    if beside <= 0.0 and ahead_m > 0.0:
        return True
    return bool(along > 0.0) and _is_within(frame, lifted, along / away_m, beside / away_m, room)


@compiled
def block_matters(
    frame: Any,
    mode: int,
    spare_tangent: float,
    lifts: Any,
    column: float,
    row: float,
    cells: float,
    top_m: float,
) -> bool:
    """Whether ground of a block could matter; a False is certain.

    spare_tangent : of the spare room up to which ground matters, but for DOUBT
    column, row : of the middle of the block; cells : its side; top_m : its highest ground
    """
    right, down = column - frame[F_COLUMN], row - frame[F_ROW]
    ahead_m = right * frame[F_AHEAD_COLUMN] + down * frame[F_AHEAD_ROW]
    aside_m = abs(right * frame[F_ASIDE_COLUMN] + down * frame[F_ASIDE_ROW])
    away2 = ahead_m * ahead_m + aside_m * aside_m
    away_m = np.sqrt(away2)
    half_m = frame[F_HALF] * cells + away2 * (frame[F_BEND_2] + frame[F_BEND_3] * away_m) + frame[F_OFF]
    to_m = away_m + half_m
    from_m = max(away_m - half_m, frame[F_LEAST])
    if to_m < frame[F_LEAST] or from_m > frame[F_MOST]:
        return False
    rise_m = top_m - frame[F_EYE] - from_m * from_m * frame[F_SAG]
    move_m = 0.0 if mode >= DOUBT else spare_tangent * from_m
    near = False
    if mode >= OPEN:
        at = lift_bin(to_m * frame[F_BIN])
        move_m, near = max(move_m, lifts[0, at]), lifts[2, at] > _FAR_MOVE * from_m
    if not near and _is_low(frame, from_m, rise_m, move_m):
        return False
    slope = rise_m / (from_m if rise_m > 0.0 else to_m)
    slope += abs(slope) * _ROUNDED + 1e-6
    if away_m <= half_m:
        return True
    wide = half_m / away_m
    narrow = np.sqrt(1.0 - wide * wide)
    beside, along = aside_m * narrow - ahead_m * wide, ahead_m * narrow + aside_m * wide
    inside = beside <= 0.0 and ahead_m > 0.0
    if not inside and (along <= 0.0 or beside > along * frame[F_WIDE]):
        return False
    if mode >= OPEN and errors_reach(frame, lifts, slope, ahead_m, aside_m, away_m, half_m, from_m, to_m):
        return True
    if mode >= DOUBT:
        return False
    tangent = _room_and(frame, from_m, spare_tangent)
    if inside:
        along, beside = away_m, 0.0
    return _is_within(frame, slope, along / away_m, beside / away_m, tangent)

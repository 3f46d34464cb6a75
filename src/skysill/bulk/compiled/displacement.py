"""By how much the samples move a column of terrain at most: exact bounds, from the samples themselves.

A column stands at a direction and a distance; a sample moves it aside, up and outwards (`certainty.failures`). It
obstructs its azimuth up to its top, so it comes nearer to the ray, or stays, the higher its top moves, the nearer its
azimuth moves to the ray's, and the less far away it is, which widens the required room. All three at their most at
once, and still outside the room: then the column takes the room in no sample.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.cone import room_tangent, within
from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.raster_stack import (
    BLUR_LOST,
    BLUR_SPREAD,
    CORRELATION,
    FINE,
    MEANS,
    VERTICAL,
    RasterStack,
)
from skysill.units import Floats

__all__ = [
    "BOUNDS",
    "FLOOR_BINS",
    "FLOOR_THIN_M",
    "displacement_bounds",
    "floor_bin",
    "harmless_floor",
    "may_take_room",
    "may_take_room_at",
    "piece_may_take_room",
]

_SHARES = 8
_LIFTS = 2 * _SHARES + 1
_ROUNDING = 1.0001
"""The samples are of single precision."""

_STEEP_SLOPE = 1.9

_ASIDE, _OUT, _THIN, _PER_LENGTH, _IS_FINE, _LEVEL_UP, _SWING, _LIFT = 0, 2, 4, 5, 6, 7, 8, 9
_RISE = _LIFT + 2 * _LIFTS
_PARTS = 4
_STEPS = 2 * _PARTS
BOUNDS = _RISE + _STEPS * _LIFTS
"""Numbers of one raster, metres: most aside and most outwards, without and with a steep edge; most share of a thin
thing's height; 1 over the correlation length; whether distances change; most of the dish's height; most in any
direction; by distance, out to eighths of the first two correlation lengths and everywhere: most
square to the ray and upwards without and with a steep edge, and upwards alone, of samples that move the dish by some
quarters of the most away from the column, and towards it."""

FLOOR_BINS = 75
_FLOOR_FROM_M, _FLOOR_GROWTH = 0.25, 1.05
_PER_GROWTH = float(1.0 / np.log(_FLOOR_GROWTH))
FLOOR_THIN_M = 0.3
_TURNS = 128


def displacement_bounds(
    stack: RasterStack, moved: Any, knots: Any, inward: Any, short: Any, own_m: Any
) -> Floats:
    """The bounds that `may_take_room` reads.

    moved, knots, inward, short, own_m : of `draws.Draws.whole`

    Returns
    -------
    (raster + 1, raster, BOUNDS), by the raster that the dish's ground is from and the raster that shows the column

    Notes
    -----
    A steep edge is nearer and wider by its steepness (0 to 1) times max(lost + spread * inward, 0): every length
    bounded here is a convex function of the steepness in every sample, so its largest is convex too, and the line
    between its values at 0 and 1 lies above it.

    With h how far a sample moves the dish level, w how much nearer the edge is, u how far up the dish is, and e the
    error of the column's height over the dish's ground, the top moves up, square to its direction, by the root of
    (h + w)**2 + (e - u)**2 at most. e = c + a x + b y with the knots x and y on either side and a**2 + b**2 = 1.
    Between two pairs (a, b) that are t apart on the unit circle, that is no more than 1 / cos(t / 2) times the larger
    one, and 1 / cos(t / 2) - 1 times that of c alone.
    """
    count = len(stack)
    bounds = np.zeros((count + 1, count, BOUNDS))
    share = np.linspace(0.0, 1.0, _SHARES + 1)
    turn = np.arctan2(share, 1.0 - share)
    slack = 1.0 / np.cos(0.5 * np.diff(turn).max())

    def by_distance(each: Any, alone: float) -> Any:
        """(_LIFTS, ...) from (knot, share, ...): the most up to a distance."""
        between = slack * np.maximum(each[:, :-1], each[:, 1:]) + (slack - 1.0) * alone
        most = np.concatenate([between[0], between[1], between[2:].max(axis=(0, 1))[None]])
        return np.maximum.accumulate(most, axis=0)

    for r in range(count):
        facts = stack.facts[r]
        east, north, up = moved[r].astype(np.float64)
        level = np.hypot(east, north)
        wide = np.maximum(facts[BLUR_LOST] + facts[BLUR_SPREAD] * inward.astype(np.float64), 0.0)
        flat = np.stack([level, level + wide if stack.parts[r, FINE] else level])
        error = facts[VERTICAL] * knots[r].astype(np.float64)
        # samples that move the dish so far away from a column, and towards it, where an edge of any steepness adds
        quarters = np.arange(_PARTS) / _PARTS
        far_enough = [flat[0] >= part * flat[0].max() for part in quarters]
        far_enough += [(flat >= part * flat.max(axis=1)[:, None]).any(axis=0) for part in quarters]
        for own in range(count + 1):
            into = bounds[own, r]
            into[_ASIDE : _ASIDE + 2] = flat.max(axis=1)
            into[_OUT : _OUT + 2] = np.hypot(flat, up).max(axis=1)
            into[_THIN] = short.max() if stack.parts[r, MEANS] else 0.0
            into[_PER_LENGTH], into[_IS_FINE] = 1.0 / facts[CORRELATION], stack.parts[r, FINE] != 0
            into[_LEVEL_UP] = np.abs(up).max()
            alone = -own_m[own].astype(np.float64) - up
            raised = (
                np.cos(turn)[:, None] * error[:-1, None] + np.sin(turn)[:, None] * error[1:, None] + alone
            )
            upwards = np.maximum(raised, 0.0)
            swings = np.hypot(flat[1], raised).max()
            into[_SWING] = slack * swings + (slack - 1.0) * np.hypot(flat[1], alone).max()
            lifts = np.stack([np.hypot(part, upwards).max(axis=2) for part in flat], axis=2)
            into[_LIFT:_RISE] = by_distance(lifts, np.hypot(flat, alone).max()).T.ravel()
            rises = np.stack([upwards[:, :, part].max(axis=2) for part in far_enough], axis=2)
            into[_RISE:] = by_distance(rises, np.abs(alone).max()).T.ravel()
    return bounds * _ROUNDING


@compiled
def _turned_to_ray(off_cos: float, off_sin: float, turn: float) -> tuple[float, float]:
    """Cosine and sine of an azimuth offset less an angle of that tangent; no offset where it is less."""
    stretch = 1.0 / np.sqrt(1.0 + turn * turn)
    beside = (abs(off_sin) - off_cos * turn) * stretch
    if beside <= 0.0:
        return 1.0, 0.0
    return (off_cos + abs(off_sin) * turn) * stretch, beside


@compiled
def _any_step_reaches(
    low_sin: float,
    low_cos: float,
    high_sin: float,
    high_cos: float,
    least_m: float,
    most_m: float,
    off_cos: float,
    off_sin: float,
    thin: float,
    steep: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    bounds: Any,
    slack: float,
    lower: bool = False,
) -> bool:
    """Whether ground whose top lies between two elevations could take the room for some move of the dish.

    low_sin ... high_cos : sines and cosines of the two, of one sign
    lower : tops lower than both, too, where all moves are shorter than least_m
    """
    nearest_m = least_m / max(low_cos, high_cos)
    farthest_m = most_m / max(min(low_cos, high_cos), 1e-9)
    step = min(int(most_m * bounds[_PER_LENGTH] * _SHARES), _LIFTS - 1)
    up_m = bounds[_LEVEL_UP] * max(abs(low_sin), abs(high_sin))
    aside_m = bounds[_ASIDE] + steep * (bounds[_ASIDE + 1] - bounds[_ASIDE])
    along, beside = _turned_to_ray(off_cos, off_sin, aside_m / least_m)
    closest_m = max(0.1 * nearest_m, 0.1)
    closer_m = max(nearest_m - aside_m * max(low_cos, high_cos) - up_m, closest_m)
    high = high_sin / max(high_cos, 1e-9)
    if low_sin < 0.0 and not lower:
        # moved by so much that it passes below the dish, it comes up on the other side
        swing = (bounds[_SWING] + bounds[_THIN] * thin) / nearest_m
        low = low_sin / max(low_cos, 1e-9)
        past = 1.0 + low * swing
        if past <= 0.0 and within(
            min((low - swing) / min(past, -1e-9), 1e9) * -1.0,
            1.0,
            0.0,
            cosine,
            sine,
            room_tangent(closer_m, half_dish_m, zone) + slack,
        ):
            return True
    for part in range(_STEPS):
        # metres towards the column: from_m to to_m
        if part < _PARTS:
            from_m, to_m = -(part + 1) * bounds[_ASIDE] / _PARTS, -part * bounds[_ASIDE] / _PARTS
        else:
            from_m, to_m = (part - _PARTS) * aside_m / _PARTS, (part - _PARTS + 1) * aside_m / _PARTS
        rise_m = bounds[_RISE + part * _LIFTS + step] + bounds[_THIN] * thin
        raised_m = rise_m * max(low_cos, high_cos) + max(
            from_m * low_sin, from_m * high_sin, to_m * low_sin, to_m * high_sin
        )
        lift = raised_m / (nearest_m if raised_m > 0.0 else farthest_m)
        far_m = least_m if lower else nearest_m
        if bounds[_IS_FINE] != 0.0:
            if lower:
                far_m = max(least_m - max(to_m, 0.0) - bounds[_LEVEL_UP], 0.1 * least_m, 0.1)
            else:
                far_m = max(nearest_m - max(to_m * low_cos, to_m * high_cos) - up_m, closest_m)
        rest = 1.0 - high * lift
        if rest <= 1e-3:
            if high > 0.0:
                return True
            continue
        if within(
            (high + lift) / rest,
            along,
            beside,
            cosine,
            sine,
            room_tangent(far_m, half_dish_m, zone) + slack,
        ):
            return True
    return False


@compiled
def may_take_room(
    slope: float,
    off_cos: float,
    off_sin: float,
    least_m: float,
    most_m: float,
    thin: float,
    drop: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    bounds: Any,
    slack: float,
) -> bool:
    """Whether a sample might bring ground into the required room; a False is certain.

    slope, off_cos, off_sin : its direction, see `cone`; ground up to that slope, no nearer to the ray's azimuth
    least_m, most_m : of its ground distance
    thin, drop : of `columns.blur_at`, the largest of all that ground
    bounds : (BOUNDS,) of its raster; slack : tangent by which the room is taken to be wider

    Notes
    -----
    The top at the elevation t turns up by atan(x cos(t)) at most, x the metres up over the ground distance. Up to
    _STEEP_SLOPE, t + atan(x cos(t)) grows with t for every x, so the highest ground comes highest: its derivative has
    the sign of x**2 (1 - s**2) - x s + 1, s = sin(t), which is positive where s**2 < 0.8.
    """
    steep, least_m = min(drop, 1.0), max(least_m, 0.2)
    step = min(int(most_m * bounds[_PER_LENGTH] * _SHARES), _LIFTS - 1)
    low, high = bounds[_LIFT + step], bounds[_LIFT + _LIFTS + step]
    up_m = low + steep * (high - low) + bounds[_THIN] * thin
    aside_m = bounds[_ASIDE] + steep * (bounds[_ASIDE + 1] - bounds[_ASIDE])
    # the top turns up by atan(lift), the azimuth to the ray's by atan(turn)
    lift = up_m / least_m
    if slope < _STEEP_SLOPE:
        lift /= np.sqrt(1.0 + slope * slope)
    if slope * lift >= 0.999:  # up to the zenith
        return True
    moved = (slope + lift) / (1.0 - slope * lift)
    along, beside = _turned_to_ray(off_cos, off_sin, aside_m / least_m)
    far_m = least_m
    if bounds[_IS_FINE] != 0.0:
        out_m = bounds[_OUT] + steep * (bounds[_OUT + 1] - bounds[_OUT])
        far_m = max(least_m - out_m, 0.1 * least_m, 0.1)
    return within(moved, along, beside, cosine, sine, room_tangent(far_m, half_dish_m, zone) + slack)


@compiled
def piece_may_take_room(
    slope: float,
    off_cos: float,
    off_sin: float,
    least_m: float,
    most_m: float,
    thin: float,
    drop: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    bounds: Any,
    slack: float,
) -> bool:
    """The same, less cautiously, for all ground up to a slope on a stretch that lies beyond the longest move.

    There every part of `may_take_room_at` holds for lower ground too: with h metres towards the ground and v upwards,
    t + atan((h sin(t) + v cos(t)) cos(t) / d) has a derivative of at least 1 - hypot(h, v) / d; and no top passes below
    the dish.
    """
    if not may_take_room(
        slope, off_cos, off_sin, least_m, most_m, thin, drop, cosine, sine, half_dish_m, zone, bounds, slack
    ):
        return False
    steep, raised_m = min(drop, 1.0), bounds[_THIN] * thin
    if least_m <= max(bounds[_LIFT + 2 * _LIFTS - 1], bounds[_SWING]) + raised_m:
        return True
    top_cos = 1.0 / np.sqrt(1.0 + slope * slope)
    return _any_step_reaches(
        slope * top_cos,
        top_cos,
        slope * top_cos,
        top_cos,
        least_m,
        most_m,
        off_cos,
        off_sin,
        thin,
        steep,
        cosine,
        sine,
        half_dish_m,
        zone,
        bounds,
        slack,
        True,
    )


@compiled
def may_take_room_at(
    slope: float,
    off_cos: float,
    off_sin: float,
    distance_m: float,
    thin: float,
    drop: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    bounds: Any,
    slack: float,
) -> bool:
    """The same for a single sample of ground, less cautiously: the moves are taken apart by how far they go towards it.

    A dish that moves towards ground far below sees it lower and nearer; one that moves away, higher and farther.
    """
    low_cos = 1.0 / np.sqrt(1.0 + slope * slope)
    low_sin = slope * low_cos
    return _any_step_reaches(
        low_sin,
        low_cos,
        low_sin,
        low_cos,
        max(distance_m, 0.2),
        max(distance_m, 0.2),
        off_cos,
        off_sin,
        thin,
        min(drop, 1.0),
        cosine,
        sine,
        half_dish_m,
        zone,
        bounds,
        slack,
    )


@compiled
def floor_bin(distance_m: float) -> int:
    """Number of the distance's part of `harmless_floor`; FLOOR_BINS and more: beyond."""
    return int(np.log(max(distance_m, _FLOOR_FROM_M) / _FLOOR_FROM_M) * _PER_GROWTH)


@compiled
def harmless_floor(
    cosine: float, sine: float, half_dish_m: float, zone: float, bounds: Any, slack: float, floor: Any
) -> None:
    """Heights over the dish below which ground near by takes the room in no sample, whatever its azimuth.

    cosine, sine : of the lowest ray asked about
    floor : (FLOOR_BINS,) filled, by the parts of `floor_bin`; no thing thinner than FLOOR_THIN_M
    """
    for number in range(FLOOR_BINS):
        # a little wider than the part itself, for its logarithm's rounding
        least_m = _FLOOR_FROM_M * _FLOOR_GROWTH ** (number - 1e-6)
        most_m = _FLOOR_FROM_M * _FLOOR_GROWTH ** (number + 1 + 1e-6)
        safe = -np.inf
        low = -0.5 * np.pi
        step = 0.5 * np.pi / _TURNS
        for _ in range(2 * _TURNS):
            high = low + step
            if _any_step_reaches(
                np.sin(low),
                max(np.cos(low), 0.0),
                np.sin(high),
                max(np.cos(high), 0.0),
                least_m,
                most_m,
                1.0,
                0.0,
                FLOOR_THIN_M,
                1.0,
                cosine,
                sine,
                half_dish_m,
                zone,
                bounds,
                slack,
            ):
                break
            safe, low = np.tan(high), high
        floor[number] = safe * (most_m if safe < 0.0 else least_m)

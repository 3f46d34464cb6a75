"""By how much the samples move a column of terrain at most: exact bounds, from the samples themselves.

A column stands at a direction and a distance; a sample moves it aside, up and outwards (`certainty.failures`). It is
obstructed from its foot to its top, so it comes nearer to the ray, or stays, the higher its top moves, the nearer its
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

__all__ = ["BOUNDS", "displacement_bounds", "may_take_room"]

_SHARES = 8
_LIFTS = 2 * _SHARES + 1
_ROUNDING = 1.0001
"""The samples are of single precision."""

_STEEP_SLOPE = 1.9

_ASIDE, _OUT, _THIN, _PER_LENGTH, _IS_FINE, _LIFT = 0, 2, 4, 5, 6, 7
BOUNDS = _LIFT + 2 * _LIFTS
"""Numbers of one raster: most metres aside and outwards, without and with a steep edge; most share of a thin thing's
height; 1 over the correlation length; whether distances change; most metres up and nearer, out to eighths of the first
two correlation lengths and everywhere, without and then with a steep edge."""


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
    error of the column's height over the dish's ground, the top moves by a unit vector times (h + w, e - u) at most:
    up to its direction by the root of (h + w)**2 + (e - u)**2. e = c + a x + b y with the knots x and y on either side,
    a**2 + b**2 = 1. Between two pairs (a, b) that are t apart on the unit circle, it is by no more than 1 / cos(t / 2)
    times the larger one, and (1 / cos(t / 2) - 1) times that of c alone.
    """
    count = len(stack)
    bounds = np.zeros((count + 1, count, BOUNDS))
    share = np.linspace(0.0, 1.0, _SHARES + 1)
    turn = np.arctan2(share, 1.0 - share)
    slack = 1.0 / np.cos(0.5 * np.diff(turn).max())
    for r in range(count):
        facts = stack.facts[r]
        east, north, up = moved[r].astype(np.float64)
        level = np.hypot(east, north)
        wide = np.maximum(facts[BLUR_LOST] + facts[BLUR_SPREAD] * inward.astype(np.float64), 0.0)
        flat = np.stack([level, level + wide if stack.parts[r, FINE] else level])
        error = facts[VERTICAL] * knots[r].astype(np.float64)
        for own in range(count + 1):
            into = bounds[own, r]
            into[_ASIDE : _ASIDE + 2] = flat.max(axis=1)
            into[_OUT : _OUT + 2] = np.hypot(flat, up).max(axis=1)
            into[_THIN] = short.max() if stack.parts[r, MEANS] else 0.0
            into[_PER_LENGTH], into[_IS_FINE] = 1.0 / facts[CORRELATION], stack.parts[r, FINE] != 0
            alone = -own_m[own].astype(np.float64) - up
            base = np.hypot(flat, alone).max()

            def most(knot: int, at: float, flat: Any = flat, alone: Any = alone, error: Any = error) -> Any:
                raised = np.cos(at) * error[knot] + np.sin(at) * error[knot + 1] + alone
                return np.hypot(flat, np.maximum(raised, 0.0)).max(axis=1)

            lifts = np.array([[most(knot, at) for at in turn] for knot in range(len(error) - 1)])
            lifts = slack * np.maximum(lifts[:, :-1], lifts[:, 1:]) + (slack - 1.0) * base
            by_distance = np.concatenate([lifts[0], lifts[1], lifts[2:].max(axis=(0, 1))[None]])
            into[_LIFT:] = np.maximum.accumulate(by_distance, axis=0).T.ravel()
    return bounds * _ROUNDING


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

    The top at the elevation t turns up by atan(x cos(t)) at most, x the metres up over the ground distance. Up to
    _STEEP_SLOPE, t + atan(x cos(t)) grows with t for every x: so the highest ground comes highest. Its derivative has
    the sign of x**2 (1 - s**2) - x s + 1, s = sin(t), which has no zero where s**2 < 0.8.

    slope, off_cos, off_sin : its direction, see `cone`; ground up to that slope, nearer to the ray's azimuth not
    least_m, most_m : of its ground distance
    thin, drop : of `columns.blur_at`, the largest of all that ground
    bounds : (BOUNDS,) of its raster; slack : tangent by which the room is taken to be wider
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
    slope = (slope + lift) / (1.0 - slope * lift)
    turn = aside_m / least_m
    stretch = 1.0 / np.sqrt(1.0 + turn * turn)
    beside = (abs(off_sin) - off_cos * turn) * stretch
    along = (off_cos + abs(off_sin) * turn) * stretch
    if beside <= 0.0:
        beside, along = 0.0, 1.0
    far_m = least_m
    if bounds[_IS_FINE] != 0.0:
        out_m = bounds[_OUT] + steep * (bounds[_OUT + 1] - bounds[_OUT])
        far_m = max(least_m - out_m, 0.1 * least_m, 0.1)
    return within(slope, along, beside, cosine, sine, room_tangent(far_m, half_dish_m, zone) + slack)

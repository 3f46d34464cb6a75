"""Monte Carlo samples of the columns that decide: in which of them the required room is taken."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.certainty import (
    D_EAST,
    D_FINE,
    D_KNOT,
    D_LEVEL,
    D_LOST,
    D_NORTH,
    D_OFF_COS,
    D_OFF_SIN,
    D_RASTER,
    D_SLANT,
    D_SPREAD,
    D_TAKES,
    D_THIN,
    D_TOP_COS,
    D_TOP_SIN,
    D_WEIGHT_0,
    D_WEIGHT_1,
)
from skysill.bulk.compiled.jit import compiled, compiled_loosely, in_place_loosely

__all__ = ["failures", "probability", "spread_alone"]

_ALL_BUT = 0.998
"""Share of the samples without room from which on nothing more is asked."""


@in_place_loosely
def _turned(
    off_sin: Any,
    off_cos: Any,
    top_sin: Any,
    top_cos: Any,
    length_m: Any,
    level_m: Any,
    east: Any,
    north: Any,
    fine: Any,
    e: Any,
    n: Any,
    u: Any,
    raised_m: Any,
    in_m: Any,
    cosine: Any,
    sine: Any,
) -> tuple[Any, Any, Any]:
    """A column moved by errors: square of the sine, and the cosine, of its angle from the ray, not normalized;
    distance.

    off_sin ... fine : fields of the column
    e, n, u : metres that the dish stands off, east, north, up; raised_m, in_m : metres that the column is higher, and
        nearer and wider; all float32

    Notes
    -----
    sine and cosine of atan(y) are y / sqrt(1 + y**2) and 1 / sqrt(1 + y**2), so no angle is calculated.
    """
    zero, one, least = np.float32(0.0), np.float32(1.0), np.float32(0.2)
    slant_m, level_m = max(length_m, least), max(level_m, least)
    outward = e * east + n * north
    beside_m = -level_m * off_sin
    in_aside_m = min(abs(beside_m), in_m)
    aside_m = n * east - e * north + (in_aside_m if beside_m > zero else -in_aside_m)
    up_m = outward * top_sin - u * top_cos + in_m * top_sin + raised_m * top_cos
    out_m = -outward * top_cos - u * top_sin - in_m * top_cos
    turn, lift = aside_m / level_m, up_m / slant_m
    turn_cos, lift_cos = one / np.sqrt(one + turn * turn), one / np.sqrt(one + lift * lift)
    o_sin, o_cos = (off_sin + off_cos * turn) * turn_cos, (off_cos - off_sin * turn) * turn_cos
    t_sin, t_cos = (top_sin + top_cos * lift) * lift_cos, (top_cos - top_sin * lift) * lift_cos
    stretch = max(one + fine * out_m / slant_m, np.float32(0.1))
    far_m = max(length_m * stretch, np.float32(0.1))
    beside, along = cosine * o_sin, cosine * o_cos
    below = t_sin * along - t_cos * sine
    # the sine of its top less that of the point of its azimuth nearest to the ray, which lies over the horizon
    over = (below >= zero) & (t_sin > zero)
    forward = np.sqrt(along * along + sine * sine) if over else t_cos * along + t_sin * sine
    below = zero if over else below
    return beside * beside + below * below, forward, far_m


@compiled_loosely
def failures(
    column: Any,
    moved: Any,
    first: Any,
    second: Any,
    own_m: Any,
    inward: Any,
    short: Any,
    cosine: Any,
    sine: Any,
    half_dish_m: Any,
    zone: Any,
    failed: Any,
) -> float:
    """Mark the samples in which one column takes the required room; returns how many are marked.

    column : (DRAW_FIELDS,) float32
    moved : (3, samples); first, second : the knots on either side; own_m : of the dish's ground
    failed : (samples,) float32, set to 1 there
    """
    zero, one = np.float32(0.0), np.float32(1.0)
    # as plain numbers, so that the loop below can run over several samples at once
    off_sin, off_cos, top_sin, top_cos = (
        column[D_OFF_SIN],
        column[D_OFF_COS],
        column[D_TOP_SIN],
        column[D_TOP_COS],
    )
    slant_m, level_m, east, north = column[D_SLANT], column[D_LEVEL], column[D_EAST], column[D_NORTH]
    weight_0, weight_1, fine = column[D_WEIGHT_0], column[D_WEIGHT_1], column[D_FINE]
    thin, lost, spread = column[D_THIN], column[D_LOST], column[D_SPREAD]
    total = zero
    for k in range(failed.shape[0]):
        raised_m = weight_0 * first[k] + weight_1 * second[k] - own_m[k] + short[k] * thin
        in_m = max(lost + spread * inward[k], zero)
        off2, forward, far_m = _turned(
            off_sin,
            off_cos,
            top_sin,
            top_cos,
            slant_m,
            level_m,
            east,
            north,
            fine,
            moved[0, k],
            moved[1, k],
            moved[2, k],
            raised_m,
            in_m,
            cosine,
            sine,
        )
        room = (half_dish_m + zone * np.sqrt(far_m)) * forward
        taken = one if (forward > zero) & (off2 * far_m * far_m < room * room) else zero
        taken = max(failed[k], taken)
        failed[k] = taken
        total += taken
    return float(total)


@compiled
def probability(
    deciding: Any,
    count: int,
    moved: Any,
    knots: Any,
    own_m: Any,
    inward: Any,
    short: Any,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    enough: float,
    failed: Any,
) -> float:
    """The share of the samples in which no deciding column takes the required room.

    enough : once it is less than this, the other columns are not asked: it is then too high and still less
    moved, knots, inward, short : of `draws.Draws`; own_m : (samples,); failed : (samples,) float32, room to work in
    """
    failed[:] = np.float32(0.0)
    deciding[:count, D_TAKES] = np.float32(0.0)
    before, most = 0.0, min(_ALL_BUT, 1.0 - enough) * failed.shape[0] + 0.5  # whole numbers
    for n in range(count):
        column = deciding[n]
        raster, knot = int(column[D_RASTER]), int(column[D_KNOT])
        after = failures(
            column,
            moved[raster],
            knots[raster, knot],
            knots[raster, knot + 1],
            own_m,
            inward,
            short,
            np.float32(cosine),
            np.float32(sine),
            np.float32(half_dish_m),
            np.float32(zone),
            failed,
        )
        deciding[n, D_TAKES] = 1.0 if after > before else 0.0
        before = after
        if after > most:
            break
    return float(1.0 - before / failed.shape[0])


@compiled_loosely
def _least_spares(
    column: Any,
    moved: Any,
    first: Any,
    second: Any,
    own_m: Any,
    inward: Any,
    short: Any,
    terrain: Any,
    cosine: Any,
    sine: Any,
    half_dish_m: Any,
    zone: Any,
    least: Any,
) -> None:
    """Lower `least`, (samples,) float32, to the spare room beside one column, as a number that grows with the angle.

    With y and x the sine and cosine of the angle times any length, it is y / (|x| + |y|) up to a right angle, and 2
    less that beyond.
    """
    one, two, small = np.float32(1.0), np.float32(2.0), np.float32(1e-30)
    off_sin, off_cos, top_sin, top_cos = (
        column[D_OFF_SIN],
        column[D_OFF_COS],
        column[D_TOP_SIN],
        column[D_TOP_COS],
    )
    slant_m, level_m, east, north = column[D_SLANT], column[D_LEVEL], column[D_EAST], column[D_NORTH]
    weight_0, weight_1, fine = column[D_WEIGHT_0], column[D_WEIGHT_1], column[D_FINE]
    thin, lost, spread = column[D_THIN], column[D_LOST], column[D_SPREAD]
    for k in range(least.shape[0]):
        raised_m = terrain * (weight_0 * first[k] + weight_1 * second[k] - own_m[k] + short[k] * thin)
        in_m = terrain * max(lost + spread * inward[k], np.float32(0.0))
        off2, forward, far_m = _turned(
            off_sin,
            off_cos,
            top_sin,
            top_cos,
            slant_m,
            level_m,
            east,
            north,
            fine,
            moved[0, k],
            moved[1, k],
            moved[2, k],
            raised_m,
            in_m,
            cosine,
            sine,
        )
        off, room = np.sqrt(off2), (half_dish_m + zone * np.sqrt(far_m)) / far_m
        y, x = off - forward * room, forward + off * room
        part = y / (abs(x) + abs(y) + small)
        least[k] = min(least[k], part if x >= np.float32(0.0) else two * one - part)


@compiled
def spread_alone(
    deciding: Any,
    count: int,
    moved: Any,
    knots: Any,
    own_m: Any,
    inward: Any,
    short: Any,
    terrain: float,
    cosine: float,
    sine: float,
    half_dish_m: float,
    zone: float,
    least: Any,
) -> float:
    """Standard deviation of the spare room, radians, with one kind of error alone.

    moved : (raster, 3, samples) by that error; terrain : 1, or 0 without the errors of heights and edges
    least : (samples or more,) float32, room to work in
    """
    samples = inward.shape[0]
    least[:samples] = np.float32(np.inf)
    for n in range(count):
        column = deciding[n]
        raster, knot = int(column[D_RASTER]), int(column[D_KNOT])
        _least_spares(
            column,
            moved[raster],
            knots[raster, knot],
            knots[raster, knot + 1],
            own_m,
            inward,
            short,
            np.float32(terrain),
            np.float32(cosine),
            np.float32(sine),
            np.float32(half_dish_m),
            np.float32(zone),
            least[:samples],
        )
    total, square = 0.0, 0.0
    for k in range(samples):
        part = float(least[k])
        spare = np.arctan2(part, 1.0 - abs(part)) if part <= 1.0 else np.arctan2(2.0 - part, 1.0 - part)
        total += spare
        square += spare * spare
    mean = total / samples
    return float(np.sqrt(max(square / samples - mean * mean, 0.0)))

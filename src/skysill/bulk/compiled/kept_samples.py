"""How far the stated errors move ground in all Monte Carlo samples but the rarest.

`confidence` moves every column of terrain in each of its samples: upwards as seen from the dish by the errors
of heights and by steps of the dish, to the side by those steps. Of the samples in which everything moves least,
just enough are kept that a room taken in none of them is probable enough. What the largest move of those is, by
distance, is told here: ground that it leaves out of the room needs no samples.
"""

from __future__ import annotations

import numpy as np

from skysill.assessment.sampling import interpolate_knots
from skysill.bulk.compiled.block_frame import LIFT_BINS, NEAR_BINS
from skysill.bulk.compiled.draws import Draws
from skysill.bulk.compiled.raster_stack import VERTICAL, RasterStack
from skysill.units import Floats, Ints

__all__ = ["lift_table"]

_STEP_DEG = 2.5
"""Satellites are told apart by so much of azimuth and elevation, fans of rays by so much of their half width."""

_OCTAVES = 11
_ASIDE = 1.3


def _distances() -> list[Floats]:
    """Of each bin, distances in correlation lengths between which errors hardly change."""
    near = [(at + np.linspace(0.0, 1.0, 5)) / NEAR_BINS for at in range(NEAR_BINS)]
    far = [2.0 ** np.linspace(at, at + 1, 9) for at in range(LIFT_BINS - NEAR_BINS - 1)]
    return [*near, *far, 2.0 ** np.arange(LIFT_BINS - NEAR_BINS - 1, _OCTAVES, 0.125)]


def _greatest(knots: Floats, along: Floats, operation: np.ufunc) -> Floats:
    """(sample,) the largest or least error of heights at some distances, in standard deviations."""
    return np.asarray(operation.reduce(interpolate_knots(knots.T, along), axis=1), dtype=np.float64)


def _weights() -> Floats:
    """(bin,) how much rarer the moves told are exceeded far away, where they matter less and are of several kinds."""
    away = np.array([part.min() for part in _distances()])
    return 1.0 + 0.25 * np.log2(np.clip(2.0 * away, 1.0, 8.0))


def lift_table(
    stack: RasterStack,
    draws: Draws,
    least_p: float,
    azimuth_deg: Floats,
    elevation_deg: Floats,
    half_deg: Floats,
) -> tuple[Floats, Ints]:
    """Moves of ground by the kept samples, metres; kept with the stack.

    Parameters
    ----------
    draws : of the stack, as errors are stated where nobody says otherwise
    least_p : probability of the room that is asked
    azimuth_deg, elevation_deg : (place,) of the satellite; half_deg : (place,) half width of the ray fan

    Returns
    -------
    (direction, 3, LIFT_BINS), and (place,) the direction of each place's satellite. By distance, see
    `block_frame`, and each no less than at any smaller one: the largest lift, as seen from the dish, of ground
    above its level and below the satellite's elevation; the largest move aside; no less than the largest lift
    and move aside of any ground together
    """
    steps = np.stack([azimuth_deg // _STEP_DEG, elevation_deg // _STEP_DEG, half_deg // _STEP_DEG], axis=1)
    kinds, kind = np.unique(steps.astype(np.int64), axis=0, return_inverse=True)
    held = stack.held.setdefault(f"lifts {least_p}", {})
    for one in map(tuple, kinds.tolist()):
        if one not in held:
            held[one] = _moves(stack, draws, least_p, *(_STEP_DEG * part for part in one))
    table = [held[one] for one in map(tuple, kinds.tolist())]
    return np.stack(table) if table else np.zeros((0, 3, LIFT_BINS)), kind.reshape(-1)


def _moves(
    stack: RasterStack,
    draws: Draws,
    least_p: float,
    azimuth_deg: float,
    elevation_deg: float,
    half_deg: float,
) -> Floats:
    """(3, LIFT_BINS) for satellites and fans from these angles to _STEP_DEG more."""
    moved = draws.whole[0][0].astype(np.float64)
    if "raised" not in stack.held:
        stack.held["raised"] = _raised_m(stack, draws)
    raised_m, lowered_m = stack.held["raised"]
    any_way_m = np.sqrt(2.0) * np.hypot(moved[0], moved[1]) + np.maximum(raised_m, -lowered_m)
    turn_rad = np.deg2rad(azimuth_deg + np.linspace(-half_deg - _STEP_DEG, half_deg + 2.0 * _STEP_DEG, 9))[
        :, None
    ]
    outward_m = np.max(moved[0] * np.sin(turn_rad) + moved[1] * np.cos(turn_rad), axis=0)
    aside_m = np.abs(moved[1] * np.sin(turn_rad) - moved[0] * np.cos(turn_rad)).max(axis=0)
    sine = np.sin(np.deg2rad(min(elevation_deg + _STEP_DEG, 90.0)))
    lift_m = np.maximum(outward_m, 0.0) * sine + np.maximum(raised_m, 0.0)
    parts = np.concatenate([lift_m, aside_m[None]])
    score = parts / (np.append(_weights(), _ASIDE) * np.sqrt((parts**2).mean(axis=1)) + 1e-9)[:, None]
    kept = max(int(np.ceil(min(max(least_p, 0.0), 1.0) * moved.shape[1])), 1)
    some = np.argsort(score.max(axis=0), kind="stable")[:kept]
    moves = [
        part[:, some].max(axis=1) for part in (lift_m, np.broadcast_to(aside_m, lift_m.shape), any_way_m)
    ]
    # directions between those looked at move no more than a hundredth farther
    return np.asarray(1.02 * np.maximum.accumulate(np.stack(moves), axis=1) + 0.01)


def _raised_m(stack: RasterStack, draws: Draws) -> tuple[Floats, Floats]:
    """(bin, sample) by how much ground at those distances stands higher over the dish, at most and at least."""
    moved, knots, own_m = (draws.whole[at][0].astype(np.float64) for at in (0, 1, 4))
    error_m = float(stack.facts[0, VERTICAL])
    most, least = (
        np.stack([error_m * _greatest(knots, at, operation) - moved[2] - own_m for at in _distances()])
        for operation in (np.maximum, np.minimum)
    )
    return most, least

"""Probability that the room is there over bare ground: the columns and the samples of `assessment.confidence`.

Most samples move a column by too little: a sum of four products tells. Only of the others the direction is
worked out.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.block_frame import F_COSINE, F_EYE, F_HALF_DISH, F_MOST, F_SINE, F_ZONE
from skysill.bulk.compiled.cone import room_tangent, sight
from skysill.bulk.compiled.edge_columns import N_AWAY, N_HEIGHT, N_METRES, N_RAY, N_SLANT
from skysill.bulk.compiled.jit import compiled, compiled_loosely
from skysill.bulk.compiled.raster_stack import CORRELATION, VERTICAL
from skysill.bulk.compiled.ray_sampling import EAST, NORTH, OFF_COS, OFF_SIN, RADIUS
from skysill.bulk.compiled.skyline import NO_SLOPE, TOP_SLOPE, highest_on_ray

__all__ = ["share_with_room"]

_MOST_COLUMNS = 48
"""As in `confidence`."""


@compiled_loosely
def _lifts(
    moved: Any, first: Any, second: Any, own_m: Any, east: Any, north: Any, top_cos: Any, weight_0: Any,
    weight_1: Any,
    lift_m: Any,
) -> None:  # fmt: skip
    """(sample,) metres across the line of sight by which a column is lifted."""
    for k in range(lift_m.shape[0]):
        lift_m[k] = (
            east * moved[0, k]
            + north * moved[1, k]
            - top_cos * (moved[2, k] + own_m[k])
            + weight_0 * first[k]
            + weight_1 * second[k]
        )


@compiled
def _takes(
    frame: Any,
    ray: Any,
    top_sin: float,
    top_cos: float,
    slant_m: float,
    room: float,
    e: float,
    n: float,
    lift_m: float,
) -> bool:
    """Whether a column moved by one sample takes the required room; see `certainty`."""
    turn, lift = (n * ray[EAST] - e * ray[NORTH]) / max(slant_m * top_cos, 0.2), lift_m / max(slant_m, 0.2)
    turn_cos, lift_cos = 1.0 / np.sqrt(1.0 + turn * turn), 1.0 / np.sqrt(1.0 + lift * lift)
    o_sin = (ray[OFF_SIN] + ray[OFF_COS] * turn) * turn_cos
    o_cos = (ray[OFF_COS] - ray[OFF_SIN] * turn) * turn_cos
    t_sin, t_cos = (top_sin + top_cos * lift) * lift_cos, (top_cos - top_sin * lift) * lift_cos
    cosine, sine = frame[F_COSINE], frame[F_SINE]
    beside, along = cosine * o_sin, cosine * o_cos
    below = t_sin * along - t_cos * sine
    forward = t_cos * along + t_sin * sine if below < 0.0 else np.sqrt(along * along + sine * sine)
    below = min(below, 0.0)
    return bool(forward > 0.0 and beside * beside + below * below < room * room * forward * forward)


@compiled
def share_with_room(
    cells: Any, parts: Any, facts: Any, frame: Any, rays: Any, noted: Any, moved: Any, knots: Any, own_m: Any,
    enough: float, failed: Any, lift_m: Any, top: Any, nodes: Any, away: Any, height: Any,
) -> float:  # fmt: skip
    """The share of the samples in which no column takes the required room.

    noted : of `edge_columns`; moved, knots, own_m : of `draws.Draws`, of the one raster
    enough : share without room from which on nothing more is asked
    failed, lift_m, top, nodes, away, height : room to work in
    """
    count, samples = int(noted[0, 0]), failed.shape[0]
    failed[:] = np.float32(0.0)
    order = np.argsort(noted[1 : count + 1, N_METRES])
    lost, used = 0, 0
    for n in range(count):
        if used == _MOST_COLUMNS:
            break
        used += 1
        column = noted[1 + order[n]]
        i, slant_m = int(column[N_RAY]), column[N_SLANT]
        ray = rays[0, i]
        slope = sight(column[N_AWAY], column[N_HEIGHT], frame[F_EYE], ray[RADIUS])
        level = 1.0 / np.sqrt(1.0 + slope * slope)
        top_sin, top_cos = slope * level, level
        along = slant_m * level / facts[0, CORRELATION]
        knot, low, high = 0, 0.0, 1.0
        while along >= high and knot < 18:
            knot, low, high = knot + 1, high, 2.0 * high
        share = min((along - low) / (high - low), 1.0)
        scale = facts[0, VERTICAL] * top_cos / np.hypot(1.0 - share, share)
        _lifts(
            moved, knots[knot], knots[knot + 1], own_m, np.float32(ray[EAST] * top_sin), np.float32(ray[NORTH]
            * top_sin),
            np.float32(top_cos), np.float32(scale * (1.0 - share)), np.float32(scale * share), lift_m,
        )  # fmt: skip
        room = room_tangent(slant_m, frame[F_HALF_DISH], frame[F_ZONE])
        gap = np.arctan2(frame[F_SINE], frame[F_COSINE]) - np.arctan(room) - np.arctan(slope)
        least_m = slant_m * np.tan(gap) if gap < 1.5 else 1e30
        seen = False
        for k in range(samples):
            if failed[k] > 0.0 or lift_m[k] < least_m:
                continue
            if not _takes(frame, ray, top_sin, top_cos, slant_m, room, moved[0, k], moved[1, k], lift_m[k]):
                continue
            if not seen:  # a nearer column on its ray that is as high stands in its place
                highest_on_ray(
                    cells, parts, facts, rays, i, frame[F_EYE], min(column[N_AWAY] - 1e-3, frame[F_MOST]),
                    slope, np.inf,
                    slope, top, nodes, away, height,
                )  # fmt: skip
                if top[TOP_SLOPE] > NO_SLOPE:
                    used -= 1
                    break
                seen = True
            failed[k] = np.float32(1.0)
            lost += 1
        if lost >= enough * samples:
            break
    return float(1.0 - lost / samples)

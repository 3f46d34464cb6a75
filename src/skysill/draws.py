"""Whether stated errors leave the room, for many places: all ground that they could bring near is drawn.

The draws are those that `confidence` makes for a place with nothing but terrain; only the ground they are put to is
simpler: of each edge of a cell the nearest point, and angles that change in proportion to the errors.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skysill.confidence import SAMPLES, SEED, Errors, knot_count
from skysill.descent import cells_near
from skysill.doubts import ALIKE_CELLS, Limits, limits_of
from skysill.nearest import CHUNK, Corners, Fan, first_of_each, pieces
from skysill.nearness import Ground, Places, Question
from skysill.units import Floats, Ints

__all__ = ["estimated_p_clear"]


def estimated_p_clear(ground: Ground, places: Places, question: Question) -> Floats:
    """The probability that the room is there given the stated errors, where the centre ray is free; near `confidence`.

    Errors of ground are alike over five cells, with knots at 0, L, 2L, 4L, ... along the ray, the one at the dish
    shared. How an angle changes with an error is taken at the ray, which never makes it too large.
    """
    share = np.ones(places.eye_m.size)
    limits = limits_of(ground, question)
    length_m = ALIKE_CELLS * ground.cell_size_m
    for low in range(0, share.size, CHUNK):
        some = places.take(slice(low, low + CHUNK))
        owner, slant_m, spare_deg, turns = _noted(limits, some)
        ends = np.searchsorted(owner, np.arange(some.eye_m.size + 1))
        for number, (since, until) in enumerate(pairwise(ends.tolist())):
            if since == until:
                continue
            part = slice(since, until)
            level_m = slant_m[part] * np.cos(np.deg2rad(some.apparent_deg[number] - spare_deg[part]))
            steps_m, knots = _draws(knot_count(float(level_m.max()), length_m))
            azimuth_rad = np.deg2rad(some.azimuth_deg[number])
            east, north = np.sin(azimuth_rad), np.cos(azimuth_rad)
            ahead_m, aside_m = (
                steps_m[:, 0] * east + steps_m[:, 1] * north,
                steps_m[:, 0] * north - steps_m[:, 1] * east,
            )
            shift_deg = np.stack([ahead_m, aside_m, steps_m[:, 2]], axis=1) @ turns[part, 1:].T.astype(
                np.float32
            )
            error_deg = np.rad2deg(np.arctan(ground.vertical_error_m / slant_m[part])) * turns[part, 0]
            tilt_deg = _unit_errors(knots, level_m / length_m) * error_deg.astype(np.float32)
            share[low + number] = (spare_deg[part] - tilt_deg - shift_deg >= 0.0).all(axis=1).mean()
    return share


@lru_cache(maxsize=32)
def _draws(knots: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """(draw, 3) steps of the dish east, north, up, and (draw, knot) errors of ground, as `confidence` draws them."""
    rng, errors = np.random.default_rng(SEED), Errors()
    sizes_m = np.array([errors.position_m, errors.position_m, errors.height_m], dtype=np.float32)
    steps_m = rng.standard_normal((SAMPLES, 3), dtype=np.float32) * sizes_m
    return steps_m, rng.standard_normal((SAMPLES, knots), dtype=np.float32)


def _noted(limits: Limits, places: Places) -> tuple[Ints, Floats, Floats, Floats]:
    """Ground that errors could bring near, by place, one for each distance.

    Returns
    -------
    place, slant distance, spare room, and (n, 4) how much nearer it comes: degrees per degree of its own elevation,
    and per metre of the dish ahead, aside, up
    """

    def widest_deg(_: Ints, away_m: Floats) -> Floats:
        return np.asarray(limits.room_at_most_deg(away_m) + limits.noted_at_most_deg(away_m))

    fan = Fan.of(limits, places)
    cells = cells_near(limits.ground.ceiling, fan.sights, fan.near_m, widest_deg)
    piece = pieces(fan, cells, Corners.of(fan, cells))
    place = cells.place[piece.cell]
    points_m = np.stack(piece.edge.at(piece.nearest), axis=1)
    slant_m = np.linalg.norm(points_m, axis=1)
    spare_deg = piece.angle_deg - limits.room_deg(slant_m)
    near = np.flatnonzero(spare_deg < limits.noted_deg(slant_m))
    distance = np.floor(np.log(np.maximum(slant_m[near], 1.0)) * 50.0).astype(np.int64)
    _, apart = np.unique(place[near] * 100_000 + distance, return_inverse=True)
    best = near[first_of_each(apart, spare_deg[near], slant_m[near])]
    place, slant_m = place[best], slant_m[best]
    turns = _turns(
        points_m[best] / slant_m[:, None], fan.sights.sine[place], fan.sights.cosine[place], slant_m
    )
    return place, slant_m, spare_deg[best], turns


def _turns(top: Floats, sine: Floats, cosine: Floats, slant_m: Floats) -> Floats:
    """(n, 4): how the angle between rays and tops (n, 3; ahead, aside, up) shrinks with errors; see `_noted`."""
    ray = np.stack([cosine, np.zeros(cosine.shape), sine], axis=1)
    level = np.hypot(top[:, 0], top[:, 1])
    over = (
        top[:, 2] * ray[:, 0] * top[:, 0] > level * level * ray[:, 2]
    )  # over the ray's foot: that is nearest
    foot = np.stack(
        [top[:, 0], top[:, 1], level * level * ray[:, 2] / (np.maximum(top[:, 0], 1e-9) * ray[:, 0])], 1
    )
    top = np.where(over[:, None], foot / np.linalg.norm(foot, axis=1)[:, None], top)
    level = np.hypot(top[:, 0], top[:, 1])
    toward = ray - (ray * top).sum(axis=1)[:, None] * top
    toward /= np.maximum(np.linalg.norm(toward, axis=1), 1e-9)[:, None]
    rising = np.stack([-top[:, 0] * top[:, 2] / level, -top[:, 1] * top[:, 2] / level, level], axis=1)
    with_elevation = (toward * rising).sum(axis=1)
    per_m = np.rad2deg(
        -toward / slant_m[:, None]
    )  # a dish that moves one way sees the ground move the other way
    return np.column_stack([with_elevation, per_m])


def _unit_errors(knots: NDArray[np.float32], along: Floats) -> NDArray[np.float32]:
    """(draw, n): errors of ground at distances in correlation lengths, less the dish's own, in standard deviations."""
    at = np.append(0.0, 2.0 ** np.arange(knots.shape[1] - 1))
    upper = np.clip(np.searchsorted(at, along, side="right"), 1, at.size - 1)
    share = ((along - at[upper - 1]) / (at[upper] - at[upper - 1])).astype(np.float32)
    return np.asarray(knots[:, upper - 1] * (1 - share) + knots[:, upper] * share - knots[:, :1])

"""Whether stated errors surely leave the room, for many places: all ground that they could bring near is drawn."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skysill.descent import cells_near
from skysill.doubts import ALIKE_CELLS, Limits, limits_of
from skysill.nearest import CHUNK, Corners, Fan, first_of_each, pieces
from skysill.nearness import Ground, Places, Question
from skysill.units import Bools, Floats, Ints

__all__ = ["surely_enough"]

_DRAWS, _KNOTS, _DRAWN_APART = 4000, 24, 0.03
_DISH_ERRORS_M = (0.2, 0.2, 0.1)


def surely_enough(ground: Ground, places: Places, question: Question) -> Bools:
    """Whether the stated errors surely leave the room with the probability asked for, where the centre ray is free.

    All ground that the errors could bring near is drawn with errors as `confidence` draws them: alike over five cells,
    knots at 0, L, 2L, 4L, ... along the ray, the one at the dish shared; the dish's own error always to the bad. Only
    a probability higher than asked by _DRAWN_APART, four standard errors of the two estimates, counts as sure.
    """
    enough = np.zeros(places.eye_m.size, dtype=bool)
    wanted = question.criteria.min_p_clear + _DRAWN_APART
    if not enough.size or wanted >= 1.0:
        return enough
    limits = limits_of(ground, question)
    rng = np.random.default_rng(1)
    knots = rng.standard_normal((_DRAWS, _KNOTS), dtype=np.float32)
    dish_m = np.linalg.norm(rng.standard_normal((_DRAWS, 3)) * _DISH_ERRORS_M, axis=1)
    for low in range(0, enough.size, CHUNK):
        some = np.arange(low, min(low + CHUNK, enough.size))
        owner, slant_m, spare_deg = _noted(limits, places.take(some))
        level_m = slant_m * np.cos(np.deg2rad(places.apparent_deg[some[owner]] - spare_deg))
        error_deg = np.rad2deg(np.arctan(ground.vertical_error_m / slant_m))
        along = level_m / (ALIKE_CELLS * ground.cell_size_m)
        ends = np.searchsorted(owner, np.arange(some.size + 1))
        for number, (since, until) in enumerate(pairwise(ends.tolist())):
            part = slice(since, until)
            tilt_deg = _unit_errors(knots, along[part]) * error_deg[part]
            shift_deg = np.rad2deg(dish_m[:, None] / slant_m[part])
            roomy = (spare_deg[part] - tilt_deg - shift_deg >= 0.0).all(axis=1)
            enough[some[number]] = roomy.mean() >= wanted
    return enough


def _noted(limits: Limits, places: Places) -> tuple[Ints, Floats, Floats]:
    """Place, slant distance and spare room of ground that errors could bring near, by place, one for each distance."""

    def widest_deg(_: Ints, away_m: Floats) -> Floats:
        return np.asarray(limits.room_at_most_deg(away_m) + limits.noted_at_most_deg(away_m))

    fan = Fan.of(limits, places)
    cells = cells_near(limits.ground.ceiling, fan.sights, fan.near_m, widest_deg)
    piece = pieces(fan, cells, Corners.of(fan, cells))
    place = cells.place[piece.cell]
    slant_m = np.linalg.norm(piece.edge.at(piece.nearest), axis=0)
    spare_deg = piece.angle_deg - limits.room_deg(slant_m)
    near = np.flatnonzero(spare_deg < limits.noted_deg(slant_m))
    place, slant_m, spare_deg = place[near], slant_m[near], spare_deg[near]
    distance = np.floor(np.log(np.maximum(slant_m, 1.0)) * 50.0).astype(np.int64)
    _, apart = np.unique(place * 100_000 + distance, return_inverse=True)
    best = first_of_each(apart, spare_deg, slant_m)
    return place[best], slant_m[best], spare_deg[best]


def _unit_errors(knots: NDArray[np.float32], along: Floats) -> Floats:
    """(draw, n): errors of ground at distances in correlation lengths, less the dish's own, in standard deviations."""
    at = np.append(0.0, 2.0 ** np.arange(_KNOTS - 1))
    upper = np.clip(np.searchsorted(at, along, side="right"), 1, _KNOTS - 1)
    share = (along - at[upper - 1]) / (at[upper] - at[upper - 1])
    return np.asarray(knots[:, upper - 1] * (1.0 - share) + knots[:, upper] * share - knots[:, :1])

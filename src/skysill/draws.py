"""Whether stated errors leave the room, for many places: all ground that they could bring near is drawn.

The draws are those that `confidence` makes for a place with nothing but terrain; only the ground they are put to is
simpler: of each edge of a cell the nearest point, and angles that change in proportion to the errors.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skysill.confidence import KNOTS, SAMPLES, SEED, Errors
from skysill.descent import cells_near
from skysill.doubts import ALIKE_CELLS, Limits, limits_of
from skysill.nearest import CHUNK, Corners, Fan, first_of_each, pieces
from skysill.nearness import Ground, Places, Question
from skysill.units import Floats, Ints

__all__ = ["p_clear_between"]


def p_clear_between(ground: Ground, places: Places, question: Question) -> tuple[Floats, Floats]:
    """Two estimates, (place,) each, that hold between them the `confidence` that the room is there, but for a few
    hundredths; where the centre ray is free.

    Errors of ground are alike over five cells, with knots at 0, L, 2L, 4L, ... along the ray, the one at the dish
    shared. The lower estimate takes what stands nearest as the edge of something wide, the upper one as a peak.
    """
    shares = np.ones((2, places.eye_m.size))
    limits = limits_of(ground, question)
    length_m = ALIKE_CELLS * ground.cell_size_m
    for low in range(0, places.eye_m.size, CHUNK):
        some = places.take(slice(low, low + CHUNK))
        noted = _noted(limits, some)
        ends = np.searchsorted(noted.place, np.arange(some.eye_m.size + 1))
        for number, (since, until) in enumerate(pairwise(ends.tolist())):
            if since < until:
                found = _drawn_spare_deg(
                    noted.take(slice(since, until)), some.azimuth_deg[number], some.apparent_deg[number],
                    vertical_error_m=ground.vertical_error_m, length_m=length_m,
                )  # fmt: skip
                shares[:, low + number] = [(spare_deg >= 0.0).all(axis=1).mean() for spare_deg in found]
    return shares[0], shares[1]


def _drawn_spare_deg(
    noted: _Noted, azimuth_deg: float, apparent_deg: float, *, vertical_error_m: float, length_m: float
) -> tuple[Floats, Floats]:
    """(draw, n), (draw, n): spare room at each piece of ground, taken as an edge and as a peak.

    By `confidence`'s rules for terrain, on a sky that is flat around the ray.
    """
    offset, top, slant_m = (
        np.asarray(part, np.float32) for part in (noted.offset_rad, noted.top_rad, noted.slant_m)
    )
    apparent = np.deg2rad(np.float32(apparent_deg))
    foot = np.arctan2(
        np.sin(apparent), np.cos(apparent) * np.cos(offset)
    )  # of the ray, on the ground's vertical
    below, beside = np.maximum(foot - top, 0.0), np.arcsin(np.cos(apparent) * np.sin(offset))
    level_m = slant_m * np.cos(top)
    step_m, knots = _draws()
    azimuth = np.float32(np.deg2rad(azimuth_deg)) + offset
    ahead_m = step_m[:, :1] * np.sin(azimuth) + step_m[:, 1:2] * np.cos(azimuth)
    aside_m = step_m[:, :1] * np.cos(azimuth) - step_m[:, 1:2] * np.sin(azimuth)
    rise = (ahead_m * np.sin(top) - step_m[:, 2:] * np.cos(top)) / slant_m
    rise += _unit_errors(knots, level_m / np.float32(length_m)) * np.arctan(
        np.float32(vertical_error_m) / slant_m
    )
    turn = -aside_m / level_m * np.cos(apparent)
    away = np.hypot(below, beside)
    share = np.maximum(away, np.float32(1e-6))
    edge = -(below / share) * rise + (beside / share) * turn
    peak = np.hypot(np.maximum(foot - top - rise, 0.0), beside + turn) - away
    return noted.spare_deg + np.rad2deg(edge), noted.spare_deg + np.rad2deg(peak)


@lru_cache(maxsize=1)
def _draws() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """(draw, 3) steps of the dish east, north, up, and (draw, knot) errors of ground, as `confidence` draws them."""
    rng, errors = np.random.default_rng(SEED), Errors()
    sizes_m = np.array([errors.position_m, errors.position_m, errors.height_m], dtype=np.float32)
    steps_m = rng.standard_normal((SAMPLES, 3), dtype=np.float32) * sizes_m
    return steps_m, rng.standard_normal((SAMPLES, KNOTS), dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Noted:
    """Ground that errors could bring near, by place, one for each distance.

    offset_rad, top_rad : azimuth offset from the ray, and elevation
    """

    place: Ints
    slant_m: Floats
    spare_deg: Floats
    offset_rad: Floats
    top_rad: Floats

    def take(self, at: Ints | slice) -> _Noted:
        return _Noted(*(getattr(self, f.name)[at] for f in fields(self)))


def _noted(limits: Limits, places: Places) -> _Noted:
    def widest_deg(_: Ints, away_m: Floats) -> Floats:
        return np.asarray(limits.room_at_most_deg(away_m) + limits.noted_at_most_deg(away_m))

    fan = Fan.of(limits, places)
    cells = cells_near(limits.ground.ceiling, fan.sights, fan.near_m, widest_deg)
    piece = pieces(fan, cells, Corners.of(fan, cells))
    ahead_m, aside_m, above_m = piece.edge.at(piece.nearest)
    level_m = np.hypot(ahead_m, aside_m)
    slant_m = np.hypot(level_m, above_m)
    spare_deg = piece.angle_deg - limits.room_deg(slant_m)
    found = _Noted(cells.place[piece.cell], slant_m, spare_deg, np.arctan2(aside_m, ahead_m),
                   np.arctan2(above_m, level_m))  # fmt: skip
    found = found.take(np.flatnonzero(spare_deg < limits.noted_deg(slant_m)))
    distance = np.floor(np.log(np.maximum(found.slant_m, 1.0)) * 50.0).astype(np.int64)
    _, apart = np.unique(found.place * 100_000 + distance, return_inverse=True)
    return found.take(first_of_each(apart, found.spare_deg, found.slant_m))


def _unit_errors(knots: NDArray[np.float32], along: NDArray[Any]) -> NDArray[np.float32]:
    """(draw, n): errors of ground at distances in correlation lengths, less the dish's own, in standard deviations."""
    at = np.append(0.0, 2.0 ** np.arange(knots.shape[1] - 1))
    upper = np.clip(np.searchsorted(at, along, side="right"), 1, at.size - 1)
    share = ((along - at[upper - 1]) / (at[upper] - at[upper - 1])).astype(np.float32)
    return np.asarray(knots[:, upper - 1] * (1 - share) + knots[:, upper] * share - knots[:, :1])

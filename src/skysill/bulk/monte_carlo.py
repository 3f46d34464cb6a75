"""Whether stated errors leave the room, for many places: all ground that they could bring near is drawn.

The draws are those that `confidence` makes for a place with nothing but terrain. The ground they are put to is the
tightest edges of cells, moved each as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skysill.assessment.sampling import (
    SAMPLES,
    Errors,
    between_knots,
    laid_draws_m,
    step_draws_m,
    terrain_draws,
)
from skysill.bulk.cell_edges import Corners, pieces, seen_pieces
from skysill.bulk.fan_results import CHUNK, Fan
from skysill.bulk.prefilter import Ground, Places, Question
from skysill.bulk.quadtree import cells_near
from skysill.bulk.thresholds import ALIKE_CELLS, Limits, limits_of
from skysill.model.default_errors import facts_of
from skysill.units import Floats, Ints

__all__ = ["estimated_p_clear"]


def estimated_p_clear(ground: Ground, places: Places, question: Question) -> Floats:
    """The probability that the room is there given the stated errors, (place,), where the centre ray is free.

    Within a hundredth or two of `confidence`, and by its rules: errors of ground are alike over five cells, with knots
    at 0, L, 2L, 4L, ... along the ray, the one at the dish shared.
    """
    share = np.ones(places.antenna_m.size)
    limits = limits_of(ground, question)
    for low in range(0, share.size, CHUNK):
        some = places.take(slice(low, low + CHUNK))
        noted = _noted(limits, some)
        ends = np.searchsorted(noted.place, np.arange(some.antenna_m.size + 1))
        for number, (since, until) in enumerate(pairwise(ends.tolist())):
            if since < until:
                kept = since + np.argsort(noted.tight_deg[since:until], kind="stable")[:_MOST_EDGES]
                share[low + number] = _share_with_room(noted.take(kept), ground, some.azimuth_deg[number])
    return share


_MOST_EDGES = 24


def _share_with_room(noted: _Noted, ground: Ground, azimuth_deg: float) -> float:
    """The share of draws in which all of one place's edges leave the room, on a sky that is flat around the ray."""
    step_m, knots = _draws(facts_of(ground).horizontal_error_m)
    azimuth = np.deg2rad(azimuth_deg) + noted.offset_rad
    ahead_m, aside_m = (np.asarray(turned, np.float32) for turned in (
        step_m[:, :2] @ np.stack([np.sin(azimuth), np.cos(azimuth)]),
        step_m[:, :2] @ np.stack([np.cos(azimuth), -np.sin(azimuth)]),
    ))  # fmt: skip
    slant_m, level_m = (
        noted.slant_m.astype(np.float32),
        (noted.slant_m * np.cos(noted.top_rad)).astype(np.float32),
    )
    sine, cosine = (part(noted.top_rad).astype(np.float32) for part in (np.sin, np.cos))
    raised = (ahead_m * sine - step_m[:, 2:] * cosine) / slant_m
    unit = between_knots(knots, level_m / (ALIKE_CELLS * ground.cell_size_m)) - knots[:, :1]
    raised += unit * np.arctan(np.float32(ground.vertical_error_m) * cosine / slant_m)
    turned = -aside_m / level_m * noted.cosine.astype(np.float32)
    away = _away(noted.ends.T.astype(np.float32), -turned, -raised)
    return float((away >= np.tan(np.deg2rad(noted.room_deg))).all(axis=1).mean())


def _away(ends: NDArray[Any], x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
    """Distance from points (draw, n) of a plane to the region under segments (4, n): x, y of one end, of the other."""
    x0, y0, x1, y1 = np.where(ends[0] <= ends[2], ends, ends[[2, 3, 0, 1]])
    run, climb = x1 - x0, y1 - y0
    length2 = np.maximum(run * run + climb * climb, np.float32(1e-12))
    t = np.clip(((x - x0) * run + (y - y0) * climb) / length2, 0.0, 1.0)
    over = np.hypot(x - x0 - t * run, y - y0 - t * climb)
    beside = np.clip(x, x0, x1)
    under = y <= y0 + (beside - x0) * (climb / np.maximum(run, np.float32(1e-9)))
    return np.asarray(np.where(under, np.abs(x - beside), over))


@lru_cache(maxsize=4)
def _draws(horizontal_m: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """(draw, 3) steps of the dish east, north, up, and (draw, knot) errors of ground, as `confidence` draws them."""
    step_m = step_draws_m(SAMPLES, Errors()) + laid_draws_m(SAMPLES, horizontal_m)
    return step_m, terrain_draws(SAMPLES)


@dataclass(frozen=True, slots=True, eq=False)
class _Noted:
    """Edges of ground that errors could bring near, by place.

    offset_rad, top_rad, slant_m, room_deg : where the edge comes nearest: azimuth offset, elevation, distance, its room
    cosine : of the ray's elevation
    tight_deg : spare room less what errors can amount to
    ends : (n, 4) both ends, to the right and upward of the ray; see `_beside_and_over`
    """

    place: Ints
    offset_rad: Floats
    top_rad: Floats
    slant_m: Floats
    room_deg: Floats
    cosine: Floats
    tight_deg: Floats
    ends: Floats

    def take(self, at: Ints) -> _Noted:
        return _Noted(*(getattr(self, f.name)[at] for f in fields(self)))


def _noted(limits: Limits, places: Places) -> _Noted:
    def widest_deg(_: Ints, away_m: Floats) -> Floats:
        return np.asarray(limits.room_at_most_deg(away_m) + limits.noted_at_most_deg(away_m))

    fan = Fan.of(limits, places)
    cells = cells_near(limits.ground.maxima, fan.sights, fan.near_m, widest_deg)
    piece = seen_pieces(fan, cells, pieces(fan, cells, Corners.of(fan, cells)))
    place = cells.place[piece.cell]
    ahead_m, aside_m, above_m = piece.edge.at(piece.nearest)
    slant_m = np.sqrt(ahead_m**2 + aside_m**2 + above_m**2)
    room_deg = limits.room_deg(slant_m)
    spare_deg, noted_deg = piece.angle_deg - room_deg, limits.noted_deg(slant_m)
    near = np.flatnonzero(spare_deg < noted_deg)
    near = near[np.argsort(place[near], kind="stable")]
    piece, place = piece.take(near), place[near]
    sine, cosine = fan.sights.sine[place], fan.sights.cosine[place]
    ends = [_beside_and_over(piece.edge.at(t), sine, cosine) for t in (piece.since, piece.until)]
    return _Noted(place, np.arctan2(aside_m, ahead_m)[near], np.arcsin(above_m / slant_m)[near], slant_m[near],
                  room_deg[near], cosine, (spare_deg - noted_deg)[near], np.concatenate(ends).T)  # fmt: skip


def _beside_and_over(point_m: tuple[Floats, Floats, Floats], sine: Floats, cosine: Floats) -> Floats:
    """(2, n): points on the plane that touches the sky at the ray, right and up of it; edges are straight there."""
    ahead_m, aside_m, above_m = point_m
    along_m = ahead_m * cosine + above_m * sine
    return np.stack([aside_m, above_m * cosine - ahead_m * sine]) / np.maximum(along_m, 1e-3)

"""Probability that stated errors leave the required room, for many places.

The Monte Carlo samples are those of `assessment/confidence.py` for a place whose only source is terrain. They are
applied to the most critical edges of cells, each moved as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skysill.assessment.error_model import Errors
from skysill.assessment.sampling import (
    SAMPLES,
    dish_offset_samples_m,
    height_error_samples,
    interpolate_knots,
    plan_offset_samples_m,
)
from skysill.bulk.cell_edges import Corners, edge_parts, parts_in_fan
from skysill.bulk.fan_results import CHUNK_PLACES, FanResults
from skysill.bulk.prefilter import Ground, Places, ScreeningQuery
from skysill.bulk.quadtree import cells_near
from skysill.bulk.thresholds import CORRELATED_CELLS, Thresholds, thresholds_for
from skysill.model.default_errors import facts_of
from skysill.units import Floats, Ints

__all__ = ["estimated_p_clear"]


def estimated_p_clear(ground: Ground, places: Places, query: ScreeningQuery) -> Floats:
    """(place,) probability that the required room is there given the stated errors, where the centre ray is free.

    It differs from `confidence` by one or two hundredths and follows its rules: errors of ground are correlated over
    L = five cells, with knots at 0, L, 2L, 4L, ... along the ray; the knot at the dish is shared.
    """
    share = np.ones(places.antenna_m.size)
    if not share.size:
        return share
    thresholds = thresholds_for(ground, query)
    step_m = dish_offset_samples_m(SAMPLES, Errors()) + plan_offset_samples_m(
        SAMPLES, facts_of(ground).horizontal_error_m
    )
    samples = _Samples(step_m, height_error_samples(SAMPLES))
    for low in range(0, share.size, CHUNK_PLACES):
        some = places.take(slice(low, low + CHUNK_PLACES))
        edges = _edges_to_sample(thresholds, some)
        ends = np.searchsorted(edges.place, np.arange(some.antenna_m.size + 1))
        for number, (since, until) in enumerate(pairwise(ends.tolist())):
            if since < until:
                kept = since + np.argsort(edges.critical_deg[since:until], kind="stable")[:_MAX_EDGES]
                share[low + number] = _share_with_room(
                    edges.take(kept), samples, ground, some.azimuth_deg[number]
                )
    return share


_MAX_EDGES = 24


@dataclass(frozen=True, slots=True, eq=False)
class _Samples:
    """Errors as `confidence` draws them.

    step_m : (sample, 3) shifts of the dish east, north, up, metres
    knots : (sample, knot) errors of ground in standard deviations
    """

    step_m: NDArray[np.float32]
    knots: NDArray[np.float32]


def _share_with_room(edges: _SampledEdges, samples: _Samples, ground: Ground, azimuth_deg: float) -> float:
    """Share of the samples in which all of one place's edges leave the room, on the tangent plane of the sky."""
    step_m, knots = samples.step_m, samples.knots
    azimuth = np.deg2rad(azimuth_deg) + edges.offset_rad
    ahead_m, aside_m = (np.asarray(part, np.float32) for part in (
        step_m[:, :2] @ np.stack([np.sin(azimuth), np.cos(azimuth)]),
        step_m[:, :2] @ np.stack([np.cos(azimuth), -np.sin(azimuth)]),
    ))  # fmt: skip
    slant_m, level_m = (
        edges.slant_m.astype(np.float32),
        (edges.slant_m * np.cos(edges.top_rad)).astype(np.float32),
    )
    sine, cosine = (part(edges.top_rad).astype(np.float32) for part in (np.sin, np.cos))
    raised = (ahead_m * sine - step_m[:, 2:] * cosine) / slant_m
    unit = interpolate_knots(knots, level_m / (CORRELATED_CELLS * ground.cell_size_m)) - knots[:, :1]
    raised += unit * np.arctan(np.float32(ground.vertical_error_m) * cosine / slant_m)
    turned = -aside_m / level_m * edges.cosine.astype(np.float32)
    away = _distance_to_region(edges.ends.T.astype(np.float32), -turned, -raised)
    return float((away >= np.tan(np.deg2rad(edges.room_deg))).all(axis=1).mean())


def _distance_to_region(ends: NDArray[Any], x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
    """(sample, n) distance from points of a plane to the region under segments.

    ends : (4, n) x and y of one end, x and y of the other; x, y : (sample, n)
    """
    x0, y0, x1, y1 = np.where(ends[0] <= ends[2], ends, ends[[2, 3, 0, 1]])
    run, climb = x1 - x0, y1 - y0
    length2 = np.maximum(run * run + climb * climb, np.float32(1e-12))
    t = np.clip(((x - x0) * run + (y - y0) * climb) / length2, 0.0, 1.0)
    over = np.hypot(x - x0 - t * run, y - y0 - t * climb)
    beside = np.clip(x, x0, x1)
    under = y <= y0 + (beside - x0) * (climb / np.maximum(run, np.float32(1e-9)))
    return np.asarray(np.where(under, np.abs(x - beside), over))


@dataclass(frozen=True, slots=True, eq=False)
class _SampledEdges:
    """Edges of ground that errors could bring near, sorted by place.

    offset_rad, top_rad, slant_m, room_deg : at the nearest point: azimuth offset, elevation, distance, required room
    cosine : of the ray's elevation
    critical_deg : excess margin less the largest effect of errors
    ends : (n, 4) both ends on the tangent plane: right and up of one, right and up of the other
    """

    place: Ints
    offset_rad: Floats
    top_rad: Floats
    slant_m: Floats
    room_deg: Floats
    cosine: Floats
    critical_deg: Floats
    ends: Floats

    def take(self, at: Ints) -> _SampledEdges:
        return _SampledEdges(*(getattr(self, f.name)[at] for f in fields(self)))


def _edges_to_sample(thresholds: Thresholds, places: Places) -> _SampledEdges:
    """The parts of edges that stated errors could bring into the required room."""

    def angle_limit_deg(_: Ints, away_m: Floats) -> Floats:
        return np.asarray(thresholds.room_bound_deg(away_m) + thresholds.sampled_bound_deg(away_m))

    results = FanResults.of(thresholds, places)
    cells = cells_near(thresholds.ground.maxima, results.frames, results.near_m, angle_limit_deg)
    part = parts_in_fan(results, cells, edge_parts(results, cells, Corners.of(results, cells)))
    place = cells.place[part.cell]
    ahead_m, aside_m, above_m = part.edge.at(part.nearest)
    slant_m = np.sqrt(ahead_m**2 + aside_m**2 + above_m**2)
    room_deg = thresholds.room_deg(slant_m)
    excess_deg, sampled_deg = part.angle_deg - room_deg, thresholds.sampled_deg(slant_m)
    near = np.flatnonzero(excess_deg < sampled_deg)
    near = near[np.argsort(place[near], kind="stable")]
    part, place = part.take(near), place[near]
    sine, cosine = results.frames.sine[place], results.frames.cosine[place]
    ends = [_on_tangent_plane(part.edge.at(t), sine, cosine) for t in (part.since, part.until)]
    return _SampledEdges(place, np.arctan2(aside_m, ahead_m)[near], np.arcsin(above_m / slant_m)[near], slant_m[near],
                  room_deg[near], cosine, (excess_deg - sampled_deg)[near], np.concatenate(ends).T)  # fmt: skip


def _on_tangent_plane(point_m: tuple[Floats, Floats, Floats], sine: Floats, cosine: Floats) -> Floats:
    """(2, n): points on the tangent plane of the sky at the ray, to the right of it and above it."""
    ahead_m, aside_m, above_m = point_m
    along_m = ahead_m * cosine + above_m * sine
    return np.stack([aside_m, above_m * cosine - ahead_m * sine]) / np.maximum(along_m, 1e-3)

"""The probability that the required room is there, from stated errors of compass, clinometer, distance and terrain.

Seeded sampling: every sample shifts every column by random errors and works out the clearance again. How each
column shifts is in `sampling`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from skysill.assessment.clearance import column_margin_deg
from skysill.assessment.error_model import Errors, UncertainSilhouette
from skysill.assessment.sampling import (
    SAMPLES,
    SEED,
    dish_offset_samples_m,
    nearest_share,
    position_order,
    sample_shifts,
    sigma_bound_deg,
)
from skysill.assessment.search_window import NEAREST_M, window_half_deg
from skysill.horizon.silhouette import Silhouette
from skysill.model.link import Link, Ray
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats, Ints, wrap_180

__all__ = [
    "ALONE_NAMES",
    "SAMPLES",
    "SEED",
    "Confidence",
    "Errors",
    "UncertainSilhouette",
    "confidence",
    "deciding_columns",
]

_MOST_COLUMNS = 48
_WIDE_STEP_DEG = 0.5
"""Step of the outer azimuths of a window (`search_window.window_azimuths_deg`)."""


@dataclass(frozen=True, slots=True)
class Confidence:
    """p_clear, its own standard error, the error that matters most and how far that alone moves the room."""

    p_clear: float
    standard_error: float
    dominant: str | None = None
    dominant_deg: float | None = None


_ERROR_NAMES = {
    "bearing_deg": "compass",
    "inclination_deg": "clinometer",
    "distance_fraction": "measured distance",
    "position_m": "dish position",
    "height_m": "dish height",
    "obstacle_m": "obstacle survey",
    "growth_fraction": "tree growth",
    "terrain": "elevation raster",
    "unread": "width between readings",
}


ALONE_NAMES = tuple(_ERROR_NAMES[name] for name in ("position_m", "height_m", "terrain"))
"""Errors that move terrain, in the order in which the larger of two equal ones is named."""


def confidence(
    uncertain_silhouettes: Sequence[UncertainSilhouette],
    ray: Ray,
    *,
    link: Link,
    errors: Errors,
    samples: int = SAMPLES,
    explain: bool = True,
    enough: float = 0.0,
) -> Confidence:
    """The probability that the required room is there, given the stated errors.

    Parameters
    ----------
    uncertain_silhouettes : every source's columns, from one dish centre
    samples : draws; the same inputs give the same answer (fixed seed)
    explain : also find the error that matters most
    enough : where some sources leave less probability than this, the others are not asked: the answer is then too high
        and still less than this

    Returns
    -------
    Confidence
    """
    near = deciding_columns(uncertain_silhouettes, ray, link=link, errors=errors)
    if not near:
        return Confidence(1.0, 0.0)
    spare_deg = _spares(near, ray, link, errors, samples, enough)
    share = float((spare_deg >= 0.0).mean())
    standard_error = float(np.sqrt(max(share * (1.0 - share), 1e-12) / samples))
    if not explain or share > 0.995 or share < 0.005:
        return Confidence(share, standard_error)
    alone = {name: float(_spares(near, ray, link, _only(errors, name), 256).std()) for name in _ERROR_NAMES}
    dominant = max(alone, key=lambda name: alone[name])
    return Confidence(share, standard_error, _ERROR_NAMES[dominant], alone[dominant])


def deciding_columns(
    uncertain_silhouettes: Sequence[UncertainSilhouette],
    ray: Ray,
    *,
    link: Link,
    errors: Errors,
) -> tuple[UncertainSilhouette, ...]:
    """Every source with only the columns that could decide in some draw; `confidence` answers the same from these."""
    near = [_near_columns(w, ray, link, errors) for w in uncertain_silhouettes]
    return tuple(w for w in near if len(w.silhouette))


def _only(errors: Errors, name: str) -> Errors:
    return replace(errors, **{f.name: 0.0 for f in fields(errors) if f.name != name})


def _distance_m(uncertain: UncertainSilhouette, link: Link) -> Floats:
    distance_m = uncertain.silhouette.distance_m
    return np.where(np.isnan(distance_m), link.assumed_distance_m, distance_m)


def _facing_edge(s: Silhouette, distance_m: Floats, ray: Ray) -> tuple[Floats, Floats]:
    """(column,) elevation and distance of the edge that faces the ray: the lower one of what hangs over it.

    distance_m : (column,) along the line of sight to the upper edge; the lower one lies at the same level distance
    """
    over = np.asarray(s.floor_deg) > ray.elevation_deg
    edge_deg = np.where(over, s.floor_deg, s.elevation_deg)
    level = np.cos(np.deg2rad(s.elevation_deg)) / np.cos(np.deg2rad(edge_deg))
    return edge_deg, distance_m * np.where(over, level, 1.0)


def _near_columns(
    uncertain: UncertainSilhouette,
    ray: Ray,
    link: Link,
    errors: Errors,
) -> UncertainSilhouette:
    """Only the columns that could decide in some sample: of each group with the same errors the critical one."""
    if uncertain.silhouette.source != "measured":
        # what was gathered for other satellites of the job must not change this one's answer
        half_deg = window_half_deg(NEAREST_M, ray.elevation_deg, link) + _WIDE_STEP_DEG
        aside_deg = np.abs(wrap_180(uncertain.silhouette.azimuth_deg - ray.azimuth_deg))
        uncertain = uncertain.kept(np.flatnonzero(aside_deg <= half_deg))
    s = uncertain.silhouette
    _, distance_m = _facing_edge(s, _distance_m(uncertain, link), ray)
    margin_deg = column_margin_deg(
        wrap_180(s.azimuth_deg - ray.azimuth_deg), ray.elevation_deg, s.elevation_deg, s.floor_deg
    )
    nearest_m = np.where(
        np.isnan(s.distance_m) & (errors.unread > 0.0), distance_m * nearest_share(errors), distance_m
    )
    spare_deg = margin_deg - room_angle_deg(nearest_m, link)
    sigma_deg = sigma_bound_deg(uncertain, errors, nearest_m)
    keep = np.flatnonzero(np.asarray(s.reliable) & (spare_deg <= 5.0 * sigma_deg))
    keep = keep[position_order(s.kept(keep), ray.azimuth_deg)]
    deviations_away = (spare_deg / np.maximum(sigma_deg, 1e-9))[keep]
    group = _group_numbers(uncertain, keep, ray, distance_m)
    order = np.argsort(deviations_away, kind="stable")
    order = order[np.sort(np.unique(group[order], return_index=True)[1])[:_MOST_COLUMNS]]
    return uncertain.kept(keep[np.sort(order)])


def _group_numbers(uncertain: UncertainSilhouette, keep: Ints, ray: Ray, distance_m: Floats) -> Ints:
    """(n,) the same number for columns with the same errors: of one feature or the same readings, at distances alike
    to a twentieth, within half a degree of each other.
    """
    s = uncertain.silhouette
    aside = np.floor(2.0 * wrap_180(s.azimuth_deg[keep] - ray.azimuth_deg)) + 400.0
    away = np.floor(20.0 * np.log(np.maximum(distance_m[keep], 0.1))) + 100.0
    number = (np.asarray(s.feature)[keep] * 1_000 + aside.astype(np.int64)) * 1_000 + away.astype(np.int64)
    if uncertain.anchors is not None:
        first, second = uncertain.anchors[keep].T.astype(np.int64)
        number = (number * 10_000 + first) * 10_000 + second
    return np.asarray(number)


def _spares(
    uncertain_silhouettes: Sequence[UncertainSilhouette],
    ray: Ray,
    link: Link,
    errors: Errors,
    samples: int,
    enough: float = 0.0,
) -> Floats:
    """(samples,) smallest spare room of each draw, degrees; the whole required angle short where the ray is met."""
    step_m = dish_offset_samples_m(samples, errors)
    least_deg = np.full(samples, np.inf)
    for uncertain in uncertain_silhouettes:
        s = uncertain.silhouette
        edge_deg, distance_m = _facing_edge(s, _distance_m(uncertain, link), ray)
        facing = replace(uncertain, silhouette=replace(s, elevation_deg=edge_deg))
        drawn = sample_shifts(facing, errors, step_m, distance_m, ray.azimuth_deg)
        offset_deg = (
            np.float32(1.0) * wrap_180(s.azimuth_deg - ray.azimuth_deg).astype(np.float32) + drawn.azimuth_deg
        )
        top_deg = s.elevation_deg.astype(np.float32) + drawn.elevation_deg + drawn.top_deg
        floor_deg = np.asarray(s.floor_deg, dtype=np.float32)
        if (floor_deg > -90.0).any():
            floor_deg = np.where(floor_deg > -90.0, floor_deg + drawn.elevation_deg, floor_deg)
        margin_deg = column_margin_deg(offset_deg, np.float32(ray.elevation_deg), top_deg, floor_deg)
        far_m = np.maximum(distance_m.astype(np.float32) * drawn.stretch, np.float32(0.1))
        spare_deg = margin_deg - room_angle_deg(far_m, link)
        least_deg = np.minimum(least_deg, spare_deg.min(axis=1))
        if (least_deg >= 0.0).mean() < enough:
            break
    return least_deg

"""Stated errors of compass, clinometer, distance, position and terrain -> the probability that the room is there.

Seeded sampling: every draw shifts every column as the errors would, and asks the real clearance question again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.clearance import column_margin_deg, room_angle_deg
from skysill.horizon.silhouette import Silhouette
from skysill.site import Criteria, Terminal
from skysill.units import Floats, Ints, wrap_180

__all__ = [
    "OWN_SHARE",
    "SAMPLES",
    "SEED",
    "Confidence",
    "Errors",
    "Witness",
    "between_knots",
    "confidence",
    "step_draws_m",
    "terrain_draws",
]

SAMPLES = 2000
"""The estimate's own standard error is sqrt(p (1 - p) / n): 0.0067 at p = 0.9."""

_SHARE_COMMON = 0.9
"""Part of a compass or clinometer error that all readings of one survey share; the rest is each reading's own.

Common practice, no source: zero error and local iron last through a survey, reading and sighting scatter do not.
"""

OWN_SHARE = (1.0 - _SHARE_COMMON**2) ** 0.5
"""The part that each reading has to itself."""

SEED = 20260614
_KNOTS = 20
_MOST_COLUMNS = 48


@dataclass(frozen=True, slots=True)
class Errors:
    """Standard deviations of what was stated.

    bearing_deg, inclination_deg : one reading of the measured horizon, common and own parts together
    distance_fraction : of a measured distance
    position_m, height_m : the dish against the plan
    obstacle_m : an obstacle's plan position and height
    growth_fraction : of a tree's growth rate
    terrain : scales the rasters' own errors (1) or leaves them out (0)
    """

    bearing_deg: float = 1.0
    inclination_deg: float = 0.5
    distance_fraction: float = 0.05
    position_m: float = 0.2
    height_m: float = 0.1
    obstacle_m: float = 0.3
    growth_fraction: float = 0.3
    terrain: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Witness:
    """One source's columns and how their errors hang together.

    anchors, weights : (column, 2), measured only: the readings each column is interpolated from
    correlation_m : terrain only: raster name -> distance over which its error stays alike
    growth_m : obstacles only: name -> metres grown by the year asked
    ground_shared : terrain only: whether the dish's own height comes from the same raster
    """

    silhouette: Silhouette
    anchors: np.ndarray | None = None
    weights: Floats | None = None
    correlation_m: Mapping[str, float] = field(default_factory=dict)
    growth_m: Mapping[str, float] = field(default_factory=dict)
    ground_shared: bool = False


@dataclass(frozen=True, slots=True)
class Confidence:
    """p_clear, its own standard error, the error that matters most and how far that alone moves the room."""

    p_clear: float
    standard_error: float
    dominant: str | None = None
    dominant_deg: float | None = None


_SPOKEN = {
    "bearing_deg": "compass",
    "inclination_deg": "clinometer",
    "distance_fraction": "measured distance",
    "position_m": "dish position",
    "height_m": "dish height",
    "obstacle_m": "obstacle survey",
    "growth_fraction": "tree growth",
    "terrain": "elevation raster",
}


def confidence(
    witnesses: Sequence[Witness],
    azimuth_deg: float,
    elevation_deg: float,
    *,
    terminal: Terminal,
    criteria: Criteria,
    errors: Errors,
    samples: int = SAMPLES,
    explain: bool = True,
) -> Confidence:
    """The probability that the required room is there, given the stated errors.

    Parameters
    ----------
    witnesses : every source's columns, from one dish centre
    azimuth_deg, elevation_deg : the ray; apparent elevation
    samples : draws; the same inputs give the same answer (fixed seed)
    explain : also find the error that matters most

    Returns
    -------
    Confidence
    """
    close = [_close(w, azimuth_deg, elevation_deg, terminal, criteria, errors) for w in witnesses]
    close = [w for w in close if len(w.silhouette)]
    if not close:
        return Confidence(1.0, 0.0)
    spare_deg = _spares(close, azimuth_deg, elevation_deg, terminal, criteria, errors, samples)
    share = float((spare_deg >= 0.0).mean())
    standard_error = float(np.sqrt(max(share * (1.0 - share), 1e-12) / samples))
    if not explain or share > 0.995 or share < 0.005:
        return Confidence(share, standard_error)
    alone = {
        name: float(
            _spares(close, azimuth_deg, elevation_deg, terminal, criteria, _only(errors, name), 256).std()
        )
        for name in _SPOKEN
    }
    dominant = max(alone, key=lambda name: alone[name])
    return Confidence(share, standard_error, _SPOKEN[dominant], alone[dominant])


def _only(errors: Errors, name: str) -> Errors:
    return replace(errors, **{f.name: 0.0 for f in fields(errors) if f.name != name})


def _close(
    witness: Witness,
    azimuth_deg: float,
    elevation_deg: float,
    terminal: Terminal,
    criteria: Criteria,
    errors: Errors,
) -> Witness:
    """Only the columns that could decide in some draw: the tightest of those that err alike, which crowd none out."""
    s = witness.silhouette
    distance_m = np.where(np.isnan(s.distance_m), criteria.assumed_distance_m, s.distance_m)
    margin_deg = column_margin_deg(
        wrap_180(s.azimuth_deg - azimuth_deg), elevation_deg, s.elevation_deg, s.floor_deg
    )
    spare_deg = margin_deg - room_angle_deg(distance_m, terminal, criteria)
    shift_m = np.hypot(errors.position_m, errors.height_m) + (
        errors.obstacle_m if s.source == "obstacle" else 0.0
    )
    sigma_deg = np.rad2deg(np.arctan2(shift_m, distance_m)) + np.asarray(s.sigma_deg)
    if s.source == "measured":
        sigma_deg = sigma_deg + np.hypot(errors.bearing_deg, errors.inclination_deg)
    keep = np.flatnonzero(np.asarray(s.assured) & (spare_deg <= 5.0 * sigma_deg))
    tight_deg = (spare_deg - 2.0 * sigma_deg)[keep]
    apart = _apart(witness, keep, azimuth_deg, distance_m)
    order = np.argsort(tight_deg, kind="stable")
    order = order[np.sort(np.unique(apart[order], return_index=True)[1])[:_MOST_COLUMNS]]
    keep = np.sort(keep[order])
    return replace(
        witness,
        silhouette=s.kept(keep),
        anchors=None if witness.anchors is None else witness.anchors[keep],
        weights=None if witness.weights is None else witness.weights[keep],
    )


def _apart(witness: Witness, keep: Ints, azimuth_deg: float, distance_m: Floats) -> Ints:
    """Which of some columns err alike (the same number): of one thing or the same readings, as far away to a twentieth,
    and within half a degree of each other.
    """
    s = witness.silhouette
    aside = np.floor(2.0 * wrap_180(s.azimuth_deg[keep] - azimuth_deg)) + 400.0
    away = np.floor(20.0 * np.log(np.maximum(distance_m[keep], 0.1))) + 100.0
    number = (np.asarray(s.thing)[keep] * 1_000 + aside.astype(np.int64)) * 1_000 + away.astype(np.int64)
    if witness.anchors is not None:
        first, second = witness.anchors[keep].T.astype(np.int64)
        number = (number * 10_000 + first) * 10_000 + second
    return np.asarray(number)


def _spares(
    witnesses: Sequence[Witness],
    azimuth_deg: float,
    elevation_deg: float,
    terminal: Terminal,
    criteria: Criteria,
    errors: Errors,
    samples: int,
) -> Floats:
    """(samples,) smallest spare room of each draw, degrees; the whole required angle short where the ray is met."""
    rng = np.random.default_rng(SEED)
    step_m = step_draws_m(rng, samples, errors)
    least_deg = np.full(samples, np.inf)
    for witness in witnesses:
        s = witness.silhouette
        shift_az, shift_el, stretch = _drawn(witness, errors, rng, samples)
        distance_m = np.where(np.isnan(s.distance_m), criteria.assumed_distance_m, s.distance_m)
        parallax_az, parallax_el = _parallax_deg(s, distance_m, step_m)
        shift_el = shift_el + parallax_el
        offset_deg = _single(wrap_180(s.azimuth_deg - azimuth_deg)) + shift_az + parallax_az
        top_deg, floor_deg = _single(s.elevation_deg) + shift_el, _single(s.floor_deg)
        if (floor_deg > -90.0).any():
            floor_deg = np.where(floor_deg > -90.0, floor_deg + shift_el, floor_deg)
        margin_deg = column_margin_deg(offset_deg, np.float32(elevation_deg), top_deg, floor_deg)
        room_deg = room_angle_deg(np.maximum(distance_m * stretch, 0.1), terminal, criteria)
        spare_deg = margin_deg - _single(room_deg)
        least_deg = np.minimum(least_deg, spare_deg.min(axis=1))
    return least_deg


def step_draws_m(rng: np.random.Generator, samples: int, errors: Errors) -> Any:
    """(samples, 3) how far the dish stands off its place: east, north, up."""
    slip_m = np.array([errors.position_m, errors.position_m, errors.height_m], dtype=np.float32)
    return _normal(rng, samples, 3) * slip_m


def _single(values: ArrayLike) -> Any:
    return np.asarray(values, dtype=np.float32)


def _normal(rng: np.random.Generator, samples: int, count: int) -> Any:
    """(samples, count) standard normal draws, single precision: a hundred-thousandth of a degree is ample here."""
    return rng.standard_normal(size=(samples, count), dtype=np.float32)


def _parallax_deg(silhouette: Silhouette, distance_m: Floats, step_m: Floats) -> tuple[Floats, Floats]:
    """Shift of each column's direction when the dish stands `step_m` (samples, 3) off; small-step form."""
    azimuth_rad = _single(np.deg2rad(silhouette.azimuth_deg))
    elevation_rad = _single(np.deg2rad(silhouette.elevation_deg))
    distance_m = _single(distance_m)
    east_m, north_m, up_m = (step_m[:, i : i + 1] for i in range(3))
    level_m = np.maximum(distance_m * np.cos(elevation_rad), np.float32(0.2))
    ahead_m = east_m * np.sin(azimuth_rad) + north_m * np.cos(azimuth_rad)
    aside_m = east_m * np.cos(azimuth_rad) - north_m * np.sin(azimuth_rad)
    rise_m = ahead_m * np.sin(elevation_rad) - up_m * np.cos(elevation_rad)
    return np.rad2deg(np.arctan2(-aside_m, level_m)), np.rad2deg(np.arctan2(rise_m, distance_m))


def _drawn(
    witness: Witness, errors: Errors, rng: np.random.Generator, samples: int
) -> tuple[Floats, Floats, Floats]:
    """Azimuth shift, elevation shift (degrees) and distance factor of every column in every draw."""
    if witness.silhouette.source == "measured":
        return _drawn_readings(witness, errors, rng, samples)
    if witness.silhouette.source == "terrain":
        return _drawn_terrain(witness, errors, rng, samples)
    return _drawn_obstacles(witness, errors, rng, samples)


def _drawn_readings(
    witness: Witness, errors: Errors, rng: np.random.Generator, samples: int
) -> tuple[Floats, Floats, Floats]:
    s = witness.silhouette
    anchors = np.zeros((len(s), 2), dtype=int) if witness.anchors is None else witness.anchors
    weights = _single(np.tile([1.0, 0.0], (len(s), 1)) if witness.weights is None else witness.weights)
    used, at = np.unique(anchors, return_inverse=True)
    at = at.reshape(anchors.shape)

    def one(sigma: float) -> Floats:
        common = _normal(rng, samples, 1) * sigma * _SHARE_COMMON
        own = _normal(rng, samples, used.size) * sigma * OWN_SHARE
        return np.asarray(common + own[:, at[:, 0]] * weights[:, 0] + own[:, at[:, 1]] * weights[:, 1])

    stretch = 1.0 + _normal(rng, samples, used.size) * errors.distance_fraction
    known = ~np.isnan(s.distance_m)
    return (
        one(errors.bearing_deg),
        one(errors.inclination_deg),
        np.where(known, stretch[:, at[:, 0]], np.float32(1.0)),
    )


def _drawn_terrain(
    witness: Witness, errors: Errors, rng: np.random.Generator, samples: int
) -> tuple[Floats, Floats, Floats]:
    """Height errors alike over the correlation length: knots at 0, L, 2L, 4L, ... along the ray, joined straight.

    The knot at the dish is shared when its own height comes from the raster, so that near ground, which is as
    wrong as the ground it stands on, hardly tilts.
    """
    s = witness.silhouette
    level_m = s.distance_m * np.cos(np.deg2rad(s.elevation_deg))
    shift_el: Any = np.zeros((samples, len(s)), dtype=np.float32)
    for index, thing in enumerate(s.things):
        mine = np.flatnonzero(s.thing == index)
        length_m = witness.correlation_m.get(thing.name, 150.0)
        draws = terrain_draws(rng, samples) * errors.terrain
        if not mine.size:
            continue
        unit = between_knots(draws, level_m[mine] / length_m)
        if witness.ground_shared:
            unit = unit - draws[:, :1]
        shift_el[:, mine] = unit * _single(s.sigma_deg)[mine]
    return np.zeros((1, len(s)), dtype=np.float32), shift_el, np.ones((1, len(s)))


def terrain_draws(rng: np.random.Generator, samples: int) -> Any:
    """(samples, knot) errors of ground at the dish and at 1, 2, 4, ... correlation lengths, in standard deviations."""
    return _normal(rng, samples, _KNOTS)


def between_knots(draws: Any, along: Any) -> Any:
    """(samples, n) errors at distances in correlation lengths, joined straight from knot to knot."""
    at = np.append(0.0, 2.0 ** np.arange(draws.shape[1] - 1))
    upper = np.clip(np.searchsorted(at, along, side="right"), 1, at.size - 1)
    share = _single((along - at[upper - 1]) / (at[upper] - at[upper - 1]))
    return draws[:, upper - 1] * (1 - share) + draws[:, upper] * share


def _drawn_obstacles(
    witness: Witness, errors: Errors, rng: np.random.Generator, samples: int
) -> tuple[Floats, Floats, Floats]:
    s = witness.silhouette
    aside_m = _normal(rng, samples, len(s.things)) * errors.obstacle_m
    grown_m = np.array([witness.growth_m.get(thing.name, 0.0) for thing in s.things])
    height_m = _normal(rng, samples, len(s.things)) * _single(
        np.hypot(errors.obstacle_m, errors.growth_fraction * grown_m)
    )
    turn = _single(np.cos(np.deg2rad(s.elevation_deg)))
    level_m = np.maximum(_single(s.distance_m) * turn, np.float32(0.2))
    return (
        np.rad2deg(np.arctan2(aside_m[:, s.thing], level_m)),
        np.rad2deg(np.arctan2(height_m[:, s.thing] * turn, _single(s.distance_m))),
        np.ones((1, len(s))),
    )

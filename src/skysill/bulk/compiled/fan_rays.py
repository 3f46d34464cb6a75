"""The rays of a place's fan, laid over the lattice one by one when they are first asked for."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.jit import compiled
from skysill.bulk.compiled.ray_sampling import EAST, NORTH, OFF_COS, OFF_RAD, OFF_SIN, RADIUS, lay_rays

__all__ = [
    "FAN_FIELDS",
    "V_CENTRE",
    "V_LAST",
    "V_STAMP",
    "lay_fan",
    "ray_from",
    "ray_laid",
    "ray_until",
    "set_fan",
]

# fields of a fan: rays dense on either side, first and last of the wide ones (`fan_results.Window`), number of
# the ray to the satellite, last ray; place whose rays they are
V_DENSE, V_INNER, V_CENTRE, V_LAST, V_STAMP = range(5)
FAN_FIELDS = 5

_DENSE_RAD, _WIDE_RAD = np.deg2rad(0.1), np.deg2rad(0.5)
_ROUNDED = 1e-9


@compiled
def set_fan(fan: Any, dense: int, inner: int, outer: int, stamp: int) -> None:
    """Rays as in `fan_results.Window`; stamp : a number of this place's own."""
    last = dense + max(outer - inner + 1, 0)
    fan[V_DENSE], fan[V_INNER], fan[V_CENTRE], fan[V_LAST], fan[V_STAMP] = dense, inner, last, 2 * last, stamp


@compiled
def ray_from(fan: Any, off_rad: float) -> int:
    """Number of the first ray at or to the right of an azimuth offset; V_LAST + 1: there is none."""
    dense, inner, centre = fan[V_DENSE], fan[V_INNER], fan[V_CENTRE]
    step = int(np.ceil(off_rad / _DENSE_RAD - _ROUNDED))
    if step > dense:
        wide = int(np.ceil(off_rad / _WIDE_RAD - _ROUNDED))
        number = dense + 1 + max(wide - inner, 0)
    elif step >= -dense:
        number = step
    else:
        wide = int(np.ceil(off_rad / _WIDE_RAD - _ROUNDED))
        number = min(inner + wide, 1) - 1 - dense
    return int(min(max(number, -centre), centre + 1) + centre)


@compiled
def ray_until(fan: Any, off_rad: float) -> int:
    """Number of the last ray at or to the left of an azimuth offset; -1: there is none."""
    return int(2 * fan[V_CENTRE] - ray_from(fan, -off_rad))


@compiled
def ray_laid(fan: Any, place: Any, terms: Any, turns: Any, rays: Any, laid: Any, i: int) -> Any:
    """One ray; place : as in `measure`; turns : (tenth of a degree, 2) cosines and sines; laid : stamps of the
    rays."""
    ray = rays[i]
    if laid[i] == fan[V_STAMP]:
        return ray
    laid[i] = fan[V_STAMP]
    number = i - fan[V_CENTRE]
    away = abs(number)
    tenths = away if away <= fan[V_DENSE] else 5 * (fan[V_INNER] + away - fan[V_DENSE] - 1)
    sign = -1.0 if number < 0 else 1.0
    cosine, sine = turns[tenths, 0], sign * turns[tenths, 1]
    ray[OFF_RAD], ray[OFF_COS], ray[OFF_SIN] = sign * np.deg2rad(0.1 * tenths), cosine, sine
    azimuth_sin, azimuth_cos, curve_east, curve_north = place
    east, north = azimuth_sin * cosine + azimuth_cos * sine, azimuth_cos * cosine - azimuth_sin * sine
    ray[EAST], ray[NORTH] = east, north
    ray[RADIUS] = 1.0 / (north * north * curve_north + east * east * curve_east)
    lay_rays(rays[i : i + 1], 1, terms)
    return ray


@compiled
def lay_fan(fan: Any, place: Any, terms: Any, turns: Any, rays: Any, laid: Any) -> None:
    """All rays of a fan."""
    for i in range(fan[V_LAST] + 1):
        ray_laid(fan, place, terms, turns, rays, laid, i)

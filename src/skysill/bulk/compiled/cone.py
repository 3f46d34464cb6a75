"""Angles between a ray to a satellite and ground beside it, in radians.

The ray has the apparent elevation E. Ground on a ray of the fan that is seen at a slope s and stands at the azimuth
offset o has the direction (cos o, sin o, s), not of unit length. It obstructs its azimuth up to that slope.
"""

from __future__ import annotations

import numpy as np

from skysill.bulk.compiled.jit import in_place

__all__ = ["margin_and_slant", "room_tangent", "sight", "tangent_of_sum", "within"]


@in_place
def sight(distance_m: float, elevation_m: float, eye_m: float, radius_m: float) -> float:
    """Slope at which ground is seen; see `horizon.rays.sight_slope`."""
    theta = distance_m / radius_m
    square = theta * theta
    sagging = square * (0.5 - square * (1 / 24 - square / 720))
    level = theta * (1.0 - square * (1 / 6 - square * (1 / 120 - square / 5040)))
    return ((elevation_m - eye_m) / (radius_m + elevation_m) - sagging) / level


@in_place
def margin_and_slant(
    slope: float,
    distance_m: float,
    elevation_m: float,
    radius_m: float,
    off_cos: float,
    off_sin: float,
    cosine: float,
    sine: float,
) -> tuple[float, float]:
    """Angle from the ray to ground at a slope and all below it; distance along the line of sight.

    cosine, sine : of E
    """
    slant_m = (radius_m + elevation_m) * np.sin(distance_m / radius_m) * np.sqrt(1.0 + slope * slope)
    if (
        off_cos > 0.0 and slope * cosine * off_cos >= sine
    ):  # it reaches over the point of its azimuth nearest to the ray
        beside = cosine * abs(off_sin)
        return np.arcsin(min(beside, 1.0)), slant_m
    forward = off_cos * cosine + slope * sine
    up = slope * cosine - off_cos * sine
    return np.arctan2(np.sqrt(off_sin * off_sin + up * up), forward), slant_m


@in_place
def room_tangent(slant_m: float, half_dish_m: float, zone: float) -> float:
    """Tangent of the angle of the required room; zone : Fresnel fraction times the root of the wavelength."""
    return float((half_dish_m + zone * np.sqrt(slant_m)) / slant_m)


@in_place
def tangent_of_sum(first: float, second: float) -> float:
    """Tangent of the sum of two angles below 90 degrees, given by their tangents; inf from 89.9 degrees on."""
    rest = 1.0 - first * second
    total = first + second
    return np.inf if rest <= 0.0017 * abs(total) else total / rest


@in_place
def within(slope: float, off_cos: float, off_sin: float, cosine: float, sine: float, tangent: float) -> bool:
    """Whether ground at a slope lies nearer to the ray than an angle, given by its tangent; inf: it does."""
    if tangent <= 0.0:
        return False
    if tangent == np.inf:
        return True
    if off_cos > 0.0 and slope * cosine * off_cos >= sine:
        beside = cosine * off_sin
        return beside * beside < (1.0 - beside * beside) * tangent * tangent
    forward = off_cos * cosine + slope * sine
    if forward <= 0.0:
        return False
    up = slope * cosine - off_cos * sine
    return off_sin * off_sin + up * up < forward * forward * tangent * tangent

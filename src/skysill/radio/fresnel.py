"""The first Fresnel zone, the room that a ray needs, and the loss behind an edge.

Satellite paths only: the far end is so distant that d1 d2 / (d1 + d2) is d1, the distance from the dish.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skysill.units import Floats, wavelength_m

__all__ = [
    "aperture_loss_db",
    "first_fresnel_radius_m",
    "knife_edge_field",
    "knife_edge_loss_db",
    "required_angle_deg",
    "required_room_m",
]

_MOST_NODES = 1 << 17


def first_fresnel_radius_m(distance_m: ArrayLike, *, frequency_ghz: ArrayLike) -> Floats:
    """Radius of the first Fresnel ellipsoid at a distance from the dish.

    Parameters
    ----------
    distance_m : (...) float >= 0, along the ray
    frequency_ghz : broadcast with distance_m

    Returns
    -------
    (...) float, metres

    Notes
    -----
    sqrt(lambda d): ITU-R P.526-8 (2003), section 2, eq. (2) with n = 1 and d2 -> infinity.

    >>> first_fresnel_radius_m([6.0, 2000.0], frequency_ghz=19.7).round(3)
    array([0.302, 5.517])
    """
    return np.sqrt(wavelength_m(frequency_ghz) * np.asarray(distance_m, dtype=np.float64))


def required_room_m(
    distance_m: ArrayLike,
    *,
    dish_diameter_m: ArrayLike,
    frequency_ghz: ArrayLike,
    fresnel_fraction: ArrayLike = 0.6,
) -> Floats:
    """Free room the centre ray needs at a distance from the dish.

    Parameters
    ----------
    distance_m : (...) float > 0, along the ray
    dish_diameter_m, frequency_ghz, fresnel_fraction : broadcast with distance_m

    Returns
    -------
    (...) float, metres, perpendicular to the ray

    Notes
    -----
    D/2 + k F1(d): near the dish the energy fills a tube of the dish's own width, so the point-source zone alone
    would ask too little (own reasoning). The fraction k = 0.6: common practice, no source.

    >>> required_room_m([6.0, 2000.0], dish_diameter_m=1.2, frequency_ghz=19.7).round(2)
    array([0.78, 3.91])
    """
    zone_m = first_fresnel_radius_m(distance_m, frequency_ghz=frequency_ghz)
    return np.asarray(dish_diameter_m, dtype=np.float64) / 2.0 + np.asarray(fresnel_fraction) * zone_m


def required_angle_deg(
    distance_m: ArrayLike,
    *,
    dish_diameter_m: ArrayLike,
    frequency_ghz: ArrayLike,
    fresnel_fraction: ArrayLike = 0.6,
) -> Floats:
    """The required room as an angle seen from the dish centre, atan(required / d); shrinks with distance.

    Shapes and units as in `required_room_m`; degrees.

    >>> required_angle_deg([6.0, 2000.0], dish_diameter_m=1.2, frequency_ghz=19.7).round(2)
    array([7.42, 0.11])
    """
    room_m = required_room_m(
        distance_m,
        dish_diameter_m=dish_diameter_m,
        frequency_ghz=frequency_ghz,
        fresnel_fraction=fresnel_fraction,
    )
    return np.rad2deg(np.arctan2(room_m, np.asarray(distance_m, dtype=np.float64)))


def knife_edge_field(nu: ArrayLike) -> NDArray[np.complex128]:
    """Field behind a knife edge over the free-space field, exact.

    Parameters
    ----------
    nu : (...) float, the dimensionless edge height; positive when the edge stands above the ray

    Returns
    -------
    (...) complex; 1 far in the open, 1/2 on the shadow line, 0 deep in the shadow

    Notes
    -----
    (1 + j)/2 * integral from nu to infinity of exp(-j pi t**2 / 2) dt, ITU-R P.526 section 4.1; its modulus is
    sqrt((1 - C - S)**2 + (C - S)**2) / 2.

    >>> abs(knife_edge_field(0.0)).round(12)
    np.float64(0.5)
    """
    nu = np.asarray(nu, dtype=np.float64)
    shadow = np.abs(nu)
    field = 0.5 * np.exp(-0.5j * np.pi * shadow**2) * _scaled_error_function(_TURN * shadow)
    return np.asarray(np.where(nu < 0.0, 1.0 - field, field))


_TURN = np.sqrt(np.pi / 2.0) * np.exp(0.75j * np.pi)


@cache
def _weideman(terms: int) -> tuple[float, Floats]:
    """Scale and coefficients of the rational series below."""
    half = 2 * terms
    scale = float(np.sqrt(terms / np.sqrt(2.0)))
    t = scale * np.tan(np.arange(-half + 1, half) * np.pi / (2 * half))
    values = np.append(0.0, np.exp(-(t**2)) * (scale**2 + t**2))
    return scale, np.real(np.fft.fft(np.fft.fftshift(values)))[1 : terms + 1][::-1] / (2 * half)


def _scaled_error_function(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """w(z) = exp(-z**2) erfc(-j z) for Im z >= 0, to about 1e-12.

    Weideman, SIAM J. Numer. Anal. 31(5), 1994, 1497-1518, 48 terms. Here rather than from scipy.special, whose
    import alone takes a third of the time a whole check may; the tests hold it to scipy's to 1e-11.
    """
    scale, coefficients = _weideman(48)
    ratio = (scale + 1j * z) / (scale - 1j * z)
    series = np.polyval(coefficients, ratio)
    return np.asarray(2.0 * series / (scale - 1j * z) ** 2 + (1.0 / np.sqrt(np.pi)) / (scale - 1j * z))


def knife_edge_loss_db(nu: ArrayLike) -> Floats:
    """Loss J(nu) behind a knife edge, decibels; exact, slightly negative where the edge's wave adds.

    ITU-R P.526 section 4.1, the exact form, not the approximation that is 0.1 dB off.

    >>> knife_edge_loss_db(0.0).round(4)
    np.float64(6.0206)
    """
    return np.asarray(-20.0 * np.log10(np.abs(knife_edge_field(nu))))


def aperture_loss_db(
    edge_height_m: float, distance_m: float, *, dish_diameter_m: float, frequency_ghz: float
) -> float:
    """Loss that a straight edge costs a dish: the knife-edge field averaged over the circular aperture.

    Parameters
    ----------
    edge_height_m : edge above the centre ray (negative when the ray is clear), perpendicular to it
    distance_m : from the dish to the edge, > 0

    Returns
    -------
    decibels; up to about 300 where nothing gets through

    Notes
    -----
    -20 log10 |mean over the aperture of F(nu(y))|, nu(y) = (h - y) sqrt(2 / (lambda d)), uniform illumination.
    The mean over a circle weighs a strip at height y by sqrt(a**2 - y**2), which is what Gauss-Chebyshev
    quadrature of the second kind integrates: nodes a cos(t), weights sin(t)**2, t = i pi / (n + 1).
    Tends to J(nu) for a small dish and to the open share of the aperture for a short wave.

    >>> round(aperture_loss_db(0.0, 50.0, dish_diameter_m=1e-4, frequency_ghz=12.0), 3)
    6.021
    """
    radius_m = dish_diameter_m / 2.0
    per_metre = np.sqrt(2.0 / (float(wavelength_m(frequency_ghz)) * distance_m))
    # phase pi nu^2 / 2 turns fastest at the far side of the aperture; sixteen nodes a turn
    turns = (abs(edge_height_m) + radius_m) * per_metre**2 * dish_diameter_m / 2.0
    nodes = int(min(_MOST_NODES, 256 + 16 * turns))
    angle_rad = np.arange(1, nodes + 1) * np.pi / (nodes + 1)
    weight = 2.0 / (nodes + 1) * np.sin(angle_rad) ** 2
    field = knife_edge_field((edge_height_m - radius_m * np.cos(angle_rad)) * per_metre)
    return float(-20.0 * np.log10(max(abs(complex((weight * field).sum())), 1e-15)))

"""Constants, each with its source, and the arithmetic of angles.

Lengths are metres, angles degrees, frequencies gigahertz. The local frame is east, north, up at the
dish, up being the normal of the WGS 84 ellipsoid.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "GEOSTATIONARY_RADIUS_M",
    "SPEED_OF_LIGHT_M_S",
    "WGS84_E2",
    "WGS84_F",
    "WGS84_SEMI_MAJOR_M",
    "Bools",
    "Floats",
    "Ints",
    "cross_track_deg",
    "direction_enu",
    "local_earth_radius_m",
    "separation_deg",
    "wavelength_m",
    "wrap_180",
    "wrap_360",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SPEED_OF_LIGHT_M_S = 299_792_458.0
"""Exact by definition of the metre (BIPM, The International System of Units, 9th ed., 2019)."""

WGS84_SEMI_MAJOR_M = 6_378_137.0
"""Semi-major axis of WGS 84 (NGA.STND.0036)."""

WGS84_F = 1.0 / 298.257223563
"""Flattening of WGS 84 (NGA.STND.0036)."""

WGS84_E2 = WGS84_F * (2.0 - WGS84_F)
"""First eccentricity squared of WGS 84, from the flattening."""

GEOSTATIONARY_RADIUS_M = 42_164_170.0
"""Radius of the geostationary orbit, (GM/omega**2)**(1/3) rounded to 10 m.

GM = 3.986004418e14 m3/s2 and omega = 7.292115e-5 rad/s (WGS 84, NGA.STND.0036, from memory) give
42 164 172 m. Any radius from 42 164.0 to 42 164.7 km gives elevations within 2e-4 degrees.
"""


def wrap_360(angle_deg: ArrayLike) -> Floats:
    """Angle brought into [0, 360).

    >>> wrap_360([-10.0, 360.0, 725.0])
    array([350.,   0.,   5.])
    """
    wrapped = np.mod(np.asarray(angle_deg, dtype=np.float64), 360.0)
    return np.where(wrapped >= 360.0, 0.0, wrapped)  # -1e-15 % 360 rounds up to 360


def wrap_180(angle_deg: ArrayLike) -> Floats:
    """Angle brought into (-180, 180].

    >>> wrap_180([190.0, -180.0, 10.0])
    array([-170.,  180.,   10.])
    """
    return 180.0 - wrap_360(180.0 - np.asarray(angle_deg, dtype=np.float64))


def direction_enu(azimuth_deg: ArrayLike, elevation_deg: ArrayLike) -> Floats:
    """Unit vector (..., 3) east, north, up of a direction given by azimuth and elevation.

    >>> direction_enu(90.0, 0.0).round(12) + 0.0
    array([1., 0., 0.])
    """
    azimuth_rad, elevation_rad = np.deg2rad(azimuth_deg), np.deg2rad(elevation_deg)
    level = np.cos(elevation_rad)
    return np.stack(
        np.broadcast_arrays(level * np.sin(azimuth_rad), level * np.cos(azimuth_rad), np.sin(elevation_rad)),
        axis=-1,
    )


def separation_deg(
    azimuth_a_deg: ArrayLike, elevation_a_deg: ArrayLike, azimuth_b_deg: ArrayLike, elevation_b_deg: ArrayLike
) -> Floats:
    """Angle between two directions on the sky, broadcast; exact for small angles too.

    Half-chord (haversine) form of spherical trigonometry.

    >>> separation_deg(0.0, 0.0, 90.0, 0.0).round(9)
    np.float64(90.0)
    """
    half_rise = np.sin(np.deg2rad(np.subtract(elevation_b_deg, elevation_a_deg)) / 2.0)
    half_turn = np.sin(np.deg2rad(np.subtract(azimuth_b_deg, azimuth_a_deg)) / 2.0)
    chord = (
        half_rise**2
        + np.cos(np.deg2rad(elevation_a_deg)) * np.cos(np.deg2rad(elevation_b_deg)) * half_turn**2
    )
    return np.asarray(np.rad2deg(2.0 * np.arcsin(np.sqrt(np.clip(chord, 0.0, 1.0)))))


def cross_track_deg(azimuth_offset_deg: ArrayLike, elevation_deg: ArrayLike) -> Floats:
    """Angle from a direction to the vertical great circle standing `azimuth_offset_deg` beside it.

    Napier's rule: sin(distance) = cos(elevation) sin(offset). Beyond 90 degrees of offset the circle's near
    half lies behind; the answer is then the distance to the zenith, 90 - elevation.
    """
    offset_rad = np.deg2rad(np.abs(wrap_180(azimuth_offset_deg)))
    level = np.cos(np.deg2rad(elevation_deg))
    beside = np.rad2deg(np.arcsin(np.clip(level * np.sin(np.minimum(offset_rad, np.pi / 2)), -1.0, 1.0)))
    return np.asarray(beside)


def local_earth_radius_m(latitude_deg: ArrayLike, azimuth_deg: ArrayLike) -> Floats:
    """Radius of curvature of WGS 84 along an azimuth (Euler's formula), broadcast, metres.

    1/R = cos(az)**2/M + sin(az)**2/N, M and N the meridian and prime-vertical radii
    (Torge & Mueller, Geodesy, 4th ed., section 4.1, from memory).

    >>> local_earth_radius_m([0.0, 90.0], 0.0).round(0)
    array([6335439., 6399594.])
    """
    sin2 = np.sin(np.deg2rad(latitude_deg)) ** 2
    azimuth_rad = np.deg2rad(azimuth_deg)
    prime_vertical = WGS84_SEMI_MAJOR_M / np.sqrt(1.0 - WGS84_E2 * sin2)
    meridian = prime_vertical * (1.0 - WGS84_E2) / (1.0 - WGS84_E2 * sin2)
    return np.asarray(1.0 / (np.cos(azimuth_rad) ** 2 / meridian + np.sin(azimuth_rad) ** 2 / prime_vertical))


def wavelength_m(frequency_ghz: ArrayLike) -> Floats:
    """Wavelength in vacuum, metres.

    >>> wavelength_m(19.7).round(6)
    np.float64(0.015218)
    """
    return np.asarray(SPEED_OF_LIGHT_M_S / (np.asarray(frequency_ghz, dtype=np.float64) * 1e9))

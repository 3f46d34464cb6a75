"""Dish centre and satellite -> look vector: where to point, how far, how the feed is turned.

Exact geometry on the WGS 84 ellipsoid; the satellite is a point on a circular equatorial orbit, or
wherever its orbit record puts it. Up is the ellipsoid's normal at the dish. Light time (0.12 s) is not
modelled: a geostationary satellite stands still in the turning frame.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.model.link import Ray
from skysill.model.site import Satellite
from skysill.pointing.orbits import as_utc, positions_ecef
from skysill.pointing.refraction import refraction_deg
from skysill.units import (
    GEOSTATIONARY_RADIUS_M,
    WGS84_F,
    WGS84_SEMI_MAJOR_M,
    Floats,
    wrap_180,
    wrap_360,
)

__all__ = [
    "LookAngles",
    "LookVector",
    "directions_to",
    "look_angles",
    "look_track",
    "look_vector",
    "polarization_tilt_deg",
]

_VERTICAL = 1e-10
"""Level share of the line of sight below which no azimuth exists: 4 mm in 38 000 km."""


@dataclass(frozen=True, slots=True)
class LookVector:
    """Direction and distance from the dish centre to one satellite.

    satellite : its name
    satellite_longitude_deg : for an object on an orbit record, the meridian it is over at time_utc
    azimuth_deg : from true north, clockwise, [0, 360); None straight above or straight below
    elevation_deg : geometric, above the plane normal to the ellipsoid at the dish
    elevation_apparent_deg : with ray bending added; clearance is judged with this one
    slant_range_m : distance from the dish centre to the satellite
    bearing_magnetic_deg, declination_deg : None unless a date was given
    polarization_tilt_deg : clockwise positive for someone behind the dish facing the satellite, (-90, 90];
        None where the azimuth is undefined and for objects on orbit records, whose attitude nobody stated
    visible : above the true horizon plane, elevation_apparent_deg > 0, whatever stands around
    time_utc : ISO 8601, for objects on orbit records
    """

    satellite: str
    satellite_longitude_deg: float
    azimuth_deg: float | None
    elevation_deg: float
    elevation_apparent_deg: float
    slant_range_m: float
    bearing_magnetic_deg: float | None
    declination_deg: float | None
    polarization_tilt_deg: float | None
    visible: bool
    time_utc: str | None = None

    @property
    def ray(self) -> Ray:
        """The ray from the dish centre, by its apparent direction."""
        return Ray(self.azimuth_deg or 0.0, self.elevation_apparent_deg)


class LookAngles(NamedTuple):
    """Azimuth (nan straight above or below), geometric elevation, slant range; arrays of one shape."""

    azimuth_deg: Floats
    elevation_deg: Floats
    slant_range_m: Floats


def _meridian_place_m(
    latitude_deg: Floats, height_m: ArrayLike, semi_major_m: float, flattening: float
) -> tuple[Floats, Floats]:
    """Distance from the Earth's axis and from the equator's plane, of a point on or above the ellipsoid."""
    eccentricity2 = flattening * (2.0 - flattening)
    latitude_rad, above_m = np.deg2rad(latitude_deg), np.asarray(height_m, dtype=np.float64)
    normal = semi_major_m / np.sqrt(1.0 - eccentricity2 * np.sin(latitude_rad) ** 2)
    return (
        np.asarray((normal + above_m) * np.cos(latitude_rad)),
        np.asarray((normal * (1.0 - eccentricity2) + above_m) * np.sin(latitude_rad)),
    )


def _angles(east_m: Floats, north_m: Floats, up_m: Floats) -> LookAngles:
    level_m = np.hypot(east_m, north_m)
    range_m = np.hypot(level_m, up_m)
    azimuth_deg = wrap_360(np.rad2deg(np.arctan2(east_m, north_m)))
    with np.errstate(invalid="ignore"):
        azimuth_deg = np.where(level_m > _VERTICAL * range_m, azimuth_deg, np.nan)
    return LookAngles(azimuth_deg, np.asarray(np.rad2deg(np.arctan2(up_m, level_m))), np.asarray(range_m))


def _seen_from(
    latitude_deg: Floats, outward_m: Floats, east_m: Floats, polar_m: Floats
) -> tuple[Floats, Floats, Floats]:
    """A vector in the site's meridian frame (from the axis, east, along the axis) -> east, north, up."""
    sin, cos = np.sin(np.deg2rad(latitude_deg)), np.cos(np.deg2rad(latitude_deg))
    return east_m, polar_m * cos - outward_m * sin, outward_m * cos + polar_m * sin


def look_angles(
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    height_m: ArrayLike,
    *,
    satellite_longitude_deg: ArrayLike,
    radius_m: ArrayLike = GEOSTATIONARY_RADIUS_M,
    semi_major_m: float = WGS84_SEMI_MAJOR_M,
    flattening: float = WGS84_F,
) -> LookAngles:
    """Azimuth, elevation and slant range to satellites on a circular equatorial orbit.

    Parameters
    ----------
    latitude_deg, longitude_deg, height_m : sites; height above the ellipsoid
    satellite_longitude_deg, radius_m : broadcast with the sites; sites (n, 1) and satellites (m,) give (n, m)
    semi_major_m, flattening : another ellipsoid, for comparison with tables made on a sphere (flattening 0)

    Returns
    -------
    LookAngles, each of the broadcast shape. azimuth_deg is nan where the satellite stands straight above or
    below. At a pole the azimuth is counted from the meridian of the longitude given.

    Notes
    -----
    Vector from site to satellite, resolved along east, north and the ellipsoid's normal (Soler & Eisemann
    1994, J. Surv. Eng. 120(3), 115-127). Heights above the sea and above the ellipsoid may be mixed: 100 m
    move the elevation by less than 2e-4 degrees.

    >>> azimuth, elevation, distance = look_angles(58.0312, -24.6541, 47.7, satellite_longitude_deg=-24.0)
    >>> azimuth.round(3), elevation.round(3), distance.round(-3)
    (np.float64(179.229), np.float64(24.057), np.float64(39152000.0))
    """
    latitude_deg = np.asarray(latitude_deg, dtype=np.float64)
    turn_rad = np.deg2rad(wrap_180(np.subtract(satellite_longitude_deg, longitude_deg)))
    axis_m, equator_m = _meridian_place_m(latitude_deg, height_m, semi_major_m, flattening)
    radius_m = np.asarray(radius_m, dtype=np.float64)
    outward_m = radius_m * np.cos(turn_rad) - axis_m
    return _angles(*_seen_from(latitude_deg, outward_m, radius_m * np.sin(turn_rad), -equator_m))


def directions_to(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, height_m: ArrayLike, *, target_ecef_m: ArrayLike
) -> LookAngles:
    """Azimuth, elevation and slant range to points in the Earth-fixed frame (WGS 84).

    Parameters
    ----------
    latitude_deg, longitude_deg, height_m : sites, broadcast with the targets
    target_ecef_m : (..., 3) float, metres

    >>> directions_to(0.0, 0.0, 0.0, target_ecef_m=[42_164_170.0, 0.0, 0.0]).elevation_deg
    array(90.)
    """
    target_m = np.asarray(target_ecef_m, dtype=np.float64)
    latitude_deg = np.asarray(latitude_deg, dtype=np.float64)
    sin, cos = np.sin(np.deg2rad(longitude_deg)), np.cos(np.deg2rad(longitude_deg))
    axis_m, equator_m = _meridian_place_m(latitude_deg, height_m, WGS84_SEMI_MAJOR_M, WGS84_F)
    outward_m = np.asarray(target_m[..., 0] * cos + target_m[..., 1] * sin - axis_m)
    east_m = np.asarray(target_m[..., 1] * cos - target_m[..., 0] * sin)
    return _angles(*_seen_from(latitude_deg, outward_m, east_m, np.asarray(target_m[..., 2] - equator_m)))


def polarization_tilt_deg(
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    height_m: ArrayLike,
    *,
    satellite_longitude_deg: ArrayLike,
    radius_m: ArrayLike = GEOSTATIONARY_RADIUS_M,
) -> Floats:
    """How far the satellite's equator-parallel field is turned against the local horizontal.

    Clockwise positive for someone behind the dish facing the satellite, folded to (-90, 90]; nan where the
    azimuth is undefined. Arguments broadcast as in `look_angles`.

    Notes
    -----
    Exact: the field's direction (east at the satellite) projected on the plane across the line of sight,
    measured there against the horizontal. The textbook short form atan(sin(dL) / tan(latitude)) is the limit
    of a satellite infinitely far away and is off by up to 0.25 degrees.

    >>> polarization_tilt_deg(51.5, -0.12, 45.0, satellite_longitude_deg=13.0, radius_m=42_164_000.0).round(4)
    np.float64(-10.1539)
    """
    latitude_deg = np.asarray(latitude_deg, dtype=np.float64)
    turn_rad = np.deg2rad(wrap_180(np.subtract(satellite_longitude_deg, longitude_deg)))
    angles = look_angles(
        latitude_deg,
        longitude_deg,
        height_m,
        satellite_longitude_deg=satellite_longitude_deg,
        radius_m=radius_m,
    )
    azimuth_rad, elevation_rad = np.deg2rad(angles.azimuth_deg), np.deg2rad(angles.elevation_deg)
    # east at the satellite, in the site's east, north, up
    east, north, up = _seen_from(latitude_deg, -np.sin(turn_rad), np.cos(turn_rad), np.asarray(0.0))
    rightward = east * np.cos(azimuth_rad) - north * np.sin(azimuth_rad)
    forward = east * np.sin(azimuth_rad) + north * np.cos(azimuth_rad)
    upward = up * np.cos(elevation_rad) - forward * np.sin(elevation_rad)
    tilt_deg = np.rad2deg(np.arctan2(-upward, rightward))
    folded = 90.0 - np.mod(90.0 - tilt_deg, 180.0)
    # a field straight up and down is +90 whatever the last bit says; and no -0.0
    return np.asarray(np.where(folded < -90.0 + 1e-9, 90.0, folded) + 0.0)


def _none_if_nan(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _iso(time_utc: dt.datetime) -> str:
    return as_utc(time_utc).isoformat().replace("+00:00", "Z")


def _declination_deg(place: tuple[float, float, float], date: dt.date | None) -> float | None:
    if date is None:
        return None
    from skysill.pointing.compass import (
        declination,  # the magnetic model is only loaded where a date was given
    )

    return float(declination(*place, date).declination_deg)


def look_vector(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    satellite: Satellite,
    *,
    date: dt.date | None = None,
    time_utc: dt.datetime | None = None,
) -> LookVector:
    """Look vector to one satellite; one below the horizon is reported like any other.

    Parameters
    ----------
    latitude_deg, longitude_deg, height_m : the dish centre; above the ellipsoid or the sea, it matters little
    satellite : a geostationary one, or an object on an orbit record
    date : of the magnetic declination; None: no magnetic bearing is given, since nobody stated when
    time_utc : needed for an object on an orbit record, not used for a geostationary satellite

    Returns
    -------
    LookVector, degrees and metres

    Raises
    ------
    InputError : a date outside the magnetic model; an orbit record without a time, or too far from it

    Notes
    -----
    Look angles: Soler & Eisemann 1994, see `look_angles`; ray bending: ITU-R P.619-5 eq. (26), see `refraction_deg`;
    polarization tilt: exact, see `polarization_tilt_deg`; all in `skysill.pointing.look_vector`.

    >>> look = look_vector(58.0312, -24.6541, 47.7, Satellite("Demo South", longitude_deg=-24.0))
    >>> round(look.azimuth_deg or 0.0, 2), round(look.elevation_apparent_deg, 2), look.visible
    (179.23, 24.1, True)
    """
    if satellite.longitude_deg is None:
        if time_utc is None:
            raise InputError(
                f'"{satellite.name}" moves, so its direction needs a time.',
                where="time",
                mend="Give a time, such as 2026-06-14T12:00Z.",
            )
        return look_track(latitude_deg, longitude_deg, height_m, satellite, times_utc=[time_utc], date=date)[
            0
        ]
    place = (float(latitude_deg), float(longitude_deg), float(height_m))
    angles = look_angles(*place, satellite_longitude_deg=satellite.longitude_deg)
    tilt_deg = polarization_tilt_deg(*place, satellite_longitude_deg=satellite.longitude_deg)
    declination_deg = _declination_deg(place, date)
    return _as_look_vector(
        angles,
        name=satellite.name,
        over_longitude_deg=satellite.longitude_deg,
        height_m=place[2],
        tilt_deg=float(tilt_deg),
        declination_deg=declination_deg,
    )


def with_declination(look: LookVector, declination_deg: float) -> LookVector:
    """The same look vector with its magnetic bearing at a declination, east positive."""
    magnetic_deg = None if look.azimuth_deg is None else float(wrap_360(look.azimuth_deg - declination_deg))
    return replace(look, declination_deg=declination_deg, bearing_magnetic_deg=magnetic_deg)


def _as_look_vector(
    angles: LookAngles,
    *,
    name: str,
    over_longitude_deg: float,
    height_m: float,
    tilt_deg: float,
    declination_deg: float | None,
    time_utc: dt.datetime | None = None,
) -> LookVector:
    azimuth_deg, elevation_deg = _none_if_nan(float(angles.azimuth_deg)), float(angles.elevation_deg)
    apparent_deg = elevation_deg + float(refraction_deg(elevation_deg, height_m))
    return LookVector(
        satellite=name,
        satellite_longitude_deg=float(over_longitude_deg),
        azimuth_deg=azimuth_deg,
        elevation_deg=elevation_deg,
        elevation_apparent_deg=apparent_deg,
        slant_range_m=float(angles.slant_range_m),
        bearing_magnetic_deg=(
            None
            if azimuth_deg is None or declination_deg is None
            else float(wrap_360(azimuth_deg - declination_deg))
        ),
        declination_deg=declination_deg,
        polarization_tilt_deg=_none_if_nan(tilt_deg),
        visible=apparent_deg > 0.0,
        time_utc=None if time_utc is None else _iso(time_utc),
    )


def look_track(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    satellite: Satellite,
    *,
    times_utc: Sequence[dt.datetime],
    date: dt.date | None = None,
) -> tuple[LookVector, ...]:
    """Look vectors to one satellite at several times, one entry a time.

    Parameters
    ----------
    latitude_deg, longitude_deg, height_m : the dish centre; above the ellipsoid or the sea, it matters little
    satellite : a geostationary one stands still: its entries differ only in their time
    times_utc : (n,) times; without a zone they are read as UTC
    date : of the magnetic declination; None: no magnetic bearing is given

    Returns
    -------
    (n,) LookVector, degrees and metres

    Raises
    ------
    InputError : a date outside the magnetic model; an orbit record too far from a time (see `orbits.positions_ecef`)

    >>> south, times = Satellite("Demo South", longitude_deg=-24.0), [dt.datetime(2026, 6, 14, 12)]
    >>> [look.time_utc for look in look_track(58.0312, -24.6541, 47.7, south, times_utc=times)]
    ['2026-06-14T12:00:00Z']
    """
    if satellite.orbit is None:
        still = look_vector(latitude_deg, longitude_deg, height_m, satellite, date=date)
        return tuple(replace(still, time_utc=_iso(time)) for time in times_utc)
    place = (float(latitude_deg), float(longitude_deg), float(height_m))
    declination_deg = _declination_deg(place, date)
    ecef_m = positions_ecef(satellite.orbit, times_utc)
    over_deg = np.rad2deg(np.arctan2(ecef_m[:, 1], ecef_m[:, 0]))
    angles = directions_to(*place, target_ecef_m=ecef_m)
    return tuple(
        _as_look_vector(
            LookAngles(*(field[at] for field in angles)),
            name=satellite.name,
            over_longitude_deg=float(over_deg[at]),
            height_m=place[2],
            tilt_deg=float("nan"),
            declination_deg=declination_deg,
            time_utc=time,
        )
        for at, time in enumerate(times_utc)
    )

"""Position of the sun, its passages of an azimuth or a direction, and the refraction of its light.

Good to 0.01 degrees from 1900 to 2099, from the formulas of the ERFA library; no file is needed. UT1 is taken as
UTC, which costs at most 0.004 degrees and usually a tenth of that.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.pointing.look_vector import LookAngles, directions_to
from skysill.pointing.orbits import as_utc, julian_date
from skysill.units import Floats, direction_enu, wrap_180

__all__ = [
    "SUN_HALF_WIDTH_DEG",
    "Approaches",
    "check_sun_times",
    "closest_approaches",
    "optical_refraction_deg",
    "sun_angles",
    "sun_at_azimuth",
    "sun_direction",
    "sun_ecef_m",
    "sunlight_elevation_deg",
]

SUN_HALF_WIDTH_DEG = 0.25
"""Half the sun's apparent width as rounded in interference planning (0.262 to 0.272 degrees in fact)."""

_SAMPLE_DAYS = 1.0 / 144.0


def sun_ecef_m(midnight: Floats, fraction: Floats | float = 0.0) -> Floats:
    """The sun's apparent position in the Earth-fixed frame (WGS 84 axes).

    Parameters
    ----------
    midnight, fraction : (n,) two-part Julian dates of UTC, split anywhere; one part alone is good to 1e-4 s

    Returns
    -------
    (n, 3) float, metres

    Notes
    -----
    ERFA: Earth ephemeris (epv00, once a day and between days by cubics), aberration (ab), IAU 2000B
    precession-nutation (c2t00b: within 0.004 arcseconds of 2006/2000A, with a twentieth of its terms). Light takes
    500 s from the sun, which hardly moves in that time: only the aberration of the moving Earth is corrected.
    """
    import erfa

    steps = erfa.leap_seconds.get()
    starts = [dt.date(row["year"], row["month"], 1).toordinal() + 1_721_424.5 for row in steps]
    tai_minus_utc_s = np.concatenate([[10.0], steps["tai_utc"]])
    terrestrial = (
        fraction + (tai_minus_utc_s[np.searchsorted(starts, midnight, "right")] + 32.184) / erfa.DAYSEC
    )
    place_au, velocity = _earth(midnight, terrestrial)
    distance_au = np.linalg.norm(place_au, axis=-1, keepdims=True)
    velocity = velocity * (erfa.DAU / erfa.DAYSEC / erfa.CMPS)
    slowing = np.sqrt(1.0 - (velocity**2).sum(axis=-1))
    apparent = erfa.ab(-place_au / distance_au, velocity, distance_au[..., 0], slowing)
    turn = erfa.c2t00b(midnight, terrestrial, midnight, fraction, 0.0, 0.0)
    return np.asarray(erfa.rxp(turn, apparent) * (distance_au * erfa.DAU))


_FIRST_DAY = 2_415_020.5
_BLOCK_DAYS = 64


def _earth(midnight: Floats, terrestrial: Floats) -> tuple[Floats, Floats]:
    """(n, 3) place of the Earth from the sun, au, and (n, 3) velocity from the barycentre, au a day.

    Cubics through places and velocities at midnights: within 0.0002 arcseconds of the series that they come from.
    """
    days = np.asarray((midnight - _FIRST_DAY) + terrestrial)
    if not days.size:
        return np.empty((0, 3)), np.empty((0, 3))
    day = np.floor(days)
    blocks, which = np.unique(day // _BLOCK_DAYS, return_inverse=True)
    known = np.stack([_earth_at_midnights(int(block)) for block in blocks])
    number = (day % _BLOCK_DAYS).astype(int)
    before, after = known[which, number], known[which, number + 1]
    t = (days - day)[:, None, None]
    place_0, place_1, speed_0, speed_1 = before[:, 0], after[:, 0], before[:, 1], after[:, 1]
    place = (
        (1.0 + 2.0 * t) * (1.0 - t) ** 2 * place_0
        + t * (1.0 - t) ** 2 * speed_0
        + t**2 * (3.0 - 2.0 * t) * place_1
        + t**2 * (t - 1.0) * speed_1
    )
    speed = (
        6.0 * t * (t - 1.0) * (place_0 - place_1)
        + (1.0 - t) * (1.0 - 3.0 * t) * speed_0
        + t * (3.0 * t - 2.0) * speed_1
    )
    return place[:, 0], speed[:, 1]


@lru_cache(maxsize=128)
def _earth_at_midnights(block: int) -> Floats:
    """(65, 2, 2, 3) place and velocity of the Earth, from the sun and from the barycentre, at successive midnights."""
    import erfa

    midnights = _FIRST_DAY + block * _BLOCK_DAYS + np.arange(_BLOCK_DAYS + 1.0)
    # without the warning: a block may end some days past 2099
    from_sun, from_barycentre, _ = erfa.ufunc.epv00(midnights, 0.0)
    return np.stack([[one["p"], one["v"]] for one in (from_sun, from_barycentre)]).transpose(2, 1, 0, 3)


def sun_angles(
    latitude_deg: float, longitude_deg: float, height_m: float, *, julian_utc: Floats
) -> LookAngles:
    """As `sun_direction`, at (n,) Julian dates of UTC."""
    return directions_to(latitude_deg, longitude_deg, height_m, target_ecef_m=sun_ecef_m(julian_utc))


def check_sun_times(times_utc: Sequence[dt.datetime]) -> None:
    """Raise InputError where a time is before 1900 or after 2099."""
    for time in times_utc:
        if not 1900 <= as_utc(time).year < 2100:
            raise InputError(
                f"{time:%Y-%m-%d} is outside the sun's ephemeris.",
                where="time",
                mend="Use a year from 1900 to 2099.",
            )


def sun_direction(
    times_utc: Sequence[dt.datetime], latitude_deg: float, longitude_deg: float, height_m: float
) -> LookAngles:
    """Azimuth, geometric elevation and distance of the sun's centre.

    Parameters
    ----------
    times_utc : t times; without a zone they are read as UTC
    height_m : above the ellipsoid

    Returns
    -------
    LookAngles, each (t,); as seen from the place itself, without refraction

    Raises
    ------
    InputError : a time before 1900 or after 2099

    Below, the printed example of NREL/TP-560-34302 (2008), appendix A.5: 194.34024 and 39.87205.

    >>> when = dt.datetime.fromisoformat("2003-10-17T12:30:30-07:00")
    >>> azimuth, elevation, _ = sun_direction([when], 39.742476, -105.1786, 1830.14)
    >>> azimuth.round(4), elevation.round(4)
    (array([194.3402]), array([39.8721]))
    """
    check_sun_times(times_utc)
    target_m = sun_ecef_m(*julian_date(times_utc))
    return directions_to(latitude_deg, longitude_deg, height_m, target_ecef_m=target_m)


def optical_refraction_deg(
    elevation_deg: ArrayLike, *, pressure_hpa: ArrayLike = 1010.0, temperature_c: ArrayLike = 10.0
) -> Floats:
    """Refraction of visible light: what to add to the sun's geometric elevation. Arguments broadcast.

    Saemundsson, Sky & Telescope 72 (1986), p. 70, as used by NREL/TP-560-34302, eq. (42):
    1.02' / tan(e + 10.3 / (e + 5.11)), scaled by pressure and temperature; reduced linearly to zero
    from -1 to -3 degrees.

    >>> optical_refraction_deg([0.0, 10.0, 90.0]).round(3) + 0.0
    array([0.483, 0.09 , 0.   ])
    """
    elevation_deg = np.asarray(elevation_deg, dtype=np.float64)
    limited = np.maximum(elevation_deg, -1.0)
    bent = 1.02 / (60.0 * np.tan(np.deg2rad(limited + 10.3 / (limited + 5.11))))  # NREL/TP-560-34302 eq. (42)
    density = np.divide(pressure_hpa, 1010.0) * (283.0 / np.add(temperature_c, 273.0))
    return np.asarray(np.maximum(bent, 0.0) * density * np.clip((elevation_deg + 3.0) / 2.0, 0.0, 1.0))


def sunlight_elevation_deg(elevation_deg: Floats, height_m: float) -> Floats:
    """Elevation at which sunlight arrives: refraction added, at the pressure of the height and 10 degrees Celsius.

    Pressure of the standard atmosphere, ISO 2533: 1013.25 (1 - 2.25577e-5 h)**5.25588 hPa.
    """
    pressure_hpa = 1013.25 * (1.0 - 2.25577e-5 * min(max(height_m, -500.0), 11_000.0)) ** 5.25588
    return np.asarray(elevation_deg + optical_refraction_deg(elevation_deg, pressure_hpa=pressure_hpa))


def _sun_at_midnight(midnight: Floats, longitude_deg: float) -> tuple[Floats, Floats]:
    """Declination and angle east of the site's meridian, radians, at the start of each day."""
    sun = sun_ecef_m(midnight)
    declination_rad = np.arctan2(sun[:, 2], np.hypot(sun[:, 0], sun[:, 1]))
    return declination_rad, np.arctan2(sun[:, 1], sun[:, 0]) - math.radians(longitude_deg)


def _rough_passages(place: tuple[float, float, float], azimuth_deg: float, midnight: Floats) -> Floats:
    """Julian dates, rough to a minute, at which the sun passes the vertical half plane of an azimuth.

    Sign changes at steps of ten minutes; the sun's coordinates are interpolated linearly between midnights.
    """
    declination_rad, start_rad = _sun_at_midnight(midnight, place[1])
    times = np.arange(midnight[0], midnight[-1], _SAMPLE_DAYS)
    at_rad = np.interp(times, midnight, declination_rad)
    east_rad = np.interp(times, midnight, np.unwrap(start_rad)) - 2.0 * np.pi * (times - midnight[0])
    latitude_rad, azimuth_rad = math.radians(place[0]), math.radians(azimuth_deg)
    outward, east = np.cos(at_rad) * np.cos(east_rad), np.cos(at_rad) * np.sin(east_rad)
    north = np.sin(at_rad) * math.cos(latitude_rad) - outward * math.sin(latitude_rad)
    up = np.sin(at_rad) * math.sin(latitude_rad) + outward * math.cos(latitude_rad)
    off = east * math.cos(azimuth_rad) - north * math.sin(azimuth_rad)
    ahead = east * math.sin(azimuth_rad) + north * math.cos(azimuth_rad)
    passes = (off[:-1] * off[1:] <= 0.0) & (off[:-1] != off[1:]) & (up[:-1] > -0.1) & (ahead[:-1] > -0.1)
    at = np.flatnonzero(passes)
    return np.asarray(times[at] + off[at] / (off[at] - off[at + 1]) * _SAMPLE_DAYS)


def _sine_off_plane(angles: LookAngles, azimuth_deg: float) -> Floats:
    """Sine of the angle from the sun to the vertical plane of the azimuth, positive clockwise of it."""
    sine = np.cos(np.deg2rad(angles.elevation_deg)) * np.sin(np.deg2rad(angles.azimuth_deg - azimuth_deg))
    return np.where(np.isnan(angles.azimuth_deg), 0.0, sine)  # every vertical plane contains the zenith


def sun_at_azimuth(
    place: tuple[float, float, float], *, azimuth_deg: float, midnight: Floats
) -> tuple[Floats, LookAngles]:
    """Every time at which the sun stands at an azimuth, up or down to a few degrees below the horizon.

    Parameters
    ----------
    place : latitude_deg, longitude_deg, height_m
    midnight : (day,) Julian dates of 0 h UTC, a day apart; the last ends the search

    Returns
    -------
    (n,) Julian dates of UTC in order, and the sun's angles then. In the tropics the sun may turn back in azimuth
    and pass twice a day; two passages within ten minutes of each other may be missed.
    """
    times, second = _rough_passages(place, azimuth_deg, midnight), 1.0 / 86_400.0
    first_times, angles = times, sun_angles(*place, julian_utc=times)
    for _ in range(4):  # secant steps
        off = _sine_off_plane(angles, azimuth_deg)
        change = _sine_off_plane(sun_angles(*place, julian_utc=times + 20.0 * second), azimuth_deg) - off
        steps = np.divide(off, change, out=np.zeros_like(off), where=change != 0.0)
        times = np.clip(
            times - steps * 20.0 * second, first_times - 2.0 * _SAMPLE_DAYS, first_times + 2.0 * _SAMPLE_DAYS
        )
        angles = sun_angles(*place, julian_utc=times)
    ahead = np.abs(wrap_180(angles.azimuth_deg - azimuth_deg)) < 90.0
    found = (np.abs(_sine_off_plane(angles, azimuth_deg)) < 1e-7) & ahead
    found[1:] &= np.diff(times) > second  # two first estimates that led to one passage
    return times[found], LookAngles(*(field[found] for field in angles))


class Approaches(NamedTuple):
    """Closest approach of the sun to a direction, one a day; arrays (day,).

    julian_utc : Julian date of UTC
    separation_deg : seen from the place, without refraction
    rate_deg_per_min : angular speed of the sun there
    """

    julian_utc: Floats
    separation_deg: Floats
    rate_deg_per_min: Floats


def closest_approaches(
    place: tuple[float, float, float],
    *,
    azimuth_deg: float,
    elevation_deg: float,
    midnight: Floats,
    within_deg: float = 180.0,
) -> Approaches:
    """The sun's closest approach to a direction on each day.

    Parameters
    ----------
    place : latitude_deg, longitude_deg, height_m
    azimuth_deg, elevation_deg : geometric direction
    midnight : (day,) Julian dates of 0 h UTC; each day's approach is the one in the 24 hours after it
    within_deg : days on which the sun stays further away are left out

    Notes
    -----
    The squared chord between the two directions is a parabola in time to high order; three points a minute apart
    are fitted three times.
    """
    target = direction_enu(azimuth_deg, elevation_deg)

    def chord2(times: Floats) -> Floats:
        azimuth, elevation, _ = sun_angles(*place, julian_utc=times)
        return np.asarray(((direction_enu(azimuth, elevation) - target) ** 2).sum(axis=-1))

    _, start_rad = _sun_at_midnight(midnight, place[1])
    times = midnight + np.mod(start_rad - _east_of_meridian_rad(target, place[0]), 2.0 * np.pi) / (
        2.0 * np.pi
    )
    times = times[_arc_deg(chord2(times)) < within_deg + 1.0]
    minute, curvature = 1.0 / 1440.0, np.zeros(0)
    for _ in range(3):
        before, at, after = (chord2(times + shift) for shift in (-minute, 0.0, minute))
        curvature = (after + before) / 2.0 - at
        times = times - (after - before) / (4.0 * curvature) * minute
    apart_deg = _arc_deg(chord2(times))
    kept = apart_deg <= within_deg
    return Approaches(times[kept], apart_deg[kept], np.rad2deg(np.sqrt(curvature))[kept])


def _arc_deg(chord2: Floats) -> Floats:
    return np.asarray(np.rad2deg(2.0 * np.arcsin(np.sqrt(chord2) / 2.0)))


def _east_of_meridian_rad(direction: Floats, latitude_deg: float) -> float:
    """Angle about the Earth's axis from the site's meridian to a direction given as east, north, up."""
    sin, cos = math.sin(math.radians(latitude_deg)), math.cos(math.radians(latitude_deg))
    return math.atan2(direction[0], direction[2] * cos - direction[1] * sin)

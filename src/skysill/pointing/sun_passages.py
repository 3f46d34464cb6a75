"""When the sun stands at the azimuths of many places within one day, in closed form from the sun's ephemeris."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skysill.pointing.ephemeris import check_sun_times, sun_ecef_m, sunlight_elevation_deg
from skysill.pointing.orbits import julian_date
from skysill.units import Bools, Floats

__all__ = ["sun_passages_s"]

_DAY_S = 86_400.0
_EPHEMERIS_DAYS = np.linspace(-0.25, 1.25, 7)
_DEGREE = 4
_REPEATS = 3


def sun_passages_s(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, azimuth_deg: ArrayLike, *, first_utc: dt.datetime
) -> Floats:
    """Seconds from first_utc until the sun, up, first stands at an azimuth within the 24 hours that follow.

    Parameters
    ----------
    latitude_deg, longitude_deg : (n,) WGS 84
    azimuth_deg : (n,) true azimuths; nan: none
    first_utc : without a zone it is read as UTC

    Returns
    -------
    (n,) float; nan where the sun does not reach the azimuth or is below the horizon then

    Raises
    ------
    InputError : a day before 1900 or after 2099

    Notes
    -----
    With the sun's declination d and its angle h east of the meridian, seen from latitude p, the azimuth is A where
    cos A cos d sin h + sin A sin p cos d cos h = sin A cos p sin d, hence
    sin(h + s) = tan d sin A cos p / hypot(cos A, sin A sin p) with s = atan2(sin A sin p, cos A): any text on
    spherical astronomy. Declination and the slow part of the sun's terrestrial longitude are polynomials through seven
    positions of the ephemeris, so solving the equation three times is enough. The sun's parallax (8.8 seconds of arc)
    acts along the vertical and leaves the azimuth as it is. Within 0.1 s of `ephemeris.sun_at_azimuth`.

    >>> seconds = sun_passages_s([58.0312], [-24.6541], [179.229], first_utc=dt.datetime(2026, 12, 1))
    >>> str(dt.timedelta(seconds=round(float(seconds[0]))))
    '13:24:22'
    """
    check_sun_times([first_utc])
    latitude, longitude, azimuth = np.broadcast_arrays(
        *(
            np.deg2rad(np.asarray(part, dtype=np.float64))
            for part in (latitude_deg, longitude_deg, azimuth_deg)
        )
    )
    day = _Day(*_ephemeris_polynomials(first_utc))
    found = np.full(azimuth.shape, np.nan)
    for mirrored in (False, True):
        equation = _Equation(day, latitude, longitude, azimuth, mirrored)
        days = equation.solved(np.full(azimuth.shape, 0.5))
        days = equation.solved(days - np.floor(days))
        for turns in (
            0.0,
            -1.0,
            1.0,
        ):  # a passage at the end of the day may have another one at its beginning
            near = np.abs(days - 0.5 + turns) <= 0.51
            if near.any():
                found[near] = np.fmin(found[near], equation.at(near).seen(days[near] + turns))
    return np.asarray(found * _DAY_S)


@dataclass(frozen=True, slots=True, eq=False)
class _Day:
    """Polynomials of days since its beginning, radians: declination, and longitude without the Earth's turning."""

    declination: Floats
    longitude: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Equation:
    """One of the two branches of the equation for many places; angles in radians."""

    day: _Day
    latitude: Floats
    longitude: Floats
    azimuth: Floats
    mirrored: bool

    def at(self, some: Bools) -> _Equation:
        """The same for some of the places."""
        return _Equation(
            self.day, self.latitude[some], self.longitude[some], self.azimuth[some], self.mirrored
        )

    def solved(self, days: Floats) -> Floats:
        """Days of the passage that is nearest to given ones; nan where the sun never has the azimuth."""
        sine, cosine = np.sin(self.azimuth), np.cos(self.azimuth)
        across, up = sine * np.sin(self.latitude), sine * np.cos(self.latitude)
        reach, start = np.hypot(cosine, across), np.arctan2(across, cosine)
        for _ in range(_REPEATS):
            tangent = np.tan(np.polyval(self.day.declination, days))
            with np.errstate(invalid="ignore", divide="ignore"):
                angle = np.arcsin(tangent * up / reach)
            east = (np.pi - angle if self.mirrored else angle) - start
            turns = (np.polyval(self.day.longitude, days) - self.longitude - east) / (2.0 * np.pi)
            days = days + (turns - days + 0.5) % 1.0 - 0.5
        return days

    def seen(self, days: Floats) -> Floats:
        """The passage nearest to given days, where it is within the day and the sun is up; else nan."""
        days = self.solved(days)
        declination = np.polyval(self.day.declination, days)
        east = np.polyval(self.day.longitude, days) - self.longitude - 2.0 * np.pi * days
        outward, height = np.cos(declination) * np.cos(east), np.sin(declination)
        level = np.cos(declination) * np.sin(east)
        north = height * np.cos(self.latitude) - outward * np.sin(self.latitude)
        upward = height * np.sin(self.latitude) + outward * np.cos(self.latitude)
        above = sunlight_elevation_deg(np.rad2deg(np.arcsin(np.clip(upward, -1.0, 1.0))), 0.0) > 0.0
        ahead = level * np.sin(self.azimuth) + north * np.cos(self.azimuth) > 0.0
        return np.where(above & ahead & (days >= 0.0) & (days < 1.0), days, np.nan)


def _ephemeris_polynomials(first_utc: dt.datetime) -> tuple[Floats, Floats]:
    """Declination, and longitude with the Earth's turning taken out, radians: polynomials of days from first_utc."""
    midnight, fraction = julian_date([first_utc])
    sun_m = sun_ecef_m(midnight + np.zeros(_EPHEMERIS_DAYS.size), fraction + _EPHEMERIS_DAYS)
    declination = np.arctan2(sun_m[:, 2], np.hypot(sun_m[:, 0], sun_m[:, 1]))
    turning = np.unwrap(np.arctan2(sun_m[:, 1], sun_m[:, 0]) + 2.0 * np.pi * _EPHEMERIS_DAYS)
    return (
        np.polyfit(_EPHEMERIS_DAYS, declination, _DEGREE),
        np.polyfit(_EPHEMERIS_DAYS, turning, _DEGREE),
    )

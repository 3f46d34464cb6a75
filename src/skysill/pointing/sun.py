"""The sun: its position, its crossings of the satellite's azimuth, its seasons in the beam of the dish.

The sun is a bearing mark that needs no compass. When it crosses the satellite's azimuth, the shadow of a plumb
mast lies on the pointing line; sun or shade at the dish then proves something about the path.

Times are good to 1 s, angles to 0.01 degrees (see `ephemeris`).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from skysill.errors import InputError
from skysill.model.site import Satellite
from skysill.pointing.ephemeris import (
    SUN_HALF_WIDTH_DEG,
    Approaches,
    check_sun_times,
    closest_approaches,
    optical_refraction_deg,
    sun_at_azimuth,
    sun_direction,
    sunlight_elevation_deg,
)
from skysill.pointing.look_vector import look_vector
from skysill.pointing.orbits import as_utc, julian_date
from skysill.pointing.shadows import lit_means
from skysill.units import Floats, wavelength_m

__all__ = [
    "NEAR_SUN_DEG",
    "Alignment",
    "Crossing",
    "SunNear",
    "SunPosition",
    "SunReport",
    "alignments",
    "closest_approaches",
    "interference_half_angle_deg",
    "optical_refraction_deg",
    "sun_crossings",
    "sun_direction",
    "sun_near",
    "sun_position",
    "sun_report",
]


NEAR_SUN_DEG = 10.0
"""Angle between sun and satellite below which the sun dazzles whoever looks that way: common practice, no source."""

_LONGEST_RANGE_DAYS = 3700
_YEAR_DAYS = 366


@dataclass(frozen=True, slots=True)
class SunPosition:
    """Where the sun's centre stands.

    time : UTC
    azimuth_deg : from true north, clockwise
    elevation_deg : geometric; elevation_apparent_deg : with optical refraction, as a shadow shows it
    """

    time: dt.datetime
    azimuth_deg: float
    elevation_deg: float
    elevation_apparent_deg: float


@dataclass(frozen=True, slots=True)
class Crossing:
    """The sun at the satellite's azimuth.

    time : UTC, to the nearest second
    sun_elevation_deg : apparent (optical refraction added), of the sun's centre
    lit_means : what sun or shade at the dish centre proves about the path then
    """

    time: dt.datetime
    sun_elevation_deg: float
    lit_means: str


@dataclass(frozen=True, slots=True)
class Alignment:
    """A run of days on which the sun comes into the dish's beam, seen from the dish.

    season_start, season_end : its first and last time
    peak_time, separation_deg : the closest approach of sun and satellite
    longest_outage_min : how long the sun is in the beam on the peak day
    """

    season_start: dt.datetime
    season_end: dt.datetime
    peak_time: dt.datetime
    separation_deg: float
    longest_outage_min: float


@dataclass(frozen=True, slots=True)
class SunReport:
    """The sun as it concerns one satellite.

    position : of the sun at the time asked for; None: no time was asked for
    crossings : of the satellite's azimuth while the sun is up
    alignments : seasons with the sun in the beam of the dish
    notes : what is missing, and why, in whole sentences
    """

    position: SunPosition | None
    crossings: tuple[Crossing, ...]
    alignments: tuple[Alignment, ...]
    notes: tuple[str, ...] = ()


def sun_position(
    time_utc: dt.datetime, latitude_deg: float, longitude_deg: float, height_m: float
) -> SunPosition:
    """The sun's position at one time; raises InputError before 1900 and after 2099."""
    angles = sun_direction([time_utc], latitude_deg, longitude_deg, height_m)
    return SunPosition(
        as_utc(time_utc),
        float(angles.azimuth_deg[0]),
        float(angles.elevation_deg[0]),
        float(sunlight_elevation_deg(angles.elevation_deg, height_m)[0]),
    )


def _as_datetime(julian_utc: float) -> dt.datetime:
    """To the nearest second."""
    return dt.datetime(2000, 1, 1, tzinfo=dt.UTC) + dt.timedelta(
        seconds=round((julian_utc - 2_451_544.5) * 86_400.0)
    )


def _julian(time_utc: dt.datetime) -> float:
    midnight, fraction = julian_date([time_utc])
    return float(midnight[0] + fraction[0])


def _days_between(first_utc: dt.datetime, last_utc: dt.datetime, extra_days: int) -> Floats:
    """Julian dates of the midnights from `extra_days` before the range to as many after it."""
    first_utc, last_utc = as_utc(first_utc), as_utc(last_utc)
    check_sun_times([first_utc, last_utc])
    days = (last_utc - first_utc).total_seconds() / 86_400.0
    if not 0.0 < days <= _LONGEST_RANGE_DAYS:
        raise InputError(
            f"{first_utc:%Y-%m-%d %H:%M} to {last_utc:%Y-%m-%d %H:%M} is no usable range of dates.",
            where="dates",
            mend="The end must come after the start, by at most ten years.",
        )
    (start, stop), _ = julian_date([first_utc, last_utc])
    return np.arange(start - extra_days, stop + extra_days + 1.0)


def sun_crossings(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    *,
    azimuth_deg: float,
    satellite_elevation_deg: float,
    first_utc: dt.datetime,
    last_utc: dt.datetime,
) -> tuple[Crossing, ...]:
    """Every time from first_utc to before last_utc at which the sun, up, stands at an azimuth.

    Parameters
    ----------
    azimuth_deg, satellite_elevation_deg : of the satellite, apparent elevation
    first_utc, last_utc : up to ten years apart; without a zone they are read as UTC

    Returns
    -------
    Crossings in order of time, to the nearest second; none where the sun does not reach the azimuth or is below the
    horizon then; twice on a day where, in the tropics, the sun turns back in azimuth.

    Raises
    ------
    InputError : a range that is empty, longer than ten years, or outside 1900 to 2099

    >>> noon, = sun_crossings(58.0312, -24.6541, 47.7, azimuth_deg=179.229, satellite_elevation_deg=24.1,
    ...     first_utc=dt.datetime(2026, 12, 1), last_utc=dt.datetime(2026, 12, 2))
    >>> noon.time.isoformat(), round(noon.sun_elevation_deg, 1)
    ('2026-12-01T13:24:22+00:00', 10.2)
    """
    place = (latitude_deg, longitude_deg, height_m)
    times, angles = sun_at_azimuth(
        place, azimuth_deg=azimuth_deg, midnight=_days_between(first_utc, last_utc, 1)
    )
    up_deg = sunlight_elevation_deg(angles.elevation_deg, height_m)
    wanted = (up_deg > 0.0) & (times >= _julian(first_utc)) & (times < _julian(last_utc))
    return tuple(
        Crossing(
            _as_datetime(float(time)), float(sun_deg), lit_means(float(sun_deg), satellite_elevation_deg)
        )
        for time, sun_deg in zip(times[wanted], up_deg[wanted], strict=True)
    )


def interference_half_angle_deg(*, dish_diameter_m: float, receive_ghz: float) -> float:
    """Angle between beam and sun centre below which the sun disturbs reception.

    Half the 3 dB beamwidth, 70 lambda / D for a tapered dish (from memory), plus half the sun's width.

    >>> round(interference_half_angle_deg(dish_diameter_m=1.2, receive_ghz=20.0), 2)
    0.69
    """
    return float(35.0 * wavelength_m(receive_ghz) / dish_diameter_m) + SUN_HALF_WIDTH_DEG


def alignments(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    *,
    azimuth_deg: float | None,
    elevation_deg: float,
    half_angle_deg: float,
    first_utc: dt.datetime,
    last_utc: dt.datetime,
) -> tuple[Alignment, ...]:
    """Seasons in which the sun comes within half_angle_deg of the satellite; those that touch the range, whole.

    Parameters
    ----------
    azimuth_deg, elevation_deg : of the satellite, geometric; azimuth None straight overhead
    half_angle_deg : see `interference_half_angle_deg`
    first_utc, last_utc : up to ten years apart; without a zone they are read as UTC

    Returns
    -------
    Alignments in order of time, to the nearest second; none for a satellite below the horizon. Sun and satellite
    are compared without refraction, which lifts both alike but for a tenth of a degree near the horizon.
    """
    # a season is at most two half angles long, at 0.35 degrees of declination a day
    extra_days = min(int(6.0 * half_angle_deg) + 5, 180)
    midnight = _days_between(first_utc, last_utc, extra_days)
    if elevation_deg <= 0.0:
        return ()
    near = closest_approaches(
        (latitude_deg, longitude_deg, height_m),
        azimuth_deg=0.0 if azimuth_deg is None else azimuth_deg,
        elevation_deg=elevation_deg,
        midnight=midnight,
        within_deg=half_angle_deg,
    )
    if not near.julian_utc.size:
        return ()
    gaps = np.flatnonzero(np.diff(near.julian_utc) > 1.5) + 1
    seasons = (
        _season(Approaches(*days), half_angle_deg)
        for days in zip(*(np.split(field, gaps) for field in near), strict=True)
    )
    start, stop = as_utc(first_utc), as_utc(last_utc)
    return tuple(season for season in seasons if season.season_end >= start and season.season_start < stop)


def _season(days: Approaches, half_angle_deg: float) -> Alignment:
    half_day = np.sqrt(half_angle_deg**2 - days.separation_deg**2) / days.rate_deg_per_min / 1440.0
    peak = int(np.argmin(days.separation_deg))
    return Alignment(
        season_start=_as_datetime(float(days.julian_utc[0] - half_day[0])),
        season_end=_as_datetime(float(days.julian_utc[-1] + half_day[-1])),
        peak_time=_as_datetime(float(days.julian_utc[peak])),
        separation_deg=float(days.separation_deg[peak]),
        longest_outage_min=float(2.0 * half_day[peak] * 1440.0),
    )


def sun_report(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    satellite: Satellite,
    *,
    half_angle_deg: float,
    first_utc: dt.datetime,
    last_utc: dt.datetime,
    time_utc: dt.datetime | None = None,
) -> SunReport:
    """Position of the sun, its crossings of a satellite's azimuth, and its seasons in the beam of the dish.

    What is missing is stated in the notes: no crossing while the sun is up (near the poles, or for a satellite on
    the sun's night side), a satellite straight overhead or below the horizon.

    Parameters
    ----------
    latitude_deg, longitude_deg, height_m : the dish centre
    satellite : a geostationary one
    half_angle_deg : how close to the centre of the beam the sun disturbs, see `interference_half_angle_deg`
    first_utc, last_utc : from when to before when, up to ten years apart; without a zone they are read as UTC
    time_utc : also give the position of the sun at this time

    Returns
    -------
    SunReport, degrees, times to the nearest second

    Raises
    ------
    InputError : a satellite on an orbit record; a range that is empty, longer than ten years or outside 1900 to 2099

    >>> south = Satellite("Demo South", longitude_deg=-24.0)
    >>> report = sun_report(58.0312, -24.6541, 47.7, south, half_angle_deg=0.7,
    ...                     first_utc=dt.datetime(2026, 12, 1), last_utc=dt.datetime(2026, 12, 2))
    >>> [f"{crossing.time:%H:%M}" for crossing in report.crossings], report.alignments
    (['13:24'], ())
    """
    if satellite.longitude_deg is None:
        raise InputError(
            f'"{satellite.name}" moves: the sun is compared with geostationary satellites only.',
            where="satellite",
            mend="Give a geostationary satellite by its longitude.",
        )
    place = (latitude_deg, longitude_deg, height_m)
    look = look_vector(*place, satellite)
    position = None if time_utc is None else sun_position(time_utc, *place)
    beam = alignments(
        *place,
        azimuth_deg=look.azimuth_deg,
        elevation_deg=look.elevation_deg,
        half_angle_deg=half_angle_deg,
        first_utc=first_utc,
        last_utc=last_utc,
    )
    if not look.visible or look.azimuth_deg is None:
        why = "is straight overhead, without an azimuth" if look.visible else "is below the horizon here"
        return SunReport(position, (), beam, (f"{satellite.name} {why}: the sun cannot cross it.",))
    crossings = sun_crossings(
        *place,
        azimuth_deg=look.azimuth_deg,
        satellite_elevation_deg=look.elevation_apparent_deg,
        first_utc=first_utc,
        last_utc=last_utc,
    )
    note = "Judge by the shadow at the dish centre in clear sunshine; light through leaves or twigs is shade."
    if not crossings:
        note = (
            f"From {as_utc(first_utc):%Y-%m-%d %H:%M} to {as_utc(last_utc):%Y-%m-%d %H:%M} UTC the sun is never up "
            f"at the azimuth of {satellite.name}, {look.azimuth_deg:.1f} degrees."
        )
    return SunReport(position, crossings, beam, (note,))


@dataclass(frozen=True, slots=True)
class SunNear:
    """Times at which the sun stands near the satellite, when nobody should look that way.

    satellite : its name; within_deg : what counts as near
    first_utc : start of the day; spans : first and last minute of each such time on that day
    season : the next run of such days, where this day has no such minute; None where there is none in a year
    """

    satellite: str
    within_deg: float
    first_utc: dt.datetime
    spans: tuple[tuple[dt.datetime, dt.datetime], ...]
    season: Alignment | None


def sun_near(
    place: tuple[float, float, float],
    satellite: str,
    *,
    azimuth_deg: float | None,
    elevation_deg: float,
    first_utc: dt.datetime,
    within_deg: float = NEAR_SUN_DEG,
) -> SunNear:
    """Minutes of a day at which the sun is up and near a direction; else the next season with such minutes.

    Parameters
    ----------
    place : latitude and longitude, degrees, height, m
    azimuth_deg, elevation_deg : of the satellite, apparent elevation; azimuth None straight overhead

    Raises
    ------
    InputError : before 1900 or after 2099
    """
    times = [first_utc + dt.timedelta(minutes=minute) for minute in range(24 * 60)]
    angles = sun_direction(times, *place)
    up_deg = sunlight_elevation_deg(angles.elevation_deg, place[2])
    sun_rad, mark_rad = np.deg2rad(up_deg), np.deg2rad(elevation_deg)
    turn_rad = np.deg2rad(np.asarray(angles.azimuth_deg) - (azimuth_deg or 0.0))
    cosine = np.sin(sun_rad) * np.sin(mark_rad) + np.cos(sun_rad) * np.cos(mark_rad) * np.cos(turn_rad)
    near = (np.rad2deg(np.arccos(np.clip(cosine, -1.0, 1.0))) <= within_deg) & (up_deg > -1.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], near.astype(int), [0]])))
    spans = tuple((times[start], times[stop - 1]) for start, stop in edges.reshape(-1, 2))
    if spans:
        return SunNear(satellite, within_deg, first_utc, spans, None)
    seasons = alignments(
        *place,
        azimuth_deg=azimuth_deg,
        elevation_deg=elevation_deg,
        half_angle_deg=within_deg,
        first_utc=first_utc,
        last_utc=first_utc + dt.timedelta(days=_YEAR_DAYS),
    )
    return SunNear(satellite, within_deg, first_utc, spans, seasons[0] if seasons else None)

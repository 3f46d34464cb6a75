"""Times at which the sun's shadow shows the way to a satellite.

A turn is from the shadow to the satellite, seen from above, clockwise positive: right is positive.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from skysill.errors import InputError
from skysill.pointing.look_vector import LookVector
from skysill.pointing.shadows import Shadow, shadows
from skysill.pointing.sun import sun_crossings, sun_position
from skysill.units import wrap_180

__all__ = [
    "ShadowDay",
    "SunGuide",
    "clock",
    "day_shadows",
    "local_zone",
    "shadow_days",
    "sun_guides",
]


_SUN_LOW_DEG, _SUN_HIGH_DEG = 10.0, 60.0  # shadows of 5.7 to 0.6 times the pole: long enough, sharp enough


_FIRST_HOUR, _LAST_HOUR = 8, 18


_APART = dt.timedelta(minutes=90)

_EARLIEST_HOUR, _LATEST_HOUR = 6, 20


@dataclass(frozen=True, slots=True)
class SunGuide:
    """The shadow of a plumb pole at one time, and the turn from it to the satellite.

    drift_deg_per_min : how fast the shadow turns; that is what a late or early look costs
    on_line : "away" where the shadow points straight away from the satellite, "towards" where straight to it
    """

    time: dt.datetime
    bearing_deg: float
    length_per_height: float
    turn_deg: float
    drift_deg_per_min: float
    on_line: str | None
    text: str


def local_zone(name: str | None) -> dt.tzinfo:
    """The time zone of an IANA name; UTC for None.

    Raises
    ------
    InputError : a zone nobody knows
    """
    if name is None or name.upper() == "UTC":
        return dt.UTC
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise InputError(
            f'"{name}" is not a time zone.', where="zone", mend="Write an IANA name, such as Europe/Lisbon."
        ) from None


def clock(moment: dt.datetime, zone: dt.tzinfo, *, seconds: bool = False) -> str:
    """A moment on the clocks of a zone, with the zone's letters, or its difference from UTC where it has none.

    >>> noon = dt.datetime(2026, 6, 14, 12, tzinfo=dt.UTC)
    >>> clock(noon, dt.UTC), clock(noon, ZoneInfo("Atlantic/Azores"))
    ('2026-06-14 12:00 UTC', '2026-06-14 12:00 UTC+00:00')
    """
    local = moment.astimezone(zone)
    name = local.tzname() or ""
    if not name.isalpha():
        offset = local.strftime("%z")
        name = f"UTC{offset[:3]}:{offset[3:5]}"
    return f"{local:%Y-%m-%d %H:%M:%S} {name}" if seconds else f"{local:%Y-%m-%d %H:%M} {name}"


def sun_guides(
    place: tuple[float, float, float],
    look: LookVector,
    *,
    after_utc: dt.datetime,
    zone: dt.tzinfo = dt.UTC,
    count: int = 3,
) -> tuple[SunGuide, ...]:
    """The next convenient times at which a pole's shadow shows the way.

    Convenient: between 8 and 18 o'clock in the zone, the sun 10 to 60 degrees high, on the half hour, at least
    90 minutes apart. One of them is the next moment at which the shadow lies on the pointing line itself.

    Parameters
    ----------
    place : latitude_deg, longitude_deg, height_m
    after_utc : none before this

    Returns
    -------
    At most `count` guides in order of time; fewer where the sun stays too low or too high for half a year
    """
    if look.azimuth_deg is None or not look.visible:
        return ()
    chosen: list[Shadow] = []
    for days in (4, 40, 200):
        chosen = _convenient(place, look.azimuth_deg, after_utc, days, zone, count)
        if len(chosen) == count:
            break
    return tuple(_sun_guide(place, shadow, zone) for shadow in chosen)


def day_shadows(
    place: tuple[float, float, float],
    start_utc: dt.datetime,
    *,
    zone: dt.tzinfo = dt.UTC,
    most: int = 5,
) -> tuple[SunGuide, ...]:
    """Shadows at full hours of one day, by the clocks of the zone, while the sun is 10 to 60 degrees high.

    Each one's turn is counted from north, so it is the shadow's true bearing itself.

    Parameters
    ----------
    place : latitude_deg, longitude_deg, height_m
    start_utc : when the day begins there
    most : where there are more such hours, so many are chosen from all over the day
    """
    start = start_utc.astimezone(zone)
    hours = [
        (start + dt.timedelta(minutes=quarter)).astimezone(dt.UTC)
        for quarter in range(0, 24 * 60, 15)
        if (start + dt.timedelta(minutes=quarter)).astimezone(zone).minute == 0
    ]
    usable = _fit_for_aiming(place, hours, 0.0)
    if len(usable) > most:
        usable = [usable[int(k)] for k in np.round(np.linspace(0, len(usable) - 1, most))]
    return tuple(_sun_guide(place, shadow, zone) for shadow in usable)


@dataclass(frozen=True, slots=True)
class ShadowDay:
    """One day's shadows of a plumb pole that are fit for aiming: the sun is 10 to 60 degrees high.

    date : by the clocks of the zone asked for
    on_line : when the shadow lies on the pointing line; empty where the sun is too low or too high at that moment
    hours : at full hours by those clocks, from 6 to 20 o'clock
    """

    date: dt.date
    on_line: tuple[SunGuide, ...]
    hours: tuple[Shadow, ...]


def shadow_days(
    place: tuple[float, float, float],
    look: LookVector,
    *,
    first: dt.date,
    days: int,
    zone: dt.tzinfo = dt.UTC,
) -> tuple[ShadowDay, ...]:
    """The shadows that show the way to a satellite, day by day.

    Parameters
    ----------
    place : latitude_deg, longitude_deg, height_m
    look : to a satellite that stands still
    first, days : first day, and how many, by the clocks of the zone

    Returns
    -------
    one ShadowDay a day, without shadows where the sun gives none fit for aiming; empty for a satellite below the
    horizon or straight overhead

    >>> from skysill.model.site import Satellite
    >>> from skysill.pointing.look_vector import look_vector
    >>> place = (58.0312, -24.6541, 50.0)
    >>> look = look_vector(*place, Satellite("Demo South", longitude_deg=-24.0))
    >>> [day] = shadow_days(place, look, first=dt.date(2026, 6, 14), days=1)
    >>> [f"{guide.time:%H:%M:%S}" for guide in day.on_line], len(day.hours)
    (['13:37:00'], 14)
    """
    if look.azimuth_deg is None or not look.visible:
        return ()
    start, stop = (
        dt.datetime.combine(first + dt.timedelta(days=step), dt.time(), zone).astimezone(dt.UTC)
        for step in (0, days)
    )
    lying = [
        crossing.time
        for way_deg in (look.azimuth_deg, (look.azimuth_deg + 180.0) % 360.0)
        for crossing in sun_crossings(
            *place, azimuth_deg=way_deg, satellite_elevation_deg=0.0, first_utc=start, last_utc=stop
        )
    ]
    quarters = (
        start + dt.timedelta(minutes=k) for k in range(0, int((stop - start).total_seconds()) // 60, 15)
    )
    hours = [time for time in quarters if _full_hour(time.astimezone(zone))]
    kept: dict[dt.date, tuple[list[SunGuide], list[Shadow]]] = {
        first + dt.timedelta(days=step): ([], []) for step in range(days)
    }
    for shadow in _fit_for_aiming(place, sorted(lying), look.azimuth_deg):
        kept[shadow.time.astimezone(zone).date()][0].append(_sun_guide(place, shadow, zone))
    for shadow in _fit_for_aiming(place, hours, look.azimuth_deg):
        kept[shadow.time.astimezone(zone).date()][1].append(shadow)
    return tuple(ShadowDay(date, tuple(on_line), tuple(at)) for date, (on_line, at) in kept.items())


def _full_hour(local: dt.datetime) -> bool:
    return local.minute == 0 and _EARLIEST_HOUR <= local.hour <= _LATEST_HOUR


def _fit_for_aiming(
    place: tuple[float, float, float], times: Sequence[dt.datetime], azimuth_deg: float
) -> list[Shadow]:
    """Shadows while the sun is 10 to 60 degrees high."""
    if not times:
        return []
    return [
        shadow
        for shadow in shadows(times, *place, azimuth_deg=azimuth_deg, least_elevation_deg=_SUN_LOW_DEG)
        if shadow.length_per_height >= 1.0 / np.tan(np.deg2rad(_SUN_HIGH_DEG))
    ]


def _convenient(
    place: tuple[float, float, float],
    azimuth_deg: float,
    after_utc: dt.datetime,
    days: int,
    zone: dt.tzinfo,
    count: int,
) -> list[Shadow]:
    last_utc = after_utc + dt.timedelta(days=days)
    lying = [
        crossing.time
        for way_deg in (azimuth_deg, (azimuth_deg + 180.0) % 360.0)
        for crossing in sun_crossings(
            *place,
            azimuth_deg=way_deg,
            satellite_elevation_deg=0.0,
            first_utc=after_utc,
            last_utc=last_utc,
        )
    ]
    first = after_utc.replace(minute=0, second=0, microsecond=0)
    halves = [first + dt.timedelta(minutes=30 * k) for k in range(2, 48 * days)]
    wanted = sorted(
        time for time in (*lying, *halves) if _FIRST_HOUR <= time.astimezone(zone).hour < _LAST_HOUR
    )
    if not wanted:
        return []
    usable = _fit_for_aiming(place, wanted, azimuth_deg)
    exact = set(lying)
    best = [shadow for shadow in usable if shadow.time in exact][:1]
    for shadow in usable:
        if len(best) >= count:
            break
        if all(abs(shadow.time - other.time) >= _APART for other in best):
            best.append(shadow)
    return sorted(best, key=lambda shadow: shadow.time)


def _sun_guide(place: tuple[float, float, float], shadow: Shadow, zone: dt.tzinfo) -> SunGuide:
    minute = dt.timedelta(minutes=1)
    before, after = (sun_position(shadow.time + step, *place).azimuth_deg for step in (-minute, minute))
    drift = float(wrap_180(after - before)) / 2.0
    turn_deg = shadow.turn_to_satellite_deg or 0.0
    on_line = "towards" if abs(turn_deg) < 0.05 else "away" if abs(turn_deg) > 179.95 else None
    when = clock(shadow.time, zone, seconds=on_line is not None)
    if on_line == "towards":
        where = "the shadow of a plumb pole points straight towards the satellite's azimuth"
    elif on_line == "away":
        where = (
            "the shadow of a plumb pole points straight away from the satellite's azimuth: with your back to the sun, "
            "lay a straightedge along it; its end towards the pole points to the satellite"
        )
    else:
        side = "right" if turn_deg > 0.0 else "left"
        where = f"turn {abs(turn_deg):.1f} degrees to the {side} of where the shadow of a plumb pole points"
    text = f"{when}: {where}. A minute's error turns it by {abs(drift):.1f} degrees."
    return SunGuide(shadow.time, shadow.bearing_deg, shadow.length_per_height, turn_deg, drift, on_line, text)

"""Aiming without a compass: landmarks, roof edges and walls, the sun's shadow, the tilt of the dish's face.

A turn is always from the guide to the satellite, seen from above, clockwise positive: right is positive.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from skysill.assessment.placement import Place
from skysill.errors import InputError
from skysill.geodesy.positions import bearing_and_distance
from skysill.model.job import Job
from skysill.model.site import Terminal
from skysill.pointing.look_vector import LookVector
from skysill.pointing.sun import Shadow, shadows, sun_crossings, sun_position
from skysill.pointing.survey_compass import compass_correction_of
from skysill.units import Floats, wavelength_m, wrap_180, wrap_360

__all__ = [
    "Aim",
    "FaceTilt",
    "Guide",
    "SunGuide",
    "aim",
    "beam_half_width_deg",
    "clock",
    "compass_point",
    "day_shadows",
    "face_tilt",
    "guides",
    "local_zone",
    "side_of",
    "sun_guides",
]

LANDMARK_ERROR_M = 5.0
"""How well a landmark's position is known, standard deviation: a position read off a map or from a phone.

GPS.gov gives 4.9 m for a phone under open sky (read off a page, not measured here).
"""

_MOST_EDGES = 5
_NEAR_M = 30.0
_LEAST_EDGE_M = 2.0
_SAME_DIRECTION_DEG, _SAME_THING_DEG = 0.5, 20.0
_SUN_LOW_DEG, _SUN_HIGH_DEG = 10.0, 60.0  # shadows of 5.7 to 0.6 times the pole: long enough, sharp enough
_FIRST_HOUR, _LAST_HOUR = 8, 18
_APART = dt.timedelta(minutes=90)
_POINTS = (
    "north", "north-north-east", "north-east", "east-north-east", "east", "east-south-east", "south-east",
    "south-south-east", "south", "south-south-west", "south-west", "west-south-west", "west", "west-north-west",
    "north-west", "north-north-west",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Guide:
    """Something on the spot whose direction is known.

    kind : "landmark", "ridge", "roof edge" or "wall"
    bearing_deg : true; to a landmark, or along an edge, the way of the two that is nearer to the satellite
    distance_m : to a landmark, or to the nearest part of an edge, from the mount, level
    turn_deg : from the guide to the satellite, (-180, 180], right positive
    error_deg : what the landmark's position error of `LANDMARK_ERROR_M` turns it by; None for edges
    text : the same in a sentence
    """

    name: str
    kind: str
    bearing_deg: float
    distance_m: float
    turn_deg: float
    error_deg: float | None
    text: str


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


@dataclass(frozen=True, slots=True)
class FaceTilt:
    """How the face of an offset dish leans when the beam points at the satellite.

    tilt_deg : elevation less the offset angle; positive: leant back from plumb, the face looks up;
        negative: leant forward, the upper rim overhangs
    """

    tilt_deg: float
    text: str


@dataclass(frozen=True, slots=True)
class Aim:
    """Everything that helps to point at one satellite.

    survey_bearing_deg : what the surveyor's own compass shows in the satellite's direction, as its landmarks or
        the magnetic model correct it; None without a satellite azimuth or without a compass survey
    beam_half_width_deg : so far off the signal has fallen by half
    """

    look: LookVector
    beam_half_width_deg: float
    survey_bearing_deg: float | None
    survey_bearing_source: str | None
    face: FaceTilt | None
    guides: tuple[Guide, ...]
    sun: tuple[SunGuide, ...]
    notes: tuple[str, ...] = ()


def compass_point(bearing_deg: float) -> str:
    """The nearest of the sixteen points, in words.

    >>> compass_point(203.0), compass_point(359.0)
    ('south-south-west', 'north')
    """
    return _POINTS[int(np.floor(bearing_deg / 22.5 + 0.5)) % 16]


def side_of(turn_deg: float, *, within_deg: float = 0.05) -> str:
    """A turn in words.

    >>> side_of(-23.4), side_of(0.0)
    ('23.4 degrees left of', 'straight along')
    """
    if abs(turn_deg) < within_deg:
        return "straight along"
    return f"{abs(turn_deg):.1f} degrees {'right' if turn_deg > 0.0 else 'left'} of"


def beam_half_width_deg(terminal: Terminal) -> float:
    """Half the 3 dB beamwidth at the highest frequency: 35 lambda / D, a tapered dish (from memory).

    >>> round(beam_half_width_deg(Terminal(dish_diameter_m=1.2, receive_ghz=20.0)), 2)
    0.44
    """
    highest_ghz = max(terminal.receive_ghz, terminal.transmit_ghz or 0.0)
    return float(35.0 * wavelength_m(highest_ghz) / terminal.dish_diameter_m)


def face_tilt(look: LookVector, terminal: Terminal) -> FaceTilt | None:
    """Lean of the dish's face from plumb; None where the terminal's offset angle is not known.

    The beam of an offset dish leaves `offset_angle_deg` above the normal of its face, so the normal points that
    much below the satellite. The elevation is the apparent one: that is where the ray comes from.
    """
    if terminal.offset_angle_deg is None:
        return None
    tilt_deg = look.elevation_apparent_deg - terminal.offset_angle_deg
    sums = f"{look.elevation_apparent_deg:.1f} - {terminal.offset_angle_deg:.1f}"
    if abs(tilt_deg) < 0.05:
        return FaceTilt(tilt_deg, f"The face of the dish stands plumb ({sums} degrees).")
    if tilt_deg > 0.0:
        how = "leans back from plumb, its upper rim away from the satellite"
    else:
        how = "leans forward of plumb, its upper rim overhanging towards the satellite"
    return FaceTilt(tilt_deg, f"The face of the dish {how}, by {abs(tilt_deg):.1f} degrees ({sums}).")


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


def guides(job: Job, at: Place, look: LookVector) -> tuple[Guide, ...]:
    """Landmarks, then roof and wall lines, each with the turn from it to the satellite, seen from the mount."""
    if look.azimuth_deg is None:
        return ()
    return (*_landmarks(job, at, look.azimuth_deg), *_edges(job, at, look.azimuth_deg))


def _landmarks(job: Job, at: Place, azimuth_deg: float) -> Iterator[Guide]:
    marks = job.sources.landmarks
    if not marks:
        return
    bearings, distances = bearing_and_distance(
        at.latitude_deg, at.longitude_deg, [m.latitude_deg for m in marks], [m.longitude_deg for m in marks]
    )
    for mark, bearing, distance in zip(marks, np.atleast_1d(bearings), np.atleast_1d(distances), strict=True):
        if distance < 2.0 * LANDMARK_ERROR_M:
            continue
        turn_deg = float(wrap_180(azimuth_deg - bearing))
        error_deg = float(np.rad2deg(np.arctan2(LANDMARK_ERROR_M, distance)))
        where = "Straight over" if abs(turn_deg) < 0.05 else side_of(turn_deg).capitalize()
        text = f"{where} {mark.name}, seen from the mount."
        yield Guide(mark.name, "landmark", float(bearing), float(distance), turn_deg, error_deg, text)


@dataclass(frozen=True, slots=True)
class _Edge:
    name: str
    kind: str
    ends_m: Floats  # (2, 2) east, north


def _edges(job: Job, at: Place, azimuth_deg: float) -> Iterator[Guide]:
    """The nearest straight lines, one for each direction: parallel ones say the same."""
    here = np.array([at.mount.east_m, at.mount.north_m])
    rank = {"ridge": 0, "roof edge": 1, "wall": 2}
    measured = []
    for own, edge in _all_edges(job):
        away_m = _distance_m(here, edge.ends_m)
        along = edge.ends_m[1] - edge.ends_m[0]
        if np.hypot(*along) >= _LEAST_EDGE_M and away_m <= _NEAR_M:
            measured.append((not own, rank[edge.kind], away_m, edge, float(np.rad2deg(np.arctan2(*along)))))
    taken: list[tuple[str, float]] = []
    for _, _, away_m, edge, along_deg in sorted(measured, key=lambda one: one[:3]):
        turn_deg = float(wrap_180(azimuth_deg - along_deg))
        if abs(turn_deg) > 90.0:  # the other way along the same line
            along_deg, turn_deg = along_deg + 180.0, float(wrap_180(turn_deg + 180.0))
        bearing_deg = float(wrap_360(along_deg))
        if any(
            abs(float(wrap_180(bearing_deg - other)))
            < (_SAME_THING_DEG if name == edge.name else _SAME_DIRECTION_DEG)
            for name, other in taken
        ):
            continue
        taken.append((edge.name, bearing_deg))
        text = f"{side_of(turn_deg).capitalize()} {edge.name}, looking along it to the {compass_point(bearing_deg)}."
        yield Guide(edge.name, edge.kind, bearing_deg, away_m, turn_deg, None, text)
        if len(taken) >= _MOST_EDGES:
            return


def _distance_m(here: Floats, ends_m: Floats) -> float:
    start, along = ends_m[0], ends_m[1] - ends_m[0]
    share = float(np.clip(np.dot(here - start, along) / max(float(np.dot(along, along)), 1e-12), 0.0, 1.0))
    return float(np.hypot(*(here - start - share * along)))


def _all_edges(job: Job) -> Iterator[tuple[bool, _Edge]]:
    """Every straight line given, and whether it is of the roof that the job is about."""
    if job.roof is not None:
        ridge = _ridge(np.array(job.roof.points, dtype=float).reshape(-1, 3))
        if ridge is not None:
            yield True, _Edge("the ridge line", "ridge", ridge)
        for ends in _ring(np.array(job.roof.outline, dtype=float)):
            yield True, _Edge("the roof's edge", "roof edge", ends)
    for obstacle in job.sources.scene.obstacles if job.sources.scene is not None else ():
        if obstacle.kind in ("wall", "ridge"):
            for at in range(len(obstacle.line_m) - 1):
                yield False, _Edge(obstacle.name, obstacle.kind, obstacle.line_m[at : at + 2, :2])
        elif obstacle.kind in ("building", "roof"):
            for area in obstacle.areas_m:
                ridge = _ridge(area[0]) if obstacle.kind == "roof" else None
                if ridge is not None:
                    yield False, _Edge(f"the ridge of {obstacle.name}", "ridge", ridge)
                elif obstacle.kind == "building":
                    for ends in _ring(area[0][:, :2]):
                        yield False, _Edge(f"a wall of {obstacle.name}", "wall", ends)


def _ring(outline_m: Floats) -> Iterator[Floats]:
    for at in range(len(outline_m)):
        yield outline_m[[at, (at + 1) % len(outline_m)]]


def _ridge(points_m: Floats) -> Floats | None:
    """The level line along the top of a pitched roof: its highest points, where they are two and part of more."""
    if len(points_m) < 3 or float(np.ptp(points_m[:, 2])) < 0.3:
        return None
    top = np.unique(points_m[points_m[:, 2] > points_m[:, 2].max() - 0.05, :2], axis=0)
    return top if len(top) == 2 else None


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
    usable = [
        shadow
        for shadow in shadows(hours, *place, azimuth_deg=0.0, least_elevation_deg=_SUN_LOW_DEG)
        if shadow.length_per_height >= 1.0 / np.tan(np.deg2rad(_SUN_HIGH_DEG))
    ]
    if len(usable) > most:
        usable = [usable[int(k)] for k in np.round(np.linspace(0, len(usable) - 1, most))]
    return tuple(_sun_guide(place, shadow, zone) for shadow in usable)


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
    usable = [
        shadow
        for shadow in shadows(wanted, *place, azimuth_deg=azimuth_deg, least_elevation_deg=_SUN_LOW_DEG)
        if shadow.length_per_height >= 1.0 / np.tan(np.deg2rad(_SUN_HIGH_DEG))
    ]
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


def aim(
    job: Job, at: Place, look: LookVector, *, after_utc: dt.datetime | None, zone: dt.tzinfo = dt.UTC
) -> Aim:
    """All the aiming help for one look vector.

    after_utc : the first moment at which somebody may stand there with a pole; None leaves the sun out
    """
    bearing_deg, source, notes = _survey_bearing(job, at, look)
    sun: tuple[SunGuide, ...] = ()
    if after_utc is not None and not look.time_utc:
        place = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m)
        sun = sun_guides(place, look, after_utc=after_utc, zone=zone)
        if not sun and look.visible:
            notes = (*notes, "For half a year the sun gives no shadow here that is fit for aiming.")
    return Aim(
        look=look,
        beam_half_width_deg=beam_half_width_deg(job.terminal),
        survey_bearing_deg=bearing_deg,
        survey_bearing_source=source,
        face=face_tilt(look, job.terminal),
        guides=guides(job, at, look),
        sun=sun,
        notes=notes,
    )


def _survey_bearing(
    job: Job, at: Place, look: LookVector
) -> tuple[float | None, str | None, tuple[str, ...]]:
    """The satellite's azimuth on the surveyor's own instrument, for going back to it with the same one."""
    survey = job.sources.survey
    if look.azimuth_deg is None or (survey.bearings == "true" and not _sighted(job)):
        return None, None, ()
    found = compass_correction_of(job, at.site)
    return float(wrap_360(look.azimuth_deg - found.correction_deg)), found.source, found.notes


def _sighted(job: Job) -> Sequence[object]:
    marks = [mark for mark in job.sources.landmarks if mark.measured_bearing_deg is not None]
    return [*marks, *job.sources.sun_sightings]

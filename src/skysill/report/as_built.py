"""As-built values compared with the plan, and photographs in relation to the site."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from skysill.assessment.pipeline import assess
from skysill.assessment.placement import Place
from skysill.assessment.results import Assessment, SatelliteResult, Tape
from skysill.errors import InputError
from skysill.geodesy.positions import bearing_and_distance, format_position, plan_offset
from skysill.io.as_built import AsBuilt
from skysill.io.photos import Photo
from skysill.model.job import Job
from skysill.model.site import Mount
from skysill.pointing.compass import declination, true_bearing
from skysill.pointing.dish_pointing import beam_half_width_deg, compass_point
from skysill.pointing.survey_compass import compass_correction_of
from skysill.remedies.tape_distances import tapes_to
from skysill.report.formatting import east_and_north
from skysill.siting.cables import cable_run
from skysill.units import separation_deg, wrap_180, wrap_360

__all__ = ["Built", "BuiltRow", "PhotoRecord", "built", "photo_record", "tapes_from"]

FAR_PHOTO_M = 300.0
"""A camera position farther from the site than this is doubted: it was elsewhere, or the position is wrong."""

_SAME_PLACE_M, _SAME_HEIGHT_M = 0.3, 0.1
_FAR_BUILT_M = 500.0


@dataclass(frozen=True, slots=True)
class PhotoRecord:
    """A photograph with facts about where it was taken.

    alt : a description that needs no sight of the picture
    facts, doubts : sentences
    """

    photo: Photo
    alt: str
    facts: tuple[str, ...]
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BuiltRow:
    """One quantity as text, "-" where not known. matters : the difference exceeds its tolerance."""

    quantity: str
    planned: str
    done: str
    difference: str
    matters: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Built:
    """The as-built section. anew : the result from where the dish really stands; None where it stands as planned."""

    as_built: AsBuilt
    rows: tuple[BuiltRow, ...]
    anew: SatelliteResult | None
    notes: tuple[str, ...]
    photos: tuple[PhotoRecord, ...]


def photo_record(photo: Photo, at: Place, assessment: Assessment, *, keep_location: bool) -> PhotoRecord:
    """Facts from a photo's EXIF data, in relation to the site and the satellites.

    keep_location : show its position; otherwise only its distance from the site
    """
    facts, doubts = [], list(photo.notes)
    if photo.taken is not None:
        facts.append(f"Taken {photo.taken} by the camera's clock.")
    if photo.latitude_deg is not None and photo.longitude_deg is not None:
        bearing, distance = bearing_and_distance(
            at.site.latitude_deg, at.site.longitude_deg, photo.latitude_deg, photo.longitude_deg
        )
        far_m = float(distance)
        way = "" if far_m < 1.0 else f" to the {compass_point(float(bearing))}"
        facts.append(f"Taken {_metres(far_m)} from the site{way}.")
        if keep_location:
            where = format_position(photo.latitude_deg, photo.longitude_deg, notation="hemispheres")
            facts.append(f"Camera position {where}.")
        if far_m > FAR_PHOTO_M:
            doubts.append("That is far from the site: it was taken elsewhere, or its position is wrong.")
    direction_deg = _direction_deg(photo, at, assessment, doubts)
    if direction_deg is not None:
        facts.append(f"Looking {compass_point(direction_deg)}, {direction_deg:.0f} degrees true.")
        facts.extend(_satellites_in_view(direction_deg, assessment))
    looking = "" if direction_deg is None else f", looking {compass_point(direction_deg)}"
    return PhotoRecord(photo, f"Photograph {photo.name}{looking}", tuple(facts), tuple(doubts))


def _direction_deg(photo: Photo, at: Place, assessment: Assessment, doubts: list[str]) -> float | None:
    """True direction of view; a magnetic one is corrected by the declination of the look vectors."""
    if photo.direction_deg is None or photo.direction_from == "true":
        return photo.direction_deg
    turns = [r.look.declination_deg for r in assessment.results if r.look.declination_deg is not None]
    if not turns:
        doubts.append("Its direction is magnetic and no declination is known; it is left out.")
        return None
    return float(true_bearing(photo.direction_deg, turns[0]))


def _satellites_in_view(direction_deg: float, assessment: Assessment) -> Iterator[str]:
    for result in assessment.results:
        if result.look.azimuth_deg is None or not result.look.visible:
            continue
        turn = float(wrap_180(result.look.azimuth_deg - direction_deg))
        if abs(turn) <= 30.0:
            side = "right" if turn > 0.0 else "left"
            yield f"{result.satellite.name} lies {abs(turn):.0f} degrees {side} of its middle."


def _metres(value: float) -> str:
    return f"{value / 1000.0:.1f} km" if value >= 1000.0 else f"{value:.0f} m"


def built(
    job: Job,
    mount: Mount,
    at: Place,
    assessment: Assessment,
    done: AsBuilt,
    *,
    photos: tuple[PhotoRecord, ...] = (),
) -> Built:
    """As-built values compared with the plan for their satellite.

    Raises
    ------
    InputError : the satellite or the mount named is not the one of this record
    """
    result = _planned(assessment, done)
    if done.mount is not None and done.mount != mount.name:
        raise InputError(
            f'the work was done at "{done.mount}", and this record is of "{mount.name}".',
            where=f"{done.source}, mount",
            mend="Name the same mount with --mount.",
        )
    notes: list[str] = []
    east_m, north_m = _plan(job, done)
    rows = [
        *_place_rows(mount, at, done, east_m, north_m),
        *_tape_rows(job, mount, at, done),
        *_pointing_rows(job, at, result, done, notes),
    ]
    moved = replace(
        mount,
        east_m=mount.east_m if east_m is None else east_m,
        north_m=mount.north_m if north_m is None else north_m,
        height_m=mount.height_m if done.height_m is None else done.height_m,
    )
    return Built(done, tuple(rows), _reassessed(job, mount, moved, result, notes), tuple(notes), photos)


def _planned(assessment: Assessment, done: AsBuilt) -> SatelliteResult:
    names = [result.satellite.name for result in assessment.results]
    if done.satellite is None and len(names) == 1:
        return assessment.results[0]
    if done.satellite not in names:
        what = (
            "does not say which satellite."
            if done.satellite is None
            else f'"{done.satellite}" was not asked.'
        )
        raise InputError(what, where=f"{done.source}, satellite", mend=f"Write one of: {', '.join(names)}.")
    return assessment.results[names.index(done.satellite)]


def _plan(job: Job, done: AsBuilt) -> tuple[float | None, float | None]:
    if done.latitude_deg is not None and done.longitude_deg is not None:
        east, north = plan_offset(
            job.site.latitude_deg, job.site.longitude_deg, done.latitude_deg, done.longitude_deg
        )
        return float(east), float(north)
    return done.east_m, done.north_m


def _place_rows(
    mount: Mount, at: Place, done: AsBuilt, east_m: float | None, north_m: float | None
) -> Iterator[BuiltRow]:
    planned = east_and_north(mount.east_m, mount.north_m)
    if east_m is None or north_m is None:
        yield BuiltRow("place of the mast", planned, "-", "-")
    else:
        apart_m = float(((east_m - mount.east_m) ** 2 + (north_m - mount.north_m) ** 2) ** 0.5)
        where = east_and_north(east_m, north_m)
        yield BuiltRow(
            "place of the mast",
            planned,
            where,
            f"{_metres_to_a_decimal(apart_m)} apart",
            apart_m > _SAME_PLACE_M,
        )
    built_m = done.height_m
    yield BuiltRow(
        "height of the dish centre",
        f"{mount.height_m:.2f} m",
        "-" if built_m is None else f"{built_m:.2f} m",
        "-" if built_m is None else f"{built_m - mount.height_m:+.2f} m",
        built_m is not None and abs(built_m - mount.height_m) > _SAME_HEIGHT_M,
    )


def _tape_rows(job: Job, mount: Mount, at: Place, done: AsBuilt) -> Iterator[BuiltRow]:
    """Cable run and tape distances, planned and as built, by the names of their corners."""
    route = None if job.roof is None else cable_run(job.roof, at.mount)
    if route is not None or done.cable_run_m is not None:
        limit_m, real_m = job.terminal.cable_limit_m, done.cable_run_m
        more = None if route is None or real_m is None else f"{real_m - route.length_m:+.1f} m"
        yield BuiltRow(
            "cable run",
            "-" if route is None else f"{route.length_m:.1f} m",
            "-" if real_m is None else f"{real_m:.1f} m",
            more or "-",
            real_m is not None and limit_m is not None and real_m > limit_m,
        )
    planned = {one.corner: one.distance_m for one in tapes_from(job, mount)}
    taken = {_with_article(name, planned): real_m for name, real_m in done.tape_m}
    for name in dict.fromkeys((*planned, *taken)):
        plan_m, real_m = planned.get(name), taken.get(name)
        apart_m = None if plan_m is None or real_m is None else real_m - plan_m
        yield BuiltRow(
            f"tape from {name}",
            "-" if plan_m is None else f"{plan_m:.2f} m",
            "-" if real_m is None else f"{real_m:.2f} m",
            "-" if apart_m is None else f"{apart_m:+.2f} m",
            apart_m is not None and abs(apart_m) > _SAME_PLACE_M,
        )


def tapes_from(job: Job, mount: Mount) -> tuple[Tape, ...]:
    """Two tape distances that determine a mount's position; along the roof where it stands on it."""
    on_roof = False
    if job.roof is not None:
        import shapely

        on_roof = bool(shapely.Polygon(job.roof.outline).covers(shapely.Point(mount.east_m, mount.north_m)))
    return tapes_to(job, mount.east_m, mount.north_m, on_roof=on_roof)


def _with_article(name: str, planned: dict[str, float]) -> str:
    """The name of a corner as in the plan, where it was written down without its article."""
    return f"the {name}" if f"the {name}" in planned else name


def _metres_to_a_decimal(value: float) -> str:
    return f"{value:.1f} m" if value < 1000.0 else f"{value / 1000.0:.1f} km"


def _pointing_rows(
    job: Job, at: Place, result: SatelliteResult, done: AsBuilt, notes: list[str]
) -> Iterator[BuiltRow]:
    """Azimuth in the reference it was written down in, elevation, polarisation; half the beamwidth is the tolerance."""
    look, half_deg = result.look, beam_half_width_deg(job.terminal)
    reference = _reference(job, at, done)
    azimuth_deg = None if done.azimuth_deg is None else float(wrap_360(done.azimuth_deg + reference.turn_deg))
    turn = None
    if azimuth_deg is not None and look.azimuth_deg is not None:
        turn = float(wrap_180(azimuth_deg - look.azimuth_deg))
    # a turn about the vertical moves the beam by less, the higher it points
    swing = max(float(np.cos(np.deg2rad(look.elevation_apparent_deg))), 0.02)
    yield BuiltRow(
        f"azimuth, {reference.words}",
        _degrees(
            None if look.azimuth_deg is None else float(wrap_360(look.azimuth_deg - reference.turn_deg))
        ),
        _degrees(done.azimuth_deg),
        "-" if turn is None else f"{turn:+.1f}° of ±{half_deg / swing:.1f}°",
        turn is not None and abs(turn) * swing > half_deg,
    )
    rise = None if done.elevation_deg is None else done.elevation_deg - look.elevation_apparent_deg
    yield BuiltRow(
        "elevation",
        _degrees(look.elevation_apparent_deg),
        _degrees(done.elevation_deg),
        "-" if rise is None else f"{rise:+.1f}° of ±{half_deg:.1f}°",
        rise is not None and abs(rise) > half_deg,
    )
    if azimuth_deg is not None and done.elevation_deg is not None and look.azimuth_deg is not None:
        off_deg = float(
            separation_deg(look.azimuth_deg, look.elevation_apparent_deg, azimuth_deg, done.elevation_deg)
        )
        if off_deg > half_deg:
            notes.append(
                f"As written down, the dish points {off_deg:.1f} degrees beside {result.satellite.name}; half its beam "
                f"is {half_deg:.1f} degrees. With a good signal the scale or the compass is off, not the dish."
            )
    if job.terminal.polarization == "linear" or done.polarization_tilt_deg is not None:
        plan, real = look.polarization_tilt_deg, done.polarization_tilt_deg
        apart = None if plan is None or real is None else real - plan
        yield BuiltRow(
            "polarisation tilt", _degrees(plan), _degrees(real), "-" if apart is None else f"{apart:+.1f}°"
        )
    if done.signal is not None:
        yield BuiltRow("signal", "-", f"{done.signal:g} {done.signal_unit}".strip(), "-")


def _degrees(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}°"


@dataclass(frozen=True, slots=True)
class _Reference:
    """The reference of an azimuth: true = written + turn_deg."""

    turn_deg: float
    words: str


def _reference(job: Job, at: Place, done: AsBuilt) -> _Reference:
    """The reference of the as-built azimuth: as the file says; never guessed after a compass survey.

    Raises
    ------
    InputError : the file does not say and the survey was taken with a compass; or the magnetic model has no date
    """
    survey = job.sources.survey
    bearings = done.bearings
    if not bearings:
        if done.azimuth_deg is not None and survey.bearings != "true":
            raise InputError(
                "azimuth_deg does not say what it counts from, and the survey's bearings are not true.",
                where=f"{done.source}, bearings",
                mend='Write bearings = "survey" (the survey\'s compass), "magnetic" or "true".',
            )
        bearings = "true"
    if bearings == "true":
        return _Reference(0.0, "true")
    if bearings == "survey":
        return _Reference(compass_correction_of(job, at.site).correction_deg, "on the survey's compass")
    date: dt.date | None = done.date or job.date
    if date is None:
        raise InputError("a magnetic azimuth needs a date.", where=f"{done.source}, date")
    found = declination(at.latitude_deg, at.longitude_deg, min(at.antenna_elevation_m, 9000.0), date)
    return _Reference(found.declination_deg, "magnetic")


def _reassessed(
    job: Job, mount: Mount, moved: Mount, result: SatelliteResult, notes: list[str]
) -> SatelliteResult | None:
    """The result from where the dish really stands, where that differs from the plan."""
    apart_m = ((moved.east_m - mount.east_m) ** 2 + (moved.north_m - mount.north_m) ** 2) ** 0.5
    if apart_m <= _SAME_PLACE_M and abs(moved.height_m - mount.height_m) <= _SAME_HEIGHT_M:
        return None
    if apart_m > _FAR_BUILT_M:
        notes.append(
            f"The place written down is {_metres_to_a_decimal(apart_m)} from the plan: it is not assessed. Check it."
        )
        return None
    try:
        return assess(replace(job, satellites=(result.satellite,)), moved, explain=False).results[0]
    except InputError as fault:
        notes.append(f"From where it stands it cannot be assessed: {fault}")
        return None

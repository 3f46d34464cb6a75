"""The field sheet as plain data: which azimuths to measure, why, and at which spacing.

`sheet_page` puts it into words; `html` and `sheet_pdf` make files of those. The CSV is made here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from skysill.assessment.cautions import cautions_for, sun_cautions
from skysill.assessment.evidence import Evidence, gather_evidence
from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.pipeline import horizon_profile
from skysill.assessment.placement import Place, place
from skysill.errors import InputError
from skysill.geodesy.positions import bearing_and_distance, format_position, offset_position
from skysill.horizon.silhouette import Profile
from skysill.model.job import Job
from skysill.model.readings import Readings
from skysill.model.site import Mount, Site
from skysill.pointing.compass import declination
from skysill.pointing.look_vector import LookVector, look_vector
from skysill.pointing.sun_guides import SunGuide, day_shadows, sun_guides
from skysill.pointing.survey_compass import compass_correction_of
from skysill.radio.required_room import room_angle_deg
from skysill.report.formatting import east_and_north
from skysill.report.sheet_rows import SheetRow, Window, covered_azimuths, magnetic, rows_asked, window_for
from skysill.report.survey_gaps import still_missing
from skysill.units import Bools, Floats

__all__ = ["AtMount", "FieldSheet", "MarkRow", "field_sheet", "horizon_csv"]

_SAME_POSITION_M = 0.5
_ROOMS_AT_M = (5.0, 10.0, 20.0, 50.0, 200.0)


@dataclass(frozen=True, slots=True)
class MarkRow:
    """A landmark with the bearings that the instrument should show."""

    name: str
    azimuth_deg: float
    bearing_magnetic_deg: float | None
    distance_m: float


@dataclass(frozen=True, slots=True)
class AtMount:
    """The position in the site's plan that takes fewer readings, and their number."""

    east_m: float
    north_m: float
    readings: int


@dataclass(frozen=True, slots=True)
class FieldSheet:
    """All that goes on a field sheet.

    site, mount, date : what it is for, and the day of the visit
    position, geo_uri : of the site, written
    bearings : what the azimuths of the table count from, as the site file has it; declination_deg : between the two
    windows : azimuths around each satellite that decide; rows : what to read, one entry an azimuth
    landmarks : bearings that check the compass
    sun : shadows whose true bearing checks the compass, those of the day of the visit where it has any
    instrument : where to stand, in words
    equipment, how, cautions, notes : in whole sentences
    zone : time zone of the sun's times
    at_mount : the same survey from beside the mount, where that takes fewer readings
    taken : the readings that a revisit adds to, as typed; None for a new survey
    """

    site: Site
    mount: Mount
    date: dt.date | None
    position: str
    geo_uri: str
    bearings: Literal["true", "magnetic"]
    declination_deg: float | None
    windows: tuple[Window, ...]
    rows: tuple[SheetRow, ...]
    landmarks: tuple[MarkRow, ...]
    sun: tuple[SunGuide, ...]
    instrument: str
    equipment: tuple[str, ...]
    how: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())
    zone: dt.tzinfo = field(default=dt.UTC, metadata={"json": False})
    at_mount: AtMount | None = None
    taken: Readings | None = field(default=None, metadata={"json": False})


def field_sheet(
    job: Job,
    mount: Mount,
    *,
    sun_after_utc: dt.datetime | None = None,
    zone: dt.tzinfo = dt.UTC,
    revisit: bool = False,
) -> FieldSheet:
    """What to measure at a site, beyond what rasters and obstacles already cover.

    Parameters
    ----------
    job : its satellites, landmarks, rasters and obstacles
    mount : usually one of job.mounts
    sun_after_utc : shadows may check the compass from then on; None leaves them out
    zone : time zone of the sun's times
    revisit : ask only for what the readings in the job still lack; otherwise they are ignored, for a new survey

    Returns
    -------
    FieldSheet, for `sheet_html`, `sheet_pdf` and `horizon_csv`

    Raises
    ------
    InputError : the survey's bearings are relative (the bearing of their zero mark is not known in advance), or
        a revisit has no readings

    >>> from skysill import field_sheet, read_site_file
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> len(field_sheet(job, job.mounts[0]).rows)
    27
    """
    survey, whole, taken = job.sources.survey, job, job.sources.readings
    notes = _checked(job, revisit)
    job = prepared(replace(job, sources=replace(job.sources, readings=None)))
    at = place(job, mount)
    turn_deg, turn_notes = _declination(job, at)
    notes.extend(turn_notes)
    here = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m)
    looks = [look_vector(*here, one, date=job.date) for one in job.satellites if one.orbit is None]
    notes.extend(
        f"{one.name} moves: its azimuths are not on this sheet." for one in job.satellites if one.orbit
    )
    evidence = gather_evidence(job, at, looks, context=JobContext())
    windows = tuple(window_for(job, at, evidence, look, turn_deg) for look in looks)
    known = _known(job, notes)
    counted_from_deg = turn_deg or 0.0 if survey.bearings == "magnetic" else 0.0
    coverage = covered_azimuths(job, at, evidence, looks)
    if revisit:
        turn_deg, rows = _revisit_rows(whole, mount, windows, looks, known, coverage)
    else:
        rows = rows_asked(windows, known, turn_deg, counted_from_deg, coverage)
    sun = () if sun_after_utc is None or not looks else _shadows(here, sun_after_utc, zone)
    return FieldSheet(
        site=at.site,
        mount=at.mount,
        date=job.date,
        position=format_position(at.site.latitude_deg, at.site.longitude_deg, notation="hemispheres"),
        geo_uri=format_position(at.site.latitude_deg, at.site.longitude_deg, notation="geo"),
        bearings="magnetic" if survey.bearings == "magnetic" else "true",
        declination_deg=turn_deg,
        windows=windows,
        rows=rows,
        landmarks=tuple(_landmark_rows(job, turn_deg)),
        sun=sun,
        instrument=_instrument(job),
        equipment=_EQUIPMENT,
        how=_how(job),
        cautions=(*_cautions(job, at), *(one.text for one in sun_cautions(here, looks, sun_after_utc, zone))),
        notes=tuple(dict.fromkeys((*notes, *evidence.notes))),
        zone=zone,
        at_mount=None if revisit else _at_mount(job, at, evidence, looks, counted_from_deg, len(rows)),
        taken=taken if revisit else None,
    )


def _checked(job: Job, revisit: bool) -> list[str]:
    """Notes about the readings that the job has already.

    Raises
    ------
    InputError : relative bearings; a revisit without readings
    """
    if job.sources.survey.bearings == "relative":
        raise InputError(
            "a sheet cannot be made for relative bearings.", where="bearings", mend="Use true or magnetic."
        )
    taken = job.sources.readings
    if revisit and taken is None:
        raise InputError(
            "a revisit completes a survey, and there are no readings yet.",
            where="--revisit",
            mend="Give them with --horizon or under [survey], or make a sheet without --revisit.",
        )
    if taken is None or revisit:
        return []
    return [
        f"The readings of {taken.source} are left aside for this new survey; --revisit asks only for what they lack."
    ]


def _cautions(job: Job, at: Place) -> tuple[str, ...]:
    found = cautions_for(
        at.mount,
        scene=job.sources.scene,
        terminal=job.terminal,
        roof=job.roof,
        ground_elevation_m=at.site.ground_elevation_m,
        survey=job.sources.survey,
    )
    return tuple(one.text for one in found)


def _revisit_rows(
    job: Job,
    mount: Mount,
    windows: tuple[Window, ...],
    looks: list[LookVector],
    known: Profile | None,
    coverage: list[tuple[LookVector, Floats, Bools]],
) -> tuple[float, tuple[SheetRow, ...]]:
    """The correction of the survey's bearings to true north, and the rows that its readings still lack."""
    job = prepared(job)
    at = place(job, mount)
    found = compass_correction_of(job, at.site).correction_deg
    fresh = rows_asked(windows, known, found, found, coverage)
    rows = still_missing(
        job,
        gather_evidence(job, at, looks, context=JobContext()),
        windows,
        looks,
        fresh,
        [seen for *_, seen in coverage],
        correction_deg=found,
    )
    return found, rows


def _at_mount(
    job: Job, at: Place, evidence: Evidence, looks: list[LookVector], counted_from_deg: float, here: int
) -> AtMount | None:
    """The number of readings from the mount; None where it is not smaller, or the instrument stands there."""
    east_m, north_m = at.mount.east_m, at.mount.north_m
    survey = job.sources.survey
    if np.hypot(east_m - survey.east_m, north_m - survey.north_m) < _SAME_POSITION_M:
        return None
    there = replace(job, sources=replace(job.sources, survey=replace(survey, east_m=east_m, north_m=north_m)))
    windows = tuple(window_for(there, at, evidence, look, None) for look in looks)
    count = len(
        rows_asked(windows, None, None, counted_from_deg, covered_azimuths(there, at, evidence, looks))
    )
    return AtMount(east_m, north_m, count) if count < here else None


_EQUIPMENT = (
    "this sheet on a board, pencil",
    "sighting compass, away from iron, cars and phones",
    "clinometer, its zero checked by sighting both ways along a level line",
    "laser rangefinder or tape",
    "camera with its position switched on",
    "a straight pole and a plumb line; a clock set to the second",
)


def _how(job: Job) -> tuple[str, ...]:
    gap_deg = job.sources.survey.max_gap_deg
    beside_deg = float(room_angle_deg(2.0, job.link))
    room_deg = room_angle_deg(_ROOMS_AT_M, job.link)
    rooms = ", ".join(
        f"{angle:.1f} degrees at {d:g} m" for d, angle in zip(_ROOMS_AT_M, room_deg, strict=True)
    )
    return (
        "Sight the top of whatever stands highest in each direction: roof, tree, wire, hill. Open sky down to a flat "
        "horizon is a reading too: write 0.",
        "Distance: along the line of sight, above all within 100 m. Only readings with a distance can be carried to a "
        "dish that stands lower or aside.",
        "Kind: tree, hedge, building, ground or other. Leaf, for trees and hedges: in-leaf or bare.",
        "Where something begins or ends between two rows, write its edge on an empty row. What stands 2 m away matters "
        f"up to {beside_deg:.0f} degrees beside a satellite: add rows for it too.",
        "Where a near edge stands before a higher, farther one, read the one that needs the higher line: add to its "
        f"elevation {rooms}, and compare.",
        f"A row left empty counts as not measured; two readings more than {gap_deg:g} degrees apart leave a gap.",
        "Take the bearing of each landmark, and of a pole's shadow, with the same compass from the same place. They go "
        "into the site file: measured_bearing_deg of the landmark; [[sun_sightings]] with time and shadow_bearing_deg.",
    )


def _declination(job: Job, at: Place) -> tuple[float | None, tuple[str, ...]]:
    if job.date is None:
        return None, ()
    try:
        found = declination(
            at.site.latitude_deg, at.site.longitude_deg, at.site.ground_elevation_m or 0.0, job.date
        )
    except InputError as fault:
        if job.sources.survey.bearings == "magnetic":
            raise
        return None, (f"No magnetic bearings: {fault}",)
    return found.declination_deg, found.notes


def _known(job: Job, notes: list[str]) -> Profile | None:
    """The horizon known so far, at each whole degree of true azimuth, seen from the instrument."""
    survey = job.sources.survey
    if not job.sources.rasters and job.sources.scene is None:
        return None
    eye = Mount(
        "instrument", east_m=survey.east_m, north_m=survey.north_m, height_m=survey.instrument_height_m
    )
    try:
        return horizon_profile(job, eye, np.arange(0.0, 360.0))[0]
    except InputError as fault:
        notes.append(f"What is known already is not shown: {fault}")
        return None


def _landmark_rows(job: Job, turn_deg: float | None) -> Iterable[MarkRow]:
    marks, survey = job.sources.landmarks, job.sources.survey
    if not marks:
        return
    here = offset_position(job.site.latitude_deg, job.site.longitude_deg, survey.east_m, survey.north_m)
    bearings, distances = bearing_and_distance(
        float(here[0]), float(here[1]), [m.latitude_deg for m in marks], [m.longitude_deg for m in marks]
    )
    for mark, bearing, distance in zip(marks, np.atleast_1d(bearings), np.atleast_1d(distances), strict=True):
        yield MarkRow(mark.name, float(bearing), magnetic(float(bearing), turn_deg), float(distance))


def _shadows(
    here: tuple[float, float, float], after_utc: dt.datetime, zone: dt.tzinfo
) -> tuple[SunGuide, ...]:
    """Shadows for checking the compass, on the day of the visit or, where the sun is too low or high, on later days.

    They are computed for azimuth 0, so their turn is the true bearing.
    """
    today = day_shadows(here, after_utc, zone=zone)
    if today:
        return today
    north = LookVector("north", 0.0, 0.0, 45.0, 45.0, 0.0, None, None, None, True)
    return sun_guides(here, north, after_utc=after_utc, zone=zone)


def _instrument(job: Job) -> str:
    survey = job.sources.survey
    where = "at the site's position"
    if survey.east_m or survey.north_m:
        at = east_and_north(survey.east_m, survey.north_m, digits=None, between=" and ")
        where = f"{at} of the site's position"
    return f"{where}, eye {survey.instrument_height_m:g} m above the ground"


def horizon_csv(sheet: FieldSheet) -> str:
    """The measured-horizon table to be filled in: azimuths given, the rest blank; `read_horizon_csv` reads it.

    Rows left blank count as not measured. On a revisit the readings taken before stand in it too.

    Parameters
    ----------
    sheet : from `field_sheet`

    Returns
    -------
    text, comma-separated

    >>> from skysill import field_sheet, horizon_csv, read_site_file
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> horizon_csv(field_sheet(job, job.mounts[0])).splitlines()[3]
    'azimuth_deg,elevation_deg,distance_m,kind,leaf,note'
    """
    name = " ".join(sheet.site.name.split())
    date = "" if sheet.date is None else f", date = {sheet.date.isoformat()}"
    taken = () if sheet.taken is None else tuple(_taken_rows(sheet.taken))
    labels = [
        label for label in _COLUMNS if label not in _OPTIONAL_COLUMNS or any(row.get(label) for row in taken)
    ]
    blank = "," * (len(labels) - 1)
    what = "what is missing is to be filled in" if sheet.taken is not None else "to be filled in"
    lines = [
        f"# {name}: horizon readings, {what}. A row left blank counts as not measured.",
        f"# azimuth_deg counts from {sheet.bearings} north. In the site file, under [survey]: "
        f'bearings = "{sheet.bearings}"{date}',
        "# elevation_deg: top of what stands there. distance_m: along the line of sight, also far or >500. "
        "kind: tree, hedge, building, ground, other. leaf: in-leaf, bare.",
        ",".join(labels),
        *(",".join(row[label] for label in labels) for row in taken),
        *(f"{row.asked_deg:.0f}{blank}" for row in sheet.rows if row.read_deg is None),
    ]
    return "\n".join(lines) + "\n"


_COLUMNS = (
    "azimuth_deg", "elevation_deg", "distance_m", "kind", "leaf", "growth_m_per_year", "station", "note",
)  # fmt: skip
_OPTIONAL_COLUMNS = ("growth_m_per_year", "station")


def _taken_rows(taken: Readings) -> Iterator[dict[str, str]]:
    """Readings as typed, without loss of digits, with quotes around notes where needed."""
    for k in range(len(taken)):
        distance_m, growth_m = float(taken.distance_m[k]), float(taken.growth_m_per_year[k])
        far = ">" if taken.at_least[k] else ""
        yield {
            "azimuth_deg": f"{float(taken.azimuth_deg[k]):.12g}",
            "elevation_deg": f"{float(taken.elevation_deg[k]):.12g}",
            "distance_m": "" if np.isnan(distance_m) else f"{far}{distance_m:.12g}",
            "kind": taken.kind[k],
            "leaf": taken.leaf[k],
            "growth_m_per_year": "" if np.isnan(growth_m) else f"{growth_m:.12g}",
            "station": _cell(taken.station[k]),
            "note": _cell(taken.note[k]),
        }


def _cell(text: str) -> str:
    """RFC 4180, section 2: quotes around what holds a comma, a quote or a line end; quotes doubled."""
    return f'"{text.replace(chr(34), chr(34) * 2)}"' if any(c in text for c in ',;"\t\r\n#') else text

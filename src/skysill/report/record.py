"""The survey record of one mount as plain data: everything that an installer needs.

`record_page` puts it into words; `html` and `record_pdf` make files of those.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from skysill.assessment.cautions import cautions_for, spot_cautions, sun_cautions
from skysill.assessment.job_context import prepared
from skysill.assessment.placement import Place, place
from skysill.assessment.results import Assessment, SatelliteResult, Tape
from skysill.geodesy.positions import format_position
from skysill.io.as_built import AsBuilt
from skysill.io.checksums import FileChecksum
from skysill.io.json_text import plain_values
from skysill.io.photos import Photo
from skysill.model.job import Job
from skysill.model.site import Mount
from skysill.pointing.look_vector import LookVector
from skysill.pointing.sun import Crossing, SunReport, interference_half_angle_deg, sun_report
from skysill.radio.rain import RainCost, rain_cost
from skysill.report.as_built import Built, PhotoRecord, built, photo_record, tapes_from
from skysill.report.obstruction_list import Obstruction, obstructions_beside
from skysill.report.record_changes import RecordChanges, record_changes
from skysill.report.survey_readings import SurveyRecord, survey_part
from skysill.siting.aiming import Aim, aim
from skysill.siting.cables import cable_run
from skysill.siting.mounts import MountRow, MountsFound

__all__ = ["Record", "SatelliteRecord", "proving_crossing", "survey_record"]

LEVEL_DEG = 0.3
"""Sun and satellite count as equally high within this angle, about half the sun's width."""


def proving_crossing(sun: SunReport, look: LookVector) -> Crossing | None:
    """The next crossing at which sunlight at the dish centre proves the path free: the sun is no higher than it."""
    most_deg = look.elevation_apparent_deg + LEVEL_DEG
    return next((one for one in sun.crossings if one.sun_elevation_deg <= most_deg), None)


@dataclass(frozen=True, slots=True)
class SatelliteRecord:
    """One satellite: verdict, pointing, obstructions beside the line.

    more : number of further obstructions that leave more room and are not listed
    sun : crossings and seasons in the beam over the next year; None without a date, or where the satellite moves
    rain : cost of an obstruction in hours of rain outage; None where it costs nothing or cannot be computed
    rain_note : the reason why it cannot
    """

    result: SatelliteResult
    aim: Aim
    obstructions: tuple[Obstruction, ...]
    more: int
    sun: SunReport | None
    rain: RainCost | None
    rain_note: str | None

    @property
    def proof(self) -> Crossing | None:
        """The next crossing at which sunlight at the dish centre proves the path free: the sun is no higher than it."""
        return None if self.sun is None else proving_crossing(self.sun, self.result.look)


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """The survey record of one mount.

    made, by : the day, and who made it
    assessment : what it rests on
    position, site_position, geo_uri : of the mount and of the site, written
    satellites : one entry a satellite: pointing, obstructions, remedies
    survey : what was measured on site; None: nothing
    files : what the answer rests on, with checksums
    cautions, notes : in whole sentences
    photos : of the survey; built : what was done, compared with the plan; None: not yet
    zone : time zone of the sun's times
    surroundings : for the plan; None where nothing is known of what stands near
    cable_run_m : to the roof's cable entry, slack included; tapes : from two corners to the mount
    changes : since the last record; None where none was given
    """

    made: dt.date
    by: str
    assessment: Assessment
    position: str
    site_position: str
    geo_uri: str
    satellites: tuple[SatelliteRecord, ...]
    survey: SurveyRecord | None
    files: tuple[FileChecksum, ...]
    cautions: tuple[str, ...]
    photos: tuple[PhotoRecord, ...]
    built: Built | None
    notes: tuple[str, ...]
    zone: dt.tzinfo = field(default=dt.UTC, metadata={"json": False})
    surroundings: MountsFound | None = field(default=None, metadata={"json": False})
    cable_run_m: float | None = None
    tapes: tuple[Tape, ...] = ()
    changes: RecordChanges | None = None

    @property
    def title(self) -> str:
        """Title of the record."""
        return f"Satellite site survey: {self.assessment.site.name}"


def survey_record(
    job: Job,
    mount: Mount,
    assessment: Assessment,
    *,
    made: dt.date,
    by: str = "",
    sun_after_utc: dt.datetime | None = None,
    zone: dt.tzinfo = dt.UTC,
    files: Sequence[FileChecksum] = (),
    photos: Sequence[Photo] = (),
    keep_location: bool = False,
    as_built: AsBuilt | None = None,
    built_photos: Sequence[Photo] = (),
    rain_availability_percent: float = 99.7,
    last: Mapping[str, Any] | None = None,
) -> Record:
    """The record of one mount, from its assessment.

    Parameters
    ----------
    job, mount : what was assessed
    assessment : of that mount, from `check` with paths=True
    made : the day of the record
    by : who made it
    sun_after_utc : from when on the sun's shadow may be used; None leaves the sun out
    zone : time zone of the sun's times
    files : what the answer rests on, from `file_checksum`
    photos, built_photos : of the survey, and of the work done
    keep_location : whether the photos' own positions are shown; their distance from the site always is
    as_built : what was done; it is compared with the plan, and assessed anew where it stands elsewhere
    rain_availability_percent : of the year, for which the link has its rain margin
    last : the JSON document of the last record, which this one is compared with

    Returns
    -------
    Record, for `record_html` and `record_pdf`

    Raises
    ------
    InputError : as-built values that name no satellite or mount of the job

    >>> import datetime as dt
    >>> from skysill import check, read_site_file, survey_record
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> assessment = check(job, job.mounts[0], paths=True)
    >>> survey_record(job, job.mounts[0], assessment, made=dt.date(2026, 6, 14)).geo_uri
    'geo:58.0298000,-24.6028800'
    """
    job = prepared(job)
    at = place(job, mount)
    notes = list(assessment.warnings)
    satellites = tuple(
        _satellite_record(job, at, result, assessment, sun_after_utc, zone, rain_availability_percent)
        for result in assessment.results
    )
    here = (at.latitude_deg, at.longitude_deg)
    shown = [photo_record(photo, at, assessment, keep_location=keep_location) for photo in photos]
    done = None
    if as_built is not None:
        taken = [photo_record(photo, at, assessment, keep_location=keep_location) for photo in built_photos]
        done = built(job, mount, at, assessment, as_built, photos=tuple(taken))
    route = None if job.roof is None else cable_run(job.roof, at.mount)
    record = Record(
        made=made,
        by=by,
        assessment=assessment,
        position=format_position(*here, notation="hemispheres"),
        site_position=format_position(at.site.latitude_deg, at.site.longitude_deg, notation="hemispheres"),
        geo_uri=format_position(*here, notation="geo"),
        satellites=satellites,
        survey=survey_part(job, at),
        files=tuple(files),
        cautions=_cautions(job, at, assessment, sun_after_utc, zone),
        photos=tuple(shown),
        built=done,
        notes=tuple(dict.fromkeys(notes)),
        zone=zone,
        surroundings=_surroundings(job, at, assessment),
        cable_run_m=None if route is None else route.length_m,
        tapes=tapes_from(job, mount),
    )
    return record if last is None else replace(record, changes=record_changes(last, plain_values(record)))


def _surroundings(job: Job, at: Place, assessment: Assessment) -> MountsFound | None:
    """This one mount in the form that the plan takes; its least height is not searched."""
    scene, mount = job.sources.scene, assessment.mount
    looks = tuple(r.look for r in assessment.results if r.look.visible and r.look.azimuth_deg is not None)
    if not looks or scene is None or not len(scene):
        return None
    row = MountRow(
        rank=1,
        name=mount.name,
        east_m=mount.east_m,
        north_m=mount.north_m,
        surface_elevation_m=mount.surface_elevation_m,
        height_m=mount.height_m,
        least_height_m=None,
        verdict=assessment.results[0].verdict,
        margin_deg=None,
        clearance_m=None,
        required_m=None,
        p_clear=None,
        cable_run_m=None,
        cable_ok=None,
        cautions=spot_cautions(
            at.mount,
            scene=scene,
            terminal=job.terminal,
            roof=job.roof,
            ground_elevation_m=at.site.ground_elevation_m,
            survey=job.sources.survey,
        ),
    )
    names = ", ".join(look.satellite for look in looks)
    return MountsFound(names, (row,), job=replace(job, site=at.site), looks=looks)


def _cautions(
    job: Job, at: Place, assessment: Assessment, sun_after_utc: dt.datetime | None, zone: dt.tzinfo
) -> tuple[str, ...]:
    here = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m)
    found = cautions_for(
        at.mount,
        scene=job.sources.scene,
        terminal=job.terminal,
        roof=job.roof,
        ground_elevation_m=at.site.ground_elevation_m,
        survey=job.sources.survey,
        remedies=[remedy for result in assessment.results for remedy in result.remedies],
    )
    looks = [result.look for result in assessment.results if result.satellite.orbit is None]
    return tuple(one.text for one in (*found, *sun_cautions(here, looks, sun_after_utc, zone)))


def _satellite_record(
    job: Job,
    at: Place,
    result: SatelliteResult,
    assessment: Assessment,
    sun_after_utc: dt.datetime | None,
    zone: dt.tzinfo,
    rain_availability_percent: float,
) -> SatelliteRecord:
    listed, more = obstructions_beside(job, at, result, assessment)
    here = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m)
    sun = None
    if sun_after_utc is not None and result.satellite.orbit is None:
        half_deg = interference_half_angle_deg(
            dish_diameter_m=job.terminal.dish_diameter_m, receive_ghz=job.terminal.receive_ghz
        )
        sun = sun_report(
            *here,
            result.satellite,
            half_angle_deg=half_deg,
            first_utc=sun_after_utc,
            last_utc=sun_after_utc + dt.timedelta(days=366),
        )
    loss_db = result.clearance.loss_db
    rain, rain_note = None, None
    if result.verdict == "marginal" and loss_db is not None and loss_db >= 0.05:
        rain, rain_note = rain_cost(
            *here,
            elevation_deg=result.look.elevation_apparent_deg,
            terminal=job.terminal,
            loss_db=loss_db,
            availability_percent=rain_availability_percent,
        )
    aimed = aim(job, at, result.look, after_utc=sun_after_utc, zone=zone)
    return SatelliteRecord(result, aimed, listed, more, sun, rain, rain_note)

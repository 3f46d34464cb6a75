"""The survey record: everything that an installer needs on one paper, as plain data.

`html` and `pdf` make papers of it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from skysill.assessment.cautions import cautions_for, spot_cautions, sun_cautions
from skysill.assessment.clearance import Rooms, column_rooms, scene_rooms
from skysill.assessment.job_context import prepared
from skysill.assessment.pipeline import Assessment, SatelliteResult, Tape
from skysill.assessment.placement import Place, dish_in_scene_m, place
from skysill.geodesy.positions import bearing_and_distance, format_position, offset_position
from skysill.io.as_built import AsBuilt
from skysill.io.checksums import Fingerprint
from skysill.io.photos import Photo
from skysill.model.job import Job
from skysill.model.link import Ray
from skysill.model.readings import Readings
from skysill.model.site import Mount
from skysill.pointing.sun import Crossing, SunReport, interference_half_angle_deg, sun_direction, sun_report
from skysill.pointing.survey_compass import compass_correction_of
from skysill.radio.rain import RainCost, rain_cost
from skysill.radio.required_room import room_m
from skysill.report.as_built import Built, PhotoRecord, built, photo_record, tapes_from
from skysill.siting.aiming import Aim, aim
from skysill.siting.cables import cable_run
from skysill.siting.mounts import MountRow, MountsFound
from skysill.units import wrap_180, wrap_360

__all__ = [
    "Obstruction",
    "ReadingRow",
    "Record",
    "SatelliteRecord",
    "SightingRow",
    "SurveyRecord",
    "survey_record",
]

MOST_OBSTRUCTIONS = 10
_FARTHEST_ASIDE_DEG = 45.0
LEVEL_DEG = 0.3
"""Sun and satellite count as equally high within about half the sun's width."""


@dataclass(frozen=True, slots=True)
class Obstruction:
    """One thing beside a line to a satellite, where it leaves the least room.

    margin_deg : negative where it stands in the line; clearance_m : the same at its distance
    spare_deg : margin less the angle of the required room; that decides
    """

    name: str
    kind: str
    source: str
    azimuth_deg: float
    elevation_deg: float
    distance_m: float
    distance_assumed: bool
    margin_deg: float
    clearance_m: float
    required_m: float
    spare_deg: float

    @property
    def word(self) -> str:
        """What it does, in a word or two."""
        if self.margin_deg <= 0.0:
            return "in the line"
        return "takes room" if self.spare_deg < 0.0 else "leaves room"


@dataclass(frozen=True, slots=True)
class SatelliteRecord:
    """One satellite: verdict, how to point, what stands beside the line.

    more : how many further things leave still more room and are not listed
    sun : crossings and seasons in the beam over the year to come; None where no date was given or it moves
    rain : what an obstruction costs in hours of rain outage; None where it costs nothing or cannot be told
    rain_note : why not, where that is worth a line
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
        """The next time at which sunlight at the dish centre proves the path free: the sun no higher than it."""
        most_deg = self.result.look.elevation_apparent_deg + LEVEL_DEG
        crossings = () if self.sun is None else self.sun.crossings
        return next((one for one in crossings if one.sun_elevation_deg <= most_deg), None)


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading as it was taken: bearing as typed, and turned to true; None where nobody measured or said."""

    bearing_deg: float
    azimuth_deg: float
    elevation_deg: float
    distance_m: float | None
    at_least: bool
    kind: str
    leaf: str
    station: str
    note: str


@dataclass(frozen=True, slots=True)
class SightingRow:
    """A landmark, or the sun's shadow, by the survey's compass. left_deg : true less corrected: what is left over"""

    name: str
    azimuth_deg: float
    bearing_deg: float
    left_deg: float


@dataclass(frozen=True, slots=True)
class SurveyRecord:
    """What was measured on site, by what, when, with what stated error.

    readings, sightings : raw, as taken
    correction_deg, correction_sigma_deg, correction_source : what turned the readings to true north
    """

    source: str
    count: int
    with_distance: int
    bearings: str
    date: dt.date | None
    instrument: str
    bearing_error_deg: float
    inclination_error_deg: float
    distance_error_fraction: float
    distance_error_m: float
    correction_deg: float | None
    correction_sigma_deg: float | None
    correction_source: str | None
    readings: tuple[ReadingRow, ...] = ()
    sightings: tuple[SightingRow, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """All of it.

    made : the day; position, geo_uri : of the mount; files : what the answer rests on
    surroundings : for the plan; None where nothing is known of what stands near
    cable_run_m : to the roof's cable entry, slack included; tapes : from two corners to the mount
    """

    made: dt.date
    by: str
    assessment: Assessment
    position: str
    site_position: str
    geo_uri: str
    satellites: tuple[SatelliteRecord, ...]
    survey: SurveyRecord | None
    files: tuple[Fingerprint, ...]
    cautions: tuple[str, ...]
    photos: tuple[PhotoRecord, ...]
    built: Built | None
    notes: tuple[str, ...]
    zone: dt.tzinfo = field(default=dt.UTC, metadata={"json": False})
    surroundings: MountsFound | None = field(default=None, metadata={"json": False})
    cable_run_m: float | None = None
    tapes: tuple[Tape, ...] = ()

    @property
    def title(self) -> str:
        """What the paper is called."""
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
    files: Sequence[Fingerprint] = (),
    photos: Sequence[Photo] = (),
    keep_location: bool = False,
    as_built: AsBuilt | None = None,
    built_photos: Sequence[Photo] = (),
    rain_availability_percent: float = 99.7,
) -> Record:
    """The record of one mount, from its assessment.

    Parameters
    ----------
    made : the day of the record
    sun_after_utc : from when on the sun's shadow may be used; None leaves the sun out
    photos, built_photos : of the survey, and of the work done
    keep_location : whether the photos' own positions are shown; their distance from the site always is
    as_built : what was done; it is compared with the plan, and assessed anew where it stands elsewhere
    rain_availability_percent : of the year, for which the link has its rain margin
    """
    job = prepared(job)
    at = place(job, mount)
    notes = list(assessment.warnings)
    satellites = tuple(
        _satellite(job, at, result, assessment, sun_after_utc, zone, rain_availability_percent)
        for result in assessment.results
    )
    here = (at.latitude_deg, at.longitude_deg)
    shown = [photo_record(photo, at, assessment, keep_location=keep_location) for photo in photos]
    done = None
    if as_built is not None:
        taken = [photo_record(photo, at, assessment, keep_location=keep_location) for photo in built_photos]
        done = built(job, mount, at, assessment, as_built, photos=tuple(taken))
    route = None if job.roof is None else cable_run(job.roof, at.mount)
    return Record(
        made=made,
        by=by,
        assessment=assessment,
        position=format_position(*here, notation="hemispheres"),
        site_position=format_position(at.site.latitude_deg, at.site.longitude_deg, notation="hemispheres"),
        geo_uri=format_position(*here, notation="geo"),
        satellites=satellites,
        survey=_survey(job, at),
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


def _surroundings(job: Job, at: Place, assessment: Assessment) -> MountsFound | None:
    """This one mount as the plan wants it; its least height is not searched for here."""
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


def _satellite(
    job: Job,
    at: Place,
    result: SatelliteResult,
    assessment: Assessment,
    sun_after_utc: dt.datetime | None,
    zone: dt.tzinfo,
    rain_availability_percent: float,
) -> SatelliteRecord:
    listed, more = _obstructions(job, at, result, assessment)
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


def _obstructions(
    job: Job, at: Place, result: SatelliteResult, assessment: Assessment
) -> tuple[tuple[Obstruction, ...], int]:
    """Everything within 45 degrees of the line, the tightest first, each thing once, and how many more there are."""
    if not result.look.visible:
        return (), 0
    ray = result.look.ray
    found: dict[tuple[str, str], Obstruction] = {}
    for rooms in _rooms(job, at, assessment, ray):
        for thing in range(len(rooms.things)):
            columns = np.flatnonzero(rooms.thing == thing)
            if not columns.size:
                continue
            inside = columns[rooms.inside[columns]]
            tightest = inside if inside.size else columns
            obstruction = _obstruction(job, rooms, int(tightest[rooms.spare_deg[tightest].argmin()]))
            key = (obstruction.source, obstruction.name)
            if key not in found or obstruction.spare_deg < found[key].spare_deg:
                found[key] = obstruction
    ordered = sorted(
        (one for one in found.values() if one.margin_deg <= _FARTHEST_ASIDE_DEG),
        key=lambda one: (one.margin_deg > 0.0, one.spare_deg),
    )
    return tuple(ordered[:MOST_OBSTRUCTIONS]), len(ordered[MOST_OBSTRUCTIONS:])


def _rooms(job: Job, at: Place, assessment: Assessment, ray: Ray) -> Iterator[Rooms]:
    for silhouette in assessment.silhouettes:
        if silhouette.source != "obstacle" and len(silhouette):
            yield column_rooms(silhouette, ray, job.link)
    scene = job.sources.scene
    if scene is not None and len(scene):
        yield scene_rooms(scene, dish_in_scene_m(at), ray, job.link)


def _obstruction(job: Job, rooms: Rooms, at: int) -> Obstruction:
    thing, distance_m = rooms.things[int(rooms.thing[at])], float(rooms.distance_m[at])
    margin_deg = -abs(float(rooms.margin_deg[at])) if rooms.inside[at] else float(rooms.margin_deg[at])
    required_m = room_m(distance_m, job.link)
    return Obstruction(
        name=thing.name,
        kind=thing.kind,
        source=thing.source,
        azimuth_deg=float(rooms.azimuth_deg[at]),
        elevation_deg=float(rooms.elevation_deg[at]),
        distance_m=distance_m,
        distance_assumed=bool(rooms.assumed[at]),
        margin_deg=margin_deg,
        clearance_m=float(distance_m * np.sin(np.deg2rad(np.clip(margin_deg, -90.0, 90.0)))),
        required_m=float(required_m),
        spare_deg=float(rooms.spare_deg[at]),
    )


def _survey(job: Job, at: Place) -> SurveyRecord | None:
    readings, survey = job.sources.readings, job.sources.survey
    if readings is None:
        return None
    found = compass_correction_of(job, at.site)
    where = "at the site's position"
    if survey.east_m or survey.north_m:
        where = f"{survey.east_m:g} m east, {survey.north_m:g} m north of the site's position"
    return SurveyRecord(
        source=readings.source,
        count=len(readings.azimuth_deg),
        with_distance=int((~np.isnan(readings.distance_m)).sum()),
        bearings=survey.bearings,
        date=survey.date,
        instrument=f"{where}, eye {survey.instrument_height_m:g} m above the ground",
        bearing_error_deg=survey.bearing_error_deg,
        inclination_error_deg=survey.inclination_error_deg,
        distance_error_fraction=survey.distance_error_fraction,
        distance_error_m=survey.distance_error_m,
        correction_deg=found.correction_deg,
        correction_sigma_deg=found.sigma_deg,
        correction_source=found.source,
        readings=tuple(_readings(job, readings, found.correction_deg)),
        sightings=tuple(_sightings(job, at, found.correction_deg)),
    )


def _readings(job: Job, readings: Readings, correction_deg: float) -> Iterator[ReadingRow]:
    """Relative bearings count from the zero mark of their own station."""
    marks = {station.name: station.reference_bearing_deg for station in job.sources.stations}
    for k in range(len(readings)):
        bearing_deg, distance_m = float(readings.azimuth_deg[k]), float(readings.distance_m[k])
        mark_deg = marks.get(readings.station[k]) if job.sources.survey.bearings == "relative" else None
        turn_deg = correction_deg if mark_deg is None else mark_deg
        yield ReadingRow(
            bearing_deg=bearing_deg,
            azimuth_deg=float(wrap_360(bearing_deg + turn_deg)),
            elevation_deg=float(readings.elevation_deg[k]),
            distance_m=None if np.isnan(distance_m) else distance_m,
            at_least=bool(readings.at_least[k]),
            kind=readings.kind[k],
            leaf=readings.leaf[k],
            station=readings.station[k],
            note=readings.note[k],
        )


def _sightings(job: Job, at: Place, correction_deg: float) -> Iterator[SightingRow]:
    """What the compass showed of landmarks and of the sun's shadow, from where the instrument stood."""
    survey = job.sources.survey
    latitude_deg, longitude_deg = [
        float(v)
        for v in offset_position(at.site.latitude_deg, at.site.longitude_deg, survey.east_m, survey.north_m)
    ]
    for mark in job.sources.landmarks:
        if mark.measured_bearing_deg is not None:
            true_deg = float(
                bearing_and_distance(latitude_deg, longitude_deg, mark.latitude_deg, mark.longitude_deg)[0]
            )
            yield _sighting(mark.name, true_deg, mark.measured_bearing_deg, correction_deg)
    for seen in job.sources.sun_sightings:
        sun = sun_direction([seen.time_utc], latitude_deg, longitude_deg, at.site.ground_elevation_m or 0.0)
        true_deg = float(wrap_360(float(sun.azimuth_deg[0]) + 180.0))
        name = f"shadow at {seen.time_utc:%Y-%m-%d %H:%M} UTC"
        yield _sighting(name, true_deg, seen.shadow_bearing_deg, correction_deg)


def _sighting(name: str, true_deg: float, bearing_deg: float, correction_deg: float) -> SightingRow:
    return SightingRow(name, true_deg, bearing_deg, float(wrap_180(true_deg - bearing_deg - correction_deg)))

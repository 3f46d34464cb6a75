"""What was measured on site, as a record repeats it: instruments, stated errors, every reading and sighting."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from skysill.assessment.placement import Place
from skysill.geodesy.positions import bearing_and_distance, offset_position
from skysill.model.job import Job
from skysill.model.readings import Readings
from skysill.pointing.sun import sun_direction
from skysill.pointing.survey_compass import compass_correction_of
from skysill.report.formatting import east_and_north
from skysill.units import wrap_180, wrap_360

__all__ = ["ReadingRow", "SightingRow", "SurveyRecord", "sightings_of", "survey_part"]


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading as it was taken: bearing as typed, and as true azimuth; None where no distance was measured."""

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
    """A landmark, or the sun's shadow, sighted with the survey's compass. left_deg : true less corrected bearing"""

    name: str
    azimuth_deg: float
    bearing_deg: float
    left_deg: float


@dataclass(frozen=True, slots=True)
class SurveyRecord:
    """What was measured on site: instruments, date, stated errors.

    readings, sightings : as taken
    correction_deg, correction_sigma_deg, correction_source : the correction of the readings to true north
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


def survey_part(job: Job, at: Place) -> SurveyRecord | None:
    readings, survey = job.sources.readings, job.sources.survey
    if readings is None:
        return None
    found = compass_correction_of(job, at.site)
    where = "at the site's position"
    if survey.east_m or survey.north_m:
        where = f"{east_and_north(survey.east_m, survey.north_m, digits=None)} of the site's position"
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
        sightings=tuple(sightings_of(job, at, found.correction_deg)),
    )


def _readings(job: Job, readings: Readings, correction_deg: float) -> Iterator[ReadingRow]:
    """Rows of the readings; relative bearings count from the zero mark of their own station."""
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


def sightings_of(job: Job, at: Place, correction_deg: float) -> Iterator[SightingRow]:
    """Bearings of landmarks and of the sun's shadow by the compass, from the position of the instrument."""
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

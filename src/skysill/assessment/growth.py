"""The sources some years ahead: trees listed, read on site, or seen by a surface raster grow."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np

from skysill.assessment.evidence import (
    Evidence,
    blur_at,
    overruled_by,
    scene_columns,
    terrain_from,
)
from skysill.assessment.placement import Place
from skysill.assessment.stations import StationHorizon
from skysill.geodesy.positions import offset_position
from skysill.horizon.lattice import Elevations
from skysill.horizon.silhouette import Silhouette
from skysill.horizon.vegetation_growth import GrownSurface
from skysill.model.default_errors import GROWTH_M_PER_YEAR, facts_of
from skysill.model.job import Job
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.pointing.compass import decimal_year
from skysill.pointing.look_vector import LookVector
from skysill.units import Bools, Floats

__all__ = [
    "SourcesAfterGrowth",
    "grown_scene",
    "grown_stations",
    "growth_notes",
    "sources_after_growth",
    "unidentified_as_trees",
    "with_grown_rasters",
]

_FINE_M = 2.0
_LEAFLESS_FROM_DEG = 25.0
_LEAFLESS_MONTHS = (11, 12, 1, 2, 3, 4)  # of the northern half


@dataclass(frozen=True, slots=True, eq=False)
class SourcesAfterGrowth:
    """The sources after growth.

    evidence : what they say then; today's where nothing grows
    growth_m : obstacles only: name -> metres grown
    grows : whether anything grows
    """

    evidence: Evidence
    growth_m: dict[str, float] = field(default_factory=dict)
    grows: bool = False


def sources_after_growth(job: Job, evidence: Evidence, look: LookVector) -> SourcesAfterGrowth:
    """The sources `years_ahead` from now, around one ray."""
    new: dict[str, Any] = {}
    scene, growth_m = grown_scene(job, evidence.scene)
    if scene is not None and scene is not evidence.scene:
        new["scene"], new["obstacles"] = scene, scene_columns(scene, evidence.place, [look], job)
    stations = grown_stations(job, evidence.stations, look)
    if stations is not evidence.stations:
        new["stations"] = stations
    then = with_grown_rasters(job, evidence.place)
    if then is not None:
        new |= _terrain(job, then, evidence, look)
    if not new:
        return SourcesAfterGrowth(evidence)
    return SourcesAfterGrowth(replace(evidence, **new), growth_m, True)


def grown_scene(job: Job, scene: Scene | None) -> tuple[Scene | None, dict[str, float]]:
    """Obstacles after the years ahead, and by name the metres grown; the same scene where none of them grows."""
    years = job.criteria.years_ahead
    if scene is None or not years or not any(o.growth_m_per_year for o in scene.obstacles):
        return scene, {}
    return scene.grown(years), {o.name: o.growth_m_per_year * years for o in scene.obstacles}


def grown_stations(
    job: Job, stations: tuple[StationHorizon, ...], look: LookVector
) -> tuple[StationHorizon, ...]:
    """What was read from each station after growth, around one ray; the same ones where nothing grows."""
    rates_m = [_reading_rates_m(job, station.readings) for station in stations]
    if not any((rate_m > 0.0).any() for rate_m in rates_m) or not _years_of_readings(job):
        return stations
    return tuple(
        _grown_station(job, station, look, rate_m) for station, rate_m in zip(stations, rates_m, strict=True)
    )


def unidentified_as_trees(job: Job, evidence: Evidence, look: LookVector) -> tuple[Silhouette, ...]:
    """The readings of which nobody said what they are, grown as trees over the years ahead; one for each station."""
    if not _years_of_readings(job):
        return ()
    found = []
    for station in evidence.stations:
        unidentified = _unidentified(job, station.readings)
        if not unidentified.any():
            continue
        rate_m = np.where(
            unidentified, GROWTH_M_PER_YEAR["tree"].usual_m, _reading_rates_m(job, station.readings)
        )
        seen = _grown_station(job, station, look, rate_m).silhouette
        silent = {
            note or "measured horizon"
            for note, mine in zip(station.readings.note, unidentified, strict=True)
            if mine
        }
        asked = [feature.kind == "reading" and feature.name in silent for feature in seen.features]
        found.append(seen.kept(np.array(asked, dtype=bool)[seen.feature]))
    return tuple(found)


def _reading_rates_m(job: Job, readings: Readings) -> Floats:
    """(n,) metres a year: stated, else usual for a tree or hedge, else none.

    One whose note is the name of a listed obstacle has none: that obstacle grows in its place, crown and all.
    """
    usual = [GROWTH_M_PER_YEAR[kind].usual_m if kind in GROWTH_M_PER_YEAR else 0.0 for kind in readings.kind]
    rates_m = np.where(np.isnan(readings.growth_m_per_year), usual, readings.growth_m_per_year)
    return np.where(_listed(job, readings), 0.0, rates_m)


def _listed(job: Job, readings: Readings) -> Bools:
    """(n,) which readings are of a listed obstacle, by its name."""
    scene = job.sources.scene
    names = set() if scene is None else {obstacle.name for obstacle in scene.obstacles}
    return np.array([note in names for note in readings.note], dtype=bool)


def _unidentified(job: Job, readings: Readings) -> Bools:
    """(n,) of which readings nobody knows whether they grow."""
    silent = np.array([kind == "" for kind in readings.kind], dtype=bool) & np.isnan(
        readings.growth_m_per_year
    )
    return np.asarray(silent & ~_listed(job, readings))


def _today(job: Job) -> float | None:
    date = job.date or job.sources.survey.date
    return None if date is None else decimal_year(date)


def _years_of_readings(job: Job) -> float:
    """Years from the survey to the end of the years ahead."""
    if not job.criteria.years_ahead:
        return 0.0
    survey: dt.date | None = job.sources.survey.date
    today = _today(job)
    age = 0.0 if survey is None or today is None else max(0.0, today - decimal_year(survey))
    return job.criteria.years_ahead + age


def _grown_station(job: Job, station: StationHorizon, look: LookVector, rate_m: Floats) -> StationHorizon:
    """The same station's readings after the years that they grow at rates (n,) of metres a year."""
    grown = station.readings.grown(
        rate_m * _years_of_readings(job), assumed_distance_m=job.criteria.assumed_distance_m
    )
    return station.with_readings(job, grown, [look])


def _raster_growth_m(job: Job, raster: Elevations) -> float:
    """Metres that the vegetation of a raster gains from its survey to the end of the years ahead; 0: not stated.

    Without any years ahead it is as old as it is all the same.
    """
    facts = facts_of(raster)
    if raster.kind != "surface" or not facts.growth_m_per_year:
        return 0.0
    today = _today(job)
    age = 0.0 if facts.survey_year is None or today is None else max(0.0, today - facts.survey_year)
    return facts.growth_m_per_year * (job.criteria.years_ahead + age)


def with_grown_rasters(job: Job, at: Place) -> Job | None:
    """The job with its surface rasters as they will be around a place; None where none of them grows."""
    rasters = job.sources.rasters
    if not any(_raster_growth_m(job, raster) for raster in rasters):
        return None
    bare = tuple(raster for raster in rasters if raster.kind == "bare")
    surface_m = at.mount.surface_elevation_m
    level_m = at.antenna_elevation_m - at.mount.height_m if surface_m is None else surface_m
    outlines = _outlines_deg(job)

    def grown(raster: Elevations) -> Elevations:
        gain_m = _raster_growth_m(job, raster)
        if not gain_m:
            return raster
        return GrownSurface(raster, gain_m, bare, (at.latitude_deg, at.longitude_deg), level_m, outlines)

    return replace(job, sources=replace(job.sources, rasters=tuple(grown(raster) for raster in rasters)))


def _terrain(job: Job, then: Job, evidence: Evidence, look: LookVector) -> dict[str, Any]:
    """Terrain columns with the surface rasters grown."""
    at, rasters = evidence.place, job.sources.rasters
    overruled = None
    if evidence.stations:
        gain_m = max(_raster_growth_m(job, raster) for raster in rasters)
        overruled = partial(overruled_by, stations=evidence.stations, job=job, grown_m=gain_m)
    terrain, unreliable = terrain_from(then, at, [look], overruled)
    return {"terrain": terrain, "unreliable": unreliable, "blur": blur_at(then, at, terrain)}


def _outlines_deg(job: Job) -> tuple[Floats, ...]:
    """Rings (n, 2) of longitude and latitude around what does not grow: listed buildings and the roof."""
    rings = [] if job.roof is None else [np.asarray(job.roof.outline, dtype=np.float64)]
    scene = job.sources.scene
    for obstacle in () if scene is None else scene.obstacles:
        if obstacle.shape == "prism" and obstacle.kind != "tree":
            rings.extend(area[0][:, :2] for area in obstacle.areas_m)
    found = []
    for ring in rings:
        latitude, longitude = offset_position(
            job.site.latitude_deg, job.site.longitude_deg, ring[:, 0], ring[:, 1]
        )
        found.append(np.column_stack([longitude, latitude]))
    return tuple(found)


def growth_notes(job: Job, evidence: Evidence) -> tuple[str, ...]:
    """What was taken of growth that nobody stated."""
    if not job.criteria.years_ahead:
        return ()
    notes = [_raster_note(job, raster) for raster in job.sources.rasters]
    for station in evidence.stations:
        notes.extend((_readings_note(job, station.readings), _leaf_note(job, station.readings)))
    count = sum(len(station.readings) for station in evidence.stations)
    unidentified = sum(int(_unidentified(job, station.readings).sum()) for station in evidence.stations)
    if unidentified:
        notes.append(
            f"{unidentified} of {count} readings do not say what they are (kind: tree, hedge, building, ground or "
            "other); they were taken not to grow."
        )
    return tuple(note for note in notes if note)


def _readings_note(job: Job, readings: Readings) -> str:
    plants = np.array([kind in GROWTH_M_PER_YEAR for kind in readings.kind], dtype=bool)
    plants &= ~_listed(job, readings)
    unstated = plants & np.isnan(readings.growth_m_per_year)
    kinds = sorted({kind for kind, mine in zip(readings.kind, unstated, strict=True) if mine})
    rates = " and ".join(f"{GROWTH_M_PER_YEAR[kind].usual_m:g} m a year for a {kind}" for kind in kinds)
    sentences = []
    if kinds:
        sentences.append(
            f"Readings of plants whose growth nobody gave were taken to grow {rates} (type growth_m_per_year)."
        )
    far = int((plants & np.isnan(readings.distance_m)).sum())
    if far:
        sentences.append(
            f"{far} readings of plants carry no distance: their growth counts at {job.criteria.assumed_distance_m:g} "
            "m. Measure it (type distance_m)."
        )
    return " ".join(sentences)


def _leaf_note(job: Job, readings: Readings) -> str:
    """Trees read in the leafless months of the place without a word about their leaves."""
    date, latitude_deg = job.sources.survey.date, job.site.latitude_deg
    if date is None or abs(latitude_deg) < _LEAFLESS_FROM_DEG:
        return ""
    month = date.month if latitude_deg > 0.0 else (date.month + 5) % 12 + 1
    silent = sum(
        kind in GROWTH_M_PER_YEAR and not leaf
        for kind, leaf in zip(readings.kind, readings.leaf, strict=True)
    )
    if not silent or month not in _LEAFLESS_MONTHS:
        return ""
    return (
        f"{silent} readings of plants were taken on {date} and do not say whether they had leaves (type in-leaf or "
        "bare under leaf). Of a bare tree the tips of its twigs are read, not the sky seen through it."
    )


def _raster_note(job: Job, raster: Elevations) -> str:
    facts = facts_of(raster)
    if raster.kind != "surface" or raster.cell_size_m > _FINE_M:
        return ""
    when = "at a date nobody gave" if facts.survey_year is None else f"in {int(facts.survey_year)}"
    if facts.growth_m_per_year is None:
        return (
            f"{raster.name} shows trees as they stood when it was measured, {when}; their growth since and in years "
            "ahead is not counted. Give date and growth_m_per_year in [terrain], or list the trees as obstacles."
        )
    gain_m = _raster_growth_m(job, raster)
    if not gain_m:
        return ""
    since = (
        "" if facts.survey_year is not None else " Growth up to now is missing (type date under [terrain])."
    )
    return (
        f"What stands more than 1.5 m over the ground in {raster.name}, measured {when}, was taken to be "
        f"{gain_m:.1f} m higher at the end of the years ahead; listed buildings and the roof were not.{since}"
    )

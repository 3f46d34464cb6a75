"""The compass correction of a survey: from landmarks, the sun, the magnetic model or a zero mark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.model.job import Job
from skysill.model.site import Site
from skysill.model.survey import Landmark, Survey
from skysill.pointing.compass import (
    INCONSISTENT_DEG,
    SUN,
    CompassCorrection,
    Sighting,
    declination,
    landmark_correction,
)
from skysill.units import wrap_180, wrap_360

__all__ = ["SUN_BEARING_ERROR_DEG", "compass_correction_of", "survey_correction"]

SUN_BEARING_ERROR_DEG = 0.3
"""Standard error of the direction of a shadow: the sun is half a degree wide and moves a quarter of a degree a minute.

Own reasoning.
"""


def survey_correction(
    survey: Survey,
    landmarks: Sequence[Landmark] = (),
    *,
    latitude_deg: float,
    longitude_deg: float,
    height_m: float = 0.0,
    further: Sequence[Sighting] = (),
) -> CompassCorrection:
    """What is added to the bearings of a survey to get true azimuths.

    Landmarks with a measured bearing replace declination and reference bearing, since they include the effect of
    iron nearby; where they differ from those by more than 3 degrees, a note says so.

    Parameters
    ----------
    survey : what the bearings count from, the date and the errors
    landmarks : those with a measured bearing are used
    latitude_deg, longitude_deg, height_m : where the instrument stood
    further : sightings of the sun, with the same weight as landmarks

    Returns
    -------
    CompassCorrection, degrees

    Raises
    ------
    InputError : magnetic bearings without a date, relative ones without a reference, and no landmark either
    """
    sighted = landmark_correction(
        landmarks,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        bearing_error_deg=survey.bearing_error_deg,
        position_error_m=survey.position_error_m,
        further=further,
    )
    if sighted is None:
        return _stated_correction(survey, latitude_deg, longitude_deg, height_m)
    by_sun = sighted.source == "sun"
    try:
        nominal = _stated_correction(survey, latitude_deg, longitude_deg, height_m)
    except InputError as fault:
        alone = "sun alone corrects" if by_sun else "landmarks alone correct"
        return replace(sighted, notes=(*sighted.notes, f"The {alone} the bearings: {fault.what}"))
    apart_deg = float(wrap_180(sighted.correction_deg - nominal.correction_deg))
    if abs(apart_deg) <= INCONSISTENT_DEG:
        return sighted
    compared_with = {"true": "the true bearings given", "reference": "the reference bearing given"}
    note = (
        f"{'The sun turns' if by_sun else 'Landmarks turn'} the readings {abs(apart_deg):.1f} degrees "
        f"{'right' if apart_deg > 0.0 else 'left'} of {compared_with.get(nominal.source, 'the magnetic model')}; "
        f"{'the sun is' if by_sun else 'the landmarks are'} used. Where no iron is near, look at the date "
        "and at what the bearings count from (type date and bearings under [survey])."
    )
    return replace(sighted, notes=(*sighted.notes, note))


def _stated_correction(
    survey: Survey, latitude_deg: float, longitude_deg: float, height_m: float
) -> CompassCorrection:
    """The correction that the survey itself states, without landmarks."""
    if survey.bearings == "true":
        return CompassCorrection(0.0, 0.0, "true")
    if survey.bearings == "relative":
        if survey.reference_bearing_deg is None:
            raise InputError(
                "relative bearings need the true bearing of their zero mark.",
                where="reference_bearing_deg",
                mend="Give reference_bearing_deg, or a landmark with its measured bearing.",
            )
        return CompassCorrection(float(wrap_180(survey.reference_bearing_deg)), 0.0, "reference")
    if survey.date is None:
        raise InputError(
            "magnetic bearings need the date of the survey.",
            where="date",
            mend="Give date, or a landmark with its measured bearing.",
        )
    found = declination(latitude_deg, longitude_deg, height_m, survey.date)
    return CompassCorrection(found.declination_deg, found.sigma_deg, "declination", notes=found.notes)


def compass_correction_of(job: Job, site: Site) -> CompassCorrection:
    """What is added to the bearings of a job's survey to get true azimuths; see `survey_correction`.

    Parameters
    ----------
    job : with the survey, its landmarks and sun sightings; its date is used for a survey without one
    site : the job's site, with its ground elevation where that is known

    Raises
    ------
    InputError : as `survey_correction`; a sun sighting at a time when the sun was below the horizon
    """
    survey, height_m = job.sources.survey, site.ground_elevation_m or 0.0
    latitude_deg, longitude_deg = (
        float(angle)
        for angle in offset_position(site.latitude_deg, site.longitude_deg, survey.east_m, survey.north_m)
    )
    return survey_correction(
        survey if survey.date is not None else replace(survey, date=job.date),
        job.sources.landmarks,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        height_m=height_m,
        further=_sun_sightings(job, latitude_deg, longitude_deg, height_m),
    )


def _sun_sightings(
    job: Job, latitude_deg: float, longitude_deg: float, height_m: float
) -> tuple[Sighting, ...]:
    """True azimuths of the sun, each with the opposite of the bearing that the compass showed for the shadow."""
    seen = job.sources.sun_sightings
    if not seen:
        return ()
    from skysill.pointing.sun import sun_direction

    true = sun_direction([s.time_utc for s in seen], latitude_deg, longitude_deg, height_m)
    found = []
    for sighting, azimuth_deg, elevation_deg in zip(seen, true.azimuth_deg, true.elevation_deg, strict=True):
        if elevation_deg <= 0.0:
            raise InputError(
                f"the sun was {-elevation_deg:.1f} degrees below the horizon at "
                f"{sighting.time_utc:%Y-%m-%d %H:%M} UTC.",
                where="sun_sightings",
                mend="Give the time in UTC, or with its zone.",
            )
        reading_deg = float(wrap_360(sighting.shadow_bearing_deg + 180.0))
        name = f"{SUN} at {sighting.time_utc:%H:%M} UTC"
        found.append(Sighting(name, float(azimuth_deg), reading_deg, SUN_BEARING_ERROR_DEG))
    return tuple(found)

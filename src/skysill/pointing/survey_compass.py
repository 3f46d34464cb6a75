"""The compass correction of a survey: from landmarks, the sun, the magnetic model or a zero mark."""

from __future__ import annotations

from dataclasses import replace

from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.model.job import Job
from skysill.model.site import Site
from skysill.pointing.compass import SUN, CompassCorrection, Sighting, survey_correction
from skysill.units import wrap_360

__all__ = ["SUN_BEARING_ERROR_DEG", "compass_correction_of"]

SUN_BEARING_ERROR_DEG = 0.3
"""Standard error of the direction of a shadow: the sun is half a degree wide and moves a quarter of a degree a minute.

Own reasoning.
"""


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

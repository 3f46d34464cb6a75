"""The sun at the azimuth of the satellites and in the beam of the dish, seen from one mount of a job."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

from skysill.assessment.placement import place
from skysill.model.job import Job
from skysill.model.site import Mount, Site
from skysill.pointing.look_vector import LookVector, look_vector
from skysill.pointing.sun import SunReport, alignments, interference_half_angle_deg, sun_report

__all__ = ["MountSun", "sun_reports"]


@dataclass(frozen=True, slots=True, eq=False)
class MountSun:
    """The sun as one mount sees it.

    site : the site, with its ground elevation where one is known
    position : latitude and longitude of the dish in degrees, elevation of the dish centre in metres
    looks, reports : one entry a satellite, in the order of job.satellites
    notes : what was assumed, in whole sentences
    """

    site: Site
    position: tuple[float, float, float]
    looks: tuple[LookVector, ...]
    reports: tuple[SunReport, ...]
    notes: tuple[str, ...] = ()


def sun_reports(
    job: Job,
    mount: Mount,
    *,
    first_utc: dt.datetime,
    last_utc: dt.datetime,
    time_utc: dt.datetime | None = None,
    alignments_until_utc: dt.datetime | None = None,
) -> MountSun:
    """When the sun stands at the azimuth of each satellite of a job, and when it stands in the beam of the dish.

    Parameters
    ----------
    job : its satellites must be geostationary; its terminal gives the width of the beam
    mount : usually one of job.mounts
    first_utc, last_utc : from when to before when, up to ten years apart; without a zone they are read as UTC
    time_utc : also give the position of the sun at this time
    alignments_until_utc : search the seasons of sun in the beam up to this time instead of last_utc

    Returns
    -------
    MountSun. Times to the nearest second, angles in degrees.

    Raises
    ------
    InputError : a satellite on an orbit record; a range that is empty, longer than ten years or outside 1900 to 2099

    Notes
    -----
    Position of the sun: IAU SOFA routines by way of pyerfa; half of the beam: 35 lambda / D, see
    `skysill.pointing.sun.interference_half_angle_deg`.

    >>> import datetime as dt
    >>> from skysill import Job, Mount, Satellite, Site, sun_reports
    >>> site = Site("clinic", 58.0312, -24.6541, ground_elevation_m=41.0)
    >>> job = Job(site, satellites=(Satellite("Demo South", longitude_deg=-24.0),))
    >>> sun = sun_reports(job, Mount(), first_utc=dt.datetime(2026, 12, 1), last_utc=dt.datetime(2026, 12, 2))
    >>> [crossing] = sun.reports[0].crossings
    >>> f"{crossing.time:%H:%M}", round(crossing.sun_elevation_deg, 1)
    ('13:24', 10.2)
    """
    at = place(job, mount)
    here = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m)
    half_angle_deg = interference_half_angle_deg(
        dish_diameter_m=job.terminal.dish_diameter_m, receive_ghz=job.terminal.receive_ghz
    )
    looks, reports = [], []
    for satellite in job.satellites:
        report = sun_report(
            *here,
            satellite,
            half_angle_deg=half_angle_deg,
            first_utc=first_utc,
            last_utc=last_utc,
            time_utc=time_utc,
        )
        look = look_vector(*here, satellite)
        if alignments_until_utc is not None:
            seasons = alignments(
                *here,
                azimuth_deg=look.azimuth_deg,
                elevation_deg=look.elevation_deg,
                half_angle_deg=half_angle_deg,
                first_utc=first_utc,
                last_utc=alignments_until_utc,
            )
            report = replace(report, alignments=seasons)
        looks.append(look)
        reports.append(report)
    notes = () if at.datum_known else ("The ground's elevation is not known: 0 m is taken.",)
    return MountSun(at.site, here, tuple(looks), tuple(reports), notes)

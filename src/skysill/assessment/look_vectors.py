"""Look vectors from one mount of a job to all its satellites."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from skysill.assessment.placement import place, position_notes
from skysill.model.job import Job
from skysill.model.site import Mount, Site
from skysill.pointing.look_vector import LookVector, look_track, look_vector

__all__ = ["MountLooks", "look_vectors"]

_COARSE_M = 100.0
"""Positions known worse than that get a note; it is 0.001 degrees of a look angle."""


@dataclass(frozen=True, slots=True, eq=False)
class MountLooks:
    """Look vectors of one mount. Fields are the JSON of `skysill look`, but for the notes.

    site : with the ground elevation that was used; ground_source "assumed" where nothing gave one
    look : one entry a satellite, in the order of job.satellites; for an object that moves one entry a time
    notes : what was assumed, in whole sentences
    """

    site: Site
    look: tuple[LookVector, ...]
    notes: tuple[str, ...] = field(default=(), metadata={"json": False})


def look_vectors(job: Job, mount: Mount) -> MountLooks:
    """Look vectors from the dish centre of one mount to each satellite of the job.

    Parameters
    ----------
    job : its satellites are looked at; its rasters give the ground where the site does not; its date is that of the
        magnetic bearings (None: no magnetic bearing); its times_utc are those of objects that move
    mount : usually one of job.mounts

    Returns
    -------
    MountLooks. Angles in degrees, slant range in metres; a satellite below the horizon is reported like any other.

    Raises
    ------
    InputError : an object on an orbit record without times, or too far from its epoch; a date outside the magnetic
        model

    Notes
    -----
    Look angles: Soler & Eisemann 1994; ray bending: ITU-R P.619-5 eq. (26); see `skysill.look_vector`.

    >>> from skysill import Job, Mount, Satellite, Site, look_vectors
    >>> site = Site("clinic", 58.0312, -24.6541, ground_elevation_m=41.0)
    >>> job = Job(site, satellites=(Satellite("Demo South", longitude_deg=-24.0),))
    >>> [look] = look_vectors(job, Mount(height_m=2.0)).look
    >>> look.satellite, round(look.azimuth_deg or 0.0, 2), round(look.elevation_deg, 2)
    ('Demo South', 179.23, 24.06)
    """
    at = place(job, mount)
    site = at.site
    notes = position_notes(site, _COARSE_M)
    if not at.datum_known:
        notes = (
            *notes,
            "The ground's elevation is not known: 0 m is taken. --ground-elevation or --terrain would say.",
        )
        site = replace(site, ground_elevation_m=0.0, ground_source="assumed")
    here = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m)
    looks: list[LookVector] = []
    for satellite in job.satellites:
        if satellite.orbit is None:
            looks.append(look_vector(*here, satellite, date=job.date))
        else:
            looks.extend(look_track(*here, satellite, times_utc=job.times_utc, date=job.date))
    return MountLooks(site, tuple(looks), notes)

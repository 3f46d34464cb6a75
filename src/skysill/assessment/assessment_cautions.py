"""The cautions that belong to an assessment."""

from __future__ import annotations

from dataclasses import replace

from skysill.assessment.cautions import Caution, cautions_for
from skysill.assessment.results import Assessment
from skysill.model.job import Job
from skysill.model.site import Mount

__all__ = ["assessment_cautions"]


def assessment_cautions(job: Job, mount: Mount, assessment: Assessment) -> tuple[Caution, ...]:
    """What keeps people from harm at a mount and at the places and heights of its remedies.

    Parameters
    ----------
    job, mount : what was assessed
    assessment : of that mount, from `skysill.check` or `skysill.assess`

    Returns
    -------
    Caution, a code and one sentence each; they defer to local codes and licensed practice

    >>> from skysill import Job, Mount, Satellite, Site, assessment_cautions, check
    >>> job = Job(Site("clinic", 58.0312, -24.6541), satellites=(Satellite("Demo South", longitude_deg=-24.0),))
    >>> mount = Mount(height_m=6.0)
    >>> "falls" in {caution.code for caution in assessment_cautions(job, mount, check(job, mount))}
    True
    """
    placed = replace(mount, surface_elevation_m=assessment.mount.surface_elevation_m)
    return cautions_for(
        placed,
        scene=job.sources.scene,
        terminal=job.terminal,
        roof=job.roof,
        ground_elevation_m=assessment.site.ground_elevation_m,
        survey=job.sources.survey,
        remedies=[remedy for result in assessment.results for remedy in result.remedies],
    )

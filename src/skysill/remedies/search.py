"""What would turn a verdict into `clear`: raise, move, trim, other-satellite; each proved by a second assessment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.overhead_lines import lines_listed
from skysill.assessment.pipeline import assess
from skysill.assessment.results import Assessment, Remedy, SatelliteResult
from skysill.model.job import Job
from skysill.model.site import Mount
from skysill.remedies.moving import moved, spots_word
from skysill.remedies.raising import USUAL_MAST_M, raised
from skysill.remedies.trials import Trials
from skysill.remedies.trimming import trimmed

__all__ = ["check", "none_found", "with_remedies"]


def check(
    job: Job, mount: Mount, *, profile_step_deg: float | None = None, paths: bool = False
) -> Assessment:
    """Assess one mount, with the remedies of every result that is not clear.

    Parameters
    ----------
    job : its sources, criteria, terminal and satellites; its roof and boundary limit where a mount may be moved
    mount : usually one of job.mounts
    profile_step_deg : also give the whole horizon at this step, for pictures
    paths : also give the ground along each satellite's azimuth, for pictures

    Returns
    -------
    Assessment, one result per satellite; each remedy was assessed again and says what came out

    Raises
    ------
    InputError : as in `assess`

    >>> from skysill import check, read_site_file
    >>> job = read_site_file("demo_terrain/clinic.toml")
    >>> [(result.satellite.name, result.verdict) for result in check(job, job.mounts[0]).results][0]
    ('Demo South', 'clear')
    """
    job, context = prepared(job), JobContext()
    found = assess(job, mount, profile_step_deg=profile_step_deg, paths=paths, context=context)
    return with_remedies(job, mount, found, context=context)


def with_remedies(
    job: Job, mount: Mount, assessment: Assessment, *, context: JobContext | None = None
) -> Assessment:
    """The same assessment with remedies proved and filled in.

    context : that of the assessment, where it was kept; None: a new one
    """
    job, context = prepared(job), JobContext() if context is None else context
    results = []
    for result in assessment.results:
        if result.verdict in ("clear", "needs-survey", "unknown"):
            results.append(replace(result, remedies=tuple(_other_satellite(result, assessment.results))))
            continue
        alone = replace(job, satellites=(result.satellite,))
        found: list[Remedy] = []
        searched = ""
        if result.look.visible and assessment.evidence is not None:
            trials = Trials.of(alone, mount, result, assessment.evidence, context)
            found.extend(raised(trials))
            found.extend(trimmed(trials))
            found.extend(moved(trials))
            searched = "" if found else none_found(trials)
        found.extend(_other_satellite(result, assessment.results))
        results.append(replace(result, remedies=tuple(found), searched=searched))
    return replace(assessment, results=tuple(results))


def none_found(trials: Trials) -> str:
    """What was looked for in vain, in a sentence without its stop."""
    mount = trials.mount
    most_m = mount.height_m + USUAL_MAST_M if mount.max_height_m is None else mount.max_height_m
    spots = spots_word(trials)
    tried = f"no mast of up to {most_m:g} m{f', {spots}' if spots else ''} or trimming"
    lines = (
        " and keeps its distance from the overhead lines" if lines_listed(trials.job.sources.scene) else ""
    )
    return f"none found: {tried} clears it{lines}"


def _other_satellite(result: SatelliteResult, results: Sequence[SatelliteResult]) -> list[Remedy]:
    if result.verdict == "clear":
        return []
    clear = [r for r in results if r.verdict == "clear" and r.satellite != result.satellite]
    return [
        Remedy(
            "other-satellite",
            f"From this same mount {other.satellite.name} is clear.",
            satellite=other.satellite.name,
        )
        for other in clear[:1]
    ]

"""The least height of one dish over terrain, by assessments of one height after another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from skysill.assessment.clearance import Clearance, clearance, column_rooms
from skysill.assessment.evidence import gather_evidence, place
from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.pipeline import look_vectors
from skysill.model.job import Job
from skysill.model.site import Mount

__all__ = ["least_height_m"]

_STEPS_A_METRE = 10


def least_height_m(job: Job, mount: Mount, now: Clearance, *, most_m: float) -> float:
    """Least height of the dish centre at which terrain leaves the required room, to the next tenth of a metre.

    Parameters
    ----------
    job : one satellite that is up, rasters alone as sources
    mount : at whose height the room is not there; now : its clearance
    most_m : no height above is tried

    Returns
    -------
    metres above the surface, nan where most_m does not suffice

    Notes
    -----
    Terrain that leaves the room at one height leaves it at all greater ones. Heights are tried from the shortfall of
    the ground that controls, then by bisection.
    """
    job, context = prepared(job), JobContext()

    def at(step: int) -> Clearance:
        return _clearance(job, replace(mount, height_m=step / _STEPS_A_METRE), context)

    short = int(np.ceil(np.round(mount.height_m * _STEPS_A_METRE, 4))) - 1
    most, enough, reach = int(most_m * _STEPS_A_METRE), None, 1
    guess = short + _shortfall_steps(now)
    while enough is None:
        step = min(max(guess, short + reach), most)
        if step <= short:
            return float("nan")
        found = at(step)
        if found.has_clearance:
            enough = step
        else:
            short, guess, reach = step, step + _shortfall_steps(found), 2 * reach
    reach = 1
    while enough - short > 1:
        step = max(enough - reach, (enough + short) // 2)
        if at(step).has_clearance:
            enough, reach = step, 2 * reach
        else:
            short = step
    return enough / _STEPS_A_METRE


def _shortfall_steps(found: Clearance) -> int:
    """By how much the room at the ground that controls is too small, in steps."""
    if found.clearance_m is None or found.required_m is None:
        return 1
    return max(int(np.ceil((found.required_m - found.clearance_m) * _STEPS_A_METRE)), 1)


def _clearance(job: Job, mount: Mount, context: JobContext) -> Clearance:
    where = place(job, mount)
    (look,) = look_vectors(job, where, job.satellites[0])
    evidence = gather_evidence(job, where, [look], context=context)
    rooms = [column_rooms(seen, look.ray, job.link) for seen in evidence.silhouettes]
    return clearance(rooms, evidence.silhouettes, look.ray, link=job.link, losses=False)

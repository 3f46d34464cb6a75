"""Verdicts of one mount after several numbers of years of growth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.pipeline import assess
from skysill.assessment.verdict import Verdict
from skysill.model.job import Job
from skysill.model.site import Mount

__all__ = ["YearVerdict", "verdicts_by_year"]


@dataclass(frozen=True, slots=True)
class YearVerdict:
    """The verdict for one satellite after so many years of growth. Fields are the JSON of `check --years`.

    years_ahead : years of growth
    satellite : its name
    margin_deg, clearance_m, required_m : at the controlling obstruction, degrees and metres; None: nothing obstructs
    p_clear : probability that the required room is there; None: not assessed
    """

    years_ahead: float
    satellite: str
    verdict: Verdict
    margin_deg: float | None
    clearance_m: float | None
    required_m: float | None
    p_clear: float | None


def verdicts_by_year(job: Job, mount: Mount, years: Sequence[float]) -> tuple[YearVerdict, ...]:
    """The verdict for each satellite of a job after each number of years of growth.

    Parameters
    ----------
    job : criteria.years_ahead is replaced by each of the years
    mount : usually one of job.mounts
    years : (n,) numbers from 0 to 100

    Returns
    -------
    YearVerdict, one entry a year and satellite: all satellites after the first number of years come first

    Raises
    ------
    InputError : a number of years below 0 or above 100

    >>> from skysill import Job, Mount, Satellite, Site, verdicts_by_year
    >>> job = Job(Site("clinic", 58.0312, -24.6541), satellites=(Satellite("Demo South", longitude_deg=-24.0),))
    >>> [(row.years_ahead, row.verdict) for row in verdicts_by_year(job, Mount(), [0, 5])]
    [(0, 'unknown'), (5, 'unknown')]
    """
    rows, job, context = [], prepared(job), JobContext()
    for year in years:
        grown = replace(job, criteria=replace(job.criteria, years_ahead=year))
        for result in assess(grown, mount, context=context).results:
            clearance = result.later or result.clearance
            rows.append(
                YearVerdict(
                    years_ahead=year,
                    satellite=result.satellite.name,
                    verdict=result.verdict,
                    margin_deg=clearance.margin_deg,
                    clearance_m=clearance.clearance_m,
                    required_m=clearance.required_m,
                    p_clear=result.p_clear,
                )
            )
    return tuple(rows)

"""One spot as it is dragged over a plan: verdict, least mast, cable run and cautions at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from skysill.assessment.cautions import Caution, spot_cautions
from skysill.assessment.job_context import JobContext
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import place
from skysill.assessment.results import Assessment
from skysill.model.job import Job
from skysill.model.site import Mount
from skysill.remedies.standing_room import standing
from skysill.siting.cables import cable_run
from skysill.siting.mast_choice import MastChoice
from skysill.siting.mast_search import SpotRoom, mast_heights_m
from skysill.siting.mounts import free_heights_m, own_heights_m
from skysill.siting.spots import surface_under

__all__ = ["SpotReview", "moved_mount", "review_spot"]


@dataclass(frozen=True, slots=True, eq=False)
class SpotReview:
    """What is said of one spot.

    mount : with the surface that it stands on; None while that is not known
    assessment : at the mount's own height
    least_height_m : (satellite,) least height for each satellite; None: none does up to max_height_m, or not known
    proved : whether those heights were assessed; else they only have the required room, and certainty may ask for more
    refusal : why no mast may stand there, None where one may
    cable_run_m : slack included, None without a cable entry; cable_ok : within the terminal's limit, None if not stated
    notes : what is not known, in whole sentences
    """

    mount: Mount
    assessment: Assessment
    least_height_m: tuple[float | None, ...]
    max_height_m: float
    proved: bool
    refusal: str | None
    cable_run_m: float | None
    cable_ok: bool | None
    cautions: tuple[Caution, ...]
    notes: tuple[str, ...]


def moved_mount(job: Job, mount: Mount, *, east_m: float, north_m: float) -> Mount:
    """A mount at another plan position, on the roof there; beside the roof on the ground, its elevation left open."""
    site = place(job, Mount()).site
    under = surface_under(job.roof, site, job.sources.rasters, east_m, north_m)
    surface_m, source = (None, "unknown") if under is None else under
    return replace(
        mount,
        east_m=east_m,
        north_m=north_m,
        surface_elevation_m=surface_m,
        surface_height_m=None,
        surface_source=source,
    )


def review_spot(
    job: Job,
    mount: Mount,
    *,
    context: JobContext,
    prove: bool,
    named: bool = True,
    max_height_m: float | None = None,
) -> SpotReview:
    """Verdict, least masts, cable run and cautions of one spot.

    Parameters
    ----------
    job : prepared; its satellites are those asked about
    mount : at its height, on its surface; from `moved_mount` where it was moved
    context : of the work on this job
    prove : find the least heights by assessments, as `compare_mounts` does; else only by the room, which is quicker
    named : whether it is a mount of the site file, which takes any height up to its own max_height_m; else it takes
        those of the mast kits, where there are any, as the spots of a search do
    max_height_m : tallest mast, where the mount does not say; default 6 m

    Raises
    ------
    InputError : as `assess`
    """
    found = assess(job, mount, explain=prove, losses=prove, magnetic=prove, context=context)
    stands = replace(mount, surface_elevation_m=found.mount.surface_elevation_m)
    heights = own_heights_m(job, mount, max_height_m) if named else mast_heights_m(job, max_height_m)
    notes: tuple[str, ...] = ()
    least: tuple[float | None, ...] = tuple(None for _ in job.satellites)
    refusal = None
    if stands.surface_elevation_m is None:
        notes = ("The least mast is not known: no elevation is known here.",)
    else:
        refusal = standing(
            job, stands.east_m, stands.north_m, stands.surface_elevation_m, stands.height_m
        ).reasons[0]
        free_m = free_heights_m(job, stands, heights)
        if free_m.size:
            room = SpotRoom(job, [stands], free_m, context=context)
            least = _proved(job, room) if prove else _by_room(room, free_m)
    route = None if job.roof is None else cable_run(job.roof, stands)
    limit_m = job.terminal.cable_limit_m
    return SpotReview(
        mount=stands,
        assessment=found,
        least_height_m=least,
        max_height_m=float(heights[-1]),
        proved=prove,
        refusal=refusal,
        cable_run_m=None if route is None else round(route.length_m, 3),
        cable_ok=None if route is None or limit_m is None else route.length_m <= limit_m,
        cautions=spot_cautions(
            stands,
            scene=job.sources.scene,
            terminal=job.terminal,
            roof=job.roof,
            ground_elevation_m=found.site.ground_elevation_m,
            survey=job.sources.survey,
        ),
        notes=notes,
    )


def _proved(job: Job, room: SpotRoom) -> tuple[float | None, ...]:
    choice = MastChoice(job, room)
    return tuple(choice.least(0, [k]) for k in range(len(job.satellites)))


def _by_room(room: SpotRoom, heights_m: np.ndarray) -> tuple[float | None, ...]:
    first = room.solved[0][0]
    return tuple(float(heights_m[at]) if at < heights_m.size else None for at in first)

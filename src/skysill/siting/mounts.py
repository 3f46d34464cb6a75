"""Many mounts on one property: compared by their assessments, looked for over a roof and its yards, ranked.

Named mounts and the spots of a search go the same way: the room of every height from `mast_search`, the least height
that is content proved by `mast_choice`, and one whole assessment of what stands in the ranking.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from skysill.assessment.cautions import general_cautions, spot_cautions
from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.pipeline import assess, look_vectors
from skysill.assessment.placement import place
from skysill.assessment.results import Assessment, result_severity
from skysill.errors import InputError
from skysill.model.job import Job
from skysill.model.scene import Scene
from skysill.model.site import Mount
from skysill.pointing.look_vector import LookVector
from skysill.siting.cables import CableRun, cable_run
from skysill.siting.mast_choice import CONTENT, Chosen, MastChoice
from skysill.siting.mast_search import (
    DEFAULT_MAX_HEIGHT_M,
    STEP_M,
    Searched,
    SpotRoom,
    least_practical_m,
    search,
    searched_room,
)
from skysill.siting.mount_rows import (
    MountRow,
    MountsFound,
    SatelliteMounts,
    kit_of,
    mounts_geojson,
    row_order,
)

__all__ = [
    "DEFAULT_MAX_HEIGHT_M",
    "MountRow",
    "MountsFound",
    "SatelliteMounts",
    "Searched",
    "compare_mounts",
    "free_heights_m",
    "mounts_geojson",
    "own_heights_m",
    "search",
]

_MOST_TRIES = 8


def compare_mounts(
    job: Job, *, grid_step_m: float | None = None, max_height_m: float | None = None, keep: int = 6
) -> MountsFound:
    """The named mounts, and with a grid the best spots of the roof and yards, assessed and ranked.

    Parameters
    ----------
    job : its mounts, roof, yards, boundary, mast kits and cable limit
    grid_step_m : search the roof and yards at this step; None: the named mounts only
    max_height_m : tallest mast of the search; default 6 m, whatever the named mounts allow
    keep : spots of the search to assess, for all satellites together and half as many for each alone

    Returns
    -------
    MountsFound. Ranking: verdict, lines near, cable within its limit, least mast, shorter cable, larger margin

    Raises
    ------
    InputError : a grid without a roof; no mount that can be assessed

    >>> from skysill import compare_mounts, read_site_file
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> compare_mounts(job).mounts[0].verdict
    'needs-survey'
    """
    if not job.satellites:
        raise InputError("no satellite was named.", mend='Give --satellite "NAME=24.0W".')
    if grid_step_m is not None and job.roof is None:
        raise InputError("there is no roof to search.", where="--grid", mend="Describe it under [roof].")
    job, context = prepared(job), JobContext()
    named = job.mounts if job.mounts_named or grid_step_m is None else ()
    candidates = [_named(job, mount, max_height_m, context) for mount in named]
    faults = [c for c in candidates if c.fault is not None]
    if grid_step_m is None and len(faults) == len(candidates):
        assert faults[0].fault is not None
        raise faults[0].fault
    searched = None
    if grid_step_m is not None:
        searched, room = searched_room(job, grid_step_m, max_height_m, context)
        candidates += _offered(job, searched, MastChoice(job, room), keep)
    return _answer(job, candidates, _looks(job, candidates), searched)


@dataclass(slots=True, eq=False)
class _Candidate:
    """A mount with what was found out about it.

    at : assessed for every satellite that it stands in the ranking for
    least_m : by satellite, and for all of them under ""
    alone : the satellite that a spot of a search was found for; "": all together; None: a named mount
    fault : why it cannot be assessed
    """

    mount: Mount
    at: Assessment | None = None
    least_m: dict[str, float | None] = field(default_factory=dict)
    alone: str | None = None
    fault: InputError | None = None
    kit: str | None = None

    def least_for(self, names: tuple[str, ...]) -> float | None:
        """The least height for one satellite, or for all."""
        name = names[0] if len(names) == 1 and names[0] in self.least_m else ""
        return self.least_m[name]


def _looks(job: Job, candidates: Sequence[_Candidate]) -> tuple[LookVector, ...]:
    """One look vector per satellite, the first of the times for one that moves; from a mount or the roof's middle."""
    good = [c.mount for c in candidates if c.fault is None]
    middle = Mount()
    if job.roof is not None:
        east_m, north_m = np.mean(job.roof.outline, axis=0)
        middle = Mount(east_m=float(east_m), north_m=float(north_m), surface_elevation_m=None)
    at = place(job, good[0] if good else middle)
    return tuple(look_vectors(job, at, s)[0] for s in job.satellites)


# --- named mounts --------------------------------------------------------------------------------------------


def _named(job: Job, mount: Mount, max_height_m: float | None, context: JobContext) -> _Candidate:
    """A named mount assessed at its own height, with its least heights; or why it cannot be."""
    candidate = _Candidate(mount)
    try:
        candidate.at = assess(job, mount, explain=False, losses=False, magnetic=False, context=context)
    except InputError as fault:
        candidate.fault = fault
        return candidate
    heights = own_heights_m(job, mount, max_height_m)
    names = [s.name for s in job.satellites]
    if candidate.at.mount.surface_elevation_m is None:
        candidate.least_m = {
            s.name: _least_without_datum_m(replace(job, satellites=(s,)), mount, heights, context)
            for s in job.satellites
        }
        found = list(candidate.least_m.values())
        candidate.least_m[""] = None if None in found else max(h for h in found if h is not None)
        return candidate
    heights = free_heights_m(
        job, replace(mount, surface_elevation_m=candidate.at.mount.surface_elevation_m), heights
    )
    if not heights.size:
        candidate.least_m = dict.fromkeys([*names, ""])
        return candidate
    choice = MastChoice(job, SpotRoom(job, [mount], heights, context=context))
    candidate.least_m = {name: choice.least(0, [k]) for k, name in enumerate(names)}
    candidate.least_m[""] = choice.least(0, range(len(names)))
    return candidate


def own_heights_m(job: Job, mount: Mount, max_height_m: float | None) -> np.ndarray:
    """Heights that a named mount allows, in steps from the lowest practical one."""
    tallest = mount.max_height_m or max_height_m or max(DEFAULT_MAX_HEIGHT_M, mount.height_m)
    lowest = np.ceil(min(least_practical_m(job.terminal), tallest) / STEP_M - 1e-6) * STEP_M
    return np.append(np.arange(lowest, tallest - 1e-9, STEP_M), tallest).round(6)


def free_heights_m(job: Job, mount: Mount, heights_m: np.ndarray) -> np.ndarray:
    """Those of some heights at which the dish centre is inside nothing; mount : with its surface elevation."""
    scene: Scene | None = job.sources.scene
    if scene is None or mount.surface_elevation_m is None:
        return heights_m
    level = np.zeros(heights_m.size)
    dish = np.column_stack(
        [level + mount.east_m, level + mount.north_m, mount.surface_elevation_m + heights_m]
    )
    return np.asarray(heights_m[~scene.holding(dish).any(axis=1)])


def _least_without_datum_m(
    alone: Job, mount: Mount, heights_m: np.ndarray, context: JobContext
) -> float | None:
    """The least height that is content where no elevation is known: tried upwards, what lies between then halved."""
    tried: dict[int, bool] = {}

    def content(index: int) -> bool:
        if index not in tried:
            try:
                found = assess(
                    alone,
                    replace(mount, height_m=float(heights_m[index])),
                    explain=False,
                    losses=False,
                    magnetic=False,
                    context=context,
                )
            except InputError:
                tried[index] = False
            else:
                tried[index] = found.results[0].verdict in CONTENT
        return tried[index]

    low, at, stride = -1, 0, 4
    while not content(at):
        if at == heights_m.size - 1:
            return None
        low, at, stride = at, min(at + stride, heights_m.size - 1), stride * 2
    while at - low > 1:
        middle = (low + at) // 2
        low, at = (low, middle) if content(middle) else (middle, at)
    return float(heights_m[at])


# --- spots of a search ---------------------------------------------------------------------------------------


def _offered(job: Job, searched: Searched, choice: MastChoice, keep: int) -> list[_Candidate]:
    """The best spots for all satellites together, and for each alone."""
    names = [s.name for s in job.satellites]
    found = [_spot(job, searched, choice, one, "") for one in choice.best(range(len(names)), keep)]
    if len(names) > 1:
        for k, satellite in enumerate(job.satellites):
            found += [
                _spot(job, searched, choice, one, satellite.name)
                for one in choice.best([k], max(2, keep // 2))
            ]
    return found


def _spot(job: Job, searched: Searched, choice: MastChoice, one: Chosen, alone: str) -> _Candidate:
    mount = choice.room.mount(one.spot, one.at)
    least_m = mount.height_m if one.content else None
    kit = searched.spots.kit[one.spot] or kit_of(job, mount.height_m)
    mount = replace(mount, max_height_m=float(searched.heights_m[-1]))
    return _Candidate(mount, one.assessment, {alone: least_m}, alone, kit=kit)


# --- the answer ----------------------------------------------------------------------------------------------


def _answer(
    job: Job, candidates: Sequence[_Candidate], looks: tuple[LookVector, ...], searched: Searched | None
) -> MountsFound:
    names = tuple(s.name for s in job.satellites)
    rows, routes = _ranked(job, [c for c in candidates if not c.alone], names)
    each = tuple(
        SatelliteMounts(name, _ranked(job, [c for c in candidates if c.alone in (None, name)], (name,))[0])
        for name in names
    )
    # what is said of each spot of a search differs only in its distances: the best one's stands for all
    reported = [c for c in candidates if c.alone is None or (rows and c.mount.name == rows[0].name)]
    notes = [*(searched.spots.notes if searched else ())]
    notes += [w for c in reported if c.at is not None for w in c.at.warnings]
    notes += [f"{c.mount.name} was left out of the ranking: {c.fault}" for c in candidates if c.fault]
    if searched is not None and not np.isfinite(searched.all_height_m).any() and len(names) > 1:
        notes.append("No spot of the search serves all satellites from one mast within the height looked at.")
    return MountsFound(
        satellite=" + ".join(names),
        mounts=rows,
        per_satellite=each if len(names) > 1 else (),
        cautions=general_cautions(job.terminal, scene=job.sources.scene, roof=job.roof),
        warnings=tuple(dict.fromkeys(notes)),
        job=job,
        looks=looks,
        searched=searched,
        routes=routes,
    )


def _ranked(
    job: Job, candidates: Sequence[_Candidate], names: tuple[str, ...]
) -> tuple[tuple[MountRow, ...], tuple[CableRun | None, ...]]:
    made = [_row(job, candidate, names) for candidate in candidates]
    made.sort(key=lambda pair: row_order(pair[0]))
    rows = tuple(replace(row, rank=rank) for rank, (row, _) in enumerate(made, start=1))
    return rows, tuple(route for _, route in made)


def _row(job: Job, candidate: _Candidate, names: tuple[str, ...]) -> tuple[MountRow, CableRun | None]:
    mount, at = candidate.mount, candidate.at
    if at is None:
        return _faulty(mount, candidate.fault), None
    results = [r for r in at.results if r.satellite.name in names]
    worst = max(results, key=result_severity)
    sure = [r.p_clear for r in results]
    mount = replace(mount, surface_elevation_m=at.mount.surface_elevation_m)
    route = None if job.roof is None else cable_run(job.roof, mount)
    limit = job.terminal.cable_limit_m
    row = MountRow(
        rank=0,
        name=mount.name,
        east_m=mount.east_m,
        north_m=mount.north_m,
        surface_elevation_m=mount.surface_elevation_m,
        height_m=mount.height_m,
        least_height_m=candidate.least_for(names),
        verdict=worst.verdict,
        margin_deg=worst.clearance.margin_deg,
        clearance_m=worst.clearance.clearance_m,
        required_m=worst.clearance.required_m,
        p_clear=None if any(p is None for p in sure) else min(p for p in sure if p is not None),
        cable_run_m=None if route is None else round(route.length_m, 3),
        cable_ok=None if route is None or limit is None else route.length_m <= limit,
        cautions=spot_cautions(
            mount,
            scene=job.sources.scene,
            terminal=job.terminal,
            roof=job.roof,
            ground_elevation_m=at.site.ground_elevation_m,
            survey=job.sources.survey,
            tallest_m=None if candidate.alone is None else mount.height_m,
        ),
        serves=tuple(r.satellite.name for r in results if r.verdict in ("clear", "needs-survey")),
        worst=worst.satellite.name,
        kit=candidate.kit,
    )
    return row, route


def _faulty(mount: Mount, fault: InputError | None) -> MountRow:
    """A mount that could not be assessed, in its place at the end of the ranking."""
    return MountRow(
        rank=0,
        name=mount.name,
        east_m=mount.east_m,
        north_m=mount.north_m,
        surface_elevation_m=mount.surface_elevation_m,
        height_m=mount.height_m,
        least_height_m=None,
        verdict="unknown",
        margin_deg=None,
        clearance_m=None,
        required_m=None,
        p_clear=None,
        cable_run_m=None,
        cable_ok=None,
        fault=str(fault),
    )

"""The answer at every spot of a roof and at every named mount, for each satellite by itself.

Each least mast is proved by an assessment of the spot at that height, as the best spots of `mounts` are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import place
from skysill.assessment.results import Assessment
from skysill.errors import InputError
from skysill.model.job import Job
from skysill.model.site import Mount
from skysill.remedies.standing_room import standing
from skysill.siting.mast_choice import MastChoice
from skysill.siting.mast_search import DEFAULT_MAX_HEIGHT_M, Searched, searched_room
from skysill.siting.mounts import compare_mounts
from skysill.siting.spots import spots

__all__ = [
    "MOST_SPOTS",
    "Progress",
    "RoofAnswers",
    "SpotAnswer",
    "SpotAnswers",
    "default_grid_step_m",
    "roof_answers",
]

MOST_SPOTS = 400
"""Spots of a grid that are all answered: more take long, and stand closer together than a finger can tell apart."""

_USUAL_SPOTS = 60
_STEPS_M = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 30.0, 50.0, 100.0)

Progress = Callable[[int, int], None]
"""Called with the number of answers that are done, and of all."""


@dataclass(frozen=True, slots=True, eq=False)
class SpotAnswer:
    """One satellite from one spot.

    height_m : of the dish centre, as assessed: the least that serves, or where none does the tallest looked at; of a
        named mount its own
    least_height_m : least height at which the verdict is as good as it can get; None: none does up to max_height_m
    max_height_m : tallest height looked at; 0 where no mast may stand
    assessment : of this satellite alone at height_m; None where no mast may stand, for the reason in `refusal`
    """

    height_m: float
    least_height_m: float | None
    max_height_m: float
    assessment: Assessment | None
    refusal: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class SpotAnswers:
    """One spot with its answers, one a satellite.

    mount : with its surface; named : whether somebody named it in the site file; on_roof : else in a yard or elsewhere
    kit : the mast kit or bracket that the spot itself asks for, else ""
    """

    mount: Mount
    named: bool
    on_roof: bool
    kit: str
    answers: tuple[SpotAnswer, ...]


@dataclass(frozen=True, slots=True, eq=False)
class RoofAnswers:
    """Every spot of a search, and before them the named mounts.

    grid_step_m, searched : of the search; None where only named mounts were asked about
    notes : what was left out, in whole sentences
    """

    spots: tuple[SpotAnswers, ...]
    grid_step_m: float | None
    searched: Searched | None
    notes: tuple[str, ...]


def default_grid_step_m(job: Job) -> float | None:
    """The finest usual step, from 1 m on, whose grid has no more than about 60 spots; None without a roof."""
    if job.roof is None:
        return None
    return next((step_m for step_m in _STEPS_M if _count(job, step_m) <= _USUAL_SPOTS), _STEPS_M[-1])


def _count(job: Job, step_m: float) -> int:
    assert job.roof is not None
    site = place(job, Mount()).site
    return len(spots(job.roof, site, job.sources.rasters, step_m=step_m, kits=job.mast_kits))


def roof_answers(
    job: Job,
    *,
    grid_step_m: float | None = None,
    max_height_m: float | None = None,
    progress: Progress | None = None,
) -> RoofAnswers:
    """The least mast of every spot for each satellite by itself, proved, with what was assessed there.

    Parameters
    ----------
    job : its roof and yards, or where there is no roof its mounts; named mounts are answered too
    grid_step_m : of the spots; None: `default_grid_step_m`
    max_height_m : tallest mast of the search; default 6 m
    progress : told after each answer; whatever it raises ends the work

    Returns
    -------
    RoofAnswers

    Raises
    ------
    InputError : a grid without a roof; more spots than `MOST_SPOTS`; no mount that can be assessed

    >>> from skysill import read_site_file
    >>> found = roof_answers(read_site_file("demo_terrain/farm.toml"))
    >>> found.grid_step_m, [one.mount.name for one in found.spots]
    (None, ['barn gable'])
    """
    if not job.satellites:
        raise InputError("no satellite was named.", mend='Give --satellite "NAME=24.0W".')
    if grid_step_m is not None and job.roof is None:
        raise InputError("there is no roof to search.", where="--grid", mend="Describe it under [roof].")
    job, context = prepared(job), JobContext()
    step_m = default_grid_step_m(job) if grid_step_m is None else grid_step_m
    if step_m is None:
        found, notes = _named(job, max_height_m, context)
        _tell(progress, len(found) * len(job.satellites), len(found) * len(job.satellites))
        return RoofAnswers(found, None, None, notes)
    _refuse_too_many(job, step_m)
    searched, room = searched_room(job, step_m, max_height_m, context)
    named, notes = _named(job, max_height_m, context) if job.mounts_named else ((), ())
    choice, refused = MastChoice(job, room), _refusals(job, searched)
    count, answered = len(job.satellites), []
    for spot in range(len(room)):
        answers = []
        for satellite in range(count):
            answers.append(_answer(choice, spot, satellite, refused[spot]))
            _tell(progress, spot * count + satellite + 1, len(room) * count)
        kit = searched.spots.kit[spot] if searched.spots.kit else ""
        on_roof = bool(searched.spots.on_roof[spot])
        answered.append(SpotAnswers(room.mounts[spot], False, on_roof, kit, tuple(answers)))
    return RoofAnswers(
        (*named, *answered), step_m, searched, tuple(dict.fromkeys((*searched.spots.notes, *notes)))
    )


def _tell(progress: Progress | None, done: int, of: int) -> None:
    if progress is not None:
        progress(done, of)


def _refuse_too_many(job: Job, step_m: float) -> None:
    count = _count(job, step_m)
    if count > MOST_SPOTS:
        raise InputError(
            f"a {step_m:g} m grid has {count:,} spots; {MOST_SPOTS} at most are all answered.",
            where="--grid",
            mend="Take a coarser one.",
        )


def _refusals(job: Job, searched: Searched) -> Sequence[str | None]:
    grid = searched.spots
    lowest_m = float(searched.heights_m[0]) if searched.heights_m.size else 0.0
    return standing(job, grid.east_m, grid.north_m, grid.surface_elevation_m, lowest_m).reasons


def _answer(choice: MastChoice, spot: int, satellite: int, refusal: str | None) -> SpotAnswer:
    room = choice.room
    last = int(room.usable[spot])
    if last == 0:
        return SpotAnswer(0.0, None, 0.0, None, refusal or "no mast of those looked at fits")
    tallest_m = float(room.heights_m[spot, last - 1])
    least_m = choice.least(spot, [satellite])
    height_m = tallest_m if least_m is None else least_m
    alone = replace(choice.job, satellites=(choice.job.satellites[satellite],))
    mount = room.mount(spot, room.index_of(spot, height_m))
    try:
        found = _assessed(alone, mount, room.context)
    except InputError as fault:  # the tallest mast would hold the dish inside something
        return SpotAnswer(height_m, None, tallest_m, None, fault.what.rstrip("."))
    return SpotAnswer(height_m, least_m, tallest_m, found)


def _assessed(job: Job, mount: Mount, context: JobContext) -> Assessment:
    return assess(job, mount, explain=False, losses=False, context=context)


def _named(
    job: Job, max_height_m: float | None, context: JobContext
) -> tuple[tuple[SpotAnswers, ...], tuple[str, ...]]:
    """The mounts of the site file at their own heights; those that cannot be assessed as notes."""
    try:
        found = compare_mounts(job, max_height_m=max_height_m)
    except InputError as fault:
        if job.roof is None:
            raise
        return (), (f"The named mounts were left out: {fault}",)
    by_satellite = [one.mounts for one in found.per_satellite] or [found.mounts]
    made = []
    for mount in job.mounts:
        rows = [next(row for row in rows if _is_of(row, mount)) for rows in by_satellite]
        if any(row.fault for row in rows):
            continue
        answers = []
        for satellite, row in zip(job.satellites, rows, strict=True):
            at = _assessed(replace(job, satellites=(satellite,)), mount, context)
            tallest_m = mount.max_height_m or max_height_m or max(DEFAULT_MAX_HEIGHT_M, mount.height_m)
            answers.append(SpotAnswer(mount.height_m, row.least_height_m, tallest_m, at))
        stands = replace(mount, surface_elevation_m=rows[0].surface_elevation_m)
        made.append(SpotAnswers(stands, True, _on_roof(job, mount), "", tuple(answers)))
    left_out = tuple(note for note in found.warnings if " was left out of the ranking: " in note)
    return tuple(made), left_out


def _is_of(row: object, mount: Mount) -> bool:
    return all(
        getattr(row, name) == getattr(mount, name) for name in ("name", "east_m", "north_m", "height_m")
    )


def _on_roof(job: Job, mount: Mount) -> bool:
    if job.roof is None:
        return False
    import shapely

    return bool(shapely.Polygon(job.roof.outline).covers(shapely.Point(mount.east_m, mount.north_m)))

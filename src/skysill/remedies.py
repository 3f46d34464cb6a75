"""What would turn a verdict into `clear`: raise, move, trim, other-satellite; each proved by a second assessment.

The columns of the first assessment, shifted by parallax, say where to try; only what the whole chain then says
of the changed situation is offered, since what a near thing hid may emerge.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from skysill.assess import Assessment, Remedy, SatelliteResult, assess, grown_columns, judge
from skysill.carried import carried, carried_spare_deg
from skysill.confidence import Witness, confidence
from skysill.gather import Gathered, dish_in_scene_m, prepared, scene_columns
from skysill.horizon.obstacles import Obstacle, Scene, clearances
from skysill.job import Job
from skysill.roofs import roof_elevation_m
from skysill.site import Mount
from skysill.units import Floats, Ints
from skysill.verdict import RANK

__all__ = ["check", "least_height", "with_remedies"]

USUAL_MAST_M = 10.0
"""How much higher a dish is tried where no max_height_m is given: beyond that a mast is a structure of its own.

Common practice, no source.
"""

_STEP_M = 0.1
_RINGS_M = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0)
_MOST_TRIES = 4
_GUESS_SAMPLES = 500
_MOST_MOVES = 4
_MOST_TRIMS = 5
_CUT_STEP_M = 0.5
_NINE_IN_TEN = 1.2816
"""Standard deviations on one side that leave nine tenths of a normal distribution."""


def check(
    job: Job, mount: Mount, *, profile_step_deg: float | None = None, paths: bool = False
) -> Assessment:
    """`assess`, with the remedies of every result that is not clear."""
    job = prepared(job)
    return with_remedies(job, mount, assess(job, mount, profile_step_deg=profile_step_deg, paths=paths))


def with_remedies(job: Job, mount: Mount, assessment: Assessment) -> Assessment:
    """The same assessment with remedies proved and filled in."""
    job = prepared(job)
    results = []
    for result in assessment.results:
        if result.verdict in ("clear", "needs-survey", "unknown"):
            results.append(replace(result, remedies=tuple(_other_satellite(result, assessment.results))))
            continue
        alone = replace(job, satellites=(result.satellite,))
        found: list[Remedy] = []
        if result.look.visible and assessment.gathered is not None:
            guess = _Guess.of(alone, result, assessment.gathered)
            found.extend(_raise(alone, mount, guess))
            found.extend(_trim(alone, mount, result, assessment.gathered))
            found.extend(_move(alone, mount, guess))
        found.extend(_other_satellite(result, assessment.results))
        results.append(replace(result, remedies=tuple(found)))
    return replace(assessment, results=tuple(results))


def _better(verdict: str, than: str) -> bool:
    """Whether a verdict is worth offering: it must not rest on missing data."""
    return RANK[verdict] < RANK[than] and verdict in ("clear", "needs-survey")


@dataclass(frozen=True, slots=True, eq=False)
class _Guess:
    """What the first assessment's columns say of a dish that stands elsewhere: where to try, never what to offer."""

    job: Job
    result: SatelliteResult
    gathered: Gathered
    witnesses: tuple[Witness, ...]

    @classmethod
    def of(cls, job: Job, result: SatelliteResult, gathered: Gathered) -> _Guess:
        grown, growth_m = grown_columns(job, gathered, result.look)
        return cls(job, result, gathered, gathered.witnesses(grown, growth_m))

    def spare_deg(self, step_m: Floats) -> Floats:
        """(n,) spare room from dish centres `step_m` (n, 3) away."""
        return carried_spare_deg(
            [w.silhouette for w in self.witnesses],
            self.result.look.azimuth_deg or 0.0,
            self.result.look.elevation_apparent_deg,
            step_m,
            terminal=self.job.terminal,
            criteria=self.job.criteria,
        )

    def sure(self, step_m: Floats) -> bool:
        """Whether the room would be there with the probability asked, from a dish centre `step_m` (3,) away."""
        moved = []
        for witness in self.witnesses:
            s = witness.silhouette
            az, el, far_m = carried(s, step_m[None, :], self.job.criteria.assumed_distance_m)
            lowered = np.asarray(s.floor_deg) + np.where(
                np.asarray(s.floor_deg) > -90.0, el[0] - s.elevation_deg, 0.0
            )
            shifted = replace(
                s,
                azimuth_deg=az[0],
                elevation_deg=el[0],
                distance_m=np.where(np.isnan(s.distance_m), np.nan, far_m[0]),
                floor_deg=lowered,
            )
            moved.append(replace(witness, silhouette=shifted))
        found = confidence(
            moved,
            self.result.look.azimuth_deg or 0.0,
            self.result.look.elevation_apparent_deg,
            terminal=self.job.terminal,
            criteria=self.job.criteria,
            errors=self.gathered.errors,
            samples=_GUESS_SAMPLES,
            explain=False,
        )
        return found.p_clear >= self.job.criteria.min_p_clear


def _raise(job: Job, mount: Mount, guess: _Guess) -> list[Remedy]:
    height_m, verdict = least_height(job, mount, guess)
    if height_m is None:
        return []
    more_m = height_m - mount.height_m
    text = f"Raise the dish centre to {height_m:.1f} m above what the mount stands on ({more_m:.1f} m more)."
    return [Remedy("raise", text + _short_of(verdict), to_height_m=height_m, by_m=more_m, verdict=verdict)]


def _short_of(verdict: str) -> str:
    """What is added to a remedy that does not quite reach `clear`."""
    if verdict == "clear":
        return ""
    return f" That brings it to {verdict}, the best that can be said from what is known."


def least_height(job: Job, mount: Mount, guess: _Guess) -> tuple[float | None, str]:
    """Least height of the dish centre above the mount's surface that clears, proved, to 0.1 m.

    Parameters
    ----------
    job : with the one satellite asked about
    guess : from the assessment at the mount's present height

    Returns
    -------
    (None, "") where no height up to max_height_m does; else the height and its verdict ("clear", or
    "needs-survey" where that is the best that the sources can say)
    """
    most_m = mount.height_m + USUAL_MAST_M if mount.max_height_m is None else mount.max_height_m
    rise_m = np.arange(1, max(0, int(np.floor((most_m - mount.height_m) / _STEP_M + 1e-9))) + 1) * _STEP_M
    if not rise_m.size:
        return None, ""
    step_m = np.column_stack([np.zeros_like(rise_m), np.zeros_like(rise_m), rise_m])
    hopeful = np.flatnonzero(guess.spare_deg(step_m) >= 0.0)
    at = _first(hopeful, lambda index: guess.sure(step_m[index]))
    if at is None:
        return None, ""

    def proved(index: int) -> str | None:
        height_m = round(mount.height_m + float(rise_m[index]), 6)
        verdict = assess(job, replace(mount, height_m=height_m), explain=False).results[0].verdict
        return verdict if _better(verdict, guess.result.verdict) else None

    verdict = proved(at)
    stride = 1 if verdict is None else -1  # up where the guess missed what emerged, else down to the least
    for _ in range(_MOST_TRIES):
        if not 0 <= at + stride < rise_m.size:
            break
        tried = proved(at + stride)
        if stride < 0 and tried is None:
            break
        at, verdict = at + stride, tried
        if stride > 0:
            if verdict is not None:
                break
            stride *= 2
    return (None, "") if verdict is None else (round(mount.height_m + float(rise_m[at]), 6), verdict)


def _first(sorted_indices: Ints, good: Callable[[int], bool]) -> int | None:
    """The first index that is good, taking it that all later ones are too; None where not even the last is."""
    low, high = 0, sorted_indices.size
    while low < high:
        middle = (low + high) // 2
        if good(int(sorted_indices[middle])):
            high = middle
        else:
            low = middle + 1
    return int(sorted_indices[low]) if low < sorted_indices.size else None


def _trim(job: Job, mount: Mount, result: SatelliteResult, gathered: Gathered) -> list[Remedy]:
    """Cut the trees that take the room, the tightest first, until it is clear or something else controls."""
    whole: Scene | None = job.sources.scene
    if whole is None:
        return []
    scene = whole
    cuts: dict[str, float] = {}
    current = result
    for _ in range(_MOST_TRIMS):
        name = _tree_in_the_way(current, scene)
        if name is None:
            return []
        obstacle = whole.named(name)
        already_m = cuts.get(name, 0.0)
        cut_m = _least_cut_m(job, current, gathered, obstacle, already_m)
        if cut_m is None:
            return []
        cuts[name] = cut_m
        scene = scene.trimmed(name, obstacle.top_elevation_m - cut_m)
        changed = replace(
            gathered, scene=scene, obstacles=scene_columns(scene, gathered.place, [result.look], job)
        )
        current = judge(job, changed, result.satellite, result.look, explain=False)
        if _better(current.verdict, result.verdict):
            asked = replace(job, sources=replace(job.sources, scene=scene))
            proof = assess(asked, mount, explain=False).results[0].verdict
            return (
                [_trim_remedy(cuts, proof, job.criteria.years_ahead)]
                if _better(proof, result.verdict)
                else []
            )
    return []


def _tree_in_the_way(result: SatelliteResult, scene: Scene) -> str | None:
    """The tree that leaves too little room, or too little certainty, today or after growth."""
    trees = {o.name for o in scene.obstacles if o.kind == "tree"}
    for clearance in (result.clearance, result.later):
        if clearance is None or clearance.controlling is None:
            continue
        short = clearance.obstructed or not clearance.roomy or result.verdict == "marginal"
        if short and clearance.controlling.name in trees:
            return clearance.controlling.name
    return None


def _least_cut_m(
    job: Job, result: SatelliteResult, gathered: Gathered, tree: Obstacle, already_m: float
) -> float | None:
    """The least cut beyond `already_m`, in half metres, after which this tree alone leaves the room, even grown.

    A little more is asked than the bare room, so that the stated errors of the tree's height leave it too.
    """
    dish_m = dish_in_scene_m(gathered.place)[None]
    years, errors = job.criteria.years_ahead, gathered.errors
    doubt_m = _NINE_IN_TEN * np.hypot(
        errors.obstacle_m, errors.growth_fraction * tree.growth_m_per_year * years
    )
    for cut_m in np.arange(already_m + _CUT_STEP_M, tree.height_m - 0.5, _CUT_STEP_M):
        lowered = Scene((tree.lowered(tree.top_elevation_m - float(cut_m)),)).grown(years)
        found = clearances(
            lowered,
            dish_m,
            [result.look.azimuth_deg or 0.0],
            [result.look.elevation_apparent_deg],
            terminal=job.terminal,
            criteria=job.criteria,
        )
        spare_deg, distance_m = float(found.spare_deg.min()), float(found.distance_m.min())
        if spare_deg >= np.rad2deg(np.arctan2(doubt_m, max(distance_m, 0.1))):
            return float(cut_m)
    return None


def _trim_remedy(cuts: dict[str, float], verdict: str, years: float) -> Remedy:
    each = " and ".join(f"{name} by {metres:.1f} m" for name, metres in cuts.items())
    text = f"Trim {each}; that lasts {years:g} years at the growth stated."
    return Remedy(
        "trim",
        text + _short_of(verdict),
        by_m=max(cuts.values()),
        obstacle=", ".join(cuts),
        years=years,
        verdict=verdict,
    )


def _move(job: Job, mount: Mount, guess: _Guess) -> list[Remedy]:
    """The nearest spot, with the same mast, that clears."""
    for step_m in _hopeful_spots(job, guess):
        moved = _moved(guess.gathered.place.mount, mount, step_m)
        verdict = assess(job, moved, explain=False).results[0].verdict
        if not _better(verdict, guess.result.verdict):
            continue
        by_m = float(np.hypot(step_m[0], step_m[1]))
        bearing_deg = float(np.rad2deg(np.arctan2(step_m[0], step_m[1])) % 360.0)
        text = f"Move the mount {by_m:.1f} m towards {bearing_deg:.0f} degrees, on the same mast."
        return [
            Remedy(
                "move",
                text + _short_of(verdict),
                by_m=by_m,
                bearing_deg=bearing_deg,
                to_east_m=moved.east_m,
                to_north_m=moved.north_m,
                verdict=verdict,
            )
        ]
    return []


def _moved(stands: Mount, mount: Mount, step_m: Floats) -> Mount:
    """The mount a step aside; on a surface given as an elevation, with the roof's rise or fall there."""
    moved = replace(
        mount,
        east_m=round(mount.east_m + float(step_m[0]), 2),
        north_m=round(mount.north_m + float(step_m[1]), 2),
    )
    if stands.surface_source != "given" or stands.surface_elevation_m is None:
        return moved
    return replace(
        moved, surface_elevation_m=stands.surface_elevation_m + float(step_m[2]), surface_height_m=None
    )


def _hopeful_spots(job: Job, guess: _Guess) -> Iterator[Floats]:
    """Steps (east, north, up) where the shifted columns leave room: of each ring the roomiest, nearest first."""
    rings_m = np.array(_RINGS_M)
    radius_m, bearing_rad = (
        part.ravel() for part in np.meshgrid(rings_m, np.deg2rad(np.arange(0.0, 360.0, 22.5)), indexing="ij")
    )
    plan_m = np.column_stack([radius_m * np.sin(bearing_rad), radius_m * np.cos(bearing_rad)])
    rise_m = _surface_rise_m(job, guess.gathered.place.mount, plan_m)
    step_m = np.column_stack([plan_m, rise_m])[~np.isnan(rise_m)]
    radius_m = radius_m[~np.isnan(rise_m)]
    if not len(step_m):
        return
    spare_deg = guess.spare_deg(step_m)
    tries = 0
    for ring_m in np.unique(radius_m):
        on_ring = np.flatnonzero(radius_m == ring_m)
        best = int(on_ring[spare_deg[on_ring].argmax()])
        if spare_deg[best] >= 0.0 and tries < _MOST_MOVES and guess.sure(step_m[best]):
            tries += 1
            yield step_m[best]


def _surface_rise_m(job: Job, mount: Mount, plan_m: Floats) -> Floats:
    """(n,) how much higher the surface is at each step (n, 2) aside; nan where a mount may not go.

    A mount on the roof stays on it, less the setback, and follows its facets. One on an elevation that nobody gave a
    shape to does not move. One on the ground goes anywhere near, and the ground is asked again when it is assessed.
    """
    if job.roof is not None:
        import shapely

        outline = shapely.Polygon(job.roof.outline)
        if outline.buffer(0.5).contains(shapely.Point(mount.east_m, mount.north_m)):
            inner = outline.buffer(-job.roof.edge_setback_m)
            east_m, north_m = mount.east_m + plan_m[:, 0], mount.north_m + plan_m[:, 1]
            there = roof_elevation_m(job.roof, east_m, north_m)
            here = np.full(
                len(plan_m), mount.surface_elevation_m if mount.surface_elevation_m is not None else np.nan
            )
            return np.where(shapely.contains_xy(inner, east_m, north_m), there - here, np.nan)
    if mount.surface_source == "given" and not _on_the_ground(job, mount):
        return np.full(len(plan_m), np.nan)
    return np.zeros(len(plan_m))


def _on_the_ground(job: Job, mount: Mount) -> bool:
    ground_m, surface_m = job.site.ground_elevation_m, mount.surface_elevation_m
    return surface_m is None or ground_m is None or abs(surface_m - ground_m) < 1.0


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

"""Trees cut flat so that the room is there: the least cut of each, proved, and typed back into a site file as it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from skysill.assessment.evidence import scene_columns
from skysill.assessment.overhead_lines import trees_at_lines
from skysill.assessment.pipeline import judge
from skysill.assessment.results import Remedy, SatelliteResult, Trim
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.remedies.trials import Trials, better, first_good, short_of

__all__ = ["MOST_SHARE", "trimmed"]

MOST_SHARE = 1.0 / 3.0
"""A tree that loses more of its height than this is harmed, as a rule. Common practice, no source."""

CUT_STEP_M = 0.1
_MOST_TREES = 5
_LEAST_LEFT_M = 0.5
_NINE_IN_TEN = 1.2816
"""Standard deviations on one side that leave nine tenths of a normal distribution: where the search begins."""


def trimmed(trials: Trials) -> list[Remedy]:
    """The remedy `trim`: cut the trees that take the room until it is clear; empty where something else controls."""
    whole: Scene | None = trials.job.sources.scene
    if whole is None:
        return []
    left_m = _cut_hard(trials, whole)
    if not left_m:
        return []
    for name in left_m:
        _ease(trials, whole, left_m, name)
    found = trials.tried(trials.mount, _cut(whole, left_m))
    return [] if found is None else [_remedy(trials, whole, left_m, found[0].verdict)]


def _cut(scene: Scene, left_m: dict[str, float]) -> Scene:
    """The scene with trees cut to heights above their own ground."""
    for name, height_m in left_m.items():
        scene = scene.trimmed(name, scene.named(name).ground_elevation_m + height_m)
    return scene


def _judged(trials: Trials, whole: Scene, left_m: dict[str, float]) -> SatelliteResult:
    scene = _cut(whole, left_m)
    look, evidence = trials.result.look, trials.evidence
    seen = scene_columns(scene, evidence.place, [look], trials.job)
    changed = replace(evidence, scene=scene, obstacles=seen)
    return judge(trials.job, changed, trials.result.satellite, look, explain=False)


def _cut_hard(trials: Trials, whole: Scene) -> dict[str, float]:
    """Trees in the way, the critical one first, each cut as far as it can be, until it is clear; empty: it never is."""
    left_m: dict[str, float] = {}
    current = trials.result
    for _ in range(_MOST_TREES):
        name = _tree_in_the_way(current, whole)
        if name is None or name in left_m:
            return {}
        tree = whole.named(name)
        least_m = _least_left_m(tree)
        if least_m >= tree.height_m - CUT_STEP_M:
            return {}
        left_m[name] = least_m
        current = _judged(trials, whole, left_m)
        if better(current.verdict, trials.result.verdict):
            return left_m
    return {}


def _least_left_m(tree: Obstacle) -> float:
    """A crown is cut down to its base at most: below that it is no trimming."""
    base_m = tree.crown_base_m - tree.ground_elevation_m if tree.crown is not None else 0.0
    return float(np.ceil(max(base_m, 0.0) / CUT_STEP_M + _LEAST_LEFT_M / CUT_STEP_M - 1e-9) * CUT_STEP_M)


def _ease(trials: Trials, whole: Scene, left_m: dict[str, float], name: str) -> None:
    """Leaves one tree as tall as it may be while the others stay cut as they are, in steps of 0.1 m."""
    tree = whole.named(name)
    tallest = int(np.ceil(tree.height_m / CUT_STEP_M - 1e-9)) - 1
    steps = tallest - round(
        left_m[name] / CUT_STEP_M
    )  # index 0: hardly cut; the last: cut as hard as it can be

    def left(index: int) -> float:
        return round((tallest - index) * CUT_STEP_M, 3)

    def has_clearance(index: int) -> bool:
        return trials.alone_spare_deg(tree.lowered(tree.ground_elevation_m + left(index))) >= 0.0

    def good(index: int) -> bool:
        result = _judged(trials, whole, {**left_m, name: left(index)})
        return better(result.verdict, trials.result.verdict)

    bare = first_good(has_clearance, 0, steps, None)
    if bare is None:
        return
    doubt = int(np.ceil(_NINE_IN_TEN * tree.errors.height_m / CUT_STEP_M))
    at = first_good(good, bare, steps, min(bare + doubt, steps))
    if at is not None:
        left_m[name] = left(at)


def _tree_in_the_way(result: SatelliteResult, scene: Scene) -> str | None:
    """The tree that leaves too little room, or too little certainty, today or after growth."""
    trees = {o.name for o in scene.obstacles if o.kind == "tree" and o.shape == "column"}
    for clearance in (result.clearance, result.later):
        if clearance is None or clearance.controlling is None:
            continue
        short = clearance.obstructed or not clearance.has_clearance or result.verdict == "marginal"
        if short and clearance.controlling.name in trees:
            return clearance.controlling.name
    return None


def _remedy(trials: Trials, whole: Scene, left_m: dict[str, float], verdict: str) -> Remedy:
    trims = []
    for name, height_m in left_m.items():
        tree = whole.named(name)
        by_m = tree.height_m - height_m
        trims.append(Trim(name, height_m, round(by_m, 3), round(by_m / tree.height_m, 4)))
    years = trials.job.criteria.years_ahead
    near_lines = [name for name in left_m if name in trees_at_lines(whole)]
    if near_lines:
        text = (
            f"Trimming {' and '.join(left_m)} would clear it, but {' and '.join(near_lines)} stands at an overhead "
            "line: nobody but the line's owner, or people that they send, may cut there. Ask the line's owner."
        )
        return Remedy(
            "trim", text + short_of(verdict), obstacle=", ".join(left_m), years=years, verdict=verdict
        )
    each = " and ".join(
        f"{t.obstacle} by {_up(t.by_m)} m, to {t.trimmed_to_height_m:.1f} m above the ground where it stands"
        for t in trims
    )
    text = f"Trim {each}; that lasts {years:g} years at the growth stated."
    much = [t for t in trims if t.share > MOST_SHARE]
    if much:
        shares = " and ".join(f"{np.ceil(t.share * 100.0 - 1e-6):.0f}% of {t.obstacle}" for t in much)
        text += (
            f" That takes {shares}, more than the third of its height that common tree-work practice allows: ask "
            "somebody qualified in tree work first, or take another remedy."
        )
    return Remedy(
        "trim",
        text + short_of(verdict),
        by_m=max(t.by_m for t in trims),
        obstacle=", ".join(left_m),
        years=years,
        trims=tuple(trims),
        verdict=verdict,
    )


def _up(metres: float) -> str:
    """To 0.1 m, rounded up: less would not do.

    >>> _up(2.01), _up(2.0)
    ('2.1', '2.0')
    """
    return f"{np.ceil(metres * 10.0 - 1e-6) / 10.0:.1f}"

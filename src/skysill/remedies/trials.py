"""What-ifs of one mount and one satellite: where a change is worth trying, and what a full assessment says of it.

The columns of the first assessment, shifted by parallax, and the exact kernel of the obstacles say where to try;
only the full assessment of the changed situation counts, since what a near obstruction hid may emerge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from skysill.assessment.cautions import line_cautions
from skysill.assessment.error_model import UncertainSilhouette
from skysill.assessment.evidence import Evidence
from skysill.assessment.growth import sources_after_growth
from skysill.assessment.job_context import JobContext
from skysill.assessment.overhead_lines import near_lines
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import dish_in_scene_m
from skysill.assessment.results import SatelliteResult
from skysill.assessment.verdict import RANK
from skysill.errors import InputError
from skysill.horizon.scene_clearance import least_room
from skysill.model.job import Job
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.site import Mount
from skysill.remedies.parallax import shifted_spare_deg
from skysill.units import Floats

__all__ = ["Trials", "better", "first_good", "line_warning", "short_of"]

_ENOUGH_DEG = 2.0
"""More spare room than this is as good as any: the search for it stops there."""


def better(verdict: str, than: str) -> bool:
    """Whether a verdict is worth offering: it must not rest on missing data."""
    return RANK[verdict] < RANK[than] and verdict in ("clear", "needs-survey")


def short_of(verdict: str) -> str:
    """What is added to a remedy that does not quite reach `clear`."""
    if verdict == "clear":
        return ""
    return f" That brings it to {verdict}, the best that can be said from what is known."


def first_good(good: Callable[[int], bool], low: int, high: int, start: int | None) -> int | None:
    """The first good index from low to high, taking it that all later ones are good too; None: not even the last is.

    start : where to look first; from there in steps of growing length up or down, then by halving. None: only the
        halving

    >>> asked = []
    >>> first_good(lambda index: bool(asked.append(index)) or index >= 17, 0, 99, 16), asked
    (17, [16, 17])
    """
    bad, best = low - 1, high
    if start is None:
        if not good(high):
            return None
    elif good(start):
        best, stride = start, 1
        while best - stride >= low and good(best - stride):
            best, stride = best - stride, stride * 2
        bad = max(best - stride, low - 1)
    else:
        best, bad, stride = min(start + 1, high), start, 1
        while bad == high or not good(best):
            if best == high:
                return None
            bad, stride = best, stride * 2
            best = min(best + stride, high)
    while best - bad > 1:
        middle = (best + bad) // 2
        best, bad = (middle, bad) if good(middle) else (best, middle)
    return best


def line_warning(job: Job, foot_m: Floats, height_m: float) -> str | None:
    """What must be said of overhead lines where a mast is to be raised; None: it must not be offered at all.

    foot_m : (3,) east, north, elevation; nan where that is unknown
    """
    near = near_lines(job, foot_m[None], height_m)
    if int(near.severity[0]) > 1:
        return None
    warnings = line_cautions(near, 0)
    return f" {warnings[0].text}" if warnings else ""


@dataclass(frozen=True, slots=True, eq=False)
class Trials:
    """One mount and one satellite, and what was found there."""

    job: Job
    mount: Mount
    result: SatelliteResult
    evidence: Evidence
    uncertain_silhouettes: tuple[UncertainSilhouette, ...]
    context: JobContext

    @classmethod
    def of(
        cls, job: Job, mount: Mount, result: SatelliteResult, evidence: Evidence, context: JobContext
    ) -> Trials:
        """job : with the one satellite asked about"""
        then = sources_after_growth(job, evidence, result.look)
        uncertain_silhouettes = then.evidence.uncertain_silhouettes(then.evidence.obstacles, then.growth_m)
        return cls(job, mount, result, evidence, uncertain_silhouettes, context)

    @property
    def foot_m(self) -> Floats:
        """(3,) what the mount stands on now; elevation in the frame of the scene."""
        dish_m = dish_in_scene_m(self.evidence.place)
        return np.asarray(dish_m - np.array([0.0, 0.0, self.evidence.place.mount.height_m]))

    def scene_spare_deg(self, step_m: Floats) -> Floats:
        """(n,) exact spare room beside the obstacles, today and grown, from dish centres `step_m` (n, 3) away.

        Counted up to 2 degrees.
        """
        scene: Scene | None = self.job.sources.scene
        if scene is None or not len(step_m):
            return np.full(len(step_m), _ENOUGH_DEG)
        return self._beside(scene, step_m)

    def alone_spare_deg(self, obstacle: Obstacle) -> float:
        """The same beside one obstacle alone, from where the dish is."""
        return float(self._beside(Scene((obstacle,)), np.zeros((1, 3)))[0])

    def _beside(self, scene: Scene, step_m: Floats) -> Floats:
        spare_deg = np.full(len(step_m), _ENOUGH_DEG)
        dish_m = dish_in_scene_m(self.evidence.place) + step_m
        ray = self.result.look.ray
        later = scene.grown(self.job.criteria.years_ahead)
        for stand in (scene, later) if any(o.growth_m_per_year for o in scene.obstacles) else (scene,):
            found = least_room(
                stand,
                dish_m,
                ray.azimuth_deg,
                ray.elevation_deg,
                link=self.job.link,
                enough_deg=_ENOUGH_DEG,
            )
            spare_deg = np.minimum(spare_deg, found.spare_deg[:, 0])
        return spare_deg

    def fixed_spare_deg(self, step_m: Floats) -> Floats:
        """(n,) spare room beside readings and terrain, guessed by shifting what was seen from the mount."""
        fixed = [w.silhouette for w in self.uncertain_silhouettes if w.silhouette.source != "obstacle"]
        return shifted_spare_deg(fixed, self.result.look.ray, step_m, link=self.job.link)

    def spare_deg(self, step_m: Floats) -> Floats:
        """(n,) the lesser of both."""
        return np.minimum(self.scene_spare_deg(step_m), self.fixed_spare_deg(step_m))

    def tried(self, mount: Mount, scene: Scene | None = None) -> tuple[SatelliteResult, float | None] | None:
        """The full assessment of a changed mount or scene, if it is better than today's, and its surface.

        None where it is no better, or where it cannot be assessed at all: inside a wall, say.
        """
        job = self.job
        if scene is not None:
            job = replace(job, sources=replace(job.sources, scene=scene))
        try:
            found = assess(job, mount, explain=False, losses=False, magnetic=False, context=self.context)
        except InputError:
            return None
        result = found.results[0]
        return (
            (result, found.mount.surface_elevation_m) if better(result.verdict, self.result.verdict) else None
        )

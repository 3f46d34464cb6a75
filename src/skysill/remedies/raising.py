"""The least height of a mount's dish that clears, proved at that height and one step below."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from skysill.assessment.results import Remedy
from skysill.model.site import Mount
from skysill.remedies.standing_room import standing
from skysill.remedies.trials import Trials, first_good, line_warning, short_of
from skysill.units import Bools, Floats

__all__ = ["HEIGHT_STEP_M", "USUAL_MAST_M", "least_height", "raised"]

USUAL_MAST_M = 10.0
"""How much higher a dish is tried where no max_height_m is given: beyond that a mast is a structure of its own.

Common practice, no source.
"""

HEIGHT_STEP_M = 0.05
_DOUBT_DEG = 2.0
"""Shifted readings and terrain may err so much before a height is left out of the trials."""

_AMPLE_DEG = 0.5
"""With so much spare room the stated errors often leave enough: where the trials of a run begin."""


def raised(trials: Trials) -> list[Remedy]:
    """The remedy `raise`; empty where no height reaches, or where a line is too near the one that does."""
    height_m, verdict = least_height(trials)
    if height_m is None:
        return []
    warning = line_warning(trials.job, trials.foot_m, height_m)
    if warning is None:
        return []
    more_m = height_m - trials.mount.height_m
    text = f"Raise the dish centre to {_shown(height_m)} m above what the mount stands on ({_shown(more_m)} m more)."
    return [
        Remedy(
            "raise", text + short_of(verdict) + warning, to_height_m=height_m, by_m=more_m, verdict=verdict
        )
    ]


def _shown(metres: float) -> str:
    """To the centimetre, without needless zeros; a limit of millimetres is shown as it was given.

    >>> _shown(3.4), _shown(3.05), _shown(2.125)
    ('3.4', '3.05', '2.125')
    """
    return f"{round(metres, 3):g}"


def least_height(trials: Trials) -> tuple[float | None, str]:
    """Least height of the dish centre above the mount's surface that clears, proved, to 0.05 m.

    Returns
    -------
    (None, "") where no height up to max_height_m does, or where the mast would first go through something; else the
    height, a whole number of steps, and its verdict ("clear", or "needs-survey" where that is the best that the
    sources can say). One step lower the assessment is no better than today's.
    """
    heights_m = _heights_m(trials)
    if not heights_m.size:
        return None, ""
    step_m = np.column_stack([np.zeros((heights_m.size, 2)), heights_m - trials.mount.height_m])
    beside_deg, fixed_deg = trials.scene_spare_deg(step_m), trials.fixed_spare_deg(step_m)
    able = (beside_deg >= 0.0) & (fixed_deg >= -_DOUBT_DEG)
    ample = np.minimum(beside_deg, fixed_deg) >= _AMPLE_DEG
    verdicts: dict[int, str | None] = {}

    def verdict_at(index: int) -> str | None:
        if index not in verdicts:
            found = trials.tried(at_height(trials.mount, float(heights_m[index])))
            verdicts[index] = None if found is None else found[0].verdict
        return verdicts[index]

    for low, high in _runs(able):
        ample_here = np.flatnonzero(ample[low : high + 1])
        start = low + int(ample_here[0]) if ample_here.size else high
        at = first_good(lambda index: verdict_at(index) is not None, low, high, start)
        if at is not None:
            while at > 0 and verdict_at(at - 1) is not None:  # what the kernel left out is asked as well
                at -= 1
            return float(heights_m[at]), verdict_at(at) or ""
    return None, ""


def at_height(mount: Mount, height_m: float) -> Mount:
    """The same mount with another mast."""
    return replace(mount, height_m=height_m)


def _heights_m(trials: Trials) -> Floats:
    """Heights above today's that may be tried: whole steps, and the limit itself."""
    mount, foot_m = trials.mount, trials.foot_m
    most_m = mount.height_m + USUAL_MAST_M if mount.max_height_m is None else mount.max_height_m
    found = standing(trials.job, *([part] for part in foot_m))
    if found.reasons[0] is None:  # else somebody knows better, and the mast goes where they put it
        most_m = min(most_m, float(found.headroom_m[0]))
    first = int(np.floor(mount.height_m / HEIGHT_STEP_M + 1e-6)) + 1
    last = int(np.floor(most_m / HEIGHT_STEP_M + 1e-6))
    heights_m = (np.arange(first, last + 1) * HEIGHT_STEP_M).round(6)
    if most_m > mount.height_m and (not heights_m.size or most_m - heights_m[-1] > 1e-6):
        heights_m = np.append(heights_m, most_m)
    return np.asarray(heights_m)


def _runs(able: Bools) -> list[tuple[int, int]]:
    """(first, last) of each run of heights with room, the lowest first; under a canopy there may be several."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], able, [False]]).astype(int)))
    return [(int(a), int(b) - 1) for a, b in edge.reshape(-1, 2)]

"""Distances from corners of the house and of what stands by it, by which a spot is found with a tape."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.assessment.results import Tape
from skysill.horizon.roof_surface import OWN_ROOF, roof_elevation_m
from skysill.model.job import Job
from skysill.model.scene import Scene
from skysill.model.site import Roof
from skysill.units import Floats

__all__ = ["compass_word", "tape_words", "tapes_to"]

FARTHEST_M = 25.0
"""A tape is not asked to reach farther. Common practice, no source."""

_NEAREST_M = 0.3
_WELL_CROSSED = 0.5
"""Two tapes cross well from 30 to 150 degrees: the sine of that."""

_LEAST_CROSSED = 0.25
"""Where none cross so well, the pair that crosses best will do down to this: a centimetre on a tape is four then."""

_MOST_CORNERS = 40

_FLAT_M = 0.05
_WORDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
_FINE = (
    "north", "north-north-east", "north-east", "east-north-east", "east", "east-south-east", "south-east",
    "south-south-east", "south", "south-south-west", "south-west", "west-south-west", "west", "west-north-west",
    "north-west", "north-north-west",
)  # fmt: skip


def compass_word(bearing_deg: float, *, fine: bool = False) -> str:
    """A true bearing as one of eight compass words, or of sixteen.

    >>> compass_word(139.0), compass_word(350.0), compass_word(112.0, fine=True)
    ('south-east', 'north', 'east-south-east')
    """
    words = _FINE if fine else _WORDS
    return words[round(bearing_deg / (360.0 / len(words))) % len(words)]


@dataclass(frozen=True, slots=True)
class _Corner:
    """One corner: its name, where it is, whether it is a corner of the own roof's outline."""

    name: str
    east_m: float
    north_m: float
    of_roof: bool


def tapes_to(job: Job, east_m: float, north_m: float, *, on_roof: bool) -> tuple[Tape, ...]:
    """Two distances that fix a spot, from named corners that are near and whose tapes cross well; empty without such.

    The nearest pair that crosses well; where none does, the one that crosses best.

    Along the roof where the roof is flat between the two, else level: from plumb line to plumb line.
    """
    corners = [c for c in _corners(job) if c.of_roof] if on_roof else list(_corners(job))
    away_m = np.array([np.hypot(c.east_m - east_m, c.north_m - north_m) for c in corners])
    usable = [at for at in np.argsort(away_m) if _NEAREST_M <= away_m[at] <= FARTHEST_M]
    pairs = []
    for a, b in itertools.combinations(usable[:_MOST_CORNERS], 2):
        turn = np.cross(
            [corners[a].east_m - east_m, corners[a].north_m - north_m, 0.0],
            [corners[b].east_m - east_m, corners[b].north_m - north_m, 0.0],
        )[2] / (away_m[a] * away_m[b])  # fmt: skip
        if abs(turn) >= _LEAST_CROSSED:
            pairs.append((-min(abs(float(turn)), _WELL_CROSSED), float(away_m[a] + away_m[b]), a, b))
    if not pairs:
        return ()
    _, _, a, b = min(pairs)
    return tuple(_tape(job, corners[at], east_m, north_m, on_roof=on_roof) for at in (a, b))


def tape_words(tapes: Sequence[Tape]) -> str:
    """The same in words; "" without any."""
    each = [f"{tape.distance_m:.2f} m from {tape.corner}" for tape in tapes]
    how = {tape.along for tape in tapes}
    if len(how) > 1:
        each = [f"{words}, {'along the roof' if t.along == 'the roof' else 'level'}," for words, t in
                zip(each, tapes, strict=True)]  # fmt: skip
    if not each:
        return ""
    text = f"{' and '.join(each)}".removesuffix(",")
    return (
        text
        if len(how) > 1
        else text + (", measured along the roof" if how == {"the roof"} else ", measured level")
    )


def _corners(job: Job) -> Iterator[_Corner]:
    """Corners of the roof's outline and of the buildings around."""
    if job.roof is not None:
        yield from _named(np.asarray(job.roof.outline, dtype=np.float64)[:, :2], "the roof", of_roof=True)
    scene: Scene | None = job.sources.scene
    for o in () if scene is None else scene.obstacles:
        if o.shape == "prism" and o.name != OWN_ROOF:
            for area in o.areas_m:
                yield from _named(area[0][:, :2], f'"{o.name}"', of_roof=False)


def _named(ring: Floats, whose: str, *, of_roof: bool) -> Iterator[_Corner]:
    """Corners called by their side of the plan's middle; in finer words, or with a number, where two share one."""
    if len(ring) > 1 and np.allclose(ring[0], ring[-1]):
        ring = ring[:-1]
    low, high = ring.min(axis=0), ring.max(axis=0)
    gap = (ring - (low + high) / 2.0) / np.maximum(
        high - low, 1e-9
    )  # of a long house too, four corners are four
    bearing_deg = np.rad2deg(np.arctan2(gap[:, 0], gap[:, 1])) % 360.0
    short = [compass_word(float(b)) for b in bearing_deg]
    long = [compass_word(float(b), fine=True) for b in bearing_deg]
    for at, (east_m, north_m) in enumerate(ring):
        name = short[at] if short.count(short[at]) == 1 else long[at]
        taken = short.count(short[at]) > 1 and long.count(long[at]) > 1
        number = f" (number {at + 1} of its outline)" if taken else ""
        yield _Corner(f"the {name} corner of {whose}{number}", float(east_m), float(north_m), of_roof)


def _tape(job: Job, corner: _Corner, east_m: float, north_m: float, *, on_roof: bool) -> Tape:
    level_m = float(np.hypot(corner.east_m - east_m, corner.north_m - north_m))
    rise_m = _flat_rise_m(job.roof, corner, east_m, north_m) if on_roof and corner.of_roof else None
    if rise_m is None:
        return Tape(corner.name, round(level_m, 2), "level")
    return Tape(corner.name, round(float(np.hypot(level_m, rise_m)), 2), "the roof")


def _flat_rise_m(roof: Roof | None, corner: _Corner, east_m: float, north_m: float) -> float | None:
    """Rise from a corner to a spot where the roof between them is flat; None where it bends or is not known."""
    if roof is None:
        return None
    share = np.linspace(1e-6, 1.0, 21)
    up: Any = roof_elevation_m(
        roof,
        corner.east_m + share * (east_m - corner.east_m),
        corner.north_m + share * (north_m - corner.north_m),
    )
    straight = up[0] + (up[-1] - up[0]) * share
    bent = ~(np.abs(up - straight) < _FLAT_M)  # nan is bent too
    return None if bent.any() else float(up[-1] - up[0])

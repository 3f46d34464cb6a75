"""Which spots of a search are offered: the best ones in the order of the ranking, each height proved by assessments.

The room of every spot is known from `mast_search`. Certainty asks for more than bare room, and costs more to work out.
So spots are taken from a queue in the order of what they could at best be; one whose height is proved and that still
stands first is the best of all, since no other can come before it. None is left out before that is certain.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from skysill.assess import Assessment, SatelliteResult, assess
from skysill.cables import CABLE_SLACK_SHARE, cable_run
from skysill.confidence import SAMPLES, Witness, confidence
from skysill.gather import Gathered, gather, near_seen, uncovered
from skysill.growth import later
from skysill.horizon.obstacles import Scene
from skysill.horizon.silhouette import Silhouette
from skysill.job import Job
from skysill.look import LookVector
from skysill.mast_search import SpotRoom
from skysill.overhead import near_lines
from skysill.units import Floats, Ints
from skysill.verdict import RANK

__all__ = ["CONTENT", "Chosen", "MastChoice"]

CONTENT = ("clear", "needs-survey", "unknown")
"""Verdicts that no taller mast makes better: the room is there with the probability asked, or nobody has looked."""

APART_M = 1.5
"""Spots that are offered stand at least so far from each other."""

_CLOSE_CALL = 0.005
"""A probability this near to the one asked is worked out again by a whole assessment."""

_ROUGH_SAMPLES, _ROUGH_CALL = 256, 0.1
"""Draws that settle what is far from the probability asked: 0.1 is five standard errors."""

Order = tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """One spot of a search that is offered.

    spot : its number; at : which of its heights
    assessment : of all satellites asked, at that height
    content : whether every one of them is; else none of the heights is, and this is the tallest
    """

    spot: int
    at: int
    assessment: Assessment
    content: bool


_Stage = int
_ROOM, _HOPED, _PROVED = 0, 1, 2
"""What is known of a spot in the queue: its room; a height that ought to do; the same, assessed."""


class MastChoice:
    """The best spots of a search, proved as far as the ranking needs."""

    def __init__(self, job: Job, room: SpotRoom) -> None:
        self.job, self.room = job, room
        self.each, self.together = room.solved
        self._tried: dict[tuple[int, int, tuple[int, ...], int], bool] = {}
        self._without_figures: dict[tuple[int, tuple[int, ...], int], Assessment] = {}
        self._whole: dict[tuple[int, tuple[int, ...], int], Assessment] = {}
        self._all_covered: dict[int, bool] = {}
        self._bare: Gathered | None = None
        self._cable_m = self._bare_cables_m()
        scene: Scene | None = job.sources.scene
        self._wires = scene is not None and any(o.kind == "wire" for o in scene.obstacles)

    def least(self, spot: int, satellites: Sequence[int]) -> float | None:
        """The least height at which every one of some satellites is content, proved; None where there is none."""
        at, last = int(self._start(satellites)[spot]), int(self.room.usable[spot])
        first = at
        at = self._onward(spot, satellites, at)
        while at < last and not all(self._exact(spot, tuple(satellites), at).values()):
            at = self._onward(spot, satellites, at + 1)
        while first < at < last and all(self._exact(spot, tuple(satellites), at - 1).values()):
            at -= 1
        return float(self.room.heights_m[spot, at]) if at < last else None

    def _start(self, satellites: Sequence[int]) -> Ints:
        """(spot,) the first heights with the room for some satellites together."""
        if len(satellites) == 1:
            return np.asarray(self.each[:, satellites[0]])
        return self.together

    def best(self, satellites: Sequence[int], keep: int) -> list[Chosen]:
        """The first `keep` spots in the order of the ranking for some satellites together, well apart.

        satellites : one, or all. Where no spot is content at any height: the spots with room, in the same order at
        their tallest masts.
        """
        start = self._start(satellites)
        with_room = np.flatnonzero(start < self.room.usable)
        queue: list[tuple[Order, int, int, _Stage]] = [
            (self._order(int(spot), int(start[spot]), None), int(spot), int(start[spot]), _ROOM)
            for spot in with_room
        ]
        heapq.heapify(queue)
        found: list[Chosen] = []
        while queue and len(found) < keep:
            _, spot, at, stage = heapq.heappop(queue)
            if not self._apart(spot, found):
                continue
            if stage == _PROVED:
                found.append(Chosen(spot, at, self._assessed(spot, satellites, at), True))
                continue
            margin_deg = None
            if stage == _ROOM:
                at, stage = self._onward(spot, satellites, at), _HOPED
            else:
                at, stage, margin_deg = self._proof(spot, satellites, at)
            if at < self.room.usable[spot]:
                heapq.heappush(queue, (self._order(spot, at, margin_deg), spot, at, stage))
        return found or self._nearly(with_room, satellites, keep)

    def _proof(self, spot: int, satellites: Sequence[int], at: int) -> tuple[int, _Stage, float | None]:
        """The height assessed; where that is not content, the next to try; where a lower one is, that."""
        if not self._proved(spot, satellites, at):
            return self._onward(spot, satellites, at + 1), _HOPED, None
        if at > self._start(satellites)[spot] and all(self._exact(spot, tuple(satellites), at - 1).values()):
            return at - 1, _HOPED, None
        tight = max(self._assessed(spot, satellites, at).results, key=_badness).clearance.margin_deg
        return at, _PROVED, 90.0 if tight is None else tight

    def _onward(self, spot: int, satellites: Sequence[int], start: int) -> int:
        """The first height from `start` on at which every satellite is content; `usable` where there is none.

        Certainty is taken to grow with height; the step below what is found is asked too.
        """
        last, at = int(self.room.usable[spot]), start
        moved = True
        while moved and at < last:
            before = at
            for satellite in sorted(satellites, key=lambda k: -int(self.each[spot, k])):
                at = self._onward_for(spot, satellite, tuple(satellites), at)
                if at >= last:
                    return last
            moved = at != before and len(satellites) > 1
        return at

    def _onward_for(self, spot: int, satellite: int, group: tuple[int, ...], start: int) -> int:
        last = int(self.room.usable[spot])
        start = self._past_hopeless(spot, satellite, group, start)
        if start >= last:
            return last
        low, high, stride = start - 1, start, 1
        while not self._content(spot, satellite, group, high):
            if high == last - 1:
                return last
            low, high, stride = high, min(high + stride, last - 1), 2 * stride
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if self._content(spot, satellite, group, middle) else (middle, high)
        return high

    def _past_hopeless(self, spot: int, satellite: int, group: tuple[int, ...], start: int) -> int:
        """The first height from `start` on that the ground alone does not make hopeless."""
        at, last = start, int(self.room.usable[spot])
        if not self.job.sources.rasters or not self._plain(satellite):
            return at
        for look in self.room.looks_of([satellite]):
            ray = self.room.looks[spot][look]

            def hopeless(index: int, look: int = int(look), ray: LookVector = ray) -> bool:
                ground = self.room.doubtful_ground(spot, look, index, alone=len(group) == 1)
                return self._hopeless(spot, ray, ground)

            if at >= last or not hopeless(at):
                continue
            low, high = at, last
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if hopeless(middle) else (low, middle)
            at = high
        return at

    def _content(self, spot: int, satellite: int, group: tuple[int, ...], at: int) -> bool:
        """Whether one of a group of satellites is content: by its certainty, where that is no close call, else by
        `assess` of the group.
        """
        key = (spot, satellite, group, at)
        if key not in self._tried:
            asked = self.job.criteria.min_p_clear
            p_clear = (
                self._p_clear(spot, satellite, at, alone=len(group) == 1) if self._plain(satellite) else None
            )
            if p_clear is None or abs(p_clear - asked) < _CLOSE_CALL:
                self._tried[key] = self._exact(spot, group, at)[satellite]
            else:
                self._tried[key] = p_clear >= asked
        return self._tried[key]

    def _plain(self, satellite: int) -> bool:
        """Whether only room and certainty decide there: near evidence exists and no source stops short."""
        if satellite not in self._all_covered:
            good = True
            for spot in {0, len(self.room) // 2, len(self.room) - 1}:
                looks = [self.room.looks[spot][k] for k in self.room.looks_of([satellite])]
                seen = gather(self.job, self.room.places[spot], looks)
                good &= all(
                    uncovered(seen, look, self.job) is None and near_seen(seen, look, self.job)
                    for look in looks
                )
            self._all_covered[satellite] = good
        return self._all_covered[satellite]

    def _p_clear(self, spot: int, satellite: int, at: int, *, alone: bool) -> float:
        """The probability of the room at one height, near the one asked to within what sampling leaves."""
        asked, least = self.job.criteria.min_p_clear, 1.0
        for look in self.room.looks_of([satellite]):
            ground = self.room.doubtful_ground(spot, int(look), at, alone=alone)
            ray = self.room.looks[spot][look]
            seen = gather(self.job, self.room.place_at(spot, at), [ray], ground=ground)
            then = later(self.job, seen, ray)
            witnesses = then.gathered.witnesses(then.gathered.obstacles, then.growth_m)
            p_clear = 1.0
            for samples, call in ((_ROUGH_SAMPLES, _ROUGH_CALL), (SAMPLES, 0.0)):
                p_clear = self._sampled(seen, ray, witnesses, samples)
                if abs(p_clear - asked) >= call:
                    break
            least = min(least, p_clear)
            if least < asked - _CLOSE_CALL:
                break
        return least

    def _hopeless(self, spot: int, ray: LookVector, ground: Silhouette) -> bool:
        """Whether the ground alone leaves far too little certainty: more sources can only leave less."""
        if not len(ground):
            return False
        if self._bare is None:
            seen = gather(self.job, self.room.places[0], [self.room.looks[0][0]], ground=ground)
            self._bare = replace(seen, stations=(), obstacles=None, scene=None)
        alone = replace(self._bare, place=self.room.places[spot], terrain=ground, blur=None)
        p_clear = self._sampled(alone, ray, alone.witnesses(None, {}), _ROUGH_SAMPLES)
        return p_clear < self.job.criteria.min_p_clear - _ROUGH_CALL

    def _sampled(self, seen: Gathered, ray: LookVector, witnesses: Sequence[Witness], samples: int) -> float:
        found = confidence(
            witnesses,
            ray.azimuth_deg or 0.0,
            ray.elevation_apparent_deg,
            terminal=self.job.terminal,
            criteria=self.job.criteria,
            errors=seen.errors,
            samples=samples,
            explain=False,
        )
        return found.p_clear

    def _assessed(self, spot: int, satellites: Sequence[int], at: int) -> Assessment:
        """The whole assessment that is offered."""
        key = (spot, tuple(satellites), at)
        if key not in self._whole:
            asked = replace(self.job, satellites=tuple(self.job.satellites[k] for k in satellites))
            self._whole[key] = assess(asked, self.room.mount(spot, at), explain=False)
        return self._whole[key]

    def _proved(self, spot: int, satellites: Sequence[int], at: int) -> bool:
        return all(r.verdict in CONTENT for r in self._assessed(spot, satellites, at).results)

    def _exact(self, spot: int, group: tuple[int, ...], at: int) -> dict[int, bool]:
        """Which satellites of a group are content, by `assess` without figures."""
        key = (spot, group, at)
        if key in self._whole:
            found = self._whole[key]
        elif key in self._without_figures:
            found = self._without_figures[key]
        else:
            asked = replace(self.job, satellites=tuple(self.job.satellites[k] for k in group))
            found = assess(asked, self.room.mount(spot, at), explain=False, losses=False)
            self._without_figures[key] = found
        return {k: r.verdict in CONTENT for k, r in zip(group, found.results, strict=True)}

    def _nearly(self, with_room: Ints, satellites: Sequence[int], keep: int) -> list[Chosen]:
        """Where no spot is content: those with room, each at its tallest mast."""
        ranked = []
        for spot in with_room:
            at = int(self.room.usable[spot]) - 1
            worst = max(self._assessed(int(spot), satellites, at).results, key=_badness)
            margin_deg = worst.clearance.margin_deg
            order = self._order(int(spot), at, 90.0 if margin_deg is None else margin_deg)
            ranked.append(((RANK[worst.verdict], *order), int(spot), at))
        found: list[Chosen] = []
        for _, spot, at in sorted(ranked):
            if len(found) < keep and self._apart(spot, found):
                found.append(Chosen(spot, at, self._assessed(spot, satellites, at), False))
        return found

    def _apart(self, spot: int, found: Sequence[Chosen]) -> bool:
        plan = self.room.foot_m[:, :2]
        return all(np.linalg.norm(plan[spot] - plan[c.spot]) >= APART_M for c in found)

    def _order(self, spot: int, at: int, margin_deg: float | None) -> Order:
        """The ranking behind the verdict: lines near, cable within its limit, least mast, shorter cable, margin.

        margin_deg : None where the height is not proved: then no margin can be larger
        """
        height_m = float(self.room.heights_m[spot, at])
        cable_m = self.cable_m(spot, height_m)
        limit_m = self.job.terminal.cable_limit_m
        near = 0.0
        if self._wires:
            near = float(near_lines(self.job, self.room.foot_m[[spot]], np.array([height_m])).severity[0])
        return (
            near,
            float(cable_m is not None and limit_m is not None and cable_m > limit_m),
            height_m,
            np.inf if cable_m is None else round(cable_m, 3),
            -np.inf if margin_deg is None else -margin_deg,
        )

    def cable_m(self, spot: int, height_m: float) -> float | None:
        """Length of a spot's cable with its mast and slack."""
        bare = self._cable_m[spot]
        return None if np.isnan(bare) else float(bare + height_m * (1.0 + CABLE_SLACK_SHARE))

    def _bare_cables_m(self) -> Floats:
        """(spot,) length of each cable without the mast; nan where there is none."""
        roof = self.job.roof
        runs = [
            None if roof is None else cable_run(roof, replace(p.mount, height_m=0.0))
            for p in self.room.places
        ]
        return np.array([np.nan if run is None else run.length_m for run in runs])


def _badness(result: SatelliteResult) -> tuple[int, float]:
    """Sorts results, the worst last: by verdict, then by how little room is spare."""
    spare_deg = result.clearance.spare_deg
    return RANK[result.verdict], -np.inf if spare_deg is None else -spare_deg

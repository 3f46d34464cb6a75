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

from skysill.assessment.overhead_lines import near_lines
from skysill.assessment.pipeline import assess
from skysill.assessment.results import Assessment, result_severity
from skysill.assessment.verdict import RANK
from skysill.model.job import Job
from skysill.model.scene import Scene
from skysill.siting.cables import CABLE_SLACK_SHARE, cable_run
from skysill.siting.mast_certainty import RECHECKED_WITHIN, MastCertainty
from skysill.siting.mast_search import SpotRoom
from skysill.units import Floats, Ints

__all__ = ["CONTENT", "Chosen", "MastChoice"]

CONTENT = ("clear", "needs-survey", "unknown")
"""Verdicts that no taller mast makes better: the room is there with the probability asked, or nobody has looked."""

APART_M = 1.5
"""Spots that are offered stand at least so far from each other."""

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
_ROOM, _EXPECTED, _PROVED = 0, 1, 2
"""What is known of a spot in the queue: its room; a height that ought to do; the same, assessed."""


class MastChoice:
    """The best spots of a search, proved as far as the ranking needs."""

    def __init__(self, job: Job, room: SpotRoom) -> None:
        self.job, self.room = job, room
        self.each, self.together = room.solved
        self.certainty = MastCertainty(job, room)
        self._exactly: dict[tuple[int, tuple[int, ...], int], Assessment] = {}
        self._strides: dict[tuple[int, tuple[int, ...]], int] = {}
        self._cable_m = self._bare_cables_m()
        scene: Scene | None = job.sources.scene
        self._wires = scene is not None and any(o.kind == "wire" for o in scene.obstacles)

    def least(self, spot: int, satellites: Sequence[int]) -> float | None:
        """The least height at which every one of some satellites is content, proved; None where there is none."""
        at, last = int(self._start(satellites)[spot]), int(self.room.usable[spot])
        first = at
        at = self._onward(spot, satellites, at, strict=False)
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
                expected = min((entry[0] for entry in queue if entry[3] != _ROOM), default=None)
                at, stage = self._expected_height(spot, satellites, at, expected)
            else:
                at, stage, margin_deg = self._proof(spot, satellites, at)
            if at < self.room.usable[spot]:
                heapq.heappush(queue, (self._order(spot, at, margin_deg), spot, at, stage))
        return found or self._spots_with_room(with_room, satellites, keep)

    def alike(self, chosen: Chosen, satellites: Sequence[int]) -> list[Chosen]:
        """Every spot that is as good as one that `best` gave but for its margin: proved at the same height."""
        group = tuple(satellites)
        order = self._order(chosen.spot, chosen.at, None)
        return [
            Chosen(spot, at, assessment, True)
            for (spot, asked, at), assessment in self._exactly.items()
            if asked == group
            and self._order(spot, at, None) == order
            and all(result.verdict in CONTENT for result in assessment.results)
        ]

    def _expected_height(
        self, spot: int, satellites: Sequence[int], at: int, expected: Order | None
    ) -> tuple[int, _Stage]:
        """The height that ought to do; or only a height below which none does, behind which the spot waits.

        One height is asked: the one given, and each further time one twice as far up, but none that would come behind
        the best expected. Certainty that falls short there falls short below too. Where not even the room is there,
        every height is asked.
        """
        key = (spot, tuple(satellites))
        stride = self._strides.get(key, 1)
        self._strides[key] = 2 * stride
        beyond = min(at + stride, int(self.room.usable[spot]))
        if expected is not None:
            beyond = self._first_behind(spot, expected, at, beyond)
        asked = beyond - 1
        if not self._has_room(spot, satellites, asked):
            return self._onward(spot, satellites, at, strict=False), _EXPECTED
        hardest = sorted(satellites, key=lambda k: -int(self.each[spot, k]))
        if not all(self._content(spot, k, key[1], asked, strict=False) for k in hardest):
            return asked + 1, _ROOM
        for satellite in hardest:
            at = self._between(spot, satellite, key[1], at, asked)
        return at, _EXPECTED

    def _first_behind(self, spot: int, expected: Order, low: int, beyond: int) -> int:
        """The first height over `low` that would come behind an order, at most `beyond`."""
        while beyond - low > 1:
            middle = (low + beyond) // 2
            before = self._order(spot, middle, None) <= expected
            low, beyond = (middle, beyond) if before else (low, middle)
        return beyond

    def _between(self, spot: int, satellite: int, group: tuple[int, ...], low: int, high: int) -> int:
        """The first height, from `low` to `high`, at which one satellite is content; it is at `high`."""
        if self._content(spot, satellite, group, low, strict=False):
            return low
        while high - low > 1:
            middle = (low + high) // 2
            content = self._content(spot, satellite, group, middle, strict=False)
            low, high = (low, middle) if content else (middle, high)
        return high

    def _has_room(self, spot: int, satellites: Sequence[int], at: int) -> bool:
        known = at == int(self._start(satellites)[spot])
        return known or self.room.next_index(spot, self.room.looks_of(satellites), at) == at

    def _proof(self, spot: int, satellites: Sequence[int], at: int) -> tuple[int, _Stage, float | None]:
        """The height assessed; where that is not content, the next to try; where a lower one is, that."""
        if not self._proved(spot, satellites, at):
            return self._onward(spot, satellites, at + 1), _EXPECTED, None
        if at > self._start(satellites)[spot] and all(self._exact(spot, tuple(satellites), at - 1).values()):
            return at - 1, _EXPECTED, None
        least_deg = max(
            self._assessed(spot, satellites, at).results, key=result_severity
        ).clearance.margin_deg
        return at, _PROVED, 90.0 if least_deg is None else least_deg

    def _onward(self, spot: int, satellites: Sequence[int], start: int, *, strict: bool = True) -> int:
        """The first height from `start` on at which every satellite is content; `usable` where there is none.

        Certainty is taken to grow with height; the step below what is found is asked too.

        strict : close calls are settled by assessments; else they count as content, and the proof settles them
        """
        last, at = int(self.room.usable[spot]), start
        moved = True
        while moved and at < last:
            before = at
            for satellite in sorted(satellites, key=lambda k: -int(self.each[spot, k])):
                at = self._onward_for(spot, satellite, tuple(satellites), at, strict)
                if at >= last:
                    return last
            moved = at != before and len(satellites) > 1
        return at

    def _onward_for(self, spot: int, satellite: int, group: tuple[int, ...], start: int, strict: bool) -> int:
        last = int(self.room.usable[spot])
        start = self._past_ruled_out(spot, satellite, group, start)
        if start >= last:
            return last
        low, high, stride = start - 1, start, 1

        def content(at: int) -> bool:
            return self._content(spot, satellite, group, at, strict=strict)

        while not content(high):
            if high == last - 1:
                return last
            if low < start and self._has_room(spot, [satellite], last - 1) and not content(last - 1):
                return last  # not even from the tallest mast
            low, high, stride = high, min(high + stride, last - 1), 2 * stride
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if content(middle) else (middle, high)
        return high

    def _past_ruled_out(self, spot: int, satellite: int, group: tuple[int, ...], start: int) -> int:
        """The first height from `start` on that the ground alone does not make hopeless."""
        at, last = start, int(self.room.usable[spot])
        if not self.job.sources.rasters or not self.certainty.plain(satellite):
            return at
        for look in self.room.looks_of([satellite]):

            def ruled_out(index: int, look: int = int(look)) -> bool:
                return self.certainty.ruled_out(spot, look, index, alone=len(group) == 1)

            if at >= last or not ruled_out(at):
                continue
            low, high = at, last
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if ruled_out(middle) else (low, middle)
            at = high
        return at

    def _content(
        self, spot: int, satellite: int, group: tuple[int, ...], at: int, *, strict: bool = True
    ) -> bool:
        """Whether one of a group of satellites is content: by its certainty, where that is no close call, else by
        `assess` of the group, or, where not strict, taken to be so.
        """
        if not self.certainty.plain(satellite):
            return self._exact(spot, group, at)[satellite]
        asked = self.job.criteria.min_p_clear
        p_clear = self.certainty.p_clear(spot, satellite, at, alone=len(group) == 1)
        if abs(p_clear - asked) < RECHECKED_WITHIN:
            return self._exact(spot, group, at)[satellite] if strict else True
        return p_clear >= asked

    def _assessed(self, spot: int, satellites: Sequence[int], at: int) -> Assessment:
        """The assessment that is offered, without the figures of the blocked share and the loss: no row tells them."""
        key = (spot, tuple(satellites), at)
        if key not in self._exactly:
            asked = replace(self.job, satellites=tuple(self.job.satellites[k] for k in satellites))
            self._exactly[key] = assess(
                asked,
                self.room.mount(spot, at),
                explain=False,
                losses=False,
                magnetic=False,
                context=self.room.context,
            )
        return self._exactly[key]

    def _proved(self, spot: int, satellites: Sequence[int], at: int) -> bool:
        return all(self._exact(spot, tuple(satellites), at).values())

    def _exact(self, spot: int, group: tuple[int, ...], at: int) -> dict[int, bool]:
        """Which satellites of a group are content, by `assess`."""
        found = self._assessed(spot, group, at).results
        return {k: r.verdict in CONTENT for k, r in zip(group, found, strict=True)}

    def _spots_with_room(self, with_room: Ints, satellites: Sequence[int], keep: int) -> list[Chosen]:
        """Where no spot is content: those with room, each at its tallest mast."""
        ranked = []
        for spot in with_room:
            at = int(self.room.usable[spot]) - 1
            worst = max(self._assessed(int(spot), satellites, at).results, key=result_severity)
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

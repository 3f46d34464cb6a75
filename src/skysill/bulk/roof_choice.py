"""Which spot of each roof is the best, and how high its mast must be, with as few questions as the ranking allows.

Ranking: the least mast at which the room is there with the probability asked; of spots with one mast the larger margin,
up to ten degrees; then the farther from the roof's edge. The search of each roof is a generator that asks for
clearances, least heights and probabilities of some spots; the questions of all roofs are answered together.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from skysill.bulk.prefilter import FLOOR_DEG
from skysill.units import Bools, Floats, Ints

__all__ = ["ChosenSpots", "Room", "choose_spots"]

_PIECES = np.cumsum(2 ** np.arange(2, 20))
"""Where the spots of a roof, in their order, are cut into pieces that are asked about together, each twice as long."""


class Room(Protocol):
    """Answers about dishes at spots; arrays of one length. Heights are over the roof."""

    def clearances(self, spot: Ints, height_m: Floats) -> tuple[Floats, Floats]:
        """Spare room and margin, degrees; a margin may be nan over ten degrees, and is negative in an obstruction."""

    def least_heights_m(self, spot: Ints, low_m: Floats, most_m: Floats) -> Floats:
        """Least height from `low_m` on that leaves the room; inf above `most_m`."""

    def findings(self, spot: Ints, height_m: Floats) -> tuple[Bools, Floats, Floats, Floats]:
        """Whether the room is there with the probability asked; spare room, margin, and that probability, if known."""


@dataclass(frozen=True, slots=True, eq=False)
class ChosenSpots:
    """The best spot of each roof. spot : its number; level : which height; content : whether it serves there."""

    spot: Ints
    level: Ints
    content: Bools

    def take(self, at: Ints) -> ChosenSpots:
        return ChosenSpots(self.spot[at], self.level[at], self.content[at])


class _Question(NamedTuple):
    """kind : what is asked of spots, each at a level; most : level of the tallest mast that matters, "least" only."""

    kind: str
    spots: Ints
    levels: Ints
    most: int = 0


_Search = Generator[_Question, tuple[Floats, ...], tuple[int, int, bool]]


def choose_spots(room: Room, groups: Sequence[Ints], edge_m: Floats, heights_m: Floats) -> ChosenSpots:
    """The best spot of each roof.

    Parameters
    ----------
    groups : (spot,) numbers of the spots of each roof, at least one
    edge_m : (all spots,) distance from the roof's edge
    heights_m : (level,) rising heights that masts may have
    """
    count = len(groups)
    found = ChosenSpots(np.zeros(count, dtype=int), np.zeros(count, dtype=int), np.zeros(count, dtype=bool))
    searches = [_search(_by_edge(mine, edge_m), heights_m.size) for mine in groups]
    replies: dict[int, tuple[Floats, ...] | None] = dict.fromkeys(range(count))
    while replies:
        asked: dict[int, _Question] = {}
        for number, reply in replies.items():
            try:
                asked[number] = searches[number].send(reply)  # type: ignore[arg-type]  # None starts a generator
            except StopIteration as ended:
                found.spot[number], found.level[number], found.content[number] = ended.value
        replies = dict(_answered(room, asked, heights_m))
    return found


def _by_edge(mine: Ints, edge_m: Floats) -> Ints:
    """Spots in their order among equals: the farthest from the edge first."""
    return mine[np.lexsort((mine, -np.round(edge_m[mine], 3)))]


def _answered(
    room: Room, asked: dict[int, _Question], heights_m: Floats
) -> dict[int, tuple[Floats, ...] | None]:
    """Replies to the questions of all roofs, each kind of question asked once."""
    replies: dict[int, tuple[Floats, ...] | None] = {}
    for kind in ("clearance", "least", "content"):
        numbers = [number for number, question in asked.items() if question.kind == kind]
        if not numbers:
            continue
        questions = [asked[number] for number in numbers]
        spots = np.concatenate([question.spots for question in questions])
        height_m = heights_m[np.concatenate([question.levels for question in questions])]
        cuts = np.cumsum([question.spots.size for question in questions])[:-1]
        answers: tuple[Floats, ...]
        if kind == "clearance":
            answers = room.clearances(spots, height_m)
        elif kind == "content":
            content, *more = room.findings(spots, height_m)
            answers = (np.asarray(content, dtype=np.float64), *more)
        else:
            most_m = np.concatenate([np.full(q.spots.size, heights_m[q.most]) for q in questions])
            answers = (room.least_heights_m(spots, height_m, most_m),)
        parts = [np.split(answer, cuts) for answer in answers]
        for k, number in enumerate(numbers):
            replies[number] = tuple(part[k] for part in parts)
            if kind == "least":
                levels = np.searchsorted(heights_m, replies[number][0] - 1e-6)  # type: ignore[index]  # just written
                replies[number] = (levels.astype(np.float64),)
    return replies


def _search(spots: Ints, count: int) -> _Search:
    """One roof. spots : in their order among equals; count : number of levels"""
    margins, spares = np.full(spots.size, np.nan), np.full(spots.size, np.nan)
    p_clear = np.full(spots.size, -1.0)
    good, spares[:1], margin, p_clear[:1] = yield _Question("content", spots[:1], np.zeros(1, dtype=int))
    margins[:1] = _capped(margin)
    if good[0] and margins[0] >= FLOOR_DEG:  # no spot can be better
        return int(spots[0]), 0, True
    for some in np.split(np.arange(1, spots.size), _PIECES):
        if not some.size:
            break
        spare, margin = yield _Question("clearance", spots[some], np.zeros(some.size, dtype=int))
        spares[some], margins[some] = spare, _capped(margin)
        for k in some[(spare >= 0.0) & (margins[some] >= FLOOR_DEG)]:
            good, _, _, sure = yield _Question("content", spots[k : k + 1], np.zeros(1, dtype=int))
            if good[0]:
                return int(spots[k]), 0, True
            p_clear[k] = sure[0]
    ready = np.flatnonzero(spares >= 0.0)
    best = yield from _first_content(spots, ready[margins[ready] < FLOOR_DEG], margins, 0, p_clear)
    if best >= 0:
        return int(spots[best]), 0, True
    likely = np.lexsort((-spares, -np.nan_to_num(p_clear, nan=-1.0)))
    least, where = yield from _least_level(spots, spares, likely, count)
    if where < 0:
        return (yield from _best_of_the_tallest(spots, count))
    able = np.flatnonzero(least <= where)
    spare, margin = yield _Question("clearance", spots[able], np.full(able.size, where))
    margins[able] = _capped(margin)
    best = yield from _first_content(spots, able[spare >= 0.0], margins, where, p_clear)
    return int(spots[best]), where, True


def _capped(margin_deg: Floats) -> Floats:
    """Margins as they count: to a thousandth, and no larger than ten degrees."""
    return np.asarray(np.round(np.minimum(np.nan_to_num(margin_deg, nan=FLOOR_DEG), FLOOR_DEG), 3))


def _first_content(
    spots: Ints, some: Ints, margins_deg: Floats, level: int, p_clear: Floats
) -> Generator[_Question, tuple[Floats, ...], int]:
    """Which of some spots is the first, by margin and then in their order, that is content at a level; -1: none is.

    p_clear : (spot,) changed to what is found
    """
    order = some[np.lexsort((some, -margins_deg[some]))]
    start, size = 0, 1
    while start < order.size:
        asked = order[start : start + size]
        good, _, _, p_clear[asked] = yield _Question("content", spots[asked], np.full(asked.size, level))
        if good.any():
            return int(asked[np.argmax(good)])
        start, size = start + size, 2 * size
    return -1


def _least_level(
    spots: Ints, spares_deg: Floats, likely: Ints, count: int
) -> Generator[_Question, tuple[Floats, ...], tuple[Ints, int]]:
    """(spot,) no more than the first level with the room; and the least at which any is content, -1: there is none.

    likely : the spots in the order in which they are asked about

    None is content at level 0. Certainty is taken to grow with height. Each further spot is first asked about one level
    below the least so far.
    """
    first = np.ones(spots.size, dtype=int)
    best = count
    start, size = 0, 1
    while start < likely.size and best > 1:
        some = likely[start : start + size]
        start, size = start + size, 2 * size
        short = some[spares_deg[some] < 0.0]
        if short.size:
            (levels,) = yield _Question(
                "least", spots[short], np.zeros(short.size, dtype=int), min(best, count - 1)
            )
            first[short] = np.maximum(levels.astype(int), 1)
        while True:
            some = some[first[some] < best]
            if not some.size:
                break
            good, *_ = yield _Question("content", spots[some], np.full(some.size, best - 1))
            some = some[good > 0.0]
            if not some.size:
                break
            best = yield from _lowest_of(spots, some, first, best - 1)
    return first, best if best < count else -1


def _lowest_of(
    spots: Ints, some: Ints, first: Ints, known: int
) -> Generator[_Question, tuple[Floats, ...], int]:
    """The least level at which one of some spots is content, those with the lowest room; all are at the known one."""
    k = int(some[np.argmin(first[some])])
    low, high, stride = int(first[k]) - 1, known, 1
    at = min(low + 1, known)
    while at < high:  # upwards in growing steps, then by halves
        good, *_ = yield _Question("content", spots[k : k + 1], np.array([at]))
        if good[0]:
            high = at
            break
        low, at, stride = at, min(at + stride, high), 2 * stride
    while high - low > 1:
        middle = (low + high) // 2
        good, *_ = yield _Question("content", spots[k : k + 1], np.array([middle]))
        low, high = (low, middle) if good[0] else (middle, high)
    return high


def _best_of_the_tallest(
    spots: Ints, count: int
) -> Generator[_Question, tuple[Floats, ...], tuple[int, int, bool]]:
    """Where no mast serves: at the tallest the spot with the room, else with a free line, else the largest margin."""
    spare, margin = yield _Question("clearance", spots, np.full(spots.size, count - 1))
    margin = np.nan_to_num(margin, nan=FLOOR_DEG)
    order = np.lexsort((spots, -margin, margin < 0.0, spare < 0.0))
    return int(spots[order[0]]), count - 1, False

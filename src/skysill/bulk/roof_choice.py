"""Which spot of each roof is the best, and how high its mast must be, with as few questions as the ranking allows.

Ranking: the least mast at which the room is there with the probability asked; of spots with one mast the larger margin,
up to ten degrees; then the order in which the spots are given. The search of each roof is a generator that asks for
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


_TRIED_LOW = 3
"""Spots of a roof that are asked about at the lowest mast before taller ones are looked at, which rule out more."""


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


def choose_spots(room: Room, groups: Sequence[Ints], heights_m: Floats) -> ChosenSpots:
    """The best spot of each roof.

    Parameters
    ----------
    groups : (spot,) numbers of the spots of each roof, at least one, in their order among equals
    heights_m : (level,) rising heights that masts may have
    """
    count = len(groups)
    found = ChosenSpots(np.zeros(count, dtype=int), np.zeros(count, dtype=int), np.zeros(count, dtype=bool))
    searches = [_search(mine, heights_m.size) for mine in groups]
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
    roof = _Roof(spots, count)
    (good,) = yield from roof.content(np.array([0]), 0)
    if good and roof.margins[0] >= FLOOR_DEG:  # no spot can be better
        return int(spots[0]), 0, True
    for some in np.split(np.arange(1, spots.size), _PIECES):
        if not some.size:
            break
        yield from roof.look(some, 0)
        for k in some[(roof.spares[some] >= 0.0) & (roof.margins[some] >= FLOOR_DEG)]:
            (good,) = yield from roof.content(np.array([k]), 0)
            if good:
                return int(spots[k]), 0, True
    best = yield from _first_content(roof, np.flatnonzero(roof.spares >= 0.0), 0, most=_TRIED_LOW)
    if best >= 0:
        return int(spots[best]), 0, True
    where = yield from _least_level(roof)
    if where < 0:
        return (yield from _best_of_the_tallest(roof))
    able = np.flatnonzero((roof.first <= where) & (roof.failed < where))
    if where > 0:
        yield from roof.look(able, where)
    best = yield from _first_content(roof, able[roof.spares[able] >= 0.0], where)
    return int(spots[best]), where, True


class _Roof:
    """What is known of one roof's spots. Certainty is taken to grow with height: what fails fails below too.

    spots : (spot,) in their order among equals; count : number of levels
    spares, margins : (spot,) degrees at the level looked at last, the margins as they count
    p_clear : (spot,) probability at the level asked about last, -1: not asked, or not known
    failed : (spot,) highest level known to fail, -1: none; good : (spot,) level of the last that is content, -1: none
    first : (spot,) no more than the first level with the room
    """

    def __init__(self, spots: Ints, count: int) -> None:
        self.spots, self.count = spots, count
        self.spares, self.margins = np.full(spots.size, np.nan), np.full(spots.size, np.nan)
        self.p_clear = np.full(spots.size, -1.0)
        self.failed, self.good = np.full(spots.size, -1), np.full(spots.size, -1)
        self.first = np.zeros(spots.size, dtype=int)

    def look(self, some: Ints, level: int) -> Generator[_Question, tuple[Floats, ...], None]:
        """Ask for the clearances of some spots at a level."""
        spare, margin = yield _Question("clearance", self.spots[some], np.full(some.size, level))
        self.spares[some], self.margins[some] = spare, _capped(margin)

    def content(self, some: Ints, level: int) -> Generator[_Question, tuple[Floats, ...], Bools]:
        """Whether some spots are content at a level, as far as that is not known."""
        ask = some[(self.failed[some] < level) & (self.good[some] != level)]
        if ask.size:
            found, spare, margin, p_clear = yield _Question(
                "content", self.spots[ask], np.full(ask.size, level)
            )
            self.p_clear[ask] = np.nan_to_num(p_clear, nan=-1.0)
            if level == 0:
                self.spares[ask], self.margins[ask] = spare, _capped(margin)
            self.good[ask[found > 0.0]] = level
            self.failed[ask[found <= 0.0]] = level
        return np.asarray(self.good[some] == level)


def _capped(margin_deg: Floats) -> Floats:
    """Margins as they count: to a thousandth, and no larger than ten degrees."""
    return np.asarray(np.round(np.minimum(np.nan_to_num(margin_deg, nan=FLOOR_DEG), FLOOR_DEG), 3))


def _first_content(
    roof: _Roof, some: Ints, level: int, *, most: int | None = None
) -> Generator[_Question, tuple[Floats, ...], int]:
    """Which of some spots is the first, by margin and then in their order, that is content at a level; -1: none is.

    most : only so many are asked
    """
    some = some[roof.failed[some] < level]
    order = some[np.lexsort((some, -roof.margins[some]))][:most]
    start, size = 0, 1
    while start < order.size:
        asked = order[start : start + size]
        good = yield from roof.content(asked, level)
        if good.any():
            return int(asked[np.argmax(good)])
        start, size = start + size, 2 * size
    return -1


def _least_level(roof: _Roof) -> Generator[_Question, tuple[Floats, ...], int]:
    """The least level at which any spot is content; -1: there is none.

    Each further spot is first asked about one level below the least so far; those that fail there fail below it too.
    """
    likely = np.lexsort((-roof.spares, -roof.p_clear))
    best = roof.count
    start, size = 0, 1
    while start < likely.size and best > 0:
        some = likely[start : start + size]
        start, size = start + size, 2 * size
        short = some[roof.spares[some] < 0.0]
        if short.size:
            (levels,) = yield _Question(
                "least", roof.spots[short], np.zeros(short.size, dtype=int), min(best, roof.count - 1)
            )
            roof.first[short] = np.maximum(levels.astype(int), 1)
        while True:
            some = some[np.maximum(roof.first[some], roof.failed[some] + 1) < best]
            if not some.size:
                break
            good = yield from roof.content(some, best - 1)
            some = some[good]
            if not some.size:
                break
            best = yield from _lowest_of(roof, int(some[np.argmin(roof.first[some])]), best - 1)
    return best if best < roof.count else -1


def _lowest_of(roof: _Roof, k: int, known: int) -> Generator[_Question, tuple[Floats, ...], int]:
    """The least level at which one spot is content; it is at the known one.

    Asked in growing steps: upwards from the first level with the room where the tallest mast is all that is known, else
    downwards, since little less than what serves another spot is to be expected; then by halves.
    """
    low, high, stride = max(int(roof.first[k]) - 1, int(roof.failed[k])), known, 1
    upwards = known == roof.count - 1
    while high - low > 1:
        at = min(low + stride, high - 1) if upwards else max(high - stride, low + 1)
        (good,) = yield from roof.content(np.array([k]), at)
        low, high = (low, at) if good else (at, high)
        if bool(good) == upwards:
            break
        stride *= 2
    while high - low > 1:
        middle = (low + high) // 2
        (good,) = yield from roof.content(np.array([k]), middle)
        low, high = (low, middle) if good else (middle, high)
    return high


def _best_of_the_tallest(roof: _Roof) -> Generator[_Question, tuple[Floats, ...], tuple[int, int, bool]]:
    """Where no mast serves: at the tallest the spot with the room, else with a free line, else the largest margin."""
    spots, last = roof.spots, roof.count - 1
    spare, margin = yield _Question("clearance", spots, np.full(spots.size, last))
    margin = np.nan_to_num(margin, nan=FLOOR_DEG)
    order = np.lexsort((spots, -margin, margin < 0.0, spare < 0.0))
    return int(spots[order[0]]), last, False

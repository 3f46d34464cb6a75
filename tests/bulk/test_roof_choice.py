"""The best spot of each roof against a look at every spot and height, on invented tables of room and certainty."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.bulk.roof_choice import choose_spots

HEIGHTS_M = np.round(0.7 + 0.05 * np.arange(20), 2)


class Table:
    """Room that grows with height at random spots: margin (spot, level), first level with room, first content one."""

    def __init__(self, rng, count, hard):
        low = rng.uniform(-6.0, 14.0 - 12.0 * hard, count)
        self.margin = np.round(low[:, None] + rng.uniform(0.1, 0.6, (count, 1)) * np.arange(20), 3)
        self.need = rng.choice([1.0, 2.0, 3.0], count)
        more = rng.choice([0, 0, 1, 4, 30], count)
        self.first = (self.margin < self.need[:, None]).sum(axis=1)
        self.sure = self.first + more
        self.asked = 0

    def level(self, height_m):
        return np.searchsorted(HEIGHTS_M, height_m - 1e-9)

    def clearances(self, spot, height_m):
        self.asked += spot.size
        margin = self.margin[spot, self.level(height_m)]
        return margin - self.need[spot], np.where(margin > 10.0, np.nan, margin)

    def least_heights_m(self, spot, low_m, most_m):
        self.asked += spot.size
        least = np.append(HEIGHTS_M, np.inf)[self.first[spot]] - 0.01  # a height between two levels
        least = np.maximum(least, low_m)
        return np.where(least > most_m, np.inf, least)

    def findings(self, spot, height_m):
        short = self.sure[spot] - self.level(height_m)
        return short <= 0, *self.clearances(spot, height_m), np.clip(0.9 - 0.05 * short, 0.0, 1.0)


def by_looking_at_all(table, mine):
    ranked = []
    for place, spot in enumerate(mine):
        for level in range(HEIGHTS_M.size):
            if level >= table.sure[spot]:
                margin = min(table.margin[spot, level], 10.0)
                ranked.append(((level, -margin, place), spot, level, True))
                break
    if not ranked:
        for spot in mine:
            margin = table.margin[spot, -1]
            order = (margin < table.need[spot], margin < 0.0, -min(margin, 10.0), spot)
            ranked.append((order, spot, HEIGHTS_M.size - 1, False))
    return min(ranked, key=lambda one: one[0])[1:]


@pytest.mark.parametrize("hard", [0.0, 0.5, 1.0])
def test_the_spot_and_mast_of_every_roof_are_those_of_a_look_at_all(hard):
    rng = np.random.default_rng(int(10 * hard) + 4)
    sizes = rng.integers(1, 40, 300)
    table = Table(rng, int(sizes.sum()), hard)
    numbers = rng.permutation(table.first.size)  # spots of a roof need not lie next to each other
    groups = np.split(numbers, np.cumsum(sizes)[:-1])
    found = choose_spots(table, groups, HEIGHTS_M)
    kinds = set()
    for k, mine in enumerate(groups):
        spot, level, content = by_looking_at_all(table, mine)
        assert (found.spot[k], found.level[k], found.content[k]) == (spot, level, content), k
        kinds.add((level == 0, content))
    assert (True, True) in kinds or hard == 1.0
    if hard:
        assert (False, True) in kinds
    assert table.asked < 0.25 * table.first.size * HEIGHTS_M.size


def test_one_height_and_one_spot_are_enough():
    rng = np.random.default_rng(1)
    table = Table(rng, 1, 0.5)
    for sure, content in ((0, True), (5, False)):
        table.first[:], table.sure[:] = 0, sure
        found = choose_spots(table, [np.array([0])], HEIGHTS_M[:1])
        assert (found.spot[0], found.level[0], found.content[0]) == (0, 0, content)

"""The best spots of many roofs by the compiled loops: the same answers as `roof_search`, for all roofs together.

Roofs about whose rays the rasters leave a gap, or that the loops cannot answer, are left to the search one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from skysill.bulk.compiled.kernel import (
    DishClearances,
    DishFindings,
    dish_clearances,
    dish_findings,
    joined,
    least_dish_heights,
)
from skysill.bulk.compiled.placed import PlacedDishes, place_dishes
from skysill.bulk.compiled.raster_stack import RasterStack
from skysill.bulk.finding_verdicts import judged
from skysill.bulk.prefilter import FLOOR_DEG, ScreeningQuery
from skysill.bulk.roof_choice import ChosenSpots, choose_spots
from skysill.bulk.roof_results import (
    RoofSearch,
    caution_codes,
    edge_distances_m,
    kit_of,
    order_among_equals,
)
from skysill.bulk.roof_search import heights_m, mount_of, serves
from skysill.bulk.roof_spots import Roofs, RoofSpots
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.geodesy.positions import offset_position
from skysill.radio.required_room import room_m
from skysill.units import Bools, Floats, Ints

__all__ = ["search_together"]

_PROVED_WITHIN = 0.002
"""A spot that serves with a probability over the one asked by less, four samples, is proved by an assessment.

Narrower than for addresses, since a proof takes as long as ten roofs: of 1,400 probabilities at roof spots none by the
loops was higher than by `assess`.
"""


def search_together(
    stack: RasterStack,
    roofs: Roofs,
    spots: RoofSpots,
    wanted: Ints,
    query: ScreeningQuery,
    search: RoofSearch,
    results: ScreeningResults,
) -> Ints:
    """Search roofs together, and write the best spot of each.

    Parameters
    ----------
    stack : all rasters, as far out as their ground could matter
    wanted : buildings that have spots

    Returns
    -------
    Those that could not be answered
    """
    heights = heights_m(query.terminal, search)
    room = _KernelRoom(stack, roofs, spots, query)
    order = np.searchsorted(spots.building, np.arange(len(roofs) + 1))
    edge_m = edge_distances_m(roofs, spots.building, spots.east_m, spots.north_m)
    rank = np.lexsort((*order_among_equals(edge_m, spots.surface_m)[::-1], spots.building))
    simple = room.simple(rank[order[wanted]], float(heights[0]))
    asked = wanted[simple]
    if not asked.size:
        return wanted
    best = choose_spots(room, [rank[order[at] : order[at + 1]] for at in asked], heights)
    dishes = room.at(best.spot, heights[best.level])
    found = room.known(best.spot, heights[best.level], best.content, dishes)
    good = ~room.odd[asked] & ~is_odd(found)
    # what an assessment does not prove is searched one by one
    close = good & best.content & (found.p_clear < query.criteria.min_p_clear + _PROVED_WITHIN)
    for k in np.flatnonzero(close).tolist():
        mount = mount_of(spots, int(best.spot[k]), float(heights[best.level[k]]))
        good[k] = serves(stack.sources, roofs, int(asked[k]), mount, query, search)
    sound = np.flatnonzero(good)
    told = list(judged(stack, dishes.take(sound), found.take(sound), query))
    _write(results, asked[sound], best.take(sound), told, dishes.take(sound), found.take(sound), stack)
    numbers, spot, height_m = results.numbers, best.spot[sound], heights[best.level[sound]]
    numbers["surface_elevation_m"][asked[sound]] = spots.surface_m[spot]
    numbers["mast_height_m"][asked[sound]] = height_m
    results.least_height_m[asked[sound]] = np.where(best.content[sound], height_m, np.nan)
    results.texts["cautions"][asked[sound]] = caution_codes(query, search, edge_m[spot])
    results.texts["kit"][asked[sound]] = [kit_of(search.kits, one) for one in height_m.tolist()]
    return np.sort(np.concatenate([wanted[~simple], np.delete(asked, sound)]))


def _write(
    results: ScreeningResults,
    at: Ints,
    best: ChosenSpots,
    told: Sequence[tuple[str, tuple[str, ...]]],
    dishes: PlacedDishes,
    found: DishFindings,
    stack: RasterStack,
) -> None:
    """Write what the loops found at the best spots."""
    clear, numbers = found.clearances, results.numbers
    numbers["spot_latitude_deg"][at], numbers["spot_longitude_deg"][at] = (
        dishes.latitude_deg,
        dishes.longitude_deg,
    )
    results.azimuth_deg[at], results.elevation_deg[at] = dishes.azimuth_deg, dishes.elevation_deg
    results.verdict[at] = [verdict for verdict, _ in told]
    results.reason[at] = [reasons[0] for _, reasons in told]
    beyond = np.isnan(clear.margin_deg) | (clear.margin_deg > FLOOR_DEG)
    results.margin_is_floor[at] = beyond
    results.margin_deg[at] = np.where(beyond, FLOOR_DEG, clear.margin_deg)
    results.terrain_elevation_deg[at] = np.where(beyond, np.nan, clear.top_deg)
    results.terrain_distance_m[at] = np.where(beyond, np.nan, clear.top_slant_m)
    numbers["controls_distance_m"][at] = np.where(beyond, np.nan, clear.slant_m)
    names = [source.name for source in stack.sources]
    results.texts["controls"][at] = [
        "" if far else names[number]
        for far, number in zip(beyond.tolist(), clear.raster.tolist(), strict=True)
    ]
    numbers["p_clear"][at] = found.p_clear


def is_odd(found: DishFindings) -> Bools:
    """(dish,) whether more than room and certainty decides there, or the loops cannot tell."""
    gap = ~found.near_seen | np.isfinite(found.gap_reach_m) | (found.near_raster >= 0)
    return np.asarray(found.untold | (~found.clearances.met & gap))


class _KernelRoom:
    """The room of dishes at spots, by the compiled loops. odd : (building,) whether any answer is to be doubted"""

    def __init__(self, stack: RasterStack, roofs: Roofs, spots: RoofSpots, query: ScreeningQuery) -> None:
        self.stack, self.query, self.building = stack, query, spots.building
        self.roofs, self.spots = roofs, spots
        self.latitude_deg, self.longitude_deg = np.full((2, spots.building.size), np.nan)
        self.first = np.zeros(len(roofs), dtype=np.int64)
        self.mapped = np.zeros(spots.building.size, dtype=bool)
        self.terms = np.zeros((0, 0, 0))
        self.odd = np.zeros(len(roofs), dtype=bool)
        self.answers: list[tuple[Ints, Floats, DishFindings]] = []
        # probabilities without the error that matters most, which is told of the best spots only
        self.unexplained = replace(query, criteria=replace(query.criteria, min_p_clear=0.0))

    def simple(self, spot: Ints, height_m: float) -> Bools:
        """(spot,) whether the loops can answer there; one spot of each roof, the first to be asked about."""
        self.first[self.building[spot]] = spot
        return self._placed(spot, np.full(spot.size, height_m)).simple

    def at(self, spot: Ints, height_m: Floats) -> PlacedDishes:
        """Dishes at spots, so high over the roof; where the loops cannot answer, the roof's first spot, as odd."""
        placed = self._placed(spot, height_m)
        if (strange := ~placed.simple).any():
            building = self.building[spot]
            self.odd[building[strange]] = True
            placed = self._placed(np.where(strange, self.first[building], spot), height_m)
        return placed

    def _placed(self, spot: Ints, height_m: Floats) -> PlacedDishes:
        missing = spot[~self.mapped[spot]]
        if missing.size:
            self._map(missing)
        place = self.latitude_deg[spot], self.longitude_deg[spot], height_m
        surface_m, terms = self.spots.surface_m[spot], self.terms[:, spot]
        return place_dishes(self.stack, *place, self.query, surface_m=surface_m, terms=terms)

    def _map(self, missing: Ints) -> None:
        """Work out where spots lie on the rasters: from the second time on all spots of their roofs, each once."""
        if self.mapped.any():
            missing = np.flatnonzero(np.isin(self.building, self.building[missing]) & ~self.mapped)
        roofs, spots, building = self.roofs, self.spots, self.building[missing]
        self.latitude_deg[missing], self.longitude_deg[missing] = offset_position(
            roofs.latitude_deg[building],
            roofs.longitude_deg[building],
            spots.east_m[missing],
            spots.north_m[missing],
        )
        place = self.latitude_deg[missing], self.longitude_deg[missing], np.zeros(missing.size)
        found = place_dishes(self.stack, *place, self.query, surface_m=spots.surface_m[missing])
        if not self.mapped.any():
            self.terms = np.full((found.terms.shape[0], self.building.size, found.terms.shape[2]), np.nan)
        self.terms[:, missing] = found.terms
        self.mapped[missing] = True

    def clearances(self, spot: Ints, height_m: Floats) -> tuple[Floats, Floats]:
        found = dish_clearances(self.stack, self.at(spot, height_m), self.query)
        return found.spare_deg, found.margin_deg

    def least_heights_m(self, spot: Ints, low_m: Floats, most_m: Floats) -> Floats:
        return least_dish_heights(self.stack, self.at(spot, low_m), self.query, most_m=most_m).height_m

    def findings(self, spot: Ints, height_m: Floats) -> tuple[Bools, Floats, Floats, Floats]:
        asked = self.query.criteria.min_p_clear
        found = dish_findings(self.stack, self.at(spot, height_m), self.unexplained, enough_p=asked)
        clear = found.clearances
        odd = is_odd(found)
        self.odd[self.building[spot[odd]]] = True
        room = ~clear.met & (clear.spare_deg >= 0.0) & self._has_required_m(clear)
        content = room & (np.nan_to_num(found.p_clear) >= asked)
        self.answers.append((spot, height_m, found))
        return content | odd, clear.spare_deg, clear.margin_deg, found.p_clear

    def _has_required_m(self, clear: DishClearances) -> Bools:
        """(dish,) whether the controlling ground leaves the required room in metres too, as `decide` asks."""
        left_m = clear.slant_m * np.sin(np.deg2rad(clear.margin_deg))
        short = left_m < room_m(clear.slant_m, self.query.link)  # False where nothing controls
        return np.asarray(~short)

    def known(self, spot: Ints, height_m: Floats, content: Bools, dishes: PlacedDishes) -> DishFindings:
        """The findings at spots, each at a height: of those that are content they are known from the search."""
        rows: dict[tuple[int, float], int] = {}
        start = 0
        for spots, heights, _ in self.answers:
            rows |= {
                pair: start + k for k, pair in enumerate(zip(spots.tolist(), heights.tolist(), strict=True))
            }
            start += spots.size
        at = [rows.get(pair, -1) for pair in zip(spot.tolist(), height_m.tolist(), strict=True)]
        row = np.where(content, np.array(at, dtype=np.int64), -1)
        told, missing = np.flatnonzero(row >= 0), np.flatnonzero(row < 0)
        parts = [joined([found for *_, found in self.answers]).take(row[told])] if told.size else []
        if missing.size:
            parts.append(dish_findings(self.stack, dishes.take(missing), self.query))
        return joined(parts).take(np.argsort(np.concatenate([told, missing])))

"""Places on bare ground by the compiled loops, as functions of arrays."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from skysill.assessment.evidence import stated_errors
from skysill.bulk.compiled.bare_ground import (
    BARE_FIELDS,
    FOUND_FIELDS,
    bare_certainty,
    bare_clearances,
    bare_eyes,
)
from skysill.bulk.compiled.cubic_maps import cubic_maps
from skysill.bulk.compiled.draws import Draws, all_draws
from skysill.bulk.compiled.jit import announced
from skysill.bulk.compiled.kept_samples import lift_table
from skysill.bulk.compiled.kernel import dish_findings
from skysill.bulk.compiled.placed import place_dishes, required_room
from skysill.bulk.compiled.raster_stack import RasterStack, raster_stack
from skysill.bulk.controlling_obstruction import ControllingGround
from skysill.bulk.fan_results import Window
from skysill.bulk.prefilter import FLOOR_DEG, Ground, Places, ScreeningQuery, locate_places
from skysill.horizon.lattice import Grid, Lattice
from skysill.horizon.rays import reach_needed_m
from skysill.model.job import Job
from skysill.model.site import Criteria, Satellite, Site, Terminal
from skysill.units import Bools, Floats, Ints, local_earth_radius_m

__all__ = ["BareSearch", "bare_search", "load"]

_TENTHS_RAD = np.deg2rad(np.arange(1801) / 10.0)
_TURNS = np.stack([np.cos(_TENTHS_RAD), np.sin(_TENTHS_RAD)], axis=1)
_WIDE_DEG = 0.5
_CLOSE_CALL = 0.08
"""Nearer than this to the probability asked, and where a smaller one is told, the columns of all rays are looked
at."""


@dataclass(frozen=True, slots=True, eq=False)
class BareSearch:
    """One raster and one question, ready for the compiled loops. Made by `bare_search`."""

    ground: Ground
    stack: RasterStack
    query: ScreeningQuery

    def controlling_ground(
        self, places: Places, *, most_deg: float = FLOOR_DEG, exact: bool = True, bounded: bool = True
    ) -> tuple[Ints, ControllingGround]:
        """The controlling ground of the places that ground comes near to.

        Parameters
        ----------
        most_deg : excess margin above which it is not searched
        exact : False leaves out how deep obstructed rays stand in the ground
        bounded : False looks at all ground, for tests

        Returns
        -------
        (n,) indices of places; of all others the ground leaves more than most_deg and the stated errors leave
        the room with the probability asked. Their controlling ground as `controlling_obstruction` gives it,
        without raise_m
        """
        out = self._found(places, np.deg2rad(most_deg), 0.0, exact, bounded)
        near = np.flatnonzero(np.isfinite(out[:, 4]) | (out[:, 6] > 0.0) | np.isfinite(out[:, 0]))
        spare, margin, slant_m, met, top, top_m, doubt = out[near].T
        return near, ControllingGround(
            excess_deg=np.where(np.isfinite(spare), np.rad2deg(spare), np.nan),
            margin_deg=np.rad2deg(margin),
            slant_m=slant_m,
            top_deg=np.rad2deg(np.arctan(top)),
            top_m=top_m,
            inside=met > 0.0,
            uncertain=doubt > 0.0,
            raise_m=np.zeros(near.size),
        )

    def may_matter(self, places: Places, moved_m: float) -> Bools:
        """(place,) whether ground could decide at any dish up to moved_m away that is no lower; a False is
        certain."""
        return np.asarray(self._found(places, 0.0, moved_m, False, True)[:, 6] > 0.0)

    def p_clear(self, places: Places, *, told: bool = True) -> Floats:
        """(place,) probability that the room is there where the centre ray is free; nan where it cannot be told.

        told : False stops where it is certainly less than asked: the answer is then too high and still less
            than that

        Notes
        -----
        Edges of cells are moved as in `assessment.confidence`, one ray in half a degree, which is up to 0.07
        too high and 0.03 too low. Where that is not enough to tell, all rays are looked at.
        """
        share = np.full(places.antenna_m.size, np.nan)
        if not share.size:
            return share
        wanted = self.query.criteria.min_p_clear
        table, terms, lifts = self._laid_out(places, least_p=1.0)
        moved, knots, _, _, own_m = self._draws.whole
        enough = 0.998 if told else min(1.0 - wanted + _CLOSE_CALL, 0.998)
        bare_certainty(
            self.stack.cells, self.stack.parts, self.stack.facts, terms, table, *required_room(self.query),
            lifts, _TURNS,
            moved[0], knots[0], own_m[0], enough, share,
        )  # fmt: skip
        close = np.flatnonzero(~(share >= wanted + _CLOSE_CALL) & (told | ~(share <= wanted - _CLOSE_CALL)))
        share[close] = self._p_clear_by_all_rays(places.take(close))
        return share

    def _p_clear_by_all_rays(self, places: Places) -> Floats:
        share = np.full(places.antenna_m.size, np.nan)
        if not share.size:
            return share
        dishes = place_dishes(
            self.stack, places.latitude_deg, places.longitude_deg, places.height_m, self.query
        )
        simple = np.flatnonzero(dishes.simple)
        share[simple] = dish_findings(self.stack, dishes.take(simple), self.query, most_spare_deg=0.0).p_clear
        return share

    @property
    def _draws(self) -> Draws:
        return all_draws(self.stack, stated_errors(Job(Site("", 0.0, 0.0), ()), None, 0.0))

    def least_heights(self, places: Places, most_m: float) -> Floats:
        """(place,) least height of the dish centre at which terrain leaves the room; inf above most_m."""
        out = np.zeros(places.antenna_m.size)
        if not out.size:
            return out
        table, terms, lifts = self._laid_out(places)
        ground_m = places.antenna_m - places.height_m
        bare_eyes(
            self.stack.cells, self.stack.parts, self.stack.facts, terms, table, *required_room(self.query),
            ground_m + most_m, True, lifts, _TURNS, out,
        )  # fmt: skip
        return np.asarray(out - ground_m)

    def _found(self, places: Places, most_spare: float, off_m: float, exact: bool, bounded: bool) -> Floats:
        out = np.zeros((places.antenna_m.size, FOUND_FIELDS))
        if not out.size:
            return out
        table, terms, lifts = self._laid_out(places)
        bare_clearances(
            self.stack.cells, self.stack.parts, self.stack.facts, terms, table, *required_room(self.query),
            most_spare,
            off_m, exact, bounded, lifts, _TURNS, out,
        )  # fmt: skip
        return out

    def _laid_out(self, places: Places, *, least_p: float | None = None) -> tuple[Floats, Floats, Floats]:
        """(place, BARE_FIELDS), maps around the places, and how far errors move ground."""
        query = self.query
        window = Window.of(places, query)
        factor = query.criteria.refraction_factor
        across, along = (1.0 / (factor * local_earth_radius_m(places.latitude_deg, at)) for at in (90.0, 0.0))
        most_m = places.search_m.copy()
        low = np.flatnonzero(places.search_floor_deg > places.apparent_deg - FLOOR_DEG)
        if low.size:  # as far as the assessment of one mount goes: ground there can be nearer than FLOOR_DEG
            highest_m = max(query.highest_ground_m, self.ground.grid.highest_m)
            most_m[low] = reach_needed_m(
                places.antenna_m[low], places.search_floor_deg[low], highest_ground_m=highest_m,
                radius_m=places.radius_m[low]
            )  # fmt: skip
        lifts, which = lift_table(
            self.stack, self._draws, query.criteria.min_p_clear if least_p is None else least_p,
            places.azimuth_deg, places.apparent_deg, np.asarray(_WIDE_DEG * (window.outer + 1), dtype=np.float64),
        )  # fmt: skip
        table = np.column_stack([
            places.antenna_m, np.deg2rad(places.azimuth_deg), np.deg2rad(places.apparent_deg), across, along,
            most_m,
            window.dense, window.inner, window.outer, which,
        ])  # fmt: skip
        assert table.shape[1] == BARE_FIELDS
        return table, cubic_maps(self.ground.grid, places.latitude_deg, places.longitude_deg), lifts


def load(*, turn: Callable[[str], AbstractContextManager[Any]] = nullcontext) -> None:
    """Load the compiled loops over bare rasters, or compile them; as `kernel.load`."""
    announced(_ask_once, turn=turn)


def _ask_once() -> None:
    values = np.zeros((60, 60), dtype=np.float32)
    values[40:50, 20:40] = 60.0
    grid = Grid(values, (30.0, 0.0, 500_000.0, 0.0, -30.0, 6_400_000.0), "EPSG:32631")
    ground = Ground.of(grid, name="any", kind="bare", cell_size_m=30.0, vertical_error_m=3.0)
    query = ScreeningQuery(Satellite("any", longitude_deg=3.0), Terminal(), Criteria(), 100.0)
    latitude, longitude = Lattice(values.shape, grid.transform, grid.crs).place(
        np.array([20.0]), np.array([30.0])
    )
    places, _ = locate_places(ground, latitude, longitude, np.array([2.0]), query)
    search = bare_search(ground, query)
    search.controlling_ground(places)
    search.p_clear(places)
    search.least_heights(places, 5.0)
    search._p_clear_by_all_rays(places)


def bare_search(ground: Ground, query: ScreeningQuery) -> BareSearch:
    """The compiled search of one raster; what is laid out for it is kept with the ground."""
    if "stack" not in ground.held:
        ground.held["stack"] = raster_stack((ground.source,), (ground.grid,))
    return BareSearch(ground, ground.held["stack"], replace(query, position_error_m=0.0))

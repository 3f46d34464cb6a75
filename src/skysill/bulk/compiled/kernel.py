"""The compiled loops as functions of arrays: clearances, findings and least heights of many dishes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from skysill.assessment.error_model import Errors
from skysill.assessment.evidence import stated_errors
from skysill.bulk.compiled.draws import all_draws
from skysill.bulk.compiled.jit import announced
from skysill.bulk.compiled.measure import clearances, least_eyes
from skysill.bulk.compiled.place_fields import (
    O_ALONE,
    O_GAP_FIRST,
    O_GAP_LAST,
    O_GAP_REACH,
    O_MARGIN,
    O_MET,
    O_NEAR_RASTER,
    O_NEAR_SEEN,
    O_NEAR_SLANT,
    O_P_CLEAR,
    O_RASTER,
    O_SLANT,
    O_SPARE,
    O_TOP_SLANT,
    O_TOP_SLOPE,
    O_UNTOLD,
    OUT_FIELDS,
)
from skysill.bulk.compiled.placed import PlacedDishes, required_room
from skysill.bulk.compiled.raster_stack import RasterStack
from skysill.bulk.prefilter import ScreeningQuery
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job
from skysill.model.site import Criteria, Satellite, Site, Terminal
from skysill.units import Bools, Floats, Ints

__all__ = [
    "DishClearances",
    "DishFindings",
    "LeastHeights",
    "dish_clearances",
    "dish_findings",
    "joined",
    "least_dish_heights",
    "load",
]

_MOST_SPARE_DEG = 10.0
_NOWHERE = Site("", 0.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class DishClearances:
    """The clearance of dishes; arrays of one length.

    spare_deg : margin less the required angle; inf where no ground leaves less than was looked for
    margin_deg : angle between the ray and the controlling ground, negative inside it; nan where spare_deg is inf
    slant_m : distance of the controlling ground along the line of sight
    raster : number of the raster that shows it, -1 where there is none
    met : whether the ray is obstructed
    top_deg, top_slant_m : the highest ground straight below the satellite; nan where there is none
    """

    spare_deg: Floats
    margin_deg: Floats
    slant_m: Floats
    raster: Ints
    met: Bools
    top_deg: Floats
    top_slant_m: Floats


@dataclass(frozen=True, slots=True, eq=False)
class DishFindings:
    """What else decides the verdicts of dishes; arrays of one length. nan where a quantity does not matter any more.

    clearances : their clearance
    near_slant_m, near_raster : ground in the required room that only cells too coarse to be relied on show; nan,
    -1: none
    gap_from_deg, gap_to_deg : azimuth offsets of the first and the last dense ray whose ground is not known far
    enough
    gap_reach_m : the shortest distance known on such rays
    near_seen : whether near evidence exists on all dense rays
    p_clear : probability that the room is there; of rays with clearance and without gap
    alone_deg : (place, 3) how far errors of the dish's place, of its height, of the rasters alone move the room;
        where p_clear is less than asked
    untold : rays in so many voids, or with so much ground near them, that the place has to be assessed by itself
    """

    clearances: DishClearances
    near_slant_m: Floats
    near_raster: Ints
    gap_from_deg: Floats
    gap_to_deg: Floats
    gap_reach_m: Floats
    near_seen: Bools
    p_clear: Floats
    alone_deg: Floats
    untold: Bools

    def take(self, at: Ints) -> DishFindings:
        """Some of them."""
        clear = DishClearances(*(getattr(self.clearances, f.name)[at] for f in fields(DishClearances)))
        return DishFindings(clear, *(getattr(self, f.name)[at] for f in fields(DishFindings)[1:]))


def joined(parts: Sequence[DishFindings]) -> DishFindings:
    """Findings of several questions one after the other; at least one."""

    def whole(name: str, columns: Sequence[Any]) -> Any:
        return np.concatenate([getattr(column, name) for column in columns])

    near = [part.clearances for part in parts]
    clear = DishClearances(*(whole(f.name, near) for f in fields(DishClearances)))
    return DishFindings(clear, *(whole(f.name, parts) for f in fields(DishFindings)[1:]))


@dataclass(frozen=True, slots=True, eq=False)
class LeastHeights:
    """The least heights of dishes; arrays of one length.

    height_m : least height of the dish centre over its surface at which terrain leaves the required room, no less
        than what was asked for; inf above the most
    slant_m, raster : what decides it; nan, -1 where nothing does
    """

    height_m: Floats
    slant_m: Floats
    raster: Ints


def dish_clearances(
    stack: RasterStack,
    dishes: PlacedDishes,
    query: ScreeningQuery,
    *,
    most_spare_deg: float = _MOST_SPARE_DEG,
    bounded: bool = True,
) -> DishClearances:
    """The clearance of each dish, as `assess` finds it from the same rasters.

    Parameters
    ----------
    dishes : from `place_dishes`, all of them `simple`
    most_spare_deg : ground that leaves more spare room is not looked for
    bounded : False looks at all ground, for tests
    """
    return _clearances(_measured(stack, dishes, query, most_spare_deg, bounded, None))


def dish_findings(
    stack: RasterStack,
    dishes: PlacedDishes,
    query: ScreeningQuery,
    *,
    errors: Errors | None = None,
    most_spare_deg: float = _MOST_SPARE_DEG,
    enough_p: float = 0.0,
    bounded: bool = True,
) -> DishFindings:
    """The clearance of each dish, how far its rays are known, and the probability that the room is there.

    Parameters
    ----------
    dishes, most_spare_deg, bounded : as for `dish_clearances`
    errors : of the dish's place and height; None: as stated where nobody says otherwise
    enough_p : where the probability is less than this, an upper bound that is less, too, will do
    """
    errors = errors or stated_errors(Job(_NOWHERE, ()), None, 0.0)
    out = _measured(stack, dishes, query, most_spare_deg, bounded, errors, enough_p)
    return DishFindings(
        clearances=_clearances(out),
        near_slant_m=out[:, O_NEAR_SLANT].copy(),
        near_raster=_numbers(out[:, O_NEAR_RASTER]),
        gap_from_deg=out[:, O_GAP_FIRST].copy(),
        gap_to_deg=out[:, O_GAP_LAST].copy(),
        gap_reach_m=out[:, O_GAP_REACH].copy(),
        near_seen=out[:, O_NEAR_SEEN] == 1.0,
        p_clear=out[:, O_P_CLEAR].copy(),
        alone_deg=np.rad2deg(out[:, O_ALONE : O_ALONE + 3]),
        untold=out[:, O_UNTOLD] != 0.0,
    )


def load(*, turn: Callable[[str], AbstractContextManager[Any]] = nullcontext) -> None:
    """Load the compiled loops, or compile them; says on standard error that it compiles where that takes a while.

    turn : as of `jit.announced`
    """
    announced(_ask_once, turn=turn)


def _ask_once() -> None:
    from skysill.bulk.compiled.placed import place_dishes
    from skysill.bulk.compiled.raster_stack import raster_stack

    values = np.zeros((40, 40), dtype=np.float32)
    values[15:20, 20] = 3.0
    grid = Grid(values, (1.0, 0.0, 500_000.0, 0.0, -1.0, 0.0), "EPSG:32631")
    stack = raster_stack((HeldGrid(grid, kind="surface", cell_size_m=1.0),), (grid,))
    query = ScreeningQuery(Satellite("any", longitude_deg=30.0), Terminal(), Criteria(), 100.0)
    dishes = place_dishes(stack, np.array([-0.00016]), np.array([3.00016]), np.array([1.0]), query)
    dish_findings(stack, dishes, query)
    least_dish_heights(stack, dishes, query, most_m=5.0)


def _measured(
    stack: RasterStack,
    dishes: PlacedDishes,
    query: ScreeningQuery,
    most_spare_deg: float,
    bounded: bool,
    errors: Errors | None,
    enough_p: float = 0.0,
) -> Floats:
    """(place, OUT_FIELDS): what the compiled loop finds; only the clearance where errors is None."""
    out = np.zeros((len(dishes), OUT_FIELDS))
    draws = all_draws(stack, errors or Errors())
    clearances(
        stack.cells,
        stack.voids,
        stack.parts,
        stack.facts,
        dishes.terms,
        dishes.table,
        *required_room(query),
        float(np.deg2rad(most_spare_deg)),
        bounded,
        query.highest_ground_m,
        -1.0 if errors is None else query.criteria.min_p_clear,
        enough_p,
        draws.dish_m,
        draws.bounds,
        draws.whole,
        draws.alone,
        out,
    )
    return out


def _clearances(out: Floats) -> DishClearances:
    return DishClearances(
        spare_deg=np.rad2deg(out[:, O_SPARE]),
        margin_deg=np.rad2deg(out[:, O_MARGIN]),
        slant_m=out[:, O_SLANT].copy(),
        raster=_numbers(out[:, O_RASTER]),
        met=out[:, O_MET] != 0.0,
        top_deg=np.rad2deg(np.arctan(out[:, O_TOP_SLOPE])),
        top_slant_m=out[:, O_TOP_SLANT].copy(),
    )


def least_dish_heights(
    stack: RasterStack,
    dishes: PlacedDishes,
    query: ScreeningQuery,
    *,
    most_m: Floats | float,
    bounded: bool = True,
) -> LeastHeights:
    """The least height of each dish that leaves the required room beside all ground of the rasters.

    Parameters
    ----------
    dishes : from `place_dishes`, all of them `simple`, at the least height that is asked about
    most_m : (place,) or one for all; greatest height over the surface that is asked about: the search of a place
        stops there, so a low one saves time

    Notes
    -----
    Of each sample the eye that just leaves the room is found by bisection to a thousandth of a millimetre; the least
    height is the largest of them. Samples that leave the room from the highest eye so far are passed over.
    """
    highest_m = dishes.surface_m + np.broadcast_to(
        np.asarray(most_m, dtype=np.float64), dishes.height_m.shape
    )
    out = np.zeros((len(dishes), 3))
    least_eyes(
        stack.cells,
        stack.parts,
        stack.facts,
        dishes.terms,
        dishes.table,
        *required_room(query),
        highest_m,
        bounded,
        out,
    )
    return LeastHeights(out[:, 0] - dishes.surface_m, out[:, 1].copy(), _numbers(out[:, 2]))


def _numbers(values: Floats) -> Ints:
    return np.nan_to_num(values, nan=-1.0).astype(np.int64)

"""Screening by the compiled loops: verdicts and least heights of many addresses over a raster stack.

The compiled loops give numbers; the rule and the sentences are those of `assessment.verdict`. Addresses that they
cannot answer (a satellite overhead, rays through too many voids), and those that a little less probability would make
marginal, are assessed one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from skysill.assessment.clearance import Clearance, Controlling
from skysill.assessment.confidence import ALONE_NAMES, Confidence
from skysill.assessment.coverage import gap_sentence, near_doubt_sentence
from skysill.assessment.verdict import Findings, decide
from skysill.bulk.compiled.kernel import DishFindings, dish_clearances, dish_findings, least_dish_heights
from skysill.bulk.compiled.placed import PlacedDishes, place_dishes
from skysill.bulk.compiled.raster_stack import RasterStack
from skysill.bulk.position_error import PLACES_AROUND, offsets_around_m, supports
from skysill.bulk.prefilter import FLOOR_DEG, ScreeningQuery
from skysill.bulk.screening_verdicts import (
    MOST_HEIGHT_M,
    PROVED_WITHIN,
    ScreeningResults,
    assess_each,
    below_horizon_reason,
    empty_results,
    require_support,
)
from skysill.geodesy.positions import offset_position
from skysill.horizon.lattice import Elevations
from skysill.model.default_errors import facts_of
from skysill.radio.required_room import room_m
from skysill.units import Bools, Floats, Ints, wrap_360

__all__ = ["can_screen", "screen_compiled"]

_TOGETHER = 4_096


def can_screen(rasters: Sequence[Elevations], *, full: bool) -> bool:
    """Whether the compiled loops answer for these rasters: no vegetation that grows; full : margins over 10 degrees."""
    grows = any(raster.kind == "surface" and facts_of(raster).growth_m_per_year for raster in rasters)
    return not full and not grows


def screen_compiled(
    stack: RasterStack,
    rasters: Sequence[Elevations],
    latitude_deg: Floats,
    longitude_deg: Floats,
    height_m: Floats,
    query: ScreeningQuery,
) -> ScreeningResults:
    """Screen addresses over a raster stack.

    Parameters
    ----------
    stack : all ground that could matter to the addresses
    rasters : the same rasters, for addresses that are assessed one by one
    latitude_deg, longitude_deg, height_m : (n,) WGS 84, dish centre above the ground

    Returns
    -------
    ScreeningResults, (n,)
    """
    dishes = place_dishes(stack, latitude_deg, longitude_deg, height_m, query)
    results = empty_results(dishes)
    for low in range(0, len(dishes), _TOGETHER):
        some = np.arange(low, min(low + _TOGETHER, len(dishes)))
        _screen_part(stack, rasters, dishes.take(some), some, dishes, query, results)
    if query.position_error_m > 0.0:
        _apply_position_error(stack, rasters, dishes, query, results)
    return results


def _screen_part(
    stack: RasterStack,
    rasters: Sequence[Elevations],
    part: PlacedDishes,
    rows: Ints,
    dishes: PlacedDishes,
    query: ScreeningQuery,
    results: ScreeningResults,
) -> None:
    below = part.apparent_deg <= 0.0
    for at in np.flatnonzero(below):
        results.verdict[rows[at]] = "blocked"
        results.reason[rows[at]] = below_horizon_reason(query, float(part.apparent_deg[at]))
    simple = part.simple & (stack.highest_m <= query.highest_ground_m)
    asked = part.take(simple)
    found = dish_findings(stack, asked, query)
    into = rows[simple]
    _write(stack, asked, found, query, into, results)
    told = ~found.untold
    short = told & (found.clearances.met | (found.clearances.spare_deg < 0.0))
    least = least_dish_heights(stack, asked.take(short), query, most_m=MOST_HEIGHT_M).height_m
    results.least_height_m[into[short]] = np.where(np.isfinite(least), _next_tenth(least), np.nan)
    close = _close_calls(found, results.verdict[into], query)
    others = np.concatenate([rows[~simple & ~below], into[~told | close]])
    assess_each(tuple(rasters), dishes, query, others, results, most_height_m=MOST_HEIGHT_M)


def _next_tenth(height_m: Floats) -> Floats:
    return np.ceil(np.round(height_m * 10.0, 4)) / 10.0


def _close_calls(found: DishFindings, verdict: Any, query: ScreeningQuery) -> Bools:
    """(place,) which `clear` verdicts are left to an assessment, because the probability is hardly enough."""
    close = found.p_clear < query.criteria.min_p_clear + PROVED_WITHIN
    return np.asarray(~found.untold & close & (verdict == "clear"), dtype=bool)


def _verdicts(found: DishFindings, query: ScreeningQuery) -> Any:
    """(place,) the rule of `assessment.verdict.decide`, for what terrain alone decides."""
    clear = found.clearances
    left_m = clear.slant_m * np.sin(np.deg2rad(clear.margin_deg))
    short = (clear.spare_deg < 0.0) | (found.p_clear < query.criteria.min_p_clear)
    short |= left_m < room_m(clear.slant_m, query.link)  # False where nothing controls
    near = ~found.near_seen | np.isfinite(found.near_slant_m)
    rule = [
        (clear.met, "blocked"),
        (np.isfinite(found.gap_from_deg), "unknown"),
        (short, "marginal"),
        (near, "needs-survey"),
    ]
    return np.select([part for part, _ in rule], [name for _, name in rule], "clear").astype(object)


def _write(
    stack: RasterStack,
    dishes: PlacedDishes,
    found: DishFindings,
    query: ScreeningQuery,
    into: Ints,
    results: ScreeningResults,
) -> None:
    """Write verdicts, reasons and margins of addresses."""
    clear = found.clearances
    beyond = ~np.isfinite(clear.margin_deg) | (clear.margin_deg > FLOOR_DEG)
    results.margin_is_floor[into] = beyond
    results.margin_deg[into] = np.where(beyond, FLOOR_DEG, clear.margin_deg)
    results.terrain_elevation_deg[into] = np.where(beyond, np.nan, clear.top_deg)
    results.terrain_distance_m[into] = np.where(beyond, np.nan, clear.top_slant_m)
    for at, row in enumerate(into.tolist()):
        if found.untold[at]:
            continue
        findings = _findings(stack, dishes, found, query, at)
        results.verdict[row], (results.reason[row], *_) = decide(findings)


def _findings(
    stack: RasterStack, dishes: PlacedDishes, found: DishFindings, query: ScreeningQuery, at: int
) -> Findings:
    """What the verdict of one address rests on."""
    now, gap, near = _clearance(stack, found, query, at), None, None
    if np.isfinite(found.gap_from_deg[at]):
        ends = wrap_360(dishes.azimuth_deg[at] + np.array([found.gap_from_deg[at], found.gap_to_deg[at]]))
        where = f"between azimuth {ends[0]:.0f} and {ends[1]:.0f} degrees"
        gap = gap_sentence(
            where, float(found.gap_reach_m[at]), float(dishes.wanted_m[at]), query.highest_ground_m
        )
    if np.isfinite(found.near_slant_m[at]) and now.has_clearance:
        near = near_doubt_sentence(float(found.near_slant_m[at]), stack.sources[found.near_raster[at]].name)
    sure = None
    if np.isfinite(found.p_clear[at]):
        alone_deg = found.alone_deg[at]
        which = None if np.isnan(alone_deg).any() else int(alone_deg.argmax())
        sure = (
            Confidence(float(found.p_clear[at]), 0.0)
            if which is None
            else (Confidence(float(found.p_clear[at]), 0.0, ALONE_NAMES[which], float(alone_deg[which])))
        )
    return Findings(
        query.satellite.name,
        float(dishes.apparent_deg[at]),
        now,
        now,
        query.criteria.years_ahead,
        gap,
        bool(found.near_seen[at]),
        near,
        sure,
        query.criteria.min_p_clear,
    )


def _clearance(stack: RasterStack, found: DishFindings, query: ScreeningQuery, at: int) -> Clearance:
    """The clearance of one address, as far as the verdict needs it."""
    clear = found.clearances
    if clear.raster[at] < 0:
        return Clearance()
    source, slant_m, margin_deg = (
        stack.sources[clear.raster[at]],
        float(clear.slant_m[at]),
        float(clear.margin_deg[at]),
    )
    kind = "surface" if source.kind == "surface" else "ground"
    return Clearance(
        margin_deg=margin_deg,
        clearance_m=slant_m * float(np.sin(np.deg2rad(margin_deg))),
        required_m=float(room_m(slant_m, query.link)),
        controlling=Controlling(source.name, kind, "terrain", 0.0, 0.0, slant_m, False),
        spare_deg=float(clear.spare_deg[at]),
    )


def _apply_position_error(
    stack: RasterStack,
    rasters: Sequence[Elevations],
    dishes: PlacedDishes,
    query: ScreeningQuery,
    results: ScreeningResults,
) -> None:
    """Make a verdict marginal that holds at too few of the places where the dish may stand by its position error."""
    east_m, north_m = offsets_around_m(query.position_error_m, PLACES_AROUND)
    exact = replace(query, position_error_m=0.0)
    decided = (dishes.apparent_deg > 0.0) & np.isin(results.verdict, list(_SUPPORT))
    for verdict, wanted in _SUPPORT.items():
        rows = np.flatnonzero(decided & (results.verdict == verdict))
        for low in range(0, rows.size, _TOGETHER // PLACES_AROUND):
            some = rows[low : low + _TOGETHER // PLACES_AROUND]
            latitude, longitude = (
                part.ravel()
                for part in offset_position(
                    dishes.latitude_deg[some, None], dishes.longitude_deg[some, None], east_m, north_m
                )
            )
            height = np.repeat(dishes.height_m[some], PLACES_AROUND)
            elsewhere = wanted(stack, rasters, latitude, longitude, height, exact).reshape(-1, PLACES_AROUND)
            for at, verdicts in zip(some, elsewhere, strict=True):
                require_support(results, at, supports(verdict, verdicts.tolist()), query)


def _blocked_at(
    stack: RasterStack,
    rasters: Sequence[Elevations],
    latitude: Floats,
    longitude: Floats,
    height: Floats,
    query: ScreeningQuery,
) -> Any:
    """(place,) `blocked` where the ray is obstructed, else "": what else decides does not matter then."""
    dishes = place_dishes(stack, latitude, longitude, height, query)
    simple: Bools = dishes.simple & (stack.highest_m <= query.highest_ground_m)
    elsewhere = empty_results(dishes)
    met = dish_clearances(stack, dishes.take(simple), query, most_spare_deg=0.0).met
    elsewhere.verdict[simple] = np.where(met, "blocked", "").astype(object)
    assess_each(tuple(rasters), dishes, query, np.flatnonzero(~simple), elsewhere, words=False)
    return elsewhere.verdict


def _verdicts_at(
    stack: RasterStack,
    rasters: Sequence[Elevations],
    latitude: Floats,
    longitude: Floats,
    height: Floats,
    query: ScreeningQuery,
) -> Any:
    """(place,) verdicts alone."""
    dishes = place_dishes(stack, latitude, longitude, height, query)
    simple: Bools = dishes.simple & (stack.highest_m <= query.highest_ground_m)
    wordless = replace(query, criteria=replace(query.criteria, min_p_clear=0.0))
    found = dish_findings(stack, dishes.take(simple), wordless, enough_p=query.criteria.min_p_clear)
    elsewhere = empty_results(dishes)
    elsewhere.verdict[simple] = _verdicts(found, query)
    alone = found.untold | _close_calls(found, elsewhere.verdict[simple], query)
    others = np.concatenate([np.flatnonzero(~simple), np.flatnonzero(simple)[alone]])
    assess_each(tuple(rasters), dishes, query, others, elsewhere, words=False)
    return elsewhere.verdict


_SUPPORT = {"blocked": _blocked_at, "needs-survey": _verdicts_at, "clear": _verdicts_at}
"""What is asked of the places where an address may stand, by the verdict at the address itself."""

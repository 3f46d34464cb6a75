"""Screening: the verdict of `assess` for many addresses at once, on bare or coarse terrain.

Most addresses are decided by a bound: no ground can come within ten degrees of the ray. For the others the controlling
ground is found on the azimuths, samples and rules of the assessment of one mount. Where the estimate of the probability
is too close to the wanted one to decide, the address is assessed by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from skysill.assessment.job_context import WindowCache
from skysill.bulk.compiled.jit import available
from skysill.bulk.controlling_obstruction import ControllingGround, controlling_ground
from skysill.bulk.fan_results import CHUNK_PLACES
from skysill.bulk.monte_carlo import estimated_p_clear
from skysill.bulk.position_error import PLACES_AROUND, offsets_around_m, supports
from skysill.bulk.prefilter import (
    FLOOR_DEG,
    Ground,
    Places,
    ScreeningQuery,
    cache_order,
    cell_axes,
    locate_places,
    may_come_near,
    may_come_near_upright,
)
from skysill.bulk.raster_gaps import known_out_to_m, may_have_gap
from skysill.bulk.screening_verdicts import (
    MOST_HEIGHT_M,
    ScreeningResults,
    assess_each,
    below_horizon_reason,
    empty_results,
    merged,
    require_support,
    write_far,
    write_near,
)
from skysill.bulk.thresholds import thresholds_for
from skysill.geodesy.positions import offset_position
from skysill.horizon.lattice import Elevations, interpolate
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.model.default_errors import facts_of
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M
from skysill.pointing.look_vector import look_angles
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, Ints

if TYPE_CHECKING:
    from skysill.bulk.compiled.bare_places import BareSearch

__all__ = [
    "FLOOR_DEG",
    "Ground",
    "ScreeningQuery",
    "ScreeningResults",
    "merged",
    "screen",
    "screen_one_by_one",
]

_STEEP_DEG = 80.0
_GAP_HIDDEN_DEG = 1.0
_P_BAND, _P_BAND_NEAR = 0.02, 0.06
"""Smallest difference from the wanted probability at which the estimate decides: in general, and near the dish."""

_UNSURE = (
    "With the stated errors the room is there with a probability of about {percent:.0f} %. "
    "Measure the horizon on site."
)


def screen(
    ground: Ground,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    mount_height_m: ArrayLike,
    query: ScreeningQuery,
) -> ScreeningResults:
    """Screen addresses against one raster held in memory.

    Parameters
    ----------
    ground : from `Ground.of`
    latitude_deg, longitude_deg, mount_height_m : (n,) WGS 84, dish centre above the ground
    query : satellite, criteria and terminal

    Returns
    -------
    ScreeningResults, (n,); verdicts as `assess` gives them on the same terrain

    Raises
    ------
    InputError : arrays of different lengths, a height below 0

    >>> import numpy as np
    >>> import skysill
    >>> [raster] = skysill.open_rasters([skysill.RasterSpec("demo_terrain/island.tif")])
    >>> ground = skysill.Ground.of(raster.cells(0, raster.rows, 0, raster.cols), name=raster.name, kind=raster.kind,
    ...     cell_size_m=raster.cell_size_m, vertical_error_m=raster.vertical_error_m, facts=raster.facts)
    >>> south = skysill.Satellite("Demo South", longitude_deg=-24.0)
    >>> query = skysill.ScreeningQuery(south, skysill.Terminal(), skysill.Criteria(), highest_ground_m=720.0)
    >>> screened = skysill.screen(ground, [58.0312], [-24.6541], [2.0], query)
    >>> screened.verdict[0], screened.elevation_deg.round(1)
    ('needs-survey', array([24.1]))
    """
    latitude, longitude, height = _alike(latitude_deg, longitude_deg, mount_height_m)
    if _is_fine(ground) and available():
        from skysill.bulk.compiled.raster_stack import raster_stack
        from skysill.bulk.compiled.verdicts import can_screen, screen_compiled

        if can_screen((ground.source,), full=query.full):
            stack = raster_stack((ground.source,), (ground.grid,))
            return screen_compiled(stack, (ground.source,), latitude, longitude, height, query)
    places, known = locate_places(ground, latitude, longitude, height, query)
    results = _screened(ground, places, known, query)
    if query.position_error_m > 0.0 and latitude.size:
        _apply_position_error(ground, places, query, results)
    return results


def _alike(one: ArrayLike, other: ArrayLike, third: ArrayLike) -> tuple[Floats, Floats, Floats]:
    whole = np.broadcast_arrays(*(np.atleast_1d(column) for column in (one, other, third)))
    first, second, last = (np.array(part, dtype=np.float64) for part in whole)
    return first, second, last


def _screened(
    ground: Ground, places: Places, known: Bools, query: ScreeningQuery, *, whole: bool = True
) -> ScreeningResults:
    """Results at the addresses' own positions; whole : with margins and least heights, which take longer."""
    results = empty_results(places)
    below = places.apparent_deg <= 0.0
    for at in np.flatnonzero(below):
        results.verdict[at] = "blocked"
        results.reason[at] = below_horizon_reason(query, float(places.apparent_deg[at]))
    results.verdict[~known & ~below] = "unknown"
    results.reason[~known & ~below] = f"{ground.name} has no data at the address."
    visible = np.flatnonzero(known & ~below)
    one_by_one = np.full(visible.shape, query.full or _is_fine(ground))
    if ground.cell_size_m <= FINE_CELL_M:  # position errors move ground beside a low dish by degrees
        one_by_one |= places.height_m[visible] < _LOW_DISH_M
    steep = np.flatnonzero(~one_by_one & (places.apparent_deg[visible] > _STEEP_DEG))
    if steep.size:
        some = places.take(visible[steep])
        one_by_one[steep] = may_come_near_upright(ground, some, query) | may_have_gap(ground, some, query)
        write_far(results, visible[steep][~one_by_one[steep]])
    assess_each((ground.source,), places, query, visible[one_by_one], results, most_height_m=MOST_HEIGHT_M)
    one_by_one[steep] = True
    _screen_coarse(ground, places, query, visible[~one_by_one], results, whole=whole)
    return results


_LOW_DISH_M = 1.0
"""A lower dish over fine cells: position errors may decide though the nearest ground is over 10 degrees away."""


def _is_fine(ground: Ground) -> bool:
    """Whether the raster is near evidence, so that every address is assessed by itself."""
    return ground.kind == "surface" and ground.cell_size_m <= FINE_CELL_M


def screen_one_by_one(
    rasters: Sequence[Elevations], latitude_deg: ArrayLike, longitude_deg: ArrayLike, mount_height_m: ArrayLike,
    query: ScreeningQuery, *, most_height_m: float = MOST_HEIGHT_M,
) -> ScreeningResults:  # fmt: skip
    """Screen addresses against several rasters, finest first: each is assessed by itself, which is slow.

    most_height_m : least heights are looked for up to there; 0: they are not
    """
    places = _unlocated_places(*_alike(latitude_deg, longitude_deg, mount_height_m), query)
    results = empty_results(places)
    everyone = np.arange(places.latitude_deg.size)
    assess_each(tuple(rasters), places, query, everyone, results, most_height_m=most_height_m)
    if query.position_error_m > 0.0:
        _apply_position_error_one_by_one(tuple(rasters), places, query, everyone, results)
    return results


def _unlocated_places(latitude: Floats, longitude: Floats, height: Floats, query: ScreeningQuery) -> Places:
    """Places whose ground is not looked up."""
    satellite_deg = query.satellite.longitude_deg
    assert satellite_deg is not None
    azimuth, elevation, _ = look_angles(latitude, longitude, height, satellite_longitude_deg=satellite_deg)
    return Places(
        latitude, longitude, height, height, azimuth, elevation, *[np.full(latitude.shape, np.nan)] * 7
    )


def _apply_position_error(
    ground: Ground, places: Places, query: ScreeningQuery, results: ScreeningResults
) -> None:
    """Make a verdict marginal that holds at too few of the places where the dish may stand by its position error."""
    decided = np.flatnonzero(
        (places.apparent_deg > 0.0) & np.isin(results.verdict, ["blocked", "needs-survey", "clear"])
    )
    if query.full or _is_fine(ground):
        _apply_position_error_one_by_one((ground.source,), places, query, decided, results)
        return
    east_m, north_m = offsets_around_m(query.position_error_m, PLACES_AROUND)
    far_m = float(np.hypot(east_m, north_m).max())
    exact_query = replace(query, position_error_m=0.0)
    here = places.take(decided)
    lowest_m = _lowest_around_m(ground, here, east_m, north_m) + here.height_m
    unknown = np.isnan(lowest_m)
    here.antenna_m = np.where(unknown, here.antenna_m, np.minimum(lowest_m, here.antenna_m))
    here.search_m = 1.1 * here.search_m + far_m  # for a dish that much lower
    asked = unknown | (here.apparent_deg > _STEEP_DEG)
    search = _compiled_search(ground, here, exact_query)
    if search is not None:
        asked |= search.may_matter(here, far_m)
    else:
        limit = _uncertain_angle(ground, exact_query)
        asked |= may_come_near(ground, here, exact_query, angle_limit=limit, moved_m=far_m)
    decided = decided[asked]
    for low in range(0, decided.size, _PLACES_TOGETHER):
        some = decided[low : low + _PLACES_TOGETHER]
        latitude, longitude = (part.ravel() for part in _offset_places(places.take(some), east_m, north_m))
        height = np.repeat(places.height_m[some], PLACES_AROUND)
        elsewhere = _screened(
            ground, *locate_places(ground, latitude, longitude, height, exact_query), exact_query, whole=False
        )
        for at, verdicts in zip(some, elsewhere.verdict.reshape(-1, PLACES_AROUND), strict=True):
            require_support(results, at, supports(results.verdict[at], verdicts.tolist()), query)


def _apply_position_error_one_by_one(
    rasters: tuple[Elevations, ...],
    places: Places,
    query: ScreeningQuery,
    decided: Ints,
    results: ScreeningResults,
) -> None:
    """The same, with every place around assessed by itself."""
    east_m, north_m = offsets_around_m(query.position_error_m, PLACES_AROUND)
    for at in decided:
        if results.verdict[at] not in ("blocked", "needs-survey", "clear") or results.elevation_deg[at] < 0.0:
            continue
        once = tuple(WindowCache(raster) for raster in rasters)
        latitude, longitude = (
            part[0] for part in _offset_places(places.take(np.array([at])), east_m, north_m)
        )
        around = _unlocated_places(latitude, longitude, np.full(latitude.shape, places.height_m[at]), query)
        elsewhere = empty_results(around)
        assess_each(once, around, query, np.arange(PLACES_AROUND), elsewhere, words=False)
        require_support(results, at, supports(results.verdict[at], elsewhere.verdict.tolist()), query)


_PLACES_TOGETHER = 10_000


def _relevant_angle(ground: Ground, query: ScreeningQuery) -> Callable[[float], float]:
    """Angle within which ground at a distance counts: for an exact margin, or because errors could bring it near."""
    uncertain_deg, link = _uncertain_angle(ground, query), query.link
    return lambda away_m: max(FLOOR_DEG + float(room_angle_deg(away_m, link)), uncertain_deg(away_m))


def _uncertain_angle(ground: Ground, query: ScreeningQuery) -> Callable[[float], float]:
    """Angle from the ray within which ground at least this far away could take the room or make it uncertain."""
    thresholds = thresholds_for(ground, query)
    return lambda away_m: float(thresholds.uncertain_bound_deg(np.array([away_m]))[0])


def _lowest_around_m(ground: Ground, places: Places, east_m: Floats, north_m: Floats) -> Floats:
    """(address,) lowest ground at places around, to a few centimetres; nan where some of it is unknown."""
    along = cell_axes(ground, places)
    column = places.column[:, None] + along[:, :1] * east_m + along[:, 2:3] * north_m
    row = places.row[:, None] + along[:, 1:2] * east_m + along[:, 3:] * north_m
    return np.asarray(interpolate(ground.grid, column, row).min(axis=1) - 0.1)


def _offset_places(places: Places, east_m: Floats, north_m: Floats) -> tuple[Floats, Floats]:
    """(address, place) latitude and longitude of places around addresses."""
    return offset_position(places.latitude_deg[:, None], places.longitude_deg[:, None], east_m, north_m)


def _screen_coarse(
    ground: Ground,
    places: Places,
    query: ScreeningQuery,
    rows: Ints,
    results: ScreeningResults,
    *,
    whole: bool,
) -> None:
    """Screen addresses on coarse or bare ground: bounds first, then rays. rows : indices of the addresses."""
    if not rows.size:
        return
    rows = rows[cache_order(places.take(rows))]
    some = places.take(rows)
    search = _compiled_search(ground, some, query)
    most_deg = FLOOR_DEG if whole else _GAP_HIDDEN_DEG
    if search is not None:
        near, controlling = search.controlling_ground(some, most_deg=most_deg, exact=whole)
    else:
        angle_limit = _relevant_angle(ground, query) if whole else _uncertain_angle(ground, query)
        near = np.flatnonzero(may_come_near(ground, some, query, angle_limit=angle_limit))
        controlling = controlling_ground(ground, some.take(near), query, most_deg=most_deg)
    write_far(results, rows)
    near_places, into = some.take(near), rows[near]
    write_near(ground, near_places, query, controlling, into, results)
    _write_gaps(ground, some, query, near, controlling, rows, results)
    undecided = np.array([v == "needs-survey" for v in results.verdict[into]], dtype=bool)
    asked = np.flatnonzero(undecided & controlling.uncertain)
    wanted = query.criteria.min_p_clear
    if search is not None:
        p_clear, band = search.p_clear(near_places.take(asked), told=whole), np.zeros(asked.size)
    else:
        p_clear = estimated_p_clear(ground, near_places.take(asked), query)
        band = _decision_band(ground, controlling.slant_m[asked]) if whole else np.zeros(asked.size)
    for number in np.flatnonzero(p_clear < wanted - band):
        results.verdict[into[asked[number]]] = "marginal"
        results.reason[into[asked[number]]] = _UNSURE.format(percent=100.0 * p_clear[number])
    if not whole:
        return
    asked = asked[~(np.abs(p_clear - wanted) > band)] if search is None else asked[np.isnan(p_clear)]
    assess_each((ground.source,), places, query, into[asked], results)
    short = np.array([v in ("blocked", "marginal") for v in results.verdict[into]], dtype=bool) & (
        controlling.excess_deg < 0.0
    )
    low = near_places.take(short)
    if search is not None:
        results.least_height_m[into[short]] = _next_tenth(search.least_heights(low, MOST_HEIGHT_M))
    else:
        results.least_height_m[into[short]] = _least_heights(ground, low, query, controlling.take(short))


def _compiled_search(ground: Ground, places: Places, query: ScreeningQuery) -> BareSearch | None:
    """The compiled loops for these places; None where they are not installed, or cannot answer."""
    if not available() or min(ground.grid.values.shape) < 2:
        return None
    from skysill.bulk.compiled.bare_places import bare_search

    return bare_search(ground, query)


def _decision_band(ground: Ground, slant_m: Floats) -> Floats:
    """(place,) smallest difference from the wanted probability at which the estimate decides.

    Errors in plan are not small against the distance of ground beside the dish. The estimate takes them as small and
    is less exact there.
    """
    plan_m = np.hypot(0.23, facts_of(ground).horizontal_error_m)
    return np.where(slant_m < 50.0 * plan_m, _P_BAND_NEAR, _P_BAND)


def _write_gaps(
    ground: Ground,
    places: Places,
    query: ScreeningQuery,
    near: Ints,
    controlling: ControllingGround,
    rows: Ints,
    results: ScreeningResults,
) -> None:
    """Make places unknown where the raster ends or has a void nearer than ground could still reach the ray.

    A place where ground comes so near that it might hide the gap is assessed by itself.
    """
    rim = np.flatnonzero(may_have_gap(ground, places, query))
    reach_m = np.full(places.antenna_m.size, np.inf)
    for at in range(0, rim.size, CHUNK_PLACES):
        some = rim[at : at + CHUNK_PLACES]
        reach_m[some] = known_out_to_m(ground, places.take(some), query)
    excess_deg = np.full(places.antenna_m.size, np.inf)
    inside = np.zeros(places.antenna_m.size, dtype=bool)
    excess_deg[near], inside[near] = np.nan_to_num(controlling.excess_deg, nan=np.inf), controlling.inside
    gap = np.isfinite(reach_m) & ~inside
    lower = ""
    if query.highest_ground_m >= HIGHEST_GROUND_ON_EARTH_M:
        lower = " Say how high the ground around is at most (type --highest-ground)."
    assess_each(
        (ground.source,),
        places,
        query,
        np.flatnonzero(gap & (excess_deg < _GAP_HIDDEN_DEG)),
        results,
        into=rows,
    )
    for k in np.flatnonzero(gap & (excess_deg >= _GAP_HIDDEN_DEG)):
        known, needed = _distance_text(reach_m[k]), _distance_text(places.needed_m[k])
        results.verdict[rows[k]] = "unknown"
        results.reason[rows[k]] = (
            f"{ground.name} ends or has a hole {known} out, but ground of up to "
            f"{query.highest_ground_m:.0f} m could reach the line as far out as {needed}.{lower}"
        )


def _distance_text(metres: float) -> str:
    return f"{metres / 1000.0:.1f} km" if metres >= 1000.0 else f"{metres:.0f} m"


def _least_heights(
    ground: Ground, places: Places, query: ScreeningQuery, controlling: ControllingGround
) -> Floats:
    """(place,) least dish height at which terrain leaves the room, to the next tenth of a metre.

    Each step raises the dish just enough for the ground that controls, which is never too much, until none takes room.
    """
    height = places.height_m.copy()
    todo, state = np.arange(height.size), controlling
    for _ in range(60):
        height[todo] += np.maximum(state.raise_m, 0.002) * 1.0000001
        todo = todo[height[todo] <= MOST_HEIGHT_M]
        if not todo.size:
            break
        here = places.take(todo)
        raised, _ = locate_places(ground, here.latitude_deg, here.longitude_deg, height[todo], query)
        state = controlling_ground(ground, raised, query)
        short = state.inside | (state.excess_deg < 0.0)
        todo, state = todo[short], state.take(short)
    height[todo] = np.inf
    return _next_tenth(height)


def _next_tenth(height_m: Floats) -> Floats:
    """Heights rounded up to tenths of a metre; nan where they are above what is asked about."""
    return np.where(height_m > MOST_HEIGHT_M, np.nan, np.ceil(np.round(height_m * 10.0, 4)) / 10.0)

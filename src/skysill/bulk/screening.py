"""Many addresses at once: the verdict of `assess` on bare or coarse terrain, for arrays of places.

Most addresses are settled by a bound: no ground anywhere can come within ten degrees of the ray. The others are
followed ray by ray, on the azimuths, samples and rules of the one-mount chain, until what controls is known exactly.
Where the chain's certainty could tip the verdict, the chain itself is asked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike

from skysill.assessment.clearance import Clearance, Controlling
from skysill.assessment.job_context import WindowCache
from skysill.assessment.pipeline import assess, judge
from skysill.assessment.verdict import Evidence, decide
from skysill.bulk.controlling_obstruction import Close, followed
from skysill.bulk.fan_results import CHUNK, DENSE_DEG, Window, half_windows_deg, spread
from skysill.bulk.local_maps import local_maps
from skysill.bulk.monte_carlo import estimated_p_clear
from skysill.bulk.position_error import around_m, holds, sentence
from skysill.bulk.prefilter import (
    FLOOR_DEG,
    Ground,
    Places,
    Question,
    cells_along,
    cells_per_m,
    cliffs_around,
    direction,
    may_come_near,
    placed,
    together,
)
from skysill.bulk.ray_fan import Rays, distance_to
from skysill.bulk.ray_samples import first_gap_m
from skysill.bulk.thresholds import limits_of
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.horizon.lattice import Elevations, Grid, interpolate
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.horizon.rays import reach_needed_m
from skysill.model.default_errors import facts_of
from skysill.model.job import Job, Sources
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Mount, Site
from skysill.pointing.look_vector import look_angles
from skysill.radio.required_room import room_angle_deg, room_m
from skysill.units import Bools, Floats, Ints, wrap_180

__all__ = ["FLOOR_DEG", "Ground", "Question", "Screened", "joined", "out_of_reach", "screen", "screen_each"]

_TALLEST_M = 200.0
_STEEP_DEG = 80.0
_GAP_HIDDEN_DEG = 1.0
_P_APART, _P_APART_BESIDE = 0.02, 0.06
"""An estimated probability decides only so far from the one that is wanted."""

_UNSURE = (
    "With the stated errors the room is there with a probability of about {percent:.0f} %. "
    "Measure the horizon on site."
)


@dataclass(frozen=True, slots=True, eq=False)
class Screened:
    """One entry an address. Angles in degrees, lengths in metres, nan where a quantity does not exist.

    margin_is_floor : the margin is at least what margin_deg says
    least_height_m : dish height over the ground at which terrain leaves the room; nan where the height given does
    verdict, reason : text
    """

    azimuth_deg: Floats
    elevation_deg: Floats
    terrain_elevation_deg: Floats
    terrain_distance_m: Floats
    margin_deg: Floats
    margin_is_floor: Bools
    least_height_m: Floats
    verdict: np.ndarray[Any, np.dtype[np.object_]]
    reason: np.ndarray[Any, np.dtype[np.object_]]


def screen(
    ground: Ground,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    mount_height_m: ArrayLike,
    question: Question,
) -> Screened:
    """Screen addresses against one raster.

    Parameters
    ----------
    latitude_deg, longitude_deg, mount_height_m : (n,) WGS 84, dish centre above the ground

    Returns
    -------
    Screened, (n,)
    """
    latitude, longitude, height = _alike(latitude_deg, longitude_deg, mount_height_m)
    places, known = placed(ground, latitude, longitude, height, question)
    answer = _screened(ground, places, known, question)
    if question.position_error_m > 0.0 and latitude.size:
        _mind_position(ground, places, question, answer)
    return answer


def _alike(one: ArrayLike, other: ArrayLike, third: ArrayLike) -> tuple[Floats, Floats, Floats]:
    whole = np.broadcast_arrays(*(np.atleast_1d(column) for column in (one, other, third)))
    first, second, last = (np.array(part, dtype=np.float64) for part in whole)
    return first, second, last


def _screened(
    ground: Ground, places: Places, known: Bools, question: Question, *, whole: bool = True
) -> Screened:
    """The answer where each address stands. whole : with margins and least heights, which take their time."""
    answer = _blank(places)
    below = places.apparent_deg <= 0.0
    for at in np.flatnonzero(below):
        answer.verdict[at] = "blocked"
        answer.reason[at] = _never_rises(question, float(places.apparent_deg[at]))
    answer.verdict[~known & ~below] = "unknown"
    answer.reason[~known & ~below] = f"{ground.name} has no data at the address."
    alive = np.flatnonzero(known & ~below)
    chained = np.full(alive.shape, question.full or _is_fine(ground))
    if (
        ground.cell_size_m <= FINE_CELL_M
    ):  # ground a step away from a low dish: its place moves that by degrees
        chained |= places.height_m[alive] < _LOW_DISH_M
    steep = np.flatnonzero(~chained & (places.apparent_deg[alive] > _STEEP_DEG))
    if steep.size:
        some = places.take(alive[steep])
        chained[steep] = cliffs_around(ground, some, question) | _gap_possible(ground, some, question)
        _write_open(answer, alive[steep][~chained[steep]])
    _ask_chain((ground.source,), places, question, alive[chained], answer)
    chained[steep] = True
    _settle(ground, places, question, alive[~chained], answer, whole=whole)
    return answer


_LOW_DISH_M = 1.0
"""So near to ground in fine cells, the dish's place may decide though the nearest ground is over 10 degrees off."""


def _is_fine(ground: Ground) -> bool:
    """Whether the raster is near evidence, so that the chain has to be asked."""
    return ground.kind == "surface" and ground.cell_size_m <= FINE_CELL_M


def screen_each(
    rasters: Sequence[Elevations], latitude_deg: ArrayLike, longitude_deg: ArrayLike, mount_height_m: ArrayLike,
    question: Question,
) -> Screened:  # fmt: skip
    """Screen addresses against several rasters, finest first: each by the chain for one mount, which is slow."""
    places = _somewhere(*_alike(latitude_deg, longitude_deg, mount_height_m), question)
    answer = _blank(places)
    everyone = np.arange(places.latitude_deg.size)
    _ask_chain(tuple(rasters), places, question, everyone, answer)
    if question.position_error_m > 0.0:
        _mind_position_each(tuple(rasters), places, question, everyone, answer)
    return answer


def _somewhere(latitude: Floats, longitude: Floats, height: Floats, question: Question) -> Places:
    """Places of which no raster is asked yet."""
    satellite_deg = question.satellite.longitude_deg
    assert satellite_deg is not None
    azimuth, elevation, _ = look_angles(latitude, longitude, height, satellite_longitude_deg=satellite_deg)
    return Places(
        latitude, longitude, height, height, azimuth, elevation, *[np.full(latitude.shape, np.nan)] * 7
    )


def _mind_position(ground: Ground, places: Places, question: Question, answer: Screened) -> None:
    """Where the dish may as well stand elsewhere: a verdict that holds at too few of the places around is marginal."""
    told = np.flatnonzero(
        (places.apparent_deg > 0.0) & np.isin(answer.verdict, ["blocked", "needs-survey", "clear"])
    )
    if question.full or _is_fine(ground):
        _mind_position_each((ground.source,), places, question, told, answer)
        return
    east_m, north_m = around_m(question.position_error_m, _PLACES_AROUND)
    far_m = float(np.hypot(east_m, north_m).max())
    still = replace(question, position_error_m=0.0)
    here = places.take(told)
    lowest_m = _lowest_around_m(ground, here, east_m, north_m) + here.height_m
    unknown = np.isnan(lowest_m)
    here.antenna_m = np.where(unknown, here.antenna_m, np.minimum(lowest_m, here.antenna_m))
    here.sought_m = 1.1 * here.sought_m + far_m  # for an eye so much lower
    asked = unknown | (here.apparent_deg > _STEEP_DEG)
    asked |= may_come_near(ground, here, still, widest=_doubt(ground, still), moved_m=far_m)
    told = told[asked]
    for low in range(0, told.size, _PLACES_TOGETHER):
        some = told[low : low + _PLACES_TOGETHER]
        latitude, longitude = (part.ravel() for part in _moved(places.take(some), east_m, north_m))
        height = np.repeat(places.height_m[some], _PLACES_AROUND)
        elsewhere = _screened(ground, *placed(ground, latitude, longitude, height, still), still, whole=False)
        for at, verdicts in zip(some, elsewhere.verdict.reshape(-1, _PLACES_AROUND), strict=True):
            _bear_out(answer, at, holds(answer.verdict[at], verdicts.tolist()), question)


def _mind_position_each(
    rasters: tuple[Elevations, ...], places: Places, question: Question, told: Ints, answer: Screened
) -> None:
    """The same by the chain for one mount."""
    east_m, north_m = around_m(question.position_error_m, _PLACES_AROUND)
    for at in told:
        if answer.verdict[at] not in ("blocked", "needs-survey", "clear") or answer.elevation_deg[at] < 0.0:
            continue
        once = tuple(WindowCache(raster) for raster in rasters)
        latitude, longitude = (part[0] for part in _moved(places.take(np.array([at])), east_m, north_m))
        around = _somewhere(latitude, longitude, np.full(latitude.shape, places.height_m[at]), question)
        elsewhere = _blank(around)
        _ask_chain(once, around, question, np.arange(_PLACES_AROUND), elsewhere, words=False)
        _bear_out(answer, at, holds(answer.verdict[at], elsewhere.verdict.tolist()), question)


_PLACES_AROUND, _PLACES_TOGETHER = 8, 10_000


def _counts(ground: Ground, question: Question) -> Callable[[float], float]:
    """The angle within which ground so far away counts: for an exact margin, or because errors could move it so far."""
    doubt_deg, link = _doubt(ground, question), question.link
    return lambda away_m: max(FLOOR_DEG + float(room_angle_deg(away_m, link)), doubt_deg(away_m))


def _doubt(ground: Ground, question: Question) -> Callable[[float], float]:
    """The angle from the ray within which ground at least so far away could take the room, or make it uncertain."""
    limits = limits_of(ground, question)
    return lambda away_m: float(limits.doubt_at_most_deg(np.array([away_m]))[0])


def _lowest_around_m(ground: Ground, places: Places, east_m: Floats, north_m: Floats) -> Floats:
    """The lowest ground at places around each address, to a few centimetres; nan where some of it is unknown."""
    along = cells_along(ground, places)
    column = places.column[:, None] + along[:, :1] * east_m + along[:, 2:3] * north_m
    row = places.row[:, None] + along[:, 1:2] * east_m + along[:, 3:] * north_m
    return np.asarray(interpolate(ground.grid, column, row).min(axis=1) - 0.1)


def _moved(places: Places, east_m: Floats, north_m: Floats) -> tuple[Floats, Floats]:
    """Latitude and longitude (address, place) of places around addresses."""
    return offset_position(places.latitude_deg[:, None], places.longitude_deg[:, None], east_m, north_m)


def _bear_out(answer: Screened, at: int, held: Bools, question: Question) -> None:
    share = float(held.mean())
    if share < question.criteria.min_p_clear:
        answer.reason[at] = sentence(answer.verdict[at], share, question.position_error_m)
        answer.verdict[at] = "marginal"


def out_of_reach(
    ground: Ground, rasters: Sequence[Extent], latitude_deg: Floats, longitude_deg: Floats, height_m: Floats,
    question: Question,
) -> Bools:  # fmt: skip
    """Which addresses on `ground` have no ray that can have to do with other rasters: too far from them, or beside."""
    places, known = placed(ground, latitude_deg, longitude_deg, height_m, question)
    highest_m = max(question.highest_ground_m, ground.grid.highest_m)
    seen_m = reach_needed_m(
        places.antenna_m, places.sought_deg, highest_ground_m=highest_m, radius_m=places.radius_m
    )
    reach_m = np.maximum(places.needed_m, seen_m) * 1.01 + _NEARBY_M
    out = known & (places.apparent_deg > 5.0) & (places.apparent_deg < _STEEP_DEG)
    wide_deg = half_windows_deg(places, question)[1] + 3.0
    for raster in rasters:
        away_m = raster.away_m(latitude_deg, longitude_deg)
        turn_deg = wrap_180(raster.corner_bearings_deg(latitude_deg, longitude_deg) - places.azimuth_deg)
        left, right = turn_deg.min(axis=0), turn_deg.max(axis=0)
        ahead = (np.abs(turn_deg) <= wide_deg).any(axis=0) | (
            (left < 0.0) & (right > 0.0) & (right - left < 180.0)
        )
        out &= (away_m > reach_m) | ((away_m > _NEARBY_M) & ~ahead)
    return np.asarray(out)


_NEARBY_M = 1_000.0
"""Trees and houses are looked for no farther off, nor is the dish's own ground."""


class Extent(Protocol):
    """Something that lies somewhere on the ground, within four corners."""

    def away_m(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """How far places are from it at least, metres; 0 inside."""

    def corner_bearings_deg(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """(corner, place): true bearings of its corners from places."""


def joined(parts: Sequence[Screened], first: Bools) -> Screened:
    """Two answers as one: of the addresses where `first` is true, and of the others."""
    order = np.argsort(np.concatenate([np.flatnonzero(first), np.flatnonzero(~first)]))
    return Screened(
        *(np.concatenate([getattr(part, f.name) for part in parts])[order] for f in fields(Screened))
    )


def _blank(places: Places) -> Screened:
    count = places.latitude_deg.size
    nothing = [np.full(count, np.nan) for _ in range(4)]
    return Screened(
        azimuth_deg=places.azimuth_deg,
        elevation_deg=places.elevation_deg,
        terrain_elevation_deg=nothing[0],
        terrain_distance_m=nothing[1],
        margin_deg=nothing[2],
        margin_is_floor=np.zeros(count, dtype=bool),
        least_height_m=nothing[3],
        verdict=np.full(count, "", dtype=object),
        reason=np.full(count, "", dtype=object),
    )


def _never_rises(question: Question, apparent_deg: float) -> str:
    nothing = Evidence(
        question.satellite.name, apparent_deg, Clearance(), Clearance(), 0.0, None, False, None, None, 0.0
    )
    return decide(nothing)[1][0]


def _ask_chain(
    rasters: tuple[Elevations, ...],
    places: Places,
    question: Question,
    asked: Ints,
    answer: Screened,
    *,
    into: Ints | None = None,
    words: bool = True,
) -> None:
    """Each place asked, by the chain for one mount.

    into : where each place's answer belongs, if not at its number; words : say what makes a place marginal
    """
    for k in asked:
        at = k if into is None else into[k]
        job = Job(
            site=Site("address", float(places.latitude_deg[k]), float(places.longitude_deg[k])),
            satellites=(question.satellite,),
            terminal=question.terminal,
            criteria=question.criteria,
            sources=Sources(rasters=rasters, highest_ground_m=question.highest_ground_m),
        )
        try:
            mount = Mount(height_m=float(places.height_m[k]))
            found = assess(job, mount, explain=False)
            result = found.results[0]
            if (
                words and result.verdict == "marginal" and found.gathered is not None
            ):  # say what makes it uncertain
                result = judge(job, found.gathered, question.satellite, result.look)
        except InputError as fault:  # the ground there is none that can be
            answer.verdict[at], answer.reason[at] = "unknown", fault.what
            continue
        clear, look = result.clearance, result.look
        answer.elevation_deg[at] = look.elevation_deg
        answer.azimuth_deg[at] = np.nan if look.azimuth_deg is None else look.azimuth_deg
        answer.verdict[at], answer.reason[at] = result.verdict, result.reasons[0]
        beyond = clear.margin_deg is None or clear.margin_deg > FLOOR_DEG
        if beyond and not question.full:
            answer.margin_deg[at], answer.margin_is_floor[at] = FLOOR_DEG, True
            continue
        answer.margin_deg[at] = np.nan if clear.margin_deg is None else clear.margin_deg
        if result.horizon.elevation_deg is not None:
            answer.terrain_elevation_deg[at] = result.horizon.elevation_deg
            answer.terrain_distance_m[at] = result.horizon.distance_m


def _settle(
    ground: Ground, places: Places, question: Question, rows: Ints, answer: Screened, *, whole: bool
) -> None:
    """Everything that coarse or bare ground can settle: bounds first, then rays."""
    if not rows.size:
        return
    rows = rows[together(places.take(rows))]
    some = places.take(rows)
    widest = _counts(ground, question) if whole else _doubt(ground, question)
    near = np.flatnonzero(may_come_near(ground, some, question, widest=widest))
    _write_open(answer, rows)
    close_places, into = some.take(near), rows[near]
    close = followed(ground, close_places, question, most_deg=FLOOR_DEG if whole else _GAP_HIDDEN_DEG)
    _write_close(ground, close_places, question, close, into, answer)
    _write_unknown(ground, some, question, near, close, rows, answer)
    undecided = np.array([v == "needs-survey" for v in answer.verdict[into]], dtype=bool)
    asked = np.flatnonzero(undecided & close.doubtful)
    wanted = question.criteria.min_p_clear
    p_clear = estimated_p_clear(ground, close_places.take(asked), question)
    apart = _apart(ground, close.slant_m[asked]) if whole else np.zeros(asked.size)
    for number in np.flatnonzero(p_clear < wanted - apart):
        answer.verdict[into[asked[number]]] = "marginal"
        answer.reason[into[asked[number]]] = _UNSURE.format(percent=100.0 * p_clear[number])
    if not whole:
        return
    asked = asked[np.abs(p_clear - wanted) <= apart]
    _ask_chain((ground.source,), places, question, into[asked], answer)
    short = np.array([v in ("blocked", "marginal") for v in answer.verdict[into]], dtype=bool) & (
        close.spare_deg < 0.0
    )
    answer.least_height_m[into[short]] = _least_heights(
        ground, close_places.take(short), question, close.take(short)
    )


def _apart(ground: Ground, slant_m: Floats) -> Floats:
    """How far from the wanted probability an estimate decides.

    Ground beside the dish is moved by errors in plan that are not small against its distance: the estimate, which
    takes them as small, is the less exact.
    """
    plan_m = np.hypot(0.23, facts_of(ground).horizontal_error_m)
    return np.where(slant_m < 50.0 * plan_m, _P_APART_BESIDE, _P_APART)


def _write_open(answer: Screened, rows: Ints) -> None:
    """What is said where no ground comes near."""
    answer.margin_deg[rows], answer.margin_is_floor[rows] = FLOOR_DEG, True
    answer.verdict[rows] = "needs-survey"
    answer.reason[rows] = (
        f"Nothing that is known stands in the way. The ground stays over {FLOOR_DEG:g} degrees off the line."
    )


def _write_close(
    ground: Ground, places: Places, question: Question, close: Close, into: Ints, answer: Screened
) -> None:
    """Verdict and fields of the places that ground comes near to."""
    within = np.flatnonzero(close.inside | (close.margin_deg <= FLOOR_DEG))
    at = into[within]
    answer.margin_deg[at], answer.margin_is_floor[at] = close.margin_deg[within], False
    answer.terrain_elevation_deg[at] = close.top_deg[within]
    answer.terrain_distance_m[at] = close.top_m[within]
    name, apparent_deg = question.satellite.name, places.apparent_deg[within].tolist()
    for number, now in enumerate(_clearances(ground, question, close.take(within))):
        evidence = Evidence(name, apparent_deg[number], now, now, 0.0, None, False, None, None, 0.0)
        answer.verdict[at[number]], (answer.reason[at[number]], *_) = decide(evidence)


def _write_unknown(
    ground: Ground,
    places: Places,
    question: Question,
    near: Ints,
    close: Close,
    rows: Ints,
    answer: Screened,
) -> None:
    """Where the raster ends or has a hole before ground could no longer reach the ray: unknown, whatever is known.

    Where ground comes so near that it might itself hide the gap, the chain is asked.
    """
    rim = np.flatnonzero(_gap_possible(ground, places, question))
    reach_m = np.full(places.antenna_m.size, np.inf)
    for at in range(0, rim.size, CHUNK):
        some = rim[at : at + CHUNK]
        reach_m[some] = _known_out_to_m(ground, places.take(some), question)
    spare = np.full(places.antenna_m.size, np.inf)
    inside = np.zeros(places.antenna_m.size, dtype=bool)
    spare[near], inside[near] = np.nan_to_num(close.spare_deg, nan=np.inf), close.inside
    gap = np.isfinite(reach_m) & ~inside
    lower = ""
    if question.highest_ground_m >= HIGHEST_GROUND_ON_EARTH_M:
        lower = " Say how high the ground around is at most (type --highest-ground)."
    _ask_chain(
        (ground.source,), places, question, np.flatnonzero(gap & (spare < _GAP_HIDDEN_DEG)), answer, into=rows
    )
    for k in np.flatnonzero(gap & (spare >= _GAP_HIDDEN_DEG)):
        answer.verdict[rows[k]] = "unknown"
        answer.reason[rows[k]] = (
            f"{ground.name} ends or has a hole {_km(reach_m[k])} out, but ground of up to "
            f"{question.highest_ground_m:.0f} m could reach the line as far out as {_km(places.needed_m[k])}.{lower}"
        )


def _km(metres: float) -> str:
    return f"{metres / 1000.0:.1f} km" if metres >= 1000.0 else f"{metres:.0f} m"


def _gap_possible(ground: Ground, places: Places, question: Question) -> Bools:
    """Whether the fan might leave the raster or meet a void where ground still matters; never wrongly no."""
    column, row, (by_column, by_row) = places.column, places.row, direction(ground, places)
    per_m = cells_per_m(ground, places)
    aside = (
        places.needed_m
        * np.sin(np.deg2rad(np.minimum(half_windows_deg(places, question)[0], 90.0)))
        * per_m
        * 1.05
        + 2.0
    )
    rows, columns = ground.grid.values.shape
    gap = np.zeros(column.shape, dtype=bool)
    for start, by, last in ((column, by_column, columns - 1), (row, by_row, rows - 1)):
        end = start + by * places.needed_m * 1.02
        gap |= (np.minimum(start, end) - aside < 0.0) | (np.maximum(start, end) + aside > last)
    if ground.maxima.neighbourhood_void is not None:
        cells = places.needed_m * per_m * 0.6 + aside
        level = np.minimum(
            np.ceil(np.log2(np.maximum(cells, 1.0))).astype(np.int64), len(ground.maxima.neighbourhood_m) - 1
        )
        for one in np.unique(level):
            at = np.flatnonzero(level == one)
            half_m = places.needed_m[at] / 2.0
            gap[at] |= ground.maxima.void_near(
                int(one), column[at] + by_column[at] * half_m, row[at] + by_row[at] * half_m
            )
    return gap


def _known_out_to_m(ground: Ground, places: Places, question: Question) -> Floats:
    """Distance out to which the whole fan is known; inf where that is as far as ground matters."""
    maps = local_maps(ground.grid, places.latitude_deg, places.longitude_deg)
    steps = Window.of(places, question).dense
    place, step = spread(steps)
    if ground.maxima.neighbourhood_void is None:  # the raster is convex: a few rays of the fan find its edge
        coarse = (step % 10 == 0) | (np.abs(step) == steps[place])
        place, step = place[coarse], step[coarse]
    offset_deg = step * DENSE_DEG
    azimuth_rad = np.deg2rad(places.azimuth_deg[place] + offset_deg)
    first, second = maps.take(place).along(np.sin(azimuth_rad), np.cos(azimuth_rad))
    needed_m = places.needed_m[place]
    rays = Rays(place, maps.start[place], first, second, places.antenna_m[place], places.radius_m[place],
                np.zeros(place.size), needed_m, 0.0)  # fmt: skip
    if ground.maxima.neighbourhood_void is None:
        known_m = _leaving_m(ground.grid, rays)
        known_m = np.where(known_m >= needed_m, np.inf, known_m)
    else:
        known_m = first_gap_m(ground.grid, rays)
    least_m = np.full(places.antenna_m.size, np.inf)
    np.minimum.at(least_m, place, known_m)
    return least_m


def _leaving_m(grid: Grid, rays: Rays) -> Floats:
    """Ground distance at which rays leave the raster."""
    leaving_m = np.full(len(rays), np.inf)
    for axis, count in ((0, grid.values.shape[1]), (1, grid.values.shape[0])):
        rate, bend = rays.first[:, axis], rays.second[:, axis]
        to_go = np.where(rate > 0, count - 1.0 - rays.start[:, axis], -rays.start[:, axis])
        distance_m = distance_to(to_go, rate, bend)
        leaving_m = np.minimum(leaving_m, np.where(distance_m >= 0.0, distance_m, np.inf))
    return leaving_m


def _clearances(ground: Ground, question: Question, close: Close) -> Iterator[Clearance]:
    """The clearance at each place, as far as a verdict needs it."""
    required_m = room_m(close.slant_m, question.link)  # fmt: skip
    clearance_m = close.slant_m * np.sin(np.deg2rad(close.margin_deg))
    kind = "surface" if ground.kind == "surface" else "ground"
    columns = (close.margin_deg, clearance_m, required_m, close.spare_deg, close.slant_m)
    for margin, room, required, spare, slant in zip(*(part.tolist() for part in columns), strict=True):
        controlling = Controlling(ground.name, kind, "terrain", 0.0, 0.0, slant, False)
        yield Clearance(margin_deg=margin, clearance_m=room, required_m=required, controlling=controlling,
                        spare_deg=spare)  # fmt: skip


def _least_heights(ground: Ground, places: Places, question: Question, close: Close) -> Floats:
    """The least dish height at which terrain leaves the room, to the next tenth of a metre.

    Each step raises the dish just enough for what controls, which can never be too much, until nothing does.
    """
    height = places.height_m.copy()
    todo, state = np.arange(height.size), close
    for _ in range(60):
        height[todo] += np.maximum(state.raise_m, 0.002) * 1.0000001
        todo = todo[height[todo] <= _TALLEST_M]
        if not todo.size:
            break
        here = places.take(todo)
        raised, _ = placed(ground, here.latitude_deg, here.longitude_deg, height[todo], question)
        state = followed(ground, raised, question)
        short = state.inside | (state.spare_deg < 0.0)
        todo, state = todo[short], state.take(short)
    height[todo] = np.nan
    height[height > _TALLEST_M] = np.nan
    return np.ceil(np.round(height * 10.0, 4)) / 10.0

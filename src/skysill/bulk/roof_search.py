"""The best spot of each of many roofs, one after the other, by the search of one property: equal to it, and slow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from skysill.assessment.cautions import line_cautions
from skysill.assessment.job_context import JobContext, WindowCache, prepared
from skysill.assessment.overhead_lines import (
    ARM_M,
    LADDER_OVER_M,
    LADDER_SLOPE,
    LINE_RANK,
    LineDistances,
    near_lines,
)
from skysill.assessment.pipeline import assess, judge
from skysill.assessment.results import Assessment, SatelliteResult
from skysill.assessment.verdict import RANK
from skysill.bulk.prefilter import FLOOR_DEG, ScreeningQuery
from skysill.bulk.roof_results import (
    RoofSearch,
    edge_distances_m,
    general_codes,
    order_among_equals,
    outline_of,
    write_spot,
)
from skysill.bulk.roof_spots import Roofs, RoofSpots
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.errors import InputError
from skysill.horizon.lattice import Elevations
from skysill.horizon.terrain import ground_at
from skysill.model.job import Job, Sources
from skysill.model.scene import Scene
from skysill.model.site import Mount, Site, Terminal
from skysill.pointing.look_vector import look_angles
from skysill.siting.mast_choice import Chosen, MastChoice
from skysill.siting.mast_search import SpotRoom, mast_heights_m, mount_at
from skysill.siting.spots import Spots
from skysill.units import Floats, Ints

__all__ = ["heights_m", "mount_of", "scenes_of", "search_each", "serves"]

_KEPT = 6
_HIGH_ROOF_M = 100.0
"""A roof is taken to stand so high over ground of which no raster has the elevation."""

_TOO_NEAR = 2
"""The severity of `LineDistances` with which a spot is never offered."""


@dataclass(frozen=True, slots=True, eq=False)
class _Best:
    """The spot that is told of a building.

    content : whether its height serves; else it is only the tallest
    lines : caution codes of overhead lines near it
    """

    mount: Mount
    assessment: Assessment
    content: bool
    lines: tuple[str, ...] = ()


def heights_m(terminal: Terminal, search: RoofSearch) -> Floats:
    """(height,) heights of the dish centre over the roof that are looked at, rising.

    Raises
    ------
    InputError : no mast kit fits between the lowest practical height and the tallest
    """
    job = Job(Site("roof", 0.0, 0.0), (), terminal=terminal, mast_kits=search.kits)
    return mast_heights_m(job, search.max_height_m)


def search_each(
    rasters: Sequence[Elevations],
    roofs: Roofs,
    spots: RoofSpots,
    chosen: Ints,
    query: ScreeningQuery,
    search: RoofSearch,
    results: ScreeningResults,
    scenes: Mapping[int, Scene] | None = None,
) -> None:
    """Search roofs one by one, and write the best spot of each.

    chosen : buildings that have spots; scenes : overhead lines around some of them, of `scenes_of`
    """
    heights = heights_m(query.terminal, search)
    order = np.searchsorted(spots.building, np.arange(len(roofs) + 1))
    for at in chosen.tolist():
        job = _job(rasters, roofs, at, query, search, scene=None if scenes is None else scenes.get(at))
        mine = slice(int(order[at]), int(order[at + 1]))
        grid = Spots(
            spots.east_m[mine],
            spots.north_m[mine],
            spots.surface_m[mine],
            np.ones(mine.stop - mine.start, dtype=bool),
            ("surface",) * (mine.stop - mine.start),
        )
        try:
            best = _best(
                job, grid, heights, edge_distances_m(roofs, spots.building[mine], grid.east_m, grid.north_m)
            )
        except InputError as fault:  # ground at the roof that cannot be true
            results.verdict[at], results.reason[at] = "unknown", fault.what
            continue
        if best is None:
            _write_none_offered(results, at, query, search)
            continue
        write_spot(
            results,
            at,
            roofs,
            best.mount,
            _worded(job, best),
            query,
            search,
            content=best.content,
            lines=best.lines,
        )


def scenes_of(
    rasters: Sequence[Elevations],
    roofs: Roofs,
    spots: RoofSpots,
    chosen: Ints,
    query: ScreeningQuery,
    search: RoofSearch,
) -> dict[int, Scene]:
    """The known overhead lines around the buildings that they bear on.

    chosen : buildings that have spots
    """
    import shapely

    satellite_deg = query.satellite.longitude_deg
    if search.lines is None or satellite_deg is None or not chosen.size:
        return {}
    heights = heights_m(query.terminal, search)
    place = roofs.latitude_deg, roofs.longitude_deg
    looks = look_angles(*place, 0.0, satellite_longitude_deg=satellite_deg)
    wide_m = np.abs(shapely.bounds(roofs.plan)).max(axis=1) * np.sqrt(2.0)
    lowest_m, highest_m = np.full(len(roofs), np.inf), np.full(len(roofs), -np.inf)
    np.minimum.at(lowest_m, spots.building, spots.surface_m)
    np.maximum.at(highest_m, spots.building, spots.surface_m)
    ground_m, _ = ground_at(rasters, *place)  # as `near_lines` takes it
    rise_m = np.maximum(np.nan_to_num(highest_m - ground_m, nan=_HIGH_ROOF_M), 0.0)
    ladder_m = (1.0 + 2.0 * LADDER_SLOPE) * rise_m + LADDER_OVER_M + ARM_M
    mast_m = float(heights[-1]) + query.terminal.dish_diameter_m
    found = {}
    for at in chosen.tolist():
        where = float(place[0][at]), float(place[1][at])
        some = search.lines.bearing_on(
            *where,
            half_width_m=float(wide_m[at]),
            low_m=float(lowest_m[at] + heights[0]),
            reach_m=max(float(ladder_m[at]), mast_m),
            look_deg=(float(looks.azimuth_deg[at]), float(looks.elevation_deg[at])),
        )
        scene = search.lines.scene_at(*where, some.tolist())
        if scene is not None:
            found[at] = scene
    return found


def _write_none_offered(
    results: ScreeningResults, at: int, query: ScreeningQuery, search: RoofSearch
) -> None:
    """Every spot stands too near an overhead line: no spot and no mast are told."""
    results.verdict[at] = "unknown"
    results.reason[at] = (
        "No spot of this roof is offered: at each, mast, people or ladder would come too near a listed overhead line."
    )
    results.texts["cautions"][at] = " ".join([LINE_RANK[_TOO_NEAR], *general_codes(query, search)])


def mount_of(spots: RoofSpots, spot: int, height_m: float) -> Mount:
    """A mast of so many metres at a spot."""
    east_m, north_m, surface_m = (
        float(values[spot]) for values in (spots.east_m, spots.north_m, spots.surface_m)
    )
    return Mount("spot", east_m, north_m, height_m, surface_m)


def serves(
    rasters: Sequence[Elevations],
    roofs: Roofs,
    at: int,
    mount: Mount,
    query: ScreeningQuery,
    search: RoofSearch,
) -> bool:
    """Whether a mast on a roof is clear, by an assessment."""
    job = _job(rasters, roofs, at, query, search)
    return assess(job, mount, explain=False, losses=False, magnetic=False).results[0].verdict == "clear"


def _job(
    rasters: Sequence[Elevations],
    roofs: Roofs,
    at: int,
    query: ScreeningQuery,
    search: RoofSearch,
    *,
    scene: Scene | None = None,
) -> Job:
    """A roof as the one property of a job."""
    cached = tuple(WindowCache(raster) for raster in rasters)
    return prepared(
        Job(
            site=Site("roof", float(roofs.latitude_deg[at]), float(roofs.longitude_deg[at])),
            satellites=(query.satellite,),
            terminal=query.terminal,
            criteria=query.criteria,
            sources=Sources(rasters=cached, highest_ground_m=query.highest_ground_m, scene=scene),
            roof=outline_of(roofs, at),
            mast_kits=search.kits,
        )
    )


def _best(job: Job, grid: Spots, heights: Floats, edge_m: Floats) -> _Best | None:
    """The best spot; None where overhead lines come too near to every spot."""
    context = JobContext()
    mounts = [mount_at(grid, spot, float(heights[0])) for spot in range(len(grid))]
    room = SpotRoom(job, mounts, heights, context=context)
    choice = MastChoice(job, room)
    found = choice.best([0], 1)
    if found and found[0].content and (_verdict(found[0]) != "clear" or job.sources.scene is not None):
        found = sorted(choice.best([0], _KEPT), key=lambda one: RANK[_verdict(one)])
    if found:
        offered = [one for one in found if _severity(job, room, one.spot, one.at) < _TOO_NEAR]
        if not offered:
            return None
        best = offered[0]
        if best.content:
            alike = [one for one in choice.alike(best, [0]) if _verdict(one) == _verdict(best)]
            equals = order_among_equals(edge_m, grid.surface_elevation_m)
            best = min(
                alike,
                key=lambda one: (
                    -_capped_deg(_margin_deg(one)),
                    *(float(part[one.spot]) for part in equals),
                    one.spot,
                ),
            )
        lines = _line_codes(job, room, best.spot, best.at)
        return _Best(room.mount(best.spot, best.at), best.assessment, best.content, lines)
    tallest = []
    last = heights.size - 1
    for spot in range(len(grid)):
        near = _severity(job, room, spot, last)
        if near >= _TOO_NEAR:
            continue
        mount = room.mount(spot, last)
        assessment = assess(job, mount, explain=False, losses=False, magnetic=False, context=context)
        margin_deg = assessment.results[0].clearance.margin_deg
        order = (
            RANK[assessment.results[0].verdict],
            near,
            -(90.0 if margin_deg is None else margin_deg),
            spot,
        )
        tallest.append((order, mount, assessment))
    if not tallest:
        return None
    order, mount, assessment = min(tallest, key=lambda one: one[0])
    return _Best(mount, assessment, False, _line_codes(job, room, order[-1], last))


def _near(job: Job, room: SpotRoom, spot: int, at: int) -> LineDistances | None:
    """How near the listed overhead lines come to one spot with a mast of one height; None: none is listed."""
    if job.sources.scene is None:
        return None
    return near_lines(job, room.foot_m[[spot]], np.array([room.heights_m[spot, at]]))


def _severity(job: Job, room: SpotRoom, spot: int, at: int) -> int:
    near = _near(job, room, spot, at)
    return 0 if near is None else int(near.severity[0])


def _line_codes(job: Job, room: SpotRoom, spot: int, at: int) -> tuple[str, ...]:
    near = _near(job, room, spot, at)
    return () if near is None else tuple(dict.fromkeys(caution.code for caution in line_cautions(near, 0)))


def _capped_deg(margin_deg: float) -> float:
    """Margins over ten degrees are not exact, and none of them is better than another."""
    return round(min(margin_deg, FLOOR_DEG), 3)


def _verdict(chosen: Chosen) -> str:
    return chosen.assessment.results[0].verdict


def _margin_deg(chosen: Chosen) -> float:
    margin_deg = chosen.assessment.results[0].clearance.margin_deg
    return 90.0 if margin_deg is None else margin_deg


def _worded(job: Job, best: _Best) -> SatelliteResult:
    """The result with the error that matters most, where the verdict is marginal."""
    found = best.assessment.results[0]
    if found.verdict == "marginal" and best.assessment.evidence is not None:
        return judge(job, best.assessment.evidence, job.satellites[0], found.look, losses=False)
    return found

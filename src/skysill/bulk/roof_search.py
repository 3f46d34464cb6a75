"""The best spot of each of many roofs, one after the other, by the search of one property: equal to it, and slow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from skysill.assessment.job_context import JobContext, WindowCache, prepared
from skysill.assessment.pipeline import assess, judge
from skysill.assessment.results import Assessment, SatelliteResult
from skysill.assessment.verdict import RANK
from skysill.bulk.prefilter import FLOOR_DEG, ScreeningQuery
from skysill.bulk.roof_results import RoofSearch, edge_distances_m, outline_of, write_spot
from skysill.bulk.roof_spots import Roofs, RoofSpots
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.errors import InputError
from skysill.horizon.lattice import Elevations
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Site, Terminal
from skysill.siting.mast_choice import Chosen, MastChoice
from skysill.siting.mast_search import SpotRoom, mast_heights_m, mount_at
from skysill.siting.spots import Spots
from skysill.units import Floats, Ints

__all__ = ["heights_m", "mount_of", "order_among_equals", "search_each", "serves"]

_KEPT = 6


@dataclass(frozen=True, slots=True, eq=False)
class _Best:
    """The spot that is told of a building. content : whether its height serves; else it is only the tallest."""

    mount: Mount
    assessment: Assessment
    content: bool


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
) -> None:
    """Search roofs one by one, and write the best spot of each.

    chosen : buildings that have spots
    """
    heights = heights_m(query.terminal, search)
    order = np.searchsorted(spots.building, np.arange(len(roofs) + 1))
    for at in chosen.tolist():
        job = _job(rasters, roofs, at, query, search)
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
        write_spot(results, at, roofs, best.mount, _worded(job, best), query, search, content=best.content)


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
    rasters: Sequence[Elevations], roofs: Roofs, at: int, query: ScreeningQuery, search: RoofSearch
) -> Job:
    """A roof as the one property of a job."""
    cached = tuple(WindowCache(raster) for raster in rasters)
    return prepared(
        Job(
            site=Site("roof", float(roofs.latitude_deg[at]), float(roofs.longitude_deg[at])),
            satellites=(query.satellite,),
            terminal=query.terminal,
            criteria=query.criteria,
            sources=Sources(rasters=cached, highest_ground_m=query.highest_ground_m),
            roof=outline_of(roofs, at),
            mast_kits=search.kits,
        )
    )


def _best(job: Job, grid: Spots, heights: Floats, edge_m: Floats) -> _Best:
    context = JobContext()
    mounts = [mount_at(grid, spot, float(heights[0])) for spot in range(len(grid))]
    room = SpotRoom(job, mounts, heights, context=context)
    choice = MastChoice(job, room)
    found = choice.best([0], 1)
    if found and found[0].content and _verdict(found[0]) != "clear":
        found = sorted(choice.best([0], _KEPT), key=lambda one: RANK[_verdict(one)])
    if found:
        best = found[0]
        if best.content:
            alike = [one for one in choice.alike(best, [0]) if _verdict(one) == _verdict(best)]
            best = min(
                alike, key=lambda one: order_among_equals(_margin_deg(one), edge_m[one.spot], one.spot)
            )
        return _Best(room.mount(best.spot, best.at), best.assessment, best.content)
    tallest = []
    for spot in range(len(grid)):
        mount = room.mount(spot, heights.size - 1)
        assessment = assess(job, mount, explain=False, losses=False, magnetic=False, context=context)
        margin_deg = assessment.results[0].clearance.margin_deg
        order = (RANK[assessment.results[0].verdict], -(90.0 if margin_deg is None else margin_deg), spot)
        tallest.append((order, mount, assessment))
    _, mount, assessment = min(tallest, key=lambda one: one[0])
    return _Best(mount, assessment, False)


def order_among_equals(margin_deg: float, edge_m: float, number: int) -> tuple[float, float, int]:
    """Order of spots with one verdict and mast: by margin up to 10 degrees, then by the distance from the roof's edge.

    Margins over that are not exact, and none of them is better than another.
    """
    return (-round(min(margin_deg, FLOOR_DEG), 3), -round(edge_m, 3), number)


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

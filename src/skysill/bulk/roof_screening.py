"""Screening of roofs: the best spot of each of many buildings, its least practical mast, and the verdict."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.roof_results import RoofSearch, empty_roof_results
from skysill.bulk.roof_search import scenes_of, search_each
from skysill.bulk.roof_spots import Roofs, roof_spots
from skysill.bulk.screening import screen_one_by_one
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.horizon.lattice import Elevations, Grid
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.pointing.look_vector import look_angles
from skysill.units import Floats, Ints

if TYPE_CHECKING:
    from skysill.bulk.compiled.raster_stack import RasterStack

__all__ = ["is_fine_surface", "screen_roofs"]

_NO_SURFACE = "No surface raster of 2 m or finer shows this roof, so no spot on it was looked for."


def is_fine_surface(raster: Elevations) -> bool:
    """Whether a raster shows roofs: a surface of cells of 2 m or finer."""
    return raster.kind == "surface" and raster.cell_size_m <= FINE_CELL_M


def screen_roofs(
    rasters: Sequence[Elevations],
    grids: Sequence[Grid],
    roofs: Roofs,
    ground_height_m: Floats,
    query: ScreeningQuery,
    search: RoofSearch,
    *,
    stack: RasterStack | None = None,
) -> ScreeningResults:
    """The best spot of every roof.

    Parameters
    ----------
    rasters : finest first
    grids : of those that are surfaces of 2 m or finer, in their order, around the roofs
    ground_height_m : (building,) dish centre over the ground, for roofs that no such raster shows
    stack : the rasters for the compiled loops, as far out as their ground could matter; None: roofs are searched one by
        one, which is slow

    Returns
    -------
    ScreeningResults with the further columns of `roof_results`, one entry a building
    """
    results = empty_roof_results(len(roofs))
    spots = roof_spots(roofs, grids, step_m=search.step_m, setback_m=search.setback_m)
    count = np.bincount(spots.building, minlength=len(roofs))
    satellite_deg = query.satellite.longitude_deg
    assert satellite_deg is not None
    azimuth, elevation, _ = look_angles(
        roofs.latitude_deg, roofs.longitude_deg, 0.0, satellite_longitude_deg=satellite_deg
    )
    results.azimuth_deg[:], results.elevation_deg[:] = azimuth, elevation
    hidden = (count == 0) & (spots.left_out > 0)
    results.verdict[hidden] = "unknown"
    results.reason[hidden] = (
        "No place on the roof was found to stand a mast on: everywhere the surface raster shows a crown, a chimney, an "
        "edge or a surface too steep."
    )
    _without_surface(rasters, roofs, ground_height_m, query, np.flatnonzero((count == 0) & ~hidden), results)
    wanted = np.flatnonzero(count > 0)
    scenes = scenes_of(rasters, roofs, spots, wanted, query, search)
    alone = np.array(sorted(scenes), dtype=int)  # the loops know no obstacles
    together = np.setdiff1d(wanted, alone)
    if stack is not None and together.size:
        from skysill.bulk.roof_kernel import search_together

        left = search_together(stack, roofs, spots, together, query, search, results)
        wanted = np.union1d(left, alone)
    search_each(rasters, roofs, spots, wanted, query, search, results, scenes)
    return results


def _without_surface(
    rasters: Sequence[Elevations],
    roofs: Roofs,
    height_m: Floats,
    query: ScreeningQuery,
    chosen: Ints,
    results: ScreeningResults,
) -> None:
    """Roofs that no raster shows: judged over the ground at their middle, and never clear."""
    if not chosen.size:
        return
    latitude, longitude = roofs.latitude_deg[chosen], roofs.longitude_deg[chosen]
    found = screen_one_by_one(rasters, latitude, longitude, height_m[chosen], query, most_height_m=0.0)
    for name in ("azimuth_deg", "elevation_deg", "terrain_elevation_deg", "terrain_distance_m", "margin_deg",
                 "margin_is_floor"):  # fmt: skip
        getattr(results, name)[chosen] = getattr(found, name)
    clear = found.verdict == "clear"
    results.verdict[chosen] = np.where(clear, "needs-survey", found.verdict)
    results.reason[chosen] = [
        _NO_SURFACE if free else f"{_NO_SURFACE} Over the ground at its middle: {reason}"
        for free, reason in zip(clear.tolist(), found.reason.tolist(), strict=True)
    ]

"""Which rows and columns of a raster could matter to places screened together, and which rasters are held whole."""

from __future__ import annotations

import numpy as np

from skysill.assessment.search_window import NEAR_TALL_M, sought_elevation_deg
from skysill.bulk.prefilter import ScreeningQuery
from skysill.horizon.lattice import Lattice
from skysill.horizon.rays import reach_needed_m
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.io.raster_windows import Raster
from skysill.pointing.look_vector import look_angles
from skysill.units import Floats

__all__ = ["LEAST_TILE", "MARGIN_STEP", "MOST_CELLS", "box_around", "is_held", "lattice_of", "margins_cells"]

HELD_CELLS = 40_000_000
"""Rasters of no more cells are held in memory whole."""

LEAST_TILE = 1024
"""Boxes begin and end at whole tiles of so many cells, so that neighbouring parts need the same ground."""

MARGIN_STEP = 256
"""Their margins are whole steps of so many cells, for the same reason."""

MOST_CELLS = 150_000_000
"""So many cells of all boxes together are held for the compiled loops."""

_MOST_ROOM_DEG = 6.0


def lattice_of(raster: Raster) -> Lattice:
    """Where the cell centres of a raster lie."""
    return Lattice((raster.rows, raster.cols), raster.transform, raster.crs)


def is_held(raster: Raster) -> bool:
    """Whether a raster is so small that all of it is held in memory."""
    return raster.rows * raster.cols <= HELD_CELLS


def box_around(
    raster: Raster,
    latitude_deg: Floats,
    longitude_deg: Floats,
    query: ScreeningQuery,
    *,
    wider_m: float = 0.0,
) -> tuple[int, int, int, int]:
    """Rows and columns of a raster that could matter to some places: first, last plus one, of each.

    latitude_deg, longitude_deg : (place,) WGS 84
    wider_m : how far beside each place a dish may stand
    """
    if is_held(raster):
        return 0, raster.rows, 0, raster.cols
    row, column = lattice_of(raster).cell(latitude_deg, longitude_deg)
    needed = margins_cells(raster, latitude_deg, longitude_deg, query, wider_m=wider_m)[0]
    margin = -(-needed // MARGIN_STEP) * MARGIN_STEP
    spans = []
    for at, count in ((row, raster.rows), (column, raster.cols)):
        there = at[np.isfinite(at)]
        low, high = (int(there.min()), int(there.max())) if there.size else (0, 0)
        low, high = (
            low // LEAST_TILE * LEAST_TILE - margin,
            (high // LEAST_TILE + 1) * LEAST_TILE + margin,
        )
        # at least two rows, also of a raster that lies elsewhere
        low = min(max(low, 0), count - 2)
        spans += [low, max(min(high, count), low + 2)]
    return spans[0], spans[1], spans[2], spans[3]


def margins_cells(
    raster: Raster,
    latitude_deg: Floats,
    longitude_deg: Floats,
    query: ScreeningQuery,
    *,
    wider_m: float = 0.0,
) -> tuple[int, int]:
    """Cells needed around some places, by the lowest ray and the highest ground: for exact margins, for verdicts."""
    satellite_deg = query.satellite.longitude_deg
    assert satellite_deg is not None
    elevation_deg = look_angles(
        latitude_deg, longitude_deg, 0.0, satellite_longitude_deg=satellite_deg
    ).elevation_deg
    lowest_deg = max(float(elevation_deg.min()) - 1.0, 0.5)
    reach_m = reach_needed_m(
        LOWEST_GROUND_M, np.append(sought_elevation_deg(lowest_deg, lowest_deg), lowest_deg),
        highest_ground_m=query.highest_ground_m, radius_m=6.4e6 * query.criteria.refraction_factor,
    )  # fmt: skip
    # near evidence is asked for as far as trees and houses could stand in the way
    near_m = NEAR_TALL_M / np.tan(np.deg2rad(max(lowest_deg - _MOST_ROOM_DEG, 0.5)))
    reach_m = np.maximum(reach_m, [near_m, 0.0]) + wider_m
    lattice = lattice_of(raster)
    step_deg = 0.01
    here = lattice.cell(latitude_deg[:1], longitude_deg[:1])
    east = lattice.cell(latitude_deg[:1], longitude_deg[:1] + step_deg)
    step_m = step_deg * 111_320.0 * max(float(np.cos(np.deg2rad(latitude_deg[0]))), 0.05)
    per_m = max(float(np.hypot(east[0] - here[0], east[1] - here[1])[0]) / step_m, 1.0 / raster.cell_size_m)
    exact, needed = (int(float(part) * per_m * 1.05) + 70 for part in reach_m)
    return exact, needed

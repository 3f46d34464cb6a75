"""Surface and bare rasters from the points of a laser scan. A cell without points stays unknown (nan)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skysill.extraction.plan_grid import PlanGrid
from skysill.extraction.point_cloud import NOISE_CLASSES, PointCloud, Singles, index_blocks
from skysill.units import Bools

__all__ = ["MOST_CELLS", "PointRasters", "grid_around", "point_rasters"]

MOST_CELLS = 100_000_000
"""Cells of one raster: 400 MB."""


@dataclass(frozen=True, slots=True, eq=False)
class PointRasters:
    """Rasters of one scan; every array (rows, columns) of `grid`.

    surface_m : float32, the highest point of each cell; nan where there is none
    bare_m : float32, the mean of each cell's ground points; nan where there is none
    count, ground_count : uint32, points that the cells come from
    """

    grid: PlanGrid
    surface_m: Singles
    bare_m: Singles
    count: NDArray[np.uint32]
    ground_count: NDArray[np.uint32]


def grid_around(cloud: PointCloud, cell_m: float) -> PlanGrid:
    """The lattice that covers a cloud, or the square around the site that it was cut to.

    Raises
    ------
    ValueError : no points, a cell that is not positive, or more than MOST_CELLS cells
    """
    if not cell_m > 0.0:
        raise ValueError("a cell's size is a positive number of metres")
    if not len(cloud):
        raise ValueError("a cloud without points covers nothing")
    west, east = float(cloud.east_m.min()), float(cloud.east_m.max())
    south, north = float(cloud.north_m.min()), float(cloud.north_m.max())
    if (east - west) * (north - south) / cell_m**2 > MOST_CELLS:
        raise ValueError(f"more than {MOST_CELLS:,} cells; take a larger cell or a smaller reach")
    return PlanGrid.covering(west, south, np.nextafter(east, np.inf), np.nextafter(north, np.inf), cell_m)


def point_rasters(
    cloud: PointCloud, ground: Bools, grid: PlanGrid, *, left_out: Bools | None = None
) -> PointRasters:
    """Surface and bare raster of a cloud.

    Parameters
    ----------
    ground : (n,) which points lie on the bare ground
    left_out : (n,) points that do not belong to the surface, such as those of wires that became obstacles of their
        own (a wire drawn into a raster would stand there as a wall). Noise classes never belong to it.

    Returns
    -------
    PointRasters

    >>> cloud = PointCloud.of(np.array([[0.2, 0.2, 5.0], [0.3, 0.1, 9.0], [1.7, 0.5, 4.0]]))
    >>> rasters = point_rasters(cloud, np.array([True, False, True]), PlanGrid(0.0, 1.0, 1.0, 1, 3))
    >>> rasters.surface_m, rasters.bare_m
    (array([[ 9.,  4., nan]], dtype=float32), array([[ 5.,  4., nan]], dtype=float32))
    """
    surface = np.full(grid.size, -np.inf, dtype=np.float32)
    count, ground_count = (np.zeros(grid.size, dtype=np.uint32) for _ in range(2))
    ground_sum = np.zeros(grid.size)
    noise = np.zeros(256, dtype=bool)
    noise[list(NOISE_CLASSES)] = True
    for block in index_blocks(len(cloud)):
        cell = grid.cell_of(cloud.east_m[block], cloud.north_m[block])
        up_m = cloud.elevation_m[block]
        on_ground = ground[block] & (cell >= 0)
        seen = (cell >= 0) & ~noise[cloud.classes[block]] & np.isfinite(up_m)
        if left_out is not None:
            seen &= ~left_out[block]
        np.maximum.at(surface, cell[seen], up_m[seen])
        count += np.bincount(cell[seen], minlength=grid.size).astype(np.uint32)
        ground_count += np.bincount(cell[on_ground], minlength=grid.size).astype(np.uint32)
        ground_sum += np.bincount(cell[on_ground], weights=up_m[on_ground], minlength=grid.size)
    with np.errstate(invalid="ignore", divide="ignore"):
        bare = np.where(ground_count > 0, ground_sum / ground_count, np.nan).astype(np.float32)
    surface[count == 0] = np.nan
    return PointRasters(
        grid,
        surface.reshape(grid.shape),
        bare.reshape(grid.shape),
        count.reshape(grid.shape),
        ground_count.reshape(grid.shape),
    )

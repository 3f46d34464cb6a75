"""Which points of a laser scan lie on vegetation: by class where the scan has it, else by how rough it is there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skysill.extraction.ground_filter import Ground, stray_points
from skysill.extraction.plan_grid import PlanGrid
from skysill.extraction.point_cloud import (
    BUILDING_CLASS,
    NOISE_CLASSES,
    SUPPORT_CLASSES,
    VEGETATION_CLASSES,
    WIRE_CLASSES,
    PointCloud,
    Singles,
    index_blocks,
)
from skysill.extraction.point_rasters import grid_around
from skysill.units import Bools, Floats

__all__ = ["Vegetation", "find_vegetation"]

LOWEST_M = 1.0
"""Lower things are left to the surface raster."""

_FINE_M, _COARSE_M = 0.5, 1.0
_FINE_FROM_PER_M2 = 4.0
_SMOOTH_M, _NOISES = 0.25, 2.5
"""Points this near to a plane, or within 2.5 times the noise, are on a roof; leaves scatter by 0.3 m and more."""

_FEW_ECHOES = 0.25
_LEAST_ROOF_M2 = 6.0
_ROOF_EDGE_M = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Vegetation:
    """Points on vegetation.

    points : (n,) which points lie on vegetation over 1 m high
    heights_m : (n,) float32, above the ground, nan where that is not known
    grid : the lattice that crowns are looked for on
    by_class : whether the scan's own classes said so
    """

    points: Bools
    heights_m: Singles
    grid: PlanGrid
    by_class: bool
    notes: tuple[str, ...] = ()


def find_vegetation(
    cloud: PointCloud,
    ground: Ground,
    *,
    footprints_m: Sequence[ArrayLike] = (),
    left_out: Bools | None = None,
) -> Vegetation:
    """Points on vegetation.

    Parameters
    ----------
    footprints_m : rings (k, 2) of east and north: nothing within them, or nearer than a cell to them, is vegetation
    left_out : (n,) points that are something else, such as those of wires

    Returns
    -------
    Vegetation. Classes 3 to 5 are taken where the scan has them. Elsewhere what stands over 1 m high is vegetation
    unless it is smooth over 6 m2 or more, or within 1.5 m of such a smooth place, where roofs end in walls.
    """
    grid = grid_around(cloud, _cell_for(cloud))
    heights_m = ground.heights_m(cloud)
    wanted = heights_m > LOWEST_M
    if left_out is not None:
        wanted &= ~left_out
    by_class = bool(cloud.in_classes(VEGETATION_CLASSES).any())
    notes: tuple[str, ...] = ()
    if by_class:
        wanted &= cloud.in_classes(VEGETATION_CLASSES)
    else:
        wanted &= ~cloud.in_classes((*NOISE_CLASSES, *WIRE_CLASSES, *SUPPORT_CLASSES, BUILDING_CLASS))
        wanted &= ~ground.on_ground & ~stray_points(cloud)
        notes = (
            "The scan tells no vegetation from buildings: what is rough and lets echoes through counts as vegetation.",
        )
    barred = _within(grid, footprints_m)
    if not by_class:
        barred |= _roofs(cloud, heights_m, wanted, grid, ground.noise_m)
    if barred.any():
        for block in index_blocks(len(cloud)):
            cell = grid.cell_of(cloud.east_m[block], cloud.north_m[block])
            wanted[block] &= ~barred.ravel()[cell]
    return Vegetation(wanted, heights_m, grid, by_class, notes)


def _cell_for(cloud: PointCloud) -> float:
    coarse = grid_around(cloud, 4.0)
    step = max(1, len(cloud) // 1_000_000)
    count = np.bincount(coarse.cell_of(cloud.east_m[::step], cloud.north_m[::step]), minlength=coarse.size)
    per_m2 = float(np.median(count[count > 0])) * step / 16.0
    return _FINE_M if per_m2 >= _FINE_FROM_PER_M2 else _COARSE_M


def _within(grid: PlanGrid, rings: Sequence[ArrayLike]) -> Bools:
    """Cells in rings or next to them."""
    from scipy import ndimage

    inside = np.zeros(grid.shape, dtype=bool)
    east_m, north_m = grid.centres_m()
    for ring in rings:
        corners = np.asarray(ring, dtype=np.float64)[:, :2]
        (west, south), (east, north) = corners.min(axis=0), corners.max(axis=0)
        columns = np.flatnonzero((east_m > west - grid.cell_m) & (east_m < east + grid.cell_m))
        rows = np.flatnonzero((north_m > south - grid.cell_m) & (north_m < north + grid.cell_m))
        if len(columns) and len(rows):
            where = np.ix_(rows, columns)
            inside[where] |= _in_ring(corners, *np.meshgrid(east_m[columns], north_m[rows]))
    return np.asarray(ndimage.binary_dilation(inside, iterations=1)) if inside.any() else inside


def _in_ring(corners: Floats, east_m: Floats, north_m: Floats) -> Bools:
    """Whether places lie in a ring, by the even-odd rule."""
    inside = np.zeros(east_m.shape, dtype=bool)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if y0 != y1:
            crosses = (y0 > north_m) != (y1 > north_m)
            inside ^= crosses & (east_m < x0 + (north_m - y0) * (x1 - x0) / (y1 - y0))
    return inside


def _roofs(cloud: PointCloud, heights_m: Singles, wanted: Bools, grid: PlanGrid, noise_m: float) -> Bools:
    """Cells of smooth things over 1 m high, with the edges that belong to them."""
    from scipy import ndimage

    count, echoes, scatter_m = _roughness(cloud, heights_m, wanted, grid)
    smooth = (count >= 4) & (scatter_m < max(_SMOOTH_M, _NOISES * noise_m)) & (echoes < _FEW_ECHOES)
    core = ndimage.binary_opening(smooth, structure=np.ones((3, 3)))
    label, found = ndimage.label(core)
    area_m2 = np.bincount(label.ravel(), minlength=found + 1) * grid.cell_m**2
    large = area_m2 >= _LEAST_ROOF_M2
    large[0] = False
    edge = max(1, round(_ROOF_EDGE_M / grid.cell_m))
    return np.asarray(ndimage.binary_dilation(large[label], iterations=edge, structure=np.ones((3, 3))))


def _roughness(
    cloud: PointCloud, heights_m: Singles, wanted: Bools, grid: PlanGrid
) -> tuple[Floats, Floats, Floats]:
    """Of the points in 3 by 3 cells around each: number, share of divided pulses, scatter about a plane.

    The plane is the least squares one, from sums over the cells; scatter is the root mean square of the residuals.
    """
    from scipy import ndimage

    sums = np.zeros((11, grid.size))
    for block in index_blocks(len(cloud)):
        index = np.flatnonzero(wanted[block])
        x, y = (column[block][index].astype(np.float64) for column in (cloud.east_m, cloud.north_m))
        cell, z = grid.cell_of(x, y), heights_m[block][index].astype(np.float64)
        terms = (None, x, y, z, x * x, x * y, y * y, x * z, y * z, z * z, cloud.returns[block][index] > 1)
        for row, term in enumerate(terms):
            sums[row] += np.bincount(cell, weights=term, minlength=grid.size)
    for row in range(len(sums)):
        summed = ndimage.uniform_filter(sums[row].reshape(grid.shape), size=3, mode="constant")
        sums[row] = np.maximum(summed, 0.0).ravel() * 9.0 if row == 0 else summed.ravel() * 9.0
    count = np.round(sums[0])
    some = count > 0
    sums, many = sums[:, some], count[some]
    x, y, z = sums[1:4] / many
    xx, xy, yy = sums[4] / many - x * x, sums[5] / many - x * y, sums[6] / many - y * y
    xz, yz, zz = sums[7] / many - x * z, sums[8] / many - y * z, sums[9] / many - z * z
    spread = np.maximum(xx * yy - xy * xy, 1e-6)
    explained = (yy * xz * xz - 2.0 * xy * xz * yz + xx * yz * yz) / spread
    scatter, echoes = np.full(grid.size, np.inf), np.zeros(grid.size)
    scatter[some] = np.sqrt(np.maximum(zz - explained, 0.0))
    echoes[some] = sums[10] / many
    return count.reshape(grid.shape), echoes.reshape(grid.shape), scatter.reshape(grid.shape)

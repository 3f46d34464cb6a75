"""Which points of a laser scan lie on the bare ground, and the ground's elevation between them.

Class 2 is used where the scan has it. Elsewhere a progressive morphological filter tells ground from what stands on it:
K. Zhang, S.-C. Chen, D. Whitman, M.-L. Shyu, J. Yan, C. Zhang, "A progressive morphological filter for removing
nonground measurements from airborne LIDAR data", IEEE Trans. Geosci. Remote Sensing 41(4), 2003, pp. 872-882 (from
memory), sections II and III. It is built on scipy, since the cloth simulation library has no wheels for Python 3.13 and
later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.extraction.plan_grid import PlanGrid, filled
from skysill.extraction.point_cloud import (
    GROUND_CLASS,
    NOISE_CLASSES,
    WIRE_CLASSES,
    PointCloud,
    Singles,
    index_blocks,
)
from skysill.extraction.point_rasters import grid_around, point_rasters
from skysill.units import Bools, Floats

__all__ = ["Ground", "find_ground", "stray_points"]

_CELL_M = 1.0
_HALF_WINDOWS = (1, 2, 4, 8, 16)
"""Cells on each side of a window's middle: windows of 3 to 33 cells, wider than most houses."""

_SLOPE = 0.2
"""Rise of the ground per metre that the filter allows beyond the large-scale trend, Zhang's s."""

_FIRST_RISE_M, _LARGEST_RISE_M = 0.3, 2.5
"""Zhang's dh0 and dhmax: the second is below the eaves of a house."""

_TREND_BLOCK_M = 25.0
_PIT_M = 1.0
_NEAR_M, _ON_GROUND_M = 0.6, 0.3
_FARTHEST_M = 30.0
_LEAST_SHARE = 0.02
_ERROR_PER_M = 0.03
"""Standard error of the ground between known cells, per metre of distance to them: common practice, no source."""

_VOXEL_M = 4.0
_FEWEST = 3


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The bare ground under a scan.

    on_ground : (n,) which points lie on it
    grid, elevation_m : (rows, columns) float64, known cells and what runs smoothly between them; nan where no ground
        point lies within 30 m
    distance_m : (rows, columns) to the nearest cell with ground points, 0 in one
    noise_m : standard deviation of the ground points about the ground
    origin : "class 2" or "morphological filter"; notes : in sentences
    """

    on_ground: Bools
    grid: PlanGrid
    elevation_m: Floats
    distance_m: Floats
    noise_m: float
    origin: str
    notes: tuple[str, ...] = ()

    def at(self, east_m: ArrayLike, north_m: ArrayLike) -> Floats:
        """Elevation of the ground at places; nan where it is not known."""
        return self.grid.at(self.elevation_m, east_m, north_m)

    def error_m(self, east_m: ArrayLike, north_m: ArrayLike) -> Floats:
        """Standard error of `at`, growing with the distance to the nearest ground points."""
        distance_m = self.grid.at(self.distance_m, east_m, north_m)
        return np.asarray(np.hypot(self.noise_m, _ERROR_PER_M * distance_m))

    def heights_m(self, cloud: PointCloud) -> Singles:
        """(n,) height of points above the ground; nan where it is not known."""
        heights = np.empty(len(cloud), dtype=np.float32)
        for block in index_blocks(len(cloud)):
            heights[block] = cloud.elevation_m[block] - self.at(cloud.east_m[block], cloud.north_m[block])
        return heights


def find_ground(cloud: PointCloud, *, cell_m: float | None = None) -> Ground:
    """The ground points of a cloud.

    Parameters
    ----------
    cloud : at least one point
    cell_m : of the lattice; None: 1 m, or wider where the points are sparse

    Raises
    ------
    InputError : scipy is not installed

    Returns
    -------
    Ground. Class 2 is taken where it holds at least 2 % of the points, else the filter's answer, and the notes say so.
    """
    _require_scipy()
    grid = grid_around(cloud, cell_m or _cell_for(cloud))
    classed = cloud.classes == GROUND_CLASS
    share = np.count_nonzero(classed) / len(cloud)
    if share >= _LEAST_SHARE:
        return _surveyed(cloud, classed, grid, "class 2", ())
    notes = ("The scan has no ground class: ground points were found by a progressive morphological filter.",)
    return _surveyed(cloud, _filtered(cloud, grid), grid, "morphological filter", notes)


def _require_scipy() -> None:
    try:
        import scipy  # noqa: F401  # only whether it is there is asked
    except ImportError:
        raise InputError(
            "Finding ground, trees and wires needs scipy.",
            mend='Install it with: pip install "skysill[scan]".',
        ) from None


def _cell_for(cloud: PointCloud) -> float:
    """1 m, or so wide that most cells hold a point."""
    coarse = grid_around(cloud, 4.0)
    count = np.zeros(coarse.size, dtype=np.int64)
    for block in index_blocks(len(cloud)):
        count += np.bincount(coarse.cell_of(cloud.east_m[block], cloud.north_m[block]), minlength=coarse.size)
    per_m2 = float(np.median(count[count > 0])) / 16.0
    return float(max(_CELL_M, np.ceil(2.0 * np.sqrt(2.0 / per_m2)) / 2.0))


def _surveyed(
    cloud: PointCloud, on_ground: Bools, grid: PlanGrid, origin: str, notes: tuple[str, ...]
) -> Ground:
    """The ground's elevation everywhere from its points."""
    from scipy import ndimage

    known = point_rasters(cloud, on_ground, grid).bare_m
    distance_m = ndimage.distance_transform_edt(np.isnan(known)) * grid.cell_m
    if not np.isfinite(known).any():
        distance_m = np.full(grid.shape, np.inf)
    elevation_m = np.where(distance_m <= _FARTHEST_M, filled(known), np.nan)
    some = np.flatnonzero(on_ground)[:: max(1, np.count_nonzero(on_ground) // 200_000)]
    off_m = cloud.elevation_m[some] - grid.at(elevation_m, cloud.east_m[some], cloud.north_m[some])
    noise_m = float(1.4826 * np.nanmedian(np.abs(off_m))) if len(some) else cloud.survey.vertical_error_m
    return Ground(on_ground, grid, elevation_m, distance_m, noise_m, origin, notes)


def _filtered(cloud: PointCloud, grid: PlanGrid) -> Bools:
    """(n,) ground points by the progressive morphological filter, then by distance to the surface that it leaves."""
    candidates = ~cloud.in_classes((*NOISE_CLASSES, *WIRE_CLASSES)) & ~stray_points(cloud)
    candidates &= cloud.return_number >= cloud.returns  # what lies behind a last echo nothing knows
    lowest = _without_pits(_lowest(cloud, candidates, grid))
    ground = np.where(_raised(lowest, grid), np.nan, lowest)
    for near_m in (
        _NEAR_M,
        _ON_GROUND_M,
    ):  # first about the lowest points, then about the mean of those near them
        surface = filled(ground)
        kept = np.zeros(len(cloud), dtype=bool)
        for block in index_blocks(len(cloud)):
            under_m = grid.at(surface, cloud.east_m[block], cloud.north_m[block])
            kept[block] = candidates[block] & (np.abs(cloud.elevation_m[block] - under_m) <= near_m)
        ground = point_rasters(cloud, kept, grid).bare_m.astype(np.float64)
    return kept


def _lowest(cloud: PointCloud, wanted: Bools, grid: PlanGrid) -> Floats:
    """Lowest of the points wanted in each cell, nan where there are none."""
    lowest = np.full(grid.size, np.inf, dtype=np.float32)
    for block in index_blocks(len(cloud)):
        kept = wanted[block]
        cell = grid.cell_of(cloud.east_m[block][kept], cloud.north_m[block][kept])
        np.minimum.at(lowest, cell, cloud.elevation_m[block][kept])
    return np.where(np.isfinite(lowest), lowest, np.nan).reshape(grid.shape).astype(np.float64)


def _without_pits(lowest: Floats) -> Floats:
    """Cells far below all but two of the 24 around them are echoes of echoes: unknown."""
    from scipy import ndimage

    around = np.ones((5, 5), dtype=bool)
    around[2, 2] = False
    high = np.where(np.isnan(lowest), np.inf, lowest)
    floor = ndimage.rank_filter(high, 2, footprint=around, mode="nearest")
    return np.where(floor - lowest > _PIT_M, np.nan, lowest)


def _raised(lowest: Floats, grid: PlanGrid) -> Bools:
    """Cells whose lowest point stands above the ground: Zhang's windows and thresholds, about the large-scale trend."""
    from scipy import ndimage

    surface = filled(lowest)
    surface = surface - _trend(surface, max(1, round(_TREND_BLOCK_M / grid.cell_m)))
    raised = np.zeros(surface.shape, dtype=bool)
    before = 1
    for half in _HALF_WINDOWS:
        window = 2 * half + 1
        opened = ndimage.grey_opening(surface, size=(window, window), mode="nearest")
        rise_m = min(_SLOPE * (window - before) * grid.cell_m + _FIRST_RISE_M, _LARGEST_RISE_M)
        raised |= surface - opened > rise_m  # eq. (3) and (4)
        surface, before = opened, window
    return raised


def _trend(surface: Floats, block: int) -> Floats:
    """Large-scale shape of the ground: lowest of each block, opened so that no block-wide roof remains, smoothed."""
    from scipy import ndimage

    rows, columns = surface.shape
    block = min(block, rows, columns)
    across = ((0, -rows % block), (0, -columns % block))
    padded = np.pad(surface, across, mode="reflect", reflect_type="odd")  # a slope goes on beyond the edge
    low = padded.reshape(padded.shape[0] // block, block, padded.shape[1] // block, block).min(axis=(1, 3))
    edge = tuple((min(2, size - 1),) * 2 for size in low.shape)
    wider = ndimage.grey_opening(
        np.pad(low, edge, mode="reflect", reflect_type="odd"), size=(3, 3), mode="nearest"
    )
    row, column = (
        (np.arange(size) + 0.5) / block - 0.5 + before
        for size, (before, _) in zip((rows, columns), edge, strict=True)
    )
    places = np.meshgrid(row, column, indexing="ij")
    return np.asarray(ndimage.map_coordinates(wider, places, order=1, mode="nearest"))


def stray_points(cloud: PointCloud) -> Bools:
    """(n,) unclassified points that have at most one other within about 6 m: birds, and echoes of echoes.

    Counted in cubes of 4 m with the 26 cubes around each.
    """
    from scipy import ndimage

    flat = grid_around(cloud, _VOXEL_M)
    low_m, high_m = np.quantile(cloud.elevation_m[:: max(1, len(cloud) // 100_000)], [0.001, 0.999])
    bottom_m = float(low_m) - 60.0
    levels = int((float(high_m) - bottom_m + 120.0) / _VOXEL_M) + 1
    count = np.zeros(flat.size * levels, dtype=np.int32)
    for block in index_blocks(len(cloud)):
        count += np.bincount(_cubes(cloud, block, flat, bottom_m, levels), minlength=len(count)).astype(
            np.int32
        )
    cubes = count.reshape(levels, *flat.shape)
    for axis in range(3):
        cubes = ndimage.convolve1d(cubes, np.ones(3, dtype=np.int32), axis=axis, mode="constant")
    few = cubes.ravel() < _FEWEST
    stray = np.empty(len(cloud), dtype=bool)
    for block in index_blocks(len(cloud)):
        stray[block] = few[_cubes(cloud, block, flat, bottom_m, levels)]
    return np.asarray(stray & (cloud.classes <= 1))


def _cubes(cloud: PointCloud, block: slice, flat: PlanGrid, bottom_m: float, levels: int) -> Floats:
    level = np.clip((cloud.elevation_m[block] - bottom_m) / _VOXEL_M, 0, levels - 1).astype(np.int64)
    return np.asarray(level * flat.size + flat.cell_of(cloud.east_m[block], cloud.north_m[block]))

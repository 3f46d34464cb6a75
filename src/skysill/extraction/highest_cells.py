"""Cells that hold the highest of their points, brought down to what the surface is at their centres."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from skysill.extraction.found import FoundRoof
from skysill.extraction.plane_fit import local_planes, nearest_neighbours
from skysill.extraction.plane_segments import segment_planes
from skysill.units import Floats

__all__ = ["lowered_to_centres", "with_true_tops"]

_SHARE = 0.65
_SHARE_ERROR = 0.2
"""The highest of n points of a cell that rises along one side lies (n - 1) / (n + 1) of the way from its centre to its
upper side on average (largest of n uniform values): 0.43 with 2.5 points, 0.67
with 5, 0.82 with 10.
"""

_NEIGHBOURS = 8


def lowered_to_centres(points_m: Floats, axes: Floats, cell_m: float) -> tuple[Floats, float]:
    """Samples with elevations at their cells' centres, and the standard error of the correction.

    Parameters
    ----------
    points_m : (n, 3) cell centres and the highest elevation in each cell
    axes : (2, 2) unit vectors along the raster's rows and columns, east and north

    Notes
    -----
    On a plane of slope s the upper corner of a cell lies cell (|s . row| + |s . column|) / 2 over its centre. The slope
    is that of the segmented plane, where a cell is on one, else of the plane through its neighbours.
    """
    if len(points_m) < _NEIGHBOURS + 1:
        return points_m, 0.0
    near = nearest_neighbours(points_m[:, :2], _NEIGHBOURS)
    slope = local_planes(points_m, near).slope
    segments = segment_planes(
        points_m, spacing_m=cell_m, least_samples=_NEIGHBOURS + 1, least_area_m2=1.5, least_width_m=1.9 * cell_m,
        neighbours=_NEIGHBOURS,
    )  # fmt: skip
    for number, plane in enumerate(segments.planes):
        slope[segments.label == number] = plane.slope
    reach_m = np.minimum(np.abs(slope @ axes.T).sum(axis=1), 3.0) * cell_m / 2.0
    lowered = np.array(points_m)
    lowered[:, 2] -= _SHARE * reach_m
    return lowered, float(_SHARE_ERROR * np.median(reach_m))


def with_true_tops(roof: FoundRoof, points_m: Floats) -> FoundRoof:
    """The roof with what stands off it as high as its highest cell: a flat top is not brought down."""
    import shapely

    standing = []
    for one in roof.standing_off:
        inside = shapely.contains_xy(shapely.Polygon(one.outline_m), points_m[:, 0], points_m[:, 1])
        top_m = float(points_m[inside, 2].max()) if inside.any() else one.top_elevation_m
        standing.append(replace(one, top_elevation_m=max(top_m, one.top_elevation_m)))
    return replace(roof, standing_off=tuple(standing))

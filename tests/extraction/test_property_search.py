"""What a property takes for known, and what stays unknown."""

import numpy as np

from skysill.extraction.found import SurveyData
from skysill.extraction.point_cloud import PointCloud
from skysill.extraction.property_search import find_property

EVERY_M = 0.4
HOLE_M = 10.0


def level_field(*, holes=(), extra=()):
    """Level ground at 10 m, 60 m square, points every 0.4 m, none inside `holes` (west, south, east, north)."""
    axis = np.arange(-30.0, 30.0, EVERY_M) + EVERY_M / 2
    east, north = (part.ravel() for part in np.meshgrid(axis, axis))
    kept = np.ones(east.size, dtype=bool)
    for west, south, right, up in holes:
        kept &= ~((east > west) & (east < right) & (north > south) & (north < up))
    points = np.column_stack([east, north, np.full(east.size, 10.0)])[kept]
    points = np.concatenate([points, np.reshape(np.array(extra, dtype=float), (-1, 3))])
    return PointCloud.of(points, survey=SurveyData("field.laz", 0.05, 0.1), reach_m=40.0)


def surface(cloud):
    found = find_property(cloud, [], latitude_deg=48.0, longitude_deg=-24.0, least_elevation_deg=30.0)
    raster = next(one for one in found.rasters if one.kind == "surface")
    cell_m, west_m, north_m = raster.transform[0], raster.transform[2], raster.transform[5]

    def at(east_m, up_m):
        return raster.values[round((north_m - up_m) / cell_m), round((east_m - west_m) / cell_m)]

    return found, raster, at


def test_a_lone_empty_cell_is_as_high_as_the_highest_around_and_a_wider_gap_stays_unknown():
    lone, wide = (4.9, 4.9, 6.1, 6.1), (-HOLE_M, -HOLE_M, 0.0, 0.0)
    shed = [(4.5, 4.5, 12.0), (4.6, 4.4, 12.0), (4.4, 4.6, 12.0)]
    found, raster, at = surface(level_field(holes=[lone, wide], extra=shed))
    assert raster.transform[0] == 1.0
    assert at(5.5, 5.5) == 12.0
    assert np.isnan(at(-4.5, -4.5))
    assert np.isnan(raster.values).sum() >= (HOLE_M - 2) ** 2
    assert any("has no sample" in sentence for sentence in found.missing)


def test_a_bird_does_not_stand_in_the_surface():
    _, raster, _ = surface(level_field(extra=[(3.0, 3.0, 90.0)]))
    assert np.nanmax(raster.values) < 11.0

"""Bare ground from points, against the invented streets' own ground."""

from functools import cache

import numpy as np
import pytest
from pytest import approx

from skysill.extraction.ground_filter import find_ground, stray_points
from skysill.extraction.plan_grid import PlanGrid, filled
from skysill.extraction.point_cloud import PointCloud
from skysill.extraction.point_rasters import point_rasters
from synthetic_scans import GROUND, HIGH_NOISE, LOW_NOISE, street


@cache
def scanned(classes="none", **settings):
    scan = street(4, classes=classes, **settings)
    return scan, PointCloud.of(scan.points, scan.classes, scan.return_number, scan.returns)


def off_truth_m(scan, grid, elevation_m):
    east_m, north_m = np.meshgrid(*grid.centres_m())
    return elevation_m - scan.truth.bare_ground_m(east_m, north_m)


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.03, -0.05), (0.2, -0.25)])
@pytest.mark.parametrize(("points_per_m2", "noise_m"), [(5.0, 0.1), (10.0, 0.05), (20.0, 0.03)])
def test_ground_without_classes_is_found_as_well_as_its_points_are_measured(points_per_m2, noise_m, slope):
    """Lattice of 1 m: one point's noise is an upper bound of the mean's error; a quarter of the slope is the
    difference between a cell's middle and the mean of the points in it, at worst."""
    scan, cloud = scanned(points_per_m2=points_per_m2, noise_m=noise_m, slope=slope)
    ground = find_ground(cloud)
    off_m = off_truth_m(scan, ground.grid, ground.elevation_m)
    assert ground.origin == "morphological filter"
    assert np.sqrt(np.nanmean(off_m**2)) < noise_m + 0.02
    assert abs(np.nanmean(off_m)) < 0.02
    assert ground.noise_m == approx(noise_m, rel=0.35)


def test_hardly_a_point_of_houses_trees_or_noise_passes_for_ground_and_hardly_one_of_the_ground_is_lost():
    """Zhang et al. 2003, section IV, count both kinds of error at a few per cent; here the truth is exact."""
    scan, cloud = scanned()
    true = scanned("asprs")[0].classes
    found = find_ground(cloud).on_ground
    assert np.mean(~found[true == GROUND]) < 0.005
    above_m = cloud.elevation_m - scan.truth.bare_ground_m(cloud.east_m, cloud.north_m)
    assert not found[above_m > 0.7].any()
    assert not found[(true == LOW_NOISE) | (true == HIGH_NOISE)].any()


def test_the_ground_class_is_taken_where_there_is_one():
    scan, cloud = scanned("ground")
    ground = find_ground(cloud)
    assert ground.origin == "class 2"
    assert ground.notes == ()
    assert (ground.on_ground == (scan.classes == GROUND)).all()


def test_a_ground_class_of_a_few_points_is_no_ground_class():
    scan, _ = scanned()
    few = np.zeros(len(scan.points), dtype=np.uint8)
    few[:100] = GROUND
    assert find_ground(PointCloud.of(scan.points, few)).origin == "morphological filter"


def test_cells_without_points_stay_unknown_in_both_rasters():
    scan, cloud = scanned()
    grid = PlanGrid.covering(0.0, 0.0, 104.0, 86.0, 0.5)
    rasters = point_rasters(cloud, find_ground(cloud).on_ground, grid)
    east_m, north_m = np.meshgrid(*grid.centres_m())
    pond_east_m, pond_north_m, radius_m = scan.truth.ponds[0]
    in_pond = np.hypot(east_m - pond_east_m, north_m - pond_north_m) < radius_m - 0.8
    assert in_pond.sum() > 50
    assert np.isnan(rasters.surface_m[in_pond]).all()
    assert np.isnan(rasters.bare_m[in_pond]).all()
    assert (rasters.count[in_pond] == 0).all()
    house = scan.truth.houses[1]
    under_roof = np.isfinite(house.roof_m(east_m, north_m))
    assert np.isfinite(rasters.surface_m[under_roof]).mean() > 0.8
    assert np.isfinite(rasters.bare_m[under_roof]).mean() < 0.1
    assert (np.isnan(rasters.surface_m) == (rasters.count == 0)).all()
    assert (np.isnan(rasters.bare_m) == (rasters.ground_count == 0)).all()


def test_the_surface_is_the_highest_point_of_a_cell_and_knows_no_birds():
    scan, cloud = scanned("asprs")
    grid = PlanGrid.covering(0.0, 0.0, 104.0, 86.0, 1.0)
    rasters = point_rasters(cloud, find_ground(cloud).on_ground, grid)
    kept = (scan.classes != HIGH_NOISE) & (scan.classes != LOW_NOISE)
    assert np.nanmax(rasters.surface_m) == approx(scan.points[kept, 2].max(), abs=1e-4)
    left_out = cloud.elevation_m > np.quantile(cloud.elevation_m, 0.9)
    lower = point_rasters(cloud, find_ground(cloud).on_ground, grid, left_out=left_out)
    assert np.nanmax(lower.surface_m) == cloud.elevation_m[~left_out & kept].max()


def test_points_far_from_all_others_are_stray_and_wires_are_not():
    cloud, true = scanned()[1], scanned("asprs")[0].classes
    stray = stray_points(cloud)
    assert stray[true == HIGH_NOISE].all()
    assert not stray[(true != HIGH_NOISE) & (true != LOW_NOISE)].any()


def test_ground_far_from_every_ground_point_is_unknown():
    scan, cloud = scanned("asprs")
    west = cloud.select(~((scan.classes == GROUND) & (scan.points[:, 0] > 50.0)))
    ground = find_ground(west)
    assert np.isnan(ground.at([95.0], [40.0])).all()
    assert np.isfinite(ground.at([60.0], [40.0])).all()
    assert ground.error_m([60.0], [40.0])[0] > ground.error_m([30.0], [40.0])[0] + 0.2


def test_filling_carries_a_plane_across_a_hole():
    """A plane solves Laplace's equation. Tolerance: what the sweeps leave of a hole 18 cells wide, 1 % of its rise."""
    plane = np.add.outer(np.arange(40) * 0.3, np.arange(50) * 0.1)
    holed = plane.copy()
    holed[10:25, 12:30] = np.nan
    assert np.abs(filled(holed) - plane).max() < 0.05
    assert (filled(holed)[np.isfinite(holed)] == plane[np.isfinite(holed)]).all()
    assert np.isnan(filled(np.full((3, 3), np.nan))).all()


def test_bilinear_values_are_exact_on_a_plane_and_unknown_outside():
    grid = PlanGrid(0.0, 10.0, 2.0, 5, 4)
    east_m, north_m = np.meshgrid(*grid.centres_m())
    plane = 3.0 + 0.5 * east_m - 0.25 * north_m
    assert grid.at(plane, [3.3, 5.0], [4.1, 7.0]) == approx([3 + 1.65 - 1.025, 3 + 2.5 - 1.75])
    assert np.isnan(grid.at(plane, [-0.1, 4.0], [5.0, 10.1])).all()
    assert list(grid.cell_of([0.0, 7.9, 8.0], [9.9, 0.1, 5.0])) == [0, 19, -1]


@pytest.mark.parametrize("slope", [(0.3, 0.3), (0.3, -0.3), (-0.3, 0.3), (-0.3, -0.3)])
def test_steep_ground_is_found_up_to_the_edges_of_the_scan(slope):
    """A slope of 42 %; half a metre is what low leaves may leave on it, a lost corner is 3 m off."""
    scan, cloud = scanned(slope=slope, points_per_m2=5.0)
    ground = find_ground(cloud)
    assert np.abs(off_truth_m(scan, ground.grid, ground.elevation_m)).max() < 0.8


def test_echoes_below_the_ground_do_not_pull_it_down():
    """Forty single points 2 to 6 m below: near enough to the ground not to be stray."""
    scan, cloud = scanned()
    rng = np.random.default_rng(3)
    places = rng.uniform([4.0, 30.0], [100.0, 36.0], (40, 2))
    low_m = scan.truth.bare_ground_m(*places.T) - rng.uniform(2.0, 6.0, 40)
    points = np.concatenate([scan.points, np.column_stack([places, low_m])])
    ground = find_ground(PointCloud.of(points))
    assert not ground.on_ground[-40:].any()
    assert np.abs(ground.at(*places.T) - scan.truth.bare_ground_m(*places.T)).max() < 0.3
    assert len(cloud) == len(points) - 40


def test_two_points_alone_in_the_air_are_stray_and_three_are_not():
    flat = np.column_stack([np.random.default_rng(1).uniform(0.0, 100.0, (20_000, 2)), np.zeros(20_000)])
    birds = np.array(
        [[20.0, 20.0, 40.0], [20.5, 20.0, 40.0], [70.0, 70.0, 40.0], [70.5, 70.0, 40.0], [71.0, 70.0, 40.0]]
    )
    stray = stray_points(PointCloud.of(np.concatenate([flat, birds])))
    assert list(stray[-5:]) == [True, True, False, False, False]
    assert not stray[:-5].any()

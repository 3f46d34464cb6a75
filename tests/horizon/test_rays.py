"""Rays through a lattice, against pyproj's geodesics followed in steps of 5 cm and the bilinear formula by hand."""

import math

import numpy as np
import pytest
from pyproj import Geod, Transformer

from skysill.horizon.lattice import Grid
from skysill.horizon.rays import crossings, extent_m, ray_paths, reach_needed_m
from small_ground import CRS, ground_of, hills, spots

ELLIPSOID = Geod(ellps="WGS84")
SIDE = 24
HOLED = hills(SIDE, seed=7)
HOLED[5, 17] = np.nan


def on_lattice(ground, latitude, longitude, azimuth, along_m):
    """Column and row at distances along a geodesic."""
    a, b, c, d, e, f = ground.grid.transform
    count = len(along_m)
    east, north, _ = ELLIPSOID.fwd([longitude] * count, [latitude] * count, [azimuth] * count, along_m)
    x, y = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(east, north)
    x, y = np.asarray(x) - c, np.asarray(y) - f
    det = a * e - b * d
    return (e * x - b * y) / det, (a * y - d * x) / det


def bilinear(values, column, row):
    """Height between four nodes; nan outside, or where a node with weight is void."""
    rows, columns = values.shape
    if not (-1e-9 <= column <= columns - 1 + 1e-9 and -1e-9 <= row <= rows - 1 + 1e-9):
        return math.nan
    i, j = min(int(max(row, 0)), rows - 2), min(int(max(column, 0)), columns - 2)
    s, t = column - j, row - i
    total = 0.0
    for di, dj, weight in (
        (0, 0, (1 - s) * (1 - t)),
        (0, 1, s * (1 - t)),
        (1, 0, (1 - s) * t),
        (1, 1, s * t),
    ):
        if weight > 1e-6:
            total += weight * float(values[i + di, j + dj])
    return total


@pytest.mark.parametrize("azimuth", [3.0, 41.0, 77.0, 118.0, 163.0, 201.0, 249.0, 291.0, 338.0])
@pytest.mark.parametrize("start", [(8.3, 11.6), (2.0, 20.25), (22.9, 1.1)])
def test_every_crossing_is_found_in_order_at_its_height(azimuth, start):
    ground = ground_of(HOLED)
    latitude, longitude = (float(np.squeeze(part)) for part in spots(ground, *start))
    length_m = 30.0 * 30
    paths = ray_paths(
        ground.grid, latitude_deg=latitude, longitude_deg=longitude, azimuth_deg=azimuth, distance_m=length_m
    )
    steps = int(paths.length[0])
    seen = crossings(ground.grid, paths, 1, steps - 1)
    distance, height = seen.distance_m[0], seen.elevation_m[0]
    found = np.isfinite(distance)
    assert (np.diff(distance[found]) >= -1e-9).all()
    # lines of both axes crossed between the first and last sample: whole numbers passed along the geodesic
    along = np.arange(distance[found][0] - 0.05, distance[found][-1] + 0.075, 0.05)
    column, row = on_lattice(ground, latitude, longitude, azimuth, along)
    passed = np.sort(np.concatenate([along[1:][np.diff(np.floor(part)) != 0] for part in (column, row)]))
    assert len(passed) == found.sum()
    np.testing.assert_allclose(distance[found], passed, atol=0.1)
    columns, rows = on_lattice(ground, latitude, longitude, azimuth, distance[found])
    for at, (c, r) in enumerate(zip(columns, rows, strict=True)):
        c, r = (round(v) if abs(v - round(v)) < 2e-3 else v for v in (c, r))
        expected = bilinear(HOLED, c, r)
        if math.isnan(expected) or min(c, r, SIDE - 1 - c, SIDE - 1 - r) < 0.01:
            continue
        assert height[found][at] == pytest.approx(
            expected, abs=0.15
        )  # steep ground, two thousandths of a cell off
    outside = (columns < -0.01) | (rows < -0.01) | (columns > SIDE - 0.99) | (rows > SIDE - 0.99)
    assert np.isnan(height[found][outside]).all()
    inside = (columns > 0.01) & (rows > 0.01) & (columns < SIDE - 1.01) & (rows < SIDE - 1.01)
    assert np.isfinite(height[found][inside]).sum() >= inside.sum() - 6  # the void's own lines


def test_ground_on_the_last_lines_of_the_lattice_is_seen():
    values = np.full((6, 6), 10.0, np.float32)
    values[-1], values[:, -1] = 77.0, 55.0
    ground = ground_of(values)
    for start, azimuth, expected in (((2.5, 2.5), 180.0, 77.0), ((2.5, 2.5), 90.0, 55.0)):
        latitude, longitude = (float(np.squeeze(part)) for part in spots(ground, *start))
        paths = ray_paths(
            ground.grid, latitude_deg=latitude, longitude_deg=longitude, azimuth_deg=azimuth, distance_m=150.0
        )
        seen = crossings(ground.grid, paths, 1, int(paths.length[0]) - 1)
        assert np.nanmax(seen.elevation_m) == pytest.approx(expected)


def test_rays_enter_and_leave_where_the_geodesic_does():
    ground = ground_of(hills(SIDE, seed=3))
    starts = np.array([(10.0, 10.0), (-5.0, 12.0), (-5.0, 12.0), (23.0, -4.0)])
    azimuths = np.array([57.0, 90.0, 270.0, 200.0])
    latitude, longitude = spots(ground, starts[:, 0], starts[:, 1])
    paths = ray_paths(
        ground.grid, latitude_deg=latitude, longitude_deg=longitude, azimuth_deg=azimuths, distance_m=2000.0
    )
    enter, leave = extent_m(ground.grid, paths)
    along = np.arange(0.0, 2000.0, 0.25)
    for ray in range(4):
        column, row = on_lattice(ground, latitude[ray], longitude[ray], azimuths[ray], along)
        inside = (column >= 0) & (row >= 0) & (column <= SIDE - 1) & (row <= SIDE - 1)
        if not inside.any():
            assert np.isnan([enter[ray], leave[ray]]).all()
            continue
        assert enter[ray] == pytest.approx(along[inside][0], abs=0.5)
        assert leave[ray] == pytest.approx(along[inside][-1], abs=0.5)


@pytest.mark.parametrize(
    ("start", "azimuth"),
    [
        ((-10.0, 10.2), 45.0),
        ((-30.0, 30.1), 45.0),
        ((-7.0, 15.7), 135.0),
        ((30.0, 15.8), 225.0),
        ((35.0, 12.2), 315.0),
    ],
)
def test_a_ray_over_a_corner_of_the_lattice_meets_it_however_short_the_stretch(start, azimuth):
    ground = ground_of(hills(SIDE, seed=3))
    latitude, longitude = spots(ground, *start)
    path = ray_paths(
        ground.grid,
        latitude_deg=latitude,
        longitude_deg=longitude,
        azimuth_deg=[azimuth],
        distance_m=20_000.0,
    )
    enter, leave = extent_m(ground.grid, path)
    along = np.arange(0.0, 2500.0, 0.25)
    column, row = on_lattice(
        ground, float(np.squeeze(latitude)), float(np.squeeze(longitude)), azimuth, along
    )
    inside = (column >= 0) & (row >= 0) & (column <= SIDE - 1) & (row <= SIDE - 1)
    assert 1.0 < np.ptp(along[inside]) < 100.0  # chords are over 300 m long
    assert enter[0] == pytest.approx(along[inside][0], abs=0.5)
    assert leave[0] == pytest.approx(along[inside][-1], abs=0.5)


def test_a_distance_and_its_place_on_the_ray_lead_back_to_each_other():
    ground = ground_of(hills(SIDE, seed=3))
    latitude, longitude = spots(ground, np.array([3.2, 15.0]), np.array([20.7, 4.4]))
    paths = ray_paths(
        ground.grid,
        latitude_deg=latitude,
        longitude_deg=longitude,
        azimuth_deg=[25.0, 230.0],
        distance_m=600.0,
    )
    asked = np.array([[10.0, 300.0, 600.0], [10.0, 300.0, 600.0]])
    t = paths.t_at(asked)
    np.testing.assert_allclose(paths.distance_at(t), asked, atol=1e-6)
    columns, rows = paths.position_at(t)
    for ray in range(2):
        column, row = on_lattice(ground, latitude[ray], longitude[ray], (25.0, 230.0)[ray], asked[ray])
        np.testing.assert_allclose(columns[ray], column, atol=0.003)
        np.testing.assert_allclose(rows[ray], row, atol=0.003)
    second = paths.take(slice(1, 2))
    np.testing.assert_allclose(second.distance_at(t[1:]), asked[1:], atol=1e-6)


@pytest.mark.parametrize(
    ("elevation_deg", "antenna_m", "highest_m"),
    [(5.0, 100.0, 700.0), (24.0, 40.0, 720.0), (-0.5, 300.0, 250.0)],
)
def test_ground_farther_than_the_reach_stays_below_the_ray(elevation_deg, antenna_m, highest_m):
    """Law of sines on a sphere of 4/3 of the Earth's radius: where the ray is as high as the highest ground."""
    radius_m = 4.0 / 3.0 * 6_371_000.0
    reach = float(
        np.squeeze(
            reach_needed_m(
                elevation_deg=elevation_deg,
                antenna_elevation_m=antenna_m,
                highest_ground_m=highest_m,
                radius_m=radius_m,
            )
        )
    )
    theta = np.linspace(0.0, 0.05, 2_000_001)
    rise = math.radians(elevation_deg)
    with np.errstate(divide="ignore"):
        height = (radius_m + antenna_m) * math.cos(rise) / np.cos(theta + rise) - radius_m
    low = np.flatnonzero(height <= highest_m)
    assert reach == pytest.approx(radius_m * theta[low[-1]] if low.size else 0.0, abs=1.0)


@pytest.mark.parametrize("reach_m", [2000.0, 5000.0, 12_000.0])
@pytest.mark.parametrize("azimuth_deg", [20.0, 90.0, 271.0])
def test_a_single_short_ray_in_degrees_bends_as_the_geodesic_does(azimuth_deg, reach_m):
    """At 62 degrees north a geodesic to the east leaves its parallel by s**2 tan(62) / 2R: 3.7 m in 5 km."""
    grid = Grid(np.zeros((3, 3), np.float32), (1 / 3600, 0, 10.0, 0, -1 / 3600, 62.0), "EPSG:4326")
    path = ray_paths(
        grid, latitude_deg=62.0, longitude_deg=10.0, azimuth_deg=[azimuth_deg], distance_m=reach_m
    )
    along_m = np.linspace(10.0, reach_m, 60)
    lon, lat, _ = ELLIPSOID.fwd([10.0] * 60, [62.0] * 60, [azimuth_deg] * 60, along_m)
    lon, lat = np.array(lon), np.array(lat)
    column, row = path.position_at(path.t_at(along_m[None].copy()))
    assert column[0] == pytest.approx((lon - 10.0) * 3600.0, abs=0.01)
    assert row[0] == pytest.approx((62.0 - lat) * 3600.0, abs=0.01)


def test_a_ray_shorter_than_a_cell_is_inside_all_along():
    ground = ground_of(np.zeros((9, 9)))
    latitude, longitude = spots(ground, 4.2, 4.2)
    path = ray_paths(
        ground.grid, latitude_deg=latitude, longitude_deg=longitude, azimuth_deg=[0.0], distance_m=12.0
    )
    enter_m, leave_m = extent_m(ground.grid, path)
    assert enter_m[0] == 0.0
    assert leave_m[0] == pytest.approx(12.0, abs=1.0)

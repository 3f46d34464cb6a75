"""Terrain against the sky: brute force on real ground, shapes with closed-form angles, registration, voids, ends."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib import cbook
from pyproj import Geod, Transformer

from skysill.errors import InputError
from skysill.horizon.lattice import has_data, interpolate, lattice_position, within_m
from skysill.horizon.rays import extent_m
from skysill.horizon.silhouette import Silhouette, covered
from skysill.horizon.terrain import (
    Grid,
    HeldGrid,
    _spans,
    crossings,
    ground_at,
    path_profile,
    ray_paths,
    reach_needed_m,
    sight_slope,
    terrain_silhouette,
)
from skysill.units import local_earth_radius_m

GEOD = Geod(ellps="WGS84")
UTM = "EPSG:32627"
EAST, NORTH = 402_345.0, 6_433_210.0
LONGITUDE, LATITUDE = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(EAST, NORTH)


def utm_grid(height_m, *, half_m=3000.0, cell_m=30.0, east=EAST, north=NORTH, crs=UTM) -> Grid:
    """A square grid around the site; height_m(x, y) with metres from the site's map position."""
    axis = np.arange(-half_m, half_m + cell_m / 2, cell_m)
    x, y = np.meshgrid(axis, -axis)
    values = np.broadcast_to(np.asarray(height_m(x, y), np.float32), x.shape).copy()
    return Grid(values, (cell_m, 0.0, east - half_m, 0.0, -cell_m, north + half_m), crs)


def place(x: float, y: float, crs: str = UTM) -> dict[str, float]:
    longitude, latitude = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(
        EAST + x, NORTH + y
    )
    return {"latitude_deg": latitude, "longitude_deg": longitude}


def look(rasters, azimuth_deg, antenna_m, **more) -> Silhouette:
    """The whole terrain horizon at the site with usual settings."""
    settings = {
        "latitude_deg": LATITUDE,
        "longitude_deg": LONGITUDE,
        "highest_ground_m": 2000.0,
        "refraction_factor": 4 / 3,
    }
    return terrain_silhouette(
        rasters, antenna_elevation_m=antenna_m, azimuth_deg=azimuth_deg, **{**settings, **more}
    )


def tops(silhouette: Silhouette, azimuth_deg, *, beyond_m: float = 0.0) -> np.ndarray:
    """Highest elevation along each azimuth (every column belongs to exactly one of them)."""
    far = silhouette.distance_m >= beyond_m
    highest = np.full(len(azimuth_deg), -90.0)
    nearest = np.abs(np.subtract.outer(silhouette.azimuth_deg, azimuth_deg)).argmin(axis=1)
    np.maximum.at(highest, nearest[far], silhouette.elevation_deg[far])
    return highest


# ------------------------------------------------------------------------------------------ brute force on real ground


def jacksboro() -> Grid:
    """SRTM 3 arc second elevations of eastern Tennessee, as shipped with matplotlib (public domain).

    The stored `ymin` is a slip of sign: row 0 is the north edge at 36.44625, cells are 1/1200 degree.
    """
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as stored:
        heights, west = stored["elevation"].astype(np.float32), float(stored["xmin"])
    step = 1.0 / 1200.0
    return Grid(heights, (step, 0.0, west + step / 2, 0.0, -step, 36.44625 - step / 2), "EPSG:4326")


def brute_force_tops(
    grid: Grid, latitude, longitude, antenna_m, azimuth_deg, *, k, step_m, beyond_m
) -> np.ndarray:
    """Plain march along pyproj geodesics with bilinear heights; shares no code with the kernel."""
    z = grid.values.astype(float)
    distance = np.arange(beyond_m, 30_000.0, step_m)
    found = []
    for azimuth in azimuth_deg:
        lon, lat, _ = GEOD.fwd(*np.broadcast_arrays(longitude, latitude, azimuth, distance))
        col, row = (lon - grid.transform[2]) * 1200.0, (grid.transform[5] - lat) * 1200.0
        ok = (col >= 0) & (row >= 0) & (col < z.shape[1] - 1) & (row < z.shape[0] - 1)
        col, row, s = col[ok], row[ok], distance[ok]
        c, r = col.astype(int), row.astype(int)
        fc, fr = col - c, row - r
        upper, lower = z[r, c] * (1 - fc) + z[r, c + 1] * fc, z[r + 1, c] * (1 - fc) + z[r + 1, c + 1] * fc
        height = upper * (1 - fr) + lower * fr
        radius = k * float(local_earth_radius_m(latitude, azimuth))
        up = (radius + height) * np.cos(s / radius) - (radius + antenna_m)
        found.append(np.degrees(np.arctan2(up, (radius + height) * np.sin(s / radius))).max())
    return np.array(found)


@pytest.mark.parametrize(
    ("latitude", "longitude", "mast_m"), [(36.3301, -84.1838, 2.0), (36.2503, -84.2747, 10.0)]
)
def test_horizon_agrees_with_a_brute_force_march_at_a_twentieth_of_a_cell(latitude, longitude, mast_m):
    """360 azimuths on real ground; a peak between two lattice lines is all that the crossings can miss."""
    grid = jacksboro()
    raster = HeldGrid(grid, cell_size_m=92.6)
    ground_m, _ = ground_at([raster], latitude, longitude)
    antenna_m, azimuth = float(ground_m) + mast_m, np.arange(360.0)
    cell_m = 74.6  # 1/1200 degree of longitude here
    ours = look([raster], azimuth, antenna_m, latitude_deg=latitude, longitude_deg=longitude)
    ours_deg = tops(ours.kept(ours.reliable), azimuth)
    brute_deg = brute_force_tops(
        grid, latitude, longitude, antenna_m, azimuth, k=4 / 3, step_m=cell_m / 20, beyond_m=2 * 92.6
    )
    off = ours_deg - brute_deg
    assert np.sqrt(np.mean(off**2)) <= 0.02
    assert np.abs(off).max() <= 0.15
    assert abs(off.mean()) <= 0.01


def test_town_heights_of_the_real_grid_are_where_maps_put_them():
    """Known elevations (from memory, feet rounded to metres): Jacksboro 319 m, LaFollette 330 m, Rocky Top 260 m."""
    raster = HeldGrid(jacksboro(), cell_size_m=92.6)
    height, _ = ground_at([raster], [36.3301, 36.3829, 36.2198], [-84.1838, -84.1200, -84.1547])
    assert np.abs(height - [319.0, 330.0, 260.0]).max() < 15.0


# ----------------------------------------------------------------------------------------------------- analytic shapes


def test_wall_at_a_known_distance_is_seen_at_its_angle():
    """A wall 40 m above the eye on every lattice line 900 m north: atan(40/900), less the drop d^2/2kR (0.048 m)."""
    raster = HeldGrid(utm_grid(lambda x, y: np.where(y > 899.0, 140.0, 100.0)))
    seen = look([raster], [convergence_deg()], 100.0)
    scale = map_scale()
    top = tops(seen, [convergence_deg()])[0]
    drop = (900.0 / scale) ** 2 / (2 * 4 / 3 * 6_371_000)
    assert top == pytest.approx(np.degrees(np.arctan((40.0 - drop) / (900.0 / scale))), abs=2e-4)
    assert seen.distance_m[seen.elevation_deg.argmax()] == pytest.approx(np.hypot(900.0, 40.0), rel=5e-4)


def convergence_deg() -> float:
    """True azimuth of grid north at the site, from pyproj alone."""
    north = place(0.0, 1000.0)
    return GEOD.inv(LONGITUDE, LATITUDE, north["longitude_deg"], north["latitude_deg"])[0] % 360.0


def map_scale() -> float:
    north = place(0.0, 1000.0)
    return 1000.0 / GEOD.inv(LONGITUDE, LATITUDE, north["longitude_deg"], north["latitude_deg"])[2]


def test_cone_is_seen_at_its_slope_from_every_side():
    """From the apex of a funnel of slope 0.2 every azimuth looks at atan(0.2), but for the drop (0.2 m at 2 km)."""
    raster = HeldGrid(
        utm_grid(lambda x, y: 0.2 * np.hypot(x, y), half_m=2000.0, cell_m=10.0), cell_size_m=200.0
    )
    azimuth = np.arange(0.0, 360.0, 7.0)
    seen = look([raster], azimuth, 0.0)
    top = tops(seen.kept(seen.reliable), azimuth)
    assert (
        np.abs(top - np.degrees(np.arctan(0.2))).max() < 0.012
    )  # map scale 0.9997, drop, chords of the cone


@pytest.mark.parametrize(
    ("distance", "rise", "k1", "k43"),
    [
        (1000, 20, 1.14127, 1.14239),
        (10_000, 100, 0.52798, 0.53922),
        (30_000, 500, 0.81998, 0.85369),
        (50_000, 1000, 0.92101, 0.97720),
    ],
)
def test_elevation_angle_with_the_drop_of_the_earth(distance, rise, k1, k43):
    """Angles of dh - D^2/2kR at D (R = 6371 km): plain arithmetic, three decimals kept.

    The exact sphere differs from the parabola by z/R in the height: under 2e-4 degree here.
    """
    for k, expected in ((1.0, k1), (4 / 3, k43)):
        slope = sight_slope(
            np.array([float(distance)]),
            np.array([float(rise)]),
            antenna_elevation_m=0.0,
            radius_m=k * 6_371_000.0,
        )
        assert np.degrees(np.arctan(slope))[0] == pytest.approx(expected, abs=2e-4)


def test_sight_slope_is_exact_on_the_sphere():
    distance = np.geomspace(1.0, 500e3, 200)
    radius = 8.5e6
    up = (radius + 900.0) * np.cos(distance / radius) - (radius + 50.0)
    exact = up / ((radius + 900.0) * np.sin(distance / radius))
    got = sight_slope(distance, np.full(200, 900.0), antenna_elevation_m=50.0, radius_m=radius)
    assert np.abs(got - exact).max() < 2e-8  # at 1 m the plain formula itself keeps only 1e-9 m of 8.5e6
    assert np.abs(got - exact)[50:].max() < 1e-10


def test_level_sea_dips_below_the_horizontal_by_the_textbook_amount():
    """Dip of the sea horizon sqrt(2h/kR) in radians (any navigation text), h = 100 m."""
    raster = HeldGrid(utm_grid(lambda x, y: 0.0, half_m=60_000.0, cell_m=200.0), cell_size_m=200.0)
    azimuth = np.array([45.0, 200.0])
    top = tops(look([raster], azimuth, 100.0, highest_ground_m=0.0), azimuth)
    radius = 4 / 3 * local_earth_radius_m(LATITUDE, azimuth)
    assert np.abs(top + np.degrees(np.sqrt(200.0 / radius))).max() < 2e-4


def test_antenna_and_rays_share_one_lattice():
    """On a tilted plane the antenna's ground and the ground seen uphill lie on the plane, wherever the antenna is.

    Half a cell of slip between them would show as 0.5 x 30 m x slope of false height at the first samples.
    """
    raster = HeldGrid(utm_grid(lambda x, y: 100.0 + 0.3 * x - 0.2 * y))
    azimuth = np.arange(0.0, 360.0, 5.0)
    for x, y in ((0.0, 0.0), (7.0, -11.0), (14.9, 14.9), (-29.0, 3.0)):
        ground, _ = ground_at([raster], **place(x, y))
        assert float(ground) == pytest.approx(100.0 + 0.3 * x - 0.2 * y, abs=1e-3)
        seen = look([raster], azimuth, float(ground), max_distance_m=500.0, **place(x, y))
        grid_azimuth = np.radians(azimuth - convergence_deg())
        plane = np.degrees(np.arctan((0.3 * np.sin(grid_azimuth) - 0.2 * np.cos(grid_azimuth)) * map_scale()))
        assert (
            np.abs(tops(seen, azimuth) - plane).max() < 0.006
        )  # 500 m: drop of 15 mm over as little as 0.3 m


def test_the_same_ground_in_a_map_projection_and_in_degrees_gives_the_same_horizon():
    """Hills laid out 2.9 degrees off the central meridian, where grid north is 2.5 degrees off true north."""
    geographic, projected = twin_grids()
    azimuth = np.arange(0.0, 360.0, 2.0)
    site = {"latitude_deg": 58.03, "longitude_deg": -18.12}
    seen = [
        look([HeldGrid(g)], azimuth, 120.0, **site, max_distance_m=8000.0) for g in (geographic, projected)
    ]
    north = [tops(one, azimuth, beyond_m=100.0) for one in seen]
    assert np.abs(north[0] - north[1]).max() < 0.03  # the smooth field is sampled on two different lattices


def field(latitude, longitude):
    """Smooth invented hills, as a function of position."""
    x, y = (longitude + 18.12) * 59_000.0, (latitude - 58.03) * 111_400.0
    return 60.0 + 90.0 * np.sin(x / 700.0) * np.cos(y / 900.0) + 60.0 * np.sin((x + 2 * y) / 1500.0)


def twin_grids() -> tuple[Grid, Grid]:
    step_lat, step_lon = 1 / 5400, 1 / 3600  # cells 20.6 m by 16.4 m
    lat = 58.03 + step_lat * np.arange(500, -501, -1)
    lon = -18.12 + step_lon * np.arange(-600, 601)
    heights = field(lat[:, None], lon[None, :]).astype(np.float32)
    geographic = Grid(heights, (step_lon, 0.0, lon[0], 0.0, -step_lat, lat[0]), "EPSG:4326")
    to_map = Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    east, north = to_map.transform(-18.12, 58.03)
    x, y = np.meshgrid(east + 20.0 * np.arange(-450, 451), north - 20.0 * np.arange(-450, 451))
    back_lon, back_lat = to_map.transform(x, y, direction="INVERSE")
    return geographic, Grid(
        field(back_lat, back_lon).astype(np.float32), (20.0, 0, x[0, 0], 0, -20.0, y[0, 0]), UTM
    )


def test_a_rotated_raster_gives_the_same_horizon():
    turn = np.radians(30.0)
    index = np.arange(-300.0, 301.0)
    col, row = np.meshgrid(index, index)
    a, b, d, e = 20 * np.cos(turn), 20 * np.sin(turn), 20 * np.sin(turn), -20 * np.cos(turn)
    shape = lambda x, y: 80 * np.sin(x / 500) + 60 * np.cos(y / 700)  # noqa: E731  # used twice, one line
    turned = Grid(shape(a * col + b * row, d * col + e * row).astype(np.float32),
                  (a, b, EAST - 300 * (a + b), d, e, NORTH - 300 * (d + e)), UTM)  # fmt: skip
    straight = utm_grid(shape, half_m=6000.0, cell_m=20.0)
    azimuth = np.arange(0.0, 360.0, 3.0)
    one, two = (
        tops(look([HeldGrid(g)], azimuth, 110.0, max_distance_m=3900.0), azimuth) for g in (turned, straight)
    )
    assert np.abs(one - two).max() < 0.05


def test_feet_coordinates_are_measured_in_metres():
    """EPSG:2264 is laid out in US survey feet; 3000 of them are 914.402 m. The wall is seen at atan(50/914.4)."""
    to_feet = Transformer.from_crs("EPSG:4326", "EPSG:2264", always_xy=True)
    east, north = to_feet.transform(-80.0, 35.5)
    axis = np.arange(-5000.0, 5001.0, 100.0)
    heights = np.broadcast_to(np.where(axis > 2999.0, 150.0, 100.0), (axis.size, axis.size))
    grid = Grid(heights.astype(np.float32), (100.0, 0, east - 5000.0, 0, -100.0, north + 5000.0), "EPSG:2264")
    ahead = to_feet.transform(east + 3000.0, north, direction="INVERSE")
    azimuth = GEOD.inv(-80.0, 35.5, *ahead)[0]
    seen = look(
        [HeldGrid(grid)], [azimuth], 100.0, latitude_deg=35.5, longitude_deg=-80.0, refraction_factor=1e9
    )
    assert tops(seen, [azimuth])[0] == pytest.approx(np.degrees(np.arctan(50.0 / 914.402)), abs=5e-4)


# ------------------------------------------------------------------------------------------------------- rays as curves


@pytest.mark.parametrize(
    ("crs", "latitude", "longitude"),
    [("EPSG:32627", 58.0, -24.6), ("EPSG:32627", 62.0, -18.5), ("EPSG:4326", 62.0, 10.0), ("EPSG:4326", 75.0, 10.0),
     ("EPSG:3035", 48.0, 20.0), ("EPSG:3413", 78.0, 15.0), ("EPSG:4326", -36.9, 179.9)],
)  # fmt: skip
def test_rays_stay_within_a_tenth_of_a_cell_at_fifty_kilometres(crs, latitude, longitude):
    """Against pyproj's geodesic and projection at 500 places on each of 24 rays."""
    degrees = crs == "EPSG:4326"
    x0, y0 = (
        (longitude, latitude)
        if degrees
        else Transformer.from_crs(4326, crs, always_xy=True).transform(longitude, latitude)
    )
    cell = 1 / 3600 if degrees else 30.0
    grid = Grid(np.zeros((3, 3), np.float32), (cell, 0, x0, 0, -cell, y0), crs)
    azimuth = np.arange(0.0, 360.0, 15.0)
    paths = ray_paths(
        grid, latitude_deg=latitude, longitude_deg=longitude, azimuth_deg=azimuth, distance_m=50e3
    )
    distance = np.linspace(10.0, 50e3, 500)
    lon, lat, _ = GEOD.fwd(*np.broadcast_arrays(longitude, latitude, azimuth[:, None], distance[None, :]))
    col, row = lattice_position(grid, lat, lon)
    got_col, got_row = paths.position_at(paths.t_at(np.broadcast_to(distance, (24, 500)).copy()))
    off = np.hypot(got_col - col, got_row - row)
    assert off.max() < (0.1 if latitude > 70 and degrees else 0.01)


def test_samples_are_where_rays_cross_lattice_lines(rng):
    """Every sample lies on a lattice line, in order of distance, with the bilinear height of that point."""
    grid = utm_grid(lambda x, y: rng.normal(100.0, 40.0, x.shape), half_m=1500.0)
    azimuth = rng.uniform(0.0, 360.0, 60)
    paths = ray_paths(
        grid, latitude_deg=LATITUDE, longitude_deg=LONGITUDE, azimuth_deg=azimuth, distance_m=1600.0
    )
    seen = crossings(grid, paths, 0, 40)
    real = ~np.isnan(seen.distance_m)
    col, row = paths.position_at(paths.t_at(np.where(real, seen.distance_m, 1.0)))
    off_line = np.minimum(np.abs(col - np.round(col)), np.abs(row - np.round(row)))[real]
    assert off_line.max() < 1e-6
    ordered = [line[~np.isnan(line)] for line in seen.distance_m]
    assert all((np.diff(line) >= -1e-6).all() for line in ordered)
    height = interpolate(grid, np.where(real, col, 0.0), np.where(real, row, 0.0))
    assert np.nanmax(np.abs(height - seen.elevation_m)[real]) < 1e-2
    for ray in range(60):
        c, r = col[ray, real[ray]], row[ray, real[ray]]
        expected = abs(round(c[-1] - c[0])) + abs(round(r[-1] - r[0]))
        assert abs(real[ray].sum() - expected) <= 2


def test_rays_may_start_in_many_places_at_once(rng):
    grid = utm_grid(lambda x, y: x)
    latitude, longitude = (
        LATITUDE + rng.uniform(-0.005, 0.005, 20),
        LONGITUDE + rng.uniform(-0.005, 0.005, 20),
    )
    together = ray_paths(
        grid, latitude_deg=latitude, longitude_deg=longitude, azimuth_deg=33.0, distance_m=900.0
    )
    for at in range(20):
        alone = ray_paths(
            grid, latitude_deg=latitude[at], longitude_deg=longitude[at], azimuth_deg=33.0, distance_m=900.0
        )
        t = np.array([[5.0, 20.0]])
        np.testing.assert_allclose(
            together.take(np.array([at])).position_at(t), alone.position_at(t), atol=0.01
        )


def test_entering_and_leaving_distances(rng):
    grid = utm_grid(lambda x, y: 0.0, half_m=900.0)
    south = place(0.0, -3000.0)
    azimuth = [convergence_deg(), convergence_deg() + 90.0]
    paths = ray_paths(grid, **south, azimuth_deg=azimuth, distance_m=within_m(grid, **south))
    enter, leave = extent_m(grid, paths)
    assert enter[0] == pytest.approx(2100.0, rel=1e-3)
    assert leave[0] == pytest.approx(3900.0, rel=1e-3)
    assert np.isnan(enter[1])
    assert np.isnan(leave[1])


# ------------------------------------------------------------------------------------- how far, what is known, what not


def test_reach_needed_is_where_the_ray_leaves_the_highest_ground():
    """Triangle solved the other way: at that distance ground of that height is seen at just that elevation."""
    elevation = np.array([0.5, 5.0, 20.0, 50.0, 89.0, -0.3])
    distance = reach_needed_m(40.0, elevation, highest_ground_m=720.0, radius_m=8.5e6)
    seen = np.degrees(
        np.arctan(sight_slope(distance, np.full(6, 720.0), antenna_elevation_m=40.0, radius_m=8.5e6))
    )
    np.testing.assert_allclose(seen, elevation, atol=1e-6)
    assert reach_needed_m(900.0, 10.0, highest_ground_m=720.0, radius_m=8.5e6) == 0.0
    assert np.isnan(reach_needed_m(np.nan, 10.0, highest_ground_m=720.0, radius_m=8.5e6))


def test_every_step_of_the_running_maximum_is_kept():
    """Low near edges stay: steps climb both in distance and in elevation, and the near step is the near bank."""
    raster = HeldGrid(utm_grid(lambda x, y: np.where(y > 1999, 300.0, np.where(y > 59, 110.0, 100.0))))
    seen = look([raster], [0.0], 102.0)
    assert (np.diff(seen.distance_m) > 0).all()
    assert (np.diff(seen.elevation_deg) > 0).all()
    assert any(
        abs(d - 60.0) < 1.0 and e > 7.0 for d, e in zip(seen.distance_m, seen.elevation_deg, strict=True)
    )
    assert seen.elevation_deg[-1] > 5.5


def test_reach_is_infinite_only_if_ground_beyond_could_not_matter():
    raster = HeldGrid(utm_grid(lambda x, y: 100.0))
    near = look([raster], [180.0], 102.0, ray_elevation_deg=20.0, highest_ground_m=720.0)
    assert near.reach_m[0] == np.inf  # 720 m of ground cannot reach a 20 degree ray beyond 1.7 km
    far = look([raster], [180.0], 102.0, ray_elevation_deg=20.0, highest_ground_m=8849.0)
    assert far.reach_m[0] == pytest.approx(3000.0, rel=2e-3)  # the raster stops there, 24 km were needed
    assert covered(near, [180.0], reach_m=1e9).all()
    assert not covered(far, [180.0], reach_m=24_000.0).any()


def test_a_void_stops_the_reach_but_not_the_columns():
    def ground(x, y):
        heights = np.where(y > 1990.0, 700.0, 100.0)
        return np.where((np.abs(y - 1000.0) < 16) & (np.abs(x) < 200), np.nan, heights)

    raster = HeldGrid(utm_grid(ground))
    azimuth = np.array([0.0, 90.0, 180.0])
    seen = look([raster], azimuth, 102.0, ray_elevation_deg=10.0, highest_ground_m=720.0)
    assert 900.0 < seen.reach_m[0] < 1000.0
    assert (seen.reach_m[1:] == np.inf).all() or (seen.reach_m[1:] > 2990.0).all()
    assert tops(seen, azimuth)[0] == pytest.approx(np.degrees(np.arctan(598.0 / 2010.0)), abs=0.3)


def test_a_void_at_the_dish_leaves_every_azimuth_unknown():
    """Rays that start in a hole are followed, but no source has looked at their first metres."""
    raster = HeldGrid(utm_grid(lambda x, y: np.where(np.hypot(x, y) < 150.0, np.nan, 100.0 + 0.0 * x)))
    azimuth = np.array([0.0, 77.0, 190.0])
    seen = look([raster], azimuth, 102.0, ray_elevation_deg=10.0, highest_ground_m=720.0)
    assert (seen.reach_m == 0.0).all()
    assert not covered(seen, azimuth, reach_m=1.0).any()
    assert len(seen) > 0


@pytest.mark.parametrize("voids", [0, 40])
def test_passing_over_low_ground_changes_nothing(rng, voids):
    """Tops and reach equal those read off every crossing of every ray, followed to the end."""
    grid = utm_grid(
        lambda x, y: 150 + 60 * np.sin(x / 400) * np.cos(y / 300) + 0.02 * np.abs(x), half_m=9000.0
    )
    grid.values[rng.integers(0, 600, voids), rng.integers(0, 600, voids)] = np.nan
    grid = Grid(grid.values, grid.transform, grid.crs)
    azimuth = np.arange(0.0, 360.0, 5.0) + 0.3
    seen = look([HeldGrid(grid)], azimuth, 230.0)
    paths = ray_paths(
        grid, latitude_deg=LATITUDE, longitude_deg=LONGITUDE, azimuth_deg=azimuth, distance_m=13_000.0
    )
    every = crossings(grid, paths, 0, 440)
    radius = 4 / 3 * local_earth_radius_m(LATITUDE, azimuth)[:, None]
    slope = sight_slope(every.distance_m, every.elevation_m, antenna_elevation_m=230.0, radius_m=radius)
    slope[every.distance_m < 60.0] = np.nan
    top = np.degrees(np.arctan(np.nanmax(slope, axis=1)))
    ours = tops(seen.kept(seen.reliable), azimuth)
    assert (ours >= top - 1e-9).all()
    assert (ours <= top + 0.02).all()  # crests inside cells
    for ray in range(azimuth.size):
        real = ~np.isnan(every.distance_m[ray])
        distance, known = every.distance_m[ray, real], ~np.isnan(every.elevation_m[ray, real])
        first_gap = known.argmin()
        if seen.reach_m[ray] < np.inf:
            assert distance[first_gap - 1] - 1e-6 <= seen.reach_m[ray] <= distance[first_gap] + 1e-6


def test_no_height_comes_from_a_void_corner():
    values = np.full((5, 5), 50.0, np.float32)
    values[2, 2] = np.nan
    grid = Grid(values, (30.0, 0, EAST, 0, -30.0, NORTH), UTM)
    col, row = np.meshgrid(np.linspace(0, 4, 41), np.linspace(0, 4, 41))
    beside = (np.abs(col - 2) < 0.999) & (np.abs(row - 2) < 0.999)
    height = interpolate(grid, col, row)
    assert np.isnan(height[beside]).all()
    assert not has_data(grid, col, row)[beside].any()
    assert (has_data(grid, col, row) == ~np.isnan(height)).all()
    assert np.isnan(interpolate(grid, [-0.01, 4.01], [1.0, 1.0])).all()


def test_outside_every_raster_nothing_is_known():
    raster = HeldGrid(utm_grid(lambda x, y: 100.0))
    away = place(9000.0, 0.0)
    height, said = ground_at([raster], **away)
    assert np.isnan(height)
    assert said == -1
    seen = look([raster], [0.0, 90.0], 102.0, **away)
    assert len(seen) == 0
    assert (seen.reach_m == 0.0).all()
    assert (seen.fine_reach_m == 0.0).all()
    assert len(look([], [0.0], 100.0)) == 0


def test_ground_ahead_counts_even_if_the_site_is_outside_the_raster():
    raster = HeldGrid(utm_grid(lambda x, y: np.where(np.abs(y) < 16.0, 400.0, 100.0)))
    south = place(0.0, -5000.0)
    seen = look([raster], [convergence_deg()], 100.0, **south)
    assert seen.reach_m[0] == 0.0
    assert tops(seen, [convergence_deg()])[0] == pytest.approx(
        np.degrees(np.arctan(300.0 / 5000.0)), abs=0.03
    )


def test_each_stretch_comes_from_the_finest_raster_with_data():
    fine = HeldGrid(
        utm_grid(lambda x, y: 110.0, half_m=300.0, cell_m=1.0),
        name="village",
        kind="surface",
        cell_size_m=1.0,
    )
    coarse = HeldGrid(
        utm_grid(lambda x, y: np.where(np.hypot(x, y) < 250.0, 500.0, 100.0 + 0.3 * np.hypot(x, y))),
        name="island",
    )
    azimuth = np.arange(0.0, 360.0, 10.0)
    seen = look([fine, coarse], azimuth, 112.0, ray_elevation_deg=8.0, highest_ground_m=1400.0)
    near = seen.distance_m < 280.0
    assert (seen.feature[near] == 0).all()
    assert (
        seen.elevation_deg[near] < 0.0
    ).all()  # the coarse raster's false hill inside the fine one is not believed
    assert (seen.feature[seen.distance_m > 500.0] == 1).all()
    assert (seen.features[0].kind, seen.features[1].kind) == ("surface", "ground")
    assert np.allclose(seen.fine_reach_m[0], 300.0, atol=1.0)
    assert (seen.reach_m > 2990.0).all()


def test_a_fine_raster_with_a_hole_is_filled_by_the_coarse_one():
    def village(x, y):
        return np.where((np.abs(x) < 40) & (np.abs(y - 150) < 10), np.nan, 110.0)

    fine = HeldGrid(utm_grid(village, half_m=300.0, cell_m=1.0), kind="surface", cell_size_m=1.0)
    coarse = HeldGrid(utm_grid(lambda x, y: 100.0))
    seen = look([fine, coarse], [0.0, 180.0], 112.0, ray_elevation_deg=20.0, highest_ground_m=300.0)
    assert (seen.reach_m == np.inf).all()
    assert seen.fine_reach_m[0] == pytest.approx(139.0, abs=1.5)
    assert seen.fine_reach_m[1] == pytest.approx(300.0, abs=0.5)


def test_two_rasters_edge_to_edge_leave_no_gap():
    whole = utm_grid(lambda x, y: 100.0 + 0 * x)
    south = Grid(
        whole.values[100:], (30.0, 0, whole.transform[2], 0, -30.0, whole.transform[5] - 3000.0), UTM
    )
    north = Grid(whole.values[:100], whole.transform, UTM)
    seen = look(
        [HeldGrid(north), HeldGrid(south)],
        [0.0],
        130.0,
        **place(0.0, -900.0),
        ray_elevation_deg=12.0,
        highest_ground_m=500.0,
    )
    assert seen.reach_m[0] == np.inf


def test_a_bare_raster_set_first_gives_no_near_evidence():
    bare = HeldGrid(utm_grid(lambda x, y: 100.0, half_m=300.0, cell_m=0.5), cell_size_m=0.5)
    surface = HeldGrid(
        utm_grid(lambda x, y: 120.0, half_m=300.0, cell_m=1.0), kind="surface", cell_size_m=1.0
    )
    assert (look([bare, surface], [0.0, 90.0], 125.0).fine_reach_m == 0.0).all()
    assert (look([surface, bare], [0.0, 90.0], 125.0).fine_reach_m > 290.0).all()


def test_coarse_cells_are_not_assured_nearer_than_two_of_them():
    rough = lambda x, y: 100.0 + np.hypot(x, y) ** 1.5 / 30.0  # noqa: E731  # used twice, one line
    coarse, fine = (
        look([HeldGrid(utm_grid(rough, cell_m=c, half_m=900.0), cell_size_m=c)], [10.0], 100.0)
        for c in (30.0, 2.0)
    )
    np.testing.assert_array_equal(
        coarse.reliable, coarse.distance_m * np.cos(np.radians(coarse.elevation_deg)) >= 60.0
    )
    assert not coarse.reliable.all()
    assert fine.reliable.all()


def test_vertical_error_becomes_an_angle():
    """A 4 m error at 90 % (sigma 2.43 m) is 1.4 degrees at 100 m and 0.14 at 1 km: atan(2.43/d)."""
    raster = HeldGrid(utm_grid(lambda x, y: 100.0 + 0.05 * np.hypot(x, y) ** 1.1), vertical_error_m=2.43)
    seen = look([raster], [0.0], 100.0)
    sigma = np.interp([100.0, 1000.0], seen.distance_m, np.asarray(seen.sigma_deg))
    assert sigma == pytest.approx([1.4, 0.14], rel=0.05)


def test_ground_above_the_height_given_is_noticed():
    raster = HeldGrid(utm_grid(lambda x, y: np.where(y > 1990.0, 900.0, 100.0)))
    seen = look([raster], [0.0], 102.0, ray_elevation_deg=20.0, highest_ground_m=300.0)
    assert tops(seen, [0.0])[0] > 20.0
    assert "ground of 900 m, above the 300 m given as the highest (type highest_ground_m)" in seen.notes[0]


def test_looking_less_far_than_needed_is_said():
    raster = HeldGrid(utm_grid(lambda x, y: 100.0))
    seen = look([raster], [0.0], 102.0, max_distance_m=1000.0)
    assert seen.reach_m[0] == pytest.approx(1000.0)


def test_spans_meet_halfway_and_leave_wide_gaps_open():
    raster = HeldGrid(utm_grid(lambda x, y: 100.0))
    seen = look([raster], [350.0, 352.0, 353.0, 90.0, 94.0], 102.0, max_distance_m=500.0)
    assert covered(seen, [349.0, 351.9, 353.5, 88.0, 96.0]).all()
    assert not covered(seen, [348.9, 353.6, 10.0, 87.9, 96.1, 200.0]).any()
    circle = look([raster], np.arange(360.0), 102.0, max_distance_m=500.0)
    assert covered(circle, np.linspace(0, 360, 1441), reach_m=499.0).all()


# ------------------------------------------------------------------------------------------------------ path profile


def test_path_profile_follows_the_ground_and_says_what_is_unknown():
    def ground(x, y):
        return np.where((np.abs(y - 1000) < 50) & (np.abs(x) < 200), np.nan, 100.0 + 0.05 * y)

    azimuth = convergence_deg()
    profile = path_profile(
        [HeldGrid(utm_grid(ground))], latitude_deg=LATITUDE, longitude_deg=LONGITUDE, antenna_elevation_m=102.0,
        azimuth_deg=azimuth, distance_m=4000.0, refraction_factor=4 / 3,
    )  # fmt: skip
    assert (np.diff(profile.distance_m) >= 0).all()
    assert profile.distance_m[0] == 0.0
    assert profile.distance_m[-1] == pytest.approx(4000.0)
    known = profile.raster >= 0
    expected = 100.0 + 0.05 * profile.distance_m[known] * map_scale()
    np.testing.assert_allclose(profile.elevation_m[known], expected, atol=0.02)
    assert np.isnan(profile.elevation_m[~known]).all()
    assert ((profile.distance_m[~known] > 900) & (profile.distance_m[~known] < 1100)).any()
    assert (profile.distance_m[~known] > 3010).any()
    angle = np.degrees(np.arctan2(profile.rise_m, profile.level_m))[known][1:]
    slope = sight_slope(profile.distance_m[known][1:], profile.elevation_m[known][1:], antenna_elevation_m=102.0,
                        radius_m=profile.radius_m)  # fmt: skip
    np.testing.assert_allclose(angle, np.degrees(np.arctan(slope)), atol=1e-6)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20_261_125)


@pytest.mark.parametrize(("length_m", "ridge_m"), [(27_000.0, 0.0), (12_900.0, 40.0)])
def test_a_plain_far_below_the_dish_is_seen_out_to_its_end(length_m, ridge_m):
    """240 m down: each step out stands higher. A ridge of 40 m at 10 km hides the plain only as far as 12 km."""
    rows = np.arange(0.0, length_m + 1.0, 30.0)
    values = np.full((rows.size, 61), 300.0, np.float32)
    values[rows.size - 1 - round(10_000.0 / 30.0)] += ridge_m
    grid = Grid(values, (30.0, 0.0, EAST - 900.0, 0.0, -30.0, NORTH + length_m), UTM)
    azimuth = [convergence_deg()]
    seen = look([HeldGrid(grid)], azimuth, 540.0)
    radius_m = 4.0 / 3.0 * local_earth_radius_m(LATITUDE, azimuth[0])

    def angle_deg(along_m, height_m):
        theta = along_m / 0.9997 / radius_m  # a UTM grid metre 1.6 degrees from its meridian: NGA.STND.0037
        return np.degrees(
            np.arctan2(
                (radius_m + height_m) * np.cos(theta) - radius_m - 540.0,
                (radius_m + height_m) * np.sin(theta),
            )
        )

    assert angle_deg(length_m, 300.0) > angle_deg(9990.0, 340.0) or not ridge_m
    assert tops(seen, azimuth)[0] == pytest.approx(angle_deg(length_m, 300.0), abs=2e-3)
    assert seen.distance_m.max() == pytest.approx(length_m, rel=3e-3)


def test_a_lone_azimuth_speaks_for_itself_only():
    """Neighbours more than 5 degrees away on both sides, as documented."""
    assert _spans(np.array([10.0, 100.0, 103.0])).tolist() == [[10.0, 10.0], [98.5, 101.5], [101.5, 104.5]]


class Elsewhere:
    """A raster that has nothing near the place asked for."""

    name, kind, cell_size_m, vertical_error_m = "far.tif", "bare", 30.0, 3.0

    def window(self, latitude_deg, longitude_deg, radius_m):
        return None


def test_a_raster_without_a_window_here_leaves_the_word_to_the_next():
    plain = HeldGrid(utm_grid(lambda x, y: 70.0 + 0.0 * x))
    height_m, which = ground_at([Elsewhere(), plain], [LATITUDE], [LONGITUDE])
    assert (height_m.tolist(), which.tolist()) == ([70.0], [1])
    none_m, nobody = ground_at([Elsewhere()], [LATITUDE], [LONGITUDE])
    assert np.isnan(none_m).all()
    assert nobody.tolist() == [-1]
    assert ground_at([plain], [], [])[0].shape == (0,)


def test_a_dish_of_unknown_elevation_is_refused():
    with pytest.raises(InputError, match="the dish centre's elevation is not known"):
        look([HeldGrid(utm_grid(lambda x, y: 0.0))], [0.0], float("nan"))

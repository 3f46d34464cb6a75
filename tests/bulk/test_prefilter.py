"""Bounds that settle most places: they may ask too many, never too few; each against all ground looked at."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from pyproj import Geod

from skysill.bulk.prefilter import (
    Ground,
    cache_order,
    cell_axes,
    cells_along_ray as cells_ahead,
    densest_cells_per_m,
    locate_places,
    may_come_near,
    may_come_near_upright,
)
from skysill.horizon.lattice import Grid
from skysill.pointing.look_vector import look_vector
from small_ground import (
    angle_deg,
    asked_of,
    bilinear,
    direction,
    ground_of,
    hills,
    off_column_deg,
    on_lattice,
    over_sphere,
    places_at,
    radius_along_m,
    room_deg,
    spots,
)

ASKED = asked_of(-20.0)


def test_ground_nearer_than_two_coarse_cells_is_not_counted():
    """The chain's rule for cells over 2 m; finer ones count from a quarter of a metre."""
    flat = np.zeros((8, 8), np.float32)
    assert [ground_of(flat, cell_m=cell).near_m for cell in (30.0, 2.5, 2.0, 1.0)] == [60.0, 5.0, 0.25, 0.25]
    source = ground_of(flat, kind="surface", error_m=0.7).source
    assert (source.name, source.kind, source.cell_size_m, source.vertical_error_m) == (
        "small.tif",
        "surface",
        30.0,
        0.7,
    )


@pytest.mark.parametrize("longitude", [-20.0, -85.0])
@pytest.mark.parametrize("highest_m", [100.0, 1500.0])
def test_places_have_their_ground_their_ray_and_how_far_ground_matters(longitude, highest_m):
    """Reach: the ray of a given elevation leaves the sphere of the highest ground, law of sines."""
    own, query = ground_of(hills(40, seed=2)), asked_of(longitude, highest_ground_m=highest_m)
    column, row, height = (
        np.array([3.25, 20.5, 33.0]),
        np.array([4.75, 8.0, 21.5]),
        np.array([1.0, 2.0, 30.0]),
    )
    latitude, longitude_deg = spots(own, column, row)
    places, known = locate_places(own, latitude, longitude_deg, height, query)
    assert known.all()
    assert places.column == pytest.approx(column, abs=1e-6)
    assert places.row == pytest.approx(row, abs=1e-6)
    antenna_m = bilinear(own.grid.values, column, row) + height
    assert places.antenna_m == pytest.approx(antenna_m, abs=1e-3)
    tallest_m = max(highest_m, own.grid.highest_m)
    for at in range(3):
        look = look_vector(
            float(latitude[at]), float(longitude_deg[at]), float(antenna_m[at]), query.satellite
        )
        assert places.azimuth_deg[at] == pytest.approx(look.azimuth_deg, abs=1e-6)
        assert places.elevation_deg[at] == pytest.approx(look.elevation_deg, abs=1e-6)
        apparent = places.apparent_deg[at]
        assert apparent == pytest.approx(look.elevation_apparent_deg, abs=1e-6)
        radius_m = radius_along_m(latitude[at], look.azimuth_deg)
        assert places.radius_m[at] == pytest.approx(radius_m, rel=1e-9)

        def reach_m(elevation_deg, top_m, at=at, radius_m=radius_m):
            e = math.radians(elevation_deg)
            ratio = (radius_m + antenna_m[at]) * math.cos(e) / (radius_m + top_m)
            return radius_m * max(math.acos(min(ratio, 1.0)) - e, 0.0) if top_m > antenna_m[at] else 0.0

        far_m = max((tallest_m - antenna_m[at]) / math.sin(math.radians(max(apparent, 1.0))), 10.0)
        stop_deg = apparent - float(room_deg(far_m, query))
        assert places.needed_m[at] == pytest.approx(reach_m(stop_deg, tallest_m), rel=1e-6)
        search_floor_deg = min(stop_deg, max(apparent - 10.0, 1.0))
        assert places.search_floor_deg[at] == pytest.approx(search_floor_deg, abs=1e-6)
        top_m = tallest_m if search_floor_deg > apparent - 10.0 else own.grid.highest_m
        assert places.search_m[at] == pytest.approx(1.005 * reach_m(search_floor_deg, top_m), rel=1e-6)


def test_a_place_beside_the_raster_or_in_a_void_is_not_known():
    values = hills(20)
    values[5, 5] = np.nan
    own = ground_of(values)
    latitude, longitude = spots(own, np.array([5.5, 30.0, 10.0]), np.array([5.5, 3.0, 10.0]))
    places, known = locate_places(own, latitude, longitude, np.full(3, 2.0), ASKED)
    assert known.tolist() == [False, False, True]
    assert places.antenna_m[0] == 2.0


@pytest.mark.parametrize("turn", [(0.0, 0.0), (12.0, 12.0)])
def test_cells_along_rays_to_a_hundredth(turn):
    own = ground_of(hills(40), turn=turn)
    places = places_at(own, ASKED, [5.0, 20.0, 33.3], [6.0, 20.0, 9.9])
    ahead = np.stack(cells_ahead(own, places))
    along = cell_axes(own, places)
    for number, azimuth in ((None, places.azimuth_deg), (0, np.full(3, 90.0)), (2, np.zeros(3))):
        east, north, _ = Geod(ellps="WGS84").fwd(
            places.longitude_deg, places.latitude_deg, azimuth, np.full(3, 900.0)
        )
        there = np.stack(on_lattice(own.grid, north, east)) - np.stack([places.column, places.row])
        found = ahead if number is None else along[:, number : number + 2].T
        assert found == pytest.approx(there / 900.0, abs=2e-4)
    most = np.hypot(*(along.T.reshape(2, 2, 3).transpose(1, 0, 2))).max()  # cells a metre, either axis
    assert most <= densest_cells_per_m(own, places) <= 1.05 * most


def test_neighbours_stand_together_and_nobody_is_lost():
    rng = np.random.default_rng(1)
    own = ground_of(np.zeros((700, 700), np.float32))
    places = places_at(own, ASKED, rng.uniform(0, 699, 400), rng.uniform(0, 699, 400))
    order = cache_order(places)
    assert sorted(order.tolist()) == list(range(400))
    tiles = [(r // 256, c // 256) for r, c in zip(places.row[order].astype(int), places.column[order].astype(int),
                                                  strict=True)]  # fmt: skip
    changes = sum(a != b for a, b in itertools.pairwise(tiles))
    assert changes == len(set(tiles)) - 1 == 8
    assert cache_order(places.take(slice(0, 0))).size == 0


def least_angle_deg(own, places, at, query):
    """The nearest that any ground that counts comes to the ray, less its room: every half cell of the raster."""
    rows, columns = own.grid.values.shape
    row, column = (part.ravel() for part in np.mgrid[0 : rows - 1 : 0.5, 0 : columns - 1 : 0.5])
    here = np.stack([places.column[at], places.row[at]])
    a, b, _, d, e, _ = own.grid.transform
    right, down = column - here[0], row - here[1]
    east_m, north_m = (a * right + b * down) / 0.9996, (d * right + e * down) / 0.9996
    away_m = np.hypot(east_m, north_m)
    azimuth = np.degrees(np.arctan2(east_m, north_m))
    counted = away_m >= own.near_m * (1.0 + 1e-9)
    top, slant_m = over_sphere(away_m[counted], bilinear(own.grid.values, column, row)[counted], places.antenna_m[at],
                               places.radius_m[at])  # fmt: skip
    offset = azimuth[counted] - places.azimuth_deg[at]
    best = np.inf
    ray = direction(0.0, places.apparent_deg[at])
    rough = angle_deg(direction(offset, np.minimum(top, places.apparent_deg[at])), ray) - room_deg(
        slant_m, query
    )
    for k in np.argsort(rough)[:40]:
        best = min(
            best, off_column_deg(offset[k], places.apparent_deg[at], top[k]) - room_deg(slant_m[k], query)
        )
    return float(best)


@pytest.mark.parametrize(
    ("seed", "longitude", "relief_m"), [(1, -20.0, 18.0), (2, -60.0, 13.0), (3, -20.0, 25.0)]
)
def test_no_place_that_ground_comes_near_to_is_left_out_and_most_others_are(seed, longitude, relief_m):
    own, query = ground_of(hills(48, seed=seed, relief_m=relief_m)), asked_of(longitude)
    rng = np.random.default_rng(seed)
    places = places_at(own, query, rng.uniform(2, 45, 60), rng.uniform(2, 45, 60))
    asked = may_come_near(own, places, query)
    least = np.array([least_angle_deg(own, places, at, query) for at in range(60)])
    assert not (~asked & (least < 10.0)).any()
    assert (least < 10.0).sum() > 2
    assert (~asked).sum() > 0.25 * (least > 12.0).sum()
    assert may_come_near(own, places.take(slice(0, 0)), query).size == 0


def test_a_narrower_limit_asks_fewer_and_still_nobody_is_left_out():
    own = ground_of(hills(48, seed=3, relief_m=60.0))
    rng = np.random.default_rng(3)
    places = places_at(own, ASKED, rng.uniform(2, 45, 80), rng.uniform(2, 45, 80))
    least = np.array([least_angle_deg(own, places, at, ASKED) for at in range(80)])
    asked = may_come_near(own, places, ASKED, angle_limit=lambda away_m: 2.0 + float(room_deg(away_m, ASKED)))
    assert not (~asked & (least < 2.0)).any()
    assert asked.sum() < may_come_near(own, places, ASKED).sum()


def test_for_an_address_that_may_stand_elsewhere_no_place_around_is_left_out():
    own = ground_of(hills(48, seed=1, relief_m=9.0))
    rng = np.random.default_rng(5)
    places = places_at(own, ASKED, rng.uniform(6, 42, 40), rng.uniform(6, 42, 40))
    asked_still, moved = may_come_near(own, places, ASKED), []
    for turn in range(8):
        right, down = 1.5 * np.cos(turn * np.pi / 4), 1.5 * np.sin(turn * np.pi / 4)
        there = places_at(own, ASKED, places.column + right, places.row + down)
        moved.append(there)
    lowest = places.take(slice(0, 40))
    lowest.antenna_m = np.min([there.antenna_m for there in [*moved, places]], axis=0)
    asked = may_come_near(own, lowest, ASKED, moved_m=45.1)
    for there in moved:
        least = np.array([least_angle_deg(own, there, at, ASKED) for at in range(40)])
        assert not (~asked & (least < 10.0)).any()
    assert asked.sum() > asked_still.sum()
    assert not asked.all()


def test_a_lone_wall_is_told_from_an_open_horizon_at_the_distance_where_it_matters():
    """Flat ground and one wall across the ray: its top must be within ten degrees and the room of the ray."""
    for height_m, near in ((20.0, False), (44.0, False), (80.0, True), (120.0, True)):
        values = np.zeros((60, 60), np.float32)
        values[20:22] = height_m
        own = ground_of(values)
        places = places_at(own, ASKED, [30.0], [10.0])
        top_deg = np.degrees(np.arctan2(height_m - 2.0, 300.0))
        assert (places.apparent_deg[0] - top_deg < 10.2) == near
        if near or height_m < 30.0:
            assert may_come_near(own, places, ASKED)[0] == near
        # behind the place, or beside it beyond the fan, the same wall is nothing
        assert not may_come_near(own, places_at(own, ASKED, [30.0], [32.0]), ASKED)[0]


def test_under_an_almost_upright_ray_cliffs_all_round_count():
    query = asked_of(-20.0)
    values = np.zeros((60, 60), np.float32)
    values[:, 40:] = 900.0
    own = ground_of(values)
    places = places_at(own, query, [37.0, 4.0, 30.0], [30.0, 30.0, 30.0])
    places.apparent_deg = np.array([85.0, 85.0, 81.0])
    # 90 m, 1080 m, 300 m from a cliff of 900 m: seen at 84, 40 and 71.5 degrees
    wanted = [True, False, True]
    assert may_come_near_upright(own, places, query).tolist() == wanted
    west = np.zeros((60, 60), np.float32)
    west[:, :20] = 900.0
    places = places_at(ground_of(west), query, [22.0, 56.0], [30.0, 30.0])
    places.apparent_deg = np.array([85.0, 85.0])
    assert may_come_near_upright(ground_of(west), places, query).tolist() == [True, False]
    assert may_come_near_upright(own, places.take(slice(0, 0)), query).size == 0


def test_columns_and_rows_a_metre_beside_a_pole():
    """Polar stereographic (UPS north, scale 0.994 at the pole; NGA.SIG.0012, from memory): x = 2e6 + r sin(lon),
    y = 2e6 - r cos(lon). A step north that would cross the pole is taken south.
    """
    transform = (100.0, 0.0, 1_998_000.0, 0.0, -100.0, 2_002_000.0)
    own = Ground.of(Grid(np.zeros((41, 41), np.float32), transform, "EPSG:32661"), name="pole.tif", kind="bare",
                    cell_size_m=100.0, vertical_error_m=1.0)  # fmt: skip
    longitude = np.array([-60.0, 25.0, 130.0])
    places = places_at(own, ASKED, [30.0, 12.0, 9.0], [20.0, 11.0, 31.0])
    places.latitude_deg, places.longitude_deg = np.full(3, 90.0 - 2e-3), longitude
    found = cell_axes(own, places)
    east, north = np.sin(np.radians(longitude)), np.cos(np.radians(longitude))
    assert found[:, 2] == pytest.approx(-0.994 * east / 100.0, abs=2e-4)
    assert found[:, 3] == pytest.approx(-0.994 * north / 100.0, abs=2e-4)


def test_a_limit_beyond_a_right_angle_still_finds_what_stands_before_the_place():
    values = np.zeros((60, 60), np.float32)
    values[20:22] = 120.0
    own = ground_of(values)
    places = places_at(own, ASKED, [30.0], [10.0])
    for limit_deg in (60.0, 88.0, 95.0, 170.0):
        assert may_come_near(own, places, ASKED, angle_limit=lambda away_m, limit=limit_deg: limit)[0]

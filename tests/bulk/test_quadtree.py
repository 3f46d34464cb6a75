"""From blocks down to cells: no cell that comes near enough is missing, every cell looked at one by one."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from skysill.bulk.local_maps import LocalMaps, local_maps
from skysill.bulk.quadtree import Cells, cells_near, ray_frames
from small_ground import (
    asked_of,
    ground_of,
    hills,
    off_column_deg,
    on_lattice,
    over_sphere,
    places_at,
)

ASKED = asked_of(-20.0)


def frames(own, places, *, azimuth_limit_deg=30.0, reach_m=None):
    maps = local_maps(own.grid, places.latitude_deg, places.longitude_deg)
    count = places.antenna_m.size
    return maps, ray_frames(maps, places.azimuth_deg, places.apparent_deg, antenna_m=places.antenna_m,
                        radius_m=places.radius_m, reach_m=np.full(count, 900.0 if reach_m is None else reach_m),
                        azimuth_limit_deg=np.full(count, azimuth_limit_deg))  # fmt: skip


@pytest.mark.parametrize("turn", [(0.0, 0.0), (14.0, 14.0)])
def test_metres_ahead_and_aside_of_a_column_and_a_row(turn):
    """A point ahead of the ray and a point to its right, by geodesics, turned back into metres."""
    own = ground_of(hills(48), turn=turn)
    places = places_at(own, ASKED, [20.3, 9.0], [12.6, 33.0])
    _, found = frames(own, places)
    for ahead_m, aside_m in ((700.0, 0.0), (0.0, 500.0), (-300.0, 400.0)):
        azimuth = places.azimuth_deg + np.degrees(np.arctan2(aside_m, ahead_m))
        away_m = np.full(2, np.hypot(ahead_m, aside_m))
        east, north, _ = Geod(ellps="WGS84").fwd(places.longitude_deg, places.latitude_deg, azimuth, away_m)
        there = on_lattice(own.grid, north, east)
        right, down = there[0] - places.column, there[1] - places.row
        assert found.ahead_m[:, 0] * right + found.ahead_m[:, 1] * down == pytest.approx(ahead_m, abs=0.1)
        assert found.aside_m[:, 0] * right + found.aside_m[:, 1] * down == pytest.approx(aside_m, abs=0.1)
    side_m = np.hypot(30.0, turn[0])
    assert found.half_m == pytest.approx(side_m / np.sqrt(2.0), rel=0.002)
    assert found.sine == pytest.approx(np.sin(np.radians(places.apparent_deg)))
    assert found.cosine == pytest.approx(np.cos(np.radians(places.apparent_deg)))
    assert found.azimuth_limit_rad == pytest.approx(np.radians(30.0))
    assert frames(own, places, azimuth_limit_deg=200.0)[1].azimuth_limit_rad == pytest.approx(np.pi / 2.0)
    assert found.take(np.array([1])).column == pytest.approx([9.0])


def test_what_straight_axes_leave_out_on_a_lattice_of_degrees():
    """Meridians converge: 6 km along a parallel at 59 degrees bends metres off the straight line; given by `bent`."""
    from skysill.bulk.prefilter import Ground
    from skysill.horizon.lattice import Grid

    grid = Grid(hills(48), (1 / 1800, 0.0, -21.0, 0.0, -1 / 3600, 59.1), "EPSG:4326")
    own = Ground.of(grid, name="degrees", kind="bare", cell_size_m=32.0, vertical_error_m=3.0)
    places = places_at(own, ASKED, [20.0], [20.0])
    maps, found = frames(own, places)
    for ahead_m, aside_m in ((4000.0, 0.0), (0.0, 4000.0), (3000.0, -2500.0)):
        azimuth = places.azimuth_deg + np.degrees(np.arctan2(aside_m, ahead_m))
        east, north, _ = Geod(ellps="WGS84").fwd(places.longitude_deg, places.latitude_deg, azimuth,
                                                 np.array([np.hypot(ahead_m, aside_m)]))  # fmt: skip
        there = np.stack(on_lattice(grid, north, east))[:, 0] - [20.0, 20.0]
        axes = np.stack([found.ahead_m[0], found.aside_m[0]])
        straight = np.linalg.solve(axes, [ahead_m, aside_m])
        powers = np.array([ahead_m**2, ahead_m * aside_m, aside_m**2])
        assert there - straight == pytest.approx(found.bent[0] @ powers, abs=0.004)
        away2 = ahead_m**2 + aside_m**2
        assert np.hypot(*(axes @ (there - straight))) <= found.bend[0] * away2
    assert found.bend[0] * 4000.0**2 < 40.0
    assert maps.square.any()


def near_cells(own, places, frame_maps, at, near_m, wanted_deg, reach_m):
    """All cells some ground of which (its nodes and nine points inside) comes nearer to the ray than wanted."""
    rows, columns = own.grid.values.shape
    found = {}
    a, b, _, d, e, _ = own.grid.transform
    values = own.grid.values.astype(float)
    steps = np.linspace(0.0, 1.0, 5)
    for row in range(rows - 1):
        for column in range(columns - 1):
            v, u = (part.ravel() for part in np.meshgrid(steps, steps, indexing="ij"))
            h = ((values[row, column] * (1 - u) + values[row, column + 1] * u) * (1 - v)
                 + (values[row + 1, column] * (1 - u) + values[row + 1, column + 1] * u) * v)  # fmt: skip
            right, down = column + u - places.column[at], row + v - places.row[at]
            east_m, north_m = (a * right + b * down) / 0.9996, (d * right + e * down) / 0.9996
            away_m = np.hypot(east_m, north_m)
            kept = (away_m >= near_m * 1.001) & (away_m <= reach_m * 0.999)
            if not kept.any():
                continue
            top, _ = over_sphere(away_m[kept], h[kept], places.antenna_m[at], places.radius_m[at])
            offset = np.degrees(np.arctan2(east_m, north_m))[kept] - places.azimuth_deg[at]
            offset = (offset + 180.0) % 360.0 - 180.0
            ahead = np.abs(offset) < 29.0
            if ahead.any() and top[ahead].max() > places.apparent_deg[at] - wanted_deg - 4.0:
                found[column, row] = min(
                    off_column_deg(o, places.apparent_deg[at], t)
                    for o, t in zip(offset[ahead], top[ahead], strict=True)
                )
    return {cell for cell, angle in found.items() if angle < wanted_deg}


@pytest.mark.parametrize(("seed", "turn", "relief_m"), [(1, (0.0, 0.0), 50.0), (2, (13.0, 13.0), 70.0)])
def test_no_cell_that_comes_near_enough_is_missing_and_few_others_are_there(seed, turn, relief_m):
    own = ground_of(hills(48, seed=seed, relief_m=relief_m), turn=turn)
    places = places_at(own, ASKED, [20.3, 30.0, 11.7, 24.0], [12.6, 9.0, 15.1, 22.2])
    maps, frame = frames(own, places)
    asked = cells_near(own.maxima, frame, 60.0, lambda p, d: np.full(d.shape, 6.0))
    found = [
        set(zip(asked.column[asked.place == at], asked.row[asked.place == at], strict=True))
        for at in range(4)
    ]
    total = wanted_total = 0
    for at in range(4):
        wanted = near_cells(own, places, maps, at, 60.0, 6.0, 900.0)
        assert wanted <= found[at]
        assert len(found[at]) == (asked.place == at).sum()  # none twice
        total, wanted_total = total + len(found[at]), wanted_total + len(wanted)
    assert wanted_total > 20
    assert total < 4.0 * wanted_total


def test_the_limit_may_depend_on_place_and_distance():
    own = ground_of(hills(48, seed=1, relief_m=50.0))
    places = places_at(own, ASKED, [20.3, 20.3], [12.6, 12.6], height_m=60.0)
    _, frame = frames(own, places)
    asked = cells_near(
        own.maxima, frame, 60.0, lambda p, d: np.where(p == 0, 12.0, np.where(d < 250.0, 12.0, 0.0))
    )
    cells = [
        set(zip(asked.column[asked.place == at], asked.row[asked.place == at], strict=True)) for at in (0, 1)
    ]
    assert cells[1] < cells[0]
    away_m = {cell: 30.0 * np.hypot(cell[0] + 0.5 - 20.3, cell[1] + 0.5 - 12.6) for cell in cells[0]}
    assert all(away_m[cell] < 280.0 for cell in cells[1])
    assert {cell for cell in cells[0] if away_m[cell] < 220.0} == {
        cell for cell in cells[1] if away_m[cell] < 220.0
    }


def test_nearer_and_farther_cells_are_left_out():
    own = ground_of(hills(48, seed=1, relief_m=50.0))
    places = places_at(own, ASKED, [20.3], [12.6])
    near_all = frames(own, places)[1]
    every = cells_near(own.maxima, near_all, 0.25, lambda p, d: np.full(d.shape, 89.0))
    away_m = 30.0 * np.hypot(every.column + 0.5 - 20.3, every.row + 0.5 - 12.6)
    assert away_m.min() < 25.0
    assert (every.row + 1 >= 12.0).all()  # nothing behind the place
    far = cells_near(own.maxima, near_all, 300.0, lambda p, d: np.full(d.shape, 89.0))
    far_m = 30.0 * np.hypot(far.column + 0.5 - 20.3, far.row + 0.5 - 12.6)
    assert far_m.min() > 278.0
    short = cells_near(
        own.maxima, frames(own, places, reach_m=400.0)[1], 60.0, lambda p, d: np.full(d.shape, 89.0)
    )
    short_m = 30.0 * np.hypot(short.column + 0.5 - 20.3, short.row + 0.5 - 12.6)
    assert 380.0 < short_m.max() < 424.0


def test_many_places_together_find_what_each_finds_alone():
    own = ground_of(hills(48, seed=3, relief_m=60.0))
    rng = np.random.default_rng(2)
    places = places_at(own, ASKED, rng.uniform(4, 44, 30), rng.uniform(3, 40, 30))
    _, frame = frames(own, places)

    def angle_limit(place, away_m):
        return np.full(away_m.shape, 5.0)

    many = cells_near(own.maxima, frame, 60.0, angle_limit)
    for at in range(30):
        one = cells_near(own.maxima, frame.take(np.array([at])), 60.0, angle_limit)
        assert set(zip(one.column, one.row, strict=True)) == set(
            zip(many.column[many.place == at], many.row[many.place == at], strict=True)
        )
    assert len(cells_near(own.maxima, frame.take(np.zeros(0, np.int64)), 60.0, angle_limit)) == 0


def test_a_block_is_made_of_four():
    blocks = Cells(np.array([7, 8]), np.array([3, 0]), np.array([5, 1]))
    four = blocks.quarters()
    assert sorted(zip(four.place, four.column, four.row, strict=True)) == [
        (7, 6, 10), (7, 6, 11), (7, 7, 10), (7, 7, 11), (8, 0, 2), (8, 0, 3), (8, 1, 2), (8, 1, 3),
    ]  # fmt: skip
    assert len(four) == 8
    assert four.take(np.array([0])).place.tolist() == [7]


def test_second_degree_terms_turn_with_the_ray():
    """Any map: columns and rows at metres ahead and aside, by its own coefficients in metres east and north."""
    rng = np.random.default_rng(4)
    azimuth = np.array([12.0, 118.0, 200.0, 291.0])
    linear = np.array([[1 / 30.0, 0.004], [-0.003, -1 / 29.0]]) + rng.uniform(-1e-4, 1e-4, (4, 2, 2))
    square = rng.uniform(-2e-8, 2e-8, (4, 2, 3))
    ones = np.ones(4)
    found = ray_frames(LocalMaps(np.zeros((4, 2)), linear, square), azimuth, 20.0 * ones, antenna_m=ones,
                       radius_m=8.5e6 * ones, reach_m=900.0 * ones, azimuth_limit_deg=30.0 * ones)  # fmt: skip
    for ahead_m, aside_m in ((800.0, 0.0), (0.0, 500.0), (700.0, -600.0)):
        sine, cosine = np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))
        east, north = ahead_m * sine + aside_m * cosine, ahead_m * cosine - aside_m * sine
        wanted = np.stack([square[k] @ [east[k] ** 2, east[k] * north[k], north[k] ** 2] for k in range(4)])
        turned = found.bent @ np.array([ahead_m**2, ahead_m * aside_m, aside_m**2])
        assert turned == pytest.approx(wanted, rel=1e-9)
        straight = np.stack([linear[k] @ [east[k], north[k]] for k in range(4)])
        assert (found.ahead_m * straight).sum(axis=1) == pytest.approx(ahead_m, abs=1e-6)
        assert (found.aside_m * straight).sum(axis=1) == pytest.approx(aside_m, abs=1e-6)


def counting_cells(own, places, at, near_m, reach_m, limit):
    """All cells with a point, of 25 in each, that is seen within limit(distance) of the ray; all cells at once."""
    a, b, _, d, e, _ = own.grid.transform
    z = own.grid.values.astype(float)
    rows, columns = z.shape
    steps = np.linspace(0.0, 1.0, 5)
    row, column, v, u = np.meshgrid(np.arange(rows - 1), np.arange(columns - 1), steps, steps, indexing="ij")
    h = (z[row, column] * (1 - u) + z[row, column + 1] * u) * (1 - v)
    h += (z[row + 1, column] * (1 - u) + z[row + 1, column + 1] * u) * v
    right, down = column + u - places.column[at], row + v - places.row[at]
    east_m, north_m = (a * right + b * down) / 0.9996, (d * right + e * down) / 0.9996
    away_m = np.hypot(east_m, north_m)
    top, _ = over_sphere(np.maximum(away_m, 1.0), h, places.antenna_m[at], places.radius_m[at])
    offset = (np.degrees(np.arctan2(east_m, north_m)) - places.azimuth_deg[at] + 180.0) % 360.0 - 180.0
    angle = np.full(away_m.shape, 180.0)
    ahead = (np.abs(offset) < 89.0) & (away_m >= near_m * 1.001) & (away_m <= reach_m * 0.999)
    angle[ahead] = off_column_deg(offset[ahead], places.apparent_deg[at], top[ahead])
    counts = (angle < limit(away_m) - 0.05).any(axis=(2, 3))
    return set(zip(*(part.tolist() for part in np.nonzero(counts)[::-1]), strict=True))


@pytest.mark.parametrize("wide_m", [100.0, 200.0, 400.0, 900.0])
def test_where_the_limit_is_wide_nearby_no_cell_beside_the_ray_is_missing(wide_m):
    """Rays along the lattice's diagonals, far out; the limit is wide to a distance and narrow beyond it."""
    own = ground_of(hills(150, seed=7, relief_m=90.0), cell_m=21.2, turn=(21.2, 21.2))
    places = places_at(own, ASKED, [20.3, 60.7, 110.2], [22.6, 41.9, 15.4])
    reach_m, tested = 3000.0, []
    _, frame = frames(own, places, azimuth_limit_deg=75.0, reach_m=reach_m)

    def limit(away_m):
        return np.where(away_m < wide_m, 60.0, 5.0)

    def angle_limit(place, away_m):
        tested.append(away_m.size)
        return limit(away_m)

    found = cells_near(own.maxima, frame, 60.0, angle_limit)
    for at in range(3):
        mine = found.place == at
        cells = set(zip(found.column[mine].tolist(), found.row[mine].tolist(), strict=True))
        wanted = counting_cells(own, places, at, 60.0, reach_m, limit)
        assert len(wanted) >= 8
        assert wanted <= cells
    assert sum(tested) < 5 * len(found)  # a cell costs fewer than five tested blocks

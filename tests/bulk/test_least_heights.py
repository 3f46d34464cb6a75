"""Least antenna heights over a raster, against a march of every cell by itself and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod

from skysill.bulk import least_heights
from skysill.bulk.least_heights import relevant_window, tile_heights_m
from skysill.bulk.raster_tiles import Relief, Tile, block_relief
from skysill.bulk.sweep_geometry import RayDirections, reach_of_ground_m
from skysill.horizon.lattice import Lattice
from skysill.pointing.look_vector import look_angles
from skysill.pointing.refraction import refraction_deg
from skysill.units import local_earth_radius_m

UTM = "EPSG:32627"
K = 4.0 / 3.0


def rough_ground(rows, columns, seed=3, relief_m=250.0):
    """Fractal ridges, invented: slopes as in young mountains."""
    rng = np.random.default_rng(seed)
    size = max(rows, columns)
    spectrum = np.fft.rfft2(rng.standard_normal((size, size)))
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None])
    ground = np.fft.irfft2(spectrum * (frequency**2 + (1 / 300) ** 2) ** -1.15, s=(size, size))
    ground = 1.0 - np.abs(ground / ground.std())
    return (relief_m * (1.0 + ground))[:rows, :columns].astype(np.float32)


def lattice_of(shape, *, crs=UTM, x=560_000.0, y=6_440_000.0, cell=(30.0, -30.0)):
    return Lattice(shape, (cell[0], 0.0, x, 0.0, cell[1], y), crs)


def heights(ground, lattice, tile=None, *, satellite=-24.0, highest=None, block=64, **options):
    def read(window):
        padded = np.pad(ground, 1, constant_values=np.nan)
        return padded[window.top + 1 : window.bottom + 1, window.left + 1 : window.right + 1]

    return tile_heights_m(
        read,
        lattice,
        tile or Tile(0, ground.shape[0], 0, ground.shape[1]),
        relief=Relief(block, *block_relief(ground, block)),
        satellite_longitude_deg=satellite,
        highest_ground_m=float(np.nanmax(ground)) if highest is None else highest,
        **options,
    )


def bilinear(ground, row, column):
    row = np.clip(row, 0, ground.shape[0] - 1.000001)
    column = np.clip(column, 0, ground.shape[1] - 1.000001)
    i, j = row.astype(int), column.astype(int)
    v, u = row - i, column - j
    upper = ground[i, j] * (1 - u) + ground[i, j + 1] * u
    return upper * (1 - v) + (ground[i + 1, j] * (1 - u) + ground[i + 1, j + 1] * u) * v


def marched(ground, lattice, row, column, *, satellite, out_to_m, step_m):
    """Cell by cell: a geodesic in short steps, exact angles on the effective sphere, no sweep and no approximation."""
    latitude, longitude = lattice.place(row, column)
    own = ground[row, column].astype(float)
    azimuth, elevation, _ = look_angles(latitude, longitude, own, satellite_longitude_deg=satellite)
    seen = np.deg2rad(elevation + refraction_deg(elevation, own))
    radius = K * local_earth_radius_m(latitude, azimuth)
    needed = np.zeros(own.shape)
    geod = Geod(ellps="WGS84")
    for s in np.arange(step_m, out_to_m, step_m):
        east, north, _ = geod.fwd(longitude, latitude, azimuth, np.full(own.shape, s))
        there_row, there_column = lattice.cell(np.asarray(north), np.asarray(east))
        z = bilinear(ground, there_row, there_column)
        theta = s / radius
        # the dish that just sees over z: (R + za) cos e = (R + z) cos(e + theta)
        level_with = (radius + z) * np.cos(seen + theta) / np.cos(seen) - radius
        needed = np.maximum(needed, level_with - own)
    return needed


CASES = {
    "utm, satellite to the south": (lattice_of((420, 400)), -24.0),
    "utm, satellite to the south-east": (lattice_of((420, 400)), 5.5),
    "utm, satellite to the west": (lattice_of((420, 400)), -75.0),
    "geographic at 62 degrees": (
        lattice_of((420, 400), crs="EPSG:4326", x=-24.6, y=62.0, cell=(1 / 3600 * 2, -1 / 3600)), -24.0),
    "southern hemisphere": (lattice_of((420, 400), crs="EPSG:32733", x=400_000.0, y=4_000_000.0), 15.0),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_swept_heights_equal_a_march_of_every_cell(case):
    """Rough ground. Limits from a fine march with bilinear ground; the error is mostly in the first cells.

    The satellite in the west stands at 9 degrees, where four cells in ten need height and 50 m of it are common.
    """
    lattice, satellite = CASES[case]
    ground = rough_ground(*lattice.shape)
    swept = heights(ground, lattice, satellite=satellite)
    rng = np.random.default_rng(11)
    row, column = rng.integers(5, 415, 220), rng.integers(5, 395, 220)
    known = ~np.isnan(swept[row, column])
    row, column = row[known], column[known]
    assert row.size > 150
    wanted = marched(
        ground,
        lattice,
        row,
        column,
        satellite=satellite,
        out_to_m=4500.0 if satellite == -75.0 else 2400.0,
        step_m=6.0,
    )
    error = swept[row, column] - wanted
    assert (wanted > 2.0).sum() >= 2  # the case has something to get wrong
    assert np.sqrt((error**2).mean()) < (0.35 if satellite == -75.0 else 0.15)
    assert -0.05 < error.mean() < 0.1
    assert np.abs(error).max() < 2.0


def seen_from(lattice, row, column, *, satellite=-24.0, ground_m=0.0):
    latitude, longitude = lattice.place(row, column)
    azimuth, elevation, _ = look_angles(latitude, longitude, ground_m, satellite_longitude_deg=satellite)
    return azimuth, elevation + refraction_deg(elevation, ground_m)


def towards(lattice, row, column, azimuth, distance_m):
    """Row and column of the place so far away."""
    latitude, longitude = lattice.place(row, column)
    east, north, _ = Geod(ellps="WGS84").fwd(float(longitude), float(latitude), float(azimuth), distance_m)
    return tuple(float(part) for part in lattice.cell(north, east))


def test_a_wall_of_known_height_asks_for_what_the_triangle_says():
    """Closed form: wall of height w at distance d across the ray needs w - d tan(elevation), less the Earth's bulge."""
    lattice = lattice_of((300, 200), cell=(10.0, -10.0))
    ground = np.zeros(lattice.shape, np.float32)
    ground[250] = 100.0  # an east-west crest; the satellite stands a little off south
    swept = heights(ground, lattice, satellite=-26.0)
    rows = np.arange(225, 250)
    azimuth, elevation = seen_from(lattice, rows, np.full(rows.shape, 100), satellite=-26.0)
    along_m = (250 - rows) * 10.0 / np.cos(np.deg2rad(azimuth - 180.0))
    expected = 100.0 - along_m * np.tan(np.deg2rad(elevation))
    grid_turn_m = 0.4  # the grid's north is up to a degree off true north, which lengthens the way a little
    assert np.abs(swept[rows, 100] - np.maximum(expected, 0.0)).max() < grid_turn_m
    assert swept[200, 100] == 0.0


def test_a_plane_tilted_less_than_the_ray_needs_nothing_and_a_steeper_one_everything():
    """Closed form: on a plane rising towards the satellite at slope g the ray at tan(e) is met where g > tan(e)."""
    lattice = lattice_of((300, 60))
    _, elevation = seen_from(lattice, 150, 30)
    rise = np.arange(300, dtype=np.float32)[:, None] * 30.0 * np.ones((1, 60), np.float32)
    flatter, steeper = (np.tan(np.deg2rad(elevation + off)) for off in (-1.0, 1.0))
    low = heights((rise * flatter).astype(np.float32), lattice)
    assert np.nanmax(low[:250]) == 0.0
    high = heights((rise * steeper).astype(np.float32), lattice)
    azimuth, _ = seen_from(lattice, 100, 30)
    there_row, there_column = towards(lattice, 100, 30, azimuth, 1000.0)
    per_row_m = 1000.0 / (there_row - 100)  # the ray runs a little aslant
    top_m = (299 - 100) * (30.0 * steeper - per_row_m * np.tan(np.deg2rad(elevation)))
    assert there_column != 30
    assert high[100, 30] == pytest.approx(
        top_m, rel=0.05
    )  # the elevation itself grows by 0.05 degrees on the way


def test_a_cone_casts_the_shadow_of_its_tip():
    """Closed form: behind the tip on its axis a cone steeper than the ray needs tip - distance * tan(elevation)."""
    lattice = lattice_of((400, 400), cell=(10.0, -10.0))
    row, column = np.mgrid[0:400, 0:400]
    away_m = np.hypot(row - 300, column - 200) * 10.0
    ground = np.maximum(400.0 - away_m, 0.0).astype(np.float32)  # 45 degrees
    azimuth, elevation = seen_from(lattice, 300, 200)
    swept = heights(ground, lattice)
    for behind_m in (450.0, 600.0, 800.0):
        there = towards(lattice, 300, 200, azimuth + 180.0, behind_m)
        expected = 400.0 - behind_m * np.tan(np.deg2rad(elevation))
        found = bilinear(swept, *(np.array([part]) for part in there))[0]
        assert found == pytest.approx(expected, abs=5.0)  # half a cell beside the tip the ground is 5 m lower


def test_tiles_give_what_the_whole_raster_gives():
    lattice = lattice_of((420, 400))
    ground = rough_ground(420, 400)
    whole = heights(ground, lattice)
    parts = [
        heights(ground, lattice, Tile(top, min(top + 150, 420), left, min(left + 150, 400)))
        for top in (0, 150, 300)
        for left in (0, 150, 300)
    ]
    joined = np.vstack([np.hstack(parts[i : i + 3]) for i in (0, 3, 6)])
    both = ~np.isnan(whole) & ~np.isnan(joined)
    assert (np.isnan(whole) == np.isnan(joined)).mean() > 0.999
    assert (
        np.sqrt(((whole - joined)[both] ** 2).mean()) < 0.2
    )  # other rays, each within the error of the method


def test_where_the_raster_ends_too_soon_the_answer_is_unknown_and_not_zero():
    lattice = lattice_of((300, 100))
    ground = np.zeros(lattice.shape, np.float32)
    swept = heights(ground, lattice, highest=1000.0)
    _, elevation = seen_from(lattice, 250, 50)
    reach_rows = 1000.0 / np.tan(np.deg2rad(elevation)) / 30.0
    column = swept[:, 50]
    unknown = np.flatnonzero(np.isnan(column))
    assert unknown.size == pytest.approx(reach_rows, abs=3)
    assert unknown[-1] == 299
    assert (column[: unknown[0]] == 0.0).all()


def test_a_void_on_the_way_is_unknown_unless_the_ray_passes_over_all_ground():
    lattice = lattice_of((600, 100))
    ground = np.zeros(lattice.shape, np.float32)
    ground[400:404, 40:60] = np.nan
    swept = heights(ground, lattice, highest=300.0)
    _, elevation = seen_from(lattice, 390, 50)
    reach_rows = int(300.0 / np.tan(np.deg2rad(elevation)) / 30.0)
    assert np.isnan(swept[400:404, 45:55]).all()
    assert np.isnan(swept[400 - reach_rows + 3 : 400, 50]).all()
    assert (swept[: 400 - reach_rows - 5, 50] == 0.0).all()
    assert (swept[404:500, 50] == 0.0).all()  # beyond the void nothing is hidden by it


def test_ground_that_is_all_void_and_satellites_below_the_horizon_are_unknown():
    lattice = lattice_of((40, 40))
    assert np.isnan(heights(np.full((40, 40), np.nan, np.float32), lattice, highest=10.0)).all()
    assert np.isnan(heights(np.zeros((40, 40), np.float32), lattice, satellite=-140.0)).all()


def test_a_low_satellite_over_far_ground_keeps_the_curved_earth():
    """Two sweeps take out the bend: 12 km from a ridge at 5 degrees of elevation the bulge alone is 8.5 m."""
    lattice = lattice_of((500, 40), y=7_400_000.0, cell=(60.0, -60.0))  # 66.5 degrees north
    away = np.abs(np.arange(500) - 400)[:, None] * np.ones((1, 40))
    ground = (1500.0 * np.exp(-((away / 12.0) ** 2))).astype(np.float32)
    for satellite in (-24.0, 30.0):
        swept = heights(ground, lattice, satellite=satellite)
        row, column = np.array([390, 370, 350, 330, 310]), np.full(5, 20)
        known = ~np.isnan(swept[row, column])
        wanted = marched(
            ground, lattice, row[known], column[known], satellite=satellite, out_to_m=9000.0, step_m=6.0
        )
        assert np.abs(swept[row[known], column[known]] - wanted).max() < 0.6


def test_the_reach_of_ground_solves_its_own_equation():
    distance_m = reach_of_ground_m(1500.0, slope=0.1, curve_per_m=6e-8)
    assert 0.1 * distance_m + 6e-8 * distance_m**2 == pytest.approx(1500.0)


def test_block_extremes_leave_voids_out_and_say_so():
    ground = np.arange(30, dtype=np.float32).reshape(5, 6)
    ground[0, 0] = np.nan
    lowest, highest, void = block_relief(ground, 4)
    assert lowest.tolist() == [[1.0, 4.0], [24.0, 28.0]]
    assert highest.tolist() == [[21.0, 23.0], [27.0, 29.0]]
    assert void.tolist() == [[True, False], [False, False]]


def test_only_ground_that_could_reach_the_rays_of_a_window_is_asked_for():
    """Ground of up to 1000 m over the Dead Sea's shore at 20 degrees: 1450 / tan(20) is 4.0 km, to the south."""
    lattice = Lattice((40_000, 40_000), (30.0, 0.0, 100_000.0, 0.0, -30.0, 7_000_000.0), "EPSG:32627")
    tile = Tile(20_000, 20_400, 14_000, 14_400)
    asked = relevant_window(lattice, tile, satellite_longitude_deg=-20.0, refraction_factor=4.0 / 3.0,
                               highest_ground_m=1000.0)  # fmt: skip
    ahead_m = 30.0 * (asked.bottom - tile.bottom)
    elevation_deg = float(look_angles(*lattice.place(20_200, 14_200), 0.0, satellite_longitude_deg=-20.0)[1])
    assert (
        1450.0 / np.tan(np.deg2rad(elevation_deg))
        < ahead_m
        < 1.2 * 1450.0 / np.tan(np.deg2rad(elevation_deg))
    )
    assert asked.top > tile.top - 5
    assert ahead_m > 30.0 * max(tile.left - asked.left, asked.right - tile.right)


def directions(along_row, along_column):
    """Directions to the satellite that are given; their slopes do not matter here."""
    shape = np.shape(along_row)
    return RayDirections(np.asarray(along_row), np.asarray(along_column), *[np.ones(shape)] * 3)


def test_a_tile_is_looked_at_from_its_corners_the_middles_of_its_sides_and_last_its_middle():
    asked = []

    def directions_at(row, column):
        asked.extend(zip(row.tolist(), column.tolist(), strict=True))
        return directions(row, column)

    least_heights._corner_directions(Tile(10, 31, 40, 81), directions_at)
    assert asked[-1] == (20.0, 60.0)
    assert sorted(asked) == [(r, c) for r in (10.0, 20.0, 30.0) for c in (40.0, 60.0, 80.0)]


def test_the_ground_toward_the_satellite_goes_two_cells_beyond_what_can_reach_it():
    """South-east at a hundredth of a cell a metre, 500 m: five cells and a hundredth more, whole cells, two beside."""
    found = least_heights._toward_satellite(Tile(10, 31, 40, 81), directions([0.01], [0.01]), 500.0)
    assert (found.top, found.bottom, found.left, found.right) == (8, 31 + 6 + 2, 38, 81 + 6 + 2)
    found = least_heights._toward_satellite(Tile(10, 31, 40, 81), directions([-0.01], [0.0]), 500.0)
    assert (found.top, found.bottom, found.left, found.right) == (10 - 6 - 2, 33, 38, 83)

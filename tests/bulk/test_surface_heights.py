"""Least heights over a surface raster, against a march of single cells written here and against the assessment."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Proj

from skysill.assessment.pipeline import assess
from skysill.bulk.far_ground import FarGround
from skysill.bulk.prefilter import Ground, ScreeningQuery
from skysill.bulk.raster_tiles import Relief, Tile, block_relief
from skysill.bulk.sight_lines import SightLines, allowed_rise_m
from skysill.bulk.surface_heights import raised_levels_m, surface_window
from skysill.bulk.surface_tiles import SurfaceQuery, surface_levels_m
from skysill.horizon.lattice import Grid, HeldGrid, Lattice
from skysill.model.job import Job, Sources
from skysill.model.link import Link
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.pointing.look_vector import look_angles
from skysill.pointing.refraction import refraction_deg
from skysill.units import local_earth_radius_m

UTM = "EPSG:32627"
SOUTH, EAST = Satellite("Demo South", longitude_deg=-24.0), Satellite("Demo East", longitude_deg=5.5)
HIGHEST_M = 75.0


def village(side=288, seed=1):
    """Houses and trees on sloping ground, invented."""
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[0:side, 0:side]
    ground = 40.0 + 0.04 * row + 3.0 * np.sin(column / 30.0)
    for _ in range(side * side // 1100):
        top, left = rng.integers(0, side - 16, 2)
        deep, wide = rng.integers(6, 14, 2)
        ground[top : top + deep, left : left + wide] += rng.uniform(4.0, 8.0)
    tree = np.clip(1.2 - np.hypot(*np.mgrid[-2:3, -2:3]) / 2.5, 0.0, 1.0)
    for _ in range(side * side // 400):
        top, left = rng.integers(0, side - 5, 2)
        ground[top : top + 5, left : left + 5] += rng.uniform(2.0, 12.0) * tree
    return np.minimum(ground, HIGHEST_M).astype(np.float32)


def lattice_of(surface, *, crs=UTM, cell=(1.0, -1.0), x=283_500.0, y=6_436_000.0):
    return Lattice(surface.shape, (cell[0], 0.0, x, 0.0, cell[1], y), crs)


def asked_of(satellite=SOUTH, highest_m=HIGHEST_M, far=None):
    return SurfaceQuery(ScreeningQuery(satellite, Terminal(), Criteria(), highest_m), far)


def heights(surface, lattice, asked, tile=None):
    whole = Tile(0, *surface.shape[:1], 0, surface.shape[1])

    def read(window):
        around = np.full(window.shape, np.nan, dtype=np.float32)
        inside = window.within(whole)
        inside.cut(around, window)[...] = inside.cut(surface, whole)
        return around

    relief = Relief(64, *block_relief(surface, 64))
    levels, own = surface_levels_m(read, lattice, tile or whole, relief=relief, asked=asked)
    return levels - own


@pytest.fixture(scope="module")
def ground():
    surface = village()
    surface[150:158, 100:130] = np.nan
    return surface


@pytest.fixture(scope="module")
def made(ground):
    return heights(ground, lattice_of(ground), asked_of())


def highest_around(surface):
    """Highest of the nine nodes around each node."""
    padded = np.pad(surface, 1, mode="edge")
    rows, columns = surface.shape
    return np.max([padded[i : i + rows, j : j + columns] for i in range(3) for j in range(3)], axis=0)


def samples_around(surface, highest, lattice, row, column, azimuth_deg, reach_m, lowest_m, eye_m):
    """Azimuth, distance and height of the ground where straight lines in the map cross lattice lines, and of bulges.

    A bulge is where a cell's ground looks highest between two crossings, from a dish centre at eye_m. Only ground
    higher than lowest_m(distance) is of interest.
    """
    latitude, longitude = lattice.place(row, column)
    factors = Proj(lattice.crs).get_factors(float(longitude), float(latitude))
    turned = np.deg2rad(azimuth_deg - factors.meridian_convergence)
    scale = factors.meridional_scale
    right, down = np.sin(turned) * scale, -np.cos(turned) * scale
    ray, along = line_crossings(right, down, reach_m)
    rows, columns = row + down[ray] * along, column + right[ray] * along
    near = highest[
        np.rint(rows).astype(int).clip(0, surface.shape[0] - 1),
        np.rint(columns).astype(int).clip(0, surface.shape[1] - 1),
    ]
    chord = np.flatnonzero((ray[:-1] == ray[1:]) & (np.maximum(near[:-1], near[1:]) > lowest_m(along[:-1])))
    every = along[chord, None] + np.diff(along)[chord, None] * np.linspace(0.0, 1.0, 41)
    across = ray[chord, None]
    height = bilinear(surface, row + down[across] * every, column + right[across] * every)
    slope = (height - eye_m) / every
    at = slope.argmax(axis=1)
    some = np.flatnonzero(slope.max(axis=1) > np.maximum(slope[:, 0], slope[:, -1]) + 1e-6)
    return (
        azimuth_deg[np.concatenate([ray, ray[chord[some]]])],
        np.concatenate([along, every[some, at[some]]]),
        np.concatenate([bilinear(surface, rows, columns), height[some, at[some]]]),
    )


def line_crossings(right, down, reach_m):
    """Numbers of the straight lines, and distances at which each crosses lattice lines, in order along each line."""
    rays, alongs = [], []
    for part in (np.abs(right), np.abs(down)):
        count = np.where(part > 1e-9, (reach_m * part).astype(int) + 1, 0)
        ray = np.repeat(np.arange(part.size), count)
        number = np.arange(ray.size) - np.repeat(np.cumsum(count) - count, count) + 1
        rays.append(ray)
        alongs.append(number / part[ray])
    ray, along = np.concatenate(rays), np.concatenate(alongs)
    order = np.lexsort((along, ray))
    ray, along = ray[order], along[order]
    kept = (along >= 0.25) & np.append(True, (np.diff(along) != 0.0) | (np.diff(ray) != 0))
    return ray[kept], along[kept]


def bilinear(surface, row, column):
    row = np.clip(row, 0, surface.shape[0] - 1.000001)
    column = np.clip(column, 0, surface.shape[1] - 1.000001)
    i, j = row.astype(int), column.astype(int)
    v, u = row - i, column - j
    upper = surface[i, j] * (1 - u) + surface[i, j + 1] * u
    return upper * (1 - v) + (surface[i + 1, j] * (1 - u) + surface[i + 1, j + 1] * u) * v


def marched_height_m(surface, highest, lattice, row, column, satellite):
    """Least height of one cell by bisection: samples as vectors, the room of each by its own distance.

    Required room: half the dish of 1.2 m and 0.6 of the first Fresnel radius sqrt(lambda d) at 19.7 GHz.
    """
    latitude, longitude = (float(part) for part in lattice.place(row, column))
    own = float(surface[row, column])
    azimuth, elevation, _ = (
        float(part)
        for part in look_angles(latitude, longitude, own, satellite_longitude_deg=satellite.longitude_deg)
    )
    elevation += float(refraction_deg(elevation, own))
    ray = np.array([np.cos(np.deg2rad(elevation)), 0.0, np.sin(np.deg2rad(elevation))])
    beside = np.concatenate(
        [np.arange(-56, 57) * 0.1, np.arange(-22.0, -5.6, 0.5), np.arange(6.0, 22.1, 0.5)]
    )
    reach_m = np.minimum(
        80.0, 1.8 / np.sin(np.deg2rad(np.maximum(np.abs(beside), 0.01)))
    )  # the room is 1.2 m at most
    radius = 4.0 / 3.0 * local_earth_radius_m(latitude, azimuth)
    level_m = own

    def lowest_m(along):
        return level_m + along * np.tan(np.deg2rad(elevation)) - 2.0

    for _ in range(2):  # bulges are seen from the dish
        azimuths, along, height = samples_around(
            surface, highest, lattice, row, column, azimuth + beside, reach_m, lowest_m, level_m
        )
        possible = height > lowest_m(along)
        samples = np.deg2rad(azimuths - azimuth)[possible], along[possible], height[possible]
        level_m = least_level_m(ray, samples, own, radius)
    return level_m - own


def least_level_m(ray, samples, own, radius):
    offset, along, height = samples

    def free(level_m):
        rise = height - level_m - along**2 / (2.0 * radius)
        slant = np.hypot(along, rise)
        top = np.arctan2(rise, along)
        # of the directions at this azimuth up to the sample's, the one nearest to the ray
        nearest = np.minimum(top, np.arctan2(ray[2], ray[0] * np.cos(offset)))
        toward = np.stack(
            [np.cos(nearest) * np.cos(offset), np.cos(nearest) * np.sin(offset), np.sin(nearest)]
        )
        angle = np.arccos(np.clip(ray @ toward, -1.0, 1.0))
        room = 0.6 + 0.6 * np.sqrt(299_792_458.0 / 19.7e9 * slant)
        return bool((angle >= np.arctan(room / slant)).all())

    if free(own):
        return own
    low, high = own, own + 60.0
    for _ in range(24):
        middle = (low + high) / 2.0
        low, high = (low, middle) if free(middle) else (middle, high)
    return high


@pytest.mark.slow
def test_three_hundred_cells_agree_with_a_march_of_each_by_itself(ground, made):
    rng = np.random.default_rng(5)
    cells = np.argwhere(np.isfinite(made))
    lattice = lattice_of(ground)
    filled = np.where(np.isnan(ground), np.float32(-1e4), ground)
    some = cells[rng.choice(len(cells), 300, replace=False)]
    highest = highest_around(filled)
    expected = np.array([marched_height_m(filled, highest, lattice, r, c, SOUTH) for r, c in some])
    apart = np.abs(made[tuple(some.T)] - expected)
    # bulges within two metres are placed by the mean distance of their cell's edges, as in the assessment
    assert np.sort(apart)[-15] < 0.003
    assert apart.max() < 0.05, some[apart.argmax()]
    assert (expected > 2.0).sum() > 50


def excess_deg(rasters, lattice, cell, height_m, satellite=SOUTH, highest_m=HIGHEST_M):
    """Margin less the angle of the required room, by `assess`; inf where nothing is within ten degrees."""
    latitude, longitude = (float(part) for part in lattice.place(*cell))
    job = Job(
        site=Site("cell", latitude, longitude),
        satellites=(satellite,),
        sources=Sources(rasters=rasters, highest_ground_m=highest_m),
    )
    found = assess(job, Mount(height_m=height_m), explain=False, losses=False).results[0].clearance
    if found.margin_deg is None or found.controlling is None or found.controlling.distance_m is None:
        return np.inf
    return found.margin_deg - np.rad2deg(np.arctan(found.required_m / found.controlling.distance_m))


def assert_least(rasters, lattice, surface_heights, cells, **about):
    """The assessment finds the room a centimetre above each height, and not a centimetre below."""
    for row, column in cells:
        height_m = float(surface_heights[row, column])
        assert excess_deg(rasters, lattice, (row, column), height_m + 0.01, **about) >= 0.0, (
            row,
            column,
            height_m,
        )
        if height_m > 0.01:
            low = excess_deg(rasters, lattice, (row, column), height_m - 0.01, **about)
            assert low < 0.0, (row, column, height_m, low)


def held(surface, lattice, kind="surface", cell_m=1.0):
    return HeldGrid(Grid(surface, lattice.transform, lattice.crs), "here", kind, cell_m, 0.2)


def test_the_assessment_confirms_heights_a_centimetre_up_and_down(ground, made):
    lattice = lattice_of(ground)
    assert_least((held(ground, lattice),), lattice, made, np.argwhere(np.isfinite(made))[100::4500])


def test_so_it_does_for_a_satellite_to_the_east_and_on_a_raster_in_degrees():
    surface = village(160, seed=2)
    lattice = lattice_of(surface, crs="EPSG:4326", cell=(1.7e-5, -0.9e-5), x=-24.654, y=58.031)
    made = heights(surface, lattice, asked_of(EAST))
    cells = np.argwhere(np.isfinite(made))
    assert len(cells) > 3000
    assert_least((held(surface, lattice),), lattice, made, cells[50::700], satellite=EAST)


def test_a_wall_asks_for_the_height_that_brings_its_top_out_of_the_room():
    """In closed form: the wall's top stays the room of its distance, as an angle, below the ray."""
    surface = np.full((120, 120), 40.0, dtype=np.float32)
    surface[60:62, :] = 50.0
    made = heights(surface, lattice_of(surface), asked_of(highest_m=50.0))
    row = 50
    latitude, longitude = (float(part) for part in lattice_of(surface).place(row, 60))
    azimuth, elevation, _ = look_angles(latitude, longitude, 50.0, satellite_longitude_deg=-24.0)
    elevation = float(elevation + refraction_deg(elevation, 50.0))
    convergence = Proj(UTM).get_factors(longitude, latitude).meridian_convergence
    away = 10.0 / abs(np.cos(np.deg2rad(azimuth - convergence)))
    rise = 10.0 - float(made[row, 60])
    slant = np.hypot(away, rise)
    room = 0.6 + 0.6 * np.sqrt(299_792_458.0 / 19.7e9 * slant)
    assert elevation - np.rad2deg(np.arctan2(rise, away)) == pytest.approx(
        np.rad2deg(np.arctan(room / slant)), abs=0.02
    )
    assert float(made[60, 60]) < 0.3  # on the wall itself nothing is higher
    assert float(made[75, 60]) < 0.3  # on the satellite's side of it


def test_heights_do_not_depend_on_the_tiles_they_are_made_in(ground, made):
    part = Tile(90, 170, 60, 140)
    alone = heights(ground, lattice_of(ground), asked_of(), part)
    whole = made[90:170, 60:140]
    assert (np.isnan(alone) == np.isnan(whole)).all()
    assert np.nanmax(np.abs(alone - whole)) < 0.005


def test_what_a_void_could_hold_is_unknown_and_never_less(ground, made):
    lattice = lattice_of(ground)
    reach_m = (HIGHEST_M - np.nanmin(ground)) / np.tan(np.deg2rad(24.1))
    assert np.isnan(made[150:158, 100:130]).all()
    assert np.isnan(made[130:150, 105:125]).all()  # north of the void: the satellite stands behind it
    assert np.isfinite(made[162:180, 105:125]).all()  # south of it
    level, rows_left = ground + made, np.arange(ground.shape[0])[::-1, None]  # where the raster ends
    assert (level + rows_left * np.tan(np.deg2rad(24.3)) >= HIGHEST_M)[np.isfinite(made)].all()
    assert np.isnan(made[-20:]).mean() > 0.9
    assert np.isfinite(made[5 : 150 - int(reach_m) - 10, 100:130]).all()
    filled = ground.copy()
    filled[150:158, 100:130] = HIGHEST_M
    high = heights(filled, lattice, asked_of())
    known = np.isfinite(made)
    assert np.abs(high - made)[known].max() < 0.005  # whatever stands in the void, known heights stand
    filled[150:158, 100:130] = 30.0
    low = heights(filled, lattice, asked_of())
    lost = ~known & (high > low + 0.01) & np.isfinite(low)
    assert lost.sum() > 500
    assert not known[np.isfinite(high) & (high > low + 0.01)].any()


def test_with_the_highest_ground_of_the_earth_around_nothing_is_known(ground):
    made = heights(ground, lattice_of(ground), asked_of(highest_m=8849.0), Tile(100, 132, 100, 132))
    assert np.isnan(made).all()


def test_a_void_beyond_the_sight_lines_counts_too(monkeypatch):
    """Ground of 200 m could stand in a void 300 m off; sight lines end at 100 m."""
    from skysill.bulk import surface_tiles

    monkeypatch.setattr(surface_tiles, "_MOST_GAP_M", 100.0)
    surface = np.full((900, 120), 40.0, dtype=np.float32)
    tile = Tile(15, 55, 40, 80)
    assert np.isfinite(heights(surface, lattice_of(surface), asked_of(highest_m=200.0), tile)).all()
    surface[300:310, :] = np.nan
    assert np.isnan(heights(surface, lattice_of(surface), asked_of(highest_m=200.0), tile)).all()
    assert np.isfinite(heights(surface, lattice_of(surface), asked_of(highest_m=120.0), tile)).all()


@pytest.fixture(scope="module")
def ridge(ground):
    """A ridge 750 m south of the village, on a bare raster of 30 m cells that the village's raster does not reach."""
    lattice = lattice_of(ground)
    x, y = 281_500.0 + 30.0 * np.arange(160), 6_438_000.0 - 30.0 * np.arange(160)
    crest = 330.0 * np.exp(-(((y[:, None] - 6_435_060.0) / 160.0) ** 2)) * (1.0 + 0.35 * np.sin(x / 170.0))
    bare = (38.0 + crest + np.random.default_rng(3).normal(0.0, 2.0, (160, 160))).astype(np.float32)
    grid = Grid(bare, (30.0, 0.0, 281_500.0, 0.0, -30.0, 6_438_000.0), UTM)
    far = Ground.of(grid, name="ridge", kind="bare", cell_size_m=30.0, vertical_error_m=3.0)
    relief = Relief(64, *block_relief(ground, 64))
    return grid, FarGround.around(far, lattice, relief), float(bare.max()) + 1.0


def test_ground_beyond_the_surface_raises_heights_as_the_assessment_says(ground, made, ridge):
    grid, far, highest_m = ridge
    lattice = lattice_of(ground)
    with_far = np.full(ground.shape, np.nan, dtype=np.float32)
    for part in (Tile(100, 150, 10, 60), Tile(120, 170, 90, 140), Tile(248, 288, 0, 40)):
        at = np.s_[part.top : part.bottom, part.left : part.right]
        with_far[at] = heights(ground, lattice, asked_of(highest_m=highest_m, far=far), part)
    known = np.isfinite(with_far) & np.isfinite(made)
    raised = known & (with_far > made + 0.05)
    assert raised.sum() > 100
    assert (with_far >= made - 0.001)[known].all()
    assert np.isnan(with_far[-40:]).all()  # trees beyond the surface's end are on no raster
    assert np.isnan(with_far[130:150, 105:125]).all()
    rasters = (held(ground, lattice), HeldGrid(grid, "ridge", "bare", 30.0, 3.0))
    cells = np.concatenate([np.argwhere(raised)[::700], np.argwhere(known)[::700]])
    assert_least(rasters, lattice, with_far, cells, highest_m=highest_m)


def test_a_void_in_the_far_ground_leaves_heights_unknown(ground, ridge):
    grid, _, highest_m = ridge
    values = grid.values.copy()
    values[95:97, :] = np.nan
    torn = Ground.of(Grid(values, grid.transform, grid.crs), name="torn", kind="bare", cell_size_m=30.0,
                     vertical_error_m=3.0)  # fmt: skip
    far = FarGround.around(torn, lattice_of(ground), Relief(64, *block_relief(ground, 64)))
    made = heights(ground, lattice_of(ground), asked_of(highest_m=highest_m, far=far), Tile(0, 64, 0, 64))
    assert np.isnan(made).all()


def test_ground_that_bulges_inside_a_cell_counts():
    """Between two high nodes of a cell, across: 20 u (1 - u) for nodes of 10 m, so 5 m half-way; less q / 4."""
    surface = np.zeros((12, 12), dtype=np.float32)
    surface[1, 1] = surface[2, 2] = 10.0
    one, whole = np.zeros(1), Tile(0, 12, 0, 12)
    for sag_m, expected in ((0.0, 5.0), (2.0, 4.5)):
        lines = SightLines(
            row=np.array([1]), column=np.array([1]), first=np.array([0, 1]), group=np.array([0, 1]), least_rise_m=one,
            nearest_m=one, farthest_m=one, near=np.array([[1.0, 0.0]]), far=np.array([[0.0, 1.0]]), near_rise_m=one,
            far_rise_m=one, sag_m=np.array([sag_m]),
        )  # fmt: skip
        window = surface_window(surface, whole)
        level = raised_levels_m(window, Tile(0, 1, 0, 1), lines, np.zeros((1, 1), dtype=np.float32))
        assert float(level[0, 0]) == pytest.approx(expected, abs=1e-5)


def test_the_allowed_rise_follows_the_curved_earth():
    """Sine rule in the triangle of Earth centre, dish and ground: (R + z) cos(e + theta) = (R + za) cos e."""
    link = Link(Terminal(), Criteria())
    radius, distance, antenna = 8.5e6, 5_000.0, 100.0
    found = float(
        allowed_rise_m(np.array([distance]), np.zeros(1), elevation_deg=20.0, link=link, antenna_elevation_m=antenna,
                       radius_m=np.array([radius]))[0]
    )  # fmt: skip
    slant = np.hypot(distance, found)
    lowest = np.deg2rad(20.0) - np.arctan((0.6 + 0.6 * np.sqrt(299_792_458.0 / 19.7e9 * slant)) / slant)
    theta = distance / radius
    expected = (radius + antenna) * (np.cos(lowest) / np.cos(lowest + theta) - 1.0)
    assert found == pytest.approx(expected, abs=0.05)
    assert expected - distance * np.tan(lowest) > 1.4  # what the curvature adds


def test_coarser_ground_under_the_surface_does_not_count(ground, made, ridge):
    grid, _, highest_m = ridge
    low = np.full(grid.values.shape, 20.0, dtype=np.float32)
    hill = low.copy()
    hill[68:70, 69:73] = 300.0  # inside the village by the coarse raster
    lattice, relief = lattice_of(ground), Relief(64, *block_relief(ground, 64))

    def over(values):
        far = Ground.of(Grid(values, grid.transform, UTM), name="far", kind="bare", cell_size_m=30.0,
                        vertical_error_m=3.0)  # fmt: skip
        asked = asked_of(highest_m=highest_m, far=FarGround.around(far, lattice, relief))
        return heights(ground, lattice, asked, Tile(0, 12, 60, 140))

    low_m, hill_m = over(low), over(hill)
    known = np.isfinite(low_m)
    assert known.mean() > 0.9
    assert np.abs(low_m - hill_m)[known].max() < 1e-4

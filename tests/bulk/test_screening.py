"""Screening gives what the assessment of one mount gives, on real ground, for every address and field."""

from __future__ import annotations

from functools import lru_cache

import matplotlib.cbook
import numpy as np
import pytest
from pyproj import Transformer

from skysill.assessment.pipeline import assess
from skysill.bulk import screening
from skysill.bulk.compiled.jit import available
from skysill.bulk.local_maps import local_maps
from skysill.bulk.ray_fan import Rays
from skysill.bulk.ray_samples import sampled
from skysill.bulk.screening import FLOOR_DEG, Ground, ScreeningQuery, screen, screen_one_by_one
from skysill.horizon.block_maxima import maximum_pyramid
from skysill.horizon.lattice import Grid, HeldGrid, interpolate, lattice_position
from skysill.horizon.rays import crossings, ray_paths
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal

WAYS = ("arrays", "loops") if available() else ("arrays",)


def take_way(monkeypatch, name):
    """By arrays as without numba, or by the compiled loops."""
    monkeypatch.setattr(screening, "available", lambda: name == "loops")


@pytest.fixture(params=WAYS)
def way(request, monkeypatch):
    take_way(monkeypatch, request.param)


@lru_cache
def tennessee():
    """SRTM, 3 arc seconds, eastern Tennessee, as shipped with matplotlib; its north edge lies at 36.44625 degrees.

    The file's own "ymin" is a slip; row 0 is the north edge and rows run down to 36.15958, by the towns on it.
    """
    with np.load(matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz", asfileobj=False)) as data:
        values = data["elevation"].astype(np.float32)
    cell = 1.0 / 1200.0
    return Grid(values, (cell, 0.0, -84.41375 + cell / 2, 0.0, -cell, 36.44625 - cell / 2), "EPSG:4326")


def ground(grid=None, **over):
    said = {"name": "ground.tif", "kind": "bare", "cell_size_m": 92.5, "vertical_error_m": 5.7} | over
    return Ground.of(grid or tennessee(), **said)


def query(longitude, **over):
    said = {"highest_ground_m": 1077.0} | over
    return ScreeningQuery(Satellite("Demo", longitude), Terminal(), Criteria(), **said)


def chain(own, latitude, longitude, height, asked):
    job = Job(
        site=Site("a", float(latitude), float(longitude)),
        satellites=(asked.satellite,),
        sources=Sources(rasters=(own.source,), highest_ground_m=asked.highest_ground_m),
    )
    return assess(job, Mount(height_m=float(height))).results[0]


def places(count, seed):
    rng = np.random.default_rng(seed)
    return rng.uniform(36.17, 36.44, count), rng.uniform(-84.40, -84.09, count), rng.uniform(0.5, 6.0, count)


@pytest.mark.parametrize(("satellite", "count", "seed"), [(-15.0, 180, 1), (-20.0, 160, 2), (-140.0, 160, 3)])
@pytest.mark.slow
def test_every_field_of_five_hundred_addresses_equals_its_own_assessment(satellite, count, seed, monkeypatch):
    """Satellites at 7 to 20 degrees, so that mountains matter; margins over ten degrees may be a floor."""
    own, asked = ground(), query(satellite)
    where = places(count, seed)
    ones = [chain(own, *place, asked) for place in zip(*where, strict=True)]
    for name in WAYS:
        take_way(monkeypatch, name)
        holds_every_field(screen(own, *where, asked), ones)


def holds_every_field(found, ones):
    """Whether the fields of all addresses are those of their assessments."""
    assert {"blocked", "marginal", "needs-survey"} & set(found.verdict)
    for at, one in enumerate(ones):
        assert found.verdict[at] == one.verdict, (at, one.reasons, found.reason[at])
        assert found.azimuth_deg[at] == pytest.approx(one.look.azimuth_deg, abs=1e-9)
        assert found.elevation_deg[at] == pytest.approx(one.look.elevation_deg, abs=1e-9)
        margin_deg = one.clearance.margin_deg
        if margin_deg is None or margin_deg > FLOOR_DEG:
            assert found.margin_is_floor[at]
            assert np.isnan(found.terrain_elevation_deg[at])
            continue
        assert not found.margin_is_floor[at]
        if one.verdict == "unknown":  # the raster's very last line may count on one side only
            assert found.margin_deg[at] == pytest.approx(margin_deg, abs=0.05)
            continue
        # a crest between crossings is noted from 0.003 degrees up; whether it is may differ by rounding
        assert found.margin_deg[at] == pytest.approx(margin_deg, abs=0.001)
        if one.horizon.elevation_deg is None:
            assert np.isnan(found.terrain_elevation_deg[at])
        else:
            assert found.terrain_elevation_deg[at] == pytest.approx(one.horizon.elevation_deg, abs=0.004)
            assert found.terrain_distance_m[at] == pytest.approx(one.horizon.distance_m, abs=1.5 * 92.5)
        if one.verdict == "blocked":
            assert found.reason[at] == one.reasons[0]


def invented(seed, roughness=2.0, relief_m=120.0, side=420):
    """Fractal ground."""
    rng = np.random.default_rng(seed)
    frequency = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None])
    ground = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side)))
                           * (frequency**2 + 0.004**2) ** (-roughness / 2), s=(side, side))  # fmt: skip
    return (relief_m * (ground - ground.mean()) / ground.std() + 300.0).astype(np.float32)


def holed(values):
    values[np.random.default_rng(9).random(values.shape) < 0.0005] = np.nan
    values[180:190] = np.nan
    return values


LATTICES = {
    "rotated": (invented(1), (24.0, 9.0, 500_000.0, 9.0, -24.0, 6_400_000.0), "EPSG:32631", 3.0, 26.0),
    "degrees, far north": (invented(3), (1 / 1200, 0.0, 15.0, 0.0, -1 / 3600, 78.4), "EPSG:4326", 20.0, 31.0),
    "south": (invented(4, 2.0, 300.0), (30.0, 0.0, 300_000.0, 0.0, -30.0, 6_000_000.0), "EPSG:32719", -110.0, 30.0),
    "over the antimeridian": (invented(5, 2.0, 300.0), (1 / 2400, 0.0, 179.9, 0.0, -1 / 3600, -16.8), "EPSG:4326",
                              -112.0, 46.0),
    "rows from the south": (invented(10), (30.0, 0.0, 500_000.0, 0.0, 30.0, 6_500_000.0), "EPSG:32627", -30.0, 30.0),
    "Mercator": (invented(11), (60.0, 0.0, 1_000_000.0, 0.0, -60.0, 8_400_000.0), "EPSG:3857", 5.0, 30.0),
    "fine": (invented(6, 2.1, 25.0), (5.0, 0.0, 500_000.0, 0.0, -5.0, 6_600_000.0), "EPSG:32627", -20.0, 5.0),
    "finest": (invented(13, 2.3, 12.0), (1.0, 0.0, 500_000.0, 0.0, -1.0, 6_600_000.0), "EPSG:32627", -20.0, 1.0),
    "whole tens of metres": (np.round(invented(7, 1.8, 110.0), -1), (30.0, 0.0, 500_000.0, 0.0, -30.0, 6_600_000.0),
                             "EPSG:32627", -20.0, 30.0),
    "holes": (holed(invented(9)), (30.0, 0.0, 500_000.0, 0.0, -30.0, 6_600_000.0), "EPSG:32627", -20.0, 30.0),
}  # fmt: skip


@pytest.mark.parametrize("name", LATTICES)
@pytest.mark.slow
def test_any_lattice_and_ground_gives_what_one_assessment_gives(name, monkeypatch):
    values, transform, crs, satellite, cell_m = LATTICES[name]
    own = ground(Grid(values, transform, crs), cell_size_m=cell_m, vertical_error_m=0.1 * cell_m)
    rng = np.random.default_rng(12)
    column, row = rng.uniform(15, 405, 60), rng.uniform(15, 405, 60)
    a, b, c, d, e, f = transform
    to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(a * column + b * row + c, d * column + e * row + f)
    longitude, height = (longitude + 180.0) % 360.0 - 180.0, rng.choice([0.5, 2.0, 6.0, 30.0], 60)
    asked = query(satellite, highest_ground_m=float(np.nanmax(values)))
    ones = [chain(own, *place, asked) for place in zip(latitude, longitude, height, strict=True)]
    for way_name in WAYS:
        take_way(monkeypatch, way_name)
        holds_verdict_and_margin(screen(own, latitude, longitude, height, asked), ones)


def holds_verdict_and_margin(found, ones):
    near = 0
    for at, one in enumerate(ones):
        assert found.verdict[at] == one.verdict, (at, one.reasons, found.reason[at])
        margin_deg = (
            FLOOR_DEG if one.clearance.margin_deg is None else min(one.clearance.margin_deg, FLOOR_DEG)
        )
        if one.verdict != "unknown":
            near += margin_deg < FLOOR_DEG
            assert found.margin_deg[at] == pytest.approx(margin_deg, abs=0.001)
    assert near > 1


@pytest.mark.usefixtures("way")
def test_over_the_highest_ground_bare_terrain_is_still_no_near_evidence():
    """A mast that no ground can reach may still look into trees and houses: that is for a survey to say."""
    grid = Grid(np.zeros((400, 400), np.float32), (5.0, 0.0, 560_000.0, 0.0, -5.0, 6_440_000.0), "EPSG:32627")
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(
        561_000.0, 6_439_000.0
    )
    asked = query(-24.0, highest_ground_m=20.0)
    for kind, cell_m, verdict in (
        ("bare", 5.0, "needs-survey"),
        ("bare", 1.0, "needs-survey"),
        ("surface", 1.0, "clear"),
    ):
        own = ground(grid, kind=kind, cell_size_m=cell_m, vertical_error_m=0.1)
        assert chain(own, latitude, longitude, 30.0, asked).verdict == verdict
        assert screen(own, latitude, longitude, 30.0, asked).verdict[0] == verdict


@pytest.mark.usefixtures("way")
def test_where_the_raster_ends_too_soon_the_verdict_is_unknown_as_in_the_chain():
    own, asked = ground(), query(-60.0, highest_ground_m=8849.0)
    latitude, longitude, height = places(60, 4)
    found = screen(own, latitude, longitude, height, asked)
    verdicts = [chain(own, *place, asked).verdict for place in zip(latitude, longitude, height, strict=True)]
    assert list(found.verdict) == verdicts
    assert {"unknown", "needs-survey"} <= set(verdicts)


@pytest.mark.usefixtures("way")
def test_voids_make_unknown_what_they_might_hide_as_in_the_chain():
    grid = tennessee()
    values = grid.values.copy()
    values[150:152, 100:300] = np.nan
    own, asked = ground(Grid(values, grid.transform, grid.crs)), query(-60.0)
    latitude, longitude, height = places(60, 5)
    found = screen(own, latitude, longitude, height, asked)
    verdicts = [chain(own, *place, asked).verdict for place in zip(latitude, longitude, height, strict=True)]
    assert list(found.verdict) == verdicts
    assert "unknown" in verdicts


@pytest.mark.usefixtures("way")
def test_the_least_height_is_enough_and_a_little_less_is_not():
    own, asked = ground(), query(-15.0)
    latitude, longitude, _ = places(150, 6)
    found = screen(own, latitude, longitude, 2.0, asked)
    raised = np.flatnonzero(~np.isnan(found.least_height_m))
    assert raised.size > 3
    for at in raised[:8]:
        height_m = found.least_height_m[at]
        assert chain(own, latitude[at], longitude[at], height_m + 0.15, asked).clearance.has_clearance
        assert not chain(own, latitude[at], longitude[at], height_m - 0.25, asked).clearance.has_clearance


@pytest.mark.usefixtures("way")
def test_an_address_without_ground_and_a_satellite_that_never_rises_say_so():
    own = ground()
    outside = screen(own, 40.0, -84.2, 2.0, query(-60.0))
    assert outside.verdict[0] == "unknown"
    assert outside.reason[0] == "ground.tif has no data at the address."
    below = screen(own, 36.3, -84.2, 2.0, query(80.0))
    assert below.verdict[0] == "blocked"
    assert "never rises here" in below.reason[0]
    assert screen(own, [], [], [], query(-60.0)).verdict.size == 0


@pytest.mark.usefixtures("way")
def test_a_fine_surface_raster_is_left_to_the_chain_and_may_say_clear():
    """Only a surface raster of 2 m or finer is near evidence; flat ground at 1 m leaves nothing in the way."""
    grid = Grid(np.zeros((400, 400), np.float32), (1.0, 0.0, 560_000.0, 0.0, -1.0, 6_440_000.0), "EPSG:32627")
    fine = ground(grid, kind="surface", cell_size_m=1.0, vertical_error_m=0.1)
    column, row = 200.0, 100.0
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(
        560_000.0 + column, 6_440_000.0 - row
    )
    asked = query(-24.0, highest_ground_m=20.0)
    assert screen(fine, latitude, longitude, 2.0, asked).verdict[0] == "clear"
    assert screen_one_by_one((fine.source,), latitude, longitude, 2.0, asked).verdict[0] == "clear"
    coarse = ground(grid, kind="bare", cell_size_m=1.0, vertical_error_m=0.1)
    assert screen(coarse, latitude, longitude, 2.0, asked).verdict[0] == "needs-survey"


@pytest.mark.usefixtures("way")
@pytest.mark.slow
def test_under_the_satellite_open_ground_needs_no_ray_and_the_assessment_agrees():
    """From 80 degrees of elevation up the azimuth means little: ground all around is bounded instead."""
    grid = tennessee()
    a, b, _, d, e, _ = grid.transform
    own = ground(Grid(grid.values, (a, b, 10.0, d, e, 2.1), "EPSG:4326"))
    latitude, longitude = np.array([1.95, 1.97]), np.array([10.1, 10.2])
    asked = query(10.15)
    found = screen(own, latitude, longitude, 2.0, asked)
    for at in range(2):
        one = chain(own, latitude[at], longitude[at], 2.0, asked)
        assert found.verdict[at] == one.verdict == "needs-survey"
        assert found.margin_is_floor[at]
        assert one.clearance.margin_deg is None or one.clearance.margin_deg > FLOOR_DEG


@pytest.mark.usefixtures("way")
def test_full_gives_margins_beyond_the_floor():
    own = ground()
    found = screen(own, 36.3, -84.2, 2.0, query(-84.0, full=True))
    assert not found.margin_is_floor[0]
    assert found.margin_deg[0] > FLOOR_DEG
    one = chain(own, 36.3, -84.2, 2.0, query(-84.0))
    assert found.margin_deg[0] == pytest.approx(one.clearance.margin_deg)


def test_rays_from_many_places_meet_the_samples_that_one_place_meets():
    """The same lattice crossings as the sampler of every other terrain calculation, within a millimetre of height."""
    grid = tennessee()
    latitude, longitude, azimuth = np.array([36.30]), np.array([-84.25]), np.array([141.0])
    maps = local_maps(grid, latitude, longitude)
    first, second = maps.along(np.sin(np.deg2rad(azimuth)), np.cos(np.deg2rad(azimuth)))
    antenna_m = interpolate(grid, *lattice_position(grid, latitude, longitude)) + 5.0
    rays = Rays(np.zeros(1, np.int64), maps.start, first, second, antenna_m, np.array([8.5e6]), np.array([-1e3]),
                np.array([6_000.0]), 200.0)  # fmt: skip
    many = sampled(grid, rays, maximum_pyramid(grid.values, has_void=grid.has_void))
    paths = ray_paths(
        grid, latitude_deg=latitude, longitude_deg=longitude, azimuth_deg=azimuth, distance_m=6_000.0
    )
    one = crossings(grid, paths, 0, 100)
    good = ~np.isnan(one.distance_m[0]) & (one.distance_m[0] >= 200.0) & (one.distance_m[0] <= 6_000.0)
    wanted_m, height_m = one.distance_m[0][good], one.elevation_m[0][good]
    order = np.argsort(many.distance_m)
    at = np.searchsorted(many.distance_m[order], wanted_m)
    nearest = np.clip(at, 0, order.size - 1)
    before = np.clip(at - 1, 0, order.size - 1)
    gap = np.minimum(
        np.abs(many.distance_m[order][nearest] - wanted_m), np.abs(many.distance_m[order][before] - wanted_m)
    )
    assert gap.max() < 0.05
    pick = np.where(np.abs(many.distance_m[order][nearest] - wanted_m) < 0.05, nearest, before)
    assert np.abs(many.elevation_m[order][pick] - height_m).max() < 0.02


def test_block_maxima_are_never_below_the_ground_they_cover():
    grid = tennessee()
    maxima = maximum_pyramid(grid.values, has_void=grid.has_void)
    rng = np.random.default_rng(8)
    column, row = rng.uniform(0, 402, 2_000), rng.uniform(0, 343, 2_000)
    for level in range(5):
        reach = 2.0**level
        there_column = np.clip(column + rng.uniform(-reach, reach, 2_000), 0, 402)
        there_row = np.clip(row + rng.uniform(-reach, reach, 2_000), 0, 343)
        height_m = interpolate(grid, there_column, there_row)
        assert (maxima.highest_near(level, column, row) >= height_m - 1e-3).all()


def test_a_held_grid_speaks_for_the_ground():
    assert isinstance(ground().source, HeldGrid)


@pytest.mark.usefixtures("way")
def test_a_margin_is_exact_to_ground_that_could_never_take_the_room():
    """A long wall of 1000 m, 3.7 km south, under a satellite at 20 degrees comes to within some five degrees, though
    ground of 1000 m can take the room only within 2.8 km. Closed form on the effective sphere.
    """
    values = np.zeros((500, 500), np.float32)
    values[400:] = 1000.0
    grid = Grid(values, (30.0, 0.0, 492_500.0, 0.0, -30.0, 6_750_000.0), "EPSG:32627")
    to_degrees = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(500_000.0, 6_750_000.0 - 30.0 * 276.7)
    own, asked = (
        ground(grid, cell_size_m=30.0, vertical_error_m=3.0),
        query(-21.0, highest_ground_m=1000.0),
    )
    one, found = chain(own, latitude, longitude, 2.0, asked), screen(own, latitude, longitude, 2.0, asked)
    distance_m, radius_m = 30.0 * (400.0 - 276.7) / 0.9996, 8_510_000.0
    top_deg = np.rad2deg(np.arctan2(998.0 - distance_m**2 / (2.0 * radius_m), distance_m))
    below_deg = one.look.elevation_apparent_deg - top_deg
    assert 2.0 < below_deg < 7.0
    assert one.clearance.vertical_margin_deg == pytest.approx(below_deg, abs=0.05)
    assert one.clearance.margin_deg == pytest.approx(below_deg, abs=0.05)
    assert found.margin_deg[0] == pytest.approx(one.clearance.margin_deg, abs=0.001)

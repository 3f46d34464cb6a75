"""The compiled loops, run as plain Python over small scenes, give what the assessment of one mount gives.

Every scene has its own lattices, satellite and hemisphere, so that a changed sign or axis shows in one of them. Samples
are few: the loops and the assessment take the same ones.
"""

from __future__ import annotations

import re
from contextlib import contextmanager
from dataclasses import replace
from functools import lru_cache, partial

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from pyproj import Geod, Transformer

from plain_loops import plain_loops
from skysill.assessment import confidence
from skysill.assessment.pipeline import assess
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.screening import screen_one_by_one
from skysill.horizon.lattice import Grid, HeldGrid, interpolate
from skysill.model.default_errors import RasterFacts
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from small_village import rough_ground

SAMPLES = 40


def houses_on(ground, seed, *, count, cell_m):
    """Ground with flat-roofed houses and thin trees on it."""
    rng, top, side = np.random.default_rng(seed), ground.copy(), ground.shape[0]
    for _ in range(count):
        row, column = rng.integers(2, side - 10, 2)
        down, across = (rng.integers(4, 9, 2) / cell_m).astype(int) + 1
        part = np.s_[row : row + down, column : column + across]
        top[part] = ground[row, column] + rng.uniform(3.0, 8.0)
        row, column = rng.integers(2, side - 2, 2)
        top[row, column] = ground[row, column] + rng.uniform(4.0, 14.0)
    return top


def raster(values, transform, crs, name, kind, cell_m, error_m, **facts):
    grid = Grid(np.asarray(values, np.float32), transform, crs)
    return HeldGrid(grid, name, kind, cell_m, error_m, RasterFacts(**facts))


def around(epsg, east_m, north_m, *, half=20, relief_m=6.0, seed=5, below_m=8.0):
    """Bare ground of 30 m cells."""
    values = rough_ground(seed, 2.4, relief_m, 2 * half) - below_m
    corner = (30.0, 0.0, east_m - 30.0 * half, 0.0, -30.0, north_m + 30.0 * half)
    return raster(values, corner, f"EPSG:{epsg}", "around.tif", "bare", 30.0, 1.0, horizontal_error_m=2.0)


def village(**how):
    """Surface of 1 m with a void over coarse ground, north of the equator, satellite in the south."""
    ground = rough_ground(1, 2.6, 3.0, 72)
    top = houses_on(ground, 2, count=9, cell_m=1.0)
    if how.get("void"):
        top[40:46, 24:31] = np.nan
    east_m, north_m = 500_000.0, 6_430_000.0
    corner = (1.0, 0.0, east_m - 52.3, 0.0, -1.0, north_m + 14.4)
    fine = raster(top, corner, "EPSG:32627", "village.tif", "surface", 1.0, 0.3, horizontal_error_m=0.4)
    return fine, around(32627, east_m, north_m)


def spots(where, count, seed, *, reach_m, low_m=0.5, high_m=5.0, kept=slice(None)):
    epsg, east_m, north_m = where
    rng = np.random.default_rng(seed)
    x, y = east_m + rng.uniform(-reach_m, reach_m, count), north_m + rng.uniform(-reach_m, reach_m, count)
    longitude, latitude = Transformer.from_crs(f"EPSG:{epsg}", "EPSG:4326", always_xy=True).transform(x, y)
    height = rng.uniform(low_m, high_m, count)
    return tuple(
        part[list(kept)] if isinstance(kept, tuple) else part for part in (latitude, longitude, height)
    )


def asked_of(longitude_deg, highest_m, **terminal):
    return ScreeningQuery(Satellite("Demo", longitude_deg), Terminal(**terminal), Criteria(), highest_m)


def scene(name):
    """Rasters, (latitude, longitude, height) of places, query."""
    where = (32627, 500_000.0, 6_430_000.0)
    if name == "village":
        return (
            village(),
            spots(where, 11, 1, reach_m=12.0, high_m=3.0, kept=(0, 2, 4, 5, 8)),
            asked_of(-20.0, 340.0),
        )
    if name == "voids":
        return (
            village(void=True),
            spots(where, 8, 2, reach_m=12.0, high_m=3.0, kept=(0, 2, 3, 5)),
            asked_of(-60.0, 340.0),
        )
    if name == "hills":  # coarse ground alone, low satellite in the east
        hills = around(*where, relief_m=30.0, seed=7)
        return (hills,), spots(where, 10, 3, reach_m=200.0), asked_of(35.0, 400.0)
    if name == "steep":  # coarse ground that is high so near that it is not relied on
        hills = around(*where, relief_m=36.0, seed=8)
        return (hills,), spots(where, 8, 4, reach_m=300.0, high_m=9.0), asked_of(-20.0, 480.0)
    if name == "two surfaces":  # half metre inside two metres, south of the equator, oblique lattice
        where = (32719, 300_000.0, 6_000_000.0)
        ground = rough_ground(3, 2.4, 2.0, 60)
        wide = houses_on(ground, 4, count=9, cell_m=2.0)
        turned = (1.6, 1.2, where[1] - 84.0, 1.2, -1.6, where[2] + 12.0)
        near = houses_on(np.full((64, 64), 300.0, np.float32), 5, count=3, cell_m=0.5)
        corner = (0.5, 0.0, where[1] - 16.0, 0.0, -0.5, where[2] + 16.0)
        crs = f"EPSG:{where[0]}"
        rasters = (
            raster(near, corner, crs, "roof.tif", "surface", 0.5, 0.1, cells="highest"),
            raster(wide, turned, crs, "town.tif", "surface", 2.0, 0.5, cells="mean"),
        )
        return (
            rasters,
            spots(where, 8, 6, reach_m=20.0, low_m=0.3, high_m=2.0, kept=(0, 1, 3, 4, 5, 6, 7)),
            asked_of(-120.0, 325.0),
        )
    raise AssertionError(name)


SCENES = ("steep", "hills", "two surfaces", "voids", "village")


def few(real, uncertain, ray, link, errors, samples, enough=0.0):
    return real(uncertain, ray, link, errors, min(samples, SAMPLES), enough)


def assessed(rasters, latitude, longitude, height, asked):
    job = Job(
        site=Site("a", float(latitude), float(longitude)), satellites=(asked.satellite,), terminal=asked.terminal,
        criteria=asked.criteria, sources=Sources(rasters=rasters, highest_ground_m=asked.highest_ground_m),
    )  # fmt: skip
    return assess(job, Mount(height_m=float(height)), losses=False).results[0]


@contextmanager
def few_samples():
    loops = plain_loops()
    with pytest.MonkeyPatch.context() as patch, np.errstate(all="ignore"):
        patch.setattr(loops.draws, "SAMPLES", SAMPLES)
        patch.setattr(loops.draws, "ALONE_SAMPLES", SAMPLES)
        patch.setattr(confidence, "_spares", partial(few, confidence._spares))
        yield loops, patch


def noting(real, caught, stack, dishes, *more, **words):
    caught.append((dishes, real(stack, dishes, *more, **words)))
    return caught[-1][1]


@lru_cache
def answers(name):
    """Stack, results of screening, what the loops found of each dish, its least heights, assessments."""
    rasters, places, asked = scene(name)
    caught, heights = [], []
    with few_samples() as (loops, patch):
        for told, function in ((caught, "dish_findings"), (heights, "least_dish_heights")):
            patch.setattr(loops.verdicts, function, partial(noting, getattr(loops.verdicts, function), told))
        stack = loops.raster_stack.raster_stack(rasters, [one.grid for one in rasters])
        results = loops.verdicts.screen_compiled(stack, rasters, *places, asked)
        each = [assessed(rasters, *place, asked) for place in zip(*places, strict=True)]
    return stack, results, *caught[0], *heights, each


def numbers_and_words(sentence):
    """A sentence without its numbers; the numbers; how far each may differ, one unit of its last digit."""
    number = re.compile(r"\d+(?:\.(\d+))?")
    found = list(number.finditer(sentence))
    steps = [10.0 ** -len(one[1] or "") for one in found]
    return number.sub("#", sentence), np.array([float(one[0]) for one in found]), np.array(steps)


@pytest.mark.parametrize(
    ("epsg", "east_m", "north_m"), [(32627, 480_000.0, 6_430_000.0), (32719, 700_000.0, 4_000_000.0)]
)
def test_rays_lie_where_the_geodesics_do(epsg, east_m, north_m):
    """Against geodesics and the projection of PROJ, out to 15 km."""
    grid = Grid(np.zeros((9, 9), np.float32), (20.0, 8.0, east_m, 8.0, -20.0, north_m), f"EPSG:{epsg}")
    back = Transformer.from_crs(f"EPSG:{epsg}", "EPSG:4326", always_xy=True)
    longitude, latitude = (np.array([part]) for part in back.transform(east_m, north_m))
    loops, geod = plain_loops(), Geod(ellps="WGS84")
    rays = np.zeros((400, loops.ray_sampling.RAY_FIELDS))
    for azimuth in (17.0, 49.0, 104.0, 131.0, 199.0, 286.0):
        centre = loops.ray_sampling.turn_rays(rays, 20, 5, 8, np.deg2rad(azimuth), 1 / 8.5e6, 1 / 8.4e6)
        offsets = np.rad2deg(rays[: 2 * centre + 1, loops.ray_sampling.OFF_RAD])
        assert offsets == pytest.approx(
            [-4.0, -3.5, -3.0, -2.5, *np.arange(-20, 21) / 10, 2.5, 3.0, 3.5, 4.0]
        )
        loops.ray_sampling.lay_rays(
            rays, 2 * centre + 1, loops.cubic_maps.cubic_maps(grid, latitude, longitude)[0]
        )
        for number, distance_m in ((0, 700.0), (centre, 5_000.0), (0, 15_000.0), (2 * centre, 18_000.0)):
            at = geod.fwd(longitude[0], latitude[0], azimuth + offsets[number], distance_m)
            x, y = back.transform(*at[:2], direction="INVERSE")
            column, row = np.linalg.solve([[20.0, 8.0], [8.0, -20.0]], [x - east_m, y - north_m])
            found = loops.ray_sampling.position(rays[number], distance_m)
            assert found == pytest.approx((column, row), abs=1e-4)  # 2 mm


def test_what_stands_off_a_roof():
    """Against the definition: a slope over the steepest, or no straight line of half the length that stays up."""
    loops, rng = plain_loops(), np.random.default_rng(9)
    values = (10.0 + rng.uniform(0.0, 0.12, (60, 50))).astype(np.float32)
    values[20:23, 30:34] += 0.6  # a chimney
    row, column = np.mgrid[:60, :50]
    values += np.maximum(1.2 - 0.3 * np.hypot(row - 40, column - 12), 0.0)  # a cone: steep nowhere at its top
    values += np.where(
        (column > 22) & (row > 30), np.maximum(1.0 - 0.25 * abs(row - 46), 0.0), 0.0
    )  # a ridge
    values[5, 5] = np.nan
    start, linear = np.array([[24.0, 31.0]]), np.array([[[3.5, 0.4], [0.3, -3.6]]])
    square = np.array([[[0.03, 0.05, -0.02], [-0.04, 0.02, 0.03]]])
    east, north = rng.uniform(-7.0, 7.0, (2, 150))
    east[:20], north[:20] = rng.uniform(-3.4, -2.9, 20), rng.uniform(-3.0, -2.4, 20)  # on the cone
    east[20:50], north[20:50] = rng.uniform(1.0, 5.0, 30), rng.uniform(-4.4, -3.2, 30)  # on the ridge
    half, found = rng.integers(2, 5, 150), np.zeros(150, dtype=np.int8)
    loops.standing_off.stand_off(
        values, start, linear, square, np.zeros(150, dtype=int), east, north, half, 0.3, 0.5, found
    )
    off, whole = np.array(
        [
            standing_off(values, start[0], linear[0], square[0], *spot)
            for spot in zip(east, north, half, strict=True)
        ]
    ).T
    assert (found[whole] == off[whole]).all()
    assert ((found == -1) | (found == off)).all()
    assert set(found.tolist()) == {-1, 0, 1}


def standing_off(values, start, linear, square, x, y, half):
    """Whether a spot stands off, and whether all samples around it have data."""
    turn = np.arange(16) * np.pi / 16
    along = np.arange(-half, half + 1) * 0.5
    e, n = x + np.sin(turn)[:, None] * along, y + np.cos(turn)[:, None] * along
    square = (
        square[:, 0, None, None] * e * e + square[:, 1, None, None] * e * n + square[:, 2, None, None] * n * n
    )
    column, row = start[:, None, None] + linear[:, 0, None, None] * e + linear[:, 1, None, None] * n + square
    z = interpolate(Grid(values, (1.0, 0.0, 0.0, 0.0, 1.0, 0.0), "EPSG:32627"), column, row)
    steep = np.abs(z[:, half + 1] - z[:, half - 1]) > 0.5
    level = (sliding_window_view(z, half + 1, axis=1) >= z[0, half] - 0.3).all(axis=2)
    return steep.any() or not level.any(), not np.isnan(z).any()


@pytest.mark.parametrize("name", SCENES)
def test_verdicts_and_sentences(name):
    _, results, _, _, _, each = answers(name)
    assert results.verdict.tolist() == [one.verdict for one in each]
    for at, one in enumerate(each):
        assert results.azimuth_deg[at] == pytest.approx(one.look.azimuth_deg, abs=1e-9)
        assert results.elevation_deg[at] == pytest.approx(one.look.elevation_deg, abs=1e-9)
        if results.margin_is_floor[at]:
            assert results.margin_deg[at] == 10.0
            assert one.clearance.margin_deg is None or one.clearance.margin_deg > 10.0
        else:
            assert results.margin_deg[at] == pytest.approx(one.clearance.margin_deg, abs=0.001)
            assert results.terrain_elevation_deg[at] == pytest.approx(one.horizon.elevation_deg, abs=0.001)
            assert results.terrain_distance_m[at] == pytest.approx(one.horizon.distance_m, rel=0.001)
        if one.verdict != "clear":
            words, numbers, steps = numbers_and_words(one.reasons[0])
            other_words, other_numbers, _ = numbers_and_words(results.reason[at])
            assert other_words == words
            assert (np.abs(other_numbers - numbers) <= 1.01 * steps).all(), (
                results.reason[at],
                one.reasons[0],
            )


@pytest.mark.parametrize("name", SCENES)
def test_clearance_and_certainty(name):
    stack, _, _, found, _, each = answers(name)
    assert len(each) == found.untold.size
    assert not found.untold.any()
    clear = found.clearances
    for at, one in enumerate(each):
        spare = one.clearance.spare_deg
        assert clear.met[at] == (one.verdict == "blocked")
        if spare is None or spare > 10.0:
            assert clear.spare_deg[at] > 9.9999
        else:
            # lower ground just behind the edge of a wall may be nearer by 2 cm along the line of sight than the edge
            assert clear.spare_deg[at] == pytest.approx(spare, abs=0.003)
            assert clear.margin_deg[at] == pytest.approx(one.clearance.margin_deg, abs=0.001)
            assert clear.slant_m[at] == pytest.approx(one.clearance.controlling.distance_m, rel=0.0015)
            assert stack.sources[clear.raster[at]].name == one.clearance.controlling.name
        if one.horizon.elevation_deg is not None:
            assert clear.top_deg[at] == pytest.approx(one.horizon.elevation_deg, abs=0.001)
            assert clear.top_slant_m[at] == pytest.approx(one.horizon.distance_m, rel=0.001)
        if one.p_clear is not None and np.isfinite(found.p_clear[at]):
            assert found.p_clear[at] == pytest.approx(one.p_clear, abs=0.5 / SAMPLES)


def test_the_scenes_show_every_verdict():
    every = [one.verdict for name in SCENES for one in answers(name)[-1]]
    assert {verdict: every.count(verdict) >= 2 for verdict in set(every)} == dict.fromkeys(
        ("blocked", "clear", "marginal", "needs-survey", "unknown"), True
    )


def test_least_heights_leave_the_room_and_a_centimetre_less_does_not():
    told = 0
    for name in SCENES:
        rasters, _, asked = scene(name)
        _, _, _, _, (dishes, least), _ = answers(name)
        for at in np.flatnonzero(np.isfinite(least.height_m))[:3]:
            place = dishes.latitude_deg[at], dishes.longitude_deg[at]
            assert assessed(rasters, *place, least.height_m[at], asked).clearance.spare_deg > -0.001
            short = assessed(rasters, *place, least.height_m[at] - 0.01, asked).clearance
            assert not short.has_clearance
            assert short.controlling.name == rasters[least.raster[at]].name
            assert least.slant_m[at] == pytest.approx(short.controlling.distance_m, rel=0.05)
            told += 1
    assert told >= 9


@pytest.mark.parametrize(("name", "some"), [("hills", [4, 6]), ("two surfaces", [0])])
def test_bounds_change_no_answer(name, some):
    rasters, places, asked = scene(name)
    with few_samples() as (loops, _):
        stack = loops.raster_stack.raster_stack(rasters, [one.grid for one in rasters])
        dishes = loops.placed.place_dishes(stack, *(part[some] for part in places), asked)
        quick, slow = (
            loops.kernel.dish_clearances(stack, dishes, asked, bounded=bounded) for bounded in (True, False)
        )
        assert np.array_equal(quick.spare_deg, slow.spare_deg)
        quick, slow = (
            loops.kernel.least_dish_heights(stack, dishes, asked, most_m=9.0, bounded=bounded).height_m
            for bounded in (True, False)
        )
        assert np.array_equal(quick, slow)


def test_position_error_of_an_address():
    rasters, places, asked = scene("hills")
    some = tuple(part[[0, 4, 9]] for part in places)
    asked = replace(asked, position_error_m=20.0)
    with few_samples() as (loops, _):
        stack = loops.raster_stack.raster_stack(rasters, [one.grid for one in rasters])
        found = loops.verdicts.screen_compiled(stack, rasters, *some, asked)
        one_by_one = screen_one_by_one(rasters, *some, asked)
    assert found.verdict.tolist() == one_by_one.verdict.tolist()
    assert found.reason.tolist() == one_by_one.reason.tolist()
    assert set(found.verdict) == {"blocked", "marginal"}


@pytest.mark.parametrize("name", SCENES)
def test_the_rule_in_arrays_is_that_of_each_address(name):
    """The rule that places around an address are judged by, and which of them an assessment has to prove."""
    loops, (_, _, asked) = plain_loops(), scene(name)
    _, results, _, found, _, _ = answers(name)
    assert loops.verdicts._verdicts(found, asked).tolist() == results.verdict.tolist()
    hardly = replace(found, p_clear=np.full(found.p_clear.shape, asked.criteria.min_p_clear + 1e-4))
    for told in (hardly, replace(hardly, p_clear=hardly.p_clear + 0.05)):
        for verdict in ("clear", "marginal"):
            proved = loops.verdicts._close_calls(told, np.full(len(results.verdict), verdict, object), asked)
            assert proved.all() if told is hardly and verdict == "clear" else not proved.any()


def test_only_surfaces_that_do_not_grow_are_screened_by_the_loops():
    fine, coarse = scene("village")[0]
    grows = replace(fine, facts=RasterFacts(growth_m_per_year=0.3))
    can_screen = plain_loops().verdicts.can_screen
    assert can_screen((fine, coarse), full=False)
    assert not can_screen((grows, coarse), full=False)
    assert not can_screen((fine, coarse), full=True)
    assert can_screen(
        (fine, replace(coarse, facts=RasterFacts(growth_m_per_year=0.3))), full=False
    )  # bare ground


def test_a_place_around_an_address_without_ground_is_assessed_by_itself():
    rasters, places, asked = scene("hills")
    latitude, longitude, height = (part[[0, 2]] for part in places)
    latitude = np.append(latitude, latitude[0] + 0.5)  # outside the raster
    longitude, height = np.append(longitude, longitude[0]), np.append(height, 2.0)
    with few_samples() as (loops, patch):
        alone, real = [], loops.verdicts.assess_each
        patch.setattr(
            loops.verdicts,
            "assess_each",
            lambda *given, **more: alone.append(given[3]) or real(*given, **more),
        )
        stack = loops.raster_stack.raster_stack(rasters, [one.grid for one in rasters])
        found = loops.verdicts._verdicts_at(stack, rasters, latitude, longitude, height, asked)
    assert found.tolist() == [
        *(one.verdict for one in np.array(answers("hills")[-1], object)[[0, 2]]),
        "unknown",
    ]
    assert np.concatenate(alone).tolist() == [2]

"""Places on bare ground by the compiled loops: what `assess` says of each, whatever the ground and its lattice."""

from __future__ import annotations

from dataclasses import fields
from functools import lru_cache

import numpy as np
import pytest

from skysill.assessment.pipeline import assess
from skysill.bulk import screening
from skysill.bulk.compiled.bare_places import bare_search
from skysill.bulk.controlling_obstruction import ControllingGround
from skysill.bulk.prefilter import FLOOR_DEG, Ground, ScreeningQuery, locate_places
from skysill.bulk.screening import screen
from skysill.horizon.lattice import Grid, Lattice
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from small_village import rough_ground

pytest.importorskip("numba")

SIDE = 260


def coast(values):
    """Sea without data to the south, and a lake."""
    row, column = np.mgrid[: values.shape[0], : values.shape[1]]
    values[row > 200 + 20 * np.sin(column / 15.0)] = np.nan
    values[np.hypot(row - 120, column - 130) < 9] = np.nan
    return values


UTM, DEGREES = "EPSG:32627", "EPSG:4326"
# ground, transform, coordinate system, longitude of the satellite, cell size, highest ground (0: that of the
# raster)
SCENES = {
    "rough": (rough_ground(21, 2.0, 160.0, SIDE), (30.0, 0, 500_000.0, 0, -30.0, 6_600_000.0), UTM, -20.0, 30.0, 0),
    "low": (rough_ground(22, 2.1, 90.0, SIDE), (30.0, 0, 500_000.0, 0, -30.0, 7_650_000.0), UTM, -20.0, 30.0, 0),
    "flat": (rough_ground(23, 2.4, 2.0, SIDE), (30.0, 0, 500_000.0, 0, -30.0, 7_650_000.0), UTM, -20.0, 30.0, 0),
    "coast": (coast(rough_ground(24, 2.0, 150.0, SIDE)), (30.0, 0, 500_000.0, 0, -30.0, 6_900_000.0), UTM,
    -10.0, 30.0, 0),
    "antimeridian": (rough_ground(25, 2.0, 250.0, SIDE), (1 / 2400, 0, 179.95, 0, -1 / 3600, -45.0), DEGREES,
    -150.0, 46.0,
                     0),
    "far north": (rough_ground(26, 2.0, 90.0, SIDE), (1 / 1200, 0, 15.0, 0, -1 / 3600, 72.4), DEGREES, 20.0,
    31.0, 0),
    "rotated": (rough_ground(27, 2.0, 150.0, SIDE), (24.0, 9.0, 5e5, 9.0, -24.0, 6.4e6), "EPSG:32631", 3.0,
    26.0, 0),
    "unknown beyond": (rough_ground(28, 2.0, 90.0, SIDE), (30.0, 0, 5e5, 0, -30.0, 7.2e6), UTM, -20.0, 30.0,
    2500.0),
}  # fmt: skip


@lru_cache
def scene(name):
    values, transform, crs, satellite, cell_m, highest_m = SCENES[name]
    own = Ground.of(Grid(values, transform, crs), name="ground.tif", kind="bare", cell_size_m=cell_m,
                    vertical_error_m=0.1 * cell_m)  # fmt: skip
    asked = ScreeningQuery(
        Satellite("Demo", satellite), Terminal(), Criteria(), highest_m or float(np.nanmax(values))
    )
    return own, asked


def places(name, count, seed=4):
    values, transform, crs, *_ = SCENES[name]
    rng = np.random.default_rng(seed)
    row, column = rng.uniform(15, SIDE - 15, (2, count))
    latitude, longitude = Lattice(values.shape, transform, crs).place(row, column)
    return latitude, (longitude + 180.0) % 360.0 - 180.0, rng.choice([0.6, 2.0, 8.0], count)


def chain(own, latitude, longitude, height, asked):
    job = Job(
        site=Site("a", float(latitude), float(longitude)),
        satellites=(asked.satellite,),
        sources=Sources(rasters=(own.source,), highest_ground_m=asked.highest_ground_m),
    )
    return assess(job, Mount(height_m=float(height))).results[0]


@pytest.mark.parametrize("name", SCENES)
def test_verdict_and_margin_are_those_of_an_assessment(name):
    own, asked = scene(name)
    where = places(name, 16)
    found = screen(own, *where, asked)
    for at, place in enumerate(zip(*where, strict=True)):
        one = chain(own, *place, asked)
        assert found.verdict[at] == one.verdict, (at, one.reasons, found.reason[at])
        margin_deg = one.clearance.margin_deg
        if one.verdict == "unknown":
            continue
        if margin_deg is None or margin_deg > FLOOR_DEG:
            assert found.margin_is_floor[at]
            continue
        assert found.margin_deg[at] == pytest.approx(margin_deg, abs=0.001)
        assert found.terrain_elevation_deg[at] == pytest.approx(one.horizon.elevation_deg, abs=0.001)
        if one.verdict == "blocked":
            assert found.reason[at] == one.reasons[0]


def test_the_scenes_hold_what_they_are_for():
    verdicts = {
        name: set(screen(scene(name)[0], *places(name, 24), scene(name)[1]).verdict) for name in SCENES
    }
    assert {"blocked", "marginal", "needs-survey"} <= verdicts["rough"] | verdicts["low"]
    assert "unknown" in verdicts["coast"]
    assert "unknown" in verdicts["unknown beyond"]
    low = locate_places(scene("low")[0], *places("low", 24), scene("low")[1])[0]
    assert 9.0 < low.apparent_deg.mean() < 14.0


def located(name, count, seed=5):
    own, asked = scene(name)
    spots, known = locate_places(own, *places(name, count, seed), asked)
    return bare_search(own, asked), spots.take(known & (spots.apparent_deg > 0.0))


@pytest.mark.parametrize("name", ["rough", "low", "coast", "far north", "rotated"])
def test_bounds_do_not_change_anything(name):
    """With bounds only a few thousandths of the ground are looked at; without them all of it is."""
    search, spots = located(name, 20)
    near, bounded = search.controlling_ground(spots)
    everywhere, free = search.controlling_ground(spots, bounded=False)
    assert set(near) <= set(everywhere)
    free = free.take(np.searchsorted(everywhere, near))
    for f in fields(ControllingGround):
        if f.name != "uncertain":
            assert getattr(bounded, f.name).tobytes() == getattr(free, f.name).tobytes(), f.name


@pytest.mark.parametrize("name", ["rough", "low"])
def test_where_nothing_is_in_doubt_the_room_is_as_probable_as_asked(name):
    """The samples of `confidence` over all columns of all rays, at places that are said to need none."""
    search, spots = located(name, 120)
    near, close = search.controlling_ground(spots)
    doubtful = near[close.uncertain | close.inside | (close.excess_deg < 0.0)]
    sure = np.setdiff1d(np.arange(spots.antenna_m.size), doubtful)
    assert 0.2 < sure.size / spots.antenna_m.size < 0.99
    p_clear = search._p_clear_by_all_rays(
        spots.take(sure)
    )  # nan: the raster ends before ground stops mattering
    assert np.isfinite(p_clear).mean() > 0.5
    assert np.nanmin(p_clear) >= search.query.criteria.min_p_clear


@pytest.mark.parametrize("name", ["rough", "low"])
def test_probability_in_doubt_is_that_of_an_assessment(name):
    own, asked = scene(name)
    search, spots = located(name, 120)
    near, close = search.controlling_ground(spots)
    spots = spots.take(near[close.uncertain])
    told, short = search.p_clear(spots), search.p_clear(spots, told=False)
    wanted = asked.criteria.min_p_clear
    assert ((told >= wanted) == (short >= wanted)).all()
    at = np.argsort(np.abs(told - wanted))[:8]
    for k in at:
        one = chain(own, spots.latitude_deg[k], spots.longitude_deg[k], spots.height_m[k], asked)
        p_clear = search._p_clear_by_all_rays(spots.take(np.array([k])))[0]
        assert told[k] == pytest.approx(p_clear, abs=0.01 if told[k] < wanted else 0.07)
        assert (one.verdict == "marginal") == (told[k] < wanted)


def test_with_and_without_the_loops_the_answers_are_equal(monkeypatch):
    own, asked = scene("rough")
    where = places("rough", 60, seed=6)
    found = screen(own, *where, asked)
    monkeypatch.setattr(screening, "available", lambda: False)
    plain = screen(own, *where, asked)
    assert found.verdict.tolist() == plain.verdict.tolist()
    np.testing.assert_allclose(found.margin_deg, plain.margin_deg, rtol=0.0, atol=0.001)
    np.testing.assert_allclose(found.least_height_m, plain.least_height_m, rtol=0.0, atol=0.11)


def test_the_least_height_clears_and_a_little_less_does_not():
    own, asked = scene("rough")
    latitude, longitude, _ = places("rough", 60, seed=7)
    found = screen(own, latitude, longitude, 2.0, asked)
    raised = np.flatnonzero(~np.isnan(found.least_height_m))
    assert raised.size > 2
    for at in raised[:5]:
        height_m = found.least_height_m[at]
        assert chain(own, latitude[at], longitude[at], height_m, asked).clearance.has_clearance
        assert not chain(own, latitude[at], longitude[at], height_m - 0.11, asked).clearance.has_clearance

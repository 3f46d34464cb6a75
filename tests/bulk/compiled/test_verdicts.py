"""Screening by the compiled loops gives the results of screening one by one."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from skysill.assessment.verdict import RANK
from skysill.bulk.compiled import verdicts
from skysill.bulk.compiled.raster_stack import raster_stack
from skysill.bulk.compiled.verdicts import screen_compiled
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.screening import screen_one_by_one
from skysill.horizon.lattice import Grid, HeldGrid, Lattice
from skysill.model.site import Criteria, Satellite, Terminal
from small_village import addresses, rough_ground, sources

pytest.importorskip("numba")


def query(longitude_deg=-20.0, highest_m=700.0, position_error_m=0.0):
    satellite = Satellite("Demo", longitude_deg)
    return ScreeningQuery(satellite, Terminal(), Criteria(), highest_m, position_error_m=position_error_m)


def screened(rasters, places, asked):
    return screen_compiled(raster_stack(rasters, [r.grid for r in rasters]), rasters, *places, asked)


def compare(rasters, places, asked, *, distance_m=0.1):
    found, one_by_one = screened(rasters, places, asked), screen_one_by_one(rasters, *places, asked)
    assert found.verdict.tolist() == one_by_one.verdict.tolist()
    for name, within in (
        ("azimuth_deg", 1e-9),
        ("elevation_deg", 1e-9),
        ("margin_deg", 0.001),
        ("terrain_elevation_deg", 0.001),
        ("terrain_distance_m", distance_m),
    ):
        np.testing.assert_allclose(
            getattr(found, name), getattr(one_by_one, name), rtol=0, atol=within, err_msg=name
        )
    assert found.margin_is_floor.tolist() == one_by_one.margin_is_floor.tolist()
    for at in np.flatnonzero(~found.margin_is_floor | (found.verdict != "clear")):
        words, percent = told(found.reason[at])
        assert (words, True) == (
            told(one_by_one.reason[at])[0],
            0 <= told(one_by_one.reason[at])[1] - percent <= 1,
        )
    return found


def told(reason):
    """A reason without its probability, and that: the loops may be lower by up to 0.01, never higher."""
    percent = re.search(r"probability of (\d+) %", reason)
    return re.sub(r"probability of \d+ %", "probability", reason), int(percent[1]) if percent else 0


def test_surface_with_voids_over_coarse_ground():
    found = compare(sources(fine_hole=True), addresses(24, 31, beyond_m=30.0), query())
    assert len(set(found.verdict)) >= 3


def test_void_just_beyond_the_reach_of_near_evidence():
    """A void 0.2 m farther out than near evidence is needed: the last sample before it is 0.04 m too near."""
    places = tuple(part[144:145] for part in addresses(167, 42))
    found = compare(sources(fine_hole=True), places, query(10.0))
    assert found.verdict.tolist() == ["needs-survey"]


def test_position_error_of_the_address():
    found = compare(sources(), addresses(5, 32), query(position_error_m=16.0))
    assert "marginal" in found.verdict


def test_ground_unknown_and_low_satellite():
    found = compare(sources(), addresses(8, 33, beyond_m=20.0), query(-75.0, 8849.0))
    assert "unknown" in found.verdict


def lattice(kind, side=300):
    """One rough fine surface on a lattice of its own, and places on it."""
    values = rough_ground(7, 2.2, 9.0, side)
    transform, crs, satellite = {
        "rotated": ((0.8, 0.3, 500_000.0, 0.3, -0.8, 6_400_000.0), "EPSG:32631", 3.0),
        "degrees": ((2e-5, 0.0, 15.0, 0.0, -1e-5, 58.4), "EPSG:4326", 20.0),
        "south": ((1.0, 0.0, 300_000.0, 0.0, -1.0, 6_000_000.0), "EPSG:32719", -75.0),
        "antimeridian": ((1e-5, 0.0, 179.9985, 0.0, -1e-5, -16.8), "EPSG:4326", -112.0),
    }[kind]
    grid = Grid(values, transform, crs)
    rng = np.random.default_rng(3)
    row, column = rng.uniform(20, side - 20, (2, 12))
    latitude, longitude = Lattice(values.shape, transform, crs).place(row, column)
    raster = HeldGrid(grid, "rough.tif", "surface", 1.0, 0.3)
    longitude = (longitude + 180.0) % 360.0 - 180.0
    return (raster,), (latitude, longitude, rng.uniform(0.5, 3.0, 12)), query(satellite, 330.0)


@pytest.mark.parametrize("kind", ["rotated", "degrees", "south", "antimeridian"])
def test_lattices(kind):
    compare(*lattice(kind))


@pytest.mark.slow
@pytest.mark.parametrize(("satellite", "seed"), [(-20.0, 41), (10.0, 42), (-70.0, 43)])
def test_every_field_of_five_hundred_addresses(satellite, seed):
    compare(sources(fine_hole=seed == 42), addresses(167, seed), query(satellite))


def rank(verdicts):
    return np.array([RANK[verdict] for verdict in verdicts])


@pytest.fixture
def assessed(monkeypatch):
    """Numbers of the addresses that are assessed one by one."""
    chosen, real = [], verdicts.assess_each

    def spy(rasters, places, query, some, results, **words):
        chosen.extend(some.tolist())
        real(rasters, places, query, some, results, **words)

    monkeypatch.setattr(verdicts, "assess_each", spy)
    return chosen


def test_a_clear_with_hardly_enough_probability_is_left_to_an_assessment(monkeypatch, assessed):
    """Were the loops' probabilities too high by 0.0048, no address would be `clear` that `check` calls marginal."""
    every = addresses(500, 9)
    # the probability is 0.8955 at the first and 0.896 at the second, a little over 0.9 at the next, and far over
    places = tuple(part[[160, 275, 216, 0, 1, 2, 4, 5]] for part in every)
    real = verdicts.dish_findings

    def too_high(*asked, **more):
        found = real(*asked, **more)
        return replace(found, p_clear=np.minimum(found.p_clear + 0.0048, 1.0))

    monkeypatch.setattr(verdicts, "dish_findings", too_high)
    one_by_one = screen_one_by_one(sources(), *places, query())
    assert one_by_one.verdict[:2].tolist() == ["marginal", "marginal"]
    assert "clear" in one_by_one.verdict
    assert screened(sources(), places, query()).verdict.tolist() == one_by_one.verdict.tolist()
    assert {0, 1} <= set(assessed)
    stack = raster_stack(sources(), [raster.grid for raster in sources()])
    around = verdicts._verdicts_at(stack, sources(), *places, query())  # where an address may really stand
    assert around.tolist() == one_by_one.verdict.tolist()


def test_few_addresses_are_close_calls(assessed):
    found = screened(sources(), addresses(500, 9), query())
    assert 0 < len(assessed) < 0.04 * (found.verdict == "clear").sum()


def test_what_is_taken_away_never_makes_a_verdict_better():
    """Without the coarse raster, with voids in the fine one, and without the fine one no address becomes clear."""
    rasters, places, asked = sources(), addresses(60, 34), query()
    whole = screened(rasters, places, asked)
    fine = rasters[0].grid
    holed = np.array(fine.values)
    rng = np.random.default_rng(4)
    holed[rng.random(holed.shape) < 0.02] = np.nan
    damaged = replace(rasters[0], grid=Grid(holed, fine.transform, fine.crs))
    for fewer in (rasters[:1], rasters[1:], (damaged, rasters[1])):
        found = screened(fewer, places, asked)
        clear = found.verdict == "clear"
        assert (whole.verdict[clear] == "clear").all(), np.flatnonzero(clear & (whole.verdict != "clear"))


def test_no_address_without_data_is_clear():
    rasters = sources()
    fine = rasters[0].grid
    empty = replace(rasters[0], grid=Grid(np.full_like(fine.values, np.nan), fine.transform, fine.crs))
    found = screened((empty,), addresses(6, 35), query())
    assert set(found.verdict) == {"unknown"}

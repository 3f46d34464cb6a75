"""The order of surveys: shares counted again from the written lists, intervals by their definition."""

import numpy as np
import pytest
from pyproj import Transformer

from skysill.bulk import survey_order as module
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.screening import screen
from skysill.bulk.survey_order import (
    LEAST_SAMPLE,
    add_survey_samples,
    best_of,
    clear_shares,
    survey_classes,
    survey_order,
    terrain_allowed_m,
)
from skysill.model.site import Criteria, Satellite, Terminal
from small_ground import ground_of


def shares_of(clear, of):
    outcome = np.r_[np.ones(clear), np.zeros(of - clear)]
    return clear_shares(np.full(of, 45), outcome)


def test_the_interval_is_the_score_interval():
    """Its ends p are where the share lies 1.645 standard deviations sqrt(p (1 - p) / n) off p: solved by bisection."""
    for clear, of in ((0, 30), (7, 31), (50, 100), (400, 401), (64, 64)):
        found = shares_of(clear, of)
        share = clear / of

        def off(p, share=share, of=of):
            return abs(share - p) - 1.6449 * np.sqrt(p * (1.0 - p) / of)

        for end, outer in ((found.low[0], 0.0), (found.high[0], 1.0)):
            if outer == share:
                assert end == pytest.approx(outer, abs=1e-9)
                continue
            near, far = share, outer
            for _ in range(60):
                middle = (near + far) / 2.0
                near, far = (middle, far) if off(middle) < 0.0 else (near, middle)
            assert end == pytest.approx(near, abs=1e-6)


def test_the_interval_has_the_published_ends(monkeypatch):
    """Newcombe, Statistics in Medicine 17:857 (1998), table I, score method at 95 %, from memory: 81 of 263 gives
    0.2553 to 0.3662, 15 of 148 0.0624 to 0.1605.
    """
    monkeypatch.setattr(module, "_Z_90", 1.95996)
    for clear, of, low, high in ((81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605)):
        found = shares_of(clear, of)
        assert (found.low[0], found.high[0]) == pytest.approx((low, high), abs=6e-5)


def test_a_small_sample_says_nothing():
    assert np.isnan(shares_of(LEAST_SAMPLE - 1, LEAST_SAMPLE - 1).share).all()
    assert shares_of(LEAST_SAMPLE, LEAST_SAMPLE).share[0] == 1.0
    unknown = clear_shares(np.full(50, -1), np.ones(50))
    assert np.isnan(unknown.share).all()
    assert not unknown.sample.any()


def test_classes_follow_the_elevation_and_what_the_terrain_allows():
    elevation = np.array([24.9, 25.1, 24.9, 24.9, 24.9, -1.0, np.nan, 24.0])
    allowed = np.array([22.0, 22.0, 29.9, 30.1, -3.0, 22.0, 22.0, np.nan])
    classes = survey_classes(elevation, allowed)
    assert classes[0] == classes[2]
    assert len({*classes[[0, 1, 3, 4]].tolist()}) == 4
    assert (classes[5:] == -1).all()


def test_the_order_has_each_place_once_larger_shares_first_and_leaves_out_what_is_not_known():
    shares = clear_shares(
        np.repeat([41, 42, 43], 40), np.tile(np.r_[np.ones(20), np.zeros(10), np.full(10, np.nan)], 3)
    )
    shares.share[:] = np.repeat([0.3, 0.8, np.nan], 40)
    wanted = np.ones(120, dtype=bool)
    wanted[:5] = False
    heard = np.zeros(120, dtype=bool)
    heard[70] = True
    allowed = np.linspace(5.0, 50.0, 120)
    order = survey_order(wanted, shares, allowed, heard)
    assert np.isnan(order[:5]).all()
    assert np.isnan(order[80:]).all()
    assert sorted(order[5:80].astype(int)) == list(range(1, 76))
    assert order[40:80].max() == 40
    assert order[70] == 1  # whose caller named nothing that takes the room
    assert order[79] == 2  # then what allows the tallest things


class Everywhere:
    """A surface raster that covers all places."""

    def away_m(self, latitude_deg, longitude_deg):
        return np.zeros(latitude_deg.shape)

    def corner_bearings_deg(self, latitude_deg, longitude_deg):
        return np.zeros((4, latitude_deg.size))


def test_what_the_terrain_alone_decides_is_not_in_the_sample():
    """A ridge 300 m high 300 m to the south stands at 45 degrees; the satellite is at some 23."""
    values = np.full((200, 200), 40.0)
    values[120:124] = 340.0
    ground = ground_of(values)
    rows = np.array([110, 20, 20, 20, 20, 20])
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(
        499_000.0 + 100.5 * 30.0 + np.zeros(6), 6_550_000.0 - (rows + 0.5) * 30.0
    )
    query = ScreeningQuery(Satellite("S", -21.0), Terminal(), Criteria(), 400.0)
    results = screen(ground, latitude, longitude, np.full(6, 2.0), query)
    assert results.verdict[0] == "blocked"
    assert set(results.verdict[1:]) == {"needs-survey"}
    results.verdict[:] = ["clear", "clear", "marginal", "blocked", "needs-survey", "unknown"]
    add_survey_samples(
        ground, [Everywhere()], latitude, longitude, np.full(6, 2.0), [(np.arange(6), results)], [query]
    )
    assert results.numbers["survey_sample"].tolist() == pytest.approx(
        [np.nan, 1, 0, 0, np.nan, np.nan], nan_ok=True
    )
    assert np.isfinite(results.numbers["survey_class"]).all()
    assert np.isnan(results.numbers["survey_order"]).all()


def test_ground_that_rises_towards_the_satellite_allows_less():
    """A slope of one in ten: 5 m less at 50 m, and 5 m more where it falls."""
    row = np.arange(100)[:, None] * np.ones((1, 100))
    level, rising, falling = (ground_of(400.0 + slope * row * 30.0) for slope in (0.0, 0.1, -0.1))
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(
        499_000.0 + 50.5 * 30.0, 6_550_000.0 - 50.5 * 30.0
    )
    query = ScreeningQuery(Satellite("S", float(longitude)), Terminal(), Criteria(), 800.0)
    where = np.array([latitude]), np.array([longitude]), np.array([2.0])
    results = screen(level, *where, query)
    found = [terrain_allowed_m(ground, *where, results, query)[0] for ground in (level, rising, falling)]
    assert found[0] - found[1] == pytest.approx(5.0, abs=0.02)
    assert found[2] - found[0] == pytest.approx(5.0, abs=0.02)


def test_the_best_satellite_has_the_best_verdict_and_then_the_largest_margin():
    ground = ground_of(np.full((200, 200), 40.0))
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(
        502_015.0 + np.zeros(3), 6_547_000.0 + np.zeros(3)
    )
    query = ScreeningQuery(Satellite("S", -21.0), Terminal(), Criteria(), 400.0)
    first, second = (screen(ground, latitude, longitude, np.full(3, 2.0), query) for _ in range(2))
    first.verdict[:], second.verdict[:] = (
        ["clear", "blocked", "needs-survey"],
        ["marginal", "clear", "needs-survey"],
    )
    first.margin_deg[:], second.margin_deg[:] = 5.0, 9.0
    number, rank = best_of([(np.arange(3), first), (np.arange(3), second)], 4)
    assert number.tolist() == [0, 1, 1, -1]
    assert rank.tolist() == [0, 0, 1, 99]

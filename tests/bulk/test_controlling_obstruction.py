"""What controls at each place: everything that its fan meets, looked at sample by sample."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy.stats import norm

from skysill.bulk import controlling_obstruction
from skysill.bulk.controlling_obstruction import controlling_ground
from skysill.bulk.fan_results import FanResults
from skysill.bulk.obstruction_depth import measure_depths
from skysill.bulk.thresholds import thresholds_for
from small_ground import asked_of, ground_of, hills, places_at, room_deg, seen_from

CASES = {
    "south": (hills(44, seed=3, relief_m=70.0), (0.0, 0.0), -20.0),
    "askew": (hills(44, seed=8, relief_m=80.0), (12.0, 12.0), -20.0),
    "south-west, low": (hills(44, seed=9, relief_m=45.0), (0.0, 0.0), -75.0),
    "twisted": (
        (300.0 + 35.0 * np.random.default_rng(5).standard_normal((44, 44))).astype(np.float32),
        (0.0, 0.0),
        -20.0,
    ),
}


@lru_cache
def case(name):
    """A ground, its places, the question, what the fan of each meets, and what is followed."""
    values, turn, longitude = CASES[name]
    own, query = ground_of(values, turn=turn), asked_of(longitude, dish_m=0.9)
    rng = np.random.default_rng(11)
    height = 60.0 if name == "twisted" else 6.0
    places = places_at(own, query, rng.uniform(10, 34, 8), rng.uniform(4, 22, 8), height_m=height)
    seen = [seen_from(own, places, at, query, out_to_m=min(places.search_m[at], 1900.0)) for at in range(8)]
    return own, query, places, seen, controlling_ground(own, places, query)


@pytest.mark.parametrize("name", CASES)
def test_excess_margin_and_distance_are_those_of_the_most_critical_of_all_samples(name):
    _, query, places, seen, close = case(name)
    near = 0
    for at in range(8):
        centre = seen[at].only(seen[at].offset_deg == 0.0)
        met = centre.top_deg >= places.apparent_deg[at]
        assert bool(close.inside[at]) == bool(met.any())
        if met.any():
            assert close.slant_m[at] == pytest.approx(centre.slant_m[met].min(), abs=5.0)
            continue
        margin_deg = seen[at].margins_deg(places.apparent_deg[at])
        excess_deg = margin_deg - room_deg(seen[at].slant_m, query)
        best = excess_deg.argmin()
        if excess_deg[best] > 9.9:
            assert np.isnan(close.excess_deg[at]) or close.excess_deg[at] > 9.8
            continue
        near += 1
        assert close.excess_deg[at] == pytest.approx(excess_deg[best], abs=0.004)
        alike = np.flatnonzero(excess_deg < excess_deg[best] + 0.004)
        assert np.abs(margin_deg[alike] - close.margin_deg[at]).min() < 0.004
        assert np.abs(seen[at].slant_m[alike] - close.slant_m[at]).min() < 1.0
    assert near + close.inside.sum() >= 1


@pytest.mark.parametrize("name", CASES)
def test_the_highest_ground_below_the_ray_and_its_distance(name):
    _, _, places, seen, close = case(name)
    for at in range(8):
        centre = seen[at].only(seen[at].offset_deg == 0.0)
        if not np.isfinite(close.excess_deg[at]) and not close.inside[at]:
            continue
        highest = centre.top_deg.argmax()
        if centre.top_deg[highest] < places.apparent_deg[at] - 15.0:
            continue
        # the top of a bulge near the dish is found to a hundredth of a degree
        assert close.top_deg[at] == pytest.approx(centre.top_deg[highest], abs=0.02)
        alike = np.flatnonzero(centre.top_deg > centre.top_deg[highest] - 0.02)
        assert np.abs(centre.slant_m[alike] - close.top_m[at]).min() < 1.5


@pytest.mark.parametrize("name", CASES)
def test_a_ray_that_is_met_is_as_deep_as_the_nearest_open_direction_over_the_skyline(name):
    """Over each azimuth of the fan the sky is open from its highest ground up: the nearest point of that sky."""
    own, query, places, seen, close = case(name)
    for at in np.flatnonzero(close.inside):
        depth = np.inf
        for offset in np.unique(seen[at].offset_deg):
            top_deg = seen[at].top_deg[seen[at].offset_deg == offset].max()
            steps = np.linspace(top_deg, 90.0, 4001)
            sine, cosine = (
                np.sin(np.radians(places.apparent_deg[at])),
                np.cos(np.radians(places.apparent_deg[at])),
            )
            toward = (
                np.cos(np.radians(steps)) * np.cos(np.radians(offset)) * cosine
                + np.sin(np.radians(steps)) * sine
            )
            depth = min(depth, np.degrees(np.arccos(np.clip(toward, -1.0, 1.0))).min())
        assert close.margin_deg[at] == pytest.approx(-depth, abs=0.02)
        assert close.excess_deg[at] == pytest.approx(-depth - room_deg(close.slant_m[at], query), abs=0.02)
    results = FanResults.of(thresholds_for(own, query), places)
    measure_depths(results, np.zeros(8, dtype=bool), np.full(8, np.nan))
    assert np.isnan(results.margin_deg).all()


def test_some_rays_are_met_and_some_are_free_in_these_grounds():
    inside = np.concatenate([case(name)[4].inside for name in CASES])
    assert 3 < inside.sum() < 29


def test_a_place_is_uncertain_where_ground_comes_nearer_than_room_and_errors():
    """Of places that are free: never wrongly sure; and not all are uncertain."""
    uncertain = []
    for name in CASES:
        own, query, places, seen, close = case(name)
        for at in np.flatnonzero(~close.inside):
            samples = seen[at]
            margin_deg = samples.margins_deg(places.apparent_deg[at])
            many = norm.ppf(1.0 - 0.1 / 3.5)
            share = np.minimum(samples.slant_m / (5.0 * own.cell_size_m), 1.0)
            apart = np.sqrt(2.0 - 2.0 * (1.0 - share) / np.hypot(1.0 - share, share))
            sigma = np.hypot(np.degrees(np.arctan(own.vertical_error_m / samples.slant_m)) * apart,
                             np.degrees(np.arctan(0.2236 / samples.slant_m)))  # fmt: skip
            short = (margin_deg < room_deg(samples.slant_m, query) + many * sigma).any()
            uncertain.append(bool(close.uncertain[at]))
            if short:
                assert close.uncertain[at]
        assert not close.uncertain[close.inside].any()
    assert 0 < sum(uncertain) < len(uncertain)


def test_the_first_raise_is_about_enough_and_never_too_much():
    """What controls leaves just the room after it: everything looked at again from the raised dish."""
    own, query, places, _, close = case("south")
    short = np.flatnonzero((close.excess_deg < 0.0) & ~close.inside)
    everyone = np.flatnonzero(np.isfinite(close.excess_deg))
    assert (close.raise_m[np.flatnonzero(close.excess_deg > 0.1)] == 0.0).all() or short.size >= 0
    for at in everyone[:6]:
        if close.excess_deg[at] >= 0.0:
            continue
        raised = places_at(own, query, [places.column[at]], [places.row[at]],
                           height_m=float(places.height_m[at] + close.raise_m[at]))  # fmt: skip
        again = controlling_ground(own, raised, query)
        assert again.inside[0] or np.isnan(again.excess_deg[0]) or again.excess_deg[0] < 0.3


def test_chunks_and_order_change_nothing():
    own, query, places, _, close = case("south")
    many = places.take(np.tile(np.arange(8), 300))  # more than one chunk
    found = controlling_ground(own, many, query)
    for name in ("excess_deg", "margin_deg", "slant_m", "top_deg", "top_m", "inside", "uncertain"):
        one, all_ = getattr(close, name).astype(float), getattr(found, name).astype(float).reshape(300, 8)
        assert np.allclose(all_, one, atol=1e-6, equal_nan=True), name
    assert controlling_ground(own, places.take(slice(0, 0)), query).excess_deg.size == 0


def test_for_a_verdict_only_what_takes_the_room_is_asked_for():
    own, query, places, _, close = case("south")
    short = controlling_ground(own, places, query, most_deg=0.0)
    assert short.inside.tolist() == close.inside.tolist()
    assert short.uncertain.tolist() == close.uncertain.tolist()
    lacking = close.excess_deg < 0.0
    assert short.excess_deg[lacking] == pytest.approx(close.excess_deg[lacking], abs=1e-6)
    assert not (short.excess_deg[~lacking] < 0.0).any()


def test_first_bounds_look_a_quarter_farther_each_time_and_no_farther_than_ground_is_searched():
    own, query = ground_of(np.full((60, 60), 300.0)), asked_of(-20.0)
    places = places_at(own, query, [30.0, 30.0], [8.0, 8.0])
    places.search_m = np.array([400.0, 1200.0])
    results = FanResults.of(thresholds_for(own, query), places)
    distance_m, slope = controlling_obstruction._ground_below_ray(results)
    assert distance_m[1:] / distance_m[:-1] == pytest.approx(1.25)
    assert distance_m[0] <= 120.0 + 1e-9  # two cells behind the nearest that counts
    assert distance_m[-1] * 1.25 >= 1200.0
    for at, search_m in enumerate(places.search_m):
        beyond = distance_m > search_m - 60.0
        assert (slope[at, beyond] < -100.0).all()
        level = -2.0 / distance_m[~beyond] - distance_m[~beyond] / (2.0 * places.radius_m[at])
        assert slope[at, ~beyond] == pytest.approx(level, abs=1e-6)

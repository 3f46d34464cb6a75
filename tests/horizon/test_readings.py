"""Readings as they are said: several edges on one azimuth, growth, turning and taking."""

from __future__ import annotations

import numpy as np
import pytest
from pytest import approx

from skysill.horizon.measured import shift_to_dish
from skysill.horizon.skyline import skyline_at
from skysill.model.readings import Readings


def readings(rows, **more):
    """rows : (azimuth, elevation, distance) in any order, sorted here as the reader of tables sorts them"""
    azimuth, elevation, distance = np.array(sorted(rows), dtype=float).T
    return Readings(azimuth, elevation, distance, ("",) * azimuth.size, "horizon.csv", **more)


def columns(r, azimuth):
    """Elevations of all columns within 0.01 degree of an azimuth, sorted."""
    s = shift_to_dish(
        r, east_m=0.0, north_m=0.0, up_m=0.0, max_gap_deg=5.0, inclination_error_deg=0.5
    ).silhouette
    return np.sort(s.elevation_deg[np.abs(s.azimuth_deg - azimuth) < 0.01])


STEP = [(170, 12, 800), (174, 12, 800), (174, 30, 6), (178, 31, 6)]
"""A hill, then the upright edge of a house before it."""


def test_an_upright_edge_read_twice_on_one_azimuth_stays_upright():
    r = readings(STEP)
    assert columns(r, 172.0) == approx([12.0])  # open sky over the hill up to the edge
    assert columns(r, 174.0).max() == approx(30.0)
    assert columns(r, 176.0).max() == approx(30.5)
    assert skyline_at(r, np.array([172.0, 174.0, 176.0]), max_gap_deg=5.0) == approx([12.0, 30.0, 30.5])


def test_a_low_near_edge_and_a_high_far_one_both_stay():
    r = readings([(170, 10, 6), (170, 20, 900), (174, 11, 6), (174, 22, 900)])
    assert columns(r, 172.0) == approx([10.5, 21.0])
    assert skyline_at(r, np.array([172.0]), max_gap_deg=5.0) == approx([21.0])


def test_where_nothing_tells_the_edges_apart_the_sky_between_is_taken_as_closed():
    r = readings([(170, 12, np.nan), (174, 12, np.nan), (174, 30, np.nan)])
    assert columns(r, 172.0) == approx([12.0, 21.0])


def test_a_shed_and_a_hut_before_one_hill_are_joined_with_each_other_and_not_with_the_hill():
    r = readings([(170, 10, 6), (170, 20, 900), (174, 12, 40), (174, 22, 900)])
    assert columns(r, 172.0) == approx([11.0, 21.0])


def test_the_order_of_typing_changes_nothing():
    one = skyline_at(readings(STEP), np.arange(165.0, 185.0, 0.5), max_gap_deg=5.0)
    other = skyline_at(readings(STEP[::-1]), np.arange(165.0, 185.0, 0.5), max_gap_deg=5.0)
    assert np.array_equal(one, other, equal_nan=True)


def test_kinds_tell_two_edges_apart_without_distances():
    rows = sorted([(170, 12, np.nan), (174, 12, np.nan), (174, 30, np.nan), (178, 31, np.nan)])
    azimuth, elevation, distance = np.array(rows, dtype=float).T
    r = Readings(azimuth, elevation, distance, ("hill", "hill", "gable", "gable"), "h.csv",
                 kind=("ground", "ground", "building", "building"))  # fmt: skip
    assert columns(r, 172.0) == approx([12.0])


def test_turning_keeps_what_was_said_with_its_reading():
    r = Readings(
        np.array([10.0, 350.0]), np.array([5.0, 6.0]), np.array([8.0, np.nan]), ("a", "b"), "h.csv",
        kind=("tree", ""), leaf=("bare", ""), growth_m_per_year=np.array([0.4, np.nan]),
        station=("", "B"), at_least=np.array([True, False]),
    ).turned(15.0)  # fmt: skip
    assert r.azimuth_deg.tolist() == [5.0, 25.0]
    assert (r.note, r.kind, r.leaf, r.station) == (("b", "a"), ("", "tree"), ("", "bare"), ("B", ""))
    assert r.at_least.tolist() == [False, True]
    assert r.growth_m_per_year[1] == 0.4


def test_a_top_that_grows_is_seen_higher_by_trigonometry():
    """A top 20 m off along a line of 30 degrees is 10 m up, 17.32 m out; 2 m more: atan(12 / 17.32)."""
    r = readings([(178, 30, 20), (182, 30, np.nan)]).grown(np.array([2.0, 2.0]))
    assert r.elevation_deg[0] == approx(np.rad2deg(np.arctan2(12.0, 20.0 * np.cos(np.pi / 6.0))))
    assert r.distance_m[0] == approx(np.hypot(12.0, 20.0 * np.cos(np.pi / 6.0)))
    assert r.elevation_deg[1] == 30.0  # nobody knows how much two metres are without a distance


@pytest.mark.parametrize("azimuth", [0.0, 2.0, 179.0, 359.0])
def test_a_skyline_of_single_readings_is_straight_between_them(azimuth):
    turn = np.arange(0.0, 360.0, 4.0)
    r = readings([(a, 10.0 + (a % 8.0), 50.0) for a in turn])
    before, after = 10.0 + ((azimuth // 4 * 4) % 8.0), 10.0 + ((azimuth // 4 * 4 + 4) % 360 % 8.0)
    expected = before + (after - before) * (azimuth % 4.0) / 4.0
    assert skyline_at(r, np.array([azimuth]), max_gap_deg=5.0) == approx([expected])


def test_of_something_far_only_the_least_distance_is_known_and_the_result_says_so():
    from brackendale import job
    from skysill.assessment.pipeline import assess
    from skysill.model.site import Mount

    azimuth = np.arange(0.0, 360.0, 4.0)
    count = azimuth.size
    far = Readings(azimuth, np.full(count, 36.0), np.full(count, 500.0), ("",) * count, "h.csv",
                   kind=("ground",) * count, at_least=np.ones(count, dtype=bool))  # fmt: skip
    found = assess(job(readings=far), Mount(height_m=6.0)).results[0]
    assert found.clearance.controlling.distance_at_least
    assert not found.clearance.controlling.distance_assumed
    assert "at least 497 m away" in found.reasons[0]  # 500 m from the instrument, 497 from the dish above it
    # 4.4 m higher, something 500 m off would sink by half a degree; nobody knows that it is no farther
    assert found.clearance.vertical_margin_deg == approx(found.look.elevation_apparent_deg - 36.0, abs=1e-6)


def test_a_reading_that_says_nothing_of_its_kind_is_joined_by_its_distance():
    """A hut before a hill on both azimuths; only on the first was it written which is which."""
    azimuth, elevation, distance = np.array(
        [(170, 10, 6), (170, 20, 900), (174, 12, 6), (174, 22, 900)], dtype=float
    ).T
    r = Readings(azimuth, elevation, distance, ("hut", "hill", "", ""), "h.csv", kind=("", "ground", "", ""))
    assert columns(r, 172.0) == approx([11.0, 21.0])
    assert skyline_at(r, np.array([172.0]), max_gap_deg=5.0) == approx([21.0])

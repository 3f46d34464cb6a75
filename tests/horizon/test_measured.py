"""Measured readings: wrap, gaps, parallax."""

from __future__ import annotations

import numpy as np
import pytest
from pytest import approx

from skysill.horizon.measured import shift_to_dish
from skysill.horizon.silhouette import covered
from skysill.horizon.skyline import skyline_at
from skysill.model.readings import Readings


def readings(azimuth, elevation, distance=None):
    azimuth = np.asarray(azimuth, dtype=float)
    distance = np.full(azimuth.shape, np.nan) if distance is None else np.asarray(distance, dtype=float)
    return Readings(
        azimuth, np.asarray(elevation, dtype=float), distance, ("",) * azimuth.size, "horizon.csv"
    )


def shifted(r, *, east=0.0, north=0.0, up=0.0, gap=5.0, exact=()):
    return shift_to_dish(r, east_m=east, north_m=north, up_m=up, max_gap_deg=gap, inclination_error_deg=0.5,
                 exact_azimuths_deg=exact).silhouette  # fmt: skip


def at(silhouette, azimuth):
    nearest = np.abs((silhouette.azimuth_deg - azimuth + 180.0) % 360.0 - 180.0).argmin()
    return silhouette.elevation_deg[nearest], silhouette.distance_m[nearest]


def test_a_gap_wider_than_allowed_stays_not_measured():
    s = shifted(readings([170, 174, 186, 190], [5, 6, 7, 8]))
    assert covered(s, [172.0, 180.0, 188.0]).tolist() == [True, False, True]


def test_readings_join_across_north():
    s = shifted(readings([1.0, 357.0], [10.0, 6.0]).turned(0.0))
    assert covered(s, [359.0, 0.0, 180.0]).tolist() == [True, True, False]
    assert at(s, 359.0)[0] == approx(8.0)


def test_turning_crosses_north():
    turned = readings([350.0, 355.0], [3.0, 4.0]).turned(8.0)
    assert turned.azimuth_deg == approx([3.0, 358.0])
    assert turned.elevation_deg == approx([4.0, 3.0])


def test_the_satellites_own_azimuth_gets_a_column():
    s = shifted(readings([178.0, 182.0], [10.0, 14.0]), exact=(179.2286,))
    here = np.flatnonzero(np.abs(s.azimuth_deg - 179.2286) < 1e-9)
    assert s.elevation_deg[here] == approx([10.0 + 1.2286])


def test_raising_the_dish_lowers_a_thing_of_known_distance():
    """Trigonometry: 20 m off at 30 degrees is 10 m up and 17.32 m ahead; from 4 m higher, atan(6 / 17.32)."""
    s = shifted(readings([178.0, 182.0], [30.0, 30.0], [20.0, 20.0]), up=4.0)
    elevation, distance = at(s, 178.0)
    assert elevation == approx(np.rad2deg(np.arctan2(6.0, 20.0 * np.cos(np.pi / 6))))
    assert distance == approx(np.hypot(6.0, 20.0 * np.cos(np.pi / 6)))


def test_stepping_aside_turns_the_azimuth():
    """A post 10 m due south, level; from 10 m east of the instrument it stands south-west."""
    s = shifted(readings([180.0], [0.0], [10.0]), east=10.0)
    assert s.azimuth_deg == approx([225.0])
    assert s.distance_m == approx([np.sqrt(200.0)])


def test_a_reading_without_distance_stays_for_a_higher_dish_and_goes_for_a_lower_one():
    r = readings([178.0, 182.0], [30.0, 30.0])
    assert at(shifted(r, up=3.0), 180.0)[0] == approx(30.0)
    lower = shifted(r, up=-0.5)
    assert len(lower) == 0
    assert not covered(lower, [180.0]).any()
    assert "2 of 2 readings were set aside: they carry no distance" in lower.notes[0]


def test_a_reading_without_distance_is_not_carried_aside():
    assert len(shifted(readings([178.0, 182.0], [30.0, 30.0]), east=3.0)) == 0


def test_one_unknown_distance_makes_the_join_unknown():
    s = shifted(readings([178.0, 182.0], [10.0, 10.0], [50.0, np.nan]))
    assert np.isnan(at(s, 180.0)[1])
    assert at(s, 178.0)[1] == approx(50.0)


@pytest.mark.parametrize("offset", [0.0, 123.4, 359.9])
def test_a_full_round_covers_every_azimuth(offset):
    s = shifted(readings((np.arange(0, 360, 5.0) + offset) % 360.0, np.full(72, 3.0)).turned(0.0))
    assert covered(s, np.arange(0.0, 360.0, 0.5)).all()
    assert s.covered_deg.tolist() == [[0.0, 360.0]]


def test_the_skyline_where_it_was_measured_is_straight_between_readings():
    r = readings([10.0, 14.0, 30.0], [5.0, 7.0, 9.0])
    got = skyline_at(r, np.array([12.0, 20.0, 30.0]), max_gap_deg=5.0)
    np.testing.assert_allclose(got, [6.0, np.nan, 9.0])


def test_round_trip_there_and_back():
    """Carried away and back again, every reading is where it was."""
    r = readings(np.arange(160.0, 200.0, 4.0), np.linspace(5, 30, 10), np.linspace(8, 90, 10))
    away = shifted(r, east=2.0, north=-1.0, up=1.5)
    ends = np.isin(np.arange(len(away)), np.flatnonzero(~np.isnan(away.distance_m)))
    back = readings(away.azimuth_deg[ends], away.elevation_deg[ends], away.distance_m[ends])
    home = shifted(back, east=-2.0, north=1.0, up=-1.5, gap=0.0)
    for azimuth, elevation, distance in zip(r.azimuth_deg, r.elevation_deg, r.distance_m, strict=True):
        near = np.abs(home.azimuth_deg - azimuth) + np.abs(home.elevation_deg - elevation)
        assert near.min() < 1e-9
        assert home.distance_m[near.argmin()] == approx(distance)


@pytest.mark.parametrize("up_m", [-0.5, 0.0, 0.4, 3.0])
def test_a_skyline_lifted_from_another_height_is_the_one_carried_there(up_m):
    """Only elevations and distances depend on the height; a dish below the instrument sets other readings aside."""
    azimuth_deg = np.arange(100.0, 260.0, 4.0)
    distance_m = np.where(np.arange(azimuth_deg.size) % 5 == 2, np.nan, 20.0 + 0.1 * azimuth_deg)
    elevation_deg = 12.0 + 5.0 * np.sin(azimuth_deg)
    readings = Readings(azimuth_deg, elevation_deg, distance_m, ("",) * azimuth_deg.size, "h")
    asked = {"east_m": 0.6, "north_m": -0.3, "max_gap_deg": 5.0, "inclination_error_deg": 0.5,
             "exact_azimuths_deg": (171.3,)}  # fmt: skip
    lowest = shift_to_dish(readings, up_m=0.2, **asked)
    lifted = shift_to_dish(readings, up_m=up_m, like=lowest, hidden=False, **asked)
    plain = shift_to_dish(readings, up_m=up_m, **asked)
    for one, other in (
        (lifted.silhouette, plain.silhouette),
        (lifted.drawn.silhouette, plain.drawn.silhouette),
    ):
        for name in ("azimuth_deg", "elevation_deg", "distance_m", "covered_deg", "at_least"):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    np.testing.assert_array_equal(lifted.drawn.rise_deg, plain.drawn.rise_deg)
    assert lifted.hidden is None


def test_what_may_stand_beside_the_outermost_reading_has_its_height_and_no_rise():
    """Columns at most half a degree apart, as high and far as the reading; between readings the rise is theirs."""
    r = readings([170.0, 174.0], [10.0, 13.0], [40.0, 40.0])
    found = shift_to_dish(r, east_m=0.0, north_m=0.0, up_m=0.0, max_gap_deg=5.0, inclination_error_deg=0.5,
                          exact_azimuths_deg=(172.0,)).drawn  # fmt: skip
    azimuth = found.silhouette.azimuth_deg
    beyond = (azimuth > 174.0 + 1e-9) & (azimuth < 199.0 + 1e-9)
    assert np.diff(np.unique(np.round(azimuth[beyond], 6))).max() < 0.5 + 1e-6
    assert azimuth[beyond].max() == approx(199.0)
    assert found.silhouette.elevation_deg[beyond] == approx(13.0)
    assert found.silhouette.distance_m[beyond] == approx(40.0)
    assert np.isnan(found.rise_deg[beyond]).all()
    between = (azimuth > 170.0 + 1e-9) & (azimuth < 174.0 - 1e-9)
    assert found.rise_deg[between] == approx(3.0)


def test_what_may_stand_hidden_lies_where_its_direction_and_distance_say():
    """No farther up than the line of sight over the reading: seen from the instrument at most at its elevation."""
    r = readings([178.0, 182.0], [10.0, 10.0], [20.0, 20.0])
    hidden = shift_to_dish(r, east_m=0.0, north_m=0.0, up_m=3.0, max_gap_deg=5.0, inclination_error_deg=0.5,
                           exact_azimuths_deg=(180.0,), hidden_rise_m=28.0).hidden  # fmt: skip
    up_m = hidden.distance_m * np.sin(np.deg2rad(hidden.elevation_deg)) + 3.0
    level_m = hidden.distance_m * np.cos(np.deg2rad(hidden.elevation_deg))
    assert np.degrees(np.arctan2(up_m, level_m)) == approx(10.0, abs=0.01)
    assert up_m.max() == approx(28.0, rel=1e-3)  # the tallest that may stand there, over the instrument
    assert hidden.distance_m.min() > 20.0


def test_a_neighbour_that_cannot_be_used_is_not_joined():
    """From a lower dish a reading without a distance says nothing, nor does the line to it."""
    s = shifted(readings([170.0, 174.0, 178.0], [20.0, 21.0, 22.0], [30.0, np.nan, 30.0]), up=-1.0)
    assert not covered(s, [171.0, 172.0, 173.0, 175.0, 177.0]).any()
    whole = shifted(readings([170.0, 174.0, 178.0], [20.0, 21.0, 22.0], [30.0, 30.0, 30.0]), up=-1.0)
    assert covered(whole, [171.0, 172.0, 173.0, 175.0, 177.0]).all()


def test_what_may_stand_beside_a_reading_ends_where_the_next_readings_begin():
    """A gap of 12 degrees is filled from both sides; outwards it goes on for 25 degrees, as documented."""
    r = readings([170.0, 174.0, 186.0, 190.0], [5.0, 6.0, 7.0, 8.0])
    drawn = shift_to_dish(
        r, east_m=0.0, north_m=0.0, up_m=0.0, max_gap_deg=5.0, inclination_error_deg=0.5, exact_azimuths_deg=(180.0,)
    ).drawn  # fmt: skip
    beside = drawn.anchors[:, 0] == drawn.anchors[:, 1]
    for reading, (first, last) in enumerate([(145.0, 170.0), (174.0, 186.0), (174.0, 186.0), (190.0, 215.0)]):
        mine = drawn.silhouette.azimuth_deg[beside & (drawn.anchors[:, 0] == reading)]
        assert (mine.min(), mine.max()) == approx((first, last))


def test_a_stretch_between_two_readings_knows_its_width_and_each_column_its_place_in_it():
    drawn = shift_to_dish(
        readings([170.0, 174.0, 177.0], [5.0, 6.0, 8.0]), east_m=0.0, north_m=0.0, up_m=0.0, max_gap_deg=5.0,
        inclination_error_deg=0.5, exact_azimuths_deg=(172.0,),
    ).drawn  # fmt: skip
    azimuth = drawn.silhouette.azimuth_deg
    for low, high, rise in ((170.0, 174.0, 1.0), (174.0, 177.0, 2.0)):
        mine = (azimuth > low + 1e-6) & (azimuth < high - 1e-6)
        assert drawn.width_deg[mine] == approx(high - low)
        assert drawn.along[mine] == approx((azimuth[mine] - low) / (high - low))
        assert drawn.rise_deg[mine] == approx(rise)
        assert len(set(drawn.stretch[mine])) == 1
        assert (drawn.stretch[mine] >= 0).all()
    on_reading = np.isin(azimuth.round(6), (170.0, 174.0, 177.0)) & (
        drawn.anchors[:, 0] != drawn.anchors[:, 1]
    )
    assert (drawn.stretch[on_reading] == -1).all()


def test_behind_a_low_but_not_level_skyline_something_may_stand_hidden():
    """From 1 m higher one sees over an edge at 0.8 degrees; what is under half a degree hides nothing that counts."""
    for elevation, hides in ((0.8, True), (0.4, False)):
        found = shift_to_dish(
            readings([170.0, 174.0], [elevation] * 2, [40.0] * 2), east_m=0.0, north_m=0.0, up_m=1.0,
            max_gap_deg=5.0, inclination_error_deg=0.5, hidden_rise_m=20.0,
        ).hidden  # fmt: skip
        assert (found is not None) is hides

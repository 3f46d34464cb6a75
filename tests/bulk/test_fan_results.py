"""The fan of each place: its azimuths listed one by one, its rays by geodesics, its bounds by looking everywhere."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.bulk.fan_results import (
    FanResults,
    Window,
    counted_indices,
    half_windows_deg,
    keep_least,
    least_of_each,
    slope_of,
    symmetric_steps,
)
from skysill.bulk.ray_fan import Samples
from skysill.bulk.thresholds import thresholds_for
from skysill.model.site import Criteria
from small_ground import (
    ELLIPSOID,
    asked_of,
    bilinear,
    fan_offsets_deg,
    ground_of,
    hills,
    off_column_deg,
    on_lattice,
    over_sphere,
    places_at,
    radius_along_m,
    room_deg,
    seen_from,
)

ASKED = asked_of(-20.0)


def some_places(query=ASKED, seed=7):
    own = ground_of(hills(48, seed=seed))
    return own, places_at(own, query, [20.3, 25.0, 11.7], [12.6, 20.0, 31.1])


@pytest.mark.parametrize("dish_m", [0.3, 0.9, 1.2, 3.5])
@pytest.mark.parametrize("longitude", [-20.0, -75.0, -90.0])
def test_the_window_numbers_the_azimuths_of_the_fan_from_the_ray_outwards(dish_m, longitude):
    query = asked_of(longitude, dish_m=dish_m, criteria=Criteria(assumed_distance_m=8.0))
    _, places = some_places(query)
    window = Window.of(places, query)
    for at in range(3):
        wanted = fan_offsets_deg(places.apparent_deg[at], query)
        one = window.take(np.array([at]))
        last = int(one.last[0])
        numbers = np.arange(-last, last + 1)
        every = window.take(np.full(numbers.size, at))
        assert every.offset_deg(numbers) == pytest.approx(wanted, abs=1e-9)
        probes = np.concatenate([wanted, wanted + 0.03, wanted - 0.03, [-80.0, 80.0]])
        each = window.take(np.full(probes.size, at))
        first, until = each.ray_from(probes), each.ray_until(probes)
        for probe, a, b in zip(probes, first, until, strict=True):
            after, before = np.flatnonzero(wanted >= probe - 1e-6), np.flatnonzero(wanted <= probe + 1e-6)
            assert a == (numbers[after[0]] if after.size else last + 1)
            assert b == (numbers[before[-1]] if before.size else -last - 1)


def test_the_halves_of_the_window_are_where_ground_10_and_2_metres_away_could_take_the_room():
    """Napier: sin(room) = cos(elevation) sin(offset)."""
    _, places = some_places()
    dense, wide = half_windows_deg(places, ASKED)
    for found, distance_m in ((dense, 10.0), (wide, 2.0)):
        back = np.degrees(np.arcsin(np.cos(np.radians(places.apparent_deg)) * np.sin(np.radians(found))))
        assert back == pytest.approx(np.full(3, float(room_deg(distance_m, ASKED))), abs=1e-9)
    places.apparent_deg = np.array([89.0, 60.0, 20.0])
    assert [part[0] for part in half_windows_deg(places, ASKED)] == [90.0, 90.0]


def test_counting_out_steps_and_groups():
    assert [part.tolist() for part in symmetric_steps(np.array([1, 0, 2]))] == [[0, 0, 0, 1, 2, 2, 2, 2, 2],
                                                                       [-1, 0, 1, 0, -2, -1, 0, 1, 2]]  # fmt: skip
    assert [part.tolist() for part in counted_indices(np.array([2, 0, 3]))] == [
        [0, 0, 2, 2, 2],
        [0, 1, 0, 1, 2],
    ]
    rng = np.random.default_rng(1)
    group, key, then = rng.integers(0, 9, 200), rng.integers(0, 4, 200) * 1.0, rng.random(200)
    wanted = [min(np.flatnonzero(group == g), key=lambda i: (key[i], then[i])) for g in np.unique(group)]
    assert least_of_each(group, key, then).tolist() == wanted
    assert least_of_each(np.array([3, 3]), np.zeros(2), np.zeros(2)).tolist() == [0]
    assert least_of_each(np.zeros(0, np.int64), np.zeros(0), np.zeros(0)).size == 0


def test_rays_of_a_fan_lead_along_geodesics_over_the_earths_curve_on_their_own_azimuth():
    own, places = some_places()
    results = FanResults.of(thresholds_for(own, ASKED), places)
    place, offset = np.array([0, 2, 1, 1]), np.array([-30.0, 12.0, 0.0, 80.0])
    rays = results.rays(place, offset, np.full(4, -1.0), np.array([500.0, 1e9, 700.0, 100.0]))
    azimuth = places.azimuth_deg[place] + offset
    assert rays.radius_m == pytest.approx(radius_along_m(places.latitude_deg[place], azimuth), rel=1e-9)
    assert rays.antenna_m.tolist() == places.antenna_m[place].tolist()
    assert rays.near_m == 60.0
    assert rays.limit_m[[0, 2, 3]].tolist() == [500.0, 700.0, 100.0]
    assert rays.limit_m[1] <= places.search_m[2]
    east, north, _ = ELLIPSOID.fwd(
        places.longitude_deg[place], places.latitude_deg[place], azimuth, np.full(4, 650.0)
    )
    column, row = rays.at(np.full(4, 650.0))
    assert np.stack([column, row]) == pytest.approx(np.stack(on_lattice(own.grid, north, east)), abs=1e-3)


def test_a_low_ray_is_followed_as_far_as_ground_can_be_seen_so_high():
    """Ground of the height given can stand at the end of a ray at sought_deg: law of sines about the Earth's centre."""
    query = asked_of(-90.0, highest_ground_m=900.0)
    own, places = some_places(query)
    assert (places.search_floor_deg <= places.apparent_deg - 0.5).all()
    results = FanResults.of(thresholds_for(own, query), places)
    everyone, azimuth = np.arange(3), places.azimuth_deg + 3.0
    rays = results.rays(everyone, np.full(3, 3.0), np.zeros(3), np.full(3, 1e9))
    low = places.search_floor_deg > places.apparent_deg - 10.0
    assert low.any()
    radius_m = radius_along_m(places.latitude_deg, azimuth)
    e, top_m = np.radians(places.search_floor_deg), max(900.0, own.grid.highest_m)
    theta = np.arccos((radius_m + places.antenna_m) * np.cos(e) / (radius_m + top_m)) - e
    assert rays.limit_m[low] == pytest.approx((radius_m * theta)[low], rel=1e-6)


def test_the_reach_below_a_slope_leaves_out_nothing_that_looks_higher():
    own, places = some_places()
    results = FanResults.of(thresholds_for(own, ASKED), places)
    rows, columns = own.grid.values.shape
    nothing_left_out = True
    for slope in (0.25, 0.4, 0.6):  # higher than the elevation down to which ground is sought
        reach_m = results.reach_below(np.full(3, slope), np.arange(3))
        assert (reach_m <= (own.grid.highest_m - places.antenna_m).clip(0.0) / slope + 1.0 + 1e-9).all()
        for at in range(3):
            row, column = np.mgrid[0 : rows - 1 : 0.5, 0 : columns - 1 : 0.5]
            away_m = 30.0 * np.hypot(column - places.column[at], row - places.row[at])
            height_m = bilinear(own.grid.values, column, row)
            top, _ = over_sphere(np.maximum(away_m, 1.0), height_m, places.antenna_m[at], 8.5e6)
            high = (np.degrees(np.arctan(slope)) <= top) & (away_m > 5.0)
            nothing_left_out &= not (away_m[high] > reach_m[at]).any()
    assert nothing_left_out
    assert (results.reach_below(np.full(3, -0.1), np.arange(3)) == places.search_m + 1.0).all()
    # a slope that only near ground could show: the block maxima around shorten the reach
    steep = results.reach_below(np.full(3, 3.0), np.arange(3))
    assert (steep < (own.grid.highest_m - places.antenna_m) / 3.0 + 1.0).any()


def test_what_is_taken_in_is_the_sample_with_least_excess():
    own, places = some_places()
    results = FanResults.of(thresholds_for(own, ASKED), places)
    assert results.bound_deg.tolist() == [10.0] * 3
    assert results.excess_limit_deg.tolist() == [10.0] * 3
    assert FanResults.of(thresholds_for(own, ASKED), places, most_deg=3.0).bound_deg.tolist() == [3.0] * 3
    for at in range(3):
        seen = seen_from(own, places, at, ASKED, out_to_m=500.0)
        rays = results.rays(np.full(seen.distance_m.size, at), seen.offset_deg, np.zeros(seen.distance_m.size),
                        np.full(seen.distance_m.size, 1e9))  # fmt: skip
        ray = np.arange(seen.distance_m.size)
        samples = Samples(
            ray, seen.distance_m, seen.height_m, slope_of(rays, ray, seen.distance_m, seen.height_m)
        )
        assert results.slant(rays, samples) == pytest.approx(seen.slant_m, rel=1e-6)
        excess_deg = seen.margins_deg(places.apparent_deg[at]) - room_deg(seen.slant_m, ASKED)
        assert keep_least(results, rays, samples, seen.offset_deg) == pytest.approx(excess_deg, abs=2e-4)
        best = excess_deg.argmin()
        assert results.excess_deg[at] == pytest.approx(excess_deg[best], abs=2e-4)
        assert results.slant_m[at] == pytest.approx(seen.slant_m[best], abs=0.01)
        assert results.margin_deg[at] == pytest.approx(
            excess_deg[best] + room_deg(seen.slant_m[best], ASKED), abs=2e-4
        )
        # worse samples change nothing
        worse = np.flatnonzero(excess_deg > excess_deg[best] + 0.5)
        assert worse.size
        kept = results.excess_deg[at], results.margin_deg[at], results.slant_m[at], results.raise_m[at]
        others = Samples(worse, samples.distance_m[worse], samples.elevation_m[worse], samples.slope[worse])
        keep_least(results, rays, others, seen.offset_deg[worse])
        assert (
            results.excess_deg[at],
            results.margin_deg[at],
            results.slant_m[at],
            results.raise_m[at],
        ) == kept
    assert keep_least(results, rays, Samples(ray[:0], *[np.zeros(0)] * 3), np.zeros(0)).size == 0


def test_raised_by_what_is_said_the_controlling_ground_leaves_just_the_room():
    """To first order: the column's top is lowered by the raise over its distance, and the margin found again."""
    own, places = some_places()
    results = FanResults.of(thresholds_for(own, ASKED), places)
    for offset, distance_m, above_deg in (
        (0.0, 300.0, 0.5),
        (0.3, 150.0, 0.0),
        (-0.4, 90.0, -0.1),
        (0.0, 300.0, -9.0),
    ):
        rays = results.rays(np.array([0]), np.array([offset]), np.zeros(1), np.full(1, 1e9))
        slope = np.tan(np.radians(places.apparent_deg[0] + above_deg))
        height_m = places.antenna_m[0] + slope * distance_m + distance_m**2 / (2.0 * rays.radius_m[0])
        results.excess_deg[:] = np.inf
        samples = Samples(np.array([0]), np.array([distance_m]), np.array([height_m]), np.array([slope]))
        keep_least(results, rays, samples, np.array([offset]))
        raise_m = results.raise_m[0]
        lowered_deg = np.degrees(np.arctan(slope - raise_m / distance_m))
        slant_m = distance_m / np.cos(np.radians(places.apparent_deg[0] + above_deg))
        room = float(room_deg(slant_m, ASKED))
        if above_deg == -9.0:
            assert raise_m == 0.0
            continue
        assert off_column_deg(offset, places.apparent_deg[0], lowered_deg) == pytest.approx(room, abs=0.01)


def test_nearer_than_the_bound_or_uncertain_ground_is_of_interest():
    own, places = some_places()
    thresholds = thresholds_for(own, ASKED)
    results = FanResults.of(thresholds, places)
    away_m = np.array([60.0, 200.0, 900.0])
    at = np.arange(3)
    open_deg = results.angle_limit_deg(at, away_m)
    assert open_deg == pytest.approx(10.0 + room_deg(away_m, ASKED), rel=0.03)
    results.bound_deg = np.array([0.5, 0.5, -0.5])
    doubt_deg = thresholds.uncertain_bound_deg(away_m)
    wanted = np.maximum(0.5 + thresholds.room_bound_deg(away_m), doubt_deg)
    found = results.angle_limit_deg(at, away_m)
    assert found[:2] == pytest.approx(wanted[:2])
    assert found[2] == max(thresholds.room_bound_deg(away_m)[2] - 0.5, 0.0)  # short already: no doubt is left
    results.uncertain[:] = [True, False, False]
    assert results.angle_limit_deg(at, away_m)[0] == pytest.approx(0.5 + thresholds.room_bound_deg(away_m)[0])
    results.uncertain[:] = True
    assert results.angle_limit_deg(at, away_m)[1] == pytest.approx(0.5 + thresholds.room_bound_deg(away_m)[1])

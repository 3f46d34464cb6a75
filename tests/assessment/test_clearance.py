"""Room around the ray: points, not the merged profile; margins over azimuth as well as elevation."""

from __future__ import annotations

import numpy as np
import pytest
from pytest import approx

from skysill.assessment.clearance import (
    blocked_fraction,
    clearance,
    column_margin_deg,
    column_rooms,
)
from skysill.assessment.search_window import window_half_deg
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.link import Link, Ray
from skysill.model.site import Criteria, Terminal
from skysill.units import direction_enu

TERMINAL, CRITERIA = Terminal(dish_diameter_m=1.2, receive_ghz=19.7), Criteria()


def columns(azimuth, elevation, distance, names=("thing",), feature=0, floor=-90.0):
    return Silhouette(
        source="obstacle",
        azimuth_deg=np.asarray(azimuth, dtype=float),
        elevation_deg=elevation,
        distance_m=distance,
        features=tuple(Feature(name, "building", "obstacle") for name in names),
        feature=feature,
        floor_deg=floor,
    )


def judged(*silhouettes, azimuth=179.0, elevation=24.1):
    rooms = [column_rooms(s, Ray(azimuth, elevation), Link(TERMINAL, CRITERIA)) for s in silhouettes]
    return clearance(rooms, silhouettes, Ray(azimuth, elevation), link=Link(TERMINAL, CRITERIA))


def skyline(elevation, distance, *, step=0.1, half=20.0, **more):
    azimuth = 179.0 + np.arange(-half, half + step / 2, step)
    return columns(azimuth, np.full(azimuth.shape, elevation), distance, **more)


def test_the_near_gutter_controls_though_the_hill_is_higher():
    """Worked by hand: the hill 2 km off at 22.0 leaves 73 m of 3.9; the gutter 6 m off at 17.0 leaves 0.74 of 0.78."""
    azimuth = np.tile(179.0 + np.arange(-5.0, 5.05, 0.1), 2)
    n = azimuth.size // 2
    both = columns(azimuth, np.repeat([22.0, 17.0], n), np.repeat([2000.0, 6.0], n), ("hill", "gutter"),
                   np.repeat([0, 1], n))  # fmt: skip
    found = judged(both)
    assert found.controlling.name == "gutter"
    assert found.clearance_m == approx(6.0 * np.sin(np.deg2rad(7.1)), abs=1e-9)
    assert found.required_m == approx(0.7813, abs=1e-4)
    assert found.vertical_margin_deg == approx(2.1)
    assert not found.obstructed
    assert not found.has_clearance


def test_a_level_skyline_is_nearest_straight_below():
    found = judged(skyline(14.1, 500.0))
    assert found.margin_deg == approx(10.0, abs=1e-6)
    assert found.controlling.azimuth_deg == approx(179.0)


def test_something_tall_beside_is_seen_beside():
    """Napier: the distance to a vertical edge standing 3 degrees of azimuth away is asin(cos(24.1) sin(3))."""
    found = judged(columns([182.0], [70.0], 300.0))
    assert found.margin_deg == approx(
        np.rad2deg(np.arcsin(np.cos(np.deg2rad(24.1)) * np.sin(np.deg2rad(3.0))))
    )
    assert found.vertical_margin_deg is None


def test_the_ray_inside_has_a_negative_margin_and_names_the_nearest_thing():
    near, far = skyline(30.0, 40.0, names=("barn",)), skyline(35.0, 900.0, names=("hill",))
    found = judged(far, near)
    assert found.controlling.name == "barn"
    assert found.margin_deg == approx(24.1 - 35.0, abs=1e-6)
    assert found.clearance_m == approx(40.0 * np.sin(np.deg2rad(24.1 - 35.0)))
    assert found.obstructed


def test_a_ray_runs_free_under_what_hangs_above():
    """Eaves from 30 degrees up: 5.9 degrees above the ray, nothing below it."""
    found = judged(skyline(60.0, 50.0, floor=30.0))
    assert found.margin_deg == approx(5.9, abs=1e-6)
    assert found.vertical_margin_deg is None
    assert found.controlling.elevation_deg == approx(30.0)


def test_nothing_at_all_is_none_and_never_a_number():
    found = judged(columns([], [], []))
    assert found.margin_deg is None
    assert found.controlling is None
    assert found.has_clearance


def test_a_reading_without_distance_counts_as_near_and_says_so():
    found = judged(skyline(14.1, np.nan))
    assert found.controlling.distance_m == 10.0
    assert found.controlling.distance_assumed
    assert found.required_m == approx(0.6 + 0.6 * np.sqrt(0.2997924580 / 19.7 * 10.0), abs=1e-6)


def test_column_margin_agrees_with_brute_force_over_the_column():
    """The smallest angle to any of 20 001 directions of the column, by the dot product of unit vectors."""
    rng = np.random.default_rng(3)
    for offset, ray, top, height in zip(
        rng.uniform(-60, 60, 60),
        rng.uniform(1, 80, 60),
        rng.uniform(-5, 85, 60),
        rng.uniform(0.5, 40, 60),
        strict=True,
    ):
        floor = top - height
        along = direction_enu(offset, np.linspace(floor, top, 20_001))
        brute = np.rad2deg(np.arccos(np.clip(along @ direction_enu(0.0, ray), -1.0, 1.0))).min()
        assert column_margin_deg(offset, ray, top, floor) == approx(brute, abs=2e-3)


def test_margin_is_the_same_mirrored_east_and_west():
    azimuth = 179.0 + np.arange(-8.0, 8.05, 0.1)
    slope = columns(azimuth, 20.0 + (azimuth - 179.0) * 0.4, 100.0)
    mirror = columns(358.0 - azimuth, 20.0 + (azimuth - 179.0) * 0.4, 100.0)
    assert judged(slope).margin_deg == approx(judged(mirror).margin_deg, abs=1e-9)


@pytest.mark.parametrize(
    ("below_m", "hidden"), [(0.0, 0.5), (0.6, 0.0), (-0.6, 1.0), (0.3, 0.19550110947789)]
)
def test_blocked_fraction_is_the_circle_segment(below_m, hidden):
    """Share of a disc of radius 0.6 below a chord: 1/3 acos... the plain segment formula; half a radius off the
    middle leaves 0.19550 (acos(t) - t sqrt(1 - t^2)) / pi. The edge here is straight only nearly: a level skyline
    120 m off bends by 3e-5 m over the dish."""
    drop = np.rad2deg(np.arcsin(below_m / 120.0))
    assert blocked_fraction(
        [skyline(24.1 - drop, 120.0, half=3.0)], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA)
    ) == approx(hidden, abs=2e-3)


def test_a_pole_hides_the_strip_it_covers():
    """0.2 m wide, right in front: the disc's middle strip, 2 (a sqrt(r2 - a2) + r2 asin(a / r)) / (pi r2), a 0.1."""
    half = np.rad2deg(np.arctan(0.1 / (30.0 * np.cos(np.deg2rad(24.1)))))
    azimuth = 179.0 + np.linspace(-half, half, 41)
    pole = columns(azimuth, np.full(41, 60.0), 30.0)
    strip = 2.0 * (0.1 * np.sqrt(0.36 - 0.01) + 0.36 * np.arcsin(0.1 / 0.6)) / (np.pi * 0.36)
    assert blocked_fraction([pole], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA)) == approx(strip, rel=0.04)


@pytest.mark.parametrize("count", [2, 3])
def test_few_columns_hide_the_strips_between_their_neighbours(count):
    """Columns in the middle of strips of one width: together the strip of the pole above, by its closed form."""
    half = np.rad2deg(np.arctan(0.1 / (30.0 * np.cos(np.deg2rad(24.1)))))
    azimuth = 179.0 + half * (2.0 * np.arange(count) + 1.0 - count) / count
    strip = 2.0 * (0.1 * np.sqrt(0.36 - 0.01) + 0.36 * np.arcsin(0.1 / 0.6)) / (np.pi * 0.36)
    pole = columns(azimuth, np.full(count, 60.0), 30.0)
    assert blocked_fraction([pole], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA)) == approx(strip, rel=0.01)


@pytest.mark.parametrize(("distance_m", "elevation_deg"), [(2.0, 24.1), (8.0, 60.0), (300.0, 5.0)])
def test_the_window_of_a_ray_ends_where_a_wall_to_the_sky_leaves_just_the_room(distance_m, elevation_deg):
    """The least angle between the ray and a meridian, over all its elevations, is the required angle there."""
    link = Link(TERMINAL, CRITERIA)
    half_deg = window_half_deg(distance_m, elevation_deg, link)
    up = np.linspace(-20.0, 110.0, 260_001)
    cosine = direction_enu(np.full(up.shape, half_deg), up) @ direction_enu(0.0, elevation_deg)
    wavelength_m = 299_792_458.0 / 19.7e9
    needed_m = 0.6 + 0.6 * np.sqrt(
        wavelength_m * distance_m
    )  # half the dish and 0.6 of the first Fresnel radius
    assert np.rad2deg(np.arccos(cosine.max())) == approx(
        np.rad2deg(np.arctan(needed_m / distance_m)), abs=1e-4
    )


def test_near_a_steep_ray_the_window_is_the_whole_circle():
    assert window_half_deg(1.0, 88.0, Link(TERMINAL, CRITERIA)) == 180.0


def test_a_far_lower_point_cannot_turn_a_pass_into_a_fail():
    rng = np.random.default_rng(11)
    for _ in range(50):
        near_m, far_m = np.sort(rng.uniform(3.0, 3000.0, 2))
        top = rng.uniform(5.0, 23.0)
        alone = judged(skyline(top, near_m))
        pair = judged(skyline(top, near_m), skyline(top - rng.uniform(0.0, 5.0), far_m))
        assert alone.has_clearance == pair.has_clearance


def directions(azimuth_deg, elevation_deg):
    """East, north, up of a direction, written out."""
    azimuth, elevation = np.deg2rad(azimuth_deg), np.deg2rad(elevation_deg)
    level = np.cos(elevation)
    return np.stack(
        [level * np.sin(azimuth), level * np.cos(azimuth), np.sin(elevation) + 0 * level], axis=-1
    )


def angle_to_column(azimuth, elevation, column_azimuth, floor, top):
    """The smallest angle to 40,001 points of a vertical column."""
    points = directions(np.full(40_001, column_azimuth), np.linspace(floor, top, 40_001))
    ray = directions(azimuth, elevation)
    return np.rad2deg(np.arctan2(np.linalg.norm(np.cross(ray, points), axis=1), points @ ray).min())


def loss_by_grid(edge_above_ray_m, distance_m, diameter_m, ghz):
    """The field behind a straight edge averaged over 250,000 points of a disc, by scipy's Fresnel integrals."""
    from scipy.special import fresnel

    wavelength_m = 299_792_458.0 / (ghz * 1e9)
    at = (np.arange(500) + 0.5) / 500 * diameter_m - diameter_m / 2.0
    x, y = np.meshgrid(at, at)
    y = y[x**2 + y**2 <= (diameter_m / 2.0) ** 2]
    s, c = fresnel((edge_above_ray_m - y) * np.sqrt(2.0 / (wavelength_m * distance_m)))
    return -20.0 * np.log10(abs(np.mean((1 + 1j) / 2.0 * ((0.5 - c) - 1j * (0.5 - s)))))


@pytest.mark.parametrize("seed", range(12))
def test_every_field_of_a_clearance_follows_from_its_definition(seed):
    """Definitions by hand: the smallest spare room controls; formulas of the Fresnel zone (ITU-R P.526-8 section 2)."""
    rng = np.random.default_rng(seed)
    azimuth, elevation = rng.uniform(0.0, 360.0), rng.uniform(15.0, 60.0)
    terminal = Terminal(dish_diameter_m=rng.uniform(0.4, 2.4), receive_ghz=rng.uniform(10.0, 30.0))
    criteria = Criteria(fresnel_fraction=rng.uniform(0.3, 1.0), assumed_distance_m=rng.uniform(4.0, 20.0))
    sources = []
    for number, name in enumerate(("a", "b", "c")):
        count = int(rng.integers(3, 9))
        offsets = rng.uniform(-12.0, 12.0, count)
        offsets[0] = 0.0
        tops = elevation - rng.uniform(1.0, 12.0, count)
        distance = np.where(rng.random(count) < 0.3, np.nan, rng.uniform(3.0, 400.0, count))
        floors = np.where(rng.random(count) < 0.5, -90.0, tops - rng.uniform(0.1, 1.0, count))
        features = (
            Feature(f"{name} one", "wall", f"s{number}"),
            Feature(f"{name} two", "tree", f"s{number}"),
        )
        sources.append(
            Silhouette(
                f"s{number}", azimuth + offsets, tops, distance, features, rng.integers(0, 2, count), floors
            )
        )
    rooms = [column_rooms(s, Ray(azimuth, elevation), Link(terminal, criteria)) for s in sources]
    found = clearance(rooms, sources, Ray(azimuth, elevation), link=Link(terminal, criteria))

    wavelength_m = 299_792_458.0 / (terminal.receive_ghz * 1e9)
    best = None
    for s in sources:
        for i in range(len(s)):
            assumed = bool(np.isnan(s.distance_m[i]))
            d = criteria.assumed_distance_m if assumed else float(s.distance_m[i])
            margin = angle_to_column(azimuth, elevation, s.azimuth_deg[i], s.floor_deg[i], s.elevation_deg[i])
            required = terminal.dish_diameter_m / 2.0 + criteria.fresnel_fraction * np.sqrt(wavelength_m * d)
            spare = margin - np.rad2deg(np.arctan(required / d))
            if best is None or spare < best[0]:
                best = (spare, margin, required, d, assumed, s, i)
    spare, margin, required, d, assumed, s, i = best
    assert found.spare_deg == approx(spare, abs=2e-3)
    assert found.margin_deg == approx(margin, abs=2e-3)
    assert found.clearance_m == approx(d * np.sin(np.deg2rad(margin)), rel=1e-3)
    assert found.required_m == approx(required, rel=1e-9)
    assert found.fresnel_radius_m == approx(np.sqrt(wavelength_m * d), rel=1e-9)
    assert found.fresnel_ratio == approx(found.clearance_m / np.sqrt(wavelength_m * d), rel=1e-9)
    feature = s.features[s.feature[i]]
    assert found.controlling is not None
    assert (found.controlling.name, found.controlling.kind, found.controlling.source) == (
        feature.name,
        feature.kind,
        feature.source,
    )
    assert found.controlling.azimuth_deg == approx(s.azimuth_deg[i])
    assert found.controlling.elevation_deg == approx(s.elevation_deg[i])
    assert found.controlling.distance_m == approx(d)
    assert found.controlling.distance_assumed is assumed
    assert not found.obstructed
    assert found.has_clearance == (spare >= 0.0)
    # straight below: the highest top of the columns on the ray's own azimuth, of any source
    straight = [
        t.elevation_deg[j]
        for t in sources
        for j in range(len(t))
        if abs((t.azimuth_deg[j] - azimuth + 180.0) % 360.0 - 180.0) < 1e-9
    ]
    assert len(straight) == 3
    assert found.vertical_margin_deg == approx(elevation - max(straight))
    expected_db = loss_by_grid(-found.clearance_m, d, terminal.dish_diameter_m, terminal.receive_ghz)
    assert found.loss_db == approx(expected_db, abs=0.02)


def test_an_edge_across_the_middle_costs_six_decibels_and_a_higher_one_more():
    """Half the field is 6.02 dB (ITU-R P.526-8 section 4.1, J(0)); an edge above the ray costs more, below it less."""
    free, half, shut = (judged(skyline(24.1 + up, 120.0, half=3.0)).loss_db for up in (-0.5, -1e-9, 0.25))
    assert half == approx(6.02, abs=0.01)
    assert free < 0.0
    assert shut > 11.0


def test_a_dish_that_nothing_touches_is_not_blocked():
    assert blocked_fraction([skyline(10.0, 120.0)], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA)) == 0.0
    assert blocked_fraction([], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA)) == 0.0
    assert blocked_fraction([columns([], [], [])], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA)) == 0.0


def test_two_sources_hide_the_union_of_what_each_hides():
    low = skyline(24.1 - np.rad2deg(np.arcsin(0.3 / 120.0)), 120.0, half=3.0)
    same = skyline(24.1 - np.rad2deg(np.arcsin(0.3 / 60.0)), 60.0, half=3.0)
    one = blocked_fraction([low], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA))
    assert blocked_fraction([low, same], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA)) == approx(one, abs=1e-3)


def test_inside_two_things_the_nearest_is_named_and_the_deepest_tells_the_depth():
    near, far = skyline(25.0, 20.0), skyline(29.0, 500.0, names=("hill",))
    found = judged(far, near)
    assert found.controlling is not None
    assert found.controlling.distance_m == 20.0
    assert found.controlling.name == "thing"
    assert found.margin_deg == approx(-4.9, abs=0.01)
    assert found.clearance_m == approx(20.0 * np.sin(np.deg2rad(-4.9)), abs=0.01)
    assert found.spare_deg == approx(
        found.margin_deg - np.rad2deg(np.arctan(found.required_m / 20.0)), abs=1e-9
    )


def test_a_wall_before_the_whole_dish_hides_all_of_it_and_no_more():
    """Columns 0.3 degrees wide at 900 m are 4.7 m wide: one alone covers a dish of 1.2 m."""
    tall = skyline(60.0, 900.0, step=0.3, half=3.0)
    assert blocked_fraction([tall], Ray(179.0, 24.1), Link(TERMINAL, CRITERIA)) == 1.0

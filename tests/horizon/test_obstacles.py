"""Obstacles against the sky: closed forms, and a ray caster over triangles that shares nothing with the kernels."""

from __future__ import annotations

import numpy as np
import pytest

from houses import cast, fan, turned, upright
from skysill.errors import InputError
from skysill.horizon.scene_clearance import clearances, least_room
from skysill.horizon.scene_silhouette import scene_silhouette
from skysill.model.link import Link
from skysill.model.obstacle_builders import (
    building,
    facet,
    pole,
    tree,
    wall,
    wire,
)
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Terminal
from skysill.units import direction_enu, separation_deg

TERMINAL = Terminal(dish_diameter_m=1.2, receive_ghz=19.7)
CRITERIA = Criteria()
GIVEN = {"link": Link(TERMINAL, CRITERIA)}


def room(obstacle, azimuth_deg, elevation_deg, dish=(0.0, 0.0, 2.0), **options):
    return clearances(Scene((obstacle,)), [dish], [azimuth_deg], [elevation_deg], **GIVEN, **options)


# -- random things -----------------------------------------------------------------------------------------


def random_thing(rng):
    """An obstacle of a random kind 3 to 40 m from the origin, and its triangles made here."""
    bearing, far = rng.uniform(0, 2 * np.pi), rng.uniform(5.0, 40.0)
    centre = far * np.array([np.sin(bearing), np.cos(bearing)])
    top = rng.uniform(3.0, 25.0)
    kind = rng.integers(7)
    turn = rng.uniform(0, np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if kind == 0:
        corners = centre + np.array([[-3, -2], [3, -2], [3, 2], [0.5, 2], [0.5, 0.5], [-3, 0.5]]) @ spin.T
        ring = np.column_stack([corners, np.full(6, top)])
        cap = np.array(
            [
                [ring[0], ring[1], ring[4]],
                [ring[1], ring[2], ring[4]],
                [ring[2], ring[3], ring[4]],
                [ring[0], ring[4], ring[5]],
            ]
        )
        return building("b", corners, ground_elevation_m=0, top_elevation_m=top), np.concatenate(
            [cap, upright(ring)]
        )
    if kind == 1:  # a roof's slope with sky under it
        plan = centre + np.array([[-4, -2], [4, -2], [4, 2], [-4, 2]]) @ spin.T
        ring = np.column_stack([plan, [top, top, top + 2.5, top + 2.5]])
        return facet("f", ring), fan(ring)
    if kind == 2:
        ends = centre + np.array([[-5, 0], [5, 0.0]]) @ spin.T
        line = np.column_stack([ends, [top, top + 1.0]])
        return wall("w", line, ground_elevation_m=0), upright(line)
    if kind == 3:
        made = pole("p", tuple(centre), ground_elevation_m=0, height_m=top, radius_m=0.4)
        return made, turned([(0, top), (0.4, top), (0.4, 0.0)], centre)
    crown = ("ellipsoid", "cone", "dome")[kind - 4]
    radius, base = rng.uniform(1.0, 3.5), top / 3.0
    made = tree(
        "t",
        tuple(centre),
        ground_elevation_m=0,
        height_m=top,
        crown_radius_m=radius,
        crown=crown,
        trunk_radius_m=0.3,
    )
    b = np.linspace(-np.pi / 2, np.pi / 2, 121)
    profile = {
        "ellipsoid": list(
            zip(radius * np.cos(b), (base + top) / 2 + (top - base) / 2 * np.sin(b), strict=True)
        ),
        "dome": [(0, base), *zip(radius * np.cos(b[60:]), base + (top - base) * np.sin(b[60:]), strict=True)],
        "cone": [(0, base), (radius, base), (0, top)],
    }[crown]
    trunk = turned([(0.3, 0.0), (0.3, (base + top) / 2 if crown == "ellipsoid" else base)], centre)
    return made, np.concatenate([turned(profile, centre), trunk])


@pytest.fixture
def rng():
    return np.random.default_rng(20261125)


@pytest.mark.slow
def test_hits_agree_with_casting_rays_at_triangles(rng):
    """10,000 rays from 200 positions, under crowns and eaves too. Round things: a turned polygon of 180 sides
    leaves the circle by 0.00015 of its radius, under 0.01 degree here: where the two differ the margin says so."""
    checked = 0
    for _ in range(200):
        thing, triangles = random_thing(rng)
        middle = np.array([*thing.centre_m, thing.top_elevation_m])
        dish = np.array([*rng.uniform(-3, 3, 2), rng.uniform(0.5, 8.0)])
        if rng.random() < 0.3:  # right beside it, or under it
            dish[:2] = middle[:2] + rng.uniform(-6, 6, 2)
        toward = middle - dish - [0, 0, rng.uniform(0, 4)]
        azimuth = np.rad2deg(np.arctan2(toward[0], toward[1])) + rng.normal(0, 12, 50)
        elevation = np.clip(
            np.rad2deg(np.arctan2(toward[2], np.hypot(*toward[:2]))) + rng.normal(0, 10, 50), 1, 88
        )
        scene = Scene((thing,))
        if scene.holding(dish).any():
            continue
        found = clearances(scene, dish, azimuth, elevation, **GIVEN, exact_within_deg=89.0)
        first = cast(triangles, dish, direction_enu(azimuth, elevation))
        hit = found.hit[0, :, 0]
        for odd in np.flatnonzero(hit != np.isfinite(first)):
            full = clearances(scene, dish, azimuth[[odd]], elevation[[odd]], **GIVEN)
            assert abs(full.margin_deg.item()) < 0.01
        both = hit & np.isfinite(first)
        aside = np.abs(found.distance_m[0, both, 0] - first[both])
        assert (
            np.quantile(aside, 0.9) < 0.01 if both.any() else True
        )  # grazing a polygon is not grazing a circle
        checked += hit.size
    assert checked > 9_000


def cast_each(triangles, origins, rays):
    """`cast` of one ray from each origin; only at triangles whose middle is no farther off the ray than a corner."""
    middle = triangles.mean(axis=1)
    size = ((triangles - middle[:, None]) ** 2).sum(-1).max(-1)
    along = rays @ middle.T - (rays * origins).sum(-1, keepdims=True)
    aside = (middle**2).sum(-1) - 2.0 * origins @ middle.T + (origins**2).sum(-1, keepdims=True) - along**2
    near = aside < size + 1e-6
    return np.array([cast(triangles[near[i]], origins[i], rays[i : i + 1])[0] for i in range(len(rays))])


@pytest.mark.slow
def test_hits_agree_with_casting_from_ten_thousand_places(rng):
    """200 things, 50 places each, one ray a place aimed near the thing's edge; where they differ it grazes by less
    than 0.01 degree."""
    pairs = 0
    for _ in range(200):
        thing, triangles = random_thing(rng)
        middle = np.array([*thing.centre_m, thing.top_elevation_m])
        dish = np.column_stack([rng.uniform(-4, 4, (50, 2)), rng.uniform(0.5, 8.0, 50)])
        beside = rng.random(50) < 0.3  # right beside it, or under it
        dish[beside, :2] = middle[:2] + rng.uniform(-6, 6, (int(beside.sum()), 2))
        scene = Scene((thing,))
        dish = dish[~scene.holding(dish)[:, 0]]
        toward = middle - dish - [0.0, 0.0, 1.0]
        azimuth = np.rad2deg(np.arctan2(toward[:, 0], toward[:, 1])) + rng.normal(0, 8, len(dish))
        climb = np.rad2deg(np.arctan2(toward[:, 2], np.hypot(toward[:, 0], toward[:, 1])))
        elevation = np.clip(climb + rng.normal(0, 6, len(dish)), 1, 88)
        hit = clearances(
            scene, dish, azimuth[:, None], elevation[:, None], **GIVEN, exact_within_deg=89.0
        ).hit[:, 0, 0]
        rays = direction_enu(azimuth, elevation)
        seen = np.isfinite(cast_each(triangles, dish, rays))
        for odd in np.flatnonzero(hit != seen):
            full = clearances(scene, dish[odd], [azimuth[odd]], [elevation[odd]], **GIVEN)
            assert abs(full.margin_deg.item()) < 0.01
        pairs += len(dish)
    assert pairs > 9_000


def test_margins_agree_with_casting_rays_around_the_answer(rng):
    """The caster sees nothing in the cone of the margin less 0.01 degree, and something just past its edge."""
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    for _ in range(40):
        thing, triangles = random_thing(rng)
        dish = np.array([*rng.uniform(-3, 3, 2), rng.uniform(0.5, 8.0)])
        scene = Scene((thing,))
        if scene.holding(dish).any():
            continue
        toward = np.array([*thing.centre_m, thing.top_elevation_m]) - dish
        azimuth = np.rad2deg(np.arctan2(toward[0], toward[1])) + rng.normal(0, 15)
        elevation = np.clip(
            np.rad2deg(np.arctan2(toward[2], np.hypot(*toward[:2]))) + rng.normal(0, 12), 2, 80
        )
        found = clearances(scene, dish, [azimuth], [elevation], **GIVEN)
        margin, ray = found.margin_deg.item(), direction_enu(azimuth, elevation)
        if abs(margin) < 0.05 or abs(margin) > 60:
            continue
        side = np.cross(ray, [0.0, 0.0, 1.0])
        side /= np.linalg.norm(side)
        up = np.cross(side, ray)
        ring = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * up

        def around(angle_deg, ray=ray, ring=ring, triangles=triangles, dish=dish):
            angle = np.deg2rad(angle_deg)
            return np.isfinite(cast(triangles, dish, np.cos(angle) * ray + np.sin(angle) * ring))

        met = found.hit.item()
        within = abs(margin) - 0.01
        assert (around(within) == met).all()
        there = found.azimuth_deg.item(), found.elevation_deg.item()
        assert separation_deg(azimuth, elevation, *there) == pytest.approx(abs(margin), abs=1e-6)
        edge = direction_enu(*there)
        middle = np.arctan2(edge @ up, edge @ side)

        def past(spread_deg, count, middle=middle, side=side, up=up, margin=margin, around=around):
            at = middle + np.deg2rad(np.linspace(-spread_deg, spread_deg, count))
            return around(abs(margin) + 0.01, ring=np.cos(at)[:, None] * side + np.sin(at)[:, None] * up)

        # past the answer it is the other way; past a sharp tip only on a hair's breadth
        assert (past(1.5, 31) != met).any() or (past(3.0, 1201) != met).any()


# -- closed forms ---------------------------------------------------------------------------------------------


def test_a_ball_is_seen_under_its_tangent_cone():
    """Half angle asin(R / d); the pole axis aside. Elementary geometry."""
    ball = tree("ball", (0, 30), ground_elevation_m=-3, top_elevation_m=15, crown_radius_m=4, crown_base_height_m=10,
                trunk_radius_m=1e-3)  # fmt: skip
    centre = np.array([0.0, 30.0, 11.0])
    dish = np.array([0.0, 0.0, 2.0])
    distance = np.linalg.norm(centre - dish)
    for azimuth, elevation in ((0.0, 40.0), (25.0, 20.0), (-30.0, 35.0), (3.0, 28.0)):
        apart = separation_deg(azimuth, elevation, 0.0, np.rad2deg(np.arcsin(9.0 / distance)))
        found = room(ball, azimuth, elevation)
        expected = apart - np.rad2deg(np.arcsin(4.0 / distance))
        assert found.margin_deg.item() == pytest.approx(expected, abs=2e-3 if expected < 0 else 1e-5)


def test_the_spare_angle_of_a_ball_is_the_least_over_its_surface():
    """In the plane of ray and centre, where the nearest point at each angle lies: the near root, densely."""
    ball = tree("ball", (0, 9), ground_elevation_m=-9, top_elevation_m=3, crown_radius_m=3, crown_base_height_m=6,
                trunk_radius_m=1e-3)  # fmt: skip
    found = room(ball, 30.0, 24.0, dish=(0.0, 0.0, 0.0))
    apart = np.deg2rad(separation_deg(30.0, 24.0, 0.0, 0.0))
    off = np.linspace(0, np.arcsin(3 / 9) - 1e-12, 200_001)
    distance = 9 * np.cos(off) - np.sqrt(9 - (9 * np.sin(off)) ** 2)
    needed = 0.6 + 0.6 * np.sqrt(299_792_458 / 19.7e9 * distance)
    spare = np.rad2deg((apart - off - np.arctan(needed / distance)).min())
    assert found.spare_deg.item() == pytest.approx(spare, abs=1e-4)


def test_a_cone_is_seen_under_its_outline():
    """Straight above the axis the nearest part is the tip: elevation atan(rise / d)."""
    cone = tree("fir", (0, 20), ground_elevation_m=0, height_m=14, crown_radius_m=3, crown="cone")
    found = room(cone, 0.0, 50.0)
    assert found.margin_deg.item() == pytest.approx(50 - np.rad2deg(np.arctan2(12, 20)), abs=1e-6)
    assert found.distance_m.item() == pytest.approx(np.hypot(12, 20), abs=1e-4)


def test_a_box_corner_is_its_nearest_part():
    """The corner (3, 10, 8) of a block, seen beside and above: angle between two directions."""
    block = building("block", [[-5, 10], [3, 10], [3, 14], [-5, 14]], ground_elevation_m=0, height_m=8)
    corner = np.array([3.0, 10.0, 6.0])
    at = np.rad2deg(np.arctan2(3, 10)), np.rad2deg(np.arcsin(6 / np.linalg.norm(corner)))
    found = room(block, 40.0, 45.0)
    assert found.margin_deg.item() == pytest.approx(separation_deg(40.0, 45.0, *at), abs=1e-9)
    assert (found.azimuth_deg.item(), found.elevation_deg.item()) == pytest.approx(at, abs=1e-6)


def test_a_near_low_gutter_needs_more_room_than_the_hill_behind_it():
    """Satellite 24.1 degrees, hill 22.0 at 2 km, gutter 17.0 at 6 m: the gutter leaves 0.74 of the 0.78 m required.

    Worked by hand from D/2 + 0.6 sqrt(lambda d) with 1.2 m and 19.7 GHz.
    """

    def edge(distance_m, elevation_deg, name):
        level, rise = (
            distance_m * np.cos(np.deg2rad(elevation_deg)),
            distance_m * np.sin(np.deg2rad(elevation_deg)),
        )
        return wall(name, [[-level, level, rise + 2], [level, level, rise + 2]], ground_elevation_m=-50)

    scene = Scene((edge(2000.0, 22.0, "hill"), edge(6.0, 17.0, "gutter")))
    found = clearances(scene, [[0, 0, 2.0]], [0.0], [24.1], **GIVEN)
    assert found.critical_distance_m[0, 0] * np.sin(
        np.deg2rad(found.critical_margin_deg[0, 0])
    ) == pytest.approx([73.3, 0.743], rel=0.02)
    assert scene.obstacles[found.spare_deg[0, 0].argmin()].name == "gutter"
    assert found.spare_deg[0, 0, 1] < 0.0 < found.spare_deg[0, 0, 0]


def test_the_near_end_of_a_long_edge_is_not_missed():
    """A parapet that runs along the ray, 1 m beside it: its far end is nearer in angle, its near end needs the room.

    Least over the edge of margin - atan(required / d), by brute force along it.
    """
    parapet = wall("parapet", [[1.0, 0.5, 2.0], [1.0, 60.0, 2.0]], ground_elevation_m=-5)
    found = room(parapet, 0.0, 3.0)
    along = np.linspace(0.5, 60, 2_000_001)
    points = np.stack([np.ones_like(along), along, np.zeros_like(along)], axis=1)
    distance = np.linalg.norm(points, axis=1)
    margin = np.arccos(points @ direction_enu(0.0, 3.0) / distance)
    needed = 0.6 + 0.6 * np.sqrt(299_792_458 / 19.7e9 * distance)
    spare = margin - np.arctan(needed / distance)
    assert found.spare_deg.item() == pytest.approx(np.rad2deg(spare.min()), abs=1e-6)
    assert found.critical_distance_m.item() == pytest.approx(distance[spare.argmin()], abs=0.05)
    assert found.distance_m.item() > 3 * found.critical_distance_m.item()


def test_sky_under_eaves_counts():
    """A canopy from 4 to 8 m ahead, 3 m over the dish, hides atan(3/8) to atan(3/4); under and over it is free."""
    canopy = facet("canopy", [[-9, 4, 5], [9, 4, 5], [9, 8, 5], [-9, 8, 5]])
    low, high = np.rad2deg(np.arctan2(3, [8, 4]))
    for elevation, margin in ((low - 5, 5.0), (low + 3, -3.0), (high + 4, 4.0)):
        assert room(canopy, 0.0, elevation).margin_deg.item() == pytest.approx(margin, abs=1e-6)
    seen = scene_silhouette(Scene((canopy,)), [0, 0, 2.0], azimuth_deg=[0.0])
    assert (np.asarray(seen.floor_deg).min(), seen.elevation_deg.max()) == pytest.approx(
        (low, high), abs=1e-9
    )


def test_what_lies_behind_does_not_obstruct():
    behind = building("barn", [[-9, -9], [9, -9], [9, -4], [-9, -4]], ground_elevation_m=0, height_m=30)
    found = room(behind, 0.0, 24.0)
    assert not found.hit.item()
    assert found.margin_deg.item() > 60.0


def test_a_courtyard_is_sky_and_its_walls_hide_all_below():
    yard = building("cloister", [[-20, -20], [20, -20], [20, 20], [-20, 20]], ground_elevation_m=0, height_m=6,
                    holes_m=[[[-8, -8], [8, -8], [8, 8], [-8, 8]]])  # fmt: skip
    scene = Scene((yard,))
    assert not scene.holding([[0, 0, 2.0]]).any()
    assert scene.holding([[14, 0, 2.0]]).all()
    eaves = np.rad2deg(np.arctan2(4, 8))
    assert room(yard, 0.0, eaves + 10).margin_deg.item() == pytest.approx(10, abs=1e-9)
    assert room(yard, 0.0, eaves - 10).hit.item()


def test_a_wire_hangs_in_a_catenary():
    """z = a cosh(x / a): 40 m between level supports with 1 m of sag; a from a (cosh(20 / a) - 1) = 1."""
    from scipy.optimize import brentq

    hung = wire("span", [[-20, 10, 8], [20, 10, 8]], sag_m=1.0).line_m
    a = brentq(lambda a: a * (np.cosh(20 / a) - 1) - 1.0, 50, 1000)
    np.testing.assert_allclose(hung[:, 2], 7.0 + a * (np.cosh(hung[:, 0] / a) - 1), atol=1e-9)
    middle = (hung[1:] + hung[:-1]) / 2  # the chords leave the curve by under a millimetre
    assert np.abs(middle[:, 2] - 7.0 - a * (np.cosh(middle[:, 0] / a) - 1)).max() < 1e-3


def test_trees_grow_at_their_own_rate_and_no_taller_than_they_may():
    oak = tree(
        "oak",
        (0, 20),
        ground_elevation_m=40,
        height_m=9,
        crown_radius_m=3,
        growth_m_per_year=0.4,
        max_height_m=10.5,
    )
    assert Scene((oak,)).grown(2).obstacles[0].top_elevation_m == pytest.approx(49.8)
    assert Scene((oak,)).grown(20).obstacles[0].top_elevation_m == pytest.approx(50.5)
    cut = Scene((oak,)).trimmed("oak", 47.0)
    assert cut.obstacles[0].top_elevation_m == 47.0
    assert cut.grown(2).obstacles[0].top_elevation_m == pytest.approx(47.8)


def test_a_search_finds_what_asking_one_by_one_finds(rng):
    things = tuple(random_thing(rng)[0] for _ in range(30))
    dish = np.column_stack([rng.uniform(-3, 3, (200, 2)), rng.uniform(4, 12, 200)])
    azimuth, elevation = [10.0, 120.0, 250.0], [30.0, 24.0, 40.0]
    least = least_room(Scene(things), dish, azimuth, elevation, **GIVEN, enough_deg=3.0)
    each = clearances(Scene(things), dish, azimuth, elevation, **GIVEN, exact_within_deg=89.0)
    np.testing.assert_array_equal(least.hit, each.hit.any(axis=2) | each.inside_solid.any(axis=1)[:, None])
    free = ~least.hit
    np.testing.assert_allclose(
        least.spare_deg[free], np.minimum(each.spare_deg.min(axis=2), 3.0)[free], atol=1e-6
    )


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: building("barn", [[0, 0], [1, 0], [1, 1]], ground_elevation_m=0), '"barn" has no height'),
        (lambda: building("barn", [[0, 0], [1, 0], [1, 1]], ground_elevation_m=9, top_elevation_m=4), "not above"),
        (lambda: building("far", [[0, 0], [1, 0], [9e5, 1]], ground_elevation_m=0, height_m=4), "900 km from the site"),
        (lambda: building("line", [[0, 0], [1, 0], [2, 0]], ground_elevation_m=0, height_m=4), "encloses nothing"),
        (lambda: facet("f", [[0, 0], [1, 0], [1, 1]]), "needs an elevation at every vertex"),
        (lambda: tree("t", (0, 9), ground_elevation_m=0, height_m=5, crown="palm"), "is no crown"),
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_refused(make, sentence):
    with pytest.raises(InputError, match=sentence):
        make()


def test_a_crossed_outline_is_mended_and_said():
    bow = building("bow", [[0, 0], [4, 4], [4, 0], [0, 4]], ground_elevation_m=0, height_m=5)
    assert isinstance(bow, Obstacle)
    assert len(bow.areas_m) == 2
    assert "repaired" in bow.notes[0]

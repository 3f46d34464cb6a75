"""Least angles to edges, faces and round surfaces against points taken densely over them."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.horizon.scene_clearance import clearances, least_room, near_rays
from skysill.horizon.surface_search import critical_on_patches, critical_on_segments, nearest_on_segments
from skysill.model.link import Link
from skysill.model.obstacle_builders import building, facet, tree
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Terminal

LIGHT_M_S = 299_792_458.0
DISH_M, GHZ = 1.2, 19.7
LINK = Link(Terminal(dish_diameter_m=DISH_M, receive_ghz=GHZ), Criteria())


def toward(azimuth_deg, elevation_deg):
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    return np.stack(
        [np.cos(elevation) * np.sin(azimuth), np.cos(elevation) * np.cos(azimuth), np.sin(elevation)], axis=-1
    )


def margins_deg(points, ray):
    """Angle between a ray and points seen from the dish, by atan2 of cross and dot product."""
    cross = np.linalg.norm(np.cross(points, ray), axis=-1)
    return np.degrees(np.arctan2(cross, points @ ray))


def rooms_deg(points):
    """Half the dish and 0.6 of the first Fresnel radius: ITU-R P.526, common practice."""
    away_m = np.linalg.norm(points, axis=-1)
    return np.degrees(np.arctan2(DISH_M / 2.0 + 0.6 * np.sqrt(LIGHT_M_S / (GHZ * 1e9) * away_m), away_m))


def surface(kind, shape, span, count=240):
    """Points of a round surface by the definition of its coordinates: 0 ellipsoid, 1 cone, 2 side, 3 disk."""
    tau = np.linspace(*span, count)[:, None]
    turn = np.linspace(0.0, 2.0 * np.pi, 2 * count)
    east, north, low, high, radius = shape
    b = np.pi * (tau - 0.5)
    across = radius * (np.cos(b), 1.0 - tau, np.ones_like(tau), tau)[kind]
    up = low + (high - low) * ((1.0 + np.sin(b)) / 2.0, tau, tau, 0.0 * tau)[kind]
    points = np.stack(
        np.broadcast_arrays(east + across * np.cos(turn), north + across * np.sin(turn), up), axis=-1
    )
    return points.reshape(-1, 3)


@pytest.mark.parametrize("kind", [0, 1, 2, 3])
def test_round_surfaces_leave_what_their_nearest_points_leave(kind):
    rng = np.random.default_rng(40 + kind)
    count = 24
    bearing, far = rng.uniform(0, 2 * np.pi, count), rng.uniform(6.0, 40.0, count)
    low = rng.uniform(0.0, 5.0, count)
    high, radius = low + rng.uniform(2.0, 12.0, count), rng.uniform(0.5, 4.0, count)
    shape = np.column_stack([far * np.sin(bearing), far * np.cos(bearing), low, high, radius])
    span = np.sort(rng.uniform(0.0, 1.0, (count, 2)), axis=1)
    span[: count // 2] = (0.0, 1.0)
    dish = np.zeros((count, 3))
    dish[:, 2] = rng.uniform(1.0, 14.0, count)
    ray = toward(np.degrees(bearing) + rng.uniform(-70.0, 70.0, count), rng.uniform(35.0, 75.0, count))
    margin, nearest = critical_on_patches(np.full(count, kind), shape, span, dish, ray, None)
    spare, tight = critical_on_patches(np.full(count, kind), shape, span, dish, ray, LINK)
    for at in range(count):
        points = surface(kind, shape[at], span[at]) - dish[at]
        apart = margins_deg(points, ray[at])
        assert np.degrees(margin[at]) == pytest.approx(apart.min(), abs=0.02)
        assert np.degrees(margin[at]) <= apart.min() + 1e-6
        left = apart - rooms_deg(points)
        assert np.degrees(spare[at]) == pytest.approx(left.min(), abs=0.02)
        assert np.degrees(spare[at]) <= left.min() + 1e-6
        assert margins_deg(nearest[at], ray[at]) == pytest.approx(np.degrees(margin[at]), abs=1e-6)
        assert margins_deg(tight[at], ray[at]) - rooms_deg(tight[at]) == pytest.approx(
            np.degrees(spare[at]), abs=1e-6
        )


def test_edges_leave_what_their_nearest_points_leave():
    rng = np.random.default_rng(6)
    a, b = rng.uniform(-30, 30, (2, 200, 3))
    ray = toward(rng.uniform(0, 360, 200), rng.uniform(-10, 80, 200))
    share = np.linspace(0.0, 1.0, 4001)[:, None]
    nearest, (spare, tight) = nearest_on_segments(a, b, ray), critical_on_segments(a, b, ray, LINK)
    for at in range(200):
        points = a[at] + share * (b[at] - a[at])
        apart = margins_deg(points, ray[at])
        found = margins_deg(a[at] + nearest[at] * (b[at] - a[at]), ray[at])
        assert found == pytest.approx(apart.min(), abs=0.02)
        assert found <= apart.min() + 1e-9
        left = (apart - rooms_deg(points)).min()
        assert np.degrees(spare[at]) == pytest.approx(left, abs=0.02)
        assert 0.0 <= tight[at] <= 1.0


@pytest.mark.parametrize("fall_deg", [0.0, 4.0])
def test_a_roof_close_under_the_ray_takes_the_most_room_between_its_edges(fall_deg):
    """A dish 0.66 m over a wide flat roof, its ray 6 degrees up: the roof nears the ray most some metres out."""
    fall = np.tan(np.radians(fall_deg))
    ring = [[-9, -9, 9 * fall], [9, -9, 9 * fall], [9, 9, -9 * fall], [-9, 9, -9 * fall]]
    ray = toward(0.0, 6.0)
    east, north = np.meshgrid(np.linspace(-9, 9, 361), np.linspace(-9, 9, 721))
    points = np.stack([east, north, -north * fall - 0.66], axis=-1).reshape(-1, 3)
    left = margins_deg(points, ray) - rooms_deg(points)
    most = points[left.argmin()]
    assert np.abs(most[:2]).max() < 8.0  # not at an edge
    found = clearances(Scene((facet("roof", ring),)), [[0.0, 0.0, 0.66]], [0.0], [6.0], link=LINK)
    assert found.spare_deg.item() == pytest.approx(left.min(), abs=5e-3)
    assert found.spare_deg.item() <= left.min() + 1e-6
    assert found.critical_distance_m.item() == pytest.approx(np.linalg.norm(most), abs=0.3)
    searched = least_room(
        Scene((facet("roof", ring),)), [[0.0, 0.0, 0.66]], [0.0], [6.0], link=LINK, enough_deg=20.0
    )
    assert searched.spare_deg.item() == pytest.approx(left.min(), abs=5e-3)


HALL = building("hall", [[-3, 10], [3, 10], [3, 16], [-3, 16]], ground_elevation_m=0.0, height_m=9.0)
ELM = tree("elm", (14.0, 0.0), ground_elevation_m=0.0, height_m=12.0, crown_radius_m=3.0)


def test_where_the_ray_meets_a_block_the_depth_is_to_its_nearest_edge():
    """Due north at 20 degrees into a wall 10 m off and 7 m over the dish: atan(0.7) - 20 degrees under its top."""
    found = clearances(Scene((HALL,)), [[0.0, 0.0, 2.0]], [0.0], [20.0], link=LINK)
    edge = np.column_stack([np.full(500, 3.0), np.full(500, 10.0), np.linspace(-50, 7, 500)])
    beside_deg = margins_deg(edge, toward(0.0, 20.0)).min()
    depth_deg = np.degrees(np.arctan(0.7)) - 20.0
    assert depth_deg < beside_deg
    assert found.hit.item()
    assert found.margin_deg.item() == pytest.approx(-depth_deg, abs=1e-6)
    assert found.distance_m.item() == pytest.approx(10.0 / np.cos(np.radians(20.0)))
    where = toward(0.0, 20.0) * 10.0 / np.cos(np.radians(20.0))
    assert found.spare_deg.item() == pytest.approx(-depth_deg - rooms_deg(where), abs=1e-6)
    assert found.elevation_deg.item() == pytest.approx(np.degrees(np.arctan(0.7)), abs=1e-6)


def test_inside_a_block_the_angles_say_so():
    found = clearances(Scene((HALL, ELM)), [[0.0, 12.0, 2.0]], [0.0], [40.0], link=LINK)
    assert found.inside_solid.tolist() == [[True, False]]
    assert (found.hit[0, 0, 0], found.margin_deg[0, 0, 0], found.spare_deg[0, 0, 0]) == (True, -90.0, -180.0)
    assert found.distance_m[0, 0, 0] == 0.0
    searched = least_room(Scene((ELM, HALL)), [[0.0, 12.0, 2.0], [0.0, 0.0, 40.0]], [0.0], [40.0], link=LINK)
    assert searched.obstacle[:, 0].tolist() == [1, -1]
    assert searched.hit[:, 0].tolist() == [True, False]
    assert searched.spare_deg[:, 0].tolist() == [-180.0, 2.0]


def test_what_is_left_out_beside_rays_leaves_more_room_than_was_asked():
    """Blocks in a ring; those kept are at least all that a full search finds under the limit."""
    rng = np.random.default_rng(8)
    things = []
    for number, bearing in enumerate(np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)):
        far, top = rng.uniform(8.0, 60.0), rng.uniform(4.0, 30.0)
        centre = far * np.array([np.sin(bearing), np.cos(bearing)])
        ring = centre + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        things.append(building(str(number), ring, ground_elevation_m=0.0, height_m=top))
    scene, dish = Scene(tuple(things)), [[0.0, 0.0, 2.0]]
    whole = clearances(scene, dish, [10.0, 200.0], [25.0, 40.0], link=LINK)
    needed = {o.name for o, spare in zip(things, whole.spare_deg[0].min(axis=0), strict=True) if spare < 8.0}
    kept = {
        o.name
        for o in near_rays(scene, dish, [10.0, 200.0], [25.0, 40.0], link=LINK, within_deg=8.0).obstacles
    }
    assert needed
    assert needed <= kept
    assert len(kept) < len(things) / 2
    bounded = clearances(scene, dish, [10.0, 200.0], [25.0, 40.0], link=LINK, exact_within_deg=8.0)
    ahead = ~bounded.hit & (whole.spare_deg < 90.0)
    assert (bounded.spare_deg <= whole.spare_deg + 1e-6)[ahead].all()
    near = bounded.exact
    assert bounded.spare_deg[near] == pytest.approx(whole.spare_deg[near])
    assert near.any()
    assert not near.all()

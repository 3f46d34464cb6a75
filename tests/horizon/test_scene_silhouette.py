"""Obstacles as columns against the sky: where they are cut, and what each column says."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.horizon.scene_silhouette import corner_azimuths_deg, scene_silhouette
from skysill.model.obstacle_builders import building, pole, tree
from skysill.model.scene import Scene

DISH = (2.0, -1.0, 2.0)
RING = np.array([[-3, 10], [3, 10], [3, 16], [-3, 16]])
"""Corners as seen from the dish."""

HALL = building("hall", RING + DISH[:2], ground_elevation_m=0.0, height_m=9.0)


def test_both_sides_of_every_upright_edge_are_cut():
    cut = corner_azimuths_deg(Scene((HALL,)), DISH)
    corners = np.degrees([np.arctan2(x, y) for x, y in RING]) % 360.0
    for corner in corners:
        beside = cut[np.abs(cut - corner) < 1e-4] - corner
        assert (beside < 0.0).any()
        assert (beside > 0.0).any()


def test_a_block_is_as_wide_and_as_high_as_trigonometry_says():
    """9 m high seen from 2 m, 10 m off: 7 / (10 / cos a) at each azimuth a of its front, nothing beside it."""
    seen = scene_silhouette(Scene((HALL,)), DISH)
    aside = (seen.azimuth_deg + 180.0) % 360.0 - 180.0
    assert np.abs(aside).max() == pytest.approx(np.degrees(np.arctan2(3.0, 10.0)), abs=2e-6)
    for at in np.unique(aside):
        highest_deg = seen.elevation_deg[aside == at].max()
        assert highest_deg == pytest.approx(np.degrees(np.arctan(0.7 * np.cos(np.radians(at)))), abs=1e-5)
        assert seen.floor_deg[aside == at].min() == -90.0


@pytest.mark.parametrize(
    ("thing", "radius_m"),
    [
        (pole("mast", (22.0, -1.0), ground_elevation_m=0.0, height_m=9.0, radius_m=0.4), 0.4),
        (tree("elm", (22.0, -1.0), ground_elevation_m=0.0, height_m=9.0, crown_radius_m=3.0), 3.0),
    ],
)
def test_a_round_thing_is_cut_at_its_middle_and_out_to_its_sides(thing, radius_m):
    """Tangents to a circle: asin(r / d) to either side, whatever the step."""
    seen = scene_silhouette(Scene((thing,)), DISH, step_deg=45.0)
    half_deg = np.degrees(np.arcsin(radius_m / 20.0))
    aside = seen.azimuth_deg - 90.0
    assert aside.max() == pytest.approx(half_deg, abs=1e-4)
    assert aside.min() == pytest.approx(-half_deg, abs=1e-4)
    assert np.abs(aside).min() < 1e-9
    assert ((np.abs(aside) > 0.5 * half_deg) & (np.abs(aside) < 0.9999 * half_deg)).sum() >= 2


def test_without_obstacles_there_is_nothing_to_cut():
    assert corner_azimuths_deg(Scene(), DISH).shape == (0,)


def test_only_a_complete_list_speaks_for_the_azimuths_without_an_obstacle():
    assert scene_silhouette(Scene((HALL,)), DISH).covered_deg.shape == (0, 2)
    whole = scene_silhouette(Scene((HALL,), complete=True), DISH)
    assert whole.covered_deg.tolist() == [[0.0, 360.0]]
    assert whole.reach_m.tolist() == [0.0]  # of near things only
    assert np.isinf(whole.fine_reach_m).all()

"""Outlines moved onto the edges of a surface: houses made by hand whose corners are known."""

import numpy as np
import pytest
from pytest import approx

from skysill.extraction.outline_snap import nearest_rectangle, snapped_outline

CORNERS = np.array([[-5.0, -4.0], [5.0, -4.0], [5.0, 4.0], [-5.0, 4.0]])


def turned(points, by_deg):
    turn = np.deg2rad(by_deg)
    return np.asarray(points) @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])


def house(by_deg=0.0, top_m=6.0, blur_m=0.5):
    """A flat roof over level ground; its walls are as steep as cells of blur_m show them."""

    def elevations(east, north):
        flat = turned(np.stack([east, north], axis=-1), -by_deg)
        inside = np.minimum(5.0 - np.abs(flat[..., 0]), 4.0 - np.abs(flat[..., 1]))
        return top_m * np.clip(inside / blur_m + 0.5, 0.0, 1.0)

    return elevations


@pytest.mark.parametrize("by_deg", [0.0, 17.0, 80.0])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("clockwise", [False, True])
def test_corners_drawn_up_to_a_metre_off_come_to_the_walls(by_deg, seed, clockwise):
    true = turned(CORNERS, by_deg)[:: -1 if clockwise else 1]
    drawn = true + np.random.default_rng(seed).uniform(-0.9, 0.9, (4, 2))
    found = snapped_outline(drawn.tolist(), house(by_deg), cell_m=0.5, reach_m=1.5)
    assert np.isfinite(found.moved_m).all()
    assert np.abs(found.outline_m - true).max() < 0.2  # steps of 0.1 m along each of two edges


def test_an_edge_that_the_surface_does_not_show_stays():
    """The house goes on to the north, as in a terrace: that edge has no fall."""
    drawn = [[-5.6, -4.5], [5.5, -4.4], [5.6, 3.0], [-5.4, 3.0]]
    found = snapped_outline(drawn, house(), cell_m=0.5, reach_m=0.6)
    assert np.isnan(found.moved_m).tolist() == [False, False, True, False]
    assert found.outline_m[:2] == approx(CORNERS[:2], abs=0.15)
    assert found.outline_m[2:, 1] == approx([3.0, 3.0], abs=0.01)


def test_a_low_step_is_no_roof():
    drawn = (CORNERS * 1.1).tolist()
    found = snapped_outline(drawn, house(top_m=0.7), cell_m=0.5, reach_m=1.5)
    assert np.isnan(found.moved_m).all()
    assert found.outline_m == approx(np.array(drawn))


def test_where_elevations_are_missing_nothing_moves():
    def unknown(east, north):
        return np.where(east > 0.0, np.nan, house()(east, north))

    found = snapped_outline((CORNERS * 1.1).tolist(), unknown, cell_m=0.5, reach_m=1.5)
    assert np.isnan(found.moved_m).tolist() == [True, True, True, False]


def test_only_the_edges_asked_for_move():
    drawn = (CORNERS * 1.1).tolist()
    found = snapped_outline(drawn, house(), cell_m=0.5, reach_m=1.5, edges=[1])
    assert np.isnan(found.moved_m).tolist() == [True, False, True, True]
    assert found.outline_m[1:3, 0] == approx([5.0, 5.0], abs=0.12)
    assert found.outline_m[:, 1] == approx([-4.4, -4.4, 4.4, 4.4], abs=1e-6)


@pytest.mark.parametrize("by_deg", [0.0, 33.0, 47.0, 120.0])
def test_the_nearest_rectangle_of_a_rectangle_is_itself(by_deg):
    true = turned(CORNERS, by_deg)
    assert nearest_rectangle(true) == approx(true)
    rough = true + np.random.default_rng(1).uniform(-0.2, 0.2, (4, 2))
    found = nearest_rectangle(rough)
    sides = np.roll(found, -1, axis=0) - found
    assert (sides * np.roll(sides, -1, axis=0)).sum(axis=1) == approx(np.zeros(4), abs=1e-9)
    assert np.abs(found - true).max() < 0.4

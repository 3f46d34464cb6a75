"""Corners of an outline where two edges go on in the same direction."""

import numpy as np
from pytest import approx

from skysill.extraction.outline_snap import snapped_outline


def test_a_corner_within_a_straight_wall_stays_on_it():
    """The south wall of 10 by 8 m is drawn as two edges in line, and again as two a degree off line."""

    def house(east, north):
        return np.where((abs(east) < 5.0) & (abs(north) < 4.0), 6.0, 0.0)

    for middle_m in (-4.3, -4.35):
        drawn = [[-5.3, -4.3], [0.5, middle_m], [5.4, -4.3], [5.4, 4.4], [-5.3, 4.4]]
        found = snapped_outline(drawn, house, cell_m=0.5, reach_m=1.0).outline_m
        assert found[1] == approx([0.5, -4.0], abs=0.15)
        assert found[[0, 2, 3, 4]] == approx(np.array([[-5, -4], [5, -4], [5, 4], [-5, 4]]), abs=0.15)

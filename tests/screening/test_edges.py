"""Edges of cells: where their ground comes nearest to a ray, by dense sampling along them and round the fan."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.nearest import followed
from skysill.nearness import placed
from skysill.screen import screen
from small_ground import asked_of, ground_of, room_deg, seen_from

BESIDE_THE_RAY = [
    [846.61, 848.64, 849.01, 847.6, 850.1], [852.09, 857.51, 857.62, 859.36, 859.18],
    [854.74, 859.23, 861.36, 872.84, 866.85], [858.95, 868.57, 874.3, 882.94, 880.21],
    [863.5, 874.19, 885.91, 889.76, 887.09], [866.17, 879.01, 894.46, 897.63, 894.12],
    [870.73, 885.86, 902.41, 909.9, 904.64], [877.85, 897.59, 904.48, 919.84, 913.52],
    [885.94, 907.58, 913.86, 918.71, 915.88],
]  # fmt: skip
"""A spur three degrees beside the ray, 155 m away: one edge that draws nearer to the ray all along, and recedes."""


def test_an_edge_that_is_nearest_at_its_end_leaves_least_room_before_it():
    """The angle to the edge falls up to its far end, the room falls faster: the least spare room lies between."""
    values = np.full((40, 20), 840.0, np.float32)
    values[3:12, 8:13] = BESIDE_THE_RAY
    own = ground_of(values, x=502_850.0, y=6_548_180.0)
    question = asked_of(-20.0, highest_ground_m=1000.0)
    places, _ = placed(
        own, np.array([59.072067452731105]), np.array([-20.945245406313127]), np.array([2.0]), question
    )
    assert places.column[0] == pytest.approx(9.64, abs=0.01)
    assert places.row[0] == pytest.approx(3.4, abs=0.01)
    seen = seen_from(own, places, 0, question)
    margin_deg = seen.margins_deg(places.apparent_deg[0])
    spare_deg = margin_deg - room_deg(seen.slant_m, question)
    at = spare_deg.argmin()
    close = followed(own, places, question)
    assert close.spare_deg[0] == pytest.approx(spare_deg[at], abs=5e-4)
    assert close.margin_deg[0] == pytest.approx(margin_deg[at], abs=5e-4)
    # not at the nearest point: there the margin is smaller, and the room larger
    assert margin_deg.min() < margin_deg[at] - 0.01
    found = screen(own, places.latitude_deg, places.longitude_deg, 2.0, question)
    assert found.margin_deg[0] == pytest.approx(margin_deg[at], abs=1e-3)

"""The invented scans are what they say they are: points lie on the truth, shadows and ponds are empty."""

import numpy as np
import pytest
from pytest import approx

from synthetic_scans import BUILDING, FORMS, GROUND, WIRE, street


@pytest.mark.parametrize("noise_m", [0.03, 0.1])
def test_ground_points_scatter_about_the_bare_ground_by_the_noise_asked_for(noise_m):
    """Tolerance 10 %: the ground is sloped, so noise in plan adds up to 2 % in height."""
    scan = street(5, noise_m=noise_m)
    east_m, north_m, up_m = scan.points[scan.classes == GROUND].T
    assert np.std(up_m - scan.truth.bare_ground_m(east_m, north_m)) == approx(noise_m, rel=0.1)


@pytest.mark.parametrize("points_per_m2", [5.0, 20.0])
def test_open_ground_carries_the_points_per_square_metre_asked_for(points_per_m2):
    scan = street(6, points_per_m2=points_per_m2)
    east_m, north_m, _ = scan.points[scan.classes == GROUND].T
    open_ground = (east_m > 20) & (east_m < 50) & (north_m > 31) & (north_m < 37)
    assert open_ground.sum() / (30 * 6) == approx(points_per_m2, rel=0.1)


def test_roof_points_lie_on_the_roof_planes_and_every_form_is_there():
    """Parapet, chimney, dormer, aerial and walls are few: the middle half of the points is on the planes."""
    scan = street(7)
    assert tuple(house.form for house in scan.truth.houses) == FORMS
    east_m, north_m, up_m = scan.points[scan.classes == BUILDING].T
    for house in scan.truth.houses:
        off_m = up_m - house.roof_m(east_m, north_m)
        assert np.nanquantile(off_m, [0.25, 0.75]) == approx([0.0, 0.0], abs=0.1)
        assert np.isfinite(off_m).sum() > 200


def test_the_far_side_of_a_house_is_in_shadow_of_one_flight_line_and_not_of_two():
    one, two = (street(8, flight_lines=lines) for lines in (1, 2))
    house = one.truth.houses[0]
    middle, reach_m = house.outline.mean(axis=0), np.ptp(house.outline[:, 0]) / 2.0
    beside = np.array([middle[0] + reach_m + 0.3, middle[1]])  # east: away from the first flight line

    def near(scan):
        off_m = np.hypot(*(scan.points[:, :2] - beside).T)
        return ((off_m < 0.6) & (scan.classes == GROUND)).sum()

    assert near(one) < 0.5 * near(two)


def test_wire_points_hang_on_the_parabola_and_ponds_are_empty():
    scan = street(9)
    wire = scan.truth.wires[0]
    points = scan.points[scan.classes == WIRE]
    share = (points[:, 0] - wire.ends[0, 0]) / np.ptp(wire.ends[:, 0])
    assert np.abs(points - wire.at(share)).max() < 5 * 0.05
    (east_m, north_m, radius_m), *_ = scan.truth.ponds
    assert (np.hypot(scan.points[:, 0] - east_m, scan.points[:, 1] - north_m) >= radius_m).all()

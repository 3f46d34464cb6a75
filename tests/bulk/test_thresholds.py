"""How near ground must come to matter: closed forms, and the normal distribution as scipy has it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from skysill.bulk.thresholds import DistanceTable, thresholds_for
from skysill.model.site import Criteria
from small_ground import asked_of, ground_of, room_deg

FLAT = np.zeros((8, 8), np.float32)


def test_a_table_by_distance_is_never_less_than_what_it_stands_for_and_at_most_three_in_a_hundred_nearer():
    table = DistanceTable(lambda d: 1000.0 / d)
    distance_m = np.exp(np.random.default_rng(1).uniform(np.log(0.07), np.log(5e7), 20_000))
    found, exact = table(distance_m), 1000.0 / distance_m
    assert (found >= exact * (1.0 - 1e-6)).all()
    assert (found <= exact * (1.0 + 1.0 / 32.0 + 1e-6)).all()
    # out of the table: its ends
    assert table(np.array([1e-3])) == pytest.approx(16_000.0)
    assert table(np.array([1e12])) == pytest.approx(1000.0 / 2.0**26)


@pytest.mark.parametrize(
    ("cell_m", "error_m", "plan_m"), [(30.0, 3.0, 0.0), (30.0, 3.0, 5.0), (5.0, 0.8, 2.0)]
)
@pytest.mark.parametrize("wanted", [0.5, 0.9, 0.99])
def test_doubt_begins_where_three_independent_parts_of_the_ground_still_leave_the_room(
    cell_m, error_m, plan_m, wanted
):
    """A room, and so many standard deviations that each of three and a half parts fails in (1 - p) / 3.5 of cases.

    The ground errs as the raster does, alike over five cells and with the dish's own ground, so that at a share s < 1
    of those the difference of two joined knots is left; the dish is 0.2 m off on either axis and 0.1 m in height.
    """
    query = asked_of(-20.0, criteria=Criteria(min_p_clear=wanted))
    thresholds = thresholds_for(ground_of(FLAT, cell_m=cell_m, error_m=error_m, plan_m=plan_m), query)
    many = max(norm.ppf(1.0 - (1.0 - wanted) / 3.5), 0.0)
    distance_m = np.array([cell_m, 2.2 * cell_m, 4.0 * cell_m, 5.0 * cell_m, 20.0 * cell_m, 400.0 * cell_m])
    share = np.minimum(distance_m / (5.0 * cell_m), 1.0)
    apart = np.sqrt(2.0 - 2.0 * (1.0 - share) / np.hypot(1.0 - share, share))
    ground_deg = np.degrees(np.arctan(error_m / distance_m)) * apart
    dish_deg = np.degrees(np.arctan(np.hypot(np.hypot(0.2, 0.1), plan_m) / distance_m))
    deviation_deg = np.hypot(ground_deg, dish_deg)
    room = room_deg(distance_m, query)
    assert thresholds.room_deg(distance_m) == pytest.approx(room, rel=1e-9)
    found, exact = thresholds.uncertain_bound_deg(distance_m), room + many * deviation_deg
    # the error of the dish is rounded up, and a table never says less
    assert (found >= exact - 1e-9).all()
    assert (found <= 1.05 * exact).all()
    edges = thresholds.sampled_deg(distance_m)
    assert edges == pytest.approx(2.9 * deviation_deg, rel=0.02)
    assert norm.sf(2.9) < 0.002
    assert (thresholds.sampled_bound_deg(distance_m) >= edges - 1e-9).all()
    assert (thresholds.room_bound_deg(distance_m) >= room - 1e-9).all()
    assert (thresholds.room_bound_deg(distance_m) <= 1.04 * room).all()


def test_certainty_itself_is_asked_for_as_far_as_numbers_go():
    thresholds = thresholds_for(ground_of(FLAT), asked_of(-20.0, criteria=Criteria(min_p_clear=1.0)))
    nearly = thresholds_for(ground_of(FLAT), asked_of(-20.0, criteria=Criteria(min_p_clear=0.9999)))
    far = np.array([200.0])
    assert np.isfinite(thresholds.uncertain_bound_deg(far)).all()
    assert thresholds.uncertain_bound_deg(far) == nearly.uncertain_bound_deg(far)

"""Every spot of a roof answered for each satellite: the masts that geometry asks, assessed again; the refusals."""

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from hall_scene import EAST, HIDDEN, hall_job, least_by_hand_m
from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.model.obstacle_builders import building
from skysill.model.site import Mount
from skysill.siting.roof_answers import default_grid_step_m, roof_answers


@pytest.fixture(scope="module")
def every_2_m():
    return roof_answers(hall_job(), grid_step_m=2.0)


def test_without_doubts_every_spot_needs_the_mast_that_geometry_asks(every_2_m):
    found = every_2_m
    standing = [one for one in found.spots if not one.answers[0].refusal]
    assert len(standing) == 15 - 1  # 5 by 3 spots, one of them in the keep-out area
    for one in standing:
        least_m = one.answers[0].least_height_m
        assert (np.nan if least_m is None else least_m) == approx(
            least_by_hand_m(one.mount.east_m), abs=0.051, nan_ok=True
        )


def test_each_mast_is_clear_when_assessed_and_the_step_below_is_not():
    job = hall_job(min_p_clear=0.9)
    found = roof_answers(job, grid_step_m=2.5)
    tried = 0
    for one in found.spots:
        answer = one.answers[0]
        if answer.least_height_m is None:
            continue
        mount = Mount("again", one.mount.east_m, one.mount.north_m, answer.least_height_m, 5.0)
        again = assess(job, mount).results[0]
        assert again.verdict == answer.assessment.results[0].verdict == "clear"
        assert again.clearance.margin_deg == approx(
            answer.assessment.results[0].clearance.margin_deg, abs=1e-9
        )
        assert answer.least_height_m >= least_by_hand_m(one.mount.east_m) - 0.001
        if answer.least_height_m > 0.51:
            tried += 1
            lower = assess(job, replace(mount, height_m=answer.least_height_m - 0.05)).results[0]
            assert lower.verdict != "clear"
    assert tried >= 3


def test_where_none_serves_the_tallest_is_assessed_and_says_so():
    found = roof_answers(hall_job(min_p_clear=0.9), grid_step_m=2.5, max_height_m=1.0)
    nearest = max(found.spots, key=lambda one: one.mount.east_m).answers[0]
    assert (nearest.least_height_m, nearest.height_m, nearest.max_height_m) == (None, 1.0, 1.0)
    assert nearest.assessment.results[0].verdict == "blocked"


def test_a_satellite_below_the_horizon_is_blocked_everywhere():
    found = roof_answers(hall_job(satellites=(EAST, HIDDEN)), grid_step_m=2.5)
    verdicts = {
        one.answers[1].assessment.results[0].verdict for one in found.spots if not one.answers[1].refusal
    }
    assert verdicts == {"blocked"}
    assert all(one.answers[1].least_height_m is None for one in found.spots)


def test_no_mast_stands_in_a_keep_out_area_and_the_reason_is_given(every_2_m):
    found = every_2_m
    [one] = [one for one in found.spots if one.mount.east_m == -2.0 and abs(one.mount.north_m) < 1.5]
    assert one.answers[0].assessment is None
    assert one.answers[0].refusal == "in keep-out area of the roof"


def test_named_mounts_come_first_at_their_own_heights():
    pole = Mount("pole", 5.0, 0.0, 0.6, 5.0)
    found = roof_answers(hall_job(mounts=(pole,), mounts_named=True), grid_step_m=2.5)
    answer = found.spots[0].answers[0]
    assert found.spots[0].named
    assert answer.height_m == 0.6
    assert answer.assessment.results[0].verdict == "blocked"
    assert answer.least_height_m == approx(least_by_hand_m(5.0), abs=0.051)
    alone = roof_answers(hall_job(mounts=(pole,), mounts_named=True, roof=None))
    assert [one.mount.name for one in alone.spots] == ["pole"]
    assert alone.grid_step_m is None


def test_without_near_evidence_nothing_is_clear():
    """The hall's list is not called complete: what else stands near nobody said."""
    job = hall_job(min_p_clear=0.9)
    scene = replace(job.sources.scene, complete=False)
    found = roof_answers(replace(job, sources=replace(job.sources, scene=scene)), grid_step_m=2.5)
    verdicts = {
        one.answers[0].assessment.results[0].verdict for one in found.spots if not one.answers[0].refusal
    }
    assert "clear" not in verdicts


def test_the_default_grid_has_about_sixty_spots_at_most():
    """12 by 8 m less a metre all round: 11 by 7 spots at 1 m are too many, 7 by 5 at 1.5 m are not."""
    assert default_grid_step_m(hall_job()) == 1.5
    assert default_grid_step_m(hall_job(roof=None)) is None


def test_progress_reaches_the_end_and_may_stop_the_work():
    class StoppedError(Exception):
        pass

    told = []
    roof_answers(hall_job(), grid_step_m=4.0, progress=lambda done, of: told.append((done, of)))
    assert told == [(k + 1, len(told)) for k in range(len(told))]

    def stop(done, of):
        raise StoppedError

    with pytest.raises(StoppedError):
        roof_answers(hall_job(), grid_step_m=4.0, progress=stop)


@pytest.mark.parametrize(
    ("more", "grid", "sentence"),
    [
        ({"roof": None}, 1.0, "there is no roof to search."),
        ({}, 0.25, "a 0.25 m grid has 1,025 spots; 400 at most are all answered."),
        ({"satellites": ()}, 1.0, "no satellite was named."),
    ],
)
def test_what_cannot_be_answered_is_refused(more, grid, sentence):
    with pytest.raises(InputError, match=sentence):
        roof_answers(hall_job(**more), grid_step_m=grid)


def test_a_dish_inside_a_chimney_is_no_answer_and_the_least_mast_stands_over_it():
    """A named mount at a chimney of 1.5 m: masts up to 1.5 m hold the dish inside it; 0.5 m would do elsewhere."""
    stack = building(
        "stack",
        [[-4.4, -0.4], [-3.6, -0.4], [-3.6, 0.4], [-4.4, 0.4]],
        ground_elevation_m=5,
        top_elevation_m=6.5,
    )
    pole = Mount("pole", -4.0, 0.0, 4.0, 5.0, 6.0)
    found = roof_answers(hall_job(stack, mounts=(pole,), mounts_named=True, roof=None))
    assert found.spots[0].answers[0].least_height_m >= 1.5
    assert least_by_hand_m(-4.0) == approx(0.5)

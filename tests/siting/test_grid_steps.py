"""The step of a roof's spots where nobody gives one, and how the work on mounts is counted."""

from dataclasses import replace

import pytest

from hall_scene import EAST, HIDDEN, hall_job
from skysill.model.site import Mount, Roof
from skysill.siting.roof_answers import default_grid_step_m, roof_answers


def flat(across_m, deep_m):
    x, y = across_m / 2.0, deep_m / 2.0
    ring = ((-x, -y), (x, -y), (x, y), (-x, y))
    return Roof(outline=ring, surface=tuple((*corner, 5.0) for corner in ring))


@pytest.mark.parametrize(
    ("across_m", "deep_m", "step_m"),
    # a metre is kept from the edges, lines run through the middle; by hand:
    [
        (9.0, 7.0, 1.0),  # 7 by 5 spots
        (12.0, 8.0, 1.5),  # 7 by 5, at 1 m 11 by 7
        (22.0, 14.0, 3.0),  # 7 by 5, at 2 m 11 by 7
        (40.0, 24.0, 4.0),  # 9 by 5, at 3 m 13 by 7
        (60.0, 60.0, 7.5),  # 7 by 7, at 5 m 11 by 11
        (90.0, 60.0, 10.0),  # 9 by 5, at 7.5 m 11 by 7
    ],
)
def test_the_finest_step_with_no_more_than_sixty_spots(across_m, deep_m, step_m):

    assert default_grid_step_m(hall_job(roof=flat(across_m, deep_m))) == step_m


def test_named_mounts_are_counted_once_for_each_satellite():
    told = []
    mounts = (Mount("a", 1.0, 0.0, 1.0, 5.0), Mount("b", 2.0, 0.0, 1.0, 5.0), Mount("c", 3.0, 0.0, 1.0, 5.0))
    job = replace(hall_job(satellites=(EAST, HIDDEN), mounts=mounts, mounts_named=True), roof=None)
    roof_answers(job, progress=lambda done, of: told.append((done, of)))
    assert told[-1] == (6, 6)

"""Heights that are tried for a mount: whole steps of 0.05 m above the present one, and the limit itself."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from skysill.model.job import Job
from skysill.model.site import Mount, Satellite, Site
from skysill.remedies.raising import _heights_m


def heights_m(height_m: float, max_height_m: float | None) -> list[float]:
    job = Job(Site("here", 0.0, 0.0, ground_elevation_m=0.0), (Satellite("East", longitude_deg=30.0),))
    mount = Mount("post", 0.0, 0.0, height_m, max_height_m=max_height_m)
    return _heights_m(SimpleNamespace(job=job, mount=mount, foot_m=np.zeros(3))).tolist()


@pytest.mark.parametrize(
    ("height_m", "limit_m", "tried_m"),
    [
        (2.0, 2.13, [2.05, 2.1, 2.13]),
        (2.0, 2.1, [2.05, 2.1]),
        (2.0, 2.02, [2.02]),
        (2.03, 2.06, [2.05, 2.06]),
        (2.0, 2.0, []),
        (2.0, 1.5, []),
    ],
)
def test_the_limit_is_tried_where_no_step_falls_on_it(height_m, limit_m, tried_m):
    assert heights_m(height_m, limit_m) == pytest.approx(tried_m)


def test_without_a_limit_ten_metres_more_are_tried():
    """More is a structure of its own; common practice, no source."""
    tried_m = heights_m(2.0, None)
    assert (tried_m[0], tried_m[-1], len(tried_m)) == (pytest.approx(2.05), pytest.approx(12.0), 200)

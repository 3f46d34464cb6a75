"""Least heights of addresses over fine surfaces are the same with the compiled loops and by assessments alone."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.assessment.pipeline import assess
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.screening import screen_one_by_one
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from small_village import addresses, sources

QUERY = ScreeningQuery(Satellite("Demo", -72.0), Terminal(), Criteria(), 700.0)


@pytest.fixture(scope="module")
def asked():
    latitude, longitude, height = addresses(16, 12)
    return sources(fine_hole=True), (latitude, longitude, height)


@pytest.fixture(scope="module")
def one_by_one(asked):
    rasters, places = asked
    return screen_one_by_one(rasters, *places, QUERY)


def has_room(rasters, latitude, longitude, height_m):
    job = Job(
        site=Site("here", float(latitude), float(longitude)),
        satellites=(QUERY.satellite,),
        terminal=QUERY.terminal,
        criteria=QUERY.criteria,
        sources=Sources(rasters=rasters, highest_ground_m=QUERY.highest_ground_m),
    )
    return assess(job, Mount(height_m=height_m), explain=False).results[0].clearance.has_clearance


@pytest.mark.slow
def test_the_room_is_there_at_the_least_height_and_not_a_tenth_lower(asked, one_by_one):
    """By whole assessments, in a loop of the test's own."""
    rasters, (latitude, longitude, height) = asked
    found = np.flatnonzero(np.isfinite(one_by_one.least_height_m))
    assert found.size > 5
    for at in found[:6]:
        least_m = one_by_one.least_height_m[at]
        assert least_m > height[at] - 0.1
        assert has_room(rasters, latitude[at], longitude[at], least_m)
        lower = max(round(least_m - 0.1, 1), height[at])
        assert not has_room(rasters, latitude[at], longitude[at], lower)
    for at in np.flatnonzero(np.isnan(one_by_one.least_height_m)):
        assert has_room(rasters, latitude[at], longitude[at], height[at]) or one_by_one.elevation_deg[at] <= 0


@pytest.mark.slow
def test_the_compiled_loops_give_the_same_least_heights(asked, one_by_one):
    pytest.importorskip("numba")
    from skysill.bulk.compiled.raster_stack import raster_stack
    from skysill.bulk.compiled.verdicts import screen_compiled

    rasters, places = asked
    stack = raster_stack(rasters, [raster.grid for raster in rasters])
    compiled = screen_compiled(stack, rasters, *places, QUERY)
    assert compiled.verdict.tolist() == one_by_one.verdict.tolist()
    np.testing.assert_allclose(compiled.least_height_m, one_by_one.least_height_m, atol=0.01)

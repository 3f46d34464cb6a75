"""Screening a few addresses says what the assessment of each says; results are put together in order."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from pytest import approx

from skysill.assessment.pipeline import assess
from skysill.bulk.prefilter import FLOOR_DEG
from skysill.bulk.screening import screen
from skysill.bulk.screening_verdicts import ScreeningResults, assess_each, empty_results, merged
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Site
from small_ground import asked_of, ground_of, hills, places_at, spots

QUERY = asked_of(-70.0, highest_ground_m=700.0)
COLUMN = np.array([30.0, 38.5, 47.2, 60.0, 66.0, 71.0, 33.0, 52.0, 54.11, 52.44, 48.6])
ROW = np.array([30.0, 44.1, 35.0, 40.0, 61.0, 28.0, 64.0, 55.0, 62.57, 40.91, 67.61])


def alone(ground, latitude, longitude, query):
    job = Job(
        Site("a", float(latitude), float(longitude)),
        (query.satellite,),
        terminal=query.terminal,
        sources=Sources(rasters=(ground.source,), highest_ground_m=query.highest_ground_m),
    )
    return assess(job, Mount(height_m=2.0)).results[0]


@pytest.mark.parametrize("one_by_one", [False, True])
def test_each_field_is_that_of_the_assessment_of_the_address_alone(one_by_one):
    ground = ground_of(hills(100, seed=4, relief_m=90.0))
    latitude, longitude = spots(ground, COLUMN, ROW)
    if one_by_one:
        places = places_at(ground, QUERY, COLUMN, ROW)
        found = empty_results(places)
        assess_each((ground.source,), places, QUERY, np.arange(COLUMN.size), found)
    else:
        found = screen(ground, latitude, longitude, 2.0, QUERY)
    singly = [alone(ground, *at, QUERY) for at in zip(latitude, longitude, strict=True)]
    assert {"blocked", "marginal"} < {one.verdict for one in singly}
    assert any("of room where" in one.reasons[0] for one in singly)
    floors = 0
    for at, one in enumerate(singly):
        assert (found.verdict[at], found.azimuth_deg[at]) == (
            one.verdict,
            approx(one.look.azimuth_deg, abs=1e-9),
        )
        margin_deg = one.clearance.margin_deg
        beyond = margin_deg is None or margin_deg > FLOOR_DEG
        floors += beyond
        assert bool(found.margin_is_floor[at]) is beyond
        assert found.margin_deg[at] == approx(FLOOR_DEG if beyond else margin_deg, abs=1e-3)
        if one.verdict in ("blocked", "marginal"):
            assert found.reason[at] == one.reasons[0]
        if not beyond and one.horizon.elevation_deg is not None:
            assert found.terrain_elevation_deg[at] == approx(one.horizon.elevation_deg, abs=4e-3)
    assert 0 < floors < len(singly)


def test_two_results_are_put_together_in_the_order_of_their_addresses():
    def numbered(numbers):
        places = places_at(
            ground_of(hills(32)), QUERY, np.full(len(numbers), 15.0), np.full(len(numbers), 15.0)
        )
        made = empty_results(places)
        made.margin_deg[:], made.verdict[:] = numbers, [str(n) for n in numbers]
        made.numbers["mast_m"], made.texts["note"] = np.array(numbers), made.verdict.copy()
        return made

    first = np.array([False, True, True, False, True])
    whole = merged([numbered([1.0, 2.0, 4.0]), numbered([0.0, 3.0])], first)
    assert whole.margin_deg.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert whole.verdict.tolist() == ["0.0", "1.0", "2.0", "3.0", "4.0"]
    assert whole.numbers["mast_m"].tolist() == whole.margin_deg.tolist()
    assert whole.texts["note"].tolist() == whole.verdict.tolist()
    columns = [getattr(whole, f.name) for f in fields(ScreeningResults)]
    assert all(len(column) == 5 for column in columns if not isinstance(column, dict))

"""What a job's context keeps: one declination and one compass correction however many assessments share it."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from skysill.assessment.job_context import JobContext, WindowCache
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job, Sources
from skysill.model.readings import Readings
from skysill.model.site import Mount, Satellite, Site
from skysill.model.survey import Landmark, Survey
from skysill.pointing import compass, survey_compass
from skysill.remedies.search import check

DATE = dt.date(2026, 6, 14)
SITE = Site("croft", 58.0312, -24.6541, ground_elevation_m=41.0, ground_source="given")


def measured(top_deg: float) -> Sources:
    """A level horizon all round, read with a magnetic compass 60 m from what stands there."""
    azimuth = np.arange(0.0, 360.0, 3.0)
    readings = Readings(
        azimuth,
        np.full(azimuth.size, top_deg),
        np.full(azimuth.size, 60.0),
        ("",) * azimuth.size,
        source="readings",
    )
    return Sources(readings=readings, survey=Survey(bearings="magnetic", date=DATE))


@pytest.fixture
def calls(monkeypatch):
    """How often the magnetic model and the correction are asked."""
    count = {"declination": 0, "correction": 0}
    model, correct = compass.declination, survey_compass.survey_correction

    def declination(*args):
        count["declination"] += 1
        return model(*args)

    def correction(*args, **given):
        count["correction"] += 1
        return correct(*args, **given)

    monkeypatch.setattr(compass, "declination", declination)
    monkeypatch.setattr(survey_compass, "declination", declination)
    monkeypatch.setattr(survey_compass, "survey_correction", correction)
    return count


def test_a_check_that_tries_remedies_asks_the_compass_once(calls):
    """A skyline in the line makes `check` try many masts and spots: none of them asks for a correction again."""
    job = Job(SITE, (Satellite("Demo South", -24.0),), sources=measured(23.8), date=DATE)
    found = check(job, replace(Mount(), height_m=1.6, max_height_m=4.0))
    assert found.results[0].verdict != "clear"
    assert calls["correction"] == 1
    assert calls["declination"] <= 3  # at the survey's place, at the site, at the dish


def test_other_landmarks_and_another_date_get_their_own_values():
    context = JobContext()
    job = Job(SITE, (), sources=measured(5.0), date=DATE)
    first = context.compass_correction(job, SITE)
    spire = Landmark("spire", 58.0375, -24.6480, measured_bearing_deg=40.0)
    tied = replace(job, sources=replace(job.sources, landmarks=(spire,)))
    second = context.compass_correction(tied, SITE)
    assert first is not None
    assert second is not None
    assert (first.source, second.source) == ("declination", "landmarks")
    assert context.compass_correction(job, SITE) is first
    assert context.compass_correction(replace(job, sources=Sources()), SITE) is None
    here = (58.0312, -24.6541, 41.0)
    assert context.declination(*here, DATE) is context.declination(*here, DATE)
    assert context.declination(*here, DATE) != context.declination(*here, dt.date(2029, 6, 14))
    assert context.declination(*here, DATE) != context.declination(58.0, -4.0, 41.0, DATE)


def test_a_window_is_read_again_only_where_it_does_not_reach():
    asked = []

    class Source(HeldGrid):
        def window(self, latitude_deg, longitude_deg, radius_m):
            asked.append(radius_m)
            return self.grid

    grid = Grid(np.zeros((4, 4), np.float32), (1e-4, 0.0, -24.6541, 0.0, -1e-4, 58.0312), "EPSG:4326")
    source = WindowCache(Source(grid))
    source.window(58.0312, -24.6541, 100.0)
    source.window(58.0312, -24.6541, 149.0)
    north_deg = 40.0 / 111_300.0  # 40 m; a degree of latitude is 111.3 km at 58 N
    source.window(58.0312 + north_deg, -24.6541, 100.0)
    assert len(asked) == 1
    source.window(58.0312 + north_deg, -24.6541, 120.0)  # 160 m of the 150 m read
    assert len(asked) == 2

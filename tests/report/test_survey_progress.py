"""What is still to be measured: it shrinks with every reading, and never claims what nobody looked at."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

import skysill
from skysill.model.readings import Readings
from skysill.report.survey_progress import unmeasured

DAY = dt.date(2026, 6, 14)


@pytest.fixture(scope="module")
def shieling():
    """Its raster has a hole to the south: readings decide."""
    job = skysill.read_site_file("demo_terrain/shieling.toml")
    south = tuple(one for one in job.satellites if one.name == "Demo South")
    return replace(job, satellites=south, date=DAY)


def with_readings(job, azimuths):
    azimuth_deg = np.array(azimuths, dtype=float)
    many = azimuth_deg.size
    readings = Readings(azimuth_deg, np.full(many, 9.0), np.full(many, 300.0), ("",) * many, "h.csv")
    return replace(job, sources=replace(job.sources, readings=readings))


def test_each_reading_takes_its_azimuth_off_the_list(shieling):
    (fresh,) = unmeasured(shieling, shieling.mounts[0])
    assert len(fresh.to_read) > 4
    done, left = [], set(fresh.to_read)
    for azimuth in fresh.to_read:
        done.append(azimuth)
        (now,) = unmeasured(with_readings(shieling, done), shieling.mounts[0])
        assert set(now.to_read) <= left
        left = set(now.to_read)
    assert not left
    assert "still to read" not in now.text


def test_a_gap_in_the_readings_is_asked_for(shieling):
    (fresh,) = unmeasured(shieling, shieling.mounts[0])
    middle = len(fresh.to_read) // 2
    kept = fresh.to_read[: middle - 2] + fresh.to_read[middle + 2 :]
    (now,) = unmeasured(with_readings(shieling, kept), shieling.mounts[0])
    assert set(now.to_read) & set(fresh.to_read[middle - 2 : middle + 2])
    assert "still to read" in now.text


def test_azimuths_that_rasters_cover_are_worth_a_check_until_a_reading_checks_them():
    job = replace(skysill.read_site_file("demo_terrain/clinic.toml", default_date=DAY), date=DAY)
    bare = replace(job, sources=replace(job.sources, readings=None))
    for one in unmeasured(bare, job.mounts[0]):
        assert one.to_check
        assert not one.to_read
    for one in unmeasured(job, job.mounts[0]):
        assert not one.to_check
        assert not one.to_read
        assert one.text == "Every azimuth that matters has been measured or is known."

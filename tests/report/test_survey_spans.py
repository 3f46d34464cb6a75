"""What is still to be measured around a satellite overhead, and azimuths in words across north."""

import datetime as dt

import pytest

from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Satellite, Site
from skysill.report.survey_progress import _spans, unmeasured


@pytest.mark.parametrize(
    ("azimuths_deg", "words"),
    [
        ([356.0, 358.0, 0.0, 2.0], "356 to 2"),
        ([350.0, 354.0, 358.0], "350 to 358"),
        ([350.0, 354.5, 359.0], "350, 354.5, 359"),
        ([10.0, 12.0], "10, 12"),
        ([2.0, 358.0], "2, 358"),
    ],
)
def test_runs_of_azimuths_go_on_across_north(azimuths_deg, words):
    assert _spans(azimuths_deg) == words


def test_a_satellite_overhead_has_no_window_with_ends():
    """On the equator under the satellite's own meridian every azimuth counts alike."""
    overhead, low = Satellite("Overhead", longitude_deg=-24.0), Satellite("Low", longitude_deg=40.0)
    site = Site("pier", 0.0, -24.0, ground_elevation_m=5.0)
    job = Job(site, (overhead, low), sources=Sources(highest_ground_m=400.0), date=dt.date(2026, 6, 14))
    found = {one.satellite: one for one in unmeasured(job, Mount(height_m=2.0))}
    assert found["Overhead"].window_deg is None
    assert found["Low"].window_deg is not None

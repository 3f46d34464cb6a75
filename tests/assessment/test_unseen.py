"""What stands in the line only by an assumed distance, and what is known to stand there."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from skysill.assessment.pipeline import assess
from skysill.assessment.unseen import _assumed, _away, _seen_at_deg
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.job import Job, Sources
from skysill.model.link import Ray
from skysill.model.obstacle_builders import building
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Satellite, Site
from skysill.model.survey import Survey

SITE = Site("croft", 58.0312, -24.6541, ground_elevation_m=0.0, ground_source="given")
SOUTH = Satellite("Demo South", longitude_deg=-24.0)  # 24 degrees high, almost due south
HALL = building("hall", [[-4, -30], [4, -30], [4, -20], [-4, -20]], ground_elevation_m=0.0, height_m=20.0)
SHED = building("shed", [[-4, -30], [4, -30], [4, -20], [-4, -20]], ground_elevation_m=0.0, height_m=3.0)


def verdict(*things) -> tuple[str, str]:
    """From 3 m over the instrument, with a skyline of 26 degrees read without distances; the list is complete."""
    azimuth = np.arange(0.0, 360.0, 4.0)
    readings = Readings(azimuth, np.full(90, 26.0), np.full(90, np.nan), ("",) * 90, "horizon.csv")
    sources = Sources(
        readings=readings, survey=Survey(instrument_height_m=1.5), scene=Scene(things, complete=True)
    )
    job = Job(SITE, (SOUTH,), sources=sources, criteria=Criteria(years_ahead=0))
    result = assess(job, Mount("pole", height_m=4.5)).results[0]
    return result.verdict, result.reasons[0]


def test_a_building_in_the_line_blocks_whatever_was_read_without_a_distance():
    """20 m high 20 m away is atan(15.5 / 20), 38 degrees, seen from 4.5 m: far over the satellite."""
    found, reason = verdict(HALL)
    assert found == "blocked"
    assert "stands in the line" in reason


@pytest.mark.parametrize("things", [(), (SHED,)])
def test_a_reading_without_a_distance_alone_does_not_block_a_higher_dish(things):
    """At 26 degrees it leaves the line free nearer than 3 / (sin 26 - cos 26 tan 24.1) = 83 m (flat triangle)."""
    found, reason = verdict(*things)
    assert found == "marginal"
    assert "no distance was read with it" in reason
    assert "3.0 m higher than the instrument: nearer than" in reason


@pytest.mark.parametrize(
    ("step_m", "words"),
    [((3.0, 0.0, -1.0), "3.0 m aside"), ((1.0, 0.0, -3.0), "3.0 m lower"), ((4.0, 3.0, 2.0), "2.0 m higher")],
)
def test_where_the_dish_is_from_the_instrument_is_said_by_the_larger_of_the_steps(step_m, words):
    assert _away(np.array(step_m)) == words


def test_a_place_seen_from_the_dish_lies_elsewhere_from_an_instrument_aside():
    """The dish 10 m east or north of the instrument; 10 m due east of the dish: by right-angled triangles."""
    for step_m, bearing_deg in (
        ((10.0, 0.0, 0.0), 90.0),
        ((0.0, 10.0, 0.0), 45.0),
        ((0.0, -10.0, 0.0), 135.0),
    ):
        station = SimpleNamespace(step_m=np.array(step_m))
        assert _seen_at_deg(station, 90.0, np.array([10.0])) == pytest.approx([bearing_deg])


@pytest.mark.parametrize(
    ("free_m", "words"), [(12_000.0, "nearer than 12000 m"), (25_000.0, "at any distance")]
)
def test_a_reading_that_only_just_stands_in_the_line_leaves_it_free_wherever_it_is(free_m, words):
    """From 2 m over the instrument a top at distance d sinks by 2 m: free where d (sin t - cos t tan e) < 2."""
    over_deg = np.rad2deg(2.0 / free_m * np.cos(np.deg2rad(24.0)))
    top = Silhouette("measured", np.array([179.0]), np.array([24.0 + over_deg]), np.array([np.nan]),
                     (Feature("measured horizon", "reading", "measured"),), 0)  # fmt: skip
    station = SimpleNamespace(silhouette=top, step_m=np.array([0.0, 0.0, 2.0]))
    told = _assumed(Job(SITE, (SOUTH,)), station, Ray(179.0, 24.0))
    assert f"2.0 m higher than the instrument: {words} it leaves the line free" in told

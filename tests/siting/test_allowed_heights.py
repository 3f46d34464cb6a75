"""How tall things may be: counted from the ground where they would stand, and found true by an assessment."""

import math

import numpy as np
import pytest

from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job, Sources
from skysill.model.link import Link
from skysill.model.obstacle_builders import pole
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.siting.allowed_heights import allowed_height_m, allowed_heights_text, ground_along

SITE = Site("slope", 50.0, 0.0, ground_elevation_m=100.0, ground_source="given")
SOUTH = Satellite("South", longitude_deg=0.0)
TERMINAL = Terminal(dish_diameter_m=1.0, receive_ghz=12.0)
RISE = 0.1
"""The ground rises 1 in 10 to the south."""


def slope():
    """Bare ground on a 5 m lattice in degrees, level from west to east."""
    north_deg = 5.0 / 111_229.0  # a degree of latitude at 50 degrees north, WGS 84
    rows = np.arange(-60, 61)
    values = np.repeat(100.0 + RISE * 5.0 * rows[:, None], 121, axis=1).astype(np.float32)
    transform = (1e-4, 0.0, -60.5e-4, 0.0, -north_deg, 50.0 + 60.5 * north_deg)
    return HeldGrid(Grid(values, transform, "EPSG:4326"), "hill.tif", "bare", 5.0, 0.3)


def job(*things, rasters=()):
    scene = Scene(things, complete=True)
    sources = Sources(rasters=rasters, scene=scene, highest_ground_m=150.0)
    return Job(SITE, (SOUTH,), terminal=TERMINAL, criteria=Criteria(years_ahead=0), sources=sources)


def test_ground_along_a_satellites_azimuth_is_that_of_the_bare_raster():
    along = ground_along(
        job(rasters=(slope(),)), east_m=0.0, north_m=0.0, azimuth_deg=180.0, distances_m=[20.0, 50.0]
    )
    assert along.source == "hill.tif"
    assert along.rise_m == pytest.approx([2.0, 5.0], abs=0.02)  # 1 in 10


def test_without_bare_ground_it_is_taken_as_level_and_the_sentence_says_so():
    level = ground_along(job(), east_m=0.0, north_m=0.0, azimuth_deg=180.0)
    assert level.source is None
    assert not level.rise_m.any()
    told = allowed_heights_text(
        "South",
        elevation_deg=30.0,
        antenna_height_m=2.0,
        link=Link(TERMINAL, Criteria()),
        ground=level,
    )
    assert told.endswith("the ground is taken as level with the site's.")


@pytest.mark.parametrize("away_m", [10.0, 20.0, 50.0])
def test_a_post_as_tall_as_allowed_over_the_ground_there_leaves_the_room_and_a_taller_one_does_not(away_m):
    """The sentence tried: a post on the rising ground, assessed."""
    hill = job(rasters=(slope(),))
    empty = assess(hill, Mount(height_m=4.0), explain=False)
    elevation_deg = empty.results[0].look.elevation_apparent_deg
    along = ground_along(hill, east_m=0.0, north_m=0.0, azimuth_deg=180.0, distances_m=away_m)
    height_m = float(
        allowed_height_m(
            away_m,
            elevation_deg=elevation_deg,
            antenna_height_m=4.0 - along.rise_m[0],
            link=Link(TERMINAL, hill.criteria),
        )
    )
    room = {}
    for more_m in (-0.05, 0.05):
        ground_m = 100.0 + RISE * away_m
        post = pole(
            "post",
            (0.0, -away_m - 0.01),
            ground_elevation_m=ground_m,
            height_m=height_m + more_m,
            radius_m=0.01,
        )
        room[more_m] = assess(job(post, rasters=(slope(),)), Mount(height_m=4.0), explain=False).results[0]
    assert room[-0.05].clearance.has_clearance
    assert not room[0.05].clearance.has_clearance
    assert room[0.05].clearance.controlling.name == "post"
    assert math.isclose(room[0.05].clearance.controlling.distance_m, away_m / math.cos(
        math.radians(room[0.05].clearance.controlling.elevation_deg)), rel_tol=0.01)  # fmt: skip


def test_a_height_is_asked_for_in_front_of_the_dish():
    with pytest.raises(InputError, match="in front of the dish"):
        allowed_height_m(
            [3.0, 0.0], elevation_deg=30.0, antenna_height_m=2.0, link=Link(TERMINAL, Criteria())
        )


def test_past_the_end_of_the_raster_the_ground_is_taken_as_level():
    hill = Job(SITE, (SOUTH,), sources=Sources(rasters=(slope(),)))
    along = ground_along(hill, east_m=0.0, north_m=0.0, azimuth_deg=180.0, distances_m=[50.0, 5000.0])
    assert along.rise_m.tolist() == [0.0, 0.0]

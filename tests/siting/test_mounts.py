"""Choosing a mount: scenes made by hand whose answer geometry gives, the ranking, the cable, the refusals."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from skysill.assessment.job_context import JobContext, prepared
from skysill.errors import InputError
from skysill.horizon.roof_surface import own_roof, roof_elevation_m
from skysill.model.job import Job, Sources
from skysill.model.link import Link
from skysill.model.obstacle_builders import building, facet
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Roof, Satellite, Site, Terminal
from skysill.siting.allowed_heights import allowed_height_m
from skysill.siting.cables import cable_run
from skysill.siting.mast_search import SpotRoom
from skysill.siting.mounts import compare_mounts, mounts_geojson, search
from skysill.siting.spots import spots

FLAT = Roof(
    outline=((-6, -4), (6, -4), (6, 4), (-6, 4)),
    surface=((-6, -4, 5), (6, -4, 5), (6, 4, 5), (-6, 4, 5)),
    cable_entry=(6.0, 0.0, 2.0),
)
SITE = Site("equator", 0.0, 0.0, ground_elevation_m=0.0, ground_source="given")
EAST = Satellite("East", longitude_deg=30.0)  # due east; stands near 55 degrees
TERMINAL = Terminal(dish_diameter_m=0.8, receive_ghz=12.0, cable_limit_m=40.0)


def job(*things, roof=FLAT, satellites=(EAST,), mounts=(), **more):
    scene = Scene(tuple(things), complete=True)
    given = {
        "site": SITE,
        "satellites": satellites,
        "terminal": TERMINAL,
        "roof": roof,
        "criteria": Criteria(years_ahead=0),
    }
    return Job(
        **given, mounts=mounts or (Mount("pole", 0, 0, 1.0, 5.0, 6.0),), sources=Sources(scene=scene), **more
    )


def test_a_wall_to_the_east_is_overtopped_by_the_mast_that_geometry_asks():
    """A long wall 12 m up at x = 9: from spot x the dish must stand so high that the wall's top keeps the room free."""
    wall = building(
        "hall", [[9, -80], [30, -80], [30, 80], [9, 80]], ground_elevation_m=0, top_elevation_m=12
    )
    found = search(job(wall), 1.0, max_height_m=8.0)
    from skysill.pointing.look_vector import look_vector

    elevation = look_vector(0.0, 0.0, 6.0, EAST).elevation_apparent_deg
    for at in range(0, len(found.spots), 7):
        away = 9.0 - found.spots.east_m[at]
        heights = np.arange(0.5, 8.0, 0.001)  # half the dish and 0.1 m: the rim clears the roof
        over = (
            7.0 - heights
        )  # the wall's top over the dish; it is in the ray's upright plane that it is nearest
        margin = np.deg2rad(elevation) - np.arctan2(over, away)
        distance = np.hypot(over, away)
        needed = np.arctan((0.4 + 0.6 * np.sqrt(299_792_458 / 12e9 * distance)) / distance)
        least = heights[np.argmax(margin >= needed)] if (margin >= needed).any() else np.nan
        assert found.least_height_m[at, 0] == approx(least, abs=0.051, nan_ok=True), at  # in steps of 0.05 m


def test_below_a_canopy_there_is_room_that_a_taller_mast_loses():
    """A canopy over the roof's east side: low dishes look under it, taller ones into it. The lowest height counts."""
    canopy = facet("canopy", [[4, -90, 9], [10, -90, 9], [10, 90, 9], [4, 90, 9]])
    low = Roof(outline=FLAT.outline, surface=FLAT.surface)
    flat = Satellite("Low", longitude_deg=75.0)  # near 6 degrees
    found = search(job(canopy, roof=low, satellites=(flat,)), 2.0, max_height_m=8.0)
    assert np.nanmax(found.least_height_m) < 2.0
    asked = prepared(job(canopy, roof=low, satellites=(flat,)))
    heights = np.array([1.0, 3.9, 7.0])
    room = SpotRoom(asked, [Mount("m", 0.0, 0.0, 1.0, 5.0)], heights, context=JobContext())
    assert [room.next_index(0, np.array([0]), at) for at in range(3)] == [0, 2, 2]


def test_two_walls_leave_the_middle_for_both_satellites():
    """Halls east and west of the roof: each satellite alone is served best from the far side, both from the middle."""
    east = building(
        "east hall", [[10, -90], [30, -90], [30, 90], [10, 90]], ground_elevation_m=0, top_elevation_m=22
    )
    west = building(
        "west hall", [[-30, -90], [-10, -90], [-10, 90], [-30, 90]], ground_elevation_m=0, top_elevation_m=22
    )
    two = (EAST, Satellite("West", longitude_deg=-30.0))
    found = search(job(east, west, satellites=two), 1.0, max_height_m=8.0)
    best = found.spots.east_m[np.flatnonzero(found.all_height_m == np.nanmin(found.all_height_m))]
    assert np.abs(best).max() <= 1.0
    for k, side in enumerate((-1, 1)):
        alone = found.least_height_m[:, k]
        assert (found.spots.east_m[alone == np.nanmin(alone)] * side).max() == approx(5.0)


def test_what_is_offered_was_assessed_and_ranked():
    wall = building(
        "hall", [[9, -80], [30, -80], [30, 80], [9, 80]], ground_elevation_m=0, top_elevation_m=12
    )
    named = Mount("near the wall", 5.0, 0.0, 0.5, 5.0, 6.0)
    found = compare_mounts(job(wall, mounts=(named,)), grid_step_m=2.0, keep=2)
    assert [row.rank for row in found.mounts] == [1, 2, 3]
    assert found.mounts[-1].verdict == "blocked"
    assert found.mounts[-1].least_height_m is not None
    assert found.mounts[0].height_m == found.mounts[0].least_height_m
    assert found.mounts[0].clearance_m >= found.mounts[0].required_m
    document = json.loads(json.dumps(mounts_geojson(found)))
    assert {feature["geometry"]["type"] for feature in document["features"]} == {"Point", "LineString"}


def test_no_mast_is_found_where_none_serves():
    tower = building(
        "tower", [[9, -80], [30, -80], [30, 80], [9, 80]], ground_elevation_m=0, top_elevation_m=90
    )
    found = search(job(tower), 2.0)
    assert np.isnan(found.all_height_m).all()


def test_the_cable_follows_roof_and_wall():
    """From the middle of a flat roof to its edge 6 m away, 3 m down the wall, 1 m of mast: 10 m, a tenth, 2 m."""
    found = cable_run(FLAT, Mount("m", 0, 0, 1.0, 5.0))
    assert found.length_m == approx(10.0 * 1.1 + 2.0, abs=1e-6)
    gable = replace(FLAT, surface=((-6, -4, 5), (6, -4, 5), (6, 0, 8), (-6, 0, 8), (6, 4, 5), (-6, 4, 5)))
    ridge = cable_run(gable, Mount("m", 0, 0, 1.0, 8.0))
    assert ridge.length_m == approx((1.0 + 6.0 + 6.0) * 1.1 + 2.0, abs=1e-3)  # along the ridge, then 6 m down


def test_spots_keep_their_distance_from_the_edge_and_stand_on_the_slopes():
    gable = replace(FLAT, surface=((-6, -4, 5), (6, -4, 5), (6, 0, 8), (-6, 0, 8), (6, 4, 5), (-6, 4, 5)))
    found = spots(gable, SITE, (), step_m=0.5)
    assert np.abs(found.east_m).max() == approx(5.0)
    assert np.abs(found.north_m).max() == approx(3.0)
    assert found.surface_elevation_m == approx(8.0 - 0.75 * np.abs(found.north_m))
    assert len(own_roof(gable)) == 4
    assert np.isnan(roof_elevation_m(gable, 9.0, 0.0)).all()


def test_a_yard_is_searched_too():
    yard = replace(FLAT, yards=(((10, -4), (14, -4), (14, 4), (10, 4)),))
    found = spots(yard, SITE, (), step_m=1.0)
    assert (~found.on_roof).sum() == 5 * 9
    assert found.surface_elevation_m[~found.on_roof] == approx(0.0)


@pytest.mark.parametrize(
    ("roof", "sentence"),
    [
        (replace(FLAT, surface=()), "has an outline but no surface"),
        (replace(FLAT, outline=((0, 0), (4, 4), (4, 0), (0, 4))), "crosses itself"),
        (replace(FLAT, surface=((0, 0, 1), (1, 0, 1), (2, 0, 1))), "span no area"),
    ],
)
def test_a_roof_that_cannot_be_searched_is_refused(roof, sentence):
    with pytest.raises(InputError, match=sentence):
        spots(roof, SITE, (), step_m=1.0)


def test_a_grid_needs_a_roof():
    with pytest.raises(InputError, match="no roof to search"):
        compare_mounts(job(roof=None), grid_step_m=1.0)


def test_allowed_height_leaves_exactly_the_room():
    """The top at that height and distance: its angle under the ray is the angle of the room at its own distance."""
    height = float(
        allowed_height_m(20.0, elevation_deg=24.0, antenna_height_m=2.0, link=Link(TERMINAL, Criteria()))
    )
    distance = math.hypot(20.0, height - 2.0)
    needed = 0.4 + 0.6 * math.sqrt(299_792_458 / 12e9 * distance)
    assert math.degrees(math.atan2(height - 2.0, 20.0) + math.atan2(needed, distance)) == approx(
        24.0, abs=1e-9
    )

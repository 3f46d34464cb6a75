"""Which azimuths matter to a ray, how far out, and whether anybody has looked there: by trigonometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from brackendale import ground, job
from skysill.assessment.coverage import _shortest_reach_m, near_seen, uncovered
from skysill.assessment.evidence import Evidence
from skysill.assessment.placement import place
from skysill.assessment.search_window import (
    near_reach_m,
    reach_wanted_m,
    sought_elevation_deg,
    stop_elevation_deg,
    window_azimuths_deg,
    window_half_deg,
)
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.link import Link
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Terminal
from skysill.pointing.look_vector import LookVector

LIGHT_M_S = 299_792_458.0
LINK = Link(Terminal(dish_diameter_m=1.2, receive_ghz=19.7), Criteria())


def look(azimuth_deg, elevation_deg):
    return LookVector("Demo", 0.0, azimuth_deg, elevation_deg, elevation_deg, 4e7, None, None, None, True)


def room_deg(distance_m):
    """Half the dish and 0.6 of the first Fresnel radius: ITU-R P.526, common practice."""
    return np.degrees(np.arctan2(0.6 + 0.6 * np.sqrt(LIGHT_M_S / 19.7e9 * distance_m), distance_m))


def half_deg(distance_m, elevation_deg):
    """The circle of the required angle about the ray touches a meridian there: Napier's rule."""
    return np.degrees(np.arcsin(np.sin(np.radians(room_deg(distance_m))) / np.cos(np.radians(elevation_deg))))


def standing(*rasters, **sources):
    asked = job(*rasters, **sources)
    return asked, place(asked, Mount(height_m=2.0))


@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), [(120.0, 30.0), (0.3, 55.0), (359.9, 12.0)])
def test_dense_azimuths_reach_as_far_as_the_assumed_distance_and_wide_ones_as_near_things(
    azimuth_deg, elevation_deg
):
    dense, wide = window_azimuths_deg(look(azimuth_deg, elevation_deg), LINK)
    near, far = half_deg(2.0, elevation_deg), half_deg(LINK.assumed_distance_m, elevation_deg)
    dense_off, wide_off = ((a - azimuth_deg + 180.0) % 360.0 - 180.0 for a in (dense, wide))
    assert np.sort(dense_off) == approx(np.arange(-(len(dense) // 2), len(dense) // 2 + 1) * 0.1, abs=1e-9)
    assert far <= dense_off.max() < far + 0.1
    assert near <= wide_off.max() < near + 1.0
    assert wide_off.min() == approx(-wide_off.max())
    assert np.abs(wide_off).min() > far
    assert ((dense >= 0.0) & (dense < 360.0)).all()


def test_overhead_the_whole_circle_is_asked():
    dense, wide = window_azimuths_deg(look(None, 90.0), LINK)
    assert np.sort(dense) == approx(np.arange(3600) * 0.1, abs=1e-9)
    assert wide.size == 0
    assert window_half_deg(0.5, 89.0, LINK) == 180.0


def test_the_far_end_stops_below_the_ray_by_the_room_it_needs_where_ground_could_last_reach_it():
    """100 m over a ray of 24 degrees are reached 100 / sin 24 m away."""
    _, at = standing()
    highest_m = at.antenna_elevation_m + 100.0
    found = stop_elevation_deg(look(10.0, 24.0), at, highest_m, LINK)
    assert found == approx(24.0 - room_deg(100.0 / np.sin(np.radians(24.0))))
    assert stop_elevation_deg(look(10.0, 24.0), at, 0.0, LINK) == approx(
        24.0 - room_deg(LINK.assumed_distance_m)
    )
    low = stop_elevation_deg(look(10.0, 0.2), at, highest_m, LINK)
    assert low == approx(0.2 - room_deg(100.0 / np.sin(np.radians(1.0))))  # as at one degree


def test_ground_is_looked_for_ten_degrees_below_the_ray_and_no_lower_than_one_degree():
    """As documented beside the two constants."""
    assert sought_elevation_deg(30.0, 29.0) == 20.0
    assert sought_elevation_deg(8.0, 7.0) == 1.0
    assert sought_elevation_deg(1.2, 0.4) == 0.4


def test_something_thirty_metres_tall_reaches_a_low_ray_far_out():
    assert near_reach_m(20.0) == approx(30.0 / np.tan(np.radians(20.0)))
    assert near_reach_m(-3.0) == approx(30.0 / np.tan(np.radians(0.5)))


def terrain(spans, reach_m, fine_reach_m=0.0):
    return Silhouette(
        "terrain", np.zeros(0), np.zeros(0), np.zeros(0), (Feature("dem.tif", "ground", "terrain"),), np.zeros(0, int),
        covered_deg=np.asarray(spans, float), reach_m=np.asarray(reach_m, float), fine_reach_m=fine_reach_m,
    )  # fmt: skip


def test_of_several_spans_the_shortest_reach_counts_also_across_north():
    seen = terrain([[350.0, 370.0], [100.0, 120.0]], [900.0, 400.0])
    assert _shortest_reach_m(seen, np.array([1.0])) == 900.0
    assert _shortest_reach_m(seen, np.array([1.0, 110.0])) == 400.0
    assert _shortest_reach_m(seen, np.array([50.0])) == 0.0


def test_what_nobody_looked_at_is_said_with_its_azimuths():
    asked, at = standing()
    told = uncovered(Evidence(place=at), look(120.0, 30.0), asked)
    off = half_deg(LINK.assumed_distance_m, 30.0)
    assert told.startswith(
        f"Nobody has looked between azimuth {120.0 - off:.0f} and {120.0 + off:.0f} degrees"
    )
    overhead = uncovered(Evidence(place=at), look(None, 90.0), asked)
    assert overhead.startswith("Nobody has looked all round: no reading and no elevation raster")
    none_here = terrain(np.zeros((0, 2)), [])
    told = uncovered(Evidence(place=at, terrain=none_here), look(120.0, 30.0), asked)
    assert "the rasters have no data at the site" in told


def test_terrain_speaks_for_a_ray_only_as_far_out_as_ground_could_reach_it():
    asked, at = standing()
    wanted_m = reach_wanted_m(look(120.0, 30.0), at, asked.sources.highest_ground_m, asked.link)
    assert 60.0 < wanted_m < 200.0  # 48 m up at 30 degrees, less the room
    for reach_m, said in ((wanted_m + 1.0, False), (wanted_m - 1.0, True)):
        evidence = Evidence(place=at, terrain=terrain([[0.0, 360.0]], [reach_m]))
        told = uncovered(evidence, look(120.0, 30.0), asked)
        assert (told is not None) is said
    assert f"{reach_m:.0f} m out" in told


def test_near_things_are_known_from_a_complete_list_or_a_fine_raster_that_reaches_far_enough():
    asked, at = standing()
    ray = look(120.0, 30.0)
    enough_m = near_reach_m(stop_elevation_deg(ray, at, asked.sources.highest_ground_m, asked.link))
    assert not near_seen(Evidence(place=at), ray, asked)
    assert not near_seen(Evidence(place=at, scene=Scene()), ray, asked)
    assert near_seen(Evidence(place=at, scene=Scene(complete=True)), ray, asked)
    for fine_reach_m, seen in ((enough_m + 1.0, True), (enough_m - 1.0, False), (0.0, False)):
        covered = terrain([[0.0, 360.0]], [5000.0], fine_reach_m)
        assert near_seen(Evidence(place=at, terrain=covered), ray, asked) is seen


def test_where_no_datum_is_known_no_raster_speaks():
    asked, at = standing(ground(lambda x, y: 100.0 + 0.0 * x))
    evidence = Evidence(place=replace(at, datum_known=False), terrain=terrain([[0.0, 360.0]], [1e6]))
    assert uncovered(evidence, look(120.0, 30.0), asked) is not None

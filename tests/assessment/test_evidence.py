"""What is gathered of each source: errors of rasters, columns of obstacles, how far terrain is wanted, refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from brackendale import NORTH, ground, job
from skysill.assessment.evidence import overruled_ground, raster_errors, scene_columns, stated_errors
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import place
from skysill.assessment.search_window import reach_wanted_m
from skysill.errors import InputError
from skysill.model.default_errors import ObstacleError
from skysill.model.obstacle_builders import building, pole
from skysill.model.scene import Scene
from skysill.model.site import Mount, Satellite
from skysill.model.survey import Survey
from skysill.pointing.compass import CompassCorrection

HERE = Mount(height_m=2.0)


def test_a_rasters_errors_are_its_own_and_alike_over_five_cells():
    """Five cells: as documented. Fine is a surface of 2 m or finer."""
    rasters = (
        ground(lambda x, y: 100.0, cell_m=1.0, name="a"),
        ground(lambda x, y: 100.0, cell_m=2.0, name="b"),
        ground(lambda x, y: 100.0, cell_m=30.0, name="c", half_m=300.0, error_m=3.0),
        ground(lambda x, y: 100.0, cell_m=1.0, name="d", kind="bare"),
    )
    found = raster_errors(job(*rasters))
    assert [(name, e.correlation_m, e.fine, e.number) for name, e in found.items()] == [
        ("a", 5.0, True, 0),
        ("b", 10.0, True, 1),
        ("c", 150.0, False, 2),
        ("d", 5.0, False, 3),
    ]
    assert (found["a"].vertical_m, found["c"].vertical_m) == (0.3, 3.0)


def test_terrain_is_wanted_as_far_out_as_the_lowest_ray_asks():
    low = Satellite("Low", -150.0)
    both = replace(job(ground(lambda x, y: 100.0)), satellites=(NORTH, low))
    found = assess(both, HERE)
    rays = [result.look for result in found.results]
    assert rays[1].elevation_apparent_deg < rays[0].elevation_apparent_deg - 10.0
    highest_m = both.sources.highest_ground_m
    each = [reach_wanted_m(ray, found.evidence.place, highest_m, both.link) for ray in rays]
    assert each[1] > 2.0 * each[0]
    assert found.evidence.wanted_m == each[1]


def test_a_dish_inside_a_building_is_refused_without_a_word_of_eaves():
    barn = building("barn", [[-5, -5], [5, -5], [5, 5], [-5, 5]], ground_elevation_m=100.0, height_m=6.0)
    with pytest.raises(InputError) as fault:
        assess(job(scene=Scene((barn,))), HERE)
    assert 'is inside "barn" (building, up to 106.0 m)' in str(fault.value)
    assert str(fault.value).endswith("Raise or move the mount, or mend the obstacle.")


@pytest.mark.parametrize("satellite", [NORTH, Satellite("West", 110.0)])
def test_a_thin_pole_between_two_sampled_azimuths_is_not_missed(satellite):
    """4 cm wide and 40 m off, 0.06 degrees: narrower than the step of 0.1, in the middle between two of them."""
    asked = replace(job(), satellites=(satellite,))
    at = place(asked, HERE)
    look = assess(asked, HERE).results[0].look

    def mast(off_deg, far_m=40.0):
        turn = np.radians(look.azimuth_deg + off_deg)
        where = (far_m * np.sin(turn), far_m * np.cos(turn))
        return pole("mast", where, ground_elevation_m=100.0, height_m=60.0, radius_m=0.02)

    half_deg = np.degrees(np.arcsin(0.02 / 40.0))
    assert half_deg < 0.03
    seen = scene_columns(Scene((mast(0.05),)), at, [look], asked)
    off = (seen.azimuth_deg - look.azimuth_deg + 180.0) % 360.0 - 180.0
    assert (off.min(), off.max()) == approx((0.05 - half_deg, 0.05 + half_deg), abs=1e-5)
    beyond = scene_columns(Scene((mast(0.05), mast(100.0))), at, [look], asked)
    assert len(beyond) == len(seen)


def test_a_compass_tied_to_a_mark_keeps_its_scatter_and_one_by_declination_its_whole_error():
    """Standard deviations add in square; half of a reading's error is its own (own reasoning, as documented)."""
    asked = job(survey=Survey(bearing_error_deg=2.0, height_error_m=0.3))
    told = CompassCorrection(3.0, 1.5, "declination")
    assert stated_errors(asked, told, 0.0).bearing_deg == approx(2.5)
    assert stated_errors(asked, None, 0.0).bearing_deg == 2.0
    tied = stated_errors(asked, replace(told, source="landmarks"), 0.0).bearing_deg
    sun = stated_errors(asked, replace(told, source="sun"), 0.0).bearing_deg
    assert tied == sun
    assert 1.5 < tied < 2.5
    assert stated_errors(asked, None, 0.4).height_m == approx(0.5)


def test_each_obstacle_brings_its_own_errors_and_the_raster_its_ground_came_from():
    mast = pole("mast", (9.0, 40.0), ground_elevation_m=100.0, height_m=12.0)
    mast = replace(mast, errors=ObstacleError(0.7, 0.2, 0.4, "as drawn"), ground_from="dem.tif")
    evidence = assess(job(scene=Scene((mast,))), HERE).evidence
    [obstacles] = evidence.uncertain_silhouettes(evidence.obstacles, {"mast": 0.25})
    found = obstacles.obstacles["mast"]
    assert (found.grown_m, found.ground_from) == (0.25, "dem.tif")
    assert (found.height_m, found.along_m, found.across_m) == (
        mast.errors.height_m,
        mast.errors.along_m,
        mast.errors.across_m,
    )
    assert evidence.uncertain_silhouettes(None, {}) == ()


def test_without_readings_nothing_overrules_the_ground():
    asked = job()
    at = place(asked, HERE)
    found = overruled_ground(
        asked, at, None, np.array([10.0, 20.0]), np.array([5.0, 5.0]), np.array([90.0, 90.0])
    )
    assert found.tolist() == [False, False]

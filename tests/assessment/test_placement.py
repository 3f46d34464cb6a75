"""Where the dish stands: stated ground, rasters that lie too high as a whole, terraces below the house.

Brackendale Mill is invented and lies on the southern half of the Earth, far from the demo's island.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx

from brackendale import SITE, ground, job
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import instrument_step_m, place, surface_at
from skysill.errors import InputError
from skysill.model.readings import Readings
from skysill.model.site import Mount, Roof


def test_a_mount_beside_the_site_stands_on_the_stated_ground_and_not_on_a_raster_that_lies_too_high():
    at = place(job(ground(lambda x, y: 101.3 + 0.0 * x)), Mount(east_m=3.0, north_m=4.0, height_m=2.0))
    assert at.mount.surface_elevation_m == approx(100.0, abs=1e-4)  # float32 heights
    assert at.mount.surface_source == "given ground, step of fine.tif"
    assert not at.ground_shared


def test_the_rasters_rise_from_the_site_to_the_mount_counts():
    # a plane of one in five towards the east: 2.0 m up over 10 m, whatever the raster's own level
    at = place(job(ground(lambda x, y: 95.0 + 0.2 * x)), Mount(east_m=10.0, height_m=2.0))
    assert at.mount.surface_elevation_m == approx(
        102.0, abs=0.005
    )  # the lattice is turned by the meridian's angle
    assert any("the step of +2.0 m that fine.tif has" in note for note in at.notes)


def test_the_step_has_the_rasters_error_and_none_is_taken_where_there_is_no_step():
    coarse = ground(lambda x, y: 97.0 + 0.0 * x, cell_m=30.0, kind="bare", error_m=3.0, half_m=600.0)
    # errors alike over five cells, 150 m: two ends are unit normal, correlated by (1 - a) / hypot(1 - a, a)
    apart = np.sqrt(2.0 - 2.0 * 0.9 / np.hypot(0.9, 0.1))
    assert surface_at(job(coarse), SITE, 15.0, 0.0).step_error_m == approx(3.0 * apart)
    assert surface_at(job(coarse), SITE, 400.0, 0.0).step_error_m == approx(np.sqrt(2.0) * 3.0)
    assert surface_at(job(coarse), SITE, 0.0, 0.0).step_error_m == 0.0
    found = assess(job(coarse), Mount(east_m=400.0)).evidence
    assert found.errors.height_m == approx(np.hypot(0.1, np.sqrt(2.0) * 3.0))


def test_the_verdict_of_a_lawn_is_the_same_with_and_without_a_raster_that_lies_too_high():
    # a hedge 12 m to the north: from the lawn 5 m aside the room is short, from 1.3 m higher it would be there
    azimuth = np.arange(-60.0, 61.0, 2.0) % 360.0
    order = np.argsort(azimuth)
    readings = Readings(
        azimuth[order],
        np.full(azimuth.shape, 41.0),
        np.full(azimuth.shape, 12.0),
        ("",) * azimuth.size,
        "hedge.csv",
    )
    mount = Mount(east_m=-3.0, north_m=-1.0, height_m=2.0)
    alone = assess(job(readings=readings), mount).results[0]
    beside = assess(job(ground(lambda x, y: 101.3 + 0.0 * x), readings=readings), mount).results[0]
    assert beside.verdict == alone.verdict == "marginal"
    assert beside.clearance.margin_deg == approx(alone.clearance.margin_deg, abs=0.01)
    higher = Mount(east_m=-3.0, north_m=-1.0, height_m=3.3)
    assert assess(job(readings=readings), higher).results[0].verdict != "marginal"


@pytest.mark.parametrize(("raster_m", "warned"), [(108.0, True), (94.1, False), (93.9, True), (105.9, False)])
def test_ground_off_by_more_than_twice_the_rasters_error_is_a_warning_that_names_both(raster_m, warned):
    coarse = ground(lambda x, y: raster_m + 0.0 * x, cell_m=30.0, kind="bare", error_m=3.0, half_m=600.0)
    said = [note for note in assess(job(coarse), Mount()).warnings if "twice its stated error" in note]
    assert bool(said) is warned
    if warned:
        assert "given as 100.0 m" in said[0]
        assert f"fine.tif says {raster_m:.1f} m" in said[0]
        assert "ground_elevation_m" in said[0]


HOUSE = {"house": lambda x, y: np.where((x > -8.0) & (x < 1.0) & (y > -1.0) & (y < 9.0), 105.5, 100.4)}


@pytest.mark.parametrize("with_bare", [False, True])
def test_a_site_position_at_the_corner_of_a_house_takes_the_ground_and_not_the_roof(with_bare):
    """Raster ground 100.4 where 100.0 was given: a roof 5.1 m over it is at 105.1, a lawn at 100.0."""
    rasters = [ground(HOUSE["house"])]
    if with_bare:
        rasters.append(ground(lambda x, y: 100.4 + 0.0 * x, kind="bare", name="bare.tif"))
    asked = job(*rasters)
    assert surface_at(asked, SITE, 15.0, 0.0).elevation_m == approx(100.0, abs=1e-3)
    assert surface_at(asked, SITE, -4.0, 4.0).elevation_m == approx(105.1, abs=1e-3)


def test_a_mount_on_a_terrace_below_the_house_is_valid_without_terrain():
    at = place(job(), Mount(north_m=-12.0, surface_elevation_m=88.0, height_m=2.0))
    assert at.antenna_elevation_m == 90.0
    assert (
        place(job(), Mount(north_m=-12.0, surface_height_m=-12.0, height_m=2.0)).antenna_elevation_m == 90.0
    )


def test_a_mount_far_below_what_a_bare_raster_has_there_is_refused():
    bare = ground(lambda x, y: 100.0 + 0.0 * x, kind="bare", name="bare.tif")
    with pytest.raises(InputError, match=r"10\.0 m below the ground there \(100\.0 m, bare\.tif\)"):
        place(job(bare), Mount(north_m=-12.0, surface_elevation_m=88.0, height_m=2.0))


def test_surface_height_counts_from_the_stated_ground():
    low = ground(lambda x, y: 92.0 + 0.0 * x)
    at = place(job(low), Mount(east_m=4.0, surface_height_m=2.5, height_m=1.0))
    assert at.antenna_elevation_m == approx(103.5)


def test_an_instrument_elsewhere_stands_on_the_same_ground_as_the_mount_there():
    from skysill.model.survey import Survey

    tilted = ground(lambda x, y: 95.0 + 0.2 * x)
    readings = Readings(np.arange(0.0, 360.0, 5.0), np.full(72, 5.0), np.full(72, 50.0), ("",) * 72, "h")
    asked = job(tilted, readings=readings, survey=Survey(east_m=10.0, instrument_height_m=1.6))
    step_m = place(asked, Mount(east_m=10.0, height_m=2.0)).from_instrument_m
    assert step_m == approx(np.array([0.0, 0.0, 0.4]), abs=1e-6)


# which ground of the rasters the site's stated ground is held against


def test_a_coarse_bare_raster_is_taken_as_it_is_at_the_site():
    """A knoll of 3 m at the site that the raster has and the stated ground has not: nothing stands on bare ground."""
    knoll = ground(
        lambda x, y: 100.0 + 3.0 * (np.hypot(x, y) < 2.5), kind="bare", name="bare.tif", error_m=3.0
    )
    assert surface_at(job(knoll), SITE, 30.0, 0.0).elevation_m == approx(97.0, abs=1e-3)


@pytest.mark.parametrize(("error_m", "expected_m"), [(0.3, 100.0), (3.0, 94.9)])
def test_a_fine_bare_raster_tells_what_a_wide_house_stands_on_and_a_coarse_one_does_not(error_m, expected_m):
    """A house reaches 20 m around the site, so that nothing around it tells."""
    house = ground(lambda x, y: np.where(np.maximum(abs(x), abs(y)) < 20.0, 105.5, 100.4))
    bare = ground(lambda x, y: 100.4 + 0.0 * x, kind="bare", name="bare.tif", error_m=error_m)
    assert surface_at(job(house, bare), SITE, 40.0, 0.0).elevation_m == approx(expected_m, abs=1e-3)


def test_ground_five_metres_around_a_tree_at_the_site_is_found_though_things_stand_ten_metres_around():
    near = ground(lambda x, y: np.where(abs(np.hypot(x, y) - 5.0) < 1.9, 100.4, 105.5))
    assert surface_at(job(near), SITE, 5.0, 0.0).elevation_m == approx(100.0, abs=1e-3)


def test_at_the_sites_own_position_the_stated_ground_stands_whatever_a_raster_has_there():
    """A surface raster with a roof over the origin says nothing of the ground there; a metre away its rise counts."""
    roof = ground(lambda x, y: np.where((np.abs(x) < 0.9) & (np.abs(y) < 0.9), 104.0, 100.0 + 0.1 * x))
    here = surface_at(job(roof), SITE, 0.0, 0.0)
    assert (here.elevation_m, here.source, here.raster) == (100.0, "given", None)
    slope = ground(lambda x, y: 95.0 + 0.2 * x)
    assert surface_at(job(slope), SITE, 1.0, 1.0).elevation_m == approx(100.2, abs=0.01)


def test_a_given_elevation_shares_no_error_with_a_raster():
    at = place(job(ground(lambda x, y: 100.0)), Mount(surface_elevation_m=103.0, height_m=2.0))
    assert (at.ground_shared, at.antenna_elevation_m, at.mount.surface_source) == (False, 105.0, "given")


@pytest.mark.parametrize(("east_m", "north_m"), [(400.0, 0.0), (0.0, -400.0)])
def test_a_mount_straight_east_or_south_of_the_site_is_looked_from_there(east_m, north_m):
    """111.32 km a degree of the equator, 111.06 of a meridian at 41 S (WGS 84): four hundred metres."""
    at = place(job(), Mount(east_m=east_m, north_m=north_m, height_m=2.0))
    off_deg = at.latitude_deg - SITE.latitude_deg, at.longitude_deg - SITE.longitude_deg
    level_m = 111_320.0 * np.cos(np.deg2rad(SITE.latitude_deg))
    assert off_deg == approx((north_m / 111_060.0, east_m / level_m), abs=2e-5)


def test_a_dish_deeper_under_bare_ground_than_twice_its_error_is_refused():
    bare = ground(lambda x, y: 100.0 + 0.0 * x, kind="bare", error_m=2.0)
    low = Mount(surface_elevation_m=93.5, height_m=1.0)
    with pytest.raises(InputError, match=r"5\.5 m below the ground there \(100\.0 m, fine\.tif\)"):
        place(job(bare), low)
    assert place(job(bare), Mount(surface_elevation_m=95.5, height_m=1.0)).antenna_elevation_m == 96.5


FLAT = Roof(
    outline=((-4, -4), (4, -4), (4, 4), (-4, 4)),
    surface=((-4, -4, 104), (4, -4, 104), (4, 4, 104), (-4, 4, 104)),
    height_error_m=0.4,
)


@pytest.mark.parametrize(("surface_m", "error_m"), [(104.0, 0.4), (109.0, 0.0)])
def test_a_mount_that_rests_on_the_roof_shares_its_error(surface_m, error_m):
    at = place(replace(job(), roof=FLAT), Mount(surface_elevation_m=surface_m, height_m=2.0))
    assert at.step_error_m == error_m


def test_where_nobody_gave_the_ground_a_raster_has_it_for_every_mount():
    unknown = replace(SITE, ground_elevation_m=None, ground_source="unknown")
    slope = job(ground(lambda x, y: 95.0 + 0.2 * x), site=unknown)
    here = place(slope, Mount(height_m=2.0))
    assert (here.site.ground_elevation_m, here.ground_shared) == (approx(95.0, abs=0.01), True)
    beside = place(slope, Mount(east_m=10.0, height_m=2.0))
    assert beside.mount.surface_elevation_m == approx(97.0, abs=0.01)
    assert beside.mount.surface_source == "fine.tif"
    far = place(slope, Mount(east_m=5000.0, height_m=2.0))
    assert far.mount.surface_elevation_m == approx(95.0, abs=0.01)  # past the raster: the site's own


def test_a_surface_elevation_without_ground_leaves_the_readings_in_the_air():
    unknown = replace(SITE, ground_elevation_m=None, ground_source="unknown")
    asked = job(site=unknown)
    at = place(asked, Mount(surface_elevation_m=103.0, height_m=2.0))
    with pytest.raises(InputError, match="not the ground that the readings were taken on"):
        instrument_step_m(asked, at, 0.0, 0.0, 1.5)
    bare = place(asked, Mount(height_m=2.0))
    assert instrument_step_m(asked, bare, 1.0, 0.0, 1.5) == approx([-1.0, 0.0, 0.5])

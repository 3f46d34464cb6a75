"""Default errors: figures against what is published, each with a source, and the names a site file may use."""

import math

import pytest

from skysill.horizon.lattice import HeldGrid
from skysill.io.site_file import read_site_file
from skysill.model.default_errors import (
    BEARING,
    DISTANCE,
    GROWTH_M_PER_YEAR,
    INCLINATION,
    OBSTACLE,
    POSITION,
    facts_of,
    raster_defaults,
    sighted_error,
)

PLACE = 'position = "58.0312 N 24.6541 W"\n'


def test_every_default_names_its_source_or_says_that_there_is_none():
    for table in (BEARING, INCLINATION, DISTANCE, POSITION, OBSTACLE, GROWTH_M_PER_YEAR):
        for name, entry in table.items():
            assert len(entry.source) > 20, name
    for name, kind, cell_m in (
        ("a.hgt", "surface", 31.0),
        ("b.tif", "bare", 30.0),
        ("c.tif", "surface", 1.0),
    ):
        assert raster_defaults(name, kind, cell_m).source


def test_published_bounds_are_turned_into_standard_deviations():
    # normal distribution: 1.645 sigma holds 90 % of one axis; sqrt(-2 ln 0.1) = 2.146 sigma holds 90 % of a radius
    copernicus = raster_defaults("dem.tif", "surface", 30.0)
    assert copernicus.vertical_m == pytest.approx(4.0 / 1.645, abs=0.05)  # rounded to 0.1 m
    assert copernicus.horizontal_m == pytest.approx(6.0 / math.sqrt(-2.0 * math.log(0.1)), abs=0.05)
    # GPS.gov: 4.9 m under open sky, taken as the median radius: sqrt(2 ln 2) sigma
    assert POSITION["phone"].sigma_m == pytest.approx(4.9 / math.sqrt(2.0 * math.log(2.0)), abs=0.05)


def test_a_phone_compass_errs_far_more_than_a_sighting_compass():
    # study of 11 phones and 12 observers (Lviv Polytechnic): mean deviations up to 6.9 degrees
    assert BEARING["phone compass"].sigma_deg >= 6.9
    assert BEARING["phone compass"].sigma_deg > 5.0 * BEARING["sighting compass"].sigma_deg


def test_a_named_instrument_sets_the_error_and_a_stated_error_goes_before_it(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(
        PLACE + '[survey]\nbearing_instrument = "phone compass"\ninclination_instrument = "phone"\n'
        'distance_method = "paces"\nposition_method = "phone"\n'
    )
    survey = read_site_file(path).sources.survey
    assert survey.bearing_error_deg == BEARING["phone compass"].sigma_deg
    assert survey.inclination_error_deg == INCLINATION["phone"].sigma_deg
    assert (survey.distance_error_m, survey.distance_error_fraction) == (0.5, 0.1)
    assert survey.position_error_m == POSITION["phone"].sigma_m
    path.write_text(PLACE + '[survey]\nbearing_instrument = "phone compass"\nbearing_error_deg = 3.0\n')
    assert read_site_file(path).sources.survey.bearing_error_deg == 3.0


def test_an_instrument_nobody_knows_is_refused_with_those_that_are(tmp_path):
    from skysill.errors import InputError

    path = tmp_path / "site.toml"
    path.write_text(PLACE + '[survey]\nbearing_instrument = "sextant"\n')
    with pytest.raises(
        InputError, match=r'bearing_instrument: "sextant" is not known. Write one of "sighting'
    ):
        read_site_file(path)


def test_an_obstacle_sighted_from_afar_errs_across_by_the_compass():
    # 40 m x tan 7 degrees; 40 m at 5 % and 0.3 m; 40 m x 0.5 degree in radians x (1 + tan^2 30)
    found = sighted_error(
        40.0,
        bearing_error_deg=7.0,
        distance_error_m=0.3,
        distance_error_fraction=0.05,
        inclination_deg=30.0,
        inclination_error_deg=0.5,
    )
    assert found.across_m == pytest.approx(4.911, abs=0.001)
    assert found.along_m == pytest.approx(2.022, abs=0.001)
    assert found.height_m == pytest.approx(math.hypot(0.4654, 2.022 * 0.57735), abs=0.001)


def test_obstacle_errors_follow_their_origin_and_what_is_stated(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(
        PLACE + 'ground_elevation_m = 40.0\n[survey]\nbearing_instrument = "phone compass"\n'
        "[[obstacle]]\nkind = 'tree'\nname = 'a'\nbearing_deg = 90.0\ndistance_m = 30.0\nheight_m = 9.0\n"
        "[[obstacle]]\nkind = 'tree'\nname = 'b'\neast_m = 30.0\nheight_m = 9.0\nheight_error_m = 1.5\n"
    )
    one, two = read_site_file(path).sources.scene.obstacles
    assert one.errors.across_m == pytest.approx(30.0 * math.tan(math.radians(7.0)))
    assert (two.errors.height_m, two.errors.across_m) == (1.5, OBSTACLE["plan"].across_m)


def test_raster_facts_are_said_or_of_the_model(tmp_path):
    held = HeldGrid(None, kind="surface", cell_size_m=30.0)
    assert facts_of(held).horizontal_error_m == raster_defaults("", "surface", 30.0).horizontal_m

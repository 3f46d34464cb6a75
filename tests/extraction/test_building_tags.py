"""Tags of buildings, written as the open map tagging writes them (wiki, Key:height, Key:roof:shape; from memory)."""

import pytest
from pytest import approx

from skysill.extraction.building_tags import read_building_tags


@pytest.mark.parametrize(
    ("written", "height_m"),
    [
        ("9", 9.0),
        ("9.5 m", 9.5),
        ("7,5", 7.5),
        (8, 8.0),
        ("30'", 9.144),
        ("12 ft", 3.6576),
        ("7'4\"", 2.2352),
    ],
)
def test_heights_are_read_in_every_way_they_are_written(written, height_m):
    """1 ft = 0.3048 m, 1 in = 0.0254 m, exactly (international yard and pound agreement, 1959)."""
    assert read_building_tags({"height": written}, "a").height_m == approx(height_m, abs=1e-9)


def test_levels_stand_in_for_a_height_and_say_so():
    tags = read_building_tags({"building:levels": "3", "roof:levels": "1"}, "school")
    assert (tags.height_m, tags.from_levels) == (12.0, True)
    assert tags.notes == ('"school" has no height; 3 levels of 3 m and a roof of 3 m were assumed, 12 m.',)
    assert read_building_tags({"building_levels": 2, "roof_height": 2.5}, "a").height_m == 8.5
    assert not read_building_tags({"height": "7", "building:levels": "3"}, "a").from_levels


@pytest.mark.parametrize("written", ["tall", "-3", "0", "4000", "nan", "1e400"])
def test_a_height_that_is_none_is_passed_over_and_said(written):
    tags = read_building_tags({"height": written}, "shed")
    assert tags.height_m is None
    assert "is no height that can be read" in tags.notes[0]


def test_nothing_said_is_nothing_known():
    for tags in ({}, {"height": ""}, {"height": float("nan")}, {"building": "yes"}):
        found = read_building_tags(tags, "a")
        assert (found.height_m, found.roof_form, found.notes) == (None, None, ())


@pytest.mark.parametrize(
    ("written", "deg"), [("N", 0.0), ("SSW", 202.5), ("ene", 67.5), ("135", 135.0), (-90, 270.0)]
)
def test_directions_are_degrees_or_compass_points(written, deg):
    assert read_building_tags({"roof:direction": written}, "a").roof_direction_deg == deg


def test_forms_are_the_words_of_the_tagging():
    assert read_building_tags({"roof:shape": "Hipped"}, "a").roof_form == "hipped"
    assert read_building_tags({"roof:shape": "saddle"}, "a").roof_form == "gabled"
    onion = read_building_tags({"roof:shape": "onion"}, "chapel")
    assert onion.roof_form is None
    assert 'tagged "onion", which is not drawn' in onion.notes[0]


def test_a_roof_higher_than_its_house_is_passed_over():
    tags = read_building_tags({"height": "5", "roof:height": "6"}, "a")
    assert tags.roof_height_m is None
    assert "no less than its height" in tags.notes[0]

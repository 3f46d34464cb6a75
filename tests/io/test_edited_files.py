"""What a person edited stays; what nobody touched follows the data; every difference is told."""

import tomllib

import pytest

from skysill.io.edited_files import merge_features, merge_toml
from skysill.io.site_reference import toml_text


def tree(name, height_m, place=(0.0, 0.0), **more):
    return {
        "type": "Feature",
        "id": name,
        "properties": {"name": name, "kind": "tree", "height_m": height_m, **more},
        "geometry": {"type": "Point", "coordinates": list(place)},
    }


def same(a, b):
    return a["geometry"]["coordinates"][0] == b["geometry"]["coordinates"][0]


def test_what_nobody_touched_follows_the_data():
    last, new = [tree("tree 1", 8.0)], [tree("tree 1", 9.0)]
    written, remembered, told = merge_features(last, last, new, same=same)
    assert written == new
    assert remembered == new
    assert told == ["tree 1: height_m is 9.0 now, 8.0 before."]


def test_an_edited_value_stays_and_the_other_values_of_the_feature_follow_the_data():
    last = [tree("tree 1", 8.0, crown_radius_m=2.0)]
    now = [tree("tree 1", 8.5, crown_radius_m=2.0, deciduous=True)]
    new = [tree("tree 1", 9.0, crown_radius_m=2.5)]
    (written,), _, told = merge_features(last, now, new, same=same)
    assert written["properties"] == {
        "name": "tree 1",
        "kind": "tree",
        "height_m": 8.5,
        "crown_radius_m": 2.5,
        "deciduous": True,
    }
    assert told == [
        "tree 1: height_m is 9.0 in the data; your 8.5 stays.",
        "tree 1: crown_radius_m is 2.5 now, 2.0 before.",
    ]


def test_a_moved_feature_stays_where_it_was_put():
    last = [tree("tree 1", 8.0)]
    now = [tree("tree 1", 8.0, place=(0.0, 5.0))]
    new = [tree("tree 1", 8.0, place=(0.0, 1.0))]
    (written,), _, told = merge_features(last, now, new, same=same)
    assert written["geometry"]["coordinates"] == [0.0, 5.0]
    assert told == ["tree 1: stands elsewhere in the data; your place stays."]


def test_removed_by_hand_stays_removed_and_gone_from_the_data_goes():
    last = [tree("tree 1", 8.0), tree("tree 2", 7.0, place=(9.0, 0.0))]
    written, remembered, told = merge_features(last, last[1:], [tree("tree 1", 8.0)], same=same)
    assert written == []
    assert [feature["id"] for feature in remembered] == ["tree 1"]
    assert told == [
        "tree 1: found again; it stays removed, as you removed it.",
        "tree 2: no longer found, left out.",
    ]


def test_a_feature_that_was_edited_stays_though_the_data_lost_it():
    last, now = [tree("tree 1", 8.0)], [tree("tree 1", 6.0)]
    written, _, told = merge_features(last, now, [], same=same)
    assert written == now
    assert told == ["tree 1: no longer found; it stays, as you edited it."]


def test_a_persons_own_features_stay_and_new_ones_take_free_numbers():
    mine = {**tree("mine", 3.0, place=(50.0, 0.0)), "id": None}
    last = [tree("tree 1", 8.0)]
    new = [tree("tree 1", 5.0, place=(20.0, 0.0)), tree("tree 2", 8.0)]
    written, _, told = merge_features(last, [*last, mine], new, same=same)
    assert [(feature["id"], feature["properties"]["height_m"]) for feature in written] == [
        ("tree 2", 5.0),
        ("tree 1", 8.0),
        (None, 3.0),
    ]
    assert told == ["tree 2: new."]


LAST = """# a house
name = "house"

[roof]
outline = [[0.0, 0.0], [8.0, 0.0],
           [8.0, 6.0]]   # three corners
edge_setback_m = 1.0

[terrain]
rasters = ["a.tif"]
"""


def test_an_unedited_file_is_written_anew_and_says_nothing():
    assert merge_toml(LAST, LAST, LAST.replace("8.0", "9.0")) == (LAST.replace("8.0", "9.0"), [])


def test_an_edited_file_keeps_its_edits_comments_and_own_keys_and_follows_the_data_elsewhere():
    now = LAST.replace(
        "edge_setback_m = 1.0", "edge_setback_m = 0.5   # tiles\ncable_entry = [1.0, 2.0, 3.0]"
    )
    new = LAST.replace("8.0", "9.0").replace("edge_setback_m = 1.0", "edge_setback_m = 2.0")
    text, told = merge_toml(LAST, now, new)
    read = tomllib.loads(text)
    assert read["roof"]["outline"] == [[0.0, 0.0], [9.0, 0.0], [9.0, 6.0]]
    assert read["roof"]["edge_setback_m"] == 0.5
    assert read["roof"]["cable_entry"] == [1.0, 2.0, 3.0]
    assert "# tiles" in text
    assert "# a house" in text
    assert told == [
        "roof.outline: is [[0.0, 0.0], [9.0, 0.0], [9.0, 6.0]] now, [[0.0, 0.0], [8.0, 0.0], [8.0, 6.0]] before.",
        "roof.edge_setback_m: is 2.0 in the data; your 0.5 stays.",
    ]


def test_a_value_taken_out_by_hand_stays_out():
    now = LAST.replace('[terrain]\nrasters = ["a.tif"]\n', "")
    text, told = merge_toml(LAST, now, LAST.replace("a.tif", "b.tif"))
    assert text == now
    assert told == ['terrain.rasters: is ["b.tif"] in the data; your left out stays.']


def test_a_key_that_is_new_in_the_data_is_told_where_the_file_was_edited():
    now = LAST.replace("edge_setback_m = 1.0", "edge_setback_m = 0.5")
    text, told = merge_toml(LAST, now, LAST + "highest_ground_m = 420\n")
    assert text == now
    assert told == ["terrain.highest_ground_m: is 420 in the data now; write it in by hand."]


@pytest.mark.parametrize("value", ['a "b" \\ c', 1.0, 0.1, 1e-7, 12345678.25, True, -3, [[1.5, 2.0], ["x"]]])
def test_values_come_back_from_toml(value):
    read = tomllib.loads(f"key = {toml_text(value)}")["key"]
    assert read == value
    assert type(read) is type(value)

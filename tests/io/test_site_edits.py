"""Edits of a site file: what is not edited stays byte for byte; what the reader refuses is not written."""

import tomllib
from pathlib import Path

import pytest

from skysill.errors import InputError
from skysill.io.site_edits import changed_paths, field_path, with_edits

CLINIC = (Path(__file__).parents[2] / "demo_terrain" / "clinic.toml").read_text()


def put(path, value):
    return {"path": path, "value": value}


def edited(*edits, text=CLINIC):
    return with_edits(text, edits, "clinic.toml")


def test_a_value_is_replaced_and_its_comment_stays():
    text = edited(put(["mounts", 0, "name"], "pole"))
    assert text == CLINIC.replace('name = "gable pole"', 'name = "pole"')


def test_dates_and_times_are_written_as_such():
    text = edited(
        put(["survey", "date"], "2026-07-01"),
        put(["sun_sightings", 0], {"time": "2026-06-14T10:20:00Z", "shadow_bearing_deg": 20.0}),
    )
    assert "date = 2026-07-01" in text
    assert "time = 2026-06-14T10:20:00Z" in text


def test_tables_that_are_missing_are_made_and_lists_grow():
    text = edited(
        put(["obstacle", 0], {"kind": "tree", "bearing_deg": 171.0, "distance_m": 22.0, "height_m": 9.0}),
        put(["property_boundary", "outline"], [[0, 0], [1, 0], [1, 1]]),
        put(["roof", "keep_out", 0], [[0, 0], [1, 0], [1, 1]]),
        put(["roof", "outline", 4], [-6.0, 8.0]),
        put(["mounts", 3], {"name": "new", "height_m": 2.0}),
    )
    values, before = tomllib.loads(text), tomllib.loads(CLINIC)
    assert values["obstacle"] == [{"kind": "tree", "bearing_deg": 171.0, "distance_m": 22.0, "height_m": 9.0}]
    assert values["roof"]["keep_out"] == [[[0, 0], [1, 0], [1, 1]]]
    assert values["roof"]["outline"] == [*before["roof"]["outline"], [-6.0, 8.0]]
    assert values["mounts"] == [*before["mounts"], {"name": "new", "height_m": 2.0}]
    for comment in [line.partition("#")[2] for line in CLINIC.splitlines() if "#" in line]:
        assert comment in text


def test_a_plain_value_of_the_whole_file_goes_before_its_tables():
    text = edited(put(["name"], "Croft"), text='position = "58 N 24 W"\n[terminal]\ndish_diameter_m = 1.2\n')
    assert tomllib.loads(text) == {
        "position": "58 N 24 W",
        "name": "Croft",
        "terminal": {"dish_diameter_m": 1.2},
    }


def test_tables_written_on_one_line_stay_so():
    text = 'position = "58 N 24 W"\nmounts = [{name = "a", height_m = 1.0}]\n'
    text = edited(
        put(["mounts", 0, "height_m"], 2.5), put(["mounts", 1], {"name": "b", "height_m": 2.0}), text=text
    )
    assert tomllib.loads(text)["mounts"] == [{"name": "a", "height_m": 2.5}, {"name": "b", "height_m": 2.0}]


def test_items_and_values_are_removed_and_an_empty_list_goes_with_its_last_item():
    text = edited(
        {"path": ["mounts", 1], "remove": True}, {"path": ["criteria", "min_p_clear"], "remove": True}
    )
    assert [one["name"] for one in tomllib.loads(text)["mounts"]] == ["gable pole", "east wall bracket"]
    assert "min_p_clear" not in tomllib.loads(text)["criteria"]
    for _ in range(2):
        text = edited({"path": ["mounts", 0], "remove": True}, text=text)
    assert "mounts" not in tomllib.loads(text)


@pytest.mark.parametrize(("path", "value", "where"), [
    (["mounts", 0, "height_m"], "high", ["mounts", 0, "height_m"]),
    (["roof", "outline", 0], [1], ["roof", "outline", 0]),
    (["survey", "max_gap_deg"], -1.0, ["survey", "max_gap_deg"]),
    (["survey", "date"], "yesterday", ["survey", "date"]),
    (["satellites", 1, "colour"], "red", ["satellites", 1]),
    (["landmarks", 0, "position"], 7, ["landmarks", 0, "position"]),
])  # fmt: skip
def test_a_refused_value_names_its_path(path, value, where):
    with pytest.raises(InputError) as refused:
        edited(put(path, value))
    assert field_path(refused.value.where) == where


@pytest.mark.parametrize(
    "path", [[], [0], ["mounts", 9, "height_m"], ["name", 0], ["mounts", "x"], ["mounts", -1], [True], None]
)
def test_a_path_that_leads_nowhere_is_refused(path):
    with pytest.raises(InputError):
        edited(put(path, 1.0))


def test_fields_that_both_changed_are_found_and_moved_lists_count_as_changed():
    base, theirs = tomllib.loads(CLINIC), tomllib.loads(edited(put(["mounts", 0, "height_m"], 2.0)))
    mine = [put(["mounts", 0, "height_m"], 3.0), put(["name"], "Mine"), put(["mounts", 1, "height_m"], 1.5)]
    assert changed_paths(mine, base, theirs, "") == [["mounts", 0, "height_m"]]
    fewer = tomllib.loads(edited({"path": ["mounts", 0], "remove": True}))
    assert changed_paths(mine, base, fewer, "") == [["mounts", 0, "height_m"], ["mounts", 1, "height_m"]]
    same = {"mounts": [{"name": "a", "height_m": 1.0}, {"name": "b", "height_m": 1.0}]}
    moved = {"mounts": [{"name": "b", "height_m": 1.0}]}  # the same number now, of another mount
    assert changed_paths([put(["mounts", 0, "height_m"], 3.0)], same, moved, "") == [
        ["mounts", 0, "height_m"]
    ]
    assert changed_paths(mine, None, theirs, "") == [one["path"] for one in mine]

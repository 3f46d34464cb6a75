"""As-built values typed into fields: faults at their field, comments kept, read back by the reader of the commands."""

from pathlib import Path

from skysill.io.as_built import read_as_built
from skysill.io.as_built_edits import as_built_text, as_built_values, typed_as_built

DEMO = Path("demo_terrain/clinic_as_built.toml")


def test_values_of_the_demo_come_back_unchanged_with_their_comments():
    text = DEMO.read_text(encoding="utf-8")
    shown = as_built_values(text, DEMO.name)
    values, faults = typed_as_built(shown)
    assert not faults
    assert as_built_text(text, values, DEMO.name) == text


def test_one_value_changes_one_line(tmp_path):
    text = DEMO.read_text(encoding="utf-8")
    values, _ = typed_as_built({**as_built_values(text, "a"), "height_m": "4,25"})
    made = as_built_text(text, values, "a.toml")
    assert made == text.replace("height_m = 4.1 ", "height_m = 4.25 ")
    path = tmp_path / "a.toml"
    path.write_text(made, encoding="utf-8")
    assert read_as_built(path).height_m == 4.25


def test_every_fault_is_told_at_its_field():
    _, faults = typed_as_built(
        {"height_m": "tall", "elevation_deg": "95", "date": "July", "bearings": "true"},
        [("corner", "x")],
    )
    assert faults == {
        "height_m": '"tall" is not a number. Write 12.5 or 12,5.',
        "elevation_deg": "95 is out of range, from -10 to 90.",
        "date": "Is not a date. Write 2026-06-14.",
        "tape_m": '"x" is not a number. Write 12.5 or 12,5.',
    }


def test_fields_that_contradict_each_other_are_told():
    assert typed_as_built({"east_m": "1"})[1] == {"east_m": "East_m and north_m come together."}


def test_photographs_that_a_file_names_stay_and_tapes_are_written(tmp_path):
    values, faults = typed_as_built({"by": "A"}, [("south-west corner", "3,71"), ("", "")])
    made = as_built_text('photo = "dish.jpg"\nby = "B"\nsignal = 1.0\n', values, "a.toml")
    path = tmp_path / "a.toml"
    path.write_text(made, encoding="utf-8")
    read = read_as_built(path)
    assert (faults, read.by, read.tape_m, read.signal) == ({}, "A", (("south-west corner", 3.71),), None)
    assert read.photos == (str(tmp_path / "dish.jpg"),)


def test_values_that_stay_stand_as_they_were_written():
    text = "height_m = 4.10   # short\nsignal = 1_3.0\ntape_m = { corner = 3.70 }\n"
    values, _ = typed_as_built({"height_m": "4.1", "signal": "14"}, [("corner", "3.7")])
    assert as_built_text(text, values, "a.toml") == text.replace("1_3.0", "14.0")

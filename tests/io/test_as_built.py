"""The as-built file: read whole, refused in a line."""

from __future__ import annotations

import datetime as dt

import pytest

from skysill.errors import InputError
from skysill.io.as_built import read_as_built

WHOLE = """
date = 2026-07-02
by = "installer 1"
satellite = "Demo South"
position = "58.0312 N 24.6541 W"
height_m = 4.6
azimuth_deg = 179.5
bearings = "true"
elevation_deg = 24
signal = 13.2
signal_unit = "dB"
photo = "dish.jpg"
photos = ["cable.jpg"]
note = "north side"
signal_before_tightening = 13.6
signal_after_tightening = 13.4
signal_after_release = 13.4
bonding = "by the electrician, 16 mm2"
cable_entry_seal = "silicone, drip loop"
cable_run_m = 18.2
tape_m = { "south-west corner of the roof" = 3.71 }
"""


def written(tmp_path, text):
    (tmp_path / "done.toml").write_text(text, encoding="utf-8")
    return tmp_path / "done.toml"


def test_everything_that_can_be_said(tmp_path):
    done = read_as_built(written(tmp_path, WHOLE))
    assert (done.date, done.by, done.satellite) == (dt.date(2026, 7, 2), "installer 1", "Demo South")
    assert (done.latitude_deg, done.longitude_deg) == pytest.approx((58.0312, -24.6541))
    assert (done.height_m, done.azimuth_deg, done.elevation_deg) == (4.6, 179.5, 24.0)
    assert (done.signal, done.signal_unit, done.note) == (13.2, "dB", "north side")
    assert (done.signal_before_tightening, done.signal_after_release) == (13.6, 13.4)
    assert (done.bonding, done.cable_run_m) == ("by the electrician, 16 mm2", 18.2)
    assert done.tape_m == (("south-west corner of the roof", 3.71),)
    assert done.photos == (str(tmp_path / "cable.jpg"), str(tmp_path / "dish.jpg"))


def test_an_empty_file_says_nothing(tmp_path):
    assert read_as_built(written(tmp_path, "")).height_m is None


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("heigth_m = 4", 'done.toml: "heigth_m" is not known. Did you mean height_m?'),
        ("height_m = nan", 'height_m: "nan" is not a number'),
        ("height_m = true", 'height_m: "True" is not a number'),
        ('height_m = "4"', 'height_m: "4" is not a number'),
        ("azimuth_deg = 400", "azimuth_deg: 400 is out of range, from 0 to 360"),
        ('date = "today"', "date: is not a date; write 2026-06-14"),
        ("by = 3", "by: is not text in quotes"),
        ("photos = 'a'", "photos: is not a list of file names"),
        (
            'bearings = "grid"',
            'bearings: "grid" is no frame for a bearing. Write "true", "magnetic", or "survey"',
        ),
        ("tape_m = 4", "tape_m: is not a table"),
        ('tape_m = { "south corner" = "4" }', 'tape_m, "south corner": "4" is no distance in metres'),
        ('tape_m = { "south corner" = -1 }', "is no distance in metres, above 0"),
        ("cable_run_m = -2", "cable_run_m: -2 is out of range"),
        ("east_m = 1", "east_m: east_m and north_m come together"),
        ('position = "58 N 24 W"\neast_m = 1\nnorth_m = 1', "both given"),
        ('position = "somewhere"', "done.toml, position"),
        ("date 2026", "is not TOML"),
    ],
)
def test_faults_in_one_line(tmp_path, text, sentence):
    with pytest.raises(InputError) as fault:
        read_as_built(written(tmp_path, text))
    assert sentence in str(fault.value)
    assert "\n" not in str(fault.value)


@pytest.mark.parametrize("value", ["9" * 5000, "9" * 400, "1e999", "[" * 5000])
def test_numbers_and_nesting_beyond_measure_are_refused(tmp_path, value):
    (tmp_path / "b.toml").write_text(f"height_m = {value}")
    with pytest.raises(InputError, match=r"b\.toml"):
        read_as_built(tmp_path / "b.toml")

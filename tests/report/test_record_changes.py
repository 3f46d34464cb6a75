"""What changed between two records, from their own values."""

import datetime as dt
import json
from dataclasses import replace

import pytest

import skysill
from skysill.errors import InputError
from skysill.io.json_text import to_json_text
from skysill.io.last_record import read_last_record
from skysill.report.html import record_html
from skysill.report.record import survey_record
from skysill.report.record_changes import record_changes


def record_of(job, *, made="2026-06-15", **more):
    mount = job.mounts[0]
    assessment = skysill.check(job, mount, paths=True)
    return survey_record(job, mount, assessment, made=dt.date.fromisoformat(made), **more)


@pytest.fixture(scope="module")
def farm():
    return skysill.read_site_file("demo_terrain/farm.toml")


@pytest.fixture(scope="module")
def first(farm):
    return json.loads(to_json_text(record_of(farm, by="surveyor 1")))


def test_a_record_made_again_says_that_nothing_changed(farm, first):
    again = record_of(farm, made="2026-06-20", last=first)
    assert again.changes.changes == ()
    assert (again.changes.since, again.changes.by) == ("2026-06-15", "surveyor 1")
    html = record_html(again)
    assert "What changed since the record of 2026-06-15, by surveyor 1" in html
    assert "Nothing: verdicts, readings, files, photographs are the same." in html


def test_a_higher_dish_and_what_it_changes_are_told(farm, first):
    mount = replace(farm.mounts[0], height_m=farm.mounts[0].height_m + 1.0)
    higher = record_of(replace(farm, mounts=(mount,)), last=first)
    told = higher.changes.changes
    was, now = farm.mounts[0].height_m, mount.height_m
    assert f"Height of the dish centre: {now:.2f} m now, {was:.2f} m before." in told
    results = first["assessment"]["results"]
    for before, after in zip(results, higher.assessment.results, strict=True):
        moved = abs(before["clearance"]["clearance_m"] - after.clearance.clearance_m) >= 0.01
        assert moved == any(
            text.startswith(f"{after.satellite.name}: ") and " of room now" in text for text in told
        )


READING = {"bearing_deg": 10.0, "elevation_deg": 3.0, "distance_m": None, "at_least": False,
           "kind": "tree", "leaf": "", "station": "", "note": ""}  # fmt: skip


def survey(*changes):
    return {"survey": {"readings": [{**READING, **one} for one in changes]}}


@pytest.mark.parametrize(
    ("last", "now", "told"),
    [
        (survey({}), survey({}), ()),
        (survey({}), survey({"elevation_deg": 4.0}), ("Read again: at 10°.",)),
        (survey({}), survey({}, {"bearing_deg": 12.5}), ("1 reading new: at 12.5°.",)),
        (survey({}, {"bearing_deg": 12.5}), survey({}), ("1 reading no longer there: at 12.5°.",)),
        (
            {"files": [{"name": "a.csv", "role": "readings", "sha256": "1"}]},
            {"files": [{"name": "b.csv", "role": "readings", "sha256": "1"}]},
            ("b.csv (readings) is new.", "a.csv (readings) is no longer read."),
        ),
        ({"photos": []}, {"photos": [{"photo": {"name": "gable.jpg"}}]}, ("New photographs: gable.jpg.",)),
        (
            {"assessment": {"results": [{"satellite": {"name": "S"}, "verdict": "clear", "p_clear": 0.97}]}},
            {"assessment": {"results": [{"satellite": {"name": "S"}, "verdict": "marginal", "p_clear": 0.5}]}},
            ("S: MARGINAL now, CLEAR before.",
             "S: the room is there with a probability of 50 %, 97 % before."),
        ),
        ({"built": None}, {"built": {"rows": []}}, ()),
        (
            {"built": {"rows": [{"quantity": "elevation", "done": "24.2°"}]}},
            {"built": {"rows": [{"quantity": "elevation", "done": "24.0°"}]}},
            ("As built, elevation: 24.0° now, 24.2° before.",),
        ),
    ],
)  # fmt: skip
def test_each_kind_of_change_in_a_sentence(last, now, told):
    assert record_changes(last, now).changes == told


@pytest.mark.parametrize(
    "junk", [{}, {"assessment": 3}, {"survey": {"readings": [1, {}]}, "files": "x"}, {"photos": [None]}]
)
def test_a_damaged_record_breaks_nothing(junk, first):
    record_changes(junk, first)
    record_changes(first, junk)


@pytest.mark.parametrize(
    "text", ["", "[1]", '{"made": 3}', '{"made": "x", "assessment": []}', "\ufeff{", "[" * 100_000]
)
def test_what_is_no_record_is_refused(tmp_path, text):
    path = tmp_path / "last.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="Give what skysill report --json printed"):
        read_last_record(path)

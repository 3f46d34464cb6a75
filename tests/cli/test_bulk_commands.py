"""The commands for many places, whole, on the demo island."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main
from skysill.cli.progress import progress_line
from skysill.errors import InputError

DEMO = Path(__file__).parents[2] / "demo_terrain"
ISLAND = ["--terrain", str(DEMO / "island.tif"), "--highest-ground", "720"]


def run(*words):
    return CliRunner().invoke(
        main, [str(word) for word in words], standalone_mode=False, catch_exceptions=False
    )


def test_screen_answers_every_demo_address_and_draws_the_map(tmp_path):
    out = tmp_path / "out.csv"
    result = run("screen", DEMO / "addresses.csv", *ISLAND, "--satellite", "Demo South=24.0W", "--out", out,
                 "--map", tmp_path / "map.png")  # fmt: skip
    assert "400 of 400 addresses screened, 0 rejected" in result.stdout
    with open(out, encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["id"] for row in rows][:2] == ["00001", "00002"]
    assert {row["verdict"] for row in rows} <= {"needs-survey", "unknown", "marginal", "blocked"}
    assert (tmp_path / "map.png").stat().st_size > 5_000


def test_screen_says_how_well_places_are_taken_to_be_known(tmp_path):
    """Cayo & Talbot 2003 (from memory): 95 % of parcels within 39 m, a radius of 2.448 standard deviations."""
    counts = {}
    for words, said in (
        ([], "known to 16 m on each axis, as of a geocoded building"),
        (["--position-error", "map"], "known to 2 m on each axis, as of a map"),
        (["--position-error", "0"], "known to 0 m on each axis."),
        (["--position-error", "60"], "known to 60 m on each axis."),
    ):
        result = run("screen", DEMO / "addresses.csv", *ISLAND, "--satellite", "Demo South=24.0W", "--json",
                     "--out", tmp_path / "out.csv", *words)  # fmt: skip
        assert said in result.stderr
        counts[said] = json.loads(result.stdout)["counts"]
    first, _, still, far = counts.values()
    assert round(39.0 / 2.448) == 16
    assert still["marginal"] <= first["marginal"] < far["marginal"]
    assert still["unknown"] == far["unknown"]


def test_screen_json_counts_and_the_rejects_of_the_mixed_list(tmp_path):
    out = tmp_path / "out.csv"
    result = run(
        "screen", DEMO / "addresses_mixed.csv", *ISLAND, "--satellite", "24.0W", "--out", out, "--json"
    )
    said = json.loads(result.stdout)
    assert (said["addresses"], said["screened"], said["rejected"]) == (30, 27, 3)
    assert sum(said["counts"].values()) == 27
    assert "latitude_deg" not in said
    assert Path(said["rejected_path"]).read_text(encoding="utf-8").startswith("line,id,reason\n29,X4,")


def test_heights_of_the_demo_island(tmp_path):
    out = tmp_path / "heights.tif"
    result = run("heights", *ISLAND, "--satellite", "Demo South=24.0W", "--out", out,
                 "--bounds", "283000,6431000,291000,6438000")  # fmt: skip
    assert "Demo South" in result.stdout
    assert out.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["heights", *ISLAND, "--out", "x.tif"], "no satellite was named"),
        (["heights", "--satellite", "24W", "--out", "x.tif"], "no elevation raster was named"),
        (
            ["heights", *ISLAND, "--satellite", "24W", "--out", "x.tif", "--bounds", "1,2,3"],
            "is not four numbers",
        ),
        (["screen", str(DEMO / "addresses.csv"), *ISLAND, "--out", "x.csv"], "no satellite was named"),
        (
            [
                "screen",
                str(DEMO / "addresses.csv"),
                *ISLAND,
                "--satellite",
                "24W",
                "--out",
                "x.csv",
                "--position-error",
                "guess",
            ],
            '"guess" is not known. Write one of "tape"',
        ),
        (
            [
                "screen",
                str(DEMO / "addresses.csv"),
                *ISLAND,
                "--satellite",
                "24W",
                "--out",
                "x.csv",
                "--position-error",
                "2000",
            ],
            "2000 m is no position error",
        ),
        (["screen", "no.csv", *ISLAND, "--satellite", "24W", "--out", "x.csv"], "no.csv"),
    ],
)
def test_wrong_use_is_refused_in_one_line(words, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=said):
        run(*words)


def test_progress_tells_rate_and_time_left():
    assert (
        progress_line(10, 40, "cells", seconds=2.0, since=10)
        == " 25 %  10 of 40 cells, 5 a second, 0:06 left"
    )
    assert progress_line(40, 40, "cells", seconds=8.0, since=40).endswith("5 a second, 8.0 s")
    assert progress_line(0, 0, "cells", seconds=0.0, since=0) == "100 %  0 of 0 cells"
    assert "1:23:20 left" in progress_line(1, 5001, "cells", seconds=1.0, since=1)


def test_screen_asks_callers_in_their_own_time_and_refuses_times_without_questions(tmp_path):
    """The Azores are an hour behind UTC in winter (tz database): 13:24 UTC is 12:24 there."""
    out = tmp_path / "out.csv"
    words = ["screen", DEMO / "addresses.csv", *ISLAND, "--satellite", "Demo South=24.0W", "--out", out]
    run(*words, "--questions", "--date", "2026-12-01", "--zone", "Atlantic/Azores")
    with open(out, encoding="utf-8", newline="") as stream:
        asked = [row for row in csv.DictReader(stream) if row["verdict"] == "needs-survey"]
    assert asked
    assert all("at 12:2" in row["question"] for row in asked)
    assert all("(Atlantic/Azores time) on 2026-12-01" in row["question"] for row in asked)
    assert all(
        row["sun_time"].startswith("2026-12-01T12:2") and row["sun_time"].endswith("-01:00") for row in asked
    )
    with pytest.raises(InputError, match=r"--zone: is for the questions\. Give --questions too\."):
        run(*words, "--zone", "Atlantic/Azores")
    with pytest.raises(InputError, match=r'--zone: "Moon/Base" is not a time zone\.'):
        run(*words, "--questions", "--zone", "Moon/Base")


VILLAGE = str(DEMO / "village_surface.tif")


def test_heights_over_the_demo_village_by_both_ways_of_naming_the_surface(tmp_path):
    shared = ["--highest-ground", "120", "--satellite", "24W", "--bounds", "284200,6437800,284300,6437900"]
    named = run("heights", "--surface", VILLAGE, *shared, "--out", tmp_path / "a.tif", "--json")
    run("heights", "--surface", "--terrain", VILLAGE, *shared, "--out", tmp_path / "b.tif")
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()
    said = json.loads(named.stdout)
    assert said["raised"][0] > 5000


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--surface", VILLAGE + ":bare"], "is named as bare ground"),
        (["--surface", *ISLAND[:2]], "near things show on cells up to 2 m"),
        (["--terrain", VILLAGE, "--dish", "0.8"], "--dish: counts with --surface only"),
        (["--terrain", VILLAGE, "--above-ground", VILLAGE], "--above-ground: counts with --surface only"),
        (
            ["--surface", VILLAGE, "--above-ground", VILLAGE + ":surface"],
            "heights above ground need bare ground",
        ),
        (["--surface", VILLAGE, *ISLAND[:2], *ISLAND[:2]], "one raster of ground beyond the surface"),
        (["--surface", VILLAGE, "--above-ground", VILLAGE, "--out", VILLAGE], "would be written over"),
    ],
)
def test_surfaces_that_cannot_serve_are_refused(words, said, tmp_path):
    out = [] if "--out" in words else ["--out", str(tmp_path / "x.tif")]
    with pytest.raises(InputError) as refused:
        run("heights", *words, "--satellite", "24W", *out)
    assert said in str(refused.value)
    assert not list(tmp_path.iterdir())


def test_the_question_that_the_sales_desks_day_quotes_is_the_one_of_that_row(tmp_path):
    page = (Path(__file__).parents[2] / "docs" / "days" / "sales-desk.md").read_text(encoding="utf-8")
    quoted = " ".join(line.removeprefix("> ") for line in page.splitlines() if line.startswith("> "))
    out = tmp_path / "out.csv"
    run("screen", DEMO / "addresses_mixed.csv", "--terrain", DEMO / "island.tif", "--highest-ground", "420",
        "--satellite", "Demo South=24.0W", "--questions", "--date", "2026-06-14", "--zone", "Atlantic/Azores",
        "--out", out)  # fmt: skip
    with open(out, encoding="utf-8", newline="") as stream:
        asked = {row["id"]: row["question"] for row in csv.DictReader(stream)}
    assert asked["M12"] == quoted

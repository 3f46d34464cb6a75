"""skysill check, on the demo sites and on places given by options."""

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main

DEMO = Path(__file__).parents[2] / "demo_terrain"
HOLLINSAY = ["--at", "58.0312 N 24.6541 W", "--satellite", "Demo South=24.0W", "--date", "2026-06-14"]


CLINIC = [DEMO / "clinic.toml", "--mount", "gable pole", "--satellite", "Demo South"]


def check(*arguments):
    return CliRunner().invoke(main, ["check", *map(str, arguments)])


@pytest.fixture(scope="module")
def clinic():
    result = check(*CLINIC, "--json")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_json_has_the_agreed_shape(clinic):
    assert list(clinic)[:7] == ["schema", "version", "site", "mount", "terminal", "results", "warnings"]
    assert clinic["schema"] == 1
    assert set(clinic["site"]) >= {
        "name",
        "latitude_deg",
        "longitude_deg",
        "ground_elevation_m",
        "ground_source",
    }
    assert set(clinic["mount"]) >= {"name", "east_m", "north_m", "height_m", "antenna_elevation_m"}
    for result in clinic["results"]:
        assert set(result) >= {
            "satellite", "look", "horizon", "clearance", "p_clear", "verdict", "basis", "reasons", "remedies"
        }  # fmt: skip
        assert set(result["satellite"]) >= {"name", "longitude_deg"}
        assert set(result["horizon"]) == {"elevation_deg", "distance_m", "source"}
        assert set(result["clearance"]) >= {
            "margin_deg", "vertical_margin_deg", "clearance_m", "required_m", "fresnel_radius_m", "fresnel_ratio",
            "blocked_fraction", "loss_db", "controlling",
        }  # fmt: skip
        assert set(result["clearance"]["controlling"]) == {
            "name", "kind", "source", "azimuth_deg", "elevation_deg", "distance_m", "distance_assumed"
        }  # fmt: skip
        assert result["verdict"] in ("clear", "marginal", "blocked", "needs-survey", "unknown")
        assert result["reasons"]


def test_the_same_look_vectors_as_the_look_command(clinic):
    looked = CliRunner().invoke(main, ["look", *map(str, CLINIC), "--json", "-q"])
    assert [result["look"] for result in clinic["results"]] == json.loads(looked.stdout)["look"]


def test_the_text_begins_with_the_verdict_and_tells_the_same():
    told = json.loads(check(DEMO / "byre.toml", "--satellite", "Demo South", "--json").stdout)
    result = check(DEMO / "byre.toml", "--satellite", "Demo South")
    assert result.exit_code == 0
    assert told["results"][0]["remedies"]
    for one in told["results"]:
        assert (
            f"\n{one['satellite']['name']}: {one['verdict'].upper()}\n  {one['reasons'][0]}\n"
            in result.stdout
        )
        for remedy in one["remedies"]:
            assert f"  remedy    {remedy['text']}\n" in result.stdout
    assert "  allowed   Towards Demo South: at 10 m nothing above " in result.stdout
    for caution in told["cautions"]:
        assert f"  - {caution['text']}\n" in result.stdout
    for warning in told["warnings"]:
        assert f"  - {warning}\n" in result.stdout


def test_nothing_known_is_unknown_and_no_made_up_number_appears():
    result = check(*HOLLINSAY, "--json")
    made = json.loads(result.stdout)
    [one] = made["results"]
    assert one["verdict"] == "unknown"
    assert one["p_clear"] is None
    assert all(value is None for value in one["clearance"].values())
    assert made["mount"]["height_m"] == 2.0
    assert {"No dish was named: 1.2 m is assumed.", "No frequency was named: 19.7 GHz is assumed."} <= set(
        made["warnings"]
    )


def test_a_complete_scene_without_anything_near_is_clear(tmp_path):
    """An obstacle list declared complete, one low post, no terrain asked for: near evidence and a known far horizon."""
    (tmp_path / "h.csv").write_text(
        "azimuth_deg,elevation_deg\n" + "".join(f"{az},1\n" for az in range(150, 211, 5))
    )
    result = check(*HOLLINSAY, "--ground-elevation", 41, "--horizon", tmp_path / "h.csv", "--json")
    assert json.loads(result.stdout)["results"][0]["verdict"] == "clear"


def test_require_exits_3_when_some_verdict_is_another():
    assert check(*HOLLINSAY, "--require", "clear").exit_code == 3
    assert check(*HOLLINSAY, "--require", "unknown").exit_code == 0
    assert check(*HOLLINSAY, "--require", "splendid").exit_code == 2


def test_options_win_over_the_file():
    low = json.loads(check(DEMO / "croft.toml", "--satellite", "Demo South", "--json").stdout)
    high = json.loads(
        check(DEMO / "croft.toml", "--satellite", "Demo South", "--mount-height", 9, "--json").stdout
    )
    assert high["mount"]["height_m"] == 9.0
    lifted = high["mount"]["antenna_elevation_m"] - low["mount"]["antenna_elevation_m"]
    assert lifted == pytest.approx(9.0 - low["mount"]["height_m"])


def test_verdicts_over_the_years(tmp_path):
    """A young tree that has all the room today and none in thirty years: it grows half a metre a year."""
    (tmp_path / "s.toml").write_text(
        'position = "58.0312 N 24.6541 W"\nground_elevation_m = 41\n[obstacles]\ncomplete = true\n'
        '[[obstacle]]\nkind = "tree"\nbearing_deg = 179\ndistance_m = 20\nheight_m = 3\ngrowth_m_per_year = 0.5\n'
    )
    asked = [
        tmp_path / "s.toml",
        "--satellite",
        "Demo South=24.0W",
        "--date",
        "2026-06-14",
        "--years",
        "30,0",
    ]
    years = json.loads(check(*asked, "--json").stdout)["years"]
    assert [row["years_ahead"] for row in years] == [0.0, 30.0]
    assert years[0]["margin_deg"] > 10.0 > years[1]["margin_deg"]
    told = check(*asked).stdout
    assert f"  years     0 years {years[0]['verdict']}, 30 years {years[1]['verdict']}" in told
    assert check(*HOLLINSAY, "--years", "0,two").exit_code == 2
    assert check(*HOLLINSAY, "--years", "0,200").exit_code == 2


def test_three_pictures_are_written_whole(tmp_path):
    files = [tmp_path / "sky.png", tmp_path / "path.pdf", tmp_path / "strip.svg"]
    result = check(
        DEMO / "croft.toml", "--sky-view", files[0], "--path-profile", files[1], "--strip", files[2]
    )
    assert result.exit_code == 0, result.stderr
    assert [path.read_bytes()[:4] for path in files] == [b"\x89PNG", b"%PDF", b"<?xm"]
    assert sorted(os.listdir(tmp_path)) == ["path.pdf", "sky.png", "strip.svg"]


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--sky-view", "sky.bmp"], "--sky-view: .bmp is no kind of picture. End it in .png, .svg or .pdf."),
        (["--strip", "strip"], "--strip: a name without a suffix is no kind of picture."),
        (["--sky-view", "none/sky.png"], 'none/sky.png: the folder "none" does not exist. Make it first.'),
        (
            ["--sky-view", "a.png", "--strip", "a.png"],
            "--strip a.png: is the same file as --sky-view a.png. Give each its own name.",
        ),
        (["--strip", "a.png", "--picture-of", "Demo"], '--picture-of: no satellite is called "Demo".'),
    ],
)
def test_pictures_that_cannot_be_are_refused_before_anything_is_computed(
    tmp_path, monkeypatch, arguments, sentence
):
    monkeypatch.chdir(tmp_path)
    result = check(*HOLLINSAY, *arguments)
    assert result.exit_code == 2
    assert sentence in result.stderr
    assert os.listdir(tmp_path) == []


def test_a_picture_that_fails_leaves_none_of_them(tmp_path, monkeypatch):
    import skysill.plots.strip

    def breaks(path, *_):
        path.write_bytes(b"half")
        raise ZeroDivisionError

    monkeypatch.setattr(skysill.plots.strip, "write_strip", breaks)
    result = check(*HOLLINSAY, "--sky-view", tmp_path / "sky.png", "--strip", tmp_path / "strip.png")
    assert result.exit_code == 1
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--terrain", "none.tif"], "none.tif"),
        (["--terrain", "."], "skysill: "),
        (["--terrain", "half.tif"], "half.tif"),
        (
            ["--terrain", "a.tif:surfaces"],
            'a.tif:surfaces: "surfaces" is no kind of raster. Did you mean :surface?',
        ),
        (["--horizon", "."], ".: is a folder, and a file is wanted."),
        (["--obstacles", "half.geojson"], "half.geojson, row 1: is not JSON."),
        (["--mount-height", "-1"], "--mount-height: -1 m is no mount height."),
        (["--mount-height", "nan"], '"nan" is not a number'),
        (["--dish", "120"], "120 is out of range, from 0.1 to 20."),
        (["--date", "2026-13-01"], '"2026-13-01" is not a date'),
        (["--at", "158.0312, -24.6541"], "--at: "),
    ],
)
def test_bad_input_is_one_line_and_exit_2(tmp_path, monkeypatch, arguments, sentence):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "half.tif").write_bytes((DEMO / "island.tif").read_bytes()[:2000])
    (tmp_path / "half.geojson").write_text('{"type": "FeatureCollection", "feat')
    result = check(*HOLLINSAY, "--ground-elevation", 41, *arguments)
    assert result.exit_code == 2, result.stderr
    assert sentence in result.stderr
    assert result.stderr.count("\n") == 1
    assert result.stdout == ""


def test_a_site_outside_every_raster_is_refused():
    result = check("--at", "58.0312 S 24.6541 W", "--satellite", "24W", "--terrain", DEMO / "island.tif")
    assert result.exit_code == 2
    assert "-58.03120, -24.65410 lies outside island.tif. Give a raster that reaches it" in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_dish_below_the_ground_is_refused(tmp_path):
    text = (
        (DEMO / "farm.toml").read_text(encoding="utf-8").replace('"island.tif"', f'"{DEMO / "island.tif"}"')
    )
    text += '\n[[mounts]]\nname = "cellar"\nsurface_elevation_m = 1.0\nheight_m = 1.0\n'
    (tmp_path / "buried.toml").write_text(text, encoding="utf-8")
    result = check(tmp_path / "buried.toml", "--mount", "cellar")
    assert result.exit_code == 2
    assert 'mount "cellar", surface_elevation_m: the dish centre, 2.0 m, is ' in result.stderr
    assert " m below the ground there (" in result.stderr


def test_safety_stands_in_one_place_before_what_is_said_of_the_data():
    """No wire is listed there: everybody is told to look for one before raising anything."""
    text = check(*HOLLINSAY).stdout
    safety, mind = text.index("\nSafety:\n"), text.index("\nMind:\n")
    assert safety < text.index("look for overhead lines before raising anything") < mind
    assert text.count("\nSafety:\n") == 1
    assert safety < text.index("\n  - Transmitter: its power and its frequency are not given") < mind


def test_a_terminal_that_only_receives_gets_no_word_about_its_beam():
    told = json.loads(check(*HOLLINSAY, "--receive-only", "--json").stdout)
    assert "rf" not in [caution["code"] for caution in told["cautions"]]
    clinic = check(DEMO / "clinic.toml", "--satellite", "Demo South", "--receive-only", "--json")
    told = json.loads(clinic.stdout)
    assert "rf" not in [caution["code"] for caution in told["cautions"]]
    assert told["terminal"]["transmit_ghz"] is None
    refused = check(*HOLLINSAY, "--receive-only", "--frequency", "12", "--frequency", "14")
    assert refused.exit_code == 2
    assert "--receive-only: two frequencies are given, one to transmit on. Give one." in refused.stderr

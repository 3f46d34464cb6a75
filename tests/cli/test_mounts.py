"""skysill mounts, on the demo clinic."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main

DEMO = Path(__file__).parents[2] / "demo_terrain"
FIELDS = [
    "rank",
    "name",
    "east_m",
    "north_m",
    "surface_elevation_m",
    "height_m",
    "least_height_m",
    "verdict",
    "margin_deg",
    "clearance_m",
    "required_m",
    "p_clear",
    "cable_run_m",
    "cable_ok",
    "cautions",
]


def mounts(*arguments):
    return CliRunner().invoke(main, ["mounts", *map(str, arguments)])


@pytest.fixture(scope="module")
def east():
    result = mounts(DEMO / "clinic.toml", "--satellite", "Demo East=5.5E", "--json")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_json_has_the_agreed_fields(east):
    assert east["satellite"] == "Demo East"
    assert [row["rank"] for row in east["mounts"]] == [1, 2, 3]
    for row in east["mounts"]:
        assert [name for name in row if name in FIELDS] == FIELDS


def test_the_spot_behind_the_chimney_beats_the_gable_facing_the_satellite(east):
    """The gate sycamore hides the satellite from the gable; from the ridge's far end the line runs over it."""
    assert east["mounts"][0]["name"] == "behind the chimney"
    assert east["mounts"][0]["verdict"] == "clear"
    gable = next(row for row in east["mounts"] if row["name"] == "gable pole")
    assert gable["verdict"] == "blocked"
    assert gable["cautions"][0]["code"].startswith("overhead-line")


def test_cable_within_the_limit_of_the_terminal(east):
    assert all(row["cable_ok"] for row in east["mounts"])
    assert all(row["cable_run_m"] - row["height_m"] - 16.0 < 5.0 for row in east["mounts"])


def test_a_picture_of_a_kind_that_is_not_drawn_is_refused_before_the_work():
    result = mounts(DEMO / "clinic.toml", "--plan", "plan.bmp")
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1


def test_a_grid_without_a_roof_is_refused():
    result = mounts(
        "--at", "58.0312 N 24.6541 W", "--ground-elevation", "41", "--satellite", "24.0W", "--grid", "1"
    )
    assert result.exit_code == 2
    assert "no roof to search" in result.stderr

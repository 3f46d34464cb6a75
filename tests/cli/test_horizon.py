"""skysill horizon"""

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main
from skysill.io.survey_tables import read_horizon_csv

DEMO = Path(__file__).parents[2] / "demo_terrain"


def horizon(*arguments):
    return CliRunner().invoke(main, ["horizon", *map(str, arguments)])


@pytest.fixture
def wall(tmp_path):
    """A measured horizon without distances: it may be shown as it was typed from the instrument's own place."""
    path = tmp_path / "h.csv"
    path.write_text("azimuth_deg,elevation_deg\n90,10\n94,10\n98,14\n")
    return ["--at", "58.0312 N 24.6541 W", "--horizon", path, "--mount-height", 1.6]


def test_csv_columns_and_an_empty_cell_where_nobody_looked(wall):
    result = horizon(*wall, "--from", 88, "--to", 98, "--step", 2, "--quiet")
    rows = list(csv.reader(io.StringIO(result.stdout)))
    assert rows[0] == ["azimuth_deg", "elevation_deg", "distance_m", "source"]
    assert [row[0] for row in rows[1:]] == ["88", "90", "92", "94", "96", "98"]
    assert rows[1] == ["88", "", "", ""]
    shown = [float(row[1]) for row in rows[2:]]
    assert (shown[0], shown[1], shown[-1]) == (10.0, 10.0, 14.0)
    # the readings joined straight, 10 at 94 to 14 at 98, and the highest within half a step of each azimuth
    assert 10.0 <= shown[2] <= 11.0 + 0.11
    assert 12.0 <= shown[3] <= 13.0 + 0.11
    assert {row[3] for row in rows[2:]} == {"measured"}


def test_json_is_columns_with_null_where_nobody_looked(wall):
    made = json.loads(horizon(*wall, "--from", 88, "--to", 90, "--json", "--quiet").stdout)
    assert list(made) == ["azimuth_deg", "elevation_deg", "distance_m", "source"]
    assert made["azimuth_deg"] == [88.0, 89.0, 90.0]
    assert made["elevation_deg"] == [None, None, pytest.approx(10.0)]
    assert made["source"] == [None, None, "measured"]


def test_once_round_at_one_degree_by_default():
    made = json.loads(horizon(DEMO / "farm.toml", "--json", "--quiet").stdout)
    assert made["azimuth_deg"] == [float(azimuth) for azimuth in range(360)]
    assert all(elevation is not None for elevation in made["elevation_deg"])
    assert set(made["source"]) == {"terrain"}


def test_a_span_may_pass_north():
    made = json.loads(horizon(DEMO / "farm.toml", "--from", 358, "--to", 2, "--json", "--quiet").stdout)
    assert made["azimuth_deg"] == [358.0, 359.0, 0.0, 1.0, 2.0]


def test_a_written_profile_can_be_read_again_as_a_measured_one(tmp_path):
    out = tmp_path / "profile.csv"
    result = horizon(DEMO / "farm.toml", "--from", 100, "--to", 120, "--out", out, "--quiet")
    assert (result.exit_code, result.stdout) == (0, "")
    assert read_horizon_csv(out).azimuth_deg.tolist() == [float(azimuth) for azimuth in range(100, 121)]


def test_the_plot(tmp_path):
    plot = tmp_path / "sky.svg"
    result = horizon(DEMO / "farm.toml", "--to", 1, "--plot", plot, "--satellite", "Demo South", "--quiet")
    assert result.exit_code == 0, result.stderr
    assert plot.read_bytes().startswith(b"<?xml")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (
            ["--at", "58, -24"],
            "no source was given. Give --terrain, --horizon or --obstacles, or a site file.",
        ),
        ([DEMO / "farm.toml", "--plot", "a.gif"], "--plot: .gif is no kind of picture."),
        ([DEMO / "farm.toml", "--step", "0"], "0 is out of range"),
        ([DEMO / "farm.toml", "--out", "none/a.csv"], 'the folder "none" does not exist'),
    ],
)
def test_refusals(arguments, sentence):
    result = horizon(*arguments)
    assert result.exit_code == 2
    assert sentence in result.stderr

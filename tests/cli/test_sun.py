"""skysill sun"""

import datetime as dt
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main

DEMO = Path(__file__).parents[2] / "demo_terrain"
SOUTH = [DEMO / "clinic.toml", "--satellite", "Demo South"]


def sun(*arguments):
    return CliRunner().invoke(main, ["sun", *map(str, arguments)])


def document(*arguments):
    result = sun(*arguments, "--json", "--quiet")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_json_has_the_agreed_shape():
    made = document(*SOUTH, "--date", "2026-06-14", "--time", "2026-06-14T12:00Z")
    assert set(made) >= {"position", "crossings", "alignments"}
    assert set(made["position"]) >= {"time", "azimuth_deg", "elevation_deg"}
    assert made["position"]["time"] == "2026-06-14T12:00:00+00:00"
    [crossing] = made["crossings"]
    assert set(crossing) == {"time", "sun_elevation_deg", "lit_means"}
    for season in made["alignments"]:
        assert set(season) == {
            "season_start", "season_end", "peak_time", "separation_deg", "longest_outage_min"
        }  # fmt: skip


def test_near_due_south_the_sun_crosses_near_local_noon():
    """At 24.65 W the mean sun is due south at 12:00 + 24.65/15 h = 13:39 UTC, within the equation of time's 16 min."""
    [crossing] = document(*SOUTH, "--date", "2026-06-14")["crossings"]
    time = dt.datetime.fromisoformat(crossing["time"])
    assert abs(time - dt.datetime(2026, 6, 14, 13, 39, tzinfo=dt.UTC)) < dt.timedelta(minutes=20)
    # height at noon: 90 - latitude + declination, 23.3 degrees in mid June
    assert crossing["sun_elevation_deg"] == pytest.approx(90.0 - 58.03 + 23.3, abs=0.2)


def test_one_day_also_tells_the_seasons_of_the_year_after_it():
    """North of the equator a satellite stands below the celestial equator: the sun meets it after the September and
    before the March equinox. Common knowledge of the trade, no source."""
    seasons = document(*SOUTH, "--date", "2026-06-14")["alignments"]
    assert [season["peak_time"][:7] for season in seasons] == ["2026-10", "2027-02"]


def test_a_range_gives_a_crossing_a_day_and_its_own_seasons():
    made = document(*SOUTH, "--from", "2027-02-20", "--to", "2027-03-05")
    assert len(made["crossings"]) == 14
    assert len(made["alignments"]) == 1


def test_times_in_a_zone():
    utc = document(*SOUTH, "--date", "2026-06-14", "--time", "12:00")
    local = document(*SOUTH, "--date", "2026-06-14", "--time", "12:00", "--zone", "Atlantic/Azores")
    assert local["crossings"][0]["time"].endswith("+00:00")  # summer time there is UTC
    winter = document(*SOUTH, "--date", "2026-12-14", "--time", "12:00", "--zone", "Atlantic/Azores")
    assert winter["position"]["time"] == "2026-12-14T12:00:00-01:00"
    assert utc["position"]["azimuth_deg"] == local["position"]["azimuth_deg"]


def test_several_satellites_are_each_told():
    made = document(DEMO / "clinic.toml", "--date", "2026-06-14")
    assert [one["satellite"] for one in made["satellites"]] == ["Demo South", "Demo West", "Demo East"]
    assert made["crossings"] == made["satellites"][0]["crossings"]
    told = sun(DEMO / "clinic.toml", "--date", "2026-06-14", "--quiet").stdout
    assert "Never look at the sun" in told
    for name in ("Demo South", "Demo West", "Demo East"):
        assert f"\n{name}, azimuth" in told


def test_the_plot(tmp_path):
    result = sun(*SOUTH, "--date", "2026-06-14", "--plot", tmp_path / "sun.svg", "--quiet")
    assert result.exit_code == 0, result.stderr
    assert (tmp_path / "sun.svg").read_bytes().startswith(b"<?xml")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--zone", "Nowhere/Land"], '--zone: "Nowhere/Land" is not a time zone.'),
        (["--date", "2026-06-14", "--from", "2026-06-01"], "--date: --date and a range are both given."),
        (["--to", "2026-06-14"], "--to: a range needs its first day. Give --from too."),
        (["--from", "2026-06-14", "--to", "2026-06-01"], "--to: ends before --from begins."),
        (["--time", "noon"], '--time: "noon" is not a time.'),
        (["--plot", "sun.txt"], "--plot: .txt is no kind of picture."),
        (["--date", "1800-01-01"], "skysill: "),
    ],
)
def test_refusals(arguments, sentence):
    result = sun(*SOUTH, *arguments)
    assert result.exit_code == 2
    assert sentence in result.stderr
    assert result.stderr.count("\n") == 1

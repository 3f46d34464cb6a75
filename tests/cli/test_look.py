"""skysill look"""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from skysill.cli.group import main

DEMO = Path(__file__).parents[2] / "demo_terrain"
AT = ["--at", "58.0312 N 24.6541 W"]


def look(*arguments):
    return CliRunner().invoke(main, ["look", *map(str, arguments)])


def document(*arguments):
    result = look(*arguments, "--json")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_json_has_the_agreed_shape():
    made = document(*AT, "--satellite", "Demo South=24.0W", "--ground-elevation", 41, "--date", "2026-06-14")
    assert set(made) == {"site", "look"}
    [vector] = made["look"]
    assert set(vector) - {"time_utc"} == {
        "satellite", "satellite_longitude_deg", "azimuth_deg", "elevation_deg", "elevation_apparent_deg",
        "slant_range_m", "bearing_magnetic_deg", "declination_deg", "polarization_tilt_deg", "visible",
    }  # fmt: skip
    assert made["site"] == {
        "name": "site", "latitude_deg": 58.0312, "longitude_deg": -24.6541, "ground_elevation_m": 41.0,
        "ground_source": "given",
    }  # fmt: skip
    assert vector["satellite"] == "Demo South"
    magnetic = (vector["azimuth_deg"] - vector["declination_deg"]) % 360.0
    assert vector["bearing_magnetic_deg"] == pytest.approx(magnetic)


def test_the_sky_over_the_equator_is_known_without_tables():
    """Under a geostationary satellite it stands straight up; on the equator elsewhere due east or west. Geometry."""
    up, east, west = document("--at", "0, 0", "--ground-elevation", 0, "--satellite", "0E", "--satellite", "30E",
                              "--satellite=-30")["look"]  # fmt: skip
    assert up["elevation_deg"] == pytest.approx(90.0, abs=1e-6)
    assert (up["azimuth_deg"], up["polarization_tilt_deg"]) == (None, None)
    assert up["slant_range_m"] == pytest.approx(42_164_170.0 - 6_378_137.0, abs=1.0)  # WGS 84 semi-major axis
    assert (east["azimuth_deg"], west["azimuth_deg"]) == (pytest.approx(90.0), pytest.approx(270.0))
    assert east["elevation_deg"] == pytest.approx(west["elevation_deg"])


def test_negative_numbers_need_no_quoting_tricks():
    made = document(
        "--at", "-33.8, 151.2", "--satellite", "-24.5", "--satellite", "156", "--ground-elevation", "-3"
    )
    assert (made["site"]["latitude_deg"], made["site"]["ground_elevation_m"]) == (-33.8, -3.0)
    assert [vector["satellite_longitude_deg"] for vector in made["look"]] == [-24.5, 156.0]
    assert [vector["visible"] for vector in made["look"]] == [False, True]


def test_an_unknown_ground_is_taken_as_zero_and_said():
    result = look(*AT, "--satellite", "24W", "--json")
    site = json.loads(result.stdout)["site"]
    assert (site["ground_elevation_m"], site["ground_source"]) == (0.0, "assumed")
    assert "The ground's elevation is not known: 0 m is taken." in result.stderr
    assert look(*AT, "--satellite", "24W", "--json", "--quiet").stderr == ""


def test_the_ground_comes_from_terrain():
    made = document(*AT, "--satellite", "24W", "--terrain", f"{DEMO / 'island.tif'}:bare")
    assert made["site"]["ground_source"] == "island.tif"
    assert 20.0 < made["site"]["ground_elevation_m"] < 80.0


def test_a_height_moves_the_dish_up_its_own_normal():
    """Straight below the satellite each metre of mast takes a metre off the way. Geometry."""
    low = document("--at", "0, 0", "--ground-elevation", 0, "--satellite", "0E")["look"][0]
    high = document("--at", "0, 0", "--ground-elevation", 0, "--satellite", "0E", "--mount-height", 30)[
        "look"
    ][0]
    assert low["slant_range_m"] - high["slant_range_m"] == pytest.approx(30.0, abs=1e-6)


def test_the_table_for_people():
    result = look(DEMO / "clinic.toml", "--date", "2026-06-14", "--quiet")
    assert result.exit_code == 0
    head, columns, *rows = result.stdout.splitlines()
    assert head.startswith("Skerrow clinic: 58.0312000 N 24.6541000 W, ground 41.0 m (given)")
    assert columns.split() == ["satellite", "azimuth", "magnetic", "elevation", "apparent", "distance", "km"]
    assert [row.rsplit(maxsplit=5)[0] for row in rows] == ["Demo South", "Demo West", "Demo East"]


def test_the_feed_tilt_is_shown_only_on_request():
    arguments = [*AT, "--satellite", "24W", "--quiet"]
    assert "tilt" not in look(*arguments).stdout
    assert "tilt" in look(*arguments, "--polarization").stdout


def test_a_satellite_below_the_horizon_is_reported_not_hidden():
    assert "below the horizon" in look(*AT, "--satellite", "155E", "--quiet").stdout


def test_an_object_that_moves_needs_a_time_and_may_have_several():
    orbit = DEMO / "orbit_demo.json"
    refused = look(*AT, "--satellite", orbit)
    assert refused.exit_code == 2
    assert "moves. Say when, with --time." in refused.stderr
    epoch = json.loads(orbit.read_text())
    epoch = (epoch[0] if isinstance(epoch, list) else epoch)["EPOCH"][:10]
    made = document(
        *AT, "--satellite", orbit, "--time", f"{epoch}T00:00Z", "--until", f"{epoch}T02:00Z", "--step", 60
    )
    assert len(made["look"]) % 3 == 0
    assert made["look"][0]["time_utc"].startswith(epoch)


def test_a_date_outside_the_magnetic_model_is_refused():
    result = look(*AT, "--satellite", "24W", "--date", "1999-01-01")
    assert result.exit_code == 2
    assert result.stderr.count("\n") <= 2

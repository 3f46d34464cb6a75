"""A typed place is judged as the commands judge it, and becomes a site that they read alike."""

import json
import time
import tomllib
from pathlib import Path

import pytest

from skysill.cli.group import main

KIRK_ROAD = "58.031748 N 24.655381 W"


DEMO = Path(__file__).parents[2] / "demo_terrain"


def wait_for(client, key):
    """The task's document once it has ended."""
    for _ in range(2400):
        told = client.get(f"/api/tasks/{key}").json()
        if told["state"] not in ("waiting", "running"):
            return told
        time.sleep(0.05)
    raise AssertionError(told)


def command(capsys, *words):
    with pytest.raises(SystemExit):
        main(list(words))
    return json.loads(capsys.readouterr().out)


def test_a_place_is_judged_as_by_the_command_with_the_server_s_options(client, folder, capsys):
    asked = {"position": KIRK_ROAD, "height_m": 1.5, "remedies": True}
    page = client.post("/api/place/check", json=asked).json()
    told = command(
        capsys, "check", "--at", KIRK_ROAD, "--satellite", "Demo South=24.0W", "--mount-height", "1.5",
        "--highest-ground", "420", "--terrain", f"{folder / 'village_surface.tif'}:surface",
        "--terrain", str(folder / "island.tif"), "--json",
    )  # fmt: skip
    assert page["results"] == told["results"]
    assert page["cautions"] == told["cautions"]


def test_a_place_takes_rasters_and_dish_of_a_site_but_not_what_was_measured_there(client, folder):
    asked = {"position": KIRK_ROAD, "like": "clinic", "satellites": ["Demo South=24.0W"], "height_m": 1.5}
    values = client.post("/api/place", json=asked).json()
    assert values["terrain"]["rasters"] == ["village_surface.tif", "island.tif"]
    assert values["terminal"]["transmit_ghz"] == 29.5
    assert not {"survey", "obstacles", "obstacle", "roof", "landmarks"} & set(values)
    (one,) = client.post("/api/place/check", json=asked).json()["results"]
    assert "measured" not in one["basis"]
    assert "obstacle" not in one["basis"]


def test_a_place_becomes_a_site_with_the_same_verdict(client, folder, capsys):
    asked = {"position": KIRK_ROAD, "name": "Caller, Kirk Road 28", "height_m": 1.5}
    before = client.post("/api/place/check", json=asked).json()
    made = client.post("/api/sites", json=asked).json()
    assert made["name"] == "caller-kirk-road-28"
    told = command(capsys, "check", str(folder / f"{made['name']}.toml"), "--json")
    assert [one["verdict"] for one in told["results"]] == [one["verdict"] for one in before["results"]]
    room, room_before = (one["results"][0]["clearance"] for one in (told, before))
    assert room["clearance_m"] == pytest.approx(room_before["clearance_m"], rel=1e-9)
    again = client.post("/api/sites", json=asked).json()
    assert again["name"] == "caller-kirk-road-28-2"


@pytest.mark.slow
def test_a_property_is_found_as_by_the_command(client, state, folder, tmp_path, capsys):
    data = [str(DEMO / "survey_data"), str(DEMO / "island.tif")]
    asked = {"kind": "property", "position": "58.0312 N 24.6541 W", "name": "Found clinic"}
    answer = client.post("/api/tasks", json=asked)
    assert answer.status_code == 422
    assert "--property-from" in answer.json()["error"]
    state.property_sources = tuple(data)
    told = wait_for(client, client.post("/api/tasks", json=asked).json()["task"])
    assert told["state"] == "done", told["error"]
    assert told["result"]["name"] == "found-clinic~site"
    options = [part for source in data for part in ("--from", source)]
    words = [
        "property",
        asked["position"],
        *options,
        "--name",
        asked["name"],
        "--satellite",
        "Demo South=24.0W",
    ]
    command(capsys, *words, "--out", str(tmp_path / "command"), "--json")
    ours, theirs = folder / "found-clinic", tmp_path / "command"
    assert (ours / "obstacles.geojson").read_text() == (theirs / "obstacles.geojson").read_text()
    mine, other = (tomllib.loads((place / "site.toml").read_text()) for place in (ours, theirs))
    assert mine["terrain"].pop("highest_ground_m") == 420.0  # the server knows it
    rasters = [Path(path).name for path in mine["terrain"].pop("rasters")]
    assert rasters == [Path(path).name for path in other["terrain"].pop("rasters")]
    assert mine == other
    assert client.post("/api/sites/found-clinic~site/check", json={}).status_code == 200


@pytest.mark.parametrize(("asked", "field", "said"), [
    ({"position": ""}, "position", ""),
    ({"position": "4 Shore Street"}, "position", "is not understood"),
    ({"position": "58.0312, 24.6541 W"}, "position", "missing hemisphere"),
    ({"position": KIRK_ROAD, "satellites": ["moon"]}, "satellites", "moon"),
    ({"position": KIRK_ROAD, "satellites": []}, "satellites", "no satellite"),
    ({"position": KIRK_ROAD, "height_m": "two"}, "height_m", "number"),
])  # fmt: skip
def test_what_is_wrong_is_told_with_its_field(client, asked, field, said):
    answer = client.post("/api/place/check", json=asked)
    assert answer.status_code == 422
    assert answer.json()["field"] == field
    assert said in answer.json()["error"]


def test_a_site_needs_a_name(client, folder):
    before = set(folder.iterdir())
    answer = client.post("/api/sites", json={"position": KIRK_ROAD})
    assert (answer.status_code, answer.json()["field"]) == (422, "name")
    assert set(folder.iterdir()) == before


def test_a_folder_that_property_wrote_is_a_site_to_start_from(client, folder):
    """`skysill property --out FOLDER/croft` leaves croft/site.toml; its rasters count from its own folder."""
    (folder / "croft").mkdir()
    text = (folder / "farm.toml").read_text().replace('"island.tif"', '"../island.tif"')
    (folder / "croft" / "site.toml").write_text(text)
    assert "croft~site" in {entry["name"] for entry in client.get("/api/sites").json()["sites"]}
    found = client.post("/api/sites/croft~site/check", json={}).json()["results"]
    alone = client.post("/api/sites/farm/check", json={}).json()["results"]
    assert [one["verdict"] for one in found] == [one["verdict"] for one in alone]
    asked = {"position": KIRK_ROAD, "like": "croft~site"}
    assert client.post("/api/place/check", json=asked).json()["results"][0]["basis"] == ["terrain"]

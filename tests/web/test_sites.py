"""The API of sites: reading, editing, conflicts, checks."""

import tomllib

import pytest

BASE = {"revision": None, "edits": [{"path": ["mounts", 0, "height_m"], "value": 2.5}]}


def edit(client, name, revision, *edits):
    return client.patch(f"/api/sites/{name}", json={"revision": revision, "edits": list(edits)})


def put(path, value):
    return {"path": path, "value": value}


def test_the_sites_of_the_folder_are_listed(client):
    names = {entry["name"] for entry in client.get("/api/sites").json()["sites"]}
    assert {"clinic", "farm", "school"} <= names
    assert "clinic_as_built" not in names  # describes no position


def test_an_edit_changes_its_value_and_nothing_else(client, folder):
    before = (folder / "clinic.toml").read_text()
    read = client.get("/api/sites/clinic").json()
    answer = edit(client, "clinic", read["revision"], put(["mounts", 0, "height_m"], 2.5))
    assert answer.status_code == 200
    assert (folder / "clinic.toml").read_text() == before.replace("height_m = 4.4", "height_m = 2.5")
    assert answer.json()["site"]["mounts"][0]["height_m"] == 2.5


def test_a_second_writer_gets_a_conflict_that_names_the_field_and_loses_nothing(client, folder):
    read = client.get("/api/sites/clinic").json()
    height = ["mounts", 0, "height_m"]
    assert edit(client, "clinic", read["revision"], put(height, 2.5)).status_code == 200
    saved = (folder / "clinic.toml").read_bytes()
    answer = edit(client, "clinic", read["revision"], put(height, 3.5), put(["name"], "Clinic"))
    assert answer.status_code == 409
    assert answer.json()["fields"] == [height]
    assert answer.json()["site"]["mounts"][0]["height_m"] == 2.5
    assert (folder / "clinic.toml").read_bytes() == saved
    again = edit(client, "clinic", answer.json()["revision"], put(height, 3.5), put(["name"], "Clinic"))
    assert again.status_code == 200
    assert tomllib.loads((folder / "clinic.toml").read_text())["name"] == "Clinic"


def test_a_change_of_the_file_outside_the_server_is_a_conflict_too(client, folder):
    read = client.get("/api/sites/clinic").json()
    path = folder / "clinic.toml"
    path.write_text(path.read_text().replace("height_m = 4.4", "height_m = 1.1"))
    answer = edit(client, "clinic", read["revision"], put(["mounts", 0, "height_m"], 3.5))
    assert answer.status_code == 409
    assert "height_m = 1.1" in path.read_text()


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (["mounts", 0, "height_m"], "high", "is not a number"),
        (["mounts", 0, "height_m"], 7.0, "above max_height_m"),  # 6 m in the demo
        (["terminal", "dish_diameter_m"], -1, "0.1"),
        (["satellites", 0, "colour"], "red", "is not known"),
        (["survey", "date"], "yesterday", "is not a date"),
        (["satellites", 1, "longitude"], "north", "north"),
        (["position"], "4 Shore Street", "is not understood"),
        (["mounts", 1, "name"], "gable pole", "two are called"),
    ],
)
def test_a_wrong_value_is_refused_with_its_place_and_nothing_is_written(client, folder, path, value, said):
    before = (folder / "clinic.toml").read_bytes()
    read = client.get("/api/sites/clinic").json()
    answer = edit(client, "clinic", read["revision"], put(path, value))
    assert (folder / "clinic.toml").read_bytes() == before
    assert answer.status_code == 422
    assert said in answer.json()["error"]
    assert answer.json()["path"][0] == path[0]


def test_a_site_that_was_wrong_already_can_be_mended_step_by_step(client, folder):
    path = folder / "clinic.toml"
    path.write_text(path.read_text().replace('longitude = "52.5 W"', 'longitude = "north"'))
    read = client.get("/api/sites/clinic").json()
    named = edit(client, "clinic", read["revision"], put(["name"], "Clinic"))
    assert named.status_code == 200
    mended = edit(client, "clinic", named.json()["revision"], put(["satellites", 1, "longitude"], "52.5 W"))
    assert mended.status_code == 200


def test_a_check_with_unsaved_edits_is_that_of_the_command_with_the_same_values(client, folder, capsys):
    import json

    from skysill.cli.group import main

    given = {"edits": [put(["mounts", 0, "height_m"], 2.5)], "satellites": ["Demo South"], "remedies": True}
    page = client.post("/api/sites/clinic/check", json=given).json()
    arguments = [
        str(folder / "clinic.toml"), "--mount", "gable pole", "--mount-height", "2.5",
        "--satellite", "Demo South", "--json",
    ]  # fmt: skip
    with pytest.raises(SystemExit):
        main(["check", *arguments])
    command = json.loads(capsys.readouterr().out)
    for key in ("results", "mount", "site", "cautions"):
        assert page[key] == command[key], key
    assert "height_m = 4.4" in (folder / "clinic.toml").read_text()


@pytest.mark.parametrize(
    "text", ["name = \n", 'position = "58 N 24 W"\ncolour = 1\n', "x = [", "\x00", "satellites = 3\n"]
)
@pytest.mark.parametrize("path", ["", "/check", "/place", "/edit", "/new"])
def test_a_broken_site_file_is_told_in_one_line_wherever_it_is_used(client, folder, text, path):
    (folder / "broken.toml").write_text(text)
    position = "58.0195 N 24.6699 W"
    ask = {
        "": lambda: client.get("/api/sites/broken"),
        "/check": lambda: client.post("/api/sites/broken/check", json={"satellites": ["24W"]}),
        "/place": lambda: client.post("/api/place/check", json={"position": position, "like": "broken"}),
        "/edit": lambda: edit(
            client, "broken", client.get("/api/sites/broken").json()["revision"], put(["name"], "A")
        ),
        "/new": lambda: client.post(
            "/api/sites", json={"position": position, "like": "broken", "name": "new"}
        ),
    }
    answer = ask[path]()
    if path == "":
        assert answer.json()["fault"]
    else:
        assert answer.status_code == 422
        assert "\n" not in answer.json()["error"]
    assert (folder / "broken.toml").read_text() == text
    assert not (folder / "new.toml").exists()


def test_a_check_of_a_moved_mount_stands_on_the_roof_there(client):
    """The clinic's ridge is 46.26 m up, its eaves, 4 m beside it, 2.6 m lower; so 2 m beside it 1.3 m lower."""
    given = {"mount": "gable pole", "east_m": 2.0, "north_m": 12.0, "satellites": ["Demo South"]}
    found = client.post("/api/sites/clinic/check", json=given).json()
    assert found["mount"]["surface_elevation_m"] == pytest.approx(46.26 - 1.3, abs=0.01)
    stated = client.post("/api/sites/clinic/check", json=given | {"surface_elevation_m": 45.5}).json()
    assert stated["mount"]["surface_elevation_m"] == 45.5

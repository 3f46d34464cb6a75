"""The API of the roof page: plan, shaded relief, snapping, a dragged spot, the search, the card."""

import base64
import io
import re
import time

import numpy as np
import pytest
from PIL import Image
from pytest import approx

SITE = "/api/sites/clinic"
SOUTH = {"satellites": ["Demo South"]}


def asked(client, address, status=200, **body):
    answer = client.post(address, json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


def finished(client, **body):
    key = asked(client, "/api/tasks", **body)["task"]
    for _ in range(2_000):
        now = client.get(f"/api/tasks/{key}").json()
        if now["state"] not in ("waiting", "running"):
            return now
        time.sleep(0.05)
    raise AssertionError("the task does not end")


def test_the_page_opens(client):
    answer = client.get("/sites/clinic/roof")
    assert answer.status_code == 200
    assert "Find the best spot" in answer.text
    assert "Roof: Skerrow clinic" in answer.text


def test_the_plan_has_what_the_site_file_says(client):
    plan = asked(client, f"{SITE}/plan")
    assert plan["roof"]["outline"] == [[-4.0, 1.0], [4.0, 1.0], [4.0, 17.0], [-4.0, 17.0]]
    ridge = [edge for edge in plan["roof"]["edges"] if {point[0] for point in edge} == {0.0}]
    assert sorted(ridge[0]) == [[0.0, 1.0], [0.0, 17.0]]
    assert [one["name"] for one in plan["mounts"]] == [
        "gable pole",
        "behind the chimney",
        "east wall bracket",
    ]
    assert "service wire" in [one["name"] for one in plan["obstacles"] if one["kind"] == "wire"]
    assert plan["cautions"][0].startswith("Overhead lines: only the listed ones are checked")
    assert plan["home"]["west"] < -4.0 < 4.0 < plan["home"]["east"]
    assert plan["extent"]["west"] < plan["home"]["west"]


def test_unsaved_edits_are_in_the_plan(client):
    edits = [{"path": ["roof", "outline"], "value": [[-4, 1], [5, 1], [5, 17], [-4, 17]]}]
    assert asked(client, f"{SITE}/plan", edits=edits)["roof"]["outline"][1] == [5.0, 1.0]
    wrong = asked(client, f"{SITE}/plan", 422, edits=[{"path": ["roof", "shape"], "value": "gable"}])
    assert wrong["path"] == ["roof", "shape"]


def test_the_relief_lies_where_the_raster_has_its_houses(client):
    """The clinic's walls, 8 m apart, are the light and the dark edge across the middle of its roof."""
    box = {"west": -20.0, "east": 20.0, "south": -10.0, "north": 30.0}
    relief = asked(client, f"{SITE}/hillshade", **box)
    picture = Image.open(io.BytesIO(base64.b64decode(relief["png"].partition(",")[2]))).convert("RGBA")
    grey = np.asarray(picture, dtype=float)[:, :, 0]
    cell_m = relief["width_m"] / picture.width
    assert (relief["west"], relief["north"]) == (-20.0, 30.0)
    row = grey[int((relief["north"] - 10.0) / cell_m)]  # 10 m north of the origin
    east = relief["west"] + (np.arange(row.size) + 0.5) * cell_m
    near = np.abs(east) < 8.0
    assert east[near][row[near].argmax()] == approx(-4.0, abs=1.5)  # lit from the north-west
    assert east[near][row[near].argmin()] == approx(4.0, abs=1.5)
    assert "village_surface.tif" in relief["said"]


@pytest.mark.parametrize(
    ("box", "said"),
    [
        (
            {"west": 0, "east": 900, "south": 0, "north": 900},
            "The part of the plan is not between 0 and 400 m wide.",
        ),
        ({"west": 0}, "A part of the plan has west, east, south and north."),
        ({"west": "x", "east": 1, "south": 0, "north": 1}, "west: is not a number that can be used."),
    ],
)
def test_a_relief_of_nothing_is_refused(client, box, said):
    assert asked(client, f"{SITE}/hillshade", 422, **box)["error"] == said


def test_a_site_without_rasters_says_so(client, folder):
    (folder / "bare.toml").write_text(
        'position = "58.0312 N 24.6541 W"\n[[satellites]]\nlongitude = "24.0 W"\n'
    )
    box = {"west": -20, "east": 20, "south": -20, "north": 20}
    relief = asked(client, "/api/sites/bare/hillshade", **box)
    assert relief["png"] is None
    assert "no elevation raster" in relief["said"]
    wrong = asked(client, "/api/sites/bare/snap", 422, outline=[[0, 0], [5, 0], [5, 5]])
    assert "no surface raster" in wrong["error"]


def test_a_drawn_outline_snaps_to_the_walls(client):
    """The clinic as it was taped, 8 by 16 m; the raster's cells are 1 m."""
    drawn = [[-4.7, 0.4], [4.6, 0.6], [4.5, 17.6], [-4.6, 17.5]]
    snapped = asked(client, f"{SITE}/snap", outline=drawn)
    assert np.array(snapped["outline"]) == approx(np.array([[-4, 1], [4, 1], [4, 17], [-4, 17]]), abs=0.6)
    assert "4 of 4 edges were found" in snapped["said"]
    square = np.array(asked(client, f"{SITE}/snap", outline=drawn, rectangle=True)["outline"])
    sides = np.roll(square, -1, axis=0) - square
    assert np.abs((sides * np.roll(sides, -1, axis=0)).sum(axis=1)).max() < 0.1


@pytest.mark.parametrize(
    ("outline", "said"),
    [
        ([[0, 0], [1, 1]], "outline: has 2 points; it takes 3 or more."),
        ([[0, 0], [1, 1], "x"], "outline: is not a list of [east, north]."),
        ([[0, 0], [1, 1], [1e7, 0]], "outline: lies too far from the site."),
        ("x", "outline: is not of the right kind."),
    ],
)
def test_an_outline_that_is_none_is_refused(client, outline, said):
    assert asked(client, f"{SITE}/snap", 422, outline=outline)["error"] == said


def test_elevations_under_points_are_the_surface_rasters(client):
    found = asked(client, f"{SITE}/elevations", points=[[0.0, 9.0], [12.0, 9.0]])
    roof_m, ground_m = found["elevations_m"]
    assert roof_m == approx(46.26, abs=0.6)  # the ridge as it was taped; its cells hold their highest point
    assert ground_m < 43.0


def test_a_dragged_mount_stands_on_the_roof_and_agrees_with_mounts(client):
    """The clinic's ridge is 46.26 m up, its eaves, 4 m beside it, 2.6 m lower."""
    found = asked(client, f"{SITE}/spot", mount="gable pole", east_m=2.0, north_m=12.0, height_m=2.0, **SOUTH)
    assert found["mount"]["surface_elevation_m"] == approx(46.26 - 1.3, abs=0.01)
    assert found["mount"]["given_surface_m"] == approx(46.26 - 1.3, abs=0.01)
    assert found["answers"][0]["verdict"] == "clear"
    proved = asked(client, f"{SITE}/spot", mount="behind the chimney", prove="Demo South", **SOUTH)
    from skysill import compare_mounts, read_site_file

    job = read_site_file("demo_terrain/clinic.toml")
    from dataclasses import replace

    rows = compare_mounts(replace(job, satellites=job.satellites[:1])).mounts
    row = next(row for row in rows if row.name == "behind the chimney")
    [answer] = proved["answers"]
    assert answer["proved"]
    assert (answer["verdict"], answer["least_height_m"]) == (row.verdict, row.least_height_m)
    assert answer["margin_deg"] == approx(row.margin_deg)
    assert proved["cable_run_m"] == row.cable_run_m


def test_a_spot_beside_the_house_stands_on_the_ground(client):
    found = asked(client, f"{SITE}/spot", mount=None, east_m=12.0, north_m=8.0, height_m=2.0, **SOUTH)
    assert found["mount"]["given_surface_m"] is None
    assert found["mount"]["surface_elevation_m"] == approx(41.0, abs=1.5)


def test_a_spot_in_a_keep_out_area_is_refused_and_a_wire_is_cautioned_about(client):
    found = asked(client, "/api/sites/ferry_house/spot", mount=None, east_m=5.0, north_m=4.0, height_m=1.0)
    assert found["refusal"] == "in keep-out area of the roof"
    near = asked(client, f"{SITE}/spot", mount="gable pole", **SOUTH)
    assert any("service wire" in one["text"] for one in near["cautions"])


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"mount": "nobody"}, '--mount: no mount is called "nobody".'),
        ({"mount": None, "east_m": "x"}, "east_m: is not a number that can be used."),
        ({"mount": "gable pole", "prove": "Nothing"}, "prove: no satellite has this name."),
        ({"mount": "gable pole", "height_m": -3.0}, "height_m: -3 m is no mount height."),
    ],
)
def test_a_spot_that_cannot_be_is_refused_in_a_sentence(client, body, said):
    assert asked(client, f"{SITE}/spot", 422, **body)["error"].startswith(said)


def test_the_search_answers_every_spot_and_can_be_cancelled(client):
    body = {"kind": "roof-search", "site": "ferry_house", "grid_step_m": 3.0}
    done = finished(client, **body)
    assert done["state"] == "done", done
    result = done["result"]
    assert done["done"] == done["of"] == len(result["spots"])
    best = result["spots"][result["satellites"][0]["best"][0]]
    answer = best["answers"][0]
    assert answer["verdict"] == "clear"
    spot = asked(
        client, "/api/sites/ferry_house/spot", mount=None, east_m=best["east_m"], north_m=best["north_m"],
        height_m=answer["height_m"], prove="Demo South",
    )  # fmt: skip
    assert spot["answers"][0]["verdict"] == "clear"
    assert spot["answers"][0]["least_height_m"] == answer["least_height_m"]
    key = asked(client, "/api/tasks", **(body | {"grid_step_m": 0.7}))["task"]
    client.delete(f"/api/tasks/{key}")
    for _ in range(600):
        state = client.get(f"/api/tasks/{key}").json()["state"]
        if state == "cancelled":
            break
        time.sleep(0.05)
    assert state == "cancelled"


def test_a_search_without_a_roof_is_refused_at_once(client):
    wrong = asked(client, "/api/tasks", 422, kind="roof-search", site="farm")
    assert wrong["error"] == "roof: there is no roof to search. Draw its outline first."


def test_the_card_is_made_of_the_saved_site_and_may_run_only_its_own_script(client):
    body = {"kind": "roof-card", "site": "farm", "day": "2026-06-15", "weeks": 1}
    wrong = asked(client, "/api/tasks", 422, **body, edits=[{"path": ["name"], "value": "x"}])
    assert wrong["error"] == "The card is made of what is saved. Save first."
    done = finished(client, **body)
    assert done["state"] == "done", done
    answer = client.get(done["result"]["address"])
    assert answer.text.startswith("<!DOCTYPE html>")
    assert "Mount card: Eastside Farm" in answer.text
    assert "sandbox" in answer.headers["content-security-policy"]
    assert re.search(r"farm\.toml.*[0-9a-f]{64}", answer.text, re.DOTALL)
    kept = client.get(done["result"]["address"] + "?download=1")
    assert kept.headers["content-disposition"] == 'attachment; filename="farm-card.html"'
    gone = client.get("/sites/farm/cards/nothing")
    assert gone.status_code == 404
    assert "Make it again" in gone.text


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"day": "soon"}, 'day: "soon" is not a date.'),
        ({"zone": "Atlantis"}, 'zone: "Atlantis" is not a time zone.'),
        ({"weeks": 99}, "99 weeks are out of range."),
    ],
)
def test_a_card_for_no_day_is_refused(client, body, said):
    answer = client.post("/api/tasks", json={"kind": "roof-card", "site": "farm", **body})
    if answer.status_code == 422:
        assert answer.json()["error"].startswith(said)
    else:
        done = finished(client, kind="roof-card", site="farm", **body)
        assert said in done["error"]

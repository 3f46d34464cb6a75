"""The survey page's API: rows in and out, faults at their field, verdicts that never improve by damage, two writers."""

import threading

import pytest

from skysill.io.survey_tables import read_horizon_csv

READINGS = "/api/sites/clinic/readings"
NOW = "/api/sites/clinic/survey"


def read(client, site="clinic"):
    return client.get(f"/api/sites/{site}/readings").json()


def rows_of(document):
    return [{"key": row["key"], "cells": row["cells"], "text": row["text"]} for row in document["rows"]]


def save(client, revision, rows, site="clinic"):
    return client.put(f"/api/sites/{site}/readings", json={"revision": revision, "rows": rows})


def new(**cells):
    return {"key": None, "cells": cells, "text": ""}


def survey(client, rows, site="clinic", **more):
    answer = client.post(f"/api/sites/{site}/survey", json={"rows": rows, **more})
    assert answer.status_code == 200, answer.text
    return answer.json()


def verdicts(document):
    return {one["name"]: one["verdict"] for one in document["satellites"]}


def test_one_changed_reading_changes_one_line_of_the_file(client, folder):
    path = folder / "clinic_horizon.csv"
    before = path.read_text(encoding="utf-8").splitlines()
    document = read(client)
    rows = rows_of(document)
    rows[3]["cells"]["elevation_deg"] = "1,25"
    answer = save(client, document["revision"], rows)
    assert answer.status_code == 200, answer.text
    after = path.read_text(encoding="utf-8").splitlines()
    changed = [(one, other) for one, other in zip(before, after, strict=True) if one != other]
    assert changed == [("114,1.0,,ground,,,field", '114,"1,25",,ground,,,field')]
    assert read_horizon_csv(path).elevation_deg[3] == 1.25


def test_line_ends_and_mark_of_the_file_stay(client, folder):
    path = folder / "clinic_horizon.csv"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    document = read(client)
    answer = save(
        client, document["revision"], [*rows_of(document), new(azimuth_deg="282", elevation_deg="0.5")]
    )
    assert answer.status_code == 200, answer.text
    raw = path.read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf#")
    assert raw.endswith(b"\r\n282,0.5,,,,,\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")


def test_rows_with_faults_are_refused_with_every_fault_and_nothing_is_written(client, folder):
    path = folder / "clinic_horizon.csv"
    before, document = path.read_bytes(), read(client)
    wrong = [new(azimuth_deg="12", elevation_deg="3..", distance_m="near"), new(elevation_deg="3")]
    answer = save(client, document["revision"], [*rows_of(document), *wrong])
    assert answer.status_code == 422
    body = answer.json()
    assert (body["row"], body["field"]) == (68, "elevation_deg")
    assert [[one["field"] for one in row] for row in body["faults"][-2:]] == [
        ["elevation_deg", "distance_m"],
        ["azimuth_deg"],
    ]
    assert path.read_bytes() == before


def test_a_second_writer_gets_both_tables_and_nothing_is_lost(client, folder):
    first = read(client)
    assert (
        save(
            client, first["revision"], [*rows_of(first), new(azimuth_deg="300", elevation_deg="1")]
        ).status_code
        == 200
    )
    saved = (folder / "clinic_horizon.csv").read_bytes()
    answer = save(client, first["revision"], [*rows_of(first), new(azimuth_deg="310", elevation_deg="2")])
    assert answer.status_code == 409
    theirs = answer.json()
    assert theirs["rows"][-1]["cells"]["azimuth_deg"] == "300"
    assert (folder / "clinic_horizon.csv").read_bytes() == saved
    both = [*rows_of(theirs), new(azimuth_deg="310", elevation_deg="2")]
    assert save(client, theirs["revision"], both).status_code == 200
    assert read_horizon_csv(folder / "clinic_horizon.csv").azimuth_deg.tolist()[-2:] == [300.0, 310.0]


def test_of_many_writers_at_once_one_wins_and_the_file_is_whole(client, folder):
    document = read(client)
    answers = []

    def write(azimuth):
        rows = [*rows_of(document), new(azimuth_deg=str(azimuth), elevation_deg="1")]
        answers.append(save(client, document["revision"], rows).status_code)

    writers = [threading.Thread(target=write, args=(azimuth,)) for azimuth in range(300, 308)]
    for one in writers:
        one.start()
    for one in writers:
        one.join()
    assert sorted(answers) == [200, *[409] * 7]
    assert len(read_horizon_csv(folder / "clinic_horizon.csv")) == 68


def test_a_site_without_a_table_gets_one_that_its_file_is_told_of(client, folder):
    document = read(client, "farm")
    assert (document["rows"], document["named"]) == ([], False)
    answer = save(
        client, document["revision"], [new(azimuth_deg="180", elevation_deg="4", note="byre")], "farm"
    )
    assert answer.status_code == 200, answer.text
    assert not answer.json()["named"]
    assert len(read_horizon_csv(folder / answer.json()["file"])) == 1


def test_the_page_writes_no_table_in_another_folder(client, folder):
    site = folder / "clinic.toml"
    site.write_text(site.read_text().replace('"clinic_horizon.csv"', '"../clinic_horizon.csv"'))
    answer = client.get(READINGS)
    assert answer.status_code == 422
    assert "lies in another folder" in answer.json()["error"]


def test_a_damaged_table_opens_with_its_bad_rows_as_text(client, folder):
    path = folder / "clinic_horizon.csv"
    path.write_text(path.read_text(encoding="utf-8") + '280,"4\n284,x,\n', encoding="utf-8")
    document = read(client)
    assert [row["text"] for row in document["rows"][-2:]] == ['280,"4', "284,x,"]
    assert [row["faults"][0]["field"] for row in document["rows"][-2:]] == ["", ""]


@pytest.mark.slow
def test_the_verdict_is_that_of_the_check_with_the_same_readings(client):
    rows = rows_of(read(client))
    now = survey(client, rows)
    checked = client.post("/api/sites/clinic/check", json={"remedies": True}).json()
    assert verdicts(now) == {one["satellite"]["name"]: one["verdict"] for one in checked["results"]}
    assert now["count"] == 67


@pytest.mark.slow
def test_while_a_row_cannot_be_read_no_verdict_is_clear_and_none_gets_better(client):
    rows = rows_of(read(client))
    whole = verdicts(survey(client, rows))
    assert whole["Demo South"] == "clear"
    worse = {"blocked": 0, "unknown": 1, "marginal": 2, "needs-survey": 3, "clear": 4}
    for number in (0, 20, 40, 66):
        damaged = [dict(row, cells=dict(row["cells"])) for row in rows]
        damaged[number]["cells"]["elevation_deg"] += "x"
        now = survey(client, damaged)
        assert now["faults"][number][0]["field"] == "elevation_deg"
        assert "no verdict is given" in now["held"]
        for name, verdict in verdicts(now).items():
            assert verdict in ("unknown", "blocked")
            assert worse[verdict] <= worse[whole[name]] or whole[name] == "blocked"


@pytest.mark.slow
def test_each_reading_makes_the_list_of_what_is_unmeasured_shorter(client):
    def left(rows):
        found = survey(client, rows, "shieling")["satellites"]
        return next(one["unmeasured"]["to_read"] for one in found if one["name"] == "Demo South")

    first = left([])
    assert len(first) > 4
    rows = [new(azimuth_deg=f"{azimuth:g}", elevation_deg="9", distance_m="300") for azimuth in first]
    middle = left(rows[:4])
    assert set(middle) < set(first)
    assert left(rows) == []


def test_a_strip_is_drawn_from_the_rows_and_says_what_it_shows(client):
    rows = rows_of(read(client))
    answer = client.post(f"{NOW}/strip", json={"rows": rows, "satellite": "Demo South"}).json()
    assert answer["svg"].startswith("<?xml")
    assert answer["description"].startswith("The sky around Demo South")
    fewer = client.post(f"{NOW}/strip", json={"rows": rows[:30], "satellite": "Demo South"}).json()
    assert fewer["svg"] != answer["svg"]
    assert client.post(f"{NOW}/strip", json={"rows": rows, "satellite": "Nobody"}).status_code == 422


def test_sightings_and_their_rest_are_shown_with_unsaved_edits(client):
    rows = rows_of(read(client))
    one = survey(client, rows)
    assert [sighting["name"] for sighting in one["sightings"]] == ["harbour light"]
    edits = [{"path": ["landmarks", 0, "measured_bearing_deg"], "value": 38.5}]
    two = survey(client, rows, edits=edits)
    assert {sighting["name"] for sighting in two["sightings"]} == {"chapel spire", "harbour light"}
    assert two["correction"] != one["correction"]


def test_a_wrong_value_of_the_site_is_told_with_its_path(client):
    edits = [{"path": ["survey", "bearings"], "value": "magnetical"}]
    answer = client.post(NOW, json={"rows": [], "edits": edits})
    assert answer.status_code == 422
    assert answer.json()["path"] == ["survey", "bearings"]


@pytest.mark.parametrize(
    "body",
    [
        {"rows": 3},
        {"rows": [3]},
        {"rows": [{"cells": {"azimuth_deg": 3}}]},
        {"rows": [{"cells": {}, "key": -1}]},
        {"rows": [{"cells": {}}] * 4000},
        {"rows": [{"cells": {str(k): "" for k in range(60)}}]},
    ],
)
def test_requests_of_another_form_are_refused_in_a_sentence(client, body):
    answer = client.post(NOW, json=body)
    assert answer.status_code == 422
    assert answer.json()["error"]


def test_pasted_cells_come_back_as_rows(client):
    answer = client.post(f"{READINGS}/pasted", json={"text": "146\t34,5\t22,9\ttree\n148\t36,5\n"})
    assert [row["cells"] for row in answer.json()["rows"]] == [
        {"azimuth_deg": "146", "elevation_deg": "34,5", "distance_m": "22,9", "kind": "tree"},
        {"azimuth_deg": "148", "elevation_deg": "36,5"},
    ]
    assert client.post(f"{READINGS}/pasted", json={"text": "azimut_deg\televation_deg\n"}).status_code == 422


@pytest.mark.parametrize(
    "text", ["\x00\x01", "a\tb\n" * 10, '"' * 50, "azimuth_deg,elevation_deg\n" + "1,2\n" * 5000]
)
def test_pasted_junk_is_kept_as_text_or_refused_and_never_fails(client, text):
    answer = client.post(f"{READINGS}/pasted", json={"text": text})
    assert answer.status_code in (200, 422)
    assert answer.status_code == 200 or answer.json()["error"]


def test_the_page_opens_even_where_the_table_is_no_table(client, folder):
    (folder / "clinic_horizon.csv").write_bytes(b"\xff\x00\xff")
    assert client.get("/sites/clinic/survey").status_code == 200
    assert client.get(READINGS).status_code == 422

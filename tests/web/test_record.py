"""The record page's API: sheets, photographs, as-built values, records and what changed between them."""

import io
import json
import re
import struct
import zlib

import pytest
from click.testing import CliRunner
from PIL import Image

from skysill.cli.group import main
from skysill.io.as_built import read_as_built

RECORD = "/api/sites/farm/record"


def jpeg(size=(60, 40), colour="red"):
    file = io.BytesIO()
    Image.new("RGB", size, colour).save(file, "JPEG")
    return file.getvalue()


def attach(client, name, raw, site="farm"):
    return client.put(f"/api/sites/{site}/photos/{name}", content=raw)


def make(client, state, **more):
    """Starts the task of a record and gives its result."""
    body = {"kind": "record", "site": "farm", "mount": "tower", "day": "2026-06-15", **more}
    answer = client.post("/api/tasks", json=body)
    assert answer.status_code == 200, answer.text
    task = state.tasks.get(answer.json()["task"])
    assert task.ended.wait(120)
    return client.get(f"/api/tasks/{task.key}").json()


@pytest.fixture
def one_satellite(folder):
    """The farm's file with its first satellite alone: few pages to make in a record."""
    path = folder / "farm.toml"
    others = r'\[\[satellites\]\]\nname = "Demo (West|East)"\n.*\n\n'
    path.write_text(re.sub(others, "", path.read_text(encoding="utf-8")), encoding="utf-8")


@pytest.fixture
def mount(client):
    return client.post(RECORD, json={}).json()["mounts"][0]


def test_cautions_verdicts_and_choices_come_first(client):
    found = client.post(RECORD, json={}).json()
    assert found["cautions"]
    assert {one["name"] for one in found["verdicts"]} == set(found["satellites"])
    assert found["records"] == []


@pytest.mark.slow
def test_a_record_is_that_of_the_command_and_the_next_one_says_what_changed(
    client, state, folder, one_satellite, mount
):
    attach(client, "gable.jpg", jpeg())
    done = make(client, state, mount=mount, by="surveyor 1")
    assert done["state"] == "done", done
    first = done["result"]
    assert first["changes"] is None
    arguments = [
        "report", str(folder / "farm.toml"), "--mount", mount, "--day", "2026-06-15", "--by", "surveyor 1",
        "--photo", str(folder / "farm-photo-gable.jpg"), "--out", str(folder / "command.html"),
    ]  # fmt: skip
    assert CliRunner().invoke(main, arguments).exit_code == 0
    page = client.get(f"/sites/farm/records/{first['record']['html']}")
    assert page.text == (folder / "command.html").read_text(encoding="utf-8")
    assert "sandbox" in page.headers["content-security-policy"]
    assert client.get(f"/sites/farm/records/{first['record']['pdf']}").content.startswith(b"%PDF-")

    site = folder / "farm.toml"
    attach(client, "mast.jpg", jpeg(colour="blue"))
    site.write_text(site.read_text() + '\n[[landmarks]]\nname = "x"\nposition = "58.04 N 24.60 W"\n')
    second = make(client, state, mount=mount, by="surveyor 2")["result"]
    assert second["changes_heading"] == "What changed since the record of 2026-06-15, by surveyor 1"
    assert "farm.toml (site file) is another file now." in second["changes"]
    assert "New photographs: farm-photo-mast.jpg." in second["changes"]
    assert second["record"]["html"] != first["record"]["html"]
    kept = client.get(f"/sites/farm/records/{first['record']['html']}")
    assert kept.text == page.text
    assert len(client.post(RECORD, json={}).json()["records"]) == 2
    assert "What changed since" in client.get(f"/sites/farm/records/{second['record']['html']}").text


@pytest.mark.slow
def test_a_record_that_cannot_be_made_writes_nothing(client, state, folder, one_satellite, mount):
    before = sorted(path.name for path in folder.iterdir())
    (folder / "farm_as_built.toml").write_text('satellite = "Nobody"\n')
    failed = make(client, state, mount=mount)
    assert failed["state"] == "failed"
    assert "was not asked" in failed["error"]
    (folder / "farm_as_built.toml").unlink()
    assert sorted(path.name for path in folder.iterdir()) == before


@pytest.mark.parametrize(
    ("more", "said", "field"),
    [
        ({"day": "tomorrow"}, "is not a day", "day"),
        ({"zone": "Nowhere/City"}, "is not a time zone", "zone"),
        ({"paper": "a0"}, "is no paper", "paper"),
        ({"by": "x" * 300}, "is longer than", "by"),
    ],
)
def test_what_is_wrong_with_a_wish_is_told_at_its_field(client, more, said, field):
    answer = client.post("/api/tasks", json={"kind": "record", "site": "farm", **more})
    assert answer.status_code == 422
    assert (said in answer.json()["error"], answer.json()["field"]) == (True, field)


@pytest.mark.slow
def test_a_sheet_is_that_of_the_command_in_all_three_forms(client, folder):
    asked = {"day": "2026-06-14", "zone": "Atlantic/Azores"}
    found = client.post("/api/sites/shieling/sheet", json=asked).json()
    assert found["decide"] > 4
    arguments = ["sheet", str(folder / "shieling.toml"), "--day", asked["day"], "--zone", asked["zone"]]
    for kind in ("html", "pdf"):
        out = folder / f"shieling_sheet.{kind}"
        assert CliRunner().invoke(main, [*arguments, "--out", str(out)]).exit_code == 0
        page = client.get(f"/sites/shieling/sheet.{kind}", params=asked)
        assert page.content == out.read_bytes(), kind
    table = client.get("/sites/shieling/sheet.csv", params=asked)
    assert table.text == (folder / "shieling_sheet.csv").read_text(encoding="utf-8")
    assert client.get("/sites/shieling/sheet.exe", params=asked).status_code == 404


def test_a_revisit_without_readings_is_refused_in_a_sentence(client):
    answer = client.post("/api/sites/shieling/sheet", json={"revisit": True})
    assert answer.status_code == 422
    assert "there are no readings yet" in answer.json()["error"]


# --- photographs ---------------------------------------------------------------------------------------------------


def bomb():
    """A PNG of a few hundred bytes that says it has 60 000 by 60 000 pixels."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 100))
        + chunk(b"IEND", b"")
    )


def gif():
    file = io.BytesIO()
    Image.new("RGB", (4, 4)).save(file, "GIF")
    return file.getvalue()


def webp():
    file = io.BytesIO()
    Image.new("RGB", (4, 4)).save(file, "WEBP")
    return file.getvalue()


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"", "is not a picture"),
        (b"<html><script>alert(1)</script></html>", "is not a picture"),
        (b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", "is not a picture"),
        (b"%PDF-1.4\n", "is not a picture"),
        (gif(), "is not a picture"),
        (webp(), "is not a JPEG or PNG"),
        (jpeg((2000, 1500))[:-4000], "is a damaged picture"),
        (bomb(), "too many"),
    ],
)
def test_what_is_no_photograph_is_refused_before_anything_is_written(client, folder, raw, said):
    before = sorted(path.name for path in folder.iterdir())
    answer = attach(client, "gable.jpg", raw)
    assert answer.status_code == 422
    assert said in answer.json()["error"]
    assert sorted(path.name for path in folder.iterdir()) == before


@pytest.mark.parametrize(
    "name",
    ["..%2F..%2Fclinic.toml", "%2e%2e", "clinic.toml", "farm.toml", ".hidden.jpg", "con.jpg", "a%00b.jpg", "x" * 400,
     "%E2%80%AEgpj.exe", "C:%5Cwindows%5Ca.jpg", "farm-photo-..jpg", "<b>.jpg"],
)  # fmt: skip
def test_names_that_play_tricks_become_plain_ones_in_the_folder(client, folder, name):
    sites = {path: path.read_bytes() for path in folder.glob("*.toml")}
    before = {path.name for path in folder.iterdir()}
    above = {path.name for path in folder.parent.iterdir()}
    answer = attach(client, name, jpeg())
    assert answer.status_code in (200, 404)
    added = {path.name for path in folder.iterdir()} - before
    assert {path.name for path in folder.parent.iterdir()} == above
    assert all(path.read_bytes() == raw for path, raw in sites.items())
    if answer.status_code == 200:
        assert added == {answer.json()["file"]}
        assert added.pop().replace("farm-photo-", "").replace(".jpg", "").replace("-", "").isalnum()


def test_photographs_of_one_name_do_not_replace_each_other(client, folder):
    first, second = (
        attach(client, "image.jpg", jpeg(colour=colour)).json()["file"] for colour in ("red", "blue")
    )
    assert (first, second) == ("farm-photo-image.jpg", "farm-photo-image-2.jpg")
    assert (folder / first).read_bytes() != (folder / second).read_bytes()


def test_a_photograph_is_shown_small_as_a_picture_of_its_own(client):
    attach(client, "big.jpg", jpeg((1500, 900)))
    shown = client.get("/api/sites/farm/photos/farm-photo-big.jpg")
    assert shown.headers["content-type"] == "image/jpeg"
    assert shown.headers["x-content-type-options"] == "nosniff"
    assert max(Image.open(io.BytesIO(shown.content)).size) == 640


def test_only_photographs_of_the_site_are_shown_and_removed(client, folder):
    attach(client, "gable.jpg", jpeg(), site="clinic")
    for file in ("clinic-photo-gable.jpg", "farm.toml", "clinic_horizon.csv"):
        assert client.get(f"/api/sites/farm/photos/{file}").status_code == 404
        assert client.delete(f"/api/sites/farm/photos/{file}").status_code == 404
    assert (folder / "clinic-photo-gable.jpg").exists()
    assert client.delete("/api/sites/clinic/photos/clinic-photo-gable.jpg").json()["photos"] == []
    assert not (folder / "clinic-photo-gable.jpg").exists()


def test_a_photograph_over_the_limit_is_refused_before_it_is_read(client):
    answer = client.put(
        "/api/sites/farm/photos/big.jpg", content=b"", headers={"content-length": str(26_000_000)}
    )
    assert answer.status_code == 413


# --- as-built values -------------------------------------------------------------------------------------------------


def test_as_built_values_are_read_changed_and_kept_with_their_comments(client, folder):
    path = folder / "clinic_as_built.toml"
    before = path.read_text(encoding="utf-8")
    found = client.get("/api/sites/clinic/as-built").json()
    assert found["values"]["height_m"] == "4.1"
    body = {
        "revision": found["revision"],
        "values": {**found["values"], "height_m": "4,35"},
        "tapes": found["tapes"],
    }
    assert client.put("/api/sites/clinic/as-built", json=body).status_code == 200
    assert path.read_text(encoding="utf-8") == before.replace("height_m = 4.1 ", "height_m = 4.35 ")
    again = client.put("/api/sites/clinic/as-built", json=body)
    assert again.status_code == 409
    assert again.json()["values"]["height_m"] == "4.35"


def test_wrong_as_built_values_are_told_at_their_fields_and_nothing_is_written(client, folder):
    body = {
        "revision": "new",
        "values": {"height_m": "tall", "azimuth_deg": "400"},
        "tapes": [["corner", ""]],
    }
    answer = client.put("/api/sites/farm/as-built", json=body)
    assert answer.status_code == 422
    assert set(answer.json()["faults"]) == {"height_m", "azimuth_deg", "tape_m"}
    assert not (folder / "farm_as_built.toml").exists()


def test_photographs_of_the_finished_work_are_named_in_the_as_built_file(client, folder):
    attach(client, "dish.jpg", jpeg())
    body = {"revision": "new", "values": {"by": "A"}, "tapes": [["corner", "3,5"]],
            "photos": ["farm-photo-dish.jpg", "../secret.jpg"]}  # fmt: skip
    assert client.put("/api/sites/farm/as-built", json=body).status_code == 200
    read = read_as_built(folder / "farm_as_built.toml")
    assert read.photos == (str(folder / "farm-photo-dish.jpg"),)
    assert read.tape_m == (("corner", 3.5),)


def test_an_as_built_file_that_names_a_picture_elsewhere_makes_no_record(client, state, folder, mount):
    outside = folder.parent / "private.jpg"
    outside.write_bytes(jpeg())
    (folder / "farm_as_built.toml").write_text(
        f'satellite = "Demo South"\nphoto = {json.dumps(str(outside))}\n', encoding="utf-8"
    )
    failed = make(client, state, mount=mount)
    assert failed["state"] == "failed"
    assert "does not lie beside the site file" in failed["error"]


def test_a_record_of_another_site_or_another_file_is_not_shown(client, folder):
    (folder / "clinic-record-2026-06-15-x.json").write_text("{}")
    (folder / "clinic-record-2026-06-15-x.html").write_text("<p>")
    assert client.get("/sites/clinic/records/clinic-record-2026-06-15-x.html").status_code == 200
    for file in ("clinic.toml", "clinic-record-2026-06-15-x.json", "..%2Fclinic.toml"):
        assert client.get(f"/sites/clinic/records/{file}").status_code == 404
    assert client.get("/sites/farm/records/clinic-record-2026-06-15-x.html").status_code == 404

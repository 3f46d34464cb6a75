"""Small answers of the server: addresses that do not exist, edits that say too little, two writers at one moment."""

import pytest

from skysill.io.site_store import RevisionConflictError
from skysill.web import state as states


def test_what_is_not_there_and_what_may_not_be_asked_so_are_told_apart(client):
    gone, wrong = client.get("/api/nowhere"), client.delete("/api/sites")
    assert (gone.status_code, gone.json()["error"]) == (404, "There is nothing at this address.")
    assert (wrong.status_code, wrong.json()["error"]) == (405, "Method Not Allowed.")
    assert "There is nothing at this address." in client.get("/nowhere").text


@pytest.mark.parametrize("missing", ["revision", "edits"])
def test_an_edit_needs_its_revision_and_its_edits(client, folder, missing):
    before = (folder / "clinic.toml").read_bytes()
    edit = {"revision": client.get("/api/sites/clinic").json()["revision"],
            "edits": [{"path": ["name"], "value": "Clinic"}]}  # fmt: skip
    del edit[missing]
    answer = client.patch("/api/sites/clinic", json=edit)
    assert (answer.status_code, answer.json()["error"]) == (422, "An edit gives revision and edits.")
    assert (folder / "clinic.toml").read_bytes() == before


def test_a_writer_who_comes_between_reading_and_writing_is_a_conflict_with_both_values(
    client, state, monkeypatch
):
    read, height = client.get("/api/sites/clinic").json(), ["mounts", 0, "height_m"]

    def overtaken(name, text, *, revision):
        path = state.store.folder / "clinic.toml"
        path.write_text(path.read_text().replace("height_m = 4.4", "height_m = 1.1"))
        now = state.store.read(name)
        raise RevisionConflictError("clinic.toml", now.revision, now.text)

    monkeypatch.setattr(type(state.store), "write", lambda store, *given, **more: overtaken(*given, **more))
    given = {"revision": read["revision"], "edits": [{"path": height, "value": 3.5}]}
    answer = client.patch("/api/sites/clinic", json=given)
    assert answer.status_code == 409
    assert answer.json()["fields"] == [height]
    assert answer.json()["site"]["mounts"][0]["height_m"] == 1.1


def test_the_texts_read_last_are_remembered(monkeypatch):
    monkeypatch.setattr(states, "_MOST_TEXTS", 3)
    kept = states.RecentTexts()
    for revision in ("1", "2", "3", "1", "4"):
        kept.keep(revision, f"text {revision}")
    assert [kept.get(str(n)) for n in range(1, 5)] == ["text 1", None, "text 3", "text 4"]

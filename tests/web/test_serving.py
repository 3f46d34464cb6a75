"""The command and its server: started, reached, stopped; many requests at once; jobs kept ready; tasks."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from click.testing import CliRunner

from skysill.cli import serve as command
from skysill.cli.group import main
from skysill.io.job_options import JobOptions
from skysill.web import server
from skysill.web.addresses import reasons_for_readers
from skysill.web.tasks import TaskBoard
from skysill.web.warm_jobs import WarmJobs


def run(*words):
    return CliRunner().invoke(main, ["serve", *words, "--no-browser"], prog_name="skysill")


@pytest.mark.slow
@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_the_command_serves_until_it_is_stopped_and_ends_cleanly(folder, stop):
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        [sys.executable, "-m", "skysill.cli.main", "serve", str(folder), "--port", "0", "--no-browser"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
    ) as process:  # fmt: skip
        line = process.stdout.readline()
        port = int(line.rpartition(":")[2].split("/")[0])
        with socket.create_connection(("127.0.0.1", port), 10) as asking:
            asking.sendall(f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            assert asking.recv(100).startswith(b"HTTP/1.1 200")
        process.send_signal(stop)
        out, errors = process.communicate(timeout=20)
    assert process.returncode == 0, errors
    assert "Traceback" not in errors
    assert "stopped." in out + errors


def test_a_port_that_is_taken_is_told_in_one_line(folder):
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        done = run(str(folder), "--port", str(other.getsockname()[1]))
    assert done.exit_code == 2
    assert "is taken by another program. Give another one with --port" in done.output


@pytest.mark.parametrize(("words", "said"), [
    (["--bind", "192.0.2.200"], "is not an address of this machine"),
    (["--bind", "no-such-name.invalid"], "is not an address of this machine"),
    (["--port", "70000"], "--port"),
])  # fmt: skip
def test_wrong_options_are_told_in_one_line(folder, words, said):
    done = run(str(folder), *words)
    assert done.exit_code == 2
    assert said in done.output
    assert "Traceback" not in done.output


def test_a_folder_that_is_none_is_told_in_one_line(tmp_path):
    assert run(str(tmp_path / "nowhere")).exit_code == 2


def test_without_the_extra_one_line_says_how_to_install_it(folder, monkeypatch):
    monkeypatch.setattr(command, "_EXTRA", ("starlette", "a_library_that_is_not_there"))
    done = run(str(folder))
    assert done.exit_code == 2
    assert 'pip install "skysill[web]"' in done.output
    assert "a_library_that_is_not_there" in done.output


def test_other_addresses_print_a_link_with_the_token_behind_the_hash(folder):
    from skysill.io.site_store import SiteStore

    state = server.new_state(SiteStore(folder), host="0.0.0.0", port=8417)
    link = server.link_of(state, "192.0.2.7")
    assert link == f"http://192.0.2.7:8417/enter#{state.access.token}"
    assert len(state.access.token) >= 22  # 128 bits in base 64


def test_a_connection_that_sends_nothing_is_closed(state, monkeypatch):
    monkeypatch.setattr(server, "_HEADER_SECONDS", 0.05)
    listening = server.taken_socket("127.0.0.1", 0)
    address, ready = listening.getsockname(), threading.Event()
    import uvicorn

    monkeypatch.setattr(
        uvicorn.Server, "capture_signals", lambda self: __import__("contextlib").nullcontext()
    )
    kept = {}
    monkeypatch.setattr(server._Server, "_started_call", None, raising=False)
    original = server._Server.startup

    async def startup(self, sockets=None):
        kept["server"] = self
        await original(self, sockets)

    monkeypatch.setattr(server._Server, "startup", startup)
    thread = threading.Thread(target=server.serve, args=(state, listening), kwargs={"started": ready.set})
    thread.start()
    try:
        assert ready.wait(20)
        with socket.create_connection(address, 10) as silent:
            assert silent.recv(1) == b""  # closed by the server
        with socket.create_connection(address, 10) as slow:
            slow.sendall(b"GET / HTTP/1.1\r\nHost:")
            assert slow.recv(1) == b""
    finally:
        kept["server"].should_exit = True
        thread.join(20)


@pytest.mark.slow
def test_fifty_checks_at_once_all_give_the_answer_that_one_gives(client):
    """Three sites, so that jobs are read while others are assessed."""
    asked = [
        ("clinic" if number % 10 == 0 else "school" if number % 10 == 1 else "farm", number % 3)
        for number in range(50)
    ]

    def check(of):
        name, step = of
        given = {"height_m": 1.0 + 0.25 * step, "satellites": ["Demo South"]}
        return client.post(f"/api/sites/{name}/check", json=given)

    with ThreadPoolExecutor(50) as pool:
        answers = list(pool.map(check, asked))
    assert {answer.status_code for answer in answers} == {200}
    alone = {of: check(of).json()["results"] for of in set(asked)}
    for of, answer in zip(asked, answers, strict=True):
        assert rounded(answer.json()["results"]) == rounded(alone[of])


def rounded(value):
    """Results without their last digits: the window of a raster begins where the first request asked."""
    if isinstance(value, dict):
        return {key: rounded(one) for key, one in value.items()}
    if isinstance(value, list):
        return [rounded(one) for one in value]
    return round(value, 7) if isinstance(value, float) else value


def test_a_slider_is_answered_while_remedies_are_searched(client, monkeypatch):
    from skysill.remedies import search

    going, go_on, original = threading.Event(), threading.Event(), search.with_remedies

    def slow(*words, **more):
        going.set()
        assert go_on.wait(5)
        return original(*words, **more)

    monkeypatch.setattr(search, "with_remedies", slow)
    with ThreadPoolExecutor(6) as pool:
        asked = [pool.submit(client.post, "/api/sites/farm/check", json={"remedies": True}) for _ in range(5)]
        assert going.wait(20)
        assert client.post("/api/sites/farm/check", json={"height_m": 2.0}).status_code == 200
        assert not any(one.done() for one in asked)
        go_on.set()
        assert {one.result().status_code for one in asked} == {200}


def test_pictures_asked_for_at_once_are_those_made_one_by_one(client):
    asked = {"pictures": ["profile"], "satellites": ["Demo South"]}
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: client.post("/api/sites/farm/check", json=asked).json(), range(4)))
    pictures = {answer["pictures"]["profile"] for answer in answers}
    assert len(pictures) == 1
    assert pictures.pop().startswith("<?xml")


def test_a_job_is_read_again_when_a_file_that_it_rests_on_changes(folder):
    jobs, options = WarmJobs(), JobOptions(site_file=str(folder / "clinic.toml"))
    first = jobs.get(options)
    assert jobs.get(options) is first
    readings = folder / "clinic_horizon.csv"
    readings.write_text(readings.read_text() + "200.0,5.0,,,,,\n")
    second = jobs.get(options)
    assert second is not first
    assert len(second.job.sources.readings.azimuth_deg) == len(first.job.sources.readings.azimuth_deg) + 1
    (folder / "clinic.toml").write_text((folder / "clinic.toml").read_text().replace("4.4", "4.5"))
    assert jobs.get(options).job.mounts[0].height_m == 4.5


def test_rasters_are_read_once_for_all_edits_of_a_site(folder):
    jobs, path = WarmJobs(), folder / "clinic.toml"
    text = path.read_text()
    first = jobs.get(JobOptions(site_file=str(path), site_text=text))
    second = jobs.get(JobOptions(site_file=str(path), site_text=text.replace("4.4", "4.5")))
    assert second is not first
    for one, other in zip(first.job.sources.rasters, second.job.sources.rasters, strict=True):
        assert one is other


def test_only_so_many_jobs_are_kept(folder):
    jobs, path = WarmJobs(most=2), folder / "farm.toml"
    options = [JobOptions(site_file=str(path), mount_height_m=height) for height in (1.0, 2.0, 3.0)]
    first = [jobs.get(one) for one in options]
    assert jobs.get(options[2]) is first[2]
    assert jobs.get(options[0]) is not first[0]


def test_a_task_tells_its_progress_is_cancelled_and_tells_its_fault():
    from skysill.errors import InputError

    board, going, go_on = TaskBoard(), threading.Event(), threading.Event()

    def long(progress):
        for number in range(1000):
            progress(number, 1000)
            if number == 5:
                going.set()
                go_on.wait(20)
        return "done"

    def wrong(progress):
        raise InputError("is wrong.", where="list.csv, row 3")

    task = board.start("long", long)
    assert going.wait(20)
    assert (task.state, task.done, task.of) == ("running", 5, 1000)
    board.cancel(task.key)
    go_on.set()
    assert task.ended.wait(20)
    assert (task.state, task.result) == ("cancelled", None)
    failed = board.start("wrong", wrong)
    assert failed.ended.wait(20)
    assert (failed.state, str(failed.fault)) == ("failed", "list.csv, row 3: is wrong.")


def wait_for(client, key):
    for _ in range(600):
        told = client.get(f"/api/tasks/{key}").json()
        if told["state"] not in ("waiting", "running"):
            return told
        time.sleep(0.05)
    raise AssertionError(told)


def test_a_list_is_screened_as_the_command_does_and_its_map_has_the_rows_order(client, folder, tmp_path):
    raw = (folder / "addresses_mixed.csv").read_bytes()
    key = client.post("/api/lists", content=raw, headers={"x-file-name": "..%2F..%2Fweek.csv"}).json()["list"]
    asked = {
        "kind": "screen",
        "list": key,
        "like": "farm",
        "satellites": ["Demo South=24.0W"],
        "format": "geojson",
    }
    told = wait_for(client, client.post("/api/tasks", json=asked).json()["task"])
    assert told["state"] == "done", told["error"]
    result = told["result"]
    assert (result["screened"], result["rejected"], len(result["rows"])) == (27, 3, 27)
    places = json.loads(client.get(result["download"]).content)["features"]
    at = result["columns"].index("verdict")
    for row, latitude, longitude, feature in zip(
        result["rows"], result["latitude_deg"], result["longitude_deg"], places, strict=True
    ):
        assert [longitude, latitude] == pytest.approx(feature["geometry"]["coordinates"][:2], abs=1e-6)
        assert row[at] == feature["properties"]["verdict"]
    assert [row[0] for row in result["rejects"]] == ["29", "30", "31"]
    assert client.get(f"/api/lists/{key}/addresses.csv").status_code == 404


@pytest.mark.parametrize(("asked", "said"), [
    ({"kind": "nothing"}, "is no kind of task"),
    ({"kind": "screen", "list": "x"}, "this list is not here"),
    ({"kind": "screen", "format": "xlsx"}, "is no format"),
    ({"kind": "screen", "satellites": ["moon"]}, "moon"),
    ({"kind": "screen", "position_kind": "guess"}, "guess"),
])  # fmt: skip
def test_a_task_that_cannot_be_started_says_why(client, folder, asked, said):
    if "list" not in asked:
        raw = (folder / "addresses_mixed.csv").read_bytes()
        asked["list"] = client.post("/api/lists", content=raw, headers={"x-file-name": "week.csv"}).json()[
            "list"
        ]
    answer = client.post("/api/tasks", json=asked)
    assert answer.status_code in (404, 422)
    assert said in answer.json()["error"]


def test_reasons_on_the_page_of_addresses_name_no_options():
    columns, row = ("reason", "id", "verdict", "reason"), ["(type of roof)", "7", "needs-survey", ""]
    row[3] = "Nobody looked. Measure the horizon there (type --horizon FILE), or ask. Give highest_ground_m."
    assert reasons_for_readers(columns, [row]) == [
        ["(type of roof)", "7", "needs-survey", "Nobody looked. Measure the horizon there, or ask."]
    ]
    assert reasons_for_readers(("id",), [["7"]]) == [["7"]]

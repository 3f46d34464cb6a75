"""Who may ask, and what: host names, origins, token, sizes, slow requests, names of files."""

import asyncio
import json
import re
import threading

import pytest
from hypothesis import HealthCheck, given, settings, strategies

from skysill.io.site_store import SiteStore
from skysill.web.app import create_app
from skysill.web.server import new_state

PORT = 8417
HERE = f"127.0.0.1:{PORT}"


def ask(app, method="GET", path="/api/sites", headers=(), parts=(b"",), after=None):
    """Status, headers and body of one request, made without a client that would correct it.

    parts : pieces of the body; after : called instead of a further piece, once all are read
    """
    pieces, sent = list(parts), []

    async def receive():
        if pieces:
            body = pieces.pop(0)
            return {"type": "http.request", "body": body, "more_body": bool(pieces) or after is not None}
        if after is not None:
            await after()
        return {"type": "http.disconnect"}

    async def send(message):
        sent.append(message)

    scope = {
        "type": "http", "method": method, "path": path, "raw_path": path.encode(), "query_string": b"",
        "scheme": "http",
        "headers": [(name.lower().encode(), value.encode()) for name, value in headers], "http_version": "1.1",
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", PORT), "root_path": "", "asgi": {"version": "3.0"},
    }  # fmt: skip
    # in a thread of its own: a browser test before it may have left an event loop in this one
    thread = threading.Thread(target=lambda: asyncio.run(app(scope, receive, send)))
    thread.start()
    thread.join()
    body = b"".join(message.get("body", b"") for message in sent[1:])
    return sent[0]["status"], {name.decode(): value.decode() for name, value in sent[0]["headers"]}, body


@pytest.fixture
def app(state):
    return create_app(state)


@pytest.fixture
def open_state(folder):
    """A server that other machines reach."""
    return new_state(SiteStore(folder), host="0.0.0.0", port=PORT, names=["office.example"])


@pytest.mark.parametrize("host", [HERE, f"localhost:{PORT}", f"[::1]:{PORT}"])
def test_its_own_names_are_answered(app, host):
    assert ask(app, headers=[("host", host)])[0] == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", f"evil.example:{PORT}", "127.0.0.1:1", "127.0.0.1", f"192.0.2.7:{PORT}", f"a@{HERE}", "",
     f"{HERE}/x",
     f"127.0.0.1.evil.example:{PORT}"],
)  # fmt: skip
def test_other_host_names_are_refused_so_that_no_name_can_be_bound_to_this_machine(app, host):
    """DNS rebinding: a page under a name of its own makes the name point here."""
    assert ask(app, headers=[("host", host)])[0] == 421


def test_a_request_has_one_host(app):
    assert ask(app, headers=[("host", HERE), ("host", HERE)])[0] == 421
    assert ask(app, headers=[])[0] == 421


@pytest.mark.parametrize(
    "extra",
    [
        [("origin", "http://evil.example")],
        [("origin", "null")],
        [("origin", "http://127.0.0.1:1")],
        [("origin", f"https://{HERE}")],
        [("sec-fetch-site", "cross-site")],
        [("sec-fetch-site", "same-site")],
    ],
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_requests_from_other_sites_are_refused(app, extra, method):
    headers = [("host", HERE), ("x-skysill", "1"), *extra]
    assert ask(app, method, "/api/sites", headers)[0] == 403


def test_a_link_from_elsewhere_opens_a_page_but_asks_nothing_of_the_api(app):
    followed = [("host", HERE), ("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate")]
    assert ask(app, "GET", "/", followed)[0] == 200
    assert ask(app, "GET", "/api/sites", followed)[0] == 403


@pytest.mark.parametrize(("method", "path"), [
    ("POST", "/api/sites"), ("PATCH", "/api/sites/clinic"), ("PUT", "/api/sites/clinic/files/a.csv"),
    ("DELETE", "/api/tasks/a"), ("POST", "/api/sites/clinic/check"), ("POST", "/api/lists"), ("POST", "/api/enter"),
])  # fmt: skip
def test_what_changes_something_carries_a_header_that_forms_cannot_send(app, method, path):
    assert ask(app, method, path, [("host", HERE)])[0] == 403
    assert ask(app, method, path, [("host", HERE), ("x-skysill", "1")])[0] != 403


def test_every_answer_has_the_headers(app):
    for path in ("/", "/api/sites", "/static/theme.css", "/nowhere", "/api/nowhere"):
        _, headers, _ = ask(app, "GET", path, [("host", HERE)])
        assert "default-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert "access-control-allow-origin" not in headers


def test_a_server_that_others_reach_asks_for_its_token(open_state):
    app = create_app(open_state)
    host = ("host", f"192.0.2.7:{PORT}")
    assert ask(app, headers=[host])[0] == 401
    assert ask(app, "GET", "/", [host])[:2][1]["location"] == "/enter"
    assert ask(app, "GET", "/enter", [host])[0] == 200
    assert ask(app, headers=[("host", f"evil.example:{PORT}")])[0] == 421
    assert ask(app, headers=[("host", f"office.example:{PORT}")])[0] == 401
    marked = [host, ("x-skysill", "1")]
    for wrong in ("", "x", open_state.access.token[:-1], open_state.access.token.swapcase()):
        assert ask(app, "POST", "/api/enter", marked, [json.dumps({"token": wrong}).encode()])[0] == 401
    right = json.dumps({"token": open_state.access.token}).encode()
    status, headers, _ = ask(app, "POST", "/api/enter", marked, [right])
    assert status == 200
    assert "HttpOnly" in headers["set-cookie"]
    assert "samesite=strict" in headers["set-cookie"].lower()
    cookie = headers["set-cookie"].partition(";")[0]
    assert open_state.access.token not in cookie
    assert ask(app, headers=[host, ("cookie", cookie)])[0] == 200
    assert ask(app, headers=[host, ("cookie", f"{cookie}x")])[0] == 401


def test_a_loopback_server_asks_for_none(state):
    assert state.access.token is None


@pytest.mark.parametrize("length", ["1000001", "99999999999999999999", "-1", "1e3", "many"])
def test_a_body_that_says_it_is_too_large_is_refused_unread(app, length):
    def never():
        raise AssertionError("the body was read")

    class Unread(list):
        def __bool__(self):
            return never()

    headers = [("host", HERE), ("x-skysill", "1"), ("content-length", length)]
    status, answered, body = ask(app, "POST", "/api/sites/clinic/check", headers, Unread())
    assert status == 413
    assert answered["connection"] == "close"
    assert "MB" in json.loads(body)["error"]


def test_a_body_without_a_length_is_cut_off_at_the_limit(app):
    pieces = [b"x" * 300_000] * 100
    headers = [("host", HERE), ("x-skysill", "1"), ("transfer-encoding", "chunked")]
    assert ask(app, "POST", "/api/sites/clinic/check", headers, pieces)[0] == 413


def test_a_body_that_does_not_come_is_given_up(state):
    state.access.body_seconds = 0.01
    headers = [("host", HERE), ("x-skysill", "1"), ("content-length", "10")]

    async def never():
        await asyncio.Event().wait()

    assert ask(create_app(state), "POST", "/api/sites/clinic/check", headers, [b"{"], never)[0] == 408


@pytest.mark.parametrize("body", [
    b"{", b"[]", b"1", b'"x"', b"\xff\xfe", b'{"edits": {}}', b'{"edits": [1]}', b'{"edits": [{"path": []}]}',
    b'{"height_m": NaN}',
    b'{"height_m": 1e999}', b'{"height_m": "2"}', b'{"height_m": true}', b'{"mount": 3}', b'{"satellites": [null]}',
    b'{"satellites": ["island.tif"]}', b'{"satellites": ["x=/etc/passwd"]}', b'{"pictures": ["moon"]}',
    b'{"east_m": 1e8}',
    b'{"edits": [{"path": ["mounts", -1], "value": 1}]}', b"[" * 100_000, b'{"mount": "' + b"x" * 10_000 + b'"}',
])  # fmt: skip
def test_wrong_requests_get_one_sentence(client, body):
    answer = client.post("/api/sites/clinic/check", content=body)
    assert answer.status_code == 422, answer.text
    assert "\n" not in answer.json()["error"]
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("text", ["{}", "Moving={}"])
def test_a_satellite_names_no_file(client, tmp_path, folder, text):
    """On a command line it may: an orbit file. A page's word must not make the server read one."""
    (tmp_path / "outside.json").write_bytes((folder / "orbit_demo.json").read_bytes())
    asked = {"satellites": [text.format(tmp_path / "outside.json")]}
    answer = client.post("/api/sites/clinic/check", json=asked)
    assert (answer.status_code, answer.json()["field"]) == (422, "satellites")


@pytest.mark.parametrize("file", ["/etc/passwd", "../../etc/passwd", "../outside.csv"])
@pytest.mark.parametrize(
    "path",
    [["survey", "horizon"], ["obstacles", "file"], ["terrain", "rasters", 0], ["satellites", 0, "orbit"]],
)
def test_an_edit_names_no_file_outside_the_folder(client, file, path):
    answer = client.post("/api/sites/clinic/check", json={"edits": [{"path": path, "value": file}]})
    assert answer.status_code == 422
    assert "outside the folder" in answer.json()["error"]


def test_a_link_out_of_the_folder_is_no_way_either(client, folder, tmp_path):
    (tmp_path / "outside.csv").write_text("azimuth_deg,elevation_deg\nsecret,1\n")
    (folder / "inside.csv").symlink_to(tmp_path / "outside.csv")
    answer = client.post(
        "/api/sites/clinic/check", json={"edits": [{"path": ["survey", "horizon"], "value": "inside.csv"}]}
    )
    assert answer.status_code == 422
    assert "secret" not in answer.text
    assert client.get("/api/sites/clinic/files/inside.csv").status_code in (404, 422)


BAD_NAMES = [
    "..", ".hidden.csv", "con.csv", "NUL.csv", "a\\b.csv", "a:b.csv", "x.csv ", "x.exe", "x", "island.tif",
    "x" * 200 + ".csv",
    "evil\u202egpj.csv", "a\nb.csv", "a%00.csv", "~x.csv", "clinic.toml", "farm.toml", "new.toml",
]  # fmt: skip


@pytest.mark.parametrize("name", BAD_NAMES)
def test_a_bad_name_of_a_file_writes_nothing(client, folder, name):
    from urllib.parse import quote

    before = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    body = b'position = "58 N 24 W"\n'
    answer = client.put(
        f"/api/sites/clinic/files/{quote(name, safe='%')}", content=body, headers={"if-none-match": "*"}
    )
    assert answer.status_code in (404, 405, 409, 422), answer.text
    assert {path: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before


@pytest.mark.parametrize(
    "path", ["..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/etc", "a%2fb", "clinic%00", "c~l~inic", "con"]
)
def test_a_bad_name_of_a_site_is_not_found(client, path):
    assert client.get(f"/api/sites/{path}").status_code == 404
    assert client.get(f"/sites/{path}/desk").status_code == 404


def test_files_are_replaced_only_by_whoever_has_read_them(client, folder):
    address = "/api/sites/clinic/files/clinic_horizon.csv"
    read = client.get(address)
    assert read.content == (folder / "clinic_horizon.csv").read_bytes()
    assert client.put(address, content=b"x").status_code == 422  # says nothing of what it replaces
    assert client.put(address, content=b"x", headers={"if-none-match": "*"}).status_code == 409
    assert client.put(address, content=b"x", headers={"if-match": '"0"'}).status_code == 409
    assert (folder / "clinic_horizon.csv").read_bytes() == read.content
    assert client.put(address, content=b"new", headers={"if-match": read.headers["etag"]}).status_code == 200
    assert (folder / "clinic_horizon.csv").read_bytes() == b"new"


@pytest.mark.parametrize("name", ["clinic", "farm"])
def test_no_site_file_is_a_file_beside_a_site(client, folder, name):
    """Whoever has read it may edit its values, but not put any bytes in its place."""
    before = (folder / f"{name}.toml").read_bytes()
    revision = client.get(f"/api/sites/{name}").json()["revision"]
    answer = client.put(
        f"/api/sites/clinic/files/{name}.toml", content=b"x = 1", headers={"if-match": revision}
    )
    assert answer.status_code == 422
    assert (folder / f"{name}.toml").read_bytes() == before


def test_a_file_may_be_larger_than_a_request_but_not_than_its_limit(client):
    new = {"if-none-match": "*"}
    assert (
        client.put("/api/sites/clinic/files/a.csv", content=b"x" * 2_000_000, headers=new).status_code == 200
    )
    assert (
        client.put("/api/sites/clinic/files/b.csv", content=b"x" * 25_000_001, headers=new).status_code == 413
    )


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    name=strategies.sampled_from(["a.csv", "a.geojson", "a.parquet", "a.json", "a.txt"]),
    body=strategies.one_of(
        strategies.binary(max_size=400),
        strategies.text(max_size=300).map(str.encode),
        strategies.text(alphabet='id,position;\n"58.0 N24W\t', max_size=300).map(str.encode),
        strategies.sampled_from(
            [b"PAR1", b"PAR1" * 20, b"\x1f\x8b", b"PK\x03\x04", b'{"type":"FeatureCollection"}']
        ),
    ),
)
def test_any_bytes_dropped_as_a_list_are_read_or_refused_in_one_line(client, name, body):
    answer = client.post("/api/lists", content=body, headers={"x-file-name": name})
    assert answer.status_code in (200, 422), answer.text
    if answer.status_code == 422:
        assert re.fullmatch(r"[^\n]+", answer.json()["error"])
        assert "skysill-lists-" not in answer.json()["error"]

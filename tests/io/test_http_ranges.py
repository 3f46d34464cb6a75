"""Byte ranges over http, against a server on this machine that misbehaves when told to. RFC 9110, section 14."""

import os

import pytest

from range_server import RangeServer
from skysill.errors import InputError
from skysill.io.elevation.allowed_hosts import allowed_hosts, parse_web_address
from skysill.io.elevation.http_ranges import RangeReader
from skysill.io.elevation.remote_source import ChangedError, HttpLimits, MissingError

BODY = bytes(range(256)) * 400
QUICK = HttpLimits(timeout_s=0.6, request_s=1.2, tries=2, waits_s=(0.0,), whole_bytes=200_000)


@pytest.fixture
def server(tmp_path):
    (tmp_path / "a.bin").write_bytes(BODY)
    with RangeServer(tmp_path) as running:
        running.readers = []
        yield running
        for one in running.readers:
            one.close()


def reader(server, path="/a.bin", *, hosts=None, limits=QUICK):
    allowed = allowed_hosts([server.host] if hosts is None else hosts, {})
    server.readers.append(RangeReader(parse_web_address(server.address + path), allowed, limits=limits))
    return server.readers[-1]


def test_exactly_the_bytes_asked_for_come_and_the_connection_is_kept(server):
    one = reader(server)
    part = one.read(1000, 1300)
    assert (part.start, part.data) == (1000, BODY[1000:1300])
    assert part.version.size_bytes == len(BODY)
    assert part.version.etag
    assert part.version.last_modified.endswith("GMT")
    assert one.read(len(BODY) - 5, len(BODY) + 50).data == BODY[-5:]
    assert [asked for _, asked in server.requests] == [
        "bytes=1000-1299",
        f"bytes={len(BODY) - 5}-{len(BODY) + 49}",
    ]
    assert (one.requests, one.bytes_read) == (2, 305)


def test_nothing_is_asked_of_a_host_that_was_not_allowed(server):
    with pytest.raises(InputError, match=rf"unless you allow it\. Add --allow-host {server.host}, or save"):
        reader(server, hosts=["data.example.org"]).read(0, 10)
    with pytest.raises(InputError, match="unless you allow it"):  # the host, but on another port
        reader(server, hosts=["127.0.0.1"]).read(0, 10)
    assert server.requests == []


def test_no_credentials_are_sent(server, tmp_path, monkeypatch):
    """A netrc file and proxies of the environment are left alone."""
    (tmp_path / ".netrc").write_text("machine 127.0.0.1 login somebody password secret\n")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    reader(server).read(0, 10)
    assert {name.lower() for name in server.headers_seen[0]} == {
        "host", "accept-encoding", "range", "user-agent", "accept",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("breaks off", "broke off after .* 2 times"),
        ("closes", r"cannot be reached \(.*\), 2 times"),
        ("wrong range", "the server sends bytes 11000 to 1099 of"),
        ("no range said", r'does not say which bytes it sends \(Content-Range ""\)'),
        ("shorter, honestly", 'the server says "93" bytes and means 100'),
        ("web page", "answered with a web page"),
        ("web page without tags", "answered with a web page"),
        ("compressed", "sends it compressed"),
        ("slow", "did not answer within 0.6 s, 2 times"),
        ("drips", "took over 1.2 s, 2 times"),
        ("whole, huge", "does not serve parts of files, and it has 0 MB"),
        ("whole, without length", "does not say how long it is"),
        ("403", 'the server answers 403 "Forbidden"'),
        ("500", 'answers 500 "Internal Server Error", 2 times'),
    ],
)
def test_a_wrong_late_or_short_answer_is_one_line(server, fault, said):
    server.fault = fault
    limits = QUICK if fault != "whole, huge" else HttpLimits(tries=1, whole_bytes=5000)
    with pytest.raises(InputError, match=said) as caught:
        reader(server, limits=limits).read(1000, 1100)
    assert str(caught.value).startswith(f"{server.address}/a.bin: ")
    assert "\n" not in str(caught.value)


def test_a_web_page_sent_as_the_bytes_of_a_raster_is_noticed(server):
    server.fault = "web page as bytes"
    with pytest.raises(InputError, match="answered with a web page"):
        reader(server).read(0, 1000)


def test_a_fault_that_passes_is_tried_again(server):
    """Well for the first request, then broken off once, then well."""
    one = reader(server)
    one.read(0, 10)
    server.fault = "breaks off"
    tried = []
    again = RangeReader(
        one.address,
        allowed_hosts([server.host], {}),
        limits=HttpLimits(tries=3, waits_s=(0.25, 9.0)),
        sleep=lambda seconds: (tried.append(seconds), setattr(server, "fault", "")),
    )
    assert again.read(500, 600).data == BODY[500:600]
    again.close()
    assert tried == [0.25]


def test_another_file_in_the_middle_is_an_error(server):
    one = reader(server)
    version = one.read(0, 10).version
    one.read(10, 20, version=version)
    server.fault = "changed tag"
    with pytest.raises(ChangedError, match="has changed on the server while it was read"):
        one.read(20, 30, version=version)


def test_another_time_of_change_in_the_middle_is_an_error(server):
    one = reader(server)
    version = one.read(0, 10).version
    os.utime(server.folder / "a.bin", (1e9, 1e9))
    with pytest.raises(ChangedError):
        one.read(20, 30, version=version)


def test_a_file_that_is_not_there_is_told_from_a_fault(server):
    with pytest.raises(MissingError, match=r"the server has no such file \(404\)"):
        reader(server, "/b.bin").read(0, 10)


def test_beyond_the_end_is_an_error(server):
    with pytest.raises(InputError, match=r"no such range \(416\)"):
        reader(server).read(len(BODY), len(BODY) + 10)


def test_a_small_file_of_a_server_without_ranges_is_taken_whole(server):
    server.fault = "whole"
    part = reader(server).read(1000, 1100)
    assert (part.start, part.data, part.version.size_bytes) == (0, BODY, len(BODY))


def test_a_redirect_is_followed_to_allowed_hosts_only(server, tmp_path):
    with RangeServer(tmp_path) as other:
        server.redirect_to = other.address
        with pytest.raises(
            InputError, match=rf"redirected to {other.host}, which is not allowed. Add --allow-host"
        ):
            reader(server).read(0, 10)
        assert other.requests == []
        assert reader(server, hosts=[server.host, other.host]).read(0, 10).data == BODY[:10]
        assert len(other.requests) == 1


@pytest.mark.parametrize(
    "to", ["ftp://127.0.0.1", "file:///etc", "/vsicurl/http://127.0.0.1", "http://a:b@127.0.0.1"]
)
def test_a_redirect_to_anything_else_is_refused(server, to):
    server.redirect_to = to
    with pytest.raises(InputError, match=r"redirected"):
        reader(server).read(0, 10)


def test_a_redirect_never_leaves_https():
    class Moved:
        def getheader(self, name):
            return "http://a.org/y.tif"

    one = RangeReader(parse_web_address("https://a.org/x.tif"), allowed_hosts(["a.org"], {}))
    with pytest.raises(InputError, match="is redirected from https to http"):
        one._redirected(one.address, Moved())


def test_redirects_do_not_go_on_for_ever(server):
    server.redirect_to = server.address + "/round"
    with pytest.raises(InputError, match="redirected over and over"):
        reader(server).read(0, 10)
    assert len(server.requests) == 5

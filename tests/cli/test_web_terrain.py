"""Elevations from a web server in the commands: allowed by name or refused, in one line, and never a better verdict."""

import json
import re
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner

from range_server import RangeServer
from skysill.cli.group import main

DEMO = Path(__file__).parents[2] / "demo_terrain"
AT = ["--at", "58.0312 N 24.6541 W", "--satellite", "Demo South=24.0W", "--highest-ground", "720"]


@pytest.fixture
def server(tmp_path, monkeypatch):
    monkeypatch.setenv("SKYSILL_CACHE", str(tmp_path / "cache"))
    (tmp_path / "web").mkdir()
    shutil.copy(DEMO / "island.tif", tmp_path / "web")
    with RangeServer(tmp_path / "web") as running:
        yield running


def run(*words, code=0):
    done = CliRunner().invoke(main, [str(word) for word in words], prog_name="skysill")
    assert done.exit_code == code, done.output
    return done


def site_file(folder, server, more=""):
    path = folder / "site.toml"
    path.write_text(
        'position = "58.0312 N 24.6541 W"\n[[satellites]]\nname = "Demo South"\nlongitude = "24.0 W"\n'
        f'[terrain]\nrasters = ["{server.address}/island.tif"]\nhighest_ground_m = 720\n{more}'
    )
    return path


@pytest.mark.parametrize("command", ["check", "horizon", "look"])
def test_without_permission_nothing_is_asked(server, tmp_path, command):
    done = run(
        command, *AT[: 4 if command == "look" else 6], "--terrain", f"{server.address}/island.tif", code=2
    )
    assert done.output.count("\n") == 1
    assert f"Add --allow-host {server.host}, or save the file here" in done.output
    assert server.requests == []


def test_a_site_file_cannot_allow_a_host(server, tmp_path):
    done = run("check", site_file(tmp_path, server), code=2)
    assert f"Add --allow-host {server.host}" in done.output
    done = run("check", site_file(tmp_path, server, f'allowed_hosts = ["{server.host}"]\n'), code=2)
    assert "allowed_hosts" in done.output
    assert server.requests == []


def test_the_answer_is_that_of_the_same_file_here(server, tmp_path):
    here = json.loads(run("check", *AT, "--json", "--terrain", DEMO / "island.tif").stdout)
    allowed = ["--allow-host", server.host]
    web = run("check", *AT, "--json", "--terrain", f"{server.address}/island.tif", *allowed).stdout
    filed = run("check", site_file(tmp_path, server), "--json", *allowed, "--mount-height", "2").stdout
    assert json.loads(web)["results"] == here["results"]
    assert json.loads(filed)["results"][0]["clearance"] == here["results"][0]["clearance"]


def test_the_second_run_needs_no_network(server):
    words = ("check", *AT, "--json", "--terrain", f"{server.address}/island.tif", "--allow-host", server.host)
    first = run(*words).stdout
    server.stop()
    assert run(*words).stdout == first


@pytest.mark.parametrize("fault", ["breaks off", "web page", "wrong range", "other bytes", "404", "500"])
def test_a_failing_server_gives_one_line_and_no_verdict(server, fault, monkeypatch):
    monkeypatch.setattr("time.sleep", lambda _: None)
    server.fault = fault
    done = run("check", *AT, "--terrain", f"{server.address}/island.tif", "--allow-host", server.host, code=2)
    assert done.stdout == ""
    assert done.output.count("\n") == 1
    assert "clear" not in done.output


def test_high_ground_on_the_web_is_held_against_what_was_said(server):
    """Cells within a kilometre of the place reach 116 m, and those within 25 km 418 m (rasterio and numpy alone).

    Ground of 300 m can reach the ray within a kilometre only; higher ground is looked for beyond that too.
    """
    done = run("check", *AT[:4], "--highest-ground", "300", "--terrain", f"{server.address}/island.tif",
               "--allow-host", server.host, code=2)  # fmt: skip
    assert "--highest-ground: 300 m is lower than ground of 4" in done.output


def test_the_record_names_address_day_version_and_attribution(server, tmp_path):
    path = site_file(tmp_path, server, 'attribution = "(c) Invented survey of Hollinsay"\n')
    run("report", path, "--allow-host", server.host, "--out", tmp_path / "r.html")
    text = (tmp_path / "r.html").read_text()
    assert "; (c) Invented survey of Hollinsay; windows of it read" in text
    assert f"windows of it read over the web, {server.address}/island.tif; fetched 20" in text
    assert "not read whole" in text
    said = json.loads(run("check", path, "--json", "--allow-host", server.host).stdout)
    assert "Elevations of island.tif: (c) Invented survey of Hollinsay." in said["warnings"]


def test_attributions_are_one_for_each_raster(server, tmp_path):
    done = run("check", site_file(tmp_path, server, 'attribution = ["a", "b"]\n'), code=2)
    assert "attribution" in done.output
    assert "holds 2 for 1 rasters" in done.output


def test_heights_and_screening_read_the_web_too(server, tmp_path):
    common = ["--satellite", "24.0W", "--highest-ground", "720"]
    for source, more in (
        (DEMO / "island.tif", []),
        (f"{server.address}/island.tif", ["--allow-host", server.host]),
    ):
        name = "web" if more else "here"
        run("screen", DEMO / "addresses.csv", *common, "--terrain", source, *more, "--out", tmp_path / f"{name}.csv",
            "--jobs", "1")  # fmt: skip
        run("heights", *common, "--terrain", source, *more, "--out", tmp_path / f"{name}.tif", "--jobs", "1",
            "--bounds", "282000,6436000,286000,6440000")  # fmt: skip
    assert (tmp_path / "web.csv").read_bytes() == (tmp_path / "here.csv").read_bytes()
    with rasterio.open(tmp_path / "web.tif") as web, rasterio.open(tmp_path / "here.tif") as here:
        np.testing.assert_array_equal(web.read(), here.read())


def test_heights_of_too_large_a_raster_on_the_web_are_refused(server, tmp_path, monkeypatch):
    monkeypatch.setattr("skysill.io.raster_windows.MOST_REMOTE_CELLS", 1_000_000)
    done = run("heights", "--satellite", "24.0W", "--terrain", f"{server.address}/island.tif", "--allow-host",
               server.host, "--out", tmp_path / "h.tif", code=2)  # fmt: skip
    assert (
        "island.tif: 2 million cells would be fetched; up to 1 million are. Give a part of it with --bounds"
        in done.output
    )
    assert not (tmp_path / "h.tif").exists()


def test_a_list_is_screened_against_tiles_named_by_degree(tmp_path):
    """Every name leads to the whole island here, so the answers are those of the one file but for its name."""
    (tmp_path / "dem").mkdir()
    for name in ("N57W025", "N58W025", "N57W026", "N58W026", "N58W024", "N57W024"):
        shutil.copy(DEMO / "island.tif", tmp_path / "dem" / f"{name}.tif")
    common = ["--satellite", "24.0W", "--highest-ground", "720", "--jobs", "1"]
    template = tmp_path / "dem" / "{lat_letter}{lat}{lon_letter}{lon:03d}.tif"
    run("screen", DEMO / "addresses.csv", *common, "--terrain", template, "--out", tmp_path / "named.csv")
    run(
        "screen",
        DEMO / "addresses.csv",
        *common,
        "--terrain",
        DEMO / "island.tif",
        "--out",
        tmp_path / "file.csv",
    )
    named, file = ((tmp_path / f"{name}.csv").read_text() for name in ("named", "file"))
    assert named != file
    assert re.sub(r"\bdem\b", "island.tif", named) == file


def test_checking_without_the_web_loads_no_http():
    """Of ours; the projection library imports http.client by itself."""
    import subprocess

    words = ["check", *AT, "--terrain", str(DEMO / "island.tif"), "--json"]
    probe = (
        "import sys\nfrom skysill.cli.group import main\nmain(sys.argv[1:], standalone_mode=False)\n"
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", probe, *words], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert "skysill.io.elevation.terrain_sources" in loaded
    assert not {"skysill.io.elevation.http_ranges", "skysill.io.elevation.remote_file"} & loaded

"""Fine surfaces and roofs on a Dask cluster: the same bytes as from one process, whoever is killed on the way."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from range_server import RangeServer
from skysill.errors import InputError
from skysill.io.rasters import write_geotiff
from small_village import addresses, sources

pytest.importorskip("numba")
pytest.importorskip("distributed")
pytestmark = pytest.mark.slow

RUN = """
import json, sys
import skysill.io.screening as module
from skysill.io.elevation.allowed_hosts import allowed_hosts
from skysill.io.rasters import RasterSpec, open_rasters
from skysill.io.survey_tables import read_satellites
surface, bare, host, source, out, cluster, resume = json.loads(sys.argv[1])
module._PART_ROWS_COMPILED, module._PART_ROOFS = 12, 2
rasters = open_rasters([RasterSpec(surface, kind="surface"), RasterSpec(bare)], hosts=allowed_hosts([host], {}))
asked = module.ScreeningRequest(rasters, read_satellites("Demo=20.0W"), highest_ground_m=700.0,
                                roofs=module.RoofSearch(step_m=4.0))
def told(done, count):
    print(done, flush=True)
module.screen_file(asked, source, out, cluster=cluster, resume=resume, progress=told)
"""

QUIET = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    """The village in a folder, the bare ground around it on a web server; the list."""
    folder = tmp_path_factory.mktemp("ground")
    (folder / "served").mkdir()
    village, around = sources()
    write_geotiff(folder / "village.tif", village.grid.values, like=village.grid)
    write_geotiff(folder / "served" / "around.tif", around.grid.values, like=around.grid)
    rows = zip(*addresses(72, 61), strict=True)
    lines = [f"{i},{a:.7f},{b:.7f},{h:.2f}" for i, (a, b, h) in enumerate(rows)]
    (folder / "in.csv").write_text("\n".join(["id,latitude,longitude,mount_height_m", *lines]) + "\n")
    (folder / "roofs.geojson").write_text(json.dumps(roofs()), encoding="ascii")
    with RangeServer(folder / "served") as server:
        yield folder, server


def roofs(count=4):
    """Squares of 12 m: outlines that a list of buildings may hold, whatever the surface shows there."""
    latitude, longitude, _ = addresses(count, 8)
    ring = np.array([[-6.0, -6.0], [6.0, -6.0], [6.0, 6.0], [-6.0, 6.0], [-6.0, -6.0]])
    scale = np.array([1.0 / (111_320.0 * np.cos(np.deg2rad(58.0))), 1.0 / 111_320.0])
    shapes = [(np.array([b, a]) + ring * scale).tolist() for a, b in zip(latitude, longitude, strict=True)]
    features = [
        {
            "type": "Feature",
            "properties": {"id": str(i)},
            "geometry": {"type": "Polygon", "coordinates": [shape]},
        }
        for i, shape in enumerate(shapes)
    ]
    return {"type": "FeatureCollection", "features": features}


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler, and two workers of two threads each that a nanny starts again."""
    address = f"tcp://127.0.0.1:{20_000 + os.getpid() % 20_000}"
    where = tmp_path_factory.mktemp("dask")
    begin = [sys.executable, "-m"]
    started = [subprocess.Popen([*begin, "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port",
                                 address.rpartition(":")[2], "--no-dashboard"], cwd=where, **QUIET)]  # fmt: skip
    try:
        started.append(subprocess.Popen([*begin, "distributed.cli.dask_worker", address, "--nworkers", "2",
                                         "--nthreads", "2", "--no-dashboard"], cwd=where, **QUIET))  # fmt: skip
        worker_ids(address, 2)
        yield address
    finally:
        for process in started[::-1]:
            process.terminate()
        for process in started:
            try:
                process.wait(20.0)
            except subprocess.TimeoutExpired:
                process.kill()


def worker_ids(address, count):
    """Process numbers of the workers, once there are so many."""
    from distributed import Client

    for _ in range(60):
        try:
            with Client(address, timeout="5s", set_as_default=False) as client:
                client.wait_for_workers(count, timeout=60)
                return list(client.run(os.getpid).values())
        except (OSError, TimeoutError):
            time.sleep(1.0)
    raise AssertionError("no scheduler came up")


def started(ground, out, *, address=None, listed="in.csv", resume=False):
    folder, server = ground
    asked = [str(folder / "village.tif"), f"{server.address}/around.tif", server.host, str(folder / listed),
             str(out), address, resume]  # fmt: skip
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.Popen([sys.executable, "-c", RUN, json.dumps(asked)], text=True, stdout=subprocess.PIPE,
                            stderr=subprocess.PIPE, env=environment)  # fmt: skip


def finished(run):
    _, said = run.communicate(timeout=240)
    assert run.returncode == 0, said


def parts_done(run, count):
    """Wait until so many rows are done."""
    for line in run.stdout:
        if int(line) >= count:
            return
    raise AssertionError("ended before")


@pytest.fixture(scope="module")
def calm(ground, tmp_path_factory):
    """The list from one process."""
    out = tmp_path_factory.mktemp("calm") / "calm.csv"
    finished(started(ground, out))
    return out.read_bytes()


def test_a_worker_killed_in_the_middle_leaves_the_bytes_as_they_are(ground, cluster, calm, tmp_path):
    """The bare ground is read over the web by every worker, from the one host that was allowed."""
    run = started(ground, tmp_path / "out.csv", address=cluster)
    parts_done(run, 12)
    os.kill(worker_ids(cluster, 1)[0], signal.SIGKILL)
    finished(run)
    assert (tmp_path / "out.csv").read_bytes() == calm
    worker_ids(cluster, 2)  # the nanny has started another


def test_a_killed_coordinator_goes_on_from_its_checkpoints(ground, cluster, calm, tmp_path):
    out = tmp_path / "out.csv"
    run = started(ground, out, address=cluster)
    parts_done(run, 24)
    run.kill()
    run.communicate(timeout=60)
    assert not out.exists()
    kept = len(list((tmp_path / "out.csv.parts").iterdir()))
    assert kept >= 3
    finished(started(ground, out, address=cluster, resume=True))
    assert out.read_bytes() == calm


def test_a_raster_that_changed_in_between_is_noticed(ground, cluster, tmp_path):
    folder, _ = ground
    run = started(ground, tmp_path / "out.csv", address=cluster)
    parts_done(run, 24)
    run.kill()
    run.communicate(timeout=60)
    was = (folder / "village.tif").stat()
    os.utime(folder / "village.tif", ns=(was.st_atime_ns, was.st_mtime_ns + 2_000_000_000))
    try:
        again = started(ground, tmp_path / "out.csv", address=cluster, resume=True)
        _, said = again.communicate(timeout=120)
    finally:
        os.utime(folder / "village.tif", ns=(was.st_atime_ns, was.st_mtime_ns))
    assert again.returncode != 0
    assert "village.tif" in said.splitlines()[-1]
    assert not (tmp_path / "out.csv").exists()


def test_roofs_are_the_same_on_a_cluster(ground, cluster, tmp_path):
    for name, address in (("calm.csv", None), ("cluster.csv", cluster)):
        finished(started(ground, tmp_path / name, address=address, listed="roofs.geojson"))
    assert (tmp_path / "calm.csv").read_bytes() == (tmp_path / "cluster.csv").read_bytes()


def test_a_worker_without_numba_is_told_in_one_line(ground, monkeypatch):
    import skysill.io.screening as module
    from skysill.io.rasters import RasterSpec, open_rasters
    from skysill.io.survey_tables import read_satellites

    folder, _ = ground
    rasters = open_rasters([RasterSpec(folder / "village.tif", kind="surface")])
    asked = module.ScreeningRequest(rasters, read_satellites("Demo=20.0W"), highest_ground_m=700.0)
    task = module._Task(asked.satellites, np.zeros(1, int), np.array([58.01]), np.array([-20.99]), np.ones(1),
                        np.array([-1]))  # fmt: skip
    work = module._PartWork(asked, with_numba=True)
    monkeypatch.setattr(module, "available", lambda: False)
    with pytest.raises(InputError, match=r"numba is not installed on the worker .*skysill\[fast\]"):
        work(task)

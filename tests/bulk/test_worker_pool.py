"""The same bytes on one processor, on several, and on a Dask cluster that loses a worker on the way."""

from __future__ import annotations

import multiprocessing
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from skysill.bulk import worker_pool as cluster
from skysill.bulk.worker_pool import Work, processor_count, run_tasks
from skysill.errors import InputError

pytestmark = pytest.mark.slow


class SlowSquares(Work):
    """Half a tenth of a second of work a task; counts the tasks that one worker did."""

    def __init__(self):
        self.done = 0

    def __call__(self, number, /):
        time.sleep(0.05)
        self.done += 1
        return f"{number * number} {self.done}".encode()


def test_answers_come_for_every_task_and_are_the_same_wherever_they_are_worked():
    tasks = list(range(8))
    here = dict(run_tasks(SlowSquares, tasks))
    assert here == {n: f"{n * n} {n + 1}".encode() for n in tasks}  # one worker, which keeps its count
    again = dict(run_tasks(SlowSquares, tasks))
    assert again == here  # and another for the next job
    counts = [int(result.split()[1]) for _, result in run_tasks(SlowSquares, tasks, jobs=2)]
    assert max(counts) > 1
    assert processor_count() >= 1


def test_work_that_is_given_up_ends_the_processes_it_began():
    answers = run_tasks(SlowSquares, list(range(1000)), jobs=2)
    next(answers)
    begun = [process.pid for process in multiprocessing.active_children()]
    answers.close()
    assert begun
    assert not _still_alive(begun)


ORPHANS = """
import multiprocessing, sys, time
from skysill.bulk.worker_pool import Work, run_tasks
class Lengths(Work):
    def __call__(self, task, /):
        return bytes(len(task))
if __name__ == "__main__":
    answers = run_tasks(Lengths, [b"a"] * 9, jobs=2)
    next(answers)
    print(*(process.pid for process in multiprocessing.active_children()), flush=True)
    time.sleep(60.0)
"""


def test_processes_end_when_the_one_that_began_them_is_killed(tmp_path):
    script = tmp_path / "orphans.py"
    script.write_text(ORPHANS, encoding="ascii")
    with subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        begun = [int(number) for number in run.stdout.readline().split()]
        run.kill()
    assert len(begun) == 2
    assert not _still_alive(begun)


def _still_alive(begun, seconds=20.0):
    """Which processes still run after waiting; asked of the system, since the pool itself also asks about its own."""
    end = time.monotonic() + seconds
    while any(_alive(process) for process in begun) and time.monotonic() < end:
        time.sleep(0.05)
    return [process for process in begun if _alive(process)]


def _alive(process):
    """Whether a process still runs; one that has ended and that nobody has asked about does not."""
    try:
        os.kill(process, 0)
        return Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except (ProcessLookupError, NotADirectoryError):
        return False
    except FileNotFoundError:  # it has ended since, or there is no such folder on this system
        return not Path("/proc/self").exists()


def test_a_scheduler_that_does_not_answer_is_refused_in_one_line():
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match=r'no Dask scheduler answers at "tcp://127\.0\.0\.1:9"'):
        dict(run_tasks(SlowSquares, [1], cluster="tcp://127.0.0.1:9"))


@pytest.mark.parametrize(
    "address", ["", "foo", "tcp://", "ws://127.0.0.1:9", "inproc://x", "tcp://127.0.0.1:99999", "127.0.0.1"]
)
def test_what_is_no_address_of_a_scheduler_is_refused_at_once(address):
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="is no address of a Dask scheduler"):
        dict(run_tasks(SlowSquares, [1], cluster=address))


def test_what_listens_and_never_speaks_is_not_waited_for(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(cluster, "_WAIT_S", 0.2)
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        with pytest.raises(InputError, match="no Dask scheduler answers"):
            dict(run_tasks(SlowSquares, [1], cluster=f"tcp://127.0.0.1:{silent.getsockname()[1]}"))


RUN = """
import sys
import skysill.io.screening as room
room._PART_ROWS = 10
from skysill.io.rasters import RasterSpec, open_rasters
from skysill.model.site import Satellite
raster, source, out, cluster = sys.argv[1:5]
asked = room.ScreeningRequest(open_rasters([RasterSpec(raster)]), (Satellite("Demo South", -24.0),), 1200.0)
def told(done, count):
    print(done, flush=True)
room.screen_file(asked, source, out, cluster=cluster or None, progress=told)
"""


def test_a_cluster_that_loses_a_worker_gives_the_same_bytes(tmp_path):
    """A real scheduler and two worker processes, one of them killed in mid-run."""
    pytest.importorskip("distributed")
    raster, source = _ground_and_list(tmp_path)
    port = str(20_000 + os.getpid() % 20_000)
    address = f"tcp://127.0.0.1:{port}"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    started = [subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
                                 "--port", port, "--no-dashboard"], **quiet)]  # fmt: skip
    try:
        started += [
            subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1",
                              "--no-nanny", "--no-dashboard"], **quiet)
            for _ in range(2)
        ]  # fmt: skip
        _await_workers(address, 2)
        run = subprocess.Popen([sys.executable, "-c", RUN, str(raster), str(source), str(tmp_path / "cluster.csv"),
                                address],
                               stdout=subprocess.PIPE, text=True)  # fmt: skip
        assert run.stdout is not None
        for line in run.stdout:
            if int(line) >= 30:
                started[1].send_signal(signal.SIGKILL)
                break
        run.communicate(timeout=120)
        assert run.returncode == 0
    finally:
        for process in started:
            process.kill()
            process.wait()
    calm = subprocess.run([sys.executable, "-c", RUN, str(raster), str(source), str(tmp_path / "calm.csv"), ""],
                          stdout=subprocess.DEVNULL, check=True)  # fmt: skip
    assert calm.returncode == 0
    assert (tmp_path / "cluster.csv").read_bytes() == (tmp_path / "calm.csv").read_bytes()


def _ground_and_list(folder):
    import numpy as np

    from skysill.horizon.lattice import Grid
    from skysill.io.rasters import write_geotiff

    row, column = np.mgrid[0:200, 0:200]
    ground = (150.0 * (1 + np.sin(row / 9.0) * np.cos(column / 7.0))).astype(np.float32)
    grid = Grid(ground, (30.0, 0.0, 280_000.0, 0.0, -30.0, 6_440_000.0), "EPSG:32627")
    write_geotiff(folder / "waves.tif", ground, like=grid)
    rng = np.random.default_rng(1)
    lines = [f"{i},{a:.6f},{b:.6f}" for i, (a, b) in
             enumerate(zip(rng.uniform(58.0, 58.03, 120), rng.uniform(-24.71, -24.64, 120), strict=True))]  # fmt: skip
    (folder / "in.csv").write_text("id,latitude,longitude\n" + "\n".join(lines) + "\n", encoding="ascii")
    return folder / "waves.tif", folder / "in.csv"


def _await_workers(address, count):
    from distributed import Client

    for _ in range(60):
        try:
            with Client(address, timeout="5s", set_as_default=False) as client:
                client.wait_for_workers(count, timeout=60)
                return
        except (OSError, TimeoutError):
            time.sleep(1.0)
    pytest.fail("no scheduler came up")

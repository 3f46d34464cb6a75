"""Long jobs as tasks: in this process, on several processes of this machine, or on a Dask cluster.

The results are the same everywhere. A result depends on its task only, so a task of a worker that dies is done again by
another worker. Dask is an optional extra (`skysill[cluster]`) and is imported only when a cluster is named.
"""

from __future__ import annotations

import multiprocessing
import os
import re
import signal
import socket
import threading
import uuid
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any, Generic, TypeVar

from skysill.errors import InputError, SkysillError

__all__ = ["Work", "WorkerPool", "default_jobs", "processor_count", "run_tasks"]

Task = TypeVar("Task")

_QUEUED_PER_WORKER = 3
"""Tasks handed out per worker before their results arrive: workers stay busy and memory stays bounded."""

_MAX_FAILURES = 3

_WAIT_S = 10.0
"""Time limit for the answer of a scheduler, and for its first worker."""


_MAX_DEFAULT_JOBS = 4
"""Processes started by default: each holds its part of the ground in memory."""


def processor_count() -> int:
    """Number of processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def default_jobs() -> int:
    """Default number of processes: as many as there are processors, at most four."""
    return min(processor_count(), _MAX_DEFAULT_JOBS)


class Work(Generic[Task]):
    """Does the tasks of one job in one worker, and keeps what they share for as long as the job lasts."""

    def prepare(self) -> None:
        """Load what every task needs. It may be called while the tasks are still being made; its errors are ignored."""

    def __call__(self, task: Task, /) -> bytes:
        """The result of one task: the same bytes for the same task in any worker."""
        raise NotImplementedError


class WorkerPool:
    """Processes of this machine that prepare for a job while its tasks are still being made. A context manager.

    jobs : number of processes; none are started for one job, whose tasks are done by this process
    make_work : importable function without arguments; called once in every process
    """

    def __init__(self, jobs: int, make_work: Callable[[], Work[Any]]) -> None:
        self.pool = _pool(jobs, make_work) if jobs > 1 else None
        if self.pool is not None:
            for _ in range(jobs):
                self.pool.submit(_warm_up)

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(self, kind: object, fault: object, trace: object) -> None:
        if self.pool is not None:
            _terminate(self.pool)


def run_tasks(
    make_work: Callable[[], Work[Task]],
    tasks: Sequence[Task],
    *,
    jobs: int = 1,
    cluster: str | None = None,
    workers: WorkerPool | None = None,
) -> Generator[tuple[int, bytes]]:
    """Do all tasks of a job, giving (number of the task, its result) as results arrive.

    Closing the generator early ends the processes that it started.

    Parameters
    ----------
    make_work : importable function without arguments that makes a worker's `Work`; called once in every worker
    tasks : must be picklable
    jobs : processes on this machine; with 1 the tasks are done in this process
    workers : the same number of processes, started before
    cluster : address of a Dask scheduler ("tcp://host:8786"); workers need this package and the same file paths

    Raises
    ------
    InputError : no such scheduler, Dask not installed
    SkysillError : workers die again and again
    """
    if cluster is not None:
        return _on_cluster(make_work, tasks, cluster)
    if jobs > 1 and len(tasks) > 1:
        return _on_processes(make_work, tasks, min(jobs, len(tasks)), workers)
    return _in_this_process(make_work, tasks)


def _in_this_process(
    make_work: Callable[[], Work[Task]], tasks: Sequence[Task]
) -> Generator[tuple[int, bytes]]:
    work = make_work()
    for number, task in enumerate(tasks):
        yield number, work(task)


_process_work: list[Work[Any]] = []
"""In a process of `_pool`: its work. The process lives as long as the job."""


def _prepare_worker(make_work: Callable[[], Work[Any]]) -> None:
    """Make the process's work. Interrupts are ignored, as the parent handles them; the process ends with its parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_exit_with_parent, daemon=True).start()
    _process_work[:] = [make_work()]


def _warm_up() -> None:
    _process_work[0].prepare()


def _work_in_process(task: Any) -> bytes:
    return _process_work[0](task)


def _exit_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _pool(jobs: int, make_work: Callable[[], Work[Any]]) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        jobs, multiprocessing.get_context("spawn"), initializer=_prepare_worker, initargs=(make_work,)
    )


def _terminate(pool: ProcessPoolExecutor) -> None:
    """End the processes at once, without waiting for the tasks they are doing."""
    processes = list((getattr(pool, "_processes", None) or {}).values())
    pool.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.terminate()


def _on_processes(
    make_work: Callable[[], Work[Task]], tasks: Sequence[Task], jobs: int, workers: WorkerPool | None
) -> Generator[tuple[int, bytes]]:
    waiting = list(range(len(tasks)))[::-1]
    for failure in range(_MAX_FAILURES):
        started = workers.pool if workers is not None and not failure else None
        pool = started or _pool(jobs, make_work)
        running: dict[Future[bytes], int] = {}
        try:
            while waiting or running:
                while waiting and len(running) < jobs * _QUEUED_PER_WORKER:
                    running[pool.submit(_work_in_process, tasks[waiting[-1]])] = waiting[-1]
                    waiting.pop()
                for done in wait(running, return_when=FIRST_COMPLETED).done:
                    result = done.result()
                    yield running.pop(done), result
            return
        except BrokenProcessPool:
            waiting.extend(sorted(running.values(), reverse=True))
            if failure == _MAX_FAILURES - 1:
                raise SkysillError(
                    "Worker processes were killed three times, probably for want of memory: use fewer --jobs."
                ) from None
        finally:
            _terminate(pool)


_cluster_work_lock = threading.Lock()


def _work_on_cluster(job: str, make_work: Callable[[], Work[Any]], task: Any) -> bytes:
    """In a Dask worker: one task, with the work that this worker keeps until a task of another job comes.

    The threads of a worker take turns: a work holds its part of the ground once.
    """
    from distributed import get_worker

    worker: Any = get_worker()
    with _cluster_work_lock:
        held = getattr(worker, "skysill_work", None)
        if held is None or held[0] != job:
            held = worker.skysill_work = (job, make_work())
        work: Work[Any] = held[1]
        return work(task)


def _on_cluster(
    make_work: Callable[[], Work[Task]], tasks: Sequence[Task], address: str
) -> Generator[tuple[int, bytes]]:
    with _client(address) as client:
        from distributed import KilledWorker, as_completed

        job = uuid.uuid4().hex
        most = max(2, sum(client.nthreads().values())) * _QUEUED_PER_WORKER
        waiting = list(range(len(tasks)))[::-1]
        running: dict[Any, int] = {}
        results: Any = as_completed(loop=client.loop)  # type: ignore[no-untyped-call]  # Dask has no types here

        def hand_out() -> None:
            number = waiting.pop()
            future = client.submit(
                _work_on_cluster, job, make_work, tasks[number], pure=False, retries=_MAX_FAILURES
            )
            running[future] = number
            results.add(future)

        while waiting and len(running) < most:
            hand_out()
        for future in results:
            try:
                result = future.result()
            except KilledWorker as fault:
                raise SkysillError(
                    f"Workers of {address} die again and again on one part: {fault}."
                ) from fault
            number = running.pop(future)
            future.release()
            if waiting:
                hand_out()
            yield number, result


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise InputError(
            "Dask is not installed.",
            where="--cluster",
            mend='Install it with: pip install "skysill[cluster]".',
        ) from None
    _check_address(address)
    try:
        client = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]  # as above
    except (OSError, ValueError, TypeError, RuntimeError) as fault:
        raise _no_scheduler(address) from fault
    try:
        client.wait_for_workers(1, timeout=_WAIT_S)
    except (OSError, TimeoutError) as fault:
        client.close(timeout=1)  # type: ignore[no-untyped-call]  # as above
        raise InputError(
            f'the Dask scheduler at "{address}" has no worker.',
            where="--cluster",
            mend=f"Start one with: dask worker {address}.",
        ) from fault
    return client


def _check_address(address: str) -> None:
    """Refuse text that is no address, and an address where no scheduler answers, within a bounded time."""
    found = re.fullmatch(r"(?:(?:tcp|tls)://)?(\[[0-9A-Fa-f:.]+\]|[^\s/:\[\]]+):(\d{1,5})", address)
    if found is None or int(found[2]) > 65_535:
        raise InputError(
            f'"{address}" is no address of a Dask scheduler.',
            where="--cluster",
            mend="Write tcp://host:8786.",
        )
    try:
        with socket.create_connection((found[1].strip("[]"), int(found[2])), timeout=_WAIT_S) as line:
            # a scheduler sends first; a server that only listens would keep the client waiting without end
            if not address.startswith("tls:") and not line.recv(1):
                raise _no_scheduler(address)
    except (OSError, UnicodeError) as fault:
        raise _no_scheduler(address) from fault


def _no_scheduler(address: str) -> InputError:
    return InputError(
        f'no Dask scheduler answers at "{address}".',
        where="--cluster",
        mend="Start one with: dask scheduler.",
    )

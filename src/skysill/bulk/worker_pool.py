"""Long work in parts: here, on several processors of this machine, or on a Dask cluster. The answers are the same.

A part is a pure function of its task, so a worker that dies costs its part's time and nothing else: the part is done
again elsewhere. Dask is an optional extra (`skysill[cluster]`) and is imported only when a cluster is named.
"""

from __future__ import annotations

import multiprocessing
import os
import re
import signal
import socket
import threading
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

from skysill.errors import InputError, SkysillError

__all__ = ["WorkerPool", "default_jobs", "processor_count", "run_tasks"]

Task = TypeVar("Task")

_QUEUED_PER_WORKER = 3
"""Parts handed out for each worker before their answers are back: keeps workers busy and memory bounded."""

_MAX_FAILURES = 3

_WAIT_S = 10.0
"""How long a scheduler, and then its first worker, may take to answer."""


_MAX_DEFAULT_JOBS = 4
"""Processes begun unasked: each holds its piece of ground, so more of them are for those who know their memory."""


def processor_count() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def default_jobs() -> int:
    """Processes to work on where nobody said how many: the processors there are, up to four."""
    return min(processor_count(), _MAX_DEFAULT_JOBS)


class WorkerPool:
    """Processes of this machine that make ready while their tasks are still being worked out. A context manager.

    jobs : how many; none are begun for one job, which is done by this process itself
    ready : importable function without arguments, done by the processes; what fails in it is left to the work
    """

    def __init__(self, jobs: int, ready: Callable[[], object]) -> None:
        self.pool = _pool(jobs) if jobs > 1 else None
        if self.pool is not None:
            for _ in range(jobs):
                self.pool.submit(ready)

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(self, kind: object, fault: object, trace: object) -> None:
        if self.pool is not None:
            _terminate(self.pool)


def run_tasks(
    work: Callable[[Task], bytes],
    tasks: Sequence[Task],
    *,
    jobs: int = 1,
    cluster: str | None = None,
    workers: WorkerPool | None = None,
) -> Generator[tuple[int, bytes]]:
    """Do every task and give (number of the task, its answer) as they come in; closed early, it ends what it began.

    Parameters
    ----------
    work : importable function; must give the same bytes for the same task wherever it runs
    tasks : can be pickled
    jobs : processes on this machine; 1 works in this one
    crew : as many processes, begun before
    cluster : address of a Dask scheduler ("tcp://host:8786"); workers need this package and the same file paths

    Raises
    ------
    InputError : no such scheduler, Dask not installed
    SkysillError : workers die again and again
    """
    if cluster is not None:
        return _on_cluster(work, tasks, cluster)
    if jobs > 1 and len(tasks) > 1:
        return _on_processes(work, tasks, min(jobs, len(tasks)), workers)
    return ((number, work(task)) for number, task in enumerate(tasks))


def _prepare_worker() -> None:
    """Interrupts are the parent's affair; and nobody waits for answers once it is gone, however it went."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_exit_with_parent, daemon=True).start()


def _exit_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _pool(jobs: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn"), initializer=_prepare_worker)


def _terminate(pool: ProcessPoolExecutor) -> None:
    """End the processes now: what they are at is wanted no more, and this one could not end before them."""
    processes = list((getattr(pool, "_processes", None) or {}).values())
    pool.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.terminate()


def _on_processes(
    work: Callable[[Task], bytes], tasks: Sequence[Task], jobs: int, workers: WorkerPool | None
) -> Generator[tuple[int, bytes]]:
    waiting = list(range(len(tasks)))[::-1]
    for death in range(_MAX_FAILURES):
        begun = workers.pool if workers is not None and not death else None
        pool = begun or _pool(jobs)
        running: dict[Future[bytes], int] = {}
        try:
            while waiting or running:
                while waiting and len(running) < jobs * _QUEUED_PER_WORKER:
                    running[pool.submit(work, tasks[waiting[-1]])] = waiting[-1]
                    waiting.pop()
                for done in wait(running, return_when=FIRST_COMPLETED).done:
                    answer = done.result()
                    yield running.pop(done), answer
            return
        except BrokenProcessPool:
            waiting.extend(sorted(running.values(), reverse=True))
            if death == _MAX_FAILURES - 1:
                raise SkysillError(
                    "Worker processes were killed three times, probably for want of memory: use fewer --jobs."
                ) from None
        finally:
            _terminate(pool)


def _on_cluster(
    work: Callable[[Task], bytes], tasks: Sequence[Task], address: str
) -> Generator[tuple[int, bytes]]:
    with _client(address) as client:
        from distributed import KilledWorker, as_completed

        room = max(2, sum(client.nthreads().values())) * _QUEUED_PER_WORKER
        waiting = list(range(len(tasks)))[::-1]
        running: dict[Any, int] = {}
        coming: Any = as_completed(loop=client.loop)  # type: ignore[no-untyped-call]  # Dask has no types here

        def hand_out() -> None:
            number = waiting.pop()
            future = client.submit(work, tasks[number], pure=False, retries=_MAX_FAILURES)
            running[future] = number
            coming.add(future)

        while waiting and len(running) < room:
            hand_out()
        for future in coming:
            try:
                answer = future.result()
            except KilledWorker as fault:
                raise SkysillError(
                    f"Workers of {address} die again and again on one part: {fault}."
                ) from fault
            number = running.pop(future)
            future.release()
            if waiting:
                hand_out()
            yield number, answer


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
    """Refuse what is no address, and one where nobody answers, within a bounded time."""
    found = re.fullmatch(r"(?:(?:tcp|tls)://)?(\[[0-9A-Fa-f:.]+\]|[^\s/:\[\]]+):(\d{1,5})", address)
    if found is None or int(found[2]) > 65_535:
        raise InputError(
            f'"{address}" is no address of a Dask scheduler.',
            where="--cluster",
            mend="Write tcp://host:8786.",
        )
    try:
        with socket.create_connection((found[1].strip("[]"), int(found[2])), timeout=_WAIT_S) as line:
            # a scheduler speaks first; what only listens would keep the client waiting without end
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

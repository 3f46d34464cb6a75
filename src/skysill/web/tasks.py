"""Long work in the background: progress, cancel, result. Tasks live as long as the server."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from skysill.errors import InputError
from skysill.io.site_store import SiteMissingError

__all__ = ["Progress", "Task", "TaskBoard", "TaskCancelledError"]

Progress = Callable[[int, int], None]
"""Called with what is done and of how many; raises TaskCancelledError where the task was cancelled."""

_AT_ONCE = 2
_MOST_WAITING = 20
_MOST_KEPT = 40


class TaskCancelledError(Exception):
    """Raised inside a task's work, by its progress, when someone cancelled it."""


@dataclass(slots=True)
class Task:
    """One piece of long work. state : waiting, running, done, failed, cancelled"""

    key: str
    kind: str
    state: str = "waiting"
    done: int = 0
    of: int = 0
    result: Any = None
    fault: Exception | None = None
    cancelled: threading.Event = field(default_factory=threading.Event)
    ended: threading.Event = field(default_factory=threading.Event)

    def progress(self, done: int, of: int) -> None:
        """Note how far the work is; raises TaskCancelledError."""
        if self.cancelled.is_set():
            raise TaskCancelledError
        self.done, self.of = int(done), int(of)


class TaskBoard:
    """The tasks of one server; two run at once, others wait.

    >>> board = TaskBoard()
    >>> task = board.start("count", lambda progress: [progress(n, 3) for n in range(3)] and "counted")
    >>> task.ended.wait(10.0), board.get(task.key).result
    (True, 'counted')
    """

    def __init__(self) -> None:
        self._tasks: dict[str, Task] = {}
        self._lock = threading.Lock()
        self._running = threading.BoundedSemaphore(_AT_ONCE)

    def start(self, kind: str, work: Callable[[Progress], Any]) -> Task:
        """Start work in a thread of its own.

        Parameters
        ----------
        work : called with the task's progress; its result is kept for the page. An InputError becomes the task's error

        Raises
        ------
        InputError : too many tasks wait already
        """
        task = Task(secrets.token_urlsafe(9), kind)
        with self._lock:
            unfinished = [one for one in self._tasks.values() if not one.ended.is_set()]
            if len(unfinished) >= _MOST_WAITING:
                raise InputError("too much is being worked on already.", mend="Wait, or cancel something.")
            for key in [key for key, one in self._tasks.items() if one.ended.is_set()][: -_MOST_KEPT or None]:
                del self._tasks[key]
            self._tasks[task.key] = task
        threading.Thread(target=self._run, args=(task, work), name=f"task {kind}", daemon=True).start()
        return task

    def get(self, key: str) -> Task:
        """A task by its key. Raises SiteMissingError where there is none."""
        try:
            return self._tasks[key]
        except KeyError:
            raise SiteMissingError("there is no such task any more.", mend="Start it again.") from None

    def cancel(self, key: str) -> Task:
        """Ask a task to stop; it does so at its next step."""
        task = self.get(key)
        task.cancelled.set()
        return task

    def stop(self) -> None:
        """Ask all tasks to stop."""
        for task in list(self._tasks.values()):
            task.cancelled.set()

    def _run(self, task: Task, work: Callable[[Progress], Any]) -> None:
        try:
            with self._running:
                task.progress(0, 0)
                task.state = "running"
                task.result = work(task.progress)
                task.state = "done"
        except TaskCancelledError:
            task.state = "cancelled"
        except Exception as fault:
            task.fault = fault
            task.state = "failed"
        finally:
            task.ended.set()

"""What the pages share: the store, jobs kept ready, tasks, and what the command was told."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from anyio import CapacityLimiter

from skysill.io.job_options import JobOptions
from skysill.io.site_store import SiteStore
from skysill.web.access import Access
from skysill.web.tasks import Progress, TaskBoard
from skysill.web.warm_jobs import WarmJobs

__all__ = ["AppState", "RecentTexts", "TaskKind"]

TaskKind = Callable[["AppState", dict[str, Any]], Callable[[Progress], Any]]
"""From the body of a request to the work of a task. What is wrong with the request is raised here, at once."""

_MOST_TEXTS = 200
_COMPUTING = 2


class RecentTexts:
    """Texts of site files by revision, so that two people's changes can be told apart field by field."""

    def __init__(self) -> None:
        self._texts: OrderedDict[str, str] = OrderedDict()

    def keep(self, revision: str, text: str) -> None:
        """Remember a text; the oldest ones are forgotten."""
        self._texts[revision] = text
        self._texts.move_to_end(revision)
        while len(self._texts) > _MOST_TEXTS:
            self._texts.popitem(last=False)

    def get(self, revision: str) -> str | None:
        """The text of a revision, None where it is not remembered."""
        return self._texts.get(revision)


@dataclass(slots=True)
class AppState:
    """One per server.

    options : terrain, satellites, dish and criteria of the command line, for places without a site file
    property_sources : laser scans, rasters and footprints in which properties are found; none: no page offers it
    computing : how many requests compute at once; the others wait without a thread
    searching : the same for searches of remedies, which take seconds and must not keep a slider waiting
    task_kinds : by the word that a request to start a task gives
    at_end : called when the server stops
    """

    store: SiteStore
    access: Access
    options: JobOptions = field(default_factory=JobOptions)
    property_sources: tuple[str, ...] = ()
    jobs: WarmJobs = field(default_factory=WarmJobs)
    tasks: TaskBoard = field(default_factory=TaskBoard)
    recent: RecentTexts = field(default_factory=RecentTexts)
    computing: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(_COMPUTING))
    searching: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(1))
    task_kinds: dict[str, TaskKind] = field(default_factory=dict)
    at_end: list[Callable[[], None]] = field(default_factory=list)

    def limiter_of(self, given: dict[str, Any]) -> CapacityLimiter:
        """The limiter of a check, by whether it asks for remedies."""
        return self.searching if given.get("remedies") else self.computing

"""Jobs kept ready between requests: read once, until a file that they rest on, or an unsaved edit, changes."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from skysill.assessment.job_context import JobContext, WindowCache, prepared
from skysill.io.elevation.source_names import is_web_address
from skysill.io.geopackage import split_table
from skysill.io.job_options import JobOptions
from skysill.io.jobs import read_job
from skysill.io.site_schema import parse_site_text
from skysill.io.text import read_text
from skysill.io.vector_files import split_layer
from skysill.model.job import Job

__all__ = ["WarmJob", "WarmJobs", "files_named"]

_MOST_JOBS = 12
_MOST_WINDOWS = 24

FileState = tuple[str, int, int]


@dataclass(slots=True, eq=False)
class WarmJob:
    """A job ready to be assessed many times.

    job : prepared; rasters keep their windows
    as_read : the same job with its rasters as they were opened, for what asks them for files and attribution
    context : declinations and compass corrections of the job
    kept : results that belong to this job, by keys of those who keep them
    """

    job: Job
    as_read: Job
    context: JobContext
    files: tuple[FileState, ...]
    kept: dict[Hashable, Any] = field(default_factory=dict)


@dataclass(slots=True, eq=False)
class _Entry:
    lock: threading.Lock = field(default_factory=threading.Lock)
    warm: WarmJob | None = None


class WarmJobs:
    """The jobs asked for last, least recently used first out. Threads may ask at the same time."""

    def __init__(self, most: int = _MOST_JOBS) -> None:
        self._most = most
        self._entries: OrderedDict[Hashable, _Entry] = OrderedDict()
        self._windows: OrderedDict[Hashable, WindowCache] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, options: JobOptions, *, without: tuple[str, ...] = ()) -> WarmJob:
        """The job that options describe; read again where one of its files has another size or time than before.

        Parameters
        ----------
        options : as for a command; site_text for edits that are not saved
        without : sources that are not read, as in `read_job`

        Raises
        ------
        InputError : as `read_job`
        """
        with self._lock:
            entry = self._entries.setdefault((options, without), _Entry())
            self._entries.move_to_end((options, without))
            while len(self._entries) > self._most:
                self._entries.popitem(last=False)
        with entry.lock:
            warm = entry.warm
            if warm is None or any(_state(Path(path)) != (path, *state) for path, *state in warm.files):
                entry.warm = warm = self._read(options, without)
            return warm

    def _read(self, options: JobOptions, without: tuple[str, ...]) -> WarmJob:
        before = [_state(path) for path in files_named(options)]
        job = read_job(options, without=without)
        behind = [
            _state(Path(path)) for raster in job.sources.rasters for path in getattr(raster, "files", ())
        ]
        rasters = tuple(self._window(raster) for raster in job.sources.rasters)
        kept = prepared(replace(job, sources=replace(job.sources, rasters=rasters)))
        return WarmJob(kept, job, JobContext(), tuple(dict.fromkeys([*before, *behind])))

    def _window(self, raster: Any) -> WindowCache:
        """The window of the same raster that another job has read already, or a new one."""
        states = tuple(_state(Path(path)) for path in getattr(raster, "files", ()))
        key = (
            states, raster.name, raster.kind, raster.cell_size_m, raster.vertical_error_m,
            repr(getattr(raster, "facts", None)), getattr(raster, "notes", ()),
        )  # fmt: skip
        with self._lock:
            if not states or key not in self._windows:
                window = WindowCache(raster)
                if states:
                    self._windows[key] = window
                    while len(self._windows) > _MOST_WINDOWS:
                        self._windows.popitem(last=False)
                return window
            self._windows.move_to_end(key)
            return self._windows[key]


def _state(path: Path) -> FileState:
    try:
        about = path.stat()
    except OSError:
        return (str(path), -1, -1)
    return (str(path), about.st_mtime_ns, about.st_size)


def files_named(options: JobOptions) -> list[Path]:
    """The files that options and their site file name, whether they exist or not."""
    found: list[Path] = []
    if options.site_file is not None:
        text = read_text(options.site_file) if options.site_text is None else options.site_text
        if options.site_text is None:
            found.append(Path(options.site_file))
        found += _named_in(text, Path(options.site_file))
    found += [Path(path) for path in (options.horizon, options.obstacles) if path is not None]
    return found


def _named_in(text: str, site: Path) -> Iterable[Path]:
    file, folder = parse_site_text(text, str(site)), site.parent
    if file.survey.horizon is not None:
        yield folder / file.survey.horizon
    if file.obstacles.file is not None:
        yield Path(split_layer(folder / file.obstacles.file)[0])
    yield from (folder / one.orbit for one in file.satellites if one.orbit is not None)
    yield from (split_table(folder / path)[0] for path in file.terrain.rasters if not is_web_address(path))

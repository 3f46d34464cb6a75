"""What is read or worked out once for a job and used by all its assessments."""

from __future__ import annotations

import datetime as dt
import threading
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from skysill.geodesy.positions import plan_offset
from skysill.horizon.lattice import Elevations, Grid
from skysill.horizon.roof_surface import with_own_roof
from skysill.model.default_errors import facts_of
from skysill.model.job import Job
from skysill.model.site import Site

if TYPE_CHECKING:
    from skysill.pointing.compass import CompassCorrection, Declination

__all__ = ["JobContext", "WindowCache", "prepared"]

_WINDOW_SLACK_M = 50.0
"""Windows are read so much wider than asked, so that a mount some metres aside needs no other."""


class JobContext:
    """Declinations and compass corrections of one job, each worked out when it is first asked for.

    One context belongs to the work on one job and is handed to every assessment of it. Values are kept by the inputs
    they depend on, so that a job with another date or other landmarks gets its own.
    """

    def __init__(self) -> None:
        self._declinations: dict[tuple[float, float, float, dt.date], Declination] = {}
        self._corrections: dict[tuple[object, ...], CompassCorrection] = {}

    def declination(
        self, latitude_deg: float, longitude_deg: float, height_m: float, date: dt.date
    ) -> Declination:
        """Magnetic declination at a place and date, with its notes.

        Raises
        ------
        InputError : a date outside the magnetic model
        """
        key = (latitude_deg, longitude_deg, height_m, date)
        if key not in self._declinations:
            from skysill.pointing.compass import declination

            self._declinations[key] = declination(*key)
        return self._declinations[key]

    def compass_correction(self, job: Job, site: Site) -> CompassCorrection | None:
        """What turns the job's readings to true north; None without readings. Raises as `compass_correction_of`."""
        sources = job.sources
        if sources.readings is None:
            return None
        key = (sources.survey, sources.landmarks, sources.sun_sightings, job.date, site)
        if key not in self._corrections:
            from skysill.pointing.survey_compass import compass_correction_of

            self._corrections[key] = compass_correction_of(job, site)
        return self._corrections[key]


class WindowCache:
    """A source of elevations that keeps the widest window it has read, for asking again from nearby.

    Several threads may ask; they read one after the other.
    """

    def __init__(self, source: Elevations) -> None:
        self._source = source
        self._around: tuple[float, float, float] | None = None
        self._grid: Grid | None = None
        self._lock = threading.Lock()
        self.name, self.kind = source.name, source.kind
        self.cell_size_m, self.vertical_error_m = source.cell_size_m, source.vertical_error_m
        self.facts = facts_of(source)

    def window(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> Grid | None:
        """As the source gives it, out to radius_m or farther."""
        with self._lock:
            if self._around is not None:
                east_m, north_m = plan_offset(*self._around[:2], latitude_deg, longitude_deg)
                if float(np.hypot(east_m, north_m)) + radius_m <= self._around[2]:
                    return self._grid
            radius_m += _WINDOW_SLACK_M
            self._grid = self._source.window(latitude_deg, longitude_deg, radius_m)
            self._around = (latitude_deg, longitude_deg, radius_m)
            return self._grid


def prepared(job: Job) -> Job:
    """The same job ready for many assessments: rasters are read once, and its own roof is one of the obstacles."""
    rasters = tuple(r if isinstance(r, WindowCache) else WindowCache(r) for r in job.sources.rasters)
    return with_own_roof(replace(job, sources=replace(job.sources, rasters=rasters)))

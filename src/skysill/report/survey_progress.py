"""What is still to be measured around each satellite, from the field sheet of a revisit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from skysill.horizon.skyline import skyline_at
from skysill.model.job import Job
from skysill.model.readings import Readings
from skysill.model.site import Mount
from skysill.report.sheet import FieldSheet, field_sheet
from skysill.report.sheet_rows import SheetRow, Window
from skysill.units import wrap_360

__all__ = ["Unmeasured", "unmeasured"]


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """What one satellite still lacks, in the bearings of the survey.

    window_deg : (from, to) of the azimuths that matter, in those bearings; None: all round
    to_read : azimuths without a reading that decide; to_check : those that only check what rasters say
    without_distance : azimuths of readings that need their distance
    text : the same in a sentence
    """

    satellite: str
    window_deg: tuple[float, float] | None
    to_read: tuple[float, ...]
    to_check: tuple[float, ...]
    without_distance: tuple[float, ...]
    text: str


def unmeasured(job: Job, mount: Mount, *, fresh: FieldSheet | None = None) -> tuple[Unmeasured, ...]:
    """What is still to be measured for each satellite that stands still and rises.

    Parameters
    ----------
    job : with the readings taken so far, or none
    mount : usually one of job.mounts
    fresh : the sheet of the same job without readings, where it is known already

    Returns
    -------
    one entry a satellite

    Raises
    ------
    InputError : the survey's bearings are relative; as `field_sheet`

    >>> from skysill import read_site_file
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> unmeasured(job, job.mounts[0])[0].satellite
    'Demo South'
    """
    readings = job.sources.readings
    if fresh is None:
        fresh = field_sheet(replace(job, sources=replace(job.sources, readings=None)), mount)
    if readings is None:
        return tuple(_lacking(fresh, fresh.rows))
    sheet = field_sheet(job, mount, revisit=True)
    correction_deg = sheet.declination_deg or 0.0
    return tuple(_lacking(sheet, (*sheet.rows, *_unchecked(job, readings, fresh, correction_deg))))


def _unchecked(job: Job, readings: Readings, fresh: FieldSheet, correction_deg: float) -> Iterator[SheetRow]:
    """The rows of a fresh sheet that only check what rasters say, and that no reading checks yet."""
    checks = [row for row in fresh.rows if row.need == "check"]
    own = readings.taken(np.array([station == "" for station in readings.station], dtype=bool))
    azimuth_deg = np.array([row.azimuth_deg for row in checks])
    gap_deg = job.sources.survey.max_gap_deg
    seen = skyline_at(own.turned(correction_deg), azimuth_deg, max_gap_deg=gap_deg)
    for row, elevation_deg in zip(checks, seen, strict=True):
        if np.isnan(elevation_deg):
            yield replace(row, asked_deg=float(round(row.azimuth_deg - correction_deg) % 360))


def _lacking(sheet: FieldSheet, asked: Sequence[SheetRow]) -> Iterator[Unmeasured]:
    turn_deg = sheet.declination_deg or 0.0 if sheet.bearings == "magnetic" else 0.0
    for window in sheet.windows:
        rows = [row for row in asked if _inside(row, window)]
        whole = (window.from_deg, window.to_deg) == (0.0, 360.0)
        ends = tuple(float(wrap_360(end - turn_deg)) for end in (window.from_deg, window.to_deg))
        found = Unmeasured(
            window.look.satellite,
            None if whole else (ends[0], ends[1]),
            _asked(rows, "measure"),
            _asked(rows, "check"),
            tuple(dict.fromkeys(round(row.asked_deg, 1) for row in rows if row.read_deg is not None)),
            "",
        )
        yield replace(found, text=_sentence(found, window, sheet.bearings))


def _inside(row: SheetRow, window: Window) -> bool:
    if window.need == "enough":
        return False
    width_deg = (window.to_deg - window.from_deg) % 360.0 or 360.0
    return float(wrap_360(row.azimuth_deg - window.from_deg + 1.0)) <= width_deg + 2.0


def _asked(rows: Sequence[SheetRow], need: str) -> tuple[float, ...]:
    return tuple(row.asked_deg for row in rows if row.need == need and row.read_deg is None)


def _sentence(found: Unmeasured, window: Window, bearings: str) -> str:
    if window.need == "enough":
        return window.why[0] if window.why else "Nothing need be measured."
    parts = []
    if found.to_read:
        count = len(found.to_read)
        parts.append(
            f"{count} {'azimuth' if count == 1 else 'azimuths'} still to read: {_spans(found.to_read)}"
        )
    if found.without_distance:
        parts.append(f"distance still to measure at {_spans(found.without_distance)}")
    if found.to_check:
        parts.append(f"worth a check at {_spans(found.to_check)}")
    if not parts:
        return "Every azimuth that matters has been measured or is known."
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]} ({bearings} bearings)."


def _spans(azimuths_deg: Sequence[float]) -> str:
    """Azimuths in words: runs of three or more that are at most 4 degrees apart as a span."""
    runs: list[list[float]] = []
    for azimuth_deg in azimuths_deg:
        if runs and 0.0 < (azimuth_deg - runs[-1][-1]) % 360.0 <= 4.0:
            runs[-1].append(azimuth_deg)
        else:
            runs.append([azimuth_deg])
    words = []
    for run in runs:
        words += [f"{run[0]:g} to {run[-1]:g}"] if len(run) > 2 else [f"{one:g}" for one in run]
    return ", ".join(words)

"""What a survey still lacks: azimuths without a reading, and readings without the distance they need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from skysill.assessment.evidence import Evidence
from skysill.assessment.search_window import window_azimuths_deg
from skysill.horizon.measured import SIDESTEP_M
from skysill.horizon.silhouette import covered
from skysill.horizon.skyline import skyline_at
from skysill.model.job import Job
from skysill.model.readings import Readings
from skysill.pointing.look_vector import LookVector
from skysill.report.sheet_rows import SheetRow, Window, widened_deg
from skysill.units import Bools, Floats, wrap_180, wrap_360

__all__ = ["still_missing"]

_LOWER_M = 0.01


def still_missing(
    job: Job,
    evidence: Evidence,
    windows: Sequence[Window],
    looks: Sequence[LookVector],
    rows: Sequence[SheetRow],
    known_far: Sequence[Bools],
    *,
    correction_deg: float,
) -> tuple[SheetRow, ...]:
    """The rows of a fresh sheet that are still to be read, and readings whose distance is to be measured.

    A row is left out where neighbouring readings are already joined across it. Readings without a distance are asked
    for again, by their own azimuth, where the dish stands beside the instrument or lower: they cannot be used there.

    Parameters
    ----------
    gathered : with the readings moved to the dish
    rows : of the fresh sheet, in the order of its sweep
    known_far : for each look, which of its azimuths rasters or a complete list already cover
    correction_deg : of the survey's bearings to true north

    Returns
    -------
    Rows in the order of the sweep
    """
    readings = job.sources.readings
    assert readings is not None
    own = readings.taken(np.array([station == "" for station in readings.station], dtype=bool))
    own = own.turned(correction_deg)
    lacking = np.isnan(own.distance_m) & _needs_distances(evidence)
    missing = [
        (window, _uncovered(job, evidence, look, known))
        for window, look, known in zip(windows, looks, known_far, strict=True)
    ]
    wanted = [
        (float(row.azimuth_deg), row)
        for row in rows
        if _affects_missing(job, evidence, row.azimuth_deg, missing)
    ]
    found: dict[tuple[float, float], SheetRow] = {}
    fine = own.taken(~lacking)
    for azimuth_deg, row in wanted:
        at = np.array([azimuth_deg])
        gap_deg = job.sources.survey.max_gap_deg
        if not np.isnan(skyline_at(fine, at, max_gap_deg=gap_deg)[0]):
            continue
        if np.isnan(skyline_at(own, at, max_gap_deg=gap_deg)[0]):
            found[(azimuth_deg, np.nan)] = row
            continue
        for k in np.flatnonzero(lacking & (np.abs(wrap_180(own.azimuth_deg - azimuth_deg)) <= gap_deg)):
            read = _row_of_reading(row, own, int(k), correction_deg)
            found[(read.azimuth_deg, float(read.read_deg or 0.0))] = read
    if not rows:
        return ()
    start_deg = rows[0].azimuth_deg - job.sources.survey.max_gap_deg
    order = sorted(found, key=lambda key: (float(np.mod(key[0] - start_deg, 360.0)), key[1]))
    return tuple(found[key] for key in order)


def _needs_distances(evidence: Evidence) -> bool:
    step_m = evidence.place.from_instrument_m
    if step_m is None:
        return False
    return bool(np.hypot(step_m[0], step_m[1]) > SIDESTEP_M or step_m[2] < -_LOWER_M)


def _uncovered(job: Job, evidence: Evidence, look: LookVector, known: Bools) -> Floats:
    """The azimuths that matter to a satellite and that no source covers, seen from the dish."""
    dense, _ = window_azimuths_deg(look, job.link)
    spoken = known.copy()
    for station in evidence.stations:
        spoken |= covered(station.silhouette, dense)
    return dense[~spoken]


def _affects_missing(
    job: Job, evidence: Evidence, azimuth_deg: float, missing: Sequence[tuple[Window, Floats]]
) -> bool:
    """Whether an obstruction at this azimuth from the instrument could stand at a missing azimuth from the dish."""
    return any(
        azimuths.size
        and float(np.abs(wrap_180(azimuths - azimuth_deg)).min())
        <= widened_deg(job, evidence.place) + window.step_deg
        for window, azimuths in missing
    )


def _row_of_reading(row: SheetRow, own: Readings, k: int, correction_deg: float) -> SheetRow:
    azimuth_deg = float(own.azimuth_deg[k])
    typed_deg = float(wrap_360(azimuth_deg - correction_deg))
    return replace(
        row,
        azimuth_deg=azimuth_deg,
        bearing_magnetic_deg=None if row.bearing_magnetic_deg is None else typed_deg,
        asked_deg=typed_deg,
        need="measure",
        satellites=(),
        read_deg=float(own.elevation_deg[k]),
        read_note=own.note[k],
    )

"""The azimuths that a field sheet asks for, and what is known there already."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from skysill.assessment.evidence import Evidence
from skysill.assessment.placement import Place
from skysill.assessment.search_window import (
    near_reach_m,
    reach_wanted_m,
    stop_elevation_deg,
    window_azimuths_deg,
)
from skysill.horizon.silhouette import Profile, covered
from skysill.model.job import Job
from skysill.pointing.compass import magnetic_bearing
from skysill.pointing.look_vector import LookVector
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, wrap_180, wrap_360

__all__ = [
    "CHECK_STEP_DEG",
    "STEP_DEG",
    "Need",
    "SheetRow",
    "Window",
    "covered_azimuths",
    "magnetic",
    "rows_asked",
    "widened_deg",
    "window_for",
]

Need = Literal["measure", "check", "enough"]

STEP_DEG = 2.0
"""Spacing of readings where they decide: twice the bearing error of a careful compass reading (0.5 to 1 degree,
common practice, no source)."""

CHECK_STEP_DEG = 4.0
"""Spacing of readings that only check a fine raster; below the 5 degrees at which readings are no longer joined."""

_MOST_WIDENED_DEG = 20.0
_ROOMS_AT_M = (5.0, 10.0, 20.0, 50.0, 200.0)


@dataclass(frozen=True, slots=True)
class Window:
    """The azimuths that matter for one satellite.

    from_deg, to_deg : true; a full circle is (0, 360)
    need : "measure", "check" (a fine raster covers it, but lacks wires and poles), "enough" (below the horizon)
    watch_deg : elevation at which an obstruction `assumed_distance_m` away takes the room; nearer ones do lower down
    why : sentences
    """

    look: LookVector
    from_deg: float
    to_deg: float
    from_magnetic_deg: float | None
    to_magnetic_deg: float | None
    step_deg: float
    need: Need
    watch_deg: float
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One reading to take.

    azimuth_deg : true; bearing_magnetic_deg : what an undisturbed compass shows
    asked_deg : in the bearings of the survey, a whole degree, as in the CSV
    known_deg, known_distance_m, known_as : the obstruction known there, seen from the instrument; None where none is
    satellites : those within half a degree of it
    read_deg, read_note : elevation and note of a reading that lacks only its distance; None, "" for a new one
    """

    azimuth_deg: float
    bearing_magnetic_deg: float | None
    asked_deg: float
    need: Need
    known_deg: float | None
    known_distance_m: float | None
    known_as: str
    satellites: tuple[str, ...]
    read_deg: float | None = None
    read_note: str = ""


def magnetic(azimuth_deg: float, turn_deg: float | None) -> float | None:
    """Magnetic bearing of a true azimuth; None without a declination."""
    return None if turn_deg is None else float(magnetic_bearing(azimuth_deg, turn_deg))


def window_for(job: Job, at: Place, evidence: Evidence, look: LookVector, turn_deg: float | None) -> Window:
    """The azimuths to measure for one satellite, as seen from the instrument."""
    room_deg = float(room_angle_deg(job.criteria.assumed_distance_m, job.link))
    watch_deg = look.elevation_apparent_deg - room_deg
    if not look.visible:
        low = f"{look.satellite} never rises here; nothing need be measured for it."
        return Window(look, 0.0, 0.0, None, None, 0.0, "enough", watch_deg, (low,))
    dense, _ = window_azimuths_deg(look, job.link)
    near, far = _near_and_far(job, at, evidence, look, dense)
    need: Need = "check" if bool((near & far).all()) else "measure"
    why = list(_why(job, room_deg, near, far))
    if look.azimuth_deg is None or dense.size >= 3600:
        ends = (0.0, 360.0)
    else:
        spread_deg = float(np.abs(wrap_180(dense - look.azimuth_deg)).max())
        wider_deg = widened_deg(job, at)
        if wider_deg > 0.5:
            aside_m = _aside_m(job, at)
            beside = (
                f"because the instrument stands {aside_m:.1f} m beside the mount and "
                if aside_m > 0.05
                else ""
            )
            why.append(
                f"It is {wider_deg:.0f} degrees wider on both sides {beside}for the error of the bearings."
            )
        half_deg = min(spread_deg + wider_deg, 180.0)
        ends = (
            float(wrap_360(look.azimuth_deg - half_deg)),
            float(wrap_360(look.azimuth_deg + half_deg)),
        )
        if half_deg >= 180.0:
            ends = (0.0, 360.0)
    step_deg = min(STEP_DEG if need == "measure" else CHECK_STEP_DEG, job.sources.survey.max_gap_deg)
    whole = ends == (0.0, 360.0)
    return Window(
        look=look,
        from_deg=ends[0],
        to_deg=ends[1],
        from_magnetic_deg=None if whole else magnetic(ends[0], turn_deg),
        to_magnetic_deg=None if whole else magnetic(ends[1], turn_deg),
        step_deg=step_deg,
        need=need,
        watch_deg=watch_deg,
        why=tuple(why),
    )


def widened_deg(job: Job, at: Place) -> float:
    """Azimuth shift of an obstruction `assumed_distance_m` away from instrument to mount, plus the compass error."""
    survey = job.sources.survey
    shift_deg = float(np.rad2deg(np.arctan2(_aside_m(job, at), job.criteria.assumed_distance_m)))
    return min(shift_deg + 2.0 * survey.bearing_error_deg, _MOST_WIDENED_DEG)


def _aside_m(job: Job, at: Place) -> float:
    """Level distance from the instrument to the mount."""
    survey = job.sources.survey
    return float(np.hypot(at.mount.east_m - survey.east_m, at.mount.north_m - survey.north_m))


def _near_and_far(
    job: Job, at: Place, evidence: Evidence, look: LookVector, azimuth_deg: Floats
) -> tuple[Bools, Bools]:
    """Which azimuths have near evidence, and which are covered as far out as ground could matter."""
    terrain = evidence.terrain
    near = np.full(azimuth_deg.shape, evidence.scene is not None and evidence.scene.complete)
    if terrain is None or not at.datum_known:
        return near, np.zeros(azimuth_deg.shape, dtype=bool)
    highest_m = job.sources.highest_ground_m
    stop_deg = stop_elevation_deg(look, at, highest_m, job.link)
    far_m = reach_wanted_m(look, at, highest_m, job.link)
    return (
        near | covered(terrain, azimuth_deg, reach_m=near_reach_m(stop_deg), fine=True),
        covered(terrain, azimuth_deg, reach_m=far_m),
    )


def _why(job: Job, room_deg: float, near: Bools, far: Bools) -> Iterable[str]:
    away_m = job.criteria.assumed_distance_m
    yield (
        f"Something {away_m:g} m away takes the room when it comes within {room_deg:.1f} degrees of the line to a "
        "satellite: this is how far to either side it can."
    )
    if not far.all():
        yield "No elevation raster reaches far enough here: hills count as well as what stands near."
    elif not near.all():
        yield "The rasters say enough of hills, but nothing of what stands near: trees, buildings, wires."
    else:
        yield (
            "A fine raster or a complete list speaks for this already. It misses wires and poles and what has grown "
            "since: take a few readings to check it."
        )


def covered_azimuths(
    job: Job, at: Place, evidence: Evidence, looks: list[LookVector]
) -> list[tuple[LookVector, Floats, Bools]]:
    """For each satellite the azimuths that matter, and whether each is covered already, near and far."""
    found = []
    for look in looks:
        dense, _ = window_azimuths_deg(look, job.link)
        near, far = _near_and_far(job, at, evidence, look, dense)
        found.append((look, dense, near & far))
    return found


def rows_asked(
    windows: tuple[Window, ...],
    known: Profile | None,
    turn_deg: float | None,
    counted_from_deg: float,
    coverage: list[tuple[LookVector, Floats, Bools]],
) -> tuple[SheetRow, ...]:
    """The rows at whole degrees of the survey's own bearings, in the order of a sweep; those that decide are marked."""
    wanted: dict[int, bool] = {}
    for window in windows:
        if window.need != "enough":
            for asked in _asked_deg(window, counted_from_deg):
                wanted[asked] = wanted.get(asked, False) or window.need == "measure"
    rows = []
    for asked in _sweep_order(list(wanted)):
        azimuth_deg = float(wrap_360(asked + counted_from_deg))
        need: Need = "measure" if wanted[asked] and not _covered_for_all(azimuth_deg, coverage) else "check"
        rows.append(_row(asked, azimuth_deg, need, known, turn_deg, coverage))
    return tuple(rows)


def _sweep_order(asked: list[int]) -> list[int]:
    """Clockwise from the end of the widest gap, or from north where no gap is wider than 10 degrees."""
    ordered = sorted(asked)
    if not ordered:
        return []
    gaps = [(ordered[k] - ordered[k - 1]) % 360 for k in range(len(ordered))]
    widest = max(gaps)
    if len(ordered) == 1 or widest <= 10:
        return ordered
    at = gaps.index(widest)
    return ordered[at:] + ordered[:at]


def _asked_deg(window: Window, counted_from_deg: float) -> Iterable[int]:
    """Whole degrees over the window, with its ends and the satellite's own azimuth."""
    step = max(1, int(window.step_deg))
    if (window.from_deg, window.to_deg) == (0.0, 360.0):
        yield from range(0, 360, step)
        return
    start = int(np.floor(window.from_deg - counted_from_deg))
    width = float(np.mod(window.to_deg - window.from_deg, 360.0))
    steps = int(np.ceil((width + 1.0) / step))
    yield from ((start + k * step) % 360 for k in range(steps + 1))
    yield round(float(window.look.azimuth_deg or 0.0) - counted_from_deg) % 360


def _covered_for_all(azimuth_deg: float, coverage: list[tuple[LookVector, Floats, Bools]]) -> bool:
    """Whether near and far are covered for every satellite to which this azimuth matters, of which there is one."""
    said = []
    for _, dense, seen in coverage:
        apart = np.abs(wrap_180(dense - azimuth_deg))
        if apart.size and apart.min() <= 1.0:
            said.append(bool(seen[int(apart.argmin())]))
    return bool(said) and all(said)


def _row(
    asked: int,
    azimuth_deg: float,
    need: Need,
    known: Profile | None,
    turn_deg: float | None,
    coverage: list[tuple[LookVector, Floats, Bools]],
) -> SheetRow:
    at = round(azimuth_deg) % 360
    height_deg = None if known is None else float(known.elevation_deg[at])
    there = known is not None and height_deg is not None and not np.isnan(height_deg)
    distance_m = float(known.distance_m[at]) if known is not None and there else float("nan")
    return SheetRow(
        azimuth_deg=azimuth_deg,
        bearing_magnetic_deg=magnetic(azimuth_deg, turn_deg),
        asked_deg=float(asked),
        need=need,
        known_deg=height_deg if there else None,
        known_distance_m=None if np.isnan(distance_m) else distance_m,
        known_as=known.name[at] if known is not None and there else "",
        satellites=tuple(
            look.satellite
            for look, _, _ in coverage
            if look.azimuth_deg is not None
            and look.visible
            and abs(float(wrap_180(look.azimuth_deg - azimuth_deg))) <= 0.5
        ),
    )

"""What no source could see: behind things read from below the dish, and how far a thing read without a distance is."""

from __future__ import annotations

import numpy as np

from skysill.assessment.clearance import Clearance, column_rooms
from skysill.assessment.evidence import Evidence
from skysill.assessment.search_window import near_reach_m, stop_elevation_deg
from skysill.assessment.stations import StationHorizon
from skysill.horizon.measured import SIDESTEP_M, moved_readings, shift_to_dish
from skysill.horizon.silhouette import Silhouette, covered
from skysill.horizon.skyline import skyline_at
from skysill.model.job import Job
from skysill.model.link import Ray
from skysill.pointing.look_vector import LookVector
from skysill.units import Bools, Floats, wrap_180, wrap_360

__all__ = ["NEAR_UNREAD_CHANCE", "behind_readings", "in_line_by_assumption", "unread_before_dish"]

_HEIGHT_STEP_M = 0.1
_NEAREST_M = 4.0
"""What was read without a distance is taken to stand at least so far away. Own estimate, no source."""

_SAME_AZIMUTH_DEG = 1e-6


def behind_readings(job: Job, evidence: Evidence, look: LookVector) -> str | None:
    """What may stand unseen behind a reading taken from below or beside the dish, and from where to look; else None.

    Another source answers for it where it speaks of near things: a fine surface raster, or a complete obstacle list.
    """
    if evidence.scene is not None and evidence.scene.complete:
        return None
    for station in evidence.stations:
        found = _behind(job, evidence, look, station)
        if found is not None:
            return found
    return None


def _behind(job: Job, evidence: Evidence, look: LookVector, station: StationHorizon) -> str | None:
    hidden, step_m = station.shifted.hidden, station.step_m
    if hidden is None:
        return None
    at = _taking_room(job, evidence, look, hidden)
    if not at.size:
        return None
    name = hidden.features[int(hidden.feature[at[0]])].name
    what = "the measured horizon" if name == "measured horizon" else name
    azimuth_deg = look.azimuth_deg or 0.0
    turned = np.sort(wrap_180(hidden.azimuth_deg[at] - azimuth_deg)) + azimuth_deg
    height_m = _least_instrument_height_m(job, evidence, look, station)
    where_read = f" at {station.name}" if station.name else ""
    rises_more = station.hidden_rise_m > job.criteria.hidden_tall_m - station.instrument_height_m + 1e-6
    ground = f"ground of up to {job.sources.highest_ground_m:g} m or " if rises_more else ""
    where = f"azimuths {wrap_360(turned[0]):.0f} to {wrap_360(turned[-1]):.0f}"
    return (
        f"Behind {what}, read from {station.instrument_height_m:.1f} m above the ground{where_read}, {ground}something "
        f"up to {job.criteria.hidden_tall_m:g} m high could stand unseen and take the room of a dish "
        f"{_away(step_m)}. Read {where} again from {height_m:.1f} m above the ground or higher (type "
        "instrument_height_m), "
        "or give a surface raster of 2 m or finer or a complete list of obstacles."
    )


def _away(step_m: Floats) -> str:
    aside_m = float(np.hypot(step_m[0], step_m[1]))
    if step_m[2] >= 0.1:
        return f"{step_m[2]:.1f} m higher"
    return f"{aside_m:.1f} m aside" if aside_m > -step_m[2] else f"{-step_m[2]:.1f} m lower"


def _taking_room(job: Job, evidence: Evidence, look: LookVector, hidden: Silhouette) -> np.ndarray:
    """Which columns of what may stand hidden would take the room, the critical one first."""
    rooms = column_rooms(hidden, look.ray, job.link)
    at = np.flatnonzero(rooms.inside | (rooms.spare_deg < 0.0))
    if evidence.terrain is not None and at.size:
        stop_deg = stop_elevation_deg(look, evidence.place, job.sources.highest_ground_m, job.link)
        near_m = near_reach_m(stop_deg)
        at = at[~covered(evidence.terrain, hidden.azimuth_deg[at], reach_m=near_m, fine=True)]
    for station in evidence.stations:
        if station.at_dish and at.size:  # it saw what the others could not
            at = at[~covered(station.silhouette, hidden.azimuth_deg[at])]
    return np.asarray(at[np.argsort(rooms.spare_deg[at], kind="stable")])


def _least_instrument_height_m(
    job: Job, evidence: Evidence, look: LookVector, station: StationHorizon
) -> float:
    """The least height of the instrument, at its place, from which nothing that takes the room could hide.

    The dish's own height where no less will do.
    """
    step_m, survey, readings = station.step_m, job.sources.survey, station.readings
    low, high = 0, int(np.ceil(max(float(step_m[2]), 0.0) / _HEIGHT_STEP_M))
    top_m = station.instrument_height_m + max(float(step_m[2]), 0.0)

    def enough(steps: int) -> bool:
        up_m = steps * _HEIGHT_STEP_M
        found = shift_to_dish(
            moved_readings(readings, np.array([0.0, 0.0, up_m])),
            east_m=float(step_m[0]),
            north_m=float(step_m[1]),
            up_m=float(step_m[2]) - up_m,
            max_gap_deg=survey.max_gap_deg,
            inclination_error_deg=survey.inclination_error_deg,
            exact_azimuths_deg=(look.azimuth_deg or 0.0,),
            hidden_rise_m=station.hidden_rise_m - up_m,
        ).hidden
        return found is None or not _taking_room(job, evidence, look, found).size

    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return min(station.instrument_height_m + low * _HEIGHT_STEP_M, top_m)


def in_line_by_assumption(job: Job, evidence: Evidence, look: LookVector, now: Clearance) -> str | None:
    """Where the ray is obstructed only by a reading without a distance, used unmoved for a higher dish: what to
    measure. None where something of known place obstructs it, or nothing does.
    """
    if not now.obstructed:
        return None
    ray = look.ray
    for station in evidence.stations:
        others = [s for s in evidence.silhouettes if s is not station.silhouette]
        if any(column_rooms(s, ray, job.link).inside.any() for s in others):
            continue
        found = _assumed(job, station, ray)
        if found is not None:
            return found
    return None


def _assumed(job: Job, station: StationHorizon, ray: Ray) -> str | None:
    """What of one station's readings stands in the line only by assumption; None where nothing does."""
    s, step_m = station.silhouette, station.step_m
    rooms = column_rooms(s, ray, job.link)
    inside = np.flatnonzero(rooms.inside)
    if step_m[2] <= 0.0 or not inside.size or not rooms.assumed[inside].all():
        return None
    top = int(inside[s.elevation_deg[inside].argmax()])
    top_rad = np.deg2rad(s.elevation_deg[top])
    over = np.sin(top_rad) - np.cos(top_rad) * np.tan(np.deg2rad(ray.elevation_deg))
    free_m = float(step_m[2] / max(over, 1e-9))
    if free_m < _NEAREST_M:
        return None
    name = s.features[int(s.feature[top])].name
    what = "The measured horizon" if name == "measured horizon" else f"{name[0].upper()}{name[1:]}"
    limit = f"nearer than {free_m:.0f} m" if free_m < 20_000.0 else "at any distance"
    return (
        f"{what} at azimuth {s.azimuth_deg[top]:.0f} stands in the line as it was read, but no distance was read with "
        f"it and the dish is {step_m[2]:.1f} m higher than the instrument: {limit} it leaves the line free. Measure "
        "its distance (type distance_m in the readings)."
    )


NEAR_UNREAD_CHANCE = 0.01
"""Chance that something takes the room nearer than `assumed_distance_m`, where the instrument stood aside and nobody
read towards it: counted in the invented surroundings of tests/benchmarks/true_worlds.py.
"""

_ALONG = (1.0, 1.25, 1.6, 2.0, 3.0, 5.0, 10.0)


def unread_before_dish(job: Job, evidence: Evidence, look: LookVector) -> tuple[str | None, str | None]:
    """What stands near the dish towards the satellite lies at other azimuths, seen from an instrument aside.

    Returns
    -------
    What to read where nobody read towards things `assumed_distance_m` and more from the dish, else None; what to say
    where only nearer things were not read, else None
    """
    stations = evidence.stations
    if not stations or look.azimuth_deg is None or _near_known(job, evidence, look):
        return None, None
    if min(float(np.hypot(*station.step_m[:2])) for station in stations) <= SIDESTEP_M:
        return None, None
    assumed_m, first = job.criteria.assumed_distance_m, stations[0]
    far_m, near_m = assumed_m * np.array(_ALONG), np.linspace(_NEAREST_M / 2.0, assumed_m, 9)[:-1]
    far_deg, near_deg = (_seen_at_deg(first, look.azimuth_deg, away_m) for away_m in (far_m, near_m))
    unread_far, unread_near = (
        ~np.any([_was_read(job, s, look.azimuth_deg, away_m) for s in stations], axis=0)
        for away_m in (far_m, near_m)
    )
    aside_m = float(np.hypot(*first.step_m[:2]))
    if unread_far.any():
        return (
            f"The instrument stood {aside_m:.1f} m beside the dish: what stands {far_m[unread_far][0]:.0f} m from the "
            f"dish towards the satellite lies at azimuth {far_deg[unread_far][0]:.0f} from there, where nobody read. "
            "Read there too, or from the mount."
        ), None
    if unread_near.any():
        ends = near_deg[unread_near][[0, -1]]
        return None, (
            f"Nobody read what stands nearer than {near_m[unread_near].max() + 1.0:.0f} m to the dish towards the "
            f"satellite: from the instrument it lies at azimuths {ends[0]:.0f} to {ends[1]:.0f}. Nothing is taken to "
            "stand there."
        )
    return None, None


def _seen_at_deg(station: StationHorizon, azimuth_deg: float, away_m: Floats) -> Floats:
    """The azimuths from a station of places `away_m` from the dish in one direction."""
    east_m = station.step_m[0] + away_m * np.sin(np.deg2rad(azimuth_deg))
    north_m = station.step_m[1] + away_m * np.cos(np.deg2rad(azimuth_deg))
    return wrap_360(np.rad2deg(np.arctan2(east_m, north_m)))


def _was_read(job: Job, station: StationHorizon, azimuth_deg: float, away_m: Floats) -> Bools:
    seen_deg = _seen_at_deg(station, azimuth_deg, away_m)
    return ~np.isnan(skyline_at(station.readings, seen_deg, max_gap_deg=job.sources.survey.max_gap_deg))


def _near_known(job: Job, evidence: Evidence, look: LookVector) -> bool:
    """Whether another source than the readings speaks of near things on the ray's azimuth."""
    if evidence.scene is not None and evidence.scene.complete:
        return True
    if evidence.terrain is None:
        return False
    stop_deg = stop_elevation_deg(look, evidence.place, job.sources.highest_ground_m, job.link)
    at = [look.azimuth_deg or 0.0]
    return bool(covered(evidence.terrain, at, reach_m=near_reach_m(stop_deg), fine=True).all())

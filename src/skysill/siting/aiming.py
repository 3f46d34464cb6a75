"""Aiming without a compass: landmarks, roof edges and walls, the sun's shadow, the tilt of the dish's face.

A turn is always from the guide to the satellite, seen from above, clockwise positive: right is positive.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from skysill.assessment.placement import Place
from skysill.geodesy.positions import bearing_and_distance
from skysill.model.job import Job
from skysill.pointing.dish_pointing import FaceTilt, beam_half_width_deg, compass_point, face_tilt, side_of
from skysill.pointing.look_vector import LookVector
from skysill.pointing.sun_guides import SunGuide, sun_guides
from skysill.pointing.survey_compass import compass_correction_of
from skysill.units import Floats, wrap_180, wrap_360

__all__ = [
    "Aim",
    "Guide",
    "aim",
    "guides",
]

LANDMARK_ERROR_M = 5.0
"""How well a landmark's position is known, standard deviation: a position read off a map or from a phone.

GPS.gov gives 4.9 m for a phone under open sky (read off a page, not measured here).
"""

_MOST_EDGES = 5
_NEAR_M = 30.0
_LEAST_EDGE_M = 2.0
_SAME_DIRECTION_DEG, _SAME_THING_DEG = 0.5, 20.0


@dataclass(frozen=True, slots=True)
class Guide:
    """Something on the spot whose direction is known.

    kind : "landmark", "ridge", "roof edge" or "wall"
    bearing_deg : true; to a landmark, or along an edge, the way of the two that is nearer to the satellite
    distance_m : to a landmark, or to the nearest part of an edge, from the mount, level
    turn_deg : from the guide to the satellite, (-180, 180], right positive
    error_deg : what the landmark's position error of `LANDMARK_ERROR_M` turns it by; None for edges
    text : the same in a sentence
    """

    name: str
    kind: str
    bearing_deg: float
    distance_m: float
    turn_deg: float
    error_deg: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Aim:
    """Everything that helps to point at one satellite.

    survey_bearing_deg : what the surveyor's own compass shows in the satellite's direction, as its landmarks or
        the magnetic model correct it; None without a satellite azimuth or without a compass survey
    beam_half_width_deg : so far off the signal has fallen by half
    """

    look: LookVector
    beam_half_width_deg: float
    survey_bearing_deg: float | None
    survey_bearing_source: str | None
    face: FaceTilt | None
    guides: tuple[Guide, ...]
    sun: tuple[SunGuide, ...]
    notes: tuple[str, ...] = ()


def guides(job: Job, at: Place, look: LookVector) -> tuple[Guide, ...]:
    """Landmarks, then roof and wall lines, each with the turn from it to the satellite, seen from the mount."""
    if look.azimuth_deg is None:
        return ()
    return (*_landmarks(job, at, look.azimuth_deg), *_edges(job, at, look.azimuth_deg))


def _landmarks(job: Job, at: Place, azimuth_deg: float) -> Iterator[Guide]:
    marks = job.sources.landmarks
    if not marks:
        return
    bearings, distances = bearing_and_distance(
        at.latitude_deg, at.longitude_deg, [m.latitude_deg for m in marks], [m.longitude_deg for m in marks]
    )
    for mark, bearing, distance in zip(marks, np.atleast_1d(bearings), np.atleast_1d(distances), strict=True):
        if distance < 2.0 * LANDMARK_ERROR_M:
            continue
        turn_deg = float(wrap_180(azimuth_deg - bearing))
        error_deg = float(np.rad2deg(np.arctan2(LANDMARK_ERROR_M, distance)))
        where = "Straight over" if abs(turn_deg) < 0.05 else side_of(turn_deg).capitalize()
        text = f"{where} {mark.name}, seen from the mount."
        yield Guide(mark.name, "landmark", float(bearing), float(distance), turn_deg, error_deg, text)


@dataclass(frozen=True, slots=True)
class _Edge:
    name: str
    kind: str
    ends_m: Floats  # (2, 2) east, north


def _edges(job: Job, at: Place, azimuth_deg: float) -> Iterator[Guide]:
    """The nearest straight lines, one for each direction: parallel ones say the same."""
    here = np.array([at.mount.east_m, at.mount.north_m])
    rank = {"ridge": 0, "roof edge": 1, "wall": 2}
    measured = []
    for own, edge in _all_edges(job):
        away_m = _distance_m(here, edge.ends_m)
        along = edge.ends_m[1] - edge.ends_m[0]
        if np.hypot(*along) >= _LEAST_EDGE_M and away_m <= _NEAR_M:
            measured.append((not own, rank[edge.kind], away_m, edge, float(np.rad2deg(np.arctan2(*along)))))
    taken: list[tuple[str, float]] = []
    for _, _, away_m, edge, along_deg in sorted(measured, key=lambda one: one[:3]):
        turn_deg = float(wrap_180(azimuth_deg - along_deg))
        if abs(turn_deg) > 90.0:  # the other way along the same line
            along_deg, turn_deg = along_deg + 180.0, float(wrap_180(turn_deg + 180.0))
        bearing_deg = float(wrap_360(along_deg))
        if any(
            abs(float(wrap_180(bearing_deg - other)))
            < (_SAME_THING_DEG if name == edge.name else _SAME_DIRECTION_DEG)
            for name, other in taken
        ):
            continue
        taken.append((edge.name, bearing_deg))
        text = f"{side_of(turn_deg).capitalize()} {edge.name}, looking along it to the {compass_point(bearing_deg)}."
        yield Guide(edge.name, edge.kind, bearing_deg, away_m, turn_deg, None, text)
        if len(taken) >= _MOST_EDGES:
            return


def _distance_m(here: Floats, ends_m: Floats) -> float:
    start, along = ends_m[0], ends_m[1] - ends_m[0]
    share = float(np.clip(np.dot(here - start, along) / max(float(np.dot(along, along)), 1e-12), 0.0, 1.0))
    return float(np.hypot(*(here - start - share * along)))


def _all_edges(job: Job) -> Iterator[tuple[bool, _Edge]]:
    """Every straight line given, and whether it is of the roof that the job is about."""
    if job.roof is not None:
        ridge = _ridge(np.array(job.roof.points, dtype=float).reshape(-1, 3))
        if ridge is not None:
            yield True, _Edge("the ridge line", "ridge", ridge)
        for ends in _ring(np.array(job.roof.outline, dtype=float)):
            yield True, _Edge("the roof's edge", "roof edge", ends)
    for obstacle in job.sources.scene.obstacles if job.sources.scene is not None else ():
        if obstacle.kind in ("wall", "ridge"):
            for at in range(len(obstacle.line_m) - 1):
                yield False, _Edge(obstacle.name, obstacle.kind, obstacle.line_m[at : at + 2, :2])
        elif obstacle.kind in ("building", "roof"):
            for area in obstacle.areas_m:
                ridge = _ridge(area[0]) if obstacle.kind == "roof" else None
                if ridge is not None:
                    yield False, _Edge(f"the ridge of {obstacle.name}", "ridge", ridge)
                elif obstacle.kind == "building":
                    for ends in _ring(area[0][:, :2]):
                        yield False, _Edge(f"a wall of {obstacle.name}", "wall", ends)


def _ring(outline_m: Floats) -> Iterator[Floats]:
    for at in range(len(outline_m)):
        yield outline_m[[at, (at + 1) % len(outline_m)]]


def _ridge(points_m: Floats) -> Floats | None:
    """The level line along the top of a pitched roof: its highest points, where they are two and part of more."""
    if len(points_m) < 3 or float(np.ptp(points_m[:, 2])) < 0.3:
        return None
    top = np.unique(points_m[points_m[:, 2] > points_m[:, 2].max() - 0.05, :2], axis=0)
    return top if len(top) == 2 else None


def aim(
    job: Job, at: Place, look: LookVector, *, after_utc: dt.datetime | None, zone: dt.tzinfo = dt.UTC
) -> Aim:
    """All the aiming help for one look vector.

    after_utc : the first moment at which somebody may stand there with a pole; None leaves the sun out
    """
    bearing_deg, source, notes = _survey_bearing(job, at, look)
    sun: tuple[SunGuide, ...] = ()
    if after_utc is not None and not look.time_utc:
        place = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m)
        sun = sun_guides(place, look, after_utc=after_utc, zone=zone)
        if not sun and look.visible:
            notes = (*notes, "For half a year the sun gives no shadow here that is fit for aiming.")
    return Aim(
        look=look,
        beam_half_width_deg=beam_half_width_deg(job.terminal),
        survey_bearing_deg=bearing_deg,
        survey_bearing_source=source,
        face=face_tilt(look, job.terminal),
        guides=guides(job, at, look),
        sun=sun,
        notes=notes,
    )


def _survey_bearing(
    job: Job, at: Place, look: LookVector
) -> tuple[float | None, str | None, tuple[str, ...]]:
    """The satellite's azimuth on the surveyor's own instrument, for going back to it with the same one."""
    survey = job.sources.survey
    if look.azimuth_deg is None or (survey.bearings == "true" and not _sighted(job)):
        return None, None, ()
    found = compass_correction_of(job, at.site)
    return float(wrap_360(look.azimuth_deg - found.correction_deg)), found.source, found.notes


def _sighted(job: Job) -> Sequence[object]:
    marks = [mark for mark in job.sources.landmarks if mark.measured_bearing_deg is not None]
    return [*marks, *job.sources.sun_sightings]

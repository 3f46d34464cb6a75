"""The obstructions beside the line to a satellite, the most critical first, as a record lists them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from skysill.assessment.clearance import Rooms, column_rooms, scene_rooms
from skysill.assessment.placement import Place, dish_in_scene_m
from skysill.assessment.results import Assessment, SatelliteResult
from skysill.model.job import Job
from skysill.model.link import Ray
from skysill.radio.required_room import room_m

__all__ = ["MOST_OBSTRUCTIONS", "Obstruction", "obstructions_beside"]

MOST_OBSTRUCTIONS = 10

_FARTHEST_ASIDE_DEG = 45.0


@dataclass(frozen=True, slots=True)
class Obstruction:
    """One obstruction beside the line to a satellite, at the point where it leaves the least room.

    margin_deg : negative where it stands in the line; clearance_m : the margin as a length at its distance
    spare_deg : margin less the angle of the required room; the list is ordered by it
    """

    name: str
    kind: str
    source: str
    azimuth_deg: float
    elevation_deg: float
    distance_m: float
    distance_assumed: bool
    margin_deg: float
    clearance_m: float
    required_m: float
    spare_deg: float

    @property
    def word(self) -> str:
        """What it does to the line: "in the line", "takes room" or "leaves room"."""
        if self.margin_deg <= 0.0:
            return "in the line"
        return "takes room" if self.spare_deg < 0.0 else "leaves room"


def obstructions_beside(
    job: Job, at: Place, result: SatelliteResult, assessment: Assessment
) -> tuple[tuple[Obstruction, ...], int]:
    """Obstructions within 45 degrees of the line, the most critical first, and the number of those left out."""
    if not result.look.visible:
        return (), 0
    ray = result.look.ray
    found: dict[tuple[str, str], Obstruction] = {}
    for rooms in _clearances_by_source(job, at, assessment, ray):
        for number in range(len(rooms.features)):
            columns = np.flatnonzero(rooms.feature == number)
            if not columns.size:
                continue
            inside = columns[rooms.inside[columns]]
            candidates = inside if inside.size else columns
            obstruction = _obstruction(job, rooms, int(candidates[rooms.spare_deg[candidates].argmin()]))
            key = (obstruction.source, obstruction.name)
            if key not in found or obstruction.spare_deg < found[key].spare_deg:
                found[key] = obstruction
    ordered = sorted(
        (one for one in found.values() if one.margin_deg <= _FARTHEST_ASIDE_DEG),
        key=lambda one: (one.margin_deg > 0.0, one.spare_deg),
    )
    return tuple(ordered[:MOST_OBSTRUCTIONS]), len(ordered[MOST_OBSTRUCTIONS:])


def _clearances_by_source(job: Job, at: Place, assessment: Assessment, ray: Ray) -> Iterator[Rooms]:
    for silhouette in assessment.silhouettes:
        if silhouette.source != "obstacle" and len(silhouette):
            yield column_rooms(silhouette, ray, job.link)
    scene = job.sources.scene
    if scene is not None and len(scene):
        yield scene_rooms(scene, dish_in_scene_m(at), ray, job.link)


def _obstruction(job: Job, rooms: Rooms, at: int) -> Obstruction:
    feature, distance_m = rooms.features[int(rooms.feature[at])], float(rooms.distance_m[at])
    margin_deg = -abs(float(rooms.margin_deg[at])) if rooms.inside[at] else float(rooms.margin_deg[at])
    required_m = room_m(distance_m, job.link)
    return Obstruction(
        name=feature.name,
        kind=feature.kind,
        source=feature.source,
        azimuth_deg=float(rooms.azimuth_deg[at]),
        elevation_deg=float(rooms.elevation_deg[at]),
        distance_m=distance_m,
        distance_assumed=bool(rooms.assumed[at]),
        margin_deg=margin_deg,
        clearance_m=float(distance_m * np.sin(np.deg2rad(np.clip(margin_deg, -90.0, 90.0)))),
        required_m=float(required_m),
        spare_deg=float(rooms.spare_deg[at]),
    )

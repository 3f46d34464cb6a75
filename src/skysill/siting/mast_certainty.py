"""How sure the room of a search's spots is: the probability at any height, as `assess` works it out.

What does not depend on the dish's height is kept for each spot and ray as long as the search lasts: readings carried to
the spot, which are then only moved up or down, and the ground's profiles.
"""

from __future__ import annotations

from skysill.assessment.confidence import SAMPLES, Witness, confidence, deciding
from skysill.assessment.coverage import near_seen, uncovered
from skysill.assessment.evidence import (
    Gathered,
    blur_at,
    gather,
    raster_errors,
    scene_columns,
    stated_errors,
)
from skysill.assessment.growth import grown_scene, grown_stations, later, with_grown_rasters
from skysill.assessment.sampling import Errors
from skysill.assessment.stations import StationHorizon, station_horizons
from skysill.horizon.silhouette import Silhouette
from skysill.model.job import Job
from skysill.pointing.look_vector import LookVector
from skysill.siting.mast_search import SpotRoom

__all__ = ["CLOSE_CALL", "MastCertainty"]

CLOSE_CALL = 0.005
"""A probability this near to the one asked is worked out again by a whole assessment."""

_ROUGH_SAMPLES, _ROUGH_CALL = 256, 0.1
"""Draws that settle what is far from the probability asked: 0.1 is five standard errors."""

_Evidence = tuple[tuple[Witness, ...], Errors]


class MastCertainty:
    """The probability of the room of every spot, satellite and height, worked out where it is asked for."""

    def __init__(self, job: Job, room: SpotRoom) -> None:
        self.job, self.room = job, room
        self._asked: dict[tuple[int, int, bool, int], float] = {}
        self._all_covered: dict[int, bool] = {}
        self._stations: dict[tuple[int, int], tuple[StationHorizon, ...]] = {}
        self._raster_errors = raster_errors(job)
        self._rasters_grow = len(room) > 0 and with_grown_rasters(job, room.places[0]) is not None

    def plain(self, satellite: int) -> bool:
        """Whether only room and certainty decide there: near evidence exists and no source stops short."""
        if satellite not in self._all_covered:
            good = True
            for spot in {0, len(self.room) // 2, len(self.room) - 1}:
                looks = [self.room.looks[spot][k] for k in self.room.looks_of([satellite])]
                seen = gather(self.job, self.room.places[spot], looks, context=self.room.context)
                good &= all(
                    uncovered(seen, look, self.job) is None and near_seen(seen, look, self.job)
                    for look in looks
                )
            self._all_covered[satellite] = good
        return self._all_covered[satellite]

    def p_clear(self, spot: int, satellite: int, at: int, *, alone: bool) -> float:
        """The probability of the room at one height, near the one asked to within what sampling leaves.

        alone : with the ground on this satellite's own azimuths only; else on those of all
        """
        key = (spot, satellite, alone, at)
        if key not in self._asked:
            self._asked[key] = self._worked_out(*key)
        return self._asked[key]

    def hopeless(self, spot: int, look: int, at: int, *, alone: bool) -> bool:
        """Whether the ground alone leaves far too little certainty: more sources can only leave less."""
        ground = self.room.doubtful_ground(spot, look, at, alone=alone)
        if not len(ground):
            return False
        there = self.room.places[spot]
        errors = stated_errors(self.job, self.room.correction, there.step_error_m)
        bare = Gathered(there, terrain=ground, errors=errors, rasters=self._raster_errors)
        evidence = bare.witnesses(None, {}), bare.errors
        p_clear = self._sampled(evidence, self.room.looks[spot][look], _ROUGH_SAMPLES)
        return p_clear < self.job.criteria.min_p_clear - _ROUGH_CALL

    def _worked_out(self, spot: int, satellite: int, alone: bool, at: int) -> float:
        asked, least = self.job.criteria.min_p_clear, 1.0
        for look in self.room.looks_of([satellite]):
            ground = self.room.doubtful_ground(spot, int(look), at, alone=alone)
            ray = self.room.looks[spot][look]
            evidence = self._deciding(self._evidence(spot, int(look), at, ground), ray)
            p_clear = 1.0
            for samples, call in ((_ROUGH_SAMPLES, _ROUGH_CALL), (SAMPLES, 0.0)):
                enough = asked - max(call, CLOSE_CALL)
                p_clear = self._sampled(evidence, ray, samples, enough)
                if abs(p_clear - asked) >= call:
                    break
            least = min(least, p_clear)
            if least < asked - CLOSE_CALL:
                break
        return least

    def _evidence(self, spot: int, look: int, at: int, ground: Silhouette) -> _Evidence:
        """What every source says after growth, with its errors."""
        job, ray, there = self.job, self.room.looks[spot][look], self.room.place_at(spot, at)
        if self._rasters_grow:
            seen = gather(job, there, [ray], context=self.room.context, ground=ground)
            then = later(job, seen, ray)
            return then.gathered.witnesses(then.gathered.obstacles, then.growth_m), seen.errors
        scene, growth_m = grown_scene(job, job.sources.scene)
        seen = Gathered(
            there,
            stations=self._stations_at(spot, look, at),
            blur=blur_at(job, there, ground),
            terrain=ground,
            obstacles=None if scene is None else scene_columns(scene, there, [ray], job),
            scene=scene,
            errors=stated_errors(job, self.room.correction, there.step_error_m),
            rasters=self._raster_errors,
        )
        return seen.witnesses(seen.obstacles, growth_m), seen.errors

    def _stations_at(self, spot: int, look: int, at: int) -> tuple[StationHorizon, ...]:
        """What was read, after growth, seen from one height: carried to the spot once, then moved up or down."""
        ray, key = self.room.looks[spot][look], (spot, look)
        if key not in self._stations:
            today = station_horizons(
                self.job, self.room.places[spot], [ray], self.room.correction, hidden=False
            )
            self._stations[key] = grown_stations(self.job, today, ray)
        by_m = float(self.room.heights_m[spot, at] - self.room.heights_m[spot, 0])
        return tuple(station.raised(self.job, by_m, [ray]) for station in self._stations[key])

    def _deciding(self, evidence: _Evidence, ray: LookVector) -> _Evidence:
        """The same with only the columns that could decide."""
        witnesses, errors = evidence
        close = deciding(
            witnesses,
            ray.ray,
            link=self.job.link,
            errors=errors,
        )
        return close, errors

    def _sampled(self, evidence: _Evidence, ray: LookVector, samples: int, enough: float = 0.0) -> float:
        witnesses, errors = evidence
        found = confidence(
            witnesses,
            ray.ray,
            link=self.job.link,
            errors=errors,
            samples=samples,
            explain=False,
            enough=enough,
        )
        return found.p_clear

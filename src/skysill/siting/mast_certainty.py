"""How sure the room of a search's spots is: the probability at any height, as `assess` works it out.

What does not depend on the dish's height is kept for each spot and ray as long as the search lasts: readings shifted to
the spot, which are then only moved up or down, and the ground's profiles.
"""

from __future__ import annotations

from skysill.assessment.confidence import SAMPLES, confidence, deciding_columns
from skysill.assessment.coverage import near_seen, uncovered
from skysill.assessment.error_model import Errors, UncertainSilhouette
from skysill.assessment.evidence import (
    Evidence,
    blur_at,
    gather_evidence,
    raster_errors,
    scene_columns,
    stated_errors,
)
from skysill.assessment.growth import grown_scene, grown_stations, sources_after_growth, with_grown_rasters
from skysill.assessment.stations import StationHorizon, station_horizons
from skysill.horizon.silhouette import Silhouette
from skysill.model.job import Job
from skysill.pointing.look_vector import LookVector
from skysill.siting.mast_search import SpotRoom

__all__ = ["RECHECKED_WITHIN", "MastCertainty"]

RECHECKED_WITHIN = 0.005
"""A probability this near to the one asked, over or under it, is worked out again by a whole assessment."""

_ROUGH_SAMPLES, _ROUGH_CALL = 256, 0.1
"""Draws that settle what is far from the probability asked: 0.1 is five standard errors."""

_UncertainSources = tuple[tuple[UncertainSilhouette, ...], Errors]


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
                seen = gather_evidence(self.job, self.room.places[spot], looks, context=self.room.context)
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

    def ruled_out(self, spot: int, look: int, at: int, *, alone: bool) -> bool:
        """Whether the ground alone leaves far too little certainty: more sources can only leave less."""
        ground = self.room.uncertain_ground(spot, look, at, alone=alone)
        if not len(ground):
            return False
        there = self.room.places[spot]
        errors = stated_errors(self.job, self.room.correction, there.step_error_m)
        bare = Evidence(there, terrain=ground, errors=errors, rasters=self._raster_errors)
        sources = bare.uncertain_silhouettes(None, {}), bare.errors
        p_clear = self._sampled(sources, self.room.looks[spot][look], _ROUGH_SAMPLES)
        return p_clear < self.job.criteria.min_p_clear - _ROUGH_CALL

    def _worked_out(self, spot: int, satellite: int, alone: bool, at: int) -> float:
        asked, least = self.job.criteria.min_p_clear, 1.0
        for look in self.room.looks_of([satellite]):
            ground = self.room.uncertain_ground(spot, int(look), at, alone=alone)
            ray = self.room.looks[spot][look]
            sources = self._deciding(self._sources(spot, int(look), at, ground), ray)
            p_clear = 1.0
            for samples, call in ((_ROUGH_SAMPLES, _ROUGH_CALL), (SAMPLES, 0.0)):
                enough = asked - max(call, RECHECKED_WITHIN)
                p_clear = self._sampled(sources, ray, samples, enough)
                if abs(p_clear - asked) >= call:
                    break
            least = min(least, p_clear)
            if least < asked - RECHECKED_WITHIN:
                break
        return least

    def _sources(self, spot: int, look: int, at: int, ground: Silhouette) -> _UncertainSources:
        """What every source says after growth, with its errors."""
        job, ray, there = self.job, self.room.looks[spot][look], self.room.place_at(spot, at)
        if self._rasters_grow:
            seen = gather_evidence(job, there, [ray], context=self.room.context, ground=ground)
            then = sources_after_growth(job, seen, ray)
            return then.evidence.uncertain_silhouettes(then.evidence.obstacles, then.growth_m), seen.errors
        scene, growth_m = grown_scene(job, job.sources.scene)
        seen = Evidence(
            there,
            stations=self._stations_at(spot, look, at),
            blur=blur_at(job, there, ground),
            terrain=ground,
            obstacles=None if scene is None else scene_columns(scene, there, [ray], job),
            scene=scene,
            errors=stated_errors(job, self.room.correction, there.step_error_m),
            rasters=self._raster_errors,
        )
        return seen.uncertain_silhouettes(seen.obstacles, growth_m), seen.errors

    def _stations_at(self, spot: int, look: int, at: int) -> tuple[StationHorizon, ...]:
        """What was read, after growth, seen from one height: shifted to the spot once, then moved up or down."""
        ray, key = self.room.looks[spot][look], (spot, look)
        if key not in self._stations:
            today = station_horizons(
                self.job, self.room.places[spot], [ray], self.room.correction, hidden=False
            )
            self._stations[key] = grown_stations(self.job, today, ray)
        by_m = float(self.room.heights_m[spot, at] - self.room.heights_m[spot, 0])
        return tuple(station.raised(self.job, by_m, [ray]) for station in self._stations[key])

    def _deciding(self, sources: _UncertainSources, ray: LookVector) -> _UncertainSources:
        """The same with only the columns that could decide."""
        uncertain_silhouettes, errors = sources
        close = deciding_columns(
            uncertain_silhouettes,
            ray.ray,
            link=self.job.link,
            errors=errors,
        )
        return close, errors

    def _sampled(
        self, sources: _UncertainSources, ray: LookVector, samples: int, enough: float = 0.0
    ) -> float:
        uncertain_silhouettes, errors = sources
        found = confidence(
            uncertain_silhouettes,
            ray.ray,
            link=self.job.link,
            errors=errors,
            samples=samples,
            explain=False,
            enough=enough,
        )
        return found.p_clear

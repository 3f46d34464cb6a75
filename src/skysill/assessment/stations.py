"""The horizon as it was read from each station of a survey, shifted to the dish by parallax."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from skysill.assessment.placement import Place, instrument_step_m
from skysill.errors import InputError
from skysill.horizon.measured import ShiftedSkyline, shift_to_dish
from skysill.horizon.silhouette import Silhouette, covered
from skysill.horizon.skyline import skyline_at
from skysill.model.job import Job
from skysill.model.readings import Readings
from skysill.model.survey import Station
from skysill.pointing.compass import CompassCorrection
from skysill.pointing.look_vector import LookVector
from skysill.units import Bools, Floats, direction_enu, wrap_360

__all__ = ["StationHorizon", "station_horizons"]

_STILL_M = 0.01
_ZERO_M = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class StationHorizon:
    """What was read from one station, as the dish sees it.

    name : of the station; "" for the survey's own place
    readings : as read, turned to true north, in order
    step_m : (3,) dish centre minus instrument, east, north, up
    instrument_height_m : of the instrument above its ground
    hidden_rise_m : how much higher than the instrument a thing may be that it could not see
    shifted : the readings as seen from the dish
    """

    name: str
    readings: Readings
    step_m: Floats
    instrument_height_m: float
    hidden_rise_m: float
    shifted: ShiftedSkyline

    @property
    def silhouette(self) -> Silhouette:
        """The readings as seen from the dish."""
        return self.shifted.silhouette

    @property
    def at_dish(self) -> bool:
        """Whether the instrument stood where the dish is."""
        return bool(np.abs(self.step_m).max() < _STILL_M)

    def with_readings(self, job: Job, readings: Readings, looks: Sequence[LookVector]) -> StationHorizon:
        """The same station with other readings, grown ones for instance."""
        return replace(
            self, readings=readings, shifted=_shifted(job, readings, self.step_m, self.hidden_rise_m, looks)
        )

    def raised(self, job: Job, by_m: float, looks: Sequence[LookVector]) -> StationHorizon:
        """The same seen from a dish `by_m` higher at the same place, for the rays it was shifted for; without what may
        stand hidden behind the readings.
        """
        step_m = self.step_m + np.array([0.0, 0.0, by_m])
        step_m = np.where(np.abs(step_m) < _ZERO_M, 0.0, step_m)
        shifted = _shifted(
            job, self.readings, step_m, self.hidden_rise_m, looks, like=self.shifted, hidden=False
        )
        return replace(self, step_m=step_m, shifted=shifted)

    def overrules(self, terrain: Silhouette, *, max_gap_deg: float, grown_m: float = 0.0) -> Bools:
        """Terrain columns that the surveyor would have seen and did not: there the measurement counts.

        From the instrument's own position every measured azimuth is. From elsewhere a point of ground counts only if,
        seen from the instrument, it was hidden behind what was measured.

        grown_m : how much higher the terrain may be than when the readings were taken
        """
        mine = covered(self.silhouette, terrain.azimuth_deg)
        if self.at_dish and not grown_m:
            return mine
        points_m = (
            direction_enu(terrain.azimuth_deg, terrain.elevation_deg) * terrain.distance_m[:, None]
            + self.step_m
        )
        points_m[:, 2] -= grown_m
        level_m = np.hypot(points_m[:, 0], points_m[:, 1])
        azimuth_deg = wrap_360(np.rad2deg(np.arctan2(points_m[:, 0], points_m[:, 1])))
        seen_deg = np.rad2deg(np.arctan2(points_m[:, 2], level_m))
        measured_deg = skyline_at(self.readings, azimuth_deg, max_gap_deg=max_gap_deg)
        return np.asarray(mine & (seen_deg > np.nan_to_num(measured_deg, nan=np.inf)))


def station_horizons(
    job: Job,
    at: Place,
    looks: Sequence[LookVector],
    correction: CompassCorrection | None,
    *,
    hidden: bool = True,
) -> tuple[StationHorizon, ...]:
    """The readings of the survey, station by station, shifted to the dish.

    correction : turns the readings of the survey's own place to true north, and magnetic ones of every station
    hidden : also work out what may stand hidden behind what was read

    Raises
    ------
    InputError : a reading from a station that the site file does not have, a station without its zero mark
    """
    readings, survey = job.sources.readings, job.sources.survey
    if readings is None or correction is None:
        return ()
    known = {station.name: station for station in job.sources.stations}
    known[""] = Station("", survey.east_m, survey.north_m, survey.instrument_height_m)
    found = []
    for name in dict.fromkeys(readings.station):
        if name not in known:
            raise InputError(
                f'"{name}" is not known.',
                where=f"{readings.source}, station",
                mend=f'Add [[stations]] with name = "{name}", east_m and north_m to the site file.',
            )
        station = known[name]
        height_m = (
            survey.instrument_height_m if station.instrument_height_m is None else station.instrument_height_m
        )
        mine = readings.taken(np.array([one == name for one in readings.station]))
        turned = mine.turned(_turn_deg(job, station, correction))
        step_m = instrument_step_m(job, at, station.east_m, station.north_m, height_m)
        rise_m = _hidden_rise_m(job, at, step_m, height_m)
        shifted = _shifted(job, turned, step_m, rise_m, looks, hidden=hidden)
        found.append(StationHorizon(name, turned, step_m, height_m, rise_m, shifted))
    return tuple(found)


def _turn_deg(job: Job, station: Station, correction: CompassCorrection) -> float:
    if not station.name or job.sources.survey.bearings != "relative":
        return correction.correction_deg
    if station.reference_bearing_deg is None:
        raise InputError(
            "relative bearings need the true bearing of the station's own zero mark.",
            where=f'[[stations]], "{station.name}"',
            mend="Give reference_bearing_deg.",
        )
    return station.reference_bearing_deg


def _shifted(
    job: Job,
    true_readings: Readings,
    step_m: Floats,
    hidden_rise_m: float,
    looks: Sequence[LookVector],
    *,
    like: ShiftedSkyline | None = None,
    hidden: bool = True,
) -> ShiftedSkyline:
    survey = job.sources.survey
    return shift_to_dish(
        true_readings,
        east_m=float(step_m[0]),
        north_m=float(step_m[1]),
        up_m=float(step_m[2]),
        max_gap_deg=survey.max_gap_deg,
        inclination_error_deg=survey.inclination_error_deg,
        exact_azimuths_deg=tuple(look.azimuth_deg for look in looks if look.azimuth_deg is not None),
        hidden_rise_m=hidden_rise_m,
        like=like,
        hidden=hidden,
    )


def _hidden_rise_m(job: Job, at: Place, step_m: Floats, instrument_height_m: float) -> float:
    """How much higher than the instrument a thing may be that it could not see: a tall thing, or the highest ground.

    Rasters know the ground, so that with them only what stands on it counts.
    """
    tall_m = job.criteria.hidden_tall_m - instrument_height_m
    if job.sources.rasters:
        return tall_m
    instrument_m = at.antenna_elevation_m - float(step_m[2])
    return max(tall_m, job.sources.highest_ground_m - (instrument_m if at.datum_known else 0.0))

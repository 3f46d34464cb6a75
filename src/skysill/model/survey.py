"""How the measured horizon was taken, and the sightings that correct its compass."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from skysill.model.default_errors import BEARING, DISTANCE, INCLINATION, MOUNT_HEIGHT_ERROR_M, POSITION

__all__ = ["Landmark", "Station", "SunSighting", "Survey"]


@dataclass(frozen=True, slots=True)
class Landmark:
    """A feature of known place that can be seen from the site, for correcting the compass and for aiming by eye.

    name : as it is shown in results
    latitude_deg, longitude_deg : WGS 84
    measured_bearing_deg : what the surveyor's compass showed; None: not measured

    >>> Landmark("chapel spire", 58.0375, -24.6480, measured_bearing_deg=17.5).name
    'chapel spire'
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    measured_bearing_deg: float | None = None


@dataclass(frozen=True, slots=True)
class SunSighting:
    """Bearing of a shadow, as the compass showed it, at a known time: the sun stands opposite.

    time_utc : when it was read
    shadow_bearing_deg : of the shadow, as the compass showed it

    >>> SunSighting(dt.datetime(2026, 6, 14, 12, tzinfo=dt.UTC), 334.0).shadow_bearing_deg
    334.0
    """

    time_utc: dt.datetime
    shadow_bearing_deg: float


@dataclass(frozen=True, slots=True)
class Station:
    """A place where readings were taken besides the survey's own.

    name : by which the readings name it
    east_m, north_m : from the site's position
    instrument_height_m : above the ground there; None: the survey's
    reference_bearing_deg : true bearing of its own zero mark, for relative bearings

    >>> Station("yard", east_m=12.0, north_m=-8.0).instrument_height_m is None
    True
    """

    name: str
    east_m: float = 0.0
    north_m: float = 0.0
    instrument_height_m: float | None = None
    reference_bearing_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Survey:
    """How the measured horizon was taken.

    bearings : "true", "magnetic", or "relative" to reference_bearing_deg (true bearing of the zero mark)
    date : of the survey, for the magnetic declination
    east_m, north_m : where the instrument stood, from the site's position
    instrument_height_m : above the ground at east_m, north_m
    bearing_error_deg, inclination_error_deg : standard deviations of one reading
    distance_error_m, distance_error_fraction : the standard deviation of a distance is
        hypot(distance_error_m, distance_error_fraction * distance)
    position_error_m, height_error_m : standard deviations of the dish's place and height against the plan
    max_gap_deg : wider gaps between readings count as not measured
    bearing_instrument, inclination_instrument, distance_method, position_method : what the default errors belong to, a
        name in `skysill.model.default_errors`; "": not stated

    >>> Survey(bearings="magnetic", date=dt.date(2026, 6, 14)).instrument_height_m
    1.6
    """

    bearings: Literal["true", "magnetic", "relative"] = "true"
    reference_bearing_deg: float | None = None
    date: dt.date | None = None
    east_m: float = 0.0
    north_m: float = 0.0
    instrument_height_m: float = 1.6
    bearing_error_deg: float = BEARING["sighting compass"].sigma_deg
    inclination_error_deg: float = INCLINATION["clinometer"].sigma_deg
    distance_error_fraction: float = DISTANCE["unsaid"].fraction
    position_error_m: float = POSITION["tape"].sigma_m
    height_error_m: float = MOUNT_HEIGHT_ERROR_M
    max_gap_deg: float = 5.0
    distance_error_m: float = DISTANCE["unsaid"].sigma_m
    bearing_instrument: str = ""
    inclination_instrument: str = ""
    distance_method: str = ""
    position_method: str = ""

"""True, magnetic and relative bearings; declination by place and date; compass corrections from landmarks and the sun.

A correction is always what is added to a reading to get the true bearing: true = reading + correction, east
positive. Declination is the correction of an undisturbed magnetic compass.
"""

from __future__ import annotations

import calendar
import datetime as dt
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.geodesy.positions import bearing_and_distance
from skysill.model.survey import Landmark
from skysill.units import Floats, wrap_180, wrap_360

if TYPE_CHECKING:
    from pygeomag import GeoMag

__all__ = [
    "INCONSISTENT_DEG",
    "SUN",
    "WMM_FIRST_YEAR",
    "WMM_LAST_YEAR",
    "CompassCorrection",
    "Declination",
    "Sighting",
    "compass_correction",
    "decimal_year",
    "declination",
    "landmark_correction",
    "magnetic_bearing",
    "true_bearing",
]

SUN = "the sun"
"""Start of the name of a sighting of the sun; its time follows."""

WMM_FIRST_YEAR, WMM_LAST_YEAR = 2025.0, 2030.0
"""Span of the World Magnetic Model 2025 (NOAA/NCEI and BGS, WMM2025)."""

INCONSISTENT_DEG = 3.0
"""Residual above which landmarks do not agree on one correction: twice the bearing error of a careful
sighting with a sighting compass (0.5 to 1 degree, and iron nearby); common practice, no source."""

_CAUTION_NT, _BLACKOUT_NT = 6000.0, 2000.0  # horizontal field: WMM2025 report, caution and blackout zones
_model_lock = threading.Lock()  # the model object keeps work arrays between calls


@dataclass(frozen=True, slots=True)
class Declination:
    """Magnetic declination at a place and date.

    declination_deg : east positive; true = magnetic + declination
    sigma_deg : standard deviation of the model against the field really there (crustal field and storms)
    horizontal_nt : horizontal field, nanotesla; a compass is weak below 6000 and useless below 2000
    notes : for people, in whole sentences
    """

    declination_deg: float
    sigma_deg: float
    horizontal_nt: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sighting:
    """A mark of known true bearing, and the bearing that the instrument showed.

    name : of the mark, for messages
    true_deg, reading_deg : true bearing, and the bearing as it was read
    error_deg : standard deviation of the true bearing; 0: exactly known
    """

    name: str
    true_deg: float
    reading_deg: float
    error_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class CompassCorrection:
    """What is added to every reading of a survey to get the true bearing.

    correction_deg : (-180, 180]
    sigma_deg : standard deviation of the correction itself, to be added (in square) to that of one reading
    source : what it comes from: "true" (nothing to correct), "declination", "reference", "landmarks" or "sun"
    residual_deg : per sighting, true - reading - correction; empty without sightings
    notes : for people, in whole sentences
    """

    correction_deg: float
    sigma_deg: float
    source: Literal["true", "declination", "reference", "landmarks", "sun"]
    residual_deg: tuple[float, ...] = ()
    notes: tuple[str, ...] = ()


def magnetic_bearing(azimuth_deg: ArrayLike, declination_deg: ArrayLike) -> Floats:
    """Magnetic bearing of a true azimuth.

    Parameters
    ----------
    azimuth_deg : (...) float, true
    declination_deg : east positive, broadcast with azimuth_deg

    Returns
    -------
    (...) float, azimuth_deg - declination_deg in [0, 360)

    >>> magnetic_bearing([5.0, 180.0], 7.5)
    array([357.5, 172.5])
    """
    return wrap_360(np.subtract(azimuth_deg, declination_deg))


def true_bearing(reading_deg: ArrayLike, correction_deg: ArrayLike) -> Floats:
    """True azimuth in [0, 360) of a reading; correction: a declination, or the true bearing of a zero mark.

    >>> true_bearing([357.5, 172.5], 7.5)
    array([  5., 180.])
    """
    return wrap_360(np.add(reading_deg, correction_deg))


def decimal_year(date: dt.date) -> float:
    """Year and fraction, as the magnetic model counts: 1 January at 0 h is .0, leap years have 366 days.

    Hours and minutes of a datetime count too, in UTC if it has a zone.

    >>> decimal_year(dt.date(2026, 7, 2)), decimal_year(dt.date(2025, 1, 1))
    (2026.4986301369863, 2025.0)
    """
    days = date.timetuple().tm_yday - 1.0
    if isinstance(date, dt.datetime):
        moment = date.astimezone(dt.UTC) if date.tzinfo else date
        days = moment.timetuple().tm_yday - 1.0 + (moment.hour + moment.minute / 60.0) / 24.0
        date = moment
    return date.year + days / (366.0 if calendar.isleap(date.year) else 365.0)


@cache
def _model() -> GeoMag:
    from pygeomag import GeoMag  # loaded only where a declination is needed
    from pygeomag.wmm.wmm_2025 import WMM_2025

    return GeoMag(coefficients_data=WMM_2025)


def declination(
    latitude_deg: float, longitude_deg: float, height_m: float, date: dt.date | float
) -> Declination:
    """Declination of the World Magnetic Model 2025 at a place and date.

    Parameters
    ----------
    latitude_deg, longitude_deg : WGS 84
    height_m : above the ellipsoid or sea level, -1000 to 850 000; 100 m change nothing that can be read
    date : a date, or a decimal year

    Returns
    -------
    Declination, degrees, east positive, with its standard deviation

    Raises
    ------
    InputError : date outside 2025.0 to 2030.0, place or height outside the model

    Notes
    -----
    sigma = sqrt(0.26**2 + (5417 / H)**2) degrees, H the horizontal field in nT (WMM2025 error model, as
    carried by pygeomag 1.1). Caution zone H < 6000 nT, blackout zone H < 2000 nT.

    >>> found = declination(51.5, -0.12, 45.0, 2026.9)
    >>> round(found.declination_deg, 2), round(found.sigma_deg, 2)
    (1.23, 0.38)
    """
    year = decimal_year(date) if isinstance(date, dt.date) else float(date)
    if not WMM_FIRST_YEAR <= year <= WMM_LAST_YEAR:
        raise InputError(
            f"{date} is outside the magnetic model WMM2025, which holds from 2025 to the end of 2029.",
            mend="Give the survey date, or true bearings.",
        )
    if not (abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 360.0):
        raise InputError(f"{latitude_deg}, {longitude_deg} is not a position.")
    if not -1000.0 <= height_m <= 850_000.0:
        raise InputError(
            f"{height_m:g} m is outside the magnetic model.", mend="Give metres, from -1000 to 850000."
        )
    with _model_lock:
        field = _model().calculate(glat=latitude_deg, glon=longitude_deg, alt=height_m / 1000.0, time=year)
    horizontal_nt = float(field.h)
    sigma_deg = float(np.hypot(0.26, 5417.0 / horizontal_nt))
    return Declination(float(field.d), sigma_deg, horizontal_nt, _field_notes(horizontal_nt, sigma_deg))


def _field_notes(horizontal_nt: float, sigma_deg: float) -> tuple[str, ...]:
    field = f"the horizontal magnetic field is {horizontal_nt:.0f} nT"
    if horizontal_nt < _BLACKOUT_NT:
        return (
            f"A compass cannot be used here: {field} (blackout zone, below 2000 nT). Take bearings from "
            "landmarks or the sun.",
        )
    if horizontal_nt < _CAUTION_NT:
        return (
            f"A compass is weak here: {field} (caution zone, below 6000 nT), and declination is known to "
            f"{sigma_deg:.1f} degrees. Check it on landmarks or the sun.",
        )
    return ()


def compass_correction(
    true_deg: ArrayLike,
    reading_deg: ArrayLike,
    *,
    bearing_error_deg: float = 1.0,
    true_error_deg: ArrayLike = 0.0,
    names: Sequence[str] = (),
    source: Literal["landmarks", "sun"] = "landmarks",
) -> CompassCorrection:
    """Correction from sightings of known true bearing: landmarks of known place, or the sun at known times.

    Parameters
    ----------
    true_deg, reading_deg : (sighting,) true bearings and what the instrument showed
    bearing_error_deg : standard deviation of one reading
    true_error_deg : (sighting,) standard deviation of the true bearings (position error over distance)
    names : (sighting,) of the marks, for the notes
    source : what was sighted

    Returns
    -------
    CompassCorrection; its sigma is the larger of that from the stated errors and that from the scatter

    Raises
    ------
    InputError : no sighting, lengths that differ, or sightings that contradict each other, so that no mean exists

    Notes
    -----
    Mean direction of the differences, weighted by 1/variance: atan2(sum w sin, sum w cos)
    (Mardia & Jupp, Directional Statistics, 2000, section 2.2, from memory).

    >>> compass_correction([10.0, 120.0], [3.0, 112.0]).correction_deg
    7.5
    """
    true, reading, true_error = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (true_deg, reading_deg, true_error_deg))
    )
    if true.size == 0 or np.size(true_deg) != np.size(reading_deg) or true.ndim != 1:
        raise InputError("a compass correction needs one reading for each sighting, and at least one.")
    if not (np.isfinite(true).all() and np.isfinite(reading).all() and np.isfinite(true_error).all()):
        raise InputError("a sighting for the compass correction is not a number.")
    labels = tuple(names) or tuple(f"sighting {i + 1}" for i in range(true.size))
    inverse_variance = 1.0 / np.maximum(bearing_error_deg**2 + true_error**2, 1e-12)
    weight = inverse_variance / inverse_variance.sum()
    difference_rad = np.deg2rad(true - reading)
    mean = complex(np.sum(weight * np.exp(1j * difference_rad)))
    if abs(mean) < 0.5:
        raise InputError(
            "the sightings contradict each other: they give no single compass correction.",
            mend="Check which reading belongs to which landmark.",
        )
    correction = round(float(np.rad2deg(np.angle(mean))), 9)
    residual = wrap_180(true - reading - correction)
    stated = float(1.0 / np.sqrt(inverse_variance.sum()))
    scatter = float(np.sqrt(np.sum(weight * residual**2) / max(true.size - 1, 1)))
    return CompassCorrection(
        correction,
        max(stated, scatter),
        source,
        tuple(float(r) for r in residual),
        _sighting_notes(residual, labels, source),
    )


_ADVICE = "Sight another landmark, or the sun (type measured_bearing_deg under [[landmarks]], or [[sun_sightings]])."


def _sighting_notes(residual_deg: Floats, names: Sequence[str], source: str) -> tuple[str, ...]:
    if residual_deg.size == 1:
        return (f"One sighting ({names[0]}) sets the compass correction; nothing checks it. {_ADVICE}",)
    worst = int(np.argmax(np.abs(residual_deg)))
    if abs(residual_deg[worst]) <= INCONSISTENT_DEG:
        return ()
    if residual_deg.size == 2:
        apart_deg = float(np.abs(np.diff(residual_deg))[0])
        return (f"{names[0]} and {names[1]} disagree by {apart_deg:.1f} degrees. {_ADVICE}",)
    return (
        f"The sightings of the {source} do not agree: {names[worst]} is {abs(residual_deg[worst]):.1f} "
        "degrees off their mean: iron nearby, or the wrong mark. Sight it again, or leave it out (type "
        "measured_bearing_deg, shadow_bearing_deg).",
    )


def landmark_correction(
    landmarks: Sequence[Landmark],
    *,
    latitude_deg: float,
    longitude_deg: float,
    bearing_error_deg: float = 1.0,
    position_error_m: float = 0.5,
    further: Sequence[Sighting] = (),
) -> CompassCorrection | None:
    """Correction from landmarks whose bearing was measured at a place; None where nothing was sighted.

    A landmark so near that the position error changes its bearing by more than half a degree gets a note; its
    weight decreases as its bearing error increases. One nearer than twice the position error is left out.

    Parameters
    ----------
    landmarks : those with a measured bearing are used
    latitude_deg, longitude_deg : where the instrument stood
    bearing_error_deg : standard deviation of one reading
    position_error_m : standard deviation of the distance between instrument and landmark, from both places
    further : other sightings, of the sun for example, with the same weight

    Raises
    ------
    InputError : every landmark with a measured bearing is too near; or as `compass_correction`
    """
    seen = [m for m in landmarks if m.measured_bearing_deg is not None]
    if not seen:
        return _from_sightings(further, bearing_error_deg)
    bearing_deg, distance_m = bearing_and_distance(
        latitude_deg, longitude_deg, [m.latitude_deg for m in seen], [m.longitude_deg for m in seen]
    )
    error_deg = np.rad2deg(np.arctan2(position_error_m, distance_m))
    usable = distance_m > max(2.0 * position_error_m, 1.0)
    notes = [
        f"Landmark {m.name} is {distance:.0f} m away: the position error of {position_error_m:g} m turns its "
        f"bearing by {error:.1f} degrees. {'Choose one farther off.' if use else 'It is left out.'}"
        for m, distance, error, use in zip(seen, distance_m, error_deg, usable, strict=True)
        if error > 0.5 or not use
    ]
    if not usable.any() and not further:
        raise InputError(
            "every landmark with a measured bearing stands too near for the position error.",
            mend="Take a bearing to something farther off.",
        )
    marks = [
        Sighting(m.name, float(true), m.measured_bearing_deg or 0.0, float(error))
        for m, true, error, use in zip(seen, bearing_deg, error_deg, usable, strict=True)
        if use
    ]
    found = _from_sightings([*marks, *further], bearing_error_deg)
    return None if found is None else replace(found, notes=(*notes, *found.notes))


def _from_sightings(sightings: Sequence[Sighting], bearing_error_deg: float) -> CompassCorrection | None:
    if not sightings:
        return None
    only_sun = all(sighting.name.startswith(SUN) for sighting in sightings)
    return compass_correction(
        [s.true_deg for s in sightings],
        [s.reading_deg for s in sightings],
        bearing_error_deg=bearing_error_deg,
        true_error_deg=[s.error_deg for s in sightings],
        names=[s.name for s in sightings],
        source="sun" if only_sun else "landmarks",
    )

"""What to ask a caller whose surroundings are not known: how tall things may be towards the satellite, as a question.

The sentence asks zone by zone, and in each zone for the height that is allowed at its near end. So a truthful "no"
excludes everything from 2 m outwards that would take the required room.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from skysill.assessment.cautions import sun_caller_caution
from skysill.bulk.screening_verdicts import ScreeningResults
from skysill.model.default_errors import MOUNT_HEIGHT_ERROR_M
from skysill.model.link import Link
from skysill.pointing.dish_pointing import compass_point
from skysill.pointing.refraction import refraction_deg
from skysill.pointing.sun_passages import sun_passages_s
from skysill.siting.allowed_heights import allowed_height_m
from skysill.units import Floats, Ints

__all__ = [
    "ALLOWED_AT_M",
    "QUESTION_NUMBERS",
    "QUESTION_TEXTS",
    "CallDay",
    "Questions",
    "add_questions",
    "questions_for",
]

ALLOWED_AT_M = (10.0, 20.0, 50.0)
"""Plan distances at which the allowed heights are given."""

QUESTION_NUMBERS = {f"allowed_at_{at_m:g}_m": 1 for at_m in ALLOWED_AT_M}
QUESTION_TEXTS = ("compass_point", "sun_time", "question")
"""Columns that `add_questions` fills: numbers with their decimal places, and texts."""

_FROM_M = 2.0
"""Things nearer to the dish than this are not asked for: the installer sees them."""

_ALTITUDE_M = 500.0
_TALLEST_M = 100.0
_NO_TIME = -1
_SECTORS = 16


@dataclass(frozen=True, slots=True)
class CallDay:
    """The day on which callers are asked.

    first_utc : its first moment
    zone : of the times that are told; zone_name : as people write it
    name : the day in the sentence: "today", or "on 2026-06-14"
    """

    first_utc: dt.datetime
    zone: dt.tzinfo = dt.UTC
    zone_name: str = "UTC"
    name: str = "today"

    @property
    def stated(self) -> list[str]:
        """What tells one day from another."""
        return [self.first_utc.isoformat(), self.zone_name, self.name]

    def moment(self, minute: int) -> dt.datetime:
        """So many minutes after the day began, in its zone."""
        return (self.first_utc + dt.timedelta(minutes=minute)).astimezone(self.zone)

    def stamp(self, minute: int) -> str:
        """The same in ISO 8601, to the minute, with its difference from UTC."""
        return self.moment(minute).isoformat(timespec="minutes").replace("+00:00", "Z")


@dataclass(frozen=True, slots=True, eq=False)
class Questions:
    """The questions for n addresses.

    allowed_m : (n, 3) heights over the ground of the address that leave the required room at `ALLOWED_AT_M`, rounded
        down to tenths; negative where even that ground would stand too high there
    sector : (n,) number of the compass point, from north clockwise in sixteenths; -1: the satellite is overhead
    sun_minute : (n,) minutes after the day's beginning at which the sun stands at the satellite's azimuth, -1: never
    sentence : (n,) index into sentences
    sentences : each question once
    """

    allowed_m: Floats
    sector: Ints
    sun_minute: Ints
    sentence: Ints
    sentences: tuple[str, ...]


def questions_for(
    latitude_deg: Floats,
    longitude_deg: Floats,
    *,
    azimuth_deg: Floats,
    elevation_deg: Floats,
    mount_height_m: Floats,
    link: Link,
    day: CallDay,
) -> Questions:
    """The question for each of many addresses.

    Parameters
    ----------
    latitude_deg, longitude_deg : (n,) WGS 84
    azimuth_deg, elevation_deg : (n,) of the satellite, elevation geometric and above 0; azimuth nan straight overhead
    mount_height_m : (n,) dish centre over the ground of the address
    link : dish, frequency and the share of the Fresnel zone that has to be free
    day : when the callers are asked

    Returns
    -------
    Questions, (n,)

    Notes
    -----
    Allowed heights: `siting.allowed_heights.allowed_height_m`, over level ground. Radio waves are taken to bend as at a
    place 500 m above sea level; for places from 0 to 2000 m and satellites above 10 degrees that is less than 1 cm at
    50 m. The heights in the sentence are lower than these: by the standard error of the dish's height as often as the
    wanted probability asks (1.28 times at 0.9), and rounded down to half metres below 4 m and to whole metres above.
    The errors of a guess by eye are not in the question; they count when the reply is assessed (`bulk.answers`).

    >>> from skysill.model.site import Criteria, Terminal
    >>> day = CallDay(dt.datetime(2026, 12, 1, tzinfo=dt.UTC))
    >>> asked = questions_for(np.array([58.0312]), np.array([-24.6541]), azimuth_deg=np.array([179.2]),
    ...     elevation_deg=np.array([24.07]), mount_height_m=np.array([2.0]), link=Link(Terminal(), Criteria()), day=day)
    >>> asked.allowed_m
    array([[ 5.5,  9.9, 23.1]])
    >>> print(asked.sentences[0])
    Looking south, where the sun stands at 13:24 UTC today: is anything higher than 2 m within 10 m of the dish, 5 m within 20 m, 9 m within 50 m, or 22 m farther away? Heights count from the ground at the house. If so: how high, how far away, tree or building? Do not look at the sun itself.
    """  # noqa: E501  # as it is printed
    apparent_deg = elevation_deg + refraction_deg(elevation_deg, _ALTITUDE_M)
    at_m = np.array([_FROM_M, *ALLOWED_AT_M])
    height_m = allowed_height_m(
        np.broadcast_to(at_m, (apparent_deg.size, at_m.size)),
        elevation_deg=apparent_deg[:, None],
        antenna_height_m=mount_height_m[:, None],
        link=link,
    )
    sector = np.where(
        np.isnan(azimuth_deg), -1.0, np.floor(azimuth_deg / (360.0 / _SECTORS) + 0.5) % _SECTORS
    )
    seconds = sun_passages_s(latitude_deg, longitude_deg, azimuth_deg, first_utc=day.first_utc)
    minute = np.where(np.isnan(seconds), _NO_TIME, np.round(seconds / 60.0)).astype(np.int64)
    asked_m = _asked_m(height_m, link.criteria.min_p_clear)
    rows = np.column_stack([sector.astype(np.int64), minute, np.rint(2.0 * asked_m).astype(np.int64)])
    first, sentence = _distinct(rows)
    sentences = tuple(
        _sentence(int(rows[k, 0]), int(rows[k, 1]), asked_m[k].tolist(), day) for k in first.tolist()
    )
    return Questions(_tenths_down(height_m[:, 1:]), sector.astype(np.int64), minute, sentence, sentences)


def add_questions(
    results: ScreeningResults,
    latitude_deg: Floats,
    longitude_deg: Floats,
    mount_height_m: Floats,
    *,
    link: Link,
    day: CallDay,
) -> None:
    """Fill the columns of the question where the verdict is `needs-survey`; they are empty elsewhere.

    results : of the addresses; latitude_deg, longitude_deg, mount_height_m : (n,) as they were screened
    """
    count = results.verdict.size
    for name in QUESTION_NUMBERS:
        results.numbers[name] = np.full(count, np.nan)
    for name in QUESTION_TEXTS:
        results.texts[name] = np.full(count, "", dtype=object)
    at = np.flatnonzero(results.verdict == "needs-survey")
    if not at.size:
        return
    asked = questions_for(
        latitude_deg[at],
        longitude_deg[at],
        azimuth_deg=results.azimuth_deg[at],
        elevation_deg=results.elevation_deg[at],
        mount_height_m=mount_height_m[at],
        link=link,
        day=day,
    )
    for k, name in enumerate(QUESTION_NUMBERS):
        results.numbers[name][at] = asked.allowed_m[:, k]
    stamps = [day.stamp(minute) for minute in range(int(asked.sun_minute.max()) + 1)]
    texts = ((*_POINTS, ""), (*stamps, ""), asked.sentences)  # the last of a table for -1
    numbers = (asked.sector, asked.sun_minute, asked.sentence)
    for name, table, number in zip(QUESTION_TEXTS, texts, numbers, strict=True):
        results.texts[name][at] = np.array(table, dtype=object)[number]


def _tenths_down(height_m: Floats) -> Floats:
    """Rounded down, so that no more is allowed than the geometry allows."""
    return np.asarray(np.floor(height_m * 10.0) / 10.0)


def _asked_m(allowed_m: Floats, min_p_clear: float) -> Floats:
    """(n, zone) heights that are asked for: lower by the error of the dish's height, rounded down; 0: anything at all.

    The column of a zone is the height allowed at its near end, or farther out where that is less, as it is for a
    satellite below 2 degrees; heights over 100 m count as 100.
    """
    share = min(max(min_p_clear, 0.5), 0.9999)
    least_m = np.minimum.accumulate(allowed_m[:, ::-1], axis=1)[:, ::-1]
    sure_m = least_m - NormalDist().inv_cdf(share) * MOUNT_HEIGHT_ERROR_M
    steps = np.where(sure_m < 4.0, np.floor(2.0 * sure_m) / 2.0, np.floor(sure_m))
    return np.clip(steps, 0.0, _TALLEST_M)


def _distinct(rows: NDArray[np.int64]) -> tuple[Ints, Ints]:
    """The first index of each distinct row, and for each row the number of its kind."""
    low = rows.min(axis=0, initial=0)
    key = np.zeros(len(rows), dtype=np.int64)
    for column, least, most in zip(rows.T, low, rows.max(axis=0, initial=0), strict=True):
        key = key * (most - least + 1) + (column - least)
    _, first, kind = np.unique(key, return_index=True, return_inverse=True)
    return first, kind.reshape(-1)


def _sentence(sector: int, minute: int, asked_m: list[float], day: CallDay) -> str:
    """One question; asked_m : heights for the zones that begin at 2, 10, 20 and 50 m."""
    if sector < 0 or asked_m[1] >= _TALLEST_M:
        return (
            "The satellite stands almost straight up: does anything overhang the place for the dish, such as "
            "branches, a roof or wires?"
        )
    sun = caution = ""
    if minute != _NO_TIME:
        clock = f"{day.moment(minute):%H:%M} {day.zone_name}"
        sun = f", where the sun stands at {clock} {day.name}"
        caution = f" {sun_caller_caution().text}"
    where = [f"within {end_m:g} m" for end_m in ALLOWED_AT_M] + ["farther away"]
    bare = sum(height_m <= 0.0 for height_m in asked_m)  # of the nearest zones, since these heights only grow
    asked = [
        f"{height_m:g} m {place}"
        for height_m, place in list(zip(asked_m, where, strict=True))[bare:]
        if height_m < _TALLEST_M
    ]
    if bare == len(where):
        return f"Looking {_POINTS[sector]}{sun}: does anything at all stand in the way? The satellite is low.{caution}"
    start = "anything higher than"
    if bare:
        start = f"anything at all {where[bare - 1]} of the dish, or anything higher than"
    else:
        asked[0] += " of the dish"
    zones = asked[0] if len(asked) == 1 else f"{', '.join(asked[:-1])}, or {asked[-1]}"
    return (
        f"Looking {_POINTS[sector]}{sun}: is {start} {zones}? Heights count from the ground at the house. "
        f"If so: how high, how far away, tree or building?{caution}"
    )


_POINTS = tuple(compass_point(number * 360.0 / _SECTORS) for number in range(_SECTORS))

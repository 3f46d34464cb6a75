"""Orbit records to positions in the Earth-fixed frame.

Mean elements are read from CCSDS orbit mean-elements messages (CCSDS 502.0-B, "OMM"; JSON, XML or
keyword=value) or from two-line element sets, and propagated to a time by the SGP4 theory of the sgp4 library
(Vallado, Crawford, Hujsak & Kelso 2006, AIAA 2006-6753).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from skysill.errors import InputError
from skysill.model.site import OrbitRecord
from skysill.pointing.orbital_elements import orbit_messages
from skysill.units import Floats

if TYPE_CHECKING:
    from sgp4.api import Satrec

__all__ = [
    "LONGEST_PROPAGATION_DAYS",
    "as_utc",
    "julian_date",
    "orbit_notes",
    "positions_ecef",
    "read_orbits",
]

LONGEST_PROPAGATION_DAYS = 365.25
"""Times further from a record's epoch are refused; mean elements are meant for days to weeks (own limit)."""

NOTE_AFTER_DAYS = 30.0
"""Times further from the epoch get a note (own limit); operators correct a satellite's orbit every few weeks."""

_RANGES = {
    "MEAN_MOTION": (1e-3, 20.0, "revolutions a day"),
    "ECCENTRICITY": (0.0, 0.999999, "a number below 1"),
    "INCLINATION": (0.0, 180.0, "degrees"),
    "RA_OF_ASC_NODE": (-360.0, 360.0, "degrees"),
    "ARG_OF_PERICENTER": (-360.0, 360.0, "degrees"),
    "MEAN_ANOMALY": (-360.0, 360.0, "degrees"),
    "BSTAR": (-100.0, 100.0, "a drag term"),
}
_ALLOWED = {
    "MEAN_ELEMENT_THEORY": ("SGP4", "SGP/SGP4", "SGP"),
    "REF_FRAME": ("TEME",),
    "CENTER_NAME": ("EARTH",),
    "TIME_SYSTEM": ("UTC",),
    "EPHEMERIS_TYPE": ("0", "2"),
}
_FAULTS = {
    1: "its mean eccentricity leaves the range of the theory",
    2: "its mean motion falls below zero",
    3: "its eccentricity leaves the range from 0 to 1",
    4: "its orbit has no real size (semi-latus rectum below zero)",
    5: "its elements lie below the ground",
    6: "it has decayed by then",
}
"""Error codes of the published SGP4 code, in words."""


def as_utc(time: dt.datetime) -> dt.datetime:
    """The same instant in UTC; a time without a zone is read as UTC.

    >>> as_utc(dt.datetime(2026, 6, 14, 12)).isoformat()
    '2026-06-14T12:00:00+00:00'
    """
    return time.replace(tzinfo=dt.UTC) if time.tzinfo is None else time.astimezone(dt.UTC)


def julian_date(times_utc: Sequence[dt.datetime]) -> tuple[Floats, Floats]:
    """UTC as two-part Julian dates, midnight and fraction of the day: (t,) and (t,), good to a microsecond.

    >>> julian_date([dt.datetime(2000, 1, 1, 12)])
    (array([2451544.5]), array([0.5]))
    """
    instants = [as_utc(time) for time in times_utc]
    midnight = np.array([instant.toordinal() + 1_721_424.5 for instant in instants], dtype=np.float64)
    microseconds = [
        ((instant.hour * 60 + instant.minute) * 60 + instant.second) * 1_000_000 + instant.microsecond
        for instant in instants
    ]
    return midnight, np.array(microseconds, dtype=np.float64) / 86_400e6


def read_orbits(text: str, source: str) -> tuple[tuple[str, OrbitRecord], ...]:
    """Every object of an orbit file, with its name, in the file's order.

    Parameters
    ----------
    text : what the file holds: CCSDS OMM as JSON, XML or KVN, or two-line element sets, named or not
    source : the file's name, for messages and for the record

    Raises
    ------
    InputError : not one of these forms, a keyword missing or out of range, a wrong checksum, a theory or
        frame other than SGP4 and TEME, an XML file with a document type declaration

    >>> lines = '''1 00005U 58002B   00179.78495062  .00000023  00000-0  28098-4 0  4753
    ... 2 00005  34.2682 348.7242 1859667 331.7664  19.3264 10.82419157413667'''
    >>> [(name, record)] = read_orbits(lines, "old.tle")
    >>> name, record.keywords["EPOCH"]
    ('object 5', '2000-06-27T18:50:19.733568')
    """
    messages = orbit_messages(text, source)
    found = []
    for number, keywords in enumerate(messages, start=1):
        name = keywords.get("OBJECT_NAME") or _name_of_number(keywords.get("NORAD_CAT_ID", ""))
        record = OrbitRecord(keywords=keywords, source=source)
        try:
            _satrec(record)
        except InputError as error:
            place = f'{source}, record {number} ("{name}")' if len(messages) > 1 else source
            raise error.placed(place) from None
        found.append((name, record))
    return tuple(found)


def positions_ecef(record: OrbitRecord, times_utc: Sequence[dt.datetime]) -> Floats:
    """Positions of an object in the Earth-fixed frame (WGS 84 axes).

    Parameters
    ----------
    times_utc : t times; without a zone they are read as UTC

    Returns
    -------
    (t, 3) float, metres

    Raises
    ------
    InputError : the elements cannot be propagated to a time, or it is over a year from their epoch

    Notes
    -----
    SGP4 gives the true-equator mean-equinox frame; it is turned by Greenwich mean sidereal time (IAU 1982)
    into the Earth-fixed frame (AIAA 2006-6753, appendix C). UT1 is taken as UTC (they differ by less than 0.9 s
    by definition, by about 0.1 s in 2026) and polar motion is left out (about 0.3 arc seconds): together at
    most 0.004 degrees of turn about the Earth's axis, usually under 0.001. The elements themselves are worse:
    about 1 km at epoch, growing by 1 to 3 km a day in low orbits (common practice, no source), of no value
    after the operator has moved the satellite.
    """
    midnight, fraction = julian_date(times_utc)
    satrec = _satrec(record)
    _refuse_far_times(record, times_utc)
    codes, teme_km, _ = satrec.sgp4_array(midnight, fraction)
    if codes.any():
        at = int(np.flatnonzero(codes)[0])
        reason = _FAULTS.get(int(codes[at]), f"the theory stops with code {int(codes[at])}")
        raise InputError(
            f"the orbit cannot be propagated to {as_utc(times_utc[at]):%Y-%m-%d %H:%M} UTC: {reason}.",
            where=record.source,
            mend="Use newer elements.",
        )
    return _teme_to_earth_fixed(np.asarray(teme_km) * 1e3, midnight, fraction)


def orbit_notes(record: OrbitRecord, times_utc: Sequence[dt.datetime]) -> tuple[str, ...]:
    """Notes for results made from this record, in whole sentences; none up to 30 days from its epoch."""
    epoch = _epoch(record.keywords["EPOCH"])
    furthest_days = max((abs(_days(as_utc(time) - epoch)) for time in times_utc), default=0.0)
    if furthest_days <= NOTE_AFTER_DAYS:
        return ()
    return (
        f"The orbit elements of {record.source} are of {epoch:%Y-%m-%d}, up to {furthest_days:.0f} days from "
        "the times asked for; satellites are moved by their operators in between. Use newer elements.",
    )


def _teme_to_earth_fixed(teme_m: Floats, midnight: Floats, fraction: Floats) -> Floats:
    import erfa

    sidereal_rad = erfa.gmst82(midnight, fraction)  # of UT1, here taken as UTC
    sin, cos = np.sin(sidereal_rad), np.cos(sidereal_rad)
    x, y, z = teme_m[..., 0], teme_m[..., 1], teme_m[..., 2]
    return np.stack([cos * x + sin * y, cos * y - sin * x, z], axis=-1)


def _days(span: dt.timedelta) -> float:
    return span.total_seconds() / 86_400.0


def _refuse_far_times(record: OrbitRecord, times_utc: Sequence[dt.datetime]) -> None:
    epoch = _epoch(record.keywords["EPOCH"])
    for time in times_utc:
        if abs(_days(as_utc(time) - epoch)) > LONGEST_PROPAGATION_DAYS:
            raise InputError(
                f"the elements are of {epoch:%Y-%m-%d}, over a year from {as_utc(time):%Y-%m-%d}.",
                where=record.source,
                mend="Use elements from within a few weeks of the time asked for.",
            )


def _satrec(record: OrbitRecord) -> Satrec:
    """The record as an object of the sgp4 library, every keyword checked."""
    from sgp4 import omm
    from sgp4.api import WGS72, Satrec

    keywords = record.keywords
    for keyword, allowed in _ALLOWED.items():
        value = keywords.get(keyword, allowed[0]).upper()
        if value not in allowed:
            raise InputError(
                f'"{value}" is not supported.', where=keyword, mend=f"Only {' or '.join(allowed)} is."
            )
    fields = {keyword: repr(_number(keywords, keyword)) for keyword in _RANGES}
    for angle in ("RA_OF_ASC_NODE", "ARG_OF_PERICENTER", "MEAN_ANOMALY"):
        fields[angle] = repr(float(fields[angle]) % 360.0)
    if "EPOCH" not in keywords:
        raise InputError("is missing.", where="EPOCH", mend="An orbit record needs its epoch.")
    fields |= {
        "EPOCH": f"{_epoch(keywords['EPOCH']):%Y-%m-%dT%H:%M:%S.%f}",
        # fields that the library requires and the motion does not depend on
        "CLASSIFICATION_TYPE": "U", "OBJECT_ID": "0000-000A", "EPHEMERIS_TYPE": "0", "ELEMENT_SET_NO": "0",
        "REV_AT_EPOCH": "0", "NORAD_CAT_ID": "0", "MEAN_MOTION_DOT": "0", "MEAN_MOTION_DDOT": "0",
    }  # fmt: skip
    satrec = Satrec()
    omm.initialize(satrec, fields, WGS72)
    if satrec.error:
        raise InputError(f"these elements are no orbit: {_FAULTS.get(satrec.error, 'they are rejected')}.")
    return satrec


def _number(keywords: Mapping[str, str], keyword: str) -> float:
    least, most, meaning = _RANGES[keyword]
    text = keywords.get(keyword)
    if text is None or not text.strip():
        raise InputError("is missing.", where=keyword, mend=f"An SGP4 orbit record needs it: {meaning}.")
    try:
        value = float(text)
    except ValueError:
        raise InputError(f'"{text}" is not a number.', where=keyword, mend=f"Give {meaning}.") from None
    if not least <= value <= most:  # nan is refused too
        raise InputError(
            f"{text} is out of range.", where=keyword, mend=f"Give {meaning}, from {least:g} to {most:g}."
        )
    return value


def _epoch(text: str) -> dt.datetime:
    """Calendar (2026-11-20T00:00:00.123) or ordinal (2026-324T00:00:00.123) time, both CCSDS forms."""
    try:
        ordinal = re.fullmatch(r"(\d{4})-(\d{3})T(.+)", text.strip())
        if ordinal is None:
            return as_utc(dt.datetime.fromisoformat(text.strip()))
        year, day, clock = ordinal.groups()
        return as_utc(dt.datetime.fromisoformat(f"{year}-01-01T{clock}")) + dt.timedelta(days=int(day) - 1)
    except ValueError:
        raise InputError(
            f'"{text}" is not a date and time.', where="EPOCH", mend="Write 2026-11-20T00:00:00.000."
        ) from None


def _name_of_number(catalogue_number: str) -> str:
    return f"object {catalogue_number}" if catalogue_number else "unnamed object"

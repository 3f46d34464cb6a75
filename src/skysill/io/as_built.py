"""As-built values of an installation, from a TOML file."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.geodesy.positions import parse_position
from skysill.io.text import nearest, placed_at, quoted, read_text

__all__ = [
    "AS_BUILT_KEYS",
    "BEARINGS",
    "NUMBER_BOUNDS",
    "AsBuilt",
    "as_built_of",
    "checked_value",
    "read_as_built",
]

NUMBER_BOUNDS = {
    "height_m": (0.0, 200.0),
    "east_m": (-20_000.0, 20_000.0),
    "north_m": (-20_000.0, 20_000.0),
    "azimuth_deg": (0.0, 360.0),
    "elevation_deg": (-10.0, 90.0),
    "polarization_tilt_deg": (-180.0, 180.0),
    "signal": (-1e6, 1e6),
    "signal_before_tightening": (-1e6, 1e6),
    "signal_after_tightening": (-1e6, 1e6),
    "signal_after_release": (-1e6, 1e6),
    "cable_run_m": (0.0, 1000.0),
}

BEARINGS = ("true", "magnetic", "survey")


@dataclass(frozen=True, slots=True, kw_only=True)
class AsBuilt:
    """As-built values; None where they were not written down.

    date, by : of the work
    satellite, mount : by their names in the site file
    latitude_deg, longitude_deg : of the mast, from `position`; or east_m, north_m in the site's plan
    height_m : dish centre above what the mount stands on
    azimuth_deg, elevation_deg : as set on the dish; bearings "true", "magnetic", "survey" (the compass of the
        survey, as its landmarks or the sun correct it) or "" where the file does not say
    polarization_tilt_deg : as set on the feed
    signal, signal_unit : as the terminal showed it, e.g. 13.2 and "dB"
    signal_before_tightening, signal_after_tightening : best while turning by hand, and with all bolts tight
    signal_after_release : after the rim was pushed by hand and let go
    cable_run_m : as laid; tape_m : name of a corner or wall to the distance of the mast from it
    bonding, cable_entry_seal : in words, what was done and by whom
    photos : paths, beside the file
    note : in words; source : the file it came from
    """

    date: dt.date | None = None
    by: str = ""
    satellite: str | None = None
    mount: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    east_m: float | None = None
    north_m: float | None = None
    height_m: float | None = None
    azimuth_deg: float | None = None
    bearings: str = ""
    elevation_deg: float | None = None
    polarization_tilt_deg: float | None = None
    signal: float | None = None
    signal_unit: str = ""
    signal_before_tightening: float | None = None
    signal_after_tightening: float | None = None
    signal_after_release: float | None = None
    cable_run_m: float | None = None
    tape_m: tuple[tuple[str, float], ...] = ()
    bonding: str = ""
    cable_entry_seal: str = ""
    photos: tuple[str, ...] = ()
    note: str = ""
    source: str = ""


_TEXTS = (
    "by", "satellite", "mount", "position", "bearings", "signal_unit", "photo", "note", "bonding", "cable_entry_seal",
)  # fmt: skip
AS_BUILT_KEYS = (*_TEXTS, *NUMBER_BOUNDS, "date", "photos", "tape_m")


def read_as_built(path: str | Path) -> AsBuilt:
    """As-built values from a TOML file.

    Parameters
    ----------
    path : the file; its keys, all optional, are the fields of `AsBuilt`, with position for the mast's place, and photo
        or photos

    Returns
    -------
    AsBuilt

    Raises
    ------
    InputError : not TOML, a key that is not known (the nearest is named), a wrong type, out of range

    >>> read_as_built("demo_terrain/clinic_as_built.toml").satellite
    'Demo South'
    """
    shown = str(path)
    try:
        table = tomllib.loads(read_text(path))
    except tomllib.TOMLDecodeError as fault:
        mend = 'Text stands in quotes: note = "north side".'
        raise InputError(f"is not TOML ({fault}).", where=shown, mend=mend) from None
    except (RecursionError, ValueError):
        raise InputError("is not an as-built file that can be read.", where=shown) from None
    return as_built_of(table, shown)


def as_built_of(table: Mapping[str, Any], shown: str) -> AsBuilt:
    """As-built values from the keys of a file. shown : its path, in whose folder photographs lie

    Raises
    ------
    InputError : as `read_as_built`
    """
    with placed_at(shown):
        given = {key: checked_value(key, value) for key, value in table.items()}
        position = given.pop("position", None)
        if position is not None:
            with placed_at("position"):
                there = parse_position(position)
            given |= {"latitude_deg": there.latitude_deg, "longitude_deg": there.longitude_deg}
        _check_together(given, position is not None)
        photos = [*given.pop("photos", ()), *([given.pop("photo")] if "photo" in given else [])]
    folder = Path(shown).parent
    given["photos"] = tuple(str(folder / photo) for photo in photos)
    return AsBuilt(**given, source=Path(shown).name)


def checked_value(key: str, value: Any) -> Any:
    """A value of one key, checked. Raises InputError"""
    if key not in AS_BUILT_KEYS:
        near = nearest(key, AS_BUILT_KEYS)
        raise InputError(f"{quoted(key)} is not known.", mend=f"Did you mean {near}?" if near else None)
    if key == "date":
        return _date(value)
    if key == "tape_m":
        return _tape(value)
    if key == "photos":
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            raise InputError('is not a list of file names; write ["dish.jpg"].', where=key)
        return value
    if key in _TEXTS:
        if not isinstance(value, str):
            raise InputError("is not text in quotes.", where=key)
        return value
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e300:
        raise InputError(f"{quoted(value)} is not a number.", where=key, mend="Write it without quotes.")
    least, most = NUMBER_BOUNDS[key]
    if not least <= value <= most:
        raise InputError(f"{value:g} is out of range, from {least:g} to {most:g}.", where=key)
    return float(value)


def _date(value: Any) -> dt.date:
    if isinstance(value, dt.datetime):
        return value.date()
    if not isinstance(value, dt.date):
        raise InputError("is not a date; write 2026-06-14, without quotes.", where="date")
    return value


def _tape(value: Any) -> tuple[tuple[str, float], ...]:
    if not isinstance(value, dict):
        raise InputError('is not a table; write tape_m = { "south-west corner" = 4.2 }.', where="tape_m")
    for name, distance_m in value.items():
        number = not isinstance(distance_m, bool) and isinstance(distance_m, int | float)
        if not number or not 0.0 < distance_m <= 1000.0:
            what = f"{quoted(distance_m)} is no distance in metres, above 0 and up to 1000."
            raise InputError(what, where=f"tape_m, {quoted(name)}")
    return tuple((str(name), float(distance_m)) for name, distance_m in value.items())


def _check_together(given: dict[str, Any], placed: bool) -> None:
    if given.get("bearings", "true") not in BEARINGS:
        raise InputError(
            f"{quoted(given['bearings'])} is no frame for a bearing.",
            where="bearings",
            mend='Write "true", "magnetic", or "survey" for the compass of the survey as its sightings correct it.',
        )
    plan = {"east_m", "north_m"} & set(given)
    if placed and plan:
        raise InputError("position and east_m, north_m are both given.", mend="Keep one of the two.")
    if len(plan) == 1:
        raise InputError("east_m and north_m come together.", where=plan.pop())

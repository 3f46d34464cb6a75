"""The table of a measured horizon, and satellites from text or orbit files."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from skysill.errors import InputError
from skysill.geodesy.positions import parse_longitude
from skysill.io.table_reader import Column, Row, read_table
from skysill.io.text import printable, quoted, read_number, read_text
from skysill.model.readings import Readings
from skysill.model.site import Satellite

__all__ = [
    "FAR_M",
    "HORIZON_COLUMNS",
    "LEAF_STATES",
    "READING_KINDS",
    "TypedReading",
    "gathered_readings",
    "read_horizon_csv",
    "read_satellites",
    "refuse_same_names",
    "typed_reading",
    "writes_decimal_commas",
]

HORIZON_COLUMNS = (
    Column("azimuth_deg", needed=True),
    Column("elevation_deg", needed=True),
    Column("distance_m"),
    Column("kind"),
    Column("leaf"),
    Column("growth_m_per_year"),
    Column("station"),
    Column("note"),
)

READING_KINDS = ("tree", "hedge", "building", "ground", "other")
LEAF_STATES = ("in-leaf", "bare")

FAR_M = 500.0
"""What `far` is taken to be at least: farther than a hand-held rangefinder reads. Common practice, no source."""

_FOOT_M = 0.3048


def read_horizon_csv(path: str | Path) -> Readings:
    """A measured horizon from a table.

    Columns: azimuth_deg, elevation_deg and, if wanted, distance_m, kind, leaf, growth_m_per_year, station, note.

    Columns are separated by comma, semicolon or tab, in any order; azimuths come in any order; lines that begin with
    `#` are comments. A row with an azimuth and no reading was not measured and is left out. Several rows may have one
    azimuth: a near low edge and a far high one, or the two sides of an upright edge. A distance is in metres, or in
    feet with their unit (`20 ft`, `20'`); `far` is at least `FAR_M`, and `>500` at least 500 m.

    Parameters
    ----------
    path : the table

    Returns
    -------
    Readings, azimuths as typed, 360 counting as 0; what they count from is stated by the survey

    Raises
    ------
    InputError : naming file, row, field and the mend

    >>> len(read_horizon_csv("demo_terrain/clinic_horizon.csv"))
    67
    """
    table = read_table(path, HORIZON_COLUMNS)
    comma = writes_decimal_commas(table.rows)
    read = [one for one in (typed_reading(row, comma) for row in table.rows) if one is not None]
    if not read:
        raise InputError("holds no reading.", where=str(path), mend="Fill in azimuth_deg and elevation_deg.")
    return gathered_readings(read, Path(path).name)


def gathered_readings(read: Sequence[TypedReading], source: str) -> Readings:
    """Readings in order of azimuth, alike ones once. source : the file's name"""
    unique = list(dict.fromkeys(read))
    unique.sort(key=lambda one: (one.azimuth_deg, one.elevation_deg, one.distance_m or np.inf))
    return Readings(
        azimuth_deg=np.array([one.azimuth_deg for one in unique]),
        elevation_deg=np.array([one.elevation_deg for one in unique]),
        distance_m=np.array([np.nan if one.distance_m is None else one.distance_m for one in unique]),
        note=tuple(one.note for one in unique),
        source=source,
        kind=tuple(one.kind for one in unique),
        leaf=tuple(one.leaf for one in unique),
        growth_m_per_year=np.array([np.nan if one.growth_m is None else one.growth_m for one in unique]),
        station=tuple(one.station for one in unique),
        at_least=np.array([one.at_least for one in unique]),
    )


@dataclass(frozen=True, slots=True)
class TypedReading:
    """The values of one row; None where its cell is empty."""

    azimuth_deg: float
    elevation_deg: float
    distance_m: float | None
    at_least: bool
    note: str
    kind: str
    leaf: str
    growth_m: float | None
    station: str


def typed_reading(row: Row, comma: bool) -> TypedReading | None:
    """The reading of a row; None where only an azimuth stands in it, which was not measured.

    comma : whether the table writes decimal commas

    Raises
    ------
    InputError : naming row and column
    """
    azimuth_deg = _cell(row, "azimuth_deg", comma=comma, least=0.0, most=360.0)
    if not (row.cells["elevation_deg"] or row.cells.get("distance_m")):
        return None
    distance_m, at_least = _distance(row, comma=comma)
    kind, leaf = _word(row, "kind", READING_KINDS), _word(row, "leaf", LEAF_STATES)
    growth_m = None
    if row.cells.get("growth_m_per_year", "") not in ("", "-"):
        growth_m = _cell(row, "growth_m_per_year", comma=comma, least=0.0, most=10.0)
        if growth_m and kind in ("building", "ground"):
            raise row.fault(
                "growth_m_per_year", f"a {kind} does not grow.", "Correct kind, or leave it empty."
            )
    return TypedReading(
        azimuth_deg=0.0 if azimuth_deg == 360.0 else azimuth_deg,
        elevation_deg=_cell(row, "elevation_deg", comma=comma, least=-90.0, most=90.0),
        distance_m=distance_m,
        at_least=at_least,
        note=row.cells.get("note", ""),
        kind=kind,
        leaf=leaf,
        growth_m=growth_m,
        station=row.cells.get("station", ""),
    )


def _word(row: Row, column: str, words: Sequence[str]) -> str:
    """One of the words, in upper or lower case, with space or underscore for a hyphen; "" where the cell is empty."""
    text = row.cells.get(column, "")
    plain = re.sub(r"[ _]+", "-", text.strip().lower())
    if plain in ("", "-", "?"):
        return ""
    if plain not in words:
        mend = f"Write one of {', '.join(words)}, or leave it empty."
        raise row.fault(column, f"{quoted(text)} is not known.", mend)
    return plain


def writes_decimal_commas(rows: Sequence[Row]) -> bool:
    """Whether some number must have a decimal comma, and none has a decimal point."""
    labels = ("azimuth_deg", "elevation_deg", "distance_m", "growth_m_per_year")
    numbers = [row.cells.get(label, "") for row in rows for label in labels]
    if any("." in number for number in numbers):
        return False
    commas = [number for number in numbers if "," in number]
    return any(not re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", number) for number in commas)


def _cell(row: Row, column: str, *, comma: bool, least: float, most: float) -> float:
    text = row.cells.get(column, "")
    if not text:
        raise row.fault(column, "is empty.", "Give degrees, or take the row out.")
    try:
        # degrees as thousands are out of range anyway, so their comma is a decimal one
        number = read_number(text, comma=comma or column != "distance_m")
    except ValueError as fault:
        raise row.fault(column, str(fault)) from None
    if not least <= number <= most:
        raise row.fault(column, f"{number:g} is out of range.", f"It runs from {least:g} to {most:g}.")
    return number


def _distance(row: Row, *, comma: bool) -> tuple[float | None, bool]:
    """Distance in metres (None where the cell is empty), and whether it is only a lower bound."""
    text = row.cells.get("distance_m", "").strip()
    if text in ("", "-"):
        return None, False
    if text.lower() == "far":
        return FAR_M, True
    at_least = text.startswith((">", "≥"))
    plain = text.lstrip(">≥= ").strip()
    unit = re.fullmatch(r"(.*?)\s*(m|metres?|meters?|ft|foot|feet|'|′|yd|yards?)\.?", plain, re.IGNORECASE)
    factor = 1.0
    if unit:
        plain = unit[1]
        word = unit[2].lower()
        factor = 1.0 if word.startswith("m") else 3.0 * _FOOT_M if word.startswith("y") else _FOOT_M
    try:
        distance_m = read_number(plain, comma=comma) * factor
    except ValueError as fault:
        if unit is None and re.search(r"[^\d.,+\-eE−\s]", plain):
            mend = "Write metres (12.5), feet with their unit (41 ft), far, or >500."
            raise row.fault("distance_m", f"{quoted(text)} is no distance.", mend) from None
        raise row.fault("distance_m", str(fault)) from None
    if distance_m > 1e6:
        raise row.fault("distance_m", f"{distance_m:g} is out of range.", "It is at most 1e+06 metres.")
    if distance_m <= 0.0:
        raise row.fault(
            "distance_m", f"{distance_m:g} is no distance.", "Give metres above 0, or leave it empty."
        )
    return distance_m, at_least


def read_satellites(text: str, *, folder: str | Path | None = ".") -> tuple[Satellite, ...]:
    """Satellites from satellite text.

    Parameters
    ----------
    text : `24.0W`, `-24.0`, `NAME=24.0W`, an orbit file (CCSDS OMM as JSON, XML or KVN, or TLE lines), or `NAME=file`
    folder : folder of relative paths; None where no file may be named, as in a list of addresses

    Returns
    -------
    Satellite; one, but for an orbit file of several objects

    Raises
    ------
    InputError : neither a longitude nor a file, or a file that holds no orbits

    >>> read_satellites("Demo South=24.0W")
    (Satellite(name='Demo South', longitude_deg=-24.0, orbit=None),)
    >>> read_satellites("-24.0")[0].name
    '24W'
    """
    text = printable(text).strip()
    if folder is not None and _is_file(Path(folder) / text):
        return read_orbit_file(Path(folder) / text)
    name, equals, rest = text.rpartition("=")
    name, rest = name.strip(), rest.strip()
    if equals and not name:
        raise InputError(f"{quoted(text)} has no name before the = sign.", mend='Write "NAME=24.0W".')
    if not rest:
        raise InputError(
            f"{quoted(text)} names no satellite.", mend='Write "24.0W", "-24.0" or "NAME=24.0W".'
        )
    if folder is not None and _is_file(Path(folder) / rest):
        return read_orbit_file(Path(folder) / rest, name=name or None)
    if not re.match(r"\s*[-+−]?[\d.,]", rest) or re.search(r"\.[a-zA-Z]{2,}$|[/\\]", rest):
        what = f"{quoted(rest)} is neither a longitude nor a file that exists."
        raise InputError(what, mend='Write "24.0W", "-24.0", "NAME=24.0W", or the path of an orbit file.')
    longitude_deg = parse_longitude(rest)
    return (Satellite(name or _longitude_name(longitude_deg), longitude_deg=longitude_deg),)


def read_orbit_file(path: str | Path, *, name: str | None = None) -> tuple[Satellite, ...]:
    """Every object of an orbit file (CCSDS OMM as JSON, XML or KVN; two-line elements).

    name : replaces the name in the file, when it holds one object
    """
    from skysill.pointing.orbits import read_orbits

    text = read_text(path)
    try:
        found = read_orbits(text, str(path))
    except (ValueError, ArithmeticError) as fault:  # a number or date that no orbit has
        raise InputError("is not an orbit file that can be read.", where=str(path)) from fault
    if not found:
        raise InputError("holds no orbit.", where=str(path))
    if name is not None and len(found) > 1:
        found = tuple((f"{name} {own}", record) for own, record in found)
    elif name is not None:
        found = ((name, found[0][1]),)
    return tuple(Satellite(printable(own), orbit=record) for own, record in found)


def _is_file(place: Path) -> bool:
    try:
        return place.is_file()
    except (OSError, ValueError):
        return False


def _longitude_name(longitude_deg: float) -> str:
    return f"{abs(longitude_deg):g}{'W' if longitude_deg < 0 else 'E'}"


def refuse_same_names(satellites: Sequence[Satellite]) -> None:
    """Refuse two satellites of one name at different longitudes: results could not be told apart.

    Raises
    ------
    InputError : naming the first such name
    """
    longitude_deg: dict[str, float] = {}
    for one in satellites:
        if one.longitude_deg is None:
            continue
        if longitude_deg.setdefault(one.name, one.longitude_deg) != one.longitude_deg:
            raise InputError(f"two satellites are called {quoted(one.name)}.", mend="Rename one.")

"""Tables and satellite texts in: the measured horizon, and who flies where."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from skysill.errors import InputError
from skysill.files.records import Column, Row, Table, read_table
from skysill.files.text import quoted, read_number, read_text
from skysill.horizon.measured import Readings
from skysill.positions import parse_longitude
from skysill.site import Satellite

__all__ = ["HORIZON_COLUMNS", "read_horizon_csv", "read_satellites"]

HORIZON_COLUMNS = (
    Column("azimuth_deg", needed=True),
    Column("elevation_deg", needed=True),
    Column("distance_m"),
    Column("note"),
)


def read_horizon_csv(path: str | Path) -> Readings:
    """A measured horizon from a table with the columns azimuth_deg, elevation_deg[, distance_m][, note].

    Columns are parted by comma, semicolon or tab and may stand in any order, azimuths too; lines that begin
    with `#` are comments. A row with an azimuth and nothing else was not measured and is left out. The
    azimuths are as typed, 360 counting as 0; what they count from is the survey's business.

    Raises
    ------
    InputError : naming file, row, field and the mend
    """
    table = read_table(path, HORIZON_COLUMNS)
    comma = _writes_decimal_commas(table)
    azimuths: dict[float, tuple[Row, float, float, str]] = {}
    for row in table.rows:
        azimuth_deg = _cell(row, "azimuth_deg", comma=comma, least=0.0, most=360.0)
        if not row.cells["elevation_deg"] and not row.cells.get("distance_m"):
            continue
        elevation_deg = _cell(row, "elevation_deg", comma=comma, least=-90.0, most=90.0)
        distance_m = _distance_m(row, comma=comma)
        azimuth_deg = 0.0 if azimuth_deg == 360.0 else azimuth_deg
        if azimuth_deg in azimuths:
            _check_same(row, azimuths[azimuth_deg], elevation_deg, distance_m)
            continue
        azimuths[azimuth_deg] = (row, elevation_deg, distance_m, row.cells.get("note", ""))
    if not azimuths:
        raise InputError("holds no reading.", where=str(path), mend="Fill in azimuth_deg and elevation_deg.")
    order = sorted(azimuths)
    return Readings(
        azimuth_deg=np.array(order),
        elevation_deg=np.array([azimuths[azimuth][1] for azimuth in order]),
        distance_m=np.array([azimuths[azimuth][2] for azimuth in order]),
        note=tuple(azimuths[azimuth][3] for azimuth in order),
        source=Path(path).name,
    )


def _writes_decimal_commas(table: Table) -> bool:
    """Whether some number can only be read with a decimal comma, and none has a decimal point."""
    numbers = [row.cells.get(column.name, "") for row in table.rows for column in HORIZON_COLUMNS[:3]]
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


def _distance_m(row: Row, *, comma: bool) -> float:
    if row.cells.get("distance_m", "") in ("", "-"):
        return float("nan")
    distance_m = _cell(row, "distance_m", comma=comma, least=-np.inf, most=1e6)
    if distance_m <= 0.0:
        raise row.fault(
            "distance_m", f"{distance_m:g} is no distance.", "Give metres above 0, or leave it empty."
        )
    return distance_m


def _check_same(
    row: Row, before: tuple[Row, float, float, str], elevation_deg: float, distance_m: float
) -> None:
    other, *known = before[:3]
    for column, was, now in zip(
        ("elevation_deg", "distance_m"), known, (elevation_deg, distance_m), strict=True
    ):
        if was != now and not (np.isnan(was) and np.isnan(now)):
            at = row.cells["azimuth_deg"]
            what = f"azimuth {at} stands in row {other.line} too, with another {column}."
            raise row.fault("azimuth_deg", what, "Keep one of the two.")


def read_satellites(text: str, *, folder: str | Path = ".") -> tuple[Satellite, ...]:
    """Satellites from satellite text: `24.5W`, `-24.5`, `NAME=24.5W`, an orbit file, or `NAME=file`.

    folder : where relative paths begin

    Raises
    ------
    InputError : neither a longitude nor a file, or a file that holds no orbits

    >>> read_satellites("Demo South=24.0W")
    (Satellite(name='Demo South', longitude_deg=-24.0, orbit=None),)
    >>> read_satellites("-24.5")[0].name
    '24.5W'
    """
    text = text.strip()
    if _is_file(Path(folder) / text):
        return read_orbit_file(Path(folder) / text)
    name, equals, rest = text.rpartition("=")
    name, rest = name.strip(), rest.strip()
    if equals and not name:
        raise InputError(f"{quoted(text)} has no name before the = sign.", mend='Write "NAME=24.5W".')
    if not rest:
        raise InputError(
            f"{quoted(text)} names no satellite.", mend='Write "24.5W", "-24.5" or "NAME=24.5W".'
        )
    if _is_file(Path(folder) / rest):
        return read_orbit_file(Path(folder) / rest, name=name or None)
    if not re.match(r"\s*[-+−]?[\d.,]", rest) or re.search(r"\.[a-zA-Z]{2,}$|[/\\]", rest):
        what = f"{quoted(rest)} is neither a longitude nor a file that exists."
        raise InputError(what, mend='Write "24.5W", "-24.5", "NAME=24.5W", or the path of an orbit file.')
    longitude_deg = parse_longitude(rest)
    return (Satellite(name or _longitude_name(longitude_deg), longitude_deg=longitude_deg),)


def read_orbit_file(path: str | Path, *, name: str | None = None) -> tuple[Satellite, ...]:
    """Every object of an orbit file (CCSDS OMM as JSON, XML or KVN; two-line elements).

    name : called so instead of what the file says, when it holds one object
    """
    from skysill.orbits import read_orbits

    found = read_orbits(read_text(path), str(path))
    if not found:
        raise InputError("holds no orbit.", where=str(path))
    if name is not None and len(found) > 1:
        found = tuple((f"{name} {own}", record) for own, record in found)
    elif name is not None:
        found = ((name, found[0][1]),)
    return tuple(Satellite(own, orbit=record) for own, record in found)


def _is_file(place: Path) -> bool:
    try:
        return place.is_file()
    except (OSError, ValueError):
        return False


def _longitude_name(longitude_deg: float) -> str:
    return f"{abs(longitude_deg):g}{'W' if longitude_deg < 0 else 'E'}"

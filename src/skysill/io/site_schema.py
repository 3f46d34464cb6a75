"""What a person typed into a site file (TOML), checked key by key; every fault in one line of words.

The tables say what may stand in them, each key with its own check. A general validating library would do the same,
but takes a quarter of the time a whole check may, and its faults would have to be put into words anyway.
"""

# ruff: noqa: RUF009  # the calls in the tables make dataclass fields, each instance gets its own

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from pathlib import Path
from typing import Any, TypeVar

from skysill.errors import InputError
from skysill.io.text import nearest, quoted, read_text
from skysill.model.site import ROOF_FORMS

__all__ = [
    "MastKitTable",
    "MountTable",
    "ObstacleTable",
    "PropertyBoundaryTable",
    "RoofTable",
    "SiteFile",
    "StationTable",
    "SurveyTable",
    "TerminalTable",
    "TerrainTable",
    "given",
    "parse_site_file",
]

Check = Callable[[Any, str], Any]
"""Takes a value and where it stands; gives it back, or refuses it."""

Door = TypeVar("Door")


def _key(check: Check, default: Any = None) -> Any:
    """A key that may stand in a table."""
    if isinstance(default, list):
        return field(default_factory=list, metadata={"check": check})
    return field(default=default, metadata={"check": check})


def _needed(check: Check) -> Any:
    return field(metadata={"check": check})


def _fault(value: Any, where: str, what: str, mend: str | None = None) -> InputError:
    if isinstance(value, bool):
        shown = str(value).lower()
    elif isinstance(value, int | float | dt.date):
        shown = str(value)
    else:
        shown = (
            quoted(value) if isinstance(value, str) else "a list" if isinstance(value, list) else "a table"
        )
    return InputError(f"{shown} {what}", where=where, mend=mend)


_UNITS = {"_m": "metres", "_deg": "degrees", "_ghz": "gigahertz", "_w": "watts"}


def _number(least: float = -math.inf, most: float = math.inf, *, above: float = -math.inf) -> Check:
    def check(value: Any, where: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            unit = next((f" {name}" for end, name in _UNITS.items() if where.endswith(end)), "")
            raise _fault(value, where, "is not a number.", f"Write{unit} as a number, without quotes.")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise _fault(value, where, "is not a finite number.")
        if not (least <= number <= most and number > above):
            low = f"above {above:g}" if above > -math.inf else f"{least:g} or more"
            both = f"from {least:g} to {most:g}" if least > -math.inf and most < math.inf else low
            both = f"{low}, and {most:g} or less" if above > -math.inf and most < math.inf else both
            raise _fault(value, where, f"is out of range: it must be {both}.")
        return number

    return check


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise _fault(value, where, "is not text.", "Put it in quotes.")
    if not value.strip():
        raise InputError("is empty.", where=where)
    if re.search("[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]", value):
        raise InputError("holds a character that controls a terminal, or turns the writing.", where=where)
    return value.strip()


def _text_or_number(value: Any, where: str) -> str | float:
    return _text(value, where) if isinstance(value, str) else float(_number()(value, where))


def _flag(value: Any, where: str) -> bool:
    if not isinstance(value, bool):
        raise _fault(value, where, "is neither true nor false.", "Write true or false, without quotes.")
    return value


def _day(value: Any, where: str) -> dt.date:
    if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
        raise _fault(value, where, "is not a date.", "Write 2026-06-14, without quotes.")
    return value


def _moment(value: Any, where: str) -> dt.datetime:
    if not isinstance(value, dt.datetime):
        raise _fault(value, where, "is not a time.", "Write 2026-06-14T10:20:00Z, without quotes.")
    return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


def _one_of(*words: str) -> Check:
    def check(value: Any, where: str) -> str:
        if value not in words or not isinstance(value, str):
            raise _fault(value, where, f"is not one of {', '.join(words)}.")
        return value

    return check


def _list(item: Check, least: int = 0, most: int | None = None) -> Check:
    def check(value: Any, where: str) -> list[Any]:
        if not isinstance(value, list):
            raise _fault(value, where, "is not a list.", "Put it in square brackets.")
        if len(value) < least or (most is not None and len(value) > most):
            wanted = (
                f"{least}" if least == most else f"at least {least}" if most is None else f"{least} or {most}"
            )
            raise InputError(f"holds {len(value)} where {wanted} belong.", where=where)
        return [item(one, f"{where} number {number}") for number, one in enumerate(value, start=1)]

    return check


def _one_or_list(item: Check) -> Check:
    def check(value: Any, where: str) -> Any:
        return _list(item)(value, where) if isinstance(value, list) else item(value, where)

    return check


def _table(door: type[Door]) -> Check:
    def check(value: Any, where: str) -> Door:
        place, _, name = where.rpartition(", ")
        if not isinstance(value, Mapping):
            raise _fault(value, where, "is not a table.", f"Write [{name}] on a line of its own.")
        return _read(door, value, f"{place}, [{name}]")

    return check


def _tables(door: type[Door]) -> Check:
    def check(value: Any, where: str) -> list[Door]:
        place, _, name = where.rpartition(", ")
        if not isinstance(value, list):
            raise _fault(value, where, "is not a list of tables.", f"Write [[{name}]] on a line of its own.")
        found = []
        for number, one in enumerate(value, start=1):
            if not isinstance(one, Mapping):
                raise _fault(one, where, "is not a table.", f"Write [[{name}]] on a line of its own.")
            found.append(_read(door, one, f"{place}, [[{name}]] number {number}"))
        return found

    return check


def _read(door: type[Door], value: Mapping[str, Any], where: str) -> Door:
    """A table with all its keys checked; a misspelt key is told before a missing one."""
    parts = {part.name: part for part in fields(door)}  # type: ignore[arg-type]  # every door is a dataclass
    for key in value:
        if key not in parts:
            near = nearest(key, parts)
            mend = f"Did you mean {near}?" if near else f"Known are {', '.join(parts)}."
            raise InputError(f"{quoted(key)} is not known.", where=where, mend=mend)
    for name, part in parts.items():
        if name not in value and part.default is MISSING and part.default_factory is MISSING:
            raise InputError(f'"{name}" is missing.', where=where)
    return door(**{key: parts[key].metadata["check"](one, f"{where}, {key}") for key, one in value.items()})


_pair = _list(_number(), 2, 2)
_triple = _list(_number(), 3, 3)
_vertex = _list(_number(), 2, 3)
_from_zero = _number(0.0)
_over_zero = _number(above=0.0)
_bearing = _number(0.0, 360.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class TerminalTable:
    """[terminal]"""

    dish_diameter_m: float | None = _key(_number())
    receive_ghz: float | None = _key(_number())
    transmit_ghz: float | None = _key(_number())
    transmit_power_w: float | None = _key(_over_zero)
    offset_angle_deg: float | None = _key(_number(-90.0, 90.0))
    cable_limit_m: float | None = _key(_over_zero)
    receive_only: bool = _key(_flag, False)
    polarization: str | None = _key(_one_of("circular", "linear"))


@dataclass(frozen=True, slots=True, kw_only=True)
class SatelliteTable:
    """[[satellites]]"""

    name: str | None = _key(_text)
    longitude: str | float | None = _key(_text_or_number)
    orbit: str | None = _key(_text)


@dataclass(frozen=True, slots=True, kw_only=True)
class MountTable:
    """[[mounts]]"""

    name: str | None = _key(_text)
    east_m: float | None = _key(_number())
    north_m: float | None = _key(_number())
    bearing_deg: float | None = _key(_bearing)
    bearings: str | None = _key(_one_of("true", "magnetic", "relative"))
    distance_m: float | None = _key(_from_zero)
    surface_elevation_m: float | None = _key(_number(-500.0, 9000.0))
    surface_height_m: float | None = _key(_number(-100.0, 1000.0))
    height_m: float | None = _key(_number())
    heights_m: list[float] | None = _key(_list(_number(), 1))
    max_height_m: float | None = _key(_from_zero)


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainTable:
    """[terrain]"""

    rasters: list[str] = _key(_list(_text), [])
    kinds: list[str] | None = _key(_list(_one_of("surface", "bare")))
    vertical_error_m: float | list[float] | None = _key(_one_or_list(_from_zero))
    horizontal_error_m: float | list[float] | None = _key(_one_or_list(_from_zero))
    cells: str | list[str] | None = _key(_one_or_list(_one_of("centre", "mean", "highest")))
    date: dt.date | list[dt.date] | None = _key(_one_or_list(_day))
    growth_m_per_year: float | list[float] | None = _key(_one_or_list(_number(0.0, 10.0)))
    highest_ground_m: float | None = _key(_number(-500.0, 9000.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyTable:
    """[survey]"""

    horizon: str | None = _key(_text)
    bearings: str | None = _key(_one_of("true", "magnetic", "relative"))
    reference_bearing_deg: float | None = _key(_number(-360.0, 360.0))
    date: dt.date | None = _key(_day)
    east_m: float | None = _key(_number())
    north_m: float | None = _key(_number())
    instrument_height_m: float | None = _key(_number(0.0, 200.0))
    bearing_error_deg: float | None = _key(_number(0.0, 180.0))
    inclination_error_deg: float | None = _key(_number(0.0, 90.0))
    distance_error_m: float | None = _key(_from_zero)
    distance_error_fraction: float | None = _key(_from_zero)
    position_error_m: float | None = _key(_from_zero)
    height_error_m: float | None = _key(_from_zero)
    max_gap_deg: float | None = _key(_number(most=360.0, above=0.0))
    bearing_instrument: str | None = _key(_text)
    inclination_instrument: str | None = _key(_text)
    distance_method: str | None = _key(_text)
    position_method: str | None = _key(_text)


@dataclass(frozen=True, slots=True, kw_only=True)
class StationTable:
    """[[stations]]: further places where readings were taken; `station` in the readings names them"""

    name: str = _needed(_text)
    east_m: float | None = _key(_number())
    north_m: float | None = _key(_number())
    bearing_deg: float | None = _key(_bearing)
    bearings: str | None = _key(_one_of("true", "magnetic", "relative"))
    distance_m: float | None = _key(_from_zero)
    instrument_height_m: float | None = _key(_number(0.0, 200.0))
    reference_bearing_deg: float | None = _key(_number(-360.0, 360.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkTable:
    """[[landmarks]]"""

    name: str = _needed(_text)
    position: str = _needed(_text)
    measured_bearing_deg: float | None = _key(_bearing)


@dataclass(frozen=True, slots=True, kw_only=True)
class SunSightingTable:
    """[[sun_sightings]]"""

    time: dt.datetime = _needed(_moment)
    shadow_bearing_deg: float = _needed(_bearing)


@dataclass(frozen=True, slots=True, kw_only=True)
class ObstaclesTable:
    """[obstacles]"""

    file: str | None = _key(_text)
    complete: bool = _key(_flag, False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ObstacleTable:
    """[[obstacle]]

    sightings : two of (east, north, bearing), which cross at the thing
    bearings : what its bearings are; the survey's where nothing is said
    inclination_deg : of its top, from the site's position or the first sighting's, eye_height_m above ground
    """

    kind: str | None = _key(_text)
    name: str | None = _key(_text)
    east_m: float | None = _key(_number())
    north_m: float | None = _key(_number())
    bearing_deg: float | None = _key(_bearing)
    bearings: str | None = _key(_one_of("true", "magnetic", "relative"))
    distance_m: float | None = _key(_over_zero)
    sightings: list[list[float]] | None = _key(_list(_triple, 2, 2))
    outline: list[list[float]] | None = _key(_list(_vertex, 3))
    holes: list[list[list[float]]] = _key(_list(_list(_pair, 3)), [])
    line: list[list[float]] | None = _key(_list(_vertex, 2))
    inclination_deg: float | None = _key(_number(-89.0, 89.0))
    eye_height_m: float | None = _key(_number(0.0, 200.0))
    height_m: float | None = _key(_number())
    height_above_site_m: float | None = _key(_number())
    top_elevation_m: float | None = _key(_number(-500.0, 10_000.0))
    ground_elevation_m: float | None = _key(_number(-500.0, 9000.0))
    crown: str | None = _key(_one_of("ellipsoid", "cone", "dome"))
    crown_radius_m: float | None = _key(_over_zero)
    crown_base_height_m: float | None = _key(_from_zero)
    trunk_radius_m: float | None = _key(_over_zero)
    radius_m: float | None = _key(_over_zero)
    growth_m_per_year: float | None = _key(_from_zero)
    max_height_m: float | None = _key(_over_zero)
    trimmed_to_height_m: float | None = _key(_over_zero)
    deciduous: bool = _key(_flag, False)
    height_error_m: float | None = _key(_from_zero)
    along_error_m: float | None = _key(_from_zero)
    across_error_m: float | None = _key(_from_zero)
    sag_m: float | None = _key(_from_zero)
    voltage_kv: float | None = _key(_over_zero)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoofTable:
    """[roof]"""

    outline: list[list[float]] = _needed(_list(_pair, 3))
    surface: list[list[float]] = _key(_list(_triple), [])
    ridges: list[list[list[float]]] = _key(_list(_list(_triple, 2)), [])
    valleys: list[list[list[float]]] = _key(_list(_list(_triple, 2)), [])
    eaves: list[list[list[float]]] = _key(_list(_list(_triple, 2)), [])
    facets: list[list[list[float]]] = _key(_list(_list(_triple, 3)), [])
    shape: str | None = _key(_one_of(*ROOF_FORMS))
    eaves_height_m: float | None = _key(_number(-100.0, 500.0))
    ridge_height_m: float | None = _key(_number(-100.0, 500.0))
    direction_deg: float | None = _key(_bearing)
    edge_setback_m: float = _key(_from_zero, 1.0)
    cable_entry: list[float] | None = _key(_triple)
    yards: list[list[list[float]]] = _key(_list(_list(_pair, 3)), [])
    keep_out: list[list[list[float]]] = _key(_list(_list(_pair, 3)), [])


@dataclass(frozen=True, slots=True, kw_only=True)
class MastKitTable:
    """[[mast_kits]]"""

    name: str = _needed(_text)
    heights_m: list[float] = _needed(_list(_over_zero, 1))
    stand_off_m: float | None = _key(_over_zero)


@dataclass(frozen=True, slots=True, kw_only=True)
class PropertyBoundaryTable:
    """[property_boundary]"""

    outline: list[list[float]] = _needed(_list(_pair, 3))


@dataclass(frozen=True, slots=True, kw_only=True)
class CriteriaTable:
    """[criteria]"""

    fresnel_fraction: float | None = _key(_number())
    assumed_distance_m: float | None = _key(_number())
    years_ahead: float | None = _key(_number())
    min_p_clear: float | None = _key(_number())
    refraction_factor: float | None = _key(_number())
    hidden_tall_m: float | None = _key(_number())


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFile:
    """The whole file."""

    name: str | None = _key(_text)
    position: str = _needed(_text)
    ground_elevation_m: float | None = _key(_number())
    terminal: TerminalTable = _key(_table(TerminalTable), TerminalTable())
    satellites: list[SatelliteTable] = _key(_tables(SatelliteTable), [])
    mounts: list[MountTable] = _key(_tables(MountTable), [])
    terrain: TerrainTable = _key(_table(TerrainTable), TerrainTable())
    survey: SurveyTable = _key(_table(SurveyTable), SurveyTable())
    stations: list[StationTable] = _key(_tables(StationTable), [])
    landmarks: list[LandmarkTable] = _key(_tables(LandmarkTable), [])
    sun_sightings: list[SunSightingTable] = _key(_tables(SunSightingTable), [])
    obstacles: ObstaclesTable = _key(_table(ObstaclesTable), ObstaclesTable())
    obstacle: list[ObstacleTable] = _key(_tables(ObstacleTable), [])
    roof: RoofTable | None = _key(_table(RoofTable))
    mast_kits: list[MastKitTable] = _key(_tables(MastKitTable), [])
    property_boundary: PropertyBoundaryTable | None = _key(_table(PropertyBoundaryTable))
    criteria: CriteriaTable = _key(_table(CriteriaTable), CriteriaTable())


def given(table: Any, *but: str) -> dict[str, Any]:
    """What somebody wrote into a table, without some keys."""
    values = {part.name: getattr(table, part.name) for part in fields(table) if part.name not in but}
    return {name: value for name, value in values.items() if value is not None}


def parse_site_file(path: str | Path) -> SiteFile:
    """The tables of a site file.

    Raises
    ------
    InputError : not TOML, a key that is not known (the nearest known one is named), a wrong type, out of range
    """
    shown = str(path)
    text = read_text(path)
    try:
        whole = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        at = re.search(r"\(at line (\d+), column (\d+)\)", str(fault))
        where = f"{shown}, row {at[1] if at else text.count(chr(10)) + 1}"
        what = re.sub(r"\s*\(at [^)]*\)", "", str(fault)).strip()
        mend = 'A line reads name = "chapel", or height_m = 1.5, or [terminal].'
        raise InputError(f"is not TOML ({what[:1].lower()}{what[1:]}).", where=where, mend=mend) from None
    except (RecursionError, ValueError):
        raise InputError("is not a site file that can be read.", where=shown) from None
    return _read(SiteFile, whole, shown)

"""What a person typed into a site file (TOML), checked key by key; every fault in one line of words."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from skysill.errors import InputError
from skysill.files.text import nearest, quoted, read_text

__all__ = ["ObstacleTable", "SiteFile", "parse_site_file"]

Kind = Literal["surface", "bare"]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Triple = Annotated[list[float], Field(min_length=3, max_length=3)]
Vertex = Annotated[list[float], Field(min_length=2, max_length=3)]
NotNegative = Annotated[float, Field(ge=0.0)]
Positive = Annotated[float, Field(gt=0.0)]


class Door(BaseModel):
    """One table of the file: no key beyond the known, no text where a number belongs, no nan."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class TerminalTable(Door):
    dish_diameter_m: float | None = None
    receive_ghz: float | None = None
    transmit_ghz: float | None = None
    transmit_power_w: Positive | None = None
    offset_angle_deg: Annotated[float, Field(ge=-90.0, le=90.0)] | None = None
    cable_limit_m: Positive | None = None
    polarization: Literal["circular", "linear"] | None = None


class SatelliteTable(Door):
    name: str | None = None
    longitude: str | float | None = None
    orbit: str | None = None


class MountTable(Door):
    name: str | None = None
    east_m: float | None = None
    north_m: float | None = None
    bearing_deg: Annotated[float, Field(ge=0.0, le=360.0)] | None = None
    distance_m: NotNegative | None = None
    surface_elevation_m: float | None = None
    surface_height_m: float | None = None
    height_m: float | None = None
    heights_m: Annotated[list[float], Field(min_length=1)] | None = None
    max_height_m: NotNegative | None = None


class TerrainTable(Door):
    rasters: list[str] = []
    kinds: list[Kind] | None = None
    vertical_error_m: NotNegative | list[NotNegative] | None = None
    highest_ground_m: Annotated[float, Field(ge=-500.0, le=9000.0)] | None = None


class SurveyTable(Door):
    horizon: str | None = None
    bearings: Literal["true", "magnetic", "relative"] | None = None
    reference_bearing_deg: Annotated[float, Field(ge=-360.0, le=360.0)] | None = None
    date: dt.date | None = None
    east_m: float | None = None
    north_m: float | None = None
    instrument_height_m: Annotated[float, Field(ge=0.0, le=200.0)] | None = None
    bearing_error_deg: Annotated[float, Field(ge=0.0, le=180.0)] | None = None
    inclination_error_deg: Annotated[float, Field(ge=0.0, le=90.0)] | None = None
    distance_error_fraction: NotNegative | None = None
    position_error_m: NotNegative | None = None
    height_error_m: NotNegative | None = None
    max_gap_deg: Annotated[float, Field(gt=0.0, le=360.0)] | None = None


class LandmarkTable(Door):
    name: str
    position: str
    measured_bearing_deg: Annotated[float, Field(ge=0.0, le=360.0)] | None = None


class ObstaclesTable(Door):
    file: str | None = None
    complete: bool = False


class ObstacleTable(Door):
    kind: str | None = None
    name: str | None = None
    east_m: float | None = None
    north_m: float | None = None
    bearing_deg: Annotated[float, Field(ge=0.0, le=360.0)] | None = None
    distance_m: Positive | None = None
    sightings: Annotated[list[Triple], Field(min_length=2, max_length=2)] | None = None
    outline: Annotated[list[Vertex], Field(min_length=3)] | None = None
    holes: list[Annotated[list[Pair], Field(min_length=3)]] = []
    line: Annotated[list[Vertex], Field(min_length=2)] | None = None
    inclination_deg: Annotated[float, Field(gt=-90.0, lt=90.0)] | None = None
    eye_height_m: NotNegative | None = None
    height_m: float | None = None
    top_elevation_m: float | None = None
    ground_elevation_m: float | None = None
    crown: Literal["ellipsoid", "cone", "dome"] | None = None
    crown_radius_m: Positive | None = None
    crown_base_height_m: NotNegative | None = None
    trunk_radius_m: Positive | None = None
    radius_m: Positive | None = None
    growth_m_per_year: NotNegative | None = None
    max_height_m: Positive | None = None
    deciduous: bool = False
    sag_m: NotNegative | None = None


class RoofTable(Door):
    outline: Annotated[list[Pair], Field(min_length=3)]
    surface: list[Triple] = []
    edge_setback_m: NotNegative = 1.0
    cable_entry: Triple | None = None
    yards: list[Annotated[list[Pair], Field(min_length=3)]] = []


class CriteriaTable(Door):
    fresnel_fraction: float | None = None
    assumed_distance_m: float | None = None
    years_ahead: float | None = None
    min_p_clear: float | None = None
    refraction_factor: float | None = None


class SiteFile(Door):
    name: str | None = None
    position: str
    ground_elevation_m: float | None = None
    terminal: TerminalTable = TerminalTable()
    satellites: list[SatelliteTable] = []
    mounts: list[MountTable] = []
    terrain: TerrainTable = TerrainTable()
    survey: SurveyTable = SurveyTable()
    landmarks: list[LandmarkTable] = []
    obstacles: ObstaclesTable = ObstaclesTable()
    obstacle: list[ObstacleTable] = []
    roof: RoofTable | None = None
    criteria: CriteriaTable = CriteriaTable()


def parse_site_file(path: str | Path) -> SiteFile:
    """The tables of a site file.

    Raises
    ------
    InputError : not TOML, a key that is not known (the nearest known one is named), a wrong type, out of range
    """
    shown = str(path)
    text = read_text(path)
    try:
        return SiteFile.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as fault:
        at = re.search(r"\(at line (\d+), column (\d+)\)", str(fault))
        where = f"{shown}, row {at[1]}" if at else f"{shown}, row {text.count(chr(10)) + 1}"
        what = re.sub(r"\s*\(at [^)]*\)", "", str(fault)).strip()
        raise InputError(
            f"is not TOML ({what[:1].lower()}{what[1:]}).",
            where=where,
            mend='Text stands in quotes: name = "chapel".',
        ) from None
    except RecursionError:
        raise InputError("is nested too deeply to be a site file.", where=shown) from None
    except ValidationError as fault:
        faults = sorted(fault.errors(), key=lambda one: one["type"] != "extra_forbidden")
        raise _in_words(faults[0], shown) from None


def _in_words(fault: Mapping[str, Any], shown: str) -> InputError:
    """A fault of the checking library as one of ours."""
    model: Any = SiteFile
    places, field_name = [shown], None
    for step in fault["loc"][:-1] if fault["type"] in ("extra_forbidden", "missing") else fault["loc"]:
        if isinstance(step, int):
            places[-1] = f"{places[-1]} number {step + 1}"
        elif isinstance(step, str) and model is not None and step in model.model_fields:
            model, many = _door_of(model.model_fields[step].annotation)
            field_name = step
            places.append(step if model is None else f"[[{step}]]" if many else f"[{step}]")
    where = ", ".join(places)
    key = str(fault["loc"][-1])
    if fault["type"] == "extra_forbidden":
        near = nearest(key, model.model_fields if model is not None else [])
        return InputError(
            f"{quoted(key)} is not known.", where=where, mend=f"Did you mean {near}?" if near else None
        )
    if fault["type"] == "missing":
        return InputError(f"{quoted(key)} is missing.", where=where)
    return InputError(f"{_value(fault['input'])} {_wrong(fault)}", where=where, mend=_mend(field_name))


def _door_of(annotation: Any) -> tuple[Any, bool]:
    """The table behind a field, if it is one, and whether there may be many."""
    if isinstance(annotation, type) and issubclass(annotation, Door):
        return annotation, False
    for part in getattr(annotation, "__args__", ()):
        door, _ = _door_of(part)
        if door is not None:
            return door, getattr(annotation, "__origin__", None) is list
    return None, False


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return (
        quoted(value)
        if isinstance(value, str)
        else str(value)
        if isinstance(value, int | float)
        else "the value"
    )


_WRONG = {
    "float": "is not a number.",
    "int": "is not a number.",
    "finite_number": "is not a finite number.",
    "string": "is not text in quotes.",
    "bool": "is neither true nor false.",
    "list": "is not a list.",
    "date": "is not a date; write 2026-06-14, without quotes.",
    "model": "is not a table.",
}


def _wrong(fault: Mapping[str, Any]) -> str:
    kind, more = fault["type"], fault.get("ctx", {})
    bounds = {
        "greater_than": ("gt", "above"),
        "greater_than_equal": ("ge", "from"),
        "less_than": ("lt", "below"),
        "less_than_equal": ("le", "at most"),
    }
    if kind in bounds:
        label, word = bounds[kind]
        ends = "" if word != "from" else " on"
        return f"is out of range: it must be {word} {more[label]:g}{ends}."
    if kind == "literal_error":
        return f"is not one of {more['expected'].replace(chr(39), '')}."
    if kind in ("too_short", "too_long"):
        most = more.get("max_length", more.get("min_length"))
        return f"holds {more['actual_length']} where {most} are wanted."
    for start, words in _WRONG.items():
        if kind.startswith(start):
            return words
    return f"cannot be right ({fault['msg'].lower()})."


def _mend(field_name: str | None) -> str | None:
    if field_name is None or not field_name.endswith(("_m", "_deg", "_ghz")):
        return None
    unit = {"_m": "metres", "eg": "degrees", "hz": "gigahertz"}[field_name[-2:]]
    return f"Write {unit} as a number without quotes."

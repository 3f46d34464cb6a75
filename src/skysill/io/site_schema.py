"""The whole site file (TOML) as one schema, and the reader that checks a file against it, key by key.

Everything that is known about a key stands in its table (`site_keys`, `obstacle_keys`); this module names the tables.
Whatever is wrong with a file is told in one line.
"""

# ruff: noqa: RUF009  # the calls in the table make dataclass fields, each instance gets its own

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from skysill.errors import InputError
from skysill.io.obstacle_keys import (
    MastKitTable,
    ObstaclesTable,
    ObstacleTable,
    PropertyBoundaryTable,
    RoofTable,
)
from skysill.io.site_keys import (
    ALL_COMMANDS,
    SKY_COMMANDS,
    VERDICT_COMMANDS,
    CriteriaTable,
    LandmarkTable,
    MountTable,
    SatelliteTable,
    StationTable,
    SunSightingTable,
    SurveyTable,
    TerminalTable,
    TerrainTable,
)
from skysill.io.site_values import Number, Table, TableList, Text, key, read_table
from skysill.io.text import read_text
from skysill.model.site import (
    Criteria,
    MastKit,
    Mount,
    Roof,
    Satellite,
    Terminal,
)
from skysill.model.survey import Survey

__all__ = ["SiteFile", "parse_site_file", "parse_site_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFile:
    """A site file: the property, and everything that is known about it."""

    name: str | None = key(
        Text(), "Name of the site in all results.", "Skerrow clinic", default_words="the file's name",
        commands=("look", "check", "sun", "sheet", "report"),
    )  # fmt: skip
    position: str = key(
        Text(), "Origin of the plan, in any notation: degrees, UTM, MGRS, Plus Code.", "58.0312 N 24.6541 W",
        required=True, commands=ALL_COMMANDS,
    )  # fmt: skip
    ground_elevation_m: float | None = key(
        Number(later=(-500.0, 9000.0)), "Ground at the position, above the ellipsoid or the rasters' datum.", 41.0,
        default_words="from the rasters", commands=ALL_COMMANDS,
    )  # fmt: skip
    terminal: TerminalTable = key(
        Table(TerminalTable, Terminal), "The dish and its radio.", None, default=TerminalTable()
    )
    satellites: list[SatelliteTable] = key(
        TableList(SatelliteTable, Satellite),
        "Satellites asked for.",
        None,
        default=[],
        commands=("look", "check", "mounts", "sun", "sheet", "report"),
    )
    mounts: list[MountTable] = key(
        TableList(MountTable, Mount), "Places for the dish.", None, default=[], commands=ALL_COMMANDS
    )
    terrain: TerrainTable = key(
        Table(TerrainTable), "Elevation rasters.", None, default=TerrainTable(), commands=SKY_COMMANDS
    )
    survey: SurveyTable = key(
        Table(SurveyTable, Survey),
        "The measured horizon.",
        None,
        default=SurveyTable(),
        commands=SKY_COMMANDS,
    )
    stations: list[StationTable] = key(
        TableList(StationTable), "Further places of readings.", None, default=[],
        commands=("horizon", "check", "mounts", "report"),
    )  # fmt: skip
    landmarks: list[LandmarkTable] = key(
        TableList(LandmarkTable), "Things to sight.", None, default=[], commands=SKY_COMMANDS
    )
    sun_sightings: list[SunSightingTable] = key(
        TableList(SunSightingTable), "Shadows read.", None, default=[], commands=SKY_COMMANDS
    )
    obstacles: ObstaclesTable = key(
        Table(ObstaclesTable), "Obstacles from a file.", None, default=ObstaclesTable(), commands=SKY_COMMANDS
    )
    obstacle: list[ObstacleTable] = key(
        TableList(ObstacleTable), "Obstacles written here.", None, default=[], commands=SKY_COMMANDS
    )
    roof: RoofTable | None = key(Table(RoofTable, Roof), "The roof.", None, commands=SKY_COMMANDS)
    mast_kits: list[MastKitTable] = key(
        TableList(MastKitTable, MastKit), "Masts and brackets.", None, default=[], commands=("mounts",)
    )
    property_boundary: PropertyBoundaryTable | None = key(
        Table(PropertyBoundaryTable), "The property.", None, commands=VERDICT_COMMANDS
    )
    criteria: CriteriaTable = key(
        Table(CriteriaTable, Criteria), "What counts as clear.", None, default=CriteriaTable(),
        commands=VERDICT_COMMANDS,
    )  # fmt: skip


def parse_site_file(path: str | Path) -> SiteFile:
    """The tables of a site file.

    Raises
    ------
    InputError : not TOML, a key that is not known (the nearest known one is named), a wrong type, out of range
    """
    return parse_site_text(read_text(path), str(path))


def parse_site_text(text: str, shown: str) -> SiteFile:
    """The tables of a site file's text. shown : name of the file in messages. Raises as `parse_site_file`."""
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
    return read_table(SiteFile, whole, shown)

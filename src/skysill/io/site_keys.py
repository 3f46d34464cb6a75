"""The keys of a site file, apart from obstacles and roofs: terminal, satellites, mounts, terrain, survey, criteria."""

# ruff: noqa: RUF009  # the calls in the tables make dataclass fields, each instance gets its own

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from skysill.io.site_values import (
    Choice,
    Date,
    Flag,
    ListOf,
    Number,
    OneOrList,
    Text,
    TextOrNumber,
    Time,
    key,
)
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M

__all__ = [
    "ALL_COMMANDS",
    "MOUNT_COMMANDS",
    "SKY_COMMANDS",
    "VERDICT_COMMANDS",
    "CriteriaTable",
    "LandmarkTable",
    "MountTable",
    "SatelliteTable",
    "StationTable",
    "SunSightingTable",
    "SurveyTable",
    "TerminalTable",
    "TerrainTable",
]

ALL_COMMANDS = ("look", "horizon", "check", "mounts", "sun", "sheet", "report")
"""Commands that read a site file."""

SKY_COMMANDS = ("horizon", "check", "mounts", "sheet", "report")
"""Those that ask what stands against the sky."""

MOUNT_COMMANDS = ("check", "mounts", "sheet", "report")
"""Those that look at mounts on the property."""

VERDICT_COMMANDS = ("check", "mounts", "report")
"""Those that give a verdict."""

ZERO_OR_MORE = Number(0.0)
ABOVE_ZERO = Number(above=0.0)
BEARING = Number(0.0, 360.0)
BEARINGS = Choice(("true", "magnetic", "relative"))
_GHZ = Number(later=(0.3, 300.0))
_PLAN = Number(later=(-20_000.0, 20_000.0))
_MOUNT_HEIGHT = Number(later=(0.0, 200.0))

_TABLE_OF_ERRORS = "docs/survey.md lists the names and their errors"


@dataclass(frozen=True, slots=True, kw_only=True)
class TerminalTable:
    """The dish and its radio."""

    dish_diameter_m: float | None = key(
        Number(later=(0.1, 20.0)), "Diameter of the dish.", 1.2,
        commands=("horizon", "check", "mounts", "sun", "sheet", "report"),
    )  # fmt: skip
    receive_ghz: float | None = key(
        _GHZ, "Receive frequency; the lower of the two frequencies sets the Fresnel zone.", 19.7,
        commands=("horizon", "check", "mounts", "sun", "sheet", "report"),
    )  # fmt: skip
    transmit_ghz: float | None = key(_GHZ, "Transmit frequency.", 29.5, commands=SKY_COMMANDS)
    transmit_power_w: float | None = key(
        ABOVE_ZERO, "Transmit power at the feed, for the caution about the beam.", 2.0,
        commands=MOUNT_COMMANDS,
    )  # fmt: skip
    offset_angle_deg: float | None = key(
        Number(-90.0, 90.0), "Beam above the normal of the dish's face, from the data sheet; for the tilt of the face.",
        17.0, commands=("report",),
    )  # fmt: skip
    cable_limit_m: float | None = key(
        ABOVE_ZERO, "Longest cable between dish and indoor unit, from the data sheet.", 40.0,
        commands=("mounts", "report"),
    )  # fmt: skip
    receive_only: bool = key(
        Flag(), "The terminal does not transmit: no caution about its beam.", True, default=False,
        commands=MOUNT_COMMANDS,
    )  # fmt: skip
    polarization: str | None = key(
        Choice(("circular", "linear")), "Linear polarization needs the feed turned by the polarization tilt.", "linear",
        commands=("look", "report"),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SatelliteTable:
    """One satellite: `longitude`, or `orbit`."""

    name: str | None = key(
        Text(), "Name in all results.", "Demo South", default_words="the longitude, or the orbit file's name"
    )
    longitude: str | float | None = key(
        TextOrNumber(), 'Orbital longitude: "24.0 W", or -24.0 (east positive).', "24.0 W", unit="°"
    )
    orbit: str | None = key(
        Text(), "Orbit file (OMM or two-line elements) of a satellite that moves.", "orbit_demo.json",
        commands=("look", *MOUNT_COMMANDS),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class MountTable:
    """One mount, or several of one place at `heights_m`. Without any, one mount stands at the site's position."""

    name: str | None = key(
        Text(), "Name in all results and for `--mount`.", "gable pole", default_words='"mount"'
    )
    east_m: float | None = key(_PLAN, "East of the site's position.", 4.0, default_words="0")
    north_m: float | None = key(_PLAN, "North of the site's position.", -2.5, default_words="0")
    bearing_deg: float | None = key(
        BEARING,
        "Bearing of the mount from the site's position, with `distance_m`, in place of east and north.",
        122.0,
    )
    bearings: str | None = key(
        BEARINGS, "What `bearing_deg` counts from.", "magnetic", default_words='"true"'
    )
    distance_m: float | None = key(ZERO_OR_MORE, "Level distance of the mount from the site's position.", 4.7)
    surface_elevation_m: float | None = key(
        Number(-500.0, 9000.0), "Elevation of what the mount stands on, above the rasters' datum.", 46.2,
        default_words="the ground there",
    )  # fmt: skip
    surface_height_m: float | None = key(
        Number(-100.0, 1000.0), "The same above the ground at the site's position, in place of `surface_elevation_m`.",
        5.2,
    )  # fmt: skip
    height_m: float | None = key(
        _MOUNT_HEIGHT, "Dish centre above what the mount stands on.", 1.5, default_words="2; for `look` 0"
    )
    heights_m: list[float] | None = key(
        ListOf(_MOUNT_HEIGHT, 1), "Several heights of the dish centre, each a mount of its own; not with `height_m`.",
        [1.0, 2.0, 3.0],
    )  # fmt: skip
    max_height_m: float | None = key(
        ZERO_OR_MORE, "Tallest dish centre above the surface that a remedy may ask for.", 6.0,
        commands=MOUNT_COMMANDS,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainTable:
    """Elevation rasters. A value may stand for all rasters, or be a list with one for each."""

    rasters: list[str] = key(
        ListOf(Text()), "Files, folders, web addresses or tile names (docs/elevation-sources.md), finest first.",
        ["village_surface.tif", "island.tif"],
        default=[], commands=ALL_COMMANDS,
    )  # fmt: skip
    kinds: list[str] | None = key(
        ListOf(Choice(("surface", "bare"))), "For each raster: surface (with trees and buildings) or bare ground.",
        ["surface", "bare"], default_words='"bare" each', commands=ALL_COMMANDS,
    )  # fmt: skip
    vertical_error_m: float | list[float] | None = key(
        OneOrList(ZERO_OR_MORE), "Standard deviation of the elevations.", [0.3, 3.0],
        default_words="by elevation model and cell size",
    )  # fmt: skip
    horizontal_error_m: float | list[float] | None = key(
        OneOrList(ZERO_OR_MORE), "Standard deviation in plan, along each axis.", [0.3, 5.0],
        default_words="by elevation model and cell size",
    )  # fmt: skip
    cells: str | list[str] | None = key(
        OneOrList(Choice(("centre", "mean", "highest"))), "What the value of a cell is.", "mean",
        default_words='"mean"', commands=MOUNT_COMMANDS,
    )  # fmt: skip
    date: dt.date | list[dt.date] | None = key(
        OneOrList(Date()), "When the elevations were measured; vegetation on a surface raster grows from then.",
        [dt.date(2023, 5, 2), dt.date(2014, 8, 1)], commands=VERDICT_COMMANDS,
    )  # fmt: skip
    growth_m_per_year: float | list[float] | None = key(
        OneOrList(Number(0.0, 10.0)), "Growth of the vegetation on a surface raster.", [0.4, 0.0],
        default_words="not counted, and said so", commands=VERDICT_COMMANDS,
    )  # fmt: skip
    attribution: str | list[str] | None = key(
        OneOrList(Text()), "What the makers of the elevations want said; goes to notes and record.",
        "(c) Survey of Hollinsay", default_words="the copyright tag of a GeoTIFF", commands=SKY_COMMANDS,
    )  # fmt: skip
    highest_ground_m: float | None = key(
        Number(-500.0, 9000.0), "No ground around is higher; decides how far a raster must reach.", 720.0,
        default_words=f"{HIGHEST_GROUND_ON_EARTH_M:g}",
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyTable:
    """How the horizon was measured, and the errors of the instruments as standard deviations."""

    horizon: str | None = key(
        Text(), "Table of readings; its columns are in docs/survey.md.", "clinic_horizon.csv"
    )
    bearings: str | None = key(
        BEARINGS, "What bearings count from: readings, stations, landmarks and, unless they say otherwise, obstacles.",
        "magnetic", commands=SKY_COMMANDS,
    )  # fmt: skip
    reference_bearing_deg: float | None = key(
        Number(-360.0, 360.0), "True bearing of the zero mark, for relative bearings.", 12.5
    )
    date: dt.date | None = key(
        Date(), "Day of the survey; the declination is that of this day.", dt.date(2026, 6, 14),
        default_words="today", commands=("look", *SKY_COMMANDS),
    )  # fmt: skip
    east_m: float | None = key(Number(), "East of the site's position, where the instrument stood.", 1.0)
    north_m: float | None = key(Number(), "North of the site's position, where the instrument stood.", -0.5)
    instrument_height_m: float | None = key(Number(0.0, 200.0), "Instrument above the ground.", 1.6)
    bearing_error_deg: float | None = key(Number(0.0, 180.0), "Error of one bearing.", 1.5)
    inclination_error_deg: float | None = key(Number(0.0, 90.0), "Error of one inclination.", 0.5)
    distance_error_m: float | None = key(
        ZERO_OR_MORE,
        "Fixed part of a distance's error: hypot(this, `distance_error_fraction` x distance).",
        0.3,
    )
    distance_error_fraction: float | None = key(
        ZERO_OR_MORE, "Part of a distance's error that grows with the distance.", 0.05
    )
    position_error_m: float | None = key(
        ZERO_OR_MORE, "Error of the dish's plan position, along each axis.", 0.2
    )
    height_error_m: float | None = key(ZERO_OR_MORE, "Error of the dish centre's height.", 0.1)
    max_gap_deg: float | None = key(
        Number(most=360.0, above=0.0), "Wider gaps between readings count as not measured.", 5.0
    )
    bearing_instrument: str | None = key(
        Text(), f"Instrument whose error is taken for bearings; {_TABLE_OF_ERRORS}.", "sighting compass"
    )
    inclination_instrument: str | None = key(
        Text(), "Instrument whose error is taken for inclinations, as above.", "clinometer"
    )
    distance_method: str | None = key(Text(), "Method whose error is taken for distances, as above.", "laser")
    position_method: str | None = key(
        Text(), "Method whose error is taken for the dish's plan position, as above.", "tape"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class StationTable:
    """A further place where readings were taken; the column `station` of the readings names it."""

    name: str = key(Text(), "Name, as the readings have it.", "yard", required=True)
    east_m: float | None = key(Number(), "East of the site's position.", 12.0, default_words="0")
    north_m: float | None = key(Number(), "North of the site's position.", 4.0, default_words="0")
    bearing_deg: float | None = key(
        BEARING, "Bearing from the site's position, with `distance_m`, in place of east and north.", 71.5
    )
    bearings: str | None = key(
        BEARINGS, "What `bearing_deg` counts from.", "true", default_words="the survey's"
    )
    distance_m: float | None = key(ZERO_OR_MORE, "Level distance from the site's position.", 12.6)
    instrument_height_m: float | None = key(
        Number(0.0, 200.0), "Instrument above the ground there.", 1.6, default_words="the survey's"
    )
    reference_bearing_deg: float | None = key(
        Number(-360.0, 360.0), "True bearing of this station's zero mark, for relative bearings.", 40.0,
        default_words="the survey's",
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkTable:
    """A thing of known position that can be seen from the site, for correcting the compass and for aiming by eye."""

    name: str = key(Text(), "Name in all results.", "chapel spire", required=True)
    position: str = key(Text(), "Position in any notation.", "58.0375 N 24.6480 W", required=True)
    measured_bearing_deg: float | None = key(
        BEARING, "Bearing as the survey's compass showed it; corrects the compass.", 37.0
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SunSightingTable:
    """A shadow's bearing at a known time; corrects the compass."""

    time: dt.datetime = key(
        Time(), "When the shadow was read.", dt.datetime(2026, 6, 14, 10, 20, tzinfo=dt.UTC), required=True
    )
    shadow_bearing_deg: float = key(
        BEARING,
        "Bearing that the shadow of an upright points to, as the compass showed it.",
        303.0,
        required=True,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CriteriaTable:
    """What counts as clear."""

    fresnel_fraction: float | None = key(
        Number(later=(0.0, 5.0)),
        "Share of the first Fresnel radius to keep free.",
        0.6,
        commands=SKY_COMMANDS,
    )
    assumed_distance_m: float | None = key(
        Number(above=0.0), "Distance of a reading that has none.", 10.0,
        commands=MOUNT_COMMANDS,
    )  # fmt: skip
    years_ahead: float | None = key(
        Number(later=(0.0, 100.0)), "Years of growth to allow for.", 5.0, unit="years"
    )
    min_p_clear: float | None = key(
        Number(later=(0.0, 1.0)), "Least probability that counts as clear.", 0.9, unit="probability"
    )
    refraction_factor: float | None = key(
        Number(later=(0.5, 10.0)), "Effective Earth radius over the true one.", 1.3333, unit="factor",
        commands=SKY_COMMANDS,
    )  # fmt: skip
    hidden_tall_m: float | None = key(
        Number(later=(0.0, 200.0)), "Tallest thing that may stand unseen behind what was read from below the dish.",
        30.0, commands=("horizon", "check", "mounts", "report"),
    )  # fmt: skip

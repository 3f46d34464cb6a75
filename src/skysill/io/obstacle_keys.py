"""The keys of a site file about obstacles, the roof, masts that can be bought, and the property's boundary."""

# ruff: noqa: RUF009  # the calls in the tables make dataclass fields, each instance gets its own

from __future__ import annotations

from dataclasses import dataclass

from skysill.io.site_keys import ABOVE_ZERO, BEARING, BEARINGS, MOUNT_COMMANDS, VERDICT_COMMANDS, ZERO_OR_MORE
from skysill.io.site_values import Choice, Flag, ListOf, Number, Text, key
from skysill.model.site import ROOF_FORMS

__all__ = ["MastKitTable", "ObstacleTable", "ObstaclesTable", "PropertyBoundaryTable", "RoofTable"]

_EAST_NORTH = ListOf(Number(), 2, 2, "east, north")
_POINT = ListOf(Number(), 3, 3, "east, north, elevation")
_VERTEX = ListOf(Number(), 2, 3, "east, north")
_RING = ListOf(_EAST_NORTH, 3)
_LINES = ListOf(ListOf(_POINT, 2))
_ELEVATION = Number(-500.0, 9000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ObstaclesTable:
    """Obstacles from a file, and whether all near obstacles are known."""

    file: str | None = key(
        Text(), "Vector file of obstacles; `FILE:LAYER` reads one layer.", "clinic_obstacles.geojson"
    )
    complete: bool = key(
        Flag(), "Somebody looked round: nothing else stands near. Counts as near evidence for `clear`.", True,
        default=False,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ObstacleTable:
    """One obstacle in local metres. It is placed by one of: `east_m` and `north_m`; `bearing_deg` and `distance_m`;
    `sightings`; `outline`; `line`. Its height is one of: `height_m`, `height_above_site_m`, `top_elevation_m`,
    `inclination_deg`, or the third numbers of its vertices.
    """

    kind: str | None = key(
        Text(), "At a point: tree, pole, mast, chimney, flue, tank. Along a line: wall, ridge, wire, parapet, hedge, "
        "fence. Over an area: building, roof, facet, wood, chimney, tank.", "tree",
        default_words="tree, wall or building",
    )  # fmt: skip
    name: str | None = key(Text(), "Name in all results.", "sycamore", default_words="its kind")
    east_m: float | None = key(
        Number(), "East of the site's position, at most 20 km.", 3.4, default_words="0"
    )
    north_m: float | None = key(
        Number(), "North of the site's position, at most 20 km.", -21.7, default_words="0"
    )
    bearing_deg: float | None = key(BEARING, "Bearing from the site's position, with `distance_m`.", 171.0)
    bearings: str | None = key(
        BEARINGS, "What `bearing_deg` and `sightings` count from.", "true", default_words="the survey's"
    )
    distance_m: float | None = key(ABOVE_ZERO, "Level distance from the site's position.", 22.0)
    sightings: list[list[float]] | None = key(
        ListOf(ListOf(Number(), 3, 3, "east, north, bearing"), 2, 2),
        "Two bearings that cross at the obstacle, each from its own place.", [[0.0, 0.0, 171.0], [12.0, 4.0, 198.5]],
        unit="m, °",
    )  # fmt: skip
    outline: list[list[float]] | None = key(
        ListOf(_VERTEX, 3), "Corners of an area. With elevations as third numbers, and no other height, it is a facet.",
        [[-6.0, 14.0], [6.0, 14.0], [6.0, 20.0], [-6.0, 20.0]], unit="m",
    )  # fmt: skip
    holes: list[list[list[float]]] = key(
        ListOf(_RING),
        "Courtyards of an area.",
        [[[-1.0, 16.0], [1.0, 16.0], [1.0, 18.0]]],
        default=[],
        unit="m",
    )
    line: list[list[float]] | None = key(
        ListOf(_VERTEX, 2), "Vertices of a line; a third number is the elevation there, of a wire its supports'.",
        [[-20.0, 9.0, 48.0], [25.0, 9.0, 48.5]], unit="m",
    )  # fmt: skip
    inclination_deg: float | None = key(
        Number(-89.0, 89.0), "Measured inclination of its top, from the site's position or the first sighting's place.",
        18.5,
    )  # fmt: skip
    eye_height_m: float | None = key(
        Number(0.0, 200.0), "Height above the ground from which `inclination_deg` was measured.", 1.6,
        default_words="the survey's `instrument_height_m`",
    )  # fmt: skip
    height_m: float | None = key(Number(), "Top above the ground where it stands.", 9.0)
    height_above_site_m: float | None = key(Number(), "Top above the ground at the site's position.", 11.4)
    top_elevation_m: float | None = key(Number(-500.0, 10_000.0), "Top above the rasters' datum.", 52.0)
    ground_elevation_m: float | None = key(
        _ELEVATION, "Ground where it stands, above the rasters' datum.", 42.5,
        default_words="the site's ground plus the rise of the bare raster",
    )  # fmt: skip
    crown: str | None = key(
        Choice(("ellipsoid", "cone", "dome")), "Shape of a tree's crown.", "cone", default_words='"ellipsoid"'
    )
    crown_radius_m: float | None = key(
        Number(above=0.0, later=(0.0, 50.0)), "Radius of a tree's crown.", 3.0,
        default_words="a quarter of the height, and said so",
    )  # fmt: skip
    crown_base_height_m: float | None = key(
        ZERO_OR_MORE,
        "Height above the ground at which the crown begins.",
        3.0,
        default_words="a third of the height",
    )
    trunk_radius_m: float | None = key(ABOVE_ZERO, "Radius of a tree's trunk.", 0.2, default_words="0.15")
    radius_m: float | None = key(
        Number(above=0.0, later=(0.0, 50.0)), "Radius of a pole, mast, chimney, flue or tank at a point.", 0.15,
        default_words="0.15",
    )  # fmt: skip
    growth_m_per_year: float | None = key(
        ZERO_OR_MORE, "Growth of a tree, hedge or wood.", 0.4, default_words="0", commands=VERDICT_COMMANDS
    )
    max_height_m: float | None = key(
        ABOVE_ZERO, "Height above its ground beyond which it does not grow.", 18.0, commands=VERDICT_COMMANDS
    )
    trimmed_to_height_m: float | None = key(
        ABOVE_ZERO, "Height above its ground at which a tree's crown is cut flat.", 7.0
    )
    deciduous: bool = key(
        Flag(), "The tree loses its leaves; used for the loss in decibels, never for `clear`.", True, default=False,
        commands=VERDICT_COMMANDS,
    )  # fmt: skip
    height_error_m: float | None = key(
        ZERO_OR_MORE, "Standard deviation of its height.", 0.5, default_words="by how it was placed",
        commands=MOUNT_COMMANDS,
    )  # fmt: skip
    along_error_m: float | None = key(
        ZERO_OR_MORE, "Standard deviation of its distance from the site.", 0.5, default_words="by how it was placed",
        commands=MOUNT_COMMANDS,
    )  # fmt: skip
    across_error_m: float | None = key(
        ZERO_OR_MORE, "Standard deviation of its place across the line from the site.", 0.5,
        default_words="by how it was placed", commands=MOUNT_COMMANDS,
    )  # fmt: skip
    sag_m: float | None = key(
        ZERO_OR_MORE, "How far a wire hangs below the middle of each span.", 0.6, default_words="0"
    )
    voltage_kv: float | None = key(
        Number(above=0.0, later=(0.0, 1000.0)), "Voltage of an overhead line, for the caution about its distance.",
        11.0, commands=MOUNT_COMMANDS,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RoofTable:
    """The roof on which a mount may be looked for. Its surface is given by `surface` with break lines, by `facets`, or
    by `shape` with heights above the site's ground. A roof with a surface is an obstacle too.
    """

    outline: list[list[float]] = key(
        _RING, "Corners of the roof, in order around it.", [[0.0, 0.0], [12.0, 0.0], [12.0, 8.0], [0.0, 8.0]],
        required=True, unit="m",
    )  # fmt: skip
    surface: list[list[float]] = key(
        ListOf(_POINT), "Points on the surface.", [[0.0, 4.0, 49.0], [12.0, 4.0, 49.0]], default=[], unit="m"
    )
    ridges: list[list[list[float]]] = key(
        _LINES, "Lines along which two planes meet at the top, hips too.", [[[2.0, 4.0, 49.0], [10.0, 4.0, 49.0]]],
        default=[], unit="m",
    )  # fmt: skip
    valleys: list[list[list[float]]] = key(
        _LINES, "Lines along which two planes meet at the bottom.", [[[6.0, 0.0, 46.0], [6.0, 4.0, 49.0]]],
        default=[], unit="m",
    )  # fmt: skip
    eaves: list[list[list[float]]] = key(
        _LINES, "Lines along which planes end at the bottom.", [[[0.0, 0.0, 46.0], [12.0, 0.0, 46.0]]],
        default=[], unit="m",
    )  # fmt: skip
    facets: list[list[list[float]]] = key(
        ListOf(ListOf(_POINT, 3)), "Whole planes, in place of points and lines.",
        [[[0.0, 0.0, 46.0], [12.0, 0.0, 46.0], [12.0, 4.0, 49.0], [0.0, 4.0, 49.0]]], default=[], unit="m",
    )  # fmt: skip
    shape: str | None = key(
        Choice(ROOF_FORMS),
        "Form of the roof on a rectangular outline, in place of points, lines and planes.",
        "gabled",
    )
    eaves_height_m: float | None = key(
        Number(-100.0, 500.0), "Eaves of a `shape` above the site's ground.", 2.6
    )
    ridge_height_m: float | None = key(
        Number(-100.0, 500.0), "Ridge of a `shape` above the site's ground.", 5.4
    )
    direction_deg: float | None = key(
        BEARING, "True azimuth that a main face of a `shape` slopes down to.", 160.0,
        default_words="the ridge runs along the longer side",
    )  # fmt: skip
    edge_setback_m: float = key(
        ZERO_OR_MORE,
        "Strip along the edges where no mast is offered.",
        1.0,
        default=1.0,
        commands=VERDICT_COMMANDS,
    )
    cable_entry: list[float] | None = key(
        _POINT,
        "Where the cable enters the building.",
        [6.0, 0.0, 42.5],
        unit="m",
        commands=MOUNT_COMMANDS,
    )
    yards: list[list[list[float]]] = key(
        ListOf(_RING), "Areas on the ground where a mast may stand too.", [[[20.0, 0.0], [30.0, 0.0], [30.0, 9.0]]],
        default=[], unit="m", commands=("mounts",),
    )  # fmt: skip
    keep_out: list[list[list[float]]] = key(
        ListOf(_RING), "Areas of the roof where no mast may stand: panels, rooflights, fragile parts.",
        [[[3.0, 1.0], [6.0, 1.0], [6.0, 3.0], [3.0, 3.0]]], default=[], unit="m", commands=MOUNT_COMMANDS,
    )  # fmt: skip
    height_error_m: float | None = key(
        ZERO_OR_MORE, "Standard deviation of the surface's elevations.", 0.15, default_words="0.3",
        commands=VERDICT_COMMANDS,
    )  # fmt: skip
    position_error_m: float | None = key(
        ZERO_OR_MORE, "Standard deviation of the roof's place, along each axis.", 0.25, default_words="0.3",
        commands=VERDICT_COMMANDS,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class MastKitTable:
    """A mast or bracket as it is bought; with any, a search offers their heights only."""

    name: str = key(Text(), "Name in all results.", "tripod 1.5", required=True)
    heights_m: list[float] = key(
        ListOf(Number(above=0.0, later=(0.0, 200.0)), 1),
        "Heights of the dish centre: above the surface, of a bracket above the roof's edge beside it.",
        [0.9, 1.2, 1.5], required=True,
    )  # fmt: skip
    stand_off_m: float | None = key(
        ABOVE_ZERO,
        "How far a bracket holds the dish off the wall.",
        0.4,
        default_words="a mast on the surface",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PropertyBoundaryTable:
    """The property, beyond which no mount is offered."""

    outline: list[list[float]] = key(
        _RING, "Corners of the property, in order around it.",
        [[-10.0, -8.0], [25.0, -8.0], [25.0, 30.0], [-10.0, 30.0]], required=True, unit="m",
    )  # fmt: skip

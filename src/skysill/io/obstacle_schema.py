"""Obstacles as they are given (geometry in local metres, attributes), checked and made into shapes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.io.text import quoted
from skysill.model.default_errors import OBSTACLE, ObstacleError
from skysill.model.obstacle_builders import (
    building,
    facet,
    pole,
    tree,
    wall,
    wire,
)
from skysill.model.obstacles import Obstacle
from skysill.model.roof_forms import form_facets
from skysill.units import Floats

__all__ = [
    "HEIGHTS",
    "KINDS_BY_SHAPE",
    "NUMBERS",
    "Feature",
    "Ground",
    "obstacle_of",
    "obstacles_of",
    "unique_names",
]

KINDS_BY_SHAPE = {
    "point": {"tree", "pole", "mast", "chimney", "flue", "tank"},
    "line": {"wall", "ridge", "wire", "parapet", "hedge", "fence"},
    "area": {"building", "roof", "facet", "wood", "chimney", "tank"},
}
"""Kinds of obstacle that a geometry can be."""

_KINDS = set().union(*KINDS_BY_SHAPE.values())
_PLANTS = {"tree", "hedge", "wood"}
NUMBERS = (
    "height_m",
    "height_above_site_m",
    "top_elevation_m",
    "ground_elevation_m",
    "crown_radius_m",
    "crown_base_height_m",
    "trunk_radius_m",
    "radius_m",
    "growth_m_per_year",
    "max_height_m",
    "trimmed_to_height_m",
    "sag_m",
    "voltage_kv",
    "height_error_m",
    "along_error_m",
    "across_error_m",
)

HEIGHTS = ("height_m", "height_above_site_m", "top_elevation_m")
"""Keys for the height of an obstacle; one of them is given."""

LEVEL_GROUND = (
    "Obstacles' heights count from the site's ground: no bare terrain is known below them. Where the ground rises or "
    "falls, give ground_elevation_m, or height_above_site_m."
)


_LEVEL_M, _STEEPEST = 30.0, 0.5
"""The site's ground stands for the ground out to 30 m; beyond, it may fall by half as much: a guess, no source."""

_COARSE_M = 5.0


@dataclass(frozen=True, slots=True)
class Ground:
    """What obstacles stand on.

    site_elevation_m : of the site's ground above the datum; 0 where no datum is known
    known : whether site_elevation_m is known; elevations mean nothing where it is not
    rise_m : ground at plan positions east (n,), north (n,) above the site's ground, nan where it is unknown;
        None where there is no bare raster
    rise_from : name of that raster
    """

    site_elevation_m: float
    known: bool
    rise_m: Callable[[Floats, Floats], Floats] | None = None
    rise_from: str = ""


@dataclass(frozen=True, slots=True)
class RoofTags:
    """A roof by its open map tags: roof:shape, roof:height over the eaves, roof:direction down a face."""

    form: str
    height_m: float | None = None
    direction_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One obstacle as given: its geometry in local metres, and its attributes.

    points_m : (n, 2) east, north, or (n, 3) with elevations; a ring for areas
    shape : "point", "line" or "area"; holes_m : rings, of areas
    errors : of its height and place, where they are not stated
    numbers : height_m counts from the ground where the thing stands, height_above_site_m from the site's ground,
        top_elevation_m from the datum; one of them
    """

    where: str
    shape: str
    points_m: Floats
    holes_m: tuple[Floats, ...] = ()
    name: str | None = None
    kind: str | None = None
    crown: str | None = None
    deciduous: bool = False
    numbers: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    errors: ObstacleError = OBSTACLE["plan"]
    roof: RoofTags | None = None


_TALLEST_M, _TALLEST_TREE_M = 900.0, 130.0
"""Over the tallest building (828 m) and the tallest tree (116 m) that stand; from memory."""

_MOST_GROUND_STEP_M = 150.0
"""More than the ellipsoid is off any datum of heights (about 107 m at most; from memory)."""


def obstacles_of(features: Sequence[Feature], ground: Ground) -> tuple[Obstacle, ...]:
    """The shapes of features, each on its own ground; later ones of one name numbered.

    Raises
    ------
    InputError : as obstacle_of
    """
    middles_m = [feature.points_m[:, :2].mean(axis=0) for feature in features]
    rises_m = np.full(len(features), np.nan)
    if features and ground.rise_m is not None:
        rises_m = ground.rise_m(*np.array(middles_m).T)
    return unique_names(
        [obstacle_of(feature, ground, float(rise)) for feature, rise in zip(features, rises_m, strict=True)]
    )


def obstacle_of(feature: Feature, ground: Ground, rise_m: float = math.nan) -> Obstacle:
    """The shape of a feature.

    rise_m : the ground below it above the site's ground; nan where it is unknown

    Raises
    ------
    InputError : no height, an elevation where no datum is known, a kind that does not fit its geometry, ...
    """
    try:
        _check_kind(feature)
        kind = feature.kind or {"point": "tree", "line": "wall", "area": "building"}[feature.shape]
        name = feature.name or kind
        notes = feature.notes
        if feature.shape == "point" and feature.kind is None and "crown_radius_m" not in feature.numbers:
            notes = (*notes, f'Nobody said what "{name}" is; it was taken for a tree.')
        if feature.numbers.get("growth_m_per_year", 0.0) and kind not in _PLANTS:
            raise InputError(
                f"a {kind} does not grow.",
                where="growth_m_per_year",
                mend="Take it out, or write kind tree, hedge or wood.",
            )
        if "trimmed_to_height_m" in feature.numbers and kind != "tree":
            raise InputError(
                f"a {kind} is not trimmed.", where="trimmed_to_height_m", mend="Give its height."
            )
        base_m, base_notes = _ground_elevation(feature, ground, rise_m)
        made = {"point": _point_obstacle, "line": _line_obstacle, "area": _area_obstacle}[feature.shape](
            replace(feature, name=name, kind=kind, notes=(*notes, *base_notes)), base_m, ground
        )
        _check_plausible_height(feature, kind, made, ground.site_elevation_m + rise_m)
    except InputError as fault:
        raise fault.placed(feature.where) from None
    local = {"height_m", "trimmed_to_height_m"} & set(feature.numbers)
    rests = local and "ground_elevation_m" not in feature.numbers and not math.isnan(rise_m)
    if kind in ("hedge", "wood"):
        made = replace(made, **_stated(feature, "growth_m_per_year", "max_height_m"))
    return replace(made, errors=_errors(feature), ground_from=ground.rise_from if rests else "")


def _check_plausible_height(feature: Feature, kind: str, made: Obstacle, ground_m: float) -> None:
    """Refuse heights that no obstacle of its kind has: a wrong digit, feet for metres, another datum."""
    given_m = feature.numbers.get("ground_elevation_m")
    if given_m is not None and abs(given_m - ground_m) > _MOST_GROUND_STEP_M:  # False where ground_m is nan
        raise InputError(
            f"{given_m:g} m is {abs(given_m - ground_m):.0f} m off the ground that the rasters have there.",
            where="ground_elevation_m",
        )
    most_m = _TALLEST_TREE_M if kind in ("tree", "hedge", "wood") else _TALLEST_M
    tall_m = made.top_elevation_m - made.ground_elevation_m
    if tall_m > most_m:
        labels = ("top_elevation_m", "height_m", "height_above_site_m")
        where = next((label for label in labels if label in feature.numbers), "geometry")
        raise InputError(
            f"stands {tall_m:.0f} m above the ground there, more than any {kind} does ({most_m:g} m).",
            where=where,
        )


def _errors(feature: Feature) -> ObstacleError:
    """The stated errors of a feature, in place of the defaults of its origin."""
    stated = {
        f"{label}_m": feature.numbers[f"{label}_error_m"]
        for label in ("height", "along", "across")
        if f"{label}_error_m" in feature.numbers
    }
    if min(stated.values(), default=0.0) < 0.0:
        raise InputError("an error is below 0.", where=feature.where, mend="Give a standard deviation.")
    return replace(feature.errors, source="stated", **stated) if stated else feature.errors


def _check_kind(feature: Feature) -> None:
    if feature.kind is None:
        return
    fitting = KINDS_BY_SHAPE[feature.shape]
    if feature.kind not in _KINDS:
        raise InputError(
            f"{quoted(feature.kind)} is no kind of obstacle.",
            where="kind",
            mend=f"For a {feature.shape} write one of {', '.join(sorted(fitting))}.",
        )
    if feature.kind not in fitting:
        raise InputError(
            f"a {feature.kind} is not given by a {feature.shape}.",
            where="kind",
            mend=f"A {feature.shape} is one of {', '.join(sorted(fitting))}.",
        )


def _ground_elevation(feature: Feature, ground: Ground, rise_m: float) -> tuple[float, tuple[str, ...]]:
    """Elevation of the ground that a feature stands on."""
    numbers = feature.numbers
    absolute = feature.points_m.shape[1] == 3 or {"top_elevation_m", "ground_elevation_m"} & set(numbers)
    if absolute and not ground.known:
        raise InputError(
            "is given by elevation, but the site's ground_elevation_m is unknown.",
            mend="Give the site's ground_elevation_m, or height_m above the ground.",
        )
    if "ground_elevation_m" in numbers:
        return numbers["ground_elevation_m"], ()
    if math.isnan(rise_m):
        return ground.site_elevation_m, (LEVEL_GROUND,) if "height_m" in numbers else ()
    return ground.site_elevation_m + rise_m, ()


def _heights(feature: Feature, ground: Ground) -> dict[str, float | None]:
    """height_m or top_elevation_m, whichever was given; a height above the site's ground becomes an elevation."""
    said = [label for label in HEIGHTS if label in feature.numbers]
    if len(said) > 1:
        raise InputError(
            f"{' and '.join(said)} are both given.",
            mend="Keep one of the two." if len(said) == 2 else "Keep one.",
        )
    top_m = feature.numbers.get("top_elevation_m")
    if "height_above_site_m" in feature.numbers:
        top_m = ground.site_elevation_m + feature.numbers["height_above_site_m"]
    return {"height_m": feature.numbers.get("height_m"), "top_elevation_m": top_m}


def _stated(feature: Feature, *labels: str) -> dict[str, Any]:
    return {label: feature.numbers[label] for label in labels if label in feature.numbers}


def _point_obstacle(feature: Feature, base_m: float, ground: Ground) -> Obstacle:
    place = (float(feature.points_m[0, 0]), float(feature.points_m[0, 1]))
    heights = _heights(feature, ground)
    if feature.points_m.shape[1] == 3 and all(value is None for value in heights.values()):
        heights["top_elevation_m"] = float(feature.points_m[0, 2])
    common: dict[str, Any] = {"ground_elevation_m": base_m, **heights, "notes": feature.notes}
    assert feature.name is not None
    if feature.kind != "tree":
        return pole(feature.name, place, **common, **_stated(feature, "radius_m"))
    grows = _stated(
        feature,
        "crown_radius_m",
        "crown_base_height_m",
        "trunk_radius_m",
        "growth_m_per_year",
        "max_height_m",
        "trimmed_to_height_m",
    )
    if feature.crown is not None:
        grows["crown"] = feature.crown
    return tree(feature.name, place, **common, **grows, deciduous=feature.deciduous)


def _line_obstacle(feature: Feature, base_m: float, ground: Ground) -> Obstacle:
    assert feature.name is not None
    heights, line = _heights(feature, ground), feature.points_m
    given = any(value is not None for value in heights.values())
    if line.shape[1] == 3 and given:
        line = line[:, :2]
    if feature.kind != "wire":
        kind: Any = "ridge" if feature.kind == "ridge" else "wall"
        return wall(feature.name, line, ground_elevation_m=base_m, **heights, kind=kind, notes=feature.notes)
    by_support = line.shape[1] == 3
    if not by_support:
        top_m = heights["top_elevation_m"] if heights["height_m"] is None else base_m + heights["height_m"]
        if top_m is None:
            raise InputError(
                f'the wire "{feature.name}" has no height.',
                mend="Give the elevation of each support, or height_m.",
            )
        line = np.column_stack([line, np.full(len(line), top_m)])
    numbers = _stated(feature, "sag_m", "voltage_kv")
    made = wire(feature.name, line, ground_elevation_m=base_m, **numbers, notes=feature.notes)
    below = by_support and "ground_elevation_m" not in feature.numbers
    dense = _densified(made.line_m)
    _refuse_buried(made, dense, *(_ground_below_m(dense, ground) if below else (base_m, 0.0)))
    return made


def _densified(line: Floats) -> Floats:
    """The same polyline with a vertex at least every 5 m."""
    parts = [
        a
        + np.linspace(0.0, 1.0, 1 + int(np.ceil(np.hypot(*(b - a)[:2]) / 5.0)), endpoint=False)[:, None]
        * (b - a)
        for a, b in itertools.pairwise(line)
    ]
    return np.concatenate([*parts, line[-1:]])


def _ground_below_m(line: Floats, ground: Ground) -> tuple[Floats, Floats]:
    """Ground under each vertex of a wire, and the tolerance for a wire that seems to run below it.

    The ground is the bare raster's, with the error of coarse cells as tolerance while part of the wire is above it.
    Where the raster is void, it is the site's ground less the fall of a steep hillside.
    """
    plan = line[:, :2]
    rise_m = np.full(len(plan), np.nan) if ground.rise_m is None else ground.rise_m(*plan.T)
    fall_m = _STEEPEST * np.maximum(np.hypot(*plan.T) - _LEVEL_M, 0.0)
    ground_m = ground.site_elevation_m + np.where(np.isnan(rise_m), -fall_m, rise_m)
    partly_above = bool((line[:, 2] > ground_m).any())
    return ground_m, np.where(np.isnan(rise_m), 0.0, _COARSE_M * partly_above)


def _refuse_buried(
    made: Obstacle, line: Floats, ground_m: float | Floats, tolerance_m: float | Floats
) -> None:
    """Refuse a wire that runs below the ground: heights given as elevations, or too much sag."""
    depth_m = ground_m - line[:, 2]
    buried = depth_m >= tolerance_m
    if not buried.any():
        return
    at = int(np.where(buried, depth_m, -np.inf).argmax())
    there_m = line[at, 2] + depth_m[at]
    sags = bool(made.sag_m and not buried[[0, -1]].any())
    mend = "A wire's third number is an elevation, as the ground's is; height_m counts from the ground."
    raise InputError(
        f'the wire "{made.name}" runs at {line[at, 2]:.1f} m, not above the ground there ({there_m:.1f} m).',
        where="sag_m" if sags else "line",
        mend="It hangs sag_m below the middle of each span: is that right?" if sags else mend,
    )


def _area_obstacle(feature: Feature, base_m: float, ground: Ground) -> Obstacle:
    assert feature.name is not None
    heights, ring = _heights(feature, ground), feature.points_m
    given = any(value is not None for value in heights.values())
    if ring.shape[1] == 3 and not given:
        if feature.holes_m:
            raise InputError("a facet with holes cannot be read.", mend="Cut it into facets without holes.")
        kind: Any = "roof" if feature.kind in ("roof", "facet") else "building"
        return facet(
            feature.name,
            ring,
            kind=kind,
            ground_elevation_m=min(base_m, float(ring[:, 2].min())),
            notes=feature.notes,
        )
    notes = feature.notes
    if feature.roof is not None and feature.roof.form != "flat":
        formed, note = _building_with_roof(feature, feature.roof, heights, base_m)
        if formed is not None:
            return formed
        notes = (*notes, note)
    return building(
        feature.name,
        ring[:, :2],
        ground_elevation_m=base_m,
        **heights,
        holes_m=[hole[:, :2] for hole in feature.holes_m],
        notes=notes,
    )


def _building_with_roof(
    feature: Feature, roof: RoofTags, heights: Mapping[str, float | None], base_m: float
) -> tuple[Obstacle | None, str]:
    """A building with the planes of its tagged roof; or None, and why a flat top at its full height is taken."""
    flat = "was taken with a flat top at its full height"
    top_m = heights.get("top_elevation_m")
    if top_m is None:
        top_m = base_m + float(heights.get("height_m") or 0.0)
    if roof.height_m is None or feature.holes_m:
        missing = "roof:height is missing" if roof.height_m is None else "it has a courtyard"
        return None, f'"{feature.name}" has a {roof.form} roof, but {missing}: it {flat}.'
    try:
        facets = form_facets(
            feature.points_m[:, :2].tolist(),
            roof.form,
            eaves_elevation_m=top_m - roof.height_m,
            ridge_elevation_m=top_m,
            direction_deg=roof.direction_deg,
        )
    except InputError as fault:
        return None, f'"{feature.name}" {flat}: {fault.what}'
    first, *others = (
        facet(str(feature.name), ring, kind="building", ground_elevation_m=base_m, notes=feature.notes)
        for ring in facets
    )
    areas = tuple(area for one in (first, *others) for area in one.areas_m)
    return replace(first, areas_m=areas), ""


def unique_names(obstacles: Sequence[Obstacle]) -> tuple[Obstacle, ...]:
    """The same obstacles, later ones of one name numbered, so that every name is unique."""
    seen: dict[str, int] = {}
    named = []
    for obstacle in obstacles:
        seen[obstacle.name] = seen.get(obstacle.name, 0) + 1
        count = seen[obstacle.name]
        named.append(obstacle if count == 1 else replace(obstacle, name=f"{obstacle.name} {count}"))
    return tuple(named)

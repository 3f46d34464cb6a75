"""Building footprints: which could matter, how high they are and who says so, and which is the site's own."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.extraction.building_tags import read_building_tags
from skysill.extraction.found import FoundBuilding, HeightOrigin, Ring2, SurveyData
from skysill.extraction.plan_grid import PlanGrid
from skysill.model.default_errors import OBSTACLE
from skysill.units import Floats

__all__ = [
    "BESIDE_M",
    "Footprint",
    "HeightGrid",
    "OwnBuilding",
    "buildings_within_reach",
    "own_building",
    "reach_m",
]

BESIDE_M = 10.0
"""A position that lies in no building belongs to the nearest one up to this distance."""

_ROOM_M = 5.0
"""More than a ray of 4 GHz and more needs beside a building within 700 m: 0.6 sqrt(lambda d) + D/2 = 4.4 + 0.6 m."""

_SPARE_DEG = 1.0
_TALL_M = 30.0
"""A building whose height nobody tells may be as tall as this."""

_FINE_M = 2.0
_TOUCH_M = 0.3
_SAME_SHARE = 0.8
_DISAGREE_M = 3.0
_LEAST_CELLS = 4


@dataclass(frozen=True, slots=True)
class Footprint:
    """A building's outline as a file gives it, in plan metres of the site.

    where : file and feature; outline_m, holes_m : rings (east, north), closed or not
    tags : key -> value of the open map tagging
    """

    where: str
    outline_m: Ring2
    holes_m: tuple[Ring2, ...] = ()
    tags: Mapping[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The name it is tagged with, else its street and number, else where it stands."""
        tags = self.tags
        for label in ("name", "addr:housename"):
            if tags.get(label):
                return " ".join(str(tags[label]).split())
        if tags.get("addr:housenumber"):
            return " ".join(f"{tags.get('addr:street') or 'house'} {tags['addr:housenumber']}".split())
        return f"building, {self.where}"


@dataclass(frozen=True, slots=True, eq=False)
class HeightGrid:
    """A surface raster less bare ground, to measure heights of buildings in.

    surface_m, bare_m : (row, column) of the lattice, nan where unknown
    data : errors and age of the surface
    """

    grid: PlanGrid
    surface_m: Floats
    bare_m: Floats
    data: SurveyData


@dataclass(frozen=True, slots=True)
class OwnBuilding:
    """The building that the site's position belongs to. number : its place in the list; notes : what was assumed."""

    number: int
    footprint: Footprint
    notes: tuple[str, ...] = ()


def sound_outline(footprint: Footprint) -> tuple[Any, tuple[str, ...]]:
    """The footprint as a shapely Polygon or MultiPolygon without crossings, and what was repaired.

    Raises
    ------
    InputError : too few corners, a corner that is no number, nothing enclosed
    """
    import shapely

    rings = [np.asarray(ring, dtype=np.float64) for ring in (footprint.outline_m, *footprint.holes_m)]
    if any(ring.ndim != 2 or len(ring) < 3 for ring in rings):
        raise InputError("has fewer than three corners.", where=footprint.where, mend="Take the feature out.")
    if not all(np.isfinite(ring).all() for ring in rings):
        raise InputError("has a corner that is not a number.", where=footprint.where)
    shape: Any = shapely.Polygon(rings[0][:, :2], [ring[:, :2] for ring in rings[1:]])
    notes: tuple[str, ...] = ()
    if not shape.is_valid:
        why = shapely.is_valid_reason(shape).split("[")[0].lower()
        shape = shapely.make_valid(shape, method="structure", keep_collapsed=False)
        notes = (f'The footprint of "{footprint.name}" is not sound ({why}); it was repaired.',)
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0.5]
    if not parts:
        raise InputError(
            "encloses no area.",
            where=footprint.where,
            mend="Are its corners in order, and in the right system?",
        )
    return (parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)), notes


def _box_distance_m(footprint: Footprint) -> float:
    """Distance of the position from the box around a footprint, no more than that from the footprint; nan is near."""
    corners = np.asarray(footprint.outline_m, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1] < 2 or not len(corners) or not np.isfinite(corners).all():
        return 0.0
    off_m = np.maximum(np.maximum(corners[:, :2].min(axis=0), -corners[:, :2].max(axis=0)), 0.0)
    return float(np.hypot(*off_m))


def reach_m(height_m: float, least_elevation_deg: float) -> float:
    """Distance beyond which something so high cannot take room from a ray of that elevation, or a higher one.

    height_m : above the dish
    least_elevation_deg : of the lowest satellite; a degree less is taken for its refraction and the errors

    Notes
    -----
    (height + 5 m) / tan(elevation - 1 degree); 5 m are more than a ray of 4 GHz and more needs within 700 m.

    >>> round(reach_m(10.0, 24.1))
    35
    """
    low_deg = least_elevation_deg - _SPARE_DEG
    if low_deg <= 0.0:
        return math.inf
    return max(height_m + _ROOM_M, 0.0) / math.tan(math.radians(min(low_deg, 89.0)))


def buildings_within_reach(
    footprints: Sequence[Footprint],
    *,
    least_elevation_deg: float,
    heights: HeightGrid | None = None,
    dish_elevation_m: float | None = None,
    position_error_m: float = OBSTACLE["file"].along_m,
    origin: str = "",
    at_most_m: float = 1000.0,
) -> tuple[FoundBuilding, ...]:
    """Buildings that could stand near a ray, nearest first, each with its height and who says it.

    Parameters
    ----------
    footprints : in plan metres of the site
    least_elevation_deg : of the lowest satellite
    heights : surface less bare ground; its heights are taken before tags where its cells are 2 m or finer
    dish_elevation_m : the lowest place where the dish may be, above the datum of `heights`; None: a building's height
        above its own ground is taken as its height above the dish
    position_error_m : standard deviation of the footprints along each axis
    at_most_m : farther buildings are left to the terrain's own rasters

    Notes
    -----
    Kept is what `reach_m` keeps: higher above the dish than distance times tangent of the elevation. A building whose
    height is not known is kept where one of 30 m would be; it has height_m None and a note.

    Raises
    ------
    InputError : a footprint that encloses nothing
    """
    import shapely

    found = []
    relief_m = _relief_m(heights)
    for footprint in footprints:
        away_m = _box_distance_m(footprint)
        if away_m > min(at_most_m, reach_m(_highest_m(relief_m, footprint), least_elevation_deg)):
            continue
        shape, notes = sound_outline(footprint)
        for part in shapely.get_parts(shape):
            one = _building(footprint, part, heights, notes, position_error_m, origin)
            tall_m = _TALL_M if one.height_m is None else one.height_m + 3.0 * one.height_error_m
            if dish_elevation_m is not None and one.ground_elevation_m is not None:
                tall_m += one.ground_elevation_m - dish_elevation_m
            if one.distance_m <= min(at_most_m, reach_m(tall_m, least_elevation_deg)):
                found.append(one)
    return tuple(sorted(found, key=lambda one: (one.distance_m, one.outline_m)))


def _relief_m(heights: HeightGrid | None) -> float:
    """Highest surface over lowest bare ground, 0 where either is not known."""
    if heights is None or not np.isfinite(heights.surface_m).any() or not np.isfinite(heights.bare_m).any():
        return 0.0
    return float(np.nanmax(heights.surface_m) - np.nanmin(heights.bare_m))


def _highest_m(relief_m: float, footprint: Footprint) -> float:
    """A height that the building does not exceed, to leave it out before anything is measured where it is far."""
    tagged = read_building_tags(footprint.tags, footprint.name).height_m or 0.0
    return max(tagged + 10.0, relief_m, 2.0 * _TALL_M)


def _building(
    footprint: Footprint,
    part: Any,
    heights: HeightGrid | None,
    notes: tuple[str, ...],
    position_error_m: float,
    origin: str,
) -> FoundBuilding:
    import shapely

    tags = read_building_tags(footprint.tags, footprint.name)
    measured = None if heights is None else _measured(part, heights)
    height_m, said, error_m = tags.height_m, _tag_origin(tags.height_m, tags.from_levels), 0.0
    error_m = OBSTACLE["storeys" if tags.from_levels else "file"].height_m
    notes = (*notes, *tags.notes)
    ground_m = None
    if measured is not None and heights is not None:
        ground_m, measured_m, measured_error_m = measured
        fine = heights.grid.cell_m <= _FINE_M
        if math.isfinite(measured_m) and (fine or height_m is None) and measured_m > 1.5:
            if height_m is not None and abs(height_m - measured_m) > _DISAGREE_M:
                notes = (
                    *notes,
                    f'"{footprint.name}" is tagged {height_m:.1f} m high, surface minus bare has {measured_m:.1f} m: '
                    "the measured height was taken.",
                )  # fmt: skip
            height_m, said, error_m = measured_m, "surface minus bare", measured_error_m
            notes = (*(n for n in notes if "were assumed" not in n), *heights.data.age_notes())
    if height_m is None:
        notes = (
            *notes,
            f'The height of "{footprint.name}" is not known; it is no obstacle until somebody says it.',
        )
    rings = shapely.orient_polygons(part)
    roof_m = tags.roof_height_m
    return FoundBuilding(
        _open_ring(rings.exterior),
        height_m,
        said,
        error_m,
        position_error_m,
        float(shapely.distance(part, shapely.Point(0.0, 0.0))),
        holes_m=tuple(_open_ring(ring) for ring in rings.interiors),
        ground_elevation_m=ground_m,
        roof_form=tags.roof_form,
        roof_height_m=roof_m if roof_m is not None and height_m is not None and roof_m < height_m else None,
        roof_direction_deg=tags.roof_direction_deg,
        name=footprint.name,
        origin=origin or footprint.where,
        survey_year=heights.data.survey_year
        if heights is not None and said == "surface minus bare"
        else None,
        notes=notes,
    )


def _tag_origin(height_m: float | None, from_levels: bool) -> HeightOrigin:
    return "unknown" if height_m is None else "levels tag" if from_levels else "height tag"


def _measured(part: Any, heights: HeightGrid) -> tuple[float | None, float, float] | None:
    """Ground elevation, height and its standard error from the cells inside; None where too few are known.

    The ground is the median of the bare cells; the top the highest cell but one twentieth, so that a mast or a branch
    does not count. Its error: that of the rasters, half of what the top twentieth spans, and what a ridge may stand
    over the mean of its cell (a slope of 45 degrees over half a cell).
    """
    import shapely

    grid = heights.grid
    east_m, north_m = grid.centres_m()
    west, south, east, north = part.bounds
    columns = np.flatnonzero((east_m > west) & (east_m < east))
    rows = np.flatnonzero((north_m > south) & (north_m < north))
    if not len(columns) or not len(rows):
        return None
    place_e, place_n = np.meshgrid(east_m[columns], north_m[rows])
    inside = shapely.contains_xy(part, place_e.ravel(), place_n.ravel()).reshape(place_e.shape)
    cells = np.ix_(rows, columns)
    bare, surface = heights.bare_m[cells][inside], heights.surface_m[cells][inside]
    bare, surface = bare[np.isfinite(bare)], surface[np.isfinite(surface)]
    ground_m = float(np.median(bare)) if len(bare) else None
    if ground_m is None or len(surface) < _LEAST_CELLS:
        return None if ground_m is None else (ground_m, math.nan, math.nan)
    top_m, upper_m = np.quantile(surface, [0.95, 1.0])
    error_m = math.hypot(heights.data.vertical_error_m, min(upper_m - top_m, 2.0) / 2.0, grid.cell_m / 4.0)
    return ground_m, float(top_m) - ground_m, error_m


def _open_ring(ring: Any) -> Ring2:
    import shapely

    return tuple((float(e), float(n)) for e, n in shapely.get_coordinates(ring)[:-1])


def own_building(footprints: Sequence[Footprint], *, beside_m: float = BESIDE_M) -> OwnBuilding:
    """The building that the site's position (0, 0) lies in, else the nearest within `beside_m`.

    Parts of buildings (building:part) are passed over where a whole one is there too. Buildings that share a wall with
    it are named in the notes: its roof is taken to end there.

    Raises
    ------
    InputError : no footprints; none near; two that the position may belong to
    """
    import shapely

    if not footprints:
        raise InputError(
            "there is no building footprint.", where="footprints", mend="Give a file that covers the site."
        )
    boxes_m = np.array([_box_distance_m(one) for one in footprints])
    near = np.flatnonzero(boxes_m <= max(3.0 * beside_m, 100.0)).tolist()
    if not near:
        raise _far(footprints[int(boxes_m.argmin())], float(boxes_m.min()), beside_m)
    everything, footprints = footprints, [footprints[i] for i in near]
    shapes = [sound_outline(one) for one in footprints]
    away_m = np.array([float(shapely.distance(shape, shapely.Point(0.0, 0.0))) for shape, _ in shapes])
    inside = [i for i in np.flatnonzero(away_m == 0.0).tolist() if not _only_part(footprints[i])]
    inside = inside or np.flatnonzero(away_m == 0.0).tolist()
    notes: tuple[str, ...] = ()
    if inside:
        number = _one_of(inside, footprints, [shape for shape, _ in shapes])
        if len(inside) > 1:
            notes = (
                f"{len(inside)} footprints lie over the position, nearly the same: "
                f"{footprints[number].where} was taken.",
            )
    else:
        number, notes = _beside(footprints, [shape for shape, _ in shapes], away_m, beside_m)
    shape, repaired = shapes[number]
    if shape.geom_type != "Polygon":
        parts = sorted(shapely.get_parts(shape), key=lambda p: shapely.distance(p, shapely.Point(0.0, 0.0)))
        shape = parts[0]
        notes = (
            *notes,
            f'"{footprints[number].name}" has {len(parts)} parts; the one at the position was taken.',
        )
    rings = shapely.orient_polygons(shape)
    own = replace(
        footprints[number],
        outline_m=_open_ring(rings.exterior),
        holes_m=tuple(_open_ring(ring) for ring in rings.interiors),
    )
    place = next(i for i, one in enumerate(everything) if one is footprints[number])
    return OwnBuilding(place, own, (*repaired, *notes, *_touching(number, own, footprints, shapes, shape)))


def _only_part(footprint: Footprint) -> bool:
    return bool(footprint.tags.get("building:part")) and not footprint.tags.get("building")


def _one_of(inside: Sequence[int], footprints: Sequence[Footprint], shapes: Sequence[Any]) -> int:
    """Of footprints over the position the largest, where they are nearly the same or one holds the other."""
    import shapely

    largest = max(inside, key=lambda i: (shapes[i].area, -i))
    for other in inside:
        common = shapely.intersection(shapes[other], shapes[largest]).area
        if common < _SAME_SHARE * shapes[other].area:
            raise InputError(
                f"the position lies in two buildings, {footprints[largest].where} and {footprints[other].where}.",
                where="footprints",
                mend="Move it to where only one of them is.",
            )
    return largest


def _far(nearest: Footprint, away_m: float, beside_m: float) -> InputError:
    return InputError(
        f"no building within {beside_m:g} m of the position; the nearest is {away_m:,.0f} m away ({nearest.where}).",
        where="footprints",
        mend="Give a position inside the building, or footprints of the right place.",
    )


def _beside(
    footprints: Sequence[Footprint], shapes: Sequence[Any], away_m: Floats, beside_m: float
) -> tuple[int, tuple[str, ...]]:
    """The nearest building, where it is near and no other is about as near."""
    order = np.argsort(away_m, kind="stable")
    first = int(order[0])
    if away_m[first] > beside_m:
        raise _far(footprints[first], float(away_m[first]), beside_m)
    for second in order[1:].tolist():
        if away_m[second] > max(1.5 * away_m[first], away_m[first] + 2.0):
            break
        if shapes[second].intersection(shapes[first]).area > _SAME_SHARE * shapes[second].area:
            continue
        raise InputError(
            f"the position lies in no building, {away_m[first]:.1f} m from {footprints[first].where} and "
            f"{away_m[second]:.1f} m from {footprints[second].where}.",
            where="footprints",
            mend="Give a position inside the building that is meant.",
        )
    name = footprints[first].name
    note = f'The position lies {away_m[first]:.1f} m beside "{name}", which was taken as the site\'s own building.'
    return first, (note,)


def _touching(
    number: int,
    own: Footprint,
    footprints: Sequence[Footprint],
    shapes: Sequence[tuple[Any, Any]],
    shape: Any,
) -> tuple[str, ...]:
    """What there is to say about buildings that share a wall of a metre and more with the own one."""
    import shapely

    near = shape.buffer(_TOUCH_M)
    found = []
    for i, (other, _) in enumerate(shapes):
        if i == number or _only_part(footprints[i]) or not shapely.intersects(near, other):
            continue
        if shapely.intersection(other, shape).area > _SAME_SHARE * min(other.area, shape.area):
            continue  # the same building again
        if shapely.intersection(other.boundary, near).length > 1.0:
            found.append(f'"{footprints[i].name}"')
    if not found:
        return ()
    named = ", ".join(sorted(found)[:4]) + (" and others" if len(found) > 4 else "")
    return (f'"{own.name}" touches {named}: its roof is taken to end at the common wall.',)

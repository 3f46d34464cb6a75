"""Obstacles from vector files (GeoJSON, GeoPackage, Shapefile, FlatGeobuf, GeoParquet), in the plan of the site."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.extraction.building_tags import COMPASS_POINTS, LEVEL_HEIGHT_M
from skysill.geodesy.positions import plan_offset
from skysill.io.geojson import epsg_of, feature_fault, features_of, geometry_parts, parse_json
from skysill.io.obstacle_schema import HEIGHTS, NUMBERS, Feature, Ground, RoofTags, obstacles_of
from skysill.io.text import printable, quoted, read_number, read_text
from skysill.io.vector_files import Layer, read_layers, split_layer
from skysill.model.default_errors import OBSTACLE
from skysill.model.obstacles import Obstacle
from skysill.model.site import ROOF_FORMS
from skysill.units import Floats

__all__ = ["LEVEL_HEIGHT_M", "VectorFeature", "placed_features", "read_features", "read_obstacles"]


def read_obstacles(
    path: str | Path, *, latitude_deg: float, longitude_deg: float, ground: Ground
) -> tuple[Obstacle, ...]:
    """Every obstacle of a GeoJSON file (RFC 7946), a GeoPackage, Shapefile, FlatGeobuf or GeoParquet.

    Parameters
    ----------
    latitude_deg, longitude_deg : the site's origin
    ground : what the obstacles stand on

    Raises
    ------
    InputError : unreadable, no coordinate system, a feature without geometry or height; names file and feature
    """
    features = [
        feature
        for given in read_features(path)
        for feature in placed_features(given, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    ]
    return obstacles_of(features, ground)


@dataclass(frozen=True, slots=True)
class VectorFeature:
    """A feature of a vector file. geometry : GeoJSON object in WGS 84 degrees, longitude first."""

    where: str
    geometry: Any
    properties: dict[str, Any]


def placed_features(given: VectorFeature, *, latitude_deg: float, longitude_deg: float) -> list[Feature]:
    """Every single geometry of a feature as an obstacle in the plan of a site, with the feature's attributes.

    Raises
    ------
    InputError : no geometry, a coordinate or an attribute that cannot be read; names the feature
    """
    attributes = _attributes(dict(given.properties), given.where)
    where = attributes.pop("where")
    found = []
    for shape, points, holes in geometry_parts(given.geometry, where):
        parts_m = [_plan_m(part, latitude_deg, longitude_deg, where) for part in (points, *holes)]
        parts_m, notes = _without_unused_z(parts_m, attributes)
        more = {**attributes, "notes": (*attributes["notes"], *notes)}
        found.append(
            Feature(where=where, shape=shape, points_m=parts_m[0], holes_m=tuple(parts_m[1:]), **more)
        )
    return found


def read_features(path: str | Path) -> list[VectorFeature]:
    """Every feature of a vector file, or of one layer of it (FILE:LAYER), in WGS 84 degrees, longitude first.

    Raises
    ------
    InputError : no such file or layer, a format that is not known, damaged, cut short
    """
    place, layer = split_layer(path)
    if place.suffix.lower() in (".geojson", ".json"):
        if layer is not None:
            raise InputError("has no layers.", where=str(place), mend=f"Leave out {quoted(':' + layer)}.")
        return _read_geojson(place)
    return [given for one in read_layers(path) for given in _layer_features(one)]


def _read_geojson(path: Path) -> list[VectorFeature]:
    shown = str(path)
    document = parse_json(read_text(path), shown)
    found = []
    for number, feature in enumerate(features_of(document, shown), start=1):
        fault = feature_fault(feature)
        if fault is not None:
            raise InputError(fault, where=f"{shown}, feature {number}")
        found.append(
            VectorFeature(
                f"{shown}, feature {number}", feature.get("geometry"), dict(feature.get("properties") or {})
            )
        )
    epsg = epsg_of(document, shown)
    return found if epsg is None else [_to_degrees(given, epsg, shown) for given in found]


def _to_degrees(given: VectorFeature, epsg: int, shown: str) -> VectorFeature:
    """The feature in WGS 84 degrees, from a file in another coordinate system."""
    import shapely
    import shapely.geometry
    from pyproj.exceptions import ProjError

    for _ in geometry_parts(given.geometry, given.where):
        pass
    try:
        shape = shapely.geometry.shape(given.geometry)
        turned = shapely.transform(shape, _to_wgs84(f"EPSG:{epsg}"), include_z=bool(shape.has_z))
    except ProjError:
        raise InputError(f"EPSG:{epsg} is not known.", where=f"{shown}, crs") from None
    except (ValueError, TypeError, shapely.errors.ShapelyError):
        raise InputError("has no geometry that can be read.", where=given.where) from None
    return replace(given, geometry=_as_geojson(turned))


def _to_wgs84(crs: str) -> Callable[[Floats], Floats]:
    """Function from x, y (and elevation) of a coordinate system to degrees, longitude first."""
    from pyproj import Transformer

    to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)

    def turned(points: Floats) -> Floats:
        longitude_deg, latitude_deg = to_degrees.transform(points[:, 0], points[:, 1])
        return np.column_stack([longitude_deg, latitude_deg, *points.T[2:]])

    return turned


def _as_geojson(shape: Any) -> Any:
    """A geometry as a GeoJSON object, made of lists."""
    import shapely.geometry

    def listed(node: Any) -> Any:
        return [listed(one) for one in node] if isinstance(node, tuple | list) else node

    mapping = dict(shapely.geometry.mapping(shape))
    if "geometries" in mapping:
        return {"type": mapping["type"], "geometries": [_as_geojson(one) for one in shape.geoms]}
    return {"type": mapping["type"], "coordinates": listed(mapping["coordinates"])}


def _layer_features(layer: Layer) -> Iterator[VectorFeature]:
    import shapely
    from pyproj.exceptions import ProjError

    try:
        to_degrees = _to_wgs84(layer.crs)
    except ProjError:
        raise InputError("its coordinate system is not known.", where=layer.where) from None
    for row, shape in enumerate(layer.shapes):
        where = f"{layer.where}, feature {row + 1}"
        geometry = None
        if shape is not None and not shape.is_empty:
            turned = shapely.transform(shape, to_degrees, include_z=bool(shape.has_z))
            geometry = _as_geojson(turned)
        values = {label: column[row] for label, column in zip(layer.fields, layer.columns, strict=True)}
        present = {label: value for label, value in values.items() if not _absent(value)}
        yield VectorFeature(where, geometry, present)


def _absent(value: Any) -> bool:
    return value is None or (isinstance(value, float | np.floating) and math.isnan(value))


def _plan_m(points: Any, latitude_deg: float, longitude_deg: float, where: str) -> Floats:
    try:
        least = min(len(point) for point in points)
        array = np.array([point[: min(least, 3)] for point in points], dtype=np.float64)
        if array.ndim != 2 or array.shape[1] < 2 or not np.isfinite(array).all():
            raise ValueError
    except (TypeError, ValueError):
        raise InputError("has a coordinate that is not a number.", where=where) from None
    if np.abs(array[:, 0]).max() > 180.0 or np.abs(array[:, 1]).max() > 90.0:
        raise InputError(
            "has coordinates that are not longitude and latitude.",
            where=where,
            mend="GeoJSON is WGS 84 degrees, longitude first; save it so.",
        )
    east_m, north_m = plan_offset(latitude_deg, longitude_deg, array[:, 1], array[:, 0])
    away_m = float(np.hypot(east_m, north_m).max())
    swapped = (
        np.abs(array[:, 0] - latitude_deg).max() < 0.5 and np.abs(array[:, 1] - longitude_deg).max() < 0.5
    )
    if away_m > 20_000.0:
        raise InputError(
            f"lies {away_m / 1000.0:,.0f} km from the site.",
            where=where,
            mend="GeoJSON puts longitude first: are they swapped?" if swapped else "Is it the right file?",
        )
    return np.column_stack([east_m, north_m, *array.T[2:]])


def _without_unused_z(
    parts_m: list[Floats], attributes: Mapping[str, Any]
) -> tuple[list[Floats], tuple[str, ...]]:
    """The vertices without their elevations, where these are all zero or the feature has a height too."""
    if parts_m[0].shape[1] == 2:
        return parts_m, ()
    height = set(HEIGHTS) & set(attributes["numbers"])
    if not any(part[:, 2:].any() for part in parts_m):
        return [part[:, :2] for part in parts_m], ()
    if height:
        note = "Elevations of vertices were ignored where a feature has a height of its own."
        return [part[:, :2] for part in parts_m], (note,)
    return parts_m, ()


# --- attributes of a feature -------------------------------------------------------------------------------------


def _attributes(properties: dict[str, Any], where: str) -> dict[str, Any]:
    """Fields of `Feature` from the properties that this program names, else from open-data tags."""
    tags = properties.pop("tags", None)
    if isinstance(tags, dict):
        properties = {**tags, **properties}
    name = properties.get("name")
    where = f"{where} ({quoted(name)})" if name else where
    numbers = {}
    for label in NUMBERS:
        value = properties.get(label)
        if not _absent(value) and value != "":
            numbers[label] = _number(value, label, where)
    notes: tuple[str, ...] = ()
    origin = "file"
    if not set(HEIGHTS) & set(numbers):
        height_m, notes = _tagged_height(properties, str(name or "a footprint"), where)
        if height_m is not None:
            numbers["height_m"] = height_m
            origin = "file" if not _absent(properties.get("height")) else "storeys"
    if "crown_radius_m" not in numbers and properties.get("diameter_crown"):
        numbers["crown_radius_m"] = (
            _tagged_metres(properties["diameter_crown"], "diameter_crown", where) / 2.0
        )
    if "voltage_kv" not in numbers and not _absent(properties.get("voltage")) and properties["voltage"] != "":
        numbers["voltage_kv"] = _tagged_kilovolts(properties["voltage"], where)
    kind = properties.get("kind")
    return {
        "where": where,
        "name": printable(str(name)).strip() or None if name else None,
        "kind": str(kind).strip().lower() if kind else _tagged_kind(properties),
        "crown": str(properties["crown"]) if properties.get("crown") else None,
        "deciduous": _is_true(properties.get("deciduous")) or properties.get("leaf_cycle") == "deciduous",
        "numbers": numbers,
        "notes": notes,
        "errors": OBSTACLE[origin],
        "roof": _tagged_roof(properties, where),
    }


def _tagged_roof(properties: Mapping[str, Any], where: str) -> RoofTags | None:
    """roof:shape with its height and direction; None where there is no roof:shape or its form is not supported."""

    def tag(name: str) -> Any:
        value = properties.get(f"roof:{name}", properties.get(f"roof_{name}"))
        return None if _absent(value) or value == "" else value

    form, height, direction = tag("shape"), tag("height"), tag("direction")
    if form is None or str(form).strip().lower() not in ROOF_FORMS:
        return None
    compass_point = str(direction).strip().upper()
    if direction is None:
        direction_deg = None
    elif compass_point in COMPASS_POINTS:
        direction_deg = 22.5 * COMPASS_POINTS.index(compass_point)
    else:
        direction_deg = _number(direction, "roof:direction", where)
    height_m = None if height is None else _tagged_metres(height, "roof:height", where)
    return RoofTags(str(form).strip().lower(), height_m, direction_deg)


def _is_true(value: Any) -> bool:
    return str(value).strip().lower() in ("true", "yes", "1", "1.0")


def _number(value: Any, label: str, where: str) -> float:
    try:
        if isinstance(value, bool):
            raise ValueError(f"{quoted(value)} is not a number.")
        number = float(value) if isinstance(value, int | float | np.number) else read_number(str(value))
        if not math.isfinite(number):
            raise ValueError(f"{quoted(value)} is not a finite number.")
    except ValueError as fault:
        raise InputError(str(fault), where=f"{where}, {label}") from None
    return number


def _tagged_metres(value: Any, label: str, where: str) -> float:
    """A length as open data writes it: metres, with or without the unit, or feet and inches."""
    text = str(value).strip().lower()
    feet = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(?:'|ft|feet)\s*(?:(\d+(?:\.\d+)?)\s*(?:\"|in))?", text)
    if feet:
        return float(feet[1]) * 0.3048 + float(feet[2] or 0.0) * 0.0254
    return _number(re.sub(r"\s*(m|metres?|meters?)$", "", text), label, where)


def _tagged_kilovolts(value: Any, where: str) -> float:
    """A voltage as open data writes it: volts, the highest of several separated by semicolons."""
    return max(_number(part, "voltage", where) for part in str(value).split(";")) / 1000.0


def _tagged_height(
    properties: Mapping[str, Any], name: str, where: str
) -> tuple[float | None, tuple[str, ...]]:
    if not _absent(properties.get("height")) and properties["height"] != "":
        height_m = _tagged_metres(properties["height"], "height", where)
        return height_m, ("Heights of obstacles were taken from open-data tags where no height_m was given.",)
    levels = properties.get("building:levels", properties.get("building_levels"))
    if _absent(levels) or levels == "":
        return None, ()
    count = _number(levels, "building:levels", where)
    roof = properties.get("roof:height", properties.get("roof_height"))
    roof_m = 0.0 if _absent(roof) or roof == "" else _tagged_metres(roof, "roof:height", where)
    height_m = count * LEVEL_HEIGHT_M + roof_m
    above = f" and a roof of {roof_m:g} m" if roof_m else ""
    note = f'"{name}" has no height; {count:g} levels of {LEVEL_HEIGHT_M:g} m{above} were assumed, {height_m:g} m.'
    return height_m, (note,)


_TAGGED = (
    ("natural", {"tree": "tree", "wood": "wood", "tree_row": "hedge"}),
    ("power", {"line": "wire", "minor_line": "wire", "pole": "pole", "tower": "mast"}),
    (
        "barrier",
        {"wall": "wall", "hedge": "hedge", "fence": "fence", "city_wall": "wall", "retaining_wall": "wall"},
    ),
    ("man_made", {"mast": "mast", "chimney": "chimney", "tower": "mast", "utility_pole": "pole"}),
)


def _tagged_kind(properties: Mapping[str, Any]) -> str | None:
    if properties.get("building") or properties.get("building:part"):
        return "building"
    for key, kinds in _TAGGED:
        if properties.get(key) in kinds:
            return kinds[properties[key]]
    return None

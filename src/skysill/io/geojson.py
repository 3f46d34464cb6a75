"""GeoJSON (RFC 7946), read strictly: repeated keys, unclosed rings and incomplete features are refused."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from typing import Any

from skysill.errors import InputError
from skysill.io.text import quoted

__all__ = [
    "MOST_FEATURES",
    "MOST_POSITIONS",
    "Part",
    "epsg_of",
    "feature_fault",
    "features_of",
    "geometry_parts",
    "parse_json",
]

MOST_FEATURES = 5_000_000
MOST_POSITIONS = 1_000_000
"""Positions of one feature."""

Part = tuple[str, list[Any], list[Any]]
"""("point", "line" or "area"; positions, of areas those of the outer ring; rings of holes)."""

_KINDS = {"Point": "point", "LineString": "line", "Polygon": "area"}


class Repeated(dict[str, Any]):
    """An object of a JSON text that has a key twice; `key` is that key."""

    key = ""


def parse_json(text: str, where: str) -> Any:
    """The value of a JSON document (RFC 8259); objects with a key twice are returned as `Repeated`.

    Raises
    ------
    InputError : not JSON, truncated, nested too deeply, NaN or Infinity for a number
    """

    def with_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) == len(pairs):
            return found
        marked = Repeated(found)
        names = [name for name, _ in pairs]
        marked.key = next(name for name in names if names.count(name) > 1)
        return marked

    def refuse_constant(word: str) -> Any:
        raise InputError(
            f"holds {word}, which is no JSON.", where=where, mend="Leave the value out, or give a number."
        )

    if not text.strip():
        raise InputError("is empty.", where=where)
    try:
        return json.loads(text, object_pairs_hook=with_repeats, parse_constant=refuse_constant)
    except json.JSONDecodeError as fault:
        raise InputError(
            "is not JSON.", where=f"{where}, row {fault.lineno}", mend="Is the file complete?"
        ) from None
    except RecursionError:
        raise InputError("is nested too deeply.", where=where) from None
    except ValueError:  # a number of thousands of digits
        raise InputError("is not JSON that can be read: a number is too long.", where=where) from None


def features_of(document: Any, where: str) -> list[Any]:
    """The features of a parsed document, each still to be checked.

    Raises
    ------
    InputError : no GeoJSON, no FeatureCollection, more than MOST_FEATURES
    """
    if not isinstance(document, dict):
        raise InputError("is not GeoJSON.", where=where, mend="It begins with a FeatureCollection.")
    if isinstance(document, Repeated):
        raise InputError(f"has {quoted(document.key)} twice.", where=where, mend="Keep one of the two.")
    kind = document.get("type")
    found = (
        document.get("features") if kind == "FeatureCollection" else [document] if kind == "Feature" else None
    )
    if not isinstance(found, list):
        raise InputError("is not a GeoJSON FeatureCollection.", where=where)
    if len(found) > MOST_FEATURES:
        raise InputError(f"holds more than {MOST_FEATURES:,} features.", where=where)
    return found


def feature_fault(feature: Any) -> str | None:
    """A sentence about what is wrong with a feature as an object; None if nothing is."""
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        return "is not a GeoJSON feature."
    if not isinstance(feature.get("properties") or {}, dict):
        return "has properties that are no object."
    repeated = _repeated(feature)
    return None if repeated is None else f"has {quoted(repeated)} twice."


def _repeated(node: Any) -> str | None:
    """A key that occurs twice in some object inside, None if there is none."""
    stack = [node]
    while stack:
        here = stack.pop()
        if isinstance(here, Repeated):
            return here.key
        if isinstance(here, dict):
            stack.extend(value for value in here.values() if isinstance(value, dict | list))
        elif here and isinstance(here[0], dict):  # lists of numbers and of lists of numbers hold no keys
            stack.extend(value for value in here if isinstance(value, dict | list))
    return None


def epsg_of(document: dict[str, Any], where: str) -> int | None:
    """EPSG number of the coordinate system that an older file names; None for WGS 84 degrees, longitude first.

    Raises
    ------
    InputError : a link to a description elsewhere, or a name that is not known
    """
    crs = document.get("crs")
    if crs is None:
        return None
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = properties.get("name") if isinstance(properties, dict) and crs.get("type") == "name" else None
    mend = "Save it in WGS 84 degrees, as GeoJSON is, and leave crs out."
    if not isinstance(name, str):
        raise InputError(
            "its coordinate system is a link, which is not followed.", where=f"{where}, crs", mend=mend
        )
    if re.fullmatch(r"(urn:ogc:def:crs:)?OGC:(1\.3|2)?:?CRS84h?", name, re.IGNORECASE):
        return None
    found = re.fullmatch(r"(?:urn:ogc:def:crs:)?EPSG:(?:[\d.]*:)?(\d{4,6})", name, re.IGNORECASE)
    if found is None:
        raise InputError(
            f"its coordinate system {quoted(name)} is not known.", where=f"{where}, crs", mend=mend
        )
    return None if found[1] == "4326" else int(found[1])


def geometry_parts(geometry: Any, where: str) -> Iterator[Part]:
    """Every single geometry of a feature, after checking it.

    Raises
    ------
    InputError : none or empty, points and areas mixed, a ring that is not closed, an invalid position
    """
    yield from _parts(geometry, where, inside=False)


def _parts(geometry: Any, where: str, *, inside: bool) -> Iterator[Part]:
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    mend = "Draw it, or take the feature out."
    if kind is None:
        raise InputError("has no geometry.", where=where, mend=mend)
    if kind == "GeometryCollection":
        inner = geometry.get("geometries")
        if inside or not isinstance(inner, list) or not inner:
            raise InputError(
                "has a collection of geometries that is empty or nested.", where=where, mend=mend
            )
        found = [part for one in inner for part in _parts(one, where, inside=True)]
        if len({part[0] for part in found}) > 1:
            raise InputError(
                "mixes points, lines and areas.", where=where, mend="Make each a feature of its own."
            )
        yield from found
        return
    shape = _KINDS.get(str(kind).removeprefix("Multi"))
    if shape is None:
        raise InputError(f"{quoted(kind)} is no geometry that can be read.", where=where)
    coordinates = geometry.get("coordinates")
    singles = coordinates if str(kind).startswith("Multi") else [coordinates]
    if not isinstance(singles, list) or not singles:
        raise InputError("has no geometry.", where=where, mend=mend)
    sizes: set[int] = set()
    for single in singles:
        if not isinstance(single, list) or not single:
            raise InputError("has no geometry.", where=where, mend=mend)
        yield _part(shape, single, where, sizes)


def _part(shape: str, single: list[Any], where: str, sizes: set[int]) -> Part:
    """One point, line or area, after checking its positions. sizes : numbers of coordinates found so far"""
    if shape == "point":
        _check_positions([single], where, sizes)
        return "point", [single], []
    if shape == "line":
        _check_positions(single, where, sizes)
        if len(single) < 2:
            mend = "Draw it, or take the feature out."
            raise InputError("has a line of one point.", where=where, mend=mend)
        return "line", single, []
    for ring in single:
        _check_ring(ring, where, sizes)
    return "area", single[0], list(single[1:])


def _check_ring(ring: Any, where: str, sizes: set[int]) -> None:
    """RFC 7946, section 3.1.6: four or more positions, the last the same as the first."""
    if not isinstance(ring, list) or not ring:
        raise InputError("has no geometry.", where=where, mend="Draw it, or take the feature out.")
    _check_positions(ring, where, sizes)
    if len(ring) < 4 or ring[0] != ring[-1]:
        raise InputError(
            "has an outline that is not closed, or has under three corners.",
            where=where,
            mend="Its last point is the same as its first: was something cut off?",
        )


def _check_positions(positions: Any, where: str, sizes: set[int]) -> None:
    if not isinstance(positions, list) or len(positions) > MOST_POSITIONS:
        raise InputError(f"has no geometry, or one of more than {MOST_POSITIONS:,} points.", where=where)
    for position in positions:
        good = isinstance(position, list) and len(position) >= 2 and all(map(_is_number, position))
        if not good:
            raise InputError("has a coordinate that is not a number.", where=where)
        sizes.add(min(len(position), 3))
    if len(sizes) > 1:
        raise InputError("has points with an elevation and points without one.", where=where,
                         mend="Give all of them one, or none.")  # fmt: skip


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False

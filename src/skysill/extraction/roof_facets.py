"""Facets as found planes: parts without data cut out, holes cut through, common corners at one elevation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from skysill.extraction.found import FoundPlane
from skysill.extraction.plane_fit import PlaneFit
from skysill.units import Floats, Ints

__all__ = ["cut_facets", "found_planes", "polygons_of", "unsupported"]

_SNAP_M = 0.06
_UNKNOWN_M2 = 2.0


def polygons_of(shape: Any) -> list[Any]:
    import shapely

    return [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 1e-3]


def unsupported(
    facets: Sequence[tuple[int, Any]],
    points: Floats,
    label: Ints,
    standing: Sequence[Any],
    parapets: Sequence[Any],
    spacing_m: float,
) -> Any:
    """Parts of 2 m2 and more that lie far from every sample of their own plane, and under nothing found."""
    import shapely

    reach = max(1.0, 2.2 * spacing_m)
    over = [shapely.Polygon(one.outline_m).buffer(0.5 * reach, join_style="mitre") for one in standing]
    over += [
        shapely.LineString([p[:2] for p in one.line_m]).buffer(reach, cap_style="square") for one in parapets
    ]
    found = []
    for number, facet in facets:
        mine = shapely.buffer(shapely.points(points[label == number, :2]), reach, quad_segs=2)
        rest = shapely.difference(facet, shapely.union_all([*mine, *over]))
        # what is left lies `reach` away from the samples; it is given back half of that all round
        found += [
            shapely.intersection(part.buffer(0.5 * reach, join_style="mitre"), facet)
            for part in polygons_of(rest)
            if part.area > 0.2
        ]
    whole = shapely.union_all(found) if found else shapely.Polygon()
    return shapely.union_all([part for part in polygons_of(whole) if part.area >= _UNKNOWN_M2])


def cut_facets(facets: Sequence[tuple[int, Any]], unknown: Any) -> list[tuple[int, Any]]:
    """Facets without the unknown parts, and without holes."""
    import shapely

    found = []
    for number, facet in facets:
        left = facet if unknown.is_empty else shapely.difference(facet, unknown)
        for part in polygons_of(left):
            found += [(number, piece) for piece in _without_holes(part)]
    return found


def _without_holes(polygon: Any) -> list[Any]:
    """A polygon cut along north-south lines through its holes, until no piece has one."""
    import shapely

    if not len(polygon.interiors):
        return [polygon]
    west, south, east, north = polygon.bounds
    at = shapely.get_x(shapely.centroid(shapely.Polygon(polygon.interiors[0])))
    halves = [
        shapely.box(west - 1.0, south - 1.0, at, north + 1.0),
        shapely.box(at, south - 1.0, east + 1.0, north + 1.0),
    ]
    cut = [part for half in halves for part in polygons_of(shapely.intersection(polygon, half))]
    return [piece for part in cut for piece in _without_holes(part)]


def found_planes(
    facets: Sequence[tuple[int, Any]], planes: Sequence[PlaneFit], label: Ints
) -> tuple[FoundPlane, ...]:
    """Facets with elevations; corners that several share get the mean elevation where they differ by under 6 cm."""
    import shapely

    rings = [shapely.get_coordinates(shapely.orient_polygons(facet).exterior)[:-1] for _, facet in facets]
    levels: dict[tuple[float, float], list[float]] = {}
    for (number, _), ring in zip(facets, rings, strict=True):
        for place, up in zip(ring, planes[number].at(ring), strict=True):
            levels.setdefault(_key(place), []).append(float(up))
    found = []
    for (number, _), ring in zip(facets, rings, strict=True):
        fit = planes[number]
        z = fit.at(ring)
        for index, place in enumerate(ring):
            alike = [up for up in levels[_key(place)] if abs(up - z[index]) < _SNAP_M]
            z[index] = float(np.mean(alike))
        corners = tuple((float(p[0]), float(p[1]), float(up)) for p, up in zip(ring, z, strict=True))
        found.append(
            FoundPlane(
                corners,
                fit.slope_east,
                fit.slope_north,
                (float(fit.centre_m[0]), float(fit.centre_m[1]), fit.elevation_m),
                fit.residual_rms_m,
                int(np.count_nonzero(label == number)),
                float(fit.error_at(ring).max()),
            )
        )
    return tuple(found)


def _key(place: Floats) -> tuple[float, float]:
    return round(float(place[0]), 3), round(float(place[1]), 3)

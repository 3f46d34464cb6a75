"""A roof's planes, lines and what stands on them, from points or from a surface raster within a footprint."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.extraction.found import FoundPlane, FoundRoof, Point2, Ring2, SurveyData
from skysill.extraction.plane_fit import PlaneFit
from skysill.extraction.plane_segments import NEIGHBOURS, Segments, segment_planes
from skysill.extraction.roof_partition import partition_footprint, roof_lines, wall_directions
from skysill.extraction.standing_off import SampleErrors, dormer_planes, find_parapets, find_standing_off
from skysill.units import Bools, Floats, Ints

__all__ = ["COARSEST_CELL_M", "roof_from_points", "roof_from_surface"]

COARSEST_CELL_M = 1.0
"""Cells larger than this show no plane of a house that could be believed."""

_LEAST_SAMPLES = 9
_LEAST_AREA_M2 = 1.5
_LEAST_HEIGHT_M = 1.8
"""Samples less than this above the ground are no roof."""

_MOST_SAMPLES = 12_000
_SNAP_M = 0.06
_UNKNOWN_M2 = 2.0
_SEED = 20260614


def roof_from_points(
    points_m: ArrayLike,
    outline_m: ArrayLike,
    *,
    data: SurveyData,
    holes_m: Sequence[ArrayLike] = (),
    ground_elevation_m: float | None = None,
) -> FoundRoof:
    """The roof over a footprint from scattered points.

    Parameters
    ----------
    points_m : (n, 3) east, north, elevation; those outside the footprint are passed over
    outline_m, holes_m : rings (vertex, 2) of the footprint
    data : origin and errors of the points
    ground_elevation_m : of the ground around the house; points less than 1.8 m above it are no roof. None: the lowest
        twentieth of all points given, inside and out, if that lies 1.8 m and more below most of those inside

    Returns
    -------
    FoundRoof : its planes fill the footprint except where the samples carry none (`unknown_m`)

    Raises
    ------
    InputError : a footprint that crosses itself or encloses nothing; points that are not (n, 3)
    """
    footprint = _footprint(outline_m, holes_m)
    points = np.asarray(points_m, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3:
        raise InputError("points are not of east, north and elevation.", where="points")
    points = points[np.isfinite(points).all(axis=1)]
    return _roof(points, footprint, data, ground_elevation_m, NEIGHBOURS)


def roof_from_surface(
    east_m: ArrayLike,
    north_m: ArrayLike,
    surface_m: ArrayLike,
    outline_m: ArrayLike,
    *,
    cell_m: float,
    data: SurveyData,
    holes_m: Sequence[ArrayLike] = (),
    ground_elevation_m: float | None = None,
) -> FoundRoof:
    """The roof over a footprint from a surface raster of 1 m or finer.

    Parameters
    ----------
    east_m, north_m : of the cells' centres in the site's frame, broadcast with surface_m
    surface_m : (row, col) elevations, nan where unknown
    cell_m : side of a cell

    Notes
    -----
    Cells that the footprint's sides run through hold roof and ground together; only cells whose centre is at least half
    a cell inside are used. A plane needs nine of them, so on 1 m cells small hips are not found, and the part that they
    would be is either taken for a neighbouring plane or left unknown.

    Raises
    ------
    InputError : cells over 1 m, arrays that do not fit together, a bad footprint
    """
    if not 0.0 < cell_m <= COARSEST_CELL_M:
        raise InputError(
            f"a raster of {cell_m:g} m cells shows no roof planes.",
            where="surface",
            mend=f"Give cells of {COARSEST_CELL_M:g} m or finer, or a laser scan.",
        )
    footprint = _footprint(outline_m, holes_m)
    try:
        east, north, surface = np.broadcast_arrays(
            *(np.asarray(values, dtype=np.float64) for values in (east_m, north_m, surface_m))
        )
    except ValueError:
        raise InputError("the raster's coordinates do not fit its cells.", where="surface") from None
    points = np.column_stack([east.ravel(), north.ravel(), surface.ravel()])
    points = points[np.isfinite(points).all(axis=1)]
    return _roof(points, footprint, replace(data, cell_m=cell_m), ground_elevation_m, 8)


def _footprint(outline_m: ArrayLike, holes_m: Sequence[ArrayLike]) -> Any:
    import shapely

    rings = [np.asarray(ring, dtype=np.float64) for ring in (outline_m, *holes_m)]
    if any(ring.ndim != 2 or ring.shape[1] < 2 or len(ring) < 3 for ring in rings):
        raise InputError("a footprint needs at least three corners of east and north.", where="footprint")
    if not all(np.isfinite(ring).all() for ring in rings):
        raise InputError("a corner of the footprint is not a number.", where="footprint")
    shape = shapely.Polygon(rings[0][:, :2], [ring[:, :2] for ring in rings[1:]])
    if not shape.is_valid or shape.area <= 0.0:
        why = shapely.is_valid_reason(shape).split("[")[0].lower()
        raise InputError(
            f"the footprint is not sound ({why}).", where="footprint", mend="Give its corners in order."
        )
    return shapely.orient_polygons(shapely.remove_repeated_points(shape, 1e-3))


@dataclass(frozen=True, slots=True, eq=False)
class _Samples:
    """Samples of the roof and what their distances are. points_m : (n, 3)."""

    points_m: Floats
    spacing_m: float
    notes: tuple[str, ...]


def _roof(
    points: Floats, footprint: Any, data: SurveyData, ground_elevation_m: float | None, neighbours: int
) -> FoundRoof:
    """The chain: samples, segments, parapets, things standing off, partition, lines, errors."""
    samples = _on_the_roof(points, footprint, data, ground_elevation_m)
    segments = segment_planes(
        samples.points_m,
        least_samples=_LEAST_SAMPLES,
        least_area_m2=_LEAST_AREA_M2,
        neighbours=neighbours,
    )
    errors = SampleErrors(
        segments.sigma_m if np.isfinite(segments.sigma_m) else 0.0,
        samples.spacing_m,
        data.vertical_error_m,
        float(np.hypot(data.horizontal_error_m, (data.cell_m or 0.0) / np.sqrt(12.0))),
    )
    outline = _ring(footprint.exterior)
    notes = (*samples.notes, *segments.rejected, *data.age_notes())
    if not segments.planes:
        said = "The data carry no plane of this roof: its surface is unknown."
        return FoundRoof(
            outline, (), errors.top_m, errors.place_m, unknown_m=(outline,), origin=data.origin,
            survey_year=data.survey_year, notes=(*notes, said),
        )  # fmt: skip
    points = samples.points_m
    parapets, raised = find_parapets(points, footprint, segments.planes, segments.label, errors)
    segments = _without(points, segments, footprint, samples.spacing_m, raised)
    label, planes = segments.label, segments.planes
    parted = partition_footprint(
        footprint, points, label, planes, sigma_m=segments.sigma_m, near=segments.neighbours
    )
    owner = _owner_at(parted.facets, points[:, :2])
    over = _over(points, owner, planes)
    standing = find_standing_off(
        points, over, (label < 0) & ~raised & (owner >= 0), segments.neighbours, owner, planes,
        wall_directions(footprint), errors,
    )  # fmt: skip
    unknown = _unsupported(footprint, points, label, standing, parapets, samples.spacing_m)
    facets = _less(parted.facets, unknown)
    lines = roof_lines(footprint, facets, planes)
    found = _found_planes(facets, planes, label)
    worst = max((plane.height_error_m for plane in found), default=0.0)
    if unknown.area > 0.0:
        notes = (
            *notes,
            f"{unknown.area:.0f} m2 of the footprint have no plane in the data; they are unknown.",
        )
    return FoundRoof(
        outline,
        found,
        float(np.hypot(data.vertical_error_m, worst)),
        float(np.hypot(data.horizontal_error_m, _line_error_m(planes))),
        ridges_m=lines.ridges,
        hips_m=lines.hips,
        valleys_m=lines.valleys,
        eaves_m=lines.eaves,
        steps_m=lines.steps,
        parapets=parapets,
        standing_off=standing,
        unknown_m=tuple(_ring(part.exterior) for part in _polygons(unknown)),
        origin=data.origin,
        survey_year=data.survey_year,
        notes=notes,
    )


def _on_the_roof(points: Floats, footprint: Any, data: SurveyData, ground_m: float | None) -> _Samples:
    """Samples over the footprint and high enough to be roof; a random part of very many."""
    import shapely

    inside_of = footprint if data.cell_m is None else footprint.buffer(-0.5 * data.cell_m, join_style="mitre")
    inside = shapely.contains_xy(inside_of, points[:, 0], points[:, 1]) if len(points) else np.zeros(0, bool)
    if ground_m is None and inside.any():
        low, most = np.quantile(points[:, 2], 0.05), np.median(points[inside, 2])
        ground_m = float(low) if most - low > _LEAST_HEIGHT_M else None
    if ground_m is not None:
        inside &= points[:, 2] > ground_m + _LEAST_HEIGHT_M
    found, notes = points[inside], ()
    if len(found) > _MOST_SAMPLES:
        chosen = np.random.default_rng(_SEED).choice(len(found), _MOST_SAMPLES, replace=False)
        found = found[np.sort(chosen)]
    spacing_m = float(np.sqrt(footprint.area / max(len(found), 1)))
    return _Samples(found, data.cell_m or spacing_m, notes)


def _without(points: Floats, segments: Segments, footprint: Any, spacing_m: float, raised: Bools) -> Segments:
    """The segments less parapets and dormers: their samples are on no plane then."""
    label = np.where(raised, -1, segments.label)
    standing = set(dormer_planes(points, replace(segments, label=label), footprint, spacing_m).tolist())
    counts = np.array([np.count_nonzero(label == k) for k in range(len(segments.planes))])
    gone = {k for k in range(len(segments.planes)) if k in standing or counts[k] < _LEAST_SAMPLES}
    if len(gone) == len(segments.planes):
        return replace(segments, label=label)
    kept = [k for k in range(len(segments.planes)) if k not in gone]
    number = np.full(len(segments.planes) + 1, -1, dtype=np.int64)
    number[kept] = np.arange(len(kept))
    return replace(segments, label=number[label], planes=tuple(segments.planes[k] for k in kept))


def _owner_at(facets: Sequence[tuple[int, Any]], plan: Floats) -> Ints:
    """(n,) the plane of the facet at each place, -1 outside all."""
    import shapely

    owner = np.full(len(plan), -1, dtype=np.int64)
    for number, facet in facets:
        owner[shapely.intersects_xy(facet, *plan.T)] = number
    return owner


def _over(points: Floats, owner: Ints, planes: Sequence[PlaneFit]) -> Floats:
    """(n,) height of each sample over the plane there; nan outside the facets."""
    over = np.full(len(points), np.nan)
    for number, fit in enumerate(planes):
        mine = owner == number
        over[mine] = points[mine, 2] - fit.at(points[mine, :2])
    return over


def _polygons(shape: Any) -> list[Any]:
    import shapely

    return [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 1e-3]


def _unsupported(
    footprint: Any,
    points: Floats,
    label: Ints,
    standing: Sequence[Any],
    parapets: Sequence[Any],
    spacing_m: float,
) -> Any:
    """Parts of the footprint of 2 m2 and more that lie far from every sample on a plane and under nothing found."""
    import shapely

    reach = max(1.0, 3.0 * spacing_m)
    on = label >= 0
    known = [shapely.union_all(shapely.buffer(shapely.points(points[on, :2]), reach, quad_segs=2))]
    known += [shapely.Polygon(one.outline_m).buffer(0.5 * reach, join_style="mitre") for one in standing]
    known += [
        shapely.LineString([p[:2] for p in one.line_m]).buffer(reach, cap_style="square") for one in parapets
    ]
    rest = shapely.difference(footprint, shapely.union_all(known))
    parts = [part for part in _polygons(rest) if part.area > 0.2]
    # what is left lies `reach` away from the samples; it is given back half of that all round
    wide = [shapely.intersection(part.buffer(0.5 * reach, join_style="mitre"), footprint) for part in parts]
    whole = shapely.union_all(wide) if wide else shapely.Polygon()
    return shapely.union_all([part for part in _polygons(whole) if part.area >= _UNKNOWN_M2])


def _less(facets: Sequence[tuple[int, Any]], unknown: Any) -> list[tuple[int, Any]]:
    """Facets without the unknown parts, and without holes."""
    import shapely

    found = []
    for number, facet in facets:
        left = facet if unknown.is_empty else shapely.difference(facet, unknown)
        for part in _polygons(left):
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
    cut = [part for half in halves for part in _polygons(shapely.intersection(polygon, half))]
    return [piece for part in cut for piece in _without_holes(part)]


def _found_planes(
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


def _line_error_m(planes: Sequence[PlaneFit]) -> float:
    """Largest standard error in plan of the lines where neighbouring planes meet: elevation error over the fold."""
    errors = []
    for i, one in enumerate(planes):
        for other in planes[i + 1 :]:
            fold = float(np.hypot(*(one.slope - other.slope)))
            if fold > 0.3:
                both = np.hypot(np.sqrt(one.covariance[0, 0]), np.sqrt(other.covariance[0, 0]))
                errors.append(2.0 * float(both) / fold)
    return max(errors, default=0.0)


def _ring(ring: Any) -> Ring2:
    import shapely

    points: list[Point2] = [(float(e), float(n)) for e, n in shapely.get_coordinates(ring)[:-1]]
    return tuple(points)

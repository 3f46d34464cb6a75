"""Planes and a footprint -> facets that fill it without gaps, and the lines where they meet or end.

Every pair of neighbouring planes gives a line: their intersection in plan, or, where one ends over the other, the
straight line that parts their samples best. These lines and the footprint's sides cut the footprint into cells; each
cell goes to the plane that its samples fit, boundaries where the planes do not meet being dear. So facets share their
edges exactly, and ridges, hips and valleys are where two planes have one elevation.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from skysill.extraction.plane_fit import PlaneFit
from skysill.units import Floats, Ints

__all__ = ["Partition", "RoofLines", "partition_footprint", "roof_lines"]

_PARALLEL = 0.05
"""Slopes (rise per metre) that differ by less have no line of intersection that can be believed."""

_STEP_M = 0.25
"""Neighbouring planes that differ by more than this at their common edge do not meet there."""

_LEVEL = 0.06
"""A line that rises by less than this per metre is level."""

_GRID_M = 1e-4
_ASIDE_M = 0.05
_SLIVER_M2 = 0.3
_SIMPLE_M = 0.07
"""Corners whose triangle is smaller than the square of this are left out: 1 cm on a metre."""

_MOST_LINES = 40
_BOUNDARY_COST = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Partition:
    """facets : (number of the plane, polygon in plan) that together fill the footprint."""

    facets: tuple[tuple[int, Any], ...]


@dataclass(frozen=True, slots=True)
class RoofLines:
    """Lines of (east, north, elevation); `steps` as the upper plane's edge."""

    ridges: tuple[tuple[tuple[float, float, float], ...], ...] = field(default=())
    hips: tuple[tuple[tuple[float, float, float], ...], ...] = field(default=())
    valleys: tuple[tuple[tuple[float, float, float], ...], ...] = field(default=())
    eaves: tuple[tuple[tuple[float, float, float], ...], ...] = field(default=())
    steps: tuple[tuple[tuple[float, float, float], ...], ...] = field(default=())


def partition_footprint(
    footprint: Any, points_m: Floats, label: Ints, planes: Sequence[PlaneFit], *, sigma_m: float, near: Ints
) -> Partition:
    """The footprint cut into one or more facets for each plane.

    Parameters
    ----------
    footprint : shapely Polygon in plan
    points_m : (n, 3); label : (n,) the plane of each, negative for none; near : (n, k) their neighbours
    sigma_m : standard deviation of the samples
    """
    import shapely

    if not planes:
        return Partition(())
    if len(planes) == 1:
        return Partition(((0, footprint),))
    spacing_m = _spacing_m(points_m[:, :2], near)
    lines = _cutting_lines(footprint, points_m, label, planes, near, spacing_m)
    noded = shapely.union_all([footprint.boundary, *lines], grid_size=_GRID_M)
    cells = np.array([
        cell for cell in shapely.get_parts(shapely.polygonize([noded]))
        if shapely.contains(footprint.buffer(_GRID_M), cell.representative_point())
    ])  # fmt: skip
    owner = _owners(cells, points_m, label, planes, sigma_m, spacing_m)
    return Partition(_facets(cells, owner, points_m, label))


def _spacing_m(plan: Floats, near: Ints) -> float:
    """Typical distance between samples: root of the plan area per sample."""
    at = min(7, near.shape[1] - 1)
    return float(np.median(np.hypot(*(plan[near[:, at]] - plan).T)) * np.sqrt(np.pi / (at + 1.5)))


def _cutting_lines(
    footprint: Any, points: Floats, label: Ints, planes: Sequence[PlaneFit], near: Ints, spacing_m: float
) -> list[Any]:
    """Lines through the whole footprint along which two neighbouring planes meet or part."""
    here = np.repeat(np.arange(len(points)), near.shape[1])
    there = near.ravel()
    one, other = label[here], label[there]
    found: list[tuple[int, Any]] = []
    for i, j in itertools.combinations(range(len(planes)), 2):
        cross = ((one == i) & (other == j)) | ((one == j) & (other == i))
        count = int(np.count_nonzero(cross))
        if count < 2:
            continue
        middle = (points[here[cross], :2] + points[there[cross], :2]) / 2.0
        turn = planes[i].slope - planes[j].slope
        steep = float(np.hypot(*turn))
        if steep > _PARALLEL:
            offset = (middle @ turn + planes[i].level_m - planes[j].level_m) / steep
            close = np.abs(offset) < max(0.5, 1.5 * spacing_m)
            if close.mean() > 0.25:
                normal = turn / steep
                along_m = -(planes[i].level_m - planes[j].level_m) / steep
                found.append((count, _through(footprint, normal, along_m)))
            if close.mean() > 0.6:
                continue
            middle = middle[~close]
        parting = _parting_line(footprint, points, label, (i, j), middle, spacing_m)
        if parting is not None:
            found.append((count, _through(footprint, *parting)))
    found.sort(key=lambda one: -one[0])
    return [line for _, line in found[:_MOST_LINES]]


def _through(footprint: Any, normal: Floats, along_m: float) -> Any:
    """The straight line normal . p = along_m, as far as it runs through the footprint."""
    import shapely

    west, south, east, north = footprint.bounds
    middle = np.array([(west + east) / 2.0, (south + north) / 2.0])
    foot = middle + (along_m - middle @ normal) * normal
    reach = np.hypot(east - west, north - south) * np.array([normal[1], -normal[0]])
    return shapely.intersection(shapely.LineString([foot - reach, foot + reach]), footprint)


def wall_directions(footprint: Any) -> Floats:
    """(d, 2) unit vectors along the footprint's longer sides and across them, each direction once."""
    import shapely

    ring = shapely.get_coordinates(footprint.exterior)
    sides = np.diff(ring, axis=0)
    length = np.hypot(*sides.T)
    order = np.argsort(-length)[:6]
    angles: list[float] = []
    for side in sides[order][length[order] > 0.5]:
        for angle in (np.arctan2(side[1], side[0]), np.arctan2(side[1], side[0]) + np.pi / 2.0):
            turned = float(np.mod(angle, np.pi))
            if all(abs(np.mod(turned - a + np.pi / 2, np.pi) - np.pi / 2) > np.deg2rad(4.0) for a in angles):
                angles.append(turned)
    return np.column_stack([np.cos(angles), np.sin(angles)])


def _parting_line(
    footprint: Any, points: Floats, label: Ints, pair: tuple[int, int], middle: Floats, spacing_m: float
) -> tuple[Floats, float] | None:
    """The line along or across a wall with the fewest of two planes' samples on the wrong side, near their border."""
    reach = max(1.5, 5.0 * spacing_m)
    low, high = middle.min(axis=0) - reach, middle.max(axis=0) + reach
    close = ((points[:, :2] >= low) & (points[:, :2] <= high)).all(axis=1)
    ours, theirs = (points[close & (label == k), :2] for k in pair)
    if len(ours) < 3 or len(theirs) < 3:
        return None
    best: tuple[float, Floats, float] | None = None
    for along in wall_directions(footprint):
        normal = np.array([-along[1], along[0]])
        at = np.concatenate([ours @ normal, theirs @ normal])
        mine = np.concatenate([np.ones(len(ours)), np.zeros(len(theirs))])
        order = np.argsort(at)
        at, mine = at[order], mine[order]
        before = np.concatenate([[0.0], np.cumsum(mine)])
        others = np.concatenate([[0.0], np.cumsum(1.0 - mine)])
        wrong = np.minimum(before + others[-1] - others, others + before[-1] - before)
        cut = int(wrong[1:-1].argmin()) + 1
        share = float(wrong[cut]) / min(len(ours), len(theirs))
        if best is None or share < best[0]:
            best = share, normal, float((at[cut - 1] + at[cut]) / 2.0)
    return None if best is None or best[0] > 0.4 else (best[1], best[2])


def _owners(
    cells: Any, points: Floats, label: Ints, planes: Sequence[PlaneFit], sigma_m: float, spacing_m: float
) -> Ints:
    """(cell,) the plane each cell goes to."""
    import shapely

    on = label >= 0
    plan, kept = points[on, :2], label[on]
    residual = np.column_stack([points[on, 2] - fit.at(plan) for fit in planes])
    price = np.minimum((residual / sigma_m) ** 2, 10.0)
    tree = shapely.STRtree(cells)
    sample, cell = tree.query(shapely.points(plan), predicate="intersects")
    cost = np.zeros((len(cells), len(planes)))
    np.add.at(cost, cell, price[sample])
    inner = shapely.get_coordinates(shapely.point_on_surface(cells))
    for number in range(len(planes)):
        mine = plan[kept == number]
        away = np.hypot(*(inner[:, None] - mine).transpose(2, 0, 1)).min(axis=1)
        cost[:, number] += 2.0 * np.minimum(away / spacing_m, 6.0)
    shared = _shared_edges(cells, tree)
    ends = np.array([[edge[0], edge[-1]] for _, _, edge in shared]).reshape(-1, 2, 2)
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    z = np.array([fit.at(ends.reshape(-1, 2)) for fit in planes]).reshape(len(planes), -1, 2)
    owner: Ints = cost.argmin(axis=1)
    beside: list[list[tuple[int, int]]] = [[] for _ in cells]
    for number, (i, j, _) in enumerate(shared):
        beside[i].append((j, number))
        beside[j].append((i, number))
    every = np.arange(len(planes))
    for _ in range(20):
        before = owner.copy()
        for i in range(len(cells)):
            total = cost[i].copy()
            for j, number in beside[i]:
                gap = np.abs(z[:, number] - z[owner[j], number]).mean(axis=1)
                dear = _BOUNDARY_COST * np.minimum(gap / 0.3, 1.0) + 0.2
                total += np.where(every == owner[j], 0.0, dear * length[number] / max(spacing_m, 0.2))
            owner[i] = int(total.argmin())
        if np.array_equal(before, owner):
            break
    return owner


def _shared_edges(cells: Any, tree: Any) -> list[tuple[int, int, Floats]]:
    """Straight edges between cells: their numbers and the edge's vertices."""
    import shapely

    one, other = tree.query(cells, predicate="intersects")
    first = one < other
    one, other = one[first], other[first]
    common = shapely.intersection(shapely.boundary(cells[one]), shapely.boundary(cells[other]))
    found = []
    for i, j, line in zip(one.tolist(), other.tolist(), common, strict=True):
        for part in shapely.get_parts(line):
            if part.geom_type == "LineString" and part.length > _GRID_M:
                found.append((i, j, shapely.get_coordinates(part)))
    return found


def _facets(cells: Any, owner: Ints, points: Floats, label: Ints) -> tuple[tuple[int, Any], ...]:
    """Cells of one plane joined; pieces too small to be seen in the data go to a neighbour."""
    import shapely

    inner = shapely.point_on_surface(cells)
    pieces = _pieces(cells, owner)
    for _ in range(6):
        small = _small_pieces(pieces, points, label)
        if not small or len(small) == len(pieces):
            break
        for at in small:
            number, piece = pieces[at]
            beside = [
                (other not in small, shapely.intersection(piece.boundary, shape.boundary).length, k)
                for other, (k, shape) in enumerate(pieces)
                if k != number
            ]
            touching = [one for one in beside if one[1] > 0.0]
            if touching:
                owner[shapely.contains(piece, inner)] = max(touching)[2]
        pieces = _pieces(cells, owner)
    polygons = np.array([piece for _, piece in pieces])
    simple = shapely.coverage_simplify(polygons, _SIMPLE_M)
    if not all(p.geom_type == "Polygon" and p.is_valid and p.area > 0 for p in simple):
        simple = polygons
    return tuple((number, p) for (number, _), p in zip(pieces, simple, strict=True))


def _pieces(cells: Any, owner: Ints) -> list[tuple[int, Any]]:
    """(plane, polygon) of the cells of each plane that hang together."""
    import shapely

    return [
        (int(number), piece)
        for number in np.unique(owner)
        for piece in shapely.get_parts(shapely.union_all(cells[owner == number], grid_size=_GRID_M))
    ]


def _small_pieces(pieces: Sequence[tuple[int, Any]], points: Floats, label: Ints) -> list[int]:
    """Numbers of the pieces that are too small, or hold no sample of their plane; the smallest first."""
    import shapely

    places = shapely.points(points[:, :2])
    small = [
        at
        for at, (number, piece) in enumerate(pieces)
        if piece.area < _SLIVER_M2 or not np.any(label[shapely.contains(piece, places)] == number)
    ]
    return sorted(small, key=lambda at: float(pieces[at][1].area))


def roof_lines(footprint: Any, facets: Sequence[tuple[int, Any]], planes: Sequence[PlaneFit]) -> RoofLines:
    """The lines where facets meet (ridges, hips, valleys), part (steps) or end (eaves).

    A line where both planes fall away is a ridge where it is level and a hip where it rises; where both rise away it is
    a valley. The top edge of a lone slope counts as its ridge.
    """
    import shapely

    found: dict[str, list[Any]] = {"ridges": [], "hips": [], "valleys": [], "eaves": [], "steps": []}
    for (i, one), (j, other) in itertools.combinations(facets, 2):
        if i == j:
            continue
        common = shapely.intersection(one.boundary, other.boundary)
        for edge in _straight(common):
            z = np.array([planes[i].at(edge), planes[j].at(edge)])
            if np.abs(z[0] - z[1]).max() > _STEP_M:
                found["steps"].append(_line(edge, z.max(axis=0)))
                continue
            rise = abs(z.mean(axis=0)[1] - z.mean(axis=0)[0]) / max(
                float(np.hypot(*(edge[1] - edge[0]))), 1e-9
            )
            kind = (
                "valleys"
                if _folds_up(planes[i], planes[j], one, edge)
                else "ridges"
                if rise < _LEVEL
                else "hips"
            )
            found[kind].append(_line(edge, z.mean(axis=0)))
    for number, facet in facets:
        fit = planes[number]
        ring = shapely.get_coordinates(facet.exterior)
        sides = np.stack([ring[:-1], ring[1:]], axis=1)
        places = np.concatenate([sides, sides.mean(axis=1, keepdims=True)], axis=1)
        outer = shapely.distance(footprint.boundary, shapely.points(places)).max(axis=1) < 0.5 * _ASIDE_M
        for edge in _straight(shapely.MultiLineString(list(sides[outer]))):
            along = (edge[1] - edge[0]) / np.hypot(*(edge[1] - edge[0]))
            outward = np.array([along[1], -along[0]])
            if shapely.contains_xy(footprint, *(edge.mean(axis=0) + _ASIDE_M * outward)):
                outward = -outward
            if abs(fit.slope @ along) < _LEVEL:
                kind = "ridges" if fit.slope @ outward > _LEVEL else "eaves"
                found[kind].append(_line(edge, fit.at(edge)))
    return RoofLines(**{kind: tuple(lines) for kind, lines in found.items()})


def _straight(geometry: Any) -> list[Floats]:
    """(2, 2) ends of every straight stretch of the lines in a geometry, stretches in one line joined."""
    import shapely

    parts = [p for p in shapely.get_parts(geometry) if p.geom_type == "LineString" and not p.is_empty]
    found = []
    for line in shapely.get_parts(shapely.line_merge(shapely.MultiLineString(parts))) if parts else []:
        at = shapely.get_coordinates(shapely.simplify(line, 0.02))
        found += [np.array(pair) for pair in itertools.pairwise(at) if np.hypot(*(pair[1] - pair[0])) > 0.05]
    return found


def _line(edge: Floats, z: Floats) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(p[0]), float(p[1]), float(up)) for p, up in zip(edge, z, strict=True))


def _folds_up(one: PlaneFit, other: PlaneFit, facet: Any, edge: Floats) -> bool:
    """Whether two planes rise away from their common edge (a valley); `facet` is the first plane's side."""
    import shapely

    along = (edge[1] - edge[0]) / np.hypot(*(edge[1] - edge[0]))
    inward = np.array([-along[1], along[0]])
    if not shapely.contains_xy(facet, *(edge.mean(axis=0) + _ASIDE_M * inward)):
        inward = -inward
    return bool((one.slope - other.slope) @ inward > 0.0)

"""How deep a ray stands inside an obstacle's outline, and where the outline runs at each azimuth.

The outline of an obstacle is that of all its parts together. Seen along the ray (central projection, in which
straight edges stay straight) the parts are flat shapes; their union is taken there and the ray is the origin.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.model.solids import (
    DEEP_M,
    DISK,
    ELLIPSOID,
    SIDE,
    Parts,
    patch_points,
    patch_radius_m,
)
from skysill.units import Floats, Ints

__all__ = ["Columns", "columns", "depth_rad"]

_ROUND = 720
"""Points on a round outline: a chord of them is within 1e-5 of the radius."""

_SLIVER_M = 1e-4

_EDGE_ON = 1e-7
"""A shape narrower than this, in units of the distance, is a face seen edge on: rounding makes it no narrower."""

_NADIR_DEG = -80.0
"""A floor lower than this goes all the way down."""

_WIDEST = 60.0
"""Half side of the projected picture, in units of the distance: 89 degrees off the ray."""


def depth_rad(parts: Parts, obstacle: Ints, dish_m: Floats, ray: Floats) -> tuple[Floats, Floats]:
    """Angle from rays that meet their obstacle to the nearest point of its outline.

    Parameters
    ----------
    obstacle : (pair,) int; dish_m : (pair, 3); ray : (pair, 3) unit vectors that meet it

    Returns
    -------
    (pair,) radians, at most 89 degrees, and (pair, 3) unit vectors to that point of the outline
    """
    depth, towards = np.zeros(obstacle.size), np.array(ray)
    for row in range(obstacle.size):
        depth[row], towards[row] = _depth(parts, int(obstacle[row]), dish_m[row], ray[row])
    return depth, towards


def _depth(parts: Parts, obstacle: int, dish_m: Floats, ray: Floats) -> tuple[float, Floats]:
    import shapely

    side, up = _across(ray)
    frame = np.stack([side, up, ray])
    hulls: list[Any] = []
    for corners in _pieces(parts, obstacle, dish_m, ray):
        seen = _in_front(corners @ frame.T)
        if len(seen) >= 3:
            hulls.append(shapely.convex_hull(shapely.linestrings(seen[:, :2] / seen[:, 2:])))
    whole = _united(hulls) if hulls else shapely.Point(0, 0)
    edge = shapely.boundary(whole)
    if edge.is_empty:
        return 0.0, ray
    ray_here = shapely.Point(0.0, 0.0)
    line = shapely.shortest_line(ray_here, edge)
    x, y = shapely.get_coordinates(line)[-1]
    towards = np.array([x, y, 1.0]) @ frame
    return float(np.arctan(np.hypot(x, y))), towards / np.linalg.norm(towards)


def _united(hulls: list[Any]) -> Any:
    """The union of convex shapes within the picture.

    A face seen edge on, as one that holds the ray in its plane, is a line here. It hides nothing and is left out: the
    geometry library may take it for the whole picture when it cuts it. Where the library refuses to cut or join the
    others, they are joined on a grid.
    """
    import shapely

    box = shapely.box(-_WIDEST, -_WIDEST, _WIDEST, _WIDEST)
    wide = shapely.area(hulls) > _EDGE_ON * shapely.length(hulls)
    hulls = [hull for hull, keep in zip(hulls, wide, strict=True) if keep]
    if not hulls:
        return shapely.Point(0, 0)
    try:
        cut = shapely.clip_by_rect(hulls, *box.bounds)
        return shapely.union_all(shapely.buffer(cut, 1e-9, quad_segs=1))
    except shapely.errors.GEOSException:
        flat = [hull for hull in hulls if hull.geom_type == "Polygon" and hull.is_valid]
        return shapely.union_all(shapely.intersection(flat, box, grid_size=1e-9), grid_size=1e-9)


def _across(ray: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors square to the ray and to each other."""
    level = np.array([ray[1], -ray[0], 0.0])
    size = np.linalg.norm(level)
    side = level / size if size > 1e-9 else np.array([1.0, 0.0, 0.0])
    return side, np.cross(side, ray)


def _in_front(corners: Floats) -> Floats:
    """A convex ring (corner, 3) cut to the half space before the dish (third coordinate above a sliver)."""
    depth = corners[:, 2] - _SLIVER_M
    if (depth >= 0).all():
        return corners
    kept: list[Floats] = []
    for here in range(len(corners)):
        there = (here + 1) % len(corners)
        if depth[here] >= 0:
            kept.append(corners[here])
        if (depth[here] >= 0) != (depth[there] >= 0):
            share = depth[here] / (depth[here] - depth[there])
            kept.append(corners[here] + share * (corners[there] - corners[here]))
    return np.array(kept).reshape(-1, 3)


def _pieces(parts: Parts, obstacle: int, dish_m: Floats, ray: Floats) -> list[Floats]:
    """Flat convex rings, and clouds of a convex solid's points, whose union hides what the obstacle hides."""
    rings = list(parts.corners_m[parts.face_first[obstacle] : parts.face_first[obstacle + 1]] - dish_m)
    for patch in range(parts.round_first[obstacle], parts.round_first[obstacle + 1]):
        rings += _round_rings(
            parts.round_kind[patch], parts.round_m[patch], parts.round_tau[patch], dish_m, ray
        )
    return rings


def _round_rings(kind: Ints, shape: Floats, span: Floats, dish_m: Floats, ray: Floats) -> list[Floats]:
    """A round surface as its outline's points, the surface being convex, or as flat rings where some lie behind.

    The outline runs along the two end circles and, on an ellipsoid, along the contour where sight lines touch it.
    """
    turn = np.linspace(0.0, 2 * np.pi, _ROUND, endpoint=False)
    ends = [patch_points(kind, shape, np.full(_ROUND, tau), turn) - dish_m for tau in span]
    if kind == DISK:
        return ends[1:]
    cloud = np.concatenate(ends)
    if kind == ELLIPSOID:
        contour = _ellipsoid_contour(shape, dish_m, turn)
        _, level = patch_radius_m(kind, shape, span)
        if contour is not None:
            reached = (contour[:, 2] >= level[0] - dish_m[2]) & (contour[:, 2] <= level[1] - dish_m[2])
            cloud = np.concatenate([cloud, contour[reached]])
            if reached.all():
                return [contour]
    if (cloud @ ray > _SLIVER_M).all():
        return [cloud]
    return _quadrilaterals(kind, shape, span, dish_m)


def _quadrilaterals(kind: Ints, shape: Floats, span: Floats, dish_m: Floats) -> list[Floats]:
    levels = (
        span[0]
        + (span[1] - span[0]) * (1 - np.cos(np.linspace(0, np.pi, 25 if kind == ELLIPSOID else 2))) / 2
    )
    turn = np.linspace(0.0, 2 * np.pi, _ROUND // 4, endpoint=False)
    rings = [patch_points(kind, shape, np.full(turn.size, tau), turn) - dish_m for tau in levels]
    quads: list[Floats] = []
    for low, high in itertools.pairwise(rings):
        quads += list(np.stack([low, np.roll(low, -1, axis=0), np.roll(high, -1, axis=0), high], axis=1))
    return quads


def _ellipsoid_contour(shape: Floats, dish_m: Floats, turn: Floats) -> Floats | None:
    """Where sight lines from the dish touch the whole ellipsoid, (point, 3) from the dish; None from inside.

    Stretched to a unit ball with its centre at distance c the contour is a circle of radius sqrt(1 - 1/c**2)
    around the point (1 - 1/c**2) of the way to the centre.
    """
    radius, half = max(shape[4], 1e-9), max((shape[3] - shape[2]) / 2.0, 1e-9)
    stretch = np.array([radius, radius, half])
    centre = (np.array([shape[0], shape[1], (shape[2] + shape[3]) / 2.0]) - dish_m) / stretch
    distance = float(np.linalg.norm(centre))
    if distance <= 1.0:
        return None
    share = 1.0 - 1.0 / distance**2
    side, up = _across(centre / distance)
    ring = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * up
    return np.asarray((share * centre + np.sqrt(share) * ring) * stretch)


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Upright cuts through obstacles: each hides its azimuth from floor to top.

    azimuth_deg, floor_deg, top_deg, distance_m : (column,); distance along the line of sight to the top
    obstacle : (column,) int
    """

    azimuth_deg: Floats
    floor_deg: Floats
    top_deg: Floats
    distance_m: Floats
    obstacle: Ints


def columns(parts: Parts, dish_m: Floats, azimuth_deg: Floats) -> Columns:
    """What every obstacle hides at each azimuth, exact in the upright plane of that azimuth.

    Parameters
    ----------
    dish_m : (3,) east, north, elevation
    azimuth_deg : (azimuth,)
    """
    azimuth_rad = np.deg2rad(azimuth_deg)
    way = np.stack([np.sin(azimuth_rad), np.cos(azimuth_rad)], axis=1)
    found = [_face_cuts(parts, dish_m, way), _round_cuts(parts, dish_m, way), _wire_cuts(parts, dish_m, way)]
    at, floor, top, distance, owner = (np.concatenate([f[i] for f in found]) for i in range(5))
    at, owner = at.astype(int), owner.astype(int)
    return Columns(azimuth_deg[at], np.where(floor < _NADIR_DEG, -90.0, floor), top, distance, owner)


_LEVELS = 121
"""Levels at which round things are cut: the top is then off by less than 1e-4 of the crown's height."""

_PAIRS = 2000

_Cuts = tuple[Floats, Floats, Floats, Floats, Floats]


def _elevation(along: Floats, rise: Floats) -> Floats:
    return np.rad2deg(np.arctan2(rise, along))


def _crossing_faces(parts: Parts, dish_m: Floats, way: Floats) -> tuple[Ints, Ints]:
    """Pairs (face, azimuth) that can meet: azimuths in order, and each face's own span of them."""
    azimuth = np.mod(np.arctan2(way[:, 0], way[:, 1]), 2 * np.pi)
    order = np.argsort(azimuth, kind="stable")
    gap = parts.corners_m[..., :2] - dish_m[:2]
    bearing = np.arctan2(gap[..., 0], gap[..., 1])
    turn = np.mod(bearing - bearing[:, :1] + np.pi, 2 * np.pi) - np.pi
    low, high = turn.min(axis=1), turn.max(axis=1)
    around = (high - low > 3.0) | (
        np.hypot(gap[..., 0], gap[..., 1]).min(axis=1) < 1e-3
    )  # near or over the dish
    start = np.mod(bearing[:, 0] + low - 1e-9, 2 * np.pi)
    width = np.where(around, 2 * np.pi - 1e-12, high - low + 2e-9)
    first = np.searchsorted(azimuth[order], start, side="left")
    last = np.searchsorted(azimuth[order], np.mod(start + width, 2 * np.pi), side="right")
    count = np.where(
        around, azimuth.size, np.where(start + width >= 2 * np.pi, azimuth.size - first + last, last - first)
    )
    count = np.maximum(count, 0)
    face = np.repeat(np.arange(len(gap)), count)
    step = np.arange(face.size) - np.repeat(np.cumsum(count) - count, count)
    return face, order[np.mod(np.repeat(first, count) + step, max(azimuth.size, 1))]


def _face_cuts(parts: Parts, dish_m: Floats, way: Floats) -> _Cuts:
    """Faces cut by upright planes: a straight line in each, clipped to the face and to what lies ahead."""
    owner = np.repeat(np.arange(len(parts.reach_m)), np.diff(parts.face_first))
    face, at = _crossing_faces(parts, dish_m, way)
    normal, inward, ahead = parts.normal[face], parts.inward[face], way[at]
    level, plumb = np.einsum("fi,fi->f", normal[:, :2], ahead), normal[:, 2]
    size = np.hypot(level, plumb)
    safe = np.maximum(size, 1e-12)
    gap = (parts.offset_m[face] - normal @ dish_m) / safe**2
    start = np.stack([gap * level, gap * plumb], axis=1)  # along the azimuth, and up
    line = np.stack([-plumb / safe, level / safe], axis=1)
    # the three sides of the face, and "ahead", as half lines of the cut's own coordinate
    side = np.stack([np.einsum("fij,fj->fi", inward[:, :, :2], ahead), inward[:, :, 2]], axis=2)
    depth = np.einsum("fij,fj->fi", side, start) + inward @ dish_m - parts.inward_m[face]
    rate = np.einsum("fij,fj->fi", side, line)
    depth = np.concatenate([depth, start[:, :1] - 1e-6], axis=1)
    rate = np.concatenate([rate, line[:, :1]], axis=1)
    still = np.abs(rate) < 1e-12
    cut = -depth / np.where(still, 1.0, rate)
    low = np.maximum(np.where(~still & (rate > 0), cut, -np.inf).max(axis=1), -DEEP_M)
    high = np.minimum(np.where(~still & (rate < 0), cut, np.inf).min(axis=1), DEEP_M)
    there = (size > 1e-9) & (high >= low) & ~(still & (depth < -1e-9)).any(axis=1)
    ends = start[there, None, :] + np.stack([low, high], axis=1)[there, :, None] * line[there, None, :]
    angle = _elevation(ends[..., 0], ends[..., 1])
    rows, top = np.arange(len(ends)), angle.argmax(axis=1)
    distance = np.hypot(ends[rows, top, 0], ends[rows, top, 1])
    return (
        at[there].astype(float),
        angle.min(axis=1),
        angle.max(axis=1),
        distance,
        owner[face[there]].astype(float),
    )


def _round_cuts(parts: Parts, dish_m: Floats, way: Floats) -> _Cuts:
    """Round surfaces cut by upright planes: chords of their circles at many levels."""
    owner = np.repeat(np.arange(len(parts.reach_m)), np.diff(parts.round_first))
    kind, shape, span = parts.round_kind, parts.round_m, parts.round_tau
    tau = span[:, :1] + (span[:, 1:] - span[:, :1]) * np.linspace(0.0, 1.0, _LEVELS)
    radius, level = patch_radius_m(np.broadcast_to(kind[:, None], tau.shape), shape[:, None, :], tau)
    centre = shape[:, :2] - dish_m[:2]
    along = centre @ way.T
    aside = np.abs(centre[:, :1] * way[:, 1] - centre[:, 1:] * way[:, 0])
    patch, at = np.nonzero((aside < shape[:, 4:5]) & (along + shape[:, 4:5] > 1e-6))
    rows = [
        _chords(radius[p], level[p] - dish_m[2], along[p, a], aside[p, a])
        for p, a in zip(*(np.array_split(x, max(1, patch.size // _PAIRS)) for x in (patch, at)), strict=True)
    ]
    floor, top, distance = (np.concatenate(part) for part in zip(*rows, strict=True))
    floor = np.where(kind[patch] == SIDE, -90.0, floor)
    there = np.isfinite(top)
    return (
        at[there].astype(float),
        floor[there],
        top[there],
        distance[there],
        owner[patch[there]].astype(float),
    )


def _chords(radius: Floats, rise: Floats, along: Floats, aside: Floats) -> tuple[Floats, Floats, Floats]:
    """Lowest and highest elevation, and the distance to the highest, over the chords (pair, level); top -inf: none."""
    half = radius**2 - aside[:, None] ** 2
    met = half >= 0.0
    half = np.sqrt(np.maximum(half, 0.0))
    near = np.maximum(np.concatenate([along[:, None] - half, along[:, None] + half], axis=1), 1e-6)
    rise, met = np.tile(rise, 2), np.tile(met, 2)
    met &= (np.where(met, near, 0.0).max(axis=1) > 1e-6)[:, None]
    angle = _elevation(near, rise)
    high = np.where(met, angle, -np.inf)
    best = high.argmax(axis=1)
    pair = np.arange(len(best))
    return (
        np.where(met, angle, np.inf).min(axis=1),
        high[pair, best],
        np.hypot(near[pair, best], rise[pair, best]),
    )


def _wire_cuts(parts: Parts, dish_m: Floats, way: Floats) -> _Cuts:
    """Edges of obstacles that are nothing but lines: columns without height."""
    bare = (np.diff(parts.face_first) == 0) & (np.diff(parts.round_first) == 0)
    owner = np.repeat(np.arange(bare.size), np.diff(parts.edge_first))
    keep = bare[owner]
    a, b, owner = parts.edge_a_m[keep] - dish_m, parts.edge_b_m[keep] - dish_m, owner[keep]
    side_a, side_b = (x[:, :1] * way[:, 1] - x[:, 1:2] * way[:, 0] for x in (a, b))
    crossed = (side_a > 0) != (side_b > 0)
    share = np.where(crossed, side_a / np.where(crossed, side_a - side_b, 1.0), 0.0)[..., None]
    point = a[:, None, :] + share * (b - a)[:, None, :]
    along = np.einsum("eai,ai->ea", point[..., :2], way)
    row, at = np.nonzero(crossed & (along > 0))
    along, rise = along[row, at], point[row, at, 2]
    angle = _elevation(along, rise)
    return at.astype(float), angle, angle, np.hypot(along, rise), owner[row].astype(float)

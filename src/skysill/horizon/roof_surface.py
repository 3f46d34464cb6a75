"""The shape of a roof: its surface as triangles, its elevation anywhere, and the roof as an obstacle."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.model.default_errors import OBSTACLE, ObstacleError
from skysill.model.job import Job
from skysill.model.obstacle_builders import facet
from skysill.model.obstacles import Obstacle, triangles
from skysill.model.scene import Scene
from skysill.model.site import Roof
from skysill.units import Floats

__all__ = [
    "APART_M",
    "OWN_ROOF",
    "RoofDoubts",
    "own_roof",
    "roof_doubts",
    "roof_edges",
    "roof_elevation_m",
    "roof_triangles",
    "with_own_roof",
]

OWN_ROOF = "own roof"


APART_M = 0.2
"""Surfaces that differ by no more than this are taken for one: the rounding of a tape and of a drawing."""

_SAME_M = 1e-6
_MOST_SPLITS = 14
_IN_PLANE_M = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class RoofDoubts:
    """Where what was given of a roof does not determine its surface, or contradicts itself.

    open_m : (piece, 4, 3) corners around which two surfaces fit the points equally well; open_by_m : (piece,) by how
        much they differ
    against_m : (point, 3) points of the surface off its facets; against_by_m : (point,) above them
    """

    open_m: Floats
    open_by_m: Floats
    against_m: Floats
    against_by_m: Floats

    def sentences(self) -> tuple[str, ...]:
        """What there is to say."""
        said = []
        if len(self.open_m):
            at = int(self.open_by_m.argmax())
            east_m, north_m = self.open_m[at, :, :2].mean(axis=0)
            said.append(
                f"The roof's points alone leave open by up to {self.open_by_m[at]:.1f} m where its surface is, around "
                f"{east_m:.1f} east, {north_m:.1f} north: give its ridges, hips and valleys as lines, or its facets."
            )
        if len(self.against_m):
            at = int(np.abs(self.against_by_m).argmax())
            east_m, north_m, up_m = self.against_m[at]
            side = "above" if self.against_by_m[at] > 0 else "below"
            said.append(
                f"{len(self.against_m)} of the roof's surface points are off its facets, the one at {east_m:g}, "
                f"{north_m:g}, {up_m:g} by {abs(self.against_by_m[at]):.1f} m {side}: the facets were taken."
            )
        return tuple(said)


@lru_cache(maxsize=16)
def roof_triangles(roof: Roof) -> Floats:
    """The roof's surface as triangles (triangle, 3, 3); empty where no surface is given.

    Facets are taken as they are. Else all points, those of the break lines among them, are joined so that no circle
    through a triangle holds another point (Delaunay), in plan, with every break line an edge: where one is not, it is
    halved until it is. Triangles outside the outline, as in the corner of an L, are left out.

    Raises
    ------
    InputError : points that span no area, facets without area, break lines that cross at different heights
    """
    found = _facet_triangles(roof) if roof.facets else _joined_triangles(roof)
    found.setflags(write=False)
    return found


def roof_edges(roof: Roof) -> list[Floats]:
    """Edges of a roof from above, (2, 2) each: between two slopes, and the eaves; none inside one plane."""
    surface = roof_triangles(roof)
    normals = np.cross(surface[:, 1] - surface[:, 0], surface[:, 2] - surface[:, 0])
    normals = normals * np.sign(normals[:, 2:])
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
    sides: dict[tuple[Any, ...], list[int]] = {}
    for index, corners in enumerate(surface):
        for a, b in ((0, 1), (1, 2), (2, 0)):
            ends = tuple(sorted([tuple(corners[a].round(6)), tuple(corners[b].round(6))]))
            sides.setdefault(ends, []).append(index)
    return [
        np.array(ends)[:, :2]
        for ends, faces in sides.items()
        if len(faces) == 1 or float(normals[faces[0]] @ normals[faces[1]]) < 0.9999
    ]


def _facet_triangles(roof: Roof) -> Floats:
    pieces = []
    for number, ring in enumerate(roof.facets, start=1):
        corners = triangles((np.asarray(ring, dtype=np.float64),))
        if not len(corners):
            raise InputError("has no area.", where=f"[roof], facets number {number}")
        pieces.append(corners)
    return np.concatenate(pieces)


def _joined_triangles(roof: Roof) -> Floats:
    import shapely

    sides = [
        (np.array(a), np.array(b)) for line in roof.breaks for a, b in itertools.pairwise(line) if a != b
    ]
    points = [np.asarray(point, dtype=np.float64) for point in roof.surface] + [p for ab in sides for p in ab]
    if not points:
        return np.zeros((0, 3, 3))
    _refuse_crossing(sides)
    for _ in range(_MOST_SPLITS):
        heights = {_key(point): float(point[2]) for point in points}
        plan = np.array(list(heights))
        joined = shapely.get_parts(shapely.delaunay_triangles(shapely.MultiPoint(plan)))
        if not len(joined):
            raise InputError(
                "the roof's surface points span no area.",
                where="[roof], surface",
                mend="Give at least three corners that are not in one line.",
            )
        rings = shapely.get_coordinates(joined).reshape(-1, 4, 2)
        edges = {frozenset((_key(a), _key(b))) for ring in rings for a, b in itertools.pairwise(ring)}
        missing = [ab for ab in sides if frozenset((_key(ab[0]), _key(ab[1]))) not in edges]
        if not missing:
            break
        absent = {id(ab[0]) for ab in missing}
        halves = []
        for a, b in sides:
            if id(a) in absent and any(a is m[0] and b is m[1] for m in missing):
                middle = (a + b) / 2.0
                points.append(middle)
                halves += [(a, middle), (middle, b)]
            else:
                halves.append((a, b))
        sides = halves
    corners = np.array([[(*_key(p), heights[_key(p)]) for p in ring[:3]] for ring in rings])
    middles = corners[..., :2].mean(axis=1)
    whole = shapely.Polygon(roof.outline).buffer(_SAME_M)
    flat = np.abs(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2]) < 1e-9
    return np.asarray(corners[shapely.contains_xy(whole, middles[:, 0], middles[:, 1]) & ~flat])


def _key(point: Floats) -> tuple[float, float]:
    """A plan position to the micrometre, to know a point again."""
    return round(float(point[0]), 6), round(float(point[1]), 6)


def _refuse_crossing(sides: Sequence[tuple[Floats, Floats]]) -> None:
    """Two break lines may meet at their ends; where they cross between, they must be at one height."""
    for (a, b), (c, d) in itertools.combinations(sides, 2):
        turn = np.array([[b[0] - a[0], c[0] - d[0]], [b[1] - a[1], c[1] - d[1]]])
        if abs(np.linalg.det(turn)) < 1e-9:
            continue
        s, t = np.linalg.solve(turn, (c - a)[:2])
        if 1e-6 < s < 1 - 1e-6 and 1e-6 < t < 1 - 1e-6:
            up_m, other_m = a[2] + s * (b[2] - a[2]), c[2] + t * (d[2] - c[2])
            if abs(up_m - other_m) > APART_M:
                east_m, north_m = a[:2] + s * (b - a)[:2]
                raise InputError(
                    f"two lines cross at {east_m:.2f}, {north_m:.2f}, one {abs(up_m - other_m):.1f} m over the other.",
                    where="[roof], ridges, valleys, eaves",
                    mend="Check their elevations.",
                )


@lru_cache(maxsize=16)
def roof_doubts(roof: Roof) -> RoofDoubts:
    """Where the surface is left open by more than `APART_M`, or its points lie so far off its facets."""
    nothing = np.zeros((0, 4, 3)), np.zeros(0)
    if roof.facets:
        points = np.asarray(roof.surface, dtype=np.float64).reshape(-1, 3)
        off = points[:, 2] - roof_elevation_m(roof, *points[:, :2].T) if len(points) else np.zeros(0)
        far = np.abs(np.nan_to_num(off)) > APART_M
        return RoofDoubts(*nothing, points[far], off[far])
    shut = {
        frozenset((_key(np.array(a)), _key(np.array(b))))
        for line in roof.breaks
        for a, b in itertools.pairwise(line)
    }
    pieces, by_m = [], []
    corners = roof_triangles(roof)
    owners: dict[frozenset[tuple[float, float]], list[tuple[int, Floats]]] = {}
    for number, triangle in enumerate(corners):
        for i in range(3):
            edge = frozenset((_key(triangle[i]), _key(triangle[(i + 1) % 3])))
            owners.setdefault(edge, []).append((number, np.roll(triangle, -i, axis=0)))
    pairs = [(edge, beside) for edge, beside in owners.items() if len(beside) == 2]
    in_planes = {
        number
        for _, ((one, left), (other, right)) in pairs
        if _off_plane_m(left, right[2]) < _IN_PLANE_M
        for number in (one, other)
    }
    for edge, ((one, left), (other, right)) in pairs:
        # four corners in one plane seldom are so by chance: such a plane is believed
        if edge in shut or _on_a_break(roof, edge) or one in in_planes or other in in_planes:
            continue
        (a, b, c), d = left, right[2]
        differ_m = _flip_m(a, b, c, d)
        if differ_m is not None and differ_m > APART_M:
            pieces.append(np.array([a, d, b, c]))
            by_m.append(differ_m)
    return RoofDoubts(np.array(pieces).reshape(-1, 4, 3), np.array(by_m), np.zeros((0, 3)), np.zeros(0))


def _off_plane_m(triangle: Floats, point: Floats) -> float:
    """How far a point is above or below a triangle's plane."""
    normal = np.cross(triangle[1] - triangle[0], triangle[2] - triangle[0])
    return float(abs((point - triangle[0]) @ normal / normal[2]))


def _on_a_break(roof: Roof, edge: frozenset[tuple[float, float]]) -> bool:
    """Whether an edge between two triangles is part of a break line."""
    import shapely

    if not roof.breaks or len(edge) < 2:
        return False
    ends = shapely.points(list(edge))
    lines = [shapely.LineString([p[:2] for p in line]) for line in roof.breaks if len(line) > 1]
    return any(bool((shapely.distance(line, ends) < 1e-5).all()) for line in lines)


def _flip_m(a: Floats, b: Floats, c: Floats, d: Floats) -> float | None:
    """How much the surface changes where the diagonal a-b of the quadrangle a d b c gives way to c-d; None where it
    is not convex.
    """
    turn = np.array([[b[0] - a[0], c[0] - d[0]], [b[1] - a[1], c[1] - d[1]]])
    if abs(np.linalg.det(turn)) < 1e-9:
        return None
    s, t = np.linalg.solve(turn, (c - a)[:2])
    if not (1e-6 < s < 1 - 1e-6 and 1e-6 < t < 1 - 1e-6):
        return None
    return float(abs(a[2] + s * (b[2] - a[2]) - c[2] - t * (d[2] - c[2])))


@lru_cache(maxsize=16)
def own_roof(roof: Roof) -> tuple[Obstacle, ...]:
    """The house's own roof as an obstacle: what a low mount on it, or one in the yard, has before it."""
    found = roof_triangles(roof)
    errors = _errors(roof)
    return tuple(
        replace(facet(OWN_ROOF, corners, kind="roof", stands=True), errors=errors) for corners in found
    )


def _errors(roof: Roof) -> ObstacleError:
    """What is stated of the roof's errors, over those of things measured on the site's plan."""
    stated: dict[str, Any] = {}
    if roof.height_error_m is not None:
        stated |= {"height_m": roof.height_error_m}
    if roof.position_error_m is not None:
        stated |= {"along_m": roof.position_error_m, "across_m": roof.position_error_m}
    return replace(OBSTACLE["plan"], source="stated", **stated) if stated else OBSTACLE["plan"]


def with_own_roof(job: Job) -> Job:
    """The job with the house's own roof among its obstacles, so that a low mount on it sees it."""
    scene = job.sources.scene
    if job.roof is None or (scene is not None and any(o.name == OWN_ROOF for o in scene.obstacles)):
        return job
    whole = _roofed(scene, job.roof)
    return job if whole is None else replace(job, sources=replace(job.sources, scene=whole))


def _roofed(scene: Scene | None, roof: Roof) -> Scene | None:
    """The scene with the roof in it; None where no surface was given.

    Where the walls are given too, as buildings under the roof, what stands out over them has sky under it: the eaves.
    """
    found = own_roof(roof)
    if not found:
        return None
    walls = None if scene is None else _walls_under(scene, roof)
    if walls is not None:
        found = _with_eaves(found, walls)
    return Scene(found) if scene is None else replace(scene, obstacles=(*scene.obstacles, *found))


_CARRIED_SHARE = 0.5
_SLIVER_M2 = 1e-3


def _walls_under(scene: Scene, roof: Roof) -> Any | None:
    """The plan of the buildings that carry the roof; None where they take up less than half of its outline."""
    import shapely

    outline = shapely.Polygon(roof.outline)
    plans = [
        shapely.Polygon(area[0][:, :2], [hole[:, :2] for hole in area[1:]])
        for o in scene.obstacles
        if o.shape == "prism"
        for area in o.areas_m
    ]
    under = shapely.intersection(shapely.union_all(plans), outline) if plans else shapely.Polygon()
    whole = outline.area - under.area < _SLIVER_M2
    return None if whole or under.area < _CARRIED_SHARE * outline.area else under


def _with_eaves(found: tuple[Obstacle, ...], walls: Any) -> tuple[Obstacle, ...]:
    """The roof's triangles cut along the walls: solid down to the ground over them, without anything below beside."""
    import shapely

    cut = []
    for piece in found:
        (corners,) = piece.areas_m[0]
        plan = shapely.Polygon(corners[:, :2])
        slope = np.linalg.solve(np.column_stack([corners[:, :2], np.ones(3)]), corners[:, 2])
        for stands, part in (
            (True, shapely.intersection(plan, walls)),
            (False, shapely.difference(plan, walls)),
        ):
            for one in shapely.get_parts(shapely.constrained_delaunay_triangles(part)):
                at = shapely.get_coordinates(one)[:3]
                if shapely.area(one) > _SLIVER_M2:
                    level = at @ slope[:2] + slope[2]
                    made = facet(OWN_ROOF, np.column_stack([at, level]), kind="roof", stands=stands)
                    cut.append(replace(made, errors=piece.errors))
    return tuple(cut)


def roof_elevation_m(roof: Roof, east_m: ArrayLike, north_m: ArrayLike) -> Floats:
    """(n,) elevation of the roof's own surface, nan where its facets do not reach or were not given."""
    place = np.column_stack([np.atleast_1d(east_m), np.atleast_1d(north_m)]).astype(np.float64)
    height = np.full(len(place), np.nan)
    for a, b, c in roof_triangles(roof):
        sides = np.array([[b[0] - a[0], c[0] - a[0]], [b[1] - a[1], c[1] - a[1]]])
        s, t = np.linalg.solve(sides, (place - a[:2]).T)
        inside = (s >= -1e-9) & (t >= -1e-9) & (s + t <= 1 + 1e-9)
        height = np.where(inside, a[2] + s * (b[2] - a[2]) + t * (c[2] - a[2]), height)
    return height

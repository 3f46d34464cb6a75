"""The obstacles of a site together, taken apart into faces, edges and round surfaces.

Frame: local east, north in metres, and elevation above the datum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.model.obstacles import Obstacle, triangles
from skysill.model.solids import CONE, DEEP_M, DISK, ELLIPSOID, SIDE, Parts, first_hit_m, patch_radius_m
from skysill.units import Bools, Floats, Ints

__all__ = ["ObstacleParts", "Scene"]


@dataclass(frozen=True, slots=True, eq=False)
class ObstacleParts:
    """One obstacle taken apart.

    obstacle : the obstacle itself
    edge_m : (edge, 2, 3) both ends
    face_m : (face, 4, 3) corners, the last one repeated in triangles
    round_surface : (patch, 8) kind, the five numbers of its shape, its span
    cylinder : an upright cylinder around all of it: east, north, radius, top, bottom
    """

    obstacle: Obstacle
    edge_m: Floats
    face_m: Floats
    round_surface: Floats
    cylinder: tuple[float, float, float, float, float]

    @classmethod
    def of(cls, obstacle: Obstacle) -> ObstacleParts:
        """Takes an obstacle apart."""
        edge, face, rounds = _take_apart(obstacle)
        return cls(obstacle, edge, face, rounds, _cylinder(edge, face, rounds))


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """The obstacles around a site, in local plan coordinates.

    obstacles : made by `building`, `facet`, `wall`, `tree`, `pole` or `wire`
    complete : somebody states that nothing else stands near
    notes : what was assumed or repaired, in whole sentences
    taken_apart : parts of obstacles, here those of another scene; a scene made from it with `dataclasses.replace`
        takes apart only the obstacles that the other did not have
    parts : those of all obstacles in one list (calculated here)

    >>> from skysill import Scene, pole
    >>> Scene((pole("flue", (3.0, 4.0), ground_elevation_m=41.0, height_m=7.0),), complete=True).complete
    True
    """

    obstacles: tuple[Obstacle, ...] = ()
    complete: bool = False
    notes: tuple[str, ...] = ()
    taken_apart: tuple[ObstacleParts, ...] = field(default=(), repr=False)
    parts: Parts = field(init=False, repr=False)

    def __post_init__(self) -> None:
        known = {id(one.obstacle): one for one in self.taken_apart}
        found = tuple(known.get(id(o)) or ObstacleParts.of(o) for o in self.obstacles)
        object.__setattr__(self, "taken_apart", found)
        object.__setattr__(self, "parts", _all_parts(found))

    def __len__(self) -> int:
        return len(self.obstacles)

    def named(self, name: str) -> Obstacle:
        """The obstacle of that name. Raises InputError."""
        for obstacle in self.obstacles:
            if obstacle.name == name:
                return obstacle
        raise InputError(f'no obstacle is called "{name}".', where="obstacle")

    def grown(self, years: float) -> Scene:
        """The same scene `years` later: trees taller by their own rates, capped at their own heights."""
        return replace(self, obstacles=tuple(obstacle.grown(years) for obstacle in self.obstacles))

    def kept(self, keep: Sequence[bool] | Bools) -> Scene:
        """The same scene with only the obstacles for which `keep` (obstacle,) is true."""
        return replace(self, obstacles=tuple(o for o, use in zip(self.obstacles, keep, strict=True) if use))

    def without(self, name: str) -> Scene:
        """The same scene with everything of that name gone."""
        self.named(name)
        return self.kept([o.name != name for o in self.obstacles])

    def trimmed(self, name: str, top_elevation_m: float) -> Scene:
        """The same scene with everything of that name cut off at an elevation."""
        self.named(name)
        return replace(
            self, obstacles=tuple(o.lowered(top_elevation_m) if o.name == name else o for o in self.obstacles)
        )

    def holding(self, dish_m: ArrayLike) -> Bools:
        """(n, obstacle) whether each dish centre (n, 3) is inside each obstacle."""
        return _holding(self, np.asarray(dish_m, dtype=np.float64).reshape(-1, 3))

    def overhead_m(self, points_m: ArrayLike) -> Floats:
        """(n, obstacle) metres straight up from each point (n, 3) to each obstacle's first surface; inf: none above."""
        return _overhead(self, np.asarray(points_m, dtype=np.float64).reshape(-1, 3))


def _holding(scene: Scene, dish: Floats) -> Bools:
    """(n, obstacle) whether the dish centre is in a solid: under a standing roof, in a crown, in a post."""
    parts = scene.parts
    inside = np.zeros((len(dish), len(scene)), dtype=bool)
    if not len(scene):
        return inside
    away = parts.axis_m - dish[:, None, :2]
    gap = np.sqrt(away[..., 0] ** 2 + away[..., 1] ** 2)
    around = (gap <= parts.reach_m) & (dish[:, 2:] < parts.top_m)
    solid = np.array([o.stands and o.shape in ("prism", "facet") for o in scene.obstacles])
    n, o = np.nonzero(around & solid)
    if n.size:
        plumb = np.broadcast_to(np.array([0.0, 0.0, 1.0]), (n.size, 3))
        inside[n, o] = np.isfinite(first_hit_m(parts, o, dish[n], plumb))
    for index in np.flatnonzero([o.shape == "column" for o in scene.obstacles]):
        rows = np.flatnonzero(around[:, index])
        for patch in range(parts.round_first[index], parts.round_first[index + 1]):
            if rows.size and parts.round_kind[patch] != DISK:
                inside[rows, index] |= _within(parts, patch, gap[rows, index], dish[rows, 2])
    return inside


def _overhead(scene: Scene, points: Floats) -> Floats:
    parts = scene.parts
    up = np.full((len(points), len(scene)), np.inf)
    if not len(scene):
        return up
    away = parts.axis_m - points[:, None, :2]
    around = (np.hypot(away[..., 0], away[..., 1]) <= parts.reach_m) & (points[:, 2:] < parts.top_m)
    n, o = np.nonzero(around)
    plumb = np.broadcast_to(np.array([0.0, 0.0, 1.0]), (n.size, 3))
    up[n, o] = first_hit_m(parts, o, points[n], plumb)
    return up


def _within(parts: Parts, patch: int, aside_m: Floats, elevation_m: Floats) -> Bools:
    kind, shape, span = parts.round_kind[patch], parts.round_m[patch], parts.round_tau[patch]
    share = np.clip((elevation_m - shape[2]) / max(shape[3] - shape[2], 1e-9), 0.0, 1.0)
    tau = np.arcsin(2.0 * share - 1.0) / np.pi + 0.5 if kind == ELLIPSOID else share
    radius, level = patch_radius_m(kind, shape, tau)
    there = (np.abs(level - elevation_m) < 1e-6) & (tau >= span[0]) & (tau <= span[1])
    return np.asarray((aside_m < radius) & there)


def _all_parts(taken: Sequence[ObstacleParts]) -> Parts:
    """The parts of several obstacles, one flat list of each kind."""
    edges = [one.edge_m for one in taken]
    faces = [one.face_m for one in taken]
    rounds = [one.round_surface for one in taken]
    corners = np.concatenate([np.zeros((0, 4, 3)), *faces])
    normal, inward = _planes(corners)
    edge = np.concatenate([np.zeros((0, 2, 3)), *edges])
    table = np.concatenate([np.zeros((0, 8)), *rounds])
    box = np.array([one.cylinder for one in taken]).reshape(-1, 5)
    return Parts(
        edge_a_m=edge[:, 0],
        edge_b_m=edge[:, 1],
        edge_first=_firsts(edges),
        normal=normal,
        offset_m=np.einsum("fi,fi->f", normal, corners[:, 0]),
        inward=inward,
        inward_m=np.einsum("fij,fij->fi", inward, corners[:, [0, 1, 3]]),
        corners_m=corners,
        face_first=_firsts(faces),
        round_kind=table[:, 0].astype(int),
        round_m=table[:, 1:6],
        round_tau=table[:, 6:8],
        round_first=_firsts(rounds),
        axis_m=box[:, :2],
        reach_m=box[:, 2],
        top_m=box[:, 3],
        bottom_m=box[:, 4],
    )


def _firsts(lists: list[Floats]) -> Ints:
    return np.concatenate([[0], np.cumsum([len(rows) for rows in lists])]).astype(int)


def _planes(corners: Floats) -> tuple[Floats, Floats]:
    """Unit normals, and the three inward directions of each face, along its plane.

    A triangle a, b, c, c has its sides a-b, b-c, c-a; a curtain a, b, deep b, deep a the top and both flanks, the
    fourth side being out of reach.
    """
    a, b, c, d = (corners[:, i] for i in range(4))
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
    sides = np.stack([b - a, c - b, a - d], axis=1)
    inward = np.cross(normal[:, None, :], sides)
    return normal, inward / np.maximum(np.linalg.norm(inward, axis=2), 1e-12)[..., None]


def _curtains(a: Floats, b: Floats) -> Floats:
    down = np.array([0.0, 0.0, DEEP_M])
    return np.stack([a, b, b - down, a - down], axis=1)


def _take_apart(obstacle: Obstacle) -> tuple[Floats, Floats, Floats]:
    """Edges (edge, 2, 3), faces (face, 4, 3), round surfaces (patch, 8): kind, shape, span."""
    if obstacle.shape == "column":
        return np.zeros((0, 2, 3)), np.zeros((0, 4, 3)), _rounds_of(obstacle)
    line = obstacle.line_m
    lines = [(line[:-1], line[1:], line)] if len(line) else []
    flats = [np.zeros((0, 3, 3))]
    for area in obstacle.areas_m:
        lines += [(ring, np.roll(ring, -1, axis=0), ring) for ring in area]
        flats.append(triangles(area))
    edges = [np.stack([a, b], axis=1) for a, b, _ in lines]
    flat = np.concatenate(flats)
    faces = [np.concatenate([flat, flat[:, 2:]], axis=1)]
    if obstacle.stands:
        faces += [_curtains(a, b) for a, b, _ in lines]
        edges += [np.stack([v, v - np.array([0.0, 0.0, DEEP_M])], axis=1) for _, _, v in lines]
    face, edge = np.concatenate(faces), np.concatenate(edges)
    plumb = np.linalg.norm(face[:, 1] - face[:, 0], axis=1) > 1e-9
    upright = np.linalg.norm(np.cross(face[:, 1] - face[:, 0], face[:, 2] - face[:, 0]), axis=1) > 1e-9
    return edge, face[plumb & upright], np.zeros((0, 8))


def _rounds_of(obstacle: Obstacle) -> Floats:
    """A pole's or tree's round surfaces."""
    east, north, top = obstacle.line_m[0]
    ground, base, radius = obstacle.ground_elevation_m, obstacle.crown_base_m, obstacle.crown_radius_m
    if obstacle.crown is None:
        thick = obstacle.radius_m
        return np.array(
            [[SIDE, east, north, ground, top, thick, 0, 1], [DISK, east, north, top, top, thick, 0, 1]]
        )
    cut = obstacle.top_elevation_m
    trunk_top = min(cut, (base + top) / 2.0 if obstacle.crown == "ellipsoid" else base)
    rows = [[SIDE, east, north, ground, max(trunk_top, ground + 1e-6), obstacle.radius_m, 0.0, 1.0]]
    kind, low = (CONE, base) if obstacle.crown == "cone" else (ELLIPSOID, base)
    start = 0.0
    if obstacle.crown == "dome":
        low, start = base - (top - base), 0.5
    share = (cut - low) / (top - low)
    stop = share if kind == CONE else float(np.arcsin(np.clip(2.0 * share - 1.0, -1.0, 1.0)) / np.pi + 0.5)
    shape = [east, north, low, top, radius]
    rows.append([kind, *shape, start, stop])
    if obstacle.crown != "ellipsoid":
        rows.append([DISK, east, north, base, base, radius, 0.0, 1.0])
    if cut < top:
        across, _ = patch_radius_m(np.array(kind), np.array(shape), np.array(stop))
        rows.append([DISK, east, north, cut, cut, float(across), 0.0, 1.0])
    return np.array(rows, dtype=np.float64)


def _cylinder(edge: Floats, face: Floats, rounds: Floats) -> tuple[float, float, float, float, float]:
    """An upright cylinder around the parts: east, north, radius, top, bottom."""
    if len(rounds):
        reach = float(rounds[:, 5].max())
        return float(rounds[0, 1]), float(rounds[0, 2]), reach, _top_of(rounds), -np.inf
    plan = edge[..., :2].reshape(-1, 2)
    middle = (plan.min(axis=0) + plan.max(axis=0)) / 2.0
    level = edge[..., 2]
    bottom = float(level.min())
    return (
        float(middle[0]),
        float(middle[1]),
        float(np.linalg.norm(plan - middle, axis=1).max()),
        float(level.max()),
        -np.inf if bottom < level.max() - DEEP_M / 2 else bottom,
    )


def _top_of(rounds: Floats) -> float:
    _, ends = patch_radius_m(rounds[:, :1].astype(int), rounds[:, None, 1:6], rounds[:, 6:8])
    return float(ends.max())

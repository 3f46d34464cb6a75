"""The obstacles of a site together: taken apart into parts, and the exact room between each and a ray.

Frames as in `features`: east, north, elevation. Any number of dish positions at once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.horizon.outlines import columns, depth_rad
from skysill.horizon.shapes import (
    CONE,
    DEEP_M,
    DISK,
    ELLIPSOID,
    SIDE,
    Found,
    Parts,
    evaluate,
    first_hit_m,
    patch_radius_m,
)
from skysill.horizon.silhouette import Silhouette, Thing
from skysill.model.link import Link
from skysill.model.obstacles import Kind, Obstacle, building, facet, pole, tree, triangles, wall, wire
from skysill.radio.required_room import room_angle_rad
from skysill.units import Bools, Floats, Ints, direction_enu, wrap_360

__all__ = [
    "Kind",
    "LeastRoom",
    "Obstacle",
    "Scene",
    "SceneClearance",
    "building",
    "clearances",
    "corner_azimuths_deg",
    "facet",
    "least_room",
    "near_rays",
    "pole",
    "scene_silhouette",
    "tree",
    "wall",
    "wire",
]

_PAIRS = 4_000
"""Pairs solved at a time: their parts stay in the processor's cache."""

_BOUNDS = 60_000
"""Bounds (dish, ray, obstacle) taken at a time, for the same reason."""

_WORKERS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What stands around, in local plan coordinates.

    complete : somebody says that nothing else stands near
    notes : what was assumed or repaired
    """

    obstacles: tuple[Obstacle, ...] = ()
    complete: bool = False
    notes: tuple[str, ...] = ()

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
        return _grown(self, years)

    def without(self, name: str) -> Scene:
        """The same scene with everything of that name gone."""
        self.named(name)
        return replace(self, obstacles=tuple(o for o in self.obstacles if o.name != name))

    def trimmed(self, name: str, top_elevation_m: float) -> Scene:
        """The same scene with everything of that name cut off at an elevation."""
        self.named(name)
        return replace(
            self, obstacles=tuple(o.lowered(top_elevation_m) if o.name == name else o for o in self.obstacles)
        )

    def holding(self, dish_m: ArrayLike) -> Bools:
        """(n, obstacle) whether each dish centre (n, 3) is inside each obstacle."""
        return _holding(self, _parts(self), np.asarray(dish_m, dtype=np.float64).reshape(-1, 3))

    def overhead_m(self, points_m: ArrayLike) -> Floats:
        """(n, obstacle) metres straight up from each point (n, 3) to each obstacle's first surface; inf: none above."""
        return _overhead(self, _parts(self), np.asarray(points_m, dtype=np.float64).reshape(-1, 3))


@lru_cache(maxsize=16)
def _grown(scene: Scene, years: float) -> Scene:
    return replace(scene, obstacles=tuple(obstacle.grown(years) for obstacle in scene.obstacles))


@dataclass(frozen=True, slots=True, eq=False)
class SceneClearance:
    """Room between rays and obstacles; every array (dish, ray, obstacle) but inside_solid (dish, obstacle).

    margin_deg : angle to the nearest obstructed direction; negative, the depth to the obstacle's own outline, where
        the ray is inside
    azimuth_deg, elevation_deg : that direction
    distance_m : along the line of sight to it; where the ray is inside, to where it meets the obstacle
    spare_deg : least of margin - atan(required / d) over the whole obstacle
    tight_margin_deg, tight_azimuth_deg, tight_elevation_deg, tight_distance_m : where that is
    hit : the centre ray is obstructed
    exact : False where only bounds were wanted: then margin_deg and spare_deg are at least what stands there (at
        most, where hit), distance_m is at least that, and the directions are nan
    inside_solid : the dish centre itself is inside the obstacle; its angles are -90 and -180
    """

    margin_deg: Floats
    azimuth_deg: Floats
    elevation_deg: Floats
    distance_m: Floats
    spare_deg: Floats
    tight_margin_deg: Floats
    tight_azimuth_deg: Floats
    tight_elevation_deg: Floats
    tight_distance_m: Floats
    hit: Bools
    exact: Bools
    inside_solid: Bools


@dataclass(frozen=True, slots=True, eq=False)
class LeastRoom:
    """The least room over a whole scene; arrays (dish, ray).

    spare_deg : no more than the enough_deg asked for
    obstacle : index of who leaves it, -1 where nobody leaves less than enough; hit : the centre ray is obstructed
    """

    spare_deg: Floats
    obstacle: Ints
    hit: Bools


def clearances(
    scene: Scene,
    dish_m: ArrayLike,
    azimuth_deg: ArrayLike,
    elevation_deg: ArrayLike,
    *,
    link: Link,
    exact_within_deg: float = 90.0,
) -> SceneClearance:
    """Exact room between every ray and every obstacle.

    Parameters
    ----------
    dish_m : (n, 3) dish centres: east, north, elevation
    azimuth_deg, elevation_deg : (k,), or (n, k), directions of the rays (apparent elevation)
    exact_within_deg : an obstacle whose surrounding cylinder leaves more spare angle than this is given that bound

    Returns
    -------
    SceneClearance, (n, k, obstacle)

    >>> from skysill.model.site import Criteria, Terminal
    >>> scene = Scene((building("hall", [[-9, 20], [9, 20], [9, 30], [-9, 30]], ground_elevation_m=0, height_m=12),))
    >>> room = clearances(scene, [[0, 0, 2]], [0.0], [45.0], link=Link(Terminal(), Criteria()))
    >>> room.margin_deg.round(4), room.distance_m.round(4)  # 45 - atan(10 / 20); hypot(10, 20)
    (array([[[18.4349]]]), array([[[22.3607]]]))
    """
    parts = _parts(scene)
    dish, azimuth, elevation = _rays(dish_m, azimuth_deg, elevation_deg)
    ray = direction_enu(azimuth, elevation)
    shape = (*azimuth.shape, len(scene))
    rows = tuple(index.ravel() for index in np.indices(shape))
    least, away = _bounds(
        parts, dish, np.deg2rad(azimuth), np.deg2rad(elevation), (rows[0], rows[1], rows[2])
    )
    margin, distance = least.reshape(shape), away.reshape(shape)
    spare = margin - room_angle_rad(distance, link)
    wanted = spare < np.deg2rad(exact_within_deg) if exact_within_deg < 90.0 else np.ones(shape, dtype=bool)
    blank = np.full(margin.shape, np.nan)
    result = _Filling(
        np.rad2deg(margin),
        distance,
        np.rad2deg(spare),
        [blank.copy() for _ in range(6)],
        np.zeros(margin.shape, bool),
    )
    at = np.nonzero(wanted)
    for piece in _pieces(at[0].size):
        rows = tuple(index[piece] for index in at)
        result.put(rows, evaluate(parts, rows[2], dish[rows[0]], ray[rows[:2]], link), link)
    if exact_within_deg >= 90.0 and result.hit.any():
        result.deepen(parts, dish, ray, link)
    exact = wanted & ~(result.hit & (exact_within_deg < 90.0))
    return result.whole(exact, _holding(scene, parts, dish))


def near_rays(
    scene: Scene,
    dish_m: ArrayLike,
    azimuth_deg: ArrayLike,
    elevation_deg: ArrayLike,
    *,
    link: Link,
    within_deg: float,
) -> Scene:
    """The same scene with only what could leave less spare room than `within_deg` to any of the rays.

    What is left out leaves more for certain: the cylinder around it does. Arguments as in `clearances`.
    """
    parts = _parts(scene)
    dish, azimuth, elevation = _rays(dish_m, azimuth_deg, elevation_deg)
    n, k, o = (index.ravel() for index in np.indices((*azimuth.shape, len(scene))))
    margin, distance = _bounds(parts, dish, np.deg2rad(azimuth), np.deg2rad(elevation), (n, k, o))
    near = np.zeros(len(scene), dtype=bool)
    near[o[margin - room_angle_rad(distance, link) < np.deg2rad(within_deg)]] = True
    return replace(scene, obstacles=tuple(o for o, use in zip(scene.obstacles, near, strict=True) if use))


@dataclass(slots=True, eq=False)
class _Filling:
    """Arrays of a SceneClearance while they are being filled, pair by pair."""

    margin_deg: Floats
    distance_m: Floats
    spare_deg: Floats
    places: list[Floats]
    hit: Bools

    def put(self, rows: tuple[Ints, ...], found: Found, link: Link) -> None:
        hit = np.isfinite(found.hit_m)
        margin = np.rad2deg(found.margin_rad)
        near, tight = _polar(found.near_m), _polar(found.tight_m)
        self.hit[rows] = hit
        self.margin_deg[rows] = np.where(hit, -margin, margin)
        self.spare_deg[rows] = np.rad2deg(found.spare_rad) - np.where(hit, margin, 0.0)
        self.distance_m[rows] = np.where(hit, found.hit_m, near[2])
        tight_margin = np.rad2deg(found.spare_rad + room_angle_rad(tight[2], link))
        for place, value in zip(self.places, (near[0], near[1], tight_margin, *tight), strict=True):
            place[rows] = value

    def deepen(self, parts: Parts, dish: Floats, ray: Floats, link: Link) -> None:
        rows = np.nonzero(self.hit)
        depth, towards = depth_rad(parts, rows[2], dish[rows[0]], ray[rows[:2]])
        edge = _polar(towards)
        self.margin_deg[rows] = -np.rad2deg(depth)
        self.spare_deg[rows] = -np.rad2deg(depth + room_angle_rad(self.distance_m[rows], link))
        for place, value in zip(
            self.places, (edge[0], edge[1], -np.rad2deg(depth), edge[0], edge[1]), strict=False
        ):
            place[rows] = value
        self.places[5][rows] = self.distance_m[rows]

    def whole(self, exact: Bools, inside: Bools) -> SceneClearance:
        swallowed = np.broadcast_to(inside[:, None, :], self.hit.shape)
        self.hit[swallowed], self.margin_deg[swallowed], self.spare_deg[swallowed] = True, -90.0, -180.0
        self.distance_m[swallowed], self.places[2][swallowed], self.places[5][swallowed] = 0.0, -90.0, 0.0
        return SceneClearance(
            margin_deg=self.margin_deg,
            azimuth_deg=self.places[0],
            elevation_deg=self.places[1],
            distance_m=self.distance_m,
            spare_deg=self.spare_deg,
            tight_margin_deg=self.places[2],
            tight_azimuth_deg=self.places[3],
            tight_elevation_deg=self.places[4],
            tight_distance_m=self.places[5],
            hit=self.hit,
            exact=exact,
            inside_solid=inside,
        )


def least_room(
    scene: Scene,
    dish_m: ArrayLike,
    azimuth_deg: ArrayLike,
    elevation_deg: ArrayLike,
    *,
    link: Link,
    enough_deg: float = 2.0,
) -> LeastRoom:
    """The least spare angle over all obstacles, for searches: exact up to `enough_deg`, where it stops looking.

    Each obstacle's surrounding cylinder bounds its spare angle from below. Only bounds under enough_deg are followed
    up: first whether the ray is obstructed, then the obstacle with the least bound, then those whose bound is less
    than what was found.

    Shapes as in `clearances`; returns (n, k). Where the ray is obstructed the spare angle is at most minus the room
    asked for there: enough to refuse the spot.
    """
    parts = _parts(scene)
    dish, azimuth, elevation = _rays(dish_m, azimuth_deg, elevation_deg)
    inside = _holding(scene, parts, dish)
    whole = LeastRoom(
        np.full(azimuth.shape, enough_deg), np.full(azimuth.shape, -1), np.zeros(azimuth.shape, bool)
    )
    if not len(scene):
        return whole
    step = max(1, _BOUNDS // (azimuth.shape[1] * len(scene)))
    pieces = [slice(start, start + step) for start in range(0, len(dish), step)]
    rows = _side_by_side(
        lambda p: _near_rays(parts, dish[p], azimuth[p], elevation[p], link, enough_deg), pieces
    )
    n = np.concatenate([at[0] + piece.start for at, piece in zip(rows, pieces, strict=True)])
    k, o = (np.concatenate([at[i] for at in rows]) for i in (1, 2))
    bound = np.concatenate([at[3] for at in rows])
    _follow(whole, parts, link, (n, k, o, bound), dish, direction_enu(azimuth, elevation))
    rows_in, who = np.nonzero(inside)
    whole.spare_deg[rows_in], whole.hit[rows_in], whole.obstacle[rows_in] = -180.0, True, who[:, None]
    return whole


def _near_rays(
    parts: Parts, dish: Floats, azimuth: Floats, elevation: Floats, link: Link, enough_deg: float
) -> tuple[Ints, Ints, Ints, Floats]:
    """Dish, ray, obstacle of every pair whose bound is under enough_deg, and the bound, radians.

    Most obstacles are too low whatever their azimuth: that is asked first, of all at once.
    """
    enough = np.deg2rad(enough_deg)
    gap = parts.axis_m - dish[:, None, :2]
    ahead = np.sqrt(gap[..., 0] ** 2 + gap[..., 1] ** 2) - parts.reach_m
    over = parts.top_m - dish[:, 2:]
    within = ahead <= 1e-6
    reach = np.where(over > 0, np.maximum(ahead, 1e-6), ahead + 2.0 * parts.reach_m)
    lowest = np.where(over < 0, np.hypot(np.maximum(ahead, 1e-6), over), np.maximum(ahead, 1e-6))
    height = np.where(within, np.inf, np.arctan2(over, reach) + room_angle_rad(lowest, link))
    n, k, o = np.nonzero(np.deg2rad(elevation)[..., None] < height[:, None, :] + enough)
    least, distance = _bounds(parts, dish, np.deg2rad(azimuth), np.deg2rad(elevation), (n, k, o))
    bound = least - room_angle_rad(distance, link)
    near = bound < enough
    return n[near], k[near], o[near], bound[near]


def _follow(
    whole: LeastRoom,
    parts: Parts,
    link: Link,
    pairs: tuple[Ints, Ints, Ints, Floats],
    dish: Floats,
    ray: Floats,
) -> None:
    """Hits first, then the spare angles of the rays that are free, into `whole`."""
    n, k, o, bound = pairs
    along = np.concatenate(
        [first_hit_m(parts, o[p], dish[n[p]], ray[n[p], k[p]]) for p in _pieces(n.size)] or [np.zeros(0)]
    )
    met = np.isfinite(along)
    whole.hit[n[met], k[met]] = True
    _lessen(whole, n[met], k[met], o[met], -np.rad2deg(room_angle_rad(along[met], link)))
    free = ~whole.hit[n, k]
    n, k, o, bound = n[free], k[free], o[free], np.rad2deg(bound[free])
    order = np.lexsort((bound, k, n))
    n, k, o, bound = n[order], k[order], o[order], bound[order]
    first = np.ones(n.size, dtype=bool)
    first[1:] = (n[1:] != n[:-1]) | (k[1:] != k[:-1])
    for chosen in (first, ~first):
        at = np.flatnonzero(chosen)
        at = at[bound[at] < whole.spare_deg[n[at], k[at]]]
        rows = [at[p] for p in _pieces(at.size)]
        solved = _side_by_side(
            lambda r: evaluate(parts, o[r], dish[n[r]], ray[n[r], k[r]], link, margins=False), rows
        )
        for r, found in zip(rows, solved, strict=True):
            _lessen(whole, n[r], k[r], o[r], np.rad2deg(found.spare_rad))


def _side_by_side(work: Callable[[Any], Any], pieces: Sequence[Any]) -> list[Any]:
    """What is worked out of each piece, in their order; of several at the same time."""
    if len(pieces) < 2:
        return [work(piece) for piece in pieces]
    with ThreadPoolExecutor(_WORKERS) as pool:
        return list(pool.map(work, pieces))


def _pieces(count: int) -> list[slice]:
    return [slice(start, start + _PAIRS) for start in range(0, count, _PAIRS)]


def _lessen(whole: LeastRoom, n: Ints, k: Ints, o: Ints, spare_deg: Floats) -> None:
    """Put values that are less than what stands there into place; several may fall on one ray."""
    order = np.argsort(-spare_deg, kind="stable")  # the least is written last
    n, k, o, spare_deg = n[order], k[order], o[order], spare_deg[order]
    less = spare_deg < whole.spare_deg[n, k]
    whole.spare_deg[n[less], k[less]] = spare_deg[less]
    whole.obstacle[n[less], k[less]] = o[less]


def _rays(
    dish_m: ArrayLike, azimuth_deg: ArrayLike, elevation_deg: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    dish = np.asarray(dish_m, dtype=np.float64).reshape(-1, 3)
    azimuth, elevation = (
        np.atleast_1d(np.asarray(a, dtype=np.float64)) for a in (azimuth_deg, elevation_deg)
    )
    azimuth, elevation = np.broadcast_arrays(azimuth, elevation)
    shape = (len(dish), azimuth.shape[-1])
    return dish, np.broadcast_to(azimuth, shape), np.broadcast_to(elevation, shape)


def _polar(point: Floats) -> tuple[Floats, Floats, Floats]:
    """Azimuth, elevation, distance of points (..., 3)."""
    level = np.hypot(point[..., 0], point[..., 1])
    return (
        wrap_360(np.rad2deg(np.arctan2(point[..., 0], point[..., 1]))),
        np.rad2deg(np.arctan2(point[..., 2], level)),
        np.hypot(level, point[..., 2]),
    )


def _bounds(
    parts: Parts, dish: Floats, azimuth_rad: Floats, elevation_rad: Floats, pairs: tuple[Ints, Ints, Ints]
) -> tuple[Floats, Floats]:
    """Least angle and distance of pairs (dish, ray, obstacle) that the upright cylinder around the obstacle leaves.

    Seen from outside the cylinder hides a sector of azimuths between two elevations. Above the sector's top the
    nearest direction is its top edge or corner, beside it the sector's side (Napier's rule).
    """
    n, k, o = pairs
    reach, azimuth, elevation = parts.reach_m[o], azimuth_rad[n, k], elevation_rad[n, k]
    gap = parts.axis_m[o] - dish[n, :2]
    far = np.sqrt(gap[:, 0] ** 2 + gap[:, 1] ** 2)
    outside = far - reach > 1e-6
    half = np.arcsin(np.minimum(reach / np.maximum(far, 1e-9), 1.0))
    over, under = parts.top_m[o] - dish[n, 2], parts.bottom_m[o] - dish[n, 2]
    ahead = np.maximum(far - reach, 0.0)
    top = np.arctan2(over, np.where(over > 0, ahead, far + reach))
    bottom = np.arctan2(under, np.where(under > 0, far + reach, ahead))
    distance = np.hypot(ahead, np.maximum(np.maximum(-over, under), 0.0))
    turn = np.abs(np.arctan2(gap[:, 0], gap[:, 1]) - azimuth)
    off = np.maximum(np.abs(np.mod(turn + np.pi, 2 * np.pi) - np.pi) - half, 0.0)
    level, plumb = np.cos(elevation), np.sin(elevation)
    beside = np.arcsin(np.clip(level * np.sin(np.minimum(off, np.pi / 2)), 0.0, 1.0))
    corner = np.arccos(np.clip(plumb * np.sin(top) + level * np.cos(top) * np.cos(off), -1.0, 1.0))
    up, down = elevation - top, bottom - elevation
    margin = np.where((up > 0) & (plumb > 0), corner, np.maximum(np.maximum(beside, up), down))
    return np.where(outside, margin - 1e-9, -np.pi), np.where(outside, distance, 0.0)


def _holding(scene: Scene, parts: Parts, dish: Floats) -> Bools:
    """(n, obstacle) whether the dish centre is in a solid: under a standing roof, in a crown, in a post."""
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


def _overhead(scene: Scene, parts: Parts, points: Floats) -> Floats:
    up = np.full((len(points), len(scene)), np.inf)
    if not len(scene):
        return up
    away = parts.axis_m - points[:, None, :2]
    around = (np.hypot(away[..., 0], away[..., 1]) <= parts.reach_m) & (points[:, 2:] < parts.top_m)
    n, o = np.nonzero(around)
    plumb = np.broadcast_to(np.array([0.0, 0.0, 1.0]), (n.size, 3))
    for piece in _pieces(n.size):
        up[n[piece], o[piece]] = first_hit_m(parts, o[piece], points[n[piece]], plumb[piece])
    return up


def _within(parts: Parts, patch: int, aside_m: Floats, elevation_m: Floats) -> Bools:
    kind, shape, span = parts.round_kind[patch], parts.round_m[patch], parts.round_tau[patch]
    share = np.clip((elevation_m - shape[2]) / max(shape[3] - shape[2], 1e-9), 0.0, 1.0)
    tau = np.arcsin(2.0 * share - 1.0) / np.pi + 0.5 if kind == ELLIPSOID else share
    radius, level = patch_radius_m(kind, shape, tau)
    there = (np.abs(level - elevation_m) < 1e-6) & (tau >= span[0]) & (tau <= span[1])
    return np.asarray((aside_m < radius) & there)


def scene_silhouette(
    scene: Scene, dish_m: ArrayLike, *, azimuth_deg: ArrayLike | None = None, step_deg: float = 0.25
) -> Silhouette:
    """The scene against the sky from one dish centre, as columns; for profiles, pictures and sampled errors.

    Parameters
    ----------
    dish_m : (3,) east, north, elevation
    azimuth_deg : (a,) where to cut; default every step_deg and, as well, at every vertex

    Returns
    -------
    Silhouette of source "obstacle": several columns may share an azimuth, each from its floor to its top. It covers
    the full circle, near things only, where the scene is complete; else nothing.
    """
    parts, dish = _parts(scene), np.asarray(dish_m, dtype=np.float64).reshape(3)
    if azimuth_deg is None:
        azimuth_deg = np.concatenate([np.arange(0.0, 360.0, step_deg), corner_azimuths_deg(scene, dish)])
    cut = columns(parts, dish, np.unique(wrap_360(azimuth_deg)))
    spans = [[0.0, 360.0]] if scene.complete else np.zeros((0, 2))
    return Silhouette(
        source="obstacle",
        azimuth_deg=cut.azimuth_deg,
        elevation_deg=cut.top_deg,
        distance_m=cut.distance_m,
        things=tuple(Thing(o.name, o.kind, "obstacle") for o in scene.obstacles),
        thing=cut.obstacle,
        floor_deg=cut.floor_deg,
        covered_deg=np.asarray(spans),
        reach_m=np.zeros(len(spans)),
        fine_reach_m=np.full(len(spans), np.inf),
        notes=scene.notes + tuple(note for o in scene.obstacles for note in o.notes),
    )


def corner_azimuths_deg(scene: Scene, dish_m: ArrayLike) -> Floats:
    """(n,) azimuths of all vertices, both sides of each, and of the sides of round things, from a dish centre (3,)."""
    dish = np.asarray(dish_m, dtype=np.float64).reshape(3)
    corners = [_corners(o, dish) for o in scene.obstacles]
    return np.asarray(wrap_360(np.concatenate(corners))) if corners else np.zeros(0)


def _corners(obstacle: Obstacle, dish: Floats) -> Floats:
    """Azimuths of an obstacle's vertices and just beside them, and of a round thing's two sides."""
    gap = obstacle.vertices_m[:, :2] - dish[:2]
    bearing = np.rad2deg(np.arctan2(gap[:, 0], gap[:, 1]))
    if obstacle.shape != "column":
        return np.concatenate([bearing - 1e-6, bearing + 1e-6])
    radii = np.array([obstacle.radius_m, max(obstacle.crown_radius_m, obstacle.radius_m)])
    half = np.rad2deg(np.arcsin(np.minimum(radii / max(float(np.hypot(*gap[0])), 1e-9), 1.0)))
    sides = np.concatenate([half * (1 - 1e-9), half * 0.999, half * 0.99, half * 0.9])
    return np.concatenate([bearing, bearing - sides, bearing + sides])


@lru_cache(maxsize=16)
def _parts(scene: Scene) -> Parts:
    """The scene taken apart; a scene cannot change, so what was taken apart is kept."""
    taken = [_take_apart(obstacle) for obstacle in scene.obstacles]
    edges = [t[0] for t in taken]
    faces = [t[1] for t in taken]
    rounds = [t[2] for t in taken]
    corners = np.concatenate([np.zeros((0, 4, 3)), *faces])
    normal, inward = _planes(corners)
    edge = np.concatenate([np.zeros((0, 2, 3)), *edges])
    table = np.concatenate([np.zeros((0, 8)), *rounds])
    boxes = [_cylinder(*t) for t in taken]
    box = np.array(boxes).reshape(-1, 5)
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


@lru_cache(maxsize=4096)
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

"""The exact room between rays and the obstacles of a scene, for any number of dish positions at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from skysill.horizon.outlines import depth_rad
from skysill.horizon.surface_search import Found, evaluate
from skysill.model.link import Link
from skysill.model.scene import Scene
from skysill.model.solids import Parts, first_hit_m
from skysill.radio.required_room import room_angle_rad
from skysill.units import Bools, Floats, Ints, direction_enu, wrap_360

__all__ = ["LeastRoom", "SceneClearance", "clearances", "least_room", "near_rays"]


_PAIRS = 4_000
"""Pairs solved at a time: their parts stay in the processor's cache."""

_BOUNDS = 60_000
"""Bounds (dish, ray, obstacle) taken at a time, for the same reason."""

_WORKERS = 2

_Piece = TypeVar("_Piece")
_Answer = TypeVar("_Answer")


@dataclass(frozen=True, slots=True, eq=False)
class SceneClearance:
    """Room between rays and obstacles; every array (dish, ray, obstacle) but inside_solid (dish, obstacle).

    margin_deg : angle to the nearest obstructed direction; negative, the depth to the obstacle's own outline, where
        the ray is inside
    azimuth_deg, elevation_deg : that direction
    distance_m : along the line of sight to it; where the ray is inside, to where it meets the obstacle
    spare_deg : least of margin - atan(required / d) over the whole obstacle
    critical_margin_deg, critical_azimuth_deg, critical_elevation_deg, critical_distance_m : where that is
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
    critical_margin_deg: Floats
    critical_azimuth_deg: Floats
    critical_elevation_deg: Floats
    critical_distance_m: Floats
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

    >>> from skysill.model.obstacle_builders import building
    >>> from skysill.model.site import Criteria, Terminal
    >>> scene = Scene((building("hall", [[-9, 20], [9, 20], [9, 30], [-9, 30]], ground_elevation_m=0, height_m=12),))
    >>> room = clearances(scene, [[0, 0, 2]], [0.0], [45.0], link=Link(Terminal(), Criteria()))
    >>> room.margin_deg.round(4), room.distance_m.round(4)  # 45 - atan(10 / 20); hypot(10, 20)
    (array([[[18.4349]]]), array([[[22.3607]]]))
    """
    parts = scene.parts
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
    return result.whole(exact, scene.holding(dish))


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
    parts = scene.parts
    dish, azimuth, elevation = _rays(dish_m, azimuth_deg, elevation_deg)
    n, k, o = (index.ravel() for index in np.indices((*azimuth.shape, len(scene))))
    margin, distance = _bounds(parts, dish, np.deg2rad(azimuth), np.deg2rad(elevation), (n, k, o))
    near = np.zeros(len(scene), dtype=bool)
    near[o[margin - room_angle_rad(distance, link) < np.deg2rad(within_deg)]] = True
    return scene.kept(near)


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
        near, critical = _polar(found.near_m), _polar(found.critical_m)
        self.hit[rows] = hit
        self.margin_deg[rows] = np.where(hit, -margin, margin)
        self.spare_deg[rows] = np.rad2deg(found.spare_rad) - np.where(hit, margin, 0.0)
        self.distance_m[rows] = np.where(hit, found.hit_m, near[2])
        critical_margin = np.rad2deg(found.spare_rad + room_angle_rad(critical[2], link))
        for place, value in zip(self.places, (near[0], near[1], critical_margin, *critical), strict=True):
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
            critical_margin_deg=self.places[2],
            critical_azimuth_deg=self.places[3],
            critical_elevation_deg=self.places[4],
            critical_distance_m=self.places[5],
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
    parts = scene.parts
    dish, azimuth, elevation = _rays(dish_m, azimuth_deg, elevation_deg)
    inside = scene.holding(dish)
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


def _side_by_side(work: Callable[[_Piece], _Answer], pieces: Sequence[_Piece]) -> list[_Answer]:
    """What is worked out of each piece, in their order; of several at the same time."""
    if len(pieces) < 2:
        return [work(piece) for piece in pieces]
    with ThreadPoolExecutor(_WORKERS) as pool:
        return list(pool.map(work, pieces))


def _pieces(count: int) -> list[slice]:
    return [slice(start, start + _PAIRS) for start in range(0, count, _PAIRS)]


def _lessen(whole: LeastRoom, n: Ints, k: Ints, o: Ints, spare_deg: Floats) -> None:
    """Write values that are less than those stored; several may belong to one ray."""
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

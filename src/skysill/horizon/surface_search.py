"""Exact angles between a ray and the surfaces of obstacles: the least angle, and the least after the required angle.

What has to be searched, and why that is all: the required room shrinks with distance as an angle, so of all points
at one angle from the ray the nearest needs the most. On a flat face these are the points of the plane through the
ray and the face's normal, its *meridian*; elsewhere the least is on an edge. On a round surface the least is
searched over both its coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.model.link import Link
from skysill.model.solids import (
    CONE,
    DEEP_M,
    DISK,
    ELLIPSOID,
    Parts,
    dot,
    first_hit_m,
    least_of_pairs,
    patch_points,
    spread_over_parts,
)
from skysill.radio.required_room import room_angle_rad
from skysill.units import Bools, Floats, Ints

__all__ = [
    "Found",
    "critical_on_patches",
    "critical_on_segments",
    "evaluate",
    "nearest_on_segments",
]


_PATCHES = 500
"""Round surfaces searched at a time: their grids stay in the processor's cache."""


@dataclass(slots=True, eq=False)
class Found:
    """The answer for each pair; points are relative to the dish.

    hit_m : (pair,) distance along the ray to the obstacle, inf where the ray is free
    margin_rad : (pair,) angle to the nearest part; near_m : (pair, 3) that part
    spare_rad : (pair,) least of margin - required angle; tight_m : (pair, 3) where
    """

    hit_m: Floats
    margin_rad: Floats
    near_m: Floats
    spare_rad: Floats
    critical_m: Floats


def _angle_rad(x: Floats, ray: Floats) -> Floats:
    """Angle between x and the unit vector ray; well conditioned near 0 (half-chord)."""
    length = np.sqrt(dot(x, x))
    unit = x / np.maximum(length, 1e-12)[..., None]
    gap = unit - ray
    return np.asarray(2.0 * np.arcsin(np.minimum(np.sqrt(dot(gap, gap)) / 2.0, 1.0)))


def nearest_on_segments(a_m: Floats, b_m: Floats, ray: Floats) -> Floats:
    """Where on each segment the angle to the ray is least, 0 at a to 1 at b; a, b seen from the dish.

    cos(angle) = (p + q t) / sqrt(A + 2 B t + C t**2) has one extremum, t = (q A - p B) / (p C - q B); it is the
    least angle where the denominator is positive, else an end is.
    """
    along = b_m - a_m
    p, q = dot(a_m, ray), dot(along, ray)
    aa, ab, bb = dot(a_m, a_m), dot(a_m, along), dot(along, along)
    below = p * bb - q * ab
    inner = np.clip((q * aa - p * ab) / np.where(below > 0.0, below, 1.0), 0.0, 1.0)
    far = np.sqrt(np.maximum(aa + 2.0 * ab + bb, 1e-24))
    end = np.where((p + q) / far > p / np.sqrt(np.maximum(aa, 1e-24)), 1.0, 0.0)
    return np.asarray(np.where(below > 0.0, inner, end))


def critical_on_segments(a_m: Floats, b_m: Floats, ray: Floats, link: Link) -> tuple[Floats, Floats]:
    """Least spare angle along each segment and where, (spare_rad, t).

    Seventeen points evenly spaced as the dish sees them, then five times nine points around the best.
    """
    along = b_m - a_m
    length = np.sqrt(np.maximum(dot(along, along), 1e-24))
    foot = -dot(a_m, along) / length  # metres from a
    off = np.sqrt(np.maximum(dot(a_m, a_m) - foot**2, 0.0))
    off = np.maximum(off, 1e-3)
    low, high = np.arctan2(-foot, off), np.arctan2(length - foot, off)

    def spare(turn: Floats) -> tuple[Floats, Floats]:
        t = np.clip((foot[:, None] + off[:, None] * np.tan(turn)) / length[:, None], 0.0, 1.0)
        x = a_m[:, None, :] + t[..., None] * along[:, None, :]
        return _angle_rad(x, ray[:, None, :]) - room_angle_rad(np.sqrt(dot(x, x)), link), t

    rows = np.arange(length.size)
    for nodes in (17, 9, 9, 9, 9, 9):
        turn = np.linspace(low, high, nodes, axis=1)
        value, t = spare(turn)
        best = value.argmin(axis=1)
        low = turn[rows, np.maximum(best - 1, 0)]
        high = turn[rows, np.minimum(best + 1, nodes - 1)]
    return value[rows, best], t[rows, best]


def critical_on_patches(
    kind: Ints, shape: Floats, span: Floats, dish_m: Floats, ray: Floats, link: Link | None
) -> tuple[Floats, Floats]:
    """Least spare angle over each round surface and its point, (spare_rad, (patch, 3)); link None: the margin."""
    spare, point = np.empty(len(dish_m)), np.empty((len(dish_m), 3))
    for start in range(0, len(dish_m), _PATCHES):
        rows = slice(start, start + _PATCHES)
        near = kind[rows], shape[rows], span[rows], dish_m[rows], ray[rows]
        spare[rows], point[rows] = _search_patches(*near, link)
    return spare, point


def _search_patches(
    kind: Ints, shape: Floats, span: Floats, dish_m: Floats, ray: Floats, link: Link | None
) -> tuple[Floats, Floats]:
    """One batch of `critical_on_patches`.

    A grid of 9 by 24, then stencils of 3 by 3, each with a Newton step on the quadratic through it. A stencil whose
    middle is the least is drawn four times smaller, else twice as large, down to 1e-3 of the grid's mesh: the value is
    then off by the square of that.
    """
    rows, ends = np.arange(len(dish_m)), span
    span = _off_the_poles(kind, span)
    up, around = (
        g.ravel() for g in np.meshgrid(np.linspace(0, 1, 9), np.arange(24) * np.pi / 12, indexing="ij")
    )
    tau = span[:, :1] + (span[:, 1:] - span[:, :1]) * up
    turn = np.broadcast_to(around, tau.shape)
    value, _ = _patch_spare(kind, shape, tau, turn, dish_m, ray, link)
    best = value.argmin(axis=1)
    spare, tau, turn = value[rows, best], tau[rows, best], turn[rows, best]
    step, live = np.ones(rows.size), rows
    for _ in range(60):
        near = kind[live], shape[live], span[live], dish_m[live], ray[live]
        spare[live], tau[live], turn[live], still = _descend(*near, link, tau[live], turn[live], step[live])
        step[live] = np.minimum(step[live] * np.where(still, 0.25, 2.0), 1.0)
        live = live[step[live] > 1e-3]
        if not live.size:
            break
    tip, _ = _patch_spare(kind, shape, ends, np.stack([turn, turn], axis=1), dish_m, ray, link)
    at = tip.argmin(axis=1)
    tau = np.where(tip[rows, at] < spare, ends[rows, at], tau)
    return np.minimum(spare, tip[rows, at]), patch_points(kind, shape, tau, turn) - dish_m


def _off_the_poles(kind: Ints, span: Floats) -> Floats:
    """Spans that stop short of a pole or tip, where turning moves nothing and a search would stand still."""
    low = np.where((kind == ELLIPSOID) | (kind == DISK), np.maximum(span[:, 0], 2e-4), span[:, 0])
    high = np.where((kind == ELLIPSOID) | (kind == CONE), np.minimum(span[:, 1], 1.0 - 2e-4), span[:, 1])
    return np.stack([low, np.maximum(high, low)], axis=1)


def _patch_spare(
    kind: Ints, shape: Floats, tau: Floats, turn: Floats, dish_m: Floats, ray: Floats, link: Link | None
) -> tuple[Floats, Floats]:
    x = patch_points(kind[:, None], shape[:, None, :], tau, turn) - dish_m[:, None, :]
    angle = _angle_rad(x, ray[:, None, :])
    return (angle if link is None else angle - room_angle_rad(np.sqrt(dot(x, x)), link)), x


_UP, _AROUND = (g.ravel() for g in np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0], indexing="ij"))


def _descend(
    kind: Ints,
    shape: Floats,
    span: Floats,
    dish_m: Floats,
    ray: Floats,
    link: Link | None,
    tau: Floats,
    turn: Floats,
    step: Floats,
) -> tuple[Floats, Floats, Floats, Bools]:
    """One stencil and one Newton step: value, tau, turn, and whether the middle was the least already."""
    low, high = span[:, :1], span[:, 1:]
    wide, arc = (high - low) / 8 * step[:, None], np.pi / 12 * step[:, None]
    ups, turns = np.clip(tau[:, None] + _UP * wide, low, high), turn[:, None] + _AROUND * arc
    value, _ = _patch_spare(kind, shape, ups, turns, dish_m, ray, link)
    jump_up, jump_around = _newton(value)
    leap_up, leap_turn = np.clip(tau[:, None] + jump_up * wide, low, high), turn[:, None] + jump_around * arc
    leap, _ = _patch_spare(kind, shape, leap_up, leap_turn, dish_m, ray, link)
    value = np.concatenate([value, leap], axis=1)
    ups, turns = np.concatenate([ups, leap_up], axis=1), np.concatenate([turns, leap_turn], axis=1)
    rows, best = np.arange(len(value)), value.argmin(axis=1)
    gain = value[:, 4] - value[rows, best]
    still = (
        (best == 4)
        | (gain < 1e-13)
        | ((best == 9) & (np.abs(jump_up) < 0.5).ravel() & (np.abs(jump_around) < 0.5).ravel())
    )
    return value[rows, best], ups[rows, best], turns[rows, best], still


def _newton(f: Floats) -> tuple[Floats, Floats]:
    """Minimum, in steps and at most twenty away, of the quadratic through a 3 x 3 stencil (row, 9)."""
    up = (f[:, 7] - f[:, 1]) / 2.0
    around = (f[:, 5] - f[:, 3]) / 2.0
    uu, aa = f[:, 7] - 2 * f[:, 4] + f[:, 1], f[:, 5] - 2 * f[:, 4] + f[:, 3]
    ua = (f[:, 8] - f[:, 6] - f[:, 2] + f[:, 0]) / 4.0
    det = uu * aa - ua**2
    bowl = (det > 1e-30) & (uu > 0)
    safe = np.where(bowl, det, 1.0)
    jump = (
        np.where(bowl, (-up * aa + around * ua) / safe, 0.0),
        np.where(bowl, (-around * uu + up * ua) / safe, 0.0),
    )
    return np.clip(jump[0], -20.0, 20.0)[:, None], np.clip(jump[1], -20.0, 20.0)[:, None]


def _meridians(parts: Parts, face: Ints, dish_m: Floats, ray: Floats) -> tuple[Floats, Floats, Bools]:
    """The piece of each face in the plane of ray and normal: its two ends seen from the dish, and whether any."""
    normal = parts.normal[face]
    foot = (parts.offset_m[face] - dot(normal, dish_m))[:, None] * normal
    way = ray - dot(normal, ray)[:, None] * normal
    size = np.sqrt(dot(way, way))
    way = way / np.maximum(size, 1e-9)[:, None]
    depth = np.einsum("fij,fj->fi", parts.inward[face], dish_m + foot) - parts.inward_m[face]
    rate = np.einsum("fij,fj->fi", parts.inward[face], way)
    still = np.abs(rate) < 1e-12
    cut = -depth / np.where(still, 1.0, rate)
    start = np.maximum(np.where(~still & (rate > 0), cut, -np.inf).max(axis=1), -DEEP_M)
    stop = np.minimum(np.where(~still & (rate < 0), cut, np.inf).min(axis=1), DEEP_M)
    there = (size > 1e-9) & (stop > start) & ~(still & (depth < 0)).any(axis=1)
    start, stop = np.where(there, start, 0.0), np.where(there, stop, 0.0)
    return foot + start[:, None] * way, foot + stop[:, None] * way, there


def _offer(found: Found, spare: Floats, point: Floats, owner: Ints) -> None:
    """Store the rows that are less than what was found so far."""
    order = np.argsort(owner, kind="stable")
    spare, point, owner = spare[order], point[order], owner[order]
    best, at = least_of_pairs(spare, owner, found.spare_rad.size)
    won = best < found.spare_rad
    found.spare_rad[won] = best[won]
    found.critical_m[won] = point[at[won]]


def evaluate(
    parts: Parts, obstacle: Ints, dish_m: Floats, ray: Floats, link: Link, *, margins: bool = True
) -> Found:
    """Exact room between each ray and its obstacle.

    Parameters
    ----------
    obstacle : (pair,) int, index into the scene
    dish_m : (pair, 3) dish centre; ray : (pair, 3) unit vector
    margins : False leaves the margins and the hits out, and looks for the spare angle only

    Returns
    -------
    Found; where the ray meets the obstacle `hit_m` is finite and the angles speak of its edges only
    """
    pairs = obstacle.size
    found = Found(
        first_hit_m(parts, obstacle, dish_m, ray) if margins else np.full(pairs, np.inf),
        np.full(pairs, np.inf),
        np.zeros((pairs, 3)),
        np.full(pairs, np.inf),
        np.zeros((pairs, 3)),
    )
    segments = _edge_margins(parts, obstacle, dish_m, ray, link, found)
    owner, patch = spread_over_parts(obstacle, parts.round_first)
    if owner.size:
        rounds = (
            parts.round_kind[patch],
            parts.round_m[patch],
            parts.round_tau[patch],
            dish_m[owner],
            ray[owner],
        )
        if margins:
            margin, point = critical_on_patches(*rounds, None)
            best, at = least_of_pairs(margin, owner, pairs)
            won = best < found.margin_rad
            found.margin_rad[won], found.near_m[won] = best[won], point[at[won]]
        _offer(found, *critical_on_patches(*rounds, link), owner)
    owner, face = spread_over_parts(obstacle, parts.face_first)
    if owner.size:
        a, b, there = _meridians(parts, face, dish_m[owner], ray[owner])
        segments.append((a[there], b[there], owner[there]))
    for a, b, owner in segments:
        worth = _lower_spare(a, b, ray[owner], link) < found.spare_rad[owner]
        a, b, owner = a[worth], b[worth], owner[worth]
        if owner.size:
            spare, t = critical_on_segments(a, b, ray[owner], link)
            _offer(found, spare, a + t[:, None] * (b - a), owner)
    return found


def _edge_margins(
    parts: Parts, obstacle: Ints, dish_m: Floats, ray: Floats, link: Link, found: Found
) -> list[tuple[Floats, Floats, Ints]]:
    """The nearest point of the edges into `found`; the edges themselves back, for the finer search."""
    owner, edge = spread_over_parts(obstacle, parts.edge_first)
    if not owner.size:
        return []
    a, b = parts.edge_a_m[edge] - dish_m[owner], parts.edge_b_m[edge] - dish_m[owner]
    t = nearest_on_segments(a, b, ray[owner])
    point = a + t[:, None] * (b - a)
    margin = _angle_rad(point, ray[owner])
    best, at = least_of_pairs(margin, owner, obstacle.size)
    held = at >= 0
    found.margin_rad[held], found.near_m[held] = best[held], point[at[held]]
    _offer(found, margin - room_angle_rad(np.sqrt(dot(point, point)), link), point, owner)
    return [(a, b, owner)]


def _lower_spare(a_m: Floats, b_m: Floats, ray: Floats, link: Link) -> Floats:
    """A bound from below on the spare angle along segments: the least angle, less the angle asked for nearest by."""
    along = b_m - a_m
    t = nearest_on_segments(a_m, b_m, ray)
    angle = _angle_rad(a_m + t[:, None] * along, ray)
    closest = np.clip(-dot(a_m, along) / np.maximum(dot(along, along), 1e-24), 0.0, 1.0)
    near = a_m + closest[:, None] * along
    return angle - room_angle_rad(np.sqrt(dot(near, near)), link)

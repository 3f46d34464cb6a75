"""The flat faces, edges and round surfaces that obstacles are made of, and where a ray first meets them.

Kernels on flat arrays: one row is one pair of a ray (from a dish, along a unit vector) and an obstacle. A pair is
spread over the edges, faces and round surfaces of its obstacle; each is solved, and the least answer is returned.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.units import Floats, Ints

__all__ = [
    "CONE",
    "DEEP_M",
    "DISK",
    "ELLIPSOID",
    "SIDE",
    "Parts",
    "dot",
    "first_hit_m",
    "least_of_pairs",
    "patch_points",
    "patch_radius_m",
    "spread_over_parts",
]


DEEP_M = 1.0e4
"""How far down a face that stands on the ground goes on: past every horizon that a ray may graze."""


ELLIPSOID, CONE, SIDE, DISK = 0, 1, 2, 3
"""Kinds of round surface about a vertical axis, by the coordinate tau that runs up it:

ellipsoid  radius R cos(b), height z0 + (z1 - z0) (1 + sin(b)) / 2, b = pi (tau - 1/2)
cone       radius R (1 - tau), height z0 + (z1 - z0) tau
side       radius R, height z0 + (z1 - z0) tau
disk       radius R tau, height z0
"""


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """Every obstacle of a scene taken apart, one flat list of each kind of part.

    edge_a_m, edge_b_m : (edge, 3); edge_first : (obstacle + 1,) where each obstacle's edges begin
    normal : (face, 3) unit; offset_m : (face,) so that normal . x = offset in the face
    inward : (face, 3, 3), inward_m : (face, 3); x is in the face when inward . x >= inward_m, thrice
    corners_m : (face, 4, 3), the last one repeated in triangles; face_first : (obstacle + 1,)
    round_kind : (patch,) int; round_m : (patch, 5) east, north, z0, z1, R; round_tau : (patch, 2) its span
    round_first : (obstacle + 1,)
    axis_m : (obstacle, 2), reach_m, top_m, bottom_m : (obstacle,) an upright cylinder around each; bottom -inf
    where it stands on the ground
    """

    edge_a_m: Floats
    edge_b_m: Floats
    edge_first: Ints
    normal: Floats
    offset_m: Floats
    inward: Floats
    inward_m: Floats
    corners_m: Floats
    face_first: Ints
    round_kind: Ints
    round_m: Floats
    round_tau: Floats
    round_first: Ints
    axis_m: Floats
    reach_m: Floats
    top_m: Floats
    bottom_m: Floats


def dot(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.einsum("...i,...i->...", a, b))


def spread_over_parts(obstacle: Ints, first: Ints) -> tuple[Ints, Ints]:
    """Pairs spread over the parts of their obstacles: (owner pair, part index)."""
    counts = first[obstacle + 1] - first[obstacle]
    owner = np.repeat(np.arange(obstacle.size), counts)
    start = np.cumsum(counts) - counts
    part = np.arange(owner.size) - np.repeat(start - first[obstacle], counts)
    return owner, part


def least_of_pairs(values: Floats, owner: Ints, pairs: int) -> tuple[Floats, Ints]:
    """Least value of each pair, and which row held it (-1 where the pair has no row); owner is sorted."""
    best = np.full(pairs, np.inf)
    at = np.full(pairs, -1)
    if owner.size:
        starts = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
        best[owner[starts]] = np.minimum.reduceat(values, starts)
        rows = np.flatnonzero(values <= best[owner])[::-1]
        at[owner[rows]] = rows  # the first of equals is written last
    return best, at


def patch_radius_m(kind: Ints, shape: Floats, tau: Floats) -> tuple[Floats, Floats]:
    """Radius and elevation of round surfaces at tau, metres."""
    z0, z1, radius = shape[..., 2], shape[..., 3], shape[..., 4]
    b = np.pi * (tau - 0.5)
    swell = np.choose(kind, [np.cos(b), 1.0 - tau, np.ones_like(tau), tau])
    rise = np.choose(kind, [(1.0 + np.sin(b)) / 2.0, tau, tau, np.zeros_like(tau)])
    return radius * swell, z0 + (z1 - z0) * rise


def patch_points(kind: Ints, shape: Floats, tau: Floats, turn: Floats) -> Floats:
    """Points (..., 3) of round surfaces at tau up them and `turn` radians around; all broadcast."""
    tau, turn = np.broadcast_arrays(tau, turn)
    radius, level = patch_radius_m(np.broadcast_to(kind, tau.shape), shape, tau)
    return np.stack(
        [shape[..., 0] + radius * np.cos(turn), shape[..., 1] + radius * np.sin(turn), level], axis=-1
    )


def _face_hits_m(parts: Parts, face: Ints, dish_m: Floats, ray: Floats) -> Floats:
    """Distance along each ray to each face, inf where it misses."""
    normal = parts.normal[face]
    slope = dot(normal, ray)
    level = np.abs(slope) < 1e-12
    along_m = (parts.offset_m[face] - dot(normal, dish_m)) / np.where(level, 1.0, slope)
    point = dish_m + along_m[:, None] * ray
    inside = (np.einsum("fij,fj->fi", parts.inward[face], point) >= parts.inward_m[face] - 1e-9).all(axis=1)
    return np.where(inside & ~level & (along_m > 0.0), along_m, np.inf)


def _round_hits_m(parts: Parts, patch: Ints, dish_m: Floats, ray: Floats) -> Floats:
    """Distance along each ray to each round surface, inf where it misses."""
    kind, shape = parts.round_kind[patch], parts.round_m[patch]
    axis, z0, z1, radius = shape[:, :2], shape[:, 2], shape[:, 3], np.maximum(shape[:, 4], 1e-12)
    tall = np.where(z1 > z0, z1 - z0, 1.0)
    here = (dish_m[:, :2] - axis) / radius[:, None]
    way = ray[:, :2] / radius[:, None]
    # heights scaled so that the surface is x2 + y2 + s z2 = w: a ball, a cone from its tip, a pipe
    tip = np.choose(kind, [(z0 + z1) / 2.0, z1, z0, z0])
    scale = np.choose(kind, [2.0 / tall, 1.0 / tall, tall * 0.0, tall * 0.0])
    sign = np.choose(kind, [1.0, -1.0, 0.0, 0.0])
    here_z, way_z = (dish_m[:, 2] - tip) * scale, ray[:, 2] * scale
    a = dot(way, way) + sign * way_z**2
    b = dot(here, way) + sign * here_z * way_z
    c = dot(here, here) + sign * here_z**2 - np.where(kind == CONE, 0.0, 1.0)
    root = np.sqrt(np.maximum(b * b - a * c, 0.0))
    flat = np.abs(a) < 1e-14
    over = np.where(flat, 1.0, a)
    linear = -c / np.where(np.abs(b) < 1e-14, np.inf, 2.0 * b)
    roots = np.stack(
        [np.where(flat, linear, (-b - root) / over), np.where(flat, linear, (-b + root) / over)], axis=1
    )
    _, ends = patch_radius_m(kind[:, None], shape[:, None, :], parts.round_tau[patch])
    level = dish_m[:, 2:] + roots * ray[:, 2:]
    good = ((b * b >= a * c) & (kind != DISK))[:, None] & (roots > 0.0)
    good &= (level >= ends.min(axis=1)[:, None] - 1e-9) & (level <= ends.max(axis=1)[:, None] + 1e-9)
    curved = np.where(good, roots, np.inf).min(axis=1)
    down = np.where(ray[:, 2] == 0.0, np.inf, ray[:, 2])
    to_disk = (z0 - dish_m[:, 2]) / down
    across = here + to_disk[:, None] * way
    on_disk = (kind == DISK) & (to_disk > 0.0) & (dot(across, across) <= 1.0)
    return np.where(on_disk, to_disk, curved)


def first_hit_m(parts: Parts, obstacle: Ints, dish_m: Floats, ray: Floats) -> Floats:
    """Distance along each ray at which it meets its obstacle, (pair,), inf where it never does."""
    hit = np.full(obstacle.size, np.inf)
    for first, solve in ((parts.face_first, _face_hits_m), (parts.round_first, _round_hits_m)):
        owner, part = spread_over_parts(obstacle, first)
        if owner.size:
            along, _ = least_of_pairs(solve(parts, part, dish_m[owner], ray[owner]), owner, obstacle.size)
            hit = np.minimum(hit, along)
    return hit

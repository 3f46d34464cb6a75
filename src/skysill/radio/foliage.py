"""Loss of a radio link in foliage: decibels through crowns of known depth along the ray, in leaf and bare.

These figures are shown with the verdict and never change it: for `clear`, foliage is opaque in every season.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skysill.model.obstacles import Obstacle
from skysill.units import Floats, direction_enu

__all__ = ["Foliage", "bare_loss_db", "crown_path_m", "foliage_on", "leaf_loss_db"]

MODEL = "in leaf: ITU-R P.833, slant path through a pine wood; bare: fitted ITU-R model, out of leaf"

_STEP_M = 0.01
_LEAST_PATH_M = 0.05


@dataclass(frozen=True, slots=True)
class Foliage:
    """Loss in the crowns on the centre ray.

    path_m : length of the ray inside crowns, all together
    in_leaf_loss_db, bare_loss_db : loss on that path with leaves and without
    frequency_ghz : of the loss
    trees : names of the trees, nearest first
    """

    path_m: float
    in_leaf_loss_db: float
    bare_loss_db: float
    frequency_ghz: float
    trees: tuple[str, ...]


def leaf_loss_db(path_m: ArrayLike, *, frequency_ghz: ArrayLike, elevation_deg: ArrayLike) -> Floats:
    """Loss of a slant path through trees in leaf, dB; broadcast.

    Notes
    -----
    ITU-R P.833 (edition 9 and before), slant paths: L = A f^B d^C (theta + E)^G with A = 0.25, B = 0.39, C = 0.25,
    E = 0, G = 0.05 (mature pine wood, Austria), f in MHz, d in metres, theta in degrees. From memory.

    >>> float(leaf_loss_db(10.0, frequency_ghz=20.0, elevation_deg=30.0).round(2))
    25.07
    """
    f_mhz = 1000.0 * np.asarray(frequency_ghz, dtype=np.float64)
    theta = np.maximum(np.asarray(elevation_deg, dtype=np.float64), 0.1)
    return np.asarray(0.25 * f_mhz**0.39 * np.maximum(path_m, 0.0) ** 0.25 * theta**0.05)


def bare_loss_db(path_m: ArrayLike, *, frequency_ghz: ArrayLike) -> Floats:
    """Loss of a path through trees without leaves, dB; broadcast.

    Notes
    -----
    L = 0.37 f^0.18 d^0.59, f in MHz, d in metres: the ITU-R form fitted to measurements out of leaf at 11.2 and 20 GHz
    (Al-Nuaimi & Stephens, IEE Proc. Microw. Antennas Propag. 145, 1998). From memory.

    >>> float(bare_loss_db(10.0, frequency_ghz=20.0).round(2))
    8.56
    """
    f_mhz = 1000.0 * np.asarray(frequency_ghz, dtype=np.float64)
    return np.asarray(0.37 * f_mhz**0.18 * np.maximum(path_m, 0.0) ** 0.59)


def crown_path_m(
    tree: Obstacle, dish_m: ArrayLike, azimuth_deg: float, elevation_deg: float
) -> tuple[float, float]:
    """Length of a ray inside a tree's crown and the distance at which it enters, metres; 0 and inf where it misses.

    dish_m : (3,) east, north, elevation of the dish centre. Good to a centimetre: the ray is sampled.
    """
    top_m, base_m, radius_m = float(tree.line_m[0, 2]), tree.crown_base_m, tree.crown_radius_m
    if tree.crown is None or radius_m <= 0.0 or top_m <= base_m:
        return 0.0, float("inf")
    centre_m = np.array([tree.line_m[0, 0], tree.line_m[0, 1], (top_m + base_m) / 2.0])
    to_centre_m = centre_m - np.asarray(dish_m, dtype=np.float64)
    ray = direction_enu(azimuth_deg, elevation_deg)
    reach_m = float(np.hypot(radius_m, (top_m - base_m) / 2.0))
    along_m = float(to_centre_m @ ray)
    if np.linalg.norm(to_centre_m - along_m * ray) > reach_m or along_m < -reach_m:
        return 0.0, float("inf")
    distance_m = np.arange(max(along_m - reach_m, 0.0), along_m + reach_m, _STEP_M) + _STEP_M / 2.0
    point_m = np.asarray(dish_m) + distance_m[:, None] * ray
    inside = _inside_crown(tree, point_m)
    if not inside.any():
        return 0.0, float("inf")
    return float(inside.sum() * _STEP_M), float(distance_m[inside][0])


def _inside_crown(tree: Obstacle, point_m: Floats) -> Floats:
    top_m, base_m = float(tree.line_m[0, 2]), tree.crown_base_m
    across = (
        np.hypot(point_m[:, 0] - tree.line_m[0, 0], point_m[:, 1] - tree.line_m[0, 1]) / tree.crown_radius_m
    )
    up = (point_m[:, 2] - base_m) / (top_m - base_m)
    if tree.crown == "cone":
        inside = across <= 1.0 - up
    elif tree.crown == "dome":
        inside = across**2 + up**2 <= 1.0
    else:
        inside = across**2 + (2.0 * up - 1.0) ** 2 <= 1.0
    cut_m = top_m if tree.cut_m is None else tree.cut_m
    return np.asarray(inside & (up >= 0.0) & (point_m[:, 2] <= cut_m))


def foliage_on(
    obstacles: Sequence[Obstacle],
    dish_m: ArrayLike,
    azimuth_deg: float,
    elevation_deg: float,
    *,
    frequency_ghz: float,
) -> Foliage | None:
    """Loss in the crowns on a ray; None where it passes through none.

    dish_m : (3,) east, north, elevation of the dish centre
    """
    found = []
    for obstacle in obstacles:
        if obstacle.kind != "tree":
            continue
        path_m, from_m = crown_path_m(obstacle, dish_m, azimuth_deg, elevation_deg)
        if path_m >= _LEAST_PATH_M:
            found.append((from_m, path_m, obstacle.name))
    if not found:
        return None
    found.sort()
    path_m = sum(path for _, path, _ in found)
    in_leaf_db = float(leaf_loss_db(path_m, frequency_ghz=frequency_ghz, elevation_deg=elevation_deg))
    bare_db = min(float(bare_loss_db(path_m, frequency_ghz=frequency_ghz)), in_leaf_db)
    return Foliage(path_m, in_leaf_db, bare_db, frequency_ghz, tuple(name for *_, name in found))

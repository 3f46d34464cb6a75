"""Columns seen from one dish centre, shifted to many others by parallax: an estimate of where a remedy may work."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from skysill.assessment.clearance import column_margin_deg
from skysill.horizon.silhouette import Silhouette
from skysill.model.link import Link, Ray
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, direction_enu, wrap_180

__all__ = ["shifted", "shifted_spare_deg"]

MOST_COLUMNS = 300
"""So many columns of each silhouette are shifted: those that could come nearest to the ray."""

_AT_ONCE = 1_000_000


def shifted(silhouette: Silhouette, step_m: Floats, assumed_m: float) -> tuple[Floats, Floats, Floats]:
    """Azimuth, elevation, distance (n, column) of a silhouette's columns from dish centres `step_m` (n, 3) away.

    Columns without a distance stay where they are and count as `assumed_m` away. Single precision.
    """
    known = ~np.isnan(silhouette.distance_m)
    distance_m = np.where(known, silhouette.distance_m, assumed_m)
    points_m = direction_enu(silhouette.azimuth_deg, silhouette.elevation_deg) * distance_m[:, None]
    east, north, up = (
        (points_m[:, i] - np.where(known, 1.0, 0.0) * step_m[:, i : i + 1]).astype(np.float32)
        for i in range(3)
    )
    level = np.hypot(east, north)
    azimuth_deg = np.rad2deg(np.arctan2(east, north))
    return azimuth_deg, np.rad2deg(np.arctan2(up, level)), np.hypot(level, up)


def shifted_spare_deg(
    silhouettes: Sequence[Silhouette],
    ray: Ray,
    step_m: Floats,
    *,
    link: Link,
    enough_deg: float = 0.0,
) -> Floats:
    """Least spare room along a ray from dish centres elsewhere, guessed from columns seen from one.

    Parameters
    ----------
    silhouettes : all seen from the same dish centre
    step_m : (n, 3) the other dish centres less that one: east, north, up
    enough_deg : columns that leave more spare room from every one of them are not looked at

    Returns
    -------
    (n,) float, degrees; inf where nothing comes that near
    """
    least_deg = np.full(len(step_m), np.inf)
    farthest_m = float(np.linalg.norm(step_m, axis=1).max(initial=0.0))
    for silhouette in silhouettes:
        keep = _can_matter(silhouette, ray, farthest_m, link, enough_deg)
        near = silhouette.kept(keep)
        rows = max(1, _AT_ONCE // max(len(near), 1))
        for start in range(0, len(step_m) if len(near) else 0, rows):
            here = slice(start, start + rows)
            azimuth, elevation, distance_m = shifted(near, step_m[here], link.assumed_distance_m)
            margin_deg = column_margin_deg(
                azimuth - np.float32(ray.azimuth_deg),
                np.float32(ray.elevation_deg),
                elevation,
                np.asarray(near.floor_deg, dtype=np.float32),
            )
            spare_deg = margin_deg - room_angle_deg(np.maximum(distance_m, 0.1), link)
            least_deg[here] = np.minimum(least_deg[here], spare_deg.min(axis=1))
    return least_deg


def _can_matter(
    silhouette: Silhouette,
    ray: Ray,
    farthest_m: float,
    link: Link,
    enough_deg: float,
) -> Bools:
    """Columns that a step of up to `farthest_m` could bring in, the most threatening at most."""
    known = ~np.isnan(silhouette.distance_m)
    distance_m = np.where(known, silhouette.distance_m, link.assumed_distance_m)
    margin_deg = column_margin_deg(
        wrap_180(silhouette.azimuth_deg - ray.azimuth_deg),
        ray.elevation_deg,
        silhouette.elevation_deg,
        silhouette.floor_deg,
    )
    swing_deg = np.rad2deg(np.arcsin(np.minimum(1.0, np.where(known, farthest_m / distance_m, 0.0))))
    room_deg = room_angle_deg(np.maximum(distance_m - farthest_m, 0.1), link)
    threat_deg = margin_deg - swing_deg - room_deg
    keep = threat_deg <= enough_deg
    if keep.sum() > MOST_COLUMNS:
        keep &= threat_deg <= np.partition(threat_deg[keep], MOST_COLUMNS)[MOST_COLUMNS]
    return np.asarray(keep)

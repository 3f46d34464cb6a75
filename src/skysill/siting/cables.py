"""Where a mount's cable runs to its entry, and how long it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.horizon.roof_surface import roof_elevation_m
from skysill.model.site import Mount, Roof
from skysill.units import Floats

__all__ = ["CABLE_SLACK_M", "CABLE_SLACK_SHARE", "CableRun", "cable_run"]

CABLE_SLACK_SHARE, CABLE_SLACK_M = 0.1, 2.0
"""Cable over what the run measures: a tenth for bends and clips, a metre at each end. Common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class CableRun:
    """Where a cable runs: path_m (point, 3) east, north, elevation; length_m with mast and slack."""

    path_m: Floats
    length_m: float


def cable_run(roof: Roof, mount: Mount) -> CableRun | None:
    """Where a mount's cable runs to the cable entry; None without an entry, or where the mount's surface is unknown.

    Down the mast; over the roof, following its slopes, to a point of its edge; from there along the wall, level and
    upright, to the entry. Of all points of the edge the one with the shortest run. A mount outside the outline runs
    straight to the nearest wall first. A tenth and two metres are added.
    """
    if roof.cable_entry is None or mount.surface_elevation_m is None:
        return None
    import shapely

    ring = shapely.Polygon(roof.outline).exterior
    entry = np.asarray(roof.cable_entry, dtype=np.float64)
    foot = np.array([mount.east_m, mount.north_m, mount.surface_elevation_m])
    entry_at = float(ring.project(shapely.Point(entry[:2])))
    to_wall = float(ring.distance(shapely.Point(entry[:2])))
    inside = shapely.Polygon(roof.outline).covers(shapely.Point(foot[:2]))
    at = np.append(np.arange(0.0, ring.length, 0.1), [entry_at, ring.project(shapely.Point(foot[:2]))])
    if not inside:
        at = at[-1:]
    edge = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    over, paths = _over_the_roof(roof, foot, edge, inside=bool(inside))
    level = np.abs(at - entry_at)
    wall = np.minimum(level, ring.length - level) + np.abs(paths[:, -1, 2] - entry[2]) + to_wall
    best = int((over + wall).argmin())
    run = mount.height_m + float(over[best] + wall[best])
    corner = _along_wall(ring, float(at[best]), entry_at, paths[best, -1, 2])
    return CableRun(
        path_m=np.concatenate([paths[best], corner, entry[None]]),
        length_m=run * (1.0 + CABLE_SLACK_SHARE) + CABLE_SLACK_M,
    )


def _over_the_roof(roof: Roof, foot: Floats, edge: Floats, *, inside: bool) -> tuple[Floats, Floats]:
    """Length (edge point,) and points (edge point, 25, 3) of straight plan lines from the foot, on the surface."""
    share = np.linspace(0.0, 1.0, 25)[:, None]
    plan = foot[:2] + share * (edge[:, None, :] - foot[:2])
    level = np.full(plan.shape[:2], foot[2])
    if inside and roof.shaped:
        # a hair inside the edge, where a facet still reaches
        height = roof_elevation_m(roof, *(foot[:2] + (plan - foot[:2]) * (1 - 1e-6)).reshape(-1, 2).T)
        level = np.where(np.isnan(height.reshape(level.shape)), foot[2], height.reshape(level.shape))
        level[:, 0] = foot[2]
    path = np.concatenate([plan, level[..., None]], axis=2)
    return np.linalg.norm(np.diff(path, axis=1), axis=2).sum(axis=1), path


def _along_wall(ring: Any, start: float, stop: float, elevation_m: float) -> Floats:
    """Corners (point, 3) passed on the shorter way round the wall, and the point over the entry."""
    import shapely

    total = float(shapely.length(ring))
    gap = (stop - start + total / 2.0) % total - total / 2.0
    steps = start + np.linspace(0.0, 1.0, max(2, int(abs(gap) / 0.2) + 2)) * gap
    plan = shapely.get_coordinates(shapely.line_interpolate_point(ring, np.mod(steps, total)))
    return np.column_stack([plan, np.full(len(plan), elevation_m)])

"""The obstacles of a scene against the sky, as columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from skysill.horizon.outlines import columns
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.units import Floats, wrap_360

__all__ = ["corner_azimuths_deg", "scene_silhouette"]


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
    dish = np.asarray(dish_m, dtype=np.float64).reshape(3)
    if azimuth_deg is None:
        azimuth_deg = np.concatenate([np.arange(0.0, 360.0, step_deg), corner_azimuths_deg(scene, dish)])
    cut = columns(scene.parts, dish, np.unique(wrap_360(azimuth_deg)))
    spans = [[0.0, 360.0]] if scene.complete else np.zeros((0, 2))
    return Silhouette(
        source="obstacle",
        azimuth_deg=cut.azimuth_deg,
        elevation_deg=cut.top_deg,
        distance_m=cut.distance_m,
        features=tuple(Feature(o.name, o.kind, "obstacle") for o in scene.obstacles),
        feature=cut.obstacle,
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

"""The shape of a roof: its surface as triangles, its elevation anywhere, and the roof as an obstacle."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.horizon.features import Obstacle, facet
from skysill.horizon.obstacles import Scene
from skysill.job import Job
from skysill.site import Roof
from skysill.units import Floats

__all__ = [
    "OWN_ROOF",
    "own_roof",
    "roof_elevation_m",
    "roof_triangles",
    "with_own_roof",
]

OWN_ROOF = "own roof"


@lru_cache(maxsize=16)
def roof_triangles(roof: Roof) -> Floats:
    """The roof's surface as triangles (triangle, 3, 3); empty where no surface is given.

    The points are joined so that no circle through a triangle holds another point (Delaunay), in plan; triangles
    outside the outline, as in the corner of an L, are left out.

    Raises
    ------
    InputError : points that span no area
    """
    if not roof.surface:
        return np.zeros((0, 3, 3))
    import shapely

    points = np.asarray(roof.surface, dtype=np.float64)
    at = {(float(east), float(north)): row for row, (east, north, _) in enumerate(points)}
    joined = shapely.get_parts(shapely.delaunay_triangles(shapely.MultiPoint(points[:, :2])))
    if not len(joined):
        raise InputError(
            "the roof's surface points span no area.",
            where="[roof], surface",
            mend="Give at least three corners that are not in one line.",
        )
    plan = shapely.get_coordinates(joined).reshape(-1, 4, 2)[:, :3]
    corners = np.array([[points[at[float(x), float(y)]] for x, y in triangle] for triangle in plan])
    middle = corners[..., :2].mean(axis=1)
    whole = shapely.Polygon(roof.outline).buffer(1e-6)
    flat = np.abs(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2]) < 1e-9
    found = np.asarray(corners[shapely.contains_xy(whole, middle[:, 0], middle[:, 1]) & ~flat])
    found.setflags(write=False)
    return found


@lru_cache(maxsize=16)
def own_roof(roof: Roof) -> tuple[Obstacle, ...]:
    """The house's own roof as an obstacle: what a low mount on it, or one in the yard, has before it."""
    found = roof_triangles(roof)
    return tuple(facet(OWN_ROOF, corners, kind="roof", stands=True) for corners in found)


def with_own_roof(job: Job) -> Job:
    """The job with the house's own roof among its obstacles, so that a low mount on it sees it."""
    scene = job.sources.scene
    if job.roof is None or (scene is not None and any(o.name == OWN_ROOF for o in scene.obstacles)):
        return job
    whole = _roofed(scene, job.roof)
    return job if whole is None else replace(job, sources=replace(job.sources, scene=whole))


@lru_cache(maxsize=16)
def _roofed(scene: Scene | None, roof: Roof) -> Scene | None:
    """The scene with the roof in it, the same one each time; None where no surface was given."""
    found = own_roof(roof)
    if not found:
        return None
    return Scene(found) if scene is None else replace(scene, obstacles=(*scene.obstacles, *found))


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

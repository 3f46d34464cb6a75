"""A roof and its yards as places for a mount: where a spot may be, what it stands on, and where its cable runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.horizon.features import Obstacle, facet
from skysill.horizon.obstacles import Scene
from skysill.horizon.terrain import FINE_CELL_M, Elevations, ground_at
from skysill.job import Job
from skysill.positions import offset_position
from skysill.site import Mount, Roof, Site
from skysill.units import Bools, Floats

__all__ = [
    "CABLE_SLACK_M",
    "CABLE_SLACK_SHARE",
    "OWN_ROOF",
    "CableRun",
    "Spots",
    "cable_run",
    "own_roof",
    "roof_elevation_m",
    "roof_triangles",
    "spots",
    "with_own_roof",
]

OWN_ROOF = "own roof"

CABLE_SLACK_SHARE, CABLE_SLACK_M = 0.1, 2.0
"""Cable over what the run measures: a tenth for bends and clips, a metre at each end. Common practice, no source."""

_MOST_SPOTS = 200_000


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Places for a mount.

    east_m, north_m, surface_elevation_m : (n,); on_roof : (n,) bool, else in a yard
    source : who gave the surface, roof and yards
    notes : what was left out
    """

    east_m: Floats
    north_m: Floats
    surface_elevation_m: Floats
    on_roof: Bools
    source: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return int(self.east_m.size)


@dataclass(frozen=True, slots=True, eq=False)
class CableRun:
    """Where a cable runs: path_m (point, 3) east, north, elevation; length_m with mast and slack."""

    path_m: Floats
    length_m: float


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
    return np.asarray(corners[shapely.contains_xy(whole, middle[:, 0], middle[:, 1]) & ~flat])


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


def spots(roof: Roof, site: Site, rasters: Sequence[Elevations], *, step_m: float) -> Spots:
    """A grid of spots inside the roof's outline, less its setback, and in the yards.

    Parameters
    ----------
    rasters : for what no facet says: a surface raster of 2 m or finer on the roof, any bare raster in the yards
    step_m : of the grid, whose lines run through the site's origin

    Raises
    ------
    InputError : a step that is no step; an outline without area or without any surface
    """
    import shapely

    if not 0.05 <= step_m <= 100.0:
        raise InputError(
            f"a grid of {step_m:g} m is no grid.", where="--grid", mend="Give metres, from 0.05 to 100."
        )
    whole = shapely.Polygon(roof.outline)
    if not whole.is_valid or whole.area <= 0.0:
        raise InputError("the outline crosses itself or encloses nothing.", where="[roof], outline")
    inner = whole.buffer(-roof.edge_setback_m, join_style="mitre")
    east, north = _lattice(inner, step_m)
    height, source, notes = _roof_surface(roof, site, rasters, east, north)
    fine = np.isfinite(height)
    parts: list[Any] = [(east[fine], north[fine], height[fine], np.ones(int(fine.sum()), dtype=bool), source)]
    for yard in roof.yards:
        east, north = _lattice(shapely.Polygon(yard).difference(whole), step_m)
        height, said = _yard_ground(site, rasters, east, north)
        fine = np.isfinite(height)
        parts.append((east[fine], north[fine], height[fine], np.zeros(int(fine.sum()), dtype=bool), said))
    east_m, north_m, surface_m, on_roof = (np.concatenate([part[i] for part in parts]) for i in range(4))
    names = tuple(name for part in parts for name in [part[4]] * part[0].size)
    found = Spots(east_m, north_m, surface_m, on_roof.astype(bool), names, notes)
    if not len(found):
        raise InputError(
            f"no spot of a {step_m:g} m grid lies inside the roof less {roof.edge_setback_m:g} m from its edges.",
            where="[roof]",
            mend="Take a finer grid or a smaller edge_setback_m.",
        )
    return found


def _lattice(area: Any, step_m: float) -> tuple[Floats, Floats]:
    """Grid points in an area; its middle, where the grid is too coarse to have any."""
    import shapely

    if shapely.is_empty(area):
        return np.zeros(0), np.zeros(0)
    west, south, east, north = shapely.bounds(area)
    counts = [
        int(np.floor(hi / step_m)) - int(np.ceil(lo / step_m)) + 1
        for lo, hi in ((west, east), (south, north))
    ]
    if max(counts[0], 0) * max(counts[1], 0) > _MOST_SPOTS:
        raise InputError(
            f"a {step_m:g} m grid has {counts[0] * counts[1]:,} spots.",
            where="--grid",
            mend="Take a coarser one.",
        )
    along = np.arange(np.ceil(west / step_m - 1e-9), np.floor(east / step_m + 1e-9) + 1) * step_m
    up = np.arange(np.ceil(south / step_m - 1e-9), np.floor(north / step_m + 1e-9) + 1) * step_m
    x, y = (g.ravel() for g in np.meshgrid(along, up))
    inside = shapely.intersects_xy(shapely.buffer(area, 1e-9), x, y)
    if not inside.any():
        middle = shapely.point_on_surface(area)
        return np.array([shapely.get_x(middle)]), np.array([shapely.get_y(middle)])
    return x[inside], y[inside]


def _roof_surface(
    roof: Roof, site: Site, rasters: Sequence[Elevations], east_m: Floats, north_m: Floats
) -> tuple[Floats, str, tuple[str, ...]]:
    """Elevation under each spot, who said so, and what was left out."""
    height = roof_elevation_m(roof, east_m, north_m)
    if roof.surface:
        missing = int(np.isnan(height).sum())
        note = f"{missing} spots of the roof have no facet under them and were left out."
        return height, "facets", (note,) if missing else ()
    fine = [r for r in rasters if r.kind == "surface" and r.cell_size_m <= FINE_CELL_M]
    if fine and east_m.size:
        height, _ = ground_at(fine, *offset_position(site.latitude_deg, site.longitude_deg, east_m, north_m))
    if east_m.size and not np.isfinite(height).any():
        raise InputError(
            "the roof has an outline but no surface.",
            where="[roof]",
            mend=f"Give surface points with elevations, or a surface raster of {FINE_CELL_M:g} m or finer.",
        )
    return height, fine[0].name if fine else "none", ()


def _yard_ground(
    site: Site, rasters: Sequence[Elevations], east_m: Floats, north_m: Floats
) -> tuple[Floats, str]:
    """Ground in a yard: bare rasters, since a surface raster has its trees; else the site's own ground."""
    bare = [r for r in rasters if r.kind == "bare" and r.cell_size_m <= FINE_CELL_M]
    if bare and east_m.size:
        height, _ = ground_at(bare, *offset_position(site.latitude_deg, site.longitude_deg, east_m, north_m))
        if np.isfinite(height).any():
            return height, bare[0].name
    ground_m = np.nan if site.ground_elevation_m is None else site.ground_elevation_m
    return np.full(east_m.shape, ground_m), "site ground"


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
    if inside and roof.surface:
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

"""How a found roof is compared with a true one. Nothing here uses the package under test but the found roof's fields.

A true plane counts as found where one found plane covers at least half of it within 0.15 m on average. A found plane
counts as wrong where it is more than 0.15 m off the true roof on average over its own area, or where a true plane has
been found twice.
"""

from dataclasses import dataclass

import numpy as np
import shapely

NEAR_M = 0.15
STEP_M = 0.2


@dataclass(frozen=True)
class Compared:
    """true, found, wrong : numbers of planes; height_m, place_m : error of the highest line (nan where it has none)."""

    true: int
    found: int
    wrong: int
    height_m: float
    place_m: float
    overlap_m2: float
    gap_m2: float


def places_in(ring):
    """(n, 2) a grid of places inside a ring of (east, north)."""
    polygon = shapely.Polygon(np.asarray(ring)[:, :2]).buffer(-0.05)
    if polygon.is_empty:
        return np.zeros((0, 2))
    west, south, east, north = polygon.bounds
    grid = np.stack(np.meshgrid(np.arange(west, east, STEP_M), np.arange(south, north, STEP_M)), axis=-1)
    grid = grid.reshape(-1, 2)
    return grid[shapely.contains_xy(polygon, *grid.T)]


def plane_z(ring, places):
    """Elevation at places of the plane through a ring of (east, north, elevation)."""
    ring = np.asarray(ring, dtype=float)
    middle = ring.mean(axis=0)
    normal = np.linalg.svd(ring - middle)[2][2]
    return middle[2] - (places - middle[:2]) @ normal[:2] / normal[2]


def compare(roof, outline, facets, top_line):
    """A found roof against true facets; top_line : (2, 3) ends of the true roof's highest line, equal for an apex."""
    rings = [np.array(plane.ring_m) for plane in roof.planes]
    shapes = [shapely.Polygon(ring[:, :2]) for ring in rings]
    keys = [(plane.slope_east, plane.slope_north) for plane in roof.planes]
    truth = [(facet, places_in(facet)) for facet in facets]
    found, twice = 0, 0
    for facet, places in truth:
        z = plane_z(facet, places)
        matching = set()
        for ring, shape, key in zip(rings, shapes, keys, strict=True):
            inside = shapely.contains_xy(shape, *places.T)
            if inside.sum() >= 3 and np.abs(plane_z(ring, places[inside]) - z[inside]).mean() < NEAR_M:
                matching.add((key, inside.mean()))
        share = {}
        for key, part in matching:
            share[key] = share.get(key, 0.0) + part
        found += max(share.values(), default=0.0) >= 0.5
        twice += max(0, sum(part >= 0.2 for part in share.values()) - 1)
    wrong = 0
    for ring in rings:
        off, count = 0.0, 0
        mine = places_in(ring)
        for facet, _ in truth:
            inside = (
                shapely.contains_xy(shapely.Polygon(np.asarray(facet)[:, :2]), *mine.T) if len(mine) else []
            )
            if np.any(inside):
                off += np.abs(plane_z(facet, mine[inside]) - plane_z(ring, mine[inside])).sum()
                count += int(np.sum(inside))
        wrong += count == 0 or off / count > NEAR_M
    whole = shapely.Polygon(outline)
    union = shapely.union_all(shapes) if shapes else shapely.Polygon()
    return Compared(
        len(facets),
        int(found),
        int(wrong + twice),
        np.nan
        if roof.ridge_elevation_m is None
        else roof.ridge_elevation_m - float(np.max(np.asarray(top_line)[:, 2])),
        place_error_m(roof, np.asarray(top_line)),
        sum(shape.area for shape in shapes) - union.area,
        shapely.difference(whole, union).area,
    )


def place_error_m(roof, top_line):
    """Largest distance of the true line's ends and middle from the found ridges; of an apex from the highest corner."""
    if not roof.planes:
        return np.nan
    if np.allclose(top_line[0], top_line[1]):
        corners = [corner for plane in roof.planes for corner in plane.ring_m]
        return float(np.hypot(*(np.array(max(corners, key=lambda c: c[2]))[:2] - top_line[0, :2])))
    if not roof.ridges_m:
        return np.nan
    lines = shapely.union_all([shapely.LineString(np.array(line)[:, :2]) for line in roof.ridges_m])
    places = np.vstack([top_line[:, :2], top_line[:, :2].mean(axis=0)])
    return float(shapely.distance(lines, shapely.points(places)).max())


def top_line_of(house):
    """The highest line of a house of `synthetic_scans`: its first ridge, its apex, or a skillion's upper edge."""
    if house.ridges:
        return np.array(max(house.ridges, key=lambda line: np.max(np.asarray(line)[:, 2])))
    corners = np.concatenate([np.asarray(facet) for facet in house.facets])
    if house.form == "pyramidal":
        apex = corners[corners[:, 2].argmax()]
        return np.array([apex, apex])
    if house.form == "skillion":
        return corners[np.argsort(-corners[:, 2])[:2]]
    return corners[:2]


def around(points, outline, beyond_m=6.0):
    """Points in the box around an outline."""
    low, high = np.min(outline, axis=0) - beyond_m, np.max(outline, axis=0) + beyond_m
    return points[((points[:, :2] > low) & (points[:, :2] < high)).all(axis=1)]


def rasterised(points, cell_m, value="mean"):
    """East (col,), north (row,) of cell centres and (row, col) mean or highest elevation, nan without points."""
    west, north = np.floor(points[:, 0].min()), np.ceil(points[:, 1].max())
    column, row = ((points[:, 0] - west) / cell_m).astype(int), ((north - points[:, 1]) / cell_m).astype(int)
    shape = row.max() + 1, column.max() + 1
    count, total = np.zeros(shape), np.zeros(shape)
    np.add.at(count, (row, column), 1.0)
    np.add.at(total, (row, column), points[:, 2])
    highest = np.full(shape, -np.inf)
    np.maximum.at(highest, (row, column), points[:, 2])
    with np.errstate(invalid="ignore"):
        z = (
            np.where(count > 0, total / np.maximum(count, 1), np.nan)
            if value == "mean"
            else np.where(count > 0, highest, np.nan)
        )
    return west + (np.arange(shape[1]) + 0.5) * cell_m, north - (np.arange(shape[0]) + 0.5) * cell_m, z

"""Ground that bulges inside cells, between their edges: the rays from many places that it could come near to."""

from __future__ import annotations

import numpy as np

from skysill.bulk.cell_edges import Corners
from skysill.bulk.fan_results import DENSE_DEG, Fan, numbered, slope_of, take_in
from skysill.bulk.quadtree import Cells
from skysill.bulk.ray_fan import Samples, distance_to
from skysill.horizon.lattice import bilinear, chord_elevation_m, chord_maximum
from skysill.units import Floats

__all__ = ["sample_bulges"]


def sample_bulges(fan: Fan, cells: Cells, corners: Corners) -> None:
    """Rays through cells whose ground, bulging between the edges, could come nearer than all edges do.

    Every fourth ray first; then those between which the others could be nearer still.
    """
    if not len(cells):
        return
    away_m = np.maximum(np.hypot(corners.ahead_m, corners.aside_m).min(axis=0), fan.near_m)
    bulge_deg = np.rad2deg(_bulge_m(fan, cells, corners) / away_m)
    at = np.flatnonzero(bulge_deg > 1e-4)
    cells, corners, away_m, bulge_deg = cells.take(at), corners.take(at), away_m[at], bulge_deg[at]
    room_deg = fan.limits.room_at_most_deg(away_m)
    edge_deg = _edge_angles_deg(fan, cells, corners)
    doubtful = edge_deg - bulge_deg < fan.limits.doubt_at_most_deg(away_m)
    fan.doubtful[cells.place[doubtful]] = True
    at = np.flatnonzero(edge_deg - bulge_deg - room_deg < fan.least_deg[cells.place])
    if not at.size:
        return
    some, room_deg, least_deg = cells.take(at), room_deg[at], (edge_deg - bulge_deg - room_deg)[at]
    window = fan.window.take(some.place)
    azimuths = np.rad2deg(np.arctan2(corners.aside_m[:, at], corners.ahead_m[:, at]))
    wide = np.sin(np.deg2rad(np.minimum(np.maximum(fan.least_deg[some.place] + room_deg, 0.0), 90.0)))
    most_deg = np.rad2deg(np.arcsin(np.minimum(wide / fan.sights.cosine[some.place], 1.0))) + 1e-6
    low = window.ray_from(np.maximum(azimuths.min(axis=0), -most_deg))
    high = window.ray_until(np.minimum(azimuths.max(axis=0), most_deg))
    cell, step = numbered(np.where(low <= high, (high - low + _STRIDE - 1) // _STRIDE + 1, 0))
    number = np.minimum(low[cell] + _STRIDE * step, high[cell])
    spare_deg = _take_crests(fan, some.take(cell), window.take(cell).offset_deg(number))
    between = np.flatnonzero((cell[1:] == cell[:-1]) & (number[1:] > number[:-1] + 1))
    ends = (spare_deg[between], spare_deg[between + 1])
    nearer_deg, farther_deg = np.minimum(*ends), np.maximum(*ends)
    seen = np.isfinite(nearer_deg)
    between, nearer_deg, farther_deg = between[seen], nearer_deg[seen], farther_deg[seen]
    hope_deg = nearer_deg - np.minimum(farther_deg - nearer_deg, _STRIDE * DENSE_DEG) - _SAG_DEG
    still = np.maximum(hope_deg, least_deg[cell[between]]) < fan.least_deg[some.place[cell[between]]]
    between = between[still]
    owner, step = numbered(number[between + 1] - number[between] - 1)
    which = cell[between[owner]]
    _take_crests(fan, some.take(which), window.take(which).offset_deg(number[between[owner]] + 1 + step))


_STRIDE = 4
_SAG_DEG = 0.1
"""Crests do not sag more than this between every fourth ray, nor do they rise more steeply than 45 degrees."""


def _edge_angles_deg(fan: Fan, cells: Cells, corners: Corners) -> Floats:
    """The least angle from the ray to any of the four edges of cells, and what is below."""
    sine, cosine = (part.take(cells.place) for part in (fan.sights.sine, fan.sights.cosine))
    near = np.full(len(cells), -1.0)
    for ends in ((0, 1), (0, 2), (1, 3), (2, 3)):
        near = np.fmax(near, corners.edge(*ends).nearest(sine, cosine)[1])
    return np.asarray(np.rad2deg(np.arccos(np.clip(near, -1.0, 1.0))))


def _bulge_m(fan: Fan, cells: Cells, corners: Corners) -> Floats:
    """How far ground inside cells can rise over a ray's chord through them; 0 where it only falls below it.

    Over a chord that crosses so many columns u and rows v it rises by at most twist * u * v / 4.
    """
    rows, columns = fan.ground.grid.values.shape
    h = corners.height_m
    twisted = h[0] - h[1] - h[2] + h[3]
    right = cells.column + 0.5 - fan.sights.column.take(cells.place)
    down = cells.row + 0.5 - fan.sights.row.take(cells.place)
    rises = (twisted * right * down < 0.0) | (np.abs(right) < 1.0) | (np.abs(down) < 1.0)
    rises &= (cells.column < columns - 1) & (cells.row < rows - 1)
    less, more = np.minimum(np.abs(right), np.abs(down)), np.maximum(np.abs(right), np.abs(down))
    share = np.minimum((less + 0.75) / np.maximum(more - 0.75, 0.1), 1.0)
    return np.asarray(np.where(rises, np.abs(twisted) * share / 4.0, 0.0))


def _take_crests(fan: Fan, cells: Cells, offset_deg: Floats) -> Floats:
    """Sample rays where ground inside a cell looks higher than at both of its edges; see `horizon.rays.crests`.

    Returns the spare room there, inf where there is no such crest.
    """
    spare_deg = np.full(len(cells), np.inf)
    if not len(cells):
        return spare_deg
    place = cells.place
    rays = fan.rays(place, offset_deg, np.full(place.shape, -np.inf), np.full(place.shape, np.inf))
    from_m, to_m = np.full(place.shape, -np.inf), np.full(place.shape, np.inf)
    for axis, line in enumerate((cells.column, cells.row)):
        start, rate, bend = rays.start[:, axis], rays.first[:, axis], rays.second[:, axis]
        ends = [distance_to(line + one - start, rate, bend) for one in (0.0, 1.0)]
        from_m, to_m = np.maximum(from_m, np.minimum(*ends)), np.minimum(to_m, np.maximum(*ends))
    ray = np.flatnonzero((from_m >= fan.near_m) & (to_m > from_m) & (from_m <= rays.limit_m))
    rays, from_m, to_m, cells = rays.take(ray), from_m[ray], to_m[ray], cells.take(ray)
    offset_deg = offset_deg[ray]
    values = fan.ground.grid.values
    node = cells.row * values.shape[1] + cells.column
    nodes = [values.ravel().take(node + step).astype(np.float64)
             for step in (0, 1, values.shape[1], values.shape[1] + 1)]  # fmt: skip
    mixed = nodes[0] - nodes[1] - nodes[2] + nodes[3]
    where = (rays.at(distance_m) for distance_m in (from_m, to_m))
    (u0, v0), (u1, v1) = ((column - cells.column, row - cells.row) for column, row in where)
    low_m, high_m = bilinear(nodes, u0, v0), bilinear(nodes, u1, v1)
    bend_m = -mixed * (u1 - u0) * (v1 - v0)
    everyone = np.arange(bend_m.size)
    near_slope, far_slope = slope_of(rays, everyone, from_m, low_m), slope_of(rays, everyone, to_m, high_m)
    share = chord_maximum(from_m, to_m, far_slope - near_slope, bend_m)
    distance_m = from_m + share * (to_m - from_m)
    crest = np.flatnonzero(distance_m <= rays.limit_m)  # nan where there is no maximum
    top_m = chord_elevation_m(low_m, high_m, bend_m, share)[crest]
    distance_m = distance_m[crest]
    seen = Samples(crest, distance_m, top_m, slope_of(rays, crest, distance_m, top_m))
    spare_deg[ray[crest]] = take_in(fan, rays, seen, offset_deg[crest])
    return spare_deg

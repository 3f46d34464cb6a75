"""Cell maxima seen from many places: samples of ground that looks higher inside cells than on their edges."""

from __future__ import annotations

import numpy as np

from skysill.bulk.cell_edges import Corners
from skysill.bulk.fan_results import DENSE_DEG, FanResults, counted_indices, keep_least, slope_of
from skysill.bulk.quadtree import Cells
from skysill.bulk.ray_fan import Samples, distance_to
from skysill.horizon.lattice import bilinear, chord_elevation_m, chord_maximum
from skysill.units import Floats

__all__ = ["sample_cell_maxima"]


def sample_cell_maxima(results: FanResults, cells: Cells, corners: Corners) -> None:
    """Sample rays through cells whose ground, rising between the edges, could come nearer to the ray than all edges.

    Every fourth ray is sampled first, then the rays between two of them where the excess margin could be smaller still.
    """
    if not len(cells):
        return
    away_m = np.maximum(np.hypot(corners.ahead_m, corners.aside_m).min(axis=0), results.near_m)
    rise_deg = np.rad2deg(_rise_bound_m(results, cells, corners) / away_m)
    at = np.flatnonzero(rise_deg > 1e-4)
    cells, corners, away_m, rise_deg = cells.take(at), corners.take(at), away_m[at], rise_deg[at]
    room_deg = results.thresholds.room_bound_deg(away_m)
    edge_deg = _edge_angles_deg(results, cells, corners)
    uncertain = edge_deg - rise_deg < results.thresholds.uncertain_bound_deg(away_m)
    results.uncertain[cells.place[uncertain]] = True
    at = np.flatnonzero(edge_deg - rise_deg - room_deg < results.excess_limit_deg[cells.place])
    if not at.size:
        return
    some, room_deg, least_deg = cells.take(at), room_deg[at], (edge_deg - rise_deg - room_deg)[at]
    window = results.window.take(some.place)
    azimuths = np.rad2deg(np.arctan2(corners.aside_m[:, at], corners.ahead_m[:, at]))
    wide = np.sin(
        np.deg2rad(np.minimum(np.maximum(results.excess_limit_deg[some.place] + room_deg, 0.0), 90.0))
    )
    most_deg = np.rad2deg(np.arcsin(np.minimum(wide / results.frames.cosine[some.place], 1.0))) + 1e-6
    low = window.ray_from(np.maximum(azimuths.min(axis=0), -most_deg))
    high = window.ray_until(np.minimum(azimuths.max(axis=0), most_deg))
    cell, step = counted_indices(np.where(low <= high, (high - low + _STRIDE - 1) // _STRIDE + 1, 0))
    number = np.minimum(low[cell] + _STRIDE * step, high[cell])
    excess_deg = _sample_maxima(results, some.take(cell), window.take(cell).offset_deg(number))
    between = np.flatnonzero((cell[1:] == cell[:-1]) & (number[1:] > number[:-1] + 1))
    ends = (excess_deg[between], excess_deg[between + 1])
    nearer_deg, farther_deg = np.minimum(*ends), np.maximum(*ends)
    seen = np.isfinite(nearer_deg)
    between, nearer_deg, farther_deg = between[seen], nearer_deg[seen], farther_deg[seen]
    between_deg = nearer_deg - np.minimum(farther_deg - nearer_deg, _STRIDE * DENSE_DEG) - _DIP_DEG
    still = (
        np.maximum(between_deg, least_deg[cell[between]])
        < results.excess_limit_deg[some.place[cell[between]]]
    )
    between = between[still]
    owner, step = counted_indices(number[between + 1] - number[between] - 1)
    which = cell[between[owner]]
    _sample_maxima(
        results, some.take(which), window.take(which).offset_deg(number[between[owner]] + 1 + step)
    )


_STRIDE = 4
_DIP_DEG = 0.1
"""Largest dip of the excess margin of cell maxima below the line between two sampled rays, whose slope is at most 1."""


def _edge_angles_deg(results: FanResults, cells: Cells, corners: Corners) -> Floats:
    """(cell,) smallest angle from the ray to any of the four edges of a cell, or to ground below them."""
    sine, cosine = (part.take(cells.place) for part in (results.frames.sine, results.frames.cosine))
    near = np.full(len(cells), -1.0)
    for ends in ((0, 1), (0, 2), (1, 3), (2, 3)):
        near = np.fmax(near, corners.edge(*ends).nearest(sine, cosine)[1])
    return np.asarray(np.rad2deg(np.arccos(np.clip(near, -1.0, 1.0))))


def _rise_bound_m(results: FanResults, cells: Cells, corners: Corners) -> Floats:
    """(cell,) upper bound of the rise of ground above a ray's chord through the cell; 0 where it lies below the chord.

    Over a chord that crosses u columns and v rows the rise is at most (mixed difference) * u * v / 4.
    """
    rows, columns = results.ground.grid.values.shape
    h = corners.height_m
    mixed = h[0] - h[1] - h[2] + h[3]
    right = cells.column + 0.5 - results.frames.column.take(cells.place)
    down = cells.row + 0.5 - results.frames.row.take(cells.place)
    rises = (mixed * right * down < 0.0) | (np.abs(right) < 1.0) | (np.abs(down) < 1.0)
    rises &= (cells.column < columns - 1) & (cells.row < rows - 1)
    less, more = np.minimum(np.abs(right), np.abs(down)), np.maximum(np.abs(right), np.abs(down))
    share = np.minimum((less + 0.75) / np.maximum(more - 0.75, 0.1), 1.0)
    return np.asarray(np.where(rises, np.abs(mixed) * share / 4.0, 0.0))


def _sample_maxima(results: FanResults, cells: Cells, offset_deg: Floats) -> Floats:
    """Sample rays where ground inside a cell looks higher than at both crossings of its edges.

    Returns
    -------
    (ray,) excess margin there, inf where there is no such maximum
    """
    excess_deg = np.full(len(cells), np.inf)
    if not len(cells):
        return excess_deg
    place = cells.place
    rays = results.rays(place, offset_deg, np.full(place.shape, -np.inf), np.full(place.shape, np.inf))
    from_m, to_m = np.full(place.shape, -np.inf), np.full(place.shape, np.inf)
    for axis, line in enumerate((cells.column, cells.row)):
        start, rate, bend = rays.start[:, axis], rays.first[:, axis], rays.second[:, axis]
        ends = [distance_to(line + one - start, rate, bend) for one in (0.0, 1.0)]
        from_m, to_m = np.maximum(from_m, np.minimum(*ends)), np.minimum(to_m, np.maximum(*ends))
    ray = np.flatnonzero((from_m >= results.near_m) & (to_m > from_m) & (from_m <= rays.limit_m))
    rays, from_m, to_m, cells = rays.take(ray), from_m[ray], to_m[ray], cells.take(ray)
    offset_deg = offset_deg[ray]
    values = results.ground.grid.values
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
    at_maximum = np.flatnonzero(distance_m <= rays.limit_m)  # nan where there is no maximum
    top_m = chord_elevation_m(low_m, high_m, bend_m, share)[at_maximum]
    distance_m = distance_m[at_maximum]
    seen = Samples(at_maximum, distance_m, top_m, slope_of(rays, at_maximum, distance_m, top_m))
    excess_deg[ray[at_maximum]] = keep_least(results, rays, seen, offset_deg[at_maximum])
    return excess_deg

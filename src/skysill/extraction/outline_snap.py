"""A drawn outline moved onto the edges that an elevation raster shows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from skysill.units import Floats

__all__ = ["LEAST_DROP_M", "SnappedOutline", "nearest_rectangle", "snapped_outline"]

LEAST_DROP_M = 0.8
"""An edge of a roof is where the surface falls by at least this from inside to outside: common practice, no source."""

_STEP_M = 0.1
_ALONG_M = 0.25
_END_SHARE = 0.1
_LEAST_TURN = 0.17

ElevationsAt = Callable[[Floats, Floats], Floats]
"""Elevations at plan positions, east and north in metres; nan where nobody knows."""


@dataclass(frozen=True, slots=True, eq=False)
class SnappedOutline:
    """An outline after its edges were moved.

    outline_m : (corner, 2) east, north, in the order given
    moved_m : (edge,) how far the middle of each edge was moved outwards, negative inwards; nan where the
        raster shows no edge. Edge k runs from corner k to the next
    drop_m : (edge,) mean fall of the surface across it there, of the half where it is smaller
    """

    outline_m: Floats
    moved_m: Floats
    drop_m: Floats


def snapped_outline(
    outline_m: Sequence[Sequence[float]],
    elevations_at: ElevationsAt,
    *,
    cell_m: float,
    reach_m: float,
    edges: Sequence[int] | None = None,
) -> SnappedOutline:
    """Each half of an edge moved along its normal to where the surface falls most, corners where the edges then meet.

    Parameters
    ----------
    outline_m : 3 or more (east, north), in either order around
    elevations_at : of a surface raster
    cell_m : its cells' size; the fall is taken over three quarters of one to each side
    reach_m : how far an edge may be moved
    edges : numbers of the edges that may be moved; None: all

    Returns
    -------
    SnappedOutline. Edges across which the mean fall stays under `LEAST_DROP_M`, or where elevations are missing, stay.
    Neighbouring edges that are nearly parallel keep their common corner, moved with them.

    >>> house = lambda east, north: np.where((abs(east) < 5.0) & (abs(north) < 4.0), 6.0, 0.0)
    >>> drawn = [[-5.6, -4.5], [4.6, -4.3], [4.7, 3.6], [-5.5, 3.7]]
    >>> snapped = snapped_outline(drawn, house, cell_m=0.5, reach_m=1.0).outline_m
    >>> bool(np.abs(snapped - [[-5, -4], [5, -4], [5, 4], [-5, 4]]).max() < 0.1)
    True
    """
    ring = np.asarray(outline_m, dtype=np.float64)[:, :2]
    count = len(ring)
    turn = 1.0 if _signed_area_m2(ring) > 0.0 else -1.0
    wanted = set(range(count)) if edges is None else {edge % count for edge in edges}
    moved, drop = np.full(count, np.nan), np.full(count, np.nan)
    lines = []
    for edge in range(count):
        start, along, outward = _edge(ring, edge, turn)
        line = (start, along)
        if edge in wanted and np.hypot(*along) > 0.0:
            halves = [
                _best_shift(start + share * along, along / 2.0, outward, elevations_at, cell_m, reach_m)
                for share in (0.0, 0.5)
            ]
            drop[edge] = np.min([fall_m for _, fall_m in halves])  # nan where one of them is not known
            if drop[edge] >= LEAST_DROP_M:
                moved[edge] = (halves[0][0] + halves[1][0]) / 2.0
                quarter, three = (
                    start + share * along + outward * by_m
                    for share, (by_m, _) in zip((0.25, 0.75), halves, strict=True)
                )
                line = (quarter - (three - quarter) / 2.0, 2.0 * (three - quarter))
        lines.append(line)
    corners = [_corner(lines[corner - 1], lines[corner]) for corner in range(count)]
    return SnappedOutline(np.array(corners), moved, drop)


def _signed_area_m2(ring: Floats) -> float:
    after = np.roll(ring, -1, axis=0)
    return float(np.sum(ring[:, 0] * after[:, 1] - after[:, 0] * ring[:, 1]) / 2.0)


def _edge(ring: Floats, edge: int, turn: float) -> tuple[Floats, Floats, Floats]:
    """Start, way to the end, unit normal outwards."""
    start, along = ring[edge], ring[(edge + 1) % len(ring)] - ring[edge]
    length = max(float(np.hypot(*along)), 1e-12)
    return start, along, turn * np.array([along[1], -along[0]]) / length


def _best_shift(
    start: Floats, along: Floats, outward: Floats, elevations_at: ElevationsAt, cell_m: float, reach_m: float
) -> tuple[float, float]:
    """The shift with the largest mean fall, and that fall; the middle of shifts that are as good."""
    length = float(np.hypot(*along))
    share = np.linspace(_END_SHARE, 1.0 - _END_SHARE, max(3, int(length / _ALONG_M)))
    side_m = 0.75 * cell_m
    widest_m = reach_m + side_m
    shifts = np.arange(-widest_m, widest_m + 1e-9, _STEP_M)
    away = np.arange(-widest_m - side_m, widest_m + side_m + 1e-9, _STEP_M)
    points = start + share[:, None, None] * along + away[:, None] * outward
    height_m = elevations_at(points[..., 0], points[..., 1])
    inside = np.stack([np.interp(shifts - side_m, away, row) for row in height_m])
    outside = np.stack([np.interp(shifts + side_m, away, row) for row in height_m])
    fall_m = (inside - outside).mean(axis=0)
    if np.isnan(fall_m).any():
        return 0.0, float("nan")
    most_m = float(fall_m.max())
    by_m = float(shifts[fall_m >= 0.9 * most_m].mean())
    return (by_m, most_m) if abs(by_m) <= reach_m + 1e-9 else (0.0, 0.0)


def _corner(before: tuple[Floats, Floats], after: tuple[Floats, Floats]) -> Floats:
    """Where two moved edges meet."""
    (p, along_p), (q, along_q) = before, after
    lengths = float(np.hypot(*along_p) * np.hypot(*along_q))
    cross = float(along_p[0] * along_q[1] - along_p[1] * along_q[0])
    if lengths == 0.0 or abs(cross) < _LEAST_TURN * lengths:
        return (p + along_p + q) / 2.0
    gap = q - p
    return np.asarray(p + along_p * float(gap[0] * along_q[1] - gap[1] * along_q[0]) / cross)


def nearest_rectangle(corners_m: Floats) -> Floats:
    """A rectangle near four corners, in their order: its sides as the corners' sides lie on average.

    corners_m : (4, 2)

    >>> drawn = np.array([[0.0, 0.0], [4.0, 0.1], [4.0, 2.1], [0.0, 2.0]])
    >>> found = nearest_rectangle(drawn)
    >>> side, next_side = found[1] - found[0], found[2] - found[1]
    >>> bool(abs(side @ next_side) < 1e-9 and np.abs(found - drawn).max() < 0.1)
    True
    """
    sides = np.roll(corners_m, -1, axis=0) - corners_m
    angle = np.arctan2(sides[:, 1], sides[:, 0])
    mean_rad = np.angle(np.sum(np.hypot(sides[:, 0], sides[:, 1]) * np.exp(4j * angle))) / 4.0
    turn = np.array([[np.cos(mean_rad), np.sin(mean_rad)], [-np.sin(mean_rad), np.cos(mean_rad)]])
    flat = corners_m @ turn.T
    across = np.abs(np.diff(flat[:2], axis=0)[0]).argmin()  # the coordinate that the first side keeps
    for start, axis in ((0, across), (1, 1 - across), (2, across), (3, 1 - across)):
        ends = [start, (start + 1) % 4]
        flat[ends, axis] = flat[ends, axis].mean()
    return np.asarray(flat @ turn)

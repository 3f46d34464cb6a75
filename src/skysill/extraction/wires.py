"""Overhead wires from the points of a laser scan: runs of points that hang as a parabola between two ends.

A wire's catenary differs from the parabola z = chord - 4 sag s (1 - s) by under 1 % of the sag while the sag is below a
tenth of the span (any text on overhead lines; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from skysill.extraction.found import FoundWire
from skysill.extraction.ground_filter import Ground, stray_points
from skysill.extraction.plan_grid import PlanGrid
from skysill.extraction.point_cloud import (
    BUILDING_CLASS,
    NOISE_CLASSES,
    SUPPORT_CLASSES,
    VEGETATION_CLASSES,
    WIRE_CLASSES,
    PointCloud,
    Singles,
    index_blocks,
)
from skysill.extraction.point_rasters import grid_around
from skysill.units import Bools, Floats, Ints

__all__ = ["find_wires"]

_LOWEST_M = 3.5
_FEW_SHARE = 0.4
"""Largest share of high points around one on a wire: most pulses pass beside it. Roofs and crowns stop them."""

_NEIGHBOURS, _FEWEST_NEIGHBOURS, _NEIGHBOUR_M = 24, 4, 6.0
_LINEAR, _LONG_M2 = 0.06, 0.5
"""Eigenvalues of the neighbours' scatter in plan: the smaller over the larger at most, and the larger at least."""

_LINK_M, _LINK_TURN, _LINK_ASIDE_M = 8.0, 0.98, 0.6
_NOISES, _NEAREST_M, _FARTHEST_M = 3.0, 0.12, 0.3
_LEAST_POINTS, _LEAST_LENGTH_M = 10, 8.0
_LEAST_GAP_M, _LARGEST_GAP_M, _GAP_SPACINGS = 2.5, 12.0, 12.0
"""A run ends at a gap of twelve mean spacings of its points, within these bounds."""

_LONGEST_SPAN_M = 120.0
_LARGEST_SAG = 0.1
_FIRST_TRIES, _TRIES, _REFITS, _FEWEST_BELOW = 40, 250, 6, 0.6
_SUPPORT_M, _OVERRUN_M = 6.0, 4.0
_SAG_ERROR_M = 0.2
"""Standard error of a wire's height: its sag changes with temperature, wind and load. Common practice, no source."""


_NONE: Ints = np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Points of one wire between two ends: indices into the cloud, and its line and curve.

    origin, along : (2,) of the plan line; first_m, last_m : along it; curve : (3,) z = c0 + c1 t + c2 t^2
    """

    points: Ints
    origin: Floats
    along: Floats
    first_m: float
    last_m: float
    curve: Floats
    rms_m: float

    def at(self, along_m: float) -> tuple[float, float, float]:
        east_m, north_m = self.origin + along_m * self.along
        return float(east_m), float(north_m), float(np.polynomial.polynomial.polyval(along_m, self.curve))


def find_wires(cloud: PointCloud, ground: Ground) -> tuple[tuple[FoundWire, ...], Bools]:
    """Overhead wires, one a span, and the points that lie on them.

    Parameters
    ----------
    cloud, ground : of the same points

    Returns
    -------
    Wires, the longest first, and (n,) which points are theirs: these belong to no surface raster. Classes 13 and 14 are
    taken where the scan has them. Elsewhere a wire is a run of points over 3.5 m high that most pulses pass beside, in
    a straight line in plan, that hangs, and under which the ground was seen. Its ends are where its points end, or at a
    tower (class 15 or 16) or the next span's end within 6 m of that.
    """
    heights_m = ground.heights_m(cloud)
    classed = cloud.in_classes(WIRE_CLASSES)
    by_class = bool(classed.any())
    candidates = np.flatnonzero(classed if by_class else _thin(cloud, ground, heights_m))
    taken = np.zeros(len(cloud), dtype=bool)
    if len(candidates) < _LEAST_POINTS:
        return (), taken
    points = np.column_stack([cloud.east_m, cloud.north_m, cloud.elevation_m])[candidates].astype(np.float64)
    near_m = float(np.clip(_NOISES * ground.noise_m, _NEAREST_M, _FARTHEST_M))
    runs = _runs(points, candidates, near_m)
    if not by_class:
        low = _LowPoints.of(cloud, heights_m)
        runs = [run for run in runs if low.on_both_sides(run)]
    runs.sort(key=lambda run: run.first_m - run.last_m)
    towers = cloud.select(cloud.in_classes(SUPPORT_CLASSES))
    for run in runs:
        taken[run.points] = True
    wires = tuple(
        _wire(number, run, _ends_m(run, runs, towers), cloud) for number, run in enumerate(runs, start=1)
    )
    return wires, taken


def _thin(cloud: PointCloud, ground: Ground, heights_m: Singles) -> Bools:
    """Points high above the ground that most pulses pass beside."""
    from scipy import ndimage

    high = (heights_m > _LOWEST_M) & ~ground.on_ground & ~stray_points(cloud)
    high &= ~cloud.in_classes((*NOISE_CLASSES, *SUPPORT_CLASSES, *VEGETATION_CLASSES, BUILDING_CLASS))
    grid = grid_around(cloud, 1.0)
    cell = grid.cell_of(cloud.east_m, cloud.north_m)
    every, upper = (
        ndimage.uniform_filter(
            np.bincount(cells, minlength=grid.size).reshape(grid.shape).astype(np.float64),
            size=3,
            mode="constant",
        ).ravel()
        for cells in (cell, cell[high])
    )
    few = upper < _FEW_SHARE * every
    return np.asarray(high & few[cell])


def _linear(points: Floats) -> tuple[Ints, Floats]:
    """Indices of the points whose neighbours lie along a line in plan, and that line's direction (n, 2).

    In plan, so that conductors above each other are one line; over 6 m, so that those beside each other are.
    """
    from scipy.spatial import cKDTree

    plan = points[:, :2]
    away_m, near = cKDTree(plan).query(plan, k=min(_NEIGHBOURS, len(plan)), distance_upper_bound=_NEIGHBOUR_M)
    there = np.isfinite(away_m)
    count = there.sum(axis=1)
    padded = np.concatenate([plan, np.zeros((1, 2))])[near]
    middle = (padded * there[..., None]).sum(axis=1) / count[:, None]
    off = (padded - middle[:, None]) * there[..., None]
    values, vectors = np.linalg.eigh(np.einsum("nki,nkj->nij", off, off) / count[:, None, None])
    kept = (count >= _FEWEST_NEIGHBOURS) & (values[:, 0] < _LINEAR * values[:, 1]) & (values[:, 1] > _LONG_M2)
    return np.flatnonzero(kept), vectors[kept, :, 1]


def _groups(points: Floats, ways: Floats) -> list[Ints]:
    """Points linked to others near them along the same line in plan."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    if len(points) < _LEAST_POINTS:
        return []
    pairs = cKDTree(points[:, :2]).query_pairs(_LINK_M, output_type="ndarray")
    a, b = pairs[:, 0], pairs[:, 1]
    step = points[b, :2] - points[a, :2]
    aside_m = np.abs(ways[a, 0] * step[:, 1] - ways[a, 1] * step[:, 0])
    linked = (np.abs((ways[a] * ways[b]).sum(axis=1)) > _LINK_TURN) & (aside_m < _LINK_ASIDE_M)
    a, b = a[linked], b[linked]
    graph = coo_matrix((np.ones(len(a)), (a, b)), shape=(len(points), len(points)))
    many, label = connected_components(graph, directed=False)
    sizes = np.bincount(label, minlength=many)
    return [np.flatnonzero(label == one) for one in np.flatnonzero(sizes >= _LEAST_POINTS)]


def _runs(points: Floats, candidates: Ints, near_m: float) -> list[_Run]:
    """Wires, taken off one after another: of each group of linear points the parabola with the most points in one run.

    A run then takes in all points on its curve, those too that have no linear surroundings, as near poles.
    """
    runs: list[_Run] = []
    rng = np.random.default_rng(0)  # the same points give the same wires
    free = np.ones(len(points), dtype=bool)
    linear, ways = _linear(points)
    for group in _groups(points[linear], ways):
        left = linear[group]
        while len(left := left[free[left]]) >= _LEAST_POINTS:
            best = _best(points, left, near_m, rng)
            found = _fitted(points, best, np.flatnonzero(free), candidates, near_m) if len(best) else None
            if found is None:
                break
            runs.append(found[0])
            free[found[1]] = False
    return runs


def _best(points: Floats, left: Ints, near_m: float, rng: np.random.Generator) -> Ints:
    """The best run of many tries: of so many that a run of its size would be drawn again with 99.9 % probability.

    Number of draws of three points: log(0.001) / log(1 - share^3) (Fischler & Bolles 1981, from memory).
    """
    if np.ptp(points[left, :2], axis=0).max() < _LEAST_LENGTH_M / 2.0:
        return _NONE
    best, score, wanted, number = _NONE, 0.0, _FIRST_TRIES, 0
    while number < wanted:
        number += 1
        tried, run = _tried(points, left, near_m, rng)
        if tried > score:
            score, best = tried, run
            share = min(len(run) / len(left), 0.95)
            wanted = min(_TRIES, _FIRST_TRIES + math.ceil(math.log(0.001) / math.log(1.0 - share**3)))
    return best


def _tried(points: Floats, left: Ints, near_m: float, rng: np.random.Generator) -> tuple[float, Ints]:
    """Points in one run along the line and parabola through three points drawn within a span of each other.

    The score counts each point by how near it lies to the curve (MSAC, Torr & Zisserman 2000, from memory).
    """
    seed = points[left[rng.integers(len(left))]]
    near = left[np.hypot(*(points[left, :2] - seed[:2]).T) < _LONGEST_SPAN_M / 2.0]
    if len(near) < _LEAST_POINTS:
        return 0.0, _NONE
    drawn = points[rng.choice(near, 3, replace=False)]
    step = drawn[:, None, :2] - drawn[None, :, :2]
    i, j = np.unravel_index(int((step**2).sum(axis=2).argmax()), (3, 3))
    length_m = float(np.hypot(*step[i, j]))
    if length_m < _LEAST_LENGTH_M / 2.0:
        return 0.0, _NONE
    along = step[i, j] / length_m
    t = (drawn[:, :2] - drawn[j, :2]) @ along
    if np.min(np.abs(np.diff(np.sort(t)))) < 1.0:
        return 0.0, _NONE
    curve = np.linalg.solve(t[:, None] ** np.arange(3), drawn[:, 2])
    if curve[2] < -1e-3 or curve[2] * length_m > 8.0 * _LARGEST_SAG:
        return 0.0, _NONE
    run = _on_curve(points, left, drawn[j, :2], along, curve, float(np.median(t)), near_m)
    step_m = points[run, :2] - drawn[j, :2]
    off_m = points[run, 2] - np.polynomial.polynomial.polyval(step_m @ along, curve)
    return float((1.0 - (off_m / near_m) ** 2).sum()), run


def _on_curve(
    points: Floats, left: Ints, origin: Floats, along: Floats, curve: Floats, middle_m: float, near_m: float
) -> Ints:
    """Points of the run about middle_m that lie near a curve."""
    step = points[left, :2] - origin
    t, aside_m = step @ along, step[:, 1] * along[0] - step[:, 0] * along[1]
    off_m = points[left, 2] - np.polynomial.polynomial.polyval(t, curve)
    on = (np.abs(aside_m) < near_m + 0.05) & (np.abs(off_m) < near_m)
    index, t = left[on], t[on]
    if not len(t):
        return _NONE
    order = np.argsort(t)
    index, t = index[order], t[order]
    gap_m = np.clip(_GAP_SPACINGS * float(np.ptp(t)) / len(t), _LEAST_GAP_M, _LARGEST_GAP_M)
    piece = np.concatenate([[0], np.cumsum(np.diff(t) > gap_m)])
    return np.asarray(index[piece == piece[int(np.abs(t - middle_m).argmin())]])


def _fitted(
    points: Floats, run: Ints, free: Ints, candidates: Ints, near_m: float
) -> tuple[_Run, Ints] | None:
    """A run's line and curve by least squares, and its points; None where it is too short or does not hang."""
    for _ in range(_REFITS):
        if len(run) < _LEAST_POINTS:
            return None
        origin = points[run, :2].mean(axis=0)
        along = np.linalg.svd(points[run, :2] - origin, full_matrices=False)[2][0]
        t = (points[run, :2] - origin) @ along
        curve = np.polynomial.polynomial.polyfit(t, points[run, 2], 2)
        run = _on_curve(points, free, origin, along, curve, 0.0, near_m)
    if len(run) < _LEAST_POINTS:
        return None
    t = (points[run, :2] - origin) @ along
    length_m = float(np.ptp(t))
    sag_m = curve[2] * length_m**2 / 4.0
    if length_m < _LEAST_LENGTH_M or sag_m < -0.15 or sag_m > _LARGEST_SAG * length_m:
        return None
    off_m = points[run, 2] - np.polynomial.polynomial.polyval(t, curve)
    rms_m = float(np.sqrt(np.mean(off_m**2)))
    return _Run(candidates[run], origin, along, float(t.min()), float(t.max()), curve, rms_m), run


@dataclass(frozen=True, slots=True, eq=False)
class _LowPoints:
    """Points of each cell of 0.5 m, all of them and those under 1 m above the ground; (cell,) of `grid`."""

    grid: PlanGrid
    every: Floats
    low: Floats

    @classmethod
    def of(cls, cloud: PointCloud, heights_m: Singles) -> _LowPoints:
        grid = grid_around(cloud, 0.5)
        every, low = np.zeros(grid.size), np.zeros(grid.size)
        for block in index_blocks(len(cloud)):
            cell = grid.cell_of(cloud.east_m[block], cloud.north_m[block])
            every += np.bincount(cell, minlength=grid.size)
            low += np.bincount(cell[heights_m[block] < 1.0], minlength=grid.size)
        return cls(grid, every, low)

    def on_both_sides(self, run: _Run) -> bool:
        """Whether most points on either side of a run are low: beside the edge of a roof they are not."""
        along_m = np.arange(run.first_m, run.last_m, 0.25)
        across = np.array([-run.along[1], run.along[0]])
        for side in (-1.0, 1.0):
            places = np.concatenate(
                [
                    run.origin + along_m[:, None] * run.along + side * aside * across
                    for aside in (0.3, 0.6, 0.9)
                ]
            )
            cells = np.unique(self.grid.cell_of(places[:, 0], places[:, 1]))
            cells = cells[cells >= 0]
            if self.low[cells].sum() < max(_FEWEST_BELOW * self.every[cells].sum(), 1.0):
                return False
        return True


def _ends_m(run: _Run, runs: list[_Run], towers: PointCloud) -> tuple[float, float]:
    """Where a wire ends along its line: at a tower or halfway to the next span near its last points, else at them."""
    supports = [np.column_stack([towers.east_m, towers.north_m]).astype(np.float64)]
    supports += [
        np.array([other.at(end)[:2] for end in (other.first_m, other.last_m)])
        for other in runs
        if other is not run
    ]
    step = np.concatenate(supports) - run.origin
    t, aside_m = step @ run.along, step[:, 1] * run.along[0] - step[:, 0] * run.along[1]
    of_tower = np.arange(len(t)) < len(towers)
    near = np.abs(aside_m) < 1.5
    ends = []
    for last_m, outward in ((run.first_m, -1.0), (run.last_m, 1.0)):
        beyond_m = outward * (t - last_m)
        at = near & (beyond_m > -_OVERRUN_M) & (beyond_m < _SUPPORT_M)
        if (at & of_tower).any():
            last_m = float(np.median(t[at & of_tower]))
        elif (at & (beyond_m > 0.0)).any():
            last_m += outward * float(beyond_m[at & (beyond_m > 0.0)].min()) / 2.0
        ends.append(last_m)
    return ends[0], ends[1]


def _wire(number: int, run: _Run, ends_m: tuple[float, float], cloud: PointCloud) -> FoundWire:
    survey, many = cloud.survey, len(run.points)
    fit_m = run.rms_m * np.sqrt(9.0 / many)  # a fitted parabola's variance at its ends is nine times a mean's
    return FoundWire(
        line_m=tuple(run.at(end) for end in ends_m),
        sag_m=float(max(run.curve[2], 0.0) * (ends_m[1] - ends_m[0]) ** 2 / 4.0),
        residual_rms_m=run.rms_m,
        samples=many,
        height_error_m=float(np.sqrt(survey.vertical_error_m**2 + fit_m**2 + _SAG_ERROR_M**2)),
        position_error_m=survey.horizontal_error_m,
        name=f"wire {number}",
        origin=survey.origin,
        survey_year=survey.survey_year,
    )

"""Single trees and hedges from the vegetation points of a laser scan, each with its standard errors."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from skysill.extraction.crown_segments import crown_segments, crown_width_m
from skysill.extraction.found import FoundTree, FoundWall
from skysill.extraction.ground_filter import Ground
from skysill.extraction.hedge_rows import Row, hedge_rows
from skysill.extraction.plan_grid import PlanGrid
from skysill.extraction.point_cloud import PointCloud, Singles
from skysill.extraction.vegetation import LOWEST_M, Vegetation
from skysill.units import Floats, Ints

__all__ = ["find_trees_and_hedges"]

_LOWEST_TREE_M = 2.0
_LEAST_POINTS = 6
_LEAST_AREA_M2, _LEAST_RADIUS_M = 1.0, 0.5
_SECTORS = 8
_LONG_RATIO = 1.7
_TOP_SHARE = 0.6
_STEEPEST_PER_M = 1.5
_ECHO_DEPTH_M = 0.8
"""Mean depth below a crown's outside that its echoes come from: common practice, no source."""

_SHAPE_ERROR_M, _SHAPE_ERROR_SHARE = 0.15, 0.15
"""Standard error of a crown's radius and place: crowns are uneven, and thin at the rim. Common practice, no source."""

_TIP_ERROR_M = 0.15
"""Standard error of a tip because single shoots stand out: common practice, no source."""

_LEAST_ECHO_SHARE = 0.1
"""Leaves divide more pulses than this: common practice, no source."""

_HEDGE_QUANTILE = 0.95


def find_trees_and_hedges(
    cloud: PointCloud, ground: Ground, vegetation: Vegetation
) -> tuple[tuple[FoundTree, ...], tuple[FoundWall, ...]]:
    """Trees as crowns, and hedges as walls.

    Parameters
    ----------
    cloud, ground, vegetation : of the same points

    Returns
    -------
    Trees, the tallest first, and hedges, the longest first. A tree's height is above the ground under its crown. Where
    the ground is not known within 30 m, and below 2 m (hedges: 1 m), nothing is found. What hangs over is not seen
    from the air, so no tree has a crown base: it counts from the ground up.

    Notes
    -----
    The highest echo lies below the tip. Over a tip that falls by k times the square of the distance, with d pulses per
    square metre and echoes that come from a mean depth of l, the median of the missing height is
    sqrt(2 ln(2) k l / (pi d)), and its standard deviation 0.56 times that (the number of echoes within t of the tip is
    a Poisson variable of mean pi d t^2 / (2 k l)); it is added. k is fitted to the upper part of the crown.
    """
    index = np.flatnonzero(vegetation.points & (vegetation.heights_m > LOWEST_M))
    grid = vegetation.grid
    cell = grid.cell_of(cloud.east_m[index], cloud.north_m[index])
    canopy_m = _canopy(cell, vegetation.heights_m[index], grid)
    rows, hedged = hedge_rows(canopy_m > 0.0, canopy_m, grid)
    hedges = [
        _hedge(row, cloud, ground, vegetation.heights_m, index[(hedged.ravel()[cell] == number)])
        for number, row in enumerate(rows, start=1)
    ]
    trees = _trees(cloud, ground, vegetation, np.where(hedged > 0, 0.0, canopy_m), index, cell)
    return (
        tuple(_named(sorted(trees, key=lambda tree: -tree.height_m), "tree")),
        tuple(_named(sorted((h for h in hedges if h is not None), key=lambda one: -_length_m(one)), "hedge")),
    )


_Found = TypeVar("_Found", FoundTree, FoundWall)


def _named(found: list[_Found], kind: str) -> list[_Found]:
    return [replace(one, name=f"{kind} {number}") for number, one in enumerate(found, start=1)]


def _length_m(wall: FoundWall) -> float:
    line = np.array([point[:2] for point in wall.line_m])
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _canopy(cell: Ints, heights_m: Singles, grid: PlanGrid) -> Floats:
    """Highest vegetation point of each cell, 0 without; single empty cells inside a crown take their neighbours'."""
    from scipy import ndimage

    canopy = np.zeros(grid.size, dtype=np.float32)
    np.maximum.at(canopy, cell, heights_m)
    height = canopy.reshape(grid.shape).astype(np.float64)
    return np.where(height > 0.0, height, ndimage.grey_closing(height, size=(3, 3), mode="constant"))


@dataclass(frozen=True, slots=True, eq=False)
class _Crown:
    """Points of one crown. east_m, north_m, height_m : (n,); area_m2 of its cells; free : it touches no other"""

    east_m: Floats
    north_m: Floats
    height_m: Floats
    pulses: int
    area_m2: float
    free: bool


def _trees(
    cloud: PointCloud, ground: Ground, vegetation: Vegetation, canopy_m: Floats, index: Ints, cell: Ints
) -> list[FoundTree]:
    label = crown_segments(canopy_m, vegetation.grid.cell_m, lowest_m=_LOWEST_TREE_M)
    many = int(label.max())
    touching = _touching(label, many)
    areas_m2 = np.bincount(label.ravel(), minlength=many + 1) * vegetation.grid.cell_m**2
    of = label.ravel()[cell]
    order = np.argsort(of, kind="stable")
    ends = np.searchsorted(of[order], np.arange(1, many + 2))
    divided = 0.0 if vegetation.by_class or cloud.returns.max(initial=1) <= 1 else _LEAST_ECHO_SHARE
    found = []
    for one in range(1, many + 1):
        points = index[order[ends[one - 1] : ends[one]]]
        if len(points) < _LEAST_POINTS or areas_m2[one] < _LEAST_AREA_M2:
            continue
        if np.mean(cloud.returns[points] > 1) < divided:
            continue
        spread_m = np.sqrt(2.0 * (np.var(cloud.east_m[points]) + np.var(cloud.north_m[points])))  # of a disk
        if spread_m < _LEAST_RADIUS_M:
            continue  # a pole or a stem without leaves; the surface raster shows it
        parts = _parts(cloud, vegetation.heights_m, points)
        found += [
            _tree(
                _Crown(
                    cloud.east_m[part].astype(np.float64),
                    cloud.north_m[part].astype(np.float64),
                    vegetation.heights_m[part].astype(np.float64),
                    int(np.count_nonzero(cloud.return_number[part] == 1)),
                    float(areas_m2[one]) * len(part) / len(points),
                    not touching[one] and len(parts) == 1,
                ),
                cloud,
                ground,
            )
            for part in parts
        ]
    return found


def _parts(cloud: PointCloud, heights_m: Singles, points: Ints) -> list[Ints]:
    """A crown's points; of a row whose tops nothing parts, cut across into round pieces.

    A row is far longer than wide, and than the crown width that goes with its height.
    """
    places = np.column_stack([cloud.east_m[points], cloud.north_m[points]]).astype(np.float64)
    values, vectors = np.linalg.eigh(np.cov(places.T))
    ratio = float(np.sqrt(values[1] / max(values[0], 1e-6)))
    many = round(ratio)
    length_m = float(np.sqrt(12.0 * values[1]))  # of evenly spread points
    long = ratio > _LONG_RATIO and length_m > _LONG_RATIO * float(crown_width_m(heights_m[points].max()))
    if not long or len(points) < many * 2 * _LEAST_POINTS:
        return [points]
    along_m = places @ vectors[:, 1]
    cuts = np.linspace(along_m.min(), along_m.max(), many + 1)[1:-1]
    piece = np.searchsorted(cuts, along_m)
    parts = [points[piece == one] for one in range(many)]
    return [part for part in parts if len(part) >= _LEAST_POINTS]


def _touching(label: Ints, many: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether each crown has another within a cell."""
    touching = np.zeros(many + 1, dtype=bool)
    for one, other in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1, :], np.s_[1:, :])):
        a, b = label[one], label[other]
        meet = (a != b) & (a > 0) & (b > 0)
        touching[a[meet]] = touching[b[meet]] = True
    return touching


def _tree(crown: _Crown, cloud: PointCloud, ground: Ground) -> FoundTree:
    east_m, north_m, radius_m, radius_error_m = _outline(crown)
    survey = cloud.survey
    under_m, under_error_m = (float(ask([east_m], [north_m])[0]) for ask in (ground.at, ground.error_m))
    up_m = _tip_above_points_m(crown, np.hypot(crown.east_m - east_m, crown.north_m - north_m))
    shape_m = np.hypot(_SHAPE_ERROR_M, _SHAPE_ERROR_SHARE * radius_m)
    return FoundTree(
        east_m=east_m,
        north_m=north_m,
        height_m=float(crown.height_m.max()) + up_m,
        crown_radius_m=radius_m,
        height_error_m=float(
            np.sqrt((0.56 * up_m) ** 2 + under_error_m**2 + ground.noise_m**2 + _TIP_ERROR_M**2)
        ),
        position_error_m=float(np.hypot(survey.horizontal_error_m, shape_m)),
        crown_radius_error_m=float(np.hypot(radius_error_m, shape_m)),
        ground_elevation_m=under_m,
        free_standing=crown.free,
        samples=len(crown.height_m),
        origin=survey.origin,
        survey_year=survey.survey_year,
    )


def _outline(crown: _Crown) -> tuple[float, float, float, float]:
    """Middle and radius of a crown, and the radius's standard error.

    Around the mean of the points, the outermost point of each of eight sectors; n points spread evenly over a sector
    leave 1 / (2 n + 1) of the radius free on average, which is added. The middle is moved to where they balance.
    """
    east_m, north_m = float(crown.east_m.mean()), float(crown.north_m.mean())
    reach_m = np.full(_SECTORS, np.nan)
    for _ in range(3):
        x, y = crown.east_m - east_m, crown.north_m - north_m
        away_m = np.hypot(x, y)
        turn = (np.arctan2(y, x) + np.pi) / (2.0 * np.pi) * _SECTORS
        sector = np.minimum(turn.astype(np.int64), _SECTORS - 1)
        many = np.bincount(sector, minlength=_SECTORS)
        outermost = np.zeros(_SECTORS)
        np.maximum.at(outermost, sector, away_m)
        reach_m = np.where(many > 0, outermost * (1.0 + 1.0 / (2.0 * np.maximum(many, 1))), np.nan)
        angle = -np.pi + (np.arange(_SECTORS) + 0.5) * 2.0 * np.pi / _SECTORS
        known = np.isfinite(reach_m)
        if known.all():  # half the first Fourier term's shift at a time
            east_m += float((reach_m * np.cos(angle)).mean())
            north_m += float((reach_m * np.sin(angle)).mean())
    by_area_m = float(np.sqrt(crown.area_m2 / np.pi))
    radius_m = max(float(np.nanmean(reach_m)), by_area_m)
    error_m = float(np.nanstd(reach_m) / np.sqrt(max(int(np.isfinite(reach_m).sum()), 1)))
    return east_m, north_m, radius_m, error_m


def _tip_above_points_m(crown: _Crown, away_m: Floats) -> float:
    """How far the tip lies above the highest point, on average."""
    radius_m = np.sqrt(crown.area_m2 / np.pi)
    upper = away_m < _TOP_SHARE * radius_m
    fall = crown.height_m.max() / 2.0 / radius_m**2
    if np.count_nonzero(upper) > 5:
        fall = -float(np.polyfit(away_m[upper] ** 2, crown.height_m[upper], 1)[0])
    fall = float(np.clip(fall, 0.02, _STEEPEST_PER_M))
    per_m2 = max(crown.pulses / crown.area_m2, 0.1)
    return float(np.sqrt(2.0 * np.log(2.0) * fall * _ECHO_DEPTH_M / (np.pi * per_m2)))


def _hedge(row: Row, cloud: PointCloud, ground: Ground, heights_m: Singles, points: Ints) -> FoundWall | None:
    """A hedge's line with the height that all but its single shoots have; None without points."""
    if len(points) < _LEAST_POINTS:
        return None
    height_m = float(np.quantile(heights_m[points], _HEDGE_QUANTILE))
    ends = np.asarray(row.line_m)
    side = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    beside_m = (cloud.north_m[points] - ends[0, 1]) * side[0] - (cloud.east_m[points] - ends[0, 0]) * side[1]
    middle = ends.mean(axis=0)
    under_error_m = float(ground.error_m([middle[0]], [middle[1]])[0])
    return FoundWall(
        kind="hedge",
        line_m=tuple((float(east), float(north)) for east, north in row.line_m),
        height_m=height_m,
        height_error_m=float(np.sqrt(under_error_m**2 + ground.noise_m**2 + _TIP_ERROR_M**2)),
        position_error_m=float(np.hypot(cloud.survey.horizontal_error_m, 0.15)),
        thickness_m=float(np.sqrt(12.0) * beside_m.std()),  # of an evenly filled strip
        origin=cloud.survey.origin,
        survey_year=cloud.survey.survey_year,
    )

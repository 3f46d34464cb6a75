"""What surface rasters show on roofs, for many spots: the loops of `roof_spots`."""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.jit import compiled
from skysill.horizon.lattice import EDGE_SLACK

__all__ = ["stand_off"]

_DIRECTIONS, _SAMPLE_M = 16, 0.5


@compiled
def _height(values: Any, column: float, row: float) -> float:
    """Bilinear height at a fractional position of a lattice, as `lattice.interpolate`; nan outside and in voids."""
    rows, columns = values.shape
    inside = column >= -EDGE_SLACK and column <= columns - 1 + EDGE_SLACK
    if not (inside and row >= -EDGE_SLACK and row <= rows - 1 + EDGE_SLACK and min(rows, columns) > 1):
        return np.nan
    left = min(max(int(np.floor(column)), 0), columns - 2)
    upper = min(max(int(np.floor(row)), 0), rows - 2)
    right, down = column - left, row - upper
    above = float(values[upper, left]) * (1 - right) + float(values[upper, left + 1]) * right
    below = float(values[upper + 1, left]) * (1 - right) + float(values[upper + 1, left + 1]) * right
    return float(above * (1 - down) + below * down)


@compiled
def _sample(values: Any, start: Any, linear: Any, square: Any, x: float, y: float) -> float:
    """The height at a place of a building's plan, by its map."""
    column = (
        start[0]
        + (linear[0, 0] + square[0, 0] * x + square[0, 1] * y) * x
        + (linear[0, 1] + square[0, 2] * y) * y
    )
    row = (
        start[1]
        + (linear[1, 0] + square[1, 0] * x + square[1, 1] * y) * x
        + (linear[1, 1] + square[1, 2] * y) * y
    )
    return _height(values, column, row)


@compiled
def stand_off(
    values: Any, start: Any, linear: Any, square: Any, building: Any, east: Any, north: Any, half: Any, off_m: float,
    steepest: float, found: Any,
) -> None:  # fmt: skip
    """Whether one raster shows something at each spot that is no roof to stand a mast on.

    values : (row, column) of the raster; start, linear, square : (building, ...) of `local_maps`
    building, east, north : (spot,); half : (spot,) samples of half a metre on either side
    off_m, steepest : drop and slope that make a spot stand off
    found : (spot,) int8, filled: 1 where it does, 0 where not, -1 where a sample has no data
    """
    for k in range(building.size):
        b, x, y, count = building[k], east[k], north[k], half[k]
        found[k] = 0
        for turn in range(_DIRECTIONS):
            by_x = np.sin(turn * np.pi / _DIRECTIONS) * _SAMPLE_M
            by_y = np.cos(turn * np.pi / _DIRECTIONS) * _SAMPLE_M
            there = _sample(values, start[b], linear[b], square[b], x + by_x, y + by_y)
            here = _sample(values, start[b], linear[b], square[b], x - by_x, y - by_y)
            if there != there or here != here:
                found[k] = -1
                break
            if abs(there - here) / (2.0 * _SAMPLE_M) > steepest:
                found[k] = 1
                break
        if found[k] != 0:
            continue
        middle = _sample(values, start[b], linear[b], square[b], x, y)
        level = False  # whether some straight line through the spot drops by no more than off_m
        for turn in range(_DIRECTIONS):
            by_x = np.sin(turn * np.pi / _DIRECTIONS) * _SAMPLE_M
            by_y = np.cos(turn * np.pi / _DIRECTIONS) * _SAMPLE_M
            least = middle - off_m
            run = 0
            for step in range(-count, count + 1):
                z = _sample(values, start[b], linear[b], square[b], x + step * by_x, y + step * by_y)
                if z != z:
                    found[k] = -1
                run = run + 1 if z >= least else 0
                if run > count:
                    level = True
                    break
            if level or found[k] != 0:
                break
        if found[k] == 0 and not level:
            found[k] = 1

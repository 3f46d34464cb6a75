"""Maxima of a grid over square blocks: upper bounds of its ground, looked up in place of the ground itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skysill.units import Bools, Floats

__all__ = [
    "BLOCK_CELLS",
    "BlockMaxima",
    "MaximumPyramid",
    "block_maxima",
    "maximum_pyramid",
    "over_blocks",
    "widened",
]

BLOCK_CELLS = 16
"""Side of the blocks of `BlockMaxima`."""


@dataclass(frozen=True, slots=True, eq=False)
class BlockMaxima:
    """Maxima of a grid over blocks of 16 by 16 nodes; each entry also covers the eight blocks around its own.

    highest_m : (block row, block column) highest ground, -inf where all is void
    void : whether there is a void
    rise_m : largest rise of bilinear ground above a straight line through one of the cells: a quarter of the largest
        mixed difference, z00 - z01 - z10 + z11 of a cell
    """

    highest_m: NDArray[np.float32]
    void: Bools
    rise_m: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class MaximumPyramid:
    """Maxima of a grid over blocks of 1, 2, 4, ... cells. A cell is the ground between four nodes.

    block_m : level k holds the highest ground of blocks of 2**k cells, (block row, block column); -inf if void
    neighbourhood_m : the same of each block and the eight around it
    neighbourhood_void : whether there is a void in a block or the eight around it; None where the grid has no void
    """

    block_m: tuple[NDArray[np.float32], ...]
    neighbourhood_m: tuple[NDArray[np.float32], ...]
    neighbourhood_void: tuple[Bools, ...] | None

    def level_for(self, cells: float) -> int:
        """The lowest level whose neighbourhoods reach at least `cells` to every side."""
        return int(min(max(np.ceil(np.log2(max(cells, 1.0))), 0), len(self.neighbourhood_m) - 1))

    def highest_near(self, level: int, column: Floats, row: Floats) -> Floats:
        """Highest ground within 2**level cells of positions; a position outside takes the nearest block."""
        return np.asarray(_look_up(self.neighbourhood_m[level], level, column, row))

    def void_near(self, level: int, column: Floats, row: Floats) -> Bools:
        """Whether there is a void within 2**level cells of positions."""
        if self.neighbourhood_void is None:
            return np.zeros(column.shape, dtype=bool)
        return np.asarray(_look_up(self.neighbourhood_void[level], level, column, row))


def _look_up(table: NDArray[Any], level: int, column: Floats, row: Floats) -> NDArray[Any]:
    rows, columns = table.shape
    i = np.clip(row.astype(np.int64) >> level, 0, rows - 1)
    j = np.clip(column.astype(np.int64) >> level, 0, columns - 1)
    return np.asarray(table.ravel().take(i * columns + j))


def widened(blocks: NDArray[Any]) -> NDArray[Any]:
    """(row, column) maximum of each entry and its eight neighbours.

    >>> widened(np.array([[1, 0, 0, 0], [0, 0, 0, 2]])).tolist()
    [[1, 1, 2, 2], [1, 1, 2, 2]]
    """
    wide = blocks.copy()
    np.maximum(wide[:, 1:], blocks[:, :-1], out=wide[:, 1:])
    np.maximum(wide[:, :-1], blocks[:, 1:], out=wide[:, :-1])
    tall = wide.copy()
    np.maximum(tall[1:], wide[:-1], out=tall[1:])
    np.maximum(tall[:-1], wide[1:], out=tall[:-1])
    return tall


def over_blocks(operation: np.ufunc, values: NDArray[Any], block: int) -> NDArray[Any]:
    """(block row, block column) of a reduction such as np.maximum over blocks of `block` by `block` values.

    >>> over_blocks(np.maximum, np.arange(15).reshape(3, 5), 2).tolist()
    [[6, 8, 9], [11, 13, 14]]
    """
    rows, columns = values.shape
    strips = [operation.reduce(values[top : top + block], axis=0) for top in range(0, rows, block)]
    return np.asarray(operation.reduceat(np.stack(strips), np.arange(0, columns, block), axis=1))


def block_maxima(values: NDArray[np.float32]) -> BlockMaxima:
    """Maxima of a grid, values (row, column) with nan = void, over blocks of 16 by 16 nodes."""
    rows, columns = values.shape
    highest, highest_known, rise = [], [], []
    for row in range(0, rows, BLOCK_CELLS):  # strips that fit the processor's cache
        strip = values[row : row + BLOCK_CELLS + 1]
        highest.append(np.maximum.reduce(strip[:BLOCK_CELLS], axis=0))
        has_void = np.isnan(highest[-1]).any()  # a maximum is nan wherever one value is
        highest_known.append(np.fmax.reduce(strip[:BLOCK_CELLS], axis=0) if has_void else highest[-1])
        step = strip[1:] - strip[:-1]
        mixed = np.abs(step[:, 1:] - step[:, :-1])
        rise.append(np.fmax.reduce(mixed, axis=0, initial=0.0))
    starts = np.arange(0, columns, BLOCK_CELLS)
    void = np.isnan(np.maximum.reduceat(np.stack(highest), starts, axis=1))
    highest_m = np.fmax.reduceat(np.stack(highest_known), starts, axis=1)
    largest = np.stack(rise)
    rise_m = np.fmax.reduceat(np.column_stack([largest, largest[:, -1:]]), starts, axis=1) / 4.0
    return BlockMaxima(
        widened(np.where(np.isnan(highest_m), -np.inf, highest_m)), widened(void), widened(rise_m)
    )


def maximum_pyramid(values: NDArray[np.float32], *, has_void: bool) -> MaximumPyramid:
    """Maxima of a grid over blocks of 1, 2, 4, ... cells.

    values : (row, column), nan = void; has_void : whether there is any
    """
    neighbourhood_void = None
    if has_void:
        void = np.isnan(values)
        values = np.where(void, np.float32(-np.inf), values)
        neighbourhood_void = tuple(widened(level) for level in _halvings(_over_cells(void)))
    blocks = _halvings(_over_cells(values))
    return MaximumPyramid(tuple(blocks), tuple(widened(level) for level in blocks), neighbourhood_void)


def _over_cells(values: NDArray[Any]) -> NDArray[Any]:
    """Maximum of each node and the three after it: the cell that begins there."""
    top = values.copy()
    np.maximum(top[:, :-1], values[:, 1:], out=top[:, :-1])
    np.maximum(top[:-1], top[1:], out=top[:-1])
    return top


def _halvings(values: NDArray[Any]) -> list[NDArray[Any]]:
    levels = [values]
    while min(values.shape) > 2:
        rows, columns = values.shape
        padded = np.pad(values, ((0, rows % 2), (0, columns % 2)), mode="edge")
        pairs = np.maximum(padded[::2], padded[1::2])
        values = np.maximum(pairs[:, ::2], pairs[:, 1::2])
        levels.append(values)
    return levels

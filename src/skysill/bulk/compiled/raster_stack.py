"""One or several rasters held in memory as the compiled loops read them: one flat array, and tables of where what is.

A cell is the ground between four nodes. Of each raster there are the heights of its nodes, the maxima of blocks of 2,
4, 8 ... cells, which parts of it hold voids, and, for fine surfaces, how much blocks of 8 cells may have blurred
(filled in when it is first asked for).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from skysill.assessment.placement import CORRELATION_CELLS
from skysill.bulk.compiled.jit import compiled
from skysill.horizon.lattice import Elevations, Grid, HeldGrid
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.model.default_errors import CellValue, RasterFacts, facts_of
from skysill.units import Floats, Ints

__all__ = [
    "ASSURED",
    "BLUR_LOST",
    "BLUR_SPREAD",
    "CELL",
    "CORRELATION",
    "FINE",
    "HAS_VOID",
    "HIGHEST",
    "LEVELS",
    "LEVEL_0",
    "MEANS",
    "MOST_RASTERS",
    "NO_GROUND_M",
    "OFFSET",
    "PLAN",
    "RELIEF",
    "RELIEF_CELLS",
    "VERTICAL",
    "RasterStack",
    "held_stack",
    "raster_stack",
]

NO_GROUND_M = -1e30
"""Maximum of a block without any ground."""

RELIEF_CELLS = 8
MOST_RASTERS = 8
_MOST_LEVELS = 24

# columns of the table of whole numbers: where a raster's parts begin, and their rows and columns
OFFSET, HAS_VOID, FINE, MEANS, RELIEF, LEVELS, LEVEL_0 = 0, 3, 4, 5, 6, 9, 10
# OFFSET, RELIEF, and LEVEL_0 + 3 k (blocks of 2**(k + 1) cells) are followed by rows and columns

# columns of the table of numbers
ASSURED, CELL, HIGHEST, VERTICAL, PLAN, CORRELATION, BLUR_LOST, BLUR_SPREAD = range(8)

_LOST_CELLS: dict[CellValue, float] = {"mean": 0.3, "centre": 0.3, "highest": 0.0}
_SPREAD_CELLS = 0.3
"""As in `horizon.raster_sharpness`."""


@dataclass(frozen=True, slots=True, eq=False)
class RasterStack:
    """Rasters, finest first, as the compiled loops read them. Made by `raster_stack`.

    sources : the rasters; grids : their nodes and where they lie
    cells : float32, nodes, block maxima and blur of all rasters one after another
    voids : uint8, parallel to the block maxima: whether a block holds a void
    parts : (raster, n) int; facts : (raster, n) float
    """

    sources: tuple[Elevations, ...]
    grids: tuple[Grid, ...]
    cells: NDArray[np.float32]
    voids: NDArray[np.uint8]
    parts: Ints
    facts: Floats
    held: dict[str, Any] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.grids)

    @property
    def highest_m(self) -> float:
        return max((grid.highest_m for grid in self.grids), default=-np.inf)


def raster_stack(sources: Sequence[Elevations], grids: Sequence[Grid]) -> RasterStack:
    """Rasters laid out for the compiled loops.

    Parameters
    ----------
    sources : names, kinds, cell sizes and errors, finest first; at most MOST_RASTERS
    grids : the nodes of each, all that could matter to the places asked about; two rows and columns at least

    Returns
    -------
    RasterStack; the nodes are copied once, and its own grids look at that copy
    """
    return _stacked(sources, [grid.values.shape for grid in grids], iter(grids))


class Windows(Elevations, Protocol):
    """A raster of which blocks of cells can be read."""

    @property
    def facts(self) -> RasterFacts: ...

    def cells(self, first_row: int, last_row: int, first_col: int, last_col: int) -> Grid: ...


def held_stack(rasters: Sequence[Windows], boxes: Sequence[tuple[int, int, int, int]]) -> RasterStack:
    """Boxes of rasters laid out for the compiled loops; its sources are these boxes alone, held in memory.

    boxes : first row, last row plus one, first column, last column plus one of each raster

    The boxes are read one after the other, and what was read is given up before the next.
    """
    shapes = [(bottom - top, right - left) for top, bottom, left, right in boxes]
    stack = _stacked(rasters, shapes, (r.cells(*box) for r, box in zip(rasters, boxes, strict=True)))
    held = (
        HeldGrid(
            grid,
            r.name,
            "surface" if r.kind == "surface" else "bare",
            r.cell_size_m,
            r.vertical_error_m,
            r.facts,
        )
        for r, grid in zip(rasters, stack.grids, strict=True)
    )
    return replace(stack, sources=tuple(held))


def _stacked(
    sources: Sequence[Elevations], shapes: Sequence[tuple[int, int]], grids: Iterator[Grid]
) -> RasterStack:
    """grids : given up one by one, so that not all of them have to be in memory beside their copies."""
    parts = np.zeros((len(sources), LEVEL_0 + 3 * _MOST_LEVELS), dtype=np.int64)
    facts = np.zeros((len(sources), 8))
    size = 0
    for part, source, shape in zip(parts, sources, shapes, strict=True):
        size = _lay_out(part, shape, source.kind == "surface" and source.cell_size_m <= FINE_CELL_M, size)
    cells = np.empty(size, dtype=np.float32)
    held = []
    for part, shape in zip(parts, shapes, strict=True):
        held.append(_copied(next(grids), cells[part[OFFSET] : part[OFFSET] + shape[0] * shape[1]]))
    voids = np.zeros(size if any(grid.has_void for grid in held) else 1, dtype=np.uint8)
    for number, (source, grid) in enumerate(zip(sources, held, strict=True)):
        known, cell_m = facts_of(source), source.cell_size_m
        parts[number, HAS_VOID], parts[number, MEANS] = grid.has_void, known.cells == "mean"
        facts[number] = (
            2.0 * cell_m if cell_m > FINE_CELL_M else 0.0,
            cell_m,
            grid.highest_m,
            source.vertical_error_m,
            known.horizontal_error_m,
            CORRELATION_CELLS * cell_m,
            _LOST_CELLS[known.cells] * cell_m,
            _SPREAD_CELLS * cell_m,
        )
        _fill_levels(cells, voids, parts[number])
        relief = parts[number, RELIEF : RELIEF + 3]
        if relief[0] >= 0:
            cells[relief[0] : relief[0] + 2 * relief[1] * relief[2]] = np.nan
    return RasterStack(tuple(sources), tuple(held), cells, voids, parts, facts)


def _copied(grid: Grid, nodes: NDArray[np.float32]) -> Grid:
    """The same grid, its values copied into an array that is given."""
    values = nodes.reshape(grid.values.shape)
    values[:] = grid.values
    return Grid(values, grid.transform, grid.crs, grid.notes)


def _lay_out(part: Ints, shape: tuple[int, int], fine: bool, size: int) -> int:
    """Write where the parts of one raster begin; returns where the next one does."""
    rows, columns = shape
    part[FINE] = fine
    part[OFFSET : OFFSET + 3] = size, rows, columns
    size += rows * columns
    level = 0
    while level < _MOST_LEVELS and (rows > 2 or columns > 2 or level == 0):
        rows, columns = -(-max(rows - (level == 0), 1) // 2), -(-max(columns - (level == 0), 1) // 2)
        part[LEVEL_0 + 3 * level : LEVEL_0 + 3 * level + 3] = size, rows, columns
        size += rows * columns
        level += 1
    part[LEVELS] = level
    part[RELIEF : RELIEF + 3] = -1, 0, 0
    if fine:
        down, across = -(-shape[0] // RELIEF_CELLS), -(-shape[1] // RELIEF_CELLS)
        part[RELIEF : RELIEF + 3] = size, down, across
        size += 2 * down * across
    return size


@compiled
def _fill_levels(cells: Any, voids: Any, part: Any) -> None:
    """Block maxima of one raster. A block of two cells a side has three nodes a side."""
    rows, columns, has_void = part[OFFSET + 1], part[OFFSET + 2], part[HAS_VOID] != 0
    at, down, across = part[LEVEL_0], part[LEVEL_0 + 1], part[LEVEL_0 + 2]
    for i in range(down):
        for j in range(across):
            top = np.float32(NO_GROUND_M)
            void = 0
            for r in range(2 * i, min(2 * i + 3, rows)):
                for c in range(2 * j, min(2 * j + 3, columns)):
                    value = cells[part[OFFSET] + r * columns + c]
                    if value > top:
                        top = value
                    if has_void and np.isnan(value):
                        void = 1
            cells[at + i * across + j] = top
            if has_void:
                voids[at + i * across + j] = void
    for level in range(1, part[LEVELS]):
        below, rows, columns = at, down, across
        at, down, across = (
            part[LEVEL_0 + 3 * level],
            part[LEVEL_0 + 3 * level + 1],
            part[LEVEL_0 + 3 * level + 2],
        )
        for i in range(down):
            for j in range(across):
                top = np.float32(NO_GROUND_M)
                void = 0
                for r in range(2 * i, min(2 * i + 2, rows)):
                    for c in range(2 * j, min(2 * j + 2, columns)):
                        top = max(top, cells[below + r * columns + c])
                        if has_void:
                            void = max(void, voids[below + r * columns + c])
                cells[at + i * across + j] = top
                if has_void:
                    voids[at + i * across + j] = void

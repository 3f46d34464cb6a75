"""A square lattice over the site's plan frame: which cell a place lies in, and filling between known cells."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skysill.units import Bools, Floats, Ints

__all__ = ["PlanGrid", "filled"]


@dataclass(frozen=True, slots=True)
class PlanGrid:
    """Square cells in plan metres; row 0 is the northernmost, column 0 the westernmost.

    west_m, north_m : outer corner of the first cell
    """

    west_m: float
    north_m: float
    cell_m: float
    rows: int
    columns: int

    @classmethod
    def covering(
        cls, west_m: float, south_m: float, east_m: float, north_m: float, cell_m: float
    ) -> PlanGrid:
        """The lattice with corners at multiples of the cell that covers a rectangle.

        >>> PlanGrid.covering(-1.2, 0.0, 1.2, 2.0, 0.5)
        PlanGrid(west_m=-1.5, north_m=2.0, cell_m=0.5, rows=4, columns=6)
        """
        first_column, last_column = math.floor(west_m / cell_m), math.ceil(east_m / cell_m)
        first_row, last_row = math.floor(south_m / cell_m), math.ceil(north_m / cell_m)
        return cls(
            first_column * cell_m,
            last_row * cell_m,
            cell_m,
            max(last_row - first_row, 1),
            max(last_column - first_column, 1),
        )

    @property
    def shape(self) -> tuple[int, int]:
        return self.rows, self.columns

    @property
    def size(self) -> int:
        return self.rows * self.columns

    def cell_of(self, east_m: ArrayLike, north_m: ArrayLike) -> Ints:
        """Index of the cell, row by row, that each place lies in; -1 outside the lattice."""
        column = np.floor((np.asarray(east_m) - self.west_m) / self.cell_m)
        row = np.floor((self.north_m - np.asarray(north_m)) / self.cell_m)
        inside = (column >= 0) & (column < self.columns) & (row >= 0) & (row < self.rows)
        with np.errstate(invalid="ignore"):  # places that are no numbers lie outside
            cell = row.astype(np.int64) * self.columns + column.astype(np.int64)
        return np.where(inside, cell, -1)

    def centres_m(self) -> tuple[Floats, Floats]:
        """East of each column and north of each row, at the cells' middles."""
        return (
            np.asarray(self.west_m + self.cell_m * (np.arange(self.columns) + 0.5), dtype=np.float64),
            np.asarray(self.north_m - self.cell_m * (np.arange(self.rows) + 0.5), dtype=np.float64),
        )

    def at(self, values: NDArray[np.floating], east_m: ArrayLike, north_m: ArrayLike) -> Floats:
        """Values of cells, (rows, columns), bilinear between their middles; nan outside and beside unknown cells."""
        column = (np.asarray(east_m, dtype=np.float64) - self.west_m) / self.cell_m - 0.5
        row = (self.north_m - np.asarray(north_m, dtype=np.float64)) / self.cell_m - 0.5
        inside = (column >= -0.5) & (column <= self.columns - 0.5) & (row >= -0.5) & (row <= self.rows - 0.5)
        column = np.clip(np.where(inside, column, 0.0), 0.0, self.columns - 1.0)
        row = np.clip(np.where(inside, row, 0.0), 0.0, self.rows - 1.0)
        left, top = np.floor(column).astype(np.int64), np.floor(row).astype(np.int64)
        right, below = np.minimum(left + 1, self.columns - 1), np.minimum(top + 1, self.rows - 1)
        u, v = column - left, row - top
        between = (1 - v) * ((1 - u) * values[top, left] + u * values[top, right]) + v * (
            (1 - u) * values[below, left] + u * values[below, right]
        )
        return np.where(inside, between, np.nan)


def filled(values: NDArray[np.floating], *, sweeps: int = 60) -> Floats:
    """Unknown cells (nan) given values that run smoothly from the known ones around them.

    Known cells keep theirs. All nan stays all nan.

    Notes
    -----
    Laplace's equation in the gaps, the known cells being the boundary: averages over ever coarser blocks as the first
    guess (a multigrid pyramid), then Jacobi sweeps. On a plane the result is the plane, up to what the sweeps leave.
    """
    known = np.isfinite(values)
    if known.all() or not known.any():
        return np.asarray(values, dtype=np.float64)
    result = np.where(known, values, 0.0).astype(np.float64)
    if min(values.shape) > 1:
        coarse = filled(_halved(result, known), sweeps=sweeps)
        guess = _doubled(coarse, values.shape)
        result = np.where(known, result, guess)
    else:
        result = np.where(known, result, float(result[known].mean()))
    gaps = ~known
    if np.count_nonzero(gaps) > gaps.size // 3:
        for _ in range(sweeps):
            result = np.where(gaps, _neighbours_mean(result), result)
        return result
    return _swept(result, gaps, sweeps)


def _swept(result: Floats, gaps: Bools, sweeps: int) -> Floats:
    """Jacobi sweeps over the gaps alone, where they are few."""
    rows, columns = result.shape
    row, column = np.nonzero(gaps)
    up, down = np.maximum(row - 1, 0) * columns + column, np.minimum(row + 1, rows - 1) * columns + column
    left, right = (
        row * columns + np.maximum(column - 1, 0),
        row * columns + np.minimum(column + 1, columns - 1),
    )
    here, flat = row * columns + column, result.ravel().copy()
    for _ in range(sweeps):
        flat[here] = (flat[up] + flat[down] + flat[left] + flat[right]) / 4.0
    return flat.reshape(result.shape)


def _neighbours_mean(values: Floats) -> Floats:
    """Mean of the four neighbours; at the edge a cell is its own neighbour."""
    padded = np.pad(values, 1, mode="edge")
    return np.asarray((padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]) / 4.0)


def _halved(values: Floats, known: Bools) -> Floats:
    """Means of the known cells of each block of 2 by 2; nan where none is known."""
    rows, columns = values.shape
    pad = ((0, rows % 2), (0, columns % 2))
    total = np.pad(np.where(known, values, 0.0), pad).reshape((rows + 1) // 2, 2, (columns + 1) // 2, 2)
    count = np.pad(known, pad).reshape((rows + 1) // 2, 2, (columns + 1) // 2, 2)
    with np.errstate(invalid="ignore"):
        return np.asarray(
            total.sum(axis=(1, 3)) / np.where(count.any(axis=(1, 3)), count.sum(axis=(1, 3)), np.nan)
        )


def _doubled(values: Floats, shape: tuple[int, ...]) -> Floats:
    """Cells of twice the fineness, bilinear between the coarse cells' middles."""
    rows, columns = shape
    row, column = (np.arange(rows) - 0.5) / 2.0, (np.arange(columns) - 0.5) / 2.0
    row, column = np.clip(row, 0, values.shape[0] - 1), np.clip(column, 0, values.shape[1] - 1)
    top, left = np.floor(row).astype(int), np.floor(column).astype(int)
    below = np.minimum(top + 1, values.shape[0] - 1)
    right = np.minimum(left + 1, values.shape[1] - 1)
    u, v = column - left, (row - top)[:, None]
    upper = (1 - u) * values[np.ix_(top, left)] + u * values[np.ix_(top, right)]
    lower = (1 - u) * values[np.ix_(below, left)] + u * values[np.ix_(below, right)]
    return np.asarray((1 - v) * upper + v * lower)

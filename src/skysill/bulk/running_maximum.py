"""Running maximum swept over a window of ground, away from the satellite: least antenna heights of all its cells.

Plain arrays only; `sweep_geometry.py` says how the rays cross a raster.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skysill.units import Floats

__all__ = ["NO_GROUND_M", "RAYS_PER_CELL", "GridValues", "Sweep", "SweepGeometry", "swept_heights_m"]

GridValues = NDArray[np.float32]
"""Elevations or heights, (row, column), metres."""

RAYS_PER_CELL = 3
"""Rays swept per column: more rays give smaller errors (docs/heights.md)."""

NO_GROUND_M = -1e5
"""Elevation put in place of voids when only known ground is swept: too low to hide anything."""

_BLOCK_ROWS = 16


@dataclass(frozen=True, slots=True, eq=False)
class SweepGeometry:
    """How the rays cross one window, whose row 0 is nearest to the satellite.

    drift : (row,) columns by which every ray moves from a row to the next one, away from the satellite
    rise_m : (row, 3) height lost by the line to the satellite since row 0, at column x: a polynomial of second
        degree in u = (x - middle) / half, with middle = half = (columns - 1) / 2
    bend_per_m : K in rise_swept = rise_true + K s**2, by which the swept line rises faster than the true one
    """

    drift: Floats
    rise_m: Floats
    bend_per_m: float


def swept_heights_m(
    elevation_m: GridValues, geometry: SweepGeometry, *, rays_per_cell: int = RAYS_PER_CELL
) -> GridValues:
    """Least antenna heights of all cells of a window of ground.

    Parameters
    ----------
    elevation_m : (row, column) float32 without nan; row 0 is nearest to the satellite. Nothing stands outside it.
    geometry : how the rays cross it
    rays_per_cell : rays swept per column

    Returns
    -------
    (row, column) float32, metres, 0 where the ground itself sees the satellite

    Notes
    -----
    Parallel rays, `rays_per_cell` to a column, are followed from row to row away from the satellite. Each has its own
    fractional column, so the running maximum is never interpolated between rays on the way. Ground is sampled where a
    ray crosses the lattice lines through cell centres (linear between two nodes), and the maximum is interpolated once
    per cell, between the two rays beside it. Adding the height that the line to the satellite has lost since row 0
    turns `max [z - rise]` into a plain maximum. All arithmetic is element-wise float32: the same bits on any processor.
    """
    sweep = Sweep(geometry, elevation_m.shape[1], rays_per_cell)
    return sweep.over(elevation_m)


class Sweep:
    """One sweep, fed from the satellite's side with as many rows at a time as fit in memory; it keeps its own place."""

    def __init__(self, geometry: SweepGeometry, columns: int, rays_per_cell: int) -> None:
        self.geometry = geometry
        self.rows = len(geometry.drift)
        offset = np.concatenate([[0.0], np.cumsum(geometry.drift[:-1])])
        self.number = np.floor(offset * rays_per_cell).astype(np.int64)
        self.phase = offset - self.number / rays_per_cell  # of the first ray right of each node
        self.workspace = _Workspace(columns, rays_per_cell)
        self.level_m = float(geometry.rise_m[0, 0])
        self.done = 0

    def over(self, ground: GridValues) -> GridValues:
        """Heights of the next rows. `ground` holds those rows and one more, except at the end of the window."""
        count = min(len(ground), self.rows - self.done)
        count -= self.done + count < self.rows
        heights_m = np.empty((count, ground.shape[1]), dtype=np.float32)
        for top in range(0, count, _BLOCK_ROWS):
            stop = min(top + _BLOCK_ROWS, count)
            self._block(ground[top : stop + 1], heights_m[top:stop])
        return heights_m

    def _block(self, ground: GridValues, heights_m: GridValues) -> None:
        here = slice(self.done, self.done + len(heights_m))
        ahead = slice(self.done, self.done + len(ground))
        rise_m = self.geometry.rise_m[ahead]
        if self.done:
            self.workspace.start_block(float(rise_m[0, 0]) - self.level_m)
            self.level_m = float(rise_m[0, 0])
        self.workspace.raise_ground(ground, rise_m)
        self.workspace.sample(self.phase[here])
        self.workspace.advance(self.phase[here], self.geometry.drift[here], self.number[ahead])
        self.workspace.read(self.phase[here], heights_m)
        self.done += len(heights_m)


class _Workspace:
    """Arrays of one block of rows, small enough for the processor's cache.

    running : (ray, row + 1, column) maximum that each ray has met before each row
    raised : (row + 1, column) ground plus the height the line has lost since the block's first row
    """

    def __init__(self, columns: int, rays: int) -> None:
        self.rays = rays
        self.across = np.linspace(-1.0, 1.0, columns, dtype=np.float32)
        self.running = np.full((rays, _BLOCK_ROWS + 1, columns), NO_GROUND_M, dtype=np.float32)
        self.raised = np.empty((_BLOCK_ROWS + 1, columns), dtype=np.float32)
        self.step = np.zeros((_BLOCK_ROWS + 1, columns), dtype=np.float32)
        self.sampled = np.empty((rays, _BLOCK_ROWS, columns), dtype=np.float32)
        self.crossing = np.empty(columns, dtype=np.float32)
        self.rows = 0
        self.last_row = 0

    def start_block(self, lost_m: float) -> None:
        """Start the next block with the maxima at the end of the last one, relative to the new first row."""
        self.running[:, 0] = self.running[:, self.last_row]
        self.running[:, 0] -= np.float32(lost_m)

    def raise_ground(self, elevation_m: GridValues, rise_m: Floats) -> None:
        self.rows = len(elevation_m)
        raised = self.raised[: self.rows]
        np.multiply(self.across, rise_m[:, 2:3].astype(np.float32), out=raised)
        raised += rise_m[:, 1:2].astype(np.float32)
        raised *= self.across
        raised += (rise_m[:, 0:1] - rise_m[0, 0]).astype(np.float32)
        raised += elevation_m

    def sample(self, phase: Floats) -> None:
        """Ground under every ray on every row; the last column has no right neighbour and takes its own."""
        own = len(phase)
        flat, step = self.raised.ravel(), self.step.ravel()
        count = own * self.raised.shape[1]
        np.subtract(flat[1:count], flat[: count - 1], out=step[: count - 1])
        self.step[:own, -1] = 0.0
        for ray in range(self.rays):
            sampled = self.sampled[ray, :own]
            np.multiply(self.step[:own], (phase + ray / self.rays)[:, None].astype(np.float32), out=sampled)
            sampled += self.raised[:own]

    def advance(self, phase: Floats, drift: Floats, number: NDArray[np.int64]) -> None:
        """Update the maxima of the rays from row to row."""
        self.last_row = self.rows - 1
        step = self.step[: self.rows - 1]
        np.subtract(self.raised[1 : self.rows], self.raised[: self.rows - 1], out=step)
        for i in range(self.rows - 1):  # the last row of the window has no next row
            for ray in range(self.rays):
                here = self.sampled[ray, i]
                _cross(here, self.raised[i], step[i], phase[i] + ray / self.rays, drift[i], self.crossing)
                moved, new = divmod(ray + int(number[i + 1] - number[i]), self.rays)
                _next_row(self.running[ray, i], here, self.running[new, i + 1], moved)

    def read(self, phase: Floats, heights_m: GridValues) -> None:
        """Height of the maximum above the ground of every cell, interpolated between the rays right and left of it."""
        own, columns = heights_m.shape
        flat = heights_m.reshape(-1)
        flat[0] = 0.0
        left = self.running[self.rays - 1].ravel()[: own * columns - 1]
        np.subtract(self.running[0].ravel()[1 : own * columns], left, out=flat[1:])
        heights_m *= (1.0 - self.rays * phase)[:, None].astype(np.float32)
        flat[1:] += left
        heights_m -= self.raised[:own]
        heights_m[:, 0] = 0.0
        np.maximum(heights_m, np.float32(0.0), out=heights_m)


def _cross(
    sampled: GridValues, raised: GridValues, step: GridValues, at: float, drift: float, scratch: GridValues
) -> None:
    """Include the ground where rays cross a column line on the way to the next row."""
    if at + drift >= 1.0:
        np.multiply(step, np.float32((1.0 - at) / drift), out=scratch)
        scratch += raised
        np.maximum(sampled[:-1], scratch[1:], out=sampled[:-1])
    elif at + drift < 0.0:
        np.multiply(step, np.float32(-at / drift), out=scratch)
        scratch += raised
        np.maximum(sampled, scratch, out=sampled)


def _next_row(before: GridValues, here: GridValues, after: GridValues, moved: int) -> None:
    """Maximum of what was met before and here, stored at the column of the ray in the next row."""
    columns = len(here)
    if moved >= 0:
        np.maximum(before[: columns - moved], here[: columns - moved], out=after[moved:])
        after[:moved] = NO_GROUND_M
    else:
        np.maximum(before[-moved:], here[-moved:], out=after[:moved])
        after[moved:] = NO_GROUND_M

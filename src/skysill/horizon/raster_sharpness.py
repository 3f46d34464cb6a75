"""What a fine surface raster blurs: how much of a thing's height and width its cells may have lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.horizon.lattice import Elevations, Grid, lattice_position
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.horizon.silhouette import Silhouette
from skysill.model.default_errors import CellValue, facts_of
from skysill.units import Floats, Ints, local_earth_radius_m

__all__ = ["Blur", "blur_of"]

_ACROSS = ((0, 2), (2, 0), (2, 2), (2, -2))
_AROUND = tuple((r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if r or c)
_STEEP_M = 1.0
"""An edge that drops so far to a neighbouring cell is a wall or a crown's side, not sloping ground. Own estimate."""

_BLURS_WITHIN_M = 80.0
"""Farther away half a cell and a lost top turn the edge by less than the heights' own error or so."""

_LOST_CELLS: dict[CellValue, float] = {"mean": 0.3, "centre": 0.3, "highest": 0.0}
"""By so much of a cell an upright edge stands nearer and wider than bilinear ground between cells shows it: where
cells hold means, its full height is only reached half a cell to one and a half behind it, less the half cell that
such a height begins before it; where cells hold their highest point, it begins half a cell before or behind.
"""


@dataclass(frozen=True, slots=True, eq=False)
class Blur:
    """What may be missing at each column of a fine surface raster; 0 at all other columns.

    thin_m : (column,) height over both sides two cells away: a thing no wider than that, or a top
    lost_m, spread_m : (column,) by how much an edge may stand nearer and wider: mean and standard deviation
    """

    thin_m: Floats
    lost_m: Floats
    spread_m: Floats

    def kept(self, at: Ints) -> Blur:
        """Only some columns, by number."""
        return Blur(self.thin_m[at], self.lost_m[at], self.spread_m[at])


def blur_of(
    silhouette: Silhouette, rasters: tuple[Elevations, ...], *, latitude_deg: float, longitude_deg: float
) -> Blur:
    """The blur at each column of the terrain as seen from a place.

    Parameters
    ----------
    silhouette : from `terrain_silhouette`; its things are the rasters, in order
    """
    count = len(silhouette)
    thin_m, lost_m, spread_m = np.zeros(count), np.zeros(count), np.zeros(count)
    for number, raster in enumerate(rasters):
        if raster.kind != "surface" or raster.cell_size_m > FINE_CELL_M:
            continue
        mine = np.flatnonzero((silhouette.feature == number) & (silhouette.distance_m < _BLURS_WITHIN_M))
        if not mine.size:
            continue
        away_m = silhouette.distance_m[mine] * np.cos(np.deg2rad(silhouette.elevation_deg[mine]))
        grid = raster.window(latitude_deg, longitude_deg, float(away_m.max()))
        if grid is None:
            continue
        latitude, longitude = _places(latitude_deg, longitude_deg, silhouette.azimuth_deg[mine], away_m)
        thin, drop = _shape(grid, *lattice_position(grid, latitude, longitude))
        holds = facts_of(raster).cells
        steep = np.clip(drop / _STEEP_M, 0.0, 1.0)
        thin_m[mine] = thin if holds == "mean" else 0.0
        lost_m[mine] = steep * _LOST_CELLS[holds] * raster.cell_size_m
        spread_m[mine] = steep * 0.3 * raster.cell_size_m
    return Blur(thin_m, lost_m, spread_m)


def _places(
    latitude_deg: float, longitude_deg: float, azimuth_deg: Floats, away_m: Floats
) -> tuple[Floats, Floats]:
    """Latitude and longitude of near places, on the radii of curvature at the first: within a cell at 1 km."""
    azimuth_rad = np.deg2rad(azimuth_deg)
    north, east = away_m * np.cos(azimuth_rad), away_m * np.sin(azimuth_rad)
    parallel_m = local_earth_radius_m(latitude_deg, 90.0) * max(np.cos(np.deg2rad(latitude_deg)), 1e-6)
    return (
        np.asarray(latitude_deg + np.rad2deg(north / local_earth_radius_m(latitude_deg, 0.0))),
        np.asarray(longitude_deg + np.rad2deg(east / parallel_m)),
    )


def _shape(grid: Grid, col: Floats, row: Floats) -> tuple[Floats, Floats]:
    """Height over both sides, two cells away, in two of four directions at least (a corner has but one); and the drop
    to the lowest neighbour. The drop beside a void is at least that of a steep edge: a hole beside a wall hides its
    foot. Across a void the other side counts alone; where both are hidden, the lowest neighbour.
    """
    rows, cols = grid.values.shape
    at_row, at_col = (
        np.clip(np.rint(part).astype(np.int64), 0, most - 1) for part, most in ((row, rows), (col, cols))
    )

    def height(by_row: int, by_col: int) -> Floats:
        found = grid.values[np.clip(at_row + by_row, 0, rows - 1), np.clip(at_col + by_col, 0, cols - 1)]
        return np.asarray(found, dtype=np.float64)

    around = np.stack([height(0, 0), *(height(*step) for step in _AROUND)])
    hidden = np.isnan(around)
    middle = np.where(hidden[0], 0.0, around[0])

    def level(found: Floats) -> Floats:
        return np.where(np.isnan(found), middle, found)

    sides = np.stack([np.fmax(height(r, c), height(-r, -c)) for r, c in _ACROSS])
    around = level(around)
    top = around.max(axis=0)
    sides = np.where(np.isnan(sides), around.min(axis=0), sides)
    drop = np.maximum(top - around.min(axis=0), np.where(hidden.any(axis=0), _STEEP_M, 0.0))
    return np.maximum(top - np.sort(sides, axis=0)[1], 0.0), drop

"""Geometry of the sweep for least antenna heights: directions to the satellite, and how the rays cross a window."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from skysill.bulk.raster_tiles import Tile
from skysill.bulk.running_maximum import GridValues, SweepGeometry
from skysill.horizon.lattice import Lattice, geod
from skysill.pointing.look_vector import look_angles
from skysill.pointing.refraction import refraction_deg
from skysill.units import Floats, local_earth_radius_m

__all__ = ["Orientation", "RayDirections", "ray_directions", "reach_of_ground_m", "sweep_geometry"]

_NODE_ROWS = 32
_PROBE_M = 1000.0


@dataclass(frozen=True, slots=True, eq=False)
class RayDirections:
    """Directions from cells to the satellite, all arrays of one shape.

    along_row, along_column : rows and columns per metre toward the satellite
    slope : tangent of the apparent elevation
    bend_per_m : K; the slopes of the cells along a ray together rise K s**2 above the ray of the first of them
    curve_per_m : curvature and foreshortening of one ray, rise = slope * s + curve * s**2
    """

    along_row: Floats
    along_column: Floats
    slope: Floats
    bend_per_m: Floats
    curve_per_m: Floats


@dataclass(frozen=True, slots=True)
class Orientation:
    """How a window of the raster is turned for the sweep: transposed, then its rows reversed.

    In the swept window row 0 is nearest to the satellite.
    """

    transposed: bool
    reversed: bool

    def to_sweep(self, window: GridValues) -> GridValues:
        """Values of a raster window in the order of the sweep."""
        values = window.T if self.transposed else window
        return np.ascontiguousarray(values[::-1] if self.reversed else values)

    def from_sweep(self, values: GridValues) -> GridValues:
        """Values in the order of the sweep back in the raster's order."""
        values = values[::-1] if self.reversed else values
        return values.T if self.transposed else values

    def rows(self, window: Tile, top: int, bottom: int) -> Tile:
        """The part of the raster that holds rows [top, bottom) of a swept window."""
        count = window.shape[1] if self.transposed else window.shape[0]
        low, high = (count - bottom, count - top) if self.reversed else (top, bottom)
        if self.transposed:
            return Tile(window.top, window.bottom, window.left + low, window.left + high)
        return Tile(window.top + low, window.top + high, window.left, window.right)

    def cells(self, window: Tile, row: Floats, column: Floats) -> tuple[Floats, Floats]:
        """Raster rows and columns of rows and columns of a swept window."""
        last = (window.shape[1] if self.transposed else window.shape[0]) - 1
        row = last - row if self.reversed else row
        return (
            (window.top + column, window.left + row)
            if self.transposed
            else (window.top + row, window.left + column)
        )


def ray_directions(
    lattice: Lattice,
    row: Floats,
    column: Floats,
    *,
    satellite_longitude_deg: float,
    ground_m: float,
    refraction_factor: float,
) -> RayDirections:
    """Directions to the satellite from cells at an elevation; row, column : of one shape, fractions allowed."""
    latitude_deg, longitude_deg = lattice.place(row, column)
    azimuth_deg, slope = _pointing(latitude_deg, longitude_deg, ground_m, satellite_longitude_deg)
    probe_longitude, probe_latitude, _ = geod().fwd(
        longitude_deg, latitude_deg, azimuth_deg, np.full(latitude_deg.shape, _PROBE_M)
    )
    probe_row, probe_column = lattice.cell(probe_latitude, probe_longitude)
    _, probe_slope = _pointing(
        np.asarray(probe_latitude), np.asarray(probe_longitude), ground_m, satellite_longitude_deg
    )
    radius_m = refraction_factor * local_earth_radius_m(latitude_deg, azimuth_deg)
    curve_per_m = (1.0 + 2.0 * slope**2) / (2.0 * radius_m)
    return RayDirections(
        along_row=(probe_row - row) / _PROBE_M,
        along_column=(probe_column - column) / _PROBE_M,
        slope=slope,
        bend_per_m=(probe_slope - slope) / (2.0 * _PROBE_M) - curve_per_m,
        curve_per_m=curve_per_m,
    )


def _pointing(
    latitude_deg: Floats, longitude_deg: Floats, ground_m: float, satellite_longitude_deg: float
) -> tuple[Floats, Floats]:
    """Azimuth (180 where there is none) and tangent of the apparent elevation, at most that of 89.9 degrees."""
    azimuth_deg, elevation_deg, _ = look_angles(
        latitude_deg, longitude_deg, ground_m, satellite_longitude_deg=satellite_longitude_deg
    )
    apparent_deg = np.minimum(elevation_deg + refraction_deg(elevation_deg, ground_m), 89.9)
    return np.where(np.isnan(azimuth_deg), 180.0, azimuth_deg), np.tan(np.deg2rad(apparent_deg))


def reach_of_ground_m(rise_m: float, *, slope: float, curve_per_m: float) -> float:
    """Distance beyond which ground `rise_m` higher than the antenna's can no longer reach the ray.

    Solves slope * s + curve * s**2 = rise.

    >>> round(reach_of_ground_m(1000.0, slope=0.364, curve_per_m=0.0))
    2747
    """
    if rise_m <= 0.0:
        return 0.0
    return float(2.0 * rise_m / (slope + np.sqrt(slope**2 + 4.0 * curve_per_m * rise_m)))


def sweep_geometry(
    window: Tile,
    orientation: Orientation,
    *,
    directions_at: Callable[[Floats, Floats], RayDirections],
    scale: float,
    reach_m: float,
) -> SweepGeometry:
    """The geometry of the rays over a swept window.

    Parameters
    ----------
    orientation : how the window is turned for the sweep
    directions_at : raster (row, column) -> directions to the satellite there
    scale : length of a metre at the height of the ground relative to the ellipsoid
    reach_m : distance within which the swept line must not rise faster than the true one

    Notes
    -----
    The satellite's elevation grows along the ray by 1/R per metre, and a little more because the satellite is at a
    finite distance; the slope of the ray over ground of radius k R grows by 1/(k R). The slopes of the cells therefore
    rise too fast by K s**2. Subtracting K * reach from every slope turns that into K s (s - reach), which is never too
    fast within reach.
    """
    rows, columns = window.shape[::-1] if orientation.transposed else window.shape
    node = np.linspace(0.0, rows - 1.0, max(2, rows // _NODE_ROWS + 1))
    across = np.array([0.0, (columns - 1) / 2.0, columns - 1.0])
    grid_row, grid_column = orientation.cells(window, *np.meshgrid(node, across, indexing="ij"))
    seen = directions_at(grid_row, grid_column)
    major, minor = (
        (seen.along_column, seen.along_row) if orientation.transposed else (seen.along_row, seen.along_column)
    )
    row_m = 1.0 / np.abs(major)
    bend = float(seen.bend_per_m.max())
    lost = (seen.slope - seen.bend_per_m * reach_m) * row_m * scale
    polynomial = np.stack(
        [lost[:, 1], (lost[:, 2] - lost[:, 0]) / 2, (lost[:, 2] + lost[:, 0]) / 2 - lost[:, 1]], 1
    )
    every = np.arange(rows, dtype=np.float64)
    drift = np.interp(every + 0.5, node, -(minor * row_m)[:, 1])
    per_row = np.stack([np.interp(every, node, polynomial[:, i]) for i in range(3)], axis=1)
    return SweepGeometry(
        drift=drift, rise_m=_summed_along_rays(per_row, drift, (columns - 1) / 2.0), bend_per_m=bend
    )


def _summed_along_rays(per_row: Floats, drift: Floats, half: float) -> Floats:
    """Height that each ray has lost since row 0, as polynomials in the column of the window."""
    offset = np.concatenate([[0.0], np.cumsum(drift[:-1])]) / half
    own = _shifted(per_row, offset)
    total = np.zeros_like(own)
    total[1:] = np.cumsum((own[1:] + own[:-1]) / 2.0, axis=0)
    return _shifted(total, -offset)


def _shifted(polynomial: Floats, by: Floats) -> Floats:
    """Coefficients in u of the second-degree polynomials in u + by."""
    level, tilt, bend = polynomial.T
    return np.stack([level + tilt * by + bend * by**2, tilt + 2.0 * bend * by, bend], axis=1)

"""Third-degree maps from metres around many places to columns and rows of a lattice."""

from __future__ import annotations

from functools import partial

import numpy as np

from skysill.bulk.local_maps import over_mesh
from skysill.horizon.lattice import Grid, geod, lattice_position
from skysill.units import Floats

__all__ = ["MAP_TERMS", "cubic_maps"]

MAP_TERMS = 20
"""Numbers of one map: column and row of the place, then for columns and rows each: 2 linear terms (east, north), then 3
of the second degree (east**2, east north, north**2), then 4 of the third (east**3, east**2 north, ...)."""

_NEAR_M, _FAR_M = 3_000.0, 15_000.0
_MESH_DEG = 0.03


def cubic_maps(grid: Grid, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
    """(place, MAP_TERMS): maps around places, fitted to the ends of twelve geodesics each; nan outside the CRS.

    Notes
    -----
    The error grows with the fourth power of the distance over the cube of the Earth's radius: under a millimetre at
    20 km, 3 cm at 50 km. Where many places lie close together the terms are interpolated on a mesh (`over_mesh`).
    """
    start = np.stack(lattice_position(grid, latitude_deg, longitude_deg), axis=-1)
    terms = over_mesh(partial(_terms, grid), latitude_deg, longitude_deg, spacing_deg=_MESH_DEG)
    return np.concatenate([start, terms], axis=1)


def _terms(grid: Grid, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
    """(place, 18): the terms of `cubic_maps` after the start."""
    start = np.stack(lattice_position(grid, latitude_deg, longitude_deg), axis=-1)

    def end(azimuth_deg: float, distance_m: float) -> Floats:
        count = latitude_deg.size
        east, north, _ = geod().fwd(
            longitude_deg, latitude_deg, np.full(count, azimuth_deg), np.full(count, distance_m)
        )
        return np.stack(lattice_position(grid, north, east), axis=-1) - start

    def parts(azimuth_deg: float, distance_m: float) -> tuple[Floats, Floats]:
        """What changes its sign with the direction, and what does not."""
        there, back = end(azimuth_deg, distance_m), end(azimuth_deg + 180.0, distance_m)
        return (there - back) / 2.0, (there + back) / 2.0

    with np.errstate(invalid="ignore"):
        axes = [_axis(parts(azimuth, _NEAR_M)[0], *parts(azimuth, _FAR_M)) for azimuth in (90.0, 0.0)]
        (east, east2, east3), (north, north2, north3) = axes
        half = _FAR_M / np.sqrt(2.0)
        (odd_right, even_right), (odd_left, even_left) = parts(45.0, _FAR_M), parts(135.0, _FAR_M)
        mixed = (even_right - even_left) / (2.0 * half**2)
        # along (1, 1) and (1, -1) what is left are both mixed terms, added and subtracted
        both = (odd_right - half * (east + north)) / half**3 - east3 - north3
        apart = (odd_left - half * (east - north)) / half**3 - east3 + north3
        east2_north, east_north2 = (both - apart) / 2.0, (both + apart) / 2.0
    linear = np.stack([east, north], axis=-1)
    square = np.stack([east2, mixed, north2], axis=-1)
    cube = np.stack([east3, east2_north, east_north2, north3], axis=-1)
    return np.concatenate([part.reshape(part.shape[0], -1) for part in (linear, square, cube)], axis=1)


def _axis(odd_near: Floats, odd_far: Floats, even_far: Floats) -> tuple[Floats, Floats, Floats]:
    """Linear, second- and third-degree terms along one axis."""
    near, far = odd_near / _NEAR_M, odd_far / _FAR_M
    cube = (far - near) / (_FAR_M**2 - _NEAR_M**2)
    return near - cube * _NEAR_M**2, even_far / _FAR_M**2, cube

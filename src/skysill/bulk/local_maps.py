"""Maps from metres around many places to columns and rows of one lattice.

Each place has its own second-degree map, exact to millimetres within 10 km.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from skysill.horizon.lattice import Grid, geod, lattice_position
from skysill.units import Floats, Ints

__all__ = ["LocalMaps", "local_maps", "over_mesh"]

_PROBE_M = 5_000.0
"""Length of the geodesics that a map is fitted to."""


@dataclass(frozen=True, slots=True, eq=False)
class LocalMaps:
    """Maps from metres along geodesics to columns and rows, one around each place.

    start : (place, 2) column and row of the place
    linear : (place, 2, 2) cells per metre east, north (last axis) for column and row
    square : (place, 2, 3) the same for east**2, east * north, north**2
    """

    start: Floats
    linear: Floats
    square: Floats

    def take(self, place: Ints) -> LocalMaps:
        return LocalMaps(*(part.take(place, axis=0) for part in (self.start, self.linear, self.square)))

    def along(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        """(place, 2), (place, 2): cells per metre and per square metre along each place's own direction.

        east, north : (place,) components of the direction's unit vector
        """
        first = self.linear[:, :, 0] * east[:, None] + self.linear[:, :, 1] * north[:, None]
        second = (
            self.square[:, :, 0] * (east * east)[:, None]
            + self.square[:, :, 1] * (east * north)[:, None]
            + self.square[:, :, 2] * (north * north)[:, None]
        )
        return first, second


def local_maps(grid: Grid, latitude_deg: Floats, longitude_deg: Floats) -> LocalMaps:
    """Second-degree maps around places, fitted to the ends of five geodesics each.

    Parameters
    ----------
    latitude_deg, longitude_deg : (place,) WGS 84

    Notes
    -----
    The error grows with the cube of the distance over the square of the Earth's radius: 3 mm at 5 km, 0.2 m at 20 km.
    Where many places lie close together their coefficients are interpolated on a mesh (`over_mesh`), which adds less
    than 3e-7 of the distance up to 60 degrees of latitude, 3e-6 at 80.
    """
    start = np.stack(lattice_position(grid, latitude_deg, longitude_deg), axis=-1)
    coefficients = over_mesh(partial(_coefficients, grid), latitude_deg, longitude_deg, spacing_deg=0.03)
    return LocalMaps(start, coefficients[:, :4].reshape(-1, 2, 2), coefficients[:, 4:].reshape(-1, 2, 3))


def _coefficients(grid: Grid, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
    """(place, 10): linear and square coefficients of local maps, one after the other."""
    count = latitude_deg.size
    ends = []
    for azimuth in (90.0, 270.0, 0.0, 180.0, 45.0):
        east, north, _ = geod().fwd(
            longitude_deg, latitude_deg, np.full(count, azimuth), np.full(count, _PROBE_M)
        )
        ends.append(np.stack(lattice_position(grid, north, east), axis=-1))
    start = np.stack(lattice_position(grid, latitude_deg, longitude_deg), axis=-1)
    right, left, up, down, aslant = (end - start for end in ends)
    reach = _PROBE_M
    linear = np.stack([(right - left) / (2 * reach), (up - down) / (2 * reach)], axis=-1)
    east2, north2 = (right + left) / (2 * reach**2), (up + down) / (2 * reach**2)
    half = reach / np.sqrt(2.0)
    mixed = (aslant - half * (linear[..., 0] + linear[..., 1])) / half**2 - east2 - north2
    square = np.stack([east2, mixed, north2], axis=-1)
    return np.concatenate([linear.reshape(-1, 4), square.reshape(-1, 6)], axis=1)


def over_mesh(
    function: Callable[[Floats, Floats], Floats], latitude_deg: Floats, longitude_deg: Floats, *, spacing_deg: float
) -> Floats:  # fmt: skip
    """A smooth function of latitude and longitude, interpolated on a mesh where many places lie close together.

    Parameters
    ----------
    function : gives (n, k) values at n positions
    latitude_deg, longitude_deg : (place,)
    spacing_deg : distance of the mesh's nodes

    Returns
    -------
    (place, k); the function's own values where the mesh would have a quarter as many nodes as there are places or
    more, beyond 85 degrees of latitude, and where a node has no finite value
    """
    both = np.stack([latitude_deg, longitude_deg])
    low, high = both.min(axis=1, initial=np.inf), both.max(axis=1, initial=-np.inf)
    count = np.ceil(np.maximum(high - low, 0.0) / spacing_deg) + 1.0  # cells of the mesh
    if not 4.0 * np.prod(count + 1.0) <= latitude_deg.size or np.abs(latitude_deg).max() > 85.0:
        return function(latitude_deg, longitude_deg)
    cells = count.astype(np.int64)
    north, east = (least + spacing_deg * np.arange(many + 1) for least, many in zip(low, cells, strict=True))
    nodes = function(np.repeat(north, east.size), np.tile(east, north.size))
    if not np.isfinite(nodes).all():
        return function(latitude_deg, longitude_deg)
    up, right = (both - low[:, None]) / spacing_deg
    i, j = np.floor(up).astype(np.int64), np.floor(right).astype(np.int64)
    up, right = (up - i)[:, None], (right - j)[:, None]
    corner = i * east.size + j
    below, above = (nodes.take(at, axis=0) * (1.0 - right) + nodes.take(at + 1, axis=0) * right
                    for at in (corner, corner + east.size))  # fmt: skip
    return np.asarray(below + up * (above - below))

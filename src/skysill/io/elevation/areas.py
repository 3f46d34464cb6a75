"""Areas in degrees: the circle that rasters are opened for, and the boxes that files lie in."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skysill.units import Bools, Floats

__all__ = ["Around", "Box", "box_of"]

Box = tuple[float, float, float, float]
"""South, west, north, east, degrees; east may be over 180 where the box crosses the meridian of 180 degrees."""

_EDGE_POINTS = 9
_SLACK_DEG = 0.01


@dataclass(frozen=True, slots=True)
class Around:
    """A circle around a place, WGS 84."""

    latitude_deg: float
    longitude_deg: float
    radius_m: float

    def outline_deg(self) -> tuple[Floats, Floats]:
        """Latitude and longitude of the place, then of points on the circle; longitude runs on past 180 degrees.

        A circle that holds a pole is given as all longitudes up to the pole.
        """
        from pyproj import Geod

        turn = np.linspace(0.0, 360.0, 73)
        there = (np.full(73, self.longitude_deg), np.full(73, self.latitude_deg))
        lon, lat, _ = Geod(ellps="WGS84").fwd(*there, turn, np.full(73, self.radius_m))
        lon = self.longitude_deg + np.mod(lon - self.longitude_deg + 180.0, 360.0) - 180.0
        lon, lat = np.append(self.longitude_deg, lon), np.append(self.latitude_deg, lat)
        if abs(self.latitude_deg) + self.radius_m / 111_000.0 >= 90.0:
            pole = math.copysign(90.0 - 1e-9, self.latitude_deg)
            least = float(lat.min() if pole > 0.0 else lat.max())
            lon = np.append(lon, self.longitude_deg + np.array([-180.0, 179.999]))
            lat = np.append(lat, [pole, least])
        return lat, lon

    def touches(self, boxes: ArrayLike) -> Bools:
        """(n,) whether the circle's own box meets boxes given as (n, 4) south, west, north, east, degrees."""
        south, west, north, east = np.reshape(np.asarray(boxes, float), (-1, 4)).T
        lat, lon = self.outline_deg()
        ahead = np.mod(west - lon.min(), 360.0)  # of the box's west edge, eastward from the circle's
        meets_lon = (ahead <= np.ptp(lon) + _SLACK_DEG) | (ahead + (east - west) >= 360.0 - _SLACK_DEG)
        return np.asarray(meets_lon & (south <= lat.max() + _SLACK_DEG) & (north >= lat.min() - _SLACK_DEG))


def box_of(crs: str, transform: tuple[float, ...], rows: int, cols: int) -> Box:
    """The box of a raster; all of the Earth where its plane does not say.

    transform : of cell centres, as in `skysill.horizon.lattice.Grid`
    """
    from pyproj import CRS, Transformer
    from pyproj.exceptions import ProjError

    whole = (-90.0, -180.0, 90.0, 180.0)
    plane = CRS.from_wkt(crs)
    plane = (plane.sub_crs_list[0] if plane.is_compound else plane).to_2d()
    a, b, c, d, e, f = transform
    part = np.linspace(0.0, 1.0, _EDGE_POINTS)
    col = np.concatenate([part, np.ones_like(part), part, np.zeros_like(part)]) * cols - 0.5
    row = np.concatenate([np.zeros_like(part), part, np.ones_like(part), part]) * rows - 0.5
    try:
        lon, lat = Transformer.from_crs(plane, "EPSG:4326", always_xy=True).transform(
            a * col + b * row + c, d * col + e * row + f
        )
    except ProjError:
        return whole
    if not (np.isfinite(lon).all() and np.isfinite(lat).all()):
        return whole
    turned = lon[0] + np.mod(lon - lon[0] + 180.0, 360.0) - 180.0
    if np.ptp(turned) > 170.0 or max(abs(lat.min()), abs(lat.max())) > 89.0:  # it may hold a pole
        return whole
    more = 0.1 * float(np.ptp(lat)) / _EDGE_POINTS  # edges bulge between the points looked at
    return (
        float(lat.min()) - more,
        float(turned.min()) - more,
        float(lat.max()) + more,
        float(turned.max()) + more,
    )

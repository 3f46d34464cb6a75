"""The area that a list of addresses needs elevations of, for sources that are searched by place."""

from __future__ import annotations

import os
from collections.abc import Sequence

import numpy as np

from skysill.horizon.lattice import geod
from skysill.io.address_lists import open_addresses
from skysill.io.building_lists import read_places
from skysill.io.elevation.areas import Around
from skysill.io.sources import terrain_area
from skysill.model.site import Satellite, Site

__all__ = ["address_area"]


def address_area(path: str | os.PathLike[str], satellites: Sequence[Satellite]) -> Around | None:
    """The area in which ground could matter to any address of a list; None where no address can be read.

    satellites : asked about for every address that does not name its own

    Raises
    ------
    InputError : the list cannot be read
    """
    places = read_places(open_addresses(path), default_height_m=0.0, satellites=satellites)
    if not places.record.size:
        return None
    latitude_deg, first_deg = places.latitude_deg, float(places.longitude_deg[0])
    longitude_deg = first_deg + np.mod(places.longitude_deg - first_deg + 180.0, 360.0) - 180.0
    south, north, west, east = (
        latitude_deg.min(),
        latitude_deg.max(),
        longitude_deg.min(),
        longitude_deg.max(),
    )
    middle = float(south + north) / 2.0, float(west + east) / 2.0
    away_m = geod().inv(
        np.full(latitude_deg.size, middle[1]),
        np.full(latitude_deg.size, middle[0]),
        longitude_deg,
        latitude_deg,
    )[2]
    corners = [
        Site("corner", float(y), (float(x) + 180.0) % 360.0 - 180.0)
        for y in (south, north)
        for x in (west, east)
    ]
    reach_m = max(terrain_area(corner, places.satellites).radius_m for corner in corners)
    return Around(middle[0], (middle[1] + 180.0) % 360.0 - 180.0, float(away_m.max()) + reach_m)

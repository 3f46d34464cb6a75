"""Addresses that stand on one raster and have nothing to do with others: out of their reach, or facing away."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from skysill.bulk.fan_results import half_windows_deg
from skysill.bulk.prefilter import Ground, ScreeningQuery, locate_places
from skysill.horizon.rays import reach_needed_m
from skysill.units import Bools, Floats, wrap_180

__all__ = ["Extent", "out_of_reach"]

_NEARLY_UPRIGHT_DEG = 80.0


class Extent(Protocol):
    """A raster's outline on the ground, with four corners."""

    def away_m(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """(place,) lower bound of the distance to it, metres; 0 inside."""

    def corner_bearings_deg(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """(corner, place): true bearings of its corners from places."""


def out_of_reach(
    ground: Ground, rasters: Sequence[Extent], latitude_deg: Floats, longitude_deg: Floats, height_m: Floats,
    query: ScreeningQuery,
) -> Bools:  # fmt: skip
    """(address,) whether other rasters cannot matter: they are out of reach, or beside the ray fan.

    ground : the raster that the addresses stand on; rasters : the others
    """
    places, known = locate_places(ground, latitude_deg, longitude_deg, height_m, query)
    highest_m = max(query.highest_ground_m, ground.grid.highest_m)
    seen_m = reach_needed_m(
        places.antenna_m, places.search_floor_deg, highest_ground_m=highest_m, radius_m=places.radius_m
    )
    reach_m = np.maximum(places.needed_m, seen_m) * 1.01 + _NEARBY_M
    out = known & (places.apparent_deg > 5.0) & (places.apparent_deg < _NEARLY_UPRIGHT_DEG)
    wide_deg = half_windows_deg(places, query)[1] + 3.0
    for raster in rasters:
        away_m = raster.away_m(latitude_deg, longitude_deg)
        turn_deg = wrap_180(raster.corner_bearings_deg(latitude_deg, longitude_deg) - places.azimuth_deg)
        left, right = turn_deg.min(axis=0), turn_deg.max(axis=0)
        ahead = (np.abs(turn_deg) <= wide_deg).any(axis=0) | (
            (left < 0.0) & (right > 0.0) & (right - left < 180.0)
        )
        out &= (away_m > reach_m) | ((away_m > _NEARBY_M) & ~ahead)
    return np.asarray(out)


_NEARBY_M = 1_000.0
"""Largest distance at which trees, houses and the dish's own ground are looked up."""

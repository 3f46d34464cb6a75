"""A measured horizon as it was typed: azimuth, elevation and distance of what stands against the sky."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from skysill.units import Bools, Floats, Ints, wrap_360

__all__ = ["Readings"]


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """A measured horizon, one entry a reading.

    azimuth_deg : (n,) float; as typed, or true once the compass has been accounted for; in order, several may be alike
    elevation_deg : (n,) float, from the clinometer
    distance_m : (n,) float, along the line of sight; nan where not measured
    note : (n,) str
    source : the file's name
    kind : (n,) str, "tree", "hedge", "building", "ground" or "other"; "" where nobody stated it
    leaf : (n,) str, "in-leaf" or "bare" when it was read; "" where nobody stated it
    growth_m_per_year : (n,) float, of the height; nan where nobody stated it
    station : (n,) str, name of the station it was read from; "" for the survey's own place
    at_least : (n,) bool, whether distance_m is only a lower bound ("far", ">500")

    Arrays from `kind` on may be left out: then nobody stated them.

    >>> readings = Readings(np.array([170.0]), np.array([11.5]), np.array([22.0]), ("sycamore",), "horizon.csv")
    >>> len(readings), readings.kind, readings.station
    (1, ('',), ('',))
    """

    azimuth_deg: Floats
    elevation_deg: Floats
    distance_m: Floats
    note: tuple[str, ...]
    source: str
    kind: tuple[str, ...] = ()
    leaf: tuple[str, ...] = ()
    growth_m_per_year: Floats = field(default_factory=lambda: np.zeros(0))
    station: tuple[str, ...] = ()
    at_least: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))

    def __post_init__(self) -> None:
        count, put = np.size(self.azimuth_deg), object.__setattr__
        for label in ("kind", "leaf", "station"):
            put(self, label, tuple(getattr(self, label)) or ("",) * count)
        if not np.size(self.growth_m_per_year):
            put(self, "growth_m_per_year", np.full(count, np.nan))
        if not np.size(self.at_least):
            put(self, "at_least", np.zeros(count, dtype=bool))

    def __len__(self) -> int:
        return int(np.size(self.azimuth_deg))

    def taken(self, at: Ints | Bools) -> Readings:
        """Some of the readings: by their numbers, in that order, or where a mask is true."""
        numbers = np.arange(len(self))[at]
        arrays = ("azimuth_deg", "elevation_deg", "distance_m", "growth_m_per_year", "at_least")
        words = ("note", "kind", "leaf", "station")
        picked: dict[str, Any] = {label: np.asarray(getattr(self, label))[numbers] for label in arrays}
        picked |= {label: tuple(getattr(self, label)[int(i)] for i in numbers) for label in words}
        return replace(self, **picked)

    def turned(self, by_deg: float) -> Readings:
        """The same readings with their azimuths turned clockwise, in order of azimuth, then of elevation.

        >>> r = Readings(np.array([350.0, 10.0]), np.array([5.0, 6.0]), np.array([np.nan, 8.0]), ("", "gutter"), "h")
        >>> r.turned(20.0).azimuth_deg
        array([10., 30.])
        """
        azimuth_deg = wrap_360(np.asarray(self.azimuth_deg) + by_deg)
        order = np.lexsort((self.distance_m, self.elevation_deg, azimuth_deg))
        return replace(self, azimuth_deg=azimuth_deg).taken(order)

    def grown(self, growth_m: Floats, *, assumed_distance_m: float = np.nan) -> Readings:
        """The same readings with each top `growth_m` (n,) metres higher, seen from where it was read.

        assumed_distance_m : how far away one without a distance is taken to be; nan: such a one stays as it is
        """
        known = ~np.isnan(self.distance_m)
        distance_m = np.where(known, self.distance_m, assumed_distance_m)
        elevation_rad = np.deg2rad(self.elevation_deg)
        up_m = distance_m * np.sin(elevation_rad) + growth_m
        level_m = distance_m * np.cos(elevation_rad)
        grows = (np.asarray(growth_m) > 0.0) & ~np.isnan(distance_m)
        return replace(
            self,
            elevation_deg=np.where(grows, np.rad2deg(np.arctan2(up_m, level_m)), self.elevation_deg),
            distance_m=np.where(grows & known, np.hypot(up_m, level_m), self.distance_m),
        )

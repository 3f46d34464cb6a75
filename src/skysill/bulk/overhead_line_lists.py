"""Overhead lines that are known of around many roofs: which roofs they bear on, and the same lines around one roof.

Lines that nobody listed may stand anywhere: a list of lines never says that there is none.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from skysill.assessment.overhead_lines import approach_distance_m, error_allowance_m
from skysill.bulk.prefilter import FLOOR_DEG
from skysill.geodesy.positions import offset_position, plan_offset
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.survey import Survey
from skysill.units import Floats, Ints, wrap_180

__all__ = ["OverheadLines"]

_STEP_M = 5.0
_BESIDE_DEG = 8.0
"""Beside the ten degrees up to which margins are told: the required room from the distance on at which lines are looked
for by their angle, and the step between points of a line."""

_DEGREE_M = 111_320.0
_NEARER = 0.97
"""Distances of this flat plan are too long by less."""


@dataclass(frozen=True, slots=True, eq=False)
class OverheadLines:
    """Overhead lines anywhere.

    wires : each in a plan of its own, made by `wire`
    latitude_deg, longitude_deg : (wire,) origin of each one's plan, WGS 84
    path : of the file that they are from
    """

    wires: tuple[Obstacle, ...]
    latitude_deg: Floats
    longitude_deg: Floats
    path: str = ""
    _points: tuple[Floats, Floats, Floats, Ints] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        places, owner = [], []
        for number, wire in enumerate(self.wires):
            line = _densified(np.asarray(wire.line_m, dtype=np.float64))
            origin = float(self.latitude_deg[number]), float(self.longitude_deg[number])
            latitude, longitude = offset_position(*origin, line[:, 0], line[:, 1])
            places.append(np.column_stack([latitude, longitude, line[:, 2]]))
            owner.append(np.full(len(line), number))
        points = np.concatenate(places) if places else np.zeros((0, 3))
        owners = np.concatenate(owner) if owner else np.zeros(0, dtype=int)
        object.__setattr__(self, "_points", (*points.T, owners))

    @property
    def any_of_them(self) -> Scene:
        """A scene that says no more than that overhead lines are listed."""
        return Scene((replace(self.wires[0], name="overhead line"),))

    def bearing_on(
        self,
        latitude_deg: float,
        longitude_deg: float,
        *,
        half_width_m: float,
        low_m: float,
        reach_m: float,
        look_deg: tuple[float, float],
    ) -> Ints:
        """Numbers of the lines that could come near a mast on a roof, or near the ray from there.

        Parameters
        ----------
        latitude_deg, longitude_deg : of the roof's middle; half_width_m : no spot of it is farther from there
        low_m : elevation of the lowest dish centre
        reach_m : how far mast or ladder reach from a spot, or from the roof's edge, while they are raised
        look_deg : azimuth and apparent elevation of the satellite
        """
        latitude, longitude, elevation_m, owner = self._points
        if not owner.size:
            return np.zeros(0, dtype=int)
        north_m = (latitude - latitude_deg) * _DEGREE_M
        east_m = wrap_180(longitude - longitude_deg) * _DEGREE_M * np.cos(np.deg2rad(latitude_deg))
        away_m = np.maximum(_NEARER * np.hypot(east_m, north_m) - half_width_m - _STEP_M, 0.1)
        kept_m = np.array(
            [approach_distance_m(w.voltage_kv) + error_allowance_m(w, Survey()) for w in self.wires]
        )
        near = away_m < kept_m[owner] + reach_m
        azimuth_deg, apparent_deg = look_deg
        angle_deg = np.rad2deg(np.arctan2(elevation_m - low_m, away_m))
        wide_deg = FLOOR_DEG + _BESIDE_DEG
        aside_deg = np.abs(wrap_180(np.rad2deg(np.arctan2(east_m, north_m)) - azimuth_deg))
        aside_deg -= np.rad2deg(np.arctan2(half_width_m, away_m))
        level = max(float(np.cos(np.deg2rad(apparent_deg))), 0.05)
        ahead = (angle_deg > apparent_deg - wide_deg) & (aside_deg < wide_deg / level)
        return np.unique(owner[near | ahead])

    def scene_at(self, latitude_deg: float, longitude_deg: float, some: Sequence[int]) -> Scene | None:
        """Some of the lines as the scene of one site; None: none of them."""
        if not len(some):
            return None
        return Scene(tuple(self._wire_at(latitude_deg, longitude_deg, int(number)) for number in some))

    def _wire_at(self, latitude_deg: float, longitude_deg: float, number: int) -> Obstacle:
        wire = self.wires[number]
        line = np.asarray(wire.line_m, dtype=np.float64)
        origin = float(self.latitude_deg[number]), float(self.longitude_deg[number])
        place = offset_position(*origin, line[:, 0], line[:, 1])
        east_m, north_m = plan_offset(latitude_deg, longitude_deg, *place)
        return replace(wire, line_m=np.column_stack([east_m, north_m, line[:, 2]]))


def _densified(line: Floats) -> Floats:
    """The same polyline with a vertex at least every 5 m."""
    parts = []
    for start, stop in itertools.pairwise(line):
        count = 1 + int(np.ceil(float(np.hypot(*(stop - start)[:2])) / _STEP_M))
        parts.append(start + np.linspace(0.0, 1.0, count, endpoint=False)[:, None] * (stop - start))
    return np.concatenate([*parts, line[-1:]])

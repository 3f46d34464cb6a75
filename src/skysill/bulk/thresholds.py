"""Angles from the ray, by distance, within which ground takes the required room or makes it uncertain."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from skysill.bulk.prefilter import Ground, ScreeningQuery
from skysill.model.default_errors import facts_of
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats

__all__ = ["CORRELATED_CELLS", "DistanceTable", "Thresholds", "thresholds_for"]

CORRELATED_CELLS = 5.0
"""Correlation length of a raster's errors, in cells; the same as in `assessment/sampling.py`."""

_DISH_ERROR_M = 0.23  # hypot of position and height errors as the survey states them
_SAMPLED_DEVIATIONS = 2.9  # beyond: less than two in a thousand


class DistanceTable:
    """Table of a function that falls with distance.

    The distance looked up is at most 3 % too short, so the value is never below the function's own.
    """

    _PER_OCTAVE_BITS, _FIRST, _OCTAVES = 5, 2.0**-4, 30

    def __init__(self, exact: Callable[[Floats], Floats]) -> None:
        steps = 2**self._PER_OCTAVE_BITS
        octave, part = np.divmod(np.arange(self._OCTAVES * steps + 1), steps)
        self._table = exact(self._FIRST * 2.0**octave * (1.0 + part / steps))
        self._shift = 23 - self._PER_OCTAVE_BITS
        self._base = int(np.float32(self._FIRST).view(np.int32)) >> self._shift

    def __call__(self, distance_m: Floats) -> Floats:
        bits = np.asarray(distance_m, dtype=np.float32).view(np.int32) >> self._shift
        return np.asarray(self._table.take(bits - self._base, mode="clip"))


@dataclass(frozen=True, slots=True, eq=False)
class Thresholds:
    """Angles by distance, degrees: exact functions of the slant distance, and tables that bound them from above.

    room_bound_deg : the angle of the required room
    uncertain_bound_deg : margin above which the stated errors leave the room with the wanted probability
    sampled_bound_deg : `sampled_deg`
    """

    ground: Ground
    query: ScreeningQuery
    room_bound_deg: DistanceTable
    uncertain_bound_deg: DistanceTable
    sampled_bound_deg: DistanceTable

    def room_deg(self, slant_m: Floats) -> Floats:
        """The required room."""
        return room_angle_deg(slant_m, self.query.link)

    def sampled_deg(self, slant_m: Floats) -> Floats:
        """Excess margin above which the stated errors practically never take the required room."""
        return _sampled_deg(self.ground, slant_m)


def thresholds_for(ground: Ground, query: ScreeningQuery) -> Thresholds:
    """The thresholds of one raster and one query."""

    def room_deg(slant_m: Floats) -> Floats:
        return room_angle_deg(slant_m, query.link)

    # From this margin on the stated errors leave the room with the wanted probability: the room plus so many standard
    # deviations that three independent parts of the ground together do not fail more often. The raster's errors are
    # correlated over five cells and shared with the dish's own ground, so they tilt near ground by at most sqrt(2)
    # sigma over five cells.
    deviations = max(NormalDist().inv_cdf(1.0 - (1.0 - min(query.criteria.min_p_clear, 0.9999)) / 3.5), 0.0)
    return Thresholds(
        ground, query, DistanceTable(room_deg),
        DistanceTable(lambda d: room_deg(d) + deviations * _deviation_deg(ground, d)),
        DistanceTable(lambda d: _sampled_deg(ground, d)),
    )  # fmt: skip


def _sampled_deg(ground: Ground, slant_m: Floats) -> Floats:
    return np.asarray(_SAMPLED_DEVIATIONS * _deviation_deg(ground, slant_m))


def _deviation_deg(ground: Ground, slant_m: Floats) -> Floats:
    """Upper bound of the standard deviation of ground's elevation angle.

    From five cells on it is sqrt(2) times the raster's own. Nearer, at a share s of five cells, it is the standard
    deviation of the weighted sum of the error knots less the first of them.
    """
    share = np.minimum(slant_m / (CORRELATED_CELLS * ground.cell_size_m), 1.0)
    apart = np.sqrt(2.0 - 2.0 * (1.0 - share) / np.hypot(1.0 - share, share))
    tilt_deg = np.rad2deg(np.arctan(ground.vertical_error_m / slant_m)) * apart
    aside_m = np.hypot(
        _DISH_ERROR_M, facts_of(ground).horizontal_error_m
    )  # errors in plan of the dish and of the raster
    return np.asarray(np.hypot(tilt_deg, np.rad2deg(np.arctan(aside_m / slant_m))))

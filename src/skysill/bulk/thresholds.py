"""How near ground must come to the ray to matter, by its distance: to take the room, or to make it uncertain."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from skysill.bulk.prefilter import Ground, Question
from skysill.model.default_errors import facts_of
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats

__all__ = ["ALIKE_CELLS", "ByDistance", "Limits", "limits_of"]

ALIKE_CELLS = 5.0
"""Cells over which a raster's errors stay alike (gather's correlation length)."""

_DISH_ERROR_M = 0.23  # hypot of position and height errors as the survey states them
_NOTED_DEVIATIONS = 2.9  # beyond: less than two in a thousand


class ByDistance:
    """A function of distance that never rises, looked up: never less than it is, and at most three parts in a hundred
    nearer.
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
class Limits:
    """Angles by distance, degrees: exact functions of the slant distance, and tables that bound them from above."""

    ground: Ground
    question: Question
    room_at_most_deg: ByDistance
    doubt_at_most_deg: ByDistance
    noted_at_most_deg: ByDistance

    def room_deg(self, slant_m: Floats) -> Floats:
        """The required room."""
        return room_angle_deg(slant_m, self.question.link)

    def noted_deg(self, slant_m: Floats) -> Floats:
        """Spare room beyond which errors hardly ever bring ground too near."""
        return _noted_deg(self.ground, slant_m)


def limits_of(ground: Ground, question: Question) -> Limits:
    """The limits that hold for one raster and one question."""

    def room_deg(slant_m: Floats) -> Floats:
        return room_angle_deg(slant_m, question.link)

    # Margin from which the stated errors surely leave the room with the probability asked for: the room and so many
    # standard deviations that not even three independent parts of the ground together fail more often. The raster's
    # errors are alike over five cells and shared with the dish's own ground, so that they tilt near ground by at most
    # sqrt(2) sigma over five cells.
    many = max(NormalDist().inv_cdf(1.0 - (1.0 - min(question.criteria.min_p_clear, 0.9999)) / 3.5), 0.0)
    return Limits(
        ground, question, ByDistance(room_deg),
        ByDistance(lambda d: room_deg(d) + many * _deviation_deg(ground, d)),
        ByDistance(lambda d: _noted_deg(ground, d)),
    )  # fmt: skip


def _noted_deg(ground: Ground, slant_m: Floats) -> Floats:
    return np.asarray(_NOTED_DEVIATIONS * _deviation_deg(ground, slant_m))


def _deviation_deg(ground: Ground, slant_m: Floats) -> Floats:
    """Standard deviation of ground's elevation angle, at most: sqrt(2) of the raster's from five cells on.

    Nearer, at a share s of five cells, the deviation of the knots' weighted sum from the first of them.
    """
    share = np.minimum(slant_m / (ALIKE_CELLS * ground.cell_size_m), 1.0)
    apart = np.sqrt(2.0 - 2.0 * (1.0 - share) / np.hypot(1.0 - share, share))
    tilt_deg = np.rad2deg(np.arctan(ground.vertical_error_m / slant_m)) * apart
    aside_m = np.hypot(
        _DISH_ERROR_M, facts_of(ground).horizontal_error_m
    )  # the raster's own place in plan as well
    return np.asarray(np.hypot(tilt_deg, np.rad2deg(np.arctan(aside_m / slant_m))))

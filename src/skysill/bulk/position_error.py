"""Position error of an address: places where its dish may stand instead, and whether they support its verdict."""

from __future__ import annotations

import numpy as np

from skysill.units import Bools, Floats

__all__ = ["PLACES_AROUND", "offsets_around_m", "reason_text", "supports"]

_SUPPORTED_BY = {
    "blocked": ("blocked",),
    "needs-survey": ("needs-survey", "clear"),
    "clear": ("clear",),
}
"""Verdicts elsewhere that support a verdict. `marginal` and `unknown` promise nothing and need no support."""

PLACES_AROUND = 8
"""Places that stand for the position error of one address."""

_GOLDEN_ANGLE_RAD = np.pi * (3.0 - np.sqrt(5.0))


def offsets_around_m(sigma_m: float, count: int) -> tuple[Floats, Floats]:
    """Equally likely places that represent a position error: metres east, metres north, (count,) each.

    Notes
    -----
    Radii at the middles of equal shares of the Rayleigh distribution, r = sigma sqrt(-2 ln(1 - (k + 1/2) / n)), each
    turned from the one before by the golden angle, so that every direction has near and far places.

    >>> east_m, north_m = offsets_around_m(10.0, 16)
    >>> bool(abs(np.hypot(east_m, north_m).mean() / (10.0 * np.sqrt(np.pi / 2.0)) - 1.0) < 0.03)
    True
    """
    number = np.arange(count)
    radius_m = sigma_m * np.sqrt(-2.0 * np.log(1.0 - (number + 0.5) / count))
    turn_rad = number * _GOLDEN_ANGLE_RAD
    return radius_m * np.sin(turn_rad), radius_m * np.cos(turn_rad)


def supports(verdict: str, elsewhere: list[str]) -> Bools:
    """(place,) whether the verdicts at other places support the verdict."""
    return np.array([other in _SUPPORTED_BY[verdict] for other in elsewhere], dtype=bool)


def reason_text(verdict: str, share: float, position_error_m: float) -> str:
    """Why an address is `marginal` whose verdict holds at too few of the places around."""
    percent = f"{100.0 * share:.0f} %"
    if verdict == "blocked":
        what = f"The line is obstructed at the address, but only at {percent} of the places"
    else:
        what = f"The room is there at the address, but only at {percent} of the places"
    return (
        f"{what} within its position error of {position_error_m:g} m. Give the position of the dish itself."
    )

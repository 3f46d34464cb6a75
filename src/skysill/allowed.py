"""How tall things may be at a distance along a satellite's azimuth: the surveyor's rule of thumb made exact."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from skysill.clearance import room_angle_deg
from skysill.errors import InputError
from skysill.site import Criteria, Terminal
from skysill.units import Floats

__all__ = ["allowed_height_m", "allowed_heights_text"]

TOLD_M = (10.0, 20.0, 50.0)

_SENSELESS_M = 1000.0
"""Plan distances that the sentence tells."""


def allowed_height_m(
    plan_distance_m: ArrayLike,
    *,
    elevation_deg: float,
    antenna_height_m: float,
    terminal: Terminal,
    criteria: Criteria,
) -> Floats:
    """Height that a thing on the satellite's azimuth may have and still leave the required room.

    Parameters
    ----------
    plan_distance_m : (...) float > 0, level distance from the dish centre
    elevation_deg : apparent elevation of the satellite, 0 to 90
    antenna_height_m : dish centre above what the heights are to be counted from (the ground there, say)

    Returns
    -------
    (...) float, metres; negative where even the ground there stands too high

    Notes
    -----
    The top at plan distance x must stay under the elevation E - atan(required(d) / d), d being the line of sight to
    the top itself: x tan(E - atan(required(d) / d)), solved by repetition, which closes on the answer because the
    room as an angle changes slowly with d. Level ground; within the few hundred metres this is for, the Earth's
    curve takes off less than a centimetre.

    >>> allowed_height_m([6.0, 20.0], elevation_deg=24.0, antenna_height_m=2.0, terminal=Terminal(),
    ...                  criteria=Criteria()).round(2)
    array([3.82, 9.87])
    """
    distance_m = np.asarray(plan_distance_m, dtype=np.float64)
    if not (distance_m > 0.0).all():
        raise InputError("allowed heights are asked for in front of the dish.", where="plan_distance_m")
    top_deg = np.full(distance_m.shape, elevation_deg)
    for _ in range(30):
        sight_m = distance_m / np.cos(np.deg2rad(top_deg))
        top_deg = elevation_deg - room_angle_deg(sight_m, terminal, criteria)
    return np.asarray(antenna_height_m + distance_m * np.tan(np.deg2rad(top_deg)))


def allowed_heights_text(
    satellite: str,
    *,
    elevation_deg: float,
    antenna_height_m: float,
    terminal: Terminal,
    criteria: Criteria,
    distances_m: tuple[float, ...] = TOLD_M,
) -> str:
    """The same as a sentence; heights count from the ground that antenna_height_m counts from.

    >>> print(allowed_heights_text("Demo South", elevation_deg=24.0, antenna_height_m=2.0, terminal=Terminal(),
    ...                            criteria=Criteria()))
    Towards Demo South: at 10 m nothing above 5.5 m over the ground, at 20 m 9.8 m, at 50 m 23.0 m.
    """
    heights = allowed_height_m(
        distances_m,
        elevation_deg=elevation_deg,
        antenna_height_m=antenna_height_m,
        terminal=terminal,
        criteria=criteria,
    )
    # rounded down: the sentence must not allow more than the geometry does
    told = [
        f"{np.floor(height * 10.0) / 10.0:.1f} m" if height > 0 else "not even the ground"
        for height in heights
    ]
    if heights.max() > _SENSELESS_M:
        return f"Towards {satellite}: so steep that only what overhangs the dish matters."
    first = f"at {distances_m[0]:g} m nothing above {told[0]} over the ground"
    rest = "".join(f", at {d:g} m {height}" for d, height in zip(distances_m[1:], told[1:], strict=True))
    return f"Towards {satellite}: {first}{rest}."

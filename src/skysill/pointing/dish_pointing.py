"""The dish on its way to the satellite: tilt of its face, width of its beam, directions in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.model.site import Terminal
from skysill.pointing.look_vector import LookVector
from skysill.units import wavelength_m

__all__ = [
    "FaceTilt",
    "beam_half_width_deg",
    "compass_point",
    "face_tilt",
    "side_of",
]


_POINTS = (
    "north", "north-north-east", "north-east", "east-north-east", "east", "east-south-east", "south-east",
    "south-south-east", "south", "south-south-west", "south-west", "west-south-west", "west", "west-north-west",
    "north-west", "north-north-west",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class FaceTilt:
    """How the face of an offset dish leans when the beam points at the satellite.

    tilt_deg : elevation less the offset angle; positive: leant back from plumb, the face looks up;
        negative: leant forward, the upper rim overhangs
    """

    tilt_deg: float
    text: str


def compass_point(bearing_deg: float) -> str:
    """The nearest of the sixteen points, in words.

    >>> compass_point(203.0), compass_point(359.0)
    ('south-south-west', 'north')
    """
    return _POINTS[int(np.floor(bearing_deg / 22.5 + 0.5)) % 16]


def side_of(turn_deg: float, *, within_deg: float = 0.05) -> str:
    """A turn in words.

    >>> side_of(-23.4), side_of(0.0)
    ('23.4 degrees left of', 'straight along')
    """
    if abs(turn_deg) < within_deg:
        return "straight along"
    return f"{abs(turn_deg):.1f} degrees {'right' if turn_deg > 0.0 else 'left'} of"


def beam_half_width_deg(terminal: Terminal) -> float:
    """Half the 3 dB beamwidth at the highest frequency: 35 lambda / D, a tapered dish (from memory).

    >>> round(beam_half_width_deg(Terminal(dish_diameter_m=1.2, receive_ghz=20.0)), 2)
    0.44
    """
    highest_ghz = max(terminal.receive_ghz, terminal.transmit_ghz or 0.0)
    return float(35.0 * wavelength_m(highest_ghz) / terminal.dish_diameter_m)


def face_tilt(look: LookVector, terminal: Terminal) -> FaceTilt | None:
    """Lean of the dish's face from plumb; None where the terminal's offset angle is not known.

    The beam of an offset dish leaves `offset_angle_deg` above the normal of its face, so the normal points that
    much below the satellite. The elevation is the apparent one: that is where the ray comes from.
    """
    if terminal.offset_angle_deg is None:
        return None
    tilt_deg = look.elevation_apparent_deg - terminal.offset_angle_deg
    sums = f"{look.elevation_apparent_deg:.1f} - {terminal.offset_angle_deg:.1f}"
    if abs(tilt_deg) < 0.05:
        return FaceTilt(tilt_deg, f"The face of the dish stands plumb ({sums} degrees).")
    if tilt_deg > 0.0:
        how = "leans back from plumb, its upper rim away from the satellite"
    else:
        how = "leans forward of plumb, its upper rim overhanging towards the satellite"
    return FaceTilt(tilt_deg, f"The face of the dish {how}, by {abs(tilt_deg):.1f} degrees ({sums}).")

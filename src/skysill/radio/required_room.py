"""The room that a link requires around its ray, in metres and as an angle; the kernels are in `radio.fresnel`."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from skysill.model.link import Link
from skysill.radio.fresnel import required_room_m
from skysill.units import Floats

__all__ = ["room_angle_deg", "room_angle_rad", "room_m"]


def room_m(distance_m: ArrayLike, link: Link) -> Floats:
    """Room that a link requires at a distance; see `required_room_m`.

    Parameters
    ----------
    distance_m : (...) float, metres along the ray

    Returns
    -------
    (...) float, metres, perpendicular to the ray
    """
    return required_room_m(
        distance_m,
        dish_diameter_m=link.dish_diameter_m,
        frequency_ghz=link.frequency_ghz,
        fresnel_fraction=link.fresnel_fraction,
    )


def room_angle_rad(distance_m: ArrayLike, link: Link) -> Floats:
    """The same as an angle at the dish centre, atan(required / d): (...) float, radians; pi/2 at the dish itself."""
    return np.asarray(np.arctan2(room_m(distance_m, link), np.asarray(distance_m, dtype=np.float64)))


def room_angle_deg(distance_m: ArrayLike, link: Link) -> Floats:
    """The same angle in degrees, (...) float.

    >>> from skysill.model.site import Criteria, Terminal
    >>> room_angle_deg([6.0, 2000.0], Link(Terminal(dish_diameter_m=1.2, receive_ghz=19.7), Criteria())).round(2)
    array([7.42, 0.11])
    """
    return np.rad2deg(room_angle_rad(distance_m, link))

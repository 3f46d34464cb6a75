"""Which azimuths matter to a ray, and how far out ground on them has to be known."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from skysill.assessment.placement import Place
from skysill.model.link import Link
from skysill.pointing.look_vector import LookVector
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats, local_earth_radius_m, wrap_360

__all__ = [
    "EXACT_MARGIN_DEG",
    "NEAREST_M",
    "NEAR_TALL_M",
    "near_reach_m",
    "reach_wanted_m",
    "sought_elevation_deg",
    "stop_elevation_deg",
    "window_azimuths_deg",
    "window_half_deg",
]


NEAREST_M = 2.0
"""Nearest ground that a ray's window of azimuths is made for."""


def window_half_deg(distance_m: float, elevation_deg: float, link: Link) -> float:
    """How far beside a ray, in azimuth, something at a distance could take the required room; at most 180 degrees.

    sin(half) = sin(required angle) / cos(elevation): the circle around the ray touches the meridian there.
    """
    reach_rad = np.deg2rad(float(room_angle_deg(distance_m, link)))
    beside = np.sin(reach_rad) / max(np.cos(np.deg2rad(elevation_deg)), 1e-9)
    return 180.0 if beside >= 1.0 else float(np.rad2deg(np.arcsin(beside)))


NEAR_TALL_M = 30.0
"""Trees and houses are taken to reach no higher than this over the dish: a tall wood. Common practice, no source.

A fine surface raster is near evidence only if it reaches as far as such a thing could stand in the way.
"""


_DENSE_DEG = 0.1


_WIDE_DEG = 0.5


def window_azimuths_deg(look: LookVector, link: Link) -> tuple[Floats, Floats]:
    """The azimuths that matter for one ray.

    Returns
    -------
    dense : (n,) 0.1 degree apart, where something `assumed_distance_m` away could take the required room; these
        must be covered. The ray's own azimuth is one of them.
    wide : (m,) 0.5 degree apart, out to where something 2 m away could
    """
    azimuth_deg = 0.0 if look.azimuth_deg is None else look.azimuth_deg
    halves = [
        180.0 if look.azimuth_deg is None else window_half_deg(distance_m, look.elevation_apparent_deg, link)
        for distance_m in (link.assumed_distance_m, NEAREST_M)
    ]
    dense_steps = int(np.ceil(halves[0] / _DENSE_DEG))
    dense = azimuth_deg + np.arange(-dense_steps, dense_steps + 1) * _DENSE_DEG
    wide = (
        azimuth_deg + np.arange(-int(halves[1] / _WIDE_DEG) - 1, int(halves[1] / _WIDE_DEG) + 2) * _WIDE_DEG
    )
    wide = wide[np.abs(wide - azimuth_deg) > halves[0] + _DENSE_DEG]
    if halves[0] >= 180.0:
        dense, wide = azimuth_deg + np.arange(-1800, 1800) * _DENSE_DEG, wide[:0]
    return wrap_360(dense), wrap_360(wide)


def stop_elevation_deg(look: LookVector, at: Place, highest_ground_m: float, link: Link) -> float:
    """The lowest elevation that ground must not reach at the far end: the ray less the room it needs there."""
    rise_m = max(highest_ground_m - at.antenna_elevation_m, 0.0)
    far_m = max(rise_m / np.sin(np.deg2rad(max(look.elevation_apparent_deg, 1.0))), link.assumed_distance_m)
    return look.elevation_apparent_deg - float(room_angle_deg(far_m, link))


EXACT_MARGIN_DEG = 10.0
"""Margins up to this are exact: terrain is followed as far as ground could come so near to the ray."""


_LOWEST_SOUGHT_DEG = 1.0
"""... but no farther than ground could be seen so high."""


def sought_elevation_deg(apparent_deg: ArrayLike, stop_deg: ArrayLike) -> Floats:
    """The elevation, broadcast, down to which ground is looked for: an exact margin below the ray, or its room."""
    return np.minimum(stop_deg, np.maximum(np.asarray(apparent_deg) - EXACT_MARGIN_DEG, _LOWEST_SOUGHT_DEG))


def reach_wanted_m(look: LookVector, at: Place, highest_ground_m: float, link: Link) -> float:
    """How far out somebody must have looked: beyond, ground can no longer come into the required room."""
    from skysill.horizon.terrain import reach_needed_m

    radius_m = link.criteria.refraction_factor * float(
        local_earth_radius_m(at.latitude_deg, look.azimuth_deg or 0.0)
    )
    return float(
        reach_needed_m(
            at.antenna_elevation_m,
            stop_elevation_deg(look, at, highest_ground_m, link),
            highest_ground_m=highest_ground_m,
            radius_m=radius_m,
        )
    )


def near_reach_m(stop_deg: float) -> float:
    """How far out something as tall as trees and houses may be could come into a ray's room."""
    return float(NEAR_TALL_M / np.tan(np.deg2rad(max(stop_deg, 0.5))))

"""Shadows of a plumb mast, and what sun or shade at the dish proves about the path to the satellite."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from skysill.pointing.ephemeris import SUN_HALF_WIDTH_DEG, sun_direction, sunlight_elevation_deg
from skysill.pointing.orbits import as_utc
from skysill.units import wrap_180, wrap_360

__all__ = ["Shadow", "lit_means", "shadows"]


@dataclass(frozen=True, slots=True)
class Shadow:
    """The shadow of a plumb mast on level ground.

    bearing_deg : true azimuth the shadow points to
    length_per_height : length of the shadow per unit of mast height
    turn_to_satellite_deg : clockwise from the shadow's direction to the satellite's azimuth, (-180, 180]
    """

    time: dt.datetime
    bearing_deg: float
    length_per_height: float
    turn_to_satellite_deg: float | None


def shadows(
    times_utc: Sequence[dt.datetime],
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    *,
    azimuth_deg: float | None = None,
    least_elevation_deg: float = 3.0,
) -> tuple[Shadow, ...]:
    """Shadows of a plumb mast at those of the times at which the sun is high enough to cast a usable one.

    azimuth_deg : of the satellite, for the turn from the shadow to it

    >>> [shadow] = shadows([dt.datetime(2026, 6, 14, 12)], 58.0, -24.65, 50.0, azimuth_deg=179.2)
    >>> round(shadow.bearing_deg), round(shadow.length_per_height, 2), round(shadow.turn_to_satellite_deg)
    (322, 0.81, -143)
    """
    angles = sun_direction(times_utc, latitude_deg, longitude_deg, height_m)
    apparent_deg = sunlight_elevation_deg(angles.elevation_deg, height_m)
    bearing_deg = wrap_360(angles.azimuth_deg + 180.0)
    return tuple(
        Shadow(
            time=as_utc(times_utc[at]),
            bearing_deg=float(bearing_deg[at]),
            length_per_height=float(1.0 / np.tan(np.deg2rad(apparent_deg[at]))),
            turn_to_satellite_deg=(
                None if azimuth_deg is None else float(wrap_180(azimuth_deg - bearing_deg[at]))
            ),
        )
        for at in range(len(times_utc))
        if apparent_deg[at] >= least_elevation_deg and not np.isnan(bearing_deg[at])
    )


def lit_means(sun_elevation_deg: float, satellite_elevation_deg: float) -> str:
    """What sun or shade at the dish centre proves when the sun stands at the satellite's azimuth.

    What stands on the ground hides everything below its top, so a free line proves that every higher line on the
    same azimuth is free of such obstructions, and a hidden line proves that every lower one is hidden. The converse
    does not hold, nor does either for an overhang. Both elevations are apparent ones.
    """
    sun, satellite = f"{sun_elevation_deg:.1f}", f"{satellite_elevation_deg:.1f}"
    if abs(sun_elevation_deg - satellite_elevation_deg) <= SUN_HALF_WIDTH_DEG:
        return (
            f"The sun stands at the satellite's height, {satellite} degrees. Sunlit: the centre of the path is free, "
            "though the room around it is not proved. In shade: the path is obstructed."
        )
    if sun_elevation_deg < satellite_elevation_deg:
        return (
            f"Sunlit: whatever stands on the ground stays below {sun} degrees here and leaves the path at "
            f"{satellite} degrees free; what hangs over it, and the room around it, are not proved. "
            f"In shade: something reaches {sun} degrees; whether it reaches the satellite is not known."
        )
    return (
        f"Sunlit: only the sky at {sun} degrees is proved free, not the path below it at {satellite} degrees. "
        f"In shade: what stands there reaches {sun} degrees and hides the satellite as well, "
        "unless it only hangs over."
    )

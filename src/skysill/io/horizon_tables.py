"""A merged horizon profile as a table."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from skysill.horizon.silhouette import Profile

__all__ = ["horizon_profile_csv"]

_COLUMNS = "azimuth_deg,elevation_deg,distance_m,source"


def horizon_profile_csv(profile: Profile) -> str:
    """A merged horizon profile as comma-separated text: azimuth_deg, elevation_deg, distance_m, source.

    Parameters
    ----------
    profile : from `skysill.horizon_profile`

    Returns
    -------
    text, one line an azimuth: degrees to 1e-6 and 1e-4, metres to the centimetre; a field is empty where nobody
    looked or no distance is known

    >>> import numpy as np
    >>> from skysill import Profile, horizon_profile_csv
    >>> profile = Profile(np.array([170.0, 171.0]), np.array([11.5, np.nan]), np.array([22.0, np.nan]),
    ...                   ("obstacle", ""), ("sycamore", ""))
    >>> print(horizon_profile_csv(profile), end="")
    azimuth_deg,elevation_deg,distance_m,source
    170,11.5000,22.00,obstacle
    171,,,
    """
    lines = [_COLUMNS]
    for at, azimuth in enumerate(profile.azimuth_deg):
        azimuth_deg = round(float(azimuth), 9) % 360.0
        cells = [f"{azimuth_deg:.6f}".rstrip("0").rstrip(".")]
        for value, digits in ((profile.elevation_deg[at], 4), (profile.distance_m[at], 2)):
            cells.append("" if math.isnan(value) else f"{value:.{digits}f}")
        lines.append(",".join([*cells, profile.source[at]]))
    return "\n".join(lines) + "\n"

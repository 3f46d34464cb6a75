"""Shaded relief of a grid of elevations, as numbers and as a PNG picture."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import ArrayLike

from skysill.units import Floats

__all__ = ["hillshade", "hillshade_png"]


def hillshade(
    elevation_m: ArrayLike,
    cell_m: float,
    *,
    light_azimuth_deg: float = 315.0,
    light_elevation_deg: float = 45.0,
) -> Floats:
    """Brightness of a surface lit from one direction: the cosine of the angle between its normal and the light.

    Parameters
    ----------
    elevation_m : (row, col), the first row northernmost; nan where nothing is known
    cell_m : distance between neighbours, both ways
    light_azimuth_deg, light_elevation_deg : from where it is lit; from the north-west, as maps are (common practice)

    Returns
    -------
    (row, col) float from 0 to 1, nan where a neighbour is not known

    >>> float(hillshade(np.zeros((3, 3)), 1.0)[1, 1].round(4))  # level ground: the sine of the light's elevation
    0.7071
    """
    height = np.asarray(elevation_m, dtype=np.float64)
    to_south, to_east = np.gradient(height, cell_m)
    azimuth, elevation = np.deg2rad(light_azimuth_deg), np.deg2rad(light_elevation_deg)
    east, north, up = (
        np.sin(azimuth) * np.cos(elevation),
        np.cos(azimuth) * np.cos(elevation),
        np.sin(elevation),
    )
    lit = (up - to_east * east + to_south * north) / np.sqrt(1.0 + to_east**2 + to_south**2)
    return np.asarray(np.clip(lit, 0.0, 1.0))


def hillshade_png(shade: ArrayLike) -> bytes:
    """Shaded relief as a grey PNG picture, light enough to draw on; clear where nothing is known.

    shade : (row, col) from `hillshade`
    """
    from matplotlib.image import imsave

    lit = np.asarray(shade, dtype=np.float64)
    known = np.isfinite(lit)
    grey = np.where(known, 0.35 + 0.65 * np.where(known, lit, 0.0), 1.0)
    pixels = np.stack([grey, grey, grey, known.astype(np.float64)], axis=-1)
    kept = io.BytesIO()
    imsave(kept, pixels, format="png", metadata={"Software": "skysill"})
    return kept.getvalue()

"""Bending of radio waves in the atmosphere. For light see `ephemeris`."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from skysill.units import Floats

__all__ = ["refraction_deg"]


def refraction_deg(elevation_deg: ArrayLike, height_m: ArrayLike) -> Floats:
    """Ray bending of radio waves: what to add to the geometric elevation to get the apparent one.

    Parameters
    ----------
    elevation_deg : geometric (free-space) elevation
    height_m : of the dish above sea level; held within 0 to 3000, where the formula is valid

    Returns
    -------
    (...) float, degrees, of the broadcast shape

    Notes
    -----
    From -1 to 10 degrees: ITU-R P.834 in the form of P.619-5, eq. (26), for the mean atmosphere
    n = 1 + 315e-6 exp(-0.1361 h), h in km. Above, that fit falls short of its own atmosphere (a fifth at 20
    degrees), so from 10 to 14 degrees it is faded into the law of a flat layered atmosphere,
    (n - 1) cot(elevation), which is within 2e-3 degrees there and vanishes at the zenith. Below -1 degree no
    ray arrives over level ground: the bending is faded to none at -3 degrees, which keeps the apparent
    elevation continuous and increasing.
    From day to day the bending differs by about 0.1 degrees at 1 degree of elevation, 0.007 at 10
    (ITU-R P.834, Table 1, from memory).

    >>> refraction_deg([0.0, 5.0, 30.0], 0.0).round(4)
    array([0.5787, 0.1864, 0.0313])
    """
    elevation_deg = np.asarray(elevation_deg, dtype=np.float64)
    height_km = np.clip(np.asarray(height_m, dtype=np.float64), 0.0, 3000.0) / 1000.0
    low = np.clip(elevation_deg, -1.0, 10.0)
    fit = 1.0 / (  # P.619-5 eq. (26)
        1.728 + 0.5411 * low + 0.03723 * low**2
        + height_km * (0.1815 + 0.06272 * low + 0.01380 * low**2)
        + height_km**2 * (0.01727 + 0.008288 * low)
    )  # fmt: skip
    layered = np.rad2deg(315e-6 * np.exp(-0.1361 * height_km))  # n - 1 of P.834 eq. (8)
    high = np.deg2rad(np.clip(elevation_deg, 10.0, 90.0))
    ratio_at_10 = (
        fit * np.tan(np.deg2rad(10.0)) / layered
    )  # of the fit to the cot law, used above 10 degrees only
    fade = np.clip((elevation_deg - 10.0) / 4.0, 0.0, 1.0)
    above = layered / np.tan(high) * (ratio_at_10 + fade * (1.0 - ratio_at_10))
    below = fit * np.clip((elevation_deg + 3.0) / 2.0, 0.0, 1.0)
    return np.asarray(np.where(elevation_deg > 10.0, above, np.where(elevation_deg < -1.0, below, fit)))

"""Power density in front of a transmitting dish, the limits for people, and the distance up to which it exceeds them.

FCC OET Bulletin 65 (ed. 97-01), aperture antennas, equations (11) to (18), as filings apply them. Limits: 47 CFR
1.1310, Table 1; above 100 GHz, where that table ends, ICNIRP 2020 (whole body, 2 to 300 GHz), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.errors import InputError
from skysill.units import wavelength_m

__all__ = ["EFFICIENCY", "Exposure", "Limit", "beam_limit_m", "exposure", "public_limit"]

EFFICIENCY = 0.65
"""Aperture efficiency where the data sheet's is not known: common practice for small dishes, no source."""

_FCC, _ICNIRP = "47 CFR 1.1310", "ICNIRP 2020, whole body"


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit of power density for people, W/m2, and its source."""

    density_w_m2: float
    source: str


@dataclass(frozen=True, slots=True)
class Exposure:
    """Power densities in front of a dish, W/m2, and where the regions meet, m.

    surface : at the reflector, 4 P / A; near : the most in the tube in front of it, 16 eta P / (pi D**2)
    near_end_m : D**2 / (4 lambda); far_start_m : 0.6 D**2 / lambda
    """

    surface_w_m2: float
    near_w_m2: float
    near_end_m: float
    far_start_m: float


def public_limit(frequency_ghz: float) -> Limit:
    """Limit for the general population at a frequency: f/1500 mW/cm2 (f in MHz) to 1.5 GHz, 1.0 above, over 30 minutes.

    Raises
    ------
    InputError : outside 0.3 to 300 GHz

    >>> public_limit(29.5), public_limit(0.9).density_w_m2
    (Limit(density_w_m2=10.0, source='47 CFR 1.1310'), 6.0)
    """
    if not 0.3 <= frequency_ghz <= 300.0:
        raise InputError(f"there is no limit here for {frequency_ghz:g} GHz.", where="frequency_ghz")
    if frequency_ghz > 100.0:
        return Limit(10.0, _ICNIRP)
    return Limit(min(frequency_ghz * 1000.0 / 150.0, 10.0), _FCC)


def exposure(
    power_w: float, *, dish_diameter_m: float, frequency_ghz: float, efficiency: float = EFFICIENCY
) -> Exposure:
    """Power density in front of a transmitting dish, FCC OET Bulletin 65 (ed. 97-01), eqs. (11), (13), (12), (16).

    >>> exposure(2.5, dish_diameter_m=0.9, frequency_ghz=28.6, efficiency=0.6).surface_w_m2  # doctest: +ELLIPSIS
    15.719...
    """
    square = dish_diameter_m**2
    wave_m = float(wavelength_m(frequency_ghz))
    return Exposure(
        surface_w_m2=4.0 * power_w / (np.pi * square / 4.0),
        near_w_m2=16.0 * efficiency * power_w / (np.pi * square),
        near_end_m=square / (4.0 * wave_m),
        far_start_m=0.6 * square / wave_m,
    )


def beam_limit_m(
    power_w: float,
    *,
    dish_diameter_m: float,
    frequency_ghz: float,
    limit_w_m2: float,
    efficiency: float = EFFICIENCY,
) -> float:
    """Distance in front of a dish from which its beam stays below a limit, metres; 0 where it is nowhere above.

    0 also where only the reflector's own surface is above it. OET 65 (ed. 97-01): near field, eq. (13); transition,
    S_near R_near / r, eq. (17); far field, P G / (4 pi r**2), eq. (18). The two do not join; the farther one counts.

    >>> round(beam_limit_m(2.5, dish_diameter_m=0.9, frequency_ghz=28.6, limit_w_m2=6.0733, efficiency=0.6), 1)
    30.0
    """
    found = exposure(
        power_w, dish_diameter_m=dish_diameter_m, frequency_ghz=frequency_ghz, efficiency=efficiency
    )
    if found.near_w_m2 <= limit_w_m2:
        return 0.0
    between_m = found.near_w_m2 * found.near_end_m / limit_w_m2
    gain = efficiency * (np.pi * dish_diameter_m / float(wavelength_m(frequency_ghz))) ** 2
    far_m = float(np.sqrt(power_w * gain / (4.0 * np.pi * limit_w_m2)))
    return far_m if far_m >= found.far_start_m else min(between_m, found.far_start_m)

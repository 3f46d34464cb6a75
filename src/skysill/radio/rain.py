"""Hours of rain outage that an obstruction adds a year, by ITU-R P.618, where the library for it is installed.

A link is planned with a margin against rain. The loss of an obstruction reduces that margin.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass

import numpy as np

from skysill.model.site import Terminal
from skysill.units import Floats

__all__ = ["HOW_TO_GET", "MODEL", "RainCost", "outage_percent", "rain_cost"]

HOW_TO_GET = 'What it costs in rain is not worked out here: install "skysill[rain]" for that.'
MODEL = "rain attenuation by ITU-R P.618 with the rain maps of P.837, as computed by the itur library"

HOURS_A_YEAR = 8766.0
"""24 times 365.25."""

_LEAST_PERCENT, _MOST_PERCENT = 0.001, 5.0  # of the year: span for which P.618 gives attenuation
_STEPS = 25


@dataclass(frozen=True, slots=True)
class RainCost:
    """Hours of rain outage a year, free and obstructed.

    availability_percent : of the year, that the link was planned for (all other figures rest on this assumption)
    margin_db : rain attenuation exceeded in the rest of the year; loss_db : by how much the obstruction reduces it
    free_hours, obstructed_hours : a year below the margin; obstructed_is_floor : it is at least that
    """

    availability_percent: float
    frequency_ghz: float
    margin_db: float
    loss_db: float
    free_hours: float
    obstructed_hours: float
    obstructed_is_floor: bool
    model: str = MODEL

    @property
    def text(self) -> str:
        """In a sentence."""
        least = "at least " if self.obstructed_is_floor else ""
        return (
            f"Laid out for {self.availability_percent:g} % of the year, the link has {self.margin_db:.1f} dB against "
            f"rain at {self.frequency_ghz:g} GHz. The obstruction takes {self.loss_db:.1f} dB of it: rain then "
            f"interrupts the service for {least}{self.obstructed_hours:.0f} hours a year instead of "
            f"{self.free_hours:.0f}."
        )


def rain_cost(
    latitude_deg: float,
    longitude_deg: float,
    height_m: float,
    *,
    elevation_deg: float,
    terminal: Terminal,
    loss_db: float,
    availability_percent: float = 99.7,
) -> tuple[RainCost | None, str | None]:
    """Rain outage, or None and the reason: the library is missing, or the satellite is too low for the model.

    elevation_deg : of the satellite; loss_db : of the obstruction
    availability_percent : 99.7 is common practice for small dishes, no source; the service states its own
    """
    if importlib.util.find_spec("itur") is None:
        return None, HOW_TO_GET
    if elevation_deg < 5.0:
        return None, "Rain is not calculated for satellites under 5 degrees: the model does not hold there."
    percents = np.geomspace(_LEAST_PERCENT, _MOST_PERCENT, _STEPS)
    rain_db = _attenuation_db((latitude_deg, longitude_deg, height_m), elevation_deg, terminal, percents)
    planned = 100.0 - availability_percent
    margin_db = float(np.interp(np.log(planned), np.log(percents), rain_db))
    after = outage_percent(percents, rain_db, margin_db - loss_db)
    hours = HOURS_A_YEAR / 100.0
    return (
        RainCost(
            availability_percent=availability_percent,
            frequency_ghz=terminal.receive_ghz,
            margin_db=margin_db,
            loss_db=loss_db,
            free_hours=planned * hours,
            obstructed_hours=after * hours,
            obstructed_is_floor=after >= 0.999 * _MOST_PERCENT,
        ),
        None,
    )


def outage_percent(percents: Floats, attenuation_db: Floats, margin_db: float) -> float:
    """Share of the year, percent, in which attenuation exceeds a margin; at most the largest share given.

    Parameters
    ----------
    percents, attenuation_db : (n,) attenuation exceeded for each share of the year; shares ascending

    Interpolated linearly in the logarithm of the share, as attenuation curves are drawn.

    >>> outage_percent(np.array([0.01, 0.1, 1.0]), np.array([20.0, 10.0, 4.0]), 10.0).__round__(6)
    0.1
    """
    falling = np.asarray(attenuation_db)[::-1]
    return float(np.exp(np.interp(margin_db, falling, np.log(percents)[::-1])))


def _attenuation_db(
    place: tuple[float, float, float], elevation_deg: float, terminal: Terminal, percents: Floats
) -> Floats:
    """(n,) rain attenuation, dB, exceeded for each share of the year; not rising with the share."""
    from itur.models import itu618

    latitude_deg, longitude_deg, height_m = place
    tilt_deg = 45.0  # circular; a linear feed lies on either side of it, by a few hundredths of the loss
    found = [
        itu618.rain_attenuation(
            latitude_deg,
            longitude_deg,
            terminal.receive_ghz,
            elevation_deg,
            hs=max(height_m, 0.0) / 1000.0,
            p=float(percent),
            tau=tilt_deg,
        )
        for percent in percents
    ]
    decibels = np.array([float(np.asarray(getattr(one, "value", one)).reshape(-1)[0]) for one in found])
    return np.minimum.accumulate(decibels)

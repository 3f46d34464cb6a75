"""Look vector + horizon -> the room around the ray, the margin, and what controls."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Clearance", "Controlling"]


@dataclass(frozen=True, slots=True)
class Controlling:
    """The obstruction with the smallest angular spare room.

    azimuth_deg, elevation_deg : the nearest obstructed direction on it
    distance_m : along the line of sight; an assumed one where distance_assumed
    """

    name: str
    kind: str
    source: str
    azimuth_deg: float
    elevation_deg: float
    distance_m: float | None
    distance_assumed: bool


@dataclass(frozen=True, slots=True)
class Clearance:
    """Room between the ray to the satellite and what obstructs, at the controlling obstruction.

    All None when nothing obstructs; degrees, metres, decibels.
    """

    margin_deg: float | None = None
    vertical_margin_deg: float | None = None
    clearance_m: float | None = None
    required_m: float | None = None
    fresnel_radius_m: float | None = None
    fresnel_ratio: float | None = None
    blocked_fraction: float | None = None
    loss_db: float | None = None
    controlling: Controlling | None = None

"""THE CHAIN: one mount, its satellites -> Assessment. Read this file first.

look, horizon, clearance, confidence, verdict.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any, Literal

from skysill.clearance import Clearance
from skysill.horizon.silhouette import Profile, Silhouette
from skysill.look import LookVector
from skysill.site import (
    HIGHEST_GROUND_ON_EARTH_M,
    Criteria,
    Landmark,
    Mount,
    Roof,
    Satellite,
    Site,
    Survey,
    Terminal,
)

__all__ = ["Assessment", "HorizonBelow", "Job", "Remedy", "SatelliteResult", "Sources", "Track", "assess"]

Verdict = Literal["blocked", "unknown", "marginal", "needs-survey", "clear"]
HIDDEN = {"json": False}
"""Metadata of fields that pictures need and JSON leaves out."""


@dataclass(frozen=True, slots=True, eq=False)
class Sources:
    """Everything that has something to say about the sky here.

    rasters : opened elevation rasters, finest first
    highest_ground_m : nothing around is higher
    readings : measured horizon as typed, with survey and landmarks to correct it
    scene : obstacles, in local plan coordinates
    """

    rasters: tuple[Any, ...] = ()
    highest_ground_m: float = HIGHEST_GROUND_ON_EARTH_M
    readings: Any | None = None
    survey: Survey = field(default_factory=Survey)
    landmarks: tuple[Landmark, ...] = ()
    scene: Any | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """A site file, read: what is asked, of whom, by which criteria."""

    site: Site
    satellites: tuple[Satellite, ...]
    mounts: tuple[Mount, ...] = (Mount(),)
    terminal: Terminal = field(default_factory=Terminal)
    criteria: Criteria = field(default_factory=Criteria)
    sources: Sources = field(default_factory=Sources)
    roof: Roof | None = None
    date: dt.date | None = None
    times_utc: tuple[dt.datetime, ...] = ()


@dataclass(frozen=True, slots=True)
class Remedy:
    """What would turn the verdict into `clear`, proved by a second assessment."""

    action: Literal["raise", "move", "trim", "other-satellite"]
    text: str
    to_height_m: float | None = None
    by_m: float | None = None
    bearing_deg: float | None = None
    to_east_m: float | None = None
    to_north_m: float | None = None
    obstacle: str | None = None
    years: float | None = None
    satellite: str | None = None
    verdict: str = "clear"


@dataclass(frozen=True, slots=True)
class HorizonBelow:
    """The merged horizon straight below the satellite."""

    elevation_deg: float | None
    distance_m: float | None
    source: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """An orbiting object's way over the time span, for satellites that move.

    time_utc, azimuth_deg, elevation_deg, margin_deg : one entry a time
    share_clear : share of the times at which the verdict is clear
    """

    time_utc: tuple[str, ...]
    azimuth_deg: tuple[float, ...]
    elevation_deg: tuple[float, ...]
    margin_deg: tuple[float | None, ...]
    share_clear: float


@dataclass(frozen=True, slots=True, eq=False)
class SatelliteResult:
    """One satellite from one mount."""

    satellite: Satellite
    look: LookVector
    horizon: HorizonBelow
    clearance: Clearance
    p_clear: float | None
    verdict: Verdict
    basis: tuple[str, ...]
    reasons: tuple[str, ...]
    remedies: tuple[Remedy, ...] = ()
    track: Track | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """What `check` answers. Fields are the JSON, but for those marked HIDDEN, which the pictures draw."""

    schema: int
    version: str
    site: Site
    mount: Mount
    terminal: Terminal
    results: tuple[SatelliteResult, ...]
    warnings: tuple[str, ...] = ()
    criteria: Criteria = field(default_factory=Criteria, metadata=HIDDEN)
    silhouettes: tuple[Silhouette, ...] = field(default=(), metadata=HIDDEN)
    profile: Profile | None = field(default=None, metadata=HIDDEN)


def assess(job: Job, mount: Mount, *, profile_step_deg: float | None = None, remedies: bool = True) -> Assessment:
    """One mount, its satellites -> Assessment."""
    raise NotImplementedError

"""What an assessment found: one result a satellite, with its remedies."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from skysill.assessment.clearance import Clearance
from skysill.assessment.evidence import Evidence
from skysill.assessment.placement import PlacedMount
from skysill.assessment.verdict import RANK, Verdict
from skysill.horizon.silhouette import Profile, Silhouette
from skysill.horizon.terrain import PathProfile
from skysill.model.link import Link
from skysill.model.site import Criteria, Satellite, Site, Terminal
from skysill.pointing.look_vector import LookVector
from skysill.radio.foliage import Foliage

__all__ = [
    "HIDDEN",
    "SCHEMA",
    "Assessment",
    "HorizonBelow",
    "Remedy",
    "SatelliteResult",
    "Tape",
    "Track",
    "Trim",
    "result_severity",
]


HIDDEN = {"json": False}
"""Metadata of fields that pictures need and JSON leaves out."""


SCHEMA = 1


@dataclass(frozen=True, slots=True)
class Tape:
    """A distance by which a spot is found with a tape: `corner` in words, `along` "the roof" or "level"."""

    corner: str
    distance_m: float
    along: Literal["the roof", "level"]


@dataclass(frozen=True, slots=True)
class Trim:
    """A tree cut flat: `trimmed_to_height_m` above the ground where it stands, `share` of its height taken off."""

    obstacle: str
    trimmed_to_height_m: float
    by_m: float
    share: float


@dataclass(frozen=True, slots=True)
class Remedy:
    """What would turn the verdict into `clear`, proved by a second assessment.

    action : "raise", "move", "trim" or "other-satellite"; text : the same in a sentence
    to_height_m : of the dish centre above what the mount stands on (raise); by_m : how much higher, or how far to move
    bearing_deg : true, of a move; bearing_magnetic_deg : as the survey's compass shows it, where it is magnetic;
        direction : the same in a word
    to_east_m, to_north_m, to_surface_elevation_m : where the mount stands after a move; tapes : how to find that
    trims : each tree of a trim, none where only the owner of a line may have them cut; obstacle : name of the first
    years : for how many years of growth a trim lasts
    satellite : name of the other satellite
    verdict : of the second assessment; other than "clear" only where nothing better can be reached
    """

    action: Literal["raise", "move", "trim", "other-satellite"]
    text: str
    to_height_m: float | None = None
    by_m: float | None = None
    bearing_deg: float | None = None
    to_east_m: float | None = None
    to_north_m: float | None = None
    to_surface_elevation_m: float | None = None
    bearing_magnetic_deg: float | None = None
    direction: str | None = None
    tapes: tuple[Tape, ...] = ()
    trims: tuple[Trim, ...] = ()
    obstacle: str | None = None
    years: float | None = None
    satellite: str | None = None
    verdict: str = "clear"


@dataclass(frozen=True, slots=True)
class HorizonBelow:
    """The merged horizon straight below the satellite; None where nothing stands there."""

    elevation_deg: float | None
    distance_m: float | None
    source: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """An orbiting object's way over the times asked.

    time_utc, azimuth_deg, elevation_deg, margin_deg, verdict : one entry a time
    share_clear : share of the times at which the verdict is clear
    """

    time_utc: tuple[str, ...]
    azimuth_deg: tuple[float | None, ...]
    elevation_deg: tuple[float, ...]
    margin_deg: tuple[float | None, ...]
    verdict: tuple[str, ...]
    share_clear: float


@dataclass(frozen=True, slots=True, eq=False)
class SatelliteResult:
    """One satellite from one mount; for an object that moves, its worst time, with the whole track.

    satellite, look : which, and where it stands
    horizon : merged horizon straight below it
    clearance : room today; later : after the growth of the criteria, None where nothing grows
    p_clear : probability that the required room is there, given the stated errors; None: not assessed
    verdict : "clear", "marginal", "blocked", "needs-survey" or "unknown"
    basis : names of the sources that spoke; reasons : why, in whole sentences
    remedies : what would help, the first first; searched : what was searched without a result, else empty
    track : of an object that moves; foliage : what crowns on the ray cost, None where it passes through none
    """

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
    later: Clearance | None = None
    foliage: Foliage | None = None
    searched: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """One mount, assessed. Fields are the JSON of `skysill check`, but for those that the pictures need.

    schema, version : of the JSON, of the package
    site, mount, terminal : what was assessed, the mount with the elevation it stands at
    results : one entry a satellite
    warnings : what was assumed, in whole sentences
    criteria, date : by which it was assessed; the date of the magnetic bearings
    evidence : what each source says from the dish, with how the errors of the sources depend on each other
    silhouettes : what each source shows, around the rays and all round; paths : ground along each satellite's azimuth
    profile : the merged horizon all round; None unless a step was asked for
    """

    schema: int
    version: str
    site: Site
    mount: PlacedMount
    terminal: Terminal
    results: tuple[SatelliteResult, ...]
    warnings: tuple[str, ...] = ()
    criteria: Criteria = field(default_factory=Criteria, metadata=HIDDEN)
    date: dt.date | None = field(default=None, metadata=HIDDEN)
    evidence: Evidence | None = field(default=None, metadata=HIDDEN)
    silhouettes: tuple[Silhouette, ...] = field(default=(), metadata=HIDDEN)
    profile: Profile | None = field(default=None, metadata=HIDDEN)
    paths: tuple[PathProfile | None, ...] = field(default=(), metadata=HIDDEN)

    @property
    def link(self) -> Link:
        """The terminal with the criteria it was judged by."""
        return Link(self.terminal, self.criteria)


def result_severity(result: SatelliteResult) -> tuple[int, float]:
    """Sort key of results, the worst last: by verdict, then by the spare room, the least last."""
    spare_deg = result.clearance.spare_deg
    return RANK[result.verdict], -np.inf if spare_deg is None else -spare_deg

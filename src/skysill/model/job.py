"""A job: site, mounts, satellites, terminal, criteria, and the sources of what stands against the sky."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from skysill.model.link import Link
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import (
    HIGHEST_GROUND_ON_EARTH_M,
    Criteria,
    MastKit,
    Mount,
    Roof,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import (
    Landmark,
    Station,
    SunSighting,
    Survey,
)

__all__ = ["Job", "Sources"]


@dataclass(frozen=True, slots=True, eq=False)
class Sources:
    """Everything that has something to say about the sky at a site.

    rasters : opened elevation rasters, finest first, from `open_rasters`
    highest_ground_m : nothing around is higher; decides how far a raster must reach
    readings : measured horizon as typed, with survey, landmarks and sun_sightings to correct it
    stations : places besides the survey's own that readings were taken from
    scene : obstacles, in local plan coordinates, from `read_scene`; None: nobody listed any

    >>> Sources(highest_ground_m=720.0).rasters
    ()
    """

    rasters: tuple[Any, ...] = ()
    highest_ground_m: float = HIGHEST_GROUND_ON_EARTH_M
    readings: Readings | None = None
    survey: Survey = field(default_factory=Survey)
    stations: tuple[Station, ...] = ()
    landmarks: tuple[Landmark, ...] = ()
    sun_sightings: tuple[SunSighting, ...] = ()
    scene: Scene | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """What a site file describes: the question and everything that has something to say about it.

    site : the property
    satellites : those that are asked about
    mounts : where the dish may sit
    terminal, criteria : dish, frequencies, and what counts as clear
    sources : readings, rasters, obstacles
    roof : where a mount may be looked for; None: not stated
    date : of magnetic bearings; None: no magnetic bearing is given
    times_utc : for objects that move
    notes : what the reader of the file has to say
    property_boundary : ring of (east, north) that no mount offered may stand or reach beyond; empty: not stated
    mounts_named : whether somebody named the mounts; else one stands at the site's origin
    mast_kits : masts and brackets that may be used; empty: any height

    >>> from skysill import Job, Satellite, Site
    >>> job = Job(Site("clinic", 58.0312, -24.6541), satellites=(Satellite("Demo South", longitude_deg=-24.0),))
    >>> job.mounts[0].height_m, job.terminal.dish_diameter_m
    (2.0, 1.2)
    """

    site: Site
    satellites: tuple[Satellite, ...]
    mounts: tuple[Mount, ...] = (Mount(),)
    terminal: Terminal = field(default_factory=Terminal)
    criteria: Criteria = field(default_factory=Criteria)
    sources: Sources = field(default_factory=Sources)
    roof: Roof | None = None
    date: dt.date | None = None
    times_utc: tuple[dt.datetime, ...] = ()
    notes: tuple[str, ...] = ()
    property_boundary: tuple[tuple[float, float], ...] = ()
    mounts_named: bool = True
    mast_kits: tuple[MastKit, ...] = ()

    @property
    def link(self) -> Link:
        """The terminal with the criteria it is judged by."""
        return Link(self.terminal, self.criteria)

"""Bearings of obstacles, mounts and stations in a site file, corrected to true azimuths."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from skysill.assessment.placement import place
from skysill.errors import InputError
from skysill.io.obstacle_keys import ObstacleTable
from skysill.io.text import placed_at, quoted
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Site
from skysill.model.survey import Landmark, SunSighting, Survey
from skysill.pointing.compass import CompassCorrection
from skysill.pointing.survey_compass import compass_correction_of
from skysill.units import wrap_360

__all__ = ["BearingCorrections", "refuse_mixed_bearings"]

_BY = {
    "declination": "by the magnetic model",
    "reference": "by the reference bearing",
    "landmarks": "by what was sighted",
    "sun": "by what was sighted",
}


@dataclass(slots=True, eq=False)
class BearingCorrections:
    """Corrections of the bearings of one site file to true azimuths.

    survey, landmarks, sun_sightings : of the file; sightings correct bearings of the survey's own kind only
    date : for magnetic bearings; None: the survey's, and where that has none they are refused
    computed : corrections found so far, by kind of bearing; it lives as long as one file is read
    """

    site: Site
    survey: Survey
    landmarks: tuple[Landmark, ...] = ()
    sun_sightings: tuple[SunSighting, ...] = ()
    date: dt.date | None = None
    computed: dict[str, CompassCorrection] = field(default_factory=dict, repr=False)

    def correction(self, kind: str | None) -> CompassCorrection:
        """The correction to add to a bearing. kind : "true", "magnetic" or "relative"; None: the survey's

        Raises
        ------
        InputError : magnetic without a date, relative without a reference bearing
        """
        stated: Any = kind or self.survey.bearings
        if stated not in self.computed:
            self.computed[stated] = self._correction(stated)
        return self.computed[stated]

    def _correction(self, kind: Any) -> CompassCorrection:
        own = kind == self.survey.bearings
        sources = Sources(
            survey=replace(self.survey, bearings=kind, date=self.date or self.survey.date),
            landmarks=self.landmarks if own else (),
            sun_sightings=self.sun_sightings if own else (),
        )
        job = Job(self.site, (), sources=sources, date=self.date)
        with placed_at("bearings"):
            return compass_correction_of(job, place(job, Mount(height_m=0.0)).site)

    def true_deg(self, bearing_deg: float, kind: str | None) -> float:
        """True azimuth of a bearing. kind : as in `correction`."""
        return float(wrap_360(bearing_deg + self.correction(kind).correction_deg))

    def notes(self, kind: str | None, what: str) -> tuple[str, ...]:
        """A sentence about the correction; none for true bearings. what : whose bearings, plural"""
        correction = self.correction(kind)
        if correction.source == "true":
            return ()
        return (
            f"The {kind or self.survey.bearings} bearings of {what} are turned by {correction.correction_deg:+.1f} "
            f"degrees to true north, {_BY[correction.source]}.",
        )


def refuse_mixed_bearings(tables: Sequence[ObstacleTable], survey: Survey, shown: str) -> None:
    """Refuse bearings without a stated kind where another obstacle states a kind that is not the survey's.

    Raises
    ------
    InputError : naming the first obstacle without a stated kind
    """
    with_bearings = [
        (number, table)
        for number, table in enumerate(tables, start=1)
        if table.bearing_deg is not None or table.sightings is not None
    ]
    other = next((table for _, table in with_bearings if table.bearings not in (None, survey.bearings)), None)
    unstated = next(((number, table) for number, table in with_bearings if table.bearings is None), None)
    if other is None or unstated is None:
        return
    number, table = unstated
    name = f" ({quoted(table.name)})" if table.name else ""
    raise InputError(
        f'its bearing may be "{survey.bearings}", as [survey] has it, or "{other.bearings}", as another [[obstacle]] '
        "says of itself.",
        where=f"{shown}, [[obstacle]] number {number}{name}",
        mend='Write bearings = "true", "magnetic" or "relative" with each.',
    )

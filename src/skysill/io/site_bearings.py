"""Bearings typed in a site file, of obstacles and mounts, turned to true azimuths."""

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
from skysill.model.site import Landmark, Mount, Site, SunSighting, Survey
from skysill.pointing.compass import CompassCorrection
from skysill.pointing.survey_compass import compass_correction_of
from skysill.units import wrap_360

__all__ = ["TypedBearings", "refuse_mixture"]

_BY = {
    "declination": "by the magnetic model",
    "reference": "by the reference bearing",
    "landmarks": "by what was sighted",
    "sun": "by what was sighted",
}


@dataclass(frozen=True, slots=True, eq=False)
class TypedBearings:
    """What turns the bearings of one site file to true azimuths.

    survey, landmarks, sun_sightings : of the file; sightings correct bearings of the survey's own kind only
    date : for magnetic bearings; None: the survey's, and where that has none they are refused
    """

    site: Site
    survey: Survey
    landmarks: tuple[Landmark, ...] = ()
    sun_sightings: tuple[SunSighting, ...] = ()
    date: dt.date | None = None
    _found: dict[str, CompassCorrection] = field(default_factory=dict, repr=False)

    def correction(self, said: str | None) -> CompassCorrection:
        """What is added to a bearing. said : "true", "magnetic" or "relative"; None: the survey's

        Raises
        ------
        InputError : magnetic without a date, relative without a reference bearing
        """
        kind: Any = said or self.survey.bearings
        if kind not in self._found:
            self._found[kind] = self._correction(kind)
        return self._found[kind]

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

    def true_deg(self, bearing_deg: float, said: str | None) -> float:
        """True azimuth of a bearing typed."""
        return float(wrap_360(bearing_deg + self.correction(said).correction_deg))

    def notes(self, said: str | None, what: str) -> tuple[str, ...]:
        """By how much bearings were turned; nothing for true ones. what : whose bearings, plural"""
        correction = self.correction(said)
        if correction.source == "true":
            return ()
        return (
            f"The {said or self.survey.bearings} bearings of {what} are turned by {correction.correction_deg:+.1f} "
            f"degrees to true north, {_BY[correction.source]}.",
        )


def refuse_mixture(doors: Sequence[ObstacleTable], survey: Survey, shown: str) -> None:
    """Where some obstacles' bearings say that they are of another kind than the survey's, all must say which they are.

    Raises
    ------
    InputError : naming the first that does not
    """
    typed = [
        (number, door)
        for number, door in enumerate(doors, start=1)
        if door.bearing_deg is not None or door.sightings is not None
    ]
    other = next((door for _, door in typed if door.bearings not in (None, survey.bearings)), None)
    unsaid = next(((number, door) for number, door in typed if door.bearings is None), None)
    if other is None or unsaid is None:
        return
    number, door = unsaid
    name = f" ({quoted(door.name)})" if door.name else ""
    raise InputError(
        f'its bearing may be "{survey.bearings}", as [survey] has it, or "{other.bearings}", as another [[obstacle]] '
        "says of itself.",
        where=f"{shown}, [[obstacle]] number {number}{name}",
        mend='Write bearings = "true", "magnetic" or "relative" with each.',
    )

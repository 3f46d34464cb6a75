"""Options that describe a job, from a command line or a web page, and the values that they replace in a site file."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

from skysill.errors import InputError
from skysill.io.elevation.source_names import ALLOWED_HOSTS_VARIABLE
from skysill.io.text import placed_at

if TYPE_CHECKING:
    from skysill.io.elevation.allowed_hosts import AllowedHosts
    from skysill.model.site import (
        Criteria,
        Mount,
        Satellite,
        Site,
        Terminal,
    )
    from skysill.model.survey import Survey

__all__ = ["JobOptions", "errors_as_options", "parse_time", "today"]

_MOST_TIMES = 100_000
_CRITERIA = ("fresnel_fraction", "assumed_distance_m", "years_ahead", "min_p_clear", "refraction_factor")

Data = TypeVar("Data", bound=Any)


def parse_time(text: str) -> dt.datetime:
    """A time from ISO 8601 text; without a zone it is UTC.

    >>> parse_time("2026-06-14T12:00Z").isoformat()
    '2026-06-14T12:00:00+00:00'
    """
    try:
        moment = dt.datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(f'"{text}" is not a time.', mend="Write 2026-06-14T12:00Z, for instance.") from None
    return moment.replace(tzinfo=dt.UTC) if moment.tzinfo is None else moment.astimezone(dt.UTC)


def today() -> dt.date:
    """Today's date, UTC; the only place that reads the clock for it."""
    return dt.datetime.now(dt.UTC).date()


_OPTION_OF = {
    "latitude_deg": "--at",
    "longitude_deg": "--at",
    "ground_elevation_m": "--ground-elevation",
    "height_m": "--mount-height",
    "dish_diameter_m": "--dish",
    "receive_ghz": "--frequency",
    "transmit_ghz": "--frequency",
    "satellite": "--satellite",
}


@contextmanager
def errors_as_options() -> Iterator[None]:
    """In errors raised inside, field names become the names of the options that set them."""
    try:
        yield
    except InputError as fault:
        where = _OPTION_OF.get(fault.where or "", fault.where)
        raise InputError(fault.what, where=where, mend=fault.mend) from fault


@dataclass(frozen=True, slots=True, kw_only=True)
class JobOptions:
    """Options of one command; None or empty where an option was not given.

    site_text : in place of what the site file holds: edits that are not saved yet
    default_mount_height_m : height of the dish where neither options nor site file give one
    """

    site_file: str | None = None
    site_text: str | None = None
    at: str | None = None
    ground_elevation_m: float | None = None
    satellite: tuple[str, ...] = ()
    mount_name: str | None = None
    mount_height_m: float | None = None
    terrain: tuple[str, ...] = ()
    terrain_error_m: tuple[float, ...] = ()
    allow_host: tuple[str, ...] = ()
    highest_ground_m: float | None = None
    horizon: str | None = None
    bearings: str | None = None
    reference_bearing_deg: float | None = None
    instrument_height_m: float | None = None
    obstacles: str | None = None
    obstacles_complete: bool = False
    dish_diameter_m: float | None = None
    frequency_ghz: tuple[float, ...] = ()
    receive_only: bool = False
    fresnel_fraction: float | None = None
    assumed_distance_m: float | None = None
    years_ahead: float | None = None
    min_p_clear: float | None = None
    refraction_factor: float | None = None
    date: dt.date | None = None
    time: dt.datetime | None = None
    until: dt.datetime | None = None
    step_minutes: float | None = None
    default_mount_height_m: float = 2.0

    @property
    def replaced(self) -> frozenset[str]:
        """Sources of a site file that options replace: "terrain", "horizon", "obstacles", "highest ground"."""
        given = {
            "terrain": bool(self.terrain),
            "horizon": bool(self.horizon),
            "obstacles": bool(self.obstacles),
            "highest ground": self.highest_ground_m is not None,
        }
        return frozenset(label for label, value in given.items() if value)

    def hosts(self) -> AllowedHosts | None:
        """Web hosts that elevations may be fetched from; None: none."""
        if not self.allow_host and not os.environ.get(ALLOWED_HOSTS_VARIABLE):
            return None
        from skysill.io.elevation.allowed_hosts import allowed_hosts

        return allowed_hosts(self.allow_host)

    def site(self, filed: Site | None) -> Site:
        """The site by --at and --ground-elevation, else that of the site file.

        Raises
        ------
        InputError : neither gives a position
        """
        from skysill.geodesy.positions import parse_position
        from skysill.model.site import Site

        if self.at is not None:
            try:
                there = parse_position(self.at)
            except InputError as fault:
                raise InputError(fault.what, where="--at", mend=fault.mend) from fault
            # the ground elevation in the file belongs to the position in the file
            name = "site" if filed is None else filed.name
            filed = Site(name, there.latitude_deg, there.longitude_deg, position_error_m=there.error_m)
        if filed is None:
            mend = 'Give --at "58.0312 N 24.6541 W", or a site file.'
            raise InputError("no place was named.", mend=mend)
        if self.ground_elevation_m is None:
            return filed
        return replace(filed, ground_elevation_m=self.ground_elevation_m, ground_source="given")

    def named_satellites(self) -> tuple[Satellite, ...]:
        """The satellites of --satellite alone."""
        with errors_as_options():
            return self.satellites(())

    def satellites(self, filed: Sequence[Satellite]) -> tuple[Satellite, ...]:
        """The satellites of --satellite, by their names in the site file or as text; else all of the site file."""
        from skysill.io.survey_tables import read_satellites, refuse_same_names

        found: list[Satellite] = []
        for text in self.satellite:
            known = [satellite for satellite in filed if satellite.name == text.strip()]
            with placed_at("--satellite"):
                found.extend(known or read_satellites(text))
        with placed_at("--satellite"):
            refuse_same_names(found)
        return tuple(found) if self.satellite else tuple(filed)

    def criteria(self, filed: Criteria) -> Criteria:
        """The criteria of the site file with those of options in their place."""
        return self._with_options(filed, *_CRITERIA)

    def _with_options(self, data: Data, *labels: str) -> Data:
        values = {label: getattr(self, label) for label in labels}
        changed: Data = replace(
            data, **{label: value for label, value in values.items() if value is not None}
        )
        return changed

    def terminal(self, filed: Terminal) -> Terminal:
        """The terminal of the site file with dish, frequencies and --receive-only of options in their place."""
        new: dict[str, Any] = {}
        if self.dish_diameter_m is not None:
            new["dish_diameter_m"] = self.dish_diameter_m
        if self.frequency_ghz:
            low, high = min(self.frequency_ghz), max(self.frequency_ghz)
            new |= {"receive_ghz": low, "transmit_ghz": high if high > low else None}
            if high > low:
                new["receive_only"] = False
        if self.receive_only:
            if len(set(self.frequency_ghz)) > 1:
                raise InputError(
                    "two frequencies are given, one to transmit on.", where="--receive-only", mend="Give one."
                )
            new |= {"receive_only": True, "transmit_ghz": None, "transmit_power_w": None}
        assumed = tuple(label for label in filed.assumed if label not in new)
        return replace(filed, assumed=assumed, **new)

    def times(self) -> tuple[dt.datetime, ...]:
        """The times of --time, --until and --step, UTC; none where no time was given."""
        if self.time is None:
            if self.until is not None or self.step_minutes is not None:
                raise InputError("a time span needs its beginning.", where="--until", mend="Give --time too.")
            return ()
        if self.until is None:
            return (self.time,)
        step = dt.timedelta(minutes=10.0 if self.step_minutes is None else self.step_minutes)
        if self.until < self.time:
            raise InputError("ends before --time begins.", where="--until")
        count = int((self.until - self.time) / step) + 1
        if count > _MOST_TIMES:
            raise InputError(f"the span holds {count} times.", where="--step", mend="Take wider steps.")
        return tuple(self.time + step * at for at in range(count))

    def survey(self, filed: Survey, date: dt.date | None) -> Survey:
        """The survey of the site file with options in their place. date : of magnetic bearings without a date"""
        survey = self._with_options(filed, "bearings", "reference_bearing_deg", "instrument_height_m")
        if survey.bearings == "relative" and survey.reference_bearing_deg is None:
            raise InputError(
                "relative bearings need the true bearing of their zero mark.",
                where="--bearings",
                mend="Give --reference-bearing.",
            )
        if self.date is not None or (survey.date is None and survey.bearings == "magnetic"):
            survey = replace(survey, date=date)
        return survey

    def mounts(self, filed: Sequence[Mount]) -> tuple[Mount, ...]:
        """The mounts of the site file at the height of --mount-height; one at the site's position where it has none."""
        from skysill.model.site import Mount

        mounts = tuple(filed) or (Mount(height_m=self.default_mount_height_m),)
        if self.mount_height_m is None:
            return mounts
        return tuple(replace(mount, height_m=self.mount_height_m) for mount in mounts)

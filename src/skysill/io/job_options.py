"""What was asked, on a command line or a page, laid over a site file -> the job."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from skysill.errors import InputError
from skysill.io.elevation.allowed_hosts import AllowedHosts, allowed_hosts
from skysill.io.text import placed_at

if TYPE_CHECKING:
    from skysill.io.elevation.areas import Around
    from skysill.model.job import Job, Sources
    from skysill.model.site import Mount, Satellite, Site, Survey, Terminal

__all__ = ["Asked", "parse_time", "today"]

_MOST_TIMES = 100_000
_CRITERIA = ("fresnel_fraction", "assumed_distance_m", "years_ahead", "min_p_clear", "refraction_factor")


def parse_time(text: str) -> dt.datetime:
    """A moment from ISO 8601 text; without a zone it is UTC.

    >>> parse_time("2026-06-14T12:00Z").isoformat()
    '2026-06-14T12:00:00+00:00'
    """
    try:
        moment = dt.datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(f'"{text}" is not a time.', mend="Write 2026-06-14T12:00Z, for instance.") from None
    return moment.replace(tzinfo=dt.UTC) if moment.tzinfo is None else moment.astimezone(dt.UTC)


def today() -> dt.date:
    """The day it is, UTC: the only place that asks the clock for it."""
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
def _as_options() -> Iterator[None]:
    """Field names in faults become the names of the options that set them."""
    try:
        yield
    except InputError as fault:
        where = _OPTION_OF.get(fault.where or "", fault.where)
        raise InputError(fault.what, where=where, mend=fault.mend) from fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked on the command line; None or empty where nothing was said."""

    site_file: str | None = None
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

    def job(self, *, satellites: bool = True, without: Collection[str] = ()) -> Job:
        """The site file, if any, with the options laid over it.

        satellites : whether the command needs at least one
        without : sources that the command has no use for: "terrain", "horizon", "obstacles"
        """
        from skysill.model.job import Job

        with _as_options():
            rasters = None if "terrain" in without else self._rasters()
            opened = None
            if self.site_file is None:
                job = Job(site=self._site(None), satellites=(), mounts=())
                if rasters is not None:
                    from skysill.io.sources import terrain_area

                    opened = rasters(terrain_area(job.site, self._satellites(())))
                job = replace(job, terminal=replace(job.terminal, assumed=("dish_diameter_m", "receive_ghz")))
            else:
                from skysill.io.site_file import read_site_file

                job = read_site_file(
                    self.site_file,
                    without={*self._replaced(), *without},
                    placed=self._site,
                    rasters=rasters,
                    hosts=self.hosts(),
                    aimed=self._satellites,
                    default_height_m=self.default_mount_height_m,
                    dated=lambda filed: self.date or filed or today(),
                )
                opened = None if rasters is None else job.sources.rasters
            job = replace(
                job,
                satellites=self._satellites(job.satellites),
                terminal=self._terminal(job.terminal),
                criteria=self._over(job.criteria, *_CRITERIA),
                mounts=self._mounts(job.mounts),
                times_utc=self._times(),
                date=self.date or job.sources.survey.date or today(),
            )
            job = replace(job, sources=self._sources(job.sources, job.site, job.date, opened))
        if self.ground_elevation_m is not None:
            from skysill.io.sources import refuse_unlikely

            refuse_unlikely(job.sources.rasters, job.site, (), "")
        if self.highest_ground_m is not None:
            from skysill.io.sources import refuse_higher_ground

            standing = job.sources.rasters
            refuse_higher_ground(
                standing, job.site, job.satellites, self.highest_ground_m, "--highest-ground"
            )
        if satellites and not job.satellites:
            raise InputError(
                "no satellite was named.",
                mend='Give --satellite "NAME=24.0W", or [[satellites]] in the site file.',
            )
        moving = next((satellite.name for satellite in job.satellites if satellite.orbit), None)
        if moving and not job.times_utc:
            raise InputError(f'"{moving}" moves.', where="--satellite", mend="Say when, with --time.")
        return job

    def mount(self, job: Job) -> Mount:
        """The one mount that the command is about: the one named, else the first."""
        if self.mount_name is None:
            return job.mounts[0]
        for mount in job.mounts:
            if mount.name == self.mount_name:
                return mount
        names = ", ".join(f'"{mount.name}"' for mount in job.mounts)
        raise InputError(
            f'no mount is called "{self.mount_name}".', where="--mount", mend=f"There is {names}."
        )

    def mount_notes(self, job: Job) -> tuple[str, ...]:
        """What to say when the file has several mounts and nobody said which."""
        if self.mount_name is not None or len(job.mounts) < 2:
            return ()
        others = ", ".join(f'"{mount.name}"' for mount in job.mounts[1:])
        return (f'The first mount, "{job.mounts[0].name}", was taken; --mount names another: {others}.',)

    def _replaced(self) -> frozenset[str]:
        given = {
            "terrain": bool(self.terrain),
            "horizon": bool(self.horizon),
            "obstacles": bool(self.obstacles),
            "highest ground": self.highest_ground_m is not None,
        }
        return frozenset(label for label, value in given.items() if value)

    def _over(self, noun: Any, *labels: str) -> Any:
        return replace(noun, **{one: getattr(self, one) for one in labels if getattr(self, one) is not None})

    def _site(self, filed: Site | None) -> Site:
        from skysill.geodesy.positions import parse_position
        from skysill.model.site import Site

        if self.at is not None:
            try:
                there = parse_position(self.at)
            except InputError as fault:
                raise InputError(fault.what, where="--at", mend=fault.mend) from fault
            # a ground elevation in the file was that of the place in the file
            filed = Site("site" if filed is None else filed.name, there.latitude_deg, there.longitude_deg)
        if filed is None:
            mend = 'Give --at "58.0312 N 24.6541 W", or a site file.'
            raise InputError("no place was named.", mend=mend)
        if self.ground_elevation_m is None:
            return filed
        return replace(filed, ground_elevation_m=self.ground_elevation_m, ground_source="given")

    def _satellites(self, filed: Sequence[Satellite]) -> tuple[Satellite, ...]:
        """Those asked for, by their names in the file or by text of their own; else all of the file."""
        from skysill.io.survey_tables import read_satellites

        found: list[Satellite] = []
        for text in self.satellite:
            known = [satellite for satellite in filed if satellite.name == text.strip()]
            with placed_at("--satellite"):
                found.extend(known or read_satellites(text))
        return tuple(found) if self.satellite else tuple(filed)

    def hosts(self) -> AllowedHosts:
        """The hosts that may be asked for what lies on the web."""
        return allowed_hosts(self.allow_host)

    def _rasters(self) -> Callable[[Around], tuple[Any, ...]] | None:
        """Opens the rasters of --terrain for an area; None where none is given."""
        if self.terrain:
            return self._opened
        if self.terrain_error_m:
            raise InputError("there is no --terrain it speaks of.", where="--terrain-error")
        return None

    def _opened(self, around: Around) -> tuple[Any, ...]:
        from skysill.io.sources import open_terrain

        return open_terrain(self.terrain, self.terrain_error_m, around=around, hosts=self.hosts())

    def _terminal(self, terminal: Terminal) -> Terminal:
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
        assumed = tuple(label for label in terminal.assumed if label not in new)
        return replace(terminal, assumed=assumed, **new)

    def _times(self) -> tuple[dt.datetime, ...]:
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

    def _sources(
        self, sources: Sources, site: Site, date: dt.date | None, rasters: tuple[Any, ...] | None
    ) -> Sources:
        new: dict[str, Any] = {"survey": self._survey(sources.survey, date)}
        if rasters is not None:
            new["rasters"] = rasters
        if self.highest_ground_m is not None:
            new["highest_ground_m"] = self.highest_ground_m
        if self.horizon is not None:
            from skysill.io.survey_tables import read_horizon_csv

            new["readings"] = read_horizon_csv(self.horizon)
        if self.obstacles is not None:
            from skysill.io.sources import read_scene

            standing = sources.rasters if rasters is None else rasters
            new["scene"] = read_scene(
                self.obstacles, site, rasters=standing, complete=self.obstacles_complete
            )
        elif self.obstacles_complete:
            if sources.scene is None:
                where = "--obstacles-complete"
                raise InputError("no obstacles were given.", where=where, mend="Give --obstacles.")
            new["scene"] = replace(sources.scene, complete=True)
        return replace(sources, **new)

    def _survey(self, survey: Survey, date: dt.date | None) -> Survey:
        survey = self._over(survey, "bearings", "reference_bearing_deg", "instrument_height_m")
        if survey.bearings == "relative" and survey.reference_bearing_deg is None:
            raise InputError(
                "relative bearings need the true bearing of their zero mark.",
                where="--bearings",
                mend="Give --reference-bearing.",
            )
        if self.date is not None or (survey.date is None and survey.bearings == "magnetic"):
            survey = replace(survey, date=date)
        return survey

    def _mounts(self, mounts: Sequence[Mount]) -> tuple[Mount, ...]:
        from skysill.model.site import Mount

        if not mounts:
            mounts = (Mount(height_m=self.default_mount_height_m),)
        if self.mount_height_m is not None:
            mounts = tuple(replace(mount, height_m=self.mount_height_m) for mount in mounts)
        return tuple(mounts)

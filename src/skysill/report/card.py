"""The roof card as plain data: the answers of every spot for every satellite, worked out beforehand.

It is carried up a ladder on a phone without a network; `card_page` puts it into words, `html` makes a file of those.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from skysill.assessment.cautions import Caution, general_cautions, spot_cautions, sun_cautions
from skysill.assessment.clearance import Controlling
from skysill.assessment.job_context import prepared
from skysill.assessment.pipeline import assess
from skysill.assessment.placement import Place, place
from skysill.assessment.results import Assessment, SatelliteResult, Tape
from skysill.errors import InputError
from skysill.geodesy.positions import format_position
from skysill.io.checksums import FileChecksum
from skysill.model.job import Job
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.pointing.look_vector import LookVector
from skysill.pointing.sun import SunReport, interference_half_angle_deg, sun_report
from skysill.pointing.sun_guides import ShadowDay, shadow_days
from skysill.report.as_built import tapes_from
from skysill.siting.aiming import Aim, Guide, aim, guides
from skysill.siting.cables import cable_run
from skysill.siting.mount_rows import kit_of, row_order
from skysill.siting.roof_answers import Progress, RoofAnswers, SpotAnswer, SpotAnswers, roof_answers
from skysill.units import wrap_180

__all__ = ["CardAnswer", "CardPlace", "CardSatellite", "RoofCard", "roof_card"]

MOST_WEEKS = 26

_BEST = 5
_APART_M = 1.5
_SAME_AIM_DEG = 0.05


@dataclass(frozen=True, slots=True)
class CardAnswer:
    """One satellite from one place.

    verdict : at height_m; None where no mast may stand, for the reason in `refusal`
    height_m : of the dish centre above the surface, as assessed; of a named mount its own, else the least that serves,
        or where none does the tallest looked at
    least_height_m : least height at which the verdict is as good as it can get; None: none does up to max_height_m
    margin_deg, clearance_m, required_m, controlling : at the controlling obstruction; None where nothing known does
    p_clear : probability that the required room is there; None: not assessed
    cable_run_m : slack included; None: not known, as no cable entry is given; cable_ok : None where no limit is given
    kit : the mast kit or bracket that holds the dish there, where kits are named
    cautions : of this spot with this mast; guides : what to aim by from there
    """

    verdict: str | None
    height_m: float
    least_height_m: float | None
    max_height_m: float
    margin_deg: float | None = None
    clearance_m: float | None = None
    required_m: float | None = None
    p_clear: float | None = None
    controlling: Controlling | None = None
    reasons: tuple[str, ...] = ()
    cable_run_m: float | None = None
    cable_ok: bool | None = None
    cautions: tuple[Caution, ...] = ()
    guides: tuple[Guide, ...] = ()
    kit: str | None = None
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class CardPlace:
    """A spot of the grid or a named mount, with an answer for each satellite of the card.

    named : whether the site file names it; on_roof : else in a yard or elsewhere
    position : WGS 84, written; tapes : distances by which it is found
    """

    name: str
    named: bool
    on_roof: bool
    east_m: float
    north_m: float
    surface_elevation_m: float | None
    position: str
    tapes: tuple[Tape, ...]
    answers: tuple[CardAnswer, ...]


@dataclass(frozen=True, slots=True)
class CardSatellite:
    """One satellite: pointing, the sun, and which places are best.

    best : numbers of the best places for it, the first first; empty where no mast may stand anywhere
    look, aim : from the best place
    sun : of the next year; None for a satellite that moves; days : shadows of the coming weeks
    notes : what is missing, in whole sentences
    """

    satellite: Satellite
    best: tuple[int, ...]
    look: LookVector
    aim: Aim
    sun: SunReport | None
    days: tuple[ShadowDay, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class RoofCard:
    """The roof card of a property.

    version : of the package
    made, weeks : first day of the sun's times, and for how many weeks they are given; zone : their time zone
    site, terminal, criteria, job : what was asked about
    grid_step_m : of the spots; None where there is no roof: then the places are the named mounts
    places : named mounts, then spots; satellites : one entry each
    cautions, notes : in whole sentences
    files : what the answers rest on, with checksums
    """

    version: str
    made: dt.date
    weeks: int
    site: Site
    terminal: Terminal
    criteria: Criteria
    grid_step_m: float | None
    cautions: tuple[str, ...]
    satellites: tuple[CardSatellite, ...]
    places: tuple[CardPlace, ...]
    notes: tuple[str, ...]
    files: tuple[FileChecksum, ...]
    zone: dt.tzinfo = field(default=dt.UTC, metadata={"json": False})
    job: Job | None = field(default=None, metadata={"json": False})

    @property
    def title(self) -> str:
        """Title of the card."""
        return f"Roof card: {self.site.name}" if self.grid_step_m else f"Mount card: {self.site.name}"


def roof_card(
    job: Job,
    *,
    made: dt.date,
    weeks: int = 4,
    zone: dt.tzinfo = dt.UTC,
    grid_step_m: float | None = None,
    max_height_m: float | None = None,
    files: Sequence[FileChecksum] = (),
    progress: Progress | None = None,
) -> RoofCard:
    """The answers of every spot of a roof for every satellite, with pointing and the sun's times of some weeks.

    Parameters
    ----------
    job : its roof, or where there is none its mounts
    made : first day of the sun's times, by the clocks of the zone; weeks : how many, 1 to 26
    grid_step_m : of the spots; None: the finest usual step with no more than about 60 spots
    max_height_m : tallest mast of the search; default 6 m
    files : what the answers rest on, from `file_checksums`
    progress : told after each answer; whatever it raises ends the work

    Returns
    -------
    RoofCard, for `card_html`

    Raises
    ------
    InputError : a grid without a roof or with too many spots; weeks out of range; no mount that can be assessed

    >>> import datetime as dt
    >>> from skysill import read_site_file, roof_card
    >>> card = roof_card(read_site_file("demo_terrain/farm.toml"), made=dt.date(2026, 6, 14), weeks=1)
    >>> card.title, card.places[0].answers[0].verdict
    ('Mount card: Eastside Farm', 'needs-survey')
    """
    if not 1 <= weeks <= MOST_WEEKS:
        raise InputError(
            f"{weeks} weeks are out of range.", where="--weeks", mend=f"Give 1 to {MOST_WEEKS} weeks."
        )
    job = prepared(job)
    found = roof_answers(job, grid_step_m=grid_step_m, max_height_m=max_height_m, progress=progress)
    at = [place(job, one.mount) for one in found.spots]
    places = tuple(_card_place(job, one, where) for one, where in zip(found.spots, at, strict=True))
    satellites = tuple(
        _card_satellite(job, number, places, at, made=made, weeks=weeks, zone=zone)
        for number in range(len(job.satellites))
    )
    first_utc = dt.datetime.combine(made, dt.time(), zone).astimezone(dt.UTC)
    still = [one.look for one in satellites if one.satellite.orbit is None]
    middle = at[next((one.best[0] for one in satellites if one.best), 0)]
    here = (middle.latitude_deg, middle.longitude_deg, middle.antenna_elevation_m)
    cautions = (
        *general_cautions(job.terminal, scene=job.sources.scene, roof=job.roof, on_roof=job.roof is not None),
        *sun_cautions(here, still, first_utc, zone),
    )
    return RoofCard(
        version=_version(),
        made=made,
        weeks=weeks,
        site=middle.site,
        terminal=job.terminal,
        criteria=job.criteria,
        grid_step_m=found.grid_step_m,
        cautions=tuple(one.text for one in cautions),
        satellites=satellites,
        places=places,
        notes=_notes(job, found, satellites, at),
        files=tuple(files),
        zone=zone,
        job=job,
    )


def _version() -> str:
    from skysill import __version__

    return str(__version__)


# --- places ---------------------------------------------------------------------------------------------------


def _card_place(job: Job, spot: SpotAnswers, at: Place) -> CardPlace:
    mount = spot.mount
    return CardPlace(
        name=mount.name,
        named=spot.named,
        on_roof=spot.on_roof,
        east_m=mount.east_m,
        north_m=mount.north_m,
        surface_elevation_m=mount.surface_elevation_m,
        position=format_position(at.latitude_deg, at.longitude_deg, notation="hemispheres"),
        tapes=tapes_from(job, mount),
        answers=tuple(_card_answer(job, spot, answer, at) for answer in spot.answers),
    )


def _card_answer(job: Job, spot: SpotAnswers, answer: SpotAnswer, at: Place) -> CardAnswer:
    found = answer.assessment
    if found is None:
        return CardAnswer(
            None, answer.height_m, answer.least_height_m, answer.max_height_m, refusal=answer.refusal
        )
    result = found.results[0]
    mount = replace(spot.mount, height_m=answer.height_m, max_height_m=None)
    route = None if job.roof is None else cable_run(job.roof, mount)
    limit_m = job.terminal.cable_limit_m
    return CardAnswer(
        verdict=result.verdict,
        height_m=answer.height_m,
        least_height_m=answer.least_height_m,
        max_height_m=answer.max_height_m,
        margin_deg=result.clearance.margin_deg,
        clearance_m=result.clearance.clearance_m,
        required_m=result.clearance.required_m,
        p_clear=result.p_clear,
        controlling=result.clearance.controlling,
        reasons=result.reasons,
        cable_run_m=None if route is None else round(route.length_m, 3),
        cable_ok=None if route is None or limit_m is None else route.length_m <= limit_m,
        cautions=_spot_cautions(job, mount, spot, found),
        guides=guides(job, at, result.look) if result.satellite.orbit is None and result.look.visible else (),
        kit=None if spot.named else spot.kit or kit_of(job, answer.height_m),
    )


def _spot_cautions(job: Job, mount: Mount, spot: SpotAnswers, found: Assessment) -> tuple[Caution, ...]:
    """With the mast that was assessed; of a named mount with the tallest that may be put there."""
    tallest_m = max(mount.height_m, spot.mount.max_height_m or 0.0) if spot.named else mount.height_m
    return spot_cautions(
        mount,
        scene=job.sources.scene,
        terminal=job.terminal,
        roof=job.roof,
        ground_elevation_m=found.site.ground_elevation_m,
        survey=job.sources.survey,
        tallest_m=tallest_m,
    )


# --- satellites -----------------------------------------------------------------------------------------------


def _card_satellite(
    job: Job,
    number: int,
    places: Sequence[CardPlace],
    at: Sequence[Place],
    *,
    made: dt.date,
    weeks: int,
    zone: dt.tzinfo,
) -> CardSatellite:
    satellite, best = job.satellites[number], _best(places, number)
    first = places[best[0] if best else 0]
    answer = first.answers[number]
    mount = Mount(first.name, first.east_m, first.north_m, answer.height_m, first.surface_elevation_m)
    result = _result(job, satellite, mount)
    where = place(job, mount)
    here = (where.latitude_deg, where.longitude_deg, where.antenna_elevation_m)
    aimed = aim(job, where, result.look, after_utc=None, zone=zone)
    if satellite.orbit is not None:
        note = (
            f"{satellite.name} moves: it is shown at its worst moment of the times asked, and the card has no bearings "
            "from landmarks or the sun for it."
        )
        return CardSatellite(satellite, best, result.look, replace(aimed, guides=()), None, (), (note,))
    days = shadow_days(here, result.look, first=made, days=7 * weeks, zone=zone)
    notes = list(aimed.notes)
    if result.look.visible and not any(day.on_line or day.hours for day in days):
        notes.append("On none of these days does the sun give a shadow that is fit for aiming.")
    return CardSatellite(
        satellite, best, result.look, aimed, _sun(job, here, satellite, made, zone), days, tuple(notes)
    )


def _result(job: Job, satellite: Satellite, mount: Mount) -> SatelliteResult:
    """With the magnetic bearing, where the job has a date."""
    return assess(replace(job, satellites=(satellite,)), mount, explain=False, losses=False).results[0]


def _sun(
    job: Job, here: tuple[float, float, float], satellite: Satellite, made: dt.date, zone: dt.tzinfo
) -> SunReport:
    first_utc = dt.datetime.combine(made, dt.time(), zone).astimezone(dt.UTC)
    half_deg = interference_half_angle_deg(
        dish_diameter_m=job.terminal.dish_diameter_m, receive_ghz=job.terminal.receive_ghz
    )
    return sun_report(
        *here,
        satellite,
        half_angle_deg=half_deg,
        first_utc=first_utc,
        last_utc=first_utc + dt.timedelta(days=366),
    )


def _best(places: Sequence[CardPlace], number: int) -> tuple[int, ...]:
    """The first places by the ranking of `mounts`, well apart."""

    def order(index: int) -> tuple[float, ...]:
        return row_order(places[index].answers[number])  # type: ignore[arg-type]  # a verdict there, by the filter

    standing = [k for k, one in enumerate(places) if one.answers[number].verdict is not None]
    found: list[int] = []
    for index in sorted(standing, key=order):
        here = places[index]
        apart = all(
            np.hypot(here.east_m - places[k].east_m, here.north_m - places[k].north_m) >= _APART_M
            for k in found
        )
        if apart and len(found) < _BEST:
            found.append(index)
    return tuple(found)


def _notes(
    job: Job, found: RoofAnswers, satellites: Sequence[CardSatellite], at: Sequence[Place]
) -> tuple[str, ...]:
    notes = [*found.notes]
    for number, one in enumerate(satellites):
        first = found.spots[one.best[0] if one.best else 0].answers[number].assessment
        notes += () if first is None else first.warnings
    for satellite in (one for one in satellites if one.satellite.orbit is None):
        if _aims_apart_deg(job, satellite, at) > _SAME_AIM_DEG:
            notes.append(
                f"The places stand so far apart that the bearing of {satellite.satellite.name} differs between them; "
                "the numbers to point by are for the first place of its list."
            )
    return tuple(dict.fromkeys(notes))


def _aims_apart_deg(job: Job, one: CardSatellite, at: Sequence[Place]) -> float:
    """Largest difference of bearing or elevation from the one shown."""
    from skysill.assessment.pipeline import look_vectors

    if one.look.azimuth_deg is None:
        return 0.0
    looks = [look_vectors(job, where, one.satellite)[0] for where in at]
    turned = [abs(float(wrap_180((look.azimuth_deg or 0.0) - one.look.azimuth_deg))) for look in looks]
    raised = [abs(look.elevation_apparent_deg - one.look.elevation_apparent_deg) for look in looks]
    return max(*turned, *raised, 0.0)

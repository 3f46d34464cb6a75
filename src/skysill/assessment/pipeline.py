"""The pipeline: one mount, its satellites -> Assessment. Read this file first.

look, horizon, clearance, confidence, verdict.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from skysill.assessment.clearance import Clearance, Rooms, clearance, column_rooms, highest_below, scene_rooms
from skysill.assessment.confidence import Confidence, confidence
from skysill.assessment.coverage import near_doubt_sentence, near_seen, uncovered
from skysill.assessment.evidence import Evidence, gather_evidence
from skysill.assessment.growth import growth_notes, sources_after_growth, unidentified_as_trees
from skysill.assessment.job_context import JobContext, prepared
from skysill.assessment.placement import (
    Place,
    dish_in_scene_m,
    place,
    position_notes,
)
from skysill.assessment.results import (
    SCHEMA,
    Assessment,
    HorizonBelow,
    SatelliteResult,
    Track,
    result_severity,
)
from skysill.assessment.search_window import reach_wanted_m
from skysill.assessment.unseen import (
    NEAR_UNREAD_CHANCE,
    behind_readings,
    in_line_by_assumption,
    unread_before_dish,
)
from skysill.assessment.verdict import Findings, decide
from skysill.horizon.silhouette import Profile, Silhouette, profile
from skysill.horizon.terrain import PathProfile
from skysill.model.default_errors import GROWTH_M_PER_YEAR
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Satellite
from skysill.pointing.look_vector import LookVector, look_vector, with_declination
from skysill.pointing.orbits import orbit_notes
from skysill.radio.foliage import Foliage, foliage_on
from skysill.units import wrap_180, wrap_360

__all__ = [
    "Job",
    "Sources",
    "assess",
    "horizon_profile",
    "judge",
    "look_vectors",
]


_BARE_WITHIN_DEG = 15.0

_ASKED_WITHIN_DEG = 10.0
"""Readings of unknown kind that leave more spare room than this, grown as trees, raise no question."""


def assess(
    job: Job,
    mount: Mount,
    *,
    profile_step_deg: float | None = None,
    paths: bool = False,
    explain: bool = True,
    losses: bool = True,
    magnetic: bool = True,
    context: JobContext | None = None,
) -> Assessment:
    """Assess one mount: look vectors, horizon, clearance, confidence and verdict for each satellite of a job.

    Parameters
    ----------
    job : its sources, criteria, terminal and satellites
    mount : usually one of job.mounts; what-if is `dataclasses.replace(mount, height_m=3.0)`
    profile_step_deg : also give the whole horizon at this step, for pictures
    paths : also give the ground along each satellite's azimuth, for pictures
    explain : also find out which stated error matters most; what-ifs that only need the verdict leave it out
    losses : also give the blocked share of the dish and the diffraction loss, likewise
    magnetic : also give the magnetic bearing of each satellite, where the job has a date, likewise
    context : of the work on this job, where it is assessed more than once; None: a new one

    Returns
    -------
    Assessment, one result per satellite, in their order

    Raises
    ------
    InputError : a mount that stands nowhere, bearings that cannot be turned to true azimuths, a moving object without
        times

    Notes
    -----
    Required room: `required_room_m`; verdict: `skysill.assessment.verdict`. Sources of all formulas: docs/sources.md.

    >>> from skysill import assess, read_site_file
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> assess(job, job.mounts[0]).results[0].verdict
    'needs-survey'
    """
    from skysill import __version__

    job, context = prepared(job), JobContext() if context is None else context
    at = place(job, mount)
    looks = [look_vectors(job, at, satellite) for satellite in job.satellites]
    if magnetic and job.date is not None:
        looks = [_with_bearings(looks_of, at, job.date, context) for looks_of in looks]
    round_deg = None if profile_step_deg is None else np.arange(0.0, 360.0, profile_step_deg)
    evidence = gather_evidence(
        job, at, [look for group in looks for look in group], azimuths_deg=round_deg, context=context
    )
    results = tuple(
        _result(job, evidence, satellite, group, explain=explain, losses=losses)
        for satellite, group in zip(job.satellites, looks, strict=True)
    )
    return Assessment(
        schema=SCHEMA,
        version=str(__version__),
        site=at.site,
        mount=at.placed_mount,
        terminal=job.terminal,
        results=results,
        warnings=_warnings(job, evidence, context),
        criteria=job.criteria,
        date=job.date,
        evidence=evidence,
        silhouettes=evidence.shown,
        profile=None if round_deg is None else profile(evidence.shown, round_deg),
        paths=tuple(_path(job, at, result.look) for result in results) if paths else (),
    )


def horizon_profile(job: Job, mount: Mount, azimuth_deg: ArrayLike) -> tuple[Profile, tuple[str, ...]]:
    """The merged horizon of all sources of a job, seen from one mount.

    Parameters
    ----------
    job : its sources speak; its satellites are not used
    mount : usually one of job.mounts
    azimuth_deg : (n,) true azimuths, sorted and evenly spaced

    Returns
    -------
    Profile, (n,), degrees and metres, nan where no source looked; and notes in whole sentences

    Raises
    ------
    InputError : readings that cannot be turned to true azimuths, a mount without a surface elevation that needs one

    >>> from skysill import horizon_profile, read_site_file
    >>> job = read_site_file("demo_terrain/farm.toml")
    >>> profile, notes = horizon_profile(job, job.mounts[0], [170.0, 180.0])
    >>> profile.elevation_deg.round(1), profile.source
    (array([6.8, 6.9]), ('terrain', 'terrain'))
    """
    azimuth_deg = np.asarray(azimuth_deg, dtype=np.float64)
    evidence = gather_evidence(job, place(job, mount), [], azimuths_deg=azimuth_deg, context=JobContext())
    return profile(evidence.shown, azimuth_deg), evidence.notes


def look_vectors(job: Job, at: Place, satellite: Satellite) -> tuple[LookVector, ...]:
    """The look vector, or one for each time asked for an object that moves; without magnetic bearings."""
    where = (at.latitude_deg, at.longitude_deg, at.antenna_elevation_m, satellite)
    if satellite.orbit is None:
        return (look_vector(*where),)
    times: Sequence[dt.datetime | None] = job.times_utc or (None,)
    return tuple(look_vector(*where, time_utc=time) for time in times)


def _with_bearings(
    looks: Sequence[LookVector], at: Place, date: dt.date, context: JobContext
) -> tuple[LookVector, ...]:
    found = context.declination(at.latitude_deg, at.longitude_deg, at.antenna_elevation_m, date)
    return tuple(with_declination(look, found.declination_deg) for look in looks)


def _result(
    job: Job,
    evidence: Evidence,
    satellite: Satellite,
    looks: Sequence[LookVector],
    *,
    explain: bool,
    losses: bool,
) -> SatelliteResult:
    """The one look judged, or the worst of a track with the track beside it."""
    judged = [judge(job, evidence, satellite, look, explain=explain, losses=losses) for look in looks]
    if len(judged) == 1:
        return judged[0]
    worst = max(judged, key=result_severity)
    track = Track(
        time_utc=tuple(str(r.look.time_utc) for r in judged),
        azimuth_deg=tuple(r.look.azimuth_deg for r in judged),
        elevation_deg=tuple(r.look.elevation_apparent_deg for r in judged),
        margin_deg=tuple(r.clearance.margin_deg for r in judged),
        verdict=tuple(r.verdict for r in judged),
        share_clear=sum(r.verdict == "clear" for r in judged) / len(judged),
    )
    return replace(worst, track=track)


def judge(
    job: Job,
    evidence: Evidence,
    satellite: Satellite,
    look: LookVector,
    *,
    explain: bool = True,
    losses: bool = True,
) -> SatelliteResult:
    """One ray: clearance today and after growth, coverage, certainty, verdict."""
    now, then = _clearance(job, evidence, look, losses=losses), sources_after_growth(job, evidence, look)
    grown = _clearance(job, then.evidence, look, losses=losses) if then.grows else now
    missing = uncovered(evidence, look, job)
    aside, near_unread = unread_before_dish(job, evidence, look)
    sure: Confidence | None = None
    if missing is None and look.visible:
        sure = confidence(
            then.evidence.uncertain_silhouettes(then.evidence.obstacles, then.growth_m),
            look.ray,
            link=job.link,
            errors=evidence.errors,
            explain=explain,
        )
        if near_unread is not None:
            sure = replace(sure, p_clear=sure.p_clear * (1.0 - NEAR_UNREAD_CHANCE))
    by_assumption = in_line_by_assumption(job, evidence, look, now)
    verdict, reasons = decide(
        Findings(
            satellite=satellite.name,
            elevation_apparent_deg=look.elevation_apparent_deg,
            now=now,
            later=grown,
            years=job.criteria.years_ahead,
            uncovered=missing,
            near_seen=near_seen(evidence, look, job),
            near_unreliable=_near_unreliable(job, evidence, look, now),
            confidence=sure,
            min_p_clear=job.criteria.min_p_clear,
            hidden=(aside or behind_readings(job, evidence, look)) if now.has_clearance else None,
            by_assumption=by_assumption,
            set_aside=next((note for s in evidence.stations for note in s.silhouette.notes), None),
        )
    )
    below = highest_below(evidence.silhouettes, look.ray)
    asked = _if_trees(job, evidence, look) if explain and grown.has_clearance and look.visible else ()
    return SatelliteResult(
        satellite=satellite,
        look=look,
        horizon=HorizonBelow(None, None, None) if below is None else _below(*below),
        clearance=now,
        # what was not assessed has no probability
        p_clear=None
        if sure is None or verdict == "needs-survey" or by_assumption is not None
        else sure.p_clear,
        verdict=verdict,
        basis=tuple(dict.fromkeys(s.source for s in evidence.silhouettes if len(s) or len(s.covered_deg))),
        reasons=(
            *reasons,
            *((near_unread,) if near_unread is not None and verdict in ("clear", "marginal") else ()),
            *_bare_branches(evidence, look, now, grown),
            *asked,
        ),
        later=grown if then.grows else None,
        foliage=_foliage(job, evidence, look) if explain else None,
    )


def _foliage(job: Job, evidence: Evidence, look: LookVector) -> Foliage | None:
    if evidence.scene is None or not look.visible:
        return None
    return foliage_on(
        evidence.scene.obstacles,
        dish_in_scene_m(evidence.place),
        look.ray.azimuth_deg,
        look.ray.elevation_deg,
        frequency_ghz=job.terminal.receive_ghz,
    )


def _bare_branches(evidence: Evidence, look: LookVector, now: Clearance, later: Clearance) -> tuple[str, ...]:
    """A tree that drops its leaves is judged in leaf; says so where it decides, or where it was read without leaves."""
    lines = []
    if evidence.scene is not None:
        bare = {o.name for o in evidence.scene.obstacles if o.deciduous}
        ruling = [
            c.controlling.name for c in (now, later) if c.controlling is not None and not c.has_clearance
        ]
        lines = [
            f"{name[:1].upper()}{name[1:]} is judged in leaf; a survey in winter sees through its bare branches and "
            "proves nothing."
            for name in dict.fromkeys(ruling)
            if name in bare
        ]
    for readings in (station.readings for station in evidence.stations):
        if look.azimuth_deg is None:
            continue
        near = np.abs(wrap_180(readings.azimuth_deg - look.azimuth_deg)) <= _BARE_WITHIN_DEG
        twigs = near & np.array([leaf == "bare" for leaf in readings.leaf], dtype=bool)
        if twigs.any():
            turned = np.sort(wrap_180(readings.azimuth_deg[twigs] - look.azimuth_deg)) + look.azimuth_deg
            lines.append(
                f"What was read without leaves at azimuths {wrap_360(turned[0]):.0f} to {wrap_360(turned[-1]):.0f} "
                "counts as opaque up to the tips that were read; what was seen through its branches proves nothing."
            )
    return tuple(lines)


def _below(silhouette: Silhouette, index: int) -> HorizonBelow:
    distance_m = float(silhouette.distance_m[index])
    return HorizonBelow(
        float(silhouette.elevation_deg[index]),
        None if np.isnan(distance_m) else distance_m,
        silhouette.source,
    )


def _clearance(job: Job, evidence: Evidence, look: LookVector, *, losses: bool) -> Clearance:
    """The clearance of one ray from what the sources say."""
    ray, link = look.ray, job.link
    standing = [s for s in evidence.silhouettes if s.source != "obstacle"]
    rooms: list[Rooms] = [column_rooms(s, ray, link) for s in standing]
    if evidence.scene is not None and evidence.obstacles is not None:
        rooms.append(scene_rooms(evidence.scene, dish_in_scene_m(evidence.place), ray, link))
    return clearance(rooms, evidence.silhouettes, ray, link=link, losses=losses)


def _if_trees(job: Job, evidence: Evidence, look: LookVector) -> tuple[str, ...]:
    """The question that readings of unknown kind leave open, near enough to the ray to matter."""
    least: tuple[float, Silhouette, Rooms] | None = None
    for seen in unidentified_as_trees(job, evidence, look):
        rooms = column_rooms(seen, look.ray, job.link)
        spare_deg = float(np.where(rooms.inside, -90.0, rooms.spare_deg).min(initial=90.0))
        if len(seen) and (least is None or spare_deg < least[0]):
            least = spare_deg, seen, rooms
    if least is None:
        return ()
    _, seen, rooms = least
    at = int(np.where(rooms.inside, -90.0, rooms.spare_deg).argmin())
    taken = bool(rooms.inside[at]) or rooms.spare_deg[at] < 0.0
    if not taken and rooms.spare_deg[at] > _ASKED_WITHIN_DEG:
        return ()
    name = seen.features[int(seen.feature[at])].name
    what = "what was read" if name == "measured horizon" else name
    does = "takes the room" if taken else "leaves the room"
    rate_m = GROWTH_M_PER_YEAR["tree"].usual_m
    return (
        f"If {what} at azimuth {rooms.azimuth_deg[at]:.0f} is a tree, growing {rate_m:g} m a year "
        f"{does} for the {job.criteria.years_ahead:g} years ahead. Say what it is (type tree, hedge, "
        "building or ground under kind).",
    )


def _near_unreliable(job: Job, evidence: Evidence, look: LookVector, now: Clearance) -> str | None:
    """What only cells too coarse to be believed so near put into the required room."""
    if evidence.unreliable is None or not len(evidence.unreliable) or not now.has_clearance:
        return None
    rooms = column_rooms(evidence.unreliable, look.ray, job.link)
    if not (rooms.inside.any() or (rooms.spare_deg < 0.0).any()):
        return None
    at = int(np.where(rooms.inside, -90.0, rooms.spare_deg).argmin())
    name = rooms.features[rooms.feature[at]].name
    return near_doubt_sentence(float(rooms.distance_m[at]), name)


def _path(job: Job, at: Place, look: LookVector) -> PathProfile | None:
    if not job.sources.rasters or not at.datum_known or look.azimuth_deg is None:
        return None
    from skysill.horizon.terrain import path_profile

    wanted_m = reach_wanted_m(look, at, job.sources.highest_ground_m, job.link)
    return path_profile(
        job.sources.rasters,
        latitude_deg=at.latitude_deg,
        longitude_deg=at.longitude_deg,
        antenna_elevation_m=at.antenna_elevation_m,
        azimuth_deg=look.azimuth_deg,
        distance_m=float(np.clip(wanted_m, 200.0, 50_000.0)),
        refraction_factor=job.criteria.refraction_factor,
    )


def _warnings(job: Job, evidence: Evidence, context: JobContext) -> tuple[str, ...]:
    lines = [*position_notes(job.site), *job.notes]
    defaults = {
        "dish_diameter_m": f"No dish was named: {job.terminal.dish_diameter_m:g} m is assumed.",
        "receive_ghz": f"No frequency was named: {job.terminal.receive_ghz:g} GHz is assumed.",
    }
    lines.extend(defaults[name] for name in job.terminal.assumed if name in defaults)
    for satellite in job.satellites:
        if satellite.orbit is not None:
            lines.extend(orbit_notes(satellite.orbit, job.times_utc))
    if job.date is not None:
        site = evidence.place.site
        here = (site.latitude_deg, site.longitude_deg, site.ground_elevation_m or 0.0)
        lines.extend(context.declination(*here, job.date).notes)
    lines.extend(evidence.notes)
    lines.extend(growth_notes(job, evidence))
    return tuple(dict.fromkeys(lines))

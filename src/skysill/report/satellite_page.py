"""The text of one satellite in a record: verdict, pointing card, aiming, obstructions beside the line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from skysill.assessment.results import SatelliteResult
from skysill.model.site import Terminal
from skysill.pointing.look_vector import LookVector
from skysill.pointing.sun import SunReport
from skysill.pointing.sun_guides import clock
from skysill.report.formatting import (
    NOT_KNOWN,
    WORDS,
    Facts,
    Head,
    Table,
    bearing,
    degrees,
    for_readers,
    metres,
    percent,
)
from skysill.report.record import Record, SatelliteRecord, proving_crossing
from skysill.siting.aiming import Aim

__all__ = ["SatellitePage", "pointing_facts", "satellite_page", "sunlight_lines"]

MOST_TIMES = 48
"""Most times of a track in its table."""


@dataclass(frozen=True, slots=True)
class SatellitePage:
    """One satellite as text: verdict, pointing card, aiming, obstructions beside the line."""

    name: str
    verdict: str
    glyph: str
    word: str
    anchor: str
    where: str
    basis: str
    reasons: tuple[str, ...]
    remedies: tuple[str, ...]
    pointing: Facts
    face: str
    guides: tuple[str, ...]
    sun: tuple[str, ...]
    sunlight: tuple[str, ...]
    obstructions: Table | None
    track: Table | None
    loss: tuple[str, ...]


def satellite_page(record: Record, one: SatelliteRecord, number: int) -> SatellitePage:
    result, look = one.result, one.result.look
    glyph, word = WORDS[result.verdict]
    where = "below the horizon here"
    if look.visible:
        azimuth = "straight up" if look.azimuth_deg is None else f"azimuth {look.azimuth_deg:.1f}° true"
        where = f"{azimuth}, elevation {look.elevation_apparent_deg:.1f}°"
    moving = look.time_utc is not None
    return SatellitePage(
        name=result.satellite.name,
        verdict=result.verdict,
        glyph=glyph,
        word=word,
        anchor=f"satellite-{number}",
        where=f"{where}, at its worst moment {look.time_utc}" if moving else where,
        basis=_basis_text(result),
        reasons=for_readers(result.reasons),
        remedies=for_readers([remedy.text for remedy in result.remedies] + _unsuccessful_search(result)),
        pointing=pointing_facts(look, one.aim, record.assessment.terminal) if look.visible else (),
        face=one.aim.face.text if one.aim.face is not None and look.visible else "",
        guides=tuple(guide.text for guide in one.aim.guides) if look.visible else (),
        sun=tuple(guide.text for guide in one.aim.sun),
        sunlight=sunlight_lines(one.sun, look, record.zone),
        obstructions=_obstruction_table(record, one),
        track=_track(one),
        loss=tuple(_loss(one)),
    )


def _unsuccessful_search(result: SatelliteResult) -> list[str]:
    """What was searched where no remedy was found, as a sentence."""
    return [f"{result.searched[0].upper()}{result.searched[1:]}."] if result.searched else []


def _basis_text(result: SatelliteResult) -> str:
    """The sources of a verdict, and its probability where no reason gives it."""
    words = {"measured": "measured horizon", "terrain": "terrain", "obstacle": "obstacles"}
    spoke = ", ".join(words.get(source, source) for source in result.basis)
    told = any("probability" in reason for reason in result.reasons)
    sure = (
        ""
        if result.p_clear is None or told
        else f" Probability that the room is there: {percent(result.p_clear)}."
    )
    return f"Rests on: {spoke or 'nothing'}.{sure}"


def pointing_facts(look: LookVector, aim: Aim, terminal: Terminal) -> Facts:
    """The numbers that a dish is pointed by, each with its name."""
    return tuple(_pointing(look, aim, terminal))


def _pointing(look: LookVector, aim: Aim, terminal: Terminal) -> Iterator[tuple[str, str]]:
    yield "azimuth, true", bearing(look.azimuth_deg)
    if look.bearing_magnetic_deg is not None:
        turn = look.declination_deg or 0.0
        side = "east" if turn >= 0.0 else "west"
        yield "azimuth, magnetic", f"{look.bearing_magnetic_deg:.1f}° (declination {abs(turn):.1f}° {side})"
    else:
        yield "azimuth, magnetic", "not known: no date within the magnetic model"
    if aim.survey_bearing_deg is not None and aim.survey_bearing_source in ("landmarks", "sun"):
        by = aim.survey_bearing_source
        yield "on the survey's own compass", f"{aim.survey_bearing_deg:.1f}° (corrected by {by})"
    yield "elevation", f"{look.elevation_apparent_deg:.1f}°"
    if aim.face is not None:
        way = "back" if aim.face.tilt_deg >= 0.0 else "forward"
        yield "dish face from plumb", f"{abs(aim.face.tilt_deg):.1f}° {way}"
    if terminal.polarization == "linear":
        tilt = look.polarization_tilt_deg
        way = "" if tilt is None else ", clockwise" if tilt >= 0.0 else ", anticlockwise"
        seen = "" if tilt is None else f"{abs(tilt):.1f}°{way}, seen from behind the dish"
        yield "feed turned", seen or NOT_KNOWN
    else:
        yield "feed turned", "not needed: circular polarisation"
    yield "half the beam", f"{aim.beam_half_width_deg:.2f}°: that far off, the signal has fallen by half"
    yield "distance", f"{look.slant_range_m / 1000.0:,.0f} km".replace(",", " ")


def sunlight_lines(sun: SunReport | None, look: LookVector, zone: dt.tzinfo) -> tuple[str, ...]:
    """What sunlight at the dish centre proves, and when the sun stands behind the satellite. sun : of the next year"""
    return () if sun is None else tuple(_sunlight(sun, look, zone))


def _sunlight(sun: SunReport, look: LookVector, zone: dt.tzinfo) -> Iterator[str]:
    proof = proving_crossing(sun, look)
    if proof is not None:
        yield f"From {clock(proof.time, zone)}, when the sun crosses this azimuth. {proof.lit_means}"
    for season in sun.alignments[:2]:
        yield (
            f"The sun stands behind the satellite around {clock(season.peak_time, zone)}, from "
            f"{season.season_start.date()} to {season.season_end.date()}: reception may fail for up to "
            f"{season.longest_outage_min:.0f} minutes a day."
        )


def _obstruction_table(record: Record, one: SatelliteRecord) -> Table | None:
    if not one.obstructions:
        return None
    rows = tuple(
        (
            f"{thing.name} ({thing.kind}, {thing.source})",
            degrees(thing.azimuth_deg, 0),
            degrees(thing.elevation_deg),
            metres(thing.distance_m) + (" assumed" if thing.distance_assumed else ""),
            f"{metres(thing.clearance_m)}, {thing.margin_deg:.1f}°",
            metres(thing.required_m),
            f"{thing.spare_deg:+.1f}°, {thing.word}" if thing.margin_deg > 0.0 else thing.word,
        )
        for thing in one.obstructions
    )
    more = "" if not one.more else f" {one.more} further obstructions leave more room."
    more = " One further obstruction leaves more room." if one.more == 1 else more
    heads = (
        Head("obstruction"),
        Head("azimuth", number=True),
        Head("elevation", number=True),
        Head("distance", number=True),
        Head("room", number=True),
        Head("needed", number=True),
        Head("to spare", number=True),
    )
    tight = frozenset(at for at, thing in enumerate(one.obstructions) if thing.spare_deg < 0.0)
    return Table(f"The tightest first, from the dish centre.{more}", heads, rows, tight)


def _track(one: SatelliteRecord) -> Table | None:
    """The track of a moving satellite, thinned to fit a page; None for a fixed one."""
    track = one.result.track
    if track is None:
        return None
    step = -(-len(track.time_utc) // MOST_TIMES)
    rows = tuple(
        (
            time.replace("T", " ")[:16],
            bearing(track.azimuth_deg[at]),
            degrees(track.elevation_deg[at]),
            degrees(track.margin_deg[at]),
            WORDS[track.verdict[at]][1],
        )
        for at, time in enumerate(track.time_utc)
        if at % step == 0
    )
    heads = (
        Head("time, UTC"),
        Head("azimuth", number=True),
        Head("elevation", number=True),
        Head("room beside the line", number=True),
        Head("verdict"),
    )
    told = f"Clear at {100.0 * track.share_clear:.0f} % of the {len(track.time_utc)} times asked."
    if step > 1:
        told += f" Every {step}th is shown."
    strong = frozenset(at for at, row in enumerate(rows) if row[-1] == WORDS["blocked"][1])
    return Table(told, heads, rows, strong)


def _loss(one: SatelliteRecord) -> Iterator[str]:
    clearance = one.result.clearance
    if clearance.loss_db is not None and clearance.loss_db >= 0.05 and clearance.blocked_fraction is not None:
        yield (
            f"The controlling obstruction takes {clearance.loss_db:.1f} dB off the signal (knife edge, ITU-R P.526, "
            f"averaged over the dish) and hides {100.0 * clearance.blocked_fraction:.0f} % of the dish's aperture."
        )
    if one.rain is not None:
        yield f"{one.rain.text} Model: {one.rain.model}."
    if one.rain_note is not None:
        yield one.rain_note

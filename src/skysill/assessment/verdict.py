"""The verdict rules in order, each beside the sentence it says.

What a surveyor can type to mend it stands in brackets that begin with "(type ", so that papers can leave it out.

Precedence: blocked, unknown, marginal, needs-survey, clear.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from skysill.assessment.clearance import Clearance
from skysill.assessment.confidence import Confidence

__all__ = ["RANK", "Findings", "Verdict", "decide"]

Verdict = Literal["blocked", "unknown", "marginal", "needs-survey", "clear"]

RANK: dict[str, int] = {"clear": 0, "needs-survey": 1, "marginal": 2, "unknown": 3, "blocked": 4}
"""Best first."""


@dataclass(frozen=True, slots=True)
class Findings:
    """What was found out about one ray, ready to be judged.

    satellite : its name, for the sentences
    elevation_apparent_deg : of the satellite
    now, sources_after_growth : clearance today and after `years` of growth (the same where nothing grows)
    uncovered : why the azimuths that matter are not covered, None when they are
    near_seen : whether near evidence exists
    near_unreliable : what only coarse cells saw nearby, None when nothing
    confidence : p_clear and what dominates it
    min_p_clear : what `clear` asks
    hidden : what may stand unseen behind a reading, None when nothing
    by_assumption : why an obstructed ray may yet be free, None where what obstructs it is known to stand there
    set_aside : why readings that there are were not used, None where all were
    """

    satellite: str
    elevation_apparent_deg: float
    now: Clearance
    later: Clearance
    years: float
    uncovered: str | None
    near_seen: bool
    near_unreliable: str | None
    confidence: Confidence | None
    min_p_clear: float
    hidden: str | None = None
    by_assumption: str | None = None
    set_aside: str | None = None


def decide(findings: Findings) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict and its reasons, plain sentences that can be read over the phone."""
    if findings.elevation_apparent_deg <= 0.0:
        depth_deg = -findings.elevation_apparent_deg
        return "blocked", (
            f"{findings.satellite} never rises here: it stands {depth_deg:.1f} degrees below the true horizon.",
        )
    if findings.now.obstructed and findings.by_assumption is None:
        return "blocked", (_met(findings.now), *_gaps(findings))
    if findings.uncovered is not None:
        return "unknown", (*_set_aside(findings), findings.uncovered, *_shortage(findings))
    if findings.by_assumption is not None:
        return "marginal", (findings.by_assumption, *_near(findings))
    shortage = _shortage(findings)
    if shortage:
        return "marginal", (*shortage, *_near(findings))
    near = _near(findings)
    if near:
        return "needs-survey", (*near, f"Nothing that is known stands in the way. {_room(findings.now)}")
    return "clear", (_room(findings.now), *_certainty(findings))


def _what(clearance: Clearance) -> str:
    thing = clearance.controlling
    if thing is None:
        return "nothing"
    name = thing.name
    if thing.source == "terrain":
        what = "the ground" if thing.kind == "ground" else "ground, a tree or a building"
        name = f"{what} ({thing.name})"
    elif thing.source == "measured" and thing.name == "measured horizon":
        name = "the measured horizon"
    about = "an assumed " if thing.distance_assumed else "at least " if thing.distance_at_least else ""
    return f"{name}, {about}{_metres(thing.distance_m)} away"


def _metres(value: float | None) -> str:
    if value is None:
        return "at an unknown distance"
    if value >= 10_000.0:
        return f"{value / 1000.0:.1f} km"
    return f"{value:.0f} m" if value >= 20.0 else f"{value:.1f} m"


def _met(clearance: Clearance) -> str:
    depth = (
        ""
        if clearance.margin_deg is None
        else f" It stands {-clearance.margin_deg:.1f} degrees into the line."
    )
    return f"{_what_first(clearance)}, stands in the line to the satellite.{depth}"


def _what_first(clearance: Clearance) -> str:
    """What it is, to begin a sentence with."""
    text = _what(clearance)
    return f"{text[0].upper()}{text[1:]}"


def _left(clearance: Clearance) -> str:
    """The room it leaves, once in metres and once in degrees."""
    return (
        f"{clearance.clearance_m or 0.0:.2f} m of room where {clearance.required_m or 0.0:.2f} m is needed, "
        f"{clearance.margin_deg or 0.0:.1f} degrees beside the line"
    )


def _room(clearance: Clearance) -> str:
    if clearance.controlling is None or clearance.clearance_m is None or clearance.required_m is None:
        return "Nothing stands near the line to the satellite."
    text = _what(clearance)
    if clearance.clearance_m > 0 and (clearance.margin_deg or 0.0) >= 90.0:
        return "Nothing stands near the line to the satellite."
    return f"The tightest place is {text}: {_left(clearance)}."


def _leaves_room(clearance: Clearance) -> bool:
    return clearance.has_clearance and clearance.has_required_m


def _shortage(findings: Findings) -> tuple[str, ...]:
    """Why it is not clear although nothing stands in the line; empty when the room is there and sure."""
    reasons = []
    if findings.by_assumption is not None:
        reasons.append(findings.by_assumption)
    elif not _leaves_room(findings.now):
        reasons.append(f"{_what_first(findings.now)}, leaves {_left(findings.now)}; the line itself is free.")
    elif not _leaves_room(findings.later):
        when = f"in {findings.years:g} years" if findings.years else "since the raster was measured"
        thing = _what_first(findings.later)
        reasons.append(
            f"{thing}, grows into the line {when}; there is room today."
            if findings.later.obstructed
            else f"{thing}, grows: {when} it leaves {_left(findings.later)}; there is room today."
        )
    sure = findings.confidence
    if sure is not None and sure.p_clear < findings.min_p_clear:
        reasons.extend(_certainty(findings))
    return tuple(reasons)


def _certainty(findings: Findings) -> tuple[str, ...]:
    sure = findings.confidence
    if sure is None:
        return ()
    percent = f"{100.0 * sure.p_clear:.0f}"
    percent = "over 99" if sure.p_clear > 0.99 else "under 1" if sure.p_clear < 0.01 else percent
    if sure.dominant is None:
        return (f"With the stated errors the room is there with a probability of {percent} %.",)
    advice = {
        "compass": " Check it against the sun or a landmark (type [[sun_sightings]], or measured_bearing_deg under "
        "[[landmarks]]).",
        "clinometer": " Check its zero by sighting both ways along a level line (type inclination_error_deg).",
        "measured distance": " Measure the distance again, with tape or laser (type distance_m).",
        "elevation raster": " Measure the horizon on site (type --horizon FILE).",
        "obstacle survey": " Measure that obstacle again (type what was found, and height_error_m).",
        "tree growth": " Ask a tree surveyor (type growth_m_per_year), or trim in good time.",
    }.get(sure.dominant, "")
    return (
        f"The {sure.dominant} alone moves the room by {sure.dominant_deg:.1f} degrees, more than any other stated "
        f"error: with all of them the room is there with a probability of {percent} %.{advice}",
    )


def _near(findings: Findings) -> tuple[str, ...]:
    reasons: list[str] = []
    if not findings.near_seen:
        reasons.extend(_set_aside(findings))
    if findings.hidden is not None:
        reasons.append(findings.hidden)
    if findings.near_unreliable is not None:
        reasons.append(findings.near_unreliable)
    if not findings.near_seen:
        reasons.append(
            "Trees and buildings nearby were not assessed: only bare or coarse ground is known. Measure the horizon on "
            "site (type --horizon FILE; the sheet command writes its form), or give a surface raster of 2 m or finer "
            "(type --terrain FILE:surface) or a complete list of obstacles (type complete = true under [obstacles])."
        )
    return tuple(reasons)


def _set_aside(findings: Findings) -> tuple[str, ...]:
    return () if findings.set_aside is None else (findings.set_aside,)


def _gaps(findings: Findings) -> tuple[str, ...]:
    return (
        ()
        if findings.uncovered is None
        else (f"Besides: {findings.uncovered[0].lower()}{findings.uncovered[1:]}",)
    )

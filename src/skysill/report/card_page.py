"""The text of the roof card, each sentence once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from skysill.assessment.cautions import sun_caution
from skysill.pointing.sun_guides import ShadowDay
from skysill.remedies.tape_distances import tape_words
from skysill.report.card import CardAnswer, CardPlace, CardSatellite, RoofCard
from skysill.report.formatting import (
    NOT_KNOWN,
    WORDS,
    Facts,
    Head,
    Table,
    degrees,
    for_readers,
    metres,
    percent,
)
from skysill.report.satellite_page import pointing_facts, sunlight_lines

__all__ = ["AnswerPage", "CardPage", "CardSatellitePage", "DayPage", "card_page"]

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_NO_MAST = ("○", "NO MAST HERE")
_SERVES = ("clear", "needs-survey", "unknown")


@dataclass(frozen=True, slots=True)
class AnswerPage:
    """One place for one satellite, as text. place : its number; verdict : "" where no mast may stand"""

    place: int
    anchor: str
    name: str
    verdict: str
    glyph: str
    word: str
    mast: str
    cautions: tuple[str, ...]
    facts: Facts
    reasons: tuple[str, ...]
    guides: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DayPage:
    """The shadows of one day as text. iso : its date"""

    iso: str
    name: str
    on_line: str
    hours: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CardSatellitePage:
    """One satellite as text."""

    number: int
    name: str
    anchor: str
    headline: str
    best: Table | None
    answers: tuple[AnswerPage, ...]
    pointing: Facts
    where: str
    face: str
    shadow_how: str
    days: tuple[DayPage, ...]
    sunlight: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CardPage:
    """The card as text."""

    title: str
    subtitle: str
    cautions: tuple[str, ...]
    sun_caution: str
    notes: tuple[str, ...]
    satellites: tuple[CardSatellitePage, ...]
    places: tuple[tuple[int, str, float, float], ...]
    first_day: str
    last_day: str
    basis: tuple[str, ...]
    files: Table | None
    footer: str


def card_page(card: RoofCard) -> CardPage:
    """The text of a roof card."""
    last = card.made + dt.timedelta(days=7 * card.weeks - 1)
    return CardPage(
        title=card.title,
        subtitle=_subtitle(card),
        cautions=card.cautions,
        sun_caution=sun_caution().text,
        notes=for_readers(card.notes),
        satellites=tuple(_satellite(card, number) for number in range(len(card.satellites))),
        places=tuple((k, one.name, one.east_m, one.north_m) for k, one in enumerate(card.places)),
        first_day=card.made.isoformat(),
        last_day=last.isoformat(),
        basis=_basis(card),
        files=_files(card),
        footer=(
            f"Made by skysill {card.version}. Azimuths clockwise from true north unless called magnetic; elevations "
            "above the level plane. The card only shows what was worked out beforehand."
        ),
    )


def _subtitle(card: RoofCard) -> str:
    named = sum(place.named for place in card.places)
    spots = len(card.places) - named
    what = [f"{named} named mount{'s' if named != 1 else ''}"] if named else []
    what += [f"{spots} spots {card.grid_step_m:g} m apart"] if card.grid_step_m else []
    dish = f"{card.terminal.dish_diameter_m:g} m dish, {card.terminal.receive_ghz:g} GHz"
    day = card.made.isoformat()
    return f"{' and '.join(what)}, worked out for {day} and a {dish}. For another dish it does not hold."


# --- one satellite --------------------------------------------------------------------------------------------


def _satellite(card: RoofCard, number: int) -> CardSatellitePage:
    one = card.satellites[number]
    look = one.look
    pointing = pointing_facts(look, one.aim, card.terminal) if look.visible else ()
    if pointing and one.aim.face is None:
        pointing = (
            *pointing,
            ("dish face from plumb", f"{NOT_KNOWN}: the dish's offset angle is not stated"),
        )
    return CardSatellitePage(
        number=number,
        name=one.satellite.name,
        anchor=f"satellite-{number}",
        headline=_headline(card, number),
        best=_best_table(card, number),
        answers=tuple(_answer(card, number, place) for place in range(len(card.places))),
        pointing=pointing,
        where="" if look.visible else f"{one.satellite.name} is below the horizon here.",
        face=one.aim.face.text if one.aim.face is not None and look.visible else "",
        shadow_how=_shadow_how(card, one),
        days=tuple(_day(card, day) for day in one.days),
        sunlight=sunlight_lines(one.sun, look, card.zone) if look.visible else (),
        notes=for_readers(one.notes),
    )


def _headline(card: RoofCard, number: int) -> str:
    one = card.satellites[number]
    name = one.satellite.name
    if not one.best:
        return f"{name}: no mast may stand at any of these places."
    place = card.places[one.best[0]]
    answer = place.answers[number]
    if answer.verdict not in _SERVES:
        tallest_m = max(p.answers[number].max_height_m for p in card.places)
        return (
            f"{name}: no place serves with a mast up to {tallest_m:.2f} m. The nearest to it: {place.name}."
        )
    return f"{name}, best place: {place.name}. {_words(answer)[1]}, {_mast_text(answer, place)}."


def _words(answer: CardAnswer) -> tuple[str, str]:
    return _NO_MAST if answer.verdict is None else WORDS[answer.verdict]


def _mast_text(answer: CardAnswer, place: CardPlace) -> str:
    """The mast that the verdict is about, after the verdict's word."""
    if answer.verdict is None:
        return answer.refusal
    if place.named:
        return f"dish {answer.height_m:.2f} m up as planned"
    if answer.least_height_m is None:
        return f"even with a mast of {answer.height_m:.2f} m"
    return f"mast {answer.height_m:.2f} m"


def _best_table(card: RoofCard, number: int) -> Table | None:
    best = card.satellites[number].best
    if not best:
        return None
    rows = tuple(_best_row(card, number, rank, index) for rank, index in enumerate(best, start=1))
    heads = (
        Head("place"),
        Head("verdict"),
        Head("mast", number=True),
        Head("least mast", number=True),
        Head("margin", number=True),
        Head("cable", number=True),
        Head("controls", long=True),
        Head("safety"),
    )
    return Table("The best places: by verdict, overhead lines, cable, least mast.", heads, rows)


def _best_row(card: RoofCard, number: int, rank: int, index: int) -> tuple[str, ...]:
    place = card.places[index]
    answer = place.answers[number]
    glyph, word = _words(answer)
    return (
        f"{rank}: {place.name}",
        f"{glyph} {word}",
        f"{answer.height_m:.2f} m",
        _least_text(answer),
        degrees(answer.margin_deg) if answer.margin_deg is not None else "-",
        _cable_text(card, answer),
        _controls_text(answer),
        f"{len(answer.cautions)} caution{'s' if len(answer.cautions) != 1 else ''} for this place"
        if answer.cautions
        else "see Safety",
    )


# --- one place ------------------------------------------------------------------------------------------------


def _answer(card: RoofCard, number: int, index: int) -> AnswerPage:
    place = card.places[index]
    answer = place.answers[number]
    glyph, word = _words(answer)
    return AnswerPage(
        place=index,
        anchor=f"answer-{number}-{index}",
        name=place.name,
        verdict=answer.verdict or "",
        glyph=glyph,
        word=word,
        mast=_mast_text(answer, place),
        cautions=tuple(caution.text for caution in answer.cautions),
        facts=tuple(_facts(card, place, answer)),
        reasons=for_readers(answer.reasons),
        guides=tuple(guide.text for guide in answer.guides),
    )


def _facts(card: RoofCard, place: CardPlace, answer: CardAnswer) -> Iterator[tuple[str, str]]:
    if answer.verdict is None:
        yield "mast", f"none: {answer.refusal}"
    else:
        kit = f" ({answer.kit})" if answer.kit else ""
        yield "mast", f"{answer.height_m:.2f} m, dish centre above what it stands on{kit}"
        yield "least mast", _least_text(answer)
        yield "controls", _controls_text(answer)
        if answer.margin_deg is not None:
            yield "margin", degrees(answer.margin_deg)
        yield "probability", "not assessed" if answer.p_clear is None else percent(answer.p_clear)
        yield "cable", _cable_text(card, answer)
    yield "from the site", f"{_side(place.east_m, 'east', 'west')}, {_side(place.north_m, 'north', 'south')}"
    if place.tapes:
        yield "by tape", tape_words(place.tapes)
    yield "position", place.position


def _side(value_m: float, plus: str, minus: str) -> str:
    return f"{abs(value_m):.1f} m {plus if value_m >= 0.0 else minus}"


def _least_text(answer: CardAnswer) -> str:
    if answer.least_height_m is None:
        return f"none up to {answer.max_height_m:.2f} m"
    return f"{answer.least_height_m:.2f} m"


def _controls_text(answer: CardAnswer) -> str:
    what = answer.controlling
    if what is None:
        return "nothing that is known" if answer.verdict in ("clear", "needs-survey") else NOT_KNOWN
    assumed = " assumed" if what.distance_assumed else ""
    away = "" if what.distance_m is None else f", {metres(what.distance_m)}{assumed} away"
    room = ""
    if answer.clearance_m is not None and answer.required_m is not None:
        room = f": {metres(answer.clearance_m)} of room, {metres(answer.required_m)} needed"
    return f"{what.name} ({what.kind}), azimuth {what.azimuth_deg:.0f}°{away}{room}"


def _cable_text(card: RoofCard, answer: CardAnswer) -> str:
    if answer.cable_run_m is None:
        return f"{NOT_KNOWN}: no cable entry is given"
    limit_m = card.terminal.cable_limit_m
    limit = "no limit is given" if limit_m is None else f"limit {limit_m:g} m"
    long = "too long, " if answer.cable_ok is False else ""
    return f"{answer.cable_run_m:.1f} m ({long}{limit})"


# --- the sun --------------------------------------------------------------------------------------------------


def _shadow_how(card: RoofCard, one: CardSatellite) -> str:
    drifts = [abs(guide.drift_deg_per_min) for day in one.days for guide in day.on_line]
    costs = f" A minute's error turns it by up to {max(drifts):.1f} degrees." if drifts else ""
    return (
        f"Times are {_zone_name(card)}. Stand a pole plumb on level ground. On the line: the shadow itself shows the "
        "direction. At a full hour: turn so far from where the shadow points, seen from above, to face the satellite."
        f"{costs}"
    )


def _zone_name(card: RoofCard) -> str:
    moment = dt.datetime.combine(card.made, dt.time(12), card.zone)
    name = moment.tzname() or ""
    key = getattr(card.zone, "key", "")
    return f"{key}, {name}" if key and name.isalpha() else key or name or "UTC"


def _day(card: RoofCard, day: ShadowDay) -> DayPage:
    lines = [
        f"{guide.time.astimezone(card.zone):%H:%M:%S}, shadow straight "
        f"{'away from' if guide.turn_deg > 90.0 or guide.turn_deg < -90.0 else 'towards'} the satellite"
        for guide in day.on_line
    ]
    return DayPage(
        iso=day.date.isoformat(),
        name=f"{_DAYS[day.date.weekday()]} {day.date.isoformat()}",
        on_line=" and ".join(lines) if lines else "not while the sun is 10 to 60 degrees high",
        hours=tuple(
            f"{shadow.time.astimezone(card.zone):%H:%M} {_turn(shadow.turn_to_satellite_deg)}"
            for shadow in day.hours
        ),
    )


def _turn(turn_deg: float | None) -> str:
    if turn_deg is None:
        return NOT_KNOWN
    return f"{abs(turn_deg):.1f}° {'right' if turn_deg >= 0.0 else 'left'}"


# --- the end --------------------------------------------------------------------------------------------------


def _basis(card: RoofCard) -> tuple[str, ...]:
    criteria = card.criteria
    return (
        f"Room needed at a distance: half the dish and {criteria.fresnel_fraction:g} of the first Fresnel radius.",
        f"Clear means: that room is there now and after {criteria.years_ahead:g} years of growth, with a probability "
        f"of at least {100.0 * criteria.min_p_clear:g} %.",
        "Where nobody looked, nothing is taken to be free.",
        "Each least mast was proved by an assessment of its place at that height; a taller mast was not assessed.",
    )


def _files(card: RoofCard) -> Table | None:
    if not card.files:
        return None
    rows = tuple((one.name, one.role, one.sha256) for one in card.files)
    return Table(
        "Files that were read, with their SHA-256.",
        (Head("file"), Head("what it is"), Head("SHA-256", code=True)),
        rows,
    )

"""What changed since an earlier record: both as plain values, as `report --json` prints them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from skysill.report.formatting import WORDS, metres

__all__ = ["RecordChanges", "record_changes"]

_LEAST_M = 0.01
_LEAST_P = 0.015
"""Changes of a probability below this are within the noise of its Monte Carlo samples."""
_MOST_LISTED = 4


@dataclass(frozen=True, slots=True)
class RecordChanges:
    """Changes in sentences, verdicts first. since : day of the earlier record; by : who made it"""

    since: str
    by: str
    changes: tuple[str, ...]


def record_changes(last: Mapping[str, Any], now: Mapping[str, Any]) -> RecordChanges:
    """What changed from one record to the next.

    Parameters
    ----------
    last, now : documents of `report --json`; a value that is missing or of another type counts as not known

    Returns
    -------
    RecordChanges; no sentence where nothing changed

    >>> last = {"made": "2026-06-15", "files": [{"name": "a.csv", "role": "readings", "sha256": "1"}]}
    >>> now = {"made": "2026-06-20", "files": [{"name": "a.csv", "role": "readings", "sha256": "2"}]}
    >>> record_changes(last, now).changes
    ('a.csv (readings) is another file now.',)
    """
    parts = (_results, _mount, _readings, _correction, _files, _photos, _built, _cautions)
    found = tuple(text for part in parts for text in part(last, now))
    return RecordChanges(_text(last, "made"), _text(last, "by"), tuple(dict.fromkeys(found)))


def _at(document: Any, *keys: str) -> Any:
    """A value by its path; None where it is missing."""
    for key in keys:
        document = document.get(key) if isinstance(document, Mapping) else None
    return document


def _text(document: Any, *keys: str) -> str:
    value = _at(document, *keys)
    return value if isinstance(value, str) else ""


def _number(document: Any, *keys: str) -> float | None:
    value = _at(document, *keys)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _listed(document: Any, *keys: str) -> Sequence[Any]:
    value = _at(document, *keys)
    return value if isinstance(value, list) else []


def _results(last: Any, now: Any) -> Iterator[str]:
    """Verdict, room, probability and controlling obstruction of each satellite."""
    before = {_text(one, "satellite", "name"): one for one in _listed(last, "assessment", "results")}
    after = {_text(one, "satellite", "name"): one for one in _listed(now, "assessment", "results")}
    for name, result in after.items():
        if name not in before:
            yield f"{name} was not in it: {_word(result)}."
            continue
        yield from _result(name, before[name], result)
    for name in before:
        if name not in after:
            yield f"{name} is no longer asked about; it was {_word(before[name])}."


def _word(result: Any) -> str:
    verdict = _text(result, "verdict")
    return WORDS[verdict][1] if verdict in WORDS else "not known"


def _result(name: str, before: Any, after: Any) -> Iterator[str]:
    if _word(before) != _word(after):
        yield f"{name}: {_word(after)} now, {_word(before)} before."
    room = [_number(one, "clearance", "clearance_m") for one in (after, before)]
    if _differ(room[0], room[1], _LEAST_M):
        need = _number(after, "clearance", "required_m")
        where = "" if need is None else f", where {metres(need)} is needed"
        yield f"{name}: {_room(room[0])} of room now, {_room(room[1])} before{where}."
    p_now, p_before = _number(after, "p_clear"), _number(before, "p_clear")
    if p_now is not None and p_before is not None and abs(p_now - p_before) > _LEAST_P:
        yield f"{name}: the room is there with a probability of {100 * p_now:.0f} %, {100 * p_before:.0f} % before."
    controls = [_text(one, "clearance", "controlling", "name") for one in (after, before)]
    if controls[0] != controls[1]:
        yield f"{name}: {controls[0] or 'nothing'} decides now, {controls[1] or 'nothing'} before."


def _room(value: float | None) -> str:
    return "no known amount" if value is None else metres(value)


def _differ(one: float | None, other: float | None, least: float) -> bool:
    if one is None or other is None:
        return one is not other
    return abs(one - other) >= least


def _mount(last: Any, now: Any) -> Iterator[str]:
    names = [_text(one, "assessment", "mount", "name") for one in (now, last)]
    if names[0] != names[1]:
        yield f'It is of the mount "{names[0]}"; that one was of "{names[1] or "not known"}".'
    for label, words in (
        ("height_m", "height of the dish centre"),
        ("east_m", "mount, east of the site"),
        ("north_m", "mount, north of the site"),
    ):
        values = [_number(one, "assessment", "mount", label) for one in (now, last)]
        if _differ(values[0], values[1], _LEAST_M) and None not in values:
            yield f"{words.capitalize()}: {values[0]:.2f} m now, {values[1]:.2f} m before."


def _readings(last: Any, now: Any) -> Iterator[str]:
    """Readings by what was typed: new ones, and those that are gone or read otherwise."""
    before, after = _typed(last), _typed(now)
    new = [key for key in after if key not in before]
    gone = [key for key in before if key not in after]
    again = sorted({key[0] for key in new} & {key[0] for key in gone})
    if again:
        yield f"Read again: {_azimuths(again)}."
    for words, keys in (("new", new), ("no longer there", gone)):
        azimuths = sorted({key[0] for key in keys} - set(again))
        if azimuths:
            count = "reading" if len(azimuths) == 1 else "readings"
            yield f"{len(azimuths)} {count} {words}: {_azimuths(azimuths)}."


def _typed(document: Any) -> dict[tuple[Any, ...], None]:
    labels = ("bearing_deg", "elevation_deg", "distance_m", "at_least", "kind", "leaf", "station", "note")
    keys = (tuple(_at(row, label) for label in labels) for row in _listed(document, "survey", "readings"))
    return {key: None for key in keys if isinstance(key[0], int | float) and all(map(_plain, key))}


def _plain(value: Any) -> bool:
    return value is None or isinstance(value, str | int | float)


def _azimuths(values: Sequence[float]) -> str:
    shown = ", ".join(f"{value:g}°" for value in values[:_MOST_LISTED])
    return (
        f"at {shown}" if len(values) <= _MOST_LISTED else f"at {shown} and {len(values) - _MOST_LISTED} more"
    )


def _correction(last: Any, now: Any) -> Iterator[str]:
    turns = [_number(one, "survey", "correction_deg") for one in (now, last)]
    if turns[0] is not None and turns[1] is not None and _differ(turns[0], turns[1], 0.05):
        yield f"Readings are turned by {turns[0]:+.1f}° to true north now, {turns[1]:+.1f}° before."


def _files(last: Any, now: Any) -> Iterator[str]:
    before, after = _sums(last), _sums(now)
    for (name, role), checksum in after.items():
        if (name, role) not in before:
            yield f"{name} ({role}) is new."
        elif before[name, role] != checksum:
            yield f"{name} ({role}) is another file now."
    for name, role in before:
        if (name, role) not in after:
            yield f"{name} ({role}) is no longer read."


def _sums(document: Any) -> dict[tuple[str, str], str]:
    return {
        (_text(one, "name"), _text(one, "role")): _text(one, "sha256") for one in _listed(document, "files")
    }


def _photos(last: Any, now: Any) -> Iterator[str]:
    names = [[_text(one, "photo", "name") for one in _listed(doc, "photos")] for doc in (now, last)]
    new = [name for name in names[0] if name not in names[1]]
    gone = [name for name in names[1] if name not in names[0]]
    if new:
        yield f"New photographs: {_names(new)}."
    if gone:
        yield f"Photographs no longer in it: {_names(gone)}."


def _names(values: Sequence[str]) -> str:
    more = "" if len(values) <= _MOST_LISTED else f" and {len(values) - _MOST_LISTED} more"
    return ", ".join(values[:_MOST_LISTED]) + more


def _built(last: Any, now: Any) -> Iterator[str]:
    rows = [{_text(row, "quantity"): row for row in _listed(doc, "built", "rows")} for doc in (now, last)]
    if rows[0] and not rows[1]:
        yield "As-built values are in it now."
    if rows[1] and not rows[0]:
        yield "As-built values are no longer in it."
    for quantity, row in rows[0].items():
        was, done = _text(rows[1].get(quantity), "done"), _text(row, "done")
        if rows[1] and was != done:
            yield f"As built, {quantity}: {done or '-'} now, {was or '-'} before."


def _cautions(last: Any, now: Any) -> Iterator[str]:
    before = set(_listed(last, "cautions")) if all(map(_plain, _listed(last, "cautions"))) else set()
    new = [text for text in _listed(now, "cautions") if text not in before]
    if new and before:
        yield f"New under Safety: {' '.join(new)}"

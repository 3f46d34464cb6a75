"""As-built values as they are typed into fields, checked one by one, and put into their file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from skysill.errors import InputError
from skysill.io.as_built import AS_BUILT_KEYS, NUMBER_BOUNDS, as_built_of, checked_value
from skysill.io.text import read_number

__all__ = ["as_built_text", "as_built_values", "typed_as_built"]

_MOST_LETTERS = 4000
_MOST_TAPES = 20
_COMMENT = "As-built values, held against the plan by: skysill report SITE.toml --as-built this file"


def typed_as_built(
    typed: Mapping[str, str], tapes: Sequence[tuple[str, str]] = ()
) -> tuple[dict[str, Any], dict[str, str]]:
    """Values from the text of fields, and what is wrong with each field.

    Parameters
    ----------
    typed : text by key of an as-built file; empty text: not written down
    tapes : corner and distance of each tape measurement

    Returns
    -------
    values for the file, faults by field ("tape_m" for the tapes); a field with a fault has no value

    >>> typed_as_built({"height_m": "4,1", "signal": "good", "by": ""})
    ({'height_m': 4.1}, {'signal': '"good" is not a number. Write 12.5 or 12,5.'})
    """
    values: dict[str, Any] = {}
    faults: dict[str, str] = {}
    for key, text in typed.items():
        text = text.strip()
        if key not in AS_BUILT_KEYS or key in ("tape_m", "photos"):
            faults[key] = "is no field of an as-built file."
        elif text:
            try:
                values[key] = checked_value(key, _value(key, text))
            except InputError as fault:
                faults[key] = _sentence(fault)
            except ValueError as fault:
                faults[key] = str(fault)
    try:
        found = _tapes(tapes)
        if found:
            values["tape_m"] = found
    except InputError as fault:
        faults["tape_m"] = _sentence(fault)
    if not faults:
        try:
            as_built_of({**values, **({"tape_m": dict(values["tape_m"])} if "tape_m" in values else {})}, "")
        except InputError as fault:
            faults[(fault.where or "by").rpartition(", ")[2] or "by"] = _sentence(fault)
    return values, faults


def _sentence(fault: InputError) -> str:
    text = fault.what if fault.mend is None else f"{fault.what} {fault.mend}"
    return text[:1].upper() + text[1:]


def _value(key: str, text: str) -> Any:
    if len(text) > _MOST_LETTERS:
        raise InputError(f"is longer than {_MOST_LETTERS} letters.", mend="Shorten it.")
    if key in NUMBER_BOUNDS:
        return read_number(text)
    if key == "date":
        try:
            return dt.date.fromisoformat(text)
        except ValueError:
            raise InputError("is not a date.", mend="Write 2026-06-14.") from None
    return text


def _tapes(tapes: Sequence[tuple[str, str]]) -> dict[str, float]:
    found: dict[str, float] = {}
    for corner, distance in tapes[: _MOST_TAPES + 1]:
        corner, distance = corner.strip(), distance.strip()
        if not corner and not distance:
            continue
        if not corner or not distance:
            raise InputError("a tape distance needs its corner, and a corner its distance.")
        if corner in found:
            raise InputError(f'"{corner}" stands twice.')
        try:
            found[corner] = read_number(distance)
        except ValueError as fault:
            raise InputError(str(fault)) from None
    if len(found) > _MOST_TAPES:
        raise InputError(f"more than {_MOST_TAPES} tape distances are too many.")
    return dict(checked_value("tape_m", found)) if found else {}


def as_built_values(text: str, shown: str) -> dict[str, Any]:
    """The values of an as-built file as they stand, as text for fields; tape_m as pairs.

    Raises
    ------
    InputError : as `read_as_built`

    >>> as_built_values("height_m = 4.10\\ndate = 2026-07-02\\n", "a.toml")
    {'height_m': '4.1', 'date': '2026-07-02'}
    """
    import tomllib

    try:
        table = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        raise InputError("is not TOML.", where=shown) from None
    as_built_of(table, shown)
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key == "tape_m":
            values[key] = [[name, f"{distance:g}"] for name, distance in value.items()]
        elif key == "photos":
            values[key] = [str(one) for one in value]
        elif isinstance(value, float):
            values[key] = f"{value:.12g}"
        else:
            values[key] = value.isoformat() if isinstance(value, dt.date | dt.datetime) else str(value)
    return values


def as_built_text(text: str, values: Mapping[str, Any], shown: str, *, with_photos: bool = False) -> str:
    """The text of an as-built file with these values; comments and order stay, and photographs named in it.

    Parameters
    ----------
    text : of the file as it is; "" for a new one
    values : from `typed_as_built`; what is not among them is taken out
    with_photos : "photos" of the values replace those of the file, which stay otherwise

    Raises
    ------
    InputError : the file as it is cannot be read

    >>> print(as_built_text("height_m = 4.1  # short pole\\nby = \\"A\\"\\n", {"height_m": 4.2}, "a.toml"), end="")
    height_m = 4.2  # short pole
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError, ValueError) as fault:
        raise InputError("is not TOML.", where=shown) from fault
    if not text.strip():
        document.add(tomlkit.comment(_COMMENT))
    kept = () if with_photos else ("photo", "photos")
    for key in [key for key in document if key not in values and key not in kept]:
        del document[key]
    for key, value in values.items():
        if key in document and _plain(document[key]) == value:
            continue
        item: Any = tomlkit.item(value)
        if key == "tape_m":
            item = tomlkit.inline_table()
            for corner, distance_m in dict(value).items():
                item.append(corner, distance_m)
        document[key] = item
    made = tomlkit.dumps(document)
    as_built_of(dict(document.unwrap()), str(Path(shown)))
    return made


def _plain(item: Any) -> Any:
    return item.unwrap() if hasattr(item, "unwrap") else item

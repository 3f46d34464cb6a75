"""Edits of single values of a site file: comments, order and everything not edited stay as they were."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Array, InlineTable

from skysill.errors import InputError
from skysill.io.json_text import plain_values
from skysill.io.site_schema import SiteFile, parse_site_text
from skysill.io.site_values import keys_of

__all__ = [
    "ABSENT",
    "FieldPath",
    "changed_paths",
    "edit_path",
    "field_path",
    "new_site_text",
    "site_values",
    "value_at",
    "with_edits",
]

FieldPath = tuple[str | int, ...]
"""Where a value stands in a site file: ("mounts", 0, "height_m")."""

ABSENT = object()
"""Stands for a value that is not there."""

_MOST_EDITS = 5_000
_MOST_DEPTH = 8


def site_values(text: str, shown: str) -> dict[str, Any]:
    """The values of a site file as plain values: dates as ISO 8601 text.

    Raises
    ------
    InputError : not TOML, a key that is not known, a wrong type, out of range

    >>> site_values('position = "58.0312 N 24.6541 W"', "croft.toml")
    {'position': '58.0312 N 24.6541 W'}
    """
    parse_site_text(text, shown)
    values: dict[str, Any] = plain_values(tomllib.loads(text))
    return values


def with_edits(text: str, edits: Sequence[Mapping[str, Any]], shown: str) -> str:
    """The text of a site file with edits, which the usual reader then accepts.

    Parameters
    ----------
    edits : each {"path": [...], "value": ...}, or {"path": [...], "remove": true}. A number in a path counts the items
        of a list from 0; the number after the last one appends. Tables that are not there yet are made. Dates and
        times are text in ISO 8601
    shown : name of the file, for messages

    Raises
    ------
    InputError : an edit that leads nowhere, or a value that the reader of site files refuses

    >>> print(with_edits("height = 1\\n[[mounts]]\\nheight_m = 1.5 # to be measured\\n"
    ...     'position = 1', [], "a.toml"))  # doctest: +IGNORE_EXCEPTION_DETAIL
    Traceback (most recent call last):
    skysill.errors.InputError: a.toml: "height" is not known.
    >>> text = 'position = "58.0312 N 24.6541 W" # the gate\\n'
    >>> print(with_edits(text, [{"path": ["ground_elevation_m"], "value": 41.0}], "croft.toml"))
    position = "58.0312 N 24.6541 W" # the gate
    ground_elevation_m = 41.0
    <BLANKLINE>
    """
    if len(edits) > _MOST_EDITS:
        raise InputError(f"{len(edits)} edits at once are too many.", where=shown)
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError, ValueError) as fault:
        raise InputError("is not TOML.", where=shown) from fault
    for edit in edits:
        path = edit_path(edit, shown)
        try:
            if edit.get("remove"):
                _remove(document, path)
            else:
                _put(document, path, edit.get("value"))
        except (KeyError, IndexError, TypeError, ValueError, AttributeError, TOMLKitError) as fault:
            raise InputError(
                "an edit leads to no value of the file.", where=f"{shown}, {_words(path)}"
            ) from fault
    made = tomlkit.dumps(document)
    parse_site_text(made, shown)
    return made


def edit_path(edit: Any, shown: str) -> FieldPath:
    """The path of one edit. Raises InputError where it is none."""
    path = edit.get("path") if isinstance(edit, Mapping) else None
    is_path = isinstance(path, list | tuple) and 0 < len(path) <= _MOST_DEPTH and isinstance(path[0], str)
    if path is not None and is_path and all(_is_step(step) for step in path):
        return tuple(path)
    raise InputError("an edit has no path.", where=shown, mend='Give {"path": [...], "value": ...}.')


def _is_step(step: Any) -> bool:
    return isinstance(step, str) or (isinstance(step, int) and not isinstance(step, bool) and step >= 0)


def value_at(values: Any, path: FieldPath) -> Any:
    """The value at a path of plain values, ABSENT where there is none.

    >>> value_at({"mounts": [{"height_m": 1.5}]}, ("mounts", 0, "height_m"))
    1.5
    """
    for step in path:
        if isinstance(values, Mapping):
            found = values.get(step, ABSENT)
        elif isinstance(values, list) and isinstance(step, int) and step < len(values):
            found = values[step]
        else:
            return ABSENT
        values = found
    return values


def changed_paths(
    edits: Sequence[Mapping[str, Any]], base: Mapping[str, Any] | None, theirs: Mapping[str, Any], shown: str
) -> list[list[str | int]]:
    """The paths of edits whose value someone else changed as well.

    Parameters
    ----------
    base : values that the edits were made on; None where they are not known: then every path counts as changed
    theirs : values as they are now

    Notes
    -----
    A path through a list of another length than before counts as changed: its numbers may mean other items now.
    """
    found = []
    for edit in edits:
        path = edit_path(edit, shown)
        lists = [path[:depth] for depth, step in enumerate(path) if isinstance(step, int)]
        other = base is None or value_at(base, path) != value_at(theirs, path)
        moved = any(_length(value_at(base, part)) != _length(value_at(theirs, part)) for part in lists)
        if (other or moved) and list(path) not in found:
            found.append(list(path))
    return found


def _length(value: Any) -> int | None:
    return len(value) if isinstance(value, list) else None


def field_path(where: str | None) -> list[str | int] | None:
    """The path that the place of an error names; None where it names no value of a site file.

    >>> field_path("clinic.toml, [[mounts]] number 2, height_m")
    ['mounts', 1, 'height_m']
    """
    if where is None:
        return None
    keys = set(keys_of(SiteFile))
    steps: list[str | int] = []
    for part in re.sub(r"^.*?\.toml(, |$)", "", where).split(", "):
        name = re.match(r"\[*([A-Za-z_]+)\]*", part)
        if name is None or (not steps and name[1] not in keys):
            return steps or None
        if re.fullmatch(r"[A-Za-z_]+|\[{1,2}[A-Za-z_]+\]{1,2}.*|[A-Za-z_]+ number .*", part) is None:
            return steps or None
        steps.append(name[1])
        steps += [int(number) - 1 for number in re.findall(r"number (\d+)", part)]
    return steps or None


def _words(path: FieldPath) -> str:
    return ", ".join(str(step) if isinstance(step, str) else f"number {step + 1}" for step in path)


def _put(document: Any, path: FieldPath, value: Any) -> None:
    at = document
    for depth, step in enumerate(path[:-1]):
        missing = step not in at if isinstance(at, Mapping) else isinstance(at, list) and step == len(at)
        if missing:
            _replace(at, step, _empty(path[depth + 1 :], value, inline=_is_inline(at)))
        at = at[step]
    _replace(at, path[-1], _item(value, path, inline=_is_inline(at)))


def _is_inline(at: Any) -> bool:
    """Whether what is put there has to stand on one line: in an array or an inline table."""
    return isinstance(at, Array | InlineTable)


def _replace(at: Any, last: str | int, item: Any) -> None:
    """Put a value in the place of another, or add it; the library keeps the comment behind a value."""
    if isinstance(at, list):
        if not isinstance(last, int) or last > len(at):
            raise KeyError(last)
        if last == len(at):
            at.append(item)
            return
    elif not isinstance(at, Mapping) or not isinstance(last, str):
        raise KeyError(last)
    at[last] = item


def _remove(document: Any, path: FieldPath) -> None:
    at: Any = document
    for step in path[:-1]:
        at = at[step]
    del at[path[-1]]
    if isinstance(path[-1], int) and len(at) == 0 and len(path) > 1:
        _remove(document, path[:-1])


def _empty(rest: FieldPath, value: Any, *, inline: bool) -> Any:
    """What the rest of a path needs where nothing stands yet: a table, or a list of tables or values."""
    if isinstance(rest[0], str):
        return tomlkit.inline_table() if inline else tomlkit.table()
    of_tables = isinstance(rest[1], str) if len(rest) > 1 else isinstance(value, Mapping)
    return tomlkit.aot() if of_tables and not inline else tomlkit.array()


def _item(value: Any, path: FieldPath, *, inline: bool) -> Any:
    if value is None:
        raise ValueError("null")
    if isinstance(value, Mapping):
        table = tomlkit.inline_table() if inline else tomlkit.table()
        for key, one in value.items():
            if one is not None:
                table.append(key, _item(one, (*path, key), inline=inline))
        return table
    if isinstance(value, list):
        if value and all(isinstance(one, Mapping) for one in value) and not inline:
            tables = tomlkit.aot()
            for one in value:
                tables.append(_item(one, path, inline=False))
            return tables
        array = tomlkit.array()
        for one in value:
            array.append(_item(one, path, inline=True))
        return array
    return tomlkit.item(_typed(value, path) if isinstance(value, str) else value)


def _typed(text: str, path: FieldPath) -> str | dt.date | dt.datetime:
    """Text as a date or time where the schema has one at this path."""
    from skysill.io.site_values import Date, Time

    kind = _kind_at(path)
    try:
        if isinstance(kind, Date):
            return dt.date.fromisoformat(text.strip())
        if isinstance(kind, Time):
            return dt.datetime.fromisoformat(text.strip())
    except ValueError:
        return text  # the reader says what a date looks like
    return text


def _kind_at(path: FieldPath) -> Any:
    table: Any = SiteFile
    kind: Any = None
    for step in path:
        if isinstance(step, int):
            continue
        if table is None or step not in {part.name for part in fields(table)}:
            return None
        kind = keys_of(table)[step][1].value
        table = getattr(kind, "table", None)
        kind = getattr(kind, "item", kind)
    return kind


def new_site_text(values: Mapping[str, Any], shown: str, comment: str = "") -> str:
    """The text of a new site file that holds some values, checked by the reader.

    Raises
    ------
    InputError : a value that the reader refuses
    """
    document = tomlkit.document()
    if comment:
        document.add(tomlkit.comment(comment))
    for key, value in values.items():
        if value is not None:
            document.add(key, _item(value, (key,), inline=False))
    text = tomlkit.dumps(document)
    parse_site_text(text, shown)
    return text

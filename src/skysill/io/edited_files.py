"""Files that a command writes again after a person has edited them: what the person changed stays.

Three states of one thing decide: as it was written last, as it stands now, and as it would be written now. Where it
stands as it was written, the new state is taken; where a person changed it, the person's stays. Everything in which
the two differ is told.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from typing import Any

__all__ = ["ABSENT", "merge_features", "merge_toml"]

ABSENT = object()
"""A key or a feature that is not there."""

Feature = dict[str, Any]


def merge_features(
    last: Sequence[Feature],
    now: Sequence[Feature],
    new: Sequence[Feature],
    *,
    same: Callable[[Feature, Feature], bool],
) -> tuple[list[Feature], list[Feature], list[str]]:
    """GeoJSON features as they are to be written, as they are to be remembered, and what differs.

    Parameters
    ----------
    last : features as written last, each with an "id"
    now : features of the file as it stands; those with other ids, or none, are a person's own
    new : features found now; their ids are only proposals
    same : whether a feature written last and one found now are the same thing

    Returns
    -------
    features to write; features found, with the ids under which they are remembered; sentences about differences
    """
    found = _with_ids(last, new, same)
    standing = {feature["id"]: feature for feature in now if feature.get("id") is not None}
    before = {feature["id"]: feature for feature in last}
    written, told = [], []
    for feature in found:
        name = feature["id"]
        if name not in before:
            if last:
                told.append(f"{name}: new.")
            written.append(feature)
        elif name not in standing:
            told.append(f"{name}: found again; it stays removed, as you removed it.")
        else:
            merged, words = _merged(before[name], standing[name], feature)
            written.append(merged)
            told += [f"{name}: {one}" for one in words]
    kept = {feature["id"] for feature in found}
    for feature in last:
        name = feature["id"]
        if name in kept or name not in standing:
            continue
        if _alike(standing[name], feature):
            told.append(f"{name}: no longer found, left out.")
        else:
            told.append(f"{name}: no longer found; it stays, as you edited it.")
            written.append(standing[name])
    written += [feature for feature in now if feature.get("id") not in {*before, *kept}]
    return written, found, told


def _with_ids(
    last: Sequence[Feature], new: Sequence[Feature], same: Callable[[Feature, Feature], bool]
) -> list[Feature]:
    """The features found, each with the id of the one written last that it is, or with one that is not taken."""
    left, found = list(last), []
    taken = {feature["id"] for feature in last}
    for feature in new:
        match = next((old for old in left if same(old, feature)), None)
        if match is not None:
            left.remove(match)
            found.append({**feature, "id": match["id"]})
            continue
        name, stem = feature["id"], re.sub(r" \d+$", "", feature["id"])
        number = 1
        while name in taken:
            number += 1
            name = f"{stem} {number}"
        taken.add(name)
        found.append({**feature, "id": name})
    for feature in found:
        if "name" in feature["properties"]:
            feature["properties"] = {**feature["properties"], "name": feature["id"]}
    return found


def _alike(a: Feature, b: Feature) -> bool:
    return bool(a["geometry"] == b["geometry"] and (a.get("properties") or {}) == (b.get("properties") or {}))


def _merged(last: Feature, now: Feature, new: Feature) -> tuple[Feature, list[str]]:
    """One feature: each property, and the geometry, by itself."""
    words: list[str] = []
    geometry = now["geometry"]
    if geometry == last["geometry"]:
        geometry = new["geometry"]
    elif new["geometry"] != last["geometry"]:
        words.append("stands elsewhere in the data; your place stays.")
    was, here, there = ((one.get("properties") or {}) for one in (last, now, new))
    properties = {}
    for key in (*here, *(key for key in there if key not in here)):
        value, said = _chosen(key, was.get(key, ABSENT), here.get(key, ABSENT), there.get(key, ABSENT))
        if said:
            words.append(said)
        if value is not ABSENT:
            properties[key] = value
    return {**new, "geometry": geometry, "properties": properties}, words


def _chosen(key: str, last: Any, now: Any, new: Any) -> tuple[Any, str]:
    """The value that stays, and what there is to say."""
    if now == last:
        changed = new != last and last is not ABSENT and new is not ABSENT
        return new, f"{key} is {_shown(new)} now, {_shown(last)} before." if changed else ""
    if new in (last, now):
        return now, ""
    return now, f"{key} is {_shown(new)} in the data; your {_shown(now)} stays."


def _shown(value: Any) -> str:
    if value is ABSENT:
        return "left out"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 40 else f"{text[:37]}..."


# --- TOML ----------------------------------------------------------------------------------------------------------


def merge_toml(last: str, now: str, new: str) -> tuple[str, list[str]]:
    """The text of a TOML file as it is to be written, and what differs.

    Parameters
    ----------
    last, now, new : texts as written last, as it stands, as it would be written

    Notes
    -----
    Comments and order of an edited file stay. A value that the person left alone is replaced where it stands; where
    that cannot be done without touching anything else, it stays, and the difference is told.
    """
    if now == last or not last:
        return new, []
    was, here, there = (_flat(tomllib.loads(text)) for text in (last, now, new))
    text, told = now, []
    for place, value in there.items():
        before, standing = was.get(place, ABSENT), here.get(place, ABSENT)
        if value in (before, standing):
            continue
        label = ".".join(place)
        if standing != before:
            told.append(f"{label}: is {_shown(value)} in the data; your {_shown(standing)} stays.")
            continue
        replaced = None if standing is ABSENT else _replaced(text, new, place)
        if replaced is None:
            told.append(f"{label}: is {_shown(value)} in the data now; write it in by hand.")
        else:
            text = replaced
            told.append(f"{label}: is {_shown(value)} now, {_shown(before)} before.")
    return text, told


def _flat(document: Mapping[str, Any], above: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    """Every value by its path; lists are values."""
    found: dict[tuple[str, ...], Any] = {}
    for key, value in document.items():
        found |= _flat(value, (*above, key)) if isinstance(value, Mapping) else {(*above, key): value}
    return found


def _block(text: str, place: tuple[str, ...]) -> tuple[int, int] | None:
    """First and last row (exclusive) of `key = value` in its table, over several rows where the value has some."""
    table, key = ".".join(place[:-1]), place[-1]
    rows, inside = text.splitlines(keepends=True), not table
    for number, row in enumerate(rows):
        header = re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", row)
        if header and not re.match(r"\s*\S+\s*=", row):
            inside = header[1] == table
            continue
        if inside and re.match(rf"\s*{re.escape(key)}\s*=", row):
            for end in range(number + 1, len(rows) + 1):
                try:
                    tomllib.loads("".join(rows[number:end]))
                except tomllib.TOMLDecodeError:
                    continue
                return number, end
            return None
    return None


def _replaced(text: str, new: str, place: tuple[str, ...]) -> str | None:
    """The text with one value as the new text has it; None where that would change anything else."""
    here, there = _block(text, place), _block(new, place)
    if here is None or there is None:
        return None
    rows = text.splitlines(keepends=True)
    rows[slice(*here)] = new.splitlines(keepends=True)[slice(*there)]
    changed = "".join(rows)
    before, after = _flat(tomllib.loads(text)), _flat(tomllib.loads(changed))
    wanted = _flat(tomllib.loads(new))[place]
    return changed if after == {**before, place: wanted} else None

"""The key reference of the site file (docs/site-file.md) and its JSON schema for editors, both made from the schema.

python -m skysill.io.site_reference > docs/site-file.md
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import MISSING, Field, dataclass, fields
from typing import Any

from skysill.io.site_schema import SiteFile
from skysill.io.site_values import Key, Table, TableList, keys_of, unit_of

__all__ = ["Row", "json_schema", "reference_page", "rows", "tables", "toml_text"]

_OPENING = """# Site file

One property in one TOML file (UTF-8), which every command but `screen` and `heights` takes as its argument. This page
is made from the schema that the reader checks a file against, by `python -m skysill.io.site_reference`; a test compares
them.

- Only `position` is needed. `skysill site new FILE` writes a commented skeleton for a house, a farm or a mast.
- An unknown key is refused, and the nearest known one is named. A key that is left out has the default of its row.
- Paths begin at the site file's folder. Options of a command go before the file.
- Plan coordinates are metres east and north of `position`; elevations are metres above the rasters' datum; heights are
  metres above what the thing stands on; see [conventions](conventions.md). Readings, instruments and their errors are
  in [survey](survey.md), file formats in [files](files.md).
- Dates and times are written without quotes. Errors are standard deviations.
- `skysill site schema` prints a JSON schema (draft 2020-12) for editors, the same as
  [site-file.schema.json](site-file.schema.json). Editors hand dates to it as text, so it cannot tell a date in quotes.

A command is named in a row if it uses the key. All commands refuse a value that is not allowed.
"""


@dataclass(frozen=True, slots=True)
class Row:
    """One key as the reference shows it.

    default : in words, "required" where there is none
    commands : that use the key
    """

    name: str
    about: Key
    default: str
    unit: str
    commands: tuple[str, ...]
    required: bool


def tables() -> Iterator[tuple[str, Key, type[Any]]]:
    """The tables of a site file: heading as TOML writes it ("" for the top), the key that holds it, its dataclass."""
    whole = Key(Table(SiteFile), "", None)
    yield "", whole, SiteFile
    for name, (_, about) in keys_of(SiteFile).items():
        if isinstance(about.value, Table | TableList):
            heading = f"[{name}]" if isinstance(about.value, Table) else f"[[{name}]]"
            yield heading, about, about.value.table


def rows(table: type[Any], holder: Key) -> Iterator[Row]:
    """The keys of one table, without those that are tables themselves."""
    made = holder.value.made if isinstance(holder.value, Table | TableList) else None
    for name, (part, about) in keys_of(table).items():
        if not isinstance(about.value, Table | TableList):
            required = part.default is MISSING and part.default_factory is MISSING
            yield Row(
                name,
                about,
                "required" if required else about.default_words or _default(part, made),
                unit_of(name, about),
                about.commands or holder.commands,
                required,
            )


def _default(part: Field[Any], made: type[Any] | None) -> str:
    """The default of a key: the table's own, else that of the data class made from the table."""
    value = None if part.default is MISSING else part.default
    if value is None and made is not None:
        value = next((one.default for one in fields(made) if one.name == part.name), None)
    if value in (None, MISSING, "", ()):
        return ""
    return f"{value:.5g}" if isinstance(value, float) else toml_text(value)


def toml_text(value: Any) -> str:
    """A value as TOML writes it.

    >>> toml_text([1.5, True, "24.0 W"])
    '[1.5, true, "24.0 W"]'
    """
    if isinstance(value, list):
        return f"[{', '.join(toml_text(one) for one in value)}]"
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, dt.date):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False)


def reference_page() -> str:
    """docs/site-file.md."""
    parts = [_OPENING]
    for heading, holder, table in tables():
        title = f"`{heading}`" if heading else "Top of the file"
        about = " ".join((table.__doc__ or "").split())
        parts.append(f"## {title}\n\n{about}\n")
        parts.append("| key | value | unit | default | meaning | example | used by |")
        parts.append("| --- | --- | --- | --- | --- | --- | --- |")
        parts += [_line(row) for row in rows(table, holder)]
        parts.append("")
    return "\n".join(parts).rstrip() + "\n"


def _line(row: Row) -> str:
    value, ends = row.about.value.words(), row.about.value.range_words()
    every = tuple(keys_of(SiteFile)["position"][1].commands)
    used = "all" if row.commands == every else ", ".join(row.commands)
    cells = [
        f"`{row.name}`",
        f"{value}, {ends}" if ends else value,
        row.unit,
        row.default,
        row.about.meaning,
        f"`{toml_text(row.about.example)}`",
        used,
    ]
    return f"| {' | '.join(cells)} |"


def json_schema() -> dict[str, Any]:
    """JSON schema of a site file, draft 2020-12 (JSON Schema: A Media Type for Describing JSON Documents, 2022)."""
    found = {table.__name__: _object(table, holder) for _, holder, table in tables()}
    top = found.pop(SiteFile.__name__)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:skysill:site-file",
        "title": "skysill site file",
        **top,
        "$defs": found,
    }


def _object(table: type[Any], holder: Key) -> dict[str, Any]:
    plain = {row.name: _property(row) for row in rows(table, holder)}
    needed = [row.name for row in rows(table, holder) if row.required]
    properties = {
        name: plain.get(name, {"description": about.meaning, **about.value.json_schema()})
        for name, (_, about) in keys_of(table).items()
    }
    found = {
        "type": "object",
        "description": " ".join((table.__doc__ or "").split()),
        "properties": properties,
        "additionalProperties": False,
    }
    return {**found, "required": needed} if needed else found


def _property(row: Row) -> dict[str, Any]:
    more = [f"Unit: {row.unit}."] if row.unit else []
    more += [f"Default: {row.default}."] if row.default and not row.required else []
    example = json.loads(json.dumps(row.about.example, default=toml_text))
    return {
        "description": " ".join([row.about.meaning, *more]),
        **row.about.value.json_schema(),
        "examples": [example],
    }


if __name__ == "__main__":
    print(reference_page(), end="")

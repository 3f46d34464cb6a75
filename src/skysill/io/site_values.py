"""Kinds of values in a site file: each checks a value and describes itself, in words and as JSON schema.

A table of the site file is a frozen dataclass whose fields are made by `key`: the type, range, default, meaning and
example of a key stand in one place; the reader, the key reference, the JSON schema and the skeletons follow from it.
A general validating library would check as well, but its import takes a quarter of the time that a whole
`skysill check` takes, and its errors would have to be put into sentences anyway.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, Field, dataclass, field, fields
from typing import Any, Protocol, TypeVar

from skysill.errors import InputError
from skysill.io.text import nearest, quoted

__all__ = [
    "Choice",
    "Date",
    "Flag",
    "Key",
    "ListOf",
    "Number",
    "OneOrList",
    "Table",
    "TableList",
    "Text",
    "TextOrNumber",
    "Time",
    "Value",
    "given",
    "key",
    "keys_of",
    "read_table",
    "unit_of",
]

TableType = TypeVar("TableType")

_UNIT_WORDS = {"_m": "metres", "_deg": "degrees", "_ghz": "gigahertz", "_w": "watts"}
_UNITS = {
    "_m_per_year": "m/year",
    "_m": "m",
    "_deg": "°",
    "_ghz": "GHz",
    "_w": "W",
    "_kv": "kV",
    "_fraction": "share",
}
_CONTROLS = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")


class Value(Protocol):
    """A kind of value."""

    def check(self, value: Any, where: str) -> Any:
        """The value as the reader uses it. where : file, table and key. Raises InputError where it is not allowed."""

    def words(self) -> str:
        """The type in words, for the key reference."""

    def range_words(self) -> str:
        """The allowed range in words, "" where there is none."""

    def json_schema(self) -> dict[str, Any]:
        """The type as JSON schema, draft 2020-12."""


@dataclass(frozen=True, slots=True)
class Key:
    """What is known about one key of a site file.

    example : a value that its check accepts, as TOML reads it
    default_words : the default, where it is not a plain value of the table or of the data class made from it
    unit : unit symbol, "" where there is none
    commands : commands that use the key; empty: those of its table
    """

    value: Value
    meaning: str
    example: Any
    default_words: str = ""
    unit: str = ""
    commands: tuple[str, ...] = ()


def key(
    value: Value,
    meaning: str,
    example: Any,
    *,
    default: Any = None,
    required: bool = False,
    default_words: str = "",
    unit: str = "",
    commands: Sequence[str] = (),
) -> Any:
    """A field of a table's dataclass: one key of the site file. See `Key`."""
    about = Key(value, meaning, example, default_words, unit, tuple(commands))
    if required:
        return field(metadata={"key": about})
    if isinstance(default, list):
        return field(default_factory=list, metadata={"key": about})
    return field(default=default, metadata={"key": about})


def keys_of(table: type[Any]) -> dict[str, tuple[Field[Any], Key]]:
    """The keys of a table's dataclass in the order declared: name -> its field and what is known about it."""
    return {part.name: (part, part.metadata["key"]) for part in fields(table)}


def unit_of(name: str, about: Key) -> str:
    """Unit symbol of a key: the one stated, else the one in its name."""
    return about.unit or next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")


def given(table: Any, *but: str) -> dict[str, Any]:
    """The values of a table that somebody wrote, without some keys."""
    values = {part.name: getattr(table, part.name) for part in fields(table) if part.name not in but}
    return {name: value for name, value in values.items() if value is not None}


def read_table(table: type[TableType], values: Mapping[str, Any], where: str) -> TableType:
    """A table with all its keys checked; a misspelt key is reported before a missing one.

    Raises
    ------
    InputError : an unknown key (the nearest known one is named), a missing key, a wrong type, out of range
    """
    parts = {part.name: part for part in fields(table)}  # type: ignore[arg-type]  # every table is a dataclass
    for name in values:
        if name not in parts:
            near = nearest(name, parts)
            mend = f"Did you mean {near}?" if near else f"Known are {', '.join(parts)}."
            raise InputError(f"{quoted(name)} is not known.", where=where, mend=mend)
    for name, part in parts.items():
        if name not in values and part.default is MISSING and part.default_factory is MISSING:
            raise InputError(f'"{name}" is missing.', where=where)
    return table(
        **{
            name: parts[name].metadata["key"].value.check(one, f"{where}, {name}")
            for name, one in values.items()
        }
    )


def _refusal(value: Any, where: str, what: str, mend: str | None = None) -> InputError:
    if isinstance(value, bool):
        shown = str(value).lower()
    elif isinstance(value, int | float | dt.date):
        shown = str(value)
    else:
        shown = (
            quoted(value) if isinstance(value, str) else "a list" if isinstance(value, list) else "a table"
        )
    return InputError(f"{shown} {what}", where=where, mend=mend)


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number.

    least, most : allowed ends; above : a lower end that is not allowed itself
    sources_after_growth : ends that are checked later, by the data class made from the table, in a sentence of its own
    """

    least: float = -math.inf
    most: float = math.inf
    above: float = -math.inf
    later: tuple[float, float] = (-math.inf, math.inf)

    def check(self, value: Any, where: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            unit = next((f" {name}" for end, name in _UNIT_WORDS.items() if where.endswith(end)), "")
            raise _refusal(value, where, "is not a number.", f"Write{unit} as a number, without quotes.")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise _refusal(value, where, "is not a finite number.")
        if not (self.least <= number <= self.most and number > self.above):
            low = f"above {self.above:g}" if self.above > -math.inf else f"{self.least:g} or more"
            both = low
            if self.most < math.inf:
                both = (
                    f"{low}, and {self.most:g} or less"
                    if self.above > -math.inf
                    else f"from {self.least:g} to {self.most:g}"
                )
            raise _refusal(value, where, f"is out of range: it must be {both}.")
        return number

    def words(self) -> str:
        return "number"

    def range_words(self) -> str:
        least, most = self._ends()
        low = f"above {self.above:g}" if self.above > -math.inf else f"{least:g}"
        if most < math.inf:
            return f"{low} to {most:g}"
        if self.above > -math.inf:
            return low
        return f"{low} or more" if least > -math.inf else ""

    def _ends(self) -> tuple[float, float]:
        """Both ends, whoever checks them."""
        return max(self.least, self.later[0]), min(self.most, self.later[1])

    def json_schema(self) -> dict[str, Any]:
        least, most = self._ends()
        ends = {"minimum": least, "maximum": most, "exclusiveMinimum": self.above}
        return {"type": "number", **{word: end for word, end in ends.items() if math.isfinite(end)}}


class _Plain:
    """A value without a range."""

    __slots__ = ()

    def range_words(self) -> str:
        return ""


@dataclass(frozen=True, slots=True)
class Text(_Plain):
    """Text that is not empty."""

    def check(self, value: Any, where: str) -> str:
        if not isinstance(value, str):
            raise _refusal(value, where, "is not text.", "Put it in quotes.")
        if not value.strip():
            raise InputError("is empty.", where=where)
        if _CONTROLS.search(value):
            raise InputError("holds a character that controls a terminal, or turns the writing.", where=where)
        return value.strip()

    def words(self) -> str:
        return "text"

    def json_schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "\\S"}


@dataclass(frozen=True, slots=True)
class TextOrNumber(_Plain):
    """Text, or a finite number."""

    def check(self, value: Any, where: str) -> str | float:
        return Text().check(value, where) if isinstance(value, str) else Number().check(value, where)

    def words(self) -> str:
        return "text or number"

    def json_schema(self) -> dict[str, Any]:
        return {"type": ["string", "number"]}


@dataclass(frozen=True, slots=True)
class Flag(_Plain):
    """true or false."""

    def check(self, value: Any, where: str) -> bool:
        if not isinstance(value, bool):
            raise _refusal(value, where, "is neither true nor false.", "Write true or false, without quotes.")
        return value

    def words(self) -> str:
        return "true or false"

    def json_schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@dataclass(frozen=True, slots=True)
class Date(_Plain):
    """A calendar date."""

    def check(self, value: Any, where: str) -> dt.date:
        if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
            raise _refusal(value, where, "is not a date.", "Write 2026-06-14, without quotes.")
        return value

    def words(self) -> str:
        return "date"

    def json_schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "date"}


@dataclass(frozen=True, slots=True)
class Time(_Plain):
    """A date with a time, UTC where no offset is written; the reader gets it in UTC."""

    def check(self, value: Any, where: str) -> dt.datetime:
        if not isinstance(value, dt.datetime):
            raise _refusal(value, where, "is not a time.", "Write 2026-06-14T10:20:00Z, without quotes.")
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)

    def words(self) -> str:
        return "time, UTC"

    def json_schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "date-time"}


@dataclass(frozen=True, slots=True)
class Choice(_Plain):
    """One of a few words."""

    choices: tuple[str, ...]

    def check(self, value: Any, where: str) -> str:
        if value not in self.choices or not isinstance(value, str):
            raise _refusal(value, where, f"is not one of {', '.join(self.choices)}.")
        return value

    def words(self) -> str:
        return "one of " + ", ".join(f'"{word}"' for word in self.choices)

    def json_schema(self) -> dict[str, Any]:
        return {"enum": list(self.choices)}


@dataclass(frozen=True, slots=True)
class ListOf:
    """A list.

    least, most : how many items it holds
    parts : what each item is, where the list is a tuple such as east, north
    """

    item: Value
    least: int = 0
    most: int | None = None
    parts: str = ""

    def check(self, value: Any, where: str) -> list[Any]:
        if not isinstance(value, list):
            raise _refusal(value, where, "is not a list.", "Put it in square brackets.")
        least, most = self.least, self.most
        if len(value) < least or (most is not None and len(value) > most):
            wanted = (
                f"{least}" if least == most else f"at least {least}" if most is None else f"{least} or {most}"
            )
            raise InputError(f"holds {len(value)} where {wanted} belong.", where=where)
        return [self.item.check(one, f"{where} number {number}") for number, one in enumerate(value, start=1)]

    def words(self) -> str:
        if self.parts:
            return f"[{self.parts}]"
        inner = self.item.words()
        few = (
            f" of {self.least}"
            if self.least == self.most
            else f" of {self.least} or more"
            if self.least
            else ""
        )
        return f"list{few}: {inner}"

    def range_words(self) -> str:
        return self.item.range_words()

    def json_schema(self) -> dict[str, Any]:
        found: dict[str, Any] = {"type": "array", "items": self.item.json_schema()}
        if self.least:
            found["minItems"] = self.least
        if self.most is not None:
            found["maxItems"] = self.most
        return found


@dataclass(frozen=True, slots=True)
class OneOrList:
    """One value, or a list of them."""

    item: Value

    def check(self, value: Any, where: str) -> Any:
        return (
            ListOf(self.item).check(value, where)
            if isinstance(value, list)
            else self.item.check(value, where)
        )

    def words(self) -> str:
        return f"{self.item.words()}, or a list"

    def range_words(self) -> str:
        return self.item.range_words()

    def json_schema(self) -> dict[str, Any]:
        return {"anyOf": [self.item.json_schema(), ListOf(self.item).json_schema()]}


@dataclass(frozen=True, slots=True)
class Table(_Plain):
    """A table, [name]. made : the data class that the reader makes from it, whose defaults are the keys' defaults"""

    table: type[Any]
    made: type[Any] | None = None

    def check(self, value: Any, where: str) -> Any:
        place, _, name = where.rpartition(", ")
        if not isinstance(value, Mapping):
            raise _refusal(value, where, "is not a table.", f"Write [{name}] on a line of its own.")
        return read_table(self.table, value, f"{place}, [{name}]")

    def words(self) -> str:
        return "table"

    def json_schema(self) -> dict[str, Any]:
        return {"$ref": f"#/$defs/{self.table.__name__}"}


@dataclass(frozen=True, slots=True)
class TableList(_Plain):
    """A list of tables, [[name]]. made : as in Table"""

    table: type[Any]
    made: type[Any] | None = None

    def check(self, value: Any, where: str) -> list[Any]:
        place, _, name = where.rpartition(", ")
        if not isinstance(value, list):
            raise _refusal(
                value, where, "is not a list of tables.", f"Write [[{name}]] on a line of its own."
            )
        found = []
        for number, one in enumerate(value, start=1):
            if not isinstance(one, Mapping):
                raise _refusal(one, where, "is not a table.", f"Write [[{name}]] on a line of its own.")
            found.append(read_table(self.table, one, f"{place}, [[{name}]] number {number}"))
        return found

    def words(self) -> str:
        return "list of tables"

    def json_schema(self) -> dict[str, Any]:
        return {"type": "array", "items": {"$ref": f"#/$defs/{self.table.__name__}"}}

"""Results as plain values (dictionaries, lists, text, numbers, None) and as JSON text."""

from __future__ import annotations

import datetime as dt
import json
import math
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

__all__ = ["plain_values", "to_json_text"]

_CONTROLS = re.compile("[\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Characters that control a terminal, reverse the direction of writing, or are surrogates; json escapes the rest."""


def plain_values(value: Any) -> Any:
    """A result as dictionaries, lists, text, numbers and None only.

    Parameters
    ----------
    value : a result of the library, a mapping, a sequence, an array, text or a number

    Returns
    -------
    Dataclasses become dictionaries in the order of their fields, leaving out fields whose metadata say
    ``{"json": False}``, and those that say ``{"json": "given"}`` while they are None; arrays become lists; dates
    become ISO 8601 text; nan and infinity become None, for a quantity that does not exist is no number.

    Raises
    ------
    TypeError : an object that has no such form

    >>> plain_values({"margin_deg": float("nan"), "distance_m": (6.0, float("inf"))})
    {'margin_deg': None, 'distance_m': [6.0, None]}
    """
    if value is None or isinstance(value, bool | str):
        return str(value.value) if isinstance(value, Enum) else value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Enum):
        return plain_values(value.value)
    if isinstance(value, int):
        return int(value)
    if is_dataclass(value) and not isinstance(value, type):
        return {
            part.name: plain_values(getattr(value, part.name))
            for part in fields(value)
            if _shown(part.metadata.get("json", True), getattr(value, part.name))
        }
    if isinstance(value, Mapping):
        return {str(key): plain_values(item) for key, item in value.items()}
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, os.PathLike):
        return os.fspath(value)
    if hasattr(value, "tolist"):  # arrays and the array library's scalars, without importing it here
        return plain_values(value.tolist())
    if isinstance(value, Iterable) and not isinstance(value, bytes):
        return [plain_values(part) for part in value]
    raise TypeError(f"{type(value).__name__} has no plain form")


def _shown(wish: bool | str, value: object) -> bool:
    return value is not None if wish == "given" else bool(wish)


def to_json_text(value: Any, *, indent: int | None = 2) -> str:
    """One JSON document: fields in the order declared, numbers to their last digit, nan and infinity as null.

    Parameters
    ----------
    value : as in `plain_values`
    indent : spaces a level; None: all on one line

    Returns
    -------
    text, without a final line break; characters that control a terminal are escaped

    >>> to_json_text({"a": 0.1, "b": float("nan")}, indent=None)
    '{"a": 0.1, "b": null}'
    """
    text = json.dumps(plain_values(value), ensure_ascii=False, allow_nan=False, indent=indent)
    return _CONTROLS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)

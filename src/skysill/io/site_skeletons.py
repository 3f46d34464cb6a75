"""Skeletons of a site file: every key with its meaning, those that a house, a farm or a mast needs filled in.

Filled-in values are invented and marked so. All other keys stand as comments with an example that the reader accepts.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from skysill.errors import InputError
from skysill.io.site_reference import Row, rows, tables, toml_text

__all__ = ["INVENTED", "KINDS", "site_skeleton"]

INVENTED = "INVENTED"
"""Stands beside each value that has to be replaced."""

_WIDTH = 100
_COLUMN = 48

_TERMINAL = {"dish_diameter_m": 1.2, "receive_ghz": 19.7, "transmit_ghz": 29.5, "cable_limit_m": 40.0}
_SATELLITES = [{"name": "Demo South", "longitude": "24.0 W"}]
_OUTLINE = [[-5.0, 0.0], [5.0, 0.0], [5.0, 8.0], [-5.0, 8.0]]

_FILLED: Mapping[str, Mapping[str, Any]] = {
    "house": {
        "": {"name": "House", "position": "58.0312 N 24.6541 W", "ground_elevation_m": 41.0},
        "[terminal]": _TERMINAL,
        "[[satellites]]": _SATELLITES,
        "[[mounts]]": [
            {"name": "gable pole", "east_m": 0.0, "north_m": -0.3, "surface_height_m": 4.8, "height_m": 1.5,
             "max_height_m": 3.0},
        ],
        "[[obstacle]]": [
            {"kind": "tree", "name": "garden tree", "bearing_deg": 171.0, "distance_m": 22.0, "height_m": 9.0,
             "crown_radius_m": 3.0, "growth_m_per_year": 0.4},
        ],
        "[roof]": {
            "outline": _OUTLINE, "shape": "gabled", "eaves_height_m": 2.8, "ridge_height_m": 5.2,
            "cable_entry": [5.0, 2.0, 43.0],
        },
    },
    "farm": {
        "": {"name": "Farm", "position": "58.0298 N 24.6029 W", "ground_elevation_m": 35.0},
        "[terminal]": _TERMINAL,
        "[[satellites]]": _SATELLITES,
        "[[mounts]]": [
            {"name": "house wall", "east_m": 4.0, "north_m": 0.0, "surface_height_m": 2.5, "height_m": 0.8},
            {"name": "yard post", "east_m": 18.0, "north_m": -6.0, "height_m": 3.0, "max_height_m": 6.0},
        ],
        "[[obstacle]]": [
            {"kind": "building", "name": "barn", "height_m": 7.5,
             "outline": [[10.0, -30.0], [28.0, -30.0], [28.0, -20.0], [10.0, -20.0]]},
            {"kind": "hedge", "name": "field hedge", "line": [[-40.0, -25.0], [5.0, -25.0]], "height_m": 2.5,
             "growth_m_per_year": 0.3},
            {"kind": "wire", "name": "supply line", "line": [[-30.0, 12.0], [40.0, 20.0]], "height_m": 7.0,
             "sag_m": 0.6, "voltage_kv": 11.0},
        ],
        "[property_boundary]": {"outline": [[-60.0, -50.0], [70.0, -50.0], [70.0, 60.0], [-60.0, 60.0]]},
    },
    "mast": {
        "": {"name": "Mast", "position": "58.0219 N 24.6167 W", "ground_elevation_m": 88.0},
        "[terminal]": _TERMINAL,
        "[[satellites]]": _SATELLITES,
        "[[mounts]]": [{"name": "mast", "heights_m": [6.0, 9.0, 12.0], "max_height_m": 15.0}],
        "[[obstacle]]": [
            {"kind": "wood", "name": "plantation", "height_m": 14.0, "growth_m_per_year": 0.4, "max_height_m": 22.0,
             "outline": [[-80.0, -120.0], [60.0, -120.0], [60.0, -60.0], [-80.0, -60.0]]},
            {"kind": "wire", "name": "supply line", "line": [[-60.0, 45.0], [60.0, 45.0]], "height_m": 6.0,
             "voltage_kv": 0.4},
        ],
        "[[mast_kits]]": [{"name": "lattice mast", "heights_m": [6.0, 9.0, 12.0, 15.0]}],
    },
}  # fmt: skip
"""Invented values of each kind of site: heading of a table -> its keys, or several such tables."""

KINDS = tuple(_FILLED)
"""Kinds of site that there is a skeleton for."""


def site_skeleton(kind: str, *, position: str | None = None) -> str:
    """The text of a commented, valid site file.

    Parameters
    ----------
    kind : one of KINDS
    position : position text in place of the invented one

    Raises
    ------
    InputError : no such kind
    """
    if kind not in _FILLED:
        raise InputError(f'"{kind}" is no kind of site.', mend=f"Write one of {', '.join(KINDS)}.")
    filled = dict(_FILLED[kind])
    lines = [
        f"# Site file of a {kind}, to be filled in. Keys: docs/site-file.md of skysill.",
        f"# A value marked {INVENTED} is made up: put your own in its place, or take the line out.",
        "# Lines that begin with # and no space are keys that may be used: take the # away.",
    ]
    for heading, holder, table in tables():
        written = filled.get(heading, {})
        known = list(rows(table, holder))
        lines.append("")
        if heading:
            lines += _comment(" ".join((table.__doc__ or "").split()).replace("`", ""))
        several = written if isinstance(written, Sequence) else [written]
        for number, values in enumerate(several):
            if heading:
                lines.append(heading if values else f"#{heading}")
            mine = {} if heading or position is None else {"position": position}
            lines += _keys(known, values, mine, explained=number == 0)
    return "\n".join(lines) + "\n"


def _keys(
    known: Sequence[Row], invented: Mapping[str, Any], mine: Mapping[str, Any], *, explained: bool
) -> Iterator[str]:
    """The lines of one table.

    invented, mine : values that are marked as invented, and values that are not
    explained : whether each key is explained, and unused ones stand as comments
    """
    for row in known:
        if explained:
            yield from _comment(_meaning(row))
        if row.name in mine:
            yield f"{row.name} = {toml_text(mine[row.name])}"
        elif row.name in invented:
            text = f"{row.name} = {toml_text(invented[row.name])}"
            yield f"{text:<{_COLUMN}}  # {INVENTED}"
        elif explained:
            yield f"#{row.name} = {toml_text(row.about.example)}"


def _meaning(row: Row) -> str:
    ends = row.about.value.range_words()
    measure = ", ".join(part for part in (row.unit, ends) if part)
    text = row.about.meaning.replace("`", "").removesuffix(".")
    text = f"{text} ({measure})." if measure else f"{text}."
    return f"{text} Default: {row.default}.".replace("`", "") if row.default and not row.required else text


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)

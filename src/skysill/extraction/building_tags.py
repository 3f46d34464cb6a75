"""Heights and roof forms as the open map tagging gives them.

Keys and values from the OpenStreetMap wiki, "Key:height", "Key:building:levels", "Simple 3D Buildings" (from memory):
height is from the ground to the top of the roof in metres unless a unit is written; building:levels counts storeys
without those in the roof, roof:levels those in it; roof:height is the roof over its eaves; roof:direction the way that
a face slopes down to, in degrees or as a compass point.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from skysill.model.site import ROOF_FORMS

__all__ = ["COMPASS_POINTS", "LEVEL_HEIGHT_M", "BuildingTags", "read_building_tags"]

LEVEL_HEIGHT_M = 3.0
"""Height of a storey where only their number is known: common practice, no source."""

_TALLEST_M = 900.0
COMPASS_POINTS = [
    "N",
    "NNE",
    "NE",
    "ENE",
    "E",
    "ESE",
    "SE",
    "SSE",
    "S",
    "SSW",
    "SW",
    "WSW",
    "W",
    "WNW",
    "NW",
    "NNW",
]
"""The sixteen points, 22.5 degrees apart, from north."""

_OTHER_WORDS = {"saddle": "gabled", "pitched": "gabled", "lean_to": "skillion", "shed": "skillion",
                "half_hipped": "half-hipped", "halfhipped": "half-hipped", "pyramid": "pyramidal"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class BuildingTags:
    """What tags say of a building; None where they do not.

    height_m : from the ground to the top; from_levels : counted in storeys
    roof_form : a word of ROOF_FORMS; roof_height_m over the eaves; roof_direction_deg : true azimuth down a face
    notes : what was assumed or passed over, in sentences
    """

    height_m: float | None = None
    from_levels: bool = False
    roof_form: str | None = None
    roof_height_m: float | None = None
    roof_direction_deg: float | None = None
    notes: tuple[str, ...] = ()


def read_building_tags(tags: Mapping[str, Any], name: str) -> BuildingTags:
    """Height and roof of a building from its tags. A value that cannot be read is passed over, and a note says so.

    tags : key -> value; "roof_shape" is taken for "roof:shape", as table formats write it

    >>> read_building_tags({"building:levels": "2", "roof:height": "1.5 m"}, "house").height_m
    7.5
    """
    notes: list[str] = []

    def value(key: str) -> Any:
        found = tags.get(key, tags.get(key.replace(":", "_")))
        absent = found is None or (isinstance(found, float) and math.isnan(found)) or str(found).strip() == ""
        return None if absent else found

    def metres(key: str, most_m: float) -> float | None:
        raw = value(key)
        if raw is None:
            return None
        length_m = _length_m(raw)
        if length_m is None or not 0.0 < length_m <= most_m:
            notes.append(f'{key} = "{raw}" of "{name}" is no height that can be read; it was passed over.')
            return None
        return length_m

    roof_m = metres("roof:height", 100.0)
    height_m, from_levels = metres("height", _TALLEST_M), False
    if height_m is None:
        levels, in_roof = _number(value("building:levels")), _number(value("roof:levels")) or 0.0
        if levels is not None and 0.0 < levels <= 200.0:
            top_m = roof_m if roof_m is not None else LEVEL_HEIGHT_M * min(in_roof, 5.0)
            height_m, from_levels = levels * LEVEL_HEIGHT_M + top_m, True
            notes.append(
                f'"{name}" has no height; {levels:g} levels of {LEVEL_HEIGHT_M:g} m'
                + (f" and a roof of {top_m:g} m" if top_m else "")
                + f" were assumed, {height_m:g} m."
            )
    if roof_m is not None and height_m is not None and roof_m >= height_m:
        notes.append(f'roof:height of "{name}" is no less than its height; it was passed over.')
        roof_m = None
    form = value("roof:shape")
    word = None if form is None else _OTHER_WORDS.get(str(form).strip().lower(), str(form).strip().lower())
    if word is not None and word not in ROOF_FORMS:
        notes.append(
            f'The roof of "{name}" is tagged "{form}", which is not drawn; its top is taken as flat.'
        )
        word = None
    return BuildingTags(
        height_m, from_levels, word, roof_m, _direction_deg(value("roof:direction")), tuple(notes)
    )


def _number(value: Any) -> float | None:
    """A plain number, with point or comma; None for anything else."""
    if value is None or isinstance(value, bool):
        return None
    try:
        number = float(str(value).strip().replace(",", "."))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _length_m(value: Any) -> float | None:
    """Metres, with or without the unit, or feet and inches (1 ft = 0.3048 m exactly)."""
    text = str(value).strip().lower()
    feet = re.fullmatch(
        r"(\d+(?:[.,]\d+)?)\s*(?:'|ft|feet)\s*(?:(\d+(?:[.,]\d+)?)\s*(?:\"|in|inches)?)?", text
    )
    if feet:
        whole, inches = _number(feet[1]) or 0.0, _number(feet[2]) or 0.0
        return 0.3048 * whole + 0.0254 * inches
    return _number(re.sub(r"\s*(m|metres?|meters?)$", "", text))


def _direction_deg(value: Any) -> float | None:
    word = str(value).strip().upper()
    if word in COMPASS_POINTS:
        return 22.5 * COMPASS_POINTS.index(word)
    number = _number(value)
    return None if number is None or not -360.0 <= number <= 720.0 else number % 360.0

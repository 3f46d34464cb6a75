"""Names of tiles worked out from a place: by degrees, or by the squares of a grid in metres.

    https://host/dem/{lat_letter}{lat:02d}_{lon_letter}{lon:03d}.tif        a tile a degree
    /data/{lat/5:02d}{lat_letter:lower}.tif                                 every 5 degrees
    https://host/{grid=EPSG:25832}dgm_{east_km/1}_{north_km/1}.tif          a square kilometre each

| placeholder | gives |
| --- | --- |
| {lat} {lon} | whole degrees of the tile's south and west edge, without sign |
| {lat_letter} {lon_letter} | N or S, E or W, of that edge |
| {top_lat} {top_lat_letter} | the same of the tile's north edge |
| {right_lon} {right_lon_letter} | the same of its east edge |
| {east_m} {north_m} {east_km} {north_km} | easting and northing of the south-west corner, in metres or kilometres |
| {top_north_m} {top_north_km} {right_east_m} {right_east_km} | of the north and east edges |
| {grid=CRS} | nothing; says which grid the metres are of |

A step stands behind a slash, in degrees, metres or kilometres as the placeholder: {lat/5}, {east_m/2000}. Without one
it is 1 degree or 1 kilometre. A format stands behind a colon: 02d, 03d, ... for numbers, lower for letters. {{ and }}
are braces.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from skysill.errors import InputError
from skysill.io.elevation.areas import Around
from skysill.io.text import nearest, quoted
from skysill.units import Floats

__all__ = ["TileTemplate", "parse_template"]

_DEGREES = {
    "lat": ("south", False), "lat_letter": ("south", True), "top_lat": ("north", False),
    "top_lat_letter": ("north", True), "lon": ("west", False), "lon_letter": ("west", True),
    "right_lon": ("east", False), "right_lon_letter": ("east", True),
}  # fmt: skip
_METRES = {
    "east_m": ("west", 1.0), "north_m": ("south", 1.0), "right_east_m": ("east", 1.0), "top_north_m": ("north", 1.0),
    "east_km": ("west", 1000.0), "north_km": ("south", 1000.0), "right_east_km": ("east", 1000.0),
    "top_north_km": ("north", 1000.0),
}  # fmt: skip
_PART = re.compile(r"\{\{|\}\}|\{([^{}]*)\}")
_INSIDE = re.compile(r"(?P<name>[a-z_]+)(/(?P<step>\d{1,7}))?(:(?P<format>0?\d{0,2}d?|lower))?")
_MOST_NAMES = 100_000


@dataclass(frozen=True, slots=True)
class _Placeholder:
    name: str
    form: str


@dataclass(frozen=True, slots=True)
class TileTemplate:
    """How tiles are named.

    parts : text and placeholders in order
    grid : CRS of a grid in metres, None for degrees
    step_x, step_y : of the tiles, in degrees or metres
    """

    text: str
    parts: tuple[str | _Placeholder, ...]
    grid: str | None
    step_x: float
    step_y: float

    def names(self, around: Around) -> list[str]:
        """Names of the tiles that the circle touches, nearest first.

        Raises
        ------
        InputError : more than 100,000; the place lies outside the grid
        """
        x, y = self._outline(around)
        cols = range(math.floor(x.min() / self.step_x), math.floor(x.max() / self.step_x) + 1)
        rows = range(math.floor(y.min() / self.step_y), math.floor(y.max() / self.step_y) + 1)
        if len(cols) * len(rows) > _MOST_NAMES:
            raise InputError(
                f"names over {_MOST_NAMES:,} tiles within {around.radius_m / 1000:.0f} km.",
                where=self.text,
                mend="Is the step behind the slash right?",
            )
        found: dict[str, float] = {}
        for row in rows:
            for col in cols:
                west, south = col * self.step_x, row * self.step_y
                away_x = max(west - x[0], x[0] - west - self.step_x, 0.0)
                away_y = max(south - y[0], y[0] - south - self.step_y, 0.0)
                shrink = math.cos(math.radians(around.latitude_deg)) if self.grid is None else 1.0
                name = self._name(west, south)
                if name is not None:
                    found.setdefault(name, math.hypot(away_x * shrink, away_y))
        return sorted(found, key=lambda name: found[name])

    def _outline(self, around: Around) -> tuple[Floats, Floats]:
        """The place first, then points on the circle: in degrees (longitude may pass 180), or in the grid."""
        lat, lon = around.outline_deg()
        if self.grid is None:
            return lon, lat
        from pyproj import Transformer
        from pyproj.exceptions import ProjError

        try:
            x, y = Transformer.from_crs("EPSG:4326", self.grid, always_xy=True).transform(lon, lat)
        except ProjError:
            x = y = np.array([np.inf])
        x, y = np.asarray(x), np.asarray(y)
        if not (np.isfinite(x).all() and np.isfinite(y).all()):
            raise InputError(
                f"{around.latitude_deg:.5f}, {around.longitude_deg:.5f} lies outside the grid {self.grid}.",
                where=self.text,
            )
        return x, y

    def _name(self, west: float, south: float) -> str | None:
        """The name of the tile with this south-west corner; None beyond a pole."""
        edges = {"west": west, "south": south, "east": west + self.step_x, "north": south + self.step_y}
        if self.grid is None:
            if south >= 90.0 or south + self.step_y <= -90.0:
                return None
            for edge in ("west", "east"):
                edges[edge] = (edges[edge] + 180.0) % 360.0 - 180.0
        return "".join(part if isinstance(part, str) else _filled(part, edges) for part in self.parts)


def _filled(part: _Placeholder, edges: dict[str, float]) -> str:
    if part.name in _METRES:
        edge, unit = _METRES[part.name]
        return format(round(edges[edge] / unit), part.form or "d")
    edge, letter = _DEGREES[part.name]
    value = edges[edge]
    if not letter:
        return format(round(abs(value)), part.form or "d")
    sign = ("N" if value >= 0.0 else "S") if edge in ("south", "north") else ("E" if value >= 0.0 else "W")
    return sign.lower() if part.form == "lower" else sign


def parse_template(text: str) -> TileTemplate:
    """A template of tile names.

    Raises
    ------
    InputError : a placeholder that is not known, metres without a grid, no placeholder for one of the axes, two steps

    >>> from skysill.io.elevation.areas import Around
    >>> parse_template("{lat_letter}{lat:02d}{lon_letter}{lon:03d}.tif").names(Around(58.03, -24.65, 100.0))
    ['N58W025.tif']
    """
    parts: list[str | _Placeholder] = []
    steps: dict[str, float] = {}
    grid, end = None, 0
    between = []
    for found in _PART.finditer(text):
        parts.append(text[end : found.start()])
        between.append(text[end : found.start()])
        end = found.end()
        if found[1] is None:
            parts.append(found[0][0])
        elif found[1].startswith("grid="):
            if grid is not None:
                raise InputError("names two grids.", where=text)
            grid = _grid(found[1].removeprefix("grid="), text)
        else:
            parts.append(_placeholder(found[1], steps, text))
    parts.append(text[end:])
    names = {part.name for part in parts if isinstance(part, _Placeholder)}
    if re.search(r"[{}]", "".join([*between, text[end:]])):
        raise InputError("has a brace without its other half.", where=text, mend="Write {{ for a brace.")
    in_metres = names & set(_METRES)
    if in_metres and names & set(_DEGREES):
        raise InputError("mixes degrees and metres.", where=text)
    if in_metres and grid is None:
        raise InputError("counts metres of a grid that it does not name.", where=text,
                         mend="Put {grid=EPSG:25832}, with your grid, anywhere in it.")  # fmt: skip
    if grid is not None and not in_metres:
        raise InputError("names a grid, and counts degrees.", where=text)
    missing = [axis for axis in ("x", "y") if axis not in steps]
    if missing:
        mend = "Put {lat} and {lon}, or {east_km} and {north_km}, in it."
        raise InputError("does not say both how far east and how far north.", where=text, mend=mend)
    return TileTemplate(text, tuple(parts), grid, steps["x"], steps["y"])


def _placeholder(inside: str, steps: dict[str, float], text: str) -> _Placeholder:
    found = _INSIDE.fullmatch(inside.strip())
    name = found["name"] if found else inside.partition("/")[0].partition(":")[0].strip()
    known = [*_DEGREES, *_METRES, "grid="]
    if name not in known:
        near = nearest(name, known)
        mend = (
            f"Did you mean {{{near}}}?" if near else "Known are lat, lon, east_km, north_km and others: docs."
        )
        raise InputError(f"{quoted('{' + inside + '}')} is no placeholder.", where=text, mend=mend)
    letter = name in _DEGREES and _DEGREES[name][1]
    form = (found["format"] if found else None) or ""
    if found is None or (letter and form not in ("", "lower")) or (not letter and form == "lower"):
        raise InputError(f"{quoted('{' + inside + '}')} is not written as placeholders are.", where=text,
                         mend="Write {lat:02d}, {lat/5:02d} or {lat_letter:lower}.")  # fmt: skip
    edge, unit = (_DEGREES[name][0], 1.0) if name in _DEGREES else _METRES[name]
    if letter and found["step"] is None:
        return _Placeholder(name, form)
    default = 1.0 if name in _DEGREES else 1000.0
    step = default if found["step"] is None else float(found["step"]) * unit
    axis = "x" if edge in ("west", "east") else "y"
    most = 90.0 if name in _DEGREES else 1e7
    if not 0.0 < step <= most or steps.setdefault(axis, step) != step:
        raise InputError("has two steps on one axis, or one out of range.", where=text,
                         mend="Write the same step behind the slash everywhere.")  # fmt: skip
    form = form if not form or form.endswith("d") else form + "d"
    return _Placeholder(name, form)


def _grid(name: str, text: str) -> str:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        crs = CRS.from_user_input(name.strip())
    except CRSError:
        raise InputError(f"{quoted(name)} is no coordinate reference system.", where=text,
                         mend="Write {grid=EPSG:25832}, for instance.") from None  # fmt: skip
    if not crs.is_projected or abs(crs.axis_info[0].unit_conversion_factor - 1.0) > 1e-9:
        raise InputError(f"{quoted(name)} is no grid in metres.", where=text)
    return name.strip()

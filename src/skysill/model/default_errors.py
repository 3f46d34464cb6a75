"""Standard deviations taken where nobody stated one: by instrument, by method, by elevation model, by origin.

Each value carries its source, or says that nothing printed stands behind it; "from memory" means that the printed text
was not read again. A stated error always replaces the default. A published bound at a
confidence level is turned into a standard deviation of a normal distribution: 1.645 at 90 % and 1.960 at 95 % of one
axis, 2.146 and 2.448 of the radius on two equal axes, 1.177 for the median radius.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, TypeVar

from skysill.errors import InputError

__all__ = [
    "BEARING",
    "DISTANCE",
    "GROUND_ELEVATION_ERROR_M",
    "GROWTH_M_PER_YEAR",
    "GUESSED_HEIGHT",
    "INCLINATION",
    "MOUNT_HEIGHT_ERROR_M",
    "OBSTACLE",
    "POSITION",
    "AngleError",
    "CellValue",
    "DistanceError",
    "GrowthRate",
    "ObstacleError",
    "PositionError",
    "RasterDefaults",
    "RasterFacts",
    "default_error_of",
    "facts_of",
    "raster_defaults",
    "sighted_error",
]

_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class AngleError:
    """Standard deviation of one reading of an angle, degrees, and who says so."""

    sigma_deg: float
    source: str


@dataclass(frozen=True, slots=True)
class DistanceError:
    """Standard deviation of a distance: hypot(sigma_m, fraction * distance)."""

    sigma_m: float
    fraction: float
    source: str


@dataclass(frozen=True, slots=True)
class PositionError:
    """Standard deviation of a plan position along each of two axes, metres."""

    sigma_m: float
    source: str


BEARING: Mapping[str, AngleError] = {
    "sighting compass": AngleError(
        1.0, "cave survey grade 5 asks for 1 degree (British Cave Research Association, from memory)"
    ),
    "plate compass": AngleError(
        2.5, "cave survey grade 3 asks for 2.5 degrees (British Cave Research Association, from memory)"
    ),
    "phone compass": AngleError(
        7.0,
        "mean deviations of 1.9, 5.5 and 6.9 degrees with outliers of 13 to 25 (study of 11 phones and 12 "
        "observers in the geodesy journal of Lviv Polytechnic); the largest of the means",
    ),
    "map": AngleError(1.0, _PRACTICE),
    "total station": AngleError(0.02, _PRACTICE),
}
"""Bearings by instrument. Iron nearby and the declination's own error come on top, see `skysill.pointing.compass`."""

INCLINATION: Mapping[str, AngleError] = {
    "clinometer": AngleError(0.5, f"{_PRACTICE} (an optical clinometer is read to 0.25 to 0.5 degree)"),
    "phone": AngleError(
        1.0,
        f"{_PRACTICE}; phones are biased until calibrated (Villasante & Fernandez, Silva Fennica 48(5), 2014)",
    ),
    "total station": AngleError(0.02, _PRACTICE),
}
"""Elevation angles by instrument."""

DISTANCE: Mapping[str, DistanceError] = {
    "unsaid": DistanceError(0.3, 0.05, _PRACTICE),
    "tape": DistanceError(
        0.05, 0.005, f"{_PRACTICE} for a tape held by hand; the tape itself is good to (0.3 + 0.2 L) mm "
        "(class II, OIML R 35, from memory)",
    ),
    "laser": DistanceError(0.05, 0.002, f"{_PRACTICE} for a laser distance meter on a wall"),
    "rangefinder": DistanceError(1.0, 0.01, f"{_PRACTICE} for a hand-held rangefinder on leaves and roofs: 0.3 to 1 m"),
    "paces": DistanceError(0.5, 0.1, _PRACTICE),
    "map": DistanceError(3.0, 0.0, f"{_PRACTICE} for distances taken from aerial images"),
    "estimate": DistanceError(0.0, 0.3, _PRACTICE),
}  # fmt: skip
"""Distances by method: metres, and a share of the distance."""

GUESSED_HEIGHT = DistanceError(0.5, 0.3, f"{_PRACTICE} for heights of trees and houses guessed by eye")
"""Height of a thing as somebody guesses it who is no surveyor. Its distance: `DISTANCE` by "estimate"."""

POSITION: Mapping[str, PositionError] = {
    "tape": PositionError(0.2, _PRACTICE),
    "map": PositionError(2.0, f"{_PRACTICE} for a place picked on an aerial image"),
    "phone": PositionError(
        4.2, "4.9 m radius under open sky, taken as the median (GPS.gov, from memory), over 1.177"
    ),
    "geocoded building": PositionError(
        16.0, "parcels: 95 % within 39 m in suburbs (Cayo & Talbot, Int. J. Health Geographics 2:10, 2003, from "
        "memory), over 2.448",
    ),
    "geocoded street": PositionError(
        62.0, "street addresses: 95 % within 152 m in towns (Cayo & Talbot 2003, from memory), over 2.448"
    ),
}  # fmt: skip
"""Plan positions by method, along each axis."""

MOUNT_HEIGHT_ERROR_M = 0.1
"""Of the dish centre over what the mount stands on: common practice, no source."""

GROUND_ELEVATION_ERROR_M = 0.3
"""Of a ground elevation that was given: common practice, no source."""


@dataclass(frozen=True, slots=True)
class ObstacleError:
    """Standard deviations of a listed obstacle, metres.

    height_m : of its top
    along_m, across_m : of its plan position, away from the site's position and across that line
    source : who says so
    """

    height_m: float
    along_m: float
    across_m: float
    source: str


OBSTACLE: Mapping[str, ObstacleError] = {
    "plan": ObstacleError(0.3, 0.3, 0.3, f"{_PRACTICE} for things measured on the site's plan"),
    "file": ObstacleError(1.0, 1.0, 1.0, f"{_PRACTICE} for outlines and heights of unknown making"),
    "storeys": ObstacleError(1.5, 1.0, 1.0, f"{_PRACTICE} for heights counted in storeys of 3 m"),
    "laser scan": ObstacleError(0.3, 0.5, 0.5, _PRACTICE),
}
"""Obstacles by origin. One given by bearing and distance has the errors of the instruments, see `sighted_error`."""


def sighted_error(
    distance_m: float,
    *,
    bearing_error_deg: float,
    distance_error_m: float,
    distance_error_fraction: float,
    inclination_deg: float | None = None,
    inclination_error_deg: float = 0.0,
) -> ObstacleError:
    """Errors of an obstacle given by bearing and level distance from one place, and by inclination where its top was.

    Notes
    -----
    Across: d tan(bearing error). Along: hypot(metres, fraction d). Height d tan(i): hypot(d error / cos^2 i,
    along tan i), first-order propagation (any surveying text).

    >>> error = sighted_error(30.0, bearing_error_deg=1.0, distance_error_m=0.3, distance_error_fraction=0.05)
    >>> round(error.across_m, 4)
    0.5237
    """
    along_m = math.hypot(distance_error_m, distance_error_fraction * distance_m)
    height_m = OBSTACLE["plan"].height_m
    if inclination_deg is not None:
        slope = math.tan(math.radians(inclination_deg))
        height_m = math.hypot(
            distance_m * math.radians(inclination_error_deg) * (1.0 + slope * slope), along_m * slope
        )
    across_m = distance_m * math.tan(math.radians(min(bearing_error_deg, 60.0)))
    return ObstacleError(height_m, along_m, across_m, "the errors of compass, distance and clinometer")


@dataclass(frozen=True, slots=True)
class GrowthRate:
    """Height that a plant gains, metres a year: a usual and a fast rate."""

    usual_m: float
    fast_m: float
    source: str


GROWTH_M_PER_YEAR: Mapping[str, GrowthRate] = {
    "tree": GrowthRate(
        0.4, 0.61, "medium 0.30 to 0.61, fast 0.61 and more (Missouri Department of Conservation); "
        "young street trees 0.17 to 0.53 (Arboriculture & Urban Forestry)",
    ),
    "hedge": GrowthRate(0.3, 0.6, _PRACTICE),
}  # fmt: skip
"""Taken for readings and rasters of vegetation whose rate nobody stated, and said."""

CellValue = Literal["centre", "mean", "highest"]
"""What a cell of a raster tells: the height at its centre, the mean of its points, or the highest of them."""


@dataclass(frozen=True, slots=True)
class RasterDefaults:
    """Standard deviations of an elevation model: heights, and plan position along each axis."""

    vertical_m: float
    horizontal_m: float
    source: str


@dataclass(frozen=True, slots=True)
class RasterFacts:
    """What is known of a raster besides its heights.

    horizontal_error_m : standard deviation of its plan position along each axis
    cells : what a cell's value is
    survey_year : when its heights were measured, decimal year; None: not known
    growth_m_per_year : of the vegetation on it since and from now on; None: not stated
    error_source : where the errors come from
    """

    horizontal_error_m: float = 0.0
    cells: CellValue = "mean"
    survey_year: float | None = None
    growth_m_per_year: float | None = None
    error_source: str = ""


class _Raster(Protocol):
    """What the default errors of a source of elevations depend on."""

    @property
    def kind(self) -> Literal["surface", "bare"]: ...

    @property
    def cell_size_m(self) -> float: ...


def facts_of(raster: _Raster) -> RasterFacts:
    """The facts of any source of elevations; of one that carries none, those of its cell size and kind."""
    facts = getattr(raster, "facts", None)
    if isinstance(facts, RasterFacts):
        return facts
    found = raster_defaults("", raster.kind, raster.cell_size_m)
    return RasterFacts(found.horizontal_m, error_source=found.source)


def raster_defaults(file_name: str, kind: Literal["surface", "bare"], cell_size_m: float) -> RasterDefaults:
    """Errors of an elevation model, told by its file name, its kind and its cells.

    >>> raster_defaults("N34W119.hgt", "surface", 30.9).vertical_m
    5.7
    """
    name = file_name.lower()
    if name.endswith(".hgt"):
        return RasterDefaults(
            5.7, 5.9,
            "SRTM: 5.7 m rms against 7757 GNSS points in Malaysia (Aziz et al.); 12.6 m of radius at 90 % in North "
            "America (Rodriguez et al. 2006, from memory), over 2.146",
        )  # fmt: skip
    if name.startswith("astgtm"):
        return RasterDefaults(
            8.7, 14.0, "ASTER GDEM: 17 m at 95 % over 1.960; 30 m of radius at 90 % (from memory) over 2.146"
        )
    if "ave_dsm" in name or name.startswith("alpsmlc30"):
        return RasterDefaults(
            5.4, 5.0, "AW3D30: 5.40 m rms in Nigeria (Apeh et al., J. Geogr. Inf. Syst. 11, 2019); 5 m in plan "
            "(from memory)",
        )  # fmt: skip
    if cell_size_m <= 2.0:
        return RasterDefaults(0.3, 0.3, f"{_PRACTICE} for airborne laser scanning")
    if cell_size_m <= 15.0:
        return RasterDefaults(1.5, 2.0, _PRACTICE)
    if kind == "surface":
        return RasterDefaults(
            2.4, 2.8, "Copernicus GLO-30 handbook: 4 m at 90 % over 1.645, 6 m of radius at 90 % over 2.146"
        )
    return RasterDefaults(3.0, 5.0, _PRACTICE)


_Entry = TypeVar("_Entry")


def default_error_of(table: Mapping[str, _Entry], name: str, where: str) -> _Entry:
    """An entry of a table above by the name that somebody typed.

    Raises
    ------
    InputError : no such name; the known ones are listed
    """
    if name not in table:
        known = ", ".join(f'"{one}"' for one in table if one != "unsaid")
        raise InputError(
            f'"{name}" is not known.', where=where, mend=f"Write one of {known}, or state the error."
        )
    return table[name]

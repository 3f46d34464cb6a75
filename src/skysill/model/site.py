"""The property, the mount, the terminal, the satellites, the criteria, masts and roof of a job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from skysill.errors import InputError

__all__ = [
    "DEFAULT_DISH_DIAMETER_M",
    "DEFAULT_RECEIVE_GHZ",
    "HIGHEST_GROUND_ON_EARTH_M",
    "ROOF_FORMS",
    "Criteria",
    "MastKit",
    "Mount",
    "OrbitRecord",
    "Roof",
    "Satellite",
    "Site",
    "Terminal",
]

DEFAULT_DISH_DIAMETER_M = 1.2
"""Taken, and said so, when no dish is named: the large end of the small dishes, so the room asked is ample."""

DEFAULT_RECEIVE_GHZ = 19.7
"""Taken, and said so, when no frequency is named: the low end of a common downlink band."""

ROOF_FORMS = ("flat", "gabled", "hipped", "half-hipped", "skillion", "pyramidal")
"""Words of the open map tagging for a roof's form, roof:shape."""

HIGHEST_GROUND_ON_EARTH_M = 8849.0
"""Height of Mount Everest above sea level, metres (2020 survey announced by Nepal and China, from memory)."""


def _require(condition: bool, what: str, where: str, mend: str | None = None) -> None:
    if not condition:
        raise InputError(what, where=where, mend=mend)


@dataclass(frozen=True, slots=True)
class Site:
    """The property; its origin is one WGS 84 position.

    name : as it is shown in results
    latitude_deg, longitude_deg : of the origin, WGS 84, north and east positive
    ground_elevation_m : ground at the origin above the datum of the rasters; None while unknown
    ground_source : what gave it: "given", the name of a raster, or "unknown"
    position_error_m : standard deviation of the origin along each axis, where its text names a square or a radius

    >>> Site("clinic", 58.0312, -24.6541, ground_elevation_m=41.0).ground_source
    'unknown'
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    ground_elevation_m: float | None = None
    ground_source: str = "unknown"
    position_error_m: float = field(default=0.0, metadata={"json": False})

    def __post_init__(self) -> None:
        _require(
            abs(self.latitude_deg) <= 90.0,
            f"{self.latitude_deg} is not a latitude.",
            "latitude_deg",
            "Latitudes run from -90 to 90; are latitude and longitude swapped?",
        )
        _require(
            abs(self.longitude_deg) <= 180.0,
            f"{self.longitude_deg} is not a longitude.",
            "longitude_deg",
            "Longitudes run from -180 to 180.",
        )
        if self.ground_elevation_m is not None:
            _require(
                -500.0 <= self.ground_elevation_m <= 9000.0,
                f"{self.ground_elevation_m:g} m is no ground on Earth.",
                "ground_elevation_m",
                "Give metres above sea level or the ellipsoid, from -500 to 9000.",
            )


@dataclass(frozen=True, slots=True)
class Mount:
    """Where the dish sits. What-if is `dataclasses.replace(mount, height_m=3.0)`.

    name : as it is shown in results
    east_m, north_m : plan position from the site's origin
    height_m : dish centre above the surface that the mount stands on
    surface_elevation_m : elevation of that surface above the datum; None: the ground there
    max_height_m : height of the tallest mast that may be put there; None: not stated
    surface_height_m : height of the surface above the site's ground, where that is what was given
    surface_source : what gave surface_elevation_m

    >>> from dataclasses import replace
    >>> gable = Mount("gable pole", east_m=4.0, north_m=-2.5, surface_elevation_m=46.2, height_m=1.5)
    >>> round(replace(gable, height_m=3.0).antenna_elevation_m or 0.0, 1)
    49.2
    """

    name: str = "mount"
    east_m: float = 0.0
    north_m: float = 0.0
    height_m: float = 2.0
    surface_elevation_m: float | None = None
    max_height_m: float | None = None
    surface_height_m: float | None = None
    surface_source: str = "unknown"

    def __post_init__(self) -> None:
        _require(
            0.0 <= self.height_m <= 200.0,
            f"{self.height_m:g} m is no mount height.",
            "height_m",
            "It is the dish centre above what the mount stands on, from 0 to 200 m.",
        )
        for label in ("east_m", "north_m"):
            _require(
                abs(getattr(self, label)) <= 20_000.0,
                f"{getattr(self, label):g} m is too far from the site.",
                label,
                "Local plan coordinates are metres from the site's position.",
            )

    @property
    def antenna_elevation_m(self) -> float | None:
        """Dish centre above the datum, metres; None while the surface is unknown."""
        return None if self.surface_elevation_m is None else self.surface_elevation_m + self.height_m


@dataclass(frozen=True, slots=True)
class Terminal:
    """The dish and its radio.

    dish_diameter_m : 0.1 to 20
    receive_ghz, transmit_ghz : 0.3 to 300; the lower of them sets the first Fresnel zone
    transmit_power_w : at the feed, for the exposure limits; None: not stated
    offset_angle_deg : beam above the normal of the dish's face, from the data sheet of the dish
    cable_limit_m : longest cable between dish and indoor unit, from the data sheet of the terminal
    polarization : "circular" needs no feed rotation; "linear" does
    assumed : names of fields that nobody gave and a default stands for
    receive_only : the user states that it does not transmit

    >>> Terminal(dish_diameter_m=1.2, receive_ghz=19.7, transmit_ghz=29.5).lowest_ghz
    19.7
    """

    dish_diameter_m: float = DEFAULT_DISH_DIAMETER_M
    receive_ghz: float = DEFAULT_RECEIVE_GHZ
    transmit_ghz: float | None = None
    transmit_power_w: float | None = None
    offset_angle_deg: float | None = None
    cable_limit_m: float | None = None
    polarization: Literal["circular", "linear"] = "circular"
    assumed: tuple[str, ...] = ()
    receive_only: bool = False

    def __post_init__(self) -> None:
        _require(
            0.1 <= self.dish_diameter_m <= 20.0,
            f"{self.dish_diameter_m:g} m is no dish diameter.",
            "dish_diameter_m",
            "Give metres, from 0.1 to 20.",
        )
        for label in ("receive_ghz", "transmit_ghz"):
            value = getattr(self, label)
            _require(
                value is None or 0.3 <= value <= 300.0,
                f"{value} GHz is no terminal frequency.",
                label,
                "Give gigahertz, from 0.3 to 300.",
            )

        _require(
            not self.receive_only or (self.transmit_ghz is None and self.transmit_power_w is None),
            "says receive_only and a transmitter too.",
            "receive_only",
            "Take transmit_ghz and transmit_power_w out, or receive_only.",
        )

    @property
    def lowest_ghz(self) -> float:
        """The lowest of the terminal's frequencies: the widest Fresnel zone."""
        return self.receive_ghz if self.transmit_ghz is None else min(self.receive_ghz, self.transmit_ghz)


@dataclass(frozen=True, slots=True)
class OrbitRecord:
    """Mean elements of one object, as the keywords of a CCSDS orbit mean-elements message.

    keywords : e.g. {"MEAN_MOTION": "1.00270", "EPOCH": "2026-11-20T00:00:00", ...}
    source : the file they came from

    >>> OrbitRecord({"MEAN_MOTION": "1.00270"}, source="orbit.json").keywords["MEAN_MOTION"]
    '1.00270'
    """

    keywords: Mapping[str, str]
    source: str


@dataclass(frozen=True, slots=True)
class Satellite:
    """A geostationary satellite (longitude) or an object with an orbit record; exactly one of the two.

    name : as it is shown in results
    longitude_deg : of a geostationary satellite, east positive, -180 to 180
    orbit : mean elements of any other object, from `read_satellites`

    >>> Satellite("Demo South", longitude_deg=-24.0).orbit is None
    True
    """

    name: str
    longitude_deg: float | None = None
    orbit: OrbitRecord | None = None

    def __post_init__(self) -> None:
        _require(
            (self.longitude_deg is None) != (self.orbit is None),
            f'satellite "{self.name}" needs a longitude or an orbit file, and not both.',
            "satellite",
        )
        _require(
            self.longitude_deg is None or abs(self.longitude_deg) <= 180.0,
            f"{self.longitude_deg} is not a longitude.",
            "satellite",
            "Write 24.0W or -24.0.",
        )


@dataclass(frozen=True, slots=True)
class Criteria:
    """What counts as clear, for the whole job.

    fresnel_fraction : share of the first Fresnel radius that has to be free, 0 to 5; 0.6 is common practice, no source
    assumed_distance_m : distance of a reading that has none
    years_ahead : years of growth that the link has to survive, 0 to 100
    min_p_clear : least probability of the required room, 0 to 1
    refraction_factor : effective Earth radius over the true one, 4/3 in the standard atmosphere (ITU-R P.834)
    hidden_tall_m : height of the tallest tree or building taken to stand unseen behind what was read from below the
        dish, 0 to 200

    >>> Criteria(fresnel_fraction=1.0).years_ahead
    5.0
    """

    fresnel_fraction: float = 0.6
    assumed_distance_m: float = 10.0
    years_ahead: float = 5.0
    min_p_clear: float = 0.9
    refraction_factor: float = 4.0 / 3.0
    hidden_tall_m: float = 30.0

    def __post_init__(self) -> None:
        _require(
            0.0 <= self.fresnel_fraction <= 5.0,
            f"{self.fresnel_fraction:g} is no Fresnel fraction.",
            "fresnel_fraction",
            "Common practice is 0.6.",
        )
        _require(self.assumed_distance_m > 0.0, "must be above 0.", "assumed_distance_m")
        _require(
            0.0 <= self.hidden_tall_m <= 200.0,
            "must be from 0 to 200.",
            "hidden_tall_m",
            "It is the tallest tree or building that may stand unseen; 30 m is a tall wood.",
        )
        _require(0.0 <= self.years_ahead <= 100.0, "must be from 0 to 100.", "years_ahead")
        _require(0.0 <= self.min_p_clear <= 1.0, "must be from 0 to 1.", "min_p_clear")
        _require(
            0.5 <= self.refraction_factor <= 10.0,
            "must be from 0.5 to 10.",
            "refraction_factor",
            "The standard atmosphere is 1.3333.",
        )


@dataclass(frozen=True, slots=True)
class MastKit:
    """A mast or bracket as it is bought.

    name : as it is shown in results
    heights_m : of the dish centre; above the surface for a mast, above the edge of the roof beside it for a bracket
    stand_off_m : how far a bracket holds the dish off the wall; None: a mast that stands on the surface

    >>> MastKit("tripod 1.5", heights_m=(0.9, 1.2, 1.5)).stand_off_m is None
    True
    """

    name: str
    heights_m: tuple[float, ...]
    stand_off_m: float | None = None

    def __post_init__(self) -> None:
        _require(bool(self.heights_m), "has no height.", "heights_m")
        for height_m in self.heights_m:
            _require(0.0 < height_m <= 200.0, f"{height_m:g} m is no mast height.", "heights_m")


@dataclass(frozen=True, slots=True)
class Roof:
    """Where a mount may be looked for. Local east, north (and elevation) in metres.

    outline : ring of (east, north)
    surface : points of (east, north, elevation): corners of its planes
    edge_setback_m : distance that a mast keeps from the edge
    cable_entry : (east, north, elevation) of the place where the cable enters the house; None: not stated
    yards : further rings of (east, north) on the ground
    keep_out : rings of (east, north) where no mast may stand: panels, rooflights, fragile areas
    breaks : lines of such points along which its planes meet or end: ridges, hips, valleys, eaves
    facets : rings of such points, each a plane; where there are any, they are the surface
    height_error_m, position_error_m : standard deviations of the surface's elevations and, along each axis, of its
        place; None: not stated

    >>> roof = Roof(outline=((0, 0), (12, 0), (12, 8), (0, 8)), breaks=(((2, 4, 49.0), (10, 4, 49.0)),))
    >>> roof.shaped, roof.points
    (True, ((2, 4, 49.0), (10, 4, 49.0)))
    """

    outline: tuple[tuple[float, float], ...]
    surface: tuple[tuple[float, float, float], ...] = ()
    edge_setback_m: float = 1.0
    cable_entry: tuple[float, float, float] | None = None
    yards: tuple[tuple[tuple[float, float], ...], ...] = field(default=())
    keep_out: tuple[tuple[tuple[float, float], ...], ...] = ()
    breaks: tuple[tuple[tuple[float, float, float], ...], ...] = ()
    facets: tuple[tuple[tuple[float, float, float], ...], ...] = ()
    height_error_m: float | None = None
    position_error_m: float | None = None

    @property
    def shaped(self) -> bool:
        """Whether anybody gave the surface a shape."""
        return bool(self.surface or self.breaks or self.facets)

    @property
    def points(self) -> tuple[tuple[float, float, float], ...]:
        """Every point given of the surface, once."""
        lines = (*self.breaks, *self.facets)
        return tuple(dict.fromkeys((*self.surface, *(point for line in lines for point in line))))

"""What is found in elevation data and footprints, each thing with its own standard errors and origin.

Everything is in the site's plan frame: metres east and north of the site's position; elevations are above the datum of
the data. `as_obstacle` gives each thing in the shape and with the property names that the obstacle readers take, and
`FoundRoof.as_site_table` gives the keys of `[roof]`, so that what was found can be written as it is.

Errors are standard deviations: height_error_m of the top, position_error_m of the plan position along each axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

__all__ = [
    "OLD_YEARS",
    "FoundBuilding",
    "FoundObstacle",
    "FoundPlane",
    "FoundRoof",
    "FoundTree",
    "FoundWall",
    "FoundWire",
    "HeightOrigin",
    "StandingOff",
    "StandingOffKind",
    "SurveyData",
]

OLD_YEARS = 5.0
"""Data older than this many years are said to be old: the years ahead that growth is looked at by default."""


@dataclass(frozen=True, slots=True)
class SurveyData:
    """Where samples come from and how they err.

    origin : the file or files, and how they were used
    vertical_error_m, horizontal_error_m : standard deviations of the data as a whole (not of single samples), the
        latter along each axis
    survey_year : decimal year of the survey, None while not known; year : the year of the job
    cell_m : side of a raster's cells; None for points
    """

    origin: str
    vertical_error_m: float
    horizontal_error_m: float
    survey_year: float | None = None
    year: float | None = None
    cell_m: float | None = None

    @property
    def age_years(self) -> float | None:
        """Years since the survey, None while either year is not known; never below 0."""
        if self.survey_year is None or self.year is None:
            return None
        return max(self.year - self.survey_year, 0.0)

    def age_notes(self) -> tuple[str, ...]:
        """What there is to say about the age of the data."""
        age = self.age_years
        if age is None:
            return (
                f"When {self.origin} was surveyed is not known; what was built or grown since is not in it.",
            )
        if age <= OLD_YEARS:
            return ()
        return (f"{self.origin} is {age:.0f} years old; what was built or grown since is not in it.",)


Point2 = tuple[float, float]
Point3 = tuple[float, float, float]
Ring2 = tuple[Point2, ...]
Ring3 = tuple[Point3, ...]
Line3 = tuple[Point3, ...]


@dataclass(frozen=True, slots=True)
class FoundObstacle:
    """A found thing as the obstacle readers take it.

    shape : "point", "line" or "area"
    points_m : (east, north) or (east, north, elevation) of its vertices; a ring, not closed, for areas
    holes_m : rings, of areas
    properties : name, kind, height_m, height_error_m, ...: keys of an obstacle in GeoJSON or in the site file
    """

    shape: Literal["point", "line", "area"]
    points_m: tuple[Point2, ...] | tuple[Point3, ...]
    properties: dict[str, Any]
    holes_m: tuple[Ring2, ...] = ()


def _stated(**values: Any) -> dict[str, Any]:
    """The values that are known; lengths rounded to the centimetre."""
    return {
        label: round(value, 2) if isinstance(value, float) else value
        for label, value in values.items()
        if value is not None
    }


def _errors(height_error_m: float, position_error_m: float) -> dict[str, float]:
    return _stated(
        height_error_m=height_error_m, along_error_m=position_error_m, across_error_m=position_error_m
    )


@dataclass(frozen=True, slots=True)
class FoundPlane:
    """One plane of a roof.

    ring_m : its corners (east, north, elevation), not closed, counter-clockwise in plan
    slope_east, slope_north : rise per metre
    centre_m : (east, north, elevation) of a point of the plane, the mean of its samples
    residual_rms_m : of its samples, vertically, about the plane
    samples : points or raster cells that it was fitted to
    height_error_m : standard error of the plane's elevation where it is least certain inside the ring
    """

    ring_m: Ring3
    slope_east: float
    slope_north: float
    centre_m: Point3
    residual_rms_m: float
    samples: int
    height_error_m: float

    def elevation_m(self, east_m: float, north_m: float) -> float:
        """Elevation of the plane at a place."""
        east0_m, north0_m, up_m = self.centre_m
        return up_m + self.slope_east * (east_m - east0_m) + self.slope_north * (north_m - north0_m)


StandingOffKind = Literal["chimney", "dormer", "aerial", "other"]


@dataclass(frozen=True, slots=True)
class StandingOff:
    """Something that stands off a roof's planes.

    outline_m : its footprint (east, north), not closed
    base_elevation_m : the roof where it stands, at its lowest; top_elevation_m : its highest sample
    """

    kind: StandingOffKind
    outline_m: Ring2
    base_elevation_m: float
    top_elevation_m: float
    samples: int
    height_error_m: float
    position_error_m: float
    name: str = ""

    @property
    def height_m(self) -> float:
        """Its top above the roof where it stands."""
        return self.top_elevation_m - self.base_elevation_m

    @property
    def centre_m(self) -> Point2:
        """Middle of the corners of its footprint."""
        count = len(self.outline_m)
        return sum(p[0] for p in self.outline_m) / count, sum(p[1] for p in self.outline_m) / count

    def as_obstacle(self) -> FoundObstacle:
        """A pole for an aerial, else an upright block from the roof's lowest point under it to its top."""
        said = {"name": self.name or self.kind} | _errors(self.height_error_m, self.position_error_m)
        said |= _stated(top_elevation_m=self.top_elevation_m, ground_elevation_m=self.base_elevation_m)
        if self.kind == "aerial":
            return FoundObstacle("point", (self.centre_m,), {"kind": "pole"} | said)
        kind = "chimney" if self.kind == "chimney" else "building"
        return FoundObstacle("area", self.outline_m, {"kind": kind} | said)


@dataclass(frozen=True, slots=True)
class FoundWall:
    """A hedge, wall or parapet: a line, hiding all below it.

    line_m : (east, north), or with the elevation of its top as the third number
    height_m : of its top above the ground; None where the line has elevations
    thickness_m : of a hedge, across the line; None where not known
    growth_m_per_year : of a hedge; None: not stated
    """

    kind: Literal["hedge", "wall", "parapet"]
    line_m: tuple[Point2, ...] | tuple[Point3, ...]
    height_m: float | None
    height_error_m: float
    position_error_m: float
    ground_elevation_m: float | None = None
    thickness_m: float | None = None
    growth_m_per_year: float | None = None
    name: str = ""
    origin: str = ""
    survey_year: float | None = None
    notes: tuple[str, ...] = ()

    def as_obstacle(self) -> FoundObstacle:
        """A line obstacle of its kind."""
        said = _stated(
            name=self.name or self.kind,
            kind=self.kind,
            height_m=self.height_m,
            ground_elevation_m=self.ground_elevation_m,
            growth_m_per_year=self.growth_m_per_year if self.kind == "hedge" else None,
        )
        return FoundObstacle("line", self.line_m, said | _errors(self.height_error_m, self.position_error_m))


@dataclass(frozen=True, slots=True)
class FoundTree:
    """One tree.

    height_m : above ground_elevation_m, the ground where it stands (None: not known)
    crown_base_height_m : above the same ground; None where the data do not show it
    deciduous : None until somebody says so; growth_m_per_year, max_height_m : None: not stated
    free_standing : whether its crown touches no other
    """

    east_m: float
    north_m: float
    height_m: float
    crown_radius_m: float
    height_error_m: float
    position_error_m: float
    crown_radius_error_m: float
    crown_base_height_m: float | None = None
    ground_elevation_m: float | None = None
    growth_m_per_year: float | None = None
    max_height_m: float | None = None
    deciduous: bool | None = None
    free_standing: bool = True
    name: str = ""
    samples: int = 0
    origin: str = ""
    survey_year: float | None = None
    notes: tuple[str, ...] = ()

    def as_obstacle(self) -> FoundObstacle:
        """A tree obstacle. A crown's own error is across the line of sight, so it is added to the place's there."""
        across_m = (self.position_error_m**2 + self.crown_radius_error_m**2) ** 0.5
        said = _stated(
            name=self.name or "tree",
            kind="tree",
            height_m=self.height_m,
            crown_radius_m=self.crown_radius_m,
            crown_base_height_m=self.crown_base_height_m,
            ground_elevation_m=self.ground_elevation_m,
            growth_m_per_year=self.growth_m_per_year,
            max_height_m=self.max_height_m,
            deciduous=self.deciduous,
            height_error_m=self.height_error_m,
            along_error_m=self.position_error_m,
            across_error_m=across_m,
        )
        return FoundObstacle("point", ((self.east_m, self.north_m),), said)


@dataclass(frozen=True, slots=True)
class FoundWire:
    """An overhead wire.

    line_m : its supports (east, north, elevation of the wire there)
    sag_m : below the middle of each span's chord; residual_rms_m : of its samples about the fitted curve
    """

    line_m: Line3
    sag_m: float
    residual_rms_m: float
    samples: int
    height_error_m: float
    position_error_m: float
    voltage_kv: float | None = None
    name: str = ""
    origin: str = ""
    survey_year: float | None = None
    notes: tuple[str, ...] = ()

    def as_obstacle(self) -> FoundObstacle:
        """A wire obstacle."""
        said = _stated(
            name=self.name or "wire", kind="wire", sag_m=max(self.sag_m, 0.0), voltage_kv=self.voltage_kv
        )
        return FoundObstacle("line", self.line_m, said | _errors(self.height_error_m, self.position_error_m))


@dataclass(frozen=True, slots=True)
class FoundRoof:
    """A roof as planes with the lines where they meet or end.

    outline_m : the footprint (east, north), not closed, without its holes
    planes : together they fill the footprint less `unknown_m`; empty where the data carry none
    ridges_m, hips_m, valleys_m, eaves_m : lines of (east, north, elevation); `steps_m` : places where one plane ends
        over another, as the upper plane's edge
    parapets : upstands around flat parts; standing_off : chimneys, dormers, aerials and other things
    unknown_m : rings of the parts of the footprint where the data carry no plane
    height_error_m, position_error_m : standard errors of the roof as a whole, age of the data included
    origin : the file or files, and how; survey_year : of the data, decimal year
    notes : what was assumed or is not known, in sentences
    """

    outline_m: Ring2
    planes: tuple[FoundPlane, ...]
    height_error_m: float
    position_error_m: float
    ridges_m: tuple[Line3, ...] = ()
    hips_m: tuple[Line3, ...] = ()
    valleys_m: tuple[Line3, ...] = ()
    eaves_m: tuple[Line3, ...] = ()
    steps_m: tuple[Line3, ...] = ()
    parapets: tuple[FoundWall, ...] = ()
    standing_off: tuple[StandingOff, ...] = ()
    unknown_m: tuple[Ring2, ...] = ()
    origin: str = ""
    survey_year: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def ridge_elevation_m(self) -> float | None:
        """Highest corner of all planes; None where there are none."""
        return max((corner[2] for plane in self.planes for corner in plane.ring_m), default=None)

    def as_site_table(self) -> dict[str, Any]:
        """Keys of `[roof]`: outline, facets, keep_out and errors. Without planes there are no facets."""
        table: dict[str, Any] = {"outline": [_listed(p) for p in self.outline_m]}
        if self.planes:
            table["facets"] = [[_listed(p) for p in plane.ring_m] for plane in self.planes]
        if self.standing_off:
            table["keep_out"] = [[_listed(p) for p in one.outline_m] for one in self.standing_off]
        table["height_error_m"] = round(self.height_error_m, 2)
        table["position_error_m"] = round(self.position_error_m, 2)
        return table


def _listed(point: tuple[float, ...]) -> list[float]:
    """A point to the millimetre, so that neighbouring facets keep their common corners."""
    return [round(value, 3) for value in point]


HeightOrigin = Literal["height tag", "levels tag", "surface minus bare", "roof planes", "unknown"]


@dataclass(frozen=True, slots=True)
class FoundBuilding:
    """A building as a footprint with a height.

    outline_m, holes_m : rings (east, north), not closed
    height_m : of its highest part above ground_elevation_m; None where nothing says it
    height_origin : who says so
    roof_form : a word of roof:shape; roof_height_m : what the roof adds over its eaves; roof_direction_deg : the true
        azimuth that a face slopes down to; each None where not said
    distance_m : from the site's position to the nearest wall, 0 inside
    """

    outline_m: Ring2
    height_m: float | None
    height_origin: HeightOrigin
    height_error_m: float
    position_error_m: float
    distance_m: float
    holes_m: tuple[Ring2, ...] = ()
    ground_elevation_m: float | None = None
    roof_form: str | None = None
    roof_height_m: float | None = None
    roof_direction_deg: float | None = None
    name: str = ""
    origin: str = ""
    survey_year: float | None = None
    notes: tuple[str, ...] = ()

    def as_obstacle(self) -> FoundObstacle:
        """A building obstacle; with the roof's tags where its form and height are both known.

        Raises
        ------
        ValueError : its height is not known; such a building cannot be written as an obstacle
        """
        if self.height_m is None:
            raise ValueError("a building without height is no obstacle")
        said = _stated(
            name=self.name or "building",
            kind="building",
            height_m=self.height_m,
            ground_elevation_m=self.ground_elevation_m,
        )
        if self.roof_form is not None and self.roof_height_m is not None:
            said["roof:shape"] = self.roof_form
            said |= _stated(**{"roof:height": self.roof_height_m, "roof:direction": self.roof_direction_deg})
        said |= _errors(self.height_error_m, self.position_error_m)
        return FoundObstacle("area", self.outline_m, said, self.holes_m)

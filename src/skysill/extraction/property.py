"""A property put together from what was found in the data around it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skysill.extraction.found import (
    FoundBuilding,
    FoundObstacle,
    FoundRoof,
    FoundTree,
    FoundWall,
    FoundWire,
)

__all__ = ["FoundProperty", "LocalRaster"]


@dataclass(frozen=True, slots=True, eq=False)
class LocalRaster:
    """A raster around the site, to be written beside the site file.

    values : (row, col) float32, metres above the datum, nan where unknown
    transform : of cell centres, as in `skysill.horizon.lattice.Grid`; crs : of the same, anything pyproj understands
    vertical_error_m : standard deviation of its elevations
    """

    file_name: str
    kind: str
    values: NDArray[np.float32]
    transform: tuple[float, float, float, float, float, float]
    crs: str
    vertical_error_m: float | None = None
    tags: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class FoundProperty:
    """Everything found around a position.

    ground_elevation_m : of the bare ground at the position, above the data's datum; None: not known
    ground_origin : where that is from, in words
    rasters : local surface and bare raster, finest first
    roof : of the building the position belongs to; None where there is none, or no data carry it
    buildings : the others; trees, walls, wires
    survey_date : of the data; age_years : since then; None: not known
    notes : what was assumed; missing : what no data show and a person must say
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    ground_elevation_m: float | None = None
    ground_origin: str = ""
    rasters: tuple[LocalRaster, ...] = ()
    own_building: FoundBuilding | None = None
    roof: FoundRoof | None = None
    buildings: tuple[FoundBuilding, ...] = ()
    trees: tuple[FoundTree, ...] = ()
    walls: tuple[FoundWall, ...] = ()
    wires: tuple[FoundWire, ...] = ()
    survey_date: dt.date | None = None
    age_years: float | None = None
    notes: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()

    def obstacles(self) -> tuple[FoundObstacle, ...]:
        """Everything that is written as an obstacle; a building whose height nothing says is left out.

        The own roof stands in [roof] and what stands off it here.
        """
        found: list[FoundObstacle] = []
        if self.roof is not None:
            found += [one.as_obstacle() for one in self.roof.standing_off]
            found += [one.as_obstacle() for one in self.roof.parapets]
        found += [one.as_obstacle() for one in self.buildings if one.height_m is not None]
        found += [one.as_obstacle() for one in self.trees]
        found += [one.as_obstacle() for one in self.walls]
        found += [one.as_obstacle() for one in self.wires]
        return tuple(found)

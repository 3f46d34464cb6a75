"""Sources of a property told apart: laser scans, elevation rasters, footprints; read around a site."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from skysill.errors import InputError
from skysill.extraction.footprints import Footprint
from skysill.extraction.found import SurveyData
from skysill.extraction.point_cloud import PointCloud
from skysill.extraction.property import FoundProperty
from skysill.extraction.property_search import SurfaceCells, find_property
from skysill.io.property_folder import FarTerrain
from skysill.io.sources import split_kind
from skysill.io.text import quoted
from skysill.pointing.compass import decimal_year

__all__ = [
    "PropertySources",
    "lowest_elevation_deg",
    "made_from",
    "property_from",
    "reach_for",
    "sort_sources",
]

POINT_SUFFIXES = (".las", ".laz")
FOOTPRINT_SUFFIXES = (".geojson", ".json", ".gpkg", ".shp", ".fgb", ".parquet", ".geoparquet")
_LEAST_REACH_M, _MOST_REACH_M = 60.0, 500.0
_SPARE_M = 20.0
_LOWEST_DEG = 10.0
"""Elevation of the lowest satellite where none is named; nothing that could matter at 10 degrees is left out."""

_FINEST_M = 2.0


@dataclass(frozen=True, slots=True)
class PropertySources:
    """What was named: files of points, rasters as `--terrain` takes them, files of footprints."""

    points: tuple[Path, ...] = ()
    rasters: tuple[str, ...] = ()
    footprints: tuple[str, ...] = ()

    def files(self) -> tuple[str, ...]:
        """All of them, for comparing with outputs."""
        return (
            *map(str, self.points),
            *(split_kind(text)[0] for text in self.rasters),
            *self.footprints,
        )

    def far_terrain(self, folder: str | Path, terrain: Sequence[Any]) -> tuple[FarTerrain, ...]:
        """The rasters as a site file in `folder` names them: by their whole paths, with the errors taken."""
        named = []
        for text in self.rasters:
            path, kind = split_kind(text)
            error_m = next((one.vertical_error_m for one in terrain if one.name == Path(path).name), None)
            place = path if "://" in path else os.path.relpath(os.path.abspath(path), os.path.abspath(folder))
            named.append(FarTerrain(place.replace(os.sep, "/"), kind, error_m))
        return tuple(named)


def lowest_elevation_deg(latitude_deg: float, longitude_deg: float, satellites: Sequence[Any]) -> float:
    """Elevation of the lowest geostationary satellite that stands above the horizon; at least 2, 10 without any."""
    from skysill.pointing.look_vector import look_vector

    looks = [
        look_vector(latitude_deg, longitude_deg, 0.0, one)
        for one in satellites
        if one.longitude_deg is not None
    ]
    return max(min((look.elevation_deg for look in looks if look.visible), default=_LOWEST_DEG), 2.0)


def reach_for(least_elevation_deg: float) -> float:
    """How far around a site points and cells are wanted: as far as things 30 m tall could come into a ray's room.

    Between 60 and 500 m; what lies farther off is left to the terrain's own rasters.

    >>> round(reach_for(24.1))
    90
    """
    from skysill.assessment.search_window import near_reach_m

    return min(max(near_reach_m(least_elevation_deg - 1.0) + _SPARE_M, _LEAST_REACH_M), _MOST_REACH_M)


def sort_sources(texts: Sequence[str]) -> PropertySources:
    """Sources by what they are: .las and .laz are points, vector files are footprints, all else are rasters.

    A folder stands for all files of points and of footprints in it; where it holds neither it is a folder of rasters.

    Raises
    ------
    InputError : nothing named, no such file
    """
    points: list[Path] = []
    rasters: list[str] = []
    footprints: list[str] = []
    for text in texts:
        place = Path(text)
        suffix = place.suffix.lower()
        if place.is_dir():
            inside = sorted(path for path in place.iterdir() if path.is_file())
            scans = [path for path in inside if path.suffix.lower() in POINT_SUFFIXES]
            drawn = [str(path) for path in inside if path.suffix.lower() in FOOTPRINT_SUFFIXES]
            points += scans
            footprints += drawn
            if not scans and not drawn:
                rasters.append(text)
        elif suffix in POINT_SUFFIXES:
            points.append(place)
        elif suffix.partition(":")[0] in FOOTPRINT_SUFFIXES and not text.endswith((":surface", ":bare")):
            footprints.append(text)
        else:
            rasters.append(text)
    for path in (*points, *map(Path, footprints)):
        if not path.exists() and not Path(str(path).rpartition(":")[0] or ".").is_file():
            raise InputError("there is no such file.", where=str(path), mend="Check the path after --from.")
    if not (points or rasters or footprints):
        raise InputError(
            "no source is named.", where="--from", mend="Name a laser scan or an elevation raster."
        )
    return PropertySources(tuple(points), tuple(rasters), tuple(footprints))


def made_from(
    sources: PropertySources,
    latitude_deg: float,
    longitude_deg: float,
    satellites: Sequence[Any],
    name: str | None,
    reach_m: float,
    surveyed: dt.date | None = None,
    crs: str | None = None,
    vertical_unit: str | None = None,
) -> dict[str, Any]:
    """What a property is made from: the question, and each file with its size and time of change."""
    files: dict[str, Any] = {}
    for text in sources.files():
        path = Path(text)
        inside = sorted(path.rglob("*")) if path.is_dir() else [path]
        for one in inside:
            if one.is_file():
                stat = one.stat()
                files[os.path.abspath(one)] = [stat.st_size, stat.st_mtime_ns]
            elif one == path:
                files[text] = None
    return {
        "version": _version(),
        "position": [latitude_deg, longitude_deg],
        "satellites": [[one.name, one.longitude_deg] for one in satellites],
        "name": name,
        "reach_m": reach_m,
        "surveyed": surveyed,
        "crs": crs,
        "vertical_unit": vertical_unit,
        "sources": [*map(str, sources.points), *sources.rasters, *sources.footprints],
        "files": files,
    }


def _version() -> str:
    from skysill import __version__

    return str(__version__)


def property_from(
    sources: PropertySources,
    *,
    latitude_deg: float,
    longitude_deg: float,
    least_elevation_deg: float,
    name: str | None = None,
    reach_m: float,
    terrain: Sequence[Any] = (),
    today: dt.date | None = None,
    surveyed: dt.date | None = None,
    crs: str | None = None,
    vertical_unit: str | None = None,
) -> FoundProperty:
    """Read the sources around a site and find the property in them.

    Parameters
    ----------
    terrain : the rasters of `sources`, opened (`skysill.io.sources.open_terrain`), finest first
    crs, vertical_unit : of laser scans that state none
    today : for the age of the data; surveyed : when they were; None: not known

    Raises
    ------
    InputError : sources that cannot be read, that do not reach the site, or that show nothing of it
    """
    footprints: list[Footprint] = []
    for text in sources.footprints:
        from skysill.io.footprint_files import read_footprints

        footprints += read_footprints(text, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    cells = None
    if sources.points:
        from skysill.io.point_clouds import read_point_clouds

        cloud = read_point_clouds(
            sources.points,
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
            reach_m=reach_m,
            crs=crs,
            vertical_unit=vertical_unit,
        )
    else:
        cloud, cells = _cells_as_points(terrain, latitude_deg, longitude_deg, reach_m)
    survey = replace(
        cloud.survey,
        survey_year=cloud.survey.survey_year if surveyed is None else decimal_year(surveyed),
        year=None if today is None else decimal_year(today),
    )
    cloud = replace(cloud, survey=survey)
    return find_property(
        cloud,
        footprints,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        least_elevation_deg=least_elevation_deg,
        name=name,
        cells=cells,
        survey_date=surveyed,
    )


def _cells_as_points(
    terrain: Sequence[Any], latitude_deg: float, longitude_deg: float, reach_m: float
) -> tuple[PointCloud, SurfaceCells]:
    """The finest surface raster around the site: its cells, and the same as points."""
    fine = [
        raster for raster in terrain if raster.kind == "surface" and raster.cell_size_m <= _FINEST_M * 1.1
    ]
    if not fine:
        raise InputError(
            f"no laser scan and no surface raster of {_FINEST_M:g} m or finer is named.",
            where="--from",
            mend=f"Add one; a raster that shows trees and houses ends in {quoted(':surface')}.",
        )
    raster = min(fine, key=lambda one: one.cell_size_m)
    window = raster.window(latitude_deg, longitude_deg, reach_m)
    if window is None:
        raise InputError("does not reach the site.", where=raster.name, mend="Is it the right tile?")
    from skysill.geodesy.positions import plan_offset

    rows, columns = (np.arange(count) for count in window.values.shape)
    latitude, longitude = window.lattice.place(*np.meshgrid(rows, columns, indexing="ij"))
    east_m, north_m = plan_offset(latitude_deg, longitude_deg, latitude, longitude)
    values = window.values.astype(np.float64)
    near = (np.hypot(east_m, north_m) <= reach_m) & np.isfinite(values)
    facts = raster.facts
    data = SurveyData(
        raster.name,
        raster.vertical_error_m,
        facts.horizontal_error_m or raster.cell_size_m / 4.0,
        survey_year=facts.survey_year,
        cell_m=raster.cell_size_m,
    )
    points = np.column_stack([east_m[near], north_m[near], values[near]])
    cloud = PointCloud.of(points, survey=data, reach_m=reach_m)
    return cloud, SurfaceCells(east_m, north_m, values, raster.cell_size_m)

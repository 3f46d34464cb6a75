"""A property from points of a laser scan, or from the cells of a surface raster, and building footprints."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.extraction.footprints import (
    Footprint,
    HeightGrid,
    OwnBuilding,
    buildings_within_reach,
    own_building,
    reach_m,
)
from skysill.extraction.found import FoundRoof, FoundTree, FoundWall, FoundWire
from skysill.extraction.ground_filter import Ground, find_ground, stray_points
from skysill.extraction.plan_grid import PlanGrid
from skysill.extraction.point_cloud import PointCloud
from skysill.extraction.point_rasters import PointRasters, grid_around, point_rasters
from skysill.extraction.property import FoundProperty, LocalRaster
from skysill.extraction.roof_planes import COARSEST_CELL_M, roof_from_points, roof_from_surface
from skysill.extraction.tree_crowns import find_trees_and_hedges
from skysill.extraction.vegetation import find_vegetation
from skysill.extraction.wires import find_wires
from skysill.model.default_errors import GROWTH_M_PER_YEAR
from skysill.units import Bools, Floats

__all__ = ["SurfaceCells", "find_property"]

_CELLS_M = (0.5, 1.0, 2.0)
_POINTS_A_CELL = 4.0
"""Points at random leave exp(-4), one cell in fifty, empty; the finest cells with so many are taken."""

_NEIGHBOURS = 6
"""An empty cell with so many of its eight neighbours known is taken to be as high as the highest of them."""

_AROUND_ROOF_M = 3.0
_LOOKED_AT_M = 60.0
_NAMING = ("name", "addr:housename", "addr:housenumber")
_TALLEST_NEAR_M = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceCells:
    """Cells of a surface raster in the site's plan frame; every array (row, col).

    east_m, north_m : of the cells' middles; surface_m : their elevations, nan where unknown
    """

    east_m: Floats
    north_m: Floats
    surface_m: Floats
    cell_m: float


def find_property(
    cloud: PointCloud,
    footprints: Sequence[Footprint],
    *,
    latitude_deg: float,
    longitude_deg: float,
    least_elevation_deg: float,
    name: str | None = None,
    cells: SurfaceCells | None = None,
    survey_date: dt.date | None = None,
) -> FoundProperty:
    """Everything that the data show around a position.

    Parameters
    ----------
    cloud : points around the site, in its plan frame; of a raster its cells, one point each
    footprints : of the buildings around, in the same frame; empty: buildings are not told apart
    least_elevation_deg : of the lowest satellite asked for; decides how far things can matter
    name : of the property; None: that of the own building
    survey_date : of the data, to be written down; their age counts by `cloud.survey`
    cells : the raster that the points are cells of; None: they are points of a scan

    Raises
    ------
    InputError : no point near the site; no footprint near it; footprints that cannot be told apart
    """
    if not len(cloud):
        raise InputError("no data lie around the site.", mend="Is it the right tile?")
    ground = find_ground(cloud)
    wires: tuple[FoundWire, ...] = ()
    on_wire: Bools = np.zeros(len(cloud), dtype=bool)
    if cells is None:
        cloud, ground = _without(cloud, ground, stray_points(cloud))
        wires, on_wire = find_wires(cloud, ground)
    grid = grid_around(cloud, _cell_m(cloud) if cells is None else max(cells.cell_m, _CELLS_M[0]))
    rasters = point_rasters(cloud, ground.on_ground, grid, left_out=on_wire)
    surface_m = _closed(rasters.surface_m.astype(np.float64))
    bare_m = _bare_m(ground, rasters)
    own = own_building(footprints) if footprints else None
    roof = None if own is None else _roof(cloud, cells, own, ground, on_wire)
    here_m = float(ground.at(0.0, 0.0))
    site_ground_m = here_m if math.isfinite(here_m) else None
    others = [one for number, one in enumerate(footprints) if own is None or number != own.number]
    buildings = buildings_within_reach(
        others,
        least_elevation_deg=least_elevation_deg,
        heights=HeightGrid(grid, surface_m, bare_m, cloud.survey),
        dish_elevation_m=site_ground_m,
        origin=cloud.survey.origin,
    )
    rings = [np.asarray(one.outline_m) for one in footprints]
    vegetation = find_vegetation(cloud, ground, footprints_m=rings, left_out=on_wire)
    trees, hedges = find_trees_and_hedges(cloud, ground, vegetation)
    trees = tuple(one for one in trees if _tree_matters(one, least_elevation_deg))
    hedges = tuple(one for one in hedges if _hedge_matters(one, least_elevation_deg))
    notes = [*cloud.notes, *ground.notes, *vegetation.notes, *(() if own is None else own.notes)]
    notes += cloud.survey.age_notes()
    found = FoundProperty(
        name=name or _name(own),
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        ground_elevation_m=site_ground_m,
        ground_origin=f"bare ground of {cloud.survey.origin}",
        rasters=_rasters(grid, surface_m, bare_m, cloud, latitude_deg, longitude_deg),
        roof=roof,
        buildings=buildings,
        trees=trees,
        walls=hedges,
        wires=wires,
        survey_date=survey_date,
        age_years=cloud.survey.age_years,
        notes=tuple(dict.fromkeys(_of_what(note, cells) for note in notes)),
    )
    return replace(found, missing=_missing(found, grid, surface_m, bool(footprints)))


def _name(own: OwnBuilding | None) -> str:
    """The name or the address that the own building is tagged with."""
    named = own is not None and any(own.footprint.tags.get(key) for key in _NAMING)
    return own.footprint.name if own is not None and named else "property"


def _of_what(note: str, cells: SurfaceCells | None) -> str:
    return note if cells is None else note.replace("The scan", "The raster")


def _without(cloud: PointCloud, ground: Ground, left_out: Bools) -> tuple[PointCloud, Ground]:
    """A cloud and its ground without some points."""
    kept = ~left_out
    return cloud.select(kept), replace(ground, on_ground=ground.on_ground[kept])


def _cell_m(cloud: PointCloud) -> float:
    """The finest cells that are seldom empty."""
    coarse = grid_around(cloud, 5.0)
    cell = coarse.cell_of(cloud.east_m, cloud.north_m)
    count = np.bincount(cell[cell >= 0], minlength=coarse.size)
    density = float(np.median(count[count > 0])) / 25.0
    return next((one for one in _CELLS_M if density * one**2 >= _POINTS_A_CELL), _CELLS_M[-1])


def _closed(surface_m: Floats) -> Floats:
    """The surface with its lone empty cells closed by the highest of their neighbours; wider gaps stay unknown."""
    padded = np.pad(surface_m, 1, constant_values=np.nan)
    rows, columns = surface_m.shape
    around = np.stack(
        [
            padded[1 + i : 1 + i + rows, 1 + j : 1 + j + columns]
            for i in (-1, 0, 1)
            for j in (-1, 0, 1)
            if (i, j) != (0, 0)
        ]
    )
    known = np.isfinite(around)
    highest = np.where(known, around, -np.inf).max(axis=0)
    lone = np.isnan(surface_m) & (known.sum(axis=0) >= _NEIGHBOURS)
    return np.where(lone, highest, surface_m)


def _bare_m(ground: Ground, rasters: PointRasters) -> Floats:
    """(row, col) bare ground: measured where there are ground points, else as it runs between them; nan far off."""
    east_m, north_m = rasters.grid.centres_m()
    between_m = ground.at(*np.meshgrid(east_m, north_m))
    return np.where(np.isfinite(rasters.bare_m), rasters.bare_m.astype(np.float64), between_m)


def _roof(
    cloud: PointCloud, cells: SurfaceCells | None, own: OwnBuilding, ground: Ground, on_wire: Bools
) -> FoundRoof | None:
    ring = np.asarray(own.footprint.outline_m, dtype=np.float64)
    low, high = ring.min(axis=0) - _AROUND_ROOF_M, ring.max(axis=0) + _AROUND_ROOF_M
    if cells is None:
        near = cloud.select(~on_wire).within(*low, *high)
        return roof_from_points(
            near.points_m,
            ring,
            data=cloud.survey,
            holes_m=own.footprint.holes_m,
            ground_elevation_m=_below(ground, near.east_m, near.north_m),
        )
    if cells.cell_m > COARSEST_CELL_M * 1.05:
        return None
    return roof_from_surface(
        cells.east_m,
        cells.north_m,
        cells.surface_m,
        ring,
        cell_m=min(cells.cell_m, COARSEST_CELL_M),
        data=cloud.survey,
        holes_m=own.footprint.holes_m,
        ground_elevation_m=_below(ground, cells.east_m, cells.north_m),
    )


def _below(ground: Ground, east_m: ArrayLike, north_m: ArrayLike) -> Floats | None:
    """Bare ground below samples; None where it is not known below all of them."""
    below_m = ground.at(east_m, north_m)
    return below_m if np.isfinite(below_m).all() else None


def _tree_matters(tree: FoundTree, least_elevation_deg: float) -> bool:
    away_m = math.hypot(tree.east_m, tree.north_m) - tree.crown_radius_m
    return away_m <= reach_m(tree.height_m + 3.0 * tree.height_error_m, least_elevation_deg)


def _hedge_matters(hedge: FoundWall, least_elevation_deg: float) -> bool:
    away_m = min(math.hypot(point[0], point[1]) for point in hedge.line_m)
    return away_m <= reach_m((hedge.height_m or 0.0) + _TALLEST_NEAR_M, least_elevation_deg)


def _rasters(
    grid: PlanGrid,
    surface_m: Floats,
    bare_m: Floats,
    cloud: PointCloud,
    latitude_deg: float,
    longitude_deg: float,
) -> tuple[LocalRaster, ...]:
    transform = (
        grid.cell_m, 0.0, grid.west_m + grid.cell_m / 2.0, 0.0, -grid.cell_m, grid.north_m - grid.cell_m / 2.0,
    )  # fmt: skip
    crs = f"+proj=aeqd +lat_0={latitude_deg} +lon_0={longitude_deg} +datum=WGS84 +units=m +no_defs"
    tags = {"ORIGIN": cloud.survey.origin, "DATUM": cloud.datum or "not stated"}
    error_m = max(cloud.survey.vertical_error_m, 0.05)
    return (
        LocalRaster("surface.tif", "surface", surface_m.astype(np.float32), transform, crs, error_m, tags),
        LocalRaster("bare.tif", "bare", bare_m.astype(np.float32), transform, crs, error_m, tags),
    )


def _missing(
    found: FoundProperty, grid: PlanGrid, surface_m: Floats, with_footprints: bool
) -> tuple[str, ...]:
    """What the data do not show and a person must say or measure."""
    said = []
    if not with_footprints:
        said.append(
            "Footprints: without them buildings stand only in the surface raster, and are not told from trees."
        )
    if found.roof is None:
        said.append(
            "The roof: no footprint and data of 1 m or finer carry it. Type [roof] into the site file."
        )
    elif not found.roof.planes:
        said.append(
            "The roof's planes: the data carry none within its outline. Type [roof] facets, or measure."
        )
    elif found.roof.unknown_m:
        said.append(
            f"{len(found.roof.unknown_m)} parts of the roof, hatched in the picture: no plane is known there."
        )
    if found.roof is not None:
        said.append("Where the cable enters: type cable_entry under [roof].")
    if found.trees:
        said.append(
            f"Which of the {len(found.trees)} trees drop their leaves, and how fast they grow: "
            f"{GROWTH_M_PER_YEAR['tree'].usual_m:g} m a year is taken. Type deciduous and growth_m_per_year in "
            "obstacles.geojson."
        )
    said += [
        f'The height of "{one.name}", {one.distance_m:.0f} m away: nothing says it.'
        for one in found.buildings
        if one.height_m is None
    ]
    said += [
        f'The voltage of the wire "{one.name or number}": voltage_kv in obstacles.geojson; ask the owner.'
        for number, one in enumerate(found.wires, start=1)
        if one.voltage_kv is None
    ]
    east_m, north_m = grid.centres_m()
    near = np.hypot(*np.meshgrid(east_m, north_m)) <= _LOOKED_AT_M
    void = float(np.isnan(surface_m[near]).mean()) if near.any() else 1.0
    if void > 0.02:
        said.append(
            f"{100 * void:.0f} % of the ground within {_LOOKED_AT_M:g} m has no sample; what stands there is unknown."
        )
    said.append("Thin things (wires, poles, aerials) and what was built or planted since: look on site.")
    return tuple(said)

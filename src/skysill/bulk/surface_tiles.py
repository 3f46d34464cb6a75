"""Least heights over tiles of a fine surface raster: what is read, what is unknown, and what another raster adds.

`surface_heights.py` holds the search; this module gives it windows, sight lines and voids.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from skysill.assessment.search_window import near_reach_m
from skysill.bulk.far_ground import FarGround, over_far_ground
from skysill.bulk.least_heights import tile_heights_m
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.raster_tiles import Relief, Tile
from skysill.bulk.running_maximum import GridValues
from skysill.bulk.sight_lines import GROUP_CELLS, SightLines, sight_lines
from skysill.bulk.surface_heights import SurfaceWindow, may_meet_void, raised_levels_m, surface_window
from skysill.bulk.sweep_geometry import reach_of_ground_m
from skysill.horizon.lattice import Grid, Lattice
from skysill.pointing.look_vector import LookVector, look_vector
from skysill.radio.required_room import room_angle_deg, room_m
from skysill.units import Bools

__all__ = ["SurfaceQuery", "surface_levels_m"]

_PART_M = 128.0
_MOST_GAP_M = 3_000.0
_MOST_HEIGHT_M = 200.0


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceQuery:
    """What is asked of every cell.

    query : satellite, terminal, criteria, highest ground
    far : ground beyond the surface raster, None: what the raster does not hold is unknown
    """

    query: ScreeningQuery
    far: FarGround | None = None


def surface_levels_m(
    read: Callable[[Tile], GridValues], lattice: Lattice, tile: Tile, *, relief: Relief, asked: SurfaceQuery
) -> tuple[GridValues, GridValues]:
    """Least elevations of the dish centre over one tile of a surface raster.

    Parameters
    ----------
    read : window -> its surface, nan where void or outside the raster
    relief : extremes of the whole raster

    Returns
    -------
    (row, column) float32: elevation of the dish centre at which the required room is free, at least the surface; nan
        where the cell is void, where a void, the raster's end or the far ground's end could still take the room, where
        more than 200 m would be needed, and where the satellite is below the horizon plane
    (row, column) float32: the surface
    """
    nothing = np.full(tile.shape, np.nan, dtype=np.float32)
    lowest_m, highest_m, _ = relief.over(tile)
    if lowest_m > highest_m:
        return nothing, nothing
    look = _look(lattice, tile, relief.typical_m(tile), asked.query)
    if look.elevation_apparent_deg <= 0.0:
        inside = read(tile)
        return np.full(tile.shape, np.nan, dtype=np.float32), inside
    gap_m = _gap_reach_m(look, lowest_m, asked)
    reach_m, span = _reach_and_window(lattice, tile, relief, look, asked, lowest_m, gap_m)
    window = surface_window(read(span), span)
    own_m = tile.cut(window.elevation_m, span)
    own_m = np.where(own_m <= -9e4, np.float32(np.nan), own_m)
    levels = np.full(tile.shape, np.nan, dtype=np.float32)
    for part in _parts(tile, lattice):
        at = np.s_[
            part.top - tile.top : part.bottom - tile.top, part.left - tile.left : part.right - tile.left
        ]
        levels[at] = _part_levels_m(window, lattice, part, own_m[at], asked, reach_m, gap_m)
    if asked.far is None and gap_m >= _MOST_GAP_M:
        levels[_unknown_far_away(read, lattice, tile, relief, asked, gap_m)] = np.nan
    if asked.far is not None:
        levels = over_far_ground(levels, asked.far, lattice, tile, asked.query, most_m=_MOST_HEIGHT_M)
    levels[levels - own_m > _MOST_HEIGHT_M] = np.nan
    return levels, own_m


def _part_levels_m(
    window: SurfaceWindow, lattice: Lattice, part: Tile, own_m: GridValues, asked: SurfaceQuery, reach_m: float,
    gap_m: float,
) -> GridValues:  # fmt: skip
    """Levels of a part so small that its sight lines are alike."""
    known = np.isfinite(own_m)
    if not known.any():
        return np.full(part.shape, np.nan, dtype=np.float32)
    elevation_m = float(own_m[known].mean(dtype=np.float64))
    look = _look(lattice, part, elevation_m, asked.query)
    if look.elevation_apparent_deg <= 0.0:
        return np.full(part.shape, np.nan, dtype=np.float32)
    lines = _lines(lattice, part, elevation_m, look, asked.query, reach_m)
    start = np.where(known, own_m, np.float32(1e6))
    level = raised_levels_m(window, part, lines, start)
    limit = {"within_m": gap_m} if asked.far is not None else {}
    highest_m = 1e6 if asked.far is not None else asked.query.highest_ground_m
    unknown = may_meet_void(window, part, lines, level, highest_ground_m=highest_m, **limit)
    return np.where(known & ~unknown, level, np.float32(np.nan))


def _parts(tile: Tile, lattice: Lattice) -> list[Tile]:
    row, column = (tile.top + tile.bottom) / 2.0, (tile.left + tile.right) / 2.0
    side = int(np.clip(_PART_M / _cell_m(lattice, row, column), 32, 256))
    return [
        Tile(top, min(top + side, tile.bottom), left, min(left + side, tile.right))
        for top in range(tile.top, tile.bottom, side)
        for left in range(tile.left, tile.right, side)
    ]


def _cell_m(lattice: Lattice, row: float, column: float) -> float:
    """Length of the longer side of a cell, metres."""
    from skysill.horizon.lattice import geod

    latitude, longitude = lattice.place(
        np.array([row, row + 1.0, row]), np.array([column, column, column + 1.0])
    )
    away_m = geod().inv(longitude[[0, 0]], latitude[[0, 0]], longitude[1:], latitude[1:])[2]
    return float(np.max(away_m))


def _middle(lattice: Lattice, part: Tile) -> tuple[float, float]:
    latitude, longitude = lattice.place(
        (part.top + part.bottom - 1) / 2.0, (part.left + part.right - 1) / 2.0
    )
    return float(latitude), float(longitude)


def _look(lattice: Lattice, part: Tile, elevation_m: float, query: ScreeningQuery) -> LookVector:
    return look_vector(*_middle(lattice, part), elevation_m, query.satellite)


def _lines(
    lattice: Lattice, part: Tile, elevation_m: float, look: LookVector, query: ScreeningQuery, reach_m: float
) -> SightLines:
    shape = (2, 2)  # only the lattice is asked
    grid = Grid(np.zeros(shape, dtype=np.float32), lattice.transform, lattice.crs)
    return sight_lines(grid, *_middle(lattice, part), elevation_m, look, query.link, reach_m)


def _reach_m(look: LookVector, rise_m: float, query: ScreeningQuery) -> float:
    """Distance out to which ground that much higher than the lowest dish could take the required room."""
    slope = float(np.tan(np.deg2rad(look.elevation_apparent_deg)))
    reach_m = 0.0
    for _ in range(3):  # the room is wider farther out
        extra_m = float(room_m(max(reach_m, 1.0), query.link)) * float(np.hypot(1.0, slope))
        reach_m = reach_of_ground_m(max(rise_m, 0.0) + extra_m, slope=slope, curve_per_m=0.0)
    return 1.02 * reach_m + 2.0


def _gap_reach_m(look: LookVector, lowest_m: float, asked: SurfaceQuery) -> float:
    """Distance within which a void or the raster's end leaves a height unknown."""
    if asked.far is None:
        return min(_reach_m(look, asked.query.highest_ground_m - lowest_m, asked.query), _MOST_GAP_M)
    stop_deg = look.elevation_apparent_deg - float(room_angle_deg(100.0, asked.query.link))
    return near_reach_m(stop_deg)


def _reach_and_window(
    lattice: Lattice, tile: Tile, relief: Relief, look: LookVector, asked: SurfaceQuery, lowest_m: float, gap_m: float
) -> tuple[float, Tile]:  # fmt: skip
    """Distance out to which any ground or void could matter to a tile, and the window that sight lines need."""
    raster = Tile(0, lattice.shape[0], 0, lattice.shape[1])

    def window_to(reach_m: float) -> Tile:
        lines = _lines(lattice, tile, relief.typical_m(tile), look, asked.query, reach_m)
        more = GROUP_CELLS + 4
        return Tile(
            tile.top + min(int(lines.row.min()), 0) - more, tile.bottom + max(int(lines.row.max()), 0) + more,
            tile.left + min(int(lines.column.min()), 0) - more, tile.right + max(int(lines.column.max()), 0) + more,
        )  # fmt: skip

    reach_m = _reach_m(look, float(relief.highest_m.max()) - lowest_m, asked.query)
    for _ in range(3):  # the highest ground within reach may be lower than the highest anywhere
        wide = window_to(reach_m)
        nearer_m = _reach_m(look, relief.over(wide.within(raster))[1] - lowest_m, asked.query)
        if nearer_m >= 0.9 * reach_m:
            break
        reach_m = nearer_m
    wide = window_to(gap_m)
    if wide.within(raster) != wide or relief.over(wide.within(raster))[2]:
        reach_m = max(reach_m, gap_m)
    return reach_m, window_to(reach_m)


def _unknown_far_away(
    read: Callable[[Tile], GridValues], lattice: Lattice, tile: Tile, relief: Relief, asked: SurfaceQuery, gap_m: float
) -> Bools:  # fmt: skip
    """(row, column) whether a void or the raster's end farther out than sight lines go could take the room.

    The line of sight alone is swept, with voids so much wider and ground so much higher as the room asks for.
    """
    query = asked.query
    assert query.satellite.longitude_deg is not None
    wider_m = float(room_m(20_000.0, query.link))
    wider = int(np.ceil(wider_m / _cell_m(lattice, float(tile.top), float(tile.left)))) + 1

    def read_narrowed(window: Tile) -> GridValues:
        around = Tile(window.top - wider, window.bottom + wider, window.left - wider, window.right + wider)
        void = np.isnan(read(around)).astype(np.int32)
        total = np.pad(void, ((1, 0), (1, 0))).cumsum(axis=0).cumsum(axis=1)
        side = 2 * wider + 1
        near = total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side]
        values = read(window).copy()
        values[near > 0] = np.nan
        return values

    narrowed = replace(relief, void=np.ones_like(relief.void)) if relief.void.any() else relief
    seen_m = tile_heights_m(
        read_narrowed, lattice, tile, relief=narrowed, satellite_longitude_deg=query.satellite.longitude_deg,
        refraction_factor=query.criteria.refraction_factor, highest_ground_m=query.highest_ground_m + 2.0 * wider_m,
    )  # fmt: skip
    return np.isnan(seen_m)

"""Ground beyond a fine surface raster, from a coarser one: where it counts, where it ends, what it adds to heights."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from skysill.bulk.controlling_obstruction import controlling_ground
from skysill.bulk.prefilter import (
    Ground,
    Places,
    ScreeningQuery,
    locate_places,
    may_come_near,
    may_come_near_upright,
)
from skysill.bulk.raster_gaps import known_out_to_m, may_have_gap
from skysill.bulk.raster_tiles import Relief, Tile
from skysill.bulk.running_maximum import GridValues
from skysill.horizon.lattice import Grid, Lattice, interpolate, lattice_position
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats

__all__ = ["FarGround", "over_far_ground"]

_STEEP_DEG = 80.0
_GAP_M = 16.0


@dataclass(frozen=True, slots=True, eq=False)
class FarGround:
    """A coarser raster around a surface raster.

    ground : where the surface raster is known its ground is put so low that it never counts; within a cell of the
        surface's rim or of its voids it still counts, which can only raise heights
    narrowed : the same ground with voids and rim one cell wider, to look for gaps from places up to half a cell away
    """

    ground: Ground
    narrowed: Ground

    @classmethod
    def around(cls, far: Ground, lattice: Lattice, relief: Relief) -> FarGround:
        """Far ground for a surface raster with this lattice and these extremes."""
        values = far.grid.values.copy()
        inside = _well_inside(far.grid, lattice, relief)
        lows = [float(part.min(initial=0.0)) for part in (relief.lowest_m[np.isfinite(relief.lowest_m)],
                                                         values[np.isfinite(values)])]  # fmt: skip
        narrowed = np.full(values.shape, np.nan, dtype=np.float32)
        near = [values[1 + down : values.shape[0] - 1 + down, 1 + right : values.shape[1] - 1 + right]
                for down in (-1, 0, 1) for right in (-1, 0, 1)]  # fmt: skip
        known = ~np.isnan(sum(near))
        narrowed[1:-1, 1:-1] = np.where(known, values[1:-1, 1:-1], np.float32(np.nan))
        for part in (values, narrowed):
            part[inside] = np.float32(min(lows) - 10.0)
        return cls(_with_values(far, values), _with_values(far, narrowed))


def _with_values(ground: Ground, values: GridValues) -> Ground:
    grid = Grid(values, ground.grid.transform, ground.grid.crs, ground.grid.notes)
    return Ground.of(grid, name=ground.name, kind=ground.kind, cell_size_m=ground.cell_size_m,
                     vertical_error_m=ground.vertical_error_m, facts=ground.facts)  # fmt: skip


def _well_inside(grid: Grid, lattice: Lattice, relief: Relief) -> Bools:
    """(row, column) whether a node and the cells around it lie where the surface raster has no voids."""
    rows, columns = grid.values.shape
    whole = np.zeros((rows, columns), dtype=bool)
    down, across = (np.linspace(0.0, count - 1.0, 9) for count in lattice.shape)
    outline = np.meshgrid(down, across, indexing="ij")
    row, column = grid.lattice.cell(*lattice.place(*outline))
    if not (np.isfinite(row).all() and np.isfinite(column).all()):
        return whole
    box = Tile(int(row.min()) - 1, int(row.max()) + 3, int(column.min()) - 1, int(column.max()) + 3).within(
        Tile(0, rows, 0, columns)
    )
    if box.top >= box.bottom or box.left >= box.right:
        return whole
    node_row, node_column = np.meshgrid(
        np.arange(box.top - 1.0, box.bottom + 1.0), np.arange(box.left - 1.0, box.right + 1.0), indexing="ij"
    )
    fine_row, fine_column = lattice.cell(*grid.lattice.place(node_row, node_column))
    known = (fine_row >= 0) & (fine_row <= lattice.shape[0] - 1) & (fine_column >= 0)
    known &= fine_column <= lattice.shape[1] - 1
    block = np.stack([np.where(known, part, 0) for part in (fine_row, fine_column)]).astype(np.int64)
    void: NDArray[np.bool_] = relief.void[tuple(block // relief.block)]
    known &= ~void
    inside = known[1:-1, 1:-1].copy()
    for below in (0, 1, 2):
        for right in (0, 1, 2):
            inside &= known[below : below + inside.shape[0], right : right + inside.shape[1]]
    whole[box.top : box.bottom, box.left : box.right] = inside
    return whole


def over_far_ground(
    levels: GridValues, far: FarGround, lattice: Lattice, tile: Tile, query: ScreeningQuery, *, most_m: float
) -> GridValues:
    """Elevations of dish centres raised until far ground leaves the required room too.

    Parameters
    ----------
    levels : (row, column) of a tile; nan stays nan
    most_m : more than that no dish is raised: nan

    Returns
    -------
    (row, column), nan too where the far raster ends or has a void before ground could no longer matter
    """
    row, column = np.nonzero(np.isfinite(levels))
    if not row.size:
        return levels
    latitude, longitude = lattice.place(row + tile.top, column + tile.left)
    level = levels[row, column].astype(np.float64)
    places = _places_at(far.ground, latitude, longitude, level, query)
    level[_before_gaps(far.narrowed, row, column, latitude, longitude, level, query)] = np.nan
    near = may_come_near(
        far.ground, places, query, angle_limit=lambda away_m: float(room_angle_deg(away_m, query.link))
    )
    steep = places.apparent_deg > _STEEP_DEG
    if steep.any():
        near[steep] = may_come_near_upright(far.ground, places.take(steep), query)
    todo = np.flatnonzero(near & ~np.isnan(level))
    start = level.copy()
    for _ in range(60):
        if not todo.size:
            break
        here = _places_at(far.ground, latitude[todo], longitude[todo], level[todo], query)
        state = controlling_ground(far.ground, here, query)
        short = state.inside | (state.excess_deg < 0.0)
        todo, raise_m = todo[short], state.raise_m[short]
        level[todo] += np.maximum(raise_m, 0.002) * 1.0000001
        high = level[todo] - start[todo] > most_m
        level[todo[high]] = np.nan
        todo = todo[~high]
    level[todo] = np.nan
    raised = levels.copy()
    raised[row, column] = level
    return raised


def _before_gaps(
    narrowed: Ground, row: NDArray[np.int64], column: NDArray[np.int64], latitude: Floats, longitude: Floats,
    level_m: Floats, query: ScreeningQuery,
) -> Bools:  # fmt: skip
    """(place,) whether a gap of the far raster could hold ground that takes the room.

    One place speaks for the others within half a cell of the far raster, at the lowest of their elevations.
    """
    spacing = max(
        1, int(min(narrowed.cell_size_m / 2.0, _GAP_M) / _spacing_m(row, column, latitude, longitude))
    )
    square = (row // spacing) * (int(column.max()) + 1) + column // spacing
    _, first, of = np.unique(square, return_index=True, return_inverse=True)
    lowest_m = np.full(first.size, np.inf)
    np.minimum.at(lowest_m, of, level_m)
    places = _places_at(narrowed, latitude[first], longitude[first], lowest_m, query)
    gap = may_have_gap(narrowed, places, query)
    asked = np.flatnonzero(gap)
    for low in range(0, asked.size, 500):
        some = asked[low : low + 500]
        gap[some] = np.isfinite(known_out_to_m(narrowed, places.take(some), query))
    return np.asarray(gap[of])


def _spacing_m(
    row: NDArray[np.int64], column: NDArray[np.int64], latitude: Floats, longitude: Floats
) -> float:
    """Largest distance of neighbouring nodes of a tile, from its outermost ones; 1 m where there is only one."""
    ends = np.array([row.argmin(), row.argmax(), column.argmin(), column.argmax()])
    north_m = 111_320.0 * np.ptp(latitude[ends])
    east_m = 111_320.0 * np.cos(np.deg2rad(latitude[0])) * np.ptp(longitude[ends])
    cells = float(np.hypot(np.ptp(row[ends]), np.ptp(column[ends])))
    return max(float(np.hypot(north_m, east_m)) / cells, 0.1) if cells else 1.0


def _places_at(
    ground: Ground, latitude: Floats, longitude: Floats, level_m: Floats, query: ScreeningQuery
) -> Places:
    """Places with the dish centre at an elevation, whatever the raster says about the ground there."""
    under_m = np.nan_to_num(interpolate(ground.grid, *lattice_position(ground.grid, latitude, longitude)))
    exact = replace(query, position_error_m=0.0)
    return locate_places(ground, latitude, longitude, level_m - under_m, exact)[0]

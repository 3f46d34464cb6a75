"""Ground behind a map: elevations of rasters on a grid of longitudes and latitudes, read thinned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skysill.horizon.lattice import Lattice, bilinear
from skysill.io.raster_windows import Raster
from skysill.units import Floats

__all__ = ["Backdrop", "read_backdrop"]

_MOST_CELLS = 1_500_000
_MOST_READ = 2_000_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Backdrop:
    """Elevations on a regular grid, first row in the north.

    elevation_m : (row, column), nan where no raster has data
    west, east, south, north : outer edges, degrees; names : rasters that it is made from
    """

    elevation_m: Floats
    west: float
    east: float
    south: float
    north: float
    names: tuple[str, ...]


def read_backdrop(
    rasters: Sequence[Raster], west: float, east: float, south: float, north: float, *, columns: int = 640
) -> Backdrop | None:
    """Elevations behind a map, from the first raster that has data at each place; None where none has any.

    Parameters
    ----------
    rasters : finest first; those on the web, and those that would take too long to read there, are left out
    west, east, south, north : edges in degrees
    columns : of the grid; its cells are about square on the ground. Memory does not grow with the rasters.
    """
    wide = (east - west) * max(float(np.cos(np.deg2rad((south + north) / 2.0))), 0.05)
    rows = int(np.clip(columns * (north - south) / wide, 2, 4 * columns))
    longitude = west + (np.arange(columns) + 0.5) * (east - west) / columns
    latitude = north - (np.arange(rows) + 0.5) * (north - south) / rows
    place = np.meshgrid(latitude, (longitude + 180.0) % 360.0 - 180.0, indexing="ij")
    elevation_m, names = np.full((rows, columns), np.nan), []
    for raster in rasters:
        if raster.is_remote or not np.isnan(elevation_m).any():
            continue
        found = _looked_up(raster, *place)
        if found is None or not np.isfinite(found[np.isnan(elevation_m)]).any():
            continue
        names.append(raster.name)
        elevation_m = np.where(np.isnan(elevation_m), found, elevation_m)
    if not names:
        return None
    return Backdrop(elevation_m, west, east, south, north, tuple(names))


def _looked_up(raster: Raster, latitude: Floats, longitude: Floats) -> Floats | None:
    """Elevations of one raster, (row, column); None where it has none there, or far too many."""
    row, column = Lattice((raster.rows, raster.cols), raster.transform, raster.crs).cell(latitude, longitude)
    inside = (row > -0.5) & (row < raster.rows - 0.5) & (column > -0.5) & (column < raster.cols - 0.5)
    if not inside.any():
        return None
    first = [max(int(np.floor(part[inside].min())), 0) for part in (row, column)]
    last = [min(int(np.floor(part[inside].max())) + 2, count)
            for part, count in ((row, raster.rows), (column, raster.cols))]  # fmt: skip
    if (last[0] - first[0]) * (last[1] - first[1]) > _MOST_READ:
        return None
    values, _ = raster.thinned((first[0], last[0], first[1], last[1]), _MOST_CELLS)

    def thinned_at(part: Floats, axis: int) -> Floats:
        """A thinned cell stands for the middle of its stretch."""
        step = (last[axis] - first[axis]) / values.shape[axis]
        place = (np.where(inside, part, 0.0) - first[axis] - (step - 1.0) / 2.0) / step
        return np.asarray(np.clip(place, 0.0, values.shape[axis] - 1.0))

    down, right = thinned_at(row, 0), thinned_at(column, 1)
    return np.where(inside, _between(values, down, right), np.nan)


def _between(values: NDArray[np.float32], down: Floats, right: Floats) -> Floats:
    """Bilinear between cells; where one of the four is void, the nearest."""
    top, left = np.floor(down).astype(np.int64), np.floor(right).astype(np.int64)
    below, beside = np.minimum(top + 1, values.shape[0] - 1), np.minimum(left + 1, values.shape[1] - 1)
    nodes = [values[top, left], values[top, beside], values[below, left], values[below, beside]]
    found = bilinear(nodes, right - left, down - top)
    nearest = values[np.rint(down).astype(np.int64), np.rint(right).astype(np.int64)]
    return np.where(np.isnan(found), nearest, found)

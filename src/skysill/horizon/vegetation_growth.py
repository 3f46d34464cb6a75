"""A surface raster some years later: what may be vegetation on it is higher, the ground and the near roof are not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from skysill.horizon.lattice import Elevations, Grid, interpolate, lattice_position
from skysill.model.default_errors import RasterFacts, facts_of
from skysill.units import Bools, Floats

__all__ = ["GrownSurface"]

STANDS_M = 1.5
"""What rises less over the ground is taken for ground. Common practice, no source."""

_NEAR_M = 15.0
_NEAR_LOW_M = 1.0
_ASKED_EVERY_M = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class GrownSurface:
    """A surface raster with its vegetation grown: an `Elevations` like the raster it stands for.

    growth_m : metres that vegetation has gained
    bare : rasters of the ground, which tell what stands on it
    at_deg : latitude, longitude of the mount; surface_m : what it stands on, above the datum. Where no bare raster has
        data, ground is what is no higher than `STANDS_M` over that; nearer than 15 m, what is no higher than 1 m over
        it never grows: the lawn, and the roof the mount stands on
    outlines_deg : rings (n, 2) of longitude, latitude inside which nothing grows: listed buildings, the roof
    """

    source: Elevations
    growth_m: float
    bare: Sequence[Elevations]
    at_deg: tuple[float, float]
    surface_m: float
    outlines_deg: tuple[Floats, ...] = ()
    _grown: dict[int, tuple[Grid, Grid]] = field(default_factory=dict, repr=False)

    @property
    def name(self) -> str:
        return str(self.source.name)

    @property
    def kind(self) -> Literal["surface", "bare"]:
        return "surface"

    @property
    def cell_size_m(self) -> float:
        return float(self.source.cell_size_m)

    @property
    def vertical_error_m(self) -> float:
        return float(self.source.vertical_error_m)

    @property
    def facts(self) -> RasterFacts:
        return facts_of(self.source)

    def window(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> Grid | None:
        """As the raster gives it, vegetation grown."""
        grid = self.source.window(latitude_deg, longitude_deg, radius_m)
        if grid is None:
            return None
        held = self._grown.get(id(grid))
        if held is not None and held[0] is grid:
            return held[1]
        grows = self._grows(grid)
        values = np.where(grows, grid.values + np.float32(self.growth_m), grid.values).astype(np.float32)
        grown = Grid(values, grid.transform, grid.crs, grid.notes)
        self._grown.clear()
        self._grown[id(grid)] = (grid, grown)
        return grown

    def _grows(self, grid: Grid) -> Bools:
        """(row, col) which cells are taken for vegetation."""
        with np.errstate(invalid="ignore"):
            grows = grid.values > self._ground_m(grid) + STANDS_M
        col, row = (float(np.ravel(v)[0]) for v in lattice_position(grid, *self.at_deg))
        if np.isfinite(col) and np.isfinite(row):
            rows, cols = np.ogrid[: grid.values.shape[0], : grid.values.shape[1]]
            near = np.hypot(rows - row, cols - col) * self.cell_size_m <= _NEAR_M
            grows &= ~(near & (grid.values <= self.surface_m + _NEAR_LOW_M))
        for ring in self.outlines_deg:
            grows &= ~_inside(grid, ring)
        return np.asarray(grows)

    def _ground_m(self, grid: Grid) -> NDArray[Any]:
        """(row, col) ground under the cells: of the bare rasters at every fourth metre or so, straight between."""
        rows, cols = int(grid.values.shape[0]), int(grid.values.shape[1])
        step = max(1, int(_ASKED_EVERY_M / self.cell_size_m))
        r, c = _steps(rows, step), _steps(cols, step)
        level = np.full((r.size, c.size), np.nan)
        if self.bare:
            longitude, latitude = _places(grid, *np.meshgrid(c, r))
            for raster in self.bare:
                radius_m = 0.75 * float(np.hypot(rows, cols)) * self.cell_size_m + 2.0 * raster.cell_size_m
                middle = latitude[r.size // 2, c.size // 2], longitude[r.size // 2, c.size // 2]
                below = raster.window(float(middle[0]), float(middle[1]), radius_m)
                if below is None:
                    continue
                value = interpolate(below, *lattice_position(below, latitude, longitude))
                level = np.where(np.isnan(level), value, level)
        level = np.where(np.isnan(level), self.surface_m, level)
        across = np.array([np.interp(np.arange(cols), c, line) for line in level])
        at = np.interp(np.arange(rows), r, np.arange(r.size))
        low = np.minimum(at.astype(int), r.size - 1)
        high = np.minimum(low + 1, r.size - 1)
        share = (at - low)[:, None]
        return np.asarray(across[low] * (1.0 - share) + across[high] * share)


def _steps(count: int, step: int) -> Any:
    return np.unique(np.append(np.arange(0, count, step), count - 1))


def _places(grid: Grid, col: Any, row: Any) -> tuple[Floats, Floats]:
    """Longitude and latitude of cell centres."""
    from pyproj import Transformer

    a, b, c, d, e, f = grid.transform
    to_degrees = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(a * col + b * row + c, d * col + e * row + f)
    return np.asarray(longitude), np.asarray(latitude)


def _inside(grid: Grid, ring_deg: Floats) -> NDArray[Any]:
    """(row, col) whether cell centres lie inside a ring, or within a cell of it."""
    import shapely

    col, row = lattice_position(grid, ring_deg[:, 1], ring_deg[:, 0])
    inside: NDArray[Any] = np.zeros(grid.values.shape, dtype=bool)
    count = grid.values.shape
    if not (np.isfinite(col).all() and np.isfinite(row).all()):
        return inside
    area = shapely.Polygon(np.column_stack([col, row])).buffer(1.0)
    west, south, east, north = (int(v) for v in np.round(area.bounds))
    rows = np.arange(max(south - 1, 0), min(north + 2, count[0]))
    cols = np.arange(max(west - 1, 0), min(east + 2, count[1]))
    if rows.size and cols.size:
        x, y = np.meshgrid(cols, rows)
        inside[np.ix_(rows, cols)] = shapely.contains_xy(area, x, y)
    return inside

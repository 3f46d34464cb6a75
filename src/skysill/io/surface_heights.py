"""Rasters that least heights over a surface are made from, and one tile of those heights."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from skysill.bulk.far_ground import FarGround
from skysill.bulk.prefilter import Ground, ScreeningQuery
from skysill.bulk.raster_tiles import Relief, Tile
from skysill.bulk.running_maximum import GridValues
from skysill.bulk.surface_tiles import SurfaceQuery, surface_levels_m
from skysill.errors import InputError
from skysill.horizon.lattice import Lattice, interpolate, lattice_position
from skysill.horizon.ray_march import FINE_CELL_M
from skysill.io.raster_windows import Raster
from skysill.model.site import Criteria, Satellite, Terminal

__all__ = ["GroundReader", "SurfaceHeights", "SurfaceTiles", "lattice_of"]

_HELD_CELLS = 40_000_000


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceHeights:
    """How least heights are made over a surface raster, where trees and houses are in the raster.

    terminal, criteria : dish, frequencies and Fresnel fraction: the room that must be free around the ray
    far : coarser ground beyond the surface raster; None: what the surface raster does not hold is unknown
    bare : bare ground that heights are given above; None: they are given above the surface itself

    >>> import skysill
    >>> [surface] = skysill.open_rasters([skysill.RasterSpec("demo_terrain/village_surface.tif", "surface")])
    >>> [island] = skysill.open_rasters([skysill.RasterSpec("demo_terrain/island.tif")])
    >>> how = skysill.SurfaceHeights(skysill.Terminal(dish_diameter_m=0.8), far=island)
    >>> request = skysill.HeightsRequest(surface, skysill.read_satellites("24W"), 720.0, surface=how)
    >>> request.surface is how
    True
    """

    terminal: Terminal = field(default_factory=Terminal)
    criteria: Criteria = field(default_factory=Criteria)
    far: Raster | None = None
    bare: Raster | None = None

    @property
    def rasters(self) -> tuple[Raster, ...]:
        """The further rasters."""
        return tuple(raster for raster in (self.far, self.bare) if raster is not None)

    def check(self, surface: Raster) -> None:
        """Refuse rasters that cannot serve.

        Raises
        ------
        InputError : a surface of coarse cells, far ground too large to be held
        """
        if surface.cell_size_m > FINE_CELL_M:
            raise InputError(
                f"has cells of {surface.cell_size_m:g} m; near things show on cells up to {FINE_CELL_M:g} m only.",
                where=surface.name, mend="Give a finer surface raster, or leave out --surface.",
            )  # fmt: skip
        if self.far is not None and self.far.rows * self.far.cols > _HELD_CELLS:
            raise InputError(
                f"has {self.far.rows * self.far.cols / 1e6:,.0f} million cells; the ground beyond the surface may have "
                f"{_HELD_CELLS / 1e6:,.0f} million.",
                where=self.far.name, mend="Cut it to 30 km around the surface.",
            )  # fmt: skip

    def manifest(self) -> dict[str, Any]:
        """What the result depends on, besides the files."""
        return {
            "dish": [self.terminal.dish_diameter_m, self.terminal.lowest_ghz],
            "criteria": [self.criteria.fresnel_fraction, self.criteria.assumed_distance_m],
            "far": None if self.far is None else self.far.name,
            "bare": None if self.bare is None else self.bare.name,
            "web": [raster.web_versions() for raster in self.rasters],
        }

    def tags(self) -> dict[str, str]:
        """Tags of the raster, instead of those of heights over bare ground."""
        above = "the bare ground" if self.bare is not None else "the surface (roof, crown or ground)"
        tags = {
            "meaning": f"least height of the dish centre above {above} at which the required room is free",
            "dish_diameter_m": f"{self.terminal.dish_diameter_m:g}",
            "frequency_ghz": f"{self.terminal.lowest_ghz:g}",
            "fresnel_fraction": f"{self.criteria.fresnel_fraction:g}",
        }
        if self.far is not None:
            tags["far_terrain"] = f"{self.far.name} ({self.far.kind})"
        if self.bare is not None:
            tags["above"] = f"{self.bare.name} (bare)"
        return tags


def lattice_of(raster: Raster) -> Lattice:
    """Where the cell centres of a raster lie."""
    return Lattice((raster.rows, raster.cols), raster.transform, raster.crs)


class GroundReader:
    """Ground of windows of one raster; a small raster is kept in memory after the first reading."""

    def __init__(self, raster: Raster) -> None:
        self.raster = raster
        self.whole = Tile(0, raster.rows, 0, raster.cols)
        self.values: GridValues | None = None

    def __call__(self, window: Tile) -> GridValues:
        """Ground of a window that may reach beyond the raster; nan there."""
        inside = window.within(self.whole)
        if self.raster.rows * self.raster.cols <= _HELD_CELLS:
            if self.values is None:
                self.values = self.raster.cells(0, self.raster.rows, 0, self.raster.cols).values
            values = inside.cut(self.values, self.whole)
        else:
            values = self.raster.cells(inside.top, inside.bottom, inside.left, inside.right).values
        if inside == window:
            return values
        around = np.full(window.shape, np.nan, dtype=np.float32)
        inside.cut(around, window)[...] = values
        return around


class SurfaceTiles:
    """Least heights of tiles of one surface raster."""

    def __init__(
        self, raster: Raster, wanted: SurfaceHeights, relief: Relief, highest_ground_m: float
    ) -> None:
        self.raster, self.wanted, self.relief = raster, wanted, relief
        self.highest_ground_m = highest_ground_m
        self.far: FarGround | None = None

    def heights_m(self, read: GroundReader, tile: Tile, satellite: Satellite) -> GridValues:
        """Heights of one tile, nan where unknown."""
        wanted = self.wanted
        query = ScreeningQuery(satellite, wanted.terminal, wanted.criteria, self.highest_ground_m)
        levels, surface_m = surface_levels_m(
            read,
            lattice_of(self.raster),
            tile,
            relief=self.relief,
            asked=SurfaceQuery(query, self._far_ground()),
        )
        return np.asarray(np.maximum(levels - self._standing_m(tile, surface_m), np.float32(0.0)))

    def _far_ground(self) -> FarGround | None:
        raster = self.wanted.far
        if raster is not None and self.far is None:
            whole = Ground.of(
                raster.cells(0, raster.rows, 0, raster.cols), name=raster.name, kind=raster.kind,
                cell_size_m=raster.cell_size_m, vertical_error_m=raster.vertical_error_m, facts=raster.facts,
            )  # fmt: skip
            self.far = FarGround.around(whole, lattice_of(self.raster), self.relief)
        return self.far

    def _standing_m(self, tile: Tile, surface_m: GridValues) -> GridValues:
        """(row, column) elevation that heights of a tile are given above."""
        bare, surface = self.wanted.bare, self.raster
        if bare is None:
            return surface_m
        if (bare.rows, bare.cols, bare.transform, bare.crs) == (
            surface.rows, surface.cols, surface.transform, surface.crs,
        ):  # fmt: skip
            under: GridValues = bare.cells(tile.top, tile.bottom, tile.left, tile.right).values
            return under
        row, column = np.meshgrid(
            np.arange(tile.top, tile.bottom), np.arange(tile.left, tile.right), indexing="ij"
        )
        place = lattice_of(surface).place(row, column)
        bare_row, bare_column = lattice_of(bare).cell(*place)
        if not (np.isfinite(bare_row).all() and np.isfinite(bare_column).all()):
            return np.full(tile.shape, np.nan, dtype=np.float32)
        box = Tile(int(bare_row.min()) - 1, int(bare_row.max()) + 3, int(bare_column.min()) - 1,
                   int(bare_column.max()) + 3).within(Tile(0, bare.rows, 0, bare.cols))  # fmt: skip
        if box.bottom - box.top < 2 or box.right - box.left < 2:
            return np.full(tile.shape, np.nan, dtype=np.float32)
        grid = bare.cells(box.top, box.bottom, box.left, box.right)
        return np.asarray(interpolate(grid, *lattice_position(grid, *place)), dtype=np.float32)

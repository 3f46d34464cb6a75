"""Parts of a list of buildings: the surface around their roofs, and their results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from skysill.bulk.compiled.jit import available
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.roof_results import NUMBERS, TEXTS, RoofSearch
from skysill.bulk.roof_screening import is_fine_surface, screen_roofs
from skysill.bulk.roof_search import heights_m
from skysill.bulk.roof_spots import Roofs
from skysill.bulk.screening_verdicts import ScreeningResults, in_order
from skysill.errors import InputError
from skysill.horizon.lattice import Elevations, Grid, HeldGrid
from skysill.io.compiled_loops import load_compiled_loops
from skysill.io.ground_boxes import MOST_CELLS, Box, ground_boxes, is_held, lattice_of
from skysill.io.raster_windows import Raster
from skysill.io.screening_results import ResultColumns
from skysill.model.default_errors import facts_of
from skysill.model.site import Terminal
from skysill.units import Floats

if TYPE_CHECKING:
    from skysill.bulk.compiled.raster_stack import RasterStack

__all__ = ["RoofParts", "roof_columns", "roofs_note"]

_MARGIN_CELLS = 32
_SLOW = (
    "They were searched one by one, about one a second; compiled loops do a hundred and more: "
    'pip install "skysill[fast]".'
)


def roof_columns(*, several: bool) -> ResultColumns:
    """What is added to every building."""
    return ResultColumns(NUMBERS, TEXTS, several=several)


def roofs_note(terminal: Terminal, search: RoofSearch) -> str:
    """How the roofs were searched, in a sentence."""
    heights = heights_m(terminal, search)
    masts = (
        f"masts of {', '.join(f'{h:g}' for h in heights)} m"
        if search.kits
        else f"masts from {heights[0]:g} to {heights[-1]:g} m"
    )
    return (
        f"Roofs were searched at spots {search.step_m:g} m apart, {search.setback_m:g} m and more from their edges, "
        f"with {masts}; outlines are taken to lie on the raster's roofs."
        + _lines_note(search)
        + ("" if available() else f" {_SLOW}")
    )


def _lines_note(search: RoofSearch) -> str:
    if search.lines is None:
        return " No overhead lines were given: look for them at every roof."
    count = len(search.lines.wires)
    return (
        f" {count} overhead line{'s' if count > 1 else ''} from {Path(search.lines.path).name} "
        f"{'were' if count > 1 else 'was'} kept away from; there may be others: look for them at every roof."
    )


@dataclass(slots=True)
class RoofParts:
    """Screens parts of a list of buildings, and keeps small rasters in memory.

    rasters : finest first
    """

    rasters: Sequence[Raster]
    search: RoofSearch
    _held: dict[int, HeldGrid] = field(default_factory=dict)
    _kept: RasterStack | None = None
    _boxes: tuple[Box, ...] = ()

    def screened(self, roofs: Roofs, ground_height_m: Floats, query: ScreeningQuery) -> ScreeningResults:
        """The best spot of each roof for one satellite; arrays as of `screen_roofs`."""
        where = roofs.latitude_deg, roofs.longitude_deg
        if not (self._is_compiled() and len(roofs)):
            sources = [self._source(number) for number in range(len(self.rasters))]
            grids = [self._grid(number, roofs) for number in self._fine()]
            return screen_roofs(sources, grids, roofs, ground_height_m, query, self.search, stack=None)
        found, rows = [], []
        for group in ground_boxes(self.rasters, *where, query, wider_m=2.0 * _half_width_m(roofs)):
            stack, at = self._stack_of(group.boxes), group.rows
            grids = [stack.grids[number] for number in self._fine()]
            some = roofs.take(at), ground_height_m[at]
            found.append(screen_roofs(stack.sources, grids, *some, query, self.search, stack=stack))
            rows.append(at)
        return in_order(found, rows)

    def _is_compiled(self) -> bool:
        """Whether the compiled loops are to be used."""
        small = min(min(raster.rows, raster.cols) for raster in self.rasters) < 2
        return available() and not small and not any(_grows(raster) for raster in self.rasters)

    def _fine(self) -> list[int]:
        return [number for number, raster in enumerate(self.rasters) if is_fine_surface(raster)]

    def _stack_of(self, boxes: tuple[Box, ...]) -> RasterStack:
        """Boxes of the rasters as the compiled loops read them; neighbouring groups need the same."""
        if self._kept is None or self._boxes != boxes:
            from skysill.bulk.compiled.raster_stack import held_stack

            load_compiled_loops()
            self._kept = None  # before the next one is read
            self._kept, self._boxes = held_stack(self.rasters, boxes), boxes
        return self._kept

    def _source(self, number: int) -> Elevations:
        raster = self.rasters[number]
        if not is_held(raster):
            return raster
        if number not in self._held:
            grid = raster.cells(0, raster.rows, 0, raster.cols)
            self._held[number] = HeldGrid(
                grid, raster.name, raster.kind, raster.cell_size_m, raster.vertical_error_m, raster.facts
            )
        return self._held[number]

    def _grid(self, number: int, roofs: Roofs) -> Grid:
        """A surface raster around the roofs."""
        source, raster = self._source(number), self.rasters[number]
        if isinstance(source, HeldGrid):
            return source.grid
        row, column = lattice_of(raster).cell(roofs.latitude_deg, roofs.longitude_deg)
        inside = np.isfinite(row) & np.isfinite(column)
        edge = int(_half_width_m(roofs) / raster.cell_size_m * 1.5) + _MARGIN_CELLS
        box = []
        for at, count in ((row[inside], raster.rows), (column[inside], raster.cols)):
            low, high = (int(at.min()), int(at.max())) if at.size else (0, 0)
            low = min(max(low - edge, 0), count - 2)
            box += [low, min(max(high + edge + 2, low + 2), count)]
        if (box[1] - box[0]) * (box[3] - box[2]) > MOST_CELLS:
            raise InputError("buildings of one part lie too far apart.", where=raster.name)
        return raster.cells(*box)


def _grows(raster: Elevations) -> bool:
    return raster.kind == "surface" and bool(facts_of(raster).growth_m_per_year)


def _half_width_m(roofs: Roofs) -> float:
    import shapely

    west, south, east, north = shapely.bounds(roofs.plan).T
    return float(np.max(np.maximum(east - west, north - south), initial=0.0)) / 2.0

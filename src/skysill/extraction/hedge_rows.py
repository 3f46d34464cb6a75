"""Long, narrow, even pieces of vegetation: hedges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.extraction.plan_grid import PlanGrid
from skysill.units import Bools, Floats, Ints

__all__ = ["Row", "hedge_rows"]

_LEAST_LENGTH_M, _WIDEST_M, _TALLEST_M = 5.0, 3.0, 6.0
_LEAST_RATIO = 3.0
_LEAST_FILL = 0.6
_UNEVEN_SHARE, _UNEVEN_M = 0.35, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """line_m : (2, 2) east and north of the ends of its middle line; width_m across it"""

    line_m: Floats
    width_m: float


def hedge_rows(covered: Bools, canopy_m: Floats, grid: PlanGrid) -> tuple[list[Row], Ints]:
    """Hedges among the pieces of a mask.

    Parameters
    ----------
    covered : (rows, columns) cells of vegetation; canopy_m : their height above the ground

    Returns
    -------
    The rows, and (rows, columns) the number of the row that each cell belongs to, from 1; 0 for none. A piece is a
    hedge where it is 5 m long or more, 3 m wide at most and a third of its length, 6 m high at most, fills its box by
    60 % and is nearly even on top. A bent piece is cut in halves until its parts are straight; a part shorter than 5 m
    belongs to a hedge only beside a longer one.
    """
    from scipy import ndimage

    top_m = ndimage.maximum_filter(canopy_m, size=3)  # echoes from inside a hedge do not make it uneven
    label, many = ndimage.label(covered, structure=np.ones((3, 3)))
    east_m, north_m = grid.centres_m()
    rows: list[Row] = []
    number = np.zeros(covered.shape, dtype=np.int64)
    least_cells = _LEAST_LENGTH_M * grid.cell_m / grid.cell_m**2
    sizes = np.bincount(label.ravel(), minlength=many + 1)
    for one, box in enumerate(ndimage.find_objects(label), start=1):
        if sizes[one] < least_cells or box is None:
            continue
        row, column = np.nonzero(label[box] == one)
        row, column = row + box[0].start, column + box[1].start
        heights_m = top_m[row, column]
        if not _even(heights_m):
            continue
        places = np.column_stack([east_m[column], north_m[row]])
        parts = _straight_parts(places, np.arange(len(places)), grid.cell_m)
        if not any(_length_m(found) >= _LEAST_LENGTH_M for found, _ in parts) or len(parts) == 0:
            continue
        if sum(len(cells) for _, cells in parts) < 0.9 * len(places):
            continue
        for found, cells in parts:
            rows.append(found)
            number[row[cells], column[cells]] = len(rows)
    return rows, number


def _even(heights_m: Floats) -> bool:
    low_m, high_m = np.quantile(heights_m, [0.2, 0.95])
    return bool(high_m <= _TALLEST_M and high_m - low_m <= max(_UNEVEN_M, _UNEVEN_SHARE * high_m))


def _length_m(row: Row) -> float:
    return float(np.hypot(*(row.line_m[1] - row.line_m[0])))


def _straight_parts(places: Floats, cells: Ints, cell_m: float, depth: int = 0) -> list[tuple[Row, Ints]]:
    """Boxes around places along their main axis that they fill; halved where one box does not do."""
    if len(cells) < 4 or depth > 4:
        return []
    middle = places[cells].mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((places[cells] - middle).T))
    along, across = vectors[:, 1], vectors[:, 0]
    u, v = (places[cells] - middle) @ along, (places[cells] - middle) @ across
    length_m = float(np.ptp(u)) + cell_m
    width_m = max(float(12.0**0.5 * v.std()), cell_m)  # of an evenly filled strip
    fill = len(cells) * cell_m**2 / (length_m * width_m)
    if width_m <= _WIDEST_M and length_m >= _LEAST_RATIO * width_m and fill >= _LEAST_FILL:
        centre = middle + across * float(np.median(v))
        ends = np.array([centre + along * u.min(), centre + along * u.max()])
        return [(Row(ends, width_m), cells)]
    if length_m < _LEAST_LENGTH_M:
        return []
    halves = (cells[u < np.median(u)], cells[u >= np.median(u)])
    return [part for half in halves for part in _straight_parts(places, half, cell_m, depth + 1)]

"""Holes in a fine surface raster: what lies beside one is taken as a steep edge, at any elevation."""

import numpy as np
import pytest

from skysill.horizon.lattice import Grid
from skysill.horizon.raster_sharpness import _shape


@pytest.mark.parametrize("ground_m", [-40.0, 0.0, 0.2, 300.0])
def test_beside_a_void_level_ground_counts_as_a_steep_edge(ground_m):
    values = np.full((9, 11), ground_m, np.float32)
    values[4, 5] = np.nan
    row, column = np.mgrid[:9, :11]
    thin, drop = _shape(
        Grid(values, (1.0, 0.0, 0.0, 0.0, -1.0, 0.0), "EPSG:32627"),
        column.ravel().astype(float),
        row.ravel().astype(float),
    )
    beside = (np.maximum(abs(row - 4), abs(column - 5)) == 1).ravel()
    away = (np.maximum(abs(row - 4), abs(column - 5)) > 1).ravel()
    assert drop[beside].tolist() == [1.0] * 8
    assert drop[away].max() == 0.0
    assert thin[beside | away].max() == 0.0


def test_a_void_at_the_foot_of_a_wall_hides_none_of_its_drop():
    """The wall's other neighbours are as high as itself: the void is all that stands for its foot."""
    values = np.full((9, 11), 5.0, np.float32)
    values[:, 7:] = 0.0
    grid = Grid(values, (1.0, 0.0, 0.0, 0.0, -1.0, 0.0), "EPSG:32627")
    edge = np.array([6.0]), np.array([4.0])
    assert _shape(grid, *edge)[1].tolist() == [5.0]
    values[:, 7] = np.nan
    assert _shape(grid, *edge)[1].tolist() == [1.0]  # from a metre on an edge is as steep as can be


def test_a_hole_two_cells_away_makes_nothing_less_thin():
    """Each cell of the ring two away taken out alone, of grounds at random: the middle stands out no less."""
    rng, middle, lower = np.random.default_rng(4), (np.array([3.0]), np.array([3.0])), 0
    for _ in range(40):
        values = rng.uniform(0.0, 8.0, (7, 7)).astype(np.float32)
        grid = Grid(values, (1.0, 0.0, 0.0, 0.0, -1.0, 0.0), "EPSG:32627")
        whole = _shape(grid, *middle)[0][0]
        for row, column in ((1, 3), (5, 3), (3, 1), (3, 5), (1, 1), (5, 5), (1, 5), (5, 1)):
            kept = values[row, column]
            values[row, column] = np.nan
            holed = _shape(grid, *middle)[0][0]
            values[row, column] = kept
            assert holed >= whole
            lower += holed > whole
    assert lower > 20

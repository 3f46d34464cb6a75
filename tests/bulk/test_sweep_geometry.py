"""The line swept over a window: heights lost along rays whose slopes are a known polynomial of the column."""

from __future__ import annotations

import numpy as np
import pytest
from pytest import approx

from skysill.bulk.raster_tiles import Tile
from skysill.bulk.sweep_geometry import Orientation, RayDirections, ray_directions, sweep_geometry
from skysill.horizon.lattice import Lattice
from skysill.pointing.look_vector import look_angles

WINDOW = Tile(100, 196, 40, 97)  # 96 rows, 57 columns


def directions(row, column):
    """30 m cells, rays along the rows; slopes fall and bend over the columns. Invented."""
    return RayDirections(
        along_row=np.full(np.shape(row), 1.0 / 30.0), along_column=np.zeros(np.shape(row)),
        slope=slope(column - 40.0), bend_per_m=np.full(np.shape(row), 2e-8), curve_per_m=np.zeros(np.shape(row)),
    )  # fmt: skip


def slope(column):
    return 0.4 - 1e-3 * column + 2e-5 * column**2


@pytest.mark.parametrize("scale", [1.0, 1.002])
def test_a_ray_loses_the_slope_of_its_column_from_row_to_row(scale):
    """Row n lies 30 n metres from row 0; the bend over the reach is taken off every slope."""
    found = sweep_geometry(
        WINDOW, Orientation(False, False), directions_at=directions, scale=scale, reach_m=5000.0
    )
    assert found.bend_per_m == 2e-8
    assert found.drift == approx(0.0, abs=1e-12)
    column = np.arange(57.0)
    u = (column - 28.0) / 28.0
    for row in (0, 1, 31, 32, 95):
        level, tilt, bend = found.rise_m[row]
        lost_m = (slope(column) - 2e-8 * 5000.0) * 30.0 * row * scale
        assert level + tilt * u + bend * u**2 == approx(lost_m, abs=1e-9)


def test_a_ray_that_drifts_loses_the_slopes_of_the_columns_it_passes():
    """A third of a column a row: ray c of row 0 is in column c + n / 3 at row n."""

    def slanting(row, column):
        straight = directions(row, column)
        return RayDirections(
            straight.along_row, np.full(np.shape(row), -1.0 / 90.0), straight.slope, 0.0 * straight.slope,
            straight.curve_per_m,
        )  # fmt: skip

    found = sweep_geometry(WINDOW, Orientation(False, False), directions_at=slanting, scale=1.0, reach_m=0.0)
    assert np.abs(found.drift) == approx(1.0 / 3.0)
    way = np.sign(found.drift[0])
    for row in (1, 2, 40):
        for end in (10.0, 28.0, 45.0):  # the column in which the ray ends
            passed = slope(end - way * (row - np.arange(row + 1)) / 3.0)
            lost_m = 30.0 * ((passed[1:] + passed[:-1]) / 2.0).sum()
            u = (end - 28.0) / 28.0
            level, tilt, bend = found.rise_m[row]
            assert level + tilt * u + bend * u**2 == approx(lost_m, abs=1e-6)


@pytest.mark.parametrize("transposed", [False, True])
@pytest.mark.parametrize("turned", [False, True])
def test_cells_of_a_turned_window_are_where_its_values_went(transposed, turned):
    values = np.arange(96.0)[:, None] * 1000.0 + np.arange(57.0)
    way = Orientation(transposed, turned)
    swept = way.to_sweep(values)
    assert np.array_equal(way.from_sweep(swept), values)
    row, column = np.meshgrid(np.arange(swept.shape[0]), np.arange(swept.shape[1]), indexing="ij")
    there_row, there_column = way.cells(WINDOW, row, column)
    assert np.array_equal(values[there_row - 100, there_column - 40], swept)
    part = way.rows(WINDOW, 3, 11)
    cut = values[part.top - 100 : part.bottom - 100, part.left - 40 : part.right - 40]
    assert np.array_equal(way.to_sweep(cut), swept[3:11])


def test_straight_under_the_satellite_a_ray_is_as_steep_as_a_tenth_of_a_degree_beside_it():
    """Slopes end at the tangent of 89.9 degrees, as documented; a degree of longitude away the satellite is 88.8 up."""
    lattice = Lattice((9, 9), (1e-4, 0.0, -24.0, 0.0, -1e-4, 0.0), "EPSG:4326")
    at = ray_directions(
        lattice, np.zeros(2), np.array([0.0, 10_000.0]), satellite_longitude_deg=-24.0, ground_m=0.0,
        refraction_factor=4.0 / 3.0,
    )  # fmt: skip
    assert at.slope[0] == approx(np.tan(np.deg2rad(89.9)))
    look = look_angles(0.0, -23.0, 0.0, satellite_longitude_deg=-24.0)
    assert at.slope[1] == approx(np.tan(np.deg2rad(look.elevation_deg)), rel=1e-3)

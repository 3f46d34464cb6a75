"""Ground behind a map: the elevations of the rasters, in degrees, however large the rasters are."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Transformer

from skysill.horizon.lattice import Grid
from skysill.io import backdrops
from skysill.io.backdrops import read_backdrop
from skysill.io.rasters import RasterSpec, open_rasters, write_geotiff


def raster_of(path, values, cell_m, west=283_000.0, north=6_440_000.0):
    grid = Grid(values, (cell_m, 0.0, west, 0.0, -cell_m, north), "EPSG:32627")
    write_geotiff(path, values, like=grid)
    return path


def slope(side, cell_m, west=283_000.0, north=6_440_000.0):
    """An elevation that anyone can work out from easting and northing."""
    row, column = np.mgrid[0:side, 0:side]
    return (
        0.01 * (column * cell_m + west - 283_000.0) + 0.02 * (north - 6_440_000.0 - row * cell_m) + 100.0
    ).astype(np.float32)


def bounds():
    turn = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True)
    (west, east), (south, north) = turn.transform([284_000.0, 287_000.0], [6_436_000.0, 6_439_000.0])
    return west, east, south, north


@pytest.mark.parametrize("most_cells", [1_500_000, 400])
def test_elevations_stand_where_they_are_on_the_ground(tmp_path, monkeypatch, most_cells):
    monkeypatch.setattr(backdrops, "_MOST_CELLS", most_cells)
    rasters = open_rasters([RasterSpec(raster_of(tmp_path / "a.tif", slope(180, 30.0), 30.0))])
    west, east, south, north = bounds()
    found = read_backdrop(rasters, west, east, south, north, columns=90)
    rows, columns = found.elevation_m.shape
    longitude = west + (np.arange(columns) + 0.5) * (east - west) / columns
    latitude = north - (np.arange(rows) + 0.5) * (north - south) / rows
    to_plane = Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True)
    x, y = to_plane.transform(*np.meshgrid(longitude, latitude))
    expected = 0.01 * (x - 283_000.0) + 0.02 * (y - 6_440_000.0) + 100.0
    inside = np.s_[8:-8, 8:-8]  # beyond the outermost thinned cells their height goes on
    assert np.abs(found.elevation_m - expected)[inside].max() < 0.5
    assert found.names == ("a.tif",)


def test_the_finest_raster_speaks_first_and_voids_stay_unknown(tmp_path):
    fine = np.full((500, 500), 500.0, dtype=np.float32)
    fine[:, 300:] = np.nan
    coarse = slope(180, 30.0)
    coarse[:, 100:] = np.nan
    rasters = open_rasters(
        [
            RasterSpec(raster_of(tmp_path / "fine.tif", fine, 2.0, 284_500.0, 6_438_500.0), "surface"),
            RasterSpec(raster_of(tmp_path / "coarse.tif", coarse, 30.0)),
        ]
    )
    found = read_backdrop(rasters, *bounds(), columns=90)
    assert found.names == ("fine.tif", "coarse.tif")
    assert (found.elevation_m == 500.0).sum() > 100
    assert (found.elevation_m < 200.0).sum() > 1000
    assert np.isnan(found.elevation_m[:, -20:]).all()


def test_elsewhere_there_is_none(tmp_path):
    rasters = open_rasters([RasterSpec(raster_of(tmp_path / "a.tif", slope(50, 30.0), 30.0))])
    assert read_backdrop(rasters, 10.0, 11.0, 40.0, 41.0) is None
    assert read_backdrop((), 10.0, 11.0, 40.0, 41.0) is None


def test_a_raster_that_would_take_too_long_is_left_out(tmp_path, monkeypatch):
    monkeypatch.setattr(backdrops, "_MOST_READ", 100)
    rasters = open_rasters([RasterSpec(raster_of(tmp_path / "a.tif", slope(180, 30.0), 30.0))])
    assert read_backdrop(rasters, *bounds()) is None

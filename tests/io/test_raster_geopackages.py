"""Elevations in GeoPackages: gridded coverages (OGC 17-066r1), and what must not be taken for them."""

import sqlite3

import numpy as np
import pytest
import rasterio

from skysill.errors import InputError
from skysill.io.rasters import RasterSpec, open_rasters

PLACE = (58.0312, -24.6541)
AT = rasterio.Affine(10, 0, 282_000, 0, -10, 6_440_000)
VALUES = (np.arange(500 * 600).reshape(500, 600) % 977 / 10.0).astype(np.float32)


def gpkg(path, values=VALUES, **more):
    options = {"crs": "EPSG:32627", "transform": AT, **more}
    with rasterio.open(path, "w", driver="GPKG", height=values.shape[0], width=values.shape[1], count=1,
                       dtype=values.dtype.name, **options) as target:  # fmt: skip
        target.write(values, 1)
    return path


def change(path, *statements):
    with sqlite3.connect(path) as base:
        for statement in statements:
            base.execute(statement)
    base.close()
    return path


def opened(path, **more):
    (raster,) = open_rasters([RasterSpec(path, **more)])
    return raster


def test_a_coverage_is_read_cell_by_cell(tmp_path):
    raster = opened(gpkg(tmp_path / "dem.gpkg"))
    grid = raster.cells(0, 500, 0, 600)
    np.testing.assert_array_equal(grid.values, VALUES)
    assert raster.files == [str(tmp_path / "dem.gpkg")]
    assert raster.window(*PLACE, 300.0).values.shape[0] > 60


def test_one_of_several_tables_is_named(tmp_path):
    path = gpkg(tmp_path / "two.gpkg", RASTER_TABLE="low")
    gpkg(path, VALUES + 100.0, RASTER_TABLE="high", APPEND_SUBDATASET="YES")
    with pytest.raises(InputError, match=r"the file holds 2 rasters: high, low\. Name one: two\.gpkg:high"):
        opened(path)
    assert float(opened(f"{path}:high").cells(0, 1, 0, 1).values[0, 0]) == 100.0
    assert float(opened(f"{path}:low").cells(0, 1, 0, 1).values[0, 0]) == 0.0
    with pytest.raises(InputError, match=r'has no table of elevations "hihg"\. Did you mean high\?'):
        opened(f"{path}:hihg")


def test_missing_tiles_are_refused_or_void(tmp_path):
    """A tile that is not in the table reads as 0 where no value for voids is declared."""
    gone = "DELETE FROM dem WHERE tile_column = 1 AND tile_row = 0"
    with pytest.raises(InputError, match="lacks 1 of its tiles, and declares no value for voids"):
        opened(change(gpkg(tmp_path / "dem.gpkg"), gone))
    declared = "UPDATE gpkg_2d_gridded_coverage_ancillary SET data_null = -9999.0"
    (tmp_path / "b").mkdir()
    raster = opened(change(gpkg(tmp_path / "b" / "dem.gpkg"), gone, declared))
    values = raster.cells(0, 500, 0, 600).values
    assert np.isnan(values[:256, 256:512]).all()
    np.testing.assert_array_equal(values[256:], VALUES[256:])


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE dem SET tile_data = x'' WHERE tile_column = 1", "lacks 2 of its tiles"),
        ("UPDATE dem SET tile_data = substr(tile_data, 1, 100) WHERE tile_column = 1", "damaged"),
        (
            "UPDATE dem SET tile_data = substr(tile_data, 1, length(tile_data) - 9) WHERE tile_column = 1",
            "damaged",
        ),
        ("DELETE FROM gpkg_2d_gridded_coverage_ancillary", "its tiles are not described"),
        ("DELETE FROM gpkg_tile_matrix", "its tiles are not described"),
        ("UPDATE gpkg_tile_matrix SET pixel_x_size = 0.0001", "lacks .* of its tiles"),
        ("UPDATE gpkg_contents SET max_x = 'much'", "damaged"),
        ("UPDATE gpkg_contents SET data_type = 'tiles'", "holds no table of elevations"),
        ("CREATE VIEW v AS SELECT * FROM dem", "views or virtual tables"),
    ],
)
def test_damage_is_refused(tmp_path, statement, said):
    path = gpkg(tmp_path / "dem.gpkg")
    with sqlite3.connect(path) as base:  # triggers of the standard would refuse some of it
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
    base.close()
    change(path, statement)
    with pytest.raises(InputError, match=said):
        opened(path).cells(0, 500, 0, 600)


def test_pictures_are_no_elevations(tmp_path):
    gpkg(tmp_path / "photo.gpkg", (VALUES % 255).astype(np.uint8))
    with pytest.raises(InputError, match="holds no table of elevations"):
        opened(tmp_path / "photo.gpkg")


def test_a_file_cut_short_is_refused(tmp_path):
    path = gpkg(tmp_path / "dem.gpkg")
    raw = path.read_bytes()
    for share in (0.02, 0.3, 0.7, 0.99):
        path.write_bytes(raw[: int(len(raw) * share)])
        with pytest.raises(InputError):
            opened(path).cells(0, 500, 0, 600)


def test_a_table_is_named_of_geopackages_only(tmp_path):
    with rasterio.open(tmp_path / "a.tif", "w", driver="GTiff", height=9, width=9, count=1, dtype="float32",
                       crs="EPSG:32627", transform=AT) as target:  # fmt: skip
        target.write(VALUES[:9, :9], 1)
    with pytest.raises(InputError, match="names no part of it"):
        opened(f"{tmp_path / 'a.tif'}:dem")

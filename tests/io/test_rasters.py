"""Elevation rasters: windows, units, voids, tiles, refusals; GeoTIFF whole or not at all."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest
import rasterio
from pyproj import Geod, Transformer
from rasterio.shutil import copy as copy_raster

from skysill.errors import InputError
from skysill.horizon.lattice import Grid
from skysill.horizon.terrain import ground_at, terrain_silhouette
from skysill.io.rasters import RasterSpec, default_vertical_error_m, open_rasters, write_geotiff

UTM = "EPSG:32627"
EAST, NORTH = 402_000.0, 6_433_000.0


def write(path: Path, values, *, crs=UTM, cell=30.0, west=EAST, north=NORTH, **more) -> Path:
    values = np.asarray(values)
    rows, cols = values.shape
    options = {"driver": "GTiff", "height": rows, "width": cols, "count": 1, "dtype": values.dtype.name, "crs": crs,
               "transform": rasterio.Affine(cell, 0, west, 0, -cell, north)}  # fmt: skip
    extra = {key: more.pop(key) for key in ("units", "scales", "offsets") if key in more}
    with rasterio.open(path, "w", **{**options, **more}) as target:
        for band in range(1, target.count + 1):
            target.write(values, band)
        for key, value in extra.items():
            setattr(target, key, value)
    return path


def one(path, **more):
    (raster,) = open_rasters([RasterSpec(path, **more)])
    return raster


def centre(row: float, col: float, *, cell=30.0, crs=UTM) -> tuple[float, float]:
    """Latitude, longitude of the centre of a cell of a raster made by `write`."""
    x, y = EAST + (col + 0.5) * cell, NORTH - (row + 0.5) * cell
    longitude, latitude = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
    return latitude, longitude


def ramp(rows=60, cols=80, dtype="float32"):
    return (np.arange(rows)[:, None] * 100 + np.arange(cols)[None, :]).astype(dtype)


def test_heights_sit_at_cell_centres(tmp_path):
    raster = one(write(tmp_path / "ramp.tif", ramp()))
    for row, col in ((10, 10), (10.5, 20.25), (58.9, 0.1)):
        height, said = ground_at([raster], *centre(row, col))
        assert height == pytest.approx(row * 100 + col, abs=0.02)
        assert said == 0
    assert raster.name == "ramp.tif"
    assert raster.cell_size_m == pytest.approx(30.0, rel=1e-3)


@pytest.mark.parametrize("dtype", ["int16", "uint16", "int32", "float32", "float64", "uint8"])
def test_integer_and_float_types(tmp_path, dtype):
    values = np.full((20, 20), 77, dtype)
    raster = one(write(tmp_path / "any.tif", values))
    assert ground_at([raster], *centre(10, 10))[0] == 77.0


def test_window_is_no_larger_than_asked_and_stays_on_the_lattice(tmp_path):
    raster = one(write(tmp_path / "ramp.tif", ramp(600, 800)))
    grid = raster.window(*centre(300, 400), 600.0)
    assert grid.values.shape == pytest.approx((45, 45), abs=3)
    assert (grid.transform[2] - (EAST + 15.0)) / 30.0 == pytest.approx(
        round((grid.transform[2] - EAST - 15.0) / 30.0)
    )
    assert raster.window(*centre(300, 1500), 600.0) is None
    assert raster.window(*centre(300, 410), 300.0) is grid  # what was read once is kept
    assert raster.window(*centre(0, 0), 600.0).values[0, 0] == 0.0


def test_declared_nodata_and_nan_are_void(tmp_path):
    values = ramp(20, 20)
    values[5, 5], values[8, 8] = -1.0, np.nan
    grid = one(write(tmp_path / "void.tif", values, nodata=-1.0)).window(*centre(10, 10), 1e4)
    assert np.isnan(grid.values[5, 5])
    assert np.isnan(grid.values[8, 8])
    assert np.isnan(grid.values).sum() == 2
    assert grid.notes == ()


@pytest.mark.parametrize("hole", [-9999, -32768])
def test_undeclared_holes_are_void_and_noted(tmp_path, hole):
    values = ramp(20, 20, "int16")
    values[5, 5] = hole
    grid = one(write(tmp_path / "void.tif", values)).window(*centre(10, 10), 1e4)
    assert np.isnan(grid.values).sum() == 1
    assert f"void.tif: cells of {hole} are taken as voids" in grid.notes[0]


def test_impossible_heights_are_void(tmp_path):
    values = ramp(20, 20)
    values[3, 3] = 3.4e38
    grid = one(write(tmp_path / "void.tif", values)).window(*centre(10, 10), 1e4)
    assert np.isnan(grid.values[3, 3])
    assert "above 9000 m" in grid.notes[0]


def test_a_mask_beside_the_band_is_honoured(tmp_path):
    path = tmp_path / "masked.tif"
    write(path, ramp(20, 20))
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK="YES"), rasterio.open(path, "r+") as target:
        mask = np.full((20, 20), 255, np.uint8)
        mask[4, 4] = 0
        target.write_mask(mask)
    grid = one(path).window(*centre(10, 10), 1e4)
    assert np.isnan(grid.values[4, 4])
    assert np.isnan(grid.values).sum() == 1


def test_scale_and_offset(tmp_path):
    """Decimetres stored as integers from a base of 100 m."""
    values = ramp(20, 20, "uint16")
    raster = one(write(tmp_path / "dm.tif", values, scales=(0.1,), offsets=(100.0,), nodata=0))
    grid = raster.window(*centre(10, 10), 1e4)
    assert grid.values[5, 6] == pytest.approx(100.0 + 50.6)
    assert np.isnan(grid.values[0, 0])


@pytest.mark.parametrize(
    ("unit", "metres"),
    [("ft", 0.3048), ("US survey foot", 1200 / 3937), ("m", 1.0), ("metre", 1.0), ("", 1.0)],
)
def test_feet_are_converted_by_the_band_unit(tmp_path, unit, metres):
    """The international foot is 0.3048 m exactly, the US survey foot 1200/3937 m (NIST SP 811, from memory)."""
    raster = one(write(tmp_path / "feet.tif", np.full((20, 20), 1000.0, "float32"), units=(unit,)))
    assert ground_at([raster], *centre(10, 10))[0] == pytest.approx(1000.0 * metres, rel=1e-6)


def test_feet_are_converted_by_a_compound_crs(tmp_path):
    """EPSG:6360 is NAVD88 height in US survey feet."""
    raster = one(write(tmp_path / "feet.tif", np.full((20, 20), 1000.0, "float32"), crs="EPSG:26917+6360"))
    assert ground_at([raster], *centre(10, 10, crs="EPSG:26917"))[0] == pytest.approx(304.8006, abs=1e-3)


def test_a_plan_in_feet_without_a_height_unit_is_taken_as_metres_and_noted(tmp_path):
    raster = one(write(tmp_path / "feet.tif", ramp(), crs="EPSG:2264", west=1_500_000.0, north=600_000.0))
    assert raster.cell_size_m == pytest.approx(30 * 0.3048006, rel=1e-3)
    assert "names no unit for its heights" in raster.notes[0]


def test_several_bands_take_the_first_and_say_so(tmp_path):
    raster = one(write(tmp_path / "three.tif", ramp(20, 20), count=3))
    assert "three.tif has 3 bands; the first is taken as elevation." in raster.notes


def test_geographic_cells_have_the_size_of_their_longer_side(tmp_path):
    raster = one(write(tmp_path / "deg.tif", ramp(), crs="EPSG:4326", cell=1 / 3600, west=10.0, north=62.0))
    side = Geod(ellps="WGS84").inv(10.0, 62.0, 10.0, 62.0 - 1 / 3600)[2]
    assert raster.cell_size_m == pytest.approx(side, rel=1e-4)


def test_longitudes_past_the_date_line_meet(tmp_path):
    raster = one(write(tmp_path / "fiji.tif", ramp(), crs="EPSG:4326", cell=0.01, west=179.8, north=-16.0))
    height, _ = ground_at([raster], -16.205, -179.995)  # column 20, row 20
    assert height == pytest.approx(2020.0, abs=0.1)


# ---------------------------------------------------------------------------------------------------------------- tiles


def test_a_folder_of_tiles_is_one_raster(tmp_path):
    values = ramp(60, 80)
    for row in (0, 30):
        for col in (0, 40):
            corner = {"west": EAST + 30 * col, "north": NORTH - 30 * row}
            write(tmp_path / f"t{row}_{col}.tif", values[row : row + 30, col : col + 40], **corner)
    raster = one(tmp_path)
    grid = raster.window(*centre(30, 40), 1e5)
    np.testing.assert_array_equal(grid.values, values)
    assert raster.name == tmp_path.name
    assert ground_at([raster], *centre(29.5, 39.5))[0] == pytest.approx(2989.5, abs=0.02)  # across the seam


def test_a_missing_tile_is_void_not_sea(tmp_path):
    write(tmp_path / "a.tif", ramp(30, 30))
    write(tmp_path / "b.tif", ramp(30, 30), west=EAST + 900.0, north=NORTH - 900.0)
    grid = one(tmp_path).window(*centre(30, 30), 1e5)
    assert grid.values.shape == (60, 60)
    assert np.isnan(grid.values[:30, 30:]).all()
    assert np.isfinite(grid.values[:30, :30]).all()


def test_tiles_of_two_sizes_are_two_rasters_finest_first(tmp_path):
    write(tmp_path / "a.tif", ramp(30, 30))
    write(tmp_path / "b.tif", ramp(30, 30), cell=10.0)
    assert [round(r.cell_size_m) for r in open_rasters([RasterSpec(tmp_path)])] == [10, 30]


def hgt(path: Path, heights) -> None:
    """SRTM 3 arc second tile: 1201 x 1201 big-endian 16-bit metres, north row first (NASA/JPL SRTM documentation)."""
    path.write_bytes(np.asarray(heights, ">i2").tobytes())
    assert path.stat().st_size == 2_884_802


def test_srtm_tiles_share_their_edges_and_hold_their_corner_at_the_named_degree(tmp_path):
    row, col = np.mgrid[0:1201, 0:1201]
    west = 100 + row // 4 + col // 4
    west[600, 600] = -32768
    hgt(tmp_path / "N36W085.hgt", west)
    hgt(tmp_path / "N36W084.hgt", 100 + row // 4 + (col + 1200) // 4)
    raster = one(tmp_path, kind="surface")
    assert (raster.rows, raster.cols) == (1201, 2401)
    assert raster.vertical_error_m == 5.7
    assert ground_at([raster], 36.0, -85.0)[0] == pytest.approx(400.0, abs=1e-3)
    assert ground_at([raster], 37.0, -83.0)[0] == pytest.approx(700.0, abs=1e-3)
    assert ground_at([raster], 36.25, -84.0)[0] == pytest.approx(
        100 + 225 + 300, abs=1e-3
    )  # on the shared edge
    assert np.isnan(ground_at([raster], 36.5, -84.5)[0])


def test_a_virtual_mosaic_is_read(tmp_path):
    write(tmp_path / "a.tif", ramp(30, 30))
    copy_raster(str(tmp_path / "a.tif"), str(tmp_path / "a.vrt"), driver="VRT")
    assert ground_at([one(tmp_path / "a.vrt")], *centre(10, 10))[0] == pytest.approx(1010.0, abs=0.02)


# ------------------------------------------------------------------------------------------------------------- refusals


def refusal(path, **more) -> str:
    def read_all():
        for raster in open_rasters([RasterSpec(path, **more)]):
            raster.window(*centre(10, 10), 1e5)

    with pytest.raises(InputError) as caught:
        read_all()
    line = str(caught.value)
    assert "\n" not in line
    assert str(path) in line
    return line


def test_refusals_name_the_file_and_the_mend(tmp_path):
    assert "there is no such file. Check the path" in refusal(tmp_path / "absent.tif")
    empty = tmp_path / "folder"
    empty.mkdir()
    assert "the folder holds no elevation raster. Put GeoTIFF" in refusal(empty)
    text = tmp_path / "words.tif"
    text.write_text("not a raster")
    assert "not a raster that can be read" in refusal(text)
    assert "no coordinate reference system. Assign one" in refusal(
        write(tmp_path / "bare.tif", ramp(), crs=None)
    )
    assert "is no vertical error" in refusal(write(tmp_path / "fine.tif", ramp()), vertical_error_m=-3.0)
    assert 'its heights are in "degree"' in refusal(write(tmp_path / "slope.tif", ramp(), units=("degree",)))
    assert "no band of elevations" in refusal(write(tmp_path / "complex.tif", ramp().astype("complex64")))
    local = 'LOCAL_CS["yard",UNIT["metre",1]]'
    assert "does not lie on the Earth" in refusal(write(tmp_path / "local.tif", ramp(), crs=local))


@pytest.mark.parametrize("share", [0.02, 0.3, 0.9])
@pytest.mark.parametrize("options", [{}, {"tiled": True, "compress": "deflate"}])
def test_a_half_written_raster_is_refused(tmp_path, share, options, rng):
    path = write(tmp_path / "half.tif", rng.normal(size=(512, 512)).astype("float32"), **options)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    line = refusal(path)
    assert "half written" in line or "breaks off" in line


def test_a_virtual_mosaic_whose_source_is_gone_is_refused(tmp_path):
    write(tmp_path / "a.tif", ramp(30, 30))
    copy_raster(str(tmp_path / "a.tif"), str(tmp_path / "a.vrt"), driver="VRT")
    (tmp_path / "a.tif").unlink()
    assert "a.vrt" in refusal(tmp_path / "a.vrt")


def test_a_file_that_was_truncated_after_opening_is_refused(tmp_path, rng):
    path = write(tmp_path / "late.tif", rng.normal(size=(512, 512)).astype("float32"))
    raster = one(path)
    path.write_bytes(path.read_bytes()[:200_000])
    with pytest.raises(InputError, match=r"late\.tif"):
        raster.window(*centre(256, 256), 1e5)


# ----------------------------------------------------------------------------------------------------------- the rest


def test_rasters_travel_to_other_processes_without_their_windows(tmp_path):
    raster = one(write(tmp_path / "ramp.tif", ramp(300, 300)))
    raster.window(*centre(150, 150), 1e4)
    shifted = pickle.dumps(raster)
    assert len(shifted) < 5000
    assert ground_at([pickle.loads(shifted)], *centre(10, 10))[0] == pytest.approx(1010.0, abs=0.02)


def test_default_errors():
    """GLO-30: 4 m at 90 % (Copernicus DEM handbook) is 2.43 m standard deviation, 1.645 of which hold 90 %."""
    assert default_vertical_error_m("x.tif", "surface", 30.0) == pytest.approx(4.0 / 1.645, abs=0.05)
    assert default_vertical_error_m("x.tif", "bare", 1.0) == 0.3


def test_raster_and_memory_give_the_same_horizon(tmp_path, rng):
    values = rng.normal(100.0, 20.0, (200, 200)).astype("float32")
    raster = one(write(tmp_path / "rough.tif", values))
    latitude, longitude = centre(100, 100)
    seen = terrain_silhouette(
        [raster], latitude_deg=latitude, longitude_deg=longitude, antenna_elevation_m=200.0,
        azimuth_deg=np.arange(0, 360, 5.0), highest_ground_m=500.0, refraction_factor=4 / 3,
    )  # fmt: skip
    assert (seen.reach_m > 2900.0).all()
    assert seen.features[0].name == "rough.tif"
    assert seen.sigma_deg.min() > 0.0


@pytest.mark.parametrize("dtype", ["float32", "int16"])
def test_geotiff_round_trip(tmp_path, dtype):
    values = ramp(30, 40, dtype)
    grid = Grid(values.astype("float32"), (30.0, 0.0, EAST + 15.0, 0.0, -30.0, NORTH - 15.0), UTM)
    path = tmp_path / "out.tif"
    write_geotiff(path, values, like=grid, tags={"satellite": "Demo South"}, nodata=-5)
    with rasterio.open(path) as made:
        assert made.transform.c == EAST
        assert made.tags()["satellite"] == "Demo South"
        assert made.dtypes == (dtype,)
        assert made.nodata == -5
    np.testing.assert_array_equal(one(path).window(*centre(10, 10), 1e5).values, values)
    write_geotiff(tmp_path / "again.tif", values, like=one(path))
    assert one(tmp_path / "again.tif").transform == one(path).transform
    assert sorted(p.name for p in tmp_path.iterdir()) == ["again.tif", "out.tif"]


def test_a_write_that_fails_leaves_nothing(tmp_path):
    grid = Grid(ramp(30, 40), (30.0, 0.0, EAST, 0.0, -30.0, NORTH), UTM)
    with pytest.raises(InputError, match="the values are"):
        write_geotiff(tmp_path / "out.tif", ramp(3, 4), like=grid)
    with pytest.raises(InputError, match="does not exist"):
        write_geotiff(tmp_path / "no" / "out.tif", ramp(30, 40), like=grid)
    (tmp_path / "taken.tif").mkdir()
    with pytest.raises(InputError, match="is a folder, not a file"):
        write_geotiff(tmp_path / "taken.tif", ramp(30, 40), like=grid)
    assert [p.name for p in tmp_path.iterdir()] == ["taken.tif"]


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def test_rasters_are_read_finest_first_whatever_their_order(tmp_path):
    for name, cell in (("coarse.tif", 30.0), ("fine.tif", 1.0), ("bare.tif", 1.0)):
        at = {"crs": "EPSG:32627", "transform": rasterio.Affine(cell, 0, 284_000.0, 0, -cell, 6_438_000.0)}
        size = {"height": 50, "width": 50, "count": 1, "dtype": "float32"}
        with rasterio.open(tmp_path / name, "w", driver="GTiff", **size, **at) as target:
            target.write(np.full((50, 50), cell, np.float32), 1)
    coarse, bare = RasterSpec(tmp_path / "coarse.tif"), RasterSpec(tmp_path / "bare.tif")
    fine = RasterSpec(tmp_path / "fine.tif", "surface")
    turned = open_rasters([coarse, bare, fine])
    assert [raster.name for raster in turned] == ["fine.tif", "bare.tif", "coarse.tif"]
    note = "Rasters are read finest first: fine.tif (1 m), bare.tif (1 m), coarse.tif (30 m)."
    assert turned[0].notes == (note,)
    assert all(raster.notes == () for raster in open_rasters([fine, bare, coarse]))


def test_tiles_on_both_sides_of_180_degrees_are_one_raster(tmp_path):
    """Ground that rises by 100 m a degree of longitude eastward from 179, through 180; the walk is by geodesics."""
    cells, cell = 200, 1.0 / 200.0
    for name, west in (("east.tif", 179.0), ("west.tif", -180.0)):
        rise = 100.0 * ((west + (np.arange(cells) + 0.5) * cell) % 360.0 - 179.0)
        write(tmp_path / name, np.tile(rise, (cells, 1)).astype("float32"), crs="EPSG:4326", cell=cell, west=west,
              north=-44.0)  # fmt: skip
    raster = one(tmp_path)
    assert (raster.rows, raster.cols) == (cells, 2 * cells)
    east_m = np.array([-3000.0, -10.0, 10.0, 3000.0])
    longitude, latitude, _ = Geod(ellps="WGS84").fwd(
        np.full(4, 180.0), np.full(4, -44.5), np.full(4, 90.0), east_m
    )
    for there in zip(latitude, longitude, strict=True):
        height, said = ground_at([raster], *there)
        assert said == 0
        assert height == pytest.approx(100.0 * (there[1] % 360.0 - 179.0), abs=0.01)
    window = raster.window(-44.5, 179.99, 5000.0)
    assert window is not None
    assert not window.has_void
    assert window.values.shape[1] < 50

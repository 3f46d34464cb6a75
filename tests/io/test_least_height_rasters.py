"""Rasters of least heights from file to file: the same however they are cut, honest about what is not known."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio

from skysill.bulk.raster_tiles import Tile
from skysill.errors import InputError
from skysill.horizon.lattice import Grid
from skysill.io import least_height_rasters as heightmaps, least_height_rasters as room, surface_heights
from skysill.io.least_height_rasters import HeightsRequest, outline_of, raster_window, write_heights
from skysill.io.rasters import RasterSpec, open_rasters, write_geotiff
from skysill.io.surface_heights import SurfaceHeights
from skysill.model.site import OrbitRecord, Satellite

SOUTH, EAST = Satellite("Demo South", -24.0), Satellite("Demo East", 5.5)


@pytest.fixture(scope="module")
def raster(tmp_path_factory):
    row, column = np.mgrid[0:260, 0:300]
    ground = (200.0 + 150.0 * np.sin(row / 6.0) * np.cos(column / 8.0)).astype(np.float32)
    ground[100:104, 100:110] = np.nan
    path = tmp_path_factory.mktemp("ground") / "waves.tif"
    grid = Grid(ground, (30.0, 0.0, 280_000.0, 0.0, -30.0, 6_440_000.0), "EPSG:32627")
    write_geotiff(path, ground, like=grid)
    return path


def asked(path, **over):
    (own,) = open_rasters([RasterSpec(path)])
    return HeightsRequest(**({"raster": own, "satellites": (SOUTH, EAST), "highest_ground_m": 351.0} | over))


def test_bands_tags_overviews_and_honest_nodata(raster, tmp_path, monkeypatch):
    monkeypatch.setattr(room, "_TILE_CELLS", 512)
    made = write_heights(asked(raster), tmp_path / "out.tif", tags={"software": "x"})
    with rasterio.open(tmp_path / "out.tif") as out:
        heights = out.read()
        assert out.count == 2
        assert out.descriptions[0] == "least antenna height above ground, Demo South"
        assert np.isnan(out.nodata)
        assert out.tags()["software"] == "x"
        assert out.tags(2)["longitude_deg"] == "5.5"
        assert out.profile["tiled"]
        assert out.profile["compress"] == "deflate"
    assert np.isnan(heights[:, 100:104, 100:110]).all()
    assert np.isnan(
        heights[0, -1]
    ).all()  # the satellite's side of the raster: nobody knows what stands beyond
    assert (heights[0][~np.isnan(heights[0])] >= 0.0).all()
    assert made.unknown[0] + made.seen[0] + made.raised[0] == 260 * 300
    assert made.raised[0] > 100


def test_a_window_gives_what_the_whole_raster_gives_there_and_reads_ground_outside_it(raster, tmp_path):
    write_heights(asked(raster, satellites=(SOUTH,)), tmp_path / "whole.tif")
    window = raster_window(asked(raster).raster, [281_500.0, 6_435_000.0, 284_000.0, 6_438_000.0])
    made = write_heights(asked(raster, satellites=(SOUTH,), window=window), tmp_path / "part.tif")
    assert (made.rows, made.columns) == window.shape
    with rasterio.open(tmp_path / "whole.tif") as whole, rasterio.open(tmp_path / "part.tif") as part:
        assert whole.xy(window.top, window.left) == part.xy(0, 0)
        all_m, some_m = window.cut(whole.read(1), Tile(0, 260, 0, 300)), part.read(1)
    both = ~np.isnan(all_m) & ~np.isnan(some_m)
    assert both.mean() > 0.9
    assert (
        np.sqrt(np.mean((all_m - some_m)[both] ** 2)) < 1.0
    )  # other rays over steep waves, the method's own error


def test_an_outline_leaves_the_rest_nodata(raster, tmp_path):
    shape = tmp_path / "area.geojson"
    shape.write_text(
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":{"type":"Polygon",'
        '"coordinates":[[[-24.72,58.02],[-24.68,58.02],[-24.68,58.0],[-24.72,58.0],[-24.72,58.02]]]}}]}',
        encoding="utf-8",
    )
    own = asked(raster).raster
    write_heights(asked(raster, satellites=(SOUTH,), outline=outline_of(shape, own)), tmp_path / "out.tif")
    with rasterio.open(tmp_path / "out.tif") as out:
        known = ~np.isnan(out.read(1))
    assert 500 < known.sum() < 10_000
    with pytest.raises(InputError, match="there is no such file"):
        outline_of(raster.with_name("missing.geojson"), own)


def test_tiles_resumed_and_on_two_processes_are_the_same_bytes(raster, tmp_path, monkeypatch):
    monkeypatch.setattr(room, "_TILE_CELLS", 128)
    write_heights(asked(raster), tmp_path / "calm.tif")
    calls = []

    def stop(done, total):
        calls.append(done)
        if len(calls) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_heights(asked(raster), tmp_path / "again.tif", progress=stop)
    made = write_heights(asked(raster), tmp_path / "again.tif", resume=True)
    assert "Going on with 3 finished parts." in made.notes  # two tiles, and the raster's extremes
    write_heights(asked(raster), tmp_path / "two.tif", jobs=2)
    calm = (tmp_path / "calm.tif").read_bytes()
    assert (tmp_path / "again.tif").read_bytes() == calm
    assert (tmp_path / "two.tif").read_bytes() == calm


def test_large_rasters_are_read_by_windows_with_the_same_result(raster, tmp_path, monkeypatch):
    write_heights(asked(raster), tmp_path / "held.tif")
    monkeypatch.setattr(surface_heights, "_HELD_CELLS", 0)
    write_heights(asked(raster), tmp_path / "windows.tif")
    assert (tmp_path / "held.tif").read_bytes() == (tmp_path / "windows.tif").read_bytes()


def test_what_cannot_be_done_is_refused(raster, tmp_path):
    with pytest.raises(InputError, match="would be written over"):
        write_heights(asked(raster), raster)
    moving = Satellite("wanderer", orbit=OrbitRecord({}, "x"))
    with pytest.raises(InputError, match="wanderer: moves"):
        write_heights(asked(raster, satellites=(moving,)), tmp_path / "out.tif")
    with pytest.raises(InputError, match="holds no cell of the raster"):
        raster_window(asked(raster).raster, [0.0, 0.0, 1.0, 1.0])


def test_a_changed_file_behind_a_virtual_raster_stops_a_resumed_run(raster, tmp_path, monkeypatch):
    copied = tmp_path / "own.tif"
    copied.write_bytes(raster.read_bytes())
    with rasterio.open(copied) as own:
        side, high, a = own.width, own.height, own.transform
        crs = own.crs.to_wkt().replace('"', "&quot;")
        nodata = "" if own.nodata is None else f"<NoDataValue>{own.nodata}</NoDataValue>"
    mosaic = tmp_path / "m.vrt"
    mosaic.write_text(
        f'<VRTDataset rasterXSize="{side}" rasterYSize="{high}"><SRS>{crs}</SRS>'
        f"<GeoTransform>{a.c},{a.a},{a.b},{a.f},{a.d},{a.e}</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{nodata}<SimpleSource>'
        '<SourceFilename relativeToVRT="1">own.tif</SourceFilename><SourceBand>1</SourceBand></SimpleSource>'
        "</VRTRasterBand></VRTDataset>"
    )
    monkeypatch.setattr(heightmaps, "_assemble", lambda *rest: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        write_heights(asked(mosaic, satellites=(SOUTH,)), tmp_path / "out.tif")
    monkeypatch.undo()
    with open(copied, "r+b") as stream:
        stream.seek(-1, 2)
        last = stream.read(1)
        stream.seek(-1, 2)
        stream.write(bytes([last[0] ^ 1]))
    with pytest.raises(InputError, match=r'own.tif" has changed since the run'):
        write_heights(asked(mosaic, satellites=(SOUTH,)), tmp_path / "out.tif", resume=True)


@pytest.fixture(scope="module")
def village(tmp_path_factory):
    """A surface of 1 m cells with houses, its bare ground, and coarse ground around both."""
    folder = tmp_path_factory.mktemp("village")
    row, column = np.mgrid[0:200, 0:180]
    bare = (40.0 + 0.03 * row).astype(np.float32)
    surface = bare + np.where((row % 40 < 9) & (column % 30 < 12), 6.0, 0.0).astype(np.float32)
    surface[100:104, 90:96] = np.nan
    fine = Grid(surface, (1.0, 0.0, 283_500.0, 0.0, -1.0, 6_436_000.0), "EPSG:32627")
    write_geotiff(folder / "surface.tif", surface, like=fine)
    write_geotiff(folder / "bare.tif", bare, like=fine)
    coarse = Grid(
        np.full((150, 150), 42.0, np.float32), (2.5, 0.0, 283_400.0, 0.0, -2.5, 6_436_100.0), "EPSG:32627"
    )
    write_geotiff(folder / "bare_2.5m.tif", coarse.values, like=coarse)
    wide = Grid(
        np.full((200, 200), 45.0, np.float32), (30.0, 0.0, 280_600.0, 0.0, -30.0, 6_439_000.0), "EPSG:32627"
    )
    write_geotiff(folder / "wide.tif", wide.values, like=wide)
    return folder


def over_surface(folder, *, bare=None, far=None, highest_m=60.0, **over):
    own, *_ = open_rasters([RasterSpec(folder / "surface.tif", "surface")])
    below, beyond = (
        None if name is None else open_rasters([RasterSpec(folder / name)])[0] for name in (bare, far)
    )
    surface = SurfaceHeights(far=beyond, bare=below)
    return HeightsRequest(own, (SOUTH,), highest_ground_m=highest_m, surface=surface, **over)


def read_band(path):
    with rasterio.open(path) as opened:
        return opened.read(1), opened.tags(), opened.descriptions[0]


def test_heights_over_a_surface_say_what_they_are_above(village, tmp_path):
    write_heights(over_surface(village), tmp_path / "roofs.tif")
    write_heights(over_surface(village, bare="bare.tif"), tmp_path / "ground.tif")
    roofs, tags, said = read_band(tmp_path / "roofs.tif")
    ground, ground_tags, ground_said = read_band(tmp_path / "ground.tif")
    with rasterio.open(village / "surface.tif") as surface, rasterio.open(village / "bare.tif") as bare:
        standing = surface.read(1) - bare.read(1)
    known = np.isfinite(roofs)
    assert (known == np.isfinite(ground)).all()
    assert np.abs(ground - roofs - standing)[known].max() < 1e-4
    assert standing[known].max() == 6.0
    assert "above the surface" in tags["meaning"]
    assert tags["fresnel_fraction"] == "0.6"
    assert said == "least antenna height above the surface, Demo South"
    assert "above the bare ground" in ground_tags["meaning"]
    assert ground_said == "least antenna height above ground, Demo South"
    assert np.isnan(roofs[100:104, 90:96]).all()
    assert np.isnan(roofs[85:100, 91:95]).all()


def test_bare_ground_on_another_lattice_is_interpolated(village, tmp_path):
    write_heights(over_surface(village), tmp_path / "roofs.tif")
    write_heights(over_surface(village, bare="bare_2.5m.tif"), tmp_path / "ground.tif")
    roofs, ground = read_band(tmp_path / "roofs.tif")[0], read_band(tmp_path / "ground.tif")[0]
    with rasterio.open(village / "surface.tif") as surface:
        expected = np.maximum(roofs + surface.read(1) - 42.0, 0.0)
    known = np.isfinite(expected)
    assert np.abs(ground - expected)[known].max() < 1e-3


def test_surface_heights_are_the_same_bytes_from_two_processes_and_after_a_stop(
    village, tmp_path, monkeypatch
):
    monkeypatch.setattr(room, "_SURFACE_TILE_CELLS", 64)
    asked_for = over_surface(village, far="wide.tif", highest_m=70.0)
    write_heights(asked_for, tmp_path / "calm.tif")

    def stop(done, cells):
        if 0 < done > cells / 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_heights(asked_for, tmp_path / "again.tif", progress=stop)
    write_heights(asked_for, tmp_path / "again.tif", resume=True)
    assert (tmp_path / "again.tif").read_bytes() == (tmp_path / "calm.tif").read_bytes()
    monkeypatch.setattr(room, "_SURFACE_TILE_CELLS", 512)  # other processes do not see it
    write_heights(asked_for, tmp_path / "whole.tif")
    write_heights(asked_for, tmp_path / "two.tif", jobs=2)
    assert (tmp_path / "two.tif").read_bytes() == (tmp_path / "whole.tif").read_bytes()
    assert np.isfinite(read_band(tmp_path / "whole.tif")[0]).any()


def test_a_coarse_surface_is_refused(raster, tmp_path):
    with pytest.raises(InputError, match="near things show on cells up to 2 m"):
        write_heights(asked(raster, surface=SurfaceHeights()), tmp_path / "out.tif")

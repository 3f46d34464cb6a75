"""Raster files that are damaged, cut short, or lead elsewhere: refused, and gaps are voids."""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import threading
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.shutil import copy as copy_raster

from skysill.errors import InputError
from skysill.io.raster_checks import check_raster_file
from skysill.io.rasters import RasterSpec, open_rasters

PLACE = {"crs": "EPSG:32627", "transform": rasterio.Affine(10, 0, 5e5, 0, -10, 6.4e6)}


def write(path: Path, values, driver="GTiff", **more) -> Path:
    values = np.asarray(values, dtype="float32")
    options = {
        "driver": driver,
        "height": values.shape[0],
        "width": values.shape[1],
        "count": 1,
        "dtype": "float32",
    }
    with rasterio.open(path, "w", **{**options, **PLACE, **more}) as target:
        target.write(values, 1)
    return path


def all_of(path):
    (raster,) = open_rasters([RasterSpec(path)])
    return raster.cells(0, raster.rows, 0, raster.cols).values


def refused(path) -> str:
    with pytest.raises(InputError) as caught:
        all_of(path)
    return str(caught.value)


def vrt(path: Path, body: str, *, band="", side=20) -> Path:
    path.write_text(
        f'<VRTDataset rasterXSize="{side}" rasterYSize="{side}"><SRS>EPSG:32627</SRS>'
        "<GeoTransform>500000,10,0,6400000,0,-10</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1"{band}>{body}</VRTRasterBand></VRTDataset>'
    )
    return path


def source(name, x=0, y=0, side=10, *, kind="SimpleSource", relative=1, more=""):
    return (
        f'<{kind}><SourceFilename relativeToVRT="{relative}">{name}</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="{side}" ySize="{side}"/>'
        f'<DstRect xOff="{x}" yOff="{y}" xSize="{side}" ySize="{side}"/>{more}</{kind}>'
    )


HILL = np.full((10, 10), 300.0)


def test_gaps_of_a_mosaic_without_a_declared_void_are_voids(tmp_path):
    write(tmp_path / "a.tif", HILL)
    write(tmp_path / "b.tif", HILL + 50)
    values = all_of(vrt(tmp_path / "m.vrt", source("a.tif") + source("b.tif", 10, 10)))
    assert np.all(values[:10, :10] == 300.0)
    assert np.all(values[10:, 10:] == 350.0)
    assert np.isnan(values[:10, 10:]).all()
    assert np.isnan(values[10:, :10]).all()
    (raster,) = open_rasters([RasterSpec(tmp_path / "m.vrt")])
    window = raster.cells(5, 15, 5, 15).values
    assert np.isnan(window[:5, 5:]).all()
    assert np.isfinite(window[:5, :5]).all()


def test_a_mosaic_without_gaps_is_read_whole(tmp_path):
    write(tmp_path / "a.tif", np.full((20, 20), 5.0))
    assert np.all(all_of(vrt(tmp_path / "m.vrt", source("a.tif", side=20))) == 5.0)


def test_voids_of_a_mosaics_files_must_be_the_mosaics(tmp_path):
    holed = HILL.copy()
    holed[3, 3] = -5.0
    write(tmp_path / "a.tif", holed, nodata=-5.0)
    said = refused(vrt(tmp_path / "m.vrt", source("a.tif")))
    assert "has voids of -5 that the mosaic would take for ground" in said
    left_out = source("a.tif", kind="ComplexSource", more="<NODATA>-5</NODATA>")
    assert "would fill them with 0" in refused(vrt(tmp_path / "m.vrt", left_out))
    values = all_of(vrt(tmp_path / "m.vrt", "<NoDataValue>-9</NoDataValue>" + left_out))
    assert np.isnan(values[3, 3])
    assert np.isnan(values[15, 15])


def sparse(path: Path, **more) -> Path:
    options = {"driver": "GTiff", "height": 64, "width": 64, "count": 1, "dtype": "float32", "tiled": True,
               "blockxsize": 16, "blockysize": 16, "SPARSE_OK": "TRUE"}  # fmt: skip
    with rasterio.open(path, "w", **{**options, **PLACE, **more}) as target:
        target.write(np.full((32, 32), 77.0, "float32"), 1, window=rasterio.windows.Window(16, 16, 32, 32))
    return path


@pytest.mark.parametrize("more", [{}, {"compress": "deflate"}, {"nodata": -1.0}])
def test_blocks_that_were_never_written_are_voids(tmp_path, more):
    values = all_of(sparse(tmp_path / "s.tif", **more))
    assert np.all(values[16:48, 16:48] == 77.0)
    assert np.isnan(values[:16]).all()
    assert np.isnan(values[48:]).all()
    assert np.isfinite(values).sum() == 32 * 32


def test_a_mosaic_of_files_with_unwritten_blocks_is_refused(tmp_path):
    sparse(tmp_path / "s.tif")
    assert "s.tif has gaps that the mosaic would fill with 0" in refused(
        vrt(tmp_path / "m.vrt", source("s.tif", side=64), side=64)
    )


@pytest.mark.parametrize("cut", [0.2, 0.6, 0.95, 0.999])
@pytest.mark.parametrize("name", ["a.tif", "a.bil", "a.asc", "a.img"])
def test_a_raster_cut_short_is_refused_or_read_whole(tmp_path, name, cut):
    rng = np.random.default_rng(4)
    made = write(tmp_path / "a.tif", rng.uniform(100, 200, (80, 90)))
    driver = {".tif": "GTiff", ".bil": "EHdr", ".asc": "AAIGrid", ".img": "HFA"}[Path(name).suffix]
    path = tmp_path / name
    if driver != "GTiff":
        copy_raster(made, path, driver=driver)
    whole = all_of(path)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(cut * len(raw))])
    try:
        values = all_of(path)
    except InputError:
        return
    assert np.array_equal(values, whole, equal_nan=True)


@pytest.mark.parametrize(
    ("mended", "sentence"),
    [
        (("101 ", "1O1 "), "among its cells"),
        (("101 ", "1-01 "), "what is no number"),
        (("101 ", "1.0.1 "), "what is no number"),
        (("101 ", "101 101 "), "holds 13 cells where its head says 12"),
        (("nrows 3", "nrows 4000000000"), "where its head says"),
        (("nrows 3\n", ""), "does not say ncols and nrows"),
    ],
)
def test_text_grids_hold_as_many_numbers_as_their_head_says(tmp_path, mended, sentence):
    text = "ncols 4\nnrows 3\nxllcorner 500000\nyllcorner 6400000\ncellsize 10\n101 102 103 1e2\n5 6 7 8\n1 2 3 -4.5\n"
    path = tmp_path / "g.asc"
    (tmp_path / "g.prj").write_text(rasterio.crs.CRS.from_epsg(32627).to_wkt())
    path.write_text(text)
    assert all_of(path)[0].tolist() == [101, 102, 103, 100]
    path.write_text(text.replace(*mended))
    assert sentence in refused(path)


def test_a_mosaic_may_not_reach_out_of_its_folder(tmp_path):
    outside = tmp_path / "outside"
    inside = tmp_path / "inside"
    outside.mkdir()
    inside.mkdir()
    write(outside / "a.tif", HILL)
    for name, relative in (("../outside/a.tif", 1), (str(outside / "a.tif"), 0)):
        assert "outside its own folder" in refused(vrt(inside / "m.vrt", source(name, relative=relative)))
    (inside / "link.tif").symlink_to(outside / "a.tif")
    assert "outside its own folder" in refused(vrt(inside / "m.vrt", source("link.tif")))


@pytest.mark.parametrize(
    "name",
    ["/vsicurl/http://127.0.0.1:9/a.tif", "http://127.0.0.1:9/a.tif", "/vsizip/a.zip/a.tif", "vrt://a.tif",
     "GTIFF_DIR:1:a.tif", "&lt;VRTDataset/&gt;", ""],
)  # fmt: skip
def test_a_mosaic_names_plain_files_only(tmp_path, name):
    write(tmp_path / "a.tif", HILL)
    for relative in (0, 1):
        assert "m.vrt" in refused(vrt(tmp_path / "m.vrt", source(name, relative=relative))) or name


@pytest.mark.parametrize(
    "body",
    [
        source("a.tif").replace("</SourceBand>", "</SourceBand><OpenOptions/>"),
        "<PixelFunctionType>sum</PixelFunctionType>" + source("a.tif"),
        source("a.tif", kind="KernelFilteredSource"),
        "<SourceFilename>/etc/passwd</SourceFilename><ImageOffset>0</ImageOffset>",
    ],
)
def test_a_virtual_raster_is_a_mosaic_and_nothing_more(tmp_path, body):
    write(tmp_path / "a.tif", HILL)
    assert "is more than a mosaic" in refused(vrt(tmp_path / "m.vrt", body))
    assert "is more than a mosaic" in refused(
        vrt(tmp_path / "m.vrt", source("a.tif"), band=' subClass="VRTDerivedRasterBand"')
    )


def test_virtual_rasters_that_name_each_other_end(tmp_path):
    vrt(tmp_path / "a.vrt", source("b.vrt"))
    vrt(tmp_path / "b.vrt", source("a.vrt"))
    assert "nested too deeply" in refused(tmp_path / "a.vrt")


def test_entities_of_a_virtual_raster_are_refused(tmp_path):
    path = vrt(tmp_path / "m.vrt", "")
    path.write_text('<VRTDataset><!DOCTYPE a [<!ENTITY b "c">]></VRTDataset>')
    assert "document type" in refused(path)


def test_descriptions_of_rasters_elsewhere_open_no_connection(tmp_path):
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    listener.listen()
    listener.settimeout(0.3)
    reached = []

    def wait():
        with contextlib.suppress(TimeoutError):
            reached.append(listener.accept())

    waiting = threading.Thread(target=wait)
    waiting.start()
    url = f"http://127.0.0.1:{listener.getsockname()[1]}/x"
    path = tmp_path / "w.tif"
    for text in (
        f'<GDAL_WMS><Service name="WMS"><ServerUrl>{url}</ServerUrl></Service></GDAL_WMS>',
        f"<WCS_GDAL><ServiceURL>{url}</ServiceURL></WCS_GDAL>",
        f'{{"type": "tileserver", "url": "{url}"}}',
    ):
        path.write_text(text)
        assert "its format is not known here" in refused(path)
    write(tmp_path / "a.tif", HILL)
    (tmp_path / "a.tif.msk").write_text(f"<GDAL_WMS><ServerUrl>{url}</ServerUrl></GDAL_WMS>")
    assert "is no TIFF" in refused(tmp_path / "a.tif")
    waiting.join()
    listener.close()
    assert not reached


def test_devices_pipes_and_addresses_are_no_rasters(tmp_path):
    os.mkfifo(tmp_path / "pipe.tif")
    for path in (tmp_path / "pipe.tif", "/dev/zero", "/vsimem/a.tif", "http://127.0.0.1:9/a.tif"):
        assert refused(path)


def test_all_files_behind_a_virtual_raster_are_known(tmp_path):
    write(tmp_path / "a.tif", HILL)
    vrt(tmp_path / "inner.vrt", source("a.tif"))
    file = check_raster_file(vrt(tmp_path / "m.vrt", source("inner.vrt")))
    assert {Path(one).name for one in file.files} == {"m.vrt", "inner.vrt", "a.tif"}


@pytest.mark.parametrize(
    ("key", "value"), [("scales", 0.0), ("scales", -1.0), ("scales", 1e6), ("offsets", 1e6)]
)
def test_scales_and_offsets_that_no_heights_have_are_refused(tmp_path, key, value):
    path = write(tmp_path / "a.tif", HILL)
    with rasterio.open(path, "r+") as target:
        setattr(target, key, (value,))
    assert f"a.tif, {key[:-1]}: its heights have the {key[:-1]}" in refused(path)


def test_what_the_library_warns_of_is_a_fault(tmp_path):
    path = write(tmp_path / "a.tif", HILL)
    raw = bytearray(path.read_bytes())
    (start,) = struct.unpack("<I", raw[4:8])
    first, second = (slice(start + 2 + 12 * k, start + 14 + 12 * k) for k in (3, 4))
    raw[first], raw[second] = raw[second], raw[first]  # TIFF 6.0, section 2: entries stand in ascending order
    path.write_bytes(raw)
    assert "damaged, or not what it says it is" in refused(path)


def test_a_damaged_file_of_statistics_and_voids_beside_a_raster_is_refused(tmp_path):
    path = write(tmp_path / "a.tif", HILL)
    (tmp_path / "a.tif.aux.xml").write_text("<PAMDataset><Broken></PAMDataset>")
    assert "a.tif.aux.xml: is damaged" in refused(path)

"""A large folder of rasters: only what changed is read again, and only what is near is opened."""

import os
from pathlib import Path

import numpy as np
import pytest
import rasterio

from skysill.errors import InputError
from skysill.io.elevation import folder_index
from skysill.io.elevation.areas import Around
from skysill.io.elevation.folder_index import FolderIndex, scan_folder
from skysill.io.elevation.terrain_sources import open_source
from skysill.io.rasters import RasterSpec, open_rasters

PLACE = (58.0312, -24.6541)
SIDE = 40


@pytest.fixture(autouse=True)
def kept(tmp_path, monkeypatch):
    monkeypatch.setenv("SKYSILL_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def tile(path, west, south, value=40.0, **more):
    options = {
        "crs": "EPSG:4326",
        "transform": rasterio.Affine(0.1 / SIDE, 0, west, 0, -0.1 / SIDE, south + 0.1),
    }
    with rasterio.open(path, "w", driver="GTiff", height=SIDE, width=SIDE, count=1, dtype="float32",
                       **{**options, **more}) as target:  # fmt: skip
        target.write(np.full((SIDE, SIDE), value, np.float32), 1)


@pytest.fixture
def folder(tmp_path):
    """A hundred tiles of a tenth of a degree, 57.5 to 58.5 N, 25 to 24 W, in two folders."""
    for row in range(10):
        for col in range(10):
            place = tmp_path / "tiles" / ("south" if row < 5 else "north")
            place.mkdir(parents=True, exist_ok=True)
            tile(place / f"t{row}{col}.tif", -25.0 + col / 10, 57.5 + row / 10, 10.0 * row + col)
    return tmp_path / "tiles"


@pytest.fixture
def read(monkeypatch):
    """Names of files whose heads are read."""
    from skysill.io.elevation import terrain_sources

    names = []
    true = terrain_sources.read_head
    monkeypatch.setattr(
        terrain_sources, "read_head", lambda path: (names.append(Path(path).name), true(path))[1]
    )
    return names


def near(radius_m=3000.0):
    return Around(*PLACE, radius_m)


def test_only_tiles_near_the_place_are_opened(folder):
    """The place lies in the tile of row 5 and column 3: 3.5 km from its south edge, about 3 km from west and east."""
    assert [Path(head.path).name for head in open_source(str(folder), around=near(1000.0)).heads] == [
        "t53.tif"
    ]
    names = {Path(head.path).name for head in open_source(str(folder), around=near(5000.0)).heads}
    assert names == {"t42.tif", "t43.tif", "t44.tif", "t52.tif", "t53.tif", "t54.tif"}
    assert len(open_source(str(folder)).heads) == 100


def test_the_ground_is_that_of_all_tiles(folder):
    (whole,) = open_rasters([RasterSpec(folder)])
    (part,) = open_rasters([RasterSpec(folder)], around=near(5000.0))
    one, two = whole.window(*PLACE, 4000.0), part.window(*PLACE, 4000.0)
    np.testing.assert_array_equal(one.values, two.values)
    assert {43.0, 53.0, 44.0, 54.0} <= set(np.unique(one.values))


def test_a_second_look_reads_no_head(folder, read):
    open_source(str(folder))
    assert len(read) == 100
    read.clear()
    again = open_source(str(folder))
    assert read == []
    assert len(again.heads) == 100


@pytest.mark.parametrize(
    "change", ["content and time", "content alone", "added", "removed", "a file beside it"]
)
def test_a_changed_folder_is_noticed(folder, read, change):
    before = {head.path: head for head in open_source(str(folder)).heads}
    read.clear()
    path = folder / "north" / "t53.tif"
    stat = path.stat()
    if change.startswith("content"):
        tile(path, -24.7, 58.0, 7.0, transform=rasterio.Affine(0.1 / SIDE, 0, -24.7, 0, -0.1 / SIDE, 58.2))
        assert path.stat().st_size == stat.st_size
    if change == "content alone":
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    if change == "added":
        tile(folder / "north" / "more.tif", -23.9, 58.0)
    if change == "removed":
        path.unlink()
    if change == "a file beside it":
        (folder / "north" / "t53.tfw").write_text("0.0025\n0\n0\n-0.0025\n-24.69875\n58.09875\n")
    after = {head.path: head for head in open_source(str(folder)).heads}
    if change.startswith("content"):
        assert read == ["t53.tif"]
        assert after[str(path)].transform != before[str(path)].transform
    if change == "added":
        assert read == ["more.tif"]
        assert len(after) == 101
    if change == "removed":
        assert read == []
        assert str(path) not in after
    if change == "a file beside it":
        assert read == ["t53.tif"]
    read.clear()
    open_source(str(folder))
    assert read == []


def test_a_bad_file_is_refused_every_time(folder):
    open_source(str(folder))
    path = folder / "north" / "t53.tif"
    path.write_bytes(path.read_bytes()[:200])
    for _ in range(2):
        with pytest.raises(InputError, match=r"t53\.tif"):
            open_source(str(folder))


def test_a_damaged_index_is_made_again(folder, read, kept):
    open_source(str(folder))
    (index,) = (kept / "folders").iterdir()
    good = index.read_text()
    for bad in (good.replace("t53", "t54"), good[:-9], "[]", ""):
        index.write_text(bad)
        read.clear()
        assert len(open_source(str(folder)).heads) == 100
        assert len(read) == 100


def test_small_folders_are_not_indexed(tmp_path, kept):
    (tmp_path / "few").mkdir()
    tile(tmp_path / "few" / "a.tif", -24.7, 58.0)
    open_source(str(tmp_path / "few"))
    assert not kept.exists()
    assert folder_index.LEAST_FILES == 32


def test_a_virtual_raster_is_read_every_time(folder, read):
    """What it shows is in its sources."""
    (folder / "north" / "all.vrt").write_text(
        f'<VRTDataset rasterXSize="{SIDE}" rasterYSize="{SIDE}"><SRS>EPSG:4326</SRS>'
        "<GeoTransform>-24.7, 0.0025, 0, 58.1, 0, -0.0025</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="1">t53.tif'
        "</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    open_source(str(folder))
    read.clear()
    open_source(str(folder))
    assert read == ["all.vrt"]


def test_a_folder_far_from_the_place_is_refused(folder):
    with pytest.raises(InputError, match=r"none of its 100 rasters lies within 5 km of 10\.00000, 20\.00000"):
        open_source(str(folder), around=Around(10.0, 20.0, 5000.0))


def test_too_many_files_are_refused(folder):
    with pytest.raises(InputError, match="holds more than 99 rasters"):
        scan_folder(folder, (".tif",), most=99)


def test_heads_come_in_the_order_of_the_files(folder, tmp_path):
    index = FolderIndex(tmp_path / "cache", folder)
    files = scan_folder(folder, (".tif",), most=1000)
    assert [file.path for file in files] == sorted(file.path for file in files)
    heads = index.heads(files, lambda path: {"path": path})
    assert [head["path"] for head in heads] == [file.path for file in files]
    assert index.read == 100
    index.heads(files[::-1], lambda path: {"path": path})
    assert index.read == 0

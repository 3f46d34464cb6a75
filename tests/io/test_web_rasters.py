"""Rasters on a web server on this machine: what is fetched, what is kept, and what never becomes a clear sky."""

import os

import numpy as np
import pytest
import rasterio

from range_server import RangeServer
from skysill.errors import InputError
from skysill.io.elevation.allowed_hosts import allowed_hosts
from skysill.io.elevation.remote_source import HttpLimits
from skysill.io.elevation.terrain_sources import open_source
from skysill.io.rasters import RasterSpec, open_rasters

CRS = "EPSG:32627"
EAST, NORTH = 284_000.0, 6_438_000.0  # 261 m west and 23 m south of 58.0312 N 24.6541 W
PLACE = (58.0312, -24.6541)


def tif(path, values, *, east=EAST - 1000.0, north=NORTH + 2000.0, cell=10.0, **more):
    values = np.asarray(values, more.pop("dtype", "float32"))
    tags, units = more.pop("tags", {}), more.pop("units", None)
    options = {"crs": CRS, "transform": rasterio.Affine(cell, 0, east, 0, -cell, north), "tiled": True,
               "blockxsize": 64, "blockysize": 64, "compress": "deflate", **more}  # fmt: skip
    with rasterio.open(path, "w", driver="GTiff", height=values.shape[0], width=values.shape[1], count=1,
                       dtype=values.dtype.name, **options) as target:  # fmt: skip
        target.write(values, 1)
        target.update_tags(**tags)
        if units:
            target.units = [units]
    return path


@pytest.fixture(autouse=True)
def kept(tmp_path, monkeypatch):
    folder = tmp_path / "cache"
    monkeypatch.setenv("SKYSILL_CACHE", str(folder))
    return folder


@pytest.fixture
def server(tmp_path):
    (tmp_path / "web").mkdir()
    with RangeServer(tmp_path / "web") as running:
        yield running


@pytest.fixture
def hill(server):
    """400 x 400 cells of 10 m around the place; noise, so that it does not compress to nothing."""
    values = 40.0 + np.random.default_rng(1).normal(0.0, 1.0, (400, 400))
    tif(server.folder / "hill.tif", values)
    return values.astype(np.float32)


def opened(server, name="hill.tif", **more):
    spec = RasterSpec(f"{server.address}/{name}", **more)
    return open_rasters([spec], hosts=allowed_hosts([server.host], {}))


def test_a_window_is_what_the_file_holds(server, hill):
    (raster,) = opened(server)
    (own,) = open_rasters([RasterSpec(server.folder / "hill.tif")])
    one, two = (r.window(*PLACE, 300.0) for r in (raster, own))
    assert min(one.values.shape) >= 61
    np.testing.assert_array_equal(one.values, two.values)
    assert (one.transform, one.crs) == (two.transform, two.crs)
    assert raster.name == "hill.tif"


def test_of_a_raster_of_1_gb_under_2_percent_is_fetched(server):
    """16,384 x 16,384 float32 cells are 1.07 GB; the file is sparse on the disk but for the blocks around the place."""
    path = server.folder / "big.tif"
    side = 16_384
    options = {"crs": CRS, "transform": rasterio.Affine(1, 0, EAST - 8000.0, 0, -1, NORTH + 8000.0), "tiled": True,
               "blockxsize": 512, "blockysize": 512, "BIGTIFF": "YES", "SPARSE_OK": "TRUE",
               "nodata": -9999.0}  # fmt: skip
    with rasterio.open(
        path, "w", driver="GTiff", height=side, width=side, count=1, dtype="float32", **options
    ) as out:
        middle = rasterio.windows.Window(7168, 7168, 2048, 2048)
        out.write(np.full((2048, 2048), 41.5, np.float32), 1, window=middle)
        out.write(np.zeros((1, 1), np.float32), 1, window=rasterio.windows.Window(side - 1, side - 1, 1, 1))
    with path.open("r+b") as whole:  # cells of the other blocks would lie here
        whole.truncate(side * side * 4 + whole.seek(0, os.SEEK_END))
    (raster,) = opened(server, "big.tif")
    grid = raster.window(*PLACE, 400.0)
    assert min(grid.values.shape) > 800
    assert float(grid.values.min()) == float(grid.values.max()) == 41.5
    assert path.stat().st_size > 1e9
    assert 0 < server.sent < 0.02 * path.stat().st_size
    assert len(server.requests) < 20


def test_the_second_run_needs_no_network(server, hill):
    first = opened(server)[0].window(*PLACE, 300.0).values
    asked = len(server.requests)
    assert asked > 0
    server.stop()
    second = opened(server)[0].window(*PLACE, 300.0).values
    np.testing.assert_array_equal(first, second)
    assert len(server.requests) == asked


def test_what_is_kept_still_needs_the_host_to_be_allowed(server, hill):
    opened(server)
    with pytest.raises(InputError, match="unless you allow it"):
        open_rasters([RasterSpec(f"{server.address}/hill.tif")])


def test_a_damaged_block_is_fetched_again(server, hill, kept):
    first = opened(server)[0].window(*PLACE, 300.0).values
    asked = len(server.requests)
    for path in kept.rglob("*.block"):
        raw = bytearray(path.read_bytes())
        raw[200] ^= 255
        path.write_bytes(raw)
    second = opened(server)[0].window(*PLACE, 300.0).values
    np.testing.assert_array_equal(first, second)
    assert len(server.requests) > asked


def test_a_file_changed_between_runs_is_never_mixed_with_what_was_kept(server, hill):
    opened(server)[0].window(*PLACE, 100.0)
    tif(server.folder / "hill.tif", hill + 500.0)
    os.utime(server.folder / "hill.tif", (2e9, 2e9))
    with pytest.raises(
        InputError, match=r"has changed on the server since parts of it were read.*Run it again"
    ):
        opened(server)[0].window(*PLACE, 1500.0)
    again = opened(server)[0].window(*PLACE, 1500.0)
    assert float(again.values.min()) > 500.0


def test_a_file_changed_in_the_middle_of_a_run_is_an_error(server, hill):
    (raster,) = opened(server)
    os.utime(server.folder / "hill.tif", (2e9, 2e9))
    with pytest.raises(InputError, match="has changed on the server"):
        raster.window(*PLACE, 1500.0)


@pytest.mark.parametrize(
    "fault", ["breaks off", "closes", "wrong range", "web page", "500", "slow", "other bytes"]
)
def test_a_server_that_fails_in_the_middle_gives_an_error_and_no_window(server, hill, fault, monkeypatch):
    quick = HttpLimits(timeout_s=0.4, request_s=0.8, tries=2, waits_s=(0.0,))
    monkeypatch.setattr("skysill.io.elevation.named_tiles.HttpLimits", lambda: quick)
    (raster,) = opened(server)
    server.fault = fault
    with pytest.raises(InputError) as caught:
        raster.window(*PLACE, 1500.0)
    assert str(caught.value).startswith(f"{server.address}/hill.tif: ")


def test_what_went_wrong_while_gdal_reads_is_said_in_the_readers_words(server, hill, monkeypatch):
    """Blocks are fetched before GDAL asks for them; here they are not."""
    monkeypatch.setattr("skysill.io.raster_windows.fetch_blocks", lambda *_: None)
    quick = HttpLimits(tries=1)
    monkeypatch.setattr("skysill.io.elevation.named_tiles.HttpLimits", lambda: quick)
    (raster,) = opened(server)
    np.testing.assert_array_equal(
        raster.window(*PLACE, 100.0).values,
        open_rasters([RasterSpec(server.folder / "hill.tif")])[0].window(*PLACE, 100.0).values,
    )
    server.fault = "breaks off"
    with pytest.raises(InputError, match=r"hill\.tif: 127\.0\.0\.1 broke off after \d+ of \d+ bytes"):
        raster.window(*PLACE, 1500.0)


def test_a_file_object_is_not_made_for_a_host_that_is_not_allowed(server, hill, kept):
    from skysill.io.elevation.allowed_hosts import AllowedHosts, parse_web_address
    from skysill.io.elevation.remote_file import RemoteFile
    from skysill.io.elevation.remote_source import RemoteSource

    opened(server)
    address = parse_web_address(f"{server.address}/hill.tif")
    with pytest.raises(InputError, match="unless you allow it"):
        RemoteFile(RemoteSource(address, AllowedHosts(), kept, 10**9))


def test_a_server_that_has_gone_is_one_line(server, hill):
    (raster,) = opened(server)
    server.stop()
    with pytest.raises(
        InputError, match=r"hill\.tif: 127\.0\.0\.1 cannot be reached \(Connection refused\), 3 times"
    ):
        raster.window(*PLACE, 1500.0)


def test_what_is_no_geotiff_is_refused(server, hill):
    (server.folder / "m.vrt").write_text(
        '<VRTDataset rasterXSize="1" rasterYSize="1"><VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        "<SourceFilename>/etc/passwd</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    (server.folder / "n.hgt").write_bytes(bytes(1201 * 1201 * 2))
    (server.folder / "e.tif").write_bytes(b"")
    for name in ("m.vrt", "n.hgt"):
        with pytest.raises(InputError, match="is no GeoTIFF, and nothing else is read over the web"):
            opened(server, name)
    with pytest.raises(InputError):
        opened(server, "e.tif")


def test_a_window_over_the_network_is_no_larger_than_is_said(server, hill, monkeypatch):
    monkeypatch.setattr("skysill.io.raster_windows.MOST_REMOTE_CELLS", 10_000)
    grid = opened(server)[0].window(*PLACE, 1000.0)
    assert 5_000 < grid.values.size <= 10_000
    assert any("beyond that it would be too much for the network" in note for note in grid.notes)
    (own,) = open_rasters([RasterSpec(server.folder / "hill.tif")])
    assert own.window(*PLACE, 1000.0).values.size > 30_000


def test_a_web_page_in_place_of_a_raster_is_named_as_one(server, hill):
    server.fault = "web page"
    with pytest.raises(InputError, match="is answered with a web page, and a raster is wanted"):
        opened(server)


def test_gdal_is_shown_one_file_and_nothing_else():
    from skysill.io.raster_open import _OneFile

    folder = _OneFile(None)
    for name in ("raster.aux", "raster.tif.ovr", "../raster.tif", "/etc/passwd", ""):
        assert not folder.isfile(name)
        assert folder.size(name) == 0
        with pytest.raises(FileNotFoundError):
            folder.open(name, "rb")
    with pytest.raises(FileNotFoundError):
        folder.open("raster.tif", "wb")
    assert folder.ls("") == []


def test_files_beside_a_raster_are_never_asked_for(server, hill):
    (server.folder / "hill.tif.ovr").write_bytes((server.folder / "hill.tif").read_bytes())
    (server.folder / "hill.tif.aux.xml").write_text("<PAMDataset></PAMDataset>")
    opened(server)[0].window(*PLACE, 300.0)
    assert {path for path, _ in server.requests} == {"/hill.tif"}


@pytest.mark.parametrize("where", ["web", "here"])
def test_overviews_in_another_file_are_refused_and_not_opened(server, hill, where):
    """GDAL opens what OVERVIEW_FILE in the domain OVERVIEWS of a file's metadata names (its data model, overviews)."""
    path = tif(server.folder / "lead.tif", hill)
    with rasterio.open(path, "r+") as target:
        target.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=f"/vsicurl/{server.address}/hill.tif")
    side = server.folder / "lead.tif.aux.xml"
    assert not side.exists()
    with pytest.raises(InputError, match="keeps its overviews in another file"):
        opened(server, "lead.tif") if where == "web" else open_rasters([RasterSpec(path)])
    assert "/hill.tif" not in {path for path, _ in server.requests}


def test_a_server_without_ranges_serves_small_files_only(server, hill, monkeypatch):
    server.fault = "whole"
    np.testing.assert_array_equal(
        opened(server)[0].window(*PLACE, 300.0).values,
        open_rasters([RasterSpec(server.folder / "hill.tif")])[0].window(*PLACE, 300.0).values,
    )
    assert len(server.requests) == 1
    monkeypatch.setattr("skysill.io.elevation.named_tiles.HttpLimits", lambda: HttpLimits(whole_bytes=1000))
    tif(server.folder / "other.tif", hill)
    with pytest.raises(InputError, match="does not serve parts of files"):
        opened(server, "other.tif")


def test_blocks_never_written_are_void(server):
    values = np.full((400, 400), 40.0, np.float32)
    path = server.folder / "sparse.tif"
    with rasterio.open(path, "w", driver="GTiff", height=400, width=400, count=1, dtype="float32", crs=CRS,
                       transform=rasterio.Affine(10, 0, EAST - 1000.0, 0, -10, NORTH + 2000.0), tiled=True,
                       blockxsize=64, blockysize=64, SPARSE_OK="TRUE") as out:  # fmt: skip
        out.write(values[:64, :64], 1, window=rasterio.windows.Window(64, 192, 64, 64))
    grid = opened(server, "sparse.tif")[0].window(*PLACE, 3000.0)
    assert (grid.values == 40.0).sum() == 64 * 64
    assert np.isnan(grid.values).sum() == grid.values.size - 64 * 64


def test_feet_and_mirrored_axes_are_read_as_they_are_written(server, hill):
    """The international foot is 0.3048 m (1959 agreement); a raster with its first row in the south holds the same."""
    tif(server.folder / "feet.tif", hill / 0.3048, units="ft")
    flipped = rasterio.Affine(10, 0, EAST - 1000.0, 0, 10, NORTH + 2000.0 - 4000.0)
    tif(server.folder / "south.tif", hill[::-1], transform=flipped)
    true = opened(server)[0].window(*PLACE, 300.0)
    feet = opened(server, "feet.tif")[0].window(*PLACE, 300.0)
    south = opened(server, "south.tif")[0].window(*PLACE, 300.0)
    np.testing.assert_allclose(feet.values, true.values, atol=1e-4)
    assert 'feet.tif: heights are in "ft", read as 0.3048 m.' in feet.notes
    from skysill.horizon.terrain import ground_at

    at = np.array([58.0312, 58.0318]), np.array([-24.6541, -24.6559])
    one, two = (ground_at([opened(server, name)[0]], *at)[0] for name in ("hill.tif", "south.tif"))
    np.testing.assert_allclose(one, two, atol=1e-3)
    assert south.transform[4] > 0 > true.transform[4]


# --- tiles by name --------------------------------------------------------------------------------------------------


def degree_tile(path, south, west, value):
    values = np.full((120, 120), value, np.float32)
    at = rasterio.Affine(1 / 120, 0, west, 0, -1 / 120, south + 1)
    return tif(path, values, crs="EPSG:4326", transform=at)


def tiles(server, template, radius_m=3000.0, place=PLACE, limits=None):
    from skysill.io.elevation.areas import Around

    return open_source(
        f"{server.address}/{template}", around=Around(*place, radius_m), hosts=allowed_hosts([server.host], {}),
        limits=limits,
    )  # fmt: skip


def around(radius_m=3000.0, place=PLACE):
    from skysill.io.elevation.areas import Around

    return Around(*place, radius_m)


def test_tiles_of_a_template_are_one_raster_without_a_seam(server):
    for south, west in ((57, -25), (58, -25), (57, -24), (58, -24)):
        name = f"N{south}_W{-west:03d}.tif"
        degree_tile(server.folder / name, south, west, 100.0 * south - west)
    spec = RasterSpec(server.address + "/{lat_letter}{lat}_{lon_letter}{lon:03d}.tif")
    corner = (58.0, -24.0)
    (raster,) = open_rasters([spec], around=around(place=corner), hosts=allowed_hosts([server.host], {}))
    grid = raster.window(*corner, 2000.0)
    assert not np.isnan(grid.values).any()
    assert set(np.unique(grid.values)) == {5725.0, 5825.0, 5724.0, 5824.0}
    assert len(server.requests) == 4  # small tiles: all of each came with its beginning


def test_tiles_that_are_not_there_are_unknown_and_said_so(server):
    degree_tile(server.folder / "N58_W025.tif", 58, -25, 40.0)
    source = tiles(server, "{lat_letter}{lat}_{lon_letter}{lon:03d}.tif", radius_m=5000.0)
    assert len(source.heads) == 1
    (note,) = source.notes
    assert note == f"{server.host}: 1 of 2 tiles are not there; nothing is known of the ground in them."
    server.stop()  # that they are not there is kept too
    assert len(tiles(server, "{lat_letter}{lat}_{lon_letter}{lon:03d}.tif", radius_m=5000.0).heads) == 1


def test_a_template_without_any_tile_is_refused(server):
    with pytest.raises(
        InputError, match=r"no tile is there for 58\.03120, -24\.65410: N58\.tif and 0 others"
    ):
        tiles(server, "{lat_letter}{lat}.tif?{lon}")


def test_a_fault_of_one_tile_is_a_fault(server):
    degree_tile(server.folder / "N58_W025.tif", 58, -25, 40.0)
    server.fault = "500"
    quick = HttpLimits(tries=1)
    with pytest.raises(InputError, match="answers 500"):
        tiles(server, "{lat_letter}{lat}_{lon_letter}{lon:03d}.tif", limits=quick)


def test_only_the_nearest_hundred_tiles_are_opened(server):
    from skysill.io.elevation import named_tiles

    tif(server.folder / "d284_6438.tif", np.full((100, 100), 40.0), east=284_000.0, north=6_439_000.0)
    place = (58.0312, -24.6541)
    source = tiles(server, "{grid=EPSG:32627}d{east_km/1}_{north_km/1}.tif", radius_m=20_000.0, place=place)
    assert named_tiles.MOST_NAMED_TILES == 100
    assert len(server.requests) == 100
    assert len(source.heads) == 1
    assert source.notes[0].startswith(f"{server.host}: the nearest 100 of 1,")


def test_a_template_without_a_place_is_refused(server):
    with pytest.raises(InputError, match="names tiles by their place, and no place is asked about here"):
        open_source(server.address + "/{lat}{lon}.tif", hosts=allowed_hosts([server.host], {}))


def test_tiles_of_this_machine_may_be_named_too(tmp_path):
    degree_tile(tmp_path / "N58_W025.tif", 58, -25, 40.0)
    spec = RasterSpec(str(tmp_path / "{lat_letter}{lat}_{lon_letter}{lon:03d}.tif"))
    (raster,) = open_rasters([spec], around=around())
    assert float(np.nanmax(raster.window(*PLACE, 2000.0).values)) == 40.0


def test_the_attribution_is_the_copyright_tag_unless_another_is_given(server, hill):
    tif(server.folder / "signed.tif", hill, tags={"TIFFTAG_COPYRIGHT": "(c) Survey of Hollinsay  2025"})
    (raster,) = opened(server, "signed.tif")
    assert raster.attribution == "(c) Survey of Hollinsay 2025"
    assert "Elevations of signed.tif: (c) Survey of Hollinsay 2025." in raster.notes
    (raster,) = opened(server, "signed.tif", attribution="Invented ground.")
    assert "Elevations of signed.tif: Invented ground." in raster.window(*PLACE, 300.0).notes


# --- damage ---------------------------------------------------------------------------------------------------------


def blocked_site(folder, source, wall_m=60.0):
    """A wall 35 to 45 m south of the place, in an invented surface of 1 m cells; without it the sky is free."""
    from pyproj import Transformer

    x, y = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(PLACE[1], PLACE[0])
    values = np.full((400, 400), 41.0) + np.random.default_rng(2).normal(0.0, 0.01, (400, 400))
    values[235:245, 100:300] += wall_m
    (folder / "site.toml").write_text(
        'position = "58.0312 N 24.6541 W"\nground_elevation_m = 41.0\n[[satellites]]\nname = "Demo South"\n'
        'longitude = "24.0 W"\n[[mounts]]\nname = "post"\nheight_m = 2.0\n[terrain]\n'
        f'rasters = ["{source}"]\nkinds = ["surface"]\nhighest_ground_m = {41.5 + wall_m}\n'
    )
    return values, {"east": x - 200.0, "north": y + 200.0, "cell": 1.0}


def verdict(folder, server):
    from skysill.assessment.pipeline import assess
    from skysill.io.job_options import JobOptions
    from skysill.io.site_file import read_site_file

    job = read_site_file(folder / "site.toml", options=JobOptions(allow_host=(server.host,)))
    return assess(job, job.mounts[0], explain=False).results[0].verdict


@pytest.mark.parametrize(("wall_m", "said"), [(60.0, "blocked"), (0.0, "clear")])
def test_the_scene_is_blocked_by_its_wall_alone(server, tmp_path, wall_m, said):
    values, more = blocked_site(tmp_path, f"{server.address}/wall.tif", wall_m)
    tif(server.folder / "wall.tif", values, **more)
    assert verdict(tmp_path, server) == said


@pytest.mark.parametrize("damage", ["cut", "bytes left out", "bytes twice", "a bit", "a damaged cache"])
def test_damage_never_makes_the_blocked_scene_clear(server, tmp_path, kept, damage):
    rng = np.random.default_rng(3)
    values, more = blocked_site(tmp_path, "unused")
    true = tif(server.folder / "true.tif", values, **more).read_bytes()
    seen = set()
    for number in range(12):
        blocked_site(tmp_path, f"{server.address}/{damage[0]}{number}.tif")
        at, count = int(rng.uniform(8, len(true))), int(rng.integers(1, 40))
        raw = {
            "cut": true[:at],
            "bytes left out": true[:at] + true[at + count :],
            "bytes twice": true[:at] + true[at : at + count] + true[at:],
            "a bit": true[:at] + bytes([true[at] ^ (1 << count % 8)]) + true[at + 1 :],
        }.get(damage, true)
        (server.folder / f"{damage[0]}{number}.tif").write_bytes(raw)
        if damage == "a damaged cache":
            assert verdict(tmp_path, server) == "blocked"
            for path in kept.rglob("*.block"):
                block = bytearray(path.read_bytes())
                block[int(rng.integers(0, len(block)))] ^= 1 << count % 8
                path.write_bytes(block)
        try:
            seen.add(verdict(tmp_path, server))
        except InputError:
            seen.add("refused")
    assert "clear" not in seen
    assert seen & {"refused", "blocked"}

"""Boxes of ground around addresses hold whatever could matter; what does not fit is divided, or left out as unknown."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Geod, Transformer

from skysill.bulk.prefilter import ScreeningQuery
from skysill.io import ground_boxes as module
from skysill.io.ground_boxes import ground_boxes, lattice_of
from skysill.io.raster_windows import Raster
from skysill.io.rasters import RasterSpec, open_rasters, write_geotiff
from skysill.io.screening import ScreeningRequest, screen_file
from skysill.io.survey_tables import read_satellites
from skysill.model.site import Criteria, Satellite, Terminal
from skysill.pointing.look_vector import look_angles
from small_village import addresses, sources

WEST_M, NORTH_M, SIDE = 500_000.0, 6_440_000.0, 20_000
PLANE = Raster(
    "wide.tif", "surface", 1.0, 0.3, "EPSG:32627", (1.0, 0.0, WEST_M, 0.0, -1.0, NORTH_M), SIDE, SIDE, ()
)


def query(satellite_deg, highest_m=420.0, position_error_m=0.0):
    return ScreeningQuery(Satellite("Demo", satellite_deg), Terminal(), Criteria(), highest_m,
                          position_error_m=position_error_m)  # fmt: skip


def scattered(count, low_m, high_m, seed=3):
    x, y = np.random.default_rng(seed).uniform(low_m, high_m, (2, count))
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(
        WEST_M + x, NORTH_M - y
    )
    return latitude, longitude


@pytest.mark.parametrize("satellite_deg", [-20.0, -62.0, 28.0])
@pytest.mark.parametrize("position_error_m", [0.0, 62.0])
def test_boxes_hold_the_ground_toward_the_satellite(satellite_deg, position_error_m, monkeypatch):
    """Ground counts down to ten degrees below the ray, as far as it could rise so high over an Earth of 4/3 radius."""
    monkeypatch.setattr(module, "_STEP_CELLS", 1)
    latitude, longitude = scattered(40, 6_000.0, 9_000.0)
    asked = query(satellite_deg, position_error_m=position_error_m)
    groups = list(ground_boxes([PLANE], latitude, longitude, asked, lowest_m=250.0))
    assert sorted(np.concatenate([group.rows for group in groups]).tolist()) == list(range(40))
    azimuth, elevation, _ = look_angles(latitude, longitude, 0.0, satellite_longitude_deg=satellite_deg)
    slope, bend = np.tan(np.deg2rad(np.maximum(elevation - 10.0, 1.0))), 1.0 / (2.0 * 8.5e6)
    away_m = 0.97 * (np.sqrt(slope**2 + 4.0 * bend * (420.0 - 250.0)) - slope) / (2.0 * bend)
    for group in groups:
        at = group.rows
        (top, bottom, left, right) = group.boxes[0]
        assert (bottom - top) * (right - left) <= module.MOST_CELLS
        for aside_deg in (-18.0, 0.0, 18.0):
            for share in (0.0, 0.5, 1.0):
                east, north, _ = Geod(ellps="WGS84").fwd(
                    longitude[at], latitude[at], azimuth[at] + aside_deg, share * away_m[at]
                )
                row, column = lattice_of(PLANE).cell(north, east)
                moved = 2.0 * position_error_m  # the farthest of the places around lies 2.35 deviations away
                assert (row - moved > top).all()
                assert (row + moved < bottom).all()
                assert (column - moved > left).all()
                assert (column + moved < right).all()


def test_addresses_too_far_apart_for_one_box_are_divided(monkeypatch):
    monkeypatch.setattr(module, "MOST_CELLS", 30_000_000)
    monkeypatch.setattr(Raster, "range_of_m", lambda raster, *box: (250.0, 300.0))
    latitude, longitude = scattered(300, 1_000.0, 19_000.0)
    groups = list(ground_boxes([PLANE], latitude, longitude, query(-20.0)))
    assert len(groups) > 4
    assert sorted(np.concatenate([group.rows for group in groups]).tolist()) == list(range(300))
    for group in groups:
        (top, bottom, left, right) = group.boxes[0]
        assert (bottom - top) * (right - left) <= 30_000_000
        assert np.isinf(group.cut_m)


def test_far_ground_is_left_out_where_it_would_not_fit(monkeypatch):
    monkeypatch.setattr(Raster, "range_of_m", lambda raster, *box: (250.0, 300.0))
    monkeypatch.setattr(module, "MOST_CELLS", 20_000_000)
    latitude, longitude = scattered(3, 9_000.0, 9_500.0)
    (group,) = ground_boxes([PLANE], latitude, longitude, query(-20.0, highest_m=8849.0))
    (top, bottom, left, right) = group.boxes[0]
    assert (bottom - top) * (right - left) <= 20_000_000
    assert 100.0 < group.cut_m < 10_000.0


def test_beyond_the_edge_of_a_plane_the_whole_raster_is_taken():
    lattice = (0.01, 0.0, -180.0, 0.0, -0.01, 90.0)
    degrees = Raster("all.tif", "bare", 1000.0, 3.0, "EPSG:4326", lattice, 18_000, 36_000, ())
    (group,) = ground_boxes([degrees], np.array([10.0]), np.array([-179.99]), query(-250.0 + 360.0, 8849.0))
    assert group.boxes[0][2:] == (0, 36_000)


# --- a mosaic of tiles, by the compiled loops ------------------------------------------------------------------------


def write_tiles(folder, *, without=()):
    """The invented village as a mosaic of tiles of 100 cells a side, some of them missing, and bare ground."""
    village, around = sources(fine_hole=True)
    grid, tiles = village.grid, []
    part = (
        '<SimpleSource><SourceFilename relativeToVRT="1">{0}</SourceFilename><SourceBand>1</SourceBand>'
        '<SrcRect xOff="0" yOff="0" xSize="100" ySize="100"/>'
        '<DstRect xOff="{1}" yOff="{2}" xSize="100" ySize="100"/></SimpleSource>'
    )
    a, b, c, d, e, f = grid.transform
    for row in range(0, 400, 100):
        for column in range(0, 400, 100):
            name = f"tile_{row}_{column}.tif"
            values = grid.values[row : row + 100, column : column + 100]
            like = type(grid)(np.array(values), (a, b, c + a * column, d, e, f + e * row), grid.crs)
            write_geotiff(folder / name, values, like=like)
            if (row, column) not in without:
                tiles.append(part.format(name, column, row))
    path = folder / f"mosaic_{len(tiles)}.vrt"
    path.write_text(
        f'<VRTDataset rasterXSize="400" rasterYSize="400"><SRS>{grid.crs}</SRS>'
        f"<GeoTransform>{c - a / 2}, {a}, 0, {f - e / 2}, 0, {e}</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1"><NoDataValue>nan</NoDataValue>{"".join(tiles)}</VRTRasterBand>'
        "</VRTDataset>",
        encoding="ascii",
    )
    write_geotiff(folder / "around.tif", around.grid.values, like=around.grid)
    return path


def screened(folder, mosaic, out, *, coarse):
    rasters = [RasterSpec(mosaic, kind="surface")]
    if coarse:
        rasters.append(RasterSpec(folder / "around.tif"))
    asked = ScreeningRequest(open_rasters(rasters), read_satellites("Demo=20.0W"), highest_ground_m=700.0)
    screen_file(asked, folder / "in.csv", folder / out)
    lines = (folder / out).read_text(encoding="utf-8").splitlines()
    names = lines[0].split(",")
    return [dict(zip(names, line.split(","), strict=False)) for line in lines[1:]]


@pytest.mark.slow
def test_a_part_wholly_beyond_the_fine_raster_is_screened_on_the_coarse_one(tmp_path):
    pytest.importorskip("numba")
    whole = write_tiles(tmp_path)
    (tmp_path / "in.csv").write_text("id,latitude,longitude\n1,58.0184,-20.9680\n", encoding="ascii")
    (row,) = screened(tmp_path, whole, "far.csv", coarse=True)
    assert row["verdict"] in ("needs-survey", "marginal", "blocked")


@pytest.mark.slow
def test_boxes_of_a_mosaic_give_the_rows_of_the_whole_and_gaps_are_never_clear(tmp_path, monkeypatch):
    pytest.importorskip("numba")
    whole = write_tiles(tmp_path)
    rows = zip(*addresses(60, 31), strict=True)
    lines = [f"{i},{a:.7f},{b:.7f},{h:.2f}" for i, (a, b, h) in enumerate(rows)]
    (tmp_path / "in.csv").write_text("\n".join(["id,latitude,longitude,mount_height_m", *lines]) + "\n")
    held = screened(tmp_path, whole, "held.csv", coarse=True)
    monkeypatch.setattr(module, "HELD_CELLS", 0)
    monkeypatch.setattr(module, "_STEP_CELLS", 16)
    monkeypatch.setattr(module, "_LEAST_GROUP_CELLS", 30.0)
    monkeypatch.setattr(module, "MOST_CELLS", 40_000)
    boxes = screened(tmp_path, whole, "boxes.csv", coarse=True)
    assert [row["verdict"] for row in boxes] == [row["verdict"] for row in held]
    assert [row["least_height_m"] for row in boxes] == [row["least_height_m"] for row in held]
    assert [row["margin_deg"] for row in boxes] == [row["margin_deg"] for row in held]
    assert sum(row["verdict"] == "clear" for row in held) > 10
    # the satellite stands south: without the tiles of a row, nothing is clear in it, nor within 30 m to the north
    gaps = write_tiles(tmp_path, without=[(200, column) for column in range(0, 400, 100)])
    for coarse in (True, False):
        found = screened(tmp_path, gaps, f"gaps_{coarse}.csv", coarse=coarse)
        lattice = lattice_of(open_rasters([RasterSpec(whole, kind="surface")])[0])
        line = np.array([[float(row["latitude"]), float(row["longitude"])] for row in found])
        at_row, _ = lattice.cell(line[:, 0], line[:, 1])
        near = (at_row > 170.0) & (at_row < 300.0)
        assert near.sum() > 10
        assert not [row for row, hit in zip(found, near, strict=True) if hit and row["verdict"] == "clear"]
        if not coarse:
            inside = (at_row > 201.0) & (at_row < 298.0)
            assert {row["verdict"] for row, hit in zip(found, inside, strict=True) if hit} == {"unknown"}

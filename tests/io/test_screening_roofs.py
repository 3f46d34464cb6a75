"""A list of buildings from file to file: rows and rejects, formats, mast kits, parts that are resumed."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
import shapely
import shapely.geometry
from click.testing import CliRunner

from invented_village import (
    CRS,
    HIGHEST_GROUND_M,
    feature,
    surface,
    to_degrees,
    village,
    write_outlines,
    write_surface,
)
from skysill.bulk.compiled.jit import available
from skysill.bulk.roof_results import RoofSearch
from skysill.cli.main import main
from skysill.errors import InputError
from skysill.io import screening as screening_module
from skysill.io.geoparquet import read_geoparquet
from skysill.io.mast_kits import read_mast_kits
from skysill.io.rasters import RasterSpec, open_rasters
from skysill.io.screening import COLUMNS, ScreeningRequest, screen_file
from skysill.model.site import Satellite

SOUTH, WEST = Satellite("Demo South", -24.0), Satellite("Demo West", -52.5)
SEARCH = RoofSearch(step_m=4.0, max_height_m=2.0)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("village")
    made = village(3, seed=11)
    write_surface(folder / "surface.tif", made)
    outlines = json.loads(write_outlines(folder / "houses.geojson", made).read_text(encoding="utf-8"))
    bow = json.loads(json.dumps(outlines["features"][2]))
    corners = bow["geometry"]["coordinates"][0]
    corners[1], corners[2] = corners[2], corners[1]
    bow["properties"]["id"] = "bow"
    outlines["features"].insert(1, bow)
    (folder / "houses.geojson").write_text(json.dumps(outlines), encoding="utf-8")
    return folder


def asked(place, **over):
    said = {
        "rasters": open_rasters([RasterSpec(place / "surface.tif", "surface")]),
        "satellites": (SOUTH,),
        "highest_ground_m": HIGHEST_GROUND_M,
        "roofs": SEARCH,
    } | over
    return ScreeningRequest(**said)


def rows_of(path):
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_rows_and_rejects_are_the_records_and_all_formats_say_the_same(place, tmp_path):
    request = asked(place, satellites=(SOUTH, WEST))
    made = screen_file(request, place / "houses.geojson", tmp_path / "out.csv")
    assert (made.addresses, made.screened, made.rejected) == (4, 3, 1)
    assert made.of_roofs
    assert "4 m apart" in made.notes[-1]
    assert rows_of(tmp_path / "out.csv.rejected.csv") == [
        {"line": "2", "id": "bow", "reason": "its outline crosses itself"}
    ]
    rows = rows_of(tmp_path / "out.csv")
    assert [row["id"] for row in rows] == ["0000", "0001", "0002"]
    assert tuple(rows[0])[2:12] == COLUMNS
    for row in rows:
        assert row["verdict"] in ("clear", "marginal", "blocked")
        assert float(row["mast_height_m"]) >= 0.7
        assert (row["least_height_m"] == row["mast_height_m"]) == (row["verdict"] == "clear")
        assert row["all_satellites"].count("mast") == 2
    screen_file(request, place / "houses.geojson", tmp_path / "out.geojson")
    features = json.loads((tmp_path / "out.geojson").read_text(encoding="utf-8"))["features"]
    given = json.loads((place / "houses.geojson").read_text(encoding="utf-8"))["features"]
    assert [f["geometry"] for f in features] == [f["geometry"] for k, f in enumerate(given) if k != 1]
    screen_file(request, place / "houses.geojson", tmp_path / "out.parquet")
    table = pytest.importorskip("pyarrow.parquet").read_table(tmp_path / "out.parquet").to_pylist()
    for row, one, other in zip(rows, features, table, strict=True):
        assert one["properties"]["mast_height_m"] == other["mast_height_m"] == float(row["mast_height_m"])
        assert one["properties"]["cautions"] == other["cautions"] == row["cautions"]


def test_parquet_holds_the_outlines_as_geoparquet(place, tmp_path):
    """GeoParquet 1.1 (OGC, from memory): key "geo", WKB, no "crs" means longitude and latitude of OGC:CRS84."""
    parquet = pytest.importorskip("pyarrow.parquet")
    screen_file(asked(place), place / "houses.geojson", tmp_path / "out.parquet")
    table = parquet.read_table(tmp_path / "out.parquet")
    given = [
        shapely.geometry.shape(one["geometry"])
        for k, one in enumerate(
            json.loads((place / "houses.geojson").read_text(encoding="utf-8"))["features"]
        )
        if k != 1
    ]
    head = json.loads(table.schema.metadata[b"geo"])
    assert (head["version"], head["primary_column"]) == ("1.1.0", "geometry")
    column = head["columns"]["geometry"]
    assert (column["encoding"], column["geometry_types"]) == ("WKB", ["Polygon"])
    assert "crs" not in column
    assert column["bbox"] == pytest.approx(shapely.total_bounds(given), abs=1e-12)
    found = shapely.from_wkb(table.column("geometry").to_pylist())
    assert shapely.equals_exact(found, given, 0.0).all()
    again = screen_file(
        asked(place), tmp_path / "out.parquet", tmp_path / "again.csv"
    )  # it is a list of roofs itself
    assert (again.screened, again.of_roofs) == (3, True)
    whole = read_geoparquet(tmp_path / "out.parquet", "out.parquet")
    assert whole.crs == "OGC:CRS84"
    assert list(whole.columns[whole.fields.index("verdict")]) == table.column("verdict").to_pylist()


def test_a_run_that_was_stopped_is_resumed_with_the_same_bytes(place, tmp_path, monkeypatch):
    monkeypatch.setattr(screening_module, "_PART_ROOFS", 1)
    screen_file(asked(place), place / "houses.geojson", tmp_path / "whole.csv")

    def stop(done, count):
        if 0 < done < count:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        screen_file(asked(place), place / "houses.geojson", tmp_path / "again.csv", progress=stop)
    assert not (tmp_path / "again.csv").exists()
    other = asked(place, roofs=RoofSearch(step_m=3.0, max_height_m=2.0))
    with pytest.raises(InputError, match="roofs"):
        screen_file(other, place / "houses.geojson", tmp_path / "again.csv", resume=True)
    screen_file(asked(place), place / "houses.geojson", tmp_path / "again.csv", resume=True)
    assert (tmp_path / "again.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()


def test_the_command_takes_mast_kits_and_says_how_it_searched(place, tmp_path):
    kits = tmp_path / "kits.toml"
    kits.write_text('[[mast_kits]]\nname = "pole"\nheights_m = [1.2, 0.9]\n', encoding="utf-8")
    assert read_mast_kits(kits)[0].heights_m == (0.9, 1.2)
    arguments = [
        "screen", str(place / "houses.geojson"), "--terrain", f"{place / 'surface.tif'}:surface",
        "--satellite", "24.0W", "--highest-ground", f"{HIGHEST_GROUND_M:g}", "--grid", "5",
        "--mast-kits", str(kits), "--jobs", "1", "--out", str(tmp_path / "out.csv"),
    ]  # fmt: skip
    ran = CliRunner().invoke(main, arguments)
    assert ran.exit_code == 0, ran.output
    assert "3 of 4 roofs screened, 1 rejected" in ran.output
    assert "masts of 0.9, 1.2 m" in ran.output
    assert "position" not in ran.output
    assert {(row["mast_height_m"], row["kit"]) for row in rows_of(tmp_path / "out.csv")} <= {
        ("0.90", "pole"), ("1.20", "pole")}  # fmt: skip
    kits.write_text('[[mast_kits]]\nname = "pole"\nhieghts_m = [1.2]\n', encoding="utf-8")
    with pytest.raises(InputError, match="heights_m"):
        read_mast_kits(kits)
    kits.write_text('name = "site"\n', encoding="utf-8")
    with pytest.raises(InputError, match="has no mast kits"):
        read_mast_kits(kits)


def test_known_overhead_lines_are_kept_away_from_and_said_to_be_no_proof(place, tmp_path):
    """A line over the first house, 1 m over its ridge; the same command without the file says that none was given."""
    house = village(3, seed=11).houses[0]
    longitude, latitude = to_degrees(house.east_m + np.array([-20.0, 20.0]), house.north_m + np.zeros(2))
    up_m = house.eaves_m + house.rise_m + 1.0
    line = {
        "type": "Feature", "properties": {"kind": "wire", "name": "service"},
        "geometry": {"type": "LineString", "coordinates": [[float(x), float(y), up_m] for x, y in
                                                           zip(longitude, latitude, strict=True)]},
    }  # fmt: skip
    lines = tmp_path / "lines.geojson"
    lines.write_text(json.dumps({"type": "FeatureCollection", "features": [line]}), encoding="utf-8")
    arguments = [
        "screen", str(place / "houses.geojson"), "--terrain", f"{place / 'surface.tif'}:surface", "--satellite",
        "24.0W", "--highest-ground", f"{HIGHEST_GROUND_M:g}", "--grid", "5", "--max-height", "1", "--jobs", "1",
        "--out", str(tmp_path / "out.csv"),
    ]  # fmt: skip
    without = CliRunner().invoke(main, arguments)
    assert "No overhead lines were given: look for them at every roof." in without.output
    assert all("no-line" in row["cautions"].split() for row in rows_of(tmp_path / "out.csv"))
    ran = CliRunner().invoke(main, [*arguments, "--overhead-lines", str(lines)])
    assert ran.exit_code == 0, ran.output
    assert "1 overhead line from lines.geojson was kept away from; there may be others" in ran.output
    rows = rows_of(tmp_path / "out.csv")
    assert [row["verdict"] == "unknown" for row in rows] == [True, False, False]
    assert rows[0]["mast_height_m"] == rows[0]["spot_latitude_deg"] == ""
    assert all("lines" in row["cautions"].split() for row in rows)
    points = tmp_path / "points.csv"
    points.write_text("id,latitude,longitude\na,58.03,-24.65\n", encoding="utf-8")
    for asked_for, option, mend in (
        (
            points,
            ["--overhead-lines", str(lines)],
            "Leave it out, or give the outlines of the buildings as the list.",
        ),
        (place / "houses.geojson", ["--questions"], "or screen the same houses as points"),
    ):
        refused = CliRunner().invoke(main, ["screen", str(asked_for), *arguments[2:], *option])
        assert refused.exit_code == 2
        assert mend in refused.output


def test_masts_that_no_dish_fits_on_are_refused_before_anything_is_written(place, tmp_path):
    low = asked(place, roofs=RoofSearch(kits=read_kits(tmp_path, "[0.2, 0.3]")))
    with pytest.raises(InputError, match="no mast kit has a height"):
        screen_file(low, place / "houses.geojson", tmp_path / "out.csv")
    assert not (tmp_path / "out.csv").exists()


def read_kits(folder, heights):
    path = folder / "kits.toml"
    path.write_text(f'[[mast_kits]]\nname = "pole"\nheights_m = {heights}\n', encoding="utf-8")
    return read_mast_kits(path)


def test_an_outline_outside_the_raster_is_a_row_that_says_so(place, tmp_path):
    outlines = json.loads((place / "houses.geojson").read_text(encoding="utf-8"))
    there = outlines["features"][0]
    there["geometry"]["coordinates"][0] = [[x + 0.5, y] for x, y in there["geometry"]["coordinates"][0]]
    outlines["features"] = [there]
    (tmp_path / "far.geojson").write_text(json.dumps(outlines), encoding="utf-8")
    made = screen_file(asked(place), tmp_path / "far.geojson", tmp_path / "out.csv")
    assert made.screened == 1
    row = rows_of(tmp_path / "out.csv")[0]
    assert row["verdict"] == "unknown"
    assert "shows this roof" in row["reason"]
    assert row["mast_height_m"] == row["spot_latitude_deg"] == ""


@pytest.mark.slow
def test_a_raster_too_large_to_hold_gives_the_same_bytes_by_boxes(tmp_path, monkeypatch):
    """Two groups of houses 5 km apart on a strip: each part has its own box of the raster, and no roof goes alone."""
    from skysill.bulk import roof_screening
    from skysill.io import ground_boxes

    write_strip(tmp_path, houses=10, apart_m=5_000.0)
    request = asked(tmp_path)
    screen_file(request, tmp_path / "houses.geojson", tmp_path / "whole.csv")
    whole = (tmp_path / "whole.csv").read_bytes()
    monkeypatch.setattr(ground_boxes, "HELD_CELLS", 100_000)
    monkeypatch.setattr(ground_boxes, "LEAST_TILE", 128)
    monkeypatch.setattr(screening_module, "LEAST_TILE", 128)
    monkeypatch.setattr(screening_module, "_PART_ROOFS", 4)
    boxes, alone = [], []
    cells, each = type(request.rasters[0]).cells, roof_screening.search_each

    def noted_cells(raster, *box):
        boxes.append(box)
        return cells(raster, *box)

    def noted_each(rasters, roofs, spots, chosen, *more):
        alone.extend(chosen.tolist())
        return each(rasters, roofs, spots, chosen, *more)

    monkeypatch.setattr(type(request.rasters[0]), "cells", noted_cells)
    monkeypatch.setattr(roof_screening, "search_each", noted_each)
    screen_file(request, tmp_path / "houses.geojson", tmp_path / "boxes.csv")
    assert (tmp_path / "boxes.csv").read_bytes() == whole
    columns = {(left, right) for _, _, left, right in boxes}
    assert len(columns) > 1
    assert max(right - left for left, right in columns) < request.rasters[0].cols
    if available():
        assert not alone


def write_strip(folder, *, houses, apart_m):
    """Houses in two groups on a long strip of 2 m cells, as files."""
    import rasterio
    from rasterio.transform import Affine

    one, cell_m = village(houses // 2, seed=11), 2.0
    values, (a, b, c, d, e, f) = surface(one, cell_m)
    gap = np.broadcast_to(values[:, -1:], (values.shape[0], int(apart_m / cell_m) - values.shape[1]))
    strip = np.hstack([values, gap, values])
    with rasterio.open(
        folder / "surface.tif", "w", driver="GTiff", width=strip.shape[1], height=strip.shape[0], count=1,
        dtype="float32", crs=CRS, transform=Affine(a, b, c - a / 2, d, e, f - e / 2), compress="deflate",
    ) as out:  # fmt: skip
        out.write(strip, 1)
    features = [
        feature(house.outline + np.array([east_m, 0.0]), {"id": f"{east_m:.0f}-{number}"})
        for east_m in (0.0, apart_m)
        for number, house in enumerate(one.houses)
    ]
    document = {"type": "FeatureCollection", "features": features}
    (folder / "houses.geojson").write_text(json.dumps(document), encoding="utf-8")

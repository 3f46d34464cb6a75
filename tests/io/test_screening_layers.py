"""A screened list as a layer: what SQLite, GDAL and an XML reader find, and the rules of the GeoPackage standard."""

from __future__ import annotations

import csv
import json
import sqlite3
from contextlib import closing
from xml.etree import ElementTree

import numpy as np
import pyogrio
import pyogrio.raw
import pytest
import shapely

from skysill.assessment.verdict import RANK
from skysill.errors import InputError
from skysill.io.rasters import RasterSpec, open_rasters
from skysill.io.screening import ScreeningRequest, screen_file
from skysill.io.verdict_styles import VERDICT_SYMBOLS, qml_style, sld_style
from skysill.model.site import Satellite

ISLAND = "demo_terrain/island.tif"
LIST = """id,latitude,longitude,Verdict,geom,note
a,58.0312,-24.6541,asked,x,"one, two"
b,58.0100,-24.6400,,y,
c,57.9700,-24.6200,asked,z,=1+1
bad,north,-24.6,,,
d,58.2500,-24.6,,w,café
"""


@pytest.fixture(scope="module")
def request_():
    rasters = open_rasters([RasterSpec(ISLAND)])
    return ScreeningRequest(rasters, (Satellite("Demo South", -24.0),), highest_ground_m=720.0)


@pytest.fixture(scope="module")
def made(request_, tmp_path_factory):
    folder = tmp_path_factory.mktemp("layer")
    (folder / "list.csv").write_text(LIST, encoding="utf-8")
    for layer in ("layer.gpkg", "layer.geojson"):
        screen_file(request_, folder / "list.csv", folder / "out.csv", layer=folder / layer)
    return folder


def rows_of(folder):
    with open(folder / "out.csv", encoding="utf-8", newline="") as stream:
        names, *rows = csv.reader(stream)
    return names, rows


def test_the_file_is_a_geopackage_by_its_standard(made):
    """OGC 12-128r15: requirement 2 (application id GPKG, user version), 10, 11 (spatial reference systems), 13, 21."""
    with closing(sqlite3.connect(made / "layer.gpkg")) as base:
        assert base.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert base.execute("PRAGMA user_version").fetchone()[0] >= 10200
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
        systems = {row[0] for row in base.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} <= systems
        contents = base.execute("SELECT table_name, data_type, srs_id FROM gpkg_contents").fetchall()
        assert set(contents) == {("screened", "features", 4326), ("layer_styles", "attributes", 0)}
        geometry = base.execute("SELECT * FROM gpkg_geometry_columns").fetchall()
        assert geometry == [("screened", "geom", "POINT", 4326, 0, 0)]
        blobs = base.execute("SELECT geom FROM screened").fetchall()
        assert all(blob[0][:2] == b"GP" for blob in blobs)


def test_gdal_reads_the_rows_of_the_list_back(made):
    names, rows = rows_of(made)
    meta, _, wkb, columns = pyogrio.raw.read(made / "layer.gpkg", layer="screened")
    fields = dict(zip(meta["fields"], columns, strict=True))
    assert meta["crs"] == "EPSG:4326"
    assert list(fields["id"]) == ["a", "b", "c", "d"]
    at = {name: number for number, name in reversed(list(enumerate(names)))}
    last = {name: number for number, name in enumerate(names)}
    assert list(fields["verdict"]) == [row[last["verdict"]] for row in rows]
    assert list(fields["reason"]) == [row[last["reason"]] for row in rows]
    for row, margin, point in zip(rows, fields["margin_deg"], shapely.from_wkb(wkb), strict=True):
        told = row[last["margin_deg"]]
        assert (np.isnan(margin) and told == "") or float(told) == pytest.approx(margin, abs=1e-9)
        there = float(row[at["longitude"]]), float(row[at["latitude"]])
        assert (point.x, point.y) == pytest.approx(there, abs=1e-7)
    assert list(fields["note"]) == ["one, two", "", "=1+1", "café"]
    assert list(fields["Verdict_"]) == [
        "asked",
        "",
        "asked",
        "",
    ]  # names in SQLite differ by more than their case
    assert list(fields["geom_"]) == ["x", "y", "z", "w"]


def test_missing_numbers_are_null_and_not_zero(made):
    with closing(sqlite3.connect(made / "layer.gpkg")) as base:
        found = base.execute("SELECT least_height_m FROM screened").fetchall()
    assert (None,) in found
    assert (0.0,) not in found


def test_the_style_names_every_verdict_with_its_own_colour_and_shape(made):
    with closing(sqlite3.connect(made / "layer.gpkg")) as base:
        base.row_factory = sqlite3.Row
        (row,) = base.execute("SELECT * FROM layer_styles").fetchall()
    assert (row["f_table_name"], row["f_geometry_column"], row["useAsDefault"]) == ("screened", "geom", 1)
    assert row["styleQML"] == qml_style("verdict", areas=False)
    assert row["styleSLD"] == sld_style("screened", "verdict", areas=False)


@pytest.mark.parametrize("areas", [False, True])
def test_both_style_texts_are_xml_with_a_rule_for_every_verdict(areas):
    renderer = ElementTree.fromstring(qml_style("verdict", areas=areas).partition("\n")[2]).find(
        "renderer-v2"
    )
    assert (renderer.get("type"), renderer.get("attr")) == ("categorizedSymbol", "verdict")
    categories = {one.get("value"): one for one in renderer.find("categories")}
    assert set(categories) == set(RANK)
    looks = set()
    for name, category in categories.items():
        (symbol,) = [s for s in renderer.find("symbols") if s.get("name") == category.get("symbol")]
        settings = [
            {p.get("k"): p.get("v") for p in layer.findall("prop")} for layer in symbol.findall("layer")
        ]
        colour = VERDICT_SYMBOLS[name].colour
        assert settings[0]["color"] == ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"
        looks.add(settings[-1]["style"] if areas else settings[0]["name"])
    assert len(looks) == len(RANK)  # told apart in grey too
    root = ElementTree.fromstring(sld_style("screened", "verdict", areas=areas))
    spaces = {"se": "http://www.opengis.net/se", "ogc": "http://www.opengis.net/ogc"}
    rules = root.findall(".//se:Rule", spaces)
    assert {rule.find(".//ogc:PropertyIsEqualTo/ogc:Literal", spaces).text for rule in rules} == set(RANK)
    assert all((rule.find("se:PolygonSymbolizer", spaces) is not None) == areas for rule in rules)


def test_the_same_list_gives_the_same_bytes(made, request_):
    first = (made / "layer.gpkg").read_bytes()
    screen_file(request_, made / "list.csv", made / "again.csv", layer=made / "again.gpkg")
    assert (made / "again.gpkg").read_bytes() == first


def test_geojson_says_colour_and_shape_in_two_properties(made):
    features = json.loads((made / "layer.geojson").read_text(encoding="utf-8"))["features"]
    assert len(features) == 4
    for feature in features:
        said = feature["properties"]
        symbol = VERDICT_SYMBOLS[said["verdict"]]
        assert (said["map_colour"], said["map_shape"]) == (symbol.colour, symbol.shape)


def test_roofs_are_polygons_with_hatched_styles(request_, tmp_path):
    ring = [[-24.654, 58.031], [-24.6538, 58.031], [-24.6538, 58.0311], [-24.654, 58.0311], [-24.654, 58.031]]
    roofs = [
        {
            "type": "Feature",
            "properties": {"id": "roof"},
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
    ]
    (tmp_path / "roofs.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": roofs}))
    made = screen_file(
        request_, tmp_path / "roofs.geojson", tmp_path / "out.csv", layer=tmp_path / "roofs.gpkg"
    )
    meta, _, wkb, _ = pyogrio.raw.read(tmp_path / "roofs.gpkg", layer="screened")
    assert meta["geometry_type"] == "MultiPolygon"
    (shape,) = shapely.from_wkb(wkb)
    assert shape.equals(shapely.MultiPolygon([shapely.Polygon(ring)]))
    np.testing.assert_allclose(made.outlines[0][0], ring)
    with closing(sqlite3.connect(tmp_path / "roofs.gpkg")) as base:
        assert 'type="fill"' in base.execute("SELECT styleQML FROM layer_styles").fetchone()[0]


def test_a_list_of_nothing_is_an_empty_layer(request_, tmp_path):
    (tmp_path / "none.csv").write_text("id,latitude,longitude\n")
    screen_file(request_, tmp_path / "none.csv", tmp_path / "out.csv", layer=tmp_path / "none.gpkg")
    info = pyogrio.read_info(tmp_path / "none.gpkg", layer="screened")
    assert info["features"] == 0
    assert "verdict" in info["fields"]


def test_other_formats_and_the_list_itself_are_refused(request_, tmp_path):
    (tmp_path / "list.csv").write_text(LIST, encoding="utf-8")
    with pytest.raises(InputError, match='"\\.shp" is no kind of layer'):
        screen_file(request_, tmp_path / "list.csv", tmp_path / "out.csv", layer=tmp_path / "layer.shp")
    with pytest.raises(InputError, match="is the same file as output"):
        screen_file(request_, tmp_path / "list.csv", tmp_path / "out.geojson", layer=tmp_path / "out.geojson")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["list.csv"]

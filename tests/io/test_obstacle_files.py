"""Obstacles from GeoJSON and other vector files."""

import json
import sqlite3

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.io.obstacle_files import LEVEL_HEIGHT_M, read_obstacles
from skysill.io.obstacle_schema import Ground

LAT, LON = 58.0312, -24.6541
GROUND = Ground(41.0, known=True, rise_m=lambda east_m, north_m: np.zeros(np.shape(east_m)))


def degrees(*points_m):
    """GeoJSON coordinates, longitude first (RFC 7946, section 3.1.1), of local metres."""
    out = []
    for east_m, north_m, *up in points_m:
        lat, lon = offset_position(LAT, LON, east_m, north_m)
        out.append([float(lon), float(lat), *up])
    return out


def feature(shape, coordinates, **properties):
    return {
        "type": "Feature",
        "geometry": {"type": shape, "coordinates": coordinates},
        "properties": properties,
    }


@pytest.fixture
def read(tmp_path):
    def read(*features, ground=GROUND, **more):
        path = tmp_path / "o.geojson"
        path.write_text(json.dumps({"type": "FeatureCollection", "features": list(features), **more}))
        return read_obstacles(path, latitude_deg=LAT, longitude_deg=LON, ground=ground)

    return read


SQUARE = [(10, 20), (16, 20), (16, 28), (10, 28), (10, 20)]


def test_each_geometry_becomes_its_shape(read):
    tree, pole, wall, wire, house, slope = read(
        feature("Point", degrees((3, 4))[0], kind="tree", name="ash", height_m=9, crown_radius_m=2.5, deciduous=True,
                growth_m_per_year=0.3, max_height_m=14),
        feature("Point", degrees((5, 5))[0], kind="pole", height_m=8, radius_m=0.2),
        feature("LineString", degrees((0, 0), (9, 0)), kind="wall", height_m=2),
        feature("LineString", degrees((0, 9, 48.0), (25, 9, 48.5)), kind="wire", sag_m=0.5),
        feature("Polygon", [degrees(*SQUARE)], name="barn", top_elevation_m=49.0),
        feature("Polygon", [degrees((0, 0, 45), (8, 0, 45), (8, 4, 48), (0, 4, 48), (0, 0, 45))], kind="roof"),
    )  # fmt: skip
    assert (tree.shape, tree.name, tree.top_elevation_m, tree.crown_radius_m) == ("column", "ash", 50.0, 2.5)
    assert (tree.deciduous, tree.growth_m_per_year, tree.max_height_m) == (True, 0.3, 14.0)
    np.testing.assert_allclose(tree.centre_m, (3.0, 4.0), atol=1e-3)
    assert (pole.shape, pole.radius_m, pole.top_elevation_m) == ("column", 0.2, 49.0)
    assert (wall.shape, wall.top_elevation_m) == ("curtain", 43.0)
    assert (wire.shape, wire.sag_m) == ("line", 0.5)
    assert (house.shape, house.kind, house.top_elevation_m) == ("prism", "building", 49.0)
    np.testing.assert_allclose(house.vertices_m[:, :2].min(axis=0), (10.0, 20.0), atol=1e-3)
    assert (slope.shape, slope.kind, slope.top_elevation_m) == ("facet", "roof", 48.0)


def test_heights_count_from_the_ground_below_where_bare_terrain_knows_it(read):
    sloping = Ground(41.0, known=True, rise_m=lambda east_m, north_m: 0.1 * np.asarray(north_m))
    [house] = read(feature("Polygon", [degrees(*SQUARE)], height_m=6), ground=sloping)
    assert house.ground_elevation_m == pytest.approx(
        41.0 + 0.1 * 23.2, abs=1e-3
    )  # the mean of the five vertices
    [house] = read(feature("Polygon", [degrees(*SQUARE)], height_m=6), ground=Ground(41.0, known=True))
    assert house.ground_elevation_m == 41.0
    assert "heights count from the site's ground" in house.notes[0]


def test_open_data_tags_stand_in_for_heights_and_the_assumption_is_said(read):
    """Tag meanings as the map wiki describes them, from memory: building:levels without those of the roof."""
    barn, house, foot = read(
        feature("Polygon", [degrees(*SQUARE)], building="yes", height="7.5 m"),
        feature(
            "Polygon", [degrees(*SQUARE)], **{"building:levels": "2", "roof:height": "1.5", "name": "school"}
        ),
        feature("Polygon", [degrees(*SQUARE)], building="yes", height="30'6\""),
    )
    assert barn.height_m == 7.5
    assert house.height_m == 2 * LEVEL_HEIGHT_M + 1.5
    assert '"school" has no height; 2 levels of 3 m and a roof of 1.5 m were assumed, 7.5 m.' in house.notes
    assert foot.height_m == pytest.approx(30 * 0.3048 + 6 * 0.0254)


def test_an_explicit_height_overrules_tags(read):
    [house] = read(feature("Polygon", [degrees(*SQUARE)], height_m=6, height="20", **{"building:levels": 9}))
    assert house.height_m == 6.0


def test_kinds_are_taken_from_tags(read):
    tree, wire, wall = read(
        feature("Point", degrees((3, 4))[0], natural="tree", height="9", diameter_crown="5"),
        feature("LineString", degrees((0, 0), (9, 0)), power="minor_line", height_m=8),
        feature("LineString", degrees((0, 0), (9, 0)), barrier="hedge", height_m=3),
    )
    assert (tree.kind, tree.crown_radius_m) == ("tree", 2.5)
    assert (wire.kind, wall.kind) == ("wire", "wall")


def test_a_voltage_is_read_in_volts_from_tags_and_the_highest_counts(read):
    [line] = read(
        feature("LineString", degrees((0, 0), (9, 0)), power="line", height_m=18, voltage="132000;33000")
    )
    assert line.voltage_kv == 132.0


def test_a_wire_below_the_bare_ground_is_refused(read):
    """The ground rises 0.2 m a metre to the north: 61 m up there, the wire at 50 m."""
    hill = Ground(41.0, known=True, rise_m=lambda east_m, north_m: 0.2 * np.asarray(north_m))
    wire = feature("LineString", degrees((0, 0, 50.0), (0, 100, 50.0)), kind="wire", name="feed")
    with pytest.raises(
        InputError, match=r'line: the wire "feed" runs at 50\.0 m, not above the ground there \(61\.0 m'
    ):
        read(wire, ground=hill)
    wire = feature("LineString", degrees((0, 0, 50.0), (0, 50, 50.0)), kind="wire")
    assert len(read(wire, ground=hill)) == 1  # a metre under coarse ground, and partly above


def test_a_point_nobody_named_is_taken_for_the_larger_thing_and_that_is_said(read):
    [tree] = read(feature("Point", degrees((3, 4))[0], height_m=9))
    assert tree.kind == "tree"
    assert 'Nobody said what "tree" is; it was taken for a tree.' in tree.notes


def test_multi_geometries_give_one_obstacle_each_under_their_own_names(read):
    found = read(feature("MultiPoint", degrees((3, 4), (6, 4)), kind="pole", name="post", height_m=5))
    assert [one.name for one in found] == ["post", "post 2"]


def test_footprints_with_idle_zeros_for_elevations_are_footprints(read):
    [house] = read(feature("Polygon", [degrees(*[(*point, 0.0) for point in SQUARE])], height_m=6))
    assert (house.shape, house.top_elevation_m) == ("prism", 47.0)


def test_holes_stay_open(read):
    hole = [(12, 22), (14, 22), (14, 24), (12, 24), (12, 22)]
    [house] = read(feature("Polygon", [degrees(*SQUARE), degrees(*hole)], height_m=6))
    assert len(house.areas_m[0]) == 2


@pytest.mark.parametrize(
    ("bad", "sentence"),
    [
        (feature("Polygon", [degrees(*SQUARE)], name="barn"),
         'feature 2 ("barn"), height_m: "barn" has no height. Give height_m above the ground, or top_elevation_m.'),
        ({"type": "Feature", "geometry": None, "properties": {}},
         "feature 2: has no geometry. Draw it, or take the feature out."),
        (feature("Polygon", [degrees(*SQUARE)], height_m="tall"), 'feature 2, height_m: "tall" is not a number.'),
        (feature("Polygon", [degrees(*SQUARE)], height_m=-3), "feature 2, height_m: "),
        (feature("Point", [LAT, LON], kind="pole", height_m=3), "GeoJSON puts longitude first: are they swapped?"),
        (feature("Point", [402345.0, 6433210.0], kind="pole", height_m=3),
         "feature 2: has coordinates that are not longitude and latitude. "
         "GeoJSON is WGS 84 degrees, longitude first; save it so."),
        (feature("Point", [10.0, 50.0], kind="pole", height_m=3), "km from the site. Is it the right file?"),
        (feature("Point", degrees((1, 1))[0], kind="building", height_m=3), "a building is not given by a point."),
        (feature("Point", ["a", "b"], kind="pole", height_m=3), "feature 2: has a coordinate that is not a number."),
        (feature("Polygon", []), "feature 2: has no geometry."),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_and_never_dropped(read, bad, sentence):
    with pytest.raises(InputError) as caught:
        read(feature("Point", degrees((3, 4))[0], kind="pole", height_m=5), bad)
    told = str(caught.value)
    assert sentence in told
    assert "o.geojson, feature 2" in told
    assert "\n" not in told


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is empty."),
        ('{"type": "FeatureCollection", "features": [', "row 1: is not JSON. Is the file complete?"),
        ("[]", "is not GeoJSON."),
        ('{"type": "Topology"}', "is not a GeoJSON FeatureCollection."),
        ('{"type": "FeatureCollection", "features": [3]}', "feature 1: is not a GeoJSON feature."),
    ],
)
def test_files_that_are_no_geojson(tmp_path, text, sentence):
    (tmp_path / "o.geojson").write_text(text)
    with pytest.raises(InputError) as caught:
        read_obstacles(tmp_path / "o.geojson", latitude_deg=LAT, longitude_deg=LON, ground=GROUND)
    assert sentence in str(caught.value)


def test_elevations_mean_nothing_without_a_known_ground(read):
    with pytest.raises(
        InputError, match="is given by elevation, but the site's ground_elevation_m is unknown"
    ):
        read(feature("Polygon", [degrees(*SQUARE)], top_elevation_m=49.0), ground=Ground(0.0, known=False))


def write_vectors(path, crs, points, **columns):
    import pyogrio.raw
    import shapely

    pyogrio.raw.write(
        str(path),
        geometry=np.array([shapely.to_wkb(point) for point in points], dtype=object),
        field_data=[np.array(values) for values in columns.values()],
        fields=list(columns),
        geometry_type="Point",
        crs=crs,
        driver="GPKG",
    )


def test_other_vector_files_are_read_in_their_own_coordinate_system(tmp_path):
    """UTM zone 27N by pyproj, which the reader under test uses too, and by hand for the first two digits."""
    import shapely
    from pyproj import Transformer

    lat, lon = (float(value) for value in offset_position(LAT, LON, 30.0, -40.0))
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True).transform(lon, lat)
    assert 280_000 < east < 290_000  # 500 km less 3.65 degrees of longitude, 59 km each at 58 N
    write_vectors(
        tmp_path / "o.gpkg",
        "EPSG:32627",
        [shapely.Point(east, north)],
        kind=["pole"],
        height_m=[7.0],
        sag_m=[np.nan],
    )
    [pole] = read_obstacles(tmp_path / "o.gpkg", latitude_deg=LAT, longitude_deg=LON, ground=GROUND)
    np.testing.assert_allclose(pole.centre_m, (30.0, -40.0), atol=2e-3)
    assert (pole.kind, pole.height_m) == ("pole", 7.0)


def test_a_vector_file_that_is_none(tmp_path):
    (tmp_path / "o.gpkg").write_bytes(b"not a database")
    with pytest.raises(InputError, match=r"o.gpkg: cannot be read as a vector file"):
        read_obstacles(tmp_path / "o.gpkg", latitude_deg=LAT, longitude_deg=LON, ground=GROUND)


def write_layer(path, name, points, driver="GPKG", **columns):
    import pyogrio.raw
    import shapely

    pyogrio.raw.write(
        str(path),
        geometry=np.array([shapely.to_wkb(shapely.Point(*point)) for point in points], dtype=object),
        field_data=[np.array(values) for values in columns.values()],
        fields=list(columns),
        geometry_type="Point",
        crs="EPSG:4326",
        driver=driver,
        layer=name,
        append=path.exists(),
    )


def read_all(path):
    return read_obstacles(path, latitude_deg=LAT, longitude_deg=LON, ground=GROUND)


def two_layers(tmp_path):
    path = tmp_path / "village.gpkg"
    write_layer(path, "poles", degrees((3, 4)), kind=["pole"], height_m=[7.0])
    write_layer(path, "trees", degrees((5, 6), (7, 8)), kind=["tree", "tree"], height_m=[9.0, 4.0])
    return path


def test_every_layer_is_read_or_the_one_named_behind_a_colon(tmp_path):
    path = two_layers(tmp_path)
    assert sorted(one.kind for one in read_all(path)) == ["pole", "tree", "tree"]
    assert [one.kind for one in read_all(f"{path}:poles")] == ["pole"]
    with pytest.raises(InputError, match=r'has no layer "trese"\. Did you mean trees\?'):
        read_all(f"{path}:trese")


def test_a_fault_names_its_layer(tmp_path):
    path = two_layers(tmp_path)
    write_layer(path, "parcels", degrees((1, 1)), kind=["parcel"], height_m=[1.0])
    with pytest.raises(
        InputError, match=r'village.gpkg, layer parcels, feature 1, kind: "parcel" is no kind'
    ):
        read_all(path)


@pytest.mark.parametrize("share", [0.1, 0.4, 0.7, 0.9, 0.99])
@pytest.mark.parametrize("name", ["o.gpkg", "o.fgb", "o.shp", "o.dbf", "o.shx", "o.geojson"])
def test_a_vector_file_cut_short_is_refused(tmp_path, name, share):
    suffix = name[1:]
    points = degrees(*[(3, k) for k in range(1, 60)])
    columns = {"kind": ["pole"] * 59, "height_m": [7.0] * 59}
    driver = {".gpkg": "GPKG", ".fgb": "FlatGeobuf", ".geojson": "GeoJSON"}.get(suffix, "ESRI Shapefile")
    path = tmp_path / ("o.shp" if driver == "ESRI Shapefile" else name)
    write_layer(path, "o", points, driver, **columns)
    assert len(read_all(path)) == 59
    cut = tmp_path / name
    raw = cut.read_bytes()
    cut.write_bytes(raw[: int(share * len(raw))])
    with pytest.raises(InputError):
        read_all(path)


def test_a_damaged_page_of_a_database_is_refused(tmp_path):
    path = two_layers(tmp_path)
    raw = bytearray(path.read_bytes())
    raw[9 * 4096 : 10 * 4096] = b"\xff" * 4096
    path.write_bytes(raw)
    with pytest.raises(InputError, match="damaged"):
        read_all(path)


@pytest.mark.parametrize(
    "statement",
    ["CREATE VIEW v AS SELECT * FROM poles", "CREATE VIRTUAL TABLE f USING fts3(a)"],
)
def test_what_a_database_makes_up_is_not_read(tmp_path, statement):
    path = two_layers(tmp_path)
    with sqlite3.connect(path) as base:
        base.execute(statement)
    base.close()
    with pytest.raises(InputError, match="views or virtual tables"):
        read_all(path)


def test_reading_a_database_leaves_nothing_beside_it(tmp_path):
    path = two_layers(tmp_path)
    before = path.read_bytes()
    read_all(path)
    assert [one.name for one in tmp_path.iterdir()] == ["village.gpkg"]
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (
            "o.vrt",
            "<OGRVRTDataSource><OGRVRTLayer name='a'><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer>",
        ),
        ("o.gpkg", "<OGRVRTDataSource/>"),
        ("o.shp", '{"type": "FeatureCollection", "features": []}'),
        ("o.csv", "x,y\n1,2\n"),
        ("o.json", '{"type": "Topology", "objects": {}}'),
        ("o.fgb", "WFS:http://127.0.0.1:9"),
    ],
)
def test_other_formats_are_refused_by_name(tmp_path, name, text):
    (tmp_path / name).write_text(text)
    with pytest.raises(InputError, match=r"cannot be read as a vector file|is not a GeoJSON"):
        read_all(tmp_path / name)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('"height_m": 30, "height_m": 3', 'feature 1: has "height_m" twice.'),
        ('"height_m": NaN', "holds NaN, which is no JSON."),
        ('"height_m": ' + "9" * 5000, "a number is too long"),
        ('"name": ' + "[" * 100_000, "nested too deeply"),
    ],
)
def test_json_that_says_two_things_or_none(tmp_path, text, sentence):
    shape = f'"type": "Feature", "geometry": {{"type": "Point", "coordinates": {degrees((3, 4))[0]}}}'
    one = f'{{{shape}, "properties": {{{text}}}}}'
    (tmp_path / "o.geojson").write_text(f'{{"type": "FeatureCollection", "features": [{one}]}}')
    with pytest.raises(InputError) as caught:
        read_all(tmp_path / "o.geojson")
    assert sentence in str(caught.value)


@pytest.mark.parametrize(
    ("geometry", "sentence"),
    [
        ({"type": "GeometryCollection", "geometries": []}, "has a collection of geometries that is empty or nested"),
        ({"type": "GeometryCollection", "geometries": [{"type": "GeometryCollection", "geometries": []}]},
         "has a collection of geometries that is empty or nested"),
        ({"type": "GeometryCollection", "geometries": [{"type": "Point", "coordinates": degrees((1, 2))[0]},
          {"type": "LineString", "coordinates": degrees((1, 2), (3, 4))}]}, "mixes points, lines and areas"),
        ({"type": "Polygon", "coordinates": [degrees(*SQUARE[:4])]}, "has an outline that is not closed"),
        ({"type": "Polygon", "coordinates": [degrees(*SQUARE), []]}, "has no geometry"),
        ({"type": "LineString", "coordinates": degrees((1, 2))}, "has a line of one point"),
        ({"type": "LineString", "coordinates": degrees((1, 2, 50), (3, 4))},
         "has points with an elevation and points without one"),
        ({"type": "Point", "coordinates": ["-24.6541", "58.0312"]}, "has a coordinate that is not a number"),
        ({"type": "Point", "coordinates": [-24.6541, True]}, "has a coordinate that is not a number"),
        ({"type": "Circle", "coordinates": [1, 2]}, '"Circle" is no geometry that can be read'),
        ({"type": "Point"}, "has no geometry"),
        ([], "has no geometry"),
    ],
)  # fmt: skip
def test_geometry_that_is_half_there_is_refused(read, geometry, sentence):
    bad = {"type": "Feature", "geometry": geometry, "properties": {"height_m": 5}}
    with pytest.raises(InputError) as caught:
        read(bad)
    assert f"feature 1: {sentence}" in str(caught.value)


@pytest.mark.parametrize(
    "crs",
    [
        {"type": "link", "properties": {"href": "http://127.0.0.1:9/crs", "type": "proj4"}},
        {"type": "name", "properties": {"name": "+init=/etc/passwd"}},
        {"type": "name", "properties": {}},
        "EPSG:4326",
    ],
)
def test_links_to_coordinate_systems_are_not_followed(read, crs):
    with pytest.raises(InputError, match="crs: its coordinate system"):
        read(feature("Point", degrees((3, 4))[0], kind="pole", height_m=5), crs=crs)


def test_an_older_file_in_a_named_coordinate_system_is_turned(read):
    from pyproj import Transformer

    ((lon, lat),) = degrees((30, -40))
    place = list(Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True).transform(lon, lat))
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32627"}}
    [pole] = read(feature("Point", place, kind="pole", height_m=5), crs=crs)
    np.testing.assert_allclose(pole.centre_m, (30.0, -40.0), atol=2e-3)
    same = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    assert read(feature("Point", degrees((3, 4))[0], kind="pole", height_m=5), crs=same)


def test_names_reach_no_terminal_with_control_characters(read):
    [pole] = read(feature("Point", degrees((3, 4))[0], kind="pole", height_m=5, name="mast\x1b[2J\u202e"))
    assert pole.name == "mast [2J"

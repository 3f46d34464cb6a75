"""GeoParquet files. Metadata as GeoParquet 1.1.0 has them (Open Geospatial Consortium; from memory)."""

import json

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import pytest
import shapely
from pytest import approx

from skysill.errors import InputError
from skysill.io.obstacle_files import read_features, read_obstacles
from skysill.io.obstacle_schema import Ground

LATITUDE, LONGITUDE = 58.0312, -24.6541
HOUSE = shapely.box(LONGITUDE + 1e-4, LATITUDE, LONGITUDE + 3e-4, LATITUDE + 1e-4)


def geo(**column):
    return {"version": "1.1.0", "primary_column": "geometry",
            "columns": {"geometry": {"encoding": "WKB", "geometry_types": ["Polygon"], **column}}}  # fmt: skip


def written(folder, shapes, head, name="houses.parquet", **columns):
    table = pa.table({"geometry": [None if s is None else shapely.to_wkb(s) for s in shapes], **columns})
    if head is not None:
        table = table.replace_schema_metadata({"geo": head if isinstance(head, str) else json.dumps(head)})
    pq.write_table(table, folder / name)
    return folder / name


def read(file):
    return read_obstacles(file, latitude_deg=LATITUDE, longitude_deg=LONGITUDE, ground=Ground(41.0, True))


@pytest.mark.parametrize("name", ["houses.parquet", "houses.geoparquet"])
def test_without_a_crs_it_is_longitude_and_latitude(tmp_path, name):
    (house,) = read(written(tmp_path, [HOUSE], geo(), name, height=["7.5"], building=["yes"]))
    assert house.top_elevation_m == approx(48.5)
    # a degree of longitude is 111.32 km times the cosine of the latitude, to half a per cent
    assert house.centre_m[0] == approx(2e-4 * 111_320.0 * np.cos(np.deg2rad(LATITUDE)), rel=0.005)


def test_a_projected_system_is_turned(tmp_path):
    to_utm = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True)
    turned = shapely.transform(HOUSE, lambda p: np.column_stack(to_utm.transform(*p.T)))
    crs = pyproj.CRS("EPSG:32627").to_json_dict()
    (there,) = read(written(tmp_path, [turned], geo(crs=crs), height_m=[6.0]))
    (here,) = read(written(tmp_path, [HOUSE], geo(), "b.parquet", height_m=[6.0]))
    assert there.vertices_m == approx(here.vertices_m, abs=0.01)


def test_maps_of_tags_are_tags_and_nested_columns_are_left_out(tmp_path):
    tags = pa.array([[("building:levels", "2"), ("name", "school")]], pa.map_(pa.string(), pa.string()))
    box = pa.array([{"xmin": 1.0}])
    file = written(
        tmp_path, [HOUSE], geo(), tags=tags, bbox=box, kind=pa.array(["building"]).dictionary_encode()
    )
    (given,) = read_features(file)
    assert given.properties == {"tags": {"building:levels": "2", "name": "school"}, "kind": "building"}
    (house,) = read(file)
    assert house.height_m == approx(6.0)


def test_the_geometry_is_the_primary_column(tmp_path):
    head = {"version": "1.0.0", "primary_column": "shape", "columns": {"shape": {"encoding": "WKB"}}}
    file = written(tmp_path, [shapely.Point(0, 0)], head, shape=[shapely.to_wkb(HOUSE)], height_m=[5.0])
    (house,) = read(file)
    assert house.shape == "prism"


def test_a_row_without_geometry_is_refused_by_its_number(tmp_path):
    file = written(tmp_path, [HOUSE, None], geo(), height_m=[5.0, 5.0])
    with pytest.raises(InputError, match=r"feature 2.*: has no geometry"):
        read(file)


@pytest.mark.parametrize(
    ("head", "says"),
    [
        (None, r"is Parquet without geometry \(no GeoParquet metadata\)"),
        ("{", "has GeoParquet metadata that cannot be read"),
        ("[]", "has GeoParquet metadata that cannot be read"),
        (
            {"primary_column": "other", "columns": {"other": {"encoding": "WKB"}}},
            "metadata that cannot be read",
        ),
        (geo(encoding="polygon"), 'its geometry is encoded as "polygon", which is not read'),
        (geo(crs=None), "names no coordinate system"),
        (geo(crs={"type": "nonsense"}), "its coordinate system is not known"),
    ],
)
def test_metadata_that_leave_something_open_are_refused(tmp_path, head, says):
    with pytest.raises(InputError, match=rf"houses.parquet.*{says}"):
        read(written(tmp_path, [HOUSE], head, height_m=[5.0]))


def test_damaged_files_are_refused(tmp_path):
    file = written(tmp_path, [HOUSE] * 50, geo(), height_m=[5.0] * 50)
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="is no Parquet file that can be read"):
        read(file)
    file.write_bytes(b"GIF89a")
    with pytest.raises(InputError, match="cannot be read as a vector file"):
        read(file)
    bad = written(tmp_path, [None], geo(), "c.parquet", height_m=[5.0])
    table = pq.read_table(bad)
    pq.write_table(table.set_column(0, "geometry", pa.array([b"\x01\x03\x00"])), bad)
    with pytest.raises(InputError, match=r"c\.parquet: is damaged"):
        read(bad)

"""Outlines of buildings as lists: every format that is read, what is refused record by record and why."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely
from pyproj import Geod

from skysill.errors import InputError
from skysill.io.address_lists import open_addresses, read_addresses
from skysill.io.address_vectors import holds_areas
from skysill.io.building_lists import read_buildings, read_places
from skysill.model.site import Satellite

SOUTH = (Satellite("Demo South", -24.0),)
LATITUDE, LONGITUDE = 58.03, -24.65


def ring(east=0.0, north=0.0, wide=10.0, deep=8.0, *, at=(LATITUDE, LONGITUDE)):
    """A closed rectangle in degrees, a metre being taken from the length of a degree on the ellipsoid."""
    ellipsoid = Geod(ellps="WGS84")
    per_east = 1.0 / ellipsoid.inv(at[1], at[0], at[1] + 1e-3, at[0])[2] * 1e-3
    per_north = 1.0 / ellipsoid.inv(at[1], at[0], at[1], at[0] + 1e-3)[2] * 1e-3
    corners = [(0, 0), (wide, 0), (wide, deep), (0, deep), (0, 0)]
    return [[at[1] + (east + x) * per_east, at[0] + (north + y) * per_north] for x, y in corners]


def written(path, geometries, more=None):
    features = [
        {"type": "Feature", "properties": {"id": f"b{k}"} | (more or {}).get(k, {}), "geometry": geometry}
        for k, geometry in enumerate(geometries)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return path


def polygon(*rings):
    return {"type": "Polygon", "coordinates": list(rings)}


def read(path, **over):
    said = {"default_height_m": 2.0, "satellites": SOUTH, "step_m": 1.0, "setback_m": 1.0} | over
    return read_buildings(open_addresses(path), **said)


def test_what_cannot_be_searched_is_rejected_with_its_reason_and_the_rest_is_read(tmp_path):
    bow = ring()
    bow[1], bow[2] = bow[2], bow[1]
    yard = [list(p) for p in ring(6.0, 6.0, 6.0, 4.0)]
    open_ring = ring()[:-1]
    path = written(
        tmp_path / "houses.geojson",
        [
            polygon(ring()),
            polygon(bow),
            polygon(ring(wide=1.5, deep=9.0)),
            polygon(ring(wide=0.5, deep=0.5)),
            {"type": "Point", "coordinates": [LONGITUDE, LATITUDE]},
            None,
            polygon(open_ring),
            polygon(ring(wide=5000.0)),
            polygon([[200.0, 58.0], [201.0, 58.0], [201.0, 59.0], [200.0, 58.0]]),
            polygon(ring(0, 0, 20.0, 16.0), yard),
            {"type": "MultiPolygon", "coordinates": [[ring()], [ring(30.0)]]},
            {"type": "LineString", "coordinates": ring()},
        ],
        {9: {"mount_height_m": 3.5, "satellite": "5.5E"}, 10: {"mount_height_m": "tall"}},
    )
    places, roofs = read(path)
    assert places.record.tolist() == [0, 9]
    assert places.count == 12 == places.record.size + len(places.rejects)
    assert [(reject.line, reject.id) for reject in places.rejects] == [
        (k + 1, f"b{k}") for k in (1, 2, 3, 4, 5, 6, 7, 8, 10, 11)
    ]
    reasons = [reject.reason for reject in places.rejects]
    for reason, said in zip(
        reasons,
        ["crosses itself", "no place on it is 1 m from its edges", "m² large", "is a point", "no geometry",
         "not closed", "km across", "not longitude and latitude", '"tall" is not a number', "is a line"],
        strict=True,
    ):  # fmt: skip
        assert said in reason
    assert shapely.area(roofs.plan) == pytest.approx([80.0, 320.0 - 24.0], rel=1e-3)
    assert places.mount_height_m.tolist() == [2.0, 3.5]
    assert [places.satellites[k].name if k >= 0 else "" for k in places.satellite] == ["", "5.5E"]


def test_the_plan_is_about_the_middle_of_each_outline_also_across_180_degrees(tmp_path):
    """Distances on the ellipsoid by pyproj's geodesics."""
    east = ring(-5.0, 0.0, at=(-17.0, 180.0))
    across = [[x - 360.0 if x > 180.0 else x, y] for x, y in east]
    places, roofs = read(written(tmp_path / "a.geojson", [polygon(ring()), polygon(across)]))
    assert len(places.record) == 2
    for k, corners in enumerate((ring(), across)):
        bounds = shapely.bounds(roofs.plan[k])
        assert bounds == pytest.approx([-5.0, -4.0, 5.0, 4.0], abs=0.01)
        azimuth, _, away = Geod(ellps="WGS84").inv(
            places.longitude_deg[k], places.latitude_deg[k], *corners[2][:2]
        )
        far = shapely.get_coordinates(roofs.plan[k])[2]
        assert far == pytest.approx(
            [away * np.sin(np.deg2rad(azimuth)), away * np.cos(np.deg2rad(azimuth))], abs=1e-3
        )


@pytest.mark.parametrize("end", ["gpkg", "shp", "fgb", "parquet", "geoparquet"])
@pytest.mark.parametrize("kind", ["Polygon", "Point"])
def test_every_vector_format_gives_the_same_list(tmp_path, end, kind):
    """Files of each format as pyogrio and pyarrow write them, in UTM; their columns pass through."""
    from pyproj import Transformer

    turn = Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True)
    shapes = [shapely.Polygon(np.column_stack(turn.transform(*np.array(r).T))) for r in (ring(), ring(40.0))]
    if kind == "Point":
        shapes = [shape.centroid for shape in shapes]
    shapes = [*shapes, None]
    ids, levels = ["007", "008", "009"], [1, 2, 3]
    path = tmp_path / f"list.{end}"
    wkb = [None if shape is None else shapely.to_wkb(shape) for shape in shapes]
    if "parquet" in end:
        import pyarrow as pa
        import pyarrow.parquet as pq
        from pyproj import CRS

        column = {"encoding": "WKB", "geometry_types": [], "crs": CRS("EPSG:32627").to_json_dict()}
        head = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
        table = pa.table({"id": ids, "levels": levels, "geometry": wkb})
        pq.write_table(table.replace_schema_metadata({"geo": json.dumps(head)}), path)
    else:
        import pyogrio.raw

        pyogrio.raw.write(
            path, geometry=np.array(wkb, dtype=object), geometry_type=kind, crs="EPSG:32627",
            field_data=[np.array(ids, dtype=object), np.array(levels)], fields=["id", "levels"],
            **({"SPATIAL_INDEX": "NO"} if end == "fgb" else {}),
        )  # fmt: skip
    file = open_addresses(path)
    assert file.names == ("id", "levels")
    assert holds_areas(file) == (kind == "Polygon")
    if kind == "Point":
        places = read_addresses(file, default_height_m=2.0)
        assert len(places.rejects) == 1
    else:
        places, roofs = read(path)
        assert shapely.area(roofs.plan) == pytest.approx([80.0, 80.0], rel=2e-3)
        assert places.rejects[0].reason == "it has no geometry"
    assert places.rejects[0].id == "009"
    assert places.latitude_deg == pytest.approx([LATITUDE + 3.6e-5] * 2, abs=2e-6)
    assert read_places(file, default_height_m=2.0).record.tolist() == [0, 1]


def test_a_file_of_several_layers_is_refused(tmp_path):
    import pyogrio.raw

    square = np.array([shapely.to_wkb(shapely.Polygon(ring()))], dtype=object)
    for name in ("houses", "sheds"):
        pyogrio.raw.write(
            tmp_path / "two.gpkg", layer=name, geometry=square, geometry_type="Polygon", crs="EPSG:4326",
            field_data=[], fields=[], append=(tmp_path / "two.gpkg").exists(),
        )  # fmt: skip
    with pytest.raises(InputError, match="holds 2 layers: houses, sheds"):
        open_addresses(tmp_path / "two.gpkg")


def test_a_list_of_points_with_one_outline_stays_a_list_of_addresses(tmp_path):
    point = {"type": "Point", "coordinates": [LONGITUDE, LATITUDE]}
    file = open_addresses(written(tmp_path / "a.geojson", [point, polygon(ring())]))
    assert not holds_areas(file)
    places = read_addresses(file, default_height_m=2.0)
    assert [reject.reason for reject in places.rejects] == ["its geometry is not one point"]


def test_a_grid_of_too_many_spots_is_refused_for_its_own_record_only(tmp_path):
    path = written(tmp_path / "a.geojson", [polygon(ring()), polygon(ring(0, 0, 400.0, 400.0))])
    places, _ = read(path, step_m=0.5)
    assert places.record.tolist() == [0]
    assert "take a coarser one (--grid)" in places.rejects[0].reason

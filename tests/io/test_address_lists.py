"""Lists of addresses that are damaged: a bad record is rejected alone, with its line and reason."""

import contextlib
import json
import os

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from skysill.errors import InputError
from skysill.io.address_lists import open_addresses, read_addresses


def read(path, **more):
    return read_addresses(open_addresses(path), default_height_m=2.0, **more)


def listed(tmp_path, text, name="in.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def told(places):
    return [(one.line, one.reason) for one in places.rejects]


@pytest.mark.parametrize("tail", ["", '\nlast,58.0,-24.0,"quoted"'])
def test_wider_and_narrower_rows_are_rejected_alone(tmp_path, tail):
    text = (
        "id,latitude,longitude,note\na,58.0,-24.0,x\nb,58.0,-24.0,x,y\nc,58.0\nd,58.0,-24.0,x,\ne,58.0,-24.0,z"
        + tail
    )
    places = read(listed(tmp_path, text))
    assert places.record.size == 2 + bool(tail)
    assert told(places) == [
        (3, "it has 5 cells where the header has 4"),
        (4, "it has 2 cells where the header has 4"),
        (5, "it has 5 cells where the header has 4"),
    ]


@pytest.mark.parametrize("far", [1, 40, 3000])
def test_an_open_quotation_mark_takes_no_other_record_with_it(tmp_path, far):
    rows = ["id,latitude,longitude,note", 'a,58.0,-24.0,"never closed']
    rows += [f"m{k},58.0,-24.0,x" for k in range(far)]
    rows += ['z,58.0,-24.0,"closed"', 'y,58.0,-24.0,"over\ntwo lines"', 'w,58.0,-24.0,"shut"again']
    places = read(listed(tmp_path, "\n".join(rows) + "\n"))
    reason = "a quotation mark is not closed, or a cell goes on behind one"
    assert told(places) == [(2, reason), (far + 6, reason)]
    assert places.record.size == far + 2


@pytest.mark.parametrize("mark", [";", "\t"])
def test_decimal_commas_are_read(tmp_path, mark):
    text = f"id{mark}latitude{mark}longitude{mark}mount_height_m\na{mark}58,03125{mark}-24,654{mark}2,5\n"
    places = read(listed(tmp_path, text))
    assert (places.latitude_deg[0], places.longitude_deg[0], places.mount_height_m[0]) == (
        58.03125,
        -24.654,
        2.5,
    )


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-8-sig"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends_of_every_spreadsheet(tmp_path, encoding, end):
    text = end.join(["id,latitude,longitude", "å,58.0,-24.0", '"b, c",57.0,-23.0', "x,95,-24.0", ""])
    mark = "\ufeff" if encoding in ("utf-16-le", "utf-16-be") else ""
    places = read(listed(tmp_path, mark + text, encoding=encoding))
    assert places.latitude_deg.tolist() == [58.0, 57.0]
    assert [(one.line, one.id) for one in places.rejects] == [(4, "x")]


def test_bytes_that_are_no_text_cost_their_own_record(tmp_path):
    rows = "".join(f"m{k},58.0,-24.0\n" for k in range(9000))
    places = read(listed(tmp_path, f"id,latitude,longitude\n{rows}a,58.0,-2\x004.0\nb,58.0,-24.0\n"))
    assert told(places) == [(9002, "it holds bytes that are no text")]
    assert places.record.size == 9001


def test_a_satellite_cell_is_never_a_path(tmp_path, monkeypatch):
    (tmp_path / "24W").write_text("secret words")
    (tmp_path / "orbit.tle").write_text("secret words")
    monkeypatch.chdir(tmp_path)
    cells = ("24W", "orbit.tle", f"{tmp_path}/24W", "x=24W")
    text = "id,latitude,longitude,satellite\n" + "".join(f"a,58,-24,{cell}\n" for cell in cells)
    places = read(listed(tmp_path, text))
    assert places.record.tolist() == [0, 3]
    assert [one.longitude_deg for one in places.satellites] == [-24.0, -24.0]
    assert all("secret" not in reason and "is neither a longitude" in reason for _, reason in told(places))


def test_a_header_that_says_one_thing_twice_is_refused(tmp_path):
    for text in ("id,latitude,Latitude,longitude\n", 'id,"latitude,longitude\n'):
        with pytest.raises(InputError):
            read(listed(tmp_path, text))


def point(*coordinates):
    return {"type": "Point", "coordinates": list(coordinates)}


def test_geojson_records_are_rejected_alone(tmp_path):
    line = {"type": "LineString", "coordinates": [[1, 2], [3, 4]]}
    nothing = {"type": "GeometryCollection", "geometries": []}
    shapes = [point(-24.0, 58.0), None, point(-24.0), point("-24", "58"), line, point(-24.0, 98.0), nothing]
    shapes.append(point(-24.5, 58.5))
    numbered = enumerate(shapes)
    features = [{"type": "Feature", "properties": {"id": str(k)}, "geometry": shape} for k, shape in numbered]
    text = json.dumps({"type": "FeatureCollection", "features": [*features, 5, {"type": "Thing"}]})
    text = text.replace('"id": "7"', '"id": "7", "id": "8"')
    places = read(listed(tmp_path, text, "in.geojson"))
    assert places.record.tolist() == [0]
    assert told(places) == [
        (2, "it has no place"),
        (3, "its geometry has a coordinate that is not a number"),
        (4, "its geometry has a coordinate that is not a number"),
        (5, "its geometry is not one point"),
        (6, "latitude: 98 is not between -90 and 90; are latitude and longitude swapped?"),
        (7, "its geometry has a collection of geometries that is empty or nested"),
        (8, 'has "id" twice'),
        (9, "is not a GeoJSON feature"),
        (10, "is not a GeoJSON feature"),
    ]


@pytest.mark.parametrize("share", [0.0, 0.01, 0.3, 0.6, 0.9, 0.999])
def test_a_parquet_file_cut_short_or_overwritten_is_refused(tmp_path, share):
    path = tmp_path / "in.parquet"
    rng = np.random.default_rng(3)
    table = pa.table({"id": [f"n{k}" for k in range(2000)], "latitude": rng.uniform(57, 58, 2000),
                      "longitude": rng.uniform(-25, -24, 2000)})  # fmt: skip
    pq.write_table(table, path)
    assert read(path).record.size == 2000
    raw = path.read_bytes()
    path.write_bytes(raw[: int(share * len(raw))])
    with pytest.raises(InputError, match="not a Parquet file that can be read"):
        read(path)
    middle = bytearray(raw)
    at = int(share * (len(raw) - 64))
    middle[at : at + 32] = b"\xff" * 32
    path.write_bytes(middle)
    with contextlib.suppress(InputError):
        read(path)


def test_parquet_records_are_rejected_alone(tmp_path):
    path = tmp_path / "in.parquet"
    table = pa.table({"id": ["a", "b", None, "d"], "latitude": [58.0, None, float("nan"), 57.0],
                      "longitude": [-24.0, -24.0, -24.0, 999.0]})  # fmt: skip
    pq.write_table(table, path)
    places = read(path)
    assert places.record.tolist() == [0]
    assert told(places) == [
        (2, "latitude: there is nothing"),
        (3, 'latitude: "nan" is not a number'),
        (4, "longitude: 999 is not between -180 and 180"),
    ]


def test_no_list_is_read_from_a_pipe(tmp_path):
    os.mkfifo(tmp_path / "in.csv")
    with pytest.raises(InputError, match="is a device or a pipe"):
        read(tmp_path / "in.csv")


def test_a_square_of_100_m_is_no_address(tmp_path):
    """MGRS: three digits each name a square of 100 m, five one of 1 m (NGA.STND.0037, from memory)."""
    places = read(listed(tmp_path, "id,position\na,26VPK385345\nb,26VPK3852634590\n"))
    assert told(places) == [(2, 'position: "26VPK385345" is known to 29 m only; write it with more digits')]
    assert places.latitude_deg == pytest.approx([58.0312], abs=1e-4)

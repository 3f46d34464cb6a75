"""Every reader of files: a true input for each, tokens that its format knows, and how it is called."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from damage import KINDS

PLACE = (58.0312, -24.6541)


@dataclass(frozen=True)
class Reader:
    """name; seed : writes a true input into a folder; call : reads it; damaged : the files that are
    damaged; tokens : what its format knows; kinds : of damage.
    """

    name: str
    seed: Callable[[Path], None]
    call: Callable[[Path], object]
    damaged: tuple[str, ...]
    tokens: tuple[bytes, ...] = ()
    kinds: tuple[str, ...] = KINDS


COMMON = (
    b"",
    b"\0",
    b"\r",
    b"\n",
    b'"',
    b",",
    b";",
    b"\t",
    b"#",
    b"-",
    b"nan",
    b"inf",
    b"1e999",
    b"-1e308",
    b"9" * 400,
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\x1b[2J",
    b"/etc/passwd",
    b"http://127.0.0.1:9/x",
    b"/vsicurl/http://127.0.0.1:9/x",
    b"\xe2\x80\xae",
    b"\xed\xa0\x80",
)
JSON = (
    b"{",
    b"}",
    b"[",
    b"]",
    b":",
    b"null",
    b"true",
    b"[[[[",
    b'"height_m":1,',
    b'"type":"Point"',
    b"NaN",
    b"\\ud800",
    b'"crs":{"type":"link","properties":{"href":"http://127.0.0.1:9/"}},',
)


# --- tables, orbits, TOML -------------------------------------------------------------------------------------------


def _horizon(folder: Path) -> None:
    rows = "".join(f'{a},{10 + a % 7}.5,{20 + a % 9},tree,in-leaf,"a, {a}"\n' for a in range(150, 210, 5))
    (folder / "h.csv").write_text("# autumn\nazimuth_deg,elevation_deg,distance_m,kind,leaf,note\n" + rows)


def _read_horizon(folder: Path) -> object:
    from skysill.io.survey_tables import read_horizon_csv

    return read_horizon_csv(folder / "h.csv")


def _read_rows(folder: Path) -> object:
    """Rows of the survey page: unedited they stand as they stood, and they are faulty where the reader refuses."""
    from skysill.errors import InputError
    from skysill.io.reading_rows import checked_rows, reading_table, readings_from, table_text
    from skysill.io.survey_tables import read_horizon_csv
    from skysill.io.text import read_text

    text = read_text(folder / "h.csv")
    table = reading_table(text, "h.csv")
    read, faults = checked_rows(table.rows)
    again = reading_table(table_text(table, table.rows), "h.csv")
    assert [(row.cells, row.text) for row in again.rows] == [(row.cells, row.text) for row in table.rows]
    try:
        whole = read_horizon_csv(folder / "h.csv")
    except InputError:
        assert any(faults) or not any(read), "a table that is refused has no fault"
        return faults
    if any(len(cell) > 2000 for row in table.rows for cell in row.cells.values()):
        return faults
    assert not any(faults), "a table that is read has a fault"
    mine = readings_from(read, "h.csv")
    assert mine is not None
    assert (mine.azimuth_deg.tolist(), mine.note, mine.kind) == (
        whole.azimuth_deg.tolist(),
        whole.note,
        whole.kind,
    )
    return mine


def _replies(folder: Path) -> None:
    rows = "".join(f'"{k}",tree,{5 + k % 9}.5,{10 + k % 30},"a, {k}"\n{k},nothing,,,\n' for k in range(12))
    (folder / "answers.csv").write_text("id,thing,height_m,distance_m,note\n" + rows)


def _read_replies(folder: Path) -> object:
    from skysill.io.answers import read_answers

    return read_answers(folder / "answers.csv")


_OMM = {
    "OBJECT_NAME": "DEMO",
    "EPOCH": "2026-06-14T00:00:00",
    "MEAN_MOTION": "1.0027",
    "ECCENTRICITY": "0.0002",
    "INCLINATION": "4.5",
    "RA_OF_ASC_NODE": "80.1",
    "ARG_OF_PERICENTER": "10.0",
    "MEAN_ANOMALY": "200.0",
    "BSTAR": "0.0",
}
_TLE = (
    "1 00005U 58002B   00179.78495062  .00000023  00000-0  28098-4 0  4753\n"
    "2 00005  34.2682 348.7242 1859667 331.7664  19.3264 10.82419157413667\n"
)


def _orbits(folder: Path) -> None:
    (folder / "o.json").write_text(json.dumps([_OMM]))
    (folder / "o.kvn").write_text("CCSDS_OMM_VERS = 2.0\n" + "".join(f"{k} = {v}\n" for k, v in _OMM.items()))
    inner = "".join(f"<{k}>{v}</{k}>" for k, v in _OMM.items())
    (folder / "o.xml").write_text(
        f'<?xml version="1.0"?><ndm><omm><body><segment>{inner}</segment></body></omm></ndm>'
    )
    (folder / "o.tle").write_text("OLD\n" + _TLE)


def _read_orbits(folder: Path) -> object:
    from skysill.errors import InputError
    from skysill.io.survey_tables import read_orbit_file

    faults = []
    for path in sorted(folder.glob("o.*")):
        try:
            read_orbit_file(path)
        except InputError as fault:
            faults.append(fault)
    if faults:
        raise faults[0]
    return None


_SITE = """name = "clinic"
position = "58.0312 N 24.6541 W"
ground_elevation_m = 41.0
[terminal]
dish_diameter_m = 1.2
receive_ghz = 19.7
[[satellites]]
name = "Demo South"
longitude = "24.0 W"
[[mounts]]
name = "pole"
east_m = 4.0
north_m = -2.5
height_m = 1.5
[survey]
bearings = "magnetic"
date = 2026-06-14
[[landmarks]]
name = "spire"
position = "58.0375 N 24.6480 W"
[[obstacle]]
kind = "tree"
bearing_deg = 171.0
distance_m = 22.0
height_m = 9.0
crown_radius_m = 3.0
[[obstacle]]
kind = "building"
outline = [[-6,14],[6,14],[6,20],[-6,20]]
top_elevation_m = 52.0
[[obstacle]]
kind = "wire"
line = [[-20,9,48.0],[25,9,48.5]]
[roof]
outline = [[0,0],[12,0],[12,8],[0,8]]
[criteria]
years_ahead = 5
"""


def _site(folder: Path) -> None:
    (folder / "s.toml").write_text(_SITE)


def _read_site(folder: Path) -> object:
    from skysill.io.site_file import read_site_file

    return read_site_file(folder / "s.toml")


def _built(folder: Path) -> None:
    (folder / "b.toml").write_text(
        'date = 2026-07-02\nby = "installer 1"\nsatellite = "Demo South"\nposition = "58.0312 N 24.6541 W"\n'
        'height_m = 4.6\nazimuth_deg = 179.5\nbearings = "true"\nphotos = ["a.jpg"]\n'
    )


def _read_built(folder: Path) -> object:
    from skysill.io.as_built import read_as_built

    return read_as_built(folder / "b.toml")


# --- vectors --------------------------------------------------------------------------------------------------------


def _features() -> list[dict[str, object]]:
    lat, lon = PLACE
    ring = [[lon, lat], [lon + 2e-4, lat], [lon + 2e-4, lat + 1e-4], [lon, lat + 1e-4], [lon, lat]]
    shapes = [
        ({"type": "Point", "coordinates": [lon + 1e-4, lat]}, {"kind": "tree", "height_m": 9, "name": "ash"}),
        (
            {"type": "LineString", "coordinates": [[lon, lat, 48.0], [lon + 1e-4, lat, 49.0]]},
            {"kind": "wire"},
        ),
        ({"type": "Polygon", "coordinates": [ring]}, {"building": "yes", "building:levels": "2"}),
        (
            {"type": "MultiPoint", "coordinates": [[lon, lat], [lon, lat + 1e-4]]},
            {"kind": "pole", "height_m": 5},
        ),
    ]
    return [{"type": "Feature", "geometry": shape, "properties": said} for shape, said in shapes]


def _geojson(folder: Path) -> None:
    (folder / "o.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "features": _features()}, indent=1)
    )


def _obstacles(folder: Path, name: str) -> object:
    import numpy as np

    from skysill.io.obstacle_files import read_obstacles
    from skysill.io.obstacle_schema import Ground

    ground = Ground(41.0, known=True, rise_m=lambda east_m, north_m: np.zeros(np.shape(east_m)))
    return read_obstacles(folder / name, latitude_deg=PLACE[0], longitude_deg=PLACE[1], ground=ground)


def _layers(folder: Path) -> None:
    import numpy as np
    import pyogrio.raw
    import shapely

    points = np.array(
        [shapely.to_wkb(shapely.Point(PLACE[1] + k * 1e-5, PLACE[0])) for k in range(9)], dtype=object
    )
    for name, driver in (("o.gpkg", "GPKG"), ("o.shp", "ESRI Shapefile"), ("o.fgb", "FlatGeobuf")):
        pyogrio.raw.write(
            str(folder / name),
            geometry=points,
            field_data=[np.array(["pole"] * 9, object), np.full(9, 7.0)],
            fields=["kind", "height_m"],
            geometry_type="Point",
            crs="EPSG:4326",
            driver=driver,
        )


def _geoparquet(folder: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq
    import shapely

    points = [shapely.to_wkb(shapely.Point(PLACE[1] + k * 1e-5, PLACE[0])) for k in range(9)]
    head = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": {"encoding": "WKB"}}}
    table = pa.table({"geometry": points, "kind": ["pole"] * 9, "height_m": [7.0] * 9})
    table = table.replace_schema_metadata({"geo": json.dumps(head)})
    pq.write_table(table, folder / "o.parquet", compression="none")


# --- lists of addresses ---------------------------------------------------------------------------------------------


def _addresses(folder: Path) -> None:
    rows = [f'n{k},{58 + k / 1000:.4f},-24.{k + 100},2.5,24W,"flat {k}, ""back"""' for k in range(12)]
    (folder / "a.csv").write_text(
        "id,latitude,longitude,mount_height_m,satellite,note\n" + "\n".join(rows) + "\n"
    )


def _places(folder: Path, name: str) -> object:
    from skysill.io.address_lists import open_addresses, read_addresses

    places = read_addresses(open_addresses(folder / name), default_height_m=2.0)
    assert places.count == places.record.size + len(places.rejects), "a record was lost"
    assert all("\n" not in one.reason and one.reason.isprintable() for one in places.rejects), (
        "a reason of two lines"
    )
    return places


def _point_list(folder: Path) -> None:
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [-24.6, 58.0]},
            "properties": {"id": str(k)},
        }
        for k in range(4)
    ]
    (folder / "a.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))


def _parquet(folder: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.table(
        {
            "id": [f"n{k}" for k in range(40)],
            "latitude": [58.0 + k / 100 for k in range(40)],
            "longitude": [-24.0] * 40,
            "satellite": ["24W"] * 40,
        }
    )
    pq.write_table(table, folder / "a.parquet", compression="none")


# --- rasters --------------------------------------------------------------------------------------------------------


def _values() -> object:
    import numpy as np

    rows, cols = np.mgrid[0:24, 0:24]
    return (100.0 + rows * 3 + cols).astype("float32")


def _raster(folder: Path, name: str, driver: str = "GTiff", **more: object) -> None:
    import numpy as np
    import rasterio

    values = np.asarray(_values()).astype(str(more.get("dtype", "float32")))
    options = {
        "driver": driver,
        "height": 24,
        "width": 24,
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:32627",
        "transform": rasterio.Affine(10, 0, 638400, 0, -10, 6434700),
    }
    with rasterio.open(folder / name, "w", **{**options, **more}) as target:
        target.write(values, 1)


def _tiff(folder: Path) -> None:
    _raster(folder, "r.tif", tiled=True, blockxsize=16, blockysize=16, compress="deflate")


def _mosaic(folder: Path) -> None:
    _raster(folder, "r.tif")
    sources = "".join(
        '<SimpleSource><SourceFilename relativeToVRT="1">r.tif</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="24" ySize="24"/><DstRect xOff="{x}" yOff="0" xSize="24" ySize="24"/>'
        "</SimpleSource>"
        for x in (0, 30)
    )
    (folder / "m.vrt").write_text(
        '<VRTDataset rasterXSize="54" rasterYSize="24"><SRS>EPSG:32627</SRS>'
        "<GeoTransform>638400,10,0,6434700,0,-10</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{sources}</VRTRasterBand></VRTDataset>'
    )


def _grids(folder: Path) -> None:
    _raster(folder, "g.bil", "EHdr", dtype="int16")
    (folder / "g.asc").write_text(
        "ncols 6\nnrows 5\nxllcorner 638400\nyllcorner 6434600\ncellsize 10\nNODATA_value -9999\n"
        + "\n".join(" ".join(f"{100 + r + c}.5" for c in range(6)) for r in range(5))
        + "\n"
    )


def _img(folder: Path) -> None:
    _raster(folder, "g.img", "HFA")


def _coverage(folder: Path) -> None:
    """A GeoPackage with a gridded coverage; the database without the journal that its writing may leave."""
    _raster(folder, "g.gpkg", "GPKG")
    for left in folder.glob("g.gpkg-*"):
        left.unlink()


def _cells(folder: Path, *names: str) -> object:
    import numpy as np

    from skysill.errors import InputError
    from skysill.io.rasters import RasterSpec, open_rasters

    faults = []
    for name in names:
        try:
            for raster in open_rasters([RasterSpec(folder / name)]):
                if raster.rows * raster.cols <= 1_000_000:
                    values = raster.cells(0, raster.rows, 0, raster.cols).values
                    with np.errstate(invalid="ignore"):
                        assert not ((values > 9000.0) | (values < -12_000.0)).any(), "ground that is none"
        except InputError as fault:
            faults.append(fault)
    if faults:
        raise faults[0]
    return None


def _scans(folder: Path) -> None:
    import laspy
    import numpy as np
    from pyproj import CRS

    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = np.array([638000.0, 6434000.0, 0.0]), np.full(3, 0.01)
    header.add_crs(CRS.from_epsg(32627))
    las = laspy.LasData(header)
    places = np.random.default_rng(1).uniform(-30.0, 30.0, (300, 2)) + np.array([284262.0, 6438023.0])
    las.x, las.y, las.z = *places.T, np.linspace(40.0, 50.0, 300)
    for name in ("p.las", "p.laz"):
        las.write(folder / name)


def _read_scans(folder: Path) -> object:
    import numpy as np

    from skysill.errors import InputError
    from skysill.io.point_clouds import read_point_clouds

    faults = []
    for name in ("p.las", "p.laz"):
        try:
            cloud = read_point_clouds(
                [folder / name], latitude_deg=PLACE[0], longitude_deg=PLACE[1], reach_m=200.0
            )
            assert np.isfinite(cloud.elevation_m).all()
        except InputError as fault:
            faults.append(fault)
    if faults:
        raise faults[0]
    return None


def _photo(folder: Path) -> None:
    from PIL import Image

    Image.new("RGB", (40, 30), "red").save(folder / "p.jpg")
    Image.new("RGBA", (40, 30), "red").save(folder / "p.png")


def _read_photos(folder: Path) -> object:
    from skysill.errors import InputError
    from skysill.io.photos import read_photo

    faults = []
    for name in ("p.jpg", "p.png"):
        try:
            read_photo(folder / name)
        except InputError as fault:
            faults.append(fault)
    if faults:
        raise faults[0]
    return None


_VRT = (
    b"<SimpleSource>",
    b"</SimpleSource>",
    b"<ComplexSource>",
    b'relativeToVRT="0"',
    b"../r.tif",
    b"<NoDataValue>0</NoDataValue>",
    b"<PixelFunctionType>sum</PixelFunctionType>",
    b'subClass="VRTDerivedRasterBand"',
    b"<!DOCTYPE a>",
    b"m.vrt",
)
_TOML = (
    b"[[",
    b"]]",
    b"[terrain]\n",
    b"'''",
    b'"""',
    b"= {",
    b"true",
    b"2026-13-01",
    b"rasters = ['m.vrt']\n",
    b"[[obstacle]]\n",
    b"height_m = 900\n",
    b"surface_elevation_m = 4000\n",
    b"outline = [[0,0],[1,1],[0,1],[1,0]]\n",
)

READERS = {
    one.name: one
    for one in (
        Reader(
            "horizon",
            _horizon,
            _read_horizon,
            ("h.csv",),
            (b"far", b">500", b"12,5", b"-", b"30ft", b"station"),
        ),
        Reader(
            "rows",
            _horizon,
            _read_rows,
            ("h.csv",),
            (b"far", b">500", b"12,5", b"-", b"30ft", b"station", b"\n", b'"'),
        ),
        Reader(
            "answers",
            _replies,
            _read_replies,
            ("answers.csv",),
            (b"12,5", b"-", b"30ft", b"nothing", b"satellite", b"\n"),
        ),
        Reader(
            "orbits",
            _orbits,
            _read_orbits,
            ("o.json", "o.kvn", "o.xml", "o.tle"),
            (*JSON, b"<!DOCTYPE a>", b" = "),
        ),
        Reader("pointclouds", _scans, _read_scans, ("p.las", "p.laz"), (b"LASF", b"laszip encoded")),
        Reader("sitefile", _site, _read_site, ("s.toml",), _TOML),
        Reader("asbuilt", _built, _read_built, ("b.toml",), _TOML),
        Reader("geojson", _geojson, lambda f: _obstacles(f, "o.geojson"), ("o.geojson",), JSON),
        Reader("geopackage", _layers, lambda f: _obstacles(f, "o.gpkg"), ("o.gpkg",), (b"CREATE VIEW",)),
        Reader("shapefile", _layers, lambda f: _obstacles(f, "o.shp"), ("o.shp", "o.dbf", "o.shx", "o.prj")),
        Reader(
            "geoparquet",
            _geoparquet,
            lambda f: _obstacles(f, "o.parquet"),
            ("o.parquet",),
            (b"PAR1", b'"crs":null', b'"encoding":"point"'),
        ),
        Reader("flatgeobuf", _layers, lambda f: _obstacles(f, "o.fgb"), ("o.fgb",)),
        Reader(
            "addresses",
            _addresses,
            lambda f: _places(f, "a.csv"),
            ("a.csv",),
            (b"58,03", b"x=24W", b"a.csv", b"orbit.tle"),
        ),
        Reader("address points", _point_list, lambda f: _places(f, "a.geojson"), ("a.geojson",), JSON),
        Reader("parquet", _parquet, lambda f: _places(f, "a.parquet"), ("a.parquet",), (b"PAR1",)),
        Reader("tiff", _tiff, lambda f: _cells(f, "r.tif"), ("r.tif",)),
        Reader("mosaic", _mosaic, lambda f: _cells(f, "m.vrt"), ("m.vrt", "r.tif"), _VRT),
        Reader(
            "grids",
            _grids,
            lambda f: _cells(f, "g.asc", "g.bil"),
            ("g.asc", "g.bil", "g.hdr"),
            (b"ncols 9999999", b"1.2.3"),
        ),
        Reader("erdas", _img, lambda f: _cells(f, "g.img"), ("g.img",), (b"ExternalRasterDMS",)),
        Reader(
            "raster geopackage",
            _coverage,
            lambda f: _cells(f, "g.gpkg"),
            ("g.gpkg",),
            (b"CREATE VIEW", b"data_null"),
        ),
        Reader("photos", _photo, _read_photos, ("p.jpg", "p.png"), (b"Exif\0\0", b"\xff\xd8\xff\xe1")),
    )
}

"""LAS and LAZ files to points around the site; every fault in one line."""

import sys
from functools import cache

import numpy as np
import pytest
from pyproj import CRS, Geod, Transformer
from pyproj.crs import CompoundCRS
from pytest import approx
from scipy.spatial import cKDTree

from skysill.errors import InputError
from skysill.io.point_clouds import read_point_clouds
from skysill.io.point_headers import opened_points, read_point_header
from synthetic_scans import HIGH_NOISE, LOW_NOISE, street

laspy = pytest.importorskip("laspy")
pytest.importorskip("lazrs")

SITE = {"latitude_deg": 58.0312, "longitude_deg": -24.6541}
UTM = "EPSG:32627"
FOOT_M = 1200.0 / 3937.0


@cache
def invented():
    return street(1, points_per_m2=5.0)


@cache
def site_in(crs):
    return Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(-24.6541, 58.0312)


def written(
    path,
    *,
    crs=UTM,
    points=None,
    classes=None,
    scale=(0.001, 0.001, 0.001),
    point_format=6,
    version="1.4",
    withheld=None,
    gps_s=None,
    shift=(0.0, 0.0, 0.0),
):
    """A file of points given in metres about the site, laid out in a coordinate system; its path."""
    scan = invented()
    points = scan.points if points is None else np.asarray(points)
    header = laspy.LasHeader(point_format=point_format, version=version)
    at = np.array([*site_in(UTM if crs is None else crs), 0.0]) + shift
    header.offsets, header.scales = np.floor(at), np.array(scale)
    if crs is not None:
        header.add_crs(CRS.from_user_input(crs))
    las = laspy.LasData(header)
    las.x, las.y, las.z = (points + at).T
    count = len(points)
    las.classification = np.zeros(count, dtype=np.uint8) if classes is None else classes
    las.return_number, las.number_of_returns = (
        np.ones(count, dtype=np.uint8),
        np.full(count, 2, dtype=np.uint8),
    )
    if withheld is not None:
        las.withheld = withheld
    if gps_s is not None:
        las.header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
        las.gps_time = np.full(count, gps_s)
    las.write(path)
    return path


def read(*paths, reach_m=60.0, **settings):
    return read_point_clouds(paths, **SITE, reach_m=reach_m, **settings)


def refused(*paths, **settings):
    with pytest.raises(InputError) as caught:
        read(*paths, **settings)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("name", ["scan.las", "scan.laz"])
def test_points_within_reach_come_back_where_they_were(tmp_path, name):
    """UTM zone 27 has its middle 3.65 degrees of longitude off: the plan frame turns against it by 3.1 degrees. Held to
    the geodesic of pyproj, tolerance 2 mm: the file's millimetres, and float32 at 60 m."""
    scan = invented()
    cloud = read(written(tmp_path / name))
    x, y = scan.points[:, 0] + site_in(UTM)[0], scan.points[:, 1] + site_in(UTM)[1]
    longitude, latitude = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(x, y)
    many = np.ones(len(x))
    azimuth, _, away_m = Geod(ellps="WGS84").inv(-24.6541 * many, 58.0312 * many, longitude, latitude)
    near = away_m <= 60.0
    assert len(cloud) == np.count_nonzero(near)
    turn = np.deg2rad(azimuth[near])
    assert np.abs(cloud.east_m - away_m[near] * np.sin(turn)).max() < 0.002
    assert np.abs(cloud.north_m - away_m[near] * np.cos(turn)).max() < 0.002
    assert np.abs(cloud.elevation_m - scan.points[near, 2]).max() < 0.001
    assert (cloud.returns == 2).all()
    assert cloud.reach_m == 60.0
    assert cloud.survey.origin == name


def test_noise_and_withheld_points_are_left_out_and_said(tmp_path):
    scan = invented()
    withheld = np.arange(len(scan.points)) < 5000
    cloud = read(written(tmp_path / "a.laz", classes=scan.classes, withheld=withheld), reach_m=500.0)
    noise = (scan.classes == LOW_NOISE) | (scan.classes == HIGH_NOISE)
    assert len(cloud) == len(scan.points) - np.count_nonzero(noise | withheld)
    assert not cloud.in_classes((LOW_NOISE, HIGH_NOISE)).any()
    assert f"{noise.sum()} points classified as noise are left out." in cloud.notes
    assert (
        f"{np.count_nonzero(withheld & ~noise):,} points that the scan itself withholds are left out."
        in cloud.notes
    )


def test_feet_of_a_compound_system_become_metres(tmp_path):
    """US survey foot, 1200/3937 m by definition: UTM with heights of NAVD88 in feet (EPSG:6360)."""
    crs = CompoundCRS("UTM + NAVD88 feet", [CRS.from_epsg(32627), CRS.from_epsg(6360)])
    feet = np.array([[1.0, 2.0, 100.0], [3.0, 4.0, 200.0]])
    cloud = read(written(tmp_path / "a.las", crs=crs.to_wkt(), points=feet))
    assert cloud.elevation_m == approx(np.array([100.0, 200.0]) * FOOT_M, abs=1e-4)
    assert cloud.datum == "North American Vertical Datum 1988"
    assert "a.las has its heights in US survey foot." in cloud.notes


def test_a_plane_in_feet_without_a_unit_of_heights_is_asked_about_and_never_guessed(tmp_path):
    """EPSG:2229, California zone 5, US survey feet; half the site's distance is laid out in feet."""
    at = {"latitude_deg": 34.0, "longitude_deg": -118.0}
    x, y = Transformer.from_crs("EPSG:4326", "EPSG:2229", always_xy=True).transform(-118.0, 34.0)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = [x, y, 0.0], [0.001] * 3
    header.add_crs(CRS.from_epsg(2229))
    las = laspy.LasData(header)
    las.x, las.y, las.z = (np.array(column) for column in ([x, x + 100.0], [y, y], [50.0, 60.0]))
    las.write(tmp_path / "a.las")
    unsaid = r"laid out in US survey foot and states no unit of its heights\. State it: m, ft or us-ft\."
    with pytest.raises(InputError, match=unsaid):
        read_point_clouds([tmp_path / "a.las"], **at, reach_m=60.0)
    in_feet = read_point_clouds([tmp_path / "a.las"], **at, reach_m=60.0, vertical_unit="us-ft")
    in_metres = read_point_clouds([tmp_path / "a.las"], **at, reach_m=60.0, vertical_unit="m")
    assert in_feet.elevation_m == approx([50.0 * FOOT_M, 60.0 * FOOT_M], abs=1e-4)
    assert in_metres.elevation_m == approx([50.0, 60.0])
    assert np.hypot(in_feet.east_m[1], in_feet.north_m[1]) == approx(
        100.0 * FOOT_M, abs=0.01
    )  # scale of the projection
    with pytest.raises(InputError, match=r'"yards" is no unit of heights\. Write one of m, ft, us-ft'):
        read_point_clouds([tmp_path / "a.las"], **at, reach_m=60.0, vertical_unit="yards")


def test_points_in_degrees_are_read_and_said(tmp_path):
    """One second of latitude at 58 degrees north is 30.93 m (WGS 84 meridian, from memory 30.9)."""
    second = 1.0 / 3600.0
    points = [[0.0, 0.0, 30.0], [0.0, second, 31.0]]
    path = written(
        tmp_path / "a.laz", crs="EPSG:4326", points=points, scale=(1e-8, 1e-8, 0.001), shift=(0.3, 0.03, 0.0)
    )
    shifted = {"latitude_deg": 58.0612, "longitude_deg": -24.3541}
    cloud = read_point_clouds([path], **shifted, reach_m=100.0)
    assert cloud.north_m == approx([0.0, 30.93], abs=0.02)
    assert cloud.elevation_m == approx([30.0, 31.0], abs=1e-3)
    assert "a.laz has its points in degrees (WGS 84)." in cloud.notes


def test_a_file_without_a_coordinate_system_is_asked_about(tmp_path):
    path = written(tmp_path / "a.las", crs=None)
    assert refused(path) == f"{path}: states no coordinate system. Name it: --crs EPSG:25829, say."
    assert len(read(path, crs=UTM)) == len(read(written(tmp_path / "b.las")))
    assert (
        refused(path, crs="EPSG:1")
        == f'{path}: "EPSG:1" is no coordinate system. Write an EPSG code, as EPSG:25829.'
    )
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = [-24.0, 58.0, 0.0], [1e-7, 1e-7, 0.01]
    las = laspy.LasData(header)
    las.x, las.y, las.z = (np.array([value]) for value in (-24.6541, 58.0312, 40.0))
    las.write(tmp_path / "c.las")
    assert "its numbers look like degrees. Name it: --crs EPSG:4326 if they are." in refused(
        tmp_path / "c.las"
    )


def test_metres_in_a_system_of_degrees_are_refused(tmp_path):
    path = written(tmp_path / "a.las", crs=None)
    assert "in degrees, and its points are not in degrees" in refused(path, crs="EPSG:4326")


@pytest.mark.parametrize("name", ["scan.las", "scan.laz"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.9, 0.999])
def test_a_file_cut_short_is_refused_and_never_read_in_part(tmp_path, name, share):
    whole = written(tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(whole[: int(len(whole) * share)])
    said = refused(tmp_path / name)
    assert said.startswith(f"{tmp_path / name}: is cut short")
    assert said.endswith("Copy it again from where it came from.")


@pytest.mark.parametrize("name", ["scan.las", "scan.laz"])
def test_a_header_that_counts_more_points_than_there_are_is_refused(tmp_path, name):
    """The count of LAS 1.4 stands in bytes 247 to 254 (specification R15, table 3)."""
    raw = bytearray(written(tmp_path / name).read_bytes())
    count = int.from_bytes(raw[247:255], "little")
    raw[247:255] = (count + 1000).to_bytes(8, "little")
    (tmp_path / name).write_bytes(raw)
    assert "is cut short" in refused(tmp_path / name)


def test_flipped_bytes_give_points_or_one_line_and_no_other_fault(tmp_path):
    """Two hundred files, each with three bytes changed, in the header or anywhere."""
    raw = written(tmp_path / "a.laz", points=invented().points[:3000]).read_bytes()
    rng = np.random.default_rng(11)
    one_line = 0
    for trial in range(200):
        damaged = bytearray(raw)
        for at in rng.integers(0, 400 if trial % 2 else len(raw), 3):
            damaged[at] = rng.integers(0, 256)
        (tmp_path / "b.laz").write_bytes(damaged)
        try:
            cloud = read(tmp_path / "b.laz")
        except InputError as fault:
            one_line += "\n" not in str(fault)
        else:
            one_line += bool(np.isfinite(cloud.elevation_m).all())
    assert one_line == 200


def test_counts_in_the_header_are_held_to_the_size_of_the_file_before_anything_is_read(tmp_path):
    """Records before the points: bytes 100 to 103; behind them: 235 to 246 (specification R15, table 3)."""
    raw = written(tmp_path / "a.laz", points=invented().points[:3000]).read_bytes()
    for at, value in ((102, b"\xff"), (96, b"\xff" * 4), (243, b"\xff" * 4), (235, b"\xff" * 9)):
        (tmp_path / "b.laz").write_bytes(raw[:at] + value + raw[at + len(value) :])
        assert "its header counts more than the file holds" in refused(tmp_path / "b.laz")


def test_other_files_are_refused_in_one_line(tmp_path):
    (tmp_path / "a.las").write_text("x y z\n1 2 3\n")
    assert "is no LAS or LAZ file." in refused(tmp_path / "a.las")
    assert "there is no such file." in refused(tmp_path / "none.laz")
    assert "is no file of this machine." in refused("https://example.org/a.laz")
    (tmp_path / "empty").mkdir()
    assert refused(tmp_path / "empty") == f"{tmp_path / 'empty'}: has no LAS or LAZ file."
    assert refused() == "no file of points was named."


def test_a_site_beside_the_points_is_said(tmp_path):
    path = written(tmp_path / "a.laz", shift=(5000.0, 0.0, 0.0))
    assert (
        refused(path)
        == "a.laz: no point lies within 60 m of the site. Do the files and the position belong together?"
    )


def test_tiles_of_a_folder_join_without_a_point_lost_or_doubled(tmp_path):
    """Four tiles of one scan give what the whole file gives; a fifth far away is left alone."""
    scan = invented()
    whole = read(written(tmp_path / "whole.laz"))
    folder = tmp_path / "tiles"
    folder.mkdir()
    for number, kept in enumerate((scan.points[:, 0] < 20) == east for east in (True, False)):
        for half, side in enumerate((scan.points[:, 1] < 30, scan.points[:, 1] >= 30)):
            written(folder / f"t{number}{half}.laz", points=scan.points[kept & side])
    written(folder / "far.laz", shift=(4000.0, 4000.0, 0.0))
    cloud = read(folder)
    away_m, partner = cKDTree(whole.points_m).query(cloud.points_m)
    assert away_m.max() < 0.001
    assert len(np.unique(partner)) == len(cloud) == len(whole)
    assert cloud.survey.origin == "t00.laz, t01.laz, t10.laz and 1 more"


def test_files_above_different_datums_are_refused(tmp_path):
    feet = CompoundCRS("a", [CRS.from_epsg(32627), CRS.from_epsg(5703)]).to_wkt()
    one, two = written(tmp_path / "a.laz", crs=feet), written(tmp_path / "b.laz")
    said = refused(one, two)
    assert (
        "different datums: not stated, North American Vertical Datum 1988. Give files of one datum." in said
    )


def test_the_year_comes_from_gps_time_and_is_unknown_without(tmp_path):
    """GPS time counts from 6 January 1980; adjusted time is less by 1e9 s. 1 July 2023 is day 15 882 of it."""
    gps_s = 15_882 * 86_400.0 - 1e9
    told = read(written(tmp_path / "a.laz", gps_s=gps_s))
    assert told.survey.survey_year == approx(2023.5, abs=0.01)
    assert read(written(tmp_path / "b.laz")).survey.survey_year is None


def test_old_point_formats_are_read(tmp_path):
    """LAS 1.2, format 1, still the commonest."""
    scan = invented()
    path = written(tmp_path / "a.las", point_format=1, version="1.2", classes=np.minimum(scan.classes, 31))
    assert read_point_header(path).count == len(scan.points)
    assert len(read(path)) == len(read(written(tmp_path / "b.las", classes=scan.classes)))


def test_without_laspy_one_line_says_how_to_install_it(tmp_path, monkeypatch):
    path = written(tmp_path / "a.laz")
    monkeypatch.setitem(sys.modules, "laspy", None)
    assert refused(path) == (
        f'{path}: Reading point clouds needs laspy and lazrs. Install them with: pip install "skysill[scan]".'
    )


def test_faults_of_the_caller_are_not_called_damage(tmp_path):
    path = written(tmp_path / "a.laz")
    with pytest.raises(ZeroDivisionError), opened_points(path):
        raise ZeroDivisionError


def test_where_no_polynomial_follows_the_map_points_are_placed_one_by_one(tmp_path):
    """In degrees, 1.1 km from the pole, a circle of 0.9 km spans all longitudes but a few: a cubic is metres off there.
    Held to pyproj's geodesic; the plane through the site leaves it by under 1 mm at this distance."""
    rng = np.random.default_rng(2)
    longitude, latitude = rng.uniform(-60.0, 60.0, 200), rng.uniform(89.985, 89.995, 200)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = np.array([0.0, 89.0, 0.0]), np.array([1e-7, 1e-9, 0.001])
    header.add_crs(CRS.from_epsg(4326))
    las = laspy.LasData(header)
    las.x, las.y, las.z = longitude, latitude, np.full(200, 5.0)
    las.write(tmp_path / "a.las")
    cloud = read_point_clouds([tmp_path / "a.las"], latitude_deg=89.99, longitude_deg=0.0, reach_m=900.0)
    many = np.ones(200)
    azimuth, _, away_m = Geod(ellps="WGS84").inv(0.0 * many, 89.99 * many, longitude, latitude)
    near = away_m <= 900.0
    assert 100 < np.count_nonzero(near) == len(cloud)
    east_m = away_m[near] * np.sin(np.deg2rad(azimuth[near]))
    assert np.abs(cloud.east_m - east_m).max() < 0.01


def test_a_file_without_points_and_one_with_heights_beyond_the_earth_are_refused(tmp_path):
    assert (
        refused(written(tmp_path / "a.las", points=np.empty((0, 3))))
        == f"{tmp_path / 'a.las'}: has no points."
    )
    high = written(tmp_path / "b.las", points=[[0.0, 0.0, 20_000.0], [1.0, 1.0, 21_000.0]])
    assert "has heights of 20,000 to 21,000 m, which are not on Earth." in refused(high)


def test_the_unit_of_heights_is_read_from_a_geotiff_key_too(tmp_path):
    """VerticalUnitsGeoKey 4099, EPSG unit 9003, the US survey foot, beside a system in metres (from memory)."""
    path = tmp_path / "a.las"
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = np.array([*np.floor(site_in(UTM)), 0.0]), np.full(3, 0.001)
    header.add_crs(CRS.from_user_input(UTM))
    keys = np.array([1, 1, 0, 1, 4099, 0, 1, 9003], dtype="<u2").tobytes()
    header.vlrs.append(laspy.VLR("LASF_Projection", 34735, "", keys))
    las = laspy.LasData(header)
    las.x, las.y, las.z = (np.array([value]) for value in (*site_in(UTM), 100.0))
    las.write(path)
    cloud = read(path)
    assert cloud.elevation_m == approx([100.0 * FOOT_M], abs=1e-4)
    assert "a.las has its heights in feet of 0.3048006 m." in cloud.notes


@pytest.mark.parametrize("part", ["number of chunks", "size of a layer", "place of the table"])
def test_chunks_of_a_compressed_file_are_held_to_its_size_before_memory_is_asked_for(tmp_path, part):
    """Damage of this kind makes the decompressor ask for gigabytes. The points begin with the place of the chunk table;
    its second word is the number of chunks; the first chunk begins with a whole point, 30 bytes, and a count."""
    raw = bytearray(written(tmp_path / "a.laz").read_bytes())
    first_point = int.from_bytes(raw[96:100], "little")
    table = int.from_bytes(raw[first_point : first_point + 8], "little", signed=True)
    table = int.from_bytes(raw[-8:], "little") if table == -1 else table
    at = {
        "number of chunks": table + 4,
        "size of a layer": first_point + 8 + 34,
        "place of the table": first_point,
    }[part]
    raw[at : at + 4] = b"\xf0\xff\xff\x00"
    (tmp_path / "a.laz").write_bytes(raw)
    assert "its chunks do not fit into it" in refused(tmp_path / "a.laz")

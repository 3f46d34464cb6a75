"""The invented island: made again the same, consistent in itself, and each site's verdict stands for its own reason.

What a verdict rests on is worked out here a second time, without skysill: rasters are walked in small steps along
geodesics (pyproj), crowns are sampled as ellipsoids, gutters and edges by school trigonometry.
"""

import csv
import itertools
import json
import math
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest
import rasterio

from skysill.assessment.pipeline import assess
from skysill.geodesy.positions import parse_position
from skysill.io.site_file import read_site_file

DEMO = Path(__file__).resolve().parents[1] / "demo_terrain"
MADE = (
    "addresses.csv",
    "addresses_mixed.csv",
    "answers.csv",
    "byre.toml",
    "clinic.toml",
    "clinic_horizon.csv",
    "clinic_obstacles.geojson",
    "croft.toml",
    "farm.toml",
    "island.tif",
    "lighthouse.toml",
    "orbit_demo.json",
    "school.toml",
    "shieling.toml",
    "survey_data/village_footprints.geojson",
    "survey_data/village_scan.laz",
    "village_surface.tif",
)
GEOD = pyproj.Geod(ellps="WGS84")
DECLINATION_DEG = -10.257  # World Magnetic Model 2025, 2026-06-14, computed with pygeomag 1.1.0
COMPASS_SHOWS_TOO_LITTLE_DEG = 0.8  # the generator's own choice
LAMBDA_M = 299_792_458.0 / 19.7e9
EARTH_M = 4.0 / 3.0 * 6_371_000.0


@cache
def _raster(name):
    with rasterio.open(DEMO / name) as raster:
        values = np.where(raster.read(1) == raster.nodata, np.nan, raster.read(1)).astype(float)
        return values, raster.transform, pyproj.Transformer.from_crs("EPSG:4326", raster.crs, always_xy=True)


def _heights(name, latitude_deg, longitude_deg):
    """Bilinear between cell centres; nan over a void and outside."""
    values, transform, to_map = _raster(name)
    x, y = to_map.transform(longitude_deg, latitude_deg)
    column, row = (np.asarray(x) - transform.c) / transform.a, (np.asarray(y) - transform.f) / transform.e
    row, column = row - 0.5, column - 0.5
    inside = (row >= 0) & (column >= 0) & (row <= values.shape[0] - 1) & (column <= values.shape[1] - 1)
    r = np.clip(np.floor(row).astype(int), 0, values.shape[0] - 2)
    c = np.clip(np.floor(column).astype(int), 0, values.shape[1] - 2)
    a, b = row - r, column - c
    found = (values[r, c] * (1 - b) + values[r, c + 1] * b) * (1 - a) + (
        values[r + 1, c] * (1 - b) + values[r + 1, c + 1] * b
    ) * a
    return np.where(inside, found, np.nan)


def _walk(name, latitude_deg, longitude_deg, azimuth_deg, distance_m):
    """Raster heights along a geodesic."""
    count = len(distance_m)
    longitude, latitude, _ = GEOD.fwd(
        np.full(count, longitude_deg), np.full(count, latitude_deg), np.full(count, azimuth_deg), distance_m
    )
    return _heights(name, latitude, longitude)


def _elevations_deg(heights_m, distance_m, eye_m):
    angle = distance_m / EARTH_M
    return np.rad2deg(
        np.arctan2(
            (EARTH_M + heights_m) * np.cos(angle) - EARTH_M - eye_m, (EARTH_M + heights_m) * np.sin(angle)
        )
    )


def _rows(name):
    with (DEMO / name).open(encoding="utf-8", newline="") as table:
        return list(csv.DictReader(table))


def _toml(name):
    return tomllib.loads((DEMO / f"{name}.toml").read_text(encoding="utf-8"))


def _position(name):
    north, west = re.fullmatch(r"([\d.]+) N ([\d.]+) W", _toml(name)["position"]).groups()
    return float(north), -float(west)


@cache
def _assessment(name, mount_name):
    job = read_site_file(DEMO / f"{name}.toml")
    (mount,) = (mount for mount in job.mounts if mount.name == mount_name)
    return assess(job, mount)


def _result(name, mount_name, satellite="Demo South"):
    (result,) = (r for r in _assessment(name, mount_name).results if r.satellite.name == satellite)
    return result


def _crown(foot, tree, years=0.0, steps=721):
    """(n, 3) points on an ellipsoid crown: its top grows, its base and radius stay."""
    top = tree.get("height_m", tree.get("height_above_site_m")) + years * tree.get("growth_m_per_year", 0.0)
    half = (top - tree["crown_base_height_m"]) / 2.0
    down, around = np.meshgrid(np.linspace(0.0, np.pi, steps), np.linspace(0.0, 2 * np.pi, steps))
    points = [
        tree["crown_radius_m"] * np.sin(down) * np.cos(around),
        tree["crown_radius_m"] * np.sin(down) * np.sin(around),
        top - half + half * np.cos(down),
    ]
    return np.stack(points, axis=-1).reshape(-1, 3) + foot


def _tightest(points, dish, look):
    """Margin, clearance, need and distance at the point with the least angular spare room (outside the ray)."""
    azimuth, elevation = math.radians(look.azimuth_deg), math.radians(look.elevation_apparent_deg)
    ray = [
        math.cos(elevation) * math.sin(azimuth),
        math.cos(elevation) * math.cos(azimuth),
        math.sin(elevation),
    ]
    away = points - dish
    distance = np.linalg.norm(away, axis=1)
    margin = np.arccos(np.clip(away @ ray / distance, -1.0, 1.0))
    need = 0.6 + 0.6 * np.sqrt(LAMBDA_M * distance)
    at = (margin - np.arctan(need / distance)).argmin()
    return math.degrees(margin[at]), distance[at] * math.sin(margin[at]), need[at], distance[at]


def _clinic_plan(longitude_deg, latitude_deg):
    here = _position("clinic")
    azimuth, _, away_m = GEOD.inv(here[1], here[0], longitude_deg, latitude_deg)
    return away_m * math.sin(math.radians(azimuth)), away_m * math.cos(math.radians(azimuth))


def _clinic_features():
    features = json.loads((DEMO / "clinic_obstacles.geojson").read_text(encoding="utf-8"))["features"]
    return {f["properties"]["name"]: (f["properties"], f["geometry"]["coordinates"]) for f in features}


def _clinic_trees():
    """Name -> properties and the plan place and elevation of the foot."""
    return {
        name: (said, np.array([*_clinic_plan(*place), said["ground_elevation_m"]]))
        for name, (said, place) in _clinic_features().items()
        if said["kind"] == "tree"
    }


@pytest.mark.slow
def test_the_script_makes_the_same_files_again(tmp_path):
    subprocess.run([sys.executable, DEMO / "make_demo.py", tmp_path], check=True, capture_output=True)
    made_now = [path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()]
    assert sorted(made_now) == sorted(MADE)
    for name in MADE:
        if name.endswith(".laz"):
            kept, made = (laspy.read(folder / name) for folder in (DEMO, tmp_path))
            assert kept.header.parse_crs() == made.header.parse_crs()
            for part in ("X", "Y", "Z", "classification", "return_number", "number_of_returns"):
                np.testing.assert_array_equal(kept[part], made[part])
        elif name.endswith(".tif"):  # the packed bytes belong to the compression library's version
            with rasterio.open(DEMO / name) as kept, rasterio.open(tmp_path / name) as made:
                assert (kept.crs, kept.transform, kept.tags()) == (made.crs, made.transform, made.tags())
                np.testing.assert_array_equal(kept.read(1), made.read(1))
        else:
            assert (DEMO / name).read_bytes() == (tmp_path / name).read_bytes(), name


def test_the_island_says_that_it_is_invented_and_stays_small():
    assert "does not exist" in (DEMO / "README.md").read_text(encoding="utf-8").splitlines()[0]
    for name in ("island.tif", "village_surface.tif"):
        with rasterio.open(DEMO / name) as raster:
            assert "Invented" in raster.tags()["DECLARATION"]
            assert raster.crs.to_epsg() == 32627
            assert raster.units == ("metre",)
    for name in MADE:
        if name.endswith((".toml", "horizon.csv")):
            assert "(invented)" in (DEMO / name).read_text(encoding="utf-8")
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) < 10e6


def test_sea_is_a_real_zero_and_the_one_hole_is_a_hole():
    values, transform, _ = _raster("island.tif")
    assert np.nanmin(values) == 0.0
    assert 400.0 < np.nanmax(values) <= 420.0
    rows, columns = np.nonzero(np.isnan(values))
    assert 50 < rows.size < 400
    assert np.ptp(rows) * abs(transform.e) < 500.0
    assert np.ptp(columns) * transform.a < 1000.0


def test_both_rasters_stand_on_the_same_ground():
    values, transform, _ = _raster("village_surface.tif")
    island, coarse, _ = _raster("island.tif")
    rows, columns = np.indices(island.shape)
    x, y = coarse.c + coarse.a * (columns + 0.5), coarse.f + coarse.e * (rows + 0.5)
    column, row = (x - transform.c) / transform.a, (y - transform.f) / transform.e
    inside = (row > 1) & (column > 1) & (row < values.shape[0] - 1) & (column < values.shape[1] - 1)
    fine = values[np.floor(row[inside]).astype(int), np.floor(column[inside]).astype(int)]
    above = fine - island[inside]
    assert inside.sum() > 1500
    assert (
        above.min() > -0.3
    )  # the fine cell's centre lies within 0.71 m of the coarse one's, on slopes to 20 degrees
    assert np.mean(np.abs(above) < 0.3) > 0.93  # the rest has a house, a tree or a wall on it


def test_the_readings_are_what_a_person_would_have_read_there():
    """Against the surface raster; the crowns' edges fall between its 1 m cells, hence the share, not all."""
    latitude, longitude = _position("clinic")
    lines = [
        line
        for line in (DEMO / "clinic_horizon.csv").read_text(encoding="utf-8").splitlines()
        if line[0] != "#"
    ]
    readings = list(csv.DictReader(lines))
    assert all(float(r["elevation_deg"]) * 2 % 1 == 0 and float(r["azimuth_deg"]) % 1 == 0 for r in readings)
    assert max(np.diff([float(r["azimuth_deg"]) for r in readings])) <= 5.0
    eye_m = float(_heights("village_surface.tif", latitude, longitude)) + 1.6
    near_m, far_m = np.arange(1.5, 400.0, 0.1), np.arange(400.0, 6000.0, 10.0)
    off, near = [], []
    for reading in readings:
        azimuth = float(reading["azimuth_deg"]) + DECLINATION_DEG + COMPASS_SHOWS_TOO_LITTLE_DEG
        fine = _elevations_deg(
            _walk("village_surface.tif", latitude, longitude, azimuth, near_m), near_m, eye_m
        )
        coarse = _elevations_deg(_walk("island.tif", latitude, longitude, azimuth, far_m), far_m, eye_m)
        both, distance = np.concatenate([fine, coarse]), np.concatenate([near_m, far_m])
        clipped_m = 0.25 if "sycamore" in reading["note"] else 0.0  # treetops stand lower in the raster
        slant_m = float(reading["distance_m"] or "inf")
        clipped_deg = math.degrees(
            clipped_m * math.cos(math.radians(float(reading["elevation_deg"]))) / slant_m
        )
        off.append(float(reading["elevation_deg"]) - clipped_deg - np.nanmax(both))
        if reading["distance_m"]:
            near.append(
                float(reading["distance_m"])
                - distance[np.nanargmax(both)] / math.cos(math.radians(both.max()))
            )
    assert abs(np.median(off)) < 0.5
    assert np.mean(np.abs(off) < 2.0) > 0.9
    assert np.mean(np.abs(near) < 2.0) > 0.8


def test_the_harbour_light_gives_the_compass_away():
    clinic = _toml("clinic")
    (light,) = (mark for mark in clinic["landmarks"] if mark["name"] == "harbour light")
    here, there = _position("clinic"), parse_position(light["position"])
    true_deg = GEOD.inv(here[1], here[0], there.longitude_deg, there.latitude_deg)[0] % 360.0
    assert true_deg - DECLINATION_DEG - light["measured_bearing_deg"] == pytest.approx(
        0.8, abs=0.3
    )  # read to 0.5


@pytest.mark.parametrize(
    ("site", "mount", "satellite", "verdict"),
    [
        ("clinic", "gable pole", "Demo South", "clear"),
        ("clinic", "gable pole", "Demo West", "marginal"),
        ("clinic", "gable pole", "Demo East", "blocked"),
        ("clinic", "behind the chimney", "Demo South", "clear"),
        ("clinic", "behind the chimney", "Demo West", "clear"),
        ("clinic", "behind the chimney", "Demo East", "clear"),
        ("clinic", "east wall bracket", "Demo South", "blocked"),
        ("school", "eaves pole", "Demo South", "marginal"),
        ("byre", "yard post", "Demo South", "marginal"),
        ("croft", "chimney bracket", "Demo South", "blocked"),
        ("croft", "chimney bracket", "Demo East", "needs-survey"),
        ("farm", "barn gable", "Demo South", "needs-survey"),
        ("shieling", "yard post", "Demo South", "unknown"),
        ("lighthouse", "keeper's house", "Demo South", "unknown"),
    ],
)
def test_verdicts(site, mount, satellite, verdict):
    assert _result(site, mount, satellite).verdict == verdict


def test_the_gable_pole_clears_the_tallest_thing_in_line_with_growth_to_spare():
    result = _result("clinic", "gable pole")
    tree, foot = _clinic_trees()["sycamore 4"]
    mount = _toml("clinic")["mounts"][0]
    dish = np.array([mount["east_m"], mount["north_m"], mount["surface_elevation_m"] + mount["height_m"]])
    today = _tightest(_crown(foot, tree), dish, result.look)
    grown = _tightest(_crown(foot, tree, years=5), dish, result.look)
    assert result.clearance.controlling.name == "sycamore 4"
    assert result.clearance.margin_deg == pytest.approx(today[0], abs=0.1)  # steps of the sampled crown
    assert result.clearance.controlling.distance_m == pytest.approx(today[3], abs=0.1)
    assert grown[1] > grown[2]
    assert result.p_clear >= 0.9
    assert {"measured", "terrain", "obstacle"} <= set(result.basis)


@pytest.mark.slow
def test_backing_away_behind_the_chimney_beats_any_mast_in_front_of_it():
    """Least mast along the ridge, by sampled crowns in five years, and the chimney's top edges."""
    ridge_m, look = _toml("clinic")["mounts"][0]["surface_elevation_m"], _result("clinic", "gable pole").look
    crowns = [_crown(foot, said, years=5, steps=121) for said, foot in _clinic_trees().values()]
    said, (ring,) = _clinic_features()["Skerrow clinic chimney"]
    corners = np.array([[*_clinic_plan(*place), said["top_elevation_m"]] for place in ring])
    edges = np.concatenate(
        [a + np.linspace(0, 1, 40)[:, None] * (b - a) for a, b in itertools.pairwise(corners)]
    )
    points = np.concatenate([*crowns, edges])

    def least_mast_m(north_m):
        for mast_m in np.arange(6.0, 0.25, -0.05):  # downwards: the first that lacks room
            margin, _, need_m, away_m = _tightest(points, np.array([0.0, north_m, ridge_m + mast_m]), look)
            if margin < math.degrees(math.atan(need_m / away_m)):
                return mast_m
        return 0.3

    assert corners[:, 1].max() < 7.0
    assert min(least_mast_m(north_m) for north_m in (1.5, 3.0, 4.0, 5.0)) > 1.5
    assert max(least_mast_m(north_m) for north_m in (11.0, 14.0, 16.0)) < 0.5


def test_the_gate_sycamore_blocks_demo_east_from_the_gable():
    result = _result("clinic", "gable pole", "Demo East")
    assert result.clearance.controlling.name == "gate sycamore"
    assert result.clearance.margin_deg < -1.0


def test_the_school_is_free_today_and_loses_its_room_to_growth():
    result = _result("school", "eaves pole")
    site = _toml("school")
    mount = site["mounts"][0]
    dish = np.array([mount["east_m"], mount["north_m"], mount["surface_height_m"] + mount["height_m"]])
    (tree,) = (o for o in site["obstacle"] if o["name"] == "sycamore 4")
    bearing = math.radians(tree["bearing_deg"])
    foot = np.array([tree["distance_m"] * math.sin(bearing), tree["distance_m"] * math.cos(bearing), 0.0])
    today, grown = (_tightest(_crown(foot, tree, years=years), dish, result.look) for years in (0.0, 5.0))
    assert today[1] > today[2]
    assert 0.0 < grown[1] < grown[2]
    assert result.clearance.controlling.name == "sycamore 4"
    assert result.clearance.margin_deg == pytest.approx(today[0], abs=0.05)  # steps of the sampled crown
    assert result.clearance.clearance_m == pytest.approx(today[1], abs=0.02)
    assert result.clearance.required_m == pytest.approx(today[2], abs=0.005)
    assert any("sycamore 4" in reason.lower() for reason in result.reasons)
    assert any("grow" in reason for reason in result.reasons)


def test_the_byre_is_ruled_by_a_gutter_that_stands_lower_than_the_ridge():
    result = _result("byre", "yard post")
    site = _toml("byre")
    (barn,) = site["obstacle"]
    edge_m, rise_m = (
        -max(north for _, north in barn["outline"]),
        barn["height_above_site_m"] - site["mounts"][0]["height_m"],
    )
    gutter_deg = math.degrees(math.atan2(rise_m, edge_m))
    distance = np.arange(60.0, 1500.0, 1.0)
    ground = _walk("island.tif", *_position("byre"), result.look.azimuth_deg, distance)
    eye_m = float(_heights("island.tif", *_position("byre"))) + site["mounts"][0]["height_m"]
    ridge_deg = _elevations_deg(ground, distance, eye_m).max()
    assert gutter_deg < ridge_deg - 1.0
    clearance_m = math.hypot(edge_m, rise_m) * math.sin(
        math.radians(result.look.elevation_apparent_deg - gutter_deg)
    )
    assert result.horizon.elevation_deg == pytest.approx(ridge_deg, abs=0.1)
    assert result.clearance.controlling.kind == "building"
    assert result.clearance.clearance_m == pytest.approx(clearance_m, abs=0.02)
    assert 0.0 < clearance_m < result.clearance.required_m


def test_the_ridge_blocks_the_croft():
    result = _result("croft", "chimney bracket")
    distance = np.arange(60.0, 1500.0, 1.0)
    ground = _walk("island.tif", *_position("croft"), result.look.azimuth_deg, distance)
    eye_m = float(_heights("island.tif", *_position("croft"))) + 2.5
    elevations = _elevations_deg(ground, distance, eye_m)
    assert _assessment("croft", "chimney bracket").mount.antenna_elevation_m == pytest.approx(eye_m, abs=0.05)
    assert result.horizon.elevation_deg == pytest.approx(elevations.max(), abs=0.1)
    met_m = distance[np.argmax(elevations > result.look.elevation_apparent_deg)]
    slant_m = met_m / math.cos(math.radians(result.look.elevation_apparent_deg))
    assert result.clearance.controlling.distance_m == pytest.approx(slant_m, abs=15.0)  # half a cell
    assert -3.0 < result.clearance.margin_deg < -1.0


def test_nothing_stands_near_the_farm_s_line_but_nobody_looked_there():
    result = _result("farm", "barn gable")
    assert result.clearance.margin_deg > 10.0
    assert any("not assessed" in reason for reason in result.reasons)


@pytest.mark.parametrize(("site", "mount"), [("shieling", "yard post"), ("lighthouse", "keeper's house")])
def test_the_raster_falls_silent_before_ground_could_no_longer_reach_the_ray(site, mount):
    result = _result(site, mount)
    distance = np.arange(0.0, 2000.0, 1.0)
    heights = _walk("island.tif", *_position(site), result.look.azimuth_deg, distance)
    silent_m = distance[np.argmax(np.isnan(heights))]
    reach_m = (420.0 - heights[0] - 2.5) / math.tan(math.radians(result.look.elevation_apparent_deg))
    assert 0.0 < silent_m < reach_m - 100.0
    assert result.p_clear is None
    said_m = float(re.search(r"(\d+) m out", " ".join(result.reasons))[1])
    assert said_m <= silent_m + 30.0
    assert said_m == pytest.approx(silent_m, abs=60.0)  # the sentence names the nearest in the window


def test_addresses_are_many_and_awkward():
    rows = _rows("addresses.csv")
    assert len(rows) == 400
    assert len({row["id"] for row in rows}) == 400
    assert rows[0]["id"] == "00001"
    assert any('"' in row["address"] for row in rows)
    assert any(row["remark"].startswith(("=", "+")) for row in rows)
    heights = _heights(
        "island.tif",
        np.array([float(row["latitude"]) for row in rows]),
        np.array([float(row["longitude"]) for row in rows]),
    )
    assert np.nanmin(heights) > 0.0


def test_mixed_notations_name_the_places_they_came_from():
    at = {row["address"]: (float(row["latitude"]), float(row["longitude"])) for row in _rows("addresses.csv")}
    rows = _rows("addresses_mixed.csv")
    good = [row for row in rows if row["id"].startswith("M") and "Skerrow" in row["remark"]]
    assert len(good) >= 8
    for row in good:
        place = parse_position(row["position"])
        latitude, longitude = at[row["remark"]]
        assert (
            GEOD.inv(place.longitude_deg, place.latitude_deg, longitude, latitude)[2] < 4.0
        )  # an 11-digit code's cell


def test_the_inclined_object_stays_near_24_west_and_swings_three_degrees():
    """Position by the sgp4 library, Earth's turning by pyerfa (gmst82)."""
    import erfa
    from sgp4 import omm
    from sgp4.api import Satrec

    record = Satrec()
    fields = json.loads((DEMO / "orbit_demo.json").read_text(encoding="utf-8"))
    omm.initialize(record, {key: str(value) for key, value in fields.items()})
    days = np.linspace(0.0, 3.0, 73)
    fault, place_km, _ = record.sgp4_array(np.full(73, record.jdsatepoch), record.jdsatepochF + days)
    assert not fault.any()
    turned = np.arctan2(place_km[:, 1], place_km[:, 0]) - erfa.gmst82(
        record.jdsatepoch, record.jdsatepochF + days
    )
    longitude = np.rad2deg(np.mod(turned + np.pi, 2 * np.pi) - np.pi)
    latitude = np.rad2deg(np.arcsin(place_km[:, 2] / np.linalg.norm(place_km, axis=1)))
    assert np.abs(longitude + 24.0).max() < 0.3
    assert np.abs(latitude).max() == pytest.approx(3.0, abs=0.05)

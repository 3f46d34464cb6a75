"""Columns that a screening adds when asked: the question for the caller."""

import csv
import datetime as dt
import json

import numpy as np
import pyarrow.parquet as pq
import pytest

from skysill.bulk.questions import CallDay
from skysill.horizon.lattice import Grid
from skysill.io.caller_columns import CallerColumns
from skysill.io.rasters import RasterSpec, open_rasters, write_geotiff
from skysill.io.screening import COLUMNS, ScreeningRequest, screen_file
from skysill.model.site import Satellite

QUESTION_COLUMNS = [
    "allowed_at_10_m", "allowed_at_20_m", "allowed_at_50_m", "compass_point", "sun_time", "question",
]  # fmt: skip
DAY = CallDay(dt.datetime(2026, 12, 1, tzinfo=dt.UTC))


@pytest.fixture(scope="module")
def hill(tmp_path_factory):
    """Level ground with a ridge 300 m high along its southern part, 300 by 300 cells of 30 m, UTM 27 north."""
    row, _ = np.mgrid[0:300, 0:300]
    ground = 40.0 + 300.0 * np.exp(-((row - 250.0) ** 2) / 72.0)
    path = tmp_path_factory.mktemp("ground") / "hill.tif"
    grid = Grid(ground.astype(np.float32), (30.0, 0.0, 280_000.0, 0.0, -30.0, 6_440_000.0), "EPSG:32627")
    write_geotiff(path, grid.values, like=grid)
    return path


def request(hill, **more):
    satellites = more.pop("satellites", (Satellite("Demo South", -24.0),))
    return ScreeningRequest(open_rasters([RasterSpec(hill)]), satellites, 350.0, **more)


def written(folder, count=60):
    rng = np.random.default_rng(3)
    path = folder / "in.csv"
    rows = zip(rng.uniform(57.965, 58.01, count), rng.uniform(-24.70, -24.62, count), strict=True)
    lines = [f"{k},{a:.6f},{b:.6f},{2 + k % 3}" for k, (a, b) in enumerate(rows)]
    path.write_text("id,latitude,longitude,mount_height_m\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def lines(path):
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


def records(path):
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_only_needs_survey_gets_a_question_and_nothing_else_of_the_output_changes(hill, tmp_path):
    source = written(tmp_path)
    screen_file(request(hill), source, tmp_path / "plain.csv")
    screen_file(request(hill, callers=CallerColumns(DAY)), source, tmp_path / "asked.csv")
    plain, asked = (lines(tmp_path / name) for name in ("plain.csv", "asked.csv"))
    width = len(plain[0])
    assert plain[0][-len(COLUMNS) :] == list(COLUMNS)
    assert [row[:width] for row in asked] == plain
    assert asked[0][width:] == QUESTION_COLUMNS
    verdict = plain[0].index("verdict")
    assert len({row[verdict] for row in plain[1:]}) >= 2
    for row in asked[1:]:
        assert bool(row[-1]) == (row[verdict] == "needs-survey")
        assert any(row[width:]) == (row[verdict] == "needs-survey")


def test_the_three_formats_say_the_same(hill, tmp_path):
    source = written(tmp_path)
    for ending in ("csv", "geojson", "parquet"):
        screen_file(request(hill, callers=CallerColumns(DAY)), source, tmp_path / f"out.{ending}")
    rows = records(tmp_path / "out.csv")
    features = json.loads((tmp_path / "out.geojson").read_text())["features"]
    table = pq.read_table(tmp_path / "out.parquet").to_pylist()
    for row, feature, record in zip(rows, features, table, strict=True):
        for name in QUESTION_COLUMNS:
            assert feature["properties"][name] == record[name]
            number = "allowed" in name and row[name]
            assert record[name] == (float(row[name]) if number else row[name] or None)


def test_a_caller_at_a_higher_dish_may_have_taller_trees(hill, tmp_path):
    """Mounts of 2, 3 and 4 m: each metre of mast allows another metre at every distance."""
    path = tmp_path / "in.csv"
    path.write_text(
        "id,position,mount_height_m\n" + "".join(f"{h},58.009 N 24.66 W,{h}\n" for h in (2, 3, 4))
    )
    screen_file(request(hill, callers=CallerColumns(DAY)), path, tmp_path / "out.csv")
    found = [float(row["allowed_at_20_m"]) for row in records(tmp_path / "out.csv")]
    assert found[1] - found[0] == pytest.approx(1.0)
    assert found[2] - found[1] == pytest.approx(1.0)

"""Columns that a screening adds when asked: the question for the caller, the order of surveys."""

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
SOUTH = Satellite("Demo South", -24.0)
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
    satellites = more.pop("satellites", (SOUTH,))
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


@pytest.fixture(scope="module")
def village(tmp_path_factory):
    """Level bare ground, and in its middle 500 by 500 m of a 1 m surface with houses and trees 4 to 14 m high."""
    folder = tmp_path_factory.mktemp("village")
    flat = Grid(
        np.full((200, 200), 41.0, np.float32), (30.0, 0.0, 281_000.0, 0.0, -30.0, 6_441_000.0), "EPSG:32627"
    )
    write_geotiff(folder / "bare.tif", flat.values, like=flat)
    rng = np.random.default_rng(8)
    heights = np.full((500, 500), 41.0, np.float32)
    for row, column in rng.integers(0, 490, (220, 2)):
        heights[row : row + 8, column : column + 8] = 41.0 + rng.uniform(4.0, 14.0)
    fine = Grid(heights, (1.0, 0.0, 283_800.0, 0.0, -1.0, 6_438_300.0), "EPSG:32627")
    write_geotiff(folder / "surface.tif", fine.values, like=fine)
    return folder


@pytest.mark.slow
def test_the_survey_order_counts_how_addresses_alike_turned_out_in_the_surface(village, tmp_path):
    """Counted again from the lists: screened with the surface, and on the bare raster alone."""

    rng = np.random.default_rng(1)
    near = np.column_stack([rng.uniform(283_850, 284_250, 40), rng.uniform(6_437_950, 6_438_250, 40)])
    off = np.column_stack([rng.uniform(282_000, 283_000, 60), rng.uniform(6_437_000, 6_439_000, 60)])
    source = tmp_path / "in.csv"
    text = "".join(
        f"{k},27N {e:.1f} {n:.1f},{2 + 2 * (k % 2)}\n" for k, (e, n) in enumerate(np.r_[near, off])
    )
    source.write_text("id,position,mount_height_m\n" + text, encoding="utf-8")
    both = open_rasters(
        [RasterSpec(village / "surface.tif", kind="surface"), RasterSpec(village / "bare.tif")]
    )
    ordered = ScreeningRequest(both, (SOUTH,), 60.0, callers=CallerColumns(survey_order=True))
    made = screen_file(ordered, source, tmp_path / "ordered.csv")
    screen_file(ScreeningRequest(both[1:], (SOUTH,), 60.0), source, tmp_path / "bare.csv")
    rows, bare = (records(tmp_path / f"{name}.csv") for name in ("ordered", "bare"))
    survey = [row for row in rows if row["verdict"] == "needs-survey"]
    decided = [
        row
        for row, alone in zip(rows, bare, strict=True)
        if alone["verdict"] == "needs-survey" and row["verdict"] in ("clear", "marginal", "blocked")
    ]
    assert len(survey) >= 50
    # level ground, one satellite: mounts of 2 m allow 23 m at 50 m, those of 4 m 25 m, the same class of 20 to 30 m
    clear = sum(row["verdict"] == "clear" for row in decided)
    assert 0 < clear < len(decided)
    assert {row["clear_share_of"] for row in survey} == {str(len(decided))}
    assert {row["clear_share"] for row in survey} == {f"{clear / len(decided):.2f}"}
    assert sorted(int(row["survey_order"]) for row in survey) == list(range(1, len(survey) + 1))
    tall = [int(row["survey_order"]) for row in survey if row["mount_height_m"] == "4"]
    assert max(tall) == len(tall)
    assert not any(
        row["survey_order"] + row["clear_share"] for row in rows if row["verdict"] != "needs-survey"
    )
    assert f"{len(survey)} of {len(survey)} addresses that need a survey are like enough" in " ".join(
        made.notes
    )


def test_without_a_fine_surface_the_survey_order_says_nothing(hill, tmp_path):
    source = written(tmp_path)
    made = screen_file(request(hill, callers=CallerColumns(survey_order=True)), source, tmp_path / "out.csv")
    screen_file(request(hill), source, tmp_path / "plain.csv")
    rows, plain = (records(tmp_path / name) for name in ("out.csv", "plain.csv"))
    assert [{name: row[name] for name in plain[0]} for row in rows] == plain
    assert any(row["verdict"] == "needs-survey" for row in rows)
    assert not any(row["survey_order"] + row["clear_share"] + row["clear_share_of"] for row in rows)
    assert "0 of" in " ".join(made.notes)

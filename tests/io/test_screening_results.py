"""Further columns of a screening: packed, written in the header's order, read back."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from skysill.bulk.screening import ScreeningResults, merged
from skysill.io.address_lists import open_addresses, read_addresses
from skysill.io.screening_results import COLUMNS, ResultColumns, ResultTable, packed, write_list
from skysill.model.site import Satellite

SATELLITES = (Satellite("low", -24.0), Satellite("high", -30.0))


def found(verdicts, masts_m, margins_deg):
    count = len(verdicts)
    nothing = np.full(count, np.nan)
    return ScreeningResults(
        *(np.full(count, 180.0), np.full(count, 24.0), nothing, nothing),
        np.asarray(margins_deg, dtype=float),
        np.zeros(count, dtype=bool),
        np.asarray(masts_m, dtype=float),
        np.array(verdicts, dtype=object),
        np.array(["because, of; it"] * count, dtype=object),
        {
            "mast_height_m": np.asarray(masts_m, dtype=float),
            "spot_longitude_deg": np.full(count, -179.1234567),
        },
        {"cautions": np.array(["edge falls"] * count, dtype=object)},
    )


COLUMNS_ASKED = ResultColumns(
    {"least_height_m": 2, "mast_height_m": 2, "spot_longitude_deg": 7}, ("cautions",), several=True
)


@pytest.fixture
def table(tmp_path):
    source = tmp_path / "in.csv"
    source.write_text("id,latitude,longitude\n1,58,-24\n2,58,-24\n3,58,-24\n", encoding="utf-8")
    file = open_addresses(source)
    places = read_addresses(file, default_height_m=2.0, satellites=SATELLITES)
    at = np.arange(3)
    low = found(["clear", "marginal", "clear"], [0.75, 6.0, np.nan], [1.0, 2.0, 3.0])
    high = found(["clear", "clear", "blocked"], [0.7, 0.8, np.nan], [0.5, 2.0, -3.0])
    part = packed(at, SATELLITES, {0: (at, low), 1: (at, high)}, COLUMNS_ASKED)
    return file, places, ResultTable([part], 3, SATELLITES, COLUMNS_ASKED)


def test_every_value_stands_under_its_own_name_in_all_formats(table, tmp_path):
    file, places, results = table
    for end in ("csv", "geojson", "parquet"):
        write_list(tmp_path / f"out.{end}", file, places, results, neutralize=False)
    with open(tmp_path / "out.csv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0])[3:] == (
        *COLUMNS, "mast_height_m", "spot_longitude_deg", "cautions", "all_satellites")  # fmt: skip
    assert rows[0]["verdict"] == "clear"
    assert rows[0]["reason"] == "because, of; it"
    assert rows[0]["spot_longitude_deg"] == "-179.1234567"
    assert rows[0]["least_height_m"] == "0.70"
    assert rows[0]["cautions"] == "edge falls"
    assert rows[2]["mast_height_m"] == ""
    features = json.loads((tmp_path / "out.geojson").read_text(encoding="utf-8"))["features"]
    parquet = pytest.importorskip("pyarrow.parquet").read_table(tmp_path / "out.parquet").to_pylist()
    for feature, row, text in zip(features, parquet, rows, strict=True):
        for name in ("mast_height_m", "spot_longitude_deg", "cautions", "all_satellites", "least_height_m"):
            assert feature["properties"][name] == row[name]
            assert str(text[name] or None) == str(row[name]) or float(text[name]) == row[name]


def test_the_lowest_mast_decides_between_satellites_with_one_verdict(table):
    *_, results = table
    assert results.values(0, 3, "satellite") == ["high", "high", "low"]
    assert results.values(0, 1, "all_satellites") == ["low: clear, mast 0.75 m; high: clear, mast 0.70 m"]
    assert results.values(2, 3, "all_satellites") == ["low: clear; high: blocked"]


def test_further_columns_stay_with_their_rows_when_two_results_are_merged():
    first, second = found(["clear"], [1.0], [1.0]), found(["blocked", "marginal"], [2.0, 3.0], [1.0, 1.0])
    whole = merged([first, second], np.array([False, True, False]))
    assert whole.verdict.tolist() == ["blocked", "clear", "marginal"]
    assert whole.numbers["mast_height_m"].tolist() == [2.0, 1.0, 3.0]
    assert whole.texts["cautions"].size == 3

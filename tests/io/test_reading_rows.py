"""A table of readings edited row by row: nothing that was typed is lost, and the reader reads what is written."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from skysill.errors import InputError
from skysill.io.reading_rows import (
    COLUMN_NAMES,
    RowFault,
    TypedRow,
    checked_rows,
    pasted_rows,
    reading_table,
    readings_from,
    table_text,
)
from skysill.io.survey_tables import read_horizon_csv

CLINIC = "demo_terrain/clinic_horizon.csv"

FILE = """# Gable, wind 4
azimuth_deg;elevation_deg;distance_m;weather;note

146;34,5;22,9;dry;"gate; sycamore"
# the hall begins here
148;36,5;;wet;
150;1;
"""


def edited(row, **cells):
    return replace(row, cells={**row.cells, **cells})


def test_a_table_that_nobody_edits_is_written_as_it_stood():
    for text in (FILE, Path(CLINIC).read_text(encoding="utf-8")):
        table = reading_table(text, "h.csv")
        assert table_text(table, table.rows) == text


def test_rows_that_nobody_edits_keep_their_spaces_and_quotation_marks():
    text = 'azimuth_deg, elevation_deg ,note\n 10 ,"3,5", "dry"\n20,4,x\n'
    table = reading_table(text, "h.csv")
    first, second = table.rows
    assert table_text(table, [first, edited(second, note="y")]) == text.replace("20,4,x", "20,4,y")


def test_one_edited_row_changes_one_line():
    table = reading_table(FILE, "h.csv")
    first, second, broken = table.rows
    text = table_text(table, [first, edited(second, elevation_deg="37"), broken])
    assert text == FILE.replace("148;36,5;;wet;", "148;37;;wet;")


def test_a_row_that_cannot_be_split_stays_as_text_with_its_fault():
    rows = reading_table(FILE, "h.csv").rows
    assert rows[2].text == "150;1;"
    found, faults = checked_rows(rows)
    assert found[2] is None
    assert [fault.field for fault in faults[2]] == [""]
    assert found[0] is not None
    assert not faults[0]


def test_an_open_quotation_mark_swallows_no_row_below_it():
    table = reading_table('azimuth_deg,elevation_deg,note\n10,3,"gable\n20,4,\n30,5,x\n', "h.csv")
    assert [row.text or row.cells["azimuth_deg"] for row in table.rows] == ['10,3,"gable', "20", "30"]


def test_comments_stay_before_the_row_that_follows_them_when_rows_are_put_in_and_taken_out():
    table = reading_table(FILE, "h.csv")
    first, second, _ = table.rows
    new = TypedRow({"azimuth_deg": "147", "elevation_deg": "35"})
    assert table_text(table, [first, new, second]).splitlines()[3:7] == [
        '146;34,5;22,9;dry;"gate; sycamore"',
        "147;35;;;",
        "# the hall begins here",
        "148;36,5;;wet;",
    ]
    assert "# the hall begins here" in table_text(table, [first])


def test_a_column_that_the_file_lacks_is_added_to_every_row():
    table = reading_table("azimuth_deg,elevation_deg\n10,3\n20,4\n", "h.csv")
    first, second = table.rows
    text = table_text(table, [first, edited(second, kind="tree", leaf="bare")])
    assert text == "azimuth_deg,elevation_deg,kind,leaf\n10,3,,\n20,4,tree,bare\n"


def test_what_is_written_is_read_back_by_the_reader_of_the_commands(tmp_path):
    rows = [
        TypedRow({"azimuth_deg": "10", "elevation_deg": "3,5", "distance_m": "20 ft", "note": 'a "b", #c;'}),
        TypedRow({"azimuth_deg": "20", "elevation_deg": "4", "distance_m": ">500", "kind": "building"}),
        TypedRow({"azimuth_deg": "30"}),
    ]
    table = reading_table("", "horizon.csv")
    path = tmp_path / "horizon.csv"
    path.write_text(table_text(table, rows, comments=["Croft: readings"]), encoding="utf-8")
    read, typed = read_horizon_csv(path), readings_from(checked_rows(rows)[0], "horizon.csv")
    assert read.azimuth_deg.tolist() == typed.azimuth_deg.tolist() == [10.0, 20.0]
    assert read.distance_m.tolist() == typed.distance_m.tolist() == [pytest.approx(6.096), 500.0]
    assert read.note == typed.note == ('a "b", #c;', "")
    assert path.read_text(encoding="utf-8").startswith("# Croft: readings\nazimuth_deg,")


def test_every_fault_of_a_row_is_told_at_its_own_field():
    row = TypedRow(
        {"azimuth_deg": "370", "elevation_deg": "4..", "distance_m": "near", "kind": "wal", "station": "yrad"}
    )
    (faults,) = checked_rows([row], stations={"yard"})[1]
    assert {fault.field: fault.text for fault in faults} == {
        "azimuth_deg": "370 is out of range. It runs from 0 to 360.",
        "elevation_deg": '"4.." is not a number. Write 12.5 or 12,5.',
        "distance_m": '"near" is no distance. Write metres (12.5), feet with their unit (41 ft), far, or >500.',
        "kind": '"wal" is not known. Write one of tree, hedge, building, ground, other, or leave it empty.',
        "station": '"yrad" is no station of this site. Did you mean "yard"?',
    }


def test_a_row_without_azimuth_is_told_so_and_an_empty_row_is_nothing():
    _, faults = checked_rows([TypedRow({"elevation_deg": "3"}), TypedRow({})])
    assert faults == ((RowFault("azimuth_deg", "Is empty. Give degrees, or take the row out."),), ())


@pytest.mark.parametrize(
    ("text", "cells"),
    [
        ("146\t34,5\t22,9\ttree\tin-leaf\toak", ["146", "34,5", "22,9", "tree", "in-leaf", "oak"]),
        ("146;34,5", ["146", "34,5"]),
        ("146, 34.5, 22.9", ["146", "34.5", "22.9"]),
        ("note\televation_deg\tazimuth_deg\r\noak\t34,5\t146\r\n", ["146", "34,5", "", "", "", "oak"]),
        ("146\t34,5\n148\t35\t20\tbuilding", ["146", "34,5"]),
    ],
)
def test_cells_pasted_from_a_spreadsheet_with_or_without_a_header(text, cells):
    columns = ("azimuth_deg", "elevation_deg", "distance_m", "kind", "leaf", "note")
    row = pasted_rows(text)[0]
    assert row.key is None
    assert dict(row.cells) == {name: cell for name, cell in zip(columns, cells, strict=False) if cell}
    assert not checked_rows([row])[1][0]


def test_pasted_rows_of_another_width_are_kept_as_text():
    rows = pasted_rows("azimuth_deg,elevation_deg\n10,3,5\n20,4\n")
    assert [row.text for row in rows] == ["10,3,5", ""]
    with pytest.raises(InputError, match="Did you mean azimuth_deg"):
        pasted_rows("azimut_deg\televation_deg\n1\t2\n")


def test_the_demo_table_row_by_row_is_the_demo_table():
    table = reading_table(Path(CLINIC).read_text(encoding="utf-8"), "clinic_horizon.csv")
    found, faults = checked_rows(table.rows)
    assert not any(faults)
    mine, whole = readings_from(found, "clinic_horizon.csv"), read_horizon_csv(CLINIC)
    for label in ("azimuth_deg", "elevation_deg", "distance_m", "growth_m_per_year"):
        np.testing.assert_array_equal(getattr(mine, label), getattr(whole, label))
    assert mine.note == whole.note
    assert mine.kind == whole.kind


CELL = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=6).map(str.strip)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.dictionaries(st.sampled_from(COLUMN_NAMES), CELL, min_size=1), max_size=4),
    st.sampled_from(",;\t"),
)
def test_whatever_is_typed_comes_back_as_it_was_typed(typed, mark):
    table = reading_table(mark.join(("azimuth_deg", "elevation_deg")) + "\n", "h.csv")
    rows = [TypedRow(cells) for cells in typed]
    again = reading_table(table_text(table, rows), "h.csv")
    kept = [{name: cell for name, cell in cells.items() if cell} for cells in typed]
    assert [{n: c for n, c in row.cells.items() if c} for row in again.rows] == [row for row in kept if row]

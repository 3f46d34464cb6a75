"""Tables that people type: records as RFC 4180 has them, refused by row where they are not."""

import csv
import io

import pytest
from hypothesis import given, strategies as st

from skysill.errors import InputError
from skysill.io.table_reader import MOST_ROWS, Column, read_table, split_table

COLUMNS = (Column("azimuth_deg", needed=True), Column("elevation_deg", needed=True), Column("note"))


def split(text):
    return split_table(text, "h.csv", COLUMNS)


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_columns_may_be_parted_three_ways_and_stand_in_any_order(mark):
    table = split(f"# taken in rain\nNote{mark}Elevation_deg{mark}azimuth_deg\n\ngable{mark}3{mark}10\n")
    assert table.delimiter == mark
    assert table.rows[0].cells == {"note": "gable", "elevation_deg": "3", "azimuth_deg": "10"}
    assert table.rows[0].line == 4


def test_quoted_cells_may_hold_the_delimiter():
    assert split('azimuth_deg,elevation_deg,note\n10,"3,5","a, b"').rows[0].cells["note"] == "a, b"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "h.csv: is empty. Begin it with the header azimuth_deg,elevation_deg."),
        ("# only talk\n\n", "h.csv: is empty. Begin it with the header azimuth_deg,elevation_deg."),
        ("10,3\n20,4\n", "h.csv, row 1: there is no header. Begin the file with azimuth_deg,elevation_deg."),
        ("azimut_deg,elevation_deg\n", 'h.csv, row 1: the column "azimut_deg" is not known. Did you mean azimuth_deg?'),
        ("azimuth_deg,note\n", "h.csv, row 1: the column elevation_deg is missing. "
         "Begin the file with azimuth_deg,elevation_deg."),
        ("azimuth_deg,azimuth_deg,elevation_deg\n", 'h.csv, row 1: the column "azimuth_deg" stands twice.'),
        ("azimuth_deg,elevation_deg\n10,3,5\n", "h.csv, row 2: has 3 cells under 2 heads. "
         "Quote a note that holds commas; part columns by semicolons where commas are decimal."),
        ('azimuth_deg,elevation_deg\n"10,3\n', "h.csv, row 2: a quotation mark is not closed, or stands where "
         'none may. Write a mark inside a quoted cell twice: "6"" pipe".'),
        ('azimuth_deg,elevation_deg\n10,"3"4\n', "h.csv, row 2: a quotation mark is not closed, or stands where "
         'none may. Write a mark inside a quoted cell twice: "6"" pipe".'),
        ("azimuth_deg,elevation_deg,note\n10,3,x\n20,4\n", "h.csv, row 3: has 2 cells under 3 heads. Was it cut short? "
         "Where a cell is left empty, its mark between columns stands all the same."),
    ],
)  # fmt: skip
def test_refusals_of_tables(text, sentence):
    with pytest.raises(InputError) as caught:
        split(text)
    assert str(caught.value) == sentence


def test_unknown_columns_that_resemble_nothing_are_kept():
    assert split("azimuth_deg,elevation_deg,weather\n1,2,rain").rows[0].cells["weather"] == "rain"


def test_a_quoted_cell_may_run_over_lines_and_hold_comment_marks():
    table = split('azimuth_deg,elevation_deg,note\n10,3,"gable\n# not a comment\n\nand ""ridge"""\n20,4,x\n')
    assert [row.line for row in table.rows] == [2, 6]
    assert table.rows[0].cells["note"] == 'gable\n# not a comment\n\nand "ridge"'


def test_empty_cells_behind_the_last_column_are_passed_over():
    assert split("azimuth_deg,elevation_deg,,\n10,3,,\n,,,\n").rows[0].cells == {
        "azimuth_deg": "10",
        "elevation_deg": "3",
    }


def test_more_rows_than_people_measure_are_refused():
    with pytest.raises(InputError, match=f"more than {MOST_ROWS:,} rows"):
        split("azimuth_deg,elevation_deg\n" + "1,2\n" * (MOST_ROWS + 1))


CELLS = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], include_characters="\n"), max_size=8
)


@given(
    st.lists(st.tuples(CELLS, CELLS), max_size=5),
    st.sampled_from(",;\t"),
    st.sampled_from(["utf-8", "utf-16"]),
)
def test_what_the_standard_librarys_writer_wrote_is_read_again(tmp_path_factory, rows, mark, encoding):
    with io.StringIO() as text:
        writer = csv.writer(text, delimiter=mark, lineterminator="\n", quoting=csv.QUOTE_ALL)
        writer.writerows([("azimuth_deg", "elevation_deg", "a", "b"), *(("1", "2", *row) for row in rows)])
        written = text.getvalue()
    path = tmp_path_factory.mktemp("records") / "t.csv"
    path.write_bytes(written.encode(encoding))
    found = [(row.cells["a"], row.cells["b"]) for row in read_table(path, COLUMNS).rows]
    assert found == [(a.strip(), b.strip()) for a, b in rows]

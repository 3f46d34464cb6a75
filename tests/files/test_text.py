"""Text files, numbers and columns as people type them."""

import pytest

from skysill.errors import InputError
from skysill.files.text import Column, nearest, quoted, read_number, read_text, split_table

COLUMNS = (Column("azimuth_deg", needed=True), Column("elevation_deg", needed=True), Column("note"))


def split(text):
    return split_table(text, "h.csv", COLUMNS)


@pytest.mark.parametrize(
    ("typed", "number"),
    [
        *[("12.5", 12.5), ("12,5", 12.5), (" -3 ", -3.0), ("−3", -3.0)],
        *[("1e2", 100.0), (".5", 0.5), ("5.", 5.0), ("0,125", 0.125)],
    ],
)
def test_numbers_as_people_type_them(typed, number):
    assert read_number(typed) == number


@pytest.mark.parametrize(
    "typed", ["12,5.3", "nan", "inf", "-inf", "1_000", "12 5", "", "0x10", "five", "1.2.3"]
)
def test_what_is_no_number_is_refused(typed):
    with pytest.raises(ValueError, match=r"is not a number. Write 12.5 or 12,5."):
        read_number(typed)


def test_a_comma_before_three_digits_is_refused_unless_known_to_be_decimal():
    with pytest.raises(ValueError, match=r'"1,234" may be 1.234 or 1234. Write the one you mean.'):
        read_number("1,234")
    assert read_number("1,234", comma=True) == 1.234


def test_a_number_too_big_to_hold_is_refused():
    with pytest.raises(ValueError, match="is not a finite number"):
        read_number("1e999")


@pytest.mark.parametrize("raw", [b"\xef\xbb\xbfa\r\nb\r", b"a\nb\n", b"a\rb\n"])
def test_byte_order_marks_and_line_ends_of_any_system_are_understood(tmp_path, raw):
    (tmp_path / "t").write_bytes(raw)
    assert read_text(tmp_path / "t") == "a\nb\n"


def test_text_in_another_encoding_names_the_row(tmp_path):
    (tmp_path / "t.csv").write_bytes("a\nb\nBjörk\n".encode("latin-1"))
    with pytest.raises(InputError, match=r"t.csv, row 3: is not UTF-8 text. Save it as UTF-8."):
        read_text(tmp_path / "t.csv")


def test_text_with_nul_bytes_is_refused(tmp_path):
    (tmp_path / "t.csv").write_bytes(b"a\n\0\0")
    with pytest.raises(InputError, match=r"t.csv, row 2: is not text."):
        read_text(tmp_path / "t.csv")


def test_a_missing_file_names_the_nearest_one_beside_it(tmp_path):
    (tmp_path / "horizon.csv").write_text("")
    with pytest.raises(InputError, match=r"there is no such file. Did you mean .*horizon.csv\?"):
        read_text(tmp_path / "horizont.csv")


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(InputError, match="is a folder, and a file is wanted"):
        read_text(tmp_path)


@pytest.mark.parametrize("name", ["a\0b", "x" * 5000])
def test_a_name_that_cannot_be_is_refused(name):
    with pytest.raises(InputError, match=r"cannot be read|there is no such file"):
        read_text(name)


def test_long_values_are_shown_short_and_on_one_line():
    assert quoted("a\nb") == '"a b"'
    assert len(quoted("x" * 1000)) < 70


def test_nearest_name():
    assert nearest("Azimut", ["azimuth_deg", "elevation_deg"]) == "azimuth_deg"
    assert nearest("zzz", ["azimuth_deg"]) is None


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
        ('azimuth_deg,elevation_deg\n"10,3\n', "h.csv, row 2: a quotation mark is not closed."),
    ],
)  # fmt: skip
def test_refusals_of_tables(text, sentence):
    with pytest.raises(InputError) as caught:
        split(text)
    assert str(caught.value) == sentence


def test_unknown_columns_that_resemble_nothing_are_kept():
    assert split("azimuth_deg,elevation_deg,weather\n1,2,rain").rows[0].cells["weather"] == "rain"

"""Text files, numbers and columns as people type them."""

import os

import pytest

from skysill.errors import InputError
from skysill.io.text import check_file, nearest, printable, quoted, read_number, read_text


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
    with pytest.raises(InputError, match=r"t.csv, row 2: is not text: it holds the control character 00."):
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


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_utf_16_with_a_byte_order_mark_is_read(tmp_path, encoding):
    mark = "" if encoding == "utf-16" else "\ufeff"
    (tmp_path / "t").write_bytes(f"{mark}Björk\r\n".encode(encoding))
    assert read_text(tmp_path / "t") == "Björk\n"


def test_utf_16_cut_in_the_middle_of_a_letter_is_refused(tmp_path):
    (tmp_path / "t").write_bytes("abc".encode("utf-16")[:-1])
    with pytest.raises(InputError, match="begins as UTF-16 text and is none"):
        read_text(tmp_path / "t")


@pytest.mark.parametrize("letter", ["\x1b", "\x9b", "\x7f", "\b"])
def test_characters_that_control_a_terminal_are_no_text(tmp_path, letter):
    (tmp_path / "t").write_text(f"a\r\nb{letter}[2J\n", encoding="utf-8", newline="")
    with pytest.raises(InputError, match=r"row 2: is not text: it holds the control character"):
        read_text(tmp_path / "t")


def test_what_is_shown_controls_no_terminal_and_turns_no_writing():
    assert printable("gable\x1b[31m\u202epole\x9b") == "gable [31m pole "
    assert quoted("a\x1bb") == '"a b"'


@pytest.mark.parametrize(
    "path",
    ["/vsicurl/http://h/x.tif", "/vsizip/a.zip/x", "http://h/x.csv", "file:///etc/passwd", "<GDAL_WMS>"],
)
def test_addresses_of_other_machines_and_virtual_files_are_refused(path):
    with pytest.raises(InputError, match="is no file of this machine"):
        check_file(path)


def test_devices_and_pipes_are_refused_without_opening_them(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", "/dev/zero", "/dev/stdin"):
        with pytest.raises(InputError, match=r"is a device or a pipe|there is no such file"):
            read_text(path)


def test_files_over_the_limit_are_refused_before_they_are_read(tmp_path):
    with open(tmp_path / "big", "wb") as stream:
        stream.truncate(200_000_001)
    with pytest.raises(InputError, match="is 200 MB; files of this kind may have up to 200 MB"):
        read_text(tmp_path / "big")

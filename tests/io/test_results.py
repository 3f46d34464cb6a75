"""Plain dictionaries, JSON text, and files written whole or not at all."""

import datetime as dt
import json
import os
import stat
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from skysill.errors import InputError
from skysill.io.results import check_writable, plain, to_json_text, write_together, write_whole


@dataclass(frozen=True)
class Inner:
    margin_deg: float
    name: str


@dataclass(frozen=True)
class Outer:
    zeta: Inner
    alpha: tuple[Inner, ...]
    picture: object = field(default=None, metadata={"json": False})
    time_utc: str | None = field(default=None, metadata={"json": "given"})


def test_dataclasses_become_dictionaries_in_the_order_of_their_fields():
    made = plain(Outer(Inner(1.5, "a"), (Inner(2.5, "b"),), picture=object()))
    assert list(made) == ["zeta", "alpha"]
    assert made == {"zeta": {"margin_deg": 1.5, "name": "a"}, "alpha": [{"margin_deg": 2.5, "name": "b"}]}


@pytest.mark.parametrize(
    "absent", [float("nan"), float("inf"), -float("inf"), np.float32("nan"), np.float64("inf")]
)
def test_what_is_no_number_is_null(absent):
    assert plain(absent) is None
    assert json.loads(to_json_text([absent, {"x": absent}])) == [None, {"x": None}]


def test_array_scalars_and_arrays_become_python_numbers():
    made = plain(
        {"f": np.float32(0.5), "i": np.int64(3), "b": np.bool_(True), "a": np.array([[1.0, np.nan]])}
    )
    assert made == {"f": 0.5, "i": 3, "b": True, "a": [[1.0, None]]}
    assert [type(made[key]) for key in "fib"] == [float, int, bool]


def test_dates_and_times_are_iso_8601():
    """ISO 8601-1:2019, calendar date and date-time in extended format."""
    moment = dt.datetime(2026, 6, 14, 12, 30, tzinfo=dt.UTC)
    assert plain([dt.date(2026, 6, 14), moment]) == ["2026-06-14", "2026-06-14T12:30:00+00:00"]


def test_numbers_keep_every_digit_and_text_its_letters():
    text = to_json_text({"x": 0.1 + 0.2, "name": "Skerrow Öst"})
    assert json.loads(text)["x"] == 0.1 + 0.2
    assert "Öst" in text


def test_a_thing_without_a_plain_form_fails_loudly():
    with pytest.raises(TypeError, match="object has no plain form"):
        plain(object())


def test_a_file_arrives_whole(tmp_path):
    place = tmp_path / "out.csv"
    assert write_whole(place, "a,ö\n") == place
    assert place.read_bytes() == "a,ö\n".encode()
    assert os.listdir(tmp_path) == ["out.csv"]


def test_new_files_obey_the_users_mask(tmp_path):
    before = os.umask(0o027)
    try:
        write_whole(tmp_path / "out", b"x")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o640


def test_a_writer_that_fails_leaves_the_old_file_and_no_part(tmp_path):
    place = tmp_path / "out.txt"
    place.write_text("old")

    def breaks(path: Path) -> None:
        path.write_text("half")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_whole(place, breaks)
    assert place.read_text() == "old"
    assert os.listdir(tmp_path) == ["out.txt"]


def test_a_writer_is_given_a_path_of_the_same_suffix(tmp_path):
    seen = []
    write_whole(tmp_path / "sky.svg", lambda path: seen.append(path) or path.write_text("<svg/>"))
    assert seen[0].suffix == ".svg"
    assert seen[0].parent == tmp_path


def test_several_files_come_together_or_not_at_all(tmp_path):
    def breaks(path: Path) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_together([(tmp_path / "a", b"1"), (tmp_path / "b", breaks)])
    assert os.listdir(tmp_path) == []


def test_missing_folder_is_refused_in_words(tmp_path):
    with pytest.raises(InputError, match=r'none/sky.svg: the folder ".*none" does not exist. Make it first.'):
        write_whole(tmp_path / "none" / "sky.svg", b"")


def test_folder_in_place_of_a_file_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"is a folder, not a file. Give the name of a file to write."):
        check_writable(tmp_path)


def test_file_in_place_of_a_folder_is_refused(tmp_path):
    (tmp_path / "f").write_text("")
    with pytest.raises(InputError, match='f" is not a folder'):
        write_whole(tmp_path / "f" / "g", b"")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no always-full device")
def test_full_disk_is_said_in_words():
    with pytest.raises(InputError, match=r"/dev/full: cannot be written \(No space left on device\)"):
        write_whole("/dev/full", b"x" * 10)


@pytest.mark.skipif(not os.path.exists("/dev/null"), reason="this system has no null device")
def test_a_device_is_written_to_and_never_replaced():
    write_whole("/dev/null", b"x")
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


def test_a_link_is_followed_and_stays_a_link(tmp_path):
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to("real")
    write_whole(tmp_path / "link", b"new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"

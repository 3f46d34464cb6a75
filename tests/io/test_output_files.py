"""Files are written whole or not at all."""

import os
import stat
from pathlib import Path

import pytest

from skysill.errors import InputError
from skysill.io.output_files import check_writable, write_together, write_whole


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

"""The folder of finished parts: its own output's, with what a run put there, from inputs still the same."""

import os

import pytest

from skysill.errors import InputError
from skysill.io.checkpoints import Checkpoints, file_states


@pytest.fixture
def source(tmp_path):
    path = tmp_path / "in.csv"
    path.write_text("id\n1\n")
    return path


def begun(tmp_path, source, *, resume=False, out="out.csv", part=b"answer"):
    parts = Checkpoints(tmp_path / out, {"files": file_states(source)})
    note = parts.begin(resume=resume)
    if part is not None:
        parts.put(0, part)
    parts.close()
    return parts, note


def test_parts_are_gone_on_with(tmp_path, source):
    begun(tmp_path, source)
    parts, note = begun(tmp_path, source, resume=True, part=None)
    assert note == "Going on with 1 finished parts."
    assert parts.get(0) == b"answer"
    parts.remove()
    assert sorted(one.name for one in tmp_path.iterdir()) == ["in.csv"]


def test_a_folder_of_somebody_elses_is_left_alone(tmp_path, source):
    folder = tmp_path / "out.csv.parts"
    folder.mkdir()
    (folder / "thesis.txt").write_text("years of work")
    for resume in (False, True):
        with pytest.raises(InputError, match=r'out.csv.parts: holds "thesis.txt", which no run put there'):
            begun(tmp_path, source, resume=resume)
    assert [one.name for one in folder.iterdir()] == ["thesis.txt"]
    (folder / "thesis.txt").unlink()
    (folder / "000000.part").write_text("another program's")
    with pytest.raises(InputError, match="was not made by a run for this output"):
        begun(tmp_path, source)
    assert (folder / "000000.part").read_text() == "another program's"


def test_parts_of_another_output_are_not_this_ones(tmp_path, source):
    begun(tmp_path, source, out="other.csv")
    (tmp_path / "other.csv.parts").rename(tmp_path / "out.csv.parts")
    with pytest.raises(InputError, match="was not made by a run for this output"):
        begun(tmp_path, source, resume=True)


def test_a_link_is_no_folder_of_parts(tmp_path, source):
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious" / "a").write_text("a")
    (tmp_path / "out.csv.parts").symlink_to(tmp_path / "precious")
    with pytest.raises(InputError, match="is a link"):
        begun(tmp_path, source)
    assert (tmp_path / "precious" / "a").exists()


def test_removing_the_parts_removes_nothing_else(tmp_path, source):
    parts, _ = begun(tmp_path, source)
    (parts.folder / "notes.txt").write_text("put there while the run was going")
    parts.remove()
    assert [one.name for one in parts.folder.iterdir()] == ["notes.txt"]


def test_a_changed_input_of_the_same_size_and_time_is_noticed(tmp_path, source):
    begun(tmp_path, source)
    stat = source.stat()
    source.write_text("id\n2\n")
    os.utime(source, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert file_states(source) == file_states(source)
    with pytest.raises(InputError, match=r'in.csv" has changed since the run that is to be resumed'):
        begun(tmp_path, source, resume=True)


def test_parts_made_from_contents_that_nobody_noted_are_not_used(tmp_path, source):
    parts, _ = begun(tmp_path, source)
    (parts.folder / "contents.json").unlink()
    parts, _ = begun(tmp_path, source, resume=True, part=None)
    assert parts.get(0) is None

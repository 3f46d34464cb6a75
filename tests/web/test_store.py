"""The folder as a store: nothing is lost or half-written, whoever writes, whatever breaks."""

import errno
import os
import subprocess
import sys
import threading
import tomllib

import pytest

from skysill.errors import InputError
from skysill.io.site_store import NEW_FILE, RevisionConflictError, SiteMissingError, SiteStore

TEXT = 'name = "Croft"\nposition = "58.0195 N 24.6699 W"\n'


@pytest.fixture
def store(tmp_path):
    (tmp_path / "croft.toml").write_text(TEXT)
    return SiteStore(tmp_path)


def names(store):
    return sorted(os.listdir(store.folder))


def test_of_many_writers_of_one_revision_exactly_one_succeeds(store):
    revision, outcomes = store.read("croft").revision, []
    gate = threading.Barrier(8)

    def write(number):
        gate.wait()
        try:
            store.write("croft", f"{TEXT}# {number}\n", revision=revision)
            outcomes.append(number)
        except RevisionConflictError:
            outcomes.append(None)

    writers = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    (winner,) = (number for number in outcomes if number is not None)
    assert store.read("croft").text == f"{TEXT}# {winner}\n"
    assert names(store) == ["croft.toml"]


def test_two_stores_on_one_folder_see_each_other(store):
    other = SiteStore(store.folder)
    read = other.read("croft")
    store.write("croft", f"{TEXT}# mine\n", revision=read.revision)
    with pytest.raises(RevisionConflictError) as conflict:
        other.write("croft", f"{TEXT}# theirs\n", revision=read.revision)
    assert conflict.value.text == f"{TEXT}# mine\n"


def test_a_new_site_never_replaces_one(store):
    with pytest.raises(RevisionConflictError):
        store.write("croft", TEXT, revision=NEW_FILE)
    assert store.name_for("Croft") == "croft-2"


def test_a_site_that_is_gone_is_a_conflict(store):
    read = store.read("croft")
    read.path.unlink()
    with pytest.raises(RevisionConflictError, match="is gone"):
        store.write("croft", TEXT, revision=read.revision)
    assert names(store) == []


@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_a_full_disk_leaves_the_old_file_and_nothing_beside_it(store, monkeypatch, where):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    read = store.read("croft")
    with monkeypatch.context() as patched:
        patched.setattr(os, where, full)
        with pytest.raises(InputError, match="cannot be written"):
            store.write("croft", f"{TEXT}# new\n", revision=read.revision)
    assert store.read("croft") == read
    assert names(store) == ["croft.toml"]


KILLED = """
import os, signal, sys
from skysill.io.site_store import SiteStore
store = SiteStore(sys.argv[1])
read = store.read("croft")
setattr(os, sys.argv[2], lambda *_: os.kill(os.getpid(), signal.SIGKILL))
store.write("croft", read.text + "# new\\n", revision=read.revision)
"""


@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_a_server_killed_while_it_saves_leaves_the_old_file_and_can_start_again(store, where):
    done = subprocess.run([sys.executable, "-c", KILLED, str(store.folder), where], check=False)
    assert done.returncode < 0
    assert store.read("croft").text == TEXT
    assert [entry.name for entry in store.sites()] == ["croft"]  # the part that is left over is no site
    store.write("croft", f"{TEXT}# next\n", revision=store.read("croft").revision)
    assert store.read("croft").text == f"{TEXT}# next\n"


WRITING = """
import sys
from skysill.io.site_store import SiteStore
store = SiteStore(sys.argv[1])
for number in range(10**9):
    read = store.read("croft")
    text = f'name = "{"x" * (1 + number % 977)}"\\nposition = "58.0195 N 24.6699 W"\\n# end\\n'
    store.write("croft", text, revision=read.revision)
    print(number, flush=True)
"""


def test_a_server_killed_at_any_moment_leaves_a_whole_file(store):
    for _ in range(3):
        with subprocess.Popen(
            [sys.executable, "-c", WRITING, str(store.folder)], stdout=subprocess.PIPE, text=True
        ) as writer:
            for _ in range(12):
                writer.stdout.readline()
            writer.kill()
        text = store.read("croft").text
        assert text.endswith("# end\n")
        assert tomllib.loads(text)["position"] == "58.0195 N 24.6699 W"


def test_permissions_stay(store):
    read = store.read("croft")
    read.path.chmod(0o640)
    store.write("croft", f"{TEXT}#\n", revision=read.revision)
    assert read.path.stat().st_mode & 0o777 == 0o640


def test_folders_one_level_down_hold_sites_links_do_not(store, tmp_path_factory):
    (store.folder / "found").mkdir()
    (store.folder / "found" / "site.toml").write_text(TEXT)
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (elsewhere / "secret.toml").write_text(TEXT)
    (store.folder / "linked").symlink_to(elsewhere)
    (store.folder / "linked.toml").symlink_to(elsewhere / "secret.toml")
    assert [entry.name for entry in store.sites()] == ["croft", "found~site"]
    assert store.read("found~site").text == TEXT
    for name in ("linked", "linked~secret", "found~..", "..~x"):
        with pytest.raises(SiteMissingError):
            store.read(name)


def test_a_file_that_is_not_toml_is_listed_with_its_fault(store):
    (store.folder / "broken.toml").write_text("name = \n")
    (store.folder / "binary.toml").write_bytes(b"\xff\xfe\x00")
    faults = {entry.name: entry.fault for entry in store.sites()}
    assert faults["croft"] is None
    assert faults["broken"].startswith("is not TOML")
    assert faults["binary"] == "is not text in UTF-8."


def test_the_list_is_that_of_the_files_as_they_are_now(store):
    assert [entry.title for entry in store.sites()] == ["Croft"]
    (store.folder / "croft.toml").write_text(TEXT.replace("Croft", "Upper Croft"))
    (store.folder / "barn.toml").write_text(TEXT.replace("Croft", "Barn"))
    assert [entry.title for entry in store.sites()] == ["Barn", "Upper Croft"]
    (store.folder / "barn.toml").unlink()
    assert [entry.title for entry in store.sites()] == ["Upper Croft"]


def test_a_list_of_many_sites_reads_each_once(store, monkeypatch):
    from skysill.io import site_store

    for number in range(20):
        (store.folder / f"site-{number}.toml").write_text(TEXT)
    read, original = [], site_store.read_bytes
    monkeypatch.setattr(
        site_store, "read_bytes", lambda path, **more: read.append(path) or original(path, **more)
    )
    first = store.sites()
    assert len(read) == 21
    assert store.sites() == first
    assert len(read) == 21

"""Blocks kept on this machine: checksums, limit, several processes, the folder and its clearing."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from skysill.errors import InputError
from skysill.io.elevation.block_cache import (
    BLOCK_BYTES,
    BlockCache,
    cache_folder,
    cache_limit_bytes,
    cached_sources,
    clear_cache,
    trim_cache,
)

VERSION, OTHER = b"v" * 16, b"w" * 16
PLENTY = 10**9


def cache(folder, address="https://a.org/x.tif", limit=PLENTY):
    return BlockCache(folder, address, limit_bytes=limit)


def test_the_folder_is_where_the_environment_says(monkeypatch, tmp_path):
    """XDG Base Directory Specification 0.8: XDG_CACHE_HOME, an absolute path; else ~/.cache."""
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert cache_folder({}) == tmp_path / ".cache" / "skysill"
    assert cache_folder({"XDG_CACHE_HOME": "/var/x"}) == Path("/var/x/skysill")
    assert cache_folder({"XDG_CACHE_HOME": "x"}) == tmp_path / ".cache" / "skysill"
    assert cache_folder({"XDG_CACHE_HOME": "/var/x", "SKYSILL_CACHE": "/var/y"}) == Path("/var/y")


def test_the_limit_is_what_the_environment_says():
    assert (cache_limit_bytes({}), cache_limit_bytes({"SKYSILL_CACHE_MB": "12,5"})) == (
        2_000_000_000,
        12_500_000,
    )
    for bad in ("much", "-1", "nan"):
        with pytest.raises(InputError, match="SKYSILL_CACHE_MB: "):
            cache_limit_bytes({"SKYSILL_CACHE_MB": bad})


def test_what_was_put_is_got_and_nothing_of_another_version(tmp_path):
    one = cache(tmp_path)
    one.put_about({"size_bytes": 5})
    one.put(7, VERSION, b"bytes")
    assert one.get(7, VERSION) == b"bytes"
    assert one.get(7, OTHER) is None
    assert one.get(8, VERSION) is None
    assert cache(tmp_path, "https://a.org/y.tif").get(7, VERSION) is None
    assert cache(tmp_path).about()["size_bytes"] == 5


@pytest.mark.parametrize("damage", ["a byte", "cut", "longer", "empty"])
def test_a_damaged_block_counts_as_missing(tmp_path, damage):
    one = cache(tmp_path)
    one.put(0, VERSION, bytes(1000))
    path = next(tmp_path.rglob("*.block"))
    raw = bytearray(path.read_bytes())
    if damage == "a byte":
        raw[-400] ^= 1
    path.write_bytes({"cut": raw[:-1], "longer": raw + b"x", "empty": b""}.get(damage, bytes(raw)))
    assert one.get(0, VERSION) is None


def test_damaged_words_about_a_file_count_as_missing(tmp_path):
    one = cache(tmp_path)
    one.put_about({"size_bytes": 5})
    path = next(tmp_path.rglob("about.json"))
    good = path.read_text()
    for bad in (good.replace('"size_bytes": 5', '"size_bytes": 6'), good[:-5], "[]", "null", ""):
        path.write_text(bad)
        assert one.about() is None
    path.write_text(good)
    assert one.about() is not None


def test_what_was_used_longest_ago_goes_first(tmp_path):
    one = cache(tmp_path)
    one.put_about({"size_bytes": 10 * BLOCK_BYTES})
    for number in range(10):
        one.put(number, VERSION, bytes(BLOCK_BYTES))
        path = one.folder / f"{number:012d}.block"
        os.utime(path, (1e9 + number, 1e9 + number))
    assert one.get(0, VERSION) is not None  # used now
    assert trim_cache(tmp_path, 5 * BLOCK_BYTES) > 0
    left = {number for number in range(10) if one.get(number, VERSION) is not None}
    assert left == {0, 7, 8, 9}  # nine tenths of five blocks, heads included
    assert one.about() is not None
    assert trim_cache(tmp_path, 5 * BLOCK_BYTES) == 0


def test_the_limit_is_held_while_blocks_are_put(tmp_path):
    limit = 40 * BLOCK_BYTES
    one = cache(tmp_path, limit=limit)
    for number in range(200):
        one.put(number, VERSION, bytes(BLOCK_BYTES))
        kept = sum(path.stat().st_size for path in tmp_path.rglob("*.block"))
        assert 0 < kept <= 1.3 * limit  # looked at after each quarter of it
    one.trim()
    assert sum(path.stat().st_size for path in tmp_path.rglob("*.block")) <= limit


def test_a_limit_of_nothing_keeps_nothing(tmp_path):
    one = cache(tmp_path, limit=0)
    one.put_about({"size_bytes": 5})
    one.put(0, VERSION, b"x")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written_is_no_fault(tmp_path):
    (tmp_path / "web").write_text("a file where the folder should be")
    one = cache(tmp_path)
    one.put_about({"size_bytes": 5})
    one.put(0, VERSION, b"x")
    assert (one.get(0, VERSION), one.about(), one.keeps) == (None, None, False)


def test_clearing_removes_what_we_wrote_and_nothing_else(tmp_path):
    one = cache(tmp_path)
    one.put_about({"size_bytes": 5})
    one.put(0, VERSION, b"x")
    mine = [tmp_path / "letters.txt", one.folder / "000000000001.block.bak", tmp_path / "web" / "photo.jpg"]
    for path in mine:
        path.write_text("mine")
    outside = tmp_path.parent / "elsewhere.block"
    outside.write_text("mine")
    (one.folder / "000000000009.block").symlink_to(outside)
    assert clear_cache(tmp_path) > 0
    assert cached_sources(tmp_path)[1] == 0
    assert all(path.read_text() == "mine" for path in [*mine, outside])


def test_the_list_of_sources_says_no_query(tmp_path):
    one = cache(tmp_path, "https://a.org/x.tif?key=secret")
    one.put_about({"size_bytes": 5_000_000})
    one.put(0, VERSION, bytes(1000))
    (found,), total = cached_sources(tmp_path)
    assert (found.address, found.file_bytes, found.blocks) == ("https://a.org/x.tif", 5_000_000, 1)
    assert total == found.kept_bytes > 1000
    assert "secret" not in json.dumps(found.address)
    assert found.fetched[:2] == found.used[:2] == "20"


WRITER = """
import sys
from pathlib import Path
from skysill.io.elevation.block_cache import BlockCache
mine = int(sys.argv[2]).to_bytes(16, "big")
one = BlockCache(Path(sys.argv[1]), "https://a.org/x.tif", limit_bytes=1_000_000)
one.put_about({"size_bytes": int(sys.argv[2])})
for turn in range(6):
    for number in range(30):
        one.put(number, mine, bytes([int(sys.argv[2])]) * 20_000)
        found = one.get(number, mine)
        assert found is None or found == bytes([int(sys.argv[2])]) * 20_000
    one.trim()
"""


def test_two_processes_at_once_see_whole_blocks_of_their_own_version_or_none(tmp_path):
    running = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), str(number)]) for number in (1, 2)
    ]
    assert [one.wait(60) for one in running] == [0, 0]
    assert not list(tmp_path.rglob("*.part"))
    assert sum(path.stat().st_size for path in tmp_path.rglob("*.block")) <= 1_000_000

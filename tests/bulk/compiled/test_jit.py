"""The cache of compiled code: damaged, full, not writable, and used by several processes."""

from __future__ import annotations

import contextlib
import errno
import importlib.util
import sys
import threading

import pytest

numba = pytest.importorskip("numba")

from skysill.bulk.compiled import jit  # noqa: E402
from skysill.io.compiled_loops import one_at_a_time  # noqa: E402

CODE = """
from skysill.bulk.compiled.jit import compiled

@compiled
def triple(number):
    return 3.0 * number
"""


@pytest.fixture
def fresh(tmp_path, monkeypatch):
    """Gives the function as a new process would: compiled, or loaded from the cache beside its file."""
    path = tmp_path / "little.py"
    path.write_text(CODE, encoding="ascii")
    monkeypatch.setattr(jit, "_made", [])

    def load():
        spec = importlib.util.spec_from_file_location("little", path)
        module = importlib.util.module_from_spec(spec)
        monkeypatch.setitem(sys.modules, "little", module)
        spec.loader.exec_module(module)
        assert module.triple(2.0) == 6.0
        return module.triple

    load.folder = tmp_path / "__pycache__"
    return load


def hits(function):
    return sum(function.stats.cache_hits.values())


def test_compiled_code_is_kept_and_loaded(fresh):
    assert hits(fresh()) == 0
    assert hits(fresh()) == 1


@pytest.mark.parametrize("which", ["*.nbi", "*.nbc"])
@pytest.mark.parametrize("kept", [0, 10, 0.5, 0.99])
def test_a_truncated_file_of_the_cache_is_compiled_anew(fresh, which, kept):
    fresh()
    (file,) = fresh.folder.glob(which)
    whole = file.read_bytes()
    file.write_bytes(whole[: int(kept * len(whole)) if isinstance(kept, float) else kept])
    assert hits(fresh()) == 0
    assert hits(fresh()) == 1  # it has been mended


def test_a_full_disk_leaves_the_code_uncached(fresh, monkeypatch):
    def full(self, *_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(numba.core.caching.IndexDataCacheFile, "save", full)
    assert hits(fresh()) == 0
    assert hits(fresh()) == 0


def test_where_no_folder_can_be_written_it_is_compiled_without(fresh, monkeypatch):
    """As in an installation that is read-only, of a user whose home is so too."""
    nowhere = staticmethod(lambda *_: None)
    for locator in numba.core.caching.CacheImpl._locator_classes:
        monkeypatch.setattr(locator, "from_function", nowhere)
    function = fresh()
    assert hits(function) == 0
    assert jit._cache_folder() == ""


def test_the_first_use_says_that_it_compiles_and_loading_does_not(fresh, monkeypatch):
    fresh()
    assert "once for this version; about half a minute" in jit._message(waits=False)
    monkeypatch.setattr(jit, "_made", [])
    fresh()
    assert jit._message(waits=False) == ""


def test_where_every_process_compiles_it_says_so_and_how_to_mend_it(fresh, monkeypatch):
    fresh()
    monkeypatch.setattr(jit, "_cache_folder", lambda: "")
    said = jit._message(waits=False)
    assert "in every process" in said
    assert "NUMBA_CACHE_DIR" in said
    assert said.count("\n") == 1


class _Said:
    """What is written to standard error, and when."""

    def __init__(self):
        self.text, self.written = "", threading.Event()

    def write(self, text):
        self.text += text
        self.written.set()


def test_processes_take_turns(fresh, monkeypatch):
    pytest.importorskip("fcntl")
    fresh()
    monkeypatch.setattr(jit, "_QUIET_S", 0.0)
    monkeypatch.setattr(sys, "stderr", _Said())
    order = []
    with contextlib.ExitStack() as other:
        other.enter_context(one_at_a_time(str(fresh.folder)))
        waiting = threading.Thread(
            target=jit.announced, args=(lambda: order.append("second"),), kwargs={"turn": one_at_a_time}
        )
        waiting.start()
        assert sys.stderr.written.wait(20.0)
        assert "another process compiles" in sys.stderr.text
        order.append("first")
    waiting.join(20.0)
    assert order == ["first", "second"]

"""The compiled loops made ready for work: of processes that start together, one compiles them."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator

__all__ = ["load_bare_loops", "load_compiled_loops", "one_at_a_time"]


def load_compiled_loops() -> None:
    """Load the compiled loops, or compile them, which is said on standard error."""
    from skysill.bulk.compiled.kernel import load

    load(turn=one_at_a_time)


def load_bare_loops() -> None:
    """The same for the loops over a bare raster alone, which is made up of those and some more."""
    from skysill.bulk.compiled.bare_places import load

    load(turn=one_at_a_time)


@contextlib.contextmanager
def one_at_a_time(folder: str) -> Iterator[None]:
    """Hold a lock on a folder, where the system has such locks. It ends with the process; an empty name: no lock."""
    try:
        import fcntl

        held = os.open(os.path.join(folder, "skysill.lock"), os.O_CREAT | os.O_RDWR, 0o644) if folder else -1
    except (ImportError, OSError):
        held = -1
    if held < 0:
        yield
        return
    try:
        with contextlib.suppress(OSError):
            fcntl.flock(held, fcntl.LOCK_EX)
        yield
    finally:
        os.close(held)

"""Compilation of loops by numba. Only modules of this package import it, and only once `available` says so."""

from __future__ import annotations

import contextlib
import hashlib
import sys
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from importlib.util import find_spec
from typing import Any, TypeVar, cast

__all__ = [
    "HOW_TO_GET",
    "announced",
    "available",
    "compiled",
    "compiled_loosely",
    "in_place",
    "in_place_loosely",
]

HOW_TO_GET = 'Addresses over fine surfaces go faster with compiled loops: pip install "skysill[fast]".'
"""What is said where numba is not installed and it would help."""

_COMPILES = "skysill: compiling loops, once for this version; about half a minute.\n"
_COMPILES_EACH = (
    "skysill: compiling loops, about half a minute in every process: neither the package's folder nor the user's cache "
    "folder can be written. Set NUMBA_CACHE_DIR to a folder that can.\n"
)
_WAITS = "skysill: another process compiles loops, once for this version; waiting for it.\n"
_QUIET_S = 3.0
"""Loading compiled code from the cache takes less."""

Function = TypeVar("Function", bound=Callable[..., Any])


def available() -> bool:
    """Whether numba is installed; it is not imported."""
    return find_spec("numba") is not None


def compiled(function: Function) -> Function:
    """A function compiled at its first call, and kept in the package's cache or else in the user's.

    Where neither folder can be written, it is compiled anew by every process.
    """
    return _compiled(function, fastmath=False)


def compiled_loosely(function: Function) -> Function:
    """The same for loops over Monte Carlo samples, whose sums may be reordered so that several run at once."""
    return _compiled(function, fastmath=_LOOSE)


def in_place(function: Function) -> Function:
    """A short function that is copied to wherever it is called."""
    return _compiled(function, fastmath=False, inline="always")


def in_place_loosely(function: Function) -> Function:
    """The same for loops over Monte Carlo samples, which can only be vectorized if they call nothing."""
    return _compiled(function, fastmath=_LOOSE, inline="always")


_LOOSE = {"contract", "reassoc", "nsz", "arcp", "nnan"}


def _compiled(function: Function, **options: Any) -> Function:
    import numba

    # numba looks only at the file of the function itself to see whether cached code is out of date: the name carries
    # a checksum of all code that it is made of
    digest = _digest(function)
    function.__qualname__ = f"{function.__qualname__}_{digest}"
    # division by zero gives inf as NumPy does; a loop that checked every divisor would be slower
    try:
        made = numba.njit(cache=True, error_model="numpy", **options)(function)
        _tolerate_damage(made._cache)
    except RuntimeError:  # numba finds no folder that it can write
        made = numba.njit(error_model="numpy", **options)(function)
    _made.append(made)
    _digests[function.__module__, function.__name__] = digest
    return cast(Function, made)


_digests: dict[tuple[str, str], str] = {}
"""Checksums of the functions compiled so far, by module and name; those that a function calls come before it."""


_made: list[Any] = []
"""The functions compiled so far, as numba holds them."""


def _tolerate_damage(cache: Any) -> None:
    """Compile anew where a file of the cache is damaged, and go on where it cannot be written (a full disk)."""
    load, save = cache.load_overload, cache.save_overload

    def load_overload(signature: Any, context: Any) -> Any:
        try:
            return load(signature, context)
        except Exception:  # what a damaged pickle raises depends on where it is damaged
            with contextlib.suppress(OSError):
                cache.flush()
            return None

    def save_overload(signature: Any, data: Any) -> None:
        with contextlib.suppress(OSError):
            save(signature, data)

    cache.load_overload, cache.save_overload = load_overload, save_overload


def _digest(function: Callable[..., object]) -> str:
    """Checksum of the code of a function, of the constants it uses and of the compiled functions that it calls."""
    code = function.__code__
    parts = [code.co_code.hex(), repr(code.co_consts), repr(code.co_names), repr(function.__defaults__)]
    for name in code.co_names:
        value = function.__globals__.get(name)
        called = (getattr(value, "__module__", ""), getattr(value, "__name__", ""))
        if called in _digests:
            parts.append(_digests[called])
        elif isinstance(value, bool | int | float | tuple):
            parts.append(repr(value))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


def announced(
    load: Callable[[], None], *, turn: Callable[[str], AbstractContextManager[Any]] = nullcontext
) -> None:
    """Load or compile functions; says on standard error that it compiles where that takes a while.

    turn : gives what is entered before, with the folder of the compiled code, so that of processes that start together
        one compiles and the others load what it has compiled
    """
    begun = threading.Event()

    timer = threading.Timer(_QUIET_S, lambda: sys.stderr.write(_message(waits=not begun.is_set())))
    timer.daemon = True
    timer.start()
    try:
        with turn(_cache_folder()):
            begun.set()
            load()
    finally:
        timer.cancel()


def _message(*, waits: bool) -> str:
    """What to say where loading takes a while; waits : for another process."""
    if waits:
        return _WAITS
    if not any(made.stats.cache_misses for made in _made):
        return ""
    return _COMPILES if _cache_folder() else _COMPILES_EACH


def _cache_folder() -> str:
    """The folder of the compiled code; empty: there is none that can be written."""
    return next((str(made._cache.cache_path) for made in _made if made._cache.cache_path), "")

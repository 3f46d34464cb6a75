"""The compiled loops as plain Python, without numba: copies of their modules, made with a jit that compiles nothing.

A changed sign in them is then seen in seconds: compiling anew takes half a minute. NumPy's numbers behave as the
compiled ones do where the loops divide by zero.
"""

from __future__ import annotations

import importlib
import sys
from functools import lru_cache
from types import ModuleType, SimpleNamespace

PACKAGE = "skysill.bulk.compiled"
DECORATORS = ("compiled", "compiled_loosely", "in_place", "in_place_loosely")


def _taken_out() -> dict[str, ModuleType]:
    """The modules of the package, removed from those that Python knows; the package itself stays."""
    return {name: sys.modules.pop(name) for name in list(sys.modules) if name.startswith(f"{PACKAGE}.")}


@lru_cache(maxsize=1)
def plain_loops() -> SimpleNamespace:
    """The modules by their names: kernel, placed, raster_stack, ...; those that Python knows stay as they are."""
    package = importlib.import_module(PACKAGE)
    kept, names = _taken_out(), dict(vars(package))
    try:
        jit = importlib.import_module(f"{PACKAGE}.jit")
        for decorator in DECORATORS:
            setattr(jit, decorator, lambda function: function)
        for module in ("verdicts", "standing_off", "bare_places"):
            importlib.import_module(f"{PACKAGE}.{module}")
        made = _taken_out()
    finally:
        _taken_out()
        vars(package).clear()
        vars(package).update(names)
        sys.modules.update(kept)
    return SimpleNamespace(**{name.rsplit(".", 1)[1]: module for name, module in made.items()})

"""Will a small satellite dish see its satellite from this spot?

The public shelf: names in the order the data walks. Each is fetched from its room when first asked for, so
that ``import skysill`` loads nothing heavy.

>>> "assess" in dir(__import__("skysill"))
True
"""

from __future__ import annotations

import sys

_SHELF = {
    "InputError": "errors",
    "SkysillError": "errors",
    "parse_position": "positions",
    "Criteria": "site",
    "Mount": "site",
    "Satellite": "site",
    "Site": "site",
    "Terminal": "site",
    "look_vector": "look",
    "Job": "job",
    "Sources": "job",
    "Assessment": "assess",
    "assess": "assess",
    "check": "remedies",
    "RasterSpec": "files.rasters",
    "open_rasters": "files.rasters",
    "read_site_file": "files.sitefile",
}

__all__ = [*_SHELF, "__version__"]  # noqa: PLE0604  # names of the table above


def __getattr__(name: str) -> object:
    if name == "__version__":
        from importlib.metadata import version

        globals()[name] = version("skysill")  # found once
        return globals()[name]
    if name not in _SHELF:
        raise AttributeError(f"skysill has no {name}")
    from importlib import import_module

    return getattr(import_module(f"skysill.{_SHELF[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Shelf(type(sys)):  # type: ignore[misc]  # the class of all modules
    """Keeps a name on the shelf from being covered by the room of the same name, once that is imported."""

    def __setattr__(self, name: str, value: object) -> None:
        if not (name in _SHELF and isinstance(value, type(sys))):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Shelf

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
    "parse_position": "geodesy.positions",
    "Criteria": "model.site",
    "Mount": "model.site",
    "Satellite": "model.site",
    "Site": "model.site",
    "Terminal": "model.site",
    "look_vector": "pointing.look_vector",
    "Job": "model.job",
    "Sources": "model.job",
    "Assessment": "assessment.pipeline",
    "assess": "assessment.pipeline",
    "check": "remedies.search",
    "RasterSpec": "io.rasters",
    "open_rasters": "io.rasters",
    "read_site_file": "io.site_file",
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

"""Will a small satellite dish see its satellite from this spot?

The public shelf: names in the order the data walks. Each is fetched from its room when first asked for, so
that ``import skysill`` loads nothing heavy.

>>> "assess" in dir(__import__("skysill"))
True
"""

from __future__ import annotations

_SHELF = {
    "InputError": "errors",
    "SkysillError": "errors",
    "Criteria": "site",
    "Mount": "site",
    "Satellite": "site",
    "Site": "site",
    "Terminal": "site",
    "Assessment": "assess",
    "Job": "assess",
    "Sources": "assess",
    "assess": "assess",
}

__all__ = [*_SHELF, "__version__"]  # noqa: PLE0604  # names of the table above


def __getattr__(name: str) -> object:
    if name == "__version__":
        from importlib.metadata import version

        return version("skysill")
    if name not in _SHELF:
        raise AttributeError(f"skysill has no {name}")
    from importlib import import_module

    return getattr(import_module(f"skysill.{_SHELF[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

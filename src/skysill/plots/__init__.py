"""Pictures: functions that draw on Axes and return what they drew.

Each takes matplotlib axes that have their place in a figure, and results; it computes none of them, opens no window and
writes no file. `new_figure` makes a figure, `save` writes one.

>>> import skysill
>>> from skysill import plots
>>> job = skysill.read_site_file("demo_terrain/byre.toml")
>>> assessment = skysill.assess(job, job.mounts[0])
>>> figure = plots.new_figure(5.6, 5.6)
>>> drawn = plots.draw_sky(figure.add_axes((0.05, 0.05, 0.9, 0.9)), assessment)
>>> [mark.get_marker() for mark in drawn.satellites]
['^', '^', '^']
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from skysill.plots.dish_tilt import DishTiltArtists, draw_dish_tilt
    from skysill.plots.path_profile import PathProfileArtists, draw_path_profile
    from skysill.plots.plan_roof import draw_roof
    from skysill.plots.plan_surroundings import draw_plan
    from skysill.plots.plan_symbols import PlanArtists
    from skysill.plots.screening_map import VerdictMapArtists, draw_verdict_map
    from skysill.plots.sky_view import SkyArtists, draw_sky
    from skysill.plots.strip import StripArtists, draw_strip
    from skysill.plots.sun_path import SunCrossingsArtists, SunPathArtists, draw_sun_crossings, draw_sun_path
    from skysill.plots.theme import PRINT_THEME, THEME, Theme, new_figure, save

__all__ = [
    "PRINT_THEME",
    "THEME",
    "DishTiltArtists",
    "PathProfileArtists",
    "PlanArtists",
    "SkyArtists",
    "StripArtists",
    "SunCrossingsArtists",
    "SunPathArtists",
    "Theme",
    "VerdictMapArtists",
    "draw_dish_tilt",
    "draw_path_profile",
    "draw_plan",
    "draw_roof",
    "draw_sky",
    "draw_strip",
    "draw_sun_crossings",
    "draw_sun_path",
    "draw_verdict_map",
    "new_figure",
    "save",
]

_MODULES = {
    "dish_tilt": ("DishTiltArtists", "draw_dish_tilt"),
    "path_profile": ("PathProfileArtists", "draw_path_profile"),
    "plan_roof": ("draw_roof",),
    "plan_surroundings": ("draw_plan",),
    "plan_symbols": ("PlanArtists",),
    "screening_map": ("VerdictMapArtists", "draw_verdict_map"),
    "sky_view": ("SkyArtists", "draw_sky"),
    "strip": ("StripArtists", "draw_strip"),
    "sun_path": ("SunCrossingsArtists", "SunPathArtists", "draw_sun_crossings", "draw_sun_path"),
    "theme": ("PRINT_THEME", "THEME", "Theme", "new_figure", "save"),
}
"""Modules of the public names, imported when a name is first used."""


if not TYPE_CHECKING:  # a checker that saw this function would take every misspelt name for an object

    def __getattr__(name: str) -> object:
        for module, names in _MODULES.items():
            if name in names:
                from importlib import import_module

                return getattr(import_module(f"skysill.plots.{module}"), name)
        raise AttributeError(f"skysill.plots has no {name}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

"""The plan of a property: its surroundings and its roof on one sheet, both north up with a scale."""

from __future__ import annotations

from os import PathLike

import numpy as np
from matplotlib.figure import Figure

from skysill.assessment.overhead_lines import lines_listed
from skysill.plots.captions import add_legend, add_title, title_height_in
from skysill.plots.plan_roof import draw_roof, mast_handles, roof_extent
from skysill.plots.plan_surroundings import draw_plan
from skysill.plots.theme import (
    THEME,
    Theme,
    fixed_settings,
    new_figure,
    save,
)
from skysill.siting.mount_rows import MountsFound

__all__ = ["plan_figure", "write_plan"]

_LEFT_IN = 0.12


def plan_figure(found: MountsFound, *, theme: Theme = THEME) -> Figure:
    """The whole figure: title, surroundings, roof, legend."""
    wide_in = theme.width_in - 2 * _LEFT_IN
    span = np.diff(roof_extent(found), axis=0)[0] + 4.4
    roof_in = wide_in * float(np.clip(span[1] / span.max(), 0.45, 1.0))
    key_in, gap_in, lines = 0.84, 0.24, _title_lines(found)
    height_in = 0.20 + title_height_in(lines, theme=theme) + wide_in * 0.9 + roof_in + 2 * gap_in + key_in
    figure = new_figure(theme.width_in, height_in)
    at_in = 0.12 + add_title(figure, lines, theme=theme)
    for panel_in, label in ((wide_in * 0.9, "the surroundings"), (roof_in, "the roof")):
        bottom = 1.0 - (at_in + panel_in) / height_in
        place = (_LEFT_IN / theme.width_in, bottom, wide_in / theme.width_in, panel_in / height_in)
        ax = figure.add_axes(place, label=label)
        if label == "the roof":
            draw_roof(ax, found, theme=theme)
        else:
            draw_plan(ax, found, theme=theme)
        at_in += panel_in + gap_in
    add_legend(figure, mast_handles(theme), at_in - gap_in / 2 + key_in / 2, columns=4, theme=theme)
    return figure


def _title_lines(found: MountsFound) -> list[str]:
    assert found.job is not None
    best = found.mounts[0]
    cable = "" if best.cable_run_m is None else f", cable {best.cable_run_m:.1f} m"
    return [
        f"{found.job.site.name}: where the dish may stand",
        f"For {found.satellite}",
        f"Best: {best.name}, dish {round(best.height_m, 2):g} m up: {best.verdict}{cable}",
        "Above: ≤ how tall things in the grey strips may be, over the ground",
        "Below: least mast with the room; the best, sure as well, numbered",
        _safety_text(found),
    ]


def _safety_text(found: MountsFound) -> str:
    assert found.job is not None
    if not lines_listed(found.job.sources.scene):
        return "No overhead line is listed: look for overhead lines before raising anything"
    return "! and !!: overhead line near; look for others before raising anything"


def write_plan(path: str | PathLike[str], found: MountsFound) -> None:
    """Write the plan as PNG, SVG or PDF by the file's suffix."""
    assert found.job is not None
    with fixed_settings():
        figure = plan_figure(found)
        save(path, figure, title=f"{found.job.site.name}: plan of mounts")

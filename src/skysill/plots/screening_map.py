"""The verdicts of a screened list on a map: one marker for each address."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from skysill.assessment.verdict import RANK
from skysill.plots.theme import THEME, Theme, new_figure, save

__all__ = ["VerdictMapArtists", "draw_verdict_map", "verdict_map_figure", "write_verdict_map"]

_MOST_DOTS = 40_000


@dataclass(frozen=True, slots=True)
class VerdictMapArtists:
    """What was drawn: one collection of dots for each verdict that occurs."""

    dots: dict[str, PathCollection]


def draw_verdict_map(
    ax: Axes, latitude_deg: ArrayLike, longitude_deg: ArrayLike, verdict: ArrayLike, *, theme: Theme = THEME
) -> VerdictMapArtists:
    """Draw a marker for each address at its longitude and latitude, the worse verdicts on top.

    Parameters
    ----------
    ax : limits are set here by the data; the legend is left to the caller
    latitude_deg, longitude_deg : (n,) float
    verdict : (n,) int, rank of each verdict (skysill.assessment.verdict.RANK)
    theme : colours, styles and letter sizes

    Returns
    -------
    VerdictMapArtists

    Notes
    -----
    Of more than 40 000 addresses every k-th is drawn; the legend counts them all.

    >>> from skysill.plots import draw_verdict_map, new_figure
    >>> ax = new_figure(5.6, 5.0).add_axes((0.15, 0.15, 0.8, 0.8))
    >>> drawn = draw_verdict_map(ax, [58.03, 58.04], [-24.66, -24.65], [0, 4])
    >>> list(drawn.dots)
    ['clear', 'blocked']
    """
    latitude, longitude, rank = (np.asarray(part) for part in (latitude_deg, longitude_deg, verdict))
    step = max(1, -(-latitude.size // _MOST_DOTS))
    size = float(np.clip(8_000.0 / max(latitude.size, 1), 1.5, 36.0))
    dots = {}
    for name, number in RANK.items():
        here = np.flatnonzero(rank == number)
        if not here.size:
            continue
        shown, style = here[::step], theme.verdicts[name]
        dots[name] = ax.scatter(
            longitude[shown], latitude[shown], s=size, marker=style.marker, color=style.colour, linewidths=0.3,
            edgecolors="black" if size > 8 else "none", label=f"{style.word}: {here.size:,}", zorder=2 + number,
            rasterized=latitude.size > 2_000,
        )  # fmt: skip
    if latitude.size:
        ax.set_aspect(1.0 / max(float(np.cos(np.deg2rad(latitude.mean()))), 0.05))
    ax.set_xlabel("longitude, degrees east")
    ax.set_ylabel("latitude, degrees north")
    ax.ticklabel_format(useOffset=False)
    ax.tick_params(axis="x", labelrotation=30)
    ax.grid(linewidth=0.3, alpha=0.5)
    return VerdictMapArtists(dots)


def verdict_map_figure(
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    verdict: ArrayLike,
    *,
    title: str = "",
    theme: Theme = THEME,
) -> Figure:
    """The map with its legend below it."""
    figure = new_figure(theme.width_in, 6.2)
    ax = figure.add_axes((0.18, 0.3, 0.78, 0.63))
    draw_verdict_map(ax, latitude_deg, longitude_deg, verdict, theme=theme)
    if ax.get_legend_handles_labels()[0]:
        figure.legend(loc="lower left", bbox_to_anchor=(0.04, 0.01), frameon=False, ncols=2)
    ax.set_title(title, loc="left")
    return figure


def write_verdict_map(
    path: str | os.PathLike[str], latitude_deg: ArrayLike, longitude_deg: ArrayLike, verdict: ArrayLike, *,
    title: str = "",
) -> None:  # fmt: skip
    """Write the map as PNG, SVG or PDF."""
    save(path, verdict_map_figure(latitude_deg, longitude_deg, verdict, title=title), title=title)

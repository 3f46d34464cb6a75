"""Sky areas as patches and lines on Axes, for every projection of the sky."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch

from skysill.plots.sky_areas import Area, merged_outlines
from skysill.plots.theme import Theme, source_area, source_line
from skysill.units import Bools, Floats

__all__ = ["draw_areas"]


def draw_areas(
    ax: Axes,
    areas: Sequence[Area],
    project: Callable[[Area], Iterable[tuple[Floats, Floats]]],
    theme: Theme,
    *,
    without_line: Callable[[Floats], Bools] | None = None,
    lowest_line_deg: float = -90.0,
) -> list[tuple[str, PathPatch]]:
    """Draw terrain and measured horizon as skylines, farthest first; obstacles merged, with all their edges.

    Parameters
    ----------
    areas : in drawing order, as `sky_areas` returns them
    project : the parts of an area that are visible: upper and lower edge, each (n, 2) in data coordinates
    without_line : which points (n, 2) of an obstacle's edge get no line
    lowest_line_deg : skylines at and below this elevation get no line; `project` must then keep the area's points

    Returns
    -------
    (source, its patch), in drawing order
    """
    drawn: list[tuple[str, PathPatch]] = []
    obstacle_outlines: list[Floats] = []
    for area in areas:
        for above, below in project(area):
            outline = np.concatenate([above, below[::-1]])
            if area.source == "obstacle":
                obstacle_outlines.append(outline)
                continue
            source, zorder = theme.sources[area.source], 2.0 + 0.001 * len(drawn)
            drawn.append((area.source, source_area([outline], source, zorder=zorder)))
            ax.add_artist(drawn[-1][1])
            skyline = above
            if lowest_line_deg > -90.0:
                skyline = np.where((area.top_deg <= lowest_line_deg)[:, None], np.nan, above)
            ax.add_artist(source_line(skyline, source, zorder=zorder))
    source = theme.sources["obstacle"]
    for rings in merged_outlines(obstacle_outlines) if obstacle_outlines else []:
        drawn.append(("obstacle", source_area(rings, source, zorder=3.0)))
        ax.add_artist(drawn[-1][1])
        for ring in rings:
            edge = ring if without_line is None else np.where(without_line(ring)[:, None], np.nan, ring)
            ax.add_artist(source_line(edge, source, zorder=3.1))
    return drawn

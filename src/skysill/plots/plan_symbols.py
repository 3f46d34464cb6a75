"""Elements of both drawings of a plan: obstacles from above, north arrow, scale, warnings beside mounts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, PathPatch, Polygon
from matplotlib.transforms import Bbox
from numpy.typing import ArrayLike

from skysill.assessment.overhead_lines import LINE_RANK
from skysill.model.obstacles import Obstacle
from skysill.plots.labels import Label, add_text
from skysill.plots.theme import (
    PALETTE,
    THEME,
    Theme,
    source_area,
    source_line,
)
from skysill.siting.mount_rows import MountRow
from skysill.units import Floats

__all__ = [
    "LINE_WARNINGS",
    "PlanArtists",
    "add_north_and_scale",
    "draw_obstacle",
    "line_warning_text",
    "overlaps_square",
    "plan_label",
    "set_square_axes",
]

LINE_WARNINGS = {
    1: ("$!$", 6.0, "! line in reach"),
    2: ("$!!$", 7.0, "!! line too near"),
}
"""By `LineDistances.severity`: marker, its size, text in the legend."""


@dataclass(frozen=True, slots=True, eq=False)
class PlanArtists:
    """What was drawn.

    obstacles : one artist for each obstacle; lines, strips : one for each satellite; spots : one for each class of mast
    route : the cable; warnings : markers beside spots that an overhead line comes near, one artist for each severity
    """

    obstacles: tuple[Any, ...] = ()
    lines: tuple[Line2D, ...] = ()
    strips: tuple[Polygon, ...] = ()
    spots: tuple[Line2D, ...] = ()
    route: Line2D | None = None
    warnings: tuple[Line2D, ...] = ()


def plan_label(text: str, at: ArrayLike, toward_deg: float, size_pt: float, weight: str = "normal") -> Label:
    east, north = np.asarray(at, dtype=float)
    return Label(text, float(east), float(north), toward_deg=toward_deg, size_pt=size_pt, weight=weight)


def set_square_axes(ax: Axes, middle: Floats, half_m: float) -> None:
    wide = ax.get_position().width * ax.get_figure(root=True).get_size_inches()[0]  # type: ignore[union-attr]  # it has one
    high = ax.get_position().height * ax.get_figure(root=True).get_size_inches()[1]  # type: ignore[union-attr]  # it has one
    ax.set_xlim(middle[0] - half_m, middle[0] + half_m)
    ax.set_ylim(middle[1] - half_m * high / wide, middle[1] + half_m * high / wide)
    ax.set_aspect("equal")
    ax.set_xticks([])
    ax.set_yticks([])
    for spine in ax.spines.values():
        spine.set_linewidth(0.8)


def overlaps_square(obstacle: Obstacle, middle: Floats, around_m: float) -> bool:
    """Whether the bounding box of an obstacle overlaps the square drawn."""
    plan = obstacle.vertices_m[:, :2]
    wide = obstacle.crown_radius_m if obstacle.crown else 0.0
    low, high = plan.min(axis=0) - wide, plan.max(axis=0) + wide
    return bool((low < middle + around_m).all() and (high > middle - around_m).all())


def draw_obstacle(ax: Axes, obstacle: Obstacle, theme: Theme) -> Any:
    """A building as its outline, a crown as its circle, a wall or wire as its line."""
    source = theme.sources["obstacle"]
    if obstacle.shape == "column":
        radius = obstacle.crown_radius_m if obstacle.crown else max(obstacle.radius_m, 0.25)
        artist: Any = Circle(
            obstacle.centre_m,
            radius,
            facecolor="#DDEBD3" if obstacle.crown else source.colour,
            edgecolor="#00694D" if obstacle.crown else source.colour,
            linewidth=1.0,
            zorder=3,
        )
        return ax.add_patch(artist)
    if obstacle.areas_m:
        patches: list[Patch] = [
            ax.add_patch(
                _without_hatch(source_area([ring[:, :2] for ring in area], source, zorder=2), obstacle)
            )
            for area in obstacle.areas_m
        ]
        return patches[0]
    line = source_line(obstacle.line_m[:, :2], source, zorder=4)
    if obstacle.kind == "wire":
        line.set(color=PALETTE["vermillion"], linestyle=(0, (1.5, 1.5)), linewidth=1.8)
    return ax.add_line(line)


def _without_hatch(patch: PathPatch, obstacle: Obstacle) -> PathPatch:
    """Without hatch: roofs as outlines over the fill of the walls, because hatch over hatch is unreadable."""
    if obstacle.kind == "roof":
        patch.set(facecolor="none", hatch=None, linewidth=0.6, edgecolor=THEME.sources["obstacle"].colour)
    else:
        patch.set(hatch=None, linewidth=1.0)
    return patch


def add_north_and_scale(ax: Axes, length_m: float, theme: Theme) -> list[Bbox]:
    """Add a north arrow at the top left and a scale bar at the bottom left; returns their boxes in pixels."""
    west, east = ax.get_xlim()
    south, north = ax.get_ylim()
    unit = (east - west) / 100.0
    x, y = west + 4 * unit, north - 4 * unit
    ax.annotate(
        "",
        (x, y),
        (x, y - 9 * unit),
        arrowprops={"arrowstyle": "-|>", "color": theme.text, "lw": 1.2},
        zorder=11,
    )
    add_text(
        ax, x + 1.5 * unit, y - 4.5 * unit, "N", size=theme.body_pt, weight="bold", va="center", zorder=11
    )
    left, low = west + 4 * unit, south + 4 * unit
    ax.plot(
        [left, left + length_m], [low, low], color=theme.text, linewidth=2.5, solid_capstyle="butt", zorder=11
    )
    style = {"size": theme.small_pt, "ha": "center", "va": "bottom", "zorder": 11}
    add_text(ax, left + length_m / 2, low + 1.2 * unit, f"{length_m:g} m", **style)
    corners = (
        ((left - unit, low - unit), (left + length_m + unit, low + 6 * unit)),
        ((x - 2 * unit, y - 10 * unit), (x + 6 * unit, y + unit)),
    )
    return [Bbox(ax.transData.transform(np.array(corner))) for corner in corners]


def line_warning_text(row: MountRow) -> str:
    """The warning beside a mount that an overhead line comes near, by its cautions; "" where none does."""
    codes = {caution.code for caution in row.cautions}
    level = max(level for level, code in LINE_RANK.items() if not code or code in codes)
    return "" if level == 0 else f", {LINE_WARNINGS[level][2]}"

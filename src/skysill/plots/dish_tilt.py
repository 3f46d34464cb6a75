"""A side view of an offset dish: tilt of its face, and direction of its beam."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Arc

from skysill.plots.labels import add_text
from skysill.plots.theme import THEME, Theme, new_figure

__all__ = ["DishTiltArtists", "dish_tilt_figure", "draw_dish_tilt"]

_HALF_FACE = 1.0
_BEAM = 2.2


@dataclass(frozen=True, slots=True, eq=False)
class DishTiltArtists:
    """Face of the dish, plumb line, level line, beam."""

    face: Line2D
    plumb: Line2D
    level: Line2D
    beam: Line2D


def draw_dish_tilt(
    ax: Axes, *, elevation_deg: float, tilt_deg: float, theme: Theme = THEME
) -> DishTiltArtists:
    """Draw a dish from the side, the satellite to the right; axes of equal scale, limits are set here.

    Parameters
    ----------
    ax : limits are set here
    elevation_deg : of the beam, apparent
    tilt_deg : of the face from plumb, positive where it leans back, away from the satellite
    theme : colours, styles and letter sizes

    Returns
    -------
    DishTiltArtists

    >>> from skysill.plots import draw_dish_tilt, new_figure
    >>> ax = new_figure(4.9, 3.0).add_axes((0.0, 0.0, 1.0, 1.0))
    >>> draw_dish_tilt(ax, elevation_deg=24.1, tilt_deg=7.1).face.get_xydata().shape
    (2, 2)
    """
    ax.set_axis_off()
    ax.set_aspect("equal")
    ax.set_xlim(-3.9, 3.9)
    ax.set_ylim(-1.9, 2.95)
    lean, rise = np.deg2rad(tilt_deg), np.deg2rad(elevation_deg)
    up = np.array(
        [-np.sin(lean), np.cos(lean)]
    )  # along the face to its upper rim; leaning back is to the left
    (plumb,) = ax.plot([0, 0], [-1.35, 1.7], color=theme.line, linewidth=1.2, linestyle=(0, (4, 3)))
    (level,) = ax.plot([0, 2.55], [0, 0], color=theme.line, linewidth=1.2, linestyle=(0, (4, 3)))
    ax.plot([-0.16, -0.16, 0.0], [-1.75, -0.2, 0.0], color=theme.text, linewidth=3.0, solid_capstyle="round")
    ax.plot([-0.6, 0.3], [-1.75, -1.75], color=theme.text, linewidth=1.5)
    along = np.linspace(-1.0, 1.0, 41)
    bowl = np.outer(along, up) * _HALF_FACE - np.outer(0.24 * (1.0 - along**2), [np.cos(lean), np.sin(lean)])
    ax.plot(bowl[:, 0], bowl[:, 1], color=theme.text, linewidth=2.4)
    (face,) = ax.plot(
        [-up[0], up[0]], [-up[1], up[1]], color="#0072B2", linewidth=2.2, linestyle=(0, (6, 1.5))
    )
    tip = _BEAM * np.array([np.cos(rise), np.sin(rise)])
    (beam,) = ax.plot([0, tip[0]], [0, tip[1]], color=theme.text, linewidth=1.8)
    ends = ((tip[0], tip[1]), (0.9 * tip[0], 0.9 * tip[1]))
    ax.annotate(
        "", xy=ends[0], xytext=ends[1], arrowprops={"arrowstyle": "-|>", "color": theme.text, "lw": 1.8}
    )
    ax.add_patch(Arc((0, 0), 2.7, 2.7, theta1=min(0, elevation_deg), theta2=max(0, elevation_deg), lw=1.2))
    if abs(tilt_deg) >= 0.05:
        low, high = sorted((90.0, 90.0 + tilt_deg))
        ax.add_patch(Arc((0, 0), 2.5, 2.5, theta1=low, theta2=high, lw=1.6, edgecolor="#0072B2"))
    add_text(ax, 0.14, -1.3, "plumb", fontsize=theme.small_pt, ha="left", va="center")
    word = (
        "plumb" if abs(tilt_deg) < 0.05 else f"{abs(tilt_deg):.1f}° {'back' if tilt_deg > 0 else 'forward'}"
    )
    add_text(
        ax, (1.3 if tilt_deg >= 0 else 1.6) * up[0] + (-0.06 if tilt_deg >= 0 else 0.06),
        (1.3 if tilt_deg >= 0 else 1.6) * up[1], f"face {word}",
        fontsize=theme.body_pt, weight="bold", ha="right" if tilt_deg >= 0 else "left", va="center",
    )  # fmt: skip
    add_text(ax, 1.2, -0.34, f"beam {elevation_deg:.1f}° up", fontsize=theme.body_pt, ha="left", va="center")
    add_text(ax, 2.6, 0.0, "level", fontsize=theme.small_pt, ha="left", va="center")
    add_text(
        ax,
        tip[0] + 0.08,
        tip[1] + 0.14,
        "to the satellite",
        fontsize=theme.small_pt,
        ha="center",
        va="bottom",
    )
    return DishTiltArtists(face, plumb, level, beam)


def dish_tilt_figure(*, elevation_deg: float, tilt_deg: float, theme: Theme = THEME) -> Figure:
    """The drawing as a small figure of its own."""
    wide_in = 4.9 * theme.width_in / THEME.width_in
    figure = new_figure(wide_in, wide_in * 4.85 / 7.8)
    draw_dish_tilt(
        figure.add_axes((0.0, 0.0, 1.0, 1.0)), elevation_deg=elevation_deg, tilt_deg=tilt_deg, theme=theme
    )
    return figure

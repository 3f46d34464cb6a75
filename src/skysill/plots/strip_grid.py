"""The frame of the strip: its projection, lines of equal azimuth and elevation, and the numbers on its edges."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.text import Text

from skysill.assessment.results import SatelliteResult
from skysill.plots.captions import (
    Compass,
)
from skysill.plots.labels import add_text, text_box
from skysill.plots.sky_areas import (
    azimuthal_equidistant_deg,
)
from skysill.plots.theme import (
    Theme,
)
from skysill.units import Floats, wrap_360

__all__ = ["StripWindow", "dense_steps", "draw_grid"]

_STEPS_DEG = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0)


@dataclass(frozen=True, slots=True)
class StripWindow:
    """The direction in the middle of the strip and half its width, degrees."""

    azimuth_deg: float
    elevation_deg: float
    half_deg: float

    def place(self, azimuth_deg: Floats, elevation_deg: Floats) -> tuple[Floats, Floats]:
        return azimuthal_equidistant_deg(
            azimuth_deg,
            elevation_deg,
            center_azimuth_deg=self.azimuth_deg,
            center_elevation_deg=self.elevation_deg,
        )

    def turn_deg(self) -> float:
        """Largest azimuth offset that can lie in the window, degrees."""
        rise = abs(self.elevation_deg) + 1.5 * self.half_deg
        reach = np.sin(np.deg2rad(min(1.5 * self.half_deg, 89.0)))
        return (
            180.0
            if rise >= 90.0
            else min(179.0, float(np.rad2deg(np.arcsin(min(1.0, reach / np.cos(np.deg2rad(rise)))))))
        )


def dense_steps(start_deg: float, stop_deg: float, step_deg: float = 0.5) -> Floats:
    return np.linspace(start_deg, stop_deg, max(2, int(np.ceil((stop_deg - start_deg) / step_deg)) + 1))


def draw_grid(
    ax: Axes, result: SatelliteResult, window: StripWindow, compass: Compass | None, theme: Theme
) -> tuple[list[Text], list[Text]]:
    """Lines of equal azimuth and elevation, labelled where they leave the frame, and compass bearings along the top.

    Returns the tick labels of azimuth and elevation, and those of the compass."""
    step = next((s for s in _STEPS_DEG if window.half_deg / s <= 4.0), 30.0)
    shrink = np.cos(np.deg2rad(window.elevation_deg))
    turn_step = next((s for s in _STEPS_DEG if s * shrink >= step * 0.8), 30.0)
    ticks = _draw_elevations(ax, window, step, theme)
    reach = window.turn_deg()
    for azimuth in _multiples(turn_step, window.azimuth_deg, reach):
        ax.plot(*window.place(*_meridian_points(azimuth, window)), color=theme.line, linewidth=0.6, zorder=6)
    ticks += _edge_numbers(ax, window, turn_step, 0.0, top=False, theme=theme)
    top = (
        []
        if compass is None
        else _edge_numbers(ax, window, turn_step, compass.turn_deg, top=True, theme=theme)
    )
    return ticks, top


def _multiples(step: float, middle: float, reach: float) -> Floats:
    first = step * np.ceil((middle - reach) / step)
    return np.arange(first, middle + reach + 1e-9, step)


def _meridian_points(azimuth_deg: float, window: StripWindow) -> tuple[Floats, Floats]:
    """Azimuths and elevations along one line of equal azimuth, over the height of the window."""
    low = max(-89.0, window.elevation_deg - 2 * window.half_deg)
    height = np.linspace(low, min(90.0, window.elevation_deg + 2 * window.half_deg), 90)
    return np.full(height.shape, azimuth_deg), height


def _draw_elevations(ax: Axes, window: StripWindow, step: float, theme: Theme) -> list[Text]:
    """Each line labelled at the left edge, or above the satellite where it closes around the zenith."""
    texts: list[Text] = []
    limit, reach = window.half_deg, window.turn_deg()
    around = dense_steps(window.azimuth_deg - reach, window.azimuth_deg + reach)
    style: dict[str, Any] = {"va": "center", "size": theme.small_pt, "color": theme.text}
    for elevation in np.arange(-90.0 + step, 90.0, step):
        if abs(elevation - window.elevation_deg) > 1.5 * limit:
            continue
        x, y = window.place(around, np.array(elevation))
        ax.plot(x, y, color=theme.line, linewidth=1.4 if elevation == 0.0 else 0.6, zorder=6)
        met = np.flatnonzero((x[:-1] + limit) * (x[1:] + limit) <= 0.0)
        at = [
            float(y[k] + (y[k + 1] - y[k]) * (x[k] + limit) / (x[k] - x[k + 1]))
            for k in met
            if x[k] != x[k + 1]
        ]
        at = [height for height in at if abs(height) < 0.97 * limit]
        rise = float(elevation - window.elevation_deg)
        if at:
            texts.append(add_text(ax, -1.02 * limit, min(at), f"{elevation:g}°", ha="right", **style))
        elif rise > 0.0 and rise < 0.97 * limit:
            text_box_style = {"facecolor": theme.background, "edgecolor": "none", "pad": 0.8}
            texts.append(
                add_text(
                    ax, 0.0, rise, f"{elevation:g}°", ha="center", zorder=7, bbox=text_box_style, **style
                )
            )
    return texts


def _edge_numbers(
    ax: Axes, window: StripWindow, least_step: float, turn_deg: float, *, top: bool, theme: Theme
) -> list[Text]:
    """Round numbers along the bottom or the top edge, at the closest spacing without overlap.

    turn_deg : the scale shows the true azimuth less this
    """
    limit = window.half_deg
    style: dict[str, Any] = {"ha": "center", "size": theme.small_pt, "color": theme.text}
    for step in [s for s in (*_STEPS_DEG, 45.0, 90.0) if s >= least_step]:
        texts, marks = [], []
        for shown in _multiples(step, window.azimuth_deg - turn_deg, window.turn_deg()):
            x, y = window.place(*_meridian_points(shown + turn_deg, window))
            edge = limit if top else -limit
            if not (np.diff(y) > 0.0).all() or not y[0] <= edge <= y[-1]:
                continue
            at = float(np.interp(edge, y, x))
            if abs(at) >= 0.95 * limit:
                continue
            words = f"{round(float(wrap_360(shown))) % 360}°"
            texts.append(add_text(ax, at, 1.025 * edge, words, va="bottom" if top else "top", **style))
            marks += ax.plot([at, at], [edge, 1.018 * edge], color=theme.text, linewidth=0.9, clip_on=False)
        boxes = [text_box(text).padded(3.0) for text in texts]
        if not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2)):
            return texts
        for artist in (*texts, *marks):
            artist.remove()
    return []

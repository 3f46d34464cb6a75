"""Text: written as typed, wrapped or shortened to a width, and labels that do not overlap.

Sizes are measured in pixels of the figure at its own resolution and stored in data coordinates, so the axes must have
their limits and their place before labels are added.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke
from matplotlib.text import Text
from matplotlib.textpath import text_to_path
from matplotlib.transforms import Bbox

from skysill.plots.theme import THEME, Theme
from skysill.units import Floats

__all__ = [
    "Label",
    "PlacedLabel",
    "add_text",
    "artist_box",
    "place_labels",
    "printable",
    "shorten_to",
    "text_box",
    "wrap_text",
]

_DIRECTIONS = 32
_RING_RADII_PT = np.concatenate([np.arange(9.0, 60.0, 6.0), np.arange(60.0, 260.0, 12.0)])
_GAP_PT = 2.5


@dataclass(frozen=True, slots=True)
class Label:
    """A text to be placed near a point.

    x, y : the point, in data coordinates
    toward_deg : preferred direction from the point, counter-clockwise from right
    """

    text: str
    x: float
    y: float
    toward_deg: float = 90.0
    size_pt: float = THEME.body_pt
    weight: str = "normal"


@dataclass(frozen=True, slots=True, eq=False)
class PlacedLabel:
    """A label at its position, and the leader line to its point (None when they touch)."""

    label: Label
    text: Text
    leader: Line2D | None


@cache
def _available_glyphs() -> frozenset[int]:
    face = get_font(findfont(FontProperties(family="DejaVu Sans")))
    return frozenset(face.get_charmap())


def printable(text: str) -> str:
    """The text with line ends and control characters as spaces, and glyphs that the font lacks as a white square.

    >>> printable("gable\\tpole")
    'gable pole'
    """
    if text.isascii() and text.isprintable():
        return text
    spaced = "".join(" " if unicodedata.category(letter) in ("Cc", "Zl", "Zp") else letter for letter in text)
    return "".join(letter if ord(letter) in _available_glyphs() else "\u25a1" for letter in spaced)


def add_text(target: Axes | Figure, x: float, y: float, text: str, **style: Any) -> Text:
    """Add text exactly as typed: a dollar sign does not start a formula. Line ends are kept."""
    lines = "\n".join(printable(line) for line in text.split("\n"))
    return target.text(x, y, lines, parse_math=False, **{"family": "DejaVu Sans", **style})


def text_box(text: Text) -> Bbox:
    """Bounding box of a text, in pixels."""
    return text.get_window_extent(_renderer(text.get_figure(root=True)))


def artist_box(figure: Figure, artist: Any) -> Bbox:
    """Bounding box of any artist, in pixels."""
    box: Bbox = artist.get_window_extent(_renderer(figure))
    return box


def wrap_text(
    text: str, width_in: float, *, size_pt: float, weight: str = "normal", most: int = 3
) -> list[str]:
    """A text broken between words into lines that fit a width; after `most` lines it ends with an ellipsis."""
    font = FontProperties(family="DejaVu Sans", weight=weight, size=size_pt)

    def fits(line: str) -> bool:
        wide_pt, _, _ = text_to_path.get_text_width_height_descent(line, font, ismath=False)
        return bool(wide_pt <= 72.0 * width_in)

    lines: list[str] = []
    for word in printable(text).split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and fits(longer):
            lines[-1] = longer
        else:
            lines.append(word)
    if len(lines) <= most:
        return lines
    last = lines[most - 1]
    while last and not fits(last + " …"):
        last = last[:-1].rstrip()
    return [*lines[: most - 1], last + " …"]


def _renderer(figure: Any) -> Any:
    if not isinstance(figure.canvas, FigureCanvasAgg):
        FigureCanvasAgg(figure)
    return figure.canvas.get_renderer()


def shorten_to(text: Text, width_in: float) -> Text:
    """Shorten a text, with an ellipsis, until it is at most `width_in` inches wide."""
    figure = text.get_figure(root=True)
    assert figure is not None
    whole, room = text.get_text(), width_in * figure.dpi
    if text_box(text).width <= room:
        return text
    short, long = 0, len(whole)
    while long - short > 1:
        middle = (short + long) // 2
        text.set_text(whole[:middle].rstrip() + "…")
        short, long = (middle, long) if text_box(text).width <= room else (short, middle)
    text.set_text(whole[:short].rstrip() + "…")
    return text


def place_labels(
    ax: Axes,
    labels: Sequence[Label],
    *,
    keep_clear: Sequence[Bbox] = (),
    avoid: Floats | None = None,
    within: Bbox | None = None,
    theme: Theme = THEME,
) -> list[PlacedLabel]:
    """Place every label near its point so that no two boxes overlap and no leader crosses a box.

    Positions on rings around the point are tried; each has a cost that grows with distance, deviation from the
    preferred direction, and overlap, and the least cost wins. Labels are placed from left to right, so
    the same input gives the same picture. Where no position is free, the one with the least overlap is taken: no label
    is dropped.

    Parameters
    ----------
    keep_clear : boxes in pixels that must stay readable, such as tick labels
    avoid : (n, 2) points in data coordinates that labels should not cover, such as points along a line
    within : where labels may be placed, in pixels; the axes by default
    """
    figure = ax.get_figure(root=True)
    assert figure is not None
    pixels_per_pt = figure.dpi / 72.0
    back = ax.transData.inverted()
    bounds = ax.get_window_extent(_renderer(figure)) if within is None else within
    points = ax.transData.transform(np.array([(label.x, label.y) for label in labels]).reshape(-1, 2))
    point_boxes = [Bbox.from_bounds(x - 6.0, y - 6.0, 12.0, 12.0) for x, y in points]
    avoided = np.zeros((0, 2)) if avoid is None or not len(avoid) else ax.transData.transform(avoid)
    avoided = (
        np.unique(np.round(avoided / 12.0), axis=0) * 12.0
    )  # so that finely and coarsely sampled lines weigh the same
    toward_deg, preferred_pt = _spread_crowded(points, labels, 30.0 * pixels_per_pt)
    boxes: list[Floats] = [np.asarray(box.extents) for box in (*point_boxes, *keep_clear)]
    leaders: list[Floats] = []
    placed: dict[int, PlacedLabel] = {}
    for at in sorted(range(len(labels)), key=lambda k: (points[k][0], -points[k][1], labels[k].text)):
        label, point = labels[at], points[at]
        text = _add_label(ax, label, theme)
        space = text_box(text)
        size = np.array([space.width, space.height]) + 2.0 * (1.5 + _GAP_PT) * pixels_per_pt
        request = _Request(point, size, toward_deg[at], preferred_pt[at], pixels_per_pt, len(point_boxes))
        middle = _least_cost_position(request, bounds=bounds, boxes=boxes, leaders=leaders, avoided=avoided)
        half = size / 2.0 - _GAP_PT * pixels_per_pt
        boxes.append(np.concatenate([middle - half, middle + half]))
        text.set_position(tuple(back.transform(middle)))
        near = np.clip(point, middle - half, middle + half)
        leader = None
        if np.hypot(*(near - point)) > 2.0 * pixels_per_pt:
            leaders.append(np.concatenate([point, near]))
            leader = _add_leader(ax, leaders[-1], theme)
        placed[at] = PlacedLabel(label, text, leader)
    return [placed[at] for at in range(len(labels))]


def _add_leader(ax: Axes, from_to: Floats, theme: Theme) -> Line2D:
    ends = ax.transData.inverted().transform(from_to.reshape(2, 2))
    leader = Line2D(ends[:, 0], ends[:, 1], color=theme.text, linewidth=1.0, zorder=29)
    leader.set_path_effects([withStroke(linewidth=2.6, foreground=theme.background)])
    return ax.add_line(leader)


def _add_label(ax: Axes, label: Label, theme: Theme) -> Text:
    return add_text(
        ax,
        label.x,
        label.y,
        label.text,
        size=label.size_pt,
        weight=label.weight,
        color=theme.text,
        ha="center",
        va="center",
        zorder=30,
        linespacing=1.1,
        bbox={"facecolor": theme.background, "edgecolor": theme.line, "linewidth": 0.6, "pad": 1.5},
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Request:
    """What is asked for one label: its point, size with gap in pixels, direction, preferred distance.

    point_boxes : number of boxes, from the first, that are points of labels
    """

    point: Floats
    size: Floats
    toward_deg: float
    preferred_pt: float
    pixels_per_pt: float
    point_boxes: int


def _spread_crowded(points: Floats, labels: Sequence[Label], near: float) -> tuple[list[float], list[float]]:
    """Directions spread out where points are close together, in the order of the points, and preferred distances."""
    toward_deg = [label.toward_deg for label in labels]
    preferred_pt = [0.0] * len(labels)
    left = set(range(len(labels)))
    while left:
        group, grown = {min(left)}, True
        while grown:
            more = {k for k in left for c in group if np.hypot(*(points[k] - points[c])) < near}
            grown, group = not more <= group, group | more
        left -= group
        middle = float(np.mean([toward_deg[k] for k in group]))
        across = np.array(
            [np.sin(np.deg2rad(middle)), -np.cos(np.deg2rad(middle))]
        )  # to the right of that direction
        inline = sorted(group, key=lambda k: (points[k] @ across, k))
        spread = min(75.0, 16.0 * (len(inline) - 1))
        for k, turn in zip(inline, np.linspace(spread, -spread, len(inline)), strict=True):
            toward_deg[k] = middle + (float(turn) if len(inline) > 1 else 0.0)
            preferred_pt[k] = 0.0 if len(inline) < 4 else min(13.0 * len(inline), 120.0)
    return toward_deg, preferred_pt


def _least_cost_position(
    request: _Request, *, bounds: Bbox, boxes: Sequence[Floats], leaders: Sequence[Floats], avoided: Floats
) -> Floats:
    point, size, pixels_per_pt = request.point, request.size, request.pixels_per_pt
    turn_deg = np.arange(_DIRECTIONS) * 360.0 / _DIRECTIONS
    angle_rad = np.deg2rad(request.toward_deg + turn_deg)
    way = np.stack([np.cos(angle_rad), np.sin(angle_rad)], axis=-1)
    with np.errstate(divide="ignore"):
        reach = np.min(size / 2.0 / np.abs(way), axis=-1)  # from a box's middle to its edge in that direction
    ring = _RING_RADII_PT * pixels_per_pt
    middle = (point + way[None] * (ring[:, None] + reach)[..., None]).reshape(-1, 2)
    off_deg = np.abs(180.0 - np.mod(180.0 - turn_deg, 360.0))
    far_pt = _RING_RADII_PT + np.maximum(0.0, 2.0 * (request.preferred_pt - _RING_RADII_PT))
    cost = (far_pt[:, None] + (0.12 if request.preferred_pt == 0.0 else 0.6) * off_deg).reshape(-1)
    low, high = middle - size / 2.0, middle + size / 2.0
    outside = np.maximum(0.0, np.concatenate([bounds.min - low, high - bounds.max], axis=1)).sum(axis=1)
    cost = cost + np.where(outside > 0.5, 1e6 + 1e3 * outside, 0.0)
    if len(boxes):
        taken = np.array(boxes)
        over = np.minimum(high[:, None], taken[None, :, 2:]) - np.maximum(low[:, None], taken[None, :, :2])
        hidden = np.where((over > 0.0).all(axis=-1), over.clip(0.0).prod(axis=-1), 0.0).sum(axis=1)
        cost = cost + np.where(hidden > 0.0, 1e4 + hidden, 0.0)
    covered = (avoided > low[:, None]) & (avoided < high[:, None])
    cost = cost + 4.0 * np.minimum(covered.all(axis=-1).sum(axis=1), 40)
    near = np.clip(point, low, high)
    for k, box in enumerate(boxes):
        inside = (box[:2] <= point).all() and (point <= box[2:]).all()  # the point's own dot
        weight = 0.0 if inside else (25.0 if k < request.point_boxes else 400.0)
        cost = cost + weight * _meets_box(point, near, box)
    for other in leaders:
        cost = cost + 300.0 * _cross(point, near, other[:2], other[2:])
        cost = cost + 300.0 * _segment_meets_boxes(other, low, high)
    return np.asarray(middle[int(np.argmin(cost))])


def _cross(start: Floats, ends: Floats, a: Floats, b: Floats) -> Floats:
    """1 where the line from start to ends[k] crosses a-b."""

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        return np.asarray((q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1])
                          - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0]))  # fmt: skip

    apart = side(start, ends, a) * side(start, ends, b) < 0.0
    return np.asarray((apart & (side(a, b, start) * side(a, b, ends) < 0.0)).astype(float))


def _meets_box(start: Floats, ends: Floats, box: Floats) -> Floats:
    corners = [box[[0, 1]], box[[2, 1]], box[[2, 3]], box[[0, 3]]]
    crossings = [_cross(start, ends, corners[k], corners[k - 1]) for k in range(4)]
    return np.asarray(np.max(crossings, axis=0))


def _segment_meets_boxes(segment: Floats, low: Floats, high: Floats) -> Floats:
    share = np.linspace(0.0, 1.0, 24)[:, None]
    along = segment[:2] + share * (segment[2:] - segment[:2])
    within = (along[:, None] >= low) & (along[:, None] <= high)
    return np.asarray(within.all(axis=-1).any(axis=0).astype(float))

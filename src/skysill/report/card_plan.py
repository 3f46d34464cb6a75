"""The plan of a roof card as SVG: every place by its verdict and least mast, drawn from the card's own data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from skysill.assessment.overhead_lines import LINE_RANK
from skysill.horizon.roof_surface import OWN_ROOF, roof_edges
from skysill.model.obstacles import Obstacle
from skysill.model.site import Roof
from skysill.report.card import CardAnswer, RoofCard
from skysill.units import Floats

__all__ = ["plan_svg"]

WIDTH = 340.0
"""Units of the drawing across, one a pixel on a small phone."""

_TALLEST = 620.0
_MARGIN_M = 2.5
_MOST_MARK, _LEAST_MARK, _LETTERED_MARK = 15.0, 5.0, 10.0
_LINE = "#1a1a1a"
_FILLS = {
    "clear": "#56B4E9",
    "marginal": "#F0E442",
    "needs-survey": "#CC79A7",
    "unknown": "#FFFFFF",
    "blocked": "#D55E00",
}
_SHAPES = {
    "marginal": ((0.0, -1.15), (1.05, 0.8), (-1.05, 0.8)),
    "needs-survey": ((0.0, -1.2), (1.2, 0.0), (0.0, 1.2), (-1.2, 0.0)),
    "unknown": ((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)),
    "blocked": (
        (-0.85, -0.5), (-0.5, -0.85), (0.0, -0.35), (0.5, -0.85), (0.85, -0.5), (0.35, 0.0),
        (0.85, 0.5), (0.5, 0.85), (0.0, 0.35), (-0.5, 0.85), (-0.85, 0.5), (-0.35, 0.0),
    ),
}  # fmt: skip
"""Outlines of the marks, in units of their radius, y down; "clear" is a circle."""

_SEVERITY = {code: rank for rank, code in LINE_RANK.items() if code}


class _Frame:
    """Plan metres to units of the drawing, north up."""

    def __init__(self, points_m: Floats) -> None:
        low, high = points_m.min(axis=0) - _MARGIN_M, points_m.max(axis=0) + _MARGIN_M
        span = high - low
        self.scale = float(min(WIDTH / span[0], _TALLEST / span[1]))
        self.height = float(span[1] * self.scale)
        self.west = float(low[0] - (WIDTH / self.scale - span[0]) / 2.0)
        self.north = float(high[1])

    def x(self, east_m: float) -> float:
        return (east_m - self.west) * self.scale

    def y(self, north_m: float) -> float:
        return (self.north - north_m) * self.scale

    def path(self, ring: Sequence[Sequence[float]] | Floats, *, closed: bool = True) -> str:
        points = "L".join(f"{self.x(float(p[0])):.1f} {self.y(float(p[1])):.1f}" for p in ring)
        return f"M{points}{'Z' if closed else ''}"


def plan_svg(card: RoofCard, number: int) -> str:
    """The plan for one satellite of a card: an SVG element whose marks carry the number of their place.

    number : of the satellite
    """
    frame = _Frame(_extent_m(card))
    parts = [
        f'<svg class="plan" viewBox="0 0 {WIDTH:.0f} {frame.height:.1f}" role="img" '
        f"aria-label={quoteattr(_alt(card, number))}>",
        f'<defs><pattern id="keep-out-{number}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<path d="M0 6L6 0M0 0L6 6" stroke="{_LINE}" stroke-width=".7"/></pattern>'
        f'<clipPath id="frame-{number}"><rect width="{WIDTH:.0f}" height="{frame.height:.1f}"/></clipPath></defs>',
        f'<rect width="{WIDTH:.0f}" height="{frame.height:.1f}" fill="#ffffff"/>',
        f'<g clip-path="url(#frame-{number})">',
        *_surroundings(card, frame),
        *([] if card.job is None or card.job.roof is None else _roof(card.job.roof, frame, number)),
        *_way(card, frame, number),
        "</g>",
        *_marks(card, frame, number),
        *_entry_name(card, frame),
        *_north_and_scale(frame),
        "</svg>",
    ]
    return "\n".join(parts)


def _alt(card: RoofCard, number: int) -> str:
    name = card.satellites[number].satellite.name
    return f"Plan of {card.site.name}, north up: every place with its verdict and least mast for {name}."


def _extent_m(card: RoofCard) -> Floats:
    points = [np.array([[place.east_m, place.north_m] for place in card.places])]
    if card.job is not None and card.job.roof is not None:
        points += [np.asarray(ring, dtype=float) for ring in (card.job.roof.outline, *card.job.roof.yards)]
    return np.concatenate(points)


def _surroundings(card: RoofCard, frame: _Frame) -> Iterator[str]:
    scene = None if card.job is None else card.job.sources.scene
    standing = () if scene is None else scene.obstacles
    for one in sorted(standing, key=lambda o: o.kind == "wire"):
        if one.name != OWN_ROOF and _is_near(one, frame):
            yield from _obstacle(one, frame)


def _is_near(one: Obstacle, frame: _Frame) -> bool:
    plan, wide = one.vertices_m[:, :2], one.crown_radius_m if one.crown else 0.0
    low, high = plan.min(axis=0) - wide, plan.max(axis=0) + wide
    east, south = frame.west + WIDTH / frame.scale, frame.north - frame.height / frame.scale
    return bool(low[0] < east and high[0] > frame.west and low[1] < frame.north and high[1] > south)


def _obstacle(one: Obstacle, frame: _Frame) -> Iterator[str]:
    title = f"<title>{escape(one.name)}</title>"
    if one.shape == "column":
        radius = one.crown_radius_m if one.crown else max(one.radius_m, 0.25)
        fill = "#DDEBD3" if one.crown else "#8A4B00"
        at = f'cx="{frame.x(one.centre_m[0]):.1f}" cy="{frame.y(one.centre_m[1]):.1f}" r="{radius * frame.scale:.1f}"'
        yield f'<circle {at} fill="{fill}" stroke="#00694D">{title}</circle>'
    elif one.areas_m:
        for area in one.areas_m:
            rings = "".join(frame.path(ring) for ring in area)
            fill = "none" if one.kind == "roof" else "#F8E3B5"
            yield f'<path d="{rings}" fill="{fill}" fill-rule="evenodd" stroke="#8A4B00">{title}</path>'
    elif one.kind == "wire":
        way = frame.path(one.line_m, closed=False)
        yield f'<path d="{way}" fill="none" stroke="#D55E00" stroke-width="3" stroke-dasharray="3 3">{title}</path>'
    else:
        way = frame.path(one.line_m, closed=False)
        yield f'<path d="{way}" fill="none" stroke="#8A4B00" stroke-width="2">{title}</path>'


def _roof(roof: Roof, frame: _Frame, number: int) -> Iterator[str]:
    for yard in roof.yards:
        yield f'<path d="{frame.path(yard)}" fill="none" stroke="{_LINE}" stroke-dasharray="5 3"/>'
    yield f'<path d="{frame.path(roof.outline)}" fill="#F4F0E8" stroke="{_LINE}" stroke-width="2"/>'
    edges = "".join(frame.path(ends, closed=False) for ends in roof_edges(roof))
    if edges:
        yield f'<path d="{edges}" fill="none" stroke="#4d4d4d"/>'
    for area in roof.keep_out:
        yield f'<path d="{frame.path(area)}" fill="url(#keep-out-{number})" stroke="{_LINE}"/>'
    if roof.cable_entry is not None:
        x, y = frame.x(roof.cable_entry[0]), frame.y(roof.cable_entry[1])
        yield f'<path d="M{x - 6:.1f} {y:.1f}h12M{x:.1f} {y - 6:.1f}v12" stroke="{_LINE}" stroke-width="3"/>'


def _entry_name(card: RoofCard, frame: _Frame) -> Iterator[str]:
    """Outside the roof, away from the middle of the places."""
    roof = None if card.job is None else card.job.roof
    if roof is None or roof.cable_entry is None:
        return
    x, y = frame.x(roof.cable_entry[0]), frame.y(roof.cable_entry[1])
    middle = np.mean(np.asarray(roof.outline, dtype=float), axis=0)
    below = y >= frame.y(float(middle[1]))
    x = float(np.clip(x, 40.0, WIDTH - 40.0))
    yield _text(x, y + 20.0 if below else y - 10.0, "cable entry", anchor="middle", halo=True)


def _way(card: RoofCard, frame: _Frame, number: int) -> Iterator[str]:
    """An arrow in the direction of the satellite, from the middle of the places to the frame."""
    look = card.satellites[number].look
    if look.azimuth_deg is None or not look.visible:
        return
    middle = np.mean([[place.east_m, place.north_m] for place in card.places], axis=0)
    x, y = frame.x(float(middle[0])), frame.y(float(middle[1]))
    way = np.array([np.sin(np.deg2rad(look.azimuth_deg)), -np.cos(np.deg2rad(look.azimuth_deg))])
    room = [
        (limit - at) / step
        for at, step, limits in ((x, way[0], (8.0, WIDTH - 8.0)), (y, way[1], (8.0, frame.height - 8.0)))
        for limit in limits
        if abs(step) > 1e-9 and (limit - at) / step > 0.0
    ]
    tip = np.array([x, y]) + min(room, default=0.0) * way
    side = np.array([-way[1], way[0]])
    left, right = tip - 12 * way + 6 * side, tip - 12 * way - 6 * side
    line, head = (
        "L".join(f"{p[0]:.1f} {p[1]:.1f}" for p in points) for points in (((x, y), tip), (tip, left, right))
    )
    yield f'<path d="M{line}" stroke="#0072B2" stroke-width="2" stroke-dasharray="8 4"/>'
    yield f'<path d="M{head}Z" fill="#0072B2"/>'


# --- marks ----------------------------------------------------------------------------------------------------


def _marks(card: RoofCard, frame: _Frame, number: int) -> Iterator[str]:
    plan = np.array([[place.east_m, place.north_m] for place in card.places])
    radius = _radius(plan, frame.scale)
    ranks = {index: rank for rank, index in enumerate(card.satellites[number].best, start=1)}
    for index in sorted(range(len(plan)), key=lambda k: (-ranks.get(k, 99), k)):  # the best on top
        answer = card.places[index].answers[number]
        x, y = frame.x(float(plan[index, 0])), frame.y(float(plan[index, 1]))
        best = ' data-best=""' if ranks.get(index) == 1 else ""
        drawn = "".join(_mark(answer, x, y, radius))
        yield f'<g class="mark" data-place="{index}" data-x="{x:.1f}" data-y="{y:.1f}"{best}>{drawn}</g>'
    for index, rank in ranks.items():
        x, y = frame.x(float(plan[index, 0])), frame.y(float(plan[index, 1]))
        at = (x + 0.9 * radius, y - 0.9 * radius)
        yield f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="7.5" fill="{_LINE}"/>'
        yield _text(at[0], at[1] + 4.0, str(rank), anchor="middle", fill="#ffffff", weight="bold")


def _radius(plan: Floats, scale: float) -> float:
    """Marks that do not touch, as far as they stand apart."""
    apart = np.linalg.norm(plan[:, None] - plan[None], axis=2) + np.diag(np.full(len(plan), np.inf))
    spacing = float(np.quantile(apart.min(axis=1), 0.5)) * scale if len(plan) > 1 else np.inf
    return float(np.clip(0.38 * spacing, _LEAST_MARK, _MOST_MARK))


def _mark(answer: CardAnswer, x: float, y: float, radius: float) -> Iterator[str]:
    if answer.verdict is None:
        style = f'fill="none" stroke="{_LINE}" stroke-dasharray="2 2"'
        yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{0.4 * radius:.1f}" {style}/>'
        return
    style = f'fill="{_FILLS[answer.verdict]}" stroke="{_LINE}" stroke-width="1.3"'
    if answer.verdict == "clear":
        yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" {style}/>'
    else:
        points = "L".join(
            f"{x + radius * dx:.1f} {y + radius * dy:.1f}" for dx, dy in _SHAPES[answer.verdict]
        )
        yield f'<path d="M{points}Z" {style}/>'
    if answer.least_height_m is not None and radius >= _LETTERED_MARK:
        yield _text(x, y + 4.0, f"{round(answer.least_height_m, 2):g}", anchor="middle", size=11)
    level = max((_SEVERITY[c.code] for c in answer.cautions if c.code in _SEVERITY), default=0)
    if level:
        yield _text(
            x - radius, y + radius + 2.0, "!" * level, anchor="end", fill="#A63C00", weight="bold", size=14
        )


def _north_and_scale(frame: _Frame) -> Iterator[str]:
    length_m = next((m for m in (1, 2, 5, 10, 20, 50, 100, 200, 500) if m * frame.scale >= 40.0), 1000)
    bar, low = length_m * frame.scale, frame.height - 10.0
    yield f'<path d="M14 40V12M8 22L14 10L20 22Z" stroke="{_LINE}" stroke-width="2" fill="{_LINE}"/>'
    yield _text(24.0, 24.0, "N", weight="bold", size=14)
    yield f'<path d="M10 {low:.1f}h{bar:.1f}" stroke="{_LINE}" stroke-width="4"/>'
    yield _text(12.0, low - 5.0, f"{length_m:g} m", halo=True)


def _text(
    x: float,
    y: float,
    text: str,
    *,
    anchor: str = "start",
    fill: str = _LINE,
    weight: str = "normal",
    size: int = 12,
    halo: bool = False,
) -> str:
    heavy = "" if weight == "normal" else f' font-weight="{weight}"'
    if halo:
        heavy += ' stroke="#ffffff" stroke-width="4" paint-order="stroke"'
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}" fill="{fill}"{heavy}>'
        f"{escape(text)}</text>"
    )

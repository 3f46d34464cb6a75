"""The strip: the piece of sky around one satellite, where the room can be read in degrees.

Azimuth runs to the right and elevation upward, drawn azimuthal equidistant about the satellite: on paper every
distance from the cross is a true angle, so the required room is a true circle and the margin is as long as it
says, at any elevation. Lines of equal azimuth therefore lean together a little towards the zenith.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, PathPatch
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from skysill.assessment.clearance import Controlling
from skysill.assessment.pipeline import Assessment, SatelliteResult
from skysill.horizon.silhouette import Silhouette
from skysill.plots.captions import (
    Compass,
    add_legend,
    add_rows,
    add_title,
    compass_edge,
    date_text,
    mount_text,
    required_room_deg,
    result_index,
    row_heights_in,
    title_height_in,
)
from skysill.plots.labels import Label, PlacedLabel, add_text, place_labels, text_box
from skysill.plots.sky_areas import (
    Area,
    azimuthal_equidistant_deg,
    merged_outlines,
    partly_covered,
    points_along,
    sky_areas,
    uncovered_spans,
)
from skysill.plots.theme import (
    THEME,
    Theme,
    fixed_settings,
    new_figure,
    overlap_handle,
    save,
    source_area,
    source_handles,
    source_line,
)
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats, Ints, separation_deg, wrap_180, wrap_360

__all__ = ["StripArtists", "draw_strip", "half_width_deg", "strip_figure", "write_strip"]

_STEPS_DEG = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0)


@dataclass(frozen=True, slots=True, eq=False)
class StripArtists:
    """What was drawn.

    areas : (source, the area); unseen : hatched spans nobody looked at
    low_edges : points of nearer, lower edges, a line of markers per source
    room : the required-room circle; margin : the dimension line from the ray to the nearest obstructed direction
    ray : the cross; labels : words placed; ticks : true azimuths and elevations along the frame
    compass_ticks : round bearings of the compass along the top
    half_seen : whether the hatch of what is not measured runs over ground that was seen, not far enough out
    """

    areas: list[tuple[str, PathPatch]]
    unseen: list[PathPatch]
    low_edges: list[Line2D]
    room: Circle | None
    margin: Line2D | None
    ray: Line2D
    labels: list[PlacedLabel]
    ticks: list[Text]
    compass_ticks: list[Text]
    partly_covered: bool = False


@dataclass(frozen=True, slots=True)
class _Window:
    """A direction in the middle of the paper and half the width around it, degrees."""

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
        """How far to either side azimuths can matter in the window."""
        rise = abs(self.elevation_deg) + 1.5 * self.half_deg
        reach = np.sin(np.deg2rad(min(1.5 * self.half_deg, 89.0)))
        return (
            180.0
            if rise >= 90.0
            else min(179.0, float(np.rad2deg(np.arcsin(min(1.0, reach / np.cos(np.deg2rad(rise)))))))
        )


def half_width_deg(result: SatelliteResult) -> float:
    """Half the width of sky to show: the room asked for and the room there is, with some air around."""
    needed, margin = required_room_deg(result) or 0.0, result.clearance.margin_deg or 0.0
    return float(np.ceil(np.clip(1.45 * max(needed, min(abs(margin), 24.0)), 6.0, 35.0)))


def draw_strip(
    ax: Axes, assessment: Assessment, result: SatelliteResult, *, theme: Theme = THEME
) -> StripArtists:
    """Draw the sky around one satellite on square axes; limits are set here."""
    look = result.look
    window = _Window(look.azimuth_deg or 0.0, look.elevation_apparent_deg, half_width_deg(result))
    ax.set_xlim(-window.half_deg, window.half_deg)
    ax.set_ylim(-window.half_deg, window.half_deg)
    ax.set_xticks([])
    ax.set_yticks([])
    seen = sky_areas(assessment.silhouettes)
    unseen = _draw_unseen(ax, assessment, window, theme)
    shapes = _draw_areas(ax, seen, window, theme)
    nearby = _within_window(uncovered_spans(assessment.silhouettes), window)
    crossed = [area for area in partly_covered(seen, nearby) if _on_paper_at_all(area, window)]
    low_edges = _draw_low_edges(ax, assessment, window, theme)
    ticks, compass_ticks = _draw_net(ax, result, window, compass_edge(assessment, result), theme)
    verdict = theme.verdicts[result.verdict]
    room, needed = None, required_room_deg(result)
    if needed is not None:
        ax.add_artist(Circle((0, 0), needed, fill=False, edgecolor=theme.paper, linewidth=4.5, zorder=14))
        room = Circle(
            (0, 0),
            needed,
            fill=False,
            edgecolor=theme.text,
            linewidth=2.0,
            linestyle=verdict.stroke,
            zorder=15,
        )
        ax.add_artist(room)
    (ray,) = ax.plot(
        [0],
        [0],
        marker="+",
        markersize=16,
        markeredgewidth=2.2,
        color=theme.text,
        linestyle="none",
        zorder=18,
    )
    margin = _draw_margin(ax, result, window, theme)
    avoid = [
        points_along(np.asarray(patch.get_path().vertices), window.half_deg / 40.0) for _, patch in shapes
    ] + ([] if needed is None else [_around(needed)])
    labels = place_labels(
        ax,
        _words(result, window, theme),
        keep_clear=[text_box(text) for text in (*ticks, *compass_ticks)],
        avoid=np.concatenate(avoid) if avoid else None,
        theme=theme,
    )
    return StripArtists(
        shapes, unseen, low_edges, room, margin, ray, labels, ticks, compass_ticks, bool(crossed)
    )


def _around(radius_deg: float) -> Floats:
    turn = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    return radius_deg * np.column_stack([np.cos(turn), np.sin(turn)])


def _dense(start_deg: float, stop_deg: float, step_deg: float = 0.5) -> Floats:
    return np.linspace(start_deg, stop_deg, max(2, int(np.ceil((stop_deg - start_deg) / step_deg)) + 1))


def _draw_unseen(ax: Axes, assessment: Assessment, window: _Window, theme: Theme) -> list[PathPatch]:
    blank, reach = theme.sources[""], window.turn_deg()
    drawn = []
    for start, stop in uncovered_spans(assessment.silhouettes):
        for _, low, high in _within(start, stop, window.azimuth_deg, reach):
            around = _dense(low, high)
            down = np.full(around.shape, max(-89.0, window.elevation_deg - 2.0 * window.half_deg))
            up = np.full(around.shape, min(89.9, window.elevation_deg + 2.0 * window.half_deg))
            outline = np.column_stack(
                window.place(np.concatenate([around, around[::-1]]), np.concatenate([down, up]))
            )
            patch = source_area([outline], blank, zorder=2.95, hollow=True)
            ax.add_artist(patch)
            drawn.append(patch)
    return drawn


def _within(
    start_deg: float, stop_deg: float, middle_deg: float, reach_deg: float
) -> list[tuple[float, float, float]]:
    """Parts of an azimuth span within reach_deg of middle_deg: the turn that brings it near, from, to."""
    parts = []
    for turn in (-360.0, 0.0, 360.0):
        low = max(start_deg + turn, middle_deg - reach_deg)
        high = min(stop_deg + turn, middle_deg + reach_deg)
        if high > low:
            parts.append((turn, low, high))
    return parts


def _within_window(spans: Sequence[tuple[float, float]], window: _Window) -> list[tuple[float, float]]:
    """The parts of azimuth spans that the window can show."""
    reach = min(window.half_deg / max(np.cos(np.deg2rad(window.elevation_deg)), 0.05), window.turn_deg())
    parts = [_within(start, stop, window.azimuth_deg, float(reach)) for start, stop in spans]
    return [(low, high) for part in parts for _, low, high in part if high - low > 0.02 * window.half_deg]


def _on_paper_at_all(area: Area, window: _Window) -> bool:
    return bool(area.top_deg.max() > window.elevation_deg - window.half_deg)


def _draw_areas(
    ax: Axes, shapes: Sequence[Area], window: _Window, theme: Theme
) -> list[tuple[str, PathPatch]]:
    """Ground and readings as skylines, farthest first; obstacles put together, with every edge they have."""
    drawn: list[tuple[str, PathPatch]] = []
    hanging: list[Floats] = []
    for area in shapes:
        for above, below in _on_paper(area, window):
            outline = np.concatenate([above, below[::-1]])
            if area.source == "obstacle":
                hanging.append(outline)
                continue
            source, zorder = theme.sources[area.source], 2.0 + 0.001 * len(drawn)
            drawn.append((area.source, source_area([outline], source, zorder=zorder)))
            ax.add_artist(drawn[-1][1])
            ax.add_artist(source_line(above, source, zorder=zorder))
    source = theme.sources["obstacle"]
    for rings in merged_outlines(hanging) if hanging else []:
        drawn.append(("obstacle", source_area(rings, source, zorder=3.0)))
        ax.add_artist(drawn[-1][1])
        for ring in rings:
            ax.add_artist(source_line(ring, source, zorder=3.1))
    return drawn


def _on_paper(area: Area, window: _Window) -> Iterator[tuple[Floats, Floats]]:
    """The parts of an area that reach into the window: upper and lower edge on paper."""
    bottom = window.elevation_deg - 2.0 * window.half_deg
    if area.top_deg.max() <= bottom:
        return
    first, last = float(area.azimuth_deg[0]), float(area.azimuth_deg[-1])
    for turn, low, high in _within(first, last, window.azimuth_deg, window.turn_deg()):
        around = area.azimuth_deg + turn
        between = around[(around > low) & (around < high)]
        inside = np.unique(np.concatenate([[low, high], between, _dense(low, high)]))
        floor = np.maximum(np.interp(inside, around, area.floor_deg), bottom)
        top = np.maximum(np.interp(inside, around, area.top_deg), floor)
        yield np.column_stack(window.place(inside, top)), np.column_stack(window.place(inside, floor))


def _draw_low_edges(ax: Axes, assessment: Assessment, window: _Window, theme: Theme) -> list[Line2D]:
    """Per source and azimuth the nearer, lower edge that asks for the most room, where one exists."""
    drawn = []
    for silhouette in assessment.silhouettes:
        index = _low_edge(silhouette, assessment, window)
        if not index.size:
            continue
        source = theme.sources[silhouette.source]
        x, y = window.place(silhouette.azimuth_deg[index], silhouette.elevation_deg[index])
        (line,) = ax.plot(
            x,
            y,
            linestyle="none",
            marker=source.marker,
            markersize=3.6,
            markerfacecolor=theme.paper,
            markeredgecolor=source.colour,
            markeredgewidth=1.0,
            zorder=12,
        )
        drawn.append(line)
    return drawn


def _low_edge(silhouette: Silhouette, assessment: Assessment, window: _Window) -> Ints:
    distance_m = np.where(
        np.isnan(silhouette.distance_m), assessment.criteria.assumed_distance_m, silhouette.distance_m
    )
    apart_deg = separation_deg(
        silhouette.azimuth_deg, silhouette.elevation_deg, window.azimuth_deg, window.elevation_deg
    )
    near = np.flatnonzero(
        (apart_deg < 1.45 * window.half_deg)
        & (np.asarray(silhouette.floor_deg) <= -89.9)
        & (distance_m > 0.0)
    )
    if not near.size:
        return near
    spare_deg = apart_deg[near] - room_angle_deg(distance_m[near], assessment.link)
    # one azimuth every fortieth of the window is enough to show the edge
    cell = np.round(wrap_180(silhouette.azimuth_deg[near] - window.azimuth_deg) / (window.half_deg / 20.0))
    order = np.lexsort((spare_deg, cell))
    tight = near[order[np.concatenate([[True], np.diff(cell[order]) > 0])]]
    order = np.lexsort((-silhouette.elevation_deg[near], cell))
    top = near[order[np.concatenate([[True], np.diff(cell[order]) > 0])]]
    lower = (silhouette.elevation_deg[tight] < silhouette.elevation_deg[top] - 0.05) & (
        distance_m[tight] < distance_m[top]
    )
    return np.asarray(tight[lower])


def _draw_net(
    ax: Axes, result: SatelliteResult, window: _Window, compass: Compass | None, theme: Theme
) -> tuple[list[Text], list[Text]]:
    """Lines of equal azimuth and elevation, named where they leave the frame; along the top the compass."""
    step = next((s for s in _STEPS_DEG if window.half_deg / s <= 4.0), 30.0)
    shrink = np.cos(np.deg2rad(window.elevation_deg))
    turn_step = next((s for s in _STEPS_DEG if s * shrink >= step * 0.8), 30.0)
    ticks = _draw_elevations(ax, window, step, theme)
    reach = window.turn_deg()
    for azimuth in _multiples(turn_step, window.azimuth_deg, reach):
        ax.plot(*window.place(*_upright(azimuth, window)), color=theme.rule, linewidth=0.6, zorder=6)
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


def _upright(azimuth_deg: float, window: _Window) -> tuple[Floats, Floats]:
    """Azimuths and elevations along one line of equal azimuth, as far as the window can show it."""
    low = max(-89.0, window.elevation_deg - 2 * window.half_deg)
    height = np.linspace(low, min(90.0, window.elevation_deg + 2 * window.half_deg), 90)
    return np.full(height.shape, azimuth_deg), height


def _draw_elevations(ax: Axes, window: _Window, step: float, theme: Theme) -> list[Text]:
    """Each line named at the left edge, or above the satellite where it closes around the zenith."""
    texts: list[Text] = []
    limit, reach = window.half_deg, window.turn_deg()
    around = _dense(window.azimuth_deg - reach, window.azimuth_deg + reach)
    style: dict[str, Any] = {"va": "center", "size": theme.small_pt, "color": theme.text}
    for elevation in np.arange(-90.0 + step, 90.0, step):
        if abs(elevation - window.elevation_deg) > 1.5 * limit:
            continue
        x, y = window.place(around, np.array(elevation))
        ax.plot(x, y, color=theme.rule, linewidth=1.4 if elevation == 0.0 else 0.6, zorder=6)
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
            paper = {"facecolor": theme.paper, "edgecolor": "none", "pad": 0.8}
            texts.append(
                add_text(ax, 0.0, rise, f"{elevation:g}°", ha="center", zorder=7, bbox=paper, **style)
            )
    return texts


def _edge_numbers(
    ax: Axes, window: _Window, least_step: float, turn_deg: float, *, top: bool, theme: Theme
) -> list[Text]:
    """Round numbers along the bottom or the top edge, as close as they can stand without touching.

    turn_deg : a direction reads its true azimuth less this
    """
    limit = window.half_deg
    style: dict[str, Any] = {"ha": "center", "size": theme.small_pt, "color": theme.text}
    for step in [s for s in (*_STEPS_DEG, 45.0, 90.0) if s >= least_step]:
        texts, marks = [], []
        for shown in _multiples(step, window.azimuth_deg - turn_deg, window.turn_deg()):
            x, y = window.place(*_upright(shown + turn_deg, window))
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


def _nearest(control: Controlling, margin_deg: float, window: _Window) -> tuple[float, float]:
    """Where the dimension line ends on paper: the edge named, or beside the ray where the thing stands higher."""
    turn_rad = np.deg2rad(wrap_180(control.azimuth_deg - window.azimuth_deg))
    # the foot of the perpendicular from the ray on the vertical circle (Napier's rules)
    foot = np.rad2deg(np.arctan2(np.tan(np.deg2rad(window.elevation_deg)), np.cos(turn_rad)))
    ends = [window.place(np.array(control.azimuth_deg), np.array(e)) for e in (control.elevation_deg, foot)]
    x, y = min(ends, key=lambda end: abs(float(np.hypot(*end)) - abs(margin_deg)))
    return float(x), float(y)


def _draw_margin(ax: Axes, result: SatelliteResult, window: _Window, theme: Theme) -> Line2D | None:
    control, margin = result.clearance.controlling, result.clearance.margin_deg
    if control is None or margin is None:
        return None
    x, y = _nearest(control, margin, window)
    ax.plot([0, float(x)], [0, float(y)], color=theme.paper, linewidth=4.5, zorder=16)
    (line,) = ax.plot(
        [0, float(x)],
        [0, float(y)],
        color=theme.text,
        linewidth=2.0,
        zorder=17,
        marker=(2, 0, float(np.rad2deg(np.arctan2(y, x)))),
        markersize=12,
        markeredgewidth=2.0,
    )
    return line


def _words(result: SatelliteResult, window: _Window, theme: Theme) -> list[Label]:
    control, margin, needed = (
        result.clearance.controlling,
        result.clearance.margin_deg,
        required_room_deg(result),
    )
    labels = []
    if control is not None and margin is not None:
        x, y = _nearest(control, margin, window)
        words = f"room {margin:.1f}°" if margin >= 0.0 else f"covered by {-margin:.1f}°"
        toward = 0.0 if abs(y) >= abs(x) else 90.0
        labels.append(
            Label(words, 0.55 * x, 0.55 * y, toward_deg=toward, size_pt=theme.body_pt, weight="bold")
        )
        name = control.name if len(control.name) <= 24 else control.name[:23] + "…"
        far = "" if not control.distance_m else f", {control.distance_m:.0f} m"
        far += " (assumed)" if control.distance_assumed else ""
        labels.append(Label(name + far, x, y, toward_deg=-60.0, size_pt=theme.small_pt))
    if needed is not None:
        corner = needed * np.sqrt(0.5)
        labels.append(
            Label(f"needed {needed:.1f}°", -corner, corner, toward_deg=120.0, size_pt=theme.body_pt)
        )
    labels.append(
        Label(result.satellite.name, 0.0, 0.0, toward_deg=60.0, size_pt=theme.small_pt, weight="bold")
    )
    return labels


def strip_figure(
    assessment: Assessment, satellite_name: str | None = None, *, heading: bool = True, theme: Theme = THEME
) -> Figure:
    """The whole sheet: title, window, key, and the satellite's row.

    heading : False leaves title and row out, for a page that says them
    """
    result = assessment.results[result_index(assessment, satellite_name)]
    compass, date = compass_edge(assessment, result), date_text(assessment)
    lines = [
        f"{assessment.site.name}: sky around {result.satellite.name}{', ' + date if date else ''}",
        mount_text(assessment.mount),
        "Angles from the cross are true in every direction",
    ]
    line_in = theme.small_pt / 72.0
    left_in = 3.6 * line_in + 0.12
    side_in = theme.width_in - left_in - 0.12
    above_in, below_in = (0.12 if compass is None else 3.1 * line_in), 3.5 * line_in
    title_in = title_height_in(lines, theme=theme) if heading else 0.0
    key_in = 1.65 * line_in * (1 if theme.width_in > 5.0 else 3) + 0.16
    rows_total_in = sum(row_heights_in([result], theme=theme)) if heading else 0.0
    height_in = title_in + above_in + side_in + below_in + key_in + rows_total_in + 0.05
    figure = new_figure(theme.width_in, height_in)
    used_in = (add_title(figure, lines, theme=theme) if heading else 0.0) + above_in
    place = (
        left_in / theme.width_in,
        1.0 - (used_in + side_in) / height_in,
        side_in / theme.width_in,
        side_in / height_in,
    )
    ax = figure.add_axes(place, label="strip")
    drawn = draw_strip(ax, assessment, result, theme=theme)
    style = {"ha": "center", "size": theme.body_pt, "color": theme.text, "transform": ax.transAxes}
    if compass is not None:
        add_text(ax, 0.5, 1.0 + 1.7 * line_in / side_in, compass.words, va="bottom", **style)
    add_text(ax, 0.5, -1.75 * line_in / side_in, "azimuth, true", va="top", **style)
    add_text(ax, -3.4 * line_in / side_in, 0.5, "elevation", rotation=90, va="center", **style)
    add_legend(figure, _key(drawn, theme), used_in + side_in + below_in + key_in / 2, theme=theme)
    if heading:
        add_rows(figure, [result], used_in + side_in + below_in + key_in, theme=theme)
    return figure


def _key(drawn: StripArtists, theme: Theme) -> list[Patch | Line2D]:
    shown = _shown(drawn)
    handles: list[Patch | Line2D] = [*source_handles(shown, theme=theme)]
    if drawn.partly_covered:
        handles.append(overlap_handle("seen, not far enough", theme=theme))
    for line in drawn.low_edges[:1]:
        marks = Line2D([], [])
        marks.update_from(line)
        marks.set_label("nearer, lower edge")
        handles.append(marks)
    return handles


def _limits(drawn: StripArtists) -> Bbox:
    return Bbox.from_extents(*drawn.ray.axes.viewLim.extents)  # type: ignore[union-attr]  # it has been drawn


def _shown(drawn: StripArtists) -> list[str]:
    """The sources that can be seen in the window, in the order of the key."""
    limits = _limits(drawn)
    seen = {source for source, patch in drawn.areas if patch.get_path().get_extents().overlaps(limits)}
    seen |= {"" for patch in drawn.unseen if patch.get_path().get_extents().overlaps(limits)}
    return [name for name in ("measured", "terrain", "obstacle", "") if name in seen]


def write_strip(path: str | PathLike[str], assessment: Assessment, satellite_name: str | None = None) -> None:
    """Write the strip around one satellite (the first unless named) as PNG, SVG or PDF by the file's suffix."""
    with fixed_settings():
        figure = strip_figure(assessment, satellite_name)
        save(path, figure, title=f"{assessment.site.name}: sky around the satellite")

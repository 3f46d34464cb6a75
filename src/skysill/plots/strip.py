"""The strip: the sky around one satellite, in which the room can be read in degrees.

Azimuth runs to the right and elevation upward, in an azimuthal equidistant projection about the satellite: every
distance from the cross is a true angle, so the required room is a circle and the margin has its true length at any
elevation. Lines of equal azimuth therefore converge a little towards the zenith.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from os import PathLike

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, PathPatch
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from skysill.assessment.clearance import Controlling
from skysill.assessment.results import Assessment, SatelliteResult
from skysill.horizon.silhouette import Silhouette
from skysill.plots.area_patches import draw_areas
from skysill.plots.captions import (
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
    partly_covered,
    points_along,
    sky_areas,
    uncovered_spans,
)
from skysill.plots.strip_grid import StripWindow, dense_steps, draw_grid
from skysill.plots.theme import (
    THEME,
    Theme,
    VerdictStyle,
    fixed_settings,
    new_figure,
    overlap_handle,
    save,
    source_area,
    source_handles,
)
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats, Ints, separation_deg, wrap_180

__all__ = ["StripArtists", "draw_strip", "half_width_deg", "strip_figure", "write_strip"]


@dataclass(frozen=True, slots=True, eq=False)
class StripArtists:
    """What was drawn.

    areas : (source, its area); uncovered : hatched spans that no source covers
    low_edges : points of nearer, lower edges, a line of markers for each source
    room : the required-room circle; margin : the dimension line from the ray to the nearest obstructed direction
    ray : the cross; labels : the labels placed; ticks : true azimuths and elevations along the frame
    compass_ticks : round bearings of the compass along the top
    partly_covered : whether the hatch of uncovered spans lies over terrain that was seen, but not far enough out
    """

    areas: list[tuple[str, PathPatch]]
    uncovered: list[PathPatch]
    low_edges: list[Line2D]
    room: Circle | None
    margin: Line2D | None
    ray: Line2D
    labels: list[PlacedLabel]
    ticks: list[Text]
    compass_ticks: list[Text]
    partly_covered: bool = False


def half_width_deg(result: SatelliteResult) -> float:
    """Half the width of sky to show, degrees: the required room and the margin, with some space around."""
    needed, margin = required_room_deg(result) or 0.0, result.clearance.margin_deg or 0.0
    return float(np.ceil(np.clip(1.45 * max(needed, min(abs(margin), 24.0)), 6.0, 35.0)))


def draw_strip(
    ax: Axes, assessment: Assessment, satellite_name: str | None = None, *, theme: Theme = THEME
) -> StripArtists:
    """Draw the sky around one satellite, with its required room and the margin to what obstructs.

    Parameters
    ----------
    ax : square axes at their final place in the figure; limits are set here
    assessment : its silhouettes are drawn
    satellite_name : one of the satellites assessed; the first when None
    theme : colours, styles and letter sizes

    Returns
    -------
    StripArtists

    Raises
    ------
    InputError : no satellite of that name was assessed

    >>> import skysill
    >>> from skysill.plots import draw_strip, new_figure
    >>> job = skysill.read_site_file("demo_terrain/byre.toml")
    >>> assessment = skysill.assess(job, job.mounts[0])
    >>> ax = new_figure(5.6, 5.6).add_axes((0.1, 0.1, 0.8, 0.8))
    >>> draw_strip(ax, assessment, "Demo South").margin is None
    False
    """
    result = assessment.results[result_index(assessment, satellite_name)]
    look = result.look
    window = StripWindow(look.azimuth_deg or 0.0, look.elevation_apparent_deg, half_width_deg(result))
    ax.set_xlim(-window.half_deg, window.half_deg)
    ax.set_ylim(-window.half_deg, window.half_deg)
    ax.set_xticks([])
    ax.set_yticks([])
    seen = sky_areas(assessment.silhouettes)
    uncovered = _draw_uncovered(ax, assessment, window, theme)
    shapes = draw_areas(ax, seen, lambda area: _projected_outlines(area, window), theme)
    uncovered_near = _within_window(uncovered_spans(assessment.silhouettes), window)
    crossed = [area for area in partly_covered(seen, uncovered_near) if _reaches_window(area, window)]
    low_edges = _draw_low_edges(ax, assessment, window, theme)
    ticks, compass_ticks = draw_grid(ax, result, window, compass_edge(assessment, result), theme)
    needed = required_room_deg(result)
    room = None if needed is None else _draw_required_room(ax, needed, theme.verdicts[result.verdict], theme)
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
    ] + ([] if needed is None else [_circle_points(needed)])
    labels = place_labels(
        ax,
        _labels(result, window, theme),
        keep_clear=[text_box(text) for text in (*ticks, *compass_ticks)],
        avoid=np.concatenate(avoid) if avoid else None,
        theme=theme,
    )
    return StripArtists(
        shapes, uncovered, low_edges, room, margin, ray, labels, ticks, compass_ticks, bool(crossed)
    )


def _draw_required_room(ax: Axes, radius_deg: float, verdict: VerdictStyle, theme: Theme) -> Circle:
    """The required room as a circle in the stroke of the verdict, on a wider one in the colour of the background."""
    halo = {"fill": False, "edgecolor": theme.background, "linewidth": 4.5, "zorder": 14}
    ax.add_artist(Circle((0, 0), radius_deg, **halo))
    style = {"fill": False, "edgecolor": theme.text, "linewidth": 2.0, "zorder": 15}
    room = Circle((0, 0), radius_deg, linestyle=verdict.stroke, **style)
    ax.add_artist(room)
    return room


def _circle_points(radius_deg: float) -> Floats:
    turn = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    return radius_deg * np.column_stack([np.cos(turn), np.sin(turn)])


def _draw_uncovered(ax: Axes, assessment: Assessment, window: StripWindow, theme: Theme) -> list[PathPatch]:
    blank, reach = theme.sources[""], window.turn_deg()
    drawn = []
    for start, stop in uncovered_spans(assessment.silhouettes):
        for _, low, high in _azimuth_overlaps(start, stop, window.azimuth_deg, reach):
            around = dense_steps(low, high)
            down = np.full(around.shape, max(-89.0, window.elevation_deg - 2.0 * window.half_deg))
            up = np.full(around.shape, min(89.9, window.elevation_deg + 2.0 * window.half_deg))
            outline = np.column_stack(
                window.place(np.concatenate([around, around[::-1]]), np.concatenate([down, up]))
            )
            patch = source_area([outline], blank, zorder=2.95, hollow=True)
            ax.add_artist(patch)
            drawn.append(patch)
    return drawn


def _azimuth_overlaps(
    start_deg: float, stop_deg: float, middle_deg: float, reach_deg: float
) -> list[tuple[float, float, float]]:
    """Parts of an azimuth span within reach_deg of middle_deg: (multiple of 360 added, from, to)."""
    parts = []
    for turn in (-360.0, 0.0, 360.0):
        low = max(start_deg + turn, middle_deg - reach_deg)
        high = min(stop_deg + turn, middle_deg + reach_deg)
        if high > low:
            parts.append((turn, low, high))
    return parts


def _within_window(spans: Sequence[tuple[float, float]], window: StripWindow) -> list[tuple[float, float]]:
    """The parts of azimuth spans that lie in the window."""
    reach = min(window.half_deg / max(np.cos(np.deg2rad(window.elevation_deg)), 0.05), window.turn_deg())
    parts = [_azimuth_overlaps(start, stop, window.azimuth_deg, float(reach)) for start, stop in spans]
    return [(low, high) for part in parts for _, low, high in part if high - low > 0.02 * window.half_deg]


def _reaches_window(area: Area, window: StripWindow) -> bool:
    return bool(area.top_deg.max() > window.elevation_deg - window.half_deg)


def _projected_outlines(area: Area, window: StripWindow) -> Iterator[tuple[Floats, Floats]]:
    """The parts of an area that reach into the window: upper and lower edge, projected."""
    bottom = window.elevation_deg - 2.0 * window.half_deg
    if area.top_deg.max() <= bottom:
        return
    first, last = float(area.azimuth_deg[0]), float(area.azimuth_deg[-1])
    for turn, low, high in _azimuth_overlaps(first, last, window.azimuth_deg, window.turn_deg()):
        around = area.azimuth_deg + turn
        between = around[(around > low) & (around < high)]
        inside = np.unique(np.concatenate([[low, high], between, dense_steps(low, high)]))
        floor = np.maximum(np.interp(inside, around, area.floor_deg), bottom)
        top = np.maximum(np.interp(inside, around, area.top_deg), floor)
        yield np.column_stack(window.place(inside, top)), np.column_stack(window.place(inside, floor))


def _draw_low_edges(ax: Axes, assessment: Assessment, window: StripWindow, theme: Theme) -> list[Line2D]:
    """For each source and azimuth the nearer, lower edge with the least excess, where there is one."""
    drawn = []
    for silhouette in assessment.silhouettes:
        index = _critical_low_edges(silhouette, assessment, window)
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
            markerfacecolor=theme.background,
            markeredgecolor=source.colour,
            markeredgewidth=1.0,
            zorder=12,
        )
        drawn.append(line)
    return drawn


def _critical_low_edges(silhouette: Silhouette, assessment: Assessment, window: StripWindow) -> Ints:
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
    excess_deg = apart_deg[near] - room_angle_deg(distance_m[near], assessment.link)
    # one azimuth in each fortieth of the window shows the edge
    cell = np.round(wrap_180(silhouette.azimuth_deg[near] - window.azimuth_deg) / (window.half_deg / 20.0))
    order = np.lexsort((excess_deg, cell))
    tight = near[order[np.concatenate([[True], np.diff(cell[order]) > 0])]]
    order = np.lexsort((-silhouette.elevation_deg[near], cell))
    top = near[order[np.concatenate([[True], np.diff(cell[order]) > 0])]]
    lower = (silhouette.elevation_deg[tight] < silhouette.elevation_deg[top] - 0.05) & (
        distance_m[tight] < distance_m[top]
    )
    return np.asarray(tight[lower])


def _margin_end(control: Controlling, margin_deg: float, window: StripWindow) -> tuple[float, float]:
    """End of the dimension line: the controlling edge, or the point beside the ray where the obstruction is higher."""
    turn_rad = np.deg2rad(wrap_180(control.azimuth_deg - window.azimuth_deg))
    # the foot of the perpendicular from the ray on the vertical circle (Napier's rules)
    foot = np.rad2deg(np.arctan2(np.tan(np.deg2rad(window.elevation_deg)), np.cos(turn_rad)))
    ends = [window.place(np.array(control.azimuth_deg), np.array(e)) for e in (control.elevation_deg, foot)]
    x, y = min(ends, key=lambda end: abs(float(np.hypot(*end)) - abs(margin_deg)))
    return float(x), float(y)


def _draw_margin(ax: Axes, result: SatelliteResult, window: StripWindow, theme: Theme) -> Line2D | None:
    control, margin = result.clearance.controlling, result.clearance.margin_deg
    if control is None or margin is None:
        return None
    x, y = _margin_end(control, margin, window)
    ax.plot([0, float(x)], [0, float(y)], color=theme.background, linewidth=4.5, zorder=16)
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


def _labels(result: SatelliteResult, window: StripWindow, theme: Theme) -> list[Label]:
    control, margin, needed = (
        result.clearance.controlling,
        result.clearance.margin_deg,
        required_room_deg(result),
    )
    labels = []
    if control is not None and margin is not None:
        x, y = _margin_end(control, margin, window)
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
    """The whole figure: title, window, legend, and the satellite's row.

    heading : False leaves title and row out, for a page that has them as text
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
    drawn = draw_strip(ax, assessment, satellite_name, theme=theme)
    style = {"ha": "center", "size": theme.body_pt, "color": theme.text, "transform": ax.transAxes}
    if compass is not None:
        add_text(ax, 0.5, 1.0 + 1.7 * line_in / side_in, compass.words, va="bottom", **style)
    add_text(ax, 0.5, -1.75 * line_in / side_in, "azimuth, true", va="top", **style)
    add_text(ax, -3.4 * line_in / side_in, 0.5, "elevation", rotation=90, va="center", **style)
    add_legend(figure, _legend_handles(drawn, theme), used_in + side_in + below_in + key_in / 2, theme=theme)
    if heading:
        add_rows(figure, [result], used_in + side_in + below_in + key_in, theme=theme)
    return figure


def _legend_handles(drawn: StripArtists, theme: Theme) -> list[Patch | Line2D]:
    shown = _visible_sources(drawn)
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


def _visible_sources(drawn: StripArtists) -> list[str]:
    """The sources visible in the window, in the order of the legend."""
    limits = _limits(drawn)
    seen = {source for source, patch in drawn.areas if patch.get_path().get_extents().overlaps(limits)}
    seen |= {"" for patch in drawn.uncovered if patch.get_path().get_extents().overlaps(limits)}
    return [name for name in ("measured", "terrain", "obstacle", "") if name in seen]


def write_strip(path: str | PathLike[str], assessment: Assessment, satellite_name: str | None = None) -> None:
    """Write the strip around one satellite (the first when None) as PNG, SVG or PDF by the file's suffix."""
    with fixed_settings():
        figure = strip_figure(assessment, satellite_name)
        save(path, figure, title=f"{assessment.site.name}: sky around the satellite")

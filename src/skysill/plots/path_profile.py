"""The path profile: the upright plane through the dish and one satellite, seen from the side.

Heights and distances are in the dish's own plane: along its horizontal, and above its centre. There the ray is
straight and the ground falls away below it by the Earth's curvature, over a radius enlarged by the refraction
factor; the picture says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch, Polygon

from skysill.assessment.pipeline import Assessment, SatelliteResult
from skysill.plots.captions import (
    add_legend,
    add_rows,
    add_title,
    date_text,
    mount_text,
    result_index,
    row_heights_in,
    title_height_in,
)
from skysill.plots.labels import Label, PlacedLabel, add_text, place_labels, text_box
from skysill.plots.theme import PALETTE, THEME, Theme, fixed_settings, new_figure, save, source_area
from skysill.plots.vertical_section import SectionFeature, VerticalSection
from skysill.radio.fresnel import first_fresnel_radius_m
from skysill.radio.required_room import room_m

__all__ = ["PathProfileArtists", "draw_section", "path_profile_figure", "write_path_profile"]

_ZONE, _PART = "#DCEEF9", "#A9D5F0"
_MOST_NAMED = 4


@dataclass(frozen=True, slots=True, eq=False)
class PathProfileArtists:
    """What was drawn: ground line and area, hatched unknown stretches, ray, zones by name, mast, things, labels."""

    ground: Line2D
    soil: list[PathPatch]
    unknown: list[PathPatch]
    ray: Line2D
    zones: dict[str, Polygon]
    mast: Line2D
    things: list[tuple[SectionFeature, Line2D]]
    labels: list[PlacedLabel]


def _left_in(theme: Theme) -> float:
    return 5.1 * theme.small_pt / 72.0 + 0.12


def _wide_in(theme: Theme) -> float:
    """Width of the axes in inches."""
    return theme.width_in - _left_in(theme) - 0.12


def draw_section(
    ax: Axes,
    plane: VerticalSection,
    *,
    far_m: float,
    height_in: float,
    from_m: float = 0.0,
    theme: Theme = THEME,
) -> PathProfileArtists:
    """Draw the upright plane out to far_m on axes `height_in` tall; limits are set here.

    from_m : things nearer than this are left to another panel
    """
    low, high = plane.limits_m(far_m, height_in, _wide_in(theme))
    ax.set_xlim(-0.06 * far_m, far_m)
    ax.set_ylim(low + plane.datum_m, high + plane.datum_m)
    ax.tick_params(labelsize=theme.small_pt, colors=theme.text, length=4)
    ax.grid(True, color=theme.faint, linewidth=0.5)
    ax.set_axisbelow(True)
    ground = _draw_ground(ax, plane, theme)
    soil, unknown = _draw_soil(ax, plane, far_m, theme)
    ray, zones = _draw_ray(ax, plane, far_m, theme)
    mast = _draw_mast(ax, plane, theme)
    things: list[tuple[SectionFeature, Line2D]] = []
    for thing in plane.things:
        if from_m < thing.level_m <= far_m and (thing.floor_m or low) < high and len(things) < _MOST_NAMED:
            things.append((thing, _draw_thing(ax, plane, thing, theme)))
    named = {(thing.name, thing.source): thing for thing, _ in reversed(things)}  # once, at its first place
    wanted = [_thing_label(plane, thing, theme) for thing in named.values()]
    wanted += _control_label(plane, from_m, far_m, theme)
    out_m = 0.62 * (min(far_m, high / plane.slope) if plane.slope > 0.0 else far_m)
    words = f"ray, {plane.result.look.elevation_apparent_deg:.1f}° up"
    wanted.append(Label(words, out_m, out_m * plane.slope + plane.datum_m, 130.0, theme.small_pt))
    along = np.linspace(0.0, far_m, 60)
    lines = [np.column_stack([along, along * plane.slope + plane.datum_m])]
    for _, line in things:
        foot, top = np.asarray(line.get_xydata())
        lines.append(np.linspace(foot, top, 20))
    said = [text_box(text) for text in ax.texts]
    labels = place_labels(ax, wanted, keep_clear=said, avoid=np.concatenate(lines), theme=theme)
    return PathProfileArtists(ground, soil, unknown, ray, zones, mast, things, labels)


def _draw_ground(ax: Axes, plane: VerticalSection, theme: Theme) -> Line2D:
    source = theme.sources["terrain" if plane.known else ""]
    (line,) = ax.plot(
        plane.level_m,
        plane.rise_m + plane.datum_m,
        color=source.colour,
        linewidth=1.8,
        zorder=10,
        linestyle="solid" if plane.known else source.stroke,
    )
    return line


def _draw_soil(
    ax: Axes, plane: VerticalSection, far_m: float, theme: Theme
) -> tuple[list[PathPatch], list[PathPatch]]:
    """The body of the ground, and hatched bands where nobody knows it."""
    low, high = ax.get_ylim()
    soil: list[PathPatch] = []
    unknown: list[PathPatch] = []
    missing = np.isnan(plane.rise_m)
    runs = np.split(np.arange(missing.size), np.flatnonzero(np.diff(missing.astype(int))) + 1)
    for run in runs:
        if missing[run[0]]:
            left = plane.level_m[max(run[0] - 1, 0)]
            right = plane.level_m[min(run[-1] + 1, missing.size - 1)]
            outline = np.array([[left, low], [left, high], [right, high], [right, low]])
            source, kept, zorder = theme.sources[""], unknown, 1
            if min(right, far_m) - left > 0.15 * far_m:
                _say_unknown(ax, (left + min(right, far_m)) / 2.0, theme)
        else:
            top = np.column_stack([plane.level_m[run], plane.rise_m[run] + plane.datum_m])
            outline = np.concatenate([top, [[top[-1, 0], low], [top[0, 0], low]]])
            source, kept, zorder = theme.sources["terrain" if plane.known else ""], soil, 4
        patch = source_area([outline], source, zorder=zorder)
        ax.add_artist(patch)
        kept.append(patch)
    return soil, unknown


def _say_unknown(ax: Axes, level_m: float, theme: Theme) -> None:
    low, high = ax.get_ylim()
    style = {"size": theme.small_pt, "color": theme.text, "ha": "center", "va": "center", "zorder": 15}
    paper = {"facecolor": theme.paper, "edgecolor": "none", "pad": 1.5}
    add_text(ax, level_m, low + 0.12 * (high - low), "ground\nnot known", bbox=paper, **style)


def _draw_ray(
    ax: Axes, plane: VerticalSection, far_m: float, theme: Theme
) -> tuple[Line2D, dict[str, Polygon]]:
    """The centre ray, and around it the first Fresnel zone, the part of it asked for, and the required room."""
    out, up = math.cos(plane.up_rad), math.sin(plane.up_rad)
    along = np.concatenate([[0.0], np.geomspace(0.02, 1.2 * far_m / max(out, 0.05), 120)])
    link = plane.assessment.link
    zone = first_fresnel_radius_m(along, frequency_ghz=link.frequency_ghz)
    room = room_m(along, link)
    zones: dict[str, Polygon] = {}
    for name, half in (("zone", zone), ("part", link.fresnel_fraction * zone), ("room", room)):
        there, side = np.concatenate([along, along[::-1]]), np.concatenate([half, -half[::-1]])
        outline = np.column_stack([there * out - side * up, there * up + side * out + plane.datum_m])
        zones[name] = Polygon(outline, closed=True, linewidth=1.1, **_zone_style(name, theme))
        ax.add_artist(zones[name])
    ends = along[[0, -1]]
    (ray,) = ax.plot(
        ends * out,
        ends * up + plane.datum_m,
        color=theme.text,
        linewidth=1.6,
        linestyle=theme.verdicts[plane.result.verdict].stroke,
        zorder=11,
    )
    return ray, zones


def _zone_style(name: str, theme: Theme) -> dict[str, Any]:
    edge = {"edgecolor": PALETTE["blue"]}
    return {
        "zone": {"facecolor": _ZONE, **edge, "linestyle": (0, (1, 1.5)), "zorder": 7},
        "part": {"facecolor": _PART, **edge, "linestyle": (0, (4, 1.5)), "zorder": 8},
        "room": {"facecolor": "none", "edgecolor": theme.text, "linestyle": "solid", "zorder": 9},
    }[name]


def _draw_mast(ax: Axes, plane: VerticalSection, theme: Theme) -> Line2D:
    foot = plane.datum_m - plane.assessment.mount.height_m
    (mast,) = ax.plot(
        [0.0, 0.0], [foot, plane.datum_m], color=theme.text, linewidth=3.0, zorder=12, solid_capstyle="butt"
    )
    low = plane.rise_m[~np.isnan(plane.rise_m)]
    if low.size and low[0] + plane.datum_m < foot - 0.05:  # it stands on a wall or roof the ground line lacks
        base = [float(low[0]) + plane.datum_m, foot]
        ax.plot([0.0, 0.0], base, color=theme.rule, linewidth=2.0, linestyle=(0, (2, 1.5)), zorder=11)
    half = plane.assessment.terminal.dish_diameter_m / 2.0
    out, up = half * math.sin(plane.up_rad), half * math.cos(plane.up_rad)
    ax.plot(
        [out, -out],
        [plane.datum_m - up, plane.datum_m + up],
        color=theme.text,
        linewidth=3.4,
        zorder=13,
        solid_capstyle="round",
    )
    return mast


def _draw_thing(ax: Axes, plane: VerticalSection, thing: SectionFeature, theme: Theme) -> Line2D:
    source, floor_m = theme.sources[thing.source], thing.floor_m
    if floor_m is None:
        ground = ~np.isnan(plane.rise_m)
        floor_m = ax.get_ylim()[0] - plane.datum_m
        if ground.any():
            floor_m = float(np.interp(thing.level_m, plane.level_m[ground], plane.rise_m[ground]))
    (line,) = ax.plot(
        [thing.level_m, thing.level_m],
        [min(floor_m, thing.top_m) + plane.datum_m, thing.top_m + plane.datum_m],
        color=source.colour,
        linestyle=source.stroke,
        linewidth=2.6,
        marker=source.marker,
        markersize=7,
        markevery=[1],
        markerfacecolor=source.fill,
        markeredgecolor=source.colour,
        markeredgewidth=1.6,
        zorder=14,
    )
    return line


def _room_words(result: SatelliteResult) -> str:
    clearance = result.clearance
    if clearance.clearance_m is None or clearance.required_m is None:
        return ""
    room = f"{abs(clearance.clearance_m):.2f} m" if abs(clearance.clearance_m) < 100.0 else ""
    room = room or f"{abs(clearance.clearance_m):.0f} m"
    if clearance.clearance_m < 0.0:
        return f"\ncovers the ray by {room}"
    return f"\nroom {room}, needed {clearance.required_m:.2f} m"


def _controls(plane: VerticalSection, thing: SectionFeature) -> bool:
    control = plane.result.clearance.controlling
    return control is not None and (control.name, control.source) == (thing.name, thing.source)


def _thing_label(plane: VerticalSection, thing: SectionFeature, theme: Theme) -> Label:
    mine = _controls(plane, thing)
    name = thing.name if len(thing.name) <= 24 else thing.name[:23] + "…"
    far = f", {thing.distance_m:.0f} m" + (" (assumed)" if thing.assumed else "")
    words = name + far + (_room_words(plane.result) if mine else "")
    weight = "bold" if mine else "normal"
    return Label(words, thing.level_m, thing.top_m + plane.datum_m, -45.0, theme.small_pt, weight)


def _control_label(plane: VerticalSection, from_m: float, far_m: float, theme: Theme) -> list[Label]:
    """What controls, where it is ground, or stands aside of the plane."""
    control = plane.result.clearance.controlling
    if control is None or not control.distance_m or any(_controls(plane, thing) for thing in plane.things):
        return []
    up_rad = math.radians(control.elevation_deg)
    level, rise = control.distance_m * math.cos(up_rad), control.distance_m * math.sin(up_rad)
    if not from_m < level <= far_m:
        return []
    words = f"{control.name}, {control.distance_m:.0f} m{_room_words(plane.result)}"
    return [Label(words, level, rise + plane.datum_m, 100.0, theme.small_pt, "bold")]


def path_profile_figure(
    assessment: Assessment, satellite_name: str | None = None, *, heading: bool = True, theme: Theme = THEME
) -> Figure:
    """The whole sheet: title, one panel or two (far and near), key, and the satellite's row.

    heading : False leaves title and row out, for a page that says them
    """
    plane = VerticalSection.of(assessment, result_index(assessment, satellite_name))
    ranges, line_in, wide_in = plane.ranges_m(), theme.small_pt / 72.0, _wide_in(theme)
    panels = [(far_m, *plane.panel(far_m, wide_in)) for far_m in ranges]
    key_in, gap_in = 1.65 * line_in * (2 if theme.width_in > 5.0 else 3) + 0.1, 5.3 * line_in
    title_in = title_height_in(_title_words(plane), theme=theme) if heading else 0.0
    words_in = sum(row_heights_in([plane.result], theme=theme)) if heading else 0.0
    height_in = title_in + 0.24 + sum(panel[1] + gap_in for panel in panels) + key_in + words_in + 0.05
    figure = new_figure(theme.width_in, height_in)
    at_in = 0.24 + (add_title(figure, _title_words(plane), theme=theme) if heading else 0.0)
    for far_m, panel_in, stretch in panels:
        place = (
            _left_in(theme) / theme.width_in,
            1.0 - (at_in + panel_in) / height_in,
            wide_in / theme.width_in,
            panel_in / height_in,
        )
        ax = figure.add_axes(place, label=f"path to {far_m:.0f} m")
        nearer_m = ranges[-1] if far_m > ranges[-1] else 0.0
        draw_section(ax, plane, far_m=far_m, height_in=panel_in, from_m=nearer_m, theme=theme)
        shape = "true proportions" if abs(stretch - 1.0) < 0.02 else f"heights drawn {stretch:.1f} times"
        near = "near the dish, " if len(panels) > 1 and nearer_m == 0.0 else ""
        _axis_words(ax, plane, near + shape, theme)
        at_in += panel_in + gap_in
    add_legend(figure, _key(plane, theme), at_in - 1.2 * line_in + key_in / 2, columns=3, theme=theme)
    if heading:
        add_rows(figure, [plane.result], at_in + key_in, theme=theme)
    return figure


def _title_words(plane: VerticalSection) -> list[str]:
    date, factor = date_text(plane.assessment), plane.assessment.criteria.refraction_factor
    return [
        f"{plane.assessment.site.name}: path to {plane.result.satellite.name}{', ' + date if date else ''}",
        mount_text(plane.assessment.mount),
        f"Ground lowered for Earth curvature, refraction factor {factor:.2f}"
        if plane.known
        else "Ground along the way not known: drawn flat",
    ]


def _axis_words(ax: Axes, plane: VerticalSection, shape: str, theme: Theme) -> None:
    style = {"size": theme.small_pt, "color": theme.text, "transform": ax.transAxes}
    known = plane.assessment.mount.antenna_elevation_m is not None
    figure = ax.get_figure(root=True)
    assert figure is not None
    height_in = ax.get_position().height * figure.get_size_inches()[1]
    across = "elevation, m" if known else "above the mount's foot, m"
    left = -5.0 * theme.small_pt / 72.0 / _wide_in(theme)
    add_text(ax, left, 0.5, across, rotation=90, va="center", ha="center", **style)
    add_text(
        ax,
        0.5,
        -2.0 * theme.small_pt / 72.0 / height_in,
        "distance from the dish, m",
        va="top",
        ha="center",
        **style,
    )
    add_text(ax, 1.0, 1.0 + 0.04 / height_in, shape, va="bottom", ha="right", **style)


def _key(plane: VerticalSection, theme: Theme) -> Sequence[Any]:
    part = f"{plane.assessment.criteria.fresnel_fraction:g} of the zone"
    zone, middle = (
        {k: v for k, v in _zone_style(n, theme).items() if k != "zorder"} for n in ("zone", "part")
    )
    handles: list[Any] = [
        Line2D([], [], color=theme.text, linewidth=1.1, label="required room"),
        Patch(label="first Fresnel zone", **zone),
        Patch(label=part, **middle),
    ]
    if plane.known:
        handles.append(Line2D([], [], color=theme.sources["terrain"].colour, linewidth=2.0, label="ground"))
    for name in ("measured", "obstacle"):
        if any(thing.source == name for thing in plane.things):
            source = theme.sources[name]
            line = Line2D(
                [], [], color=source.colour, linestyle=source.stroke, linewidth=2.0, label=source.word
            )
            line.set_marker(source.marker)
            line.set_markerfacecolor(source.fill)
            handles.append(line)
    return handles


def write_path_profile(
    path: str | PathLike[str], assessment: Assessment, satellite_name: str | None = None
) -> None:
    """Write the path profile of a satellite (the first unless named) as PNG, SVG or PDF by the file's suffix."""
    with fixed_settings():
        figure = path_profile_figure(assessment, satellite_name)
        save(path, figure, title=f"{assessment.site.name}: path profile")

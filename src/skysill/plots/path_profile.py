"""The path profile: the vertical plane through the dish and one satellite, seen from the side.

Distances are along the horizontal plane of the dish, heights above its centre. In this frame the ray is straight, and
the ground is lowered by the Earth's curvature with a radius enlarged by the refraction factor; the picture says so.
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

from skysill.assessment.results import Assessment, SatelliteResult
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
from skysill.plots.theme import (
    PALETTE,
    THEME,
    Theme,
    axes_size_in,
    fixed_settings,
    new_figure,
    save,
    source_area,
)
from skysill.plots.vertical_section import SectionFeature, VerticalSection
from skysill.radio.fresnel import first_fresnel_radius_m
from skysill.radio.required_room import room_m

__all__ = ["PathProfileArtists", "draw_path_profile", "path_profile_figure", "write_path_profile"]

_ZONE, _PART = "#DCEEF9", "#A9D5F0"
_MOST_NAMED = 4


@dataclass(frozen=True, slots=True, eq=False)
class PathProfileArtists:
    """What was drawn.

    ground, ground_area : line and areas of the ground; unknown : hatched parts without ground data
    zones : "zone" (first Fresnel zone), "part" (the fraction asked for), "room" (required room)
    features : each reading or obstacle with its line
    """

    ground: Line2D
    ground_area: list[PathPatch]
    unknown: list[PathPatch]
    ray: Line2D
    zones: dict[str, Polygon]
    mast: Line2D
    features: list[tuple[SectionFeature, Line2D]]
    labels: list[PlacedLabel]


def _left_margin_in(theme: Theme) -> float:
    return 5.1 * theme.small_pt / 72.0 + 0.12


def _panel_width_in(theme: Theme) -> float:
    """Width of the axes in inches."""
    return theme.width_in - _left_margin_in(theme) - 0.12


def draw_path_profile(
    ax: Axes,
    assessment: Assessment,
    satellite_name: str | None = None,
    *,
    far_m: float | None = None,
    from_m: float = 0.0,
    theme: Theme = THEME,
) -> PathProfileArtists:
    """Draw the vertical plane through the dish and one satellite: ground, ray, Fresnel zone, obstructions.

    Parameters
    ----------
    ax : axes at their final place in the figure; limits are set here, axis titles are left to the caller
    assessment : its `paths` hold the ground; without them the ground is drawn flat
    satellite_name : one of the satellites assessed; the first when None
    far_m : how far out to draw, metres; as far as anything matters when None
    from_m : readings and obstacles nearer than this are left to another drawing
    theme : colours, styles and letter sizes

    Returns
    -------
    PathProfileArtists

    Raises
    ------
    InputError : no satellite of that name was assessed

    >>> import skysill
    >>> from skysill.plots import draw_path_profile, new_figure
    >>> job = skysill.read_site_file("demo_terrain/byre.toml")
    >>> assessment = skysill.assess(job, job.mounts[0])
    >>> ax = new_figure(5.6, 4.0).add_axes((0.15, 0.15, 0.8, 0.8))
    >>> drawn = draw_path_profile(ax, assessment, "Demo South", far_m=25.0)
    >>> [feature.name for feature, _ in drawn.features]
    ['barn, its gutter']
    """
    section = VerticalSection.of(assessment, result_index(assessment, satellite_name))
    far_m = section.ranges_m()[0] if far_m is None else far_m
    return _draw_section(ax, section, far_m=far_m, from_m=from_m, theme=theme)


def _draw_section(
    ax: Axes, section: VerticalSection, *, far_m: float, from_m: float, theme: Theme
) -> PathProfileArtists:
    width_in, height_in = axes_size_in(ax)
    low, high = section.limits_m(far_m, height_in, width_in)
    ax.set_xlim(-0.06 * far_m, far_m)
    ax.set_ylim(low + section.datum_m, high + section.datum_m)
    ax.tick_params(labelsize=theme.small_pt, colors=theme.text, length=4)
    ax.grid(True, color=theme.faint_line, linewidth=0.5)
    ax.set_axisbelow(True)
    ground = _draw_ground(ax, section, theme)
    ground_area, unknown = _draw_ground_area(ax, section, far_m, theme)
    ray, zones = _draw_ray(ax, section, far_m, theme)
    mast = _draw_mast(ax, section, theme)
    features: list[tuple[SectionFeature, Line2D]] = []
    for feature in section.features:
        if (
            from_m < feature.level_m <= far_m
            and (feature.floor_m or low) < high
            and len(features) < _MOST_NAMED
        ):
            features.append((feature, _draw_feature(ax, section, feature, theme)))
    named = {
        (feature.name, feature.source): feature for feature, _ in reversed(features)
    }  # once, at its first position
    wanted = [_feature_label(section, feature, theme) for feature in named.values()]
    wanted += _controlling_label(section, from_m, far_m, theme)
    out_m = 0.62 * (min(far_m, high / section.slope) if section.slope > 0.0 else far_m)
    words = f"ray, {section.result.look.elevation_apparent_deg:.1f}° up"
    wanted.append(Label(words, out_m, out_m * section.slope + section.datum_m, 130.0, theme.small_pt))
    along = np.linspace(0.0, far_m, 60)
    lines = [np.column_stack([along, along * section.slope + section.datum_m])]
    for _, line in features:
        foot, top = np.asarray(line.get_xydata())
        lines.append(np.linspace(foot, top, 20))
    text_boxes = [text_box(text) for text in ax.texts]
    labels = place_labels(ax, wanted, keep_clear=text_boxes, avoid=np.concatenate(lines), theme=theme)
    return PathProfileArtists(ground, ground_area, unknown, ray, zones, mast, features, labels)


def _draw_ground(ax: Axes, section: VerticalSection, theme: Theme) -> Line2D:
    source = theme.sources["terrain" if section.known else ""]
    (line,) = ax.plot(
        section.level_m,
        section.rise_m + section.datum_m,
        color=source.colour,
        linewidth=1.8,
        zorder=10,
        linestyle="solid" if section.known else source.stroke,
    )
    return line


def _draw_ground_area(
    ax: Axes, section: VerticalSection, far_m: float, theme: Theme
) -> tuple[list[PathPatch], list[PathPatch]]:
    """Areas below the ground line, and hatched bands where the ground is unknown."""
    low, high = ax.get_ylim()
    ground_area: list[PathPatch] = []
    unknown: list[PathPatch] = []
    missing = np.isnan(section.rise_m)
    runs = np.split(np.arange(missing.size), np.flatnonzero(np.diff(missing.astype(int))) + 1)
    for run in runs:
        if missing[run[0]]:
            left = section.level_m[max(run[0] - 1, 0)]
            right = section.level_m[min(run[-1] + 1, missing.size - 1)]
            outline = np.array([[left, low], [left, high], [right, high], [right, low]])
            source, kept, zorder = theme.sources[""], unknown, 1
            if min(right, far_m) - left > 0.15 * far_m:
                _label_unknown(ax, (left + min(right, far_m)) / 2.0, theme)
        else:
            top = np.column_stack([section.level_m[run], section.rise_m[run] + section.datum_m])
            outline = np.concatenate([top, [[top[-1, 0], low], [top[0, 0], low]]])
            source, kept, zorder = theme.sources["terrain" if section.known else ""], ground_area, 4
        patch = source_area([outline], source, zorder=zorder)
        ax.add_artist(patch)
        kept.append(patch)
    return ground_area, unknown


def _label_unknown(ax: Axes, level_m: float, theme: Theme) -> None:
    low, high = ax.get_ylim()
    style = {"size": theme.small_pt, "color": theme.text, "ha": "center", "va": "center", "zorder": 15}
    text_box_style = {"facecolor": theme.background, "edgecolor": "none", "pad": 1.5}
    add_text(ax, level_m, low + 0.12 * (high - low), "ground\nnot known", bbox=text_box_style, **style)


def _draw_ray(
    ax: Axes, section: VerticalSection, far_m: float, theme: Theme
) -> tuple[Line2D, dict[str, Polygon]]:
    """The centre ray, and around it the first Fresnel zone, the part of it asked for, and the required room."""
    out, up = math.cos(section.elevation_rad), math.sin(section.elevation_rad)
    along = np.concatenate([[0.0], np.geomspace(0.02, 1.2 * far_m / max(out, 0.05), 120)])
    link = section.assessment.link
    zone = first_fresnel_radius_m(along, frequency_ghz=link.frequency_ghz)
    room = room_m(along, link)
    zones: dict[str, Polygon] = {}
    for name, half in (("zone", zone), ("part", link.fresnel_fraction * zone), ("room", room)):
        there, side = np.concatenate([along, along[::-1]]), np.concatenate([half, -half[::-1]])
        outline = np.column_stack([there * out - side * up, there * up + side * out + section.datum_m])
        zones[name] = Polygon(outline, closed=True, linewidth=1.1, **_zone_style(name, theme))
        ax.add_artist(zones[name])
    ends = along[[0, -1]]
    (ray,) = ax.plot(
        ends * out,
        ends * up + section.datum_m,
        color=theme.text,
        linewidth=1.6,
        linestyle=theme.verdicts[section.result.verdict].stroke,
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


def _draw_mast(ax: Axes, section: VerticalSection, theme: Theme) -> Line2D:
    foot = section.datum_m - section.assessment.mount.height_m
    (mast,) = ax.plot(
        [0.0, 0.0], [foot, section.datum_m], color=theme.text, linewidth=3.0, zorder=12, solid_capstyle="butt"
    )
    low = section.rise_m[~np.isnan(section.rise_m)]
    if (
        low.size and low[0] + section.datum_m < foot - 0.05
    ):  # the mount stands on a wall or roof that the ground line does not show
        base = [float(low[0]) + section.datum_m, foot]
        ax.plot([0.0, 0.0], base, color=theme.line, linewidth=2.0, linestyle=(0, (2, 1.5)), zorder=11)
    half = section.assessment.terminal.dish_diameter_m / 2.0
    out, up = half * math.sin(section.elevation_rad), half * math.cos(section.elevation_rad)
    ax.plot(
        [out, -out],
        [section.datum_m - up, section.datum_m + up],
        color=theme.text,
        linewidth=3.4,
        zorder=13,
        solid_capstyle="round",
    )
    return mast


def _draw_feature(ax: Axes, section: VerticalSection, feature: SectionFeature, theme: Theme) -> Line2D:
    source, floor_m = theme.sources[feature.source], feature.floor_m
    if floor_m is None:
        ground = ~np.isnan(section.rise_m)
        floor_m = ax.get_ylim()[0] - section.datum_m
        if ground.any():
            floor_m = float(np.interp(feature.level_m, section.level_m[ground], section.rise_m[ground]))
    (line,) = ax.plot(
        [feature.level_m, feature.level_m],
        [min(floor_m, feature.top_m) + section.datum_m, feature.top_m + section.datum_m],
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


def _room_text(result: SatelliteResult) -> str:
    clearance = result.clearance
    if clearance.clearance_m is None or clearance.required_m is None:
        return ""
    room = f"{abs(clearance.clearance_m):.2f} m" if abs(clearance.clearance_m) < 100.0 else ""
    room = room or f"{abs(clearance.clearance_m):.0f} m"
    if clearance.clearance_m < 0.0:
        return f"\ncovers the ray by {room}"
    return f"\nroom {room}, needed {clearance.required_m:.2f} m"


def _is_controlling(section: VerticalSection, feature: SectionFeature) -> bool:
    control = section.result.clearance.controlling
    return control is not None and (control.name, control.source) == (feature.name, feature.source)


def _feature_label(section: VerticalSection, feature: SectionFeature, theme: Theme) -> Label:
    controlling = _is_controlling(section, feature)
    name = feature.name if len(feature.name) <= 24 else feature.name[:23] + "…"
    distance = f", {feature.distance_m:.0f} m" + (" (assumed)" if feature.assumed else "")
    words = name + distance + (_room_text(section.result) if controlling else "")
    weight = "bold" if controlling else "normal"
    return Label(words, feature.level_m, feature.top_m + section.datum_m, -45.0, theme.small_pt, weight)


def _controlling_label(section: VerticalSection, from_m: float, far_m: float, theme: Theme) -> list[Label]:
    """The label of the controlling obstruction where it is ground, or stands beside the plane."""
    control = section.result.clearance.controlling
    if (
        control is None
        or not control.distance_m
        or any(_is_controlling(section, feature) for feature in section.features)
    ):
        return []
    elevation_rad = math.radians(control.elevation_deg)
    level, rise = control.distance_m * math.cos(elevation_rad), control.distance_m * math.sin(elevation_rad)
    if not from_m < level <= far_m:
        return []
    words = f"{control.name}, {control.distance_m:.0f} m{_room_text(section.result)}"
    return [Label(words, level, rise + section.datum_m, 100.0, theme.small_pt, "bold")]


def path_profile_figure(
    assessment: Assessment, satellite_name: str | None = None, *, heading: bool = True, theme: Theme = THEME
) -> Figure:
    """The whole figure: title, one panel or two (far and near), legend, and the satellite's row.

    heading : False leaves title and row out, for a page that has them as text
    """
    section = VerticalSection.of(assessment, result_index(assessment, satellite_name))
    ranges, line_in, wide_in = section.ranges_m(), theme.small_pt / 72.0, _panel_width_in(theme)
    panels = [(far_m, *section.panel(far_m, wide_in)) for far_m in ranges]
    key_in, gap_in = 1.65 * line_in * (2 if theme.width_in > 5.0 else 3) + 0.1, 5.3 * line_in
    title_in = title_height_in(_title_lines(section), theme=theme) if heading else 0.0
    words_in = sum(row_heights_in([section.result], theme=theme)) if heading else 0.0
    height_in = title_in + 0.24 + sum(panel[1] + gap_in for panel in panels) + key_in + words_in + 0.05
    figure = new_figure(theme.width_in, height_in)
    at_in = 0.24 + (add_title(figure, _title_lines(section), theme=theme) if heading else 0.0)
    for far_m, panel_in, stretch in panels:
        place = (
            _left_margin_in(theme) / theme.width_in,
            1.0 - (at_in + panel_in) / height_in,
            wide_in / theme.width_in,
            panel_in / height_in,
        )
        ax = figure.add_axes(place, label=f"path to {far_m:.0f} m")
        nearer_m = ranges[-1] if far_m > ranges[-1] else 0.0
        _draw_section(ax, section, far_m=far_m, from_m=nearer_m, theme=theme)
        shape = "true proportions" if abs(stretch - 1.0) < 0.02 else f"heights drawn {stretch:.1f} times"
        near = "near the dish, " if len(panels) > 1 and nearer_m == 0.0 else ""
        _add_axis_titles(ax, section, near + shape, theme)
        at_in += panel_in + gap_in
    add_legend(
        figure, _legend_handles(section, theme), at_in - 1.2 * line_in + key_in / 2, columns=3, theme=theme
    )
    if heading:
        add_rows(figure, [section.result], at_in + key_in, theme=theme)
    return figure


def _title_lines(section: VerticalSection) -> list[str]:
    date, factor = date_text(section.assessment), section.assessment.criteria.refraction_factor
    return [
        f"{section.assessment.site.name}: path to {section.result.satellite.name}{', ' + date if date else ''}",
        mount_text(section.assessment.mount),
        f"Ground lowered for Earth curvature, refraction factor {factor:.2f}"
        if section.known
        else "Ground along the way not known: drawn flat",
    ]


def _add_axis_titles(ax: Axes, section: VerticalSection, shape: str, theme: Theme) -> None:
    style = {"size": theme.small_pt, "color": theme.text, "transform": ax.transAxes}
    known = section.assessment.mount.antenna_elevation_m is not None
    height_in = axes_size_in(ax)[1]
    across = "elevation, m" if known else "above the mount's foot, m"
    left = -5.0 * theme.small_pt / 72.0 / _panel_width_in(theme)
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


def _legend_handles(section: VerticalSection, theme: Theme) -> Sequence[Any]:
    part = f"{section.assessment.criteria.fresnel_fraction:g} of the zone"
    zone, middle = (
        {k: v for k, v in _zone_style(n, theme).items() if k != "zorder"} for n in ("zone", "part")
    )
    handles: list[Any] = [
        Line2D([], [], color=theme.text, linewidth=1.1, label="required room"),
        Patch(label="first Fresnel zone", **zone),
        Patch(label=part, **middle),
    ]
    if section.known:
        handles.append(Line2D([], [], color=theme.sources["terrain"].colour, linewidth=2.0, label="ground"))
    for name in ("measured", "obstacle"):
        if any(feature.source == name for feature in section.features):
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
    """Write the path profile of a satellite (the first when None) as PNG, SVG or PDF by the file's suffix."""
    with fixed_settings():
        figure = path_profile_figure(assessment, satellite_name)
        save(path, figure, title=f"{assessment.site.name}: path profile")

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
from matplotlib.patches import Patch, Polygon

from skysill.assess import Assessment, SatelliteResult
from skysill.fresnel import first_fresnel_radius_m, required_angle_deg, required_room_m
from skysill.horizon.terrain import PathProfile
from skysill.units import Floats, cross_track_deg, separation_deg, wrap_180
from skysill.views.captions import chosen, rows, rows_in, stands, title, when
from skysill.views.ink import INK, PALETTE, Ink, drawing, new_figure, save
from skysill.views.labels import Label, Placed, place_labels, write

__all__ = [
    "PathArtists",
    "Standing",
    "draw_path",
    "path_figure",
    "ranges_m",
    "standing",
    "write_path_profile",
]

_WIDE_IN, _LEFT_IN = 4.72, 0.76
_LOW_IN, _TALL_IN = 1.7, 3.0
_ZONE, _PART = "#DCEEF9", "#A9D5F0"
_MOST_NAMED = 4


@dataclass(frozen=True, slots=True)
class Standing:
    """One thing near the upright plane, at the place where it leaves the least room.

    level_m, top_m, floor_m : along the dish's horizontal and above its centre; floor_m None: stands on the ground
    """

    source: str
    name: str
    level_m: float
    top_m: float
    floor_m: float | None
    distance_m: float
    assumed: bool
    spare_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class PathArtists:
    """What was drawn: ground line and area, hatched unknown stretches, ray, zones by name, mast, things, labels."""

    ground: Line2D
    soil: list[Polygon]
    unknown: list[Polygon]
    ray: Line2D
    zones: dict[str, Polygon]
    mast: Line2D
    things: list[tuple[Standing, Line2D]]
    labels: list[Placed]


def standing(assessment: Assessment, result: SatelliteResult) -> list[Standing]:
    """Measured readings and obstacles within the required room of the satellite's azimuth, least spare first."""
    look, terminal, criteria = result.look, assessment.terminal, assessment.criteria
    azimuth_deg, found = look.azimuth_deg or 0.0, []
    for silhouette in assessment.silhouettes:
        if silhouette.source == "terrain" or not len(silhouette):
            continue
        unknown = np.isnan(silhouette.distance_m)
        distance_m = np.where(unknown, criteria.assumed_distance_m, silhouette.distance_m)
        needed_deg = required_angle_deg(
            np.maximum(distance_m, 0.01),
            dish_diameter_m=terminal.dish_diameter_m,
            frequency_ghz=terminal.lowest_ghz,
            fresnel_fraction=criteria.fresnel_fraction,
        )
        turn_deg = wrap_180(silhouette.azimuth_deg - azimuth_deg)
        aside_deg = np.where(
            np.abs(turn_deg) < 90.0, cross_track_deg(turn_deg, silhouette.elevation_deg), 180.0
        )
        near = np.flatnonzero((aside_deg <= np.maximum(needed_deg, 0.5)) & (distance_m > 0.0))
        spare_deg = (
            separation_deg(
                silhouette.azimuth_deg, silhouette.elevation_deg, azimuth_deg, look.elevation_apparent_deg
            )
            * np.where(silhouette.elevation_deg > look.elevation_apparent_deg, -1.0, 1.0)
            - needed_deg
        )
        for thing in np.unique(silhouette.thing[near]):
            mine = near[silhouette.thing[near] == thing]
            at = int(mine[np.argmin(spare_deg[mine])])
            up, floor = np.deg2rad(silhouette.elevation_deg[at]), float(np.asarray(silhouette.floor_deg)[at])
            far = float(distance_m[at])
            found.append(
                Standing(
                    source=silhouette.source,
                    name=silhouette.things[int(thing)].name,
                    level_m=far * float(np.cos(up)),
                    top_m=far * float(np.sin(up)),
                    floor_m=None if floor <= -89.9 else far * math.sin(math.radians(floor)),
                    distance_m=far,
                    assumed=bool(unknown[at]),
                    spare_deg=float(spare_deg[at]),
                )
            )
    return sorted(found, key=lambda thing: (thing.spare_deg, thing.name))


def ranges_m(assessment: Assessment, result: SatelliteResult, path: PathProfile | None) -> list[float]:
    """How far out each panel goes, metres: as far as anything matters, and the near zone too where that is far.

    The far end is beyond the controlling obstruction and beyond the ground that stands highest against the sky.
    """
    things = [thing.level_m for thing in standing(assessment, result)]
    control = result.clearance.controlling
    far = 1.35 * control.distance_m if control is not None and control.distance_m else 0.0
    if path is not None and path.level_m.size > 1:
        beyond = (path.level_m > 5.0) & ~np.isnan(path.rise_m)
        if beyond.any():
            slope = np.where(beyond, path.rise_m / np.maximum(path.level_m, 1.0), -np.inf)
            far = max(far, 1.25 * float(path.level_m[int(np.argmax(slope))]))
        far = min(far, float(path.distance_m[-1]))
    near = [thing for thing in things if thing <= 120.0]
    far = max(far, 1.4 * max(things, default=0.0), 25.0)
    if far <= 150.0:
        return [far]
    return [far, max(25.0, 1.5 * max(near, default=0.0))]


def _ground(assessment: Assessment, path: PathProfile | None, far_m: float) -> tuple[Floats, Floats]:
    """Ground along the dish's horizontal and above its centre; flat where no raster tells."""
    if path is not None:
        return path.level_m, path.rise_m
    mount, site = assessment.mount, assessment.site
    below = mount.height_m
    if mount.antenna_elevation_m is not None and site.ground_elevation_m is not None:
        below = mount.antenna_elevation_m - site.ground_elevation_m
    return np.array([0.0, 2.0 * far_m]), np.array([-below, -below])


def draw_path(
    ax: Axes, assessment: Assessment, index: int, *, far_m: float, height_in: float, ink: Ink = INK
) -> PathArtists:
    """Draw the upright plane out to far_m on axes `height_in` tall and 4.72 inches wide; limits are set here."""
    result = assessment.results[index]
    path = assessment.paths[index] if index < len(assessment.paths) else None
    datum_m = assessment.mount.antenna_elevation_m
    datum_m = assessment.mount.height_m if datum_m is None else datum_m
    low, high = _limits(assessment, result, path, far_m, height_in)
    ax.set_xlim(-0.06 * far_m, far_m)
    ax.set_ylim(low + datum_m, high + datum_m)
    ax.tick_params(labelsize=ink.small_pt, colors=ink.text, length=4)
    ax.grid(True, color=ink.faint, linewidth=0.5)
    ax.set_axisbelow(True)
    ground, soil, unknown = _draw_ground(ax, assessment, path, far_m, datum_m, ink)
    ray, zones = _draw_ray(ax, assessment, result, far_m, datum_m, ink)
    mast = _draw_mast(ax, assessment, result, datum_m, ink)
    things: list[tuple[Standing, Line2D]] = []
    wanted: list[Label] = []
    for thing in standing(assessment, result):
        if thing.level_m > far_m or len(things) >= _MOST_NAMED:
            continue
        things.append((thing, _draw_thing(ax, assessment, path, thing, datum_m, ink)))
        wanted.append(_thing_label(result, thing, datum_m))
    wanted += _control_label(result, wanted, far_m, datum_m)
    share = 0.62 * min(
        far_m, (high - 0.0) / max(math.tan(math.radians(max(result.look.elevation_apparent_deg, 0.5))), 1e-6)
    )
    rise = share * math.tan(math.radians(result.look.elevation_apparent_deg)) + datum_m
    wanted.append(
        Label(f"ray, {result.look.elevation_apparent_deg:.1f}° up", share, rise, 130.0, ink.small_pt)
    )
    along = np.linspace(0.0, far_m, 60)
    avoid = np.column_stack(
        [along, along * math.tan(math.radians(result.look.elevation_apparent_deg)) + datum_m]
    )
    labels = place_labels(ax, wanted, avoid=avoid, ink=ink)
    return PathArtists(ground, soil, unknown, ray, zones, mast, things, labels)


def _limits(
    assessment: Assessment, result: SatelliteResult, path: PathProfile | None, far_m: float, height_in: float
) -> tuple[float, float]:
    """Lowest and highest shown above the dish, metres; true proportions where the panel's height allows."""
    level, rise = _ground(assessment, path, far_m)
    seen = rise[(level <= far_m) & ~np.isnan(rise)]
    bottom = min(-assessment.mount.height_m, float(seen.min()) if seen.size else 0.0)
    top = far_m * math.tan(math.radians(max(result.look.elevation_apparent_deg, 0.0)))
    top = max(
        top, float(seen.max()) if seen.size else 0.0, *(t.top_m for t in standing(assessment, result)), 2.0
    )
    bottom -= 0.05 * (top - bottom) + 0.3
    top += 0.06 * (top - bottom)
    shape = 1.06 * far_m * height_in / _WIDE_IN  # metres tall at true proportions
    return bottom, min(top, bottom + shape) if top - bottom > shape else top


def _panel_in(assessment: Assessment, index: int, far_m: float) -> tuple[float, float]:
    """Height of a panel in inches, and how many times heights are stretched in it."""
    result = assessment.results[index]
    path = assessment.paths[index] if index < len(assessment.paths) else None
    low, high = _limits(assessment, result, path, far_m, 1e9)
    height_in = min(max(_WIDE_IN * (high - low) / (1.06 * far_m), _LOW_IN), _TALL_IN)
    low, high = _limits(assessment, result, path, far_m, height_in)
    return height_in, (height_in / (high - low)) / (_WIDE_IN / (1.06 * far_m))


def _draw_ground(
    ax: Axes, assessment: Assessment, path: PathProfile | None, far_m: float, datum_m: float, ink: Ink
) -> tuple[Line2D, list[Polygon], list[Polygon]]:
    level, rise = _ground(assessment, path, far_m)
    source, blank = ink.sources["terrain" if path is not None else ""], ink.sources[""]
    low, high = ax.get_ylim()
    soil, unknown = [], []
    (line,) = ax.plot(
        level,
        rise + datum_m,
        color=source.colour,
        linewidth=1.8,
        zorder=5,
        linestyle="solid" if path is not None else blank.stroke,
    )
    missing = np.isnan(rise)
    edges = np.flatnonzero(np.diff(missing.astype(int))) + 1
    for run in np.split(np.arange(level.size), edges):
        if missing[run[0]]:
            left = level[max(run[0] - 1, 0)] if path is None else path.distance_m[max(run[0] - 1, 0)]
            right = (path.distance_m if path is not None else level)[min(run[-1] + 1, level.size - 1)]
            box = np.array([[left, low], [left, high], [right, high], [right, low]])
            unknown.append(
                Polygon(
                    box,
                    closed=True,
                    facecolor=blank.fill,
                    edgecolor=blank.colour,
                    hatch=blank.hatch,
                    linewidth=0.0,
                    zorder=1,
                )
            )
            ax.add_patch(unknown[-1])
            continue
        outline = np.concatenate(
            [
                np.column_stack([level[run], rise[run] + datum_m]),
                [[level[run[-1]], low], [level[run[0]], low]],
            ]
        )
        soil.append(
            Polygon(
                outline,
                closed=True,
                facecolor=source.fill,
                edgecolor=source.colour,
                hatch=source.hatch,
                linewidth=0.0,
                zorder=4,
            )
        )
        ax.add_patch(soil[-1])
    return line, soil, unknown


def _draw_ray(
    ax: Axes, assessment: Assessment, result: SatelliteResult, far_m: float, datum_m: float, ink: Ink
) -> tuple[Line2D, dict[str, Polygon]]:
    """The centre ray, and around it the first Fresnel zone, the part of it asked for, and the required room."""
    up_rad = math.radians(result.look.elevation_apparent_deg)
    along = np.concatenate([[0.0], np.geomspace(0.02, 1.2 * far_m / max(math.cos(up_rad), 0.05), 120)])
    terminal, fraction = assessment.terminal, assessment.criteria.fresnel_fraction
    zone = first_fresnel_radius_m(along, frequency_ghz=terminal.lowest_ghz)
    room = required_room_m(
        along,
        dish_diameter_m=terminal.dish_diameter_m,
        frequency_ghz=terminal.lowest_ghz,
        fresnel_fraction=fraction,
    )
    zones: dict[str, Polygon] = {}
    looks: dict[str, dict[str, Any]] = {
        "zone": {"facecolor": _ZONE, "edgecolor": PALETTE["blue"], "linestyle": (0, (1, 1.5)), "zorder": 7},
        "part": {"facecolor": _PART, "edgecolor": PALETTE["blue"], "linestyle": (0, (4, 1.5)), "zorder": 8},
        "room": {"facecolor": "none", "edgecolor": ink.text, "linestyle": "solid", "zorder": 9},
    }
    for name, half in (("zone", zone), ("part", fraction * zone), ("room", room)):
        side = np.concatenate([half, -half[::-1]])
        there = np.concatenate([along, along[::-1]])
        x = there * math.cos(up_rad) - side * math.sin(up_rad)
        y = there * math.sin(up_rad) + side * math.cos(up_rad)
        zones[name] = Polygon(np.column_stack([x, y + datum_m]), closed=True, linewidth=1.1, **looks[name])
        ax.add_patch(zones[name])
    ends = along[[0, -1]]
    (ray,) = ax.plot(
        ends * math.cos(up_rad),
        ends * math.sin(up_rad) + datum_m,
        color=ink.text,
        linewidth=1.6,
        linestyle=ink.verdicts[result.verdict].stroke,
        zorder=11,
    )
    return ray, zones


def _draw_mast(ax: Axes, assessment: Assessment, result: SatelliteResult, datum_m: float, ink: Ink) -> Line2D:
    up_rad, half = math.radians(result.look.elevation_apparent_deg), assessment.terminal.dish_diameter_m / 2.0
    (mast,) = ax.plot(
        [0.0, 0.0],
        [datum_m - assessment.mount.height_m, datum_m],
        color=ink.text,
        linewidth=3.0,
        zorder=12,
        solid_capstyle="butt",
    )
    ax.plot(
        [half * math.sin(up_rad), -half * math.sin(up_rad)],
        [datum_m - half * math.cos(up_rad), datum_m + half * math.cos(up_rad)],
        color=ink.text,
        linewidth=3.4,
        zorder=13,
        solid_capstyle="round",
    )
    return mast


def _draw_thing(
    ax: Axes, assessment: Assessment, path: PathProfile | None, thing: Standing, datum_m: float, ink: Ink
) -> Line2D:
    source = ink.sources[thing.source]
    floor_m = thing.floor_m
    if floor_m is None:
        level, rise = _ground(assessment, path, thing.level_m + 1.0)
        ground = ~np.isnan(rise)
        below = (
            float(np.interp(thing.level_m, level[ground], rise[ground]))
            if ground.any()
            else ax.get_ylim()[0] - datum_m
        )
        floor_m = min(below, thing.top_m)
    (line,) = ax.plot(
        [thing.level_m, thing.level_m],
        [floor_m + datum_m, thing.top_m + datum_m],
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
    if clearance.clearance_m < 0.0:
        return f"\ncovers the ray by {-clearance.clearance_m:.2f} m"
    return f"\nroom {clearance.clearance_m:.2f} m, needed {clearance.required_m:.2f} m"


def _thing_label(result: SatelliteResult, thing: Standing, datum_m: float) -> Label:
    control = result.clearance.controlling
    mine = control is not None and control.name == thing.name and control.source == thing.source
    name = thing.name if len(thing.name) <= 24 else thing.name[:23] + "…"
    far = f", {thing.distance_m:.0f} m" + (" (assumed)" if thing.assumed else "")
    words = name + far + (_room_words(result) if mine else "")
    return Label(
        words, thing.level_m, thing.top_m + datum_m, -45.0, INK.small_pt, "bold" if mine else "normal"
    )


def _control_label(
    result: SatelliteResult, said: Sequence[Label], far_m: float, datum_m: float
) -> list[Label]:
    """The controlling ground, where no thing's label has said it already."""
    control = result.clearance.controlling
    if control is None or not control.distance_m or any(label.weight == "bold" for label in said):
        return []
    up_rad = math.radians(control.elevation_deg)
    level, rise = control.distance_m * math.cos(up_rad), control.distance_m * math.sin(up_rad)
    if level > far_m:
        return []
    words = f"{control.name}, {control.distance_m:.0f} m{_room_words(result)}"
    return [Label(words, level, rise + datum_m, 100.0, INK.small_pt, "bold")]


def path_figure(assessment: Assessment, satellite_name: str | None = None, *, ink: Ink = INK) -> Figure:
    """The whole sheet: title, one panel or two (far and near), key, and the satellite's row."""
    index = chosen(assessment, satellite_name)
    result = assessment.results[index]
    path = assessment.paths[index] if index < len(assessment.paths) else None
    ranges = ranges_m(assessment, result, path)
    panels = [(far_m, *_panel_in(assessment, index, far_m)) for far_m in ranges]
    key_in, gap_in = 0.62, 0.66
    height_in = 1.0 + sum(panel[1] + gap_in for panel in panels) + key_in + sum(rows_in([result])) + 0.05
    figure = new_figure(ink.width_in, height_in)
    date = when(assessment)
    at_in = (
        title(
            figure,
            [
                f"{assessment.site.name}: path to {result.satellite.name}{', ' + date if date else ''}",
                stands(assessment.mount),
                _curvature_words(assessment, path),
            ],
            ink=ink,
        )
        + 0.24
    )
    for far_m, panel_in, stretch in panels:
        ax = figure.add_axes(
            (
                _LEFT_IN / ink.width_in,
                1.0 - (at_in + panel_in) / height_in,
                _WIDE_IN / ink.width_in,
                panel_in / height_in,
            ),
            label=f"path to {far_m:.0f} m",
        )
        draw_path(ax, assessment, index, far_m=far_m, height_in=panel_in, ink=ink)
        _axis_words(
            figure, ax, assessment, stretch, at_in, panel_in, len(panels) > 1 and far_m == ranges[-1], ink
        )
        at_in += panel_in + gap_in
    handles, columns = _key(assessment, path, ink)
    figure.legend(
        handles=handles,
        loc="center",
        ncols=columns,
        fontsize=ink.small_pt,
        frameon=False,
        handlelength=2.2,
        bbox_to_anchor=(0.5, 1.0 - (at_in - 0.1 + key_in / 2) / height_in),
        columnspacing=1.4,
        borderpad=0.0,
    )
    rows(figure, [result], at_in + key_in, ink=ink)
    return figure


def _curvature_words(assessment: Assessment, path: PathProfile | None) -> str:
    if path is None:
        return "Ground not known: drawn flat"
    return (
        f"Ground lowered for Earth curvature, refraction factor {assessment.criteria.refraction_factor:.2f}"
    )


def _axis_words(
    figure: Figure,
    ax: Axes,
    assessment: Assessment,
    stretch: float,
    at_in: float,
    panel_in: float,
    near: bool,
    ink: Ink,
) -> None:
    width_in, height_in = figure.get_size_inches()
    known = assessment.mount.antenna_elevation_m is not None
    across = "elevation, m" if known else "above the mount's foot, m"
    style = {"size": ink.small_pt, "color": ink.text}
    write(
        figure,
        0.13 / width_in,
        1.0 - (at_in + panel_in / 2) / height_in,
        across,
        rotation=90,
        va="center",
        ha="center",
        **style,
    )
    middle = (_LEFT_IN + _WIDE_IN / 2) / width_in
    write(
        figure,
        middle,
        1.0 - (at_in + panel_in + 0.25) / height_in,
        "distance from the dish, m",
        va="top",
        ha="center",
        **style,
    )
    shape = "true proportions" if abs(stretch - 1.0) < 0.02 else f"heights drawn {stretch:.1f} times"
    words = f"near the dish, {shape}" if near else shape
    write(
        figure,
        (_LEFT_IN + _WIDE_IN) / width_in,
        1.0 - (at_in - 0.04) / height_in,
        words,
        va="bottom",
        ha="right",
        **style,
    )


def _key(assessment: Assessment, path: PathProfile | None, ink: Ink) -> tuple[list[Any], int]:
    part = f"{assessment.criteria.fresnel_fraction:g} of it"
    blue = PALETTE["blue"]
    handles: list[Any] = [
        Line2D([], [], color=ink.text, linewidth=1.1, label="required room"),
        Patch(facecolor=_ZONE, edgecolor=blue, linestyle=(0, (1, 1.5)), label="first Fresnel zone"),
        Patch(facecolor=_PART, edgecolor=blue, linestyle=(0, (4, 1.5)), label=part),
    ]
    for name in ("terrain", "measured", "obstacle"):
        if any(s.source == name for s in assessment.silhouettes) or (name == "terrain" and path is not None):
            source = ink.sources[name]
            handles.append(
                Line2D(
                    [],
                    [],
                    color=source.colour,
                    linestyle="solid" if name == "terrain" else source.stroke,
                    marker="" if name == "terrain" else source.marker,
                    markerfacecolor=source.fill,
                    linewidth=2.0,
                    label="ground" if name == "terrain" else source.word,
                )
            )
    return handles, 3


def write_path_profile(
    path: str | PathLike[str], assessment: Assessment, satellite_name: str | None = None
) -> None:
    """Write the path profile of one satellite (the first unless named) as PNG, SVG or PDF by the file's suffix."""
    with drawing():
        figure = path_figure(assessment, satellite_name)
        save(path, figure, title=f"{assessment.site.name}: path profile")

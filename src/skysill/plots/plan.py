"""The property from above: what stands around, where the dish may stand, and what the ground before it may hold.

Two drawings on one sheet, both north up with a scale: the surroundings with each satellite's line, and the roof
with every spot of the search by its least mast.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, PathPatch, Polygon
from matplotlib.transforms import Bbox, ScaledTranslation
from numpy.typing import ArrayLike

from skysill.assessment.overhead_lines import LINE_RANK, lines_listed
from skysill.horizon.obstacles import Obstacle
from skysill.horizon.roof_surface import OWN_ROOF, RoofDoubts, roof_doubts, roof_triangles
from skysill.plots.captions import add_legend, add_title, title_height_in
from skysill.plots.labels import Label, add_text, place_labels
from skysill.plots.theme import (
    PALETTE,
    THEME,
    Theme,
    fixed_settings,
    new_figure,
    save,
    source_area,
    source_line,
)
from skysill.pointing.look_vector import LookVector
from skysill.radio.required_room import room_m
from skysill.siting.allowed_heights import allowed_height_m, ground_along
from skysill.siting.mount_rows import MountRow, MountsFound, spot_lines
from skysill.siting.mounts import Searched
from skysill.units import Floats

__all__ = ["PlanArtists", "draw_plan", "draw_roof", "plan_figure", "write_plan"]

_CLASSES: tuple[tuple[float, str, str, str], ...] = (
    (1.0, PALETTE["sky blue"], "o", "up to 1 m"),
    (2.0, PALETTE["bluish green"], "^", "up to 2 m"),
    (4.0, PALETTE["yellow"], "s", "up to 4 m"),
    (np.inf, PALETTE["orange"], "D", "taller"),
)
"""Least mast: colour and marker of each class; spots that no mast serves are crosses."""

_WARNINGS = {
    1: ("$!$", 6.0, "! line in reach"),
    2: ("$!!$", 7.0, "!! line too near"),
}
"""By `LineDistances.severity`: marker, its size, words of the key."""

_AROUND_M = 27.0
_TOLD_M = (10.0, 20.0, 30.0)
_MOST_NAMED = 8
_LEFT_IN = 0.12
_ASIDE_M = 7.0


@dataclass(frozen=True, slots=True, eq=False)
class PlanArtists:
    """What was drawn.

    obstacles : one artist an obstacle; lines, strips : one a satellite; spots : one a class of mast; route : the cable
    warnings : beside spots that an overhead line comes near, one a degree
    """

    obstacles: tuple[Any, ...] = ()
    lines: tuple[Line2D, ...] = ()
    strips: tuple[Polygon, ...] = ()
    spots: tuple[Line2D, ...] = ()
    route: Line2D | None = None
    warnings: tuple[Line2D, ...] = ()


def draw_plan(
    ax: Axes, found: MountsFound, *, around_m: float = _AROUND_M, theme: Theme = THEME
) -> PlanArtists:
    """What stands around, with heights, and from the best mount each satellite's line and the strip that matters."""
    best, job = found.mounts[0], found.job
    assert job is not None
    foot = np.array([best.east_m, best.north_m])
    # most of the paper for what lies before the dish
    middle = foot + 0.62 * around_m * _ways(found.looks).mean(axis=0)
    _square(ax, middle, around_m)
    scene = () if job.sources.scene is None else job.sources.scene.obstacles
    shown = [o for o in scene if o.name != OWN_ROOF and _reaches(o, middle, around_m)]
    drawn = tuple(_draw_obstacle(ax, o, theme) for o in shown)
    if job.roof is not None:
        ax.add_patch(
            Polygon(job.roof.outline, closed=True, fill=False, edgecolor=theme.text, linewidth=1.6, zorder=5)
        )
    artists = [_draw_line(ax, found, look, best, theme) for look in found.looks]
    ax.plot(*foot, marker="o", markersize=6, color=theme.text, markerfacecolor=theme.paper, zorder=9)
    labels = [label for *_, told in artists for label in told]
    labels += _heights_of(shown, found, ax)
    labels.append(_label(f"{best.name}{_line_words(best)}", foot, 90.0, theme.small_pt, weight="bold"))
    place_labels(ax, labels, keep_clear=_north_and_scale(ax, 10.0, theme), theme=theme)
    return PlanArtists(drawn, tuple(a[0] for a in artists), tuple(a[1] for a in artists))


def _ways(looks: Sequence[LookVector]) -> Floats:
    azimuth = np.deg2rad([look.azimuth_deg or 0.0 for look in looks])
    return np.stack([np.sin(azimuth), np.cos(azimuth)], axis=1)


def _label(text: str, at: ArrayLike, toward_deg: float, size_pt: float, weight: str = "normal") -> Label:
    east, north = np.asarray(at, dtype=float)
    return Label(text, float(east), float(north), toward_deg=toward_deg, size_pt=size_pt, weight=weight)


def _square(ax: Axes, middle: Floats, half_m: float) -> None:
    wide = ax.get_position().width * ax.get_figure(root=True).get_size_inches()[0]  # type: ignore[union-attr]  # it has one
    high = ax.get_position().height * ax.get_figure(root=True).get_size_inches()[1]  # type: ignore[union-attr]  # it has one
    ax.set_xlim(middle[0] - half_m, middle[0] + half_m)
    ax.set_ylim(middle[1] - half_m * high / wide, middle[1] + half_m * high / wide)
    ax.set_aspect("equal")
    ax.set_xticks([])
    ax.set_yticks([])
    for spine in ax.spines.values():
        spine.set_linewidth(0.8)


def _reaches(obstacle: Obstacle, middle: Floats, around_m: float) -> bool:
    """Whether any of its bounding box lies within the square drawn."""
    plan = obstacle.vertices_m[:, :2]
    wide = obstacle.crown_radius_m if obstacle.crown else 0.0
    low, high = plan.min(axis=0) - wide, plan.max(axis=0) + wide
    return bool((low < middle + around_m).all() and (high > middle - around_m).all())


def _draw_obstacle(ax: Axes, obstacle: Obstacle, theme: Theme) -> Any:
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
            ax.add_patch(_plain(source_area([ring[:, :2] for ring in area], source, zorder=2), obstacle))
            for area in obstacle.areas_m
        ]
        return patches[0]
    line = source_line(obstacle.line_m[:, :2], source, zorder=4)
    if obstacle.kind == "wire":
        line.set(color=PALETTE["vermillion"], linestyle=(0, (1.5, 1.5)), linewidth=1.8)
    return ax.add_line(line)


def _plain(patch: PathPatch, obstacle: Obstacle) -> PathPatch:
    """Roofs as outlines over the walls' fill: hatch over hatch is mud."""
    if obstacle.kind == "roof":
        patch.set(facecolor="none", hatch=None, linewidth=0.6, edgecolor=THEME.sources["obstacle"].colour)
    else:
        patch.set(hatch=None, linewidth=1.0)
    return patch


def _draw_line(
    ax: Axes, found: MountsFound, look: LookVector, best: MountRow, theme: Theme
) -> tuple[Line2D, Polygon, list[Label]]:
    """A satellite's azimuth, the strip as wide as the room it needs, and how tall things may be along it."""
    assert found.job is not None
    job, foot = found.job, np.array([best.east_m, best.north_m])
    way = _ways([look])[0]
    side = np.array([way[1], -way[0]])
    low, high = np.array([ax.get_xlim(), ax.get_ylim()]).T
    edge_m = float(
        min((np.where(w > 0, high, low)[i] - foot[i]) / w for i, w in enumerate(way) if abs(w) > 1e-9)
    )
    plan = np.linspace(0.05, edge_m, 60)
    half = room_m(plan / max(np.cos(np.deg2rad(look.elevation_apparent_deg)), 1e-6), job.link)
    centre = foot + plan[:, None] * way
    ring = np.concatenate([centre + half[:, None] * side, (centre - half[:, None] * side)[::-1]])
    style = {"facecolor": theme.faint, "alpha": 0.55, "edgecolor": theme.rule, "linewidth": 0.5, "zorder": 1}
    strip = Polygon(ring, closed=True, **style)
    ax.add_patch(strip)
    line = ax.plot(*np.stack([foot, centre[-1]]).T, color=theme.text, linewidth=1.1, zorder=6)[0]
    outward = 180.0 if way[0] < -0.2 else 0.0  # each line's words on its own side
    labels = [_allowed(found, look, best, foot + d * way, d, outward) for d in _TOLD_M if d < 0.9 * edge_m]
    for label in labels:
        ax.plot(label.x, label.y, "o", color=theme.text, markersize=3.5, zorder=7)
    name = f"{look.satellite} {look.azimuth_deg or 0.0:.0f}°"
    return (
        line,
        strip,
        [_label(name, foot + 0.95 * edge_m * way, outward, theme.body_pt, weight="bold"), *labels],
    )


def _allowed(
    found: MountsFound, look: LookVector, best: MountRow, at: Floats, distance_m: float, toward_deg: float
) -> Label:
    assert found.job is not None
    ground, surface = found.job.site.ground_elevation_m, best.surface_elevation_m
    raised = best.height_m + (0.0 if ground is None or surface is None else surface - ground)
    along = ground_along(
        found.job,
        east_m=best.east_m,
        north_m=best.north_m,
        azimuth_deg=look.azimuth_deg or 0.0,
        distances_m=distance_m,
    )
    height = allowed_height_m(
        distance_m,
        elevation_deg=look.elevation_apparent_deg,
        antenna_height_m=raised - along.rise_m[0],
        link=found.job.link,
    )
    return _label(f"≤ {np.floor(float(height) * 10.0) / 10.0:.1f} m at {distance_m:g} m", at, toward_deg, 8.0)


def _heights_of(shown: Sequence[Obstacle], found: MountsFound, ax: Axes) -> list[Label]:
    """Heights over their ground of the things nearest to the lines; the own house is left out."""
    assert found.job is not None
    best, roof, ways = found.mounts[0], found.job.roof, _ways(found.looks)
    low, high = np.array([ax.get_xlim(), ax.get_ylim()]).T
    house = np.zeros((0, 2)) if roof is None else np.asarray(roof.outline)
    wanted = []
    for obstacle in shown:
        centre = np.array(obstacle.centre_m)
        own = len(house) and bool(
            ((centre > house.min(axis=0) - 0.5) & (centre < house.max(axis=0) + 0.5)).all()
        )
        inside = bool(((centre > low + 1.0) & (centre < high - 1.0)).all())
        if obstacle.kind == "roof" or own or not inside:
            continue
        gap = centre - np.array([best.east_m, best.north_m])
        aside = np.abs(ways[:, 1] * gap[0] - ways[:, 0] * gap[1])
        wanted.append((float(np.where(ways @ gap > 0, aside, np.inf).min()), obstacle))
    wanted.sort(key=lambda pair: pair[0])
    return [
        _label(f"{o.name} {o.height_m:.1f} m", o.centre_m, -90.0, 8.0)
        for aside, o in wanted[:_MOST_NAMED]
        if aside < _ASIDE_M
    ]


def _north_and_scale(ax: Axes, length_m: float, theme: Theme) -> list[Bbox]:
    """An arrow to the north at the top left, a bar of so many metres at the bottom left; their boxes in pixels."""
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


def _draw_doubts(ax: Axes, doubts: RoofDoubts, theme: Theme) -> None:
    """Hatched where the roof's points leave its surface open, crossed where they are off its facets."""
    for piece in doubts.open_m:
        ax.add_patch(
            Polygon(
                piece[:, :2],
                closed=True,
                fill=False,
                hatch="xxx",
                edgecolor=theme.rule,
                linewidth=0.0,
                zorder=1.5,
            )
        )
    if len(doubts.open_m):
        at = doubts.open_m[int(doubts.open_by_m.argmax()), :, :2].mean(axis=0)
        paper = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
        text = f"surface open\nby {doubts.open_by_m.max():.1f} m"
        add_text(
            ax,
            float(at[0]),
            float(at[1]),
            text,
            size=theme.small_pt,
            ha="center",
            va="center",
            zorder=9,
            bbox=paper,
        )
    for (east_m, north_m, _), by_m in zip(doubts.against_m, doubts.against_by_m, strict=True):
        ax.plot(
            [east_m], [north_m], marker="x", color=theme.text, markersize=7, markeredgewidth=1.8, zorder=7
        )
        add_text(
            ax, east_m, north_m, f" {by_m:+.1f} m off", size=theme.small_pt, ha="left", va="bottom", zorder=7
        )


def draw_roof(ax: Axes, found: MountsFound, *, best: int = 5, theme: Theme = THEME) -> PlanArtists:
    """The roof's facets, every spot by its least mast, the best few with their numbers, and the first one's cable."""
    job, searched = found.job, found.searched
    assert job is not None
    box = _extent(found)
    middle, half = (box[0] + box[1]) / 2.0, float((box[1] - box[0]).max()) / 2.0 + 2.2
    _square(ax, middle, half)
    if job.roof is not None:
        ring = np.asarray(job.roof.outline)
        ax.add_patch(
            Polygon(ring, closed=True, facecolor="#F4F0E8", edgecolor=theme.text, linewidth=1.6, zorder=1)
        )
        ax.add_collection(
            LineCollection(_creases(roof_triangles(job.roof)), colors=theme.rule, linewidths=0.9, zorder=2)
        )
        _draw_doubts(ax, roof_doubts(job.roof), theme)
        for yard in job.roof.yards:
            ax.add_patch(
                Polygon(yard, closed=True, fill=False, edgecolor=theme.rule, linestyle=(0, (4, 2)), zorder=1)
            )
    scene = () if job.sources.scene is None else job.sources.scene.obstacles
    near = [o for o in scene if o.kind in ("wire", "tree", "pole") or (o.kind == "building" and _small(o))]
    drawn = tuple(_draw_obstacle(ax, o, theme) for o in near if _reaches(o, middle, half))
    spots = () if searched is None else _draw_spots(ax, searched, theme)
    warned = () if searched is None else _draw_warnings(ax, found, searched, theme)
    route = _draw_route(ax, found, theme)
    told = [f"{row.rank}: {_height(row)}{_line_words(row)}" for row in found.mounts[:best]]
    labels = [
        _label(text, (row.east_m, row.north_m), 180.0, theme.body_pt, weight="bold")
        for text, row in zip(told, found.mounts, strict=False)
    ]
    for row in found.mounts[:best]:
        ax.plot(
            row.east_m,
            row.north_m,
            "o",
            markersize=11,
            fillstyle="none",
            color=theme.text,
            markeredgewidth=1.4,
            zorder=8,
        )
    if job.roof is not None and job.roof.cable_entry is not None:
        ax.plot(*job.roof.cable_entry[:2], marker="P", markersize=9, color=theme.text, zorder=8)
        labels.append(_label("cable entry", job.roof.cable_entry[:2], 0.0, theme.small_pt))
    boxes = _north_and_scale(ax, 5.0 if half > 7 else 2.0, theme)
    marks = (
        np.zeros((0, 2)) if searched is None else np.stack([searched.spots.east_m, searched.spots.north_m], 1)
    )
    place_labels(ax, labels, keep_clear=boxes, avoid=marks, theme=theme)
    return PlanArtists(obstacles=drawn, spots=tuple(spots), route=route, warnings=tuple(warned))


def _line_words(row: MountRow) -> str:
    """What is written beside a mount that an overhead line comes near, by its cautions; else nothing."""
    codes = {caution.code for caution in row.cautions}
    level = max(level for level, code in LINE_RANK.items() if not code or code in codes)
    return "" if level == 0 else f", {_WARNINGS[level][2]}"


def _draw_warnings(ax: Axes, found: MountsFound, searched: Searched, theme: Theme) -> list[Line2D]:
    """Beside each spot of the search that an overhead line comes near, one or two exclamation marks."""
    near, spots = spot_lines(found), searched.spots
    if near is None or not near.names:
        return []
    made: list[Line2D] = []
    figure = ax.get_figure(root=True)
    for level, (marker, size, _) in _WARNINGS.items():
        aside = ScaledTranslation((5.0 + 2.5 * level) / 72.0, 0.0, figure.dpi_scale_trans)  # type: ignore[union-attr]  # it has one
        here = near.severity == level
        made += ax.plot(
            spots.east_m[here],
            spots.north_m[here],
            linestyle="",
            marker=marker,
            markersize=size,
            color=PALETTE["vermillion"],
            markeredgewidth=0.4,
            transform=ax.transData + aside,
            zorder=7,
        )
    return made


def _height(row: MountRow) -> str:
    return (
        "no mast serves"
        if row.least_height_m is None
        else f"{row.least_height_m:.2f} m".replace("0 m", " m").replace("  ", " ")
    )


def _small(obstacle: Obstacle) -> bool:
    return bool(np.ptp(obstacle.vertices_m[:, :2], axis=0).max() < 4.0)


def _extent(found: MountsFound) -> Floats:
    """(2, 2) the least and greatest of everything that must be on the roof's drawing."""
    assert found.job is not None
    points = [np.array([[row.east_m, row.north_m] for row in found.mounts])]
    if found.job.roof is not None:
        points += [np.asarray(ring) for ring in (found.job.roof.outline, *found.job.roof.yards)]
    every = np.concatenate(points)
    return np.stack([every.min(axis=0), every.max(axis=0)])


def _creases(triangles: Floats) -> list[Floats]:
    """Edges where two slopes meet, and the eaves; the cut through one plane is left out."""
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    normals = normals * np.sign(normals[:, 2:])
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
    sides: dict[tuple[Any, ...], list[int]] = {}
    for index, corners in enumerate(triangles):
        for a, b in ((0, 1), (1, 2), (2, 0)):
            ends = tuple(sorted([tuple(corners[a].round(6)), tuple(corners[b].round(6))]))
            sides.setdefault(ends, []).append(index)
    return [
        np.array(ends)[:, :2]
        for ends, faces in sides.items()
        if len(faces) == 1 or float(normals[faces[0]] @ normals[faces[1]]) < 0.9999
    ]


def _draw_spots(ax: Axes, searched: Searched, theme: Theme) -> list[Line2D]:
    height, spots, made = searched.all_height_m, searched.spots, []
    low = -np.inf
    for most, colour, marker, _ in _CLASSES:
        here = (height > low) & (height <= most + 1e-9)
        made += ax.plot(
            spots.east_m[here],
            spots.north_m[here],
            linestyle="",
            marker=marker,
            markersize=5.5,
            markerfacecolor=colour,
            markeredgecolor=theme.text,
            markeredgewidth=0.6,
            zorder=5,
        )
        low = most + 1e-9
    none = np.isnan(height)
    made += ax.plot(
        spots.east_m[none],
        spots.north_m[none],
        linestyle="",
        marker="x",
        color=theme.rule,
        markersize=4,
        zorder=4,
    )
    return made


def _draw_route(ax: Axes, found: MountsFound, theme: Theme) -> Line2D | None:
    route = found.routes[0] if found.routes else None
    if route is None:
        return None
    drawn: Line2D = ax.plot(
        *route.path_m[:, :2].T, color=PALETTE["blue"], linewidth=2.2, linestyle=(0, (4, 1.5)), zorder=6
    )[0]
    return drawn


def _mast_key(theme: Theme) -> list[Line2D]:
    style = {"linestyle": "", "markeredgecolor": theme.text, "markersize": 7}
    handles = [
        Line2D([], [], marker=marker, markerfacecolor=colour, label=word, **style)  # type: ignore[arg-type]  # style of a marker
        for _, colour, marker, word in _CLASSES
    ]
    handles.append(Line2D([], [], marker="x", color=theme.rule, linestyle="", label="none serves"))
    handles.append(
        Line2D([], [], color=PALETTE["blue"], linewidth=2.2, linestyle=(0, (4, 1.5)), label="cable of 1")
    )
    handles.append(
        Line2D(
            [],
            [],
            color=PALETTE["vermillion"],
            linewidth=1.8,
            linestyle=(0, (1.5, 1.5)),
            label="overhead line",
        )
    )
    handles += [
        Line2D([], [], marker=marker, markersize=9, color=PALETTE["vermillion"], linestyle="", label=words)
        for marker, _, words in _WARNINGS.values()
    ]
    return handles


def plan_figure(found: MountsFound, *, theme: Theme = THEME) -> Figure:
    """The whole sheet: title, surroundings, roof, key."""
    wide_in = theme.width_in - 2 * _LEFT_IN
    span = np.diff(_extent(found), axis=0)[0] + 4.4
    roof_in = wide_in * float(np.clip(span[1] / span.max(), 0.45, 1.0))
    key_in, gap_in, words = 0.84, 0.24, _title_words(found)
    height_in = 0.20 + title_height_in(words, theme=theme) + wide_in * 0.9 + roof_in + 2 * gap_in + key_in
    figure = new_figure(theme.width_in, height_in)
    at_in = 0.12 + add_title(figure, words, theme=theme)
    for panel_in, label in ((wide_in * 0.9, "the surroundings"), (roof_in, "the roof")):
        bottom = 1.0 - (at_in + panel_in) / height_in
        place = (_LEFT_IN / theme.width_in, bottom, wide_in / theme.width_in, panel_in / height_in)
        ax = figure.add_axes(place, label=label)
        if label == "the roof":
            draw_roof(ax, found, theme=theme)
        else:
            draw_plan(ax, found, theme=theme)
        at_in += panel_in + gap_in
    add_legend(figure, _mast_key(theme), at_in - gap_in / 2 + key_in / 2, columns=4, theme=theme)
    return figure


def _title_words(found: MountsFound) -> list[str]:
    assert found.job is not None
    best = found.mounts[0]
    cable = "" if best.cable_run_m is None else f", cable {best.cable_run_m:.1f} m"
    return [
        f"{found.job.site.name}: where the dish may stand",
        f"For {found.satellite}",
        f"Best: {best.name}, dish {round(best.height_m, 2):g} m up: {best.verdict}{cable}",
        "Above: ≤ how tall things in the grey strips may be, over the ground",
        "Below: least mast with the room; the best, sure as well, numbered",
        _safety_words(found),
    ]


def _safety_words(found: MountsFound) -> str:
    assert found.job is not None
    if not lines_listed(found.job.sources.scene):
        return "No overhead line is listed: look for overhead lines before raising anything"
    return "! and !!: overhead line near; look for others before raising anything"


def write_plan(path: str | PathLike[str], found: MountsFound) -> None:
    """Write the plan as PNG, SVG or PDF by the file's suffix."""
    assert found.job is not None
    with fixed_settings():
        figure = plan_figure(found)
        save(path, figure, title=f"{found.job.site.name}: plan of mounts")

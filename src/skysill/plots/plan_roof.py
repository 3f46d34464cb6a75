"""The roof from above: every spot of a search by its least mast, the best spots, and the cable of the first."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from matplotlib.transforms import ScaledTranslation

from skysill.horizon.roof_surface import RoofDoubts, roof_doubts, roof_edges
from skysill.model.obstacles import Obstacle
from skysill.model.site import Roof
from skysill.plots.labels import add_text, place_labels
from skysill.plots.plan_symbols import (
    LINE_WARNINGS,
    PlanArtists,
    add_north_and_scale,
    draw_obstacle,
    line_warning_text,
    overlaps_square,
    plan_label,
    set_square_axes,
)
from skysill.plots.theme import (
    PALETTE,
    THEME,
    Theme,
)
from skysill.siting.mount_rows import MountRow, MountsFound, spot_lines
from skysill.siting.mounts import Searched
from skysill.units import Floats

__all__ = ["draw_roof", "mast_handles", "roof_extent"]

_MAST_CLASSES: tuple[tuple[float, str, str, str], ...] = (
    (1.0, PALETTE["sky blue"], "o", "up to 1 m"),
    (2.0, PALETTE["bluish green"], "^", "up to 2 m"),
    (4.0, PALETTE["yellow"], "s", "up to 4 m"),
    (np.inf, PALETTE["orange"], "D", "taller"),
)
"""Upper limit, colour, marker and text of each class of least mast; spots without a sufficient mast are crosses."""


def draw_roof(ax: Axes, found: MountsFound, *, best: int = 5, theme: Theme = THEME) -> PlanArtists:
    """Draw a roof from above: facets, every spot of the search by its least mast, the best spots, and the first cable.

    Parameters
    ----------
    ax : axes at their final place in the figure; limits are set here
    found : mounts compared or searched; without a search only the mounts are drawn
    best : how many of the first mounts have a number and a height
    theme : colours, styles and letter sizes

    Returns
    -------
    PlanArtists

    >>> import skysill
    >>> from skysill.plots import draw_roof, new_figure
    >>> from skysill.siting.mounts import compare_mounts
    >>> found = compare_mounts(skysill.read_site_file("demo_terrain/byre.toml"))
    >>> ax = new_figure(5.6, 5.0).add_axes((0.02, 0.02, 0.96, 0.96))
    >>> draw_roof(ax, found).spots
    ()
    """
    job, searched = found.job, found.searched
    assert job is not None
    box = roof_extent(found)
    middle, half = (box[0] + box[1]) / 2.0, float((box[1] - box[0]).max()) / 2.0 + 2.2
    set_square_axes(ax, middle, half)
    if job.roof is not None:
        _draw_facets(ax, job.roof, theme)
    scene = () if job.sources.scene is None else job.sources.scene.obstacles
    near = [o for o in scene if o.kind in ("wire", "tree", "pole") or (o.kind == "building" and _is_small(o))]
    drawn = tuple(draw_obstacle(ax, o, theme) for o in near if overlaps_square(o, middle, half))
    spots = () if searched is None else _draw_spots(ax, searched, theme)
    warned = () if searched is None else _draw_warnings(ax, found, searched, theme)
    route = _draw_route(ax, found, theme)
    texts = [f"{row.rank}: {_mast_text(row)}{line_warning_text(row)}" for row in found.mounts[:best]]
    labels = [
        plan_label(text, (row.east_m, row.north_m), 180.0, theme.body_pt, weight="bold")
        for text, row in zip(texts, found.mounts, strict=False)
    ]
    ring: dict[str, Any] = {"markersize": 11, "fillstyle": "none", "markeredgewidth": 1.4, "zorder": 8}
    for row in found.mounts[:best]:
        ax.plot(row.east_m, row.north_m, "o", color=theme.text, **ring)
    if job.roof is not None and job.roof.cable_entry is not None:
        ax.plot(*job.roof.cable_entry[:2], marker="P", markersize=9, color=theme.text, zorder=8)
        labels.append(plan_label("cable entry", job.roof.cable_entry[:2], 0.0, theme.small_pt))
    boxes = add_north_and_scale(ax, 5.0 if half > 7 else 2.0, theme)
    marks = (
        np.zeros((0, 2)) if searched is None else np.stack([searched.spots.east_m, searched.spots.north_m], 1)
    )
    place_labels(ax, labels, keep_clear=boxes, avoid=marks, theme=theme)
    return PlanArtists(obstacles=drawn, spots=tuple(spots), route=route, warnings=tuple(warned))


def _draw_facets(ax: Axes, roof: Roof, theme: Theme) -> None:
    """Outline and edges of a roof, parts whose surface is undetermined, and yards."""
    ring = np.asarray(roof.outline)
    ax.add_patch(
        Polygon(ring, closed=True, facecolor="#F4F0E8", edgecolor=theme.text, linewidth=1.6, zorder=1)
    )
    edges = roof_edges(roof)
    ax.add_collection(LineCollection(edges, colors=theme.line, linewidths=0.9, zorder=2))
    _draw_undetermined(ax, roof_doubts(roof), theme)
    for yard in roof.yards:
        ax.add_patch(
            Polygon(yard, closed=True, fill=False, edgecolor=theme.line, linestyle=(0, (4, 2)), zorder=1)
        )


def _draw_undetermined(ax: Axes, undetermined: RoofDoubts, theme: Theme) -> None:
    """Hatch where the roof's points leave its surface undetermined, crosses where they are off its facets."""
    for piece in undetermined.open_m:
        ax.add_patch(
            Polygon(
                piece[:, :2],
                closed=True,
                fill=False,
                hatch="xxx",
                edgecolor=theme.line,
                linewidth=0.0,
                zorder=1.5,
            )
        )
    if len(undetermined.open_m):
        at = undetermined.open_m[int(undetermined.open_by_m.argmax()), :, :2].mean(axis=0)
        text_box_style = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
        text = f"surface open\nby {undetermined.open_by_m.max():.1f} m"
        add_text(
            ax,
            float(at[0]),
            float(at[1]),
            text,
            size=theme.small_pt,
            ha="center",
            va="center",
            zorder=9,
            bbox=text_box_style,
        )
    for (east_m, north_m, _), by_m in zip(undetermined.against_m, undetermined.against_by_m, strict=True):
        ax.plot(
            [east_m], [north_m], marker="x", color=theme.text, markersize=7, markeredgewidth=1.8, zorder=7
        )
        add_text(
            ax, east_m, north_m, f" {by_m:+.1f} m off", size=theme.small_pt, ha="left", va="bottom", zorder=7
        )


def _draw_warnings(ax: Axes, found: MountsFound, searched: Searched, theme: Theme) -> list[Line2D]:
    """One or two exclamation marks beside each spot of the search that an overhead line comes near."""
    near, spots = spot_lines(found), searched.spots
    if near is None or not near.names:
        return []
    made: list[Line2D] = []
    figure = ax.get_figure(root=True)
    for level, (marker, size, _) in LINE_WARNINGS.items():
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


def _mast_text(row: MountRow) -> str:
    return (
        "no mast serves"
        if row.least_height_m is None
        else f"{row.least_height_m:.2f} m".replace("0 m", " m").replace("  ", " ")
    )


def _is_small(obstacle: Obstacle) -> bool:
    return bool(np.ptp(obstacle.vertices_m[:, :2], axis=0).max() < 4.0)


def roof_extent(found: MountsFound) -> Floats:
    """(2, 2) least and greatest east and north of mounts, roof and yards, metres."""
    assert found.job is not None
    points = [np.array([[row.east_m, row.north_m] for row in found.mounts])]
    if found.job.roof is not None:
        points += [np.asarray(ring) for ring in (found.job.roof.outline, *found.job.roof.yards)]
    every = np.concatenate(points)
    return np.stack([every.min(axis=0), every.max(axis=0)])


def _draw_spots(ax: Axes, searched: Searched, theme: Theme) -> list[Line2D]:
    height, spots, made = searched.all_height_m, searched.spots, []
    low = -np.inf
    for most, colour, marker, _ in _MAST_CLASSES:
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
        color=theme.line,
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


def mast_handles(theme: Theme) -> list[Line2D]:
    style = {"linestyle": "", "markeredgecolor": theme.text, "markersize": 7}
    handles = [
        Line2D([], [], marker=marker, markerfacecolor=colour, label=word, **style)  # type: ignore[arg-type]  # style of a marker
        for _, colour, marker, word in _MAST_CLASSES
    ]
    handles.append(Line2D([], [], marker="x", color=theme.line, linestyle="", label="none serves"))
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
        for marker, _, words in LINE_WARNINGS.values()
    ]
    return handles

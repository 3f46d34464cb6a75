"""The property from above: obstacles around the best mount, and the line and required room of each satellite."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon

from skysill.horizon.roof_surface import OWN_ROOF
from skysill.model.obstacles import Obstacle
from skysill.plots.labels import Label, place_labels
from skysill.plots.plan_symbols import (
    PlanArtists,
    add_north_and_scale,
    draw_obstacle,
    line_warning_text,
    overlaps_square,
    plan_label,
    set_square_axes,
)
from skysill.plots.theme import (
    THEME,
    Theme,
)
from skysill.pointing.look_vector import LookVector
from skysill.radio.required_room import room_m
from skysill.siting.allowed_heights import allowed_height_m, ground_along
from skysill.siting.mount_rows import MountRow, MountsFound
from skysill.units import Floats

__all__ = ["draw_plan"]

_HALF_WIDTH_M = 27.0

_ALLOWED_AT_M = (10.0, 20.0, 30.0)

_MOST_NAMED = 8

_LABELLED_WITHIN_M = 7.0


def draw_plan(
    ax: Axes, found: MountsFound, *, around_m: float = _HALF_WIDTH_M, theme: Theme = THEME
) -> PlanArtists:
    """Draw the surroundings of a property from above, with the line of each satellite from the best mount.

    Along each line lies a strip as wide as the required room, with the heights that obstacles may have.

    Parameters
    ----------
    ax : axes at their final place in the figure; limits are set here
    found : mounts compared or searched; the first is the best
    around_m : half the width shown
    theme : colours, styles and letter sizes

    Returns
    -------
    PlanArtists

    >>> import skysill
    >>> from skysill.plots import draw_plan, new_figure
    >>> from skysill.siting.mounts import compare_mounts
    >>> found = compare_mounts(skysill.read_site_file("demo_terrain/byre.toml"))
    >>> ax = new_figure(5.6, 5.0).add_axes((0.02, 0.02, 0.96, 0.96))
    >>> len(draw_plan(ax, found).lines)
    3
    """
    best, job = found.mounts[0], found.job
    assert job is not None
    mount_m = np.array([best.east_m, best.north_m])
    # most of the drawing for what lies in front of the dish
    middle = mount_m + 0.62 * around_m * _directions(found.looks).mean(axis=0)
    set_square_axes(ax, middle, around_m)
    scene = () if job.sources.scene is None else job.sources.scene.obstacles
    shown = [o for o in scene if o.name != OWN_ROOF and overlaps_square(o, middle, around_m)]
    drawn = tuple(draw_obstacle(ax, o, theme) for o in shown)
    if job.roof is not None:
        ax.add_patch(
            Polygon(job.roof.outline, closed=True, fill=False, edgecolor=theme.text, linewidth=1.6, zorder=5)
        )
    artists = [_draw_line(ax, found, look, best, theme) for look in found.looks]
    ax.plot(*mount_m, marker="o", markersize=6, color=theme.text, markerfacecolor=theme.background, zorder=9)
    labels = [label for *_, texts in artists for label in texts]
    labels += _height_labels(shown, found, ax)
    labels.append(
        plan_label(f"{best.name}{line_warning_text(best)}", mount_m, 90.0, theme.small_pt, weight="bold")
    )
    place_labels(ax, labels, keep_clear=add_north_and_scale(ax, 10.0, theme), theme=theme)
    return PlanArtists(drawn, tuple(a[0] for a in artists), tuple(a[1] for a in artists))


def _directions(looks: Sequence[LookVector]) -> Floats:
    azimuth = np.deg2rad([look.azimuth_deg or 0.0 for look in looks])
    return np.stack([np.sin(azimuth), np.cos(azimuth)], axis=1)


def _draw_line(
    ax: Axes, found: MountsFound, look: LookVector, best: MountRow, theme: Theme
) -> tuple[Line2D, Polygon, list[Label]]:
    """A satellite's azimuth, a strip as wide as its required room, and allowed heights along it."""
    assert found.job is not None
    job, mount_m = found.job, np.array([best.east_m, best.north_m])
    direction = _directions([look])[0]
    side = np.array([direction[1], -direction[0]])
    low, high = np.array([ax.get_xlim(), ax.get_ylim()]).T
    edge_m = float(
        min(
            (np.where(w > 0, high, low)[i] - mount_m[i]) / w for i, w in enumerate(direction) if abs(w) > 1e-9
        )
    )
    plan = np.linspace(0.05, edge_m, 60)
    half = room_m(plan / max(np.cos(np.deg2rad(look.elevation_apparent_deg)), 1e-6), job.link)
    centre = mount_m + plan[:, None] * direction
    ring = np.concatenate([centre + half[:, None] * side, (centre - half[:, None] * side)[::-1]])
    style = {
        "facecolor": theme.faint_line,
        "alpha": 0.55,
        "edgecolor": theme.line,
        "linewidth": 0.5,
        "zorder": 1,
    }
    strip = Polygon(ring, closed=True, **style)
    ax.add_patch(strip)
    line = ax.plot(*np.stack([mount_m, centre[-1]]).T, color=theme.text, linewidth=1.1, zorder=6)[0]
    outward = 180.0 if direction[0] < -0.2 else 0.0  # the labels of each line on its own side
    labels = [
        _allowed_height_label(found, look, best, mount_m + d * direction, d, outward)
        for d in _ALLOWED_AT_M
        if d < 0.9 * edge_m
    ]
    for label in labels:
        ax.plot(label.x, label.y, "o", color=theme.text, markersize=3.5, zorder=7)
    name = f"{look.satellite} {look.azimuth_deg or 0.0:.0f}°"
    return (
        line,
        strip,
        [
            plan_label(name, mount_m + 0.95 * edge_m * direction, outward, theme.body_pt, weight="bold"),
            *labels,
        ],
    )


def _allowed_height_label(
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
    return plan_label(
        f"≤ {np.floor(float(height) * 10.0) / 10.0:.1f} m at {distance_m:g} m", at, toward_deg, 8.0
    )


def _height_labels(shown: Sequence[Obstacle], found: MountsFound, ax: Axes) -> list[Label]:
    """Labels with the heights of the obstacles nearest to the lines; the house of the mount is left out."""
    assert found.job is not None
    best, roof, directions = found.mounts[0], found.job.roof, _directions(found.looks)
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
        aside = np.abs(directions[:, 1] * gap[0] - directions[:, 0] * gap[1])
        wanted.append((float(np.where(directions @ gap > 0, aside, np.inf).min()), obstacle))
    wanted.sort(key=lambda pair: pair[0])
    return [
        plan_label(f"{o.name} {o.height_m:.1f} m", o.centre_m, -90.0, 8.0)
        for aside, o in wanted[:_MOST_NAMED]
        if aside < _LABELLED_WITHIN_M
    ]

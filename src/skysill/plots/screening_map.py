"""The verdicts of a screened list on a map: ground behind, markers by verdict, the densest place enlarged."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from numpy.typing import ArrayLike

from skysill.assessment.verdict import RANK
from skysill.io.backdrops import Backdrop
from skysill.plots.labels import add_text, wrap_text
from skysill.plots.map_frame import MapFrame, add_backdrop, add_north_arrow, add_scale_bar, frame_around
from skysill.plots.theme import THEME, Theme, axes_size_in, new_figure, save
from skysill.units import Floats, Ints

__all__ = [
    "MapWords",
    "VerdictMapArtists",
    "draw_verdict_map",
    "map_bounds",
    "verdict_map_figure",
    "write_verdict_map",
]

_CELL_IN = 0.115
_SINGLY = 3
_RARE = 150
_AREA_PT2 = (11.0, 16.0, 26.0, 40.0, 58.0)
_STEPS = (0, 1, 10, 100)
_SECOND_SHARE = 0.2
_INSET_IN = 2.15
_ENLARGED = 120
_DENSE = 8
_OUTLINES_WITHIN_M = 4_000.0


@dataclass(frozen=True, slots=True)
class VerdictMapArtists:
    """What was drawn.

    dots : one collection of markers for each verdict that occurs
    outlines : one collection of outlines for each verdict, where outlines were given and the map is large enough
    cell_m : side of the cells in which several addresses share a marker; 0: every address has its own
    """

    dots: dict[str, PathCollection]
    outlines: dict[str, PolyCollection] = field(default_factory=dict)
    cell_m: float = 0.0


@dataclass(frozen=True, slots=True)
class MapWords:
    """Words around the map: title, and lines below it, such as the date and the satellites."""

    title: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Marks:
    """Markers: place, rank of the verdict, and for how many addresses each stands; 0: one of the small ones."""

    longitude: Floats
    latitude: Floats
    rank: Ints
    count: Ints

    def and_then(self, others: _Marks) -> _Marks:
        return _Marks(
            *(np.concatenate([getattr(self, f.name), getattr(others, f.name)]) for f in fields(_Marks))
        )


def draw_verdict_map(
    ax: Axes, latitude_deg: ArrayLike, longitude_deg: ArrayLike, verdict: ArrayLike, *,
    outlines: Sequence[Sequence[ArrayLike]] | None = None, theme: Theme = THEME,
) -> VerdictMapArtists:  # fmt: skip
    """Draw addresses at their longitude and latitude, in the marker of their verdict, the worse verdicts on top.

    Parameters
    ----------
    ax : limits are set here by the data; the legend is left to the caller
    latitude_deg, longitude_deg : (n,) float
    verdict : (n,) int, rank of each verdict (skysill.assessment.verdict.RANK)
    outlines : (n,) outer rings of each address's roof, (points, 2) longitude and latitude; drawn on maps
        up to 4 km wide
    theme : colours, styles and letter sizes

    Returns
    -------
    VerdictMapArtists

    Notes
    -----
    Where more than three addresses fall on one marker they share one: that of the commonest verdict, larger for
    more of them, with a small one of the second commonest where a fifth of them have it. Of a verdict that up to 150
    addresses have, every one is drawn besides. The legend counts them all.

    >>> from skysill.plots import draw_verdict_map, new_figure
    >>> ax = new_figure(5.6, 5.0).add_axes((0.15, 0.15, 0.8, 0.8))
    >>> drawn = draw_verdict_map(ax, [58.03, 58.04], [-24.66, -24.65], [0, 4])
    >>> list(drawn.dots)
    ['clear', 'blocked']
    """
    latitude, rank = np.asarray(latitude_deg, float), np.asarray(verdict, dtype=np.int64)
    longitude = _continuous(np.asarray(longitude_deg, float))
    frame = frame_around(latitude, longitude, *axes_size_in(ax))
    frame.set_on(ax)
    return _draw(ax, frame, latitude, longitude, rank, theme, outlines)


def _continuous(longitude: Floats) -> Floats:
    """Longitudes without the jump at 180 degrees."""
    if longitude.size and np.ptp(longitude) > 180.0:
        return np.asarray(longitude % 360.0)
    return longitude


def _turned_near(ring: ArrayLike, middle_deg: float) -> Floats:
    """A ring, (points, 2) longitude and latitude, with its longitudes within half a turn of the middle of a map."""
    points = np.array(ring, dtype=np.float64)
    points[:, 0] += 360.0 * np.round((middle_deg - points[:, 0]) / 360.0)
    return points


def _draw(
    ax: Axes, frame: MapFrame, latitude: Floats, longitude: Floats, rank: Ints, theme: Theme,
    outlines: Sequence[Sequence[ArrayLike]] | None,
) -> VerdictMapArtists:  # fmt: skip
    wide_in = axes_size_in(ax)[0]
    cells = max(int(wide_in / _CELL_IN), 1)
    inside = frame.holds(latitude, longitude)
    marks = _marks(frame, cells, latitude[inside], longitude[inside], rank[inside])
    totals = np.bincount(rank, minlength=len(RANK))
    areas: dict[str, PolyCollection] = {}
    if outlines is not None and frame.width_m <= _OUTLINES_WITHIN_M:
        middle_deg = (frame.west + frame.east) / 2.0
        shown = [
            [_turned_near(ring, middle_deg) for ring in outlines[at]]
            for at in np.flatnonzero(inside).tolist()
        ]
        areas = _draw_outlines(ax, shown, rank[inside], theme)
    dots = {}
    for name, number in RANK.items():
        here = np.flatnonzero(marks.rank == number)
        if not here.size and not totals[number]:
            continue
        style = theme.verdicts[name]
        size = np.asarray(_AREA_PT2)[np.searchsorted(_STEPS, marks.count[here], side="left")]
        if marks.rank.size <= 60 and (marks.count == 1).all():
            size = size * 2.0
        dots[name] = ax.scatter(
            marks.longitude[here], marks.latitude[here], s=size, marker=style.marker, color=style.colour,
            linewidths=0.5, edgecolors="black", label=f"{style.word}: {totals[number]:,}", zorder=4 + number,
            rasterized=marks.rank.size > 2_000,
        )  # fmt: skip
    shared = bool((marks.count > 1).any())
    return VerdictMapArtists(dots, areas, frame.width_m / cells if shared else 0.0)


def _marks(frame: MapFrame, cells: int, latitude: Floats, longitude: Floats, rank: Ints) -> _Marks:
    """One mark for each address, or for all addresses of a cell where there are more than can be told apart."""
    across, down = frame.cell_of(latitude, longitude, cells)
    cell = down * cells + across
    here, of, count = np.unique(cell, return_inverse=True, return_counts=True)
    single = count[of] <= _SINGLY
    single |= np.bincount(rank, minlength=len(RANK))[rank] <= _RARE
    by_verdict = np.zeros((here.size, len(RANK)), dtype=np.int64)
    np.add.at(by_verdict, (of, rank), 1)
    crowded = np.flatnonzero(count > _SINGLY)
    commonest = by_verdict[crowded].argmax(axis=1) if crowded.size else np.zeros(0, dtype=np.int64)
    middle_latitude, middle_longitude = (
        np.bincount(of, weights=part, minlength=here.size)[crowded] / count[crowded]
        for part in (latitude, longitude)
    )
    each = _Marks(
        longitude[single], latitude[single], rank[single], np.ones(int(single.sum()), dtype=np.int64)
    )
    shared = _Marks(middle_longitude, middle_latitude, commonest, count[crowded])
    tally = by_verdict[crowded]
    tally[np.arange(crowded.size), commonest] = 0
    second = tally.argmax(axis=1) if crowded.size else commonest
    much = np.flatnonzero(tally.max(axis=1, initial=0) >= _SECOND_SHARE * count[crowded])
    aside_m = 0.36 * frame.width_m / cells
    small = _Marks(
        middle_longitude[much] + aside_m * frame.per_east_m, middle_latitude[much] + aside_m / 111_320.0,
        second[much], np.zeros(much.size, dtype=np.int64),
    )  # fmt: skip
    return shared.and_then(each).and_then(small)


def _draw_outlines(
    ax: Axes, outlines: Sequence[Sequence[ArrayLike]], rank: Ints, theme: Theme
) -> dict[str, PolyCollection]:
    drawn = {}
    for name, number in RANK.items():
        rings = [np.asarray(ring) for at in np.flatnonzero(rank == number).tolist() for ring in outlines[at]]
        if rings:
            style = theme.verdicts[name]
            areas = PolyCollection(rings, facecolors=style.colour, edgecolors="black", linewidths=0.7,
                                   linestyles=[style.stroke], alpha=0.85, zorder=3)  # fmt: skip
            drawn[name] = areas
            ax.add_collection(areas, autolim=False)
    return drawn


def map_bounds(latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> list[tuple[float, float, float, float]]:
    """West, east, south, north in degrees of the map of a list, and of the enlarged place if there will be one.

    For `skysill.io.backdrops.read_backdrop`.
    """
    latitude, longitude = np.asarray(latitude_deg, float), _continuous(np.asarray(longitude_deg, float))
    frame = frame_around(latitude, longitude, *_map_size_in(latitude, longitude))
    frames = [frame, _densest(frame, latitude, longitude)]
    return [(one.west, one.east, one.south, one.north) for one in frames if one is not None]


_LEFT_IN, _RIGHT_IN = 1.25, 0.15
_LABEL_IN = 0.22
_HIGHEST_IN, _LOWEST_IN = 5.2, 2.6


def _map_size_in(latitude: Floats, longitude: Floats) -> tuple[float, float]:
    """Width and height of the map, by the shape of the area."""
    wide_in = THEME.width_in - _LEFT_IN - _RIGHT_IN
    frame = frame_around(latitude, longitude, 1.0, 0.0)
    ratio = frame.height_m / frame.width_m
    return wide_in, float(np.clip(wide_in * ratio, _LOWEST_IN, _HIGHEST_IN))


def verdict_map_figure(
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    verdict: ArrayLike,
    *,
    title: str = "",
    lines: Sequence[str] = (),
    backdrops: Sequence[Backdrop | None] = (),
    outlines: Sequence[Sequence[ArrayLike]] | None = None,
    theme: Theme = THEME,
) -> Figure:
    """The map with its legend below it, and beside that the densest place where markers would hide each other.

    Parameters
    ----------
    title, lines : above the map
    backdrops : ground of each of `map_bounds`, shaded; None: white
    outlines : as in `draw_verdict_map`
    """
    latitude, rank = np.asarray(latitude_deg, float), np.asarray(verdict, dtype=np.int64)
    longitude = _continuous(np.asarray(longitude_deg, float))
    wide_in, high_in = _map_size_in(latitude, longitude)
    frame = frame_around(latitude, longitude, wide_in, high_in)
    enlarged = _densest(frame, latitude, longitude)
    backdrop, enlarged_backdrop = (*backdrops, None, None)[:2]
    top_in, below_in = 0.42 + 0.19 * len(lines), 0.75
    kinds = int((np.bincount(rank, minlength=1) > 0).sum())
    foot_in = 0.45 + 0.24 * kinds + (0.2 if backdrop is not None else 0.0)
    foot_in = max(foot_in + 0.7, 2.75) if enlarged else foot_in
    total_in = top_in + high_in + below_in + foot_in
    figure = new_figure(theme.width_in, total_in)
    ax = figure.add_axes((_LEFT_IN / theme.width_in, (foot_in + below_in) / total_in, wide_in / theme.width_in,
                          high_in / total_in))  # fmt: skip
    frame.set_on(ax)
    if backdrop is not None:
        add_backdrop(ax, backdrop)
    drawn = _draw(ax, frame, latitude, longitude, rank, theme, outlines)
    _label_axes(ax)
    add_north_arrow(ax, theme)
    add_scale_bar(ax, frame, theme)
    _title(figure, ax, MapWords(title, tuple(lines)), theme, total_in)
    _legend(figure, ax, drawn, rank, theme, foot_in / total_in)
    _footnote(figure, drawn, backdrop, theme, total_in)
    if enlarged is not None:
        _inset(
            figure, ax, enlarged, (latitude, longitude, rank), enlarged_backdrop, outlines, theme, total_in
        )
    return figure


def _label_axes(ax: Axes) -> None:
    ax.set_xlabel("longitude, degrees east")
    ax.set_ylabel("latitude, degrees north")
    wide_in = axes_size_in(ax)[0]
    ax.yaxis.set_label_coords((_LABEL_IN - _LEFT_IN) / wide_in, 0.5)  # left of tick labels of any length
    ax.ticklabel_format(useOffset=False)
    ax.locator_params(nbins=5)
    ax.grid(linewidth=0.3, alpha=0.5)


def _title(figure: Figure, ax: Axes, words: MapWords, theme: Theme, total_in: float) -> None:
    left = ax.get_position().x0
    wide_in = theme.width_in - _LEFT_IN - _RIGHT_IN
    shown = wrap_text(words.title, wide_in, size_pt=theme.title_pt, weight="bold", most=1)
    add_text(
        figure,
        left,
        1.0 - 0.28 / total_in,
        "".join(shown),
        size=theme.title_pt,
        weight="bold",
        color=theme.text,
    )
    for number, line in enumerate(words.lines):
        below = wrap_text(line, wide_in, size_pt=theme.small_pt, most=1)
        add_text(figure, left, 1.0 - (0.28 + 0.2 * (number + 1)) / total_in, "".join(below), size=theme.small_pt,
                 color=theme.text)  # fmt: skip


def _legend(figure: Figure, ax: Axes, drawn: VerdictMapArtists, rank: Ints, theme: Theme, top: float) -> None:
    if not drawn.dots:
        return
    handles = []
    for name in drawn.dots:
        count, style = int((rank == RANK[name]).sum()), theme.verdicts[name]
        handles.append(
            Line2D([], [], linestyle="none", marker=style.marker, markerfacecolor=style.colour, markersize=8,
                   markeredgecolor="black", markeredgewidth=0.6,
                   label=f"{style.word}: {count:,} ({100.0 * count / max(rank.size, 1):.1f} %)")
        )  # fmt: skip
    figure.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0.03, top), frameon=False, fontsize=theme.body_pt
    )


def _footnote(
    figure: Figure, drawn: VerdictMapArtists, backdrop: Backdrop | None, theme: Theme, total_in: float
) -> None:
    said = []
    if drawn.cell_m:
        said += [
            "Crowded places: one marker, of the",
            f"commonest verdict, for all within {_length(drawn.cell_m)};",
            "larger over 10, 100. A small one:",
            "a fifth or more have that verdict.",
        ]
    if backdrop is not None:
        said.append("Shaded ground: " + ", ".join(backdrop.names)[:38])
    for number, line in enumerate(reversed(said)):
        add_text(figure, 0.045, (0.1 + 0.17 * number) / total_in, line, size=theme.small_pt, color=theme.text)


def _length(metres: float) -> str:
    return f"{metres / 1000.0:.2g} km" if metres >= 1000.0 else f"{float(f'{metres:.2g}'):.0f} m"


def _densest(frame: MapFrame, latitude: Floats, longitude: Floats) -> MapFrame | None:
    """The place where addresses crowd most, about so large that each can be told; None where none crowd."""
    inside = frame.holds(latitude, longitude)
    if not inside.any():
        return None
    cells = max(int(frame.width_in / _CELL_IN), 1)
    across, down = frame.cell_of(latitude[inside], longitude[inside], cells)
    cell, count = np.unique(down * cells + across, return_counts=True)
    if count.max() < _DENSE:
        return None
    most = int(cell[count.argmax()])
    chosen = np.flatnonzero(inside)[(down * cells + across) == most]
    for _ in range(12):  # finer cells within the fullest one: a list may be one village in a wide country
        north_m, east_m = frame.metres(latitude[chosen], longitude[chosen])
        middle = np.median(north_m), np.median(east_m)
        near = np.maximum(np.abs(north_m - middle[0]), np.abs(east_m - middle[1]))
        if chosen.size <= _ENLARGED:
            break
        chosen = chosen[np.argsort(near, kind="stable")[: max(_ENLARGED, chosen.size // 8)]]
    half_m = float(np.clip(np.percentile(near, 95) * 1.1, 40.0, frame.width_m / 8.0))
    return frame.around(*middle, half_m, _INSET_IN)


def _inset(
    figure: Figure, ax: Axes, enlarged: MapFrame, points: tuple[Floats, Floats, Ints], backdrop: Backdrop | None,
    outlines: Sequence[Sequence[ArrayLike]] | None, theme: Theme, total_in: float,
) -> None:  # fmt: skip
    width_in = float(figure.get_figwidth())
    box = (1.0 - (_INSET_IN + 0.15) / width_in, 0.12 / total_in, _INSET_IN / width_in, _INSET_IN / total_in)
    inset = figure.add_axes(box)
    enlarged.set_on(inset)
    if backdrop is not None:
        add_backdrop(inset, backdrop)
    _draw(inset, enlarged, *points, theme, outlines)
    inset.set_xticks([])
    inset.set_yticks([])
    add_scale_bar(inset, enlarged, theme)
    inset.set_title(
        f"A: the densest place, {_length(enlarged.width_m)} wide", size=theme.small_pt, loc="left"
    )
    corner = (enlarged.west, enlarged.south)
    ax.add_patch(Rectangle(corner, enlarged.east - enlarged.west, enlarged.north - enlarged.south, fill=False,
                           edgecolor="black", linewidth=1.4, zorder=20))  # fmt: skip
    add_text(ax, enlarged.east, enlarged.north, " A", size=theme.body_pt, weight="bold", ha="left", va="bottom",
             zorder=21)  # fmt: skip


def write_verdict_map(
    path: str | os.PathLike[str], latitude_deg: ArrayLike, longitude_deg: ArrayLike, verdict: ArrayLike,
    **about: Any,
) -> None:  # fmt: skip
    """Write the map as PNG, SVG or PDF; about : as of `verdict_map_figure`."""
    figure = verdict_map_figure(latitude_deg, longitude_deg, verdict, **about)
    save(path, figure, title=str(about.get("title", "")))

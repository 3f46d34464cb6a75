"""The theme of the pictures: one colour, stroke, hatch, marker and word for each source and each verdict.

Colours: Okabe & Ito, Color Universal Design: how to make figures and presentations that are friendly to
colorblind people (2002, revised 2008), the set of eight; values from memory. Colour is never the only sign: hatch,
stroke, marker and word repeat it, for printing in grey and for bright light. All lettering is black on white. The
assignment of strokes and hatches is our own.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from os import PathLike
from pathlib import PurePath
from types import MappingProxyType
from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.io.output_files import write_whole

__all__ = [
    "PALETTE",
    "PRINT_THEME",
    "THEME",
    "SourceStyle",
    "Theme",
    "VerdictStyle",
    "axes_size_in",
    "fixed_settings",
    "new_figure",
    "overlap_handle",
    "render",
    "save",
    "source_area",
    "source_handles",
    "source_line",
    "verdict_handles",
]

PALETTE: Mapping[str, str] = MappingProxyType(
    {
        "black": "#000000",
        "orange": "#E69F00",
        "sky blue": "#56B4E9",
        "bluish green": "#009E73",
        "yellow": "#F0E442",
        "blue": "#0072B2",
        "vermillion": "#D55E00",
        "reddish purple": "#CC79A7",
    }
)
"""The eight colours of Okabe & Ito (2008), by the names given there."""

Stroke = Literal["solid"] | tuple[float, tuple[float, ...]]
"""A line style: solid, or offset and lengths of dashes and gaps, in line widths."""

KINDS = {".png": "png", ".svg": "svg", ".pdf": "pdf"}


@dataclass(frozen=True, slots=True)
class SourceStyle:
    """How one source is drawn: skyline `stroke` in `colour`, area in `fill` with `hatch` in `colour`."""

    word: str
    colour: str
    fill: str
    hatch: str
    stroke: Stroke
    marker: str
    width_pt: float = 1.8


@dataclass(frozen=True, slots=True)
class VerdictStyle:
    """How one verdict is drawn: `marker` filled with `colour` and edged in black, outline by `stroke`."""

    word: str
    colour: str
    marker: str
    stroke: Stroke


SOURCES: Mapping[str, SourceStyle] = MappingProxyType(
    {
        "measured": SourceStyle("measured", PALETTE["blue"], "#CFE3F0", "///", "solid", "o"),
        "terrain": SourceStyle("terrain", "#00694D", "#D3EBE3", "..", (0, (7, 2)), "v"),
        "obstacle": SourceStyle("obstacle", "#8A4B00", "#F8E3B5", "xx", (0, (5, 1.5, 1.2, 1.5)), "s"),
        "": SourceStyle("not measured", "#6B6B6B", "#FFFFFF", "\\\\", (0, (1.2, 1.6)), "", 1.2),
    }
)
"""By the name of the source; "" where no source looked. Two line colours are darker than the palette."""

VERDICTS: Mapping[str, VerdictStyle] = MappingProxyType(
    {
        "clear": VerdictStyle("CLEAR", PALETTE["sky blue"], "o", "solid"),
        "marginal": VerdictStyle("MARGINAL", PALETTE["yellow"], "^", (0, (6, 2))),
        "needs-survey": VerdictStyle("NEEDS SURVEY", PALETTE["reddish purple"], "D", (0, (5, 1.5, 1.2, 1.5))),
        "unknown": VerdictStyle("UNKNOWN", "#FFFFFF", "s", (0, (1.2, 1.6))),
        "blocked": VerdictStyle("BLOCKED", PALETTE["vermillion"], "X", (0, (2.5, 1.2))),
    }
)


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours, styles and letter sizes of a picture.

    sources, verdicts : styles by name of the source or verdict
    text, background, line, faint_line, arc : colours of lettering, background, lines, grid lines, geostationary arc
    title_pt, body_pt, small_pt : letter sizes, chosen for a picture `width_in` inches wide: shown 400 pixels wide on a
        phone, body lettering is 10 pixels high
    """

    sources: Mapping[str, SourceStyle] = field(default_factory=lambda: SOURCES)
    verdicts: Mapping[str, VerdictStyle] = field(default_factory=lambda: VERDICTS)
    text: str = PALETTE["black"]
    background: str = "#FFFFFF"
    line: str = "#8C8C8C"
    faint_line: str = "#C4C4C4"
    arc: str = "#3C3C3C"
    title_pt: float = 12.0
    body_pt: float = 10.0
    small_pt: float = 9.0
    width_in: float = 5.6
    dots_per_inch: float = 160.0


THEME = Theme()

PRINT_THEME = Theme(title_pt=10.0, body_pt=9.0, small_pt=8.5, width_in=3.5)
"""For pictures that take half the width of a page, unscaled: no lettering below 8 points on A4 or Letter.

On a phone 360 pixels wide the small lettering is 10 pixels high.
"""

_SETTINGS = {
    "font.family": ["DejaVu Sans"],  # ships with matplotlib itself, so it is everywhere
    "mathtext.fontset": "dejavusans",
    "svg.hashsalt": "skysill",
    "svg.fonttype": "path",  # letters as outlines: the same picture where no font is installed
    "pdf.fonttype": 42,
    "hatch.linewidth": 0.7,
    "path.simplify": True,
}
_MATPLOTLIB_DEFAULTS = {
    name: value
    for name, value in matplotlib.rcParamsDefault.items()
    if not name.startswith(("backend", "toolbar", "interactive", "webagg", "figure.max_open_warning"))
}
_SETTINGS_LOCK = threading.RLock()


@contextmanager
def fixed_settings() -> Iterator[None]:
    """Matplotlib's settings as these pictures need them, whatever the user's matplotlib file says.

    Matplotlib keeps its settings in one global table, so one thread at a time may be inside. Drawing on Axes outside
    this context works too, under the settings in force.
    """
    settings: Any = matplotlib.rcParams
    with _SETTINGS_LOCK, matplotlib.rc_context():
        settings.update(_MATPLOTLIB_DEFAULTS)
        settings.update(_SETTINGS)
        yield


def axes_size_in(ax: Axes) -> tuple[float, float]:
    """Width and height of axes, inches."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    place, (width_in, height_in) = ax.get_position(), figure.get_size_inches()
    return float(place.width * width_in), float(place.height * height_in)


def new_figure(width_in: float = THEME.width_in, height_in: float = 6.0) -> Figure:
    """An empty white figure, without a window and outside matplotlib's global list of figures."""
    return Figure(figsize=(width_in, height_in), dpi=THEME.dots_per_inch, facecolor=THEME.background)


def render(figure: Figure, kind: str, *, title: str = "") -> bytes:
    """The picture as bytes of `kind` "png", "svg" or "pdf"; the same picture gives the same bytes.

    title : for screen readers (SVG), or the document's title (PDF)
    """
    kinds: dict[str, dict[str, Any]] = {
        "png": {"Software": "skysill", **({"Title": title} if title else {})},
        "svg": {"Creator": "skysill", "Date": None, **({"Title": title} if title else {})},
        "pdf": {"Creator": "skysill", "Producer": None, "CreationDate": None, "Title": title or None},
    }
    # pictures of uniform areas are nearly as small with little compression
    quick: dict[str, Any] = {"pil_kwargs": {"compress_level": 3}} if kind == "png" else {}
    buffer = io.BytesIO()
    with fixed_settings():
        figure.savefig(
            buffer,
            format=kind,
            dpi=THEME.dots_per_inch,
            facecolor=THEME.background,
            metadata=kinds[kind],
            **quick,
        )
    return buffer.getvalue()


def save(path: str | PathLike[str], figure: Figure, *, title: str = "") -> None:
    """Write a figure as PNG, SVG or PDF by the file's suffix, whole or not at all.

    Raises
    ------
    InputError : another suffix
    """
    kind = KINDS.get(PurePath(path).suffix.lower())
    if kind is None:
        raise InputError(
            "pictures are written as PNG, SVG or PDF.",
            where=str(path),
            mend="End the name in .png, .svg or .pdf.",
        )
    write_whole(path, render(figure, kind, title=title))


def source_area(
    rings: Sequence[ArrayLike], source: SourceStyle, *, zorder: float, hollow: bool = False
) -> PathPatch:
    """An area in the style of a source, filled and hatched, without an outline; rings after the first are holes.

    rings : each (n, 2) in data coordinates; hollow : only the hatch, so that what lies below stays visible
    """
    closed = [np.concatenate([points, points[:1]]) for points in (np.asarray(ring, float) for ring in rings)]
    path = Path.make_compound_path(*(Path(points, closed=True) for points in closed))
    inside = "none" if hollow else source.fill
    return PathPatch(
        path, facecolor=inside, edgecolor=source.colour, hatch=source.hatch, linewidth=0.0, zorder=zorder
    )


def source_line(points: ArrayLike, source: SourceStyle, *, zorder: float) -> Line2D:
    """A skyline or an edge in the stroke of a source; points (n, 2), nan where it is interrupted."""
    line = Line2D(*np.asarray(points, dtype=float).T, color=source.colour, linestyle=source.stroke)
    line.set_linewidth(source.width_pt)
    line.set_zorder(zorder)
    return line


def source_handles(names: tuple[str, ...] | list[str], *, theme: Theme = THEME) -> list[Patch]:
    """Legend handles, fill with hatch and stroke, for sources in the order given ("" is not measured)."""
    return [
        Patch(
            facecolor=theme.sources[name].fill,
            edgecolor=theme.sources[name].colour,
            hatch=theme.sources[name].hatch,
            linestyle=theme.sources[name].stroke,
            linewidth=1.2,
            label=theme.sources[name].word,
        )
        for name in names
    ]


def overlap_handle(word: str, *, theme: Theme = THEME) -> Patch:
    """A legend handle for the hatch of "not measured" across terrain that was seen."""
    seen, blank = theme.sources["terrain"], theme.sources[""]
    return Patch(
        facecolor=seen.fill,
        edgecolor=blank.colour,
        hatch=seen.hatch + blank.hatch,
        linestyle=blank.stroke,
        linewidth=1.2,
        label=word,
    )


def verdict_handles(names: tuple[str, ...] | list[str], *, theme: Theme = THEME) -> list[Line2D]:
    """Legend handles, marker and stroke, for verdicts in the order given."""
    return [
        Line2D(
            [],
            [],
            color=theme.text,
            linestyle=theme.verdicts[name].stroke,
            marker=theme.verdicts[name].marker,
            markerfacecolor=theme.verdicts[name].colour,
            markeredgecolor=theme.text,
            markersize=8,
            label=theme.verdicts[name].word,
        )
        for name in names
    ]

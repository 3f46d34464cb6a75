"""Text around a picture: title, mount, date, legend, and one row per satellite with its verdict and numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from skysill.assessment.placement import PlacedMount
from skysill.assessment.results import Assessment, SatelliteResult
from skysill.errors import InputError
from skysill.plots.labels import add_text, artist_box, shorten_to, text_box, wrap_text
from skysill.plots.theme import THEME, Theme

__all__ = [
    "Compass",
    "add_legend",
    "add_rows",
    "add_title",
    "compass_edge",
    "date_text",
    "direction_text",
    "mount_text",
    "required_room_deg",
    "result_index",
    "row_heights_in",
    "title_height_in",
    "verdict_detail",
]

_MARGIN_IN = 0.15
_MOST_TITLE_LINES = 3
_MOST_DETAIL_LINES = 4


def result_index(assessment: Assessment, satellite_name: str | None) -> int:
    """Index of the result of that satellite, or of the first.

    Raises
    ------
    InputError : no satellite of that name was assessed, or none at all
    """
    names = [result.satellite.name for result in assessment.results]
    if not names:
        raise InputError("there is no satellite to draw.", where="satellites", mend="Name one.")
    if satellite_name is None:
        return 0
    if satellite_name not in names:
        raise InputError(
            f'"{satellite_name}" was not assessed.',
            where="satellite",
            mend=f"Choose from: {', '.join(names)}.",
        )
    return names.index(satellite_name)


def date_text(assessment: Assessment) -> str:
    """Date of the assessment as ISO 8601, "" where it has none."""
    date: Any = getattr(assessment, "date", None)
    return "" if date is None else str(date)


def mount_text(mount: PlacedMount) -> str:
    """Name of a mount and height of its dish."""
    return f"{mount.name}: dish centre {mount.height_m:.1f} m above what it stands on"


def direction_text(result: SatelliteResult) -> str:
    """Azimuth and elevation of the satellite, with the magnetic bearing where the date gives one."""
    look = result.look
    if look.azimuth_deg is None:
        return f"straight up, el {look.elevation_apparent_deg:.1f}°"
    magnetic = "" if look.bearing_magnetic_deg is None else f" (mag {look.bearing_magnetic_deg:.1f}°)"
    return f"az {look.azimuth_deg:.1f}°{magnetic}  el {look.elevation_apparent_deg:.1f}°"


def required_room_deg(result: SatelliteResult) -> float | None:
    """The required room at the controlling obstruction's distance, as an angle at the dish centre.

    atan(required_m / distance); None where there is no controlling obstruction or its distance is not known.
    """
    clearance = result.clearance
    if clearance.controlling is None or clearance.required_m is None or not clearance.controlling.distance_m:
        return None
    return math.degrees(math.atan2(clearance.required_m, clearance.controlling.distance_m))


def verdict_detail(result: SatelliteResult) -> str:
    """The basis of a verdict in one sentence: the room at the controlling obstruction, or the first reason."""
    if not result.look.visible:
        return f"Below the horizon: elevation {result.look.elevation_apparent_deg:.1f}°."
    control, needed = result.clearance.controlling, required_room_deg(result)
    reason = result.reasons[0] if result.reasons else ""
    margin = result.clearance.margin_deg
    if control is None or margin is None or needed is None or result.verdict in ("unknown", "needs-survey"):
        return reason or "Nothing known stands in the way."
    assumed = " (assumed)" if control.distance_assumed else ""
    far = f"{control.distance_m:.0f} m{assumed}" if control.distance_m else "distance not known"
    if margin < 0.0:
        return f"{control.name} ({control.source}), {far}: covers the ray by {-margin:.1f}°."
    numbers = f"{control.name} ({control.source}), {far}: room {margin:.1f}°, needed {needed:.1f}°."
    # enough room and still not clear: the reason is another one, and is added
    return f"{numbers} {reason}".rstrip() if result.verdict != "clear" and margin >= needed else numbers


@dataclass(frozen=True, slots=True)
class Compass:
    """A compass scale for an axis: bearing = true azimuth - turn_deg; words : the title of the axis."""

    turn_deg: float
    words: str


def compass_edge(assessment: Assessment, result: SatelliteResult) -> Compass | None:
    """The survey's own compass as its sightings correct it; without sightings the magnetic model."""
    evidence = assessment.evidence
    found = None if evidence is None else evidence.correction
    if found is not None and found.source in ("landmarks", "sun"):
        return Compass(found.correction_deg, "on the survey's compass")
    if found is not None and found.source == "reference":
        return Compass(found.correction_deg, "on the survey's scale")
    if result.look.declination_deg is None:
        return None
    return Compass(result.look.declination_deg, "bearing, magnetic (compass)")


def _title_lines(lines: Sequence[str], theme: Theme) -> list[tuple[str, float, str]]:
    """(text, points, weight) of each line; long ones are wrapped, and shortened only after three lines."""
    room_in = theme.width_in - 2 * _MARGIN_IN
    made = []
    for k, line in enumerate(lines):
        size, weight = (theme.title_pt, "bold") if k == 0 else (theme.body_pt, "normal")
        made += [
            (part, size, weight)
            for part in wrap_text(line, room_in, size_pt=size, weight=weight, most=_MOST_TITLE_LINES)
        ]
    return made


def title_height_in(lines: Sequence[str], *, theme: Theme = THEME) -> float:
    """Height in inches that `add_title` takes for these lines."""
    return 0.10 + sum(size / 72.0 * 1.35 for _, size, _ in _title_lines(lines, theme))


def add_title(figure: Figure, lines: Sequence[str], *, theme: Theme = THEME) -> float:
    """Add a bold first line and plain lines below it at the top left of a figure; returns their height in inches."""
    width_in, height_in = figure.get_size_inches()
    below_in = 0.10
    for line, size, weight in _title_lines(lines, theme):
        at = (_MARGIN_IN / width_in, 1.0 - below_in / height_in)
        text = add_text(figure, *at, line, size=size, va="top", weight=weight, color=theme.text)
        shorten_to(text, width_in - 2 * _MARGIN_IN)
        below_in += size / 72.0 * 1.35
    return below_in


def add_legend(
    figure: Figure,
    handles: Sequence[Patch | Line2D],
    middle_in: float,
    *,
    columns: int | None = None,
    theme: Theme = THEME,
) -> None:
    """Add a legend centred `middle_in` inches below the top, in as many columns as fit."""
    if not handles:
        return
    room = 0.98 * figure.get_size_inches()[0] * figure.dpi
    for wide in range(columns or len(handles), 0, -1):
        legend = figure.legend(
            handles=list(handles),
            loc="center",
            ncols=wide,
            fontsize=theme.small_pt,
            frameon=False,
            bbox_to_anchor=(0.5, 1.0 - middle_in / figure.get_size_inches()[1]),
            handlelength=2.2,
            handleheight=1.3,
            handletextpad=0.5,
            columnspacing=1.1,
            labelspacing=0.3,
            borderpad=0.0,
        )
        if wide == 1 or artist_box(figure, legend).width <= room:
            return
        legend.remove()


def _line_in(theme: Theme) -> float:
    return theme.small_pt / 72.0 * 1.32


def _detail_lines(result: SatelliteResult, theme: Theme) -> list[str]:
    room_in = theme.width_in - 2 * _MARGIN_IN - 0.27
    return wrap_text(verdict_detail(result), room_in, size_pt=theme.small_pt, most=_MOST_DETAIL_LINES)


def row_heights_in(results: Sequence[SatelliteResult], *, theme: Theme = THEME) -> list[float]:
    """Height of each satellite's row in inches: a head line and lines of detail."""
    return [0.36 + _line_in(theme) * len(_detail_lines(result, theme)) for result in results]


def add_rows(
    figure: Figure, results: Sequence[SatelliteResult], top_in: float, *, theme: Theme = THEME
) -> None:
    """Add a row for each satellite from `top_in` inches below the top: marker, verdict, name, direction, reason."""
    if not results:
        return
    width_in, height_in = figure.get_size_inches()
    heights_in = row_heights_in(results, theme=theme)
    tall_in = sum(heights_in)
    ax = figure.add_axes((0.0, 1.0 - (top_in + tall_in) / height_in, 1.0, tall_in / height_in), label="rows")
    ax.set_axis_off()
    ax.set_xlim(0.0, width_in)
    ax.set_ylim(tall_in, 0.0)
    y_in = 0.0
    for result, row_in in zip(results, heights_in, strict=True):
        _row(ax, result, y_in, theme)
        y_in += row_in


def _row(ax: Axes, result: SatelliteResult, y_in: float, theme: Theme) -> None:
    width_in = ax.get_xlim()[1]
    verdict = theme.verdicts[result.verdict]
    ax.plot([_MARGIN_IN, width_in - _MARGIN_IN], [y_in, y_in], color=theme.faint_line, linewidth=0.7)
    ax.plot(
        [_MARGIN_IN + 0.1],
        [y_in + 0.16],
        marker=verdict.marker,
        color=verdict.colour,
        markersize=9,
        markeredgecolor=theme.text,
        linestyle="none",
    )
    style = {"va": "center", "color": theme.text}
    where = direction_text(result)
    place = add_text(ax, width_in - _MARGIN_IN, y_in + 0.16, where, size=theme.small_pt, ha="right", **style)
    words = f"{verdict.word}  {result.satellite.name}"
    head = add_text(ax, _MARGIN_IN + 0.27, y_in + 0.16, words, size=theme.body_pt, weight="bold", **style)
    figure = ax.get_figure(root=True)
    assert figure is not None
    shorten_to(head, width_in - 2 * _MARGIN_IN - 0.35 - text_box(place).width / figure.dpi)
    for k, line in enumerate(_detail_lines(result, theme)):
        at_in = y_in + 0.36 + _line_in(theme) * k
        add_text(ax, _MARGIN_IN + 0.27, at_in, line, size=theme.small_pt, **style)

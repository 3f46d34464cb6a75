"""The sun's path past the satellite: over one day by azimuth and elevation, or over a season by date."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.text import Text
from numpy.typing import ArrayLike

from skysill.model.site import Site
from skysill.plots.captions import add_legend, add_title, title_height_in
from skysill.plots.labels import Label, PlacedLabel, add_text, place_labels, text_box
from skysill.plots.theme import PALETTE, THEME, Theme, fixed_settings, new_figure, save
from skysill.pointing.ephemeris import sun_direction, sunlight_elevation_deg
from skysill.pointing.look_vector import LookVector
from skysill.pointing.orbits import as_utc
from skysill.pointing.sun import Alignment, Crossing, SunReport
from skysill.units import Floats, Ints, wrap_180, wrap_360

__all__ = [
    "SunCrossingsArtists",
    "SunPathArtists",
    "draw_sun_crossings",
    "draw_sun_path",
    "sun_figure",
    "write_sun",
    "zone_name",
]

_PANEL_WIDTH_IN, _LEFT_MARGIN_IN, _PANEL_HEIGHT_IN = 4.72, 0.76, 3.2
_STEP_MIN = 4
_LONGEST_DAY_H = 48.0
_SUN = PALETTE["orange"]


@dataclass(frozen=True, slots=True, eq=False)
class SunPathArtists:
    """What was drawn; x is azimuth less that of the satellite.

    path, hours : the sun's path and its marks at full hours; satellite, azimuth : its marker and its azimuth line
    crossings : a marker for each crossing of the azimuth; labels, hour_names : texts
    """

    path: Line2D
    hours: Line2D
    satellite: Line2D
    azimuth: Line2D
    crossings: list[Line2D]
    labels: list[PlacedLabel]
    hour_names: list[Text]


@dataclass(frozen=True, slots=True, eq=False)
class SunCrossingsArtists:
    """What was drawn: times of crossing by date, seasons in the beam as bands, labels."""

    crossings: Line2D
    seasons: list[Rectangle]
    labels: list[PlacedLabel]


def draw_sun_path(
    ax: Axes,
    site: Site,
    look: LookVector,
    report: SunReport,
    *,
    first_utc: dt.datetime,
    zone: dt.tzinfo = dt.UTC,
    theme: Theme = THEME,
) -> SunPathArtists:
    """Draw the sun's path over the 24 hours from first_utc, around the satellite's azimuth; limits are set here.

    Parameters
    ----------
    ax : axes at their final place in the figure; axis titles are left to the caller
    site : its position and ground elevation
    look : of the satellite; report : `sun_report` of the same satellite and days
    first_utc : start of the 24 hours
    zone : time zone of the hours along the path and of the crossing
    theme : colours, styles and letter sizes

    Returns
    -------
    SunPathArtists

    >>> import datetime as dt
    >>> from skysill.model.site import Satellite, Site
    >>> from skysill.plots import draw_sun_path, new_figure
    >>> from skysill.pointing.look_vector import look_vector
    >>> from skysill.pointing.sun import sun_report
    >>> site, satellite = Site("clinic", 58.0312, -24.6541, 41.0), Satellite("Demo South", longitude_deg=-24.0)
    >>> place, day = (58.0312, -24.6541, 41.0), dt.datetime(2026, 6, 14, tzinfo=dt.UTC)
    >>> report = sun_report(
    ...     *place, satellite, first_utc=day, last_utc=day + dt.timedelta(days=1), half_angle_deg=0.7
    ... )
    >>> ax = new_figure(5.6, 4.0).add_axes((0.15, 0.15, 0.8, 0.8))
    >>> drawn = draw_sun_path(ax, site, look_vector(*place, satellite), report, first_utc=day)
    >>> len(drawn.crossings)
    1
    """
    height_m = (
        site.ground_elevation_m or 0.0
    )  # only for refraction: a kilometre is 0.05 degrees at the horizon
    steps = np.arange(0, 24 * 60 + 1, _STEP_MIN)
    times = [as_utc(first_utc) + dt.timedelta(minutes=int(step)) for step in steps]
    azimuth_deg, geometric_deg, _ = sun_direction(times, site.latitude_deg, site.longitude_deg, height_m)
    elevation_deg = sunlight_elevation_deg(geometric_deg, height_m)
    middle_deg, ray_deg = look.azimuth_deg or 0.0, look.elevation_apparent_deg
    turn_deg = wrap_180(azimuth_deg - middle_deg)
    up = elevation_deg > -1.0
    reach = min(180.0, max(30.0, 1.08 * float(np.abs(turn_deg[up]).max(initial=0.0))))
    top = min(90.0, max(30.0, 1.18 * max(ray_deg, float(elevation_deg.max()))))
    _set_axes(ax, middle_deg, reach, top, theme)
    broken = np.where(up, turn_deg, np.nan)
    broken[1:][np.abs(np.diff(turn_deg)) > 180.0] = np.nan  # across the opposite azimuth
    (path,) = ax.plot(broken, elevation_deg, color=_SUN, linewidth=2.4, zorder=5)
    (meridian,) = ax.plot([0.0, 0.0], [0.0, top], color=theme.text, linestyle=(0, (5, 2)), zorder=4)
    local = [time.astimezone(zone) for time in times]
    on_hour = np.flatnonzero([time.minute == 0 for time in local] & (elevation_deg > 0.0))
    hours = _draw_marker(ax, turn_deg[on_hour], elevation_deg[on_hour], "o", 6.0, theme.background, theme)
    names = _hour_names(ax, broken, elevation_deg, on_hour, [f"{time.hour}" for time in local], theme)
    satellite = _draw_marker(ax, [0.0], [ray_deg], "D", 9.0, PALETTE["sky blue"], theme)
    met = _within_a_day(report.crossings, first_utc)
    crossings = [
        _draw_marker(ax, [0.0], [c.sun_elevation_deg], "o", 12.0, PALETTE["yellow"], theme) for c in met
    ]
    requested = [
        Label(look.satellite, 0.0, ray_deg, -30.0, theme.small_pt, "bold"),
        *(_crossing_label(one, zone, theme) for one in met),
    ]
    avoid = np.column_stack([turn_deg[up], elevation_deg[up]])
    labels = place_labels(
        ax, requested, keep_clear=[text_box(name) for name in names], avoid=avoid, theme=theme
    )
    return SunPathArtists(path, hours, satellite, meridian, crossings, labels, names)


def _hour_names(
    ax: Axes, x: Floats, y: Floats, on_hour: Ints, names: Sequence[str], theme: Theme
) -> list[Text]:
    """The hours outside the sun's path, each at a right angle to it; those that would overlap are left out."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    off = 1.5 * theme.small_pt * figure.dpi / 72.0
    place = ax.transData.transform(np.column_stack([x, y]))
    frame = ax.get_window_extent()
    drawn = place[np.isfinite(place).all(axis=1)]
    inner = drawn.mean(axis=0) if len(drawn) else np.zeros(2)
    back = ax.transData.inverted()
    kept: list[Text] = []
    for k in on_hour:
        along = place[min(k + 1, len(place) - 1)] - place[max(k - 1, 0)]
        if not np.isfinite(along).all() or not np.hypot(*along):
            continue
        across = np.array([-along[1], along[0]]) / np.hypot(*along)
        across *= 1.0 if (place[k] - inner) @ across >= 0.0 else -1.0
        at = back.transform(place[k] + off * across)
        style: dict[str, Any] = {"ha": "center", "va": "center", "size": theme.small_pt, "color": theme.text}
        text = add_text(ax, float(at[0]), float(at[1]), names[k], **style)
        box = text_box(text)
        outside = box.x0 < frame.x0 or box.x1 > frame.x1 or box.y0 < frame.y0 or box.y1 > frame.y1
        if outside or any(box.padded(2.0).overlaps(text_box(other)) for other in kept):
            text.remove()
        else:
            kept.append(text)
    return kept


def _crossing_label(crossing: Crossing, zone: dt.tzinfo, theme: Theme) -> Label:
    words = f"{_local_time(crossing.time, zone):%H:%M}\nsun {crossing.sun_elevation_deg:.1f}° up"
    return Label(words, 0.0, crossing.sun_elevation_deg, 150.0, theme.small_pt, "bold")


def _local_time(time: dt.datetime, zone: dt.tzinfo) -> dt.datetime:
    return as_utc(time).astimezone(zone)


def _draw_marker(
    ax: Axes, x: ArrayLike, y: ArrayLike, marker: str, size_pt: float, colour: str, theme: Theme
) -> Line2D:
    (mark,) = ax.plot(x, y, marker=marker, markersize=size_pt, linestyle="none", zorder=6.0 + size_pt / 20.0)
    mark.set_markerfacecolor(colour)
    mark.set_markeredgecolor(theme.text)
    return mark


def _within_a_day(crossings: Sequence[Crossing], first_utc: dt.datetime) -> list[Crossing]:
    start = as_utc(first_utc)
    return [c for c in crossings if start <= as_utc(c.time) < start + dt.timedelta(days=1)]


def _set_axes(ax: Axes, middle_deg: float, reach: float, top: float, theme: Theme) -> None:
    ax.set_xlim(-reach, reach)
    ax.set_ylim(0.0, top)
    step = next(step for step in (10.0, 15.0, 30.0, 45.0, 60.0) if reach / step <= 3.2 or step == 60.0)
    first = step * np.ceil((middle_deg - reach) / step)
    azimuths = np.arange(first, middle_deg + reach + 1e-9, step)
    ax.set_xticks(azimuths - middle_deg, [f"{float(wrap_360(a)):.0f}°" for a in azimuths])
    ax.tick_params(labelsize=theme.small_pt, colors=theme.text)
    ax.grid(True, color=theme.faint_line, linewidth=0.5)
    ax.set_axisbelow(True)


def draw_sun_crossings(
    ax: Axes,
    look: LookVector,
    report: SunReport,
    *,
    first_utc: dt.datetime,
    last_utc: dt.datetime,
    zone: dt.tzinfo = dt.UTC,
    theme: Theme = THEME,
) -> SunCrossingsArtists:
    """Draw the time of day at which the sun crosses the satellite's azimuth, by date, and its seasons in the beam.

    Parameters
    ----------
    ax : axes at their final place in the figure; limits are set here, axis titles are left to the caller
    look : of the satellite; report : `sun_report` of the same satellite and days
    first_utc, last_utc : span of the dates
    zone : time zone of the times and dates
    theme : colours, styles and letter sizes

    Returns
    -------
    SunCrossingsArtists

    >>> import datetime as dt
    >>> from skysill.model.site import Satellite
    >>> from skysill.plots import draw_sun_crossings, new_figure
    >>> from skysill.pointing.look_vector import look_vector
    >>> from skysill.pointing.sun import sun_report
    >>> satellite, place = Satellite("Demo South", longitude_deg=-24.0), (58.0312, -24.6541, 41.0)
    >>> first, last = dt.datetime(2026, 9, 20, tzinfo=dt.UTC), dt.datetime(2026, 10, 30, tzinfo=dt.UTC)
    >>> days = {"first_utc": first, "last_utc": last}
    >>> report = sun_report(*place, satellite, half_angle_deg=0.7, **days)
    >>> ax = new_figure(5.6, 4.0).add_axes((0.15, 0.15, 0.8, 0.8))
    >>> len(draw_sun_crossings(ax, look_vector(*place, satellite), report, **days).seasons)
    1
    """
    start, stop = _local_time(first_utc, zone), _local_time(last_utc, zone)
    days = np.array([_days(start, c.time) for c in report.crossings], dtype=float)
    clock = [_local_time(c.time, zone) for c in report.crossings]
    hours = np.array([t.hour + t.minute / 60.0 + t.second / 3600.0 for t in clock], dtype=float)
    ax.set_xlim(0.0, _days(start, stop))
    ticks = _hour_ticks(hours)
    ax.set_ylim(ticks[0], ticks[-1])
    ends, names = _date_ticks(start, stop)
    ax.set_xticks(ends, names)
    ax.set_yticks(ticks, [f"{int(t) % 24:02d}:{round((t % 1) * 60) % 60:02d}" for t in ticks])
    ax.tick_params(labelsize=theme.small_pt, colors=theme.text)
    ax.grid(True, color=theme.faint_line, linewidth=0.5)
    bands = [_draw_season(ax, start, season) for season in report.alignments]
    (line,) = ax.plot(days, hours, linestyle="none", marker="o", markersize=3.2, color=theme.text, zorder=5)
    requested = [_season_label(start, season, ax.get_ylim(), zone, theme) for season in report.alignments]
    avoid = np.column_stack([days, hours]) if days.size else None
    return SunCrossingsArtists(line, bands, place_labels(ax, requested, avoid=avoid, theme=theme))


def _hour_ticks(hours: Floats) -> Floats:
    """Times on quarter, half or full hours around those given, at most seven."""
    low, high = (float(hours.min()), float(hours.max())) if hours.size else (12.0, 12.0)
    for step in (0.25, 0.5, 1.0, 2.0, 3.0, 6.0):
        first, last = np.floor(low / step - 0.3) * step, np.ceil(high / step + 0.3) * step
        if (last - first) / step <= 6.0:
            break
    first, last = max(first, 0.0), min(last, 24.0)
    return np.arange(first, last + step / 2.0, step)


def _days(start: dt.datetime, time: dt.datetime) -> float:
    return (as_utc(time) - start).total_seconds() / 86_400.0


def _date_ticks(start: dt.datetime, stop: dt.datetime) -> tuple[list[float], list[str]]:
    span = _days(start, stop)
    if span <= 62.0:
        step = max(1, round(span / 6.0))
        days = list(range(0, int(span) + 1, step))
        return [float(d) for d in days], [f"{start + dt.timedelta(days=d):%-d %b}" for d in days]
    months: list[dt.datetime] = []
    month = dt.datetime(start.year, start.month, 1, tzinfo=start.tzinfo)
    while month <= stop:
        months.append(month)
        month = dt.datetime(month.year + month.month // 12, month.month % 12 + 1, 1, tzinfo=start.tzinfo)
    months = [
        m for m in months if start <= m and _days(start, m) <= 0.97 * span
    ]  # its label must fit the frame
    months = months[:: max(1, -(-len(months) // 7))]
    return [_days(start, m) for m in months], [f"{m:%b %y}" for m in months]


def _draw_season(ax: Axes, start: dt.datetime, season: Alignment) -> Rectangle:
    left, right = _days(start, season.season_start), _days(start, season.season_end)
    low, high = ax.get_ylim()
    band = Rectangle((left, low), right - left, high - low, facecolor="#F8E3B5", edgecolor=_SUN, hatch="///")
    band.set_linewidth(0.8)
    ax.add_artist(band)
    return band


def _season_label(
    start: dt.datetime, season: Alignment, limits: tuple[float, float], zone: dt.tzinfo, theme: Theme
) -> Label:
    first, last = _local_time(season.season_start, zone), _local_time(season.season_end, zone)
    words = (
        f"sun in the beam\n{first:%-d %b} to {last:%-d %b}\nup to {season.longest_outage_min:.0f} min a day"
    )
    return Label(
        words, _days(start, season.peak_time), 0.15 * limits[0] + 0.85 * limits[1], 0.0, theme.small_pt
    )


def sun_figure(
    site: Site,
    look: LookVector,
    report: SunReport,
    *,
    first_utc: dt.datetime,
    last_utc: dt.datetime,
    zone: dt.tzinfo = dt.UTC,
    theme: Theme = THEME,
) -> Figure:
    """The whole figure: for one day the sun's path, for more days the times of crossing by date, in a time zone."""
    one_day = (as_utc(last_utc) - as_utc(first_utc)).total_seconds() <= _LONGEST_DAY_H * 3600.0
    az = "straight up" if look.azimuth_deg is None else f"azimuth {look.azimuth_deg:.1f}°"
    first, last = _local_time(first_utc, zone), _local_time(last_utc, zone) - dt.timedelta(seconds=1)
    dates = f"{first:%Y-%m-%d}" + ("" if one_day else f" to {last:%Y-%m-%d}")
    words = [
        f"{site.name}: sun and {look.satellite}",
        f"{dates}; times in {zone_name(first, last)}",
        f"Satellite: {az}, elevation {look.elevation_apparent_deg:.1f}°",
    ]
    height_in = title_height_in(words, theme=theme) + 0.18 + _PANEL_HEIGHT_IN + 0.95
    figure = new_figure(theme.width_in, height_in)
    used_in = add_title(figure, words, theme=theme) + 0.18
    left, wide = _LEFT_MARGIN_IN / theme.width_in, _PANEL_WIDTH_IN / theme.width_in
    ax = figure.add_axes(
        (left, 1.0 - (used_in + _PANEL_HEIGHT_IN) / height_in, wide, _PANEL_HEIGHT_IN / height_in),
        label="sun",
    )
    style = {"size": theme.small_pt, "color": theme.text, "transform": ax.transAxes, "ha": "center"}
    across, up = ("azimuth, true", "elevation, degrees") if one_day else ("date", "time of crossing")
    add_text(ax, 0.5, -0.26 / _PANEL_HEIGHT_IN, across, va="top", **style)
    add_text(ax, -0.62 / _PANEL_WIDTH_IN, 0.5, up, va="center", rotation=90, **style)
    handles: list[Any]
    if one_day:
        drawn = draw_sun_path(ax, site, look, report, first_utc=first_utc, zone=zone, theme=theme)
        handles = _path_handles(drawn)
    else:
        season = draw_sun_crossings(
            ax, look, report, first_utc=first_utc, last_utc=last_utc, zone=zone, theme=theme
        )
        handles = _crossings_handles(season)
    if not report.crossings:
        add_text(ax, 0.5, 0.06, "the sun does not cross this azimuth while it is up", **style)
    add_legend(
        figure,
        handles,
        used_in + _PANEL_HEIGHT_IN + 0.66,
        columns=2 if len(handles) > 3 else None,
        theme=theme,
    )
    return figure


def zone_name(first: dt.datetime, last: dt.datetime) -> str:
    """Name of the time zone over a span, with its offset from UTC; both names where summer time begins or ends.

    >>> noon = dt.datetime(2026, 6, 14, 12, tzinfo=dt.UTC)
    >>> zone_name(noon, noon)
    'UTC'
    """
    names = []
    days = max(1, (last - first).days)
    for moment in (first + (last - first) * (k / days) for k in range(days + 1)):
        moment = moment.astimezone(first.tzinfo)
        name, offset = moment.tzname() or "", moment.strftime("%z")
        told = f"UTC{offset[:3]}:{offset[3:5]}"
        names.append("UTC" if name == "UTC" else f"{name} ({told})" if name.isalpha() else told)
    return " and ".join(dict.fromkeys(names))


def _handle_of(line: Line2D, words: str) -> Line2D:
    handle = Line2D([], [])
    handle.update_from(line)
    handle.set_label(words)
    return handle


def _path_handles(drawn: SunPathArtists) -> list[Patch | Line2D]:
    handles: list[Patch | Line2D] = [_handle_of(drawn.path, "sun"), _handle_of(drawn.hours, "full hours")]
    handles += [_handle_of(mark, "sun at the satellite's azimuth") for mark in drawn.crossings[:1]]
    return [*handles, _handle_of(drawn.satellite, "satellite")]


def _crossings_handles(drawn: SunCrossingsArtists) -> list[Any]:
    handles: list[Any] = [_handle_of(drawn.crossings, "sun at the satellite's azimuth")]
    if drawn.seasons:
        handles.append(Patch(facecolor="#F8E3B5", edgecolor=_SUN, hatch="///", label="sun in the beam"))
    return handles


def write_sun(
    path: str | PathLike[str],
    site: Site,
    look: LookVector,
    report: SunReport,
    *,
    first_utc: dt.datetime,
    last_utc: dt.datetime,
    zone: dt.tzinfo = dt.UTC,
) -> None:
    """Write the sun's picture as PNG, SVG or PDF by the file's suffix."""
    with fixed_settings():
        figure = sun_figure(site, look, report, first_utc=first_utc, last_utc=last_utc, zone=zone)
        save(path, figure, title=f"{site.name}: sun and {look.satellite}")

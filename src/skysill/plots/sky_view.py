"""The sky view: the whole sky above the dish on one disc, as on a map, north up and east right.

Elevation is linear from the rim (0) to the middle (90): an azimuthal equidistant projection about the zenith.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, PathPatch, Polygon
from matplotlib.text import Text
from numpy.typing import ArrayLike

from skysill.assessment.results import Assessment, SatelliteResult
from skysill.plots.area_patches import draw_areas
from skysill.plots.captions import (
    add_legend,
    add_rows,
    add_title,
    date_text,
    mount_text,
    required_room_deg,
    row_heights_in,
    title_height_in,
)
from skysill.plots.labels import Label, PlacedLabel, add_text, place_labels, text_box
from skysill.plots.sky_areas import (
    Area,
    circle_on_sky,
    covered_spans,
    partly_covered,
    points_along,
    sky_areas,
    uncovered_spans,
)
from skysill.plots.theme import (
    THEME,
    Theme,
    fixed_settings,
    new_figure,
    overlap_handle,
    save,
    source_area,
    source_handles,
)
from skysill.pointing.look_vector import look_angles
from skysill.units import Bools, Floats, wrap_180

__all__ = ["SkyArtists", "draw_sky", "project", "sky_figure", "write_sky_view"]

_RIM_RADIUS = 90.0
_BAND_RADIUS = 94.5
_AXIS_LIMIT = 107.0
_RINGS_DEG = (15, 30, 45, 60, 75)


@dataclass(frozen=True, slots=True, eq=False)
class SkyArtists:
    """What was drawn.

    areas : (source, its area)
    uncovered : hatched sectors that no source covers
    arc : the geostationary arc, in one or more pieces
    satellites : a marker for each result; rooms : its required room, None where it is not known
    labels : names and verdicts; ticks : longitudes along the arc; notes : other texts on the disc
    """

    areas: list[tuple[str, PathPatch]]
    uncovered: list[PathPatch]
    arc: list[Line2D]
    satellites: list[Line2D]
    rooms: list[Polygon | None]
    labels: list[PlacedLabel]
    ticks: list[Text]
    notes: list[Text]


def project(azimuth_deg: ArrayLike, elevation_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Position on the disc: x east, y north, in degrees from the zenith; below the horizon clipped to the rim.

    >>> x, y = project(90.0, 30.0)
    >>> x.round(9).item(), y.round(9).item()
    (60.0, 0.0)
    """
    radius = np.minimum(90.0 - np.asarray(elevation_deg, dtype=np.float64), _RIM_RADIUS)
    azimuth_rad = np.deg2rad(azimuth_deg)
    return np.asarray(radius * np.sin(azimuth_rad)), np.asarray(radius * np.cos(azimuth_rad))


def draw_sky(ax: Axes, assessment: Assessment, *, theme: Theme = THEME) -> SkyArtists:
    """Draw the whole sky above a dish: horizon by source, geostationary arc, satellites with required room and verdict.

    Parameters
    ----------
    ax : square axes at their final place in the figure; limits are set here
    assessment : all its results and silhouettes are drawn
    theme : colours, styles and letter sizes

    Returns
    -------
    SkyArtists

    >>> import skysill
    >>> from skysill.plots import draw_sky, new_figure
    >>> job = skysill.read_site_file("demo_terrain/byre.toml")
    >>> assessment = skysill.assess(job, job.mounts[0])
    >>> ax = new_figure(5.6, 5.6).add_axes((0.05, 0.05, 0.9, 0.9))
    >>> len(draw_sky(ax, assessment).satellites)
    3
    """
    ax.set_axis_off()
    ax.set_xlim(-_AXIS_LIMIT, _AXIS_LIMIT)
    ax.set_ylim(-_AXIS_LIMIT, _AXIS_LIMIT)
    ax.add_artist(Circle((0.0, 0.0), _RIM_RADIUS, facecolor=theme.background, edgecolor="none", zorder=0))
    uncovered = _draw_uncovered(ax, assessment, theme)
    areas = sky_areas(assessment.silhouettes)
    shapes = draw_areas(ax, areas, _edges, theme, without_line=_on_rim, lowest_line_deg=0.0)
    notes = _draw_rings_and_spokes(ax, assessment.results, theme)
    _draw_coverage_band(ax, assessment, theme)
    notes += _label_uncovered(ax, uncovered_spans(assessment.silhouettes), notes, theme)
    arc, ticks = _draw_arc(ax, assessment, theme)
    marks, rooms, requested = [], [], []
    for result in assessment.results:
        mark, room = _draw_satellite(ax, result, theme)
        marks.append(mark)
        rooms.append(room)
        requested.append(_label(result, mark, theme))
    ticks = [text for text in ticks if not _remove_if_covered(ax, text, marks, rooms)]
    keep_clear = [text_box(text) for text in (*ticks, *notes)]
    edges = [points_along(np.asarray(patch.get_path().vertices), 2.0) for _, patch in shapes]
    edges += [room.get_xy()[::4] for room in rooms if room is not None]
    avoid = np.concatenate(edges) if edges else None
    labels = place_labels(ax, requested, keep_clear=keep_clear, avoid=avoid, theme=theme)
    return SkyArtists(shapes, uncovered, arc, marks, rooms, labels, ticks, notes)


def _remove_if_covered(
    ax: Axes, text: Text, marks: Sequence[Line2D], rooms: Sequence[Polygon | None]
) -> bool:
    """Remove a tick label that a satellite's marker or outline would cross."""
    box = text_box(text).padded(4.0)
    lines = [mark.get_xydata() for mark in marks] + [room.get_xy() for room in rooms if room is not None]
    if not any(box.count_contains(ax.transData.transform(line)) for line in lines):
        return False
    text.remove()
    return True


def _sector(start_deg: float, stop_deg: float, inner: float, outer: float) -> Floats:
    turn = np.deg2rad(
        np.linspace(start_deg, stop_deg, max(2, int(np.ceil((stop_deg - start_deg) / 2.0)) + 1))
    )
    out = np.column_stack([outer * np.sin(turn), outer * np.cos(turn)])
    back = np.column_stack([inner * np.sin(turn[::-1]), inner * np.cos(turn[::-1])])
    return np.concatenate([out, back])


def _draw_uncovered(ax: Axes, assessment: Assessment, theme: Theme) -> list[PathPatch]:
    blank = theme.sources[""]
    drawn = []
    for start, stop in uncovered_spans(assessment.silhouettes):
        patch = source_area([_sector(start, stop, 0.0, _BAND_RADIUS)], blank, zorder=2.95, hollow=True)
        ax.add_artist(patch)
        drawn.append(patch)
    return drawn


def _edges(area: Area) -> Iterator[tuple[Floats, Floats]]:
    """Upper and lower edge of an area on the disc, where some of it is above the horizon."""
    if area.top_deg.max() > 0.0:
        yield (
            np.column_stack(project(area.azimuth_deg, area.top_deg)),
            np.column_stack(project(area.azimuth_deg, area.floor_deg)),
        )


def _on_rim(points: Floats) -> Bools:
    return np.asarray(np.hypot(*points.T) >= _RIM_RADIUS - 0.01)


def _draw_rings_and_spokes(ax: Axes, results: Sequence[SatelliteResult], theme: Theme) -> list[Text]:
    """Rings of elevation and spokes of azimuth; the rings are labelled on the side away from the satellites."""
    for ring in _RINGS_DEG:
        ax.add_artist(Circle((0, 0), 90.0 - ring, fill=False, edgecolor=theme.line, linewidth=0.6, zorder=4))
    ax.add_artist(Circle((0, 0), _RIM_RADIUS, fill=False, edgecolor=theme.text, linewidth=1.2, zorder=6))
    texts: list[Text] = []
    style = {"ha": "center", "va": "center", "color": theme.text}
    for azimuth in range(0, 360, 30):
        letter = {0: "N", 90: "E", 180: "S", 270: "W"}.get(azimuth)
        ends = np.column_stack(project(azimuth, [0.0, 85.0]))
        ax.plot(*ends.T, color=theme.faint_line, linewidth=0.6, zorder=4)
        x, y = ends[0] * 101.0 / _RIM_RADIUS
        if letter:
            texts.append(add_text(ax, x, y, letter, size=theme.title_pt + 1, weight="bold", **style))
        else:
            texts.append(add_text(ax, x, y, f"{azimuth}°", size=theme.small_pt, **style))
    placed = np.deg2rad([r.look.azimuth_deg for r in results if r.look.azimuth_deg is not None] or [180.0])
    away_deg = 180.0 + np.rad2deg(np.arctan2(np.sin(placed).sum(), np.cos(placed).sum()))
    away_deg = 15.0 + 30.0 * np.round((away_deg - 15.0) / 30.0)  # between two spokes
    for ring in _RINGS_DEG:
        x, y = (float(part) for part in project(away_deg, ring))
        texts.append(
            add_text(
                ax,
                x,
                y,
                f"{ring}°",
                size=theme.small_pt,
                zorder=12,
                bbox=_text_background(theme, 0.8),
                **style,
            )
        )
    return texts


def _draw_coverage_band(ax: Axes, assessment: Assessment, theme: Theme) -> None:
    """A band outside the rim: which source covers each azimuth, the most reliable for near obstructions on top."""
    for name in ("terrain", "obstacle", "measured"):
        source = theme.sources[name]
        for start, stop in covered_spans([s for s in assessment.silhouettes if s.source == name]):
            sector = source_area([_sector(start, stop, _RIM_RADIUS, _BAND_RADIUS)], source, zorder=5)
            ax.add_artist(sector)
    ax.add_artist(Circle((0, 0), _BAND_RADIUS, fill=False, edgecolor=theme.text, linewidth=0.6, zorder=6))


def _label_uncovered(
    ax: Axes, spans: Sequence[tuple[float, float]], notes: Sequence[Text], theme: Theme
) -> list[Text]:
    texts: list[Text] = []
    for start, stop in spans:
        if stop - start < 20.0:
            continue  # too narrow for a label; the legend explains the hatch
        middle = (start + stop) / 2.0
        taken = [text_box(text) for text in (*notes, *texts)]
        for turn, elevation in (
            (0.0, 38.0),
            (0.0, 52.0),
            (0.15, 22.0),
            (-0.15, 22.0),
            (0.25, 38.0),
            (-0.25, 38.0),
        ):
            x, y = project(middle + turn * (stop - start), elevation)
            text = add_text(
                ax,
                float(x),
                float(y),
                theme.sources[""].word,
                ha="center",
                va="center",
                size=theme.small_pt,
                color=theme.text,
                zorder=11,
                bbox=_text_background(theme, 1.5),
            )
            if not any(text_box(text).padded(4.0).overlaps(other) for other in taken):
                texts.append(text)
                break
            text.remove()
    return texts


def _text_background(theme: Theme, pad: float) -> dict[str, Any]:
    return {"facecolor": theme.background, "edgecolor": "none", "pad": pad}


def _longitude(longitude_deg: float) -> str:
    if longitude_deg % 180.0 == 0.0:  # neither east nor west
        return f"{abs(longitude_deg):.0f}°"
    return f"{abs(longitude_deg):.0f}°{'W' if longitude_deg < 0 else 'E'}"


def _draw_arc(ax: Axes, assessment: Assessment, theme: Theme) -> tuple[list[Line2D], list[Text]]:
    """The geostationary arc above the horizon, with a tick every ten degrees of longitude."""
    site = assessment.site
    longitude_deg = wrap_180(np.floor(site.longitude_deg) + np.arange(-90.0, 90.5, 0.5))
    azimuth_deg, elevation_deg, _ = look_angles(
        site.latitude_deg, site.longitude_deg, 0.0, satellite_longitude_deg=longitude_deg
    )
    azimuth_deg = np.where(np.isnan(azimuth_deg), 0.0, azimuth_deg)  # straight up: any azimuth
    up = elevation_deg > 0.0
    place = np.column_stack(project(azimuth_deg, elevation_deg))
    place[~up] = np.nan
    arc = ax.plot(*place.T, color=theme.arc, linewidth=1.4, zorder=8)
    at = np.flatnonzero(up & (np.mod(longitude_deg, 10.0) == 0.0))
    at = at[(at > 0) & (at < up.size - 1)]
    along = place[at + 1] - place[at - 1]
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
    # towards the rim, because the open sky is for the satellites' labels
    outward *= np.where((outward * place[at]).sum(axis=1) < 0.0, -1.0, 1.0)[:, None]
    for start, way in zip(place[at], outward, strict=True):
        ax.plot(*np.column_stack([start, start + 2.5 * way]), color=theme.arc, linewidth=1.2, zorder=8)
    named = place[at] + 7.0 * outward
    return arc, _name_ticks(ax, longitude_deg[at], named, theme)


def _name_ticks(ax: Axes, longitude_deg: Floats, place: Floats, theme: Theme) -> list[Text]:
    """Longitudes beside their ticks: every 10, 20, 30 or 60 degrees, the closest step without overlap."""
    fits = np.hypot(*place.T) < 86.0
    for step in (10.0, 20.0, 30.0, 60.0):
        texts = [
            add_text(
                ax,
                x,
                y,
                _longitude(float(longitude)),
                ha="center",
                va="center",
                size=max(theme.small_pt - 0.5, 8.0),
                color=theme.arc,
                zorder=9,
                bbox=_text_background(theme, 0.5),
            )
            for longitude, (x, y) in zip(longitude_deg[fits], place[fits], strict=True)
            if longitude % step == 0.0
        ]
        boxes = [text_box(text).padded(3.0) for text in texts]
        if step == 60.0 or not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k]):
            break
        for text in texts:
            text.remove()
    return texts


def _draw_satellite(ax: Axes, result: SatelliteResult, theme: Theme) -> tuple[Line2D, Polygon | None]:
    look, verdict = result.look, theme.verdicts[result.verdict]
    azimuth_deg = 0.0 if look.azimuth_deg is None else look.azimuth_deg
    if result.track is not None:
        track = project(np.array(result.track.azimuth_deg, dtype=float), result.track.elevation_deg)
        ax.plot(*track, color=theme.text, linewidth=1.0, linestyle=verdict.stroke, zorder=19)
    x, y = project(azimuth_deg, look.elevation_apparent_deg)
    (mark,) = ax.plot(
        [float(x)],
        [float(y)],
        marker=verdict.marker,
        markersize=5.5,
        markerfacecolor=verdict.colour,
        markeredgecolor=theme.text,
        markeredgewidth=1.0,
        linestyle="none",
        zorder=21,
    )
    radius_deg = required_room_deg(result)
    if radius_deg is None or not look.visible:
        return mark, None
    outline = np.column_stack(project(*circle_on_sky(azimuth_deg, look.elevation_apparent_deg, radius_deg)))
    halo = Polygon(outline, closed=True, fill=False, edgecolor=theme.background, linewidth=3.2, zorder=19)
    ax.add_artist(halo)
    room = Polygon(
        outline,
        closed=True,
        fill=False,
        edgecolor=theme.text,
        linewidth=1.5,
        linestyle=verdict.stroke,
        zorder=20,
    )
    ax.add_artist(room)
    return mark, room


def _label(result: SatelliteResult, mark: Line2D, theme: Theme) -> Label:
    x, y = (float(np.asarray(part)[0]) for part in mark.get_data())
    word = theme.verdicts[result.verdict].word if result.look.visible else "below the horizon"
    name = result.satellite.name
    name = name if len(name) <= 18 else name[:17] + "…"
    toward_deg = float(np.rad2deg(np.arctan2(-y, -x))) if np.hypot(x, y) > 1.0 else 90.0
    return Label(f"{name}\n{word}", x, y, toward_deg=toward_deg, size_pt=theme.small_pt, weight="bold")


def sky_figure(assessment: Assessment, *, heading: bool = True, theme: Theme = THEME) -> Figure:
    """The whole figure: title, disc, legend, and a row for each satellite.

    heading : False leaves title and rows out, for a page that has them as text
    """
    disc_in, date = theme.width_in - 0.1, date_text(assessment)
    lines = [
        f"{assessment.site.name}: sky view{', ' + date if date else ''}",
        mount_text(assessment.mount),
        "As on a map: north up, east right; the middle is straight up",
    ]
    title_in = title_height_in(lines, theme=theme) if heading else 0.0
    key_in = 1.65 * theme.small_pt / 72.0 * (1 if theme.width_in > 5.0 else 2) + 0.16
    words_in = sum(row_heights_in(assessment.results, theme=theme)) if heading else 0.0
    height_in = title_in + disc_in + key_in + words_in + 0.05
    figure = new_figure(theme.width_in, height_in)
    used_in = add_title(figure, lines, theme=theme) if heading else 0.0
    place = (
        0.05 / theme.width_in,
        1.0 - (used_in + disc_in) / height_in,
        disc_in / theme.width_in,
        disc_in / height_in,
    )
    draw_sky(figure.add_axes(place, label="sky"), assessment, theme=theme)
    names = [
        s for s in ("measured", "terrain", "obstacle") if any(x.source == s for x in assessment.silhouettes)
    ]
    blank = uncovered_spans(assessment.silhouettes)
    handles = source_handles(names + ([""] if blank else []), theme=theme)
    if partly_covered(sky_areas(assessment.silhouettes), blank):
        handles.append(overlap_handle("seen, not far enough", theme=theme))
    add_legend(figure, handles, used_in + disc_in + key_in / 2, theme=theme)
    if heading:
        add_rows(figure, assessment.results, used_in + disc_in + key_in, theme=theme)
    return figure


def write_sky_view(path: str | PathLike[str], assessment: Assessment) -> None:
    """Write the sky view as PNG, SVG or PDF by the file's suffix."""
    with fixed_settings():
        figure = sky_figure(assessment)
        save(path, figure, title=f"{assessment.site.name}: sky view, north up, east right")

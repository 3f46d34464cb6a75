"""Silhouettes as areas of sky to be drawn, and the azimuth spans that no source covers.

The module holds only the geometry of the drawing: columns are joined into outlines; nothing is computed about the ray.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from skysill.horizon.silhouette import Silhouette, covered
from skysill.units import Bools, Floats, Ints, wrap_180

__all__ = [
    "Area",
    "azimuthal_equidistant_deg",
    "circle_on_sky",
    "covered_spans",
    "merged_outlines",
    "partly_covered",
    "points_along",
    "sky_areas",
    "uncovered_spans",
]

_WIDEST_STEP_DEG = 2.0
"""Columns of one obstacle farther apart than this belong to separate parts."""

_TERRAIN_STEP_DEG = 1.01
"""Columns of terrain no farther apart than this form one skyline, covered far enough or not."""

_CLOSED_GAP_DEG = 0.3
"""Gaps inside an outline narrower than this, in degrees on the picture, are closed because they are invisible."""

_LEAST_WIDTH_DEG = 0.16
"""Least width at which an obstruction is drawn, in degrees on the picture."""

_DETAIL_DEG = 0.02
"""Largest detail that simplified outlines may lose, in degrees on the picture."""

_HALF_COLUMN_DEG = 0.05
"""Half the width drawn for a single column, so that a pole stays visible."""


@dataclass(frozen=True, slots=True, eq=False)
class Area:
    """A part of the obstructed sky: from floor_deg up to top_deg, over an unbroken span of azimuths, clockwise.

    azimuth_deg : (n,) float, increasing, may pass 360; floor_deg, top_deg, distance_m : (n,) float
    from_ground : whether it reaches down to the ground; a wire or a high crown does not
    """

    source: str
    name: str
    azimuth_deg: Floats
    floor_deg: Floats
    top_deg: Floats
    distance_m: Floats
    from_ground: bool


def sky_areas(silhouettes: Sequence[Silhouette]) -> list[Area]:
    """All silhouettes as areas in drawing order: terrain, measured horizon, obstacles.

    Of what reaches down to the ground only the highest column per azimuth is kept; of what does not, every layer.
    """
    order = {"terrain": 0, "measured": 1, "obstacle": 2}
    found: list[Area] = []
    sources = sorted(dict.fromkeys(s.source for s in silhouettes), key=lambda name: order.get(name, 3))
    for silhouette in (_merged([s for s in silhouettes if s.source == name]) for name in sources):
        by_thing = silhouette.source == "obstacle"
        parts = sorted(set(silhouette.feature.tolist())) if by_thing else [None]
        pieces: list[Area] = []
        for part in parts:
            chosen = np.ones(len(silhouette), bool) if part is None else silhouette.feature == part
            for from_ground in (True, False):
                mask = chosen & ((np.asarray(silhouette.floor_deg) <= -89.9) == from_ground)
                for layer in _layers(silhouette, np.flatnonzero(mask), only_top=from_ground):
                    pieces.extend(_unbroken_runs(silhouette, layer, from_ground=from_ground))
        # the farther is drawn first, so that the nearer covers it; layers off the ground come last
        pieces.sort(key=lambda area: (not area.from_ground, -_median_distance_m(area.distance_m)))
        found.extend(pieces)
    return found


def _merged(silhouettes: Sequence[Silhouette]) -> Silhouette:
    """Silhouettes of one source as one; where a later one covers, it replaces those before it.

    Terrain comes with coarse columns all round first, then with dense ones around the rays.
    """
    if len(silhouettes) == 1:
        return silhouettes[0]
    silhouettes = [
        s.kept(~np.any([_covers(later, s.azimuth_deg) for later in silhouettes[k + 1 :]], axis=0))
        if k + 1 < len(silhouettes)
        else s
        for k, s in enumerate(silhouettes)
    ]
    offset = np.cumsum([0, *(len(s.features) for s in silhouettes[:-1])])
    return Silhouette(
        source=silhouettes[0].source,
        azimuth_deg=np.concatenate([s.azimuth_deg for s in silhouettes]),
        elevation_deg=np.concatenate([s.elevation_deg for s in silhouettes]),
        distance_m=np.concatenate([s.distance_m for s in silhouettes]),
        features=tuple(feature for s in silhouettes for feature in s.features),
        feature=np.concatenate([s.feature + first for s, first in zip(silhouettes, offset, strict=True)]),
        floor_deg=np.concatenate([np.asarray(s.floor_deg) for s in silhouettes]),
        covered_deg=np.concatenate([s.covered_deg for s in silhouettes]),
    )


def _covers(silhouette: Silhouette, azimuth_deg: Floats) -> Bools:
    """As `covered`, evaluated once for each distinct azimuth."""
    once, back = np.unique(azimuth_deg, return_inverse=True)
    return np.asarray(covered(silhouette, once)[back])


def _median_distance_m(distance_m: Floats) -> float:
    known = distance_m[~np.isnan(distance_m)]
    return float(np.median(known)) if known.size else 0.0


def _layers(silhouette: Silhouette, index: Ints, *, only_top: bool) -> Iterator[Ints]:
    """Columns in layers in which each azimuth occurs once: first the highest of each, then the next."""
    rest = index[np.lexsort((-silhouette.elevation_deg[index], silhouette.azimuth_deg[index]))]
    while rest.size:
        azimuth_deg = silhouette.azimuth_deg[rest]
        first = np.concatenate([[True], np.diff(azimuth_deg) > 1e-6])
        yield rest[first]
        if only_top:
            return
        rest = rest[~first]


def _unbroken_runs(silhouette: Silhouette, index: Ints, *, from_ground: bool) -> Iterator[Area]:
    """One layer cut where its source does not cover, or where an obstacle ends."""
    azimuth_deg = silhouette.azimuth_deg[index]
    step = np.mod(np.diff(azimuth_deg, append=azimuth_deg[:1] + 360.0), 360.0)
    step[step == 0.0] = 360.0
    if silhouette.source == "obstacle":
        joined: Bools = step <= _WIDEST_STEP_DEG
    else:
        joined = covered(silhouette, azimuth_deg + step / 2.0) & (step < 180.0)
    if (
        silhouette.source == "terrain"
    ):  # terrain was evaluated, though perhaps not far enough to count as covered
        joined = joined | (step <= _TERRAIN_STEP_DEG)
    count = index.size
    breaks = np.flatnonzero(~joined)
    starts = (breaks + 1) % count if breaks.size else np.array([0])
    for k, start in enumerate(starts):
        length = int((breaks[(k + 1) % breaks.size] - start) % count) + 1 if breaks.size else count
        turn = index[(start + np.arange(length)) % count]
        around = silhouette.azimuth_deg[turn]
        around = around[0] + np.concatenate([[0.0], np.cumsum(np.mod(np.diff(around), 360.0))])
        if not breaks.size:  # all the way round: close it
            turn, around = np.append(turn, turn[0]), np.append(around, around[0] + 360.0)
        if turn.size == 1:
            turn, around = np.repeat(turn, 2), around[0] + np.array([-_HALF_COLUMN_DEG, _HALF_COLUMN_DEG])
        yield Area(
            source=silhouette.source,
            name=silhouette.features[int(silhouette.feature[turn[0]])].name,
            azimuth_deg=around,
            floor_deg=np.asarray(silhouette.floor_deg)[turn],
            top_deg=silhouette.elevation_deg[turn],
            distance_m=silhouette.distance_m[turn],
            from_ground=from_ground,
        )


def covered_spans(silhouettes: Sequence[Silhouette]) -> list[tuple[float, float]]:
    """Azimuth spans within 0 to 360 that some silhouette covers, joined where they touch, in order."""
    parts: list[tuple[float, float]] = []
    for silhouette in silhouettes:
        for start, stop in silhouette.covered_deg:
            low = float(start) % 360.0
            high = low + min(float(stop - start), 360.0)
            parts.append((low, min(high, 360.0)))
            if high > 360.0:
                parts.append((0.0, high - 360.0))
    joined: list[tuple[float, float]] = []
    for low, high in sorted(parts):
        if joined and low <= joined[-1][1] + 1e-6:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return joined


def uncovered_spans(silhouettes: Sequence[Silhouette]) -> list[tuple[float, float]]:
    """Azimuth spans (from, clockwise to; the end may pass 360) that no silhouette covers.

    >>> uncovered_spans([])
    [(0.0, 360.0)]
    """
    seen = covered_spans(silhouettes)
    ends = [0.0, *(end for span in seen for end in span), 360.0]
    gaps = [(low, high) for low, high in zip(ends[::2], ends[1::2], strict=True) if high > low + 1e-6]
    if len(gaps) > 1 and gaps[0][0] == 0.0 and gaps[-1][1] == 360.0:  # one gap across north
        first = gaps.pop(0)
        gaps[-1] = (gaps[-1][0], 360.0 + first[1])
    return gaps


def partly_covered(shapes: Sequence[Area], spans: Sequence[tuple[float, float]]) -> list[Area]:
    """The areas of terrain that extend into uncovered azimuth spans: seen, but not far enough out."""
    found = []
    for area in shapes:
        if area.source == "terrain" and any(
            (np.mod(area.azimuth_deg - start, 360.0) < stop - start).any() for start, stop in spans
        ):
            found.append(area)
    return found


def merged_outlines(shapes: Sequence[Floats]) -> list[list[Floats]]:
    """Overlapping outlines merged: for each part its outer ring, then its holes, each closed, (n, 2).

    A house of walls, roof planes and chimneys becomes one shape.
    """
    from shapely import MultiPolygon, Polygon, normalize, union_all

    whole = union_all([part for shape in shapes if len(shape) >= 3 for part in _drawn_parts(shape)])
    pieces = []
    for part in getattr(whole, "geoms", [whole]):
        if part.geom_type == "Polygon" and part.area > 0.0:
            wide = [
                hole for hole in part.interiors if not Polygon(hole).buffer(-_CLOSED_GAP_DEG / 2.0).is_empty
            ]
            pieces.append(Polygon(part.exterior, wide))
    tidy = normalize(MultiPolygon(pieces))  # the same order every time
    return [[np.asarray(ring.coords) for ring in (part.exterior, *part.interiors)] for part in tidy.geoms]


def _drawn_parts(shape: Floats) -> list[Any]:
    """An outline as a valid area, with parts that are too thin to see widened to the least width.

    A distant wire has almost no height and must stay visible.
    """
    from shapely import LineString, Polygon, make_valid

    ring = LineString(np.concatenate([shape, shape[:1]])).simplify(_DETAIL_DEG)
    area = make_valid(Polygon(ring.coords)) if len(ring.coords) > 3 else Polygon()
    wide_parts = area.buffer(-_LEAST_WIDTH_DEG / 2.0).buffer(_LEAST_WIDTH_DEG / 2.0 + 0.01)
    thin = ring.difference(wide_parts).buffer(_LEAST_WIDTH_DEG / 2.0)
    parts = [part for part in getattr(thin, "geoms", [thin]) if not part.is_empty]
    # short parts are only the corners of a wide area
    long = [
        part
        for part in parts
        if wide_parts.is_empty
        or np.hypot(*np.subtract(part.bounds[2:], part.bounds[:2])) > 4.0 * _LEAST_WIDTH_DEG
    ]
    return [area, *long]


def points_along(points: Floats, step: float) -> Floats:
    """Points along a line (n, 2), at most about `step` apart, for labels to avoid."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(2, int(along[-1] / step) + 1))
    return np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])


def circle_on_sky(
    azimuth_deg: float, elevation_deg: float, radius_deg: float, *, points: int = 145
) -> tuple[Floats, Floats]:
    """Azimuths and elevations at `radius_deg` all around a direction: a small circle on the sky.

    Direct problem of spherical trigonometry (from memory).
    """
    around_rad = np.linspace(0.0, 2.0 * np.pi, points)
    here_rad, reach_rad = np.deg2rad(elevation_deg), np.deg2rad(radius_deg)
    sine = np.sin(here_rad) * np.cos(reach_rad) + np.cos(here_rad) * np.sin(reach_rad) * np.cos(around_rad)
    turn_rad = np.arctan2(
        np.sin(around_rad) * np.sin(reach_rad) * np.cos(here_rad), np.cos(reach_rad) - np.sin(here_rad) * sine
    )
    return azimuth_deg + np.rad2deg(turn_rad), np.rad2deg(np.arcsin(np.clip(sine, -1.0, 1.0)))


def azimuthal_equidistant_deg(
    azimuth_deg: Floats, elevation_deg: Floats, *, center_azimuth_deg: float, center_elevation_deg: float
) -> tuple[Floats, Floats]:
    """Position of directions in a picture around a centre: right and up, degrees, true in every direction from it.

    Azimuthal equidistant projection (Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395,
    1987, chapter 25, eqs. 22-4, 22-5, 25-2; from memory) with azimuth to the right and elevation upward.

    >>> x, y = azimuthal_equidistant_deg(10.0, 30.0, center_azimuth_deg=10.0, center_elevation_deg=24.0)
    >>> x.round(9).item(), y.round(9).item()
    (0.0, 6.0)
    """
    turn_rad = np.deg2rad(wrap_180(np.subtract(azimuth_deg, center_azimuth_deg)))
    there_rad, here_rad = np.deg2rad(elevation_deg), np.deg2rad(center_elevation_deg)
    right = np.cos(there_rad) * np.sin(turn_rad)
    up = np.cos(here_rad) * np.sin(there_rad) - np.sin(here_rad) * np.cos(there_rad) * np.cos(turn_rad)
    ahead = np.sin(here_rad) * np.sin(there_rad) + np.cos(here_rad) * np.cos(there_rad) * np.cos(turn_rad)
    sine = np.hypot(right, up)
    apart_deg = np.rad2deg(np.arctan2(sine, ahead))
    stretch = np.where(sine > 1e-12, apart_deg / np.where(sine > 1e-12, sine, 1.0), 180.0 / np.pi)
    return np.asarray(right * stretch), np.asarray(up * stretch)

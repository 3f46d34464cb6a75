"""Readings taken on site with compass and clinometer -> Silhouette."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from skysill.horizon.silhouette import Feature, Silhouette
from skysill.horizon.skyline import neighbour_pairs
from skysill.model.readings import Readings
from skysill.units import Bools, Floats, Ints, direction_enu, wrap_180, wrap_360

__all__ = [
    "Columns",
    "ShiftedSkyline",
    "moved_readings",
    "shift_to_dish",
]

SIDESTEP_M = 1.0
"""A reading without a distance is not shifted farther sideways than this: its parallax is unknown."""

_STEP_DEG = 0.1
_NEAR_DEG = 30.0
_FAR_STEP_DEG = 0.5
_STILL_M = 0.01
_LEVEL_DEG = 0.5

_BESIDE_RAY_DEG = 60.0
_BESIDE_DEG = 25.0
_BESIDE_STRETCH_DEG = 5.0

_HIDDEN_FARTHEST_M = 20_000.0
_HIDDEN_SHARES = (0.5, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Columns with the readings that they come from.

    silhouette : columns at most 0.1 degree apart near the rays, 0.5 elsewhere, straight between neighbouring readings
    anchors : (column, 2) int, the two readings a column lies between (for drawing their errors)
    weights : (column, 2) float, their shares
    stretch : (column,) int, the number of the stretch without a reading in which a column lies; -1 on a reading
    along, width_deg : (column,) float, place in that stretch from 0 to 1, and its width
    rise_deg : (column,) float, from the reading at its beginning to that at its end; nan where nothing was read at
        its end
    """

    silhouette: Silhouette
    anchors: np.ndarray
    weights: Floats
    stretch: Ints
    along: Floats
    width_deg: Floats
    rise_deg: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ShiftedSkyline:
    """The measured horizon as it stands from another dish centre.

    silhouette : the readings, joined and shifted to the dish
    drawn : the same columns and, past the outermost readings, columns as high and as far away as those: what may
        stand there, for the probability only
    hidden : the highest that things could stand that the instrument could not see behind what was read; None where
        the dish is where the instrument was, and where it was not asked for
    layout : what decides the azimuths of the columns
    """

    silhouette: Silhouette
    drawn: Columns
    hidden: Silhouette | None = None
    layout: _Layout | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """What decides at which azimuths a shifted skyline has columns; the height of the dish does not.

    readings : as read; azimuth_deg : (n,) from the dish; usable : (n,)
    count : columns between readings, before those beside the outermost
    """

    readings: Readings
    max_gap_deg: float
    exact_azimuths_deg: tuple[float, ...]
    azimuth_deg: Floats
    usable: Bools
    count: int = 0

    def same(self, other: _Layout) -> bool:
        """Whether the columns come to stand at the same azimuths."""
        return (
            self.readings is other.readings
            and self.max_gap_deg == other.max_gap_deg
            and self.exact_azimuths_deg == other.exact_azimuths_deg
            and np.array_equal(self.azimuth_deg, other.azimuth_deg)
            and np.array_equal(self.usable, other.usable)
        )


def shift_to_dish(
    readings: Readings,
    *,
    east_m: float,
    north_m: float,
    up_m: float,
    max_gap_deg: float,
    inclination_error_deg: float,
    exact_azimuths_deg: tuple[float, ...] = (),
    hidden_rise_m: float = np.inf,
    like: ShiftedSkyline | None = None,
    hidden: bool = True,
) -> ShiftedSkyline:
    """The measured horizon seen from a dish centre that stands elsewhere than the instrument did.

    Each reading with a distance is a point in space and shifts by parallax. One without a distance is used
    unmoved for a higher mount (there it can only sink), and not used for a lower one or one more than
    `SIDESTEP_M` aside. Neighbouring readings no more than `max_gap_deg` apart are joined; wider gaps stay open.

    Parameters
    ----------
    readings : true azimuths, in order
    east_m, north_m, up_m : dish centre minus instrument
    exact_azimuths_deg : azimuths that must get a column of their own (the satellites')
    hidden_rise_m : things that the instrument could not see are at most so much higher than the instrument
    like : the same readings shifted to another height at the same place: where the azimuths are the same, its
        columns are only moved up or down
    hidden : also work out what may stand hidden behind what was read

    Returns
    -------
    CarriedSkyline
    """
    usable, notes = _usable(readings, sideways_m=float(np.hypot(east_m, north_m)), up_m=up_m)
    azimuth_deg, elevation_deg, distance_m = _moved(readings, np.array([east_m, north_m, up_m]))
    step_m = np.array([east_m, north_m, up_m])
    layout = _Layout(readings, max_gap_deg, exact_azimuths_deg, azimuth_deg, usable)
    if like is not None and like.layout is not None and layout.same(like.layout):
        layout, covered_deg = like.layout, like.silhouette.covered_deg
        columns = _lifted(like.drawn, elevation_deg, distance_m)
    else:
        pieces, count, covered_deg = _pieces(layout)
        layout = replace(layout, count=count)
        columns = _columns(readings, pieces, azimuth_deg, elevation_deg, distance_m, inclination_error_deg)
    silhouette = replace(columns.silhouette.kept(np.arange(layout.count)), covered_deg=covered_deg, reach_m=np.inf,
                         fine_reach_m=np.inf, notes=notes)  # fmt: skip
    behind = _hidden(readings, columns, layout.count, step_m, hidden_rise_m) if hidden else None
    return ShiftedSkyline(silhouette, columns, behind, layout)


def _pieces(layout: _Layout) -> tuple[list[_Piece], int, Floats]:
    """Stretches of columns between readings and beside the outermost, how many of the former, and the spans read."""
    azimuth_deg, usable, exact_azimuths_deg = layout.azimuth_deg, layout.usable, layout.exact_azimuths_deg
    pairs, alone = neighbour_pairs(layout.readings, layout.max_gap_deg)
    pairs = pairs[usable[pairs].all(axis=1)] if len(pairs) else pairs
    alone = alone[usable[alone]]
    spans, pieces = [], []
    for lower, upper in pairs:
        start = float(azimuth_deg[lower])
        turn = float(wrap_180(azimuth_deg[upper] - start))
        if turn < 0.0:  # parallax can swap neighbours
            lower, upper, start, turn = upper, lower, float(azimuth_deg[upper]), -turn
        spans.append((start, start + turn))
        pieces.append(_joined(lower, upper, start, turn, exact_azimuths_deg))
    for single in alone:
        spans.append((float(azimuth_deg[single]), float(azimuth_deg[single])))
        pieces.append((np.array([azimuth_deg[single]]), np.array([[single, single]]), np.array([[1.0, 0.0]])))
    covered_deg = _merged_spans(spans)
    count = sum(len(piece[0]) for piece in pieces)
    pieces += _beside(layout.readings, azimuth_deg, pairs, alone, covered_deg, exact_azimuths_deg)
    return pieces, count, covered_deg


def _lifted(columns: Columns, elevation_deg: Floats, distance_m: Floats) -> Columns:
    """The same columns with the readings at other elevations and distances (n,)."""
    anchors, weights = columns.anchors, columns.weights
    silhouette = replace(
        columns.silhouette,
        elevation_deg=(elevation_deg[anchors] * weights).sum(axis=1),
        distance_m=_nearer_m(anchors, weights, distance_m),
    )
    return replace(columns, silhouette=silhouette, rise_deg=_rise_deg(anchors, elevation_deg))


def _nearer_m(anchors: np.ndarray, weights: Floats, distance_m: Floats) -> Floats:
    """(column,) the nearer of the two readings sets the room that is asked for: the safe side."""
    return np.asarray(np.where(weights > 0.0, distance_m[anchors], np.inf).min(axis=1, initial=np.inf))


def _rise_deg(anchors: np.ndarray, elevation_deg: Floats) -> Floats:
    rise_deg = elevation_deg[anchors[:, 1]] - elevation_deg[anchors[:, 0]]
    return np.where(anchors[:, 0] == anchors[:, 1], np.nan, rise_deg)


_Piece = tuple[Floats, np.ndarray, Floats]


def _columns(
    readings: Readings,
    pieces: list[_Piece],
    azimuth_deg: Floats,
    elevation_deg: Floats,
    distance_m: Floats,
    inclination_error_deg: float,
) -> Columns:
    """Stretches of columns put together, with the things that they belong to."""
    nothing: _Piece = (np.zeros(0), np.zeros((0, 2), dtype=int), np.zeros((0, 2)))
    column_azimuth, anchors, weights = (
        np.concatenate(part) for part in zip(*(pieces or [nothing]), strict=True)
    )
    anchors = anchors.astype(int)
    called = [_feature_name(note, kind) for note, kind in zip(readings.note, readings.kind, strict=True)]
    names = tuple(dict.fromkeys(called)) or (_feature_name("", ""),)
    nearest = (
        anchors[np.arange(len(anchors)), weights.argmax(axis=1)] if len(anchors) else np.zeros(0, dtype=int)
    )
    silhouette = Silhouette(
        source="measured",
        azimuth_deg=column_azimuth,
        elevation_deg=(elevation_deg[anchors] * weights).sum(axis=1),
        distance_m=_nearer_m(anchors, weights, distance_m),
        features=tuple(Feature(name, kind, "measured") for name, kind in names),
        feature=np.array([names.index(called[i]) for i in nearest], dtype=int),
        sigma_deg=inclination_error_deg,
        at_least=((weights <= 0.0) | np.asarray(readings.at_least)[anchors]).all(axis=1),
    )
    sizes = [len(piece[0]) for piece in pieces]
    first = np.array([piece[0][0] for piece in pieces]) if pieces else np.zeros(0)
    width_deg = np.array([abs(piece[0][-1] - piece[0][0]) for piece in pieces]) if pieces else np.zeros(0)
    stretch = np.repeat(np.arange(len(pieces)), sizes)
    width = np.repeat(width_deg, sizes)
    along = np.abs(column_azimuth - np.repeat(first, sizes)) / np.where(width > 0.0, width, 1.0)
    on_reading = (width <= 0.0) | (weights.max(axis=1, initial=0.0) > 1.0 - 1e-9) & (
        anchors[:, 0] != anchors[:, 1]
    )
    stretch = np.where(on_reading, -1, stretch)
    return Columns(silhouette, anchors, weights, stretch, along, width, _rise_deg(anchors, elevation_deg))


def _feature_name(note: str, kind: str) -> tuple[str, str]:
    """Name and kind of what was read: its note, else its kind, else what all of it is."""
    return note or (kind if kind in ("tree", "hedge", "building") else "measured horizon"), kind or "reading"


def _beside(
    readings: Readings,
    azimuth_deg: Floats,
    pairs: np.ndarray,
    alone: Ints,
    covered_deg: Floats,
    exact_azimuths_deg: tuple[float, ...],
) -> list[_Piece]:
    """Columns past the outermost reading on each side of the rays: as high and as far away as that reading."""
    used = np.unique(np.concatenate([pairs.ravel(), alone]).astype(int))
    exact = np.asarray(exact_azimuths_deg, dtype=np.float64)
    if (
        not used.size
        or not exact.size
        or (len(covered_deg) and covered_deg[0, 1] - covered_deg[0, 0] >= 360.0 - 1e-9)
    ):
        return []
    pieces: list[_Piece] = []
    for start, stop in covered_deg:
        for edge_deg, way in ((start, -1.0), (stop, 1.0)):
            if np.abs(wrap_180(exact - edge_deg)).min() > _BESIDE_RAY_DEG:
                continue
            away_deg = np.abs(wrap_180(azimuth_deg[used] - edge_deg))
            ends = used[away_deg <= away_deg.min() + 1e-6]
            gaps = np.mod(way * (covered_deg[:, 0 if way > 0 else 1] - edge_deg), 360.0)
            room_deg = min(_BESIDE_DEG, float(gaps[gaps > 1e-6].min(initial=360.0)))
            for since in np.arange(0.0, room_deg, _BESIDE_STRETCH_DEG):
                until = min(since + _BESIDE_STRETCH_DEG, room_deg)
                away = np.linspace(since, until, max(2, int(np.ceil((until - since) / _FAR_STEP_DEG)) + 1))
                turned = edge_deg + way * away
                for end in ends:
                    anchors = np.full((turned.size, 2), end)
                    pieces.append((turned, anchors, np.tile([1.0, 0.0], (turned.size, 1))))
    return pieces


def _hidden(
    readings: Readings, columns: Columns, count: int, step_m: Floats, hidden_rise_m: float
) -> Silhouette | None:
    """What may stand unseen behind each column, just under the instrument's line of sight over it.

    Nothing of that is higher than `hidden_rise_m` over the instrument, so it ends where that line reaches so high.
    """
    if np.abs(step_m).max() < _STILL_M:
        return None
    anchors, weights = columns.anchors[:count], columns.weights[:count]
    azimuth_deg = readings.azimuth_deg[anchors[:, 0]] + weights[:, 1] * wrap_180(
        readings.azimuth_deg[anchors[:, 1]] - readings.azimuth_deg[anchors[:, 0]]
    )
    elevation_deg = (readings.elevation_deg[anchors] * weights).sum(axis=1)
    distance_m = np.where(weights > 0.0, readings.distance_m[anchors], np.inf).min(axis=1, initial=np.inf)
    rises = np.sin(np.deg2rad(np.maximum(elevation_deg, _LEVEL_DEG)))
    last_m = np.minimum(hidden_rise_m / rises, _HIDDEN_FARTHEST_M)
    behind = np.flatnonzero(
        (elevation_deg > _LEVEL_DEG) & (distance_m < last_m)
    )  # not those without a distance
    if not behind.size:
        return None
    found = []
    for share in _HIDDEN_SHARES:
        far_m = distance_m[behind] ** (1.0 - share) * last_m[behind] ** share
        point_m = direction_enu(azimuth_deg[behind], elevation_deg[behind]) * far_m[:, None] - step_m
        found.append(point_m)
    point_m = np.concatenate(found)
    level_m = np.hypot(point_m[:, 0], point_m[:, 1])
    return Silhouette(
        source="measured",
        azimuth_deg=np.rad2deg(np.arctan2(point_m[:, 0], point_m[:, 1])),
        elevation_deg=np.rad2deg(np.arctan2(point_m[:, 2], level_m)),
        distance_m=np.sqrt((point_m**2).sum(axis=1)),
        features=columns.silhouette.features,
        feature=np.tile(columns.silhouette.feature[:count][behind], len(_HIDDEN_SHARES)),
    )


def _usable(readings: Readings, *, sideways_m: float, up_m: float) -> tuple[Bools, tuple[str, ...]]:
    unknown = np.isnan(readings.distance_m)
    if not unknown.any() or (sideways_m <= SIDESTEP_M and up_m >= -_STILL_M):
        return np.ones(unknown.shape, dtype=bool), ()
    how = f"{-up_m:.1f} m lower than" if up_m < -_STILL_M else f"{sideways_m:.1f} m aside of"
    note = (
        f"{int(unknown.sum())} of {unknown.size} readings were set aside: they carry no distance, and the dish stands "
        f"{how} where they were read. Measure their distances (type distance_m: metres, >500 or far), or read them "
        "again at the mount."
    )
    return ~unknown, (note,)


def _moved(readings: Readings, step_m: Floats) -> tuple[Floats, Floats, Floats]:
    """Azimuth, elevation and distance of each reading from the dish centre; those without a distance stay."""
    azimuth_deg = np.array(readings.azimuth_deg, dtype=np.float64)
    elevation_deg = np.array(readings.elevation_deg, dtype=np.float64)
    distance_m = np.array(readings.distance_m, dtype=np.float64)
    known = ~np.isnan(distance_m)
    if np.abs(step_m).max() < _STILL_M or not known.any():
        return azimuth_deg, elevation_deg, distance_m
    azimuth_rad, elevation_rad = np.deg2rad(azimuth_deg[known]), np.deg2rad(elevation_deg[known])
    level_m = distance_m[known] * np.cos(elevation_rad)
    east_m = level_m * np.sin(azimuth_rad) - step_m[0]
    north_m = level_m * np.cos(azimuth_rad) - step_m[1]
    up_m = distance_m[known] * np.sin(elevation_rad) - step_m[2]
    azimuth_deg[known] = wrap_360(np.rad2deg(np.arctan2(east_m, north_m)))
    elevation_deg[known] = np.rad2deg(np.arctan2(up_m, np.hypot(east_m, north_m)))
    distance_m[known] = np.sqrt(east_m**2 + north_m**2 + up_m**2)
    # of what is at least so far away, nobody knows how far it sinks
    elevation_deg = np.where(
        readings.at_least, np.maximum(elevation_deg, readings.elevation_deg), elevation_deg
    )
    return azimuth_deg, elevation_deg, distance_m


def moved_readings(readings: Readings, step_m: Floats) -> Readings:
    """The readings as they would be from elsewhere, `step_m` (3,) away; those without a distance stay."""
    azimuth_deg, elevation_deg, distance_m = _moved(readings, step_m)
    return replace(
        readings, azimuth_deg=azimuth_deg, elevation_deg=elevation_deg, distance_m=distance_m
    ).turned(0.0)


def _joined(
    lower: int, upper: int, start: float, turn: float, exact_azimuths_deg: tuple[float, ...]
) -> _Piece:
    middle = start + turn / 2.0
    aside = [abs((exact - middle + 180.0) % 360.0 - 180.0) - turn / 2.0 for exact in exact_azimuths_deg]
    steps = max(1, math.ceil(turn / (_STEP_DEG if min(aside, default=180.0) < _NEAR_DEG else _FAR_STEP_DEG)))
    share, weights = _shares(steps)
    if turn > 0.0:
        wanted = [(exact - start) % 360.0 / turn for exact in exact_azimuths_deg]
        if wanted and min(wanted) <= 1.0:
            share = np.union1d(share, [one for one in wanted if one <= 1.0])
            weights = np.column_stack([1.0 - share, share])
    return start + turn * share, np.full((share.size, 2), (lower, upper)), weights


@lru_cache(maxsize=256)
def _shares(steps: int) -> tuple[Floats, Floats]:
    share = np.linspace(0.0, 1.0, steps + 1)
    return share, np.column_stack([1.0 - share, share])


def _merged_spans(spans: list[tuple[float, float]]) -> Floats:
    """Overlapping or touching azimuth spans put together; the full circle is (0, 360)."""
    if not spans:
        return np.zeros((0, 2))
    merged: list[list[float]] = []
    for start, stop in sorted((s % 360.0, s % 360.0 + (e - s)) for s, e in spans):
        if merged and start <= merged[-1][1] + 1e-9:
            merged[-1][1] = max(merged[-1][1], stop)
        else:
            merged.append([start, stop])
    if len(merged) > 1 and merged[-1][1] - 360.0 >= merged[0][0] - 1e-9:  # across north
        first = merged.pop(0)
        merged[-1][1] = max(merged[-1][1], first[1] + 360.0)
    if merged[0][1] - merged[0][0] >= 360.0 - 1e-9:
        return np.array([[0.0, 360.0]])
    return np.asarray(merged)

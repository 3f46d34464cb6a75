"""Which parts of rasters are held for addresses that are screened together: the ground toward the satellite."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from skysill.assessment.search_window import (
    NEAR_TALL_M,
    NEAREST_M,
    sought_elevation_deg,
    window_half_deg,
)
from skysill.bulk.position_error import PLACES_AROUND, offsets_around_m
from skysill.bulk.prefilter import ScreeningQuery
from skysill.horizon.lattice import Lattice, geod
from skysill.horizon.rays import reach_needed_m
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.io.raster_windows import Raster
from skysill.pointing.look_vector import LookAngles, look_angles
from skysill.units import Floats, Ints

__all__ = [
    "LEAST_TILE",
    "MARGIN_STEP",
    "MOST_CELLS",
    "Box",
    "GroundBoxes",
    "ground_boxes",
    "is_held",
    "lattice_of",
    "margins_cells",
]

HELD_CELLS = 40_000_000
"""A raster up to this size is held whole."""

MOST_CELLS = 100_000_000
"""Most cells held together. With block maxima and voids a cell takes 7 bytes, and 4 more while it is read."""

LEAST_TILE = 1024
"""Pieces of a raster of so many cells a side: addresses are put in parts by them."""

MARGIN_STEP = 256
"""Margins around pieces are whole steps of so many cells, so that neighbouring parts need the same ground."""

Box = tuple[int, int, int, int]
"""First row, last row plus one, first column, last column plus one."""

_STEP_CELLS = 512
"""Boxes begin and end at multiples, so that neighbouring parts of a list need the same."""

_LEAST_GROUP_CELLS = 1024.0
_MOST_ROOM_DEG = 6.0
_ASIDE_DEG = 2.0
_ARC_STEP_DEG = 10.0
_SLACK_M, _SLACK_CELLS = 10.0, 70
_CUT = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class GroundBoxes:
    """Addresses that are screened together, and the box of each raster.

    rows : (n,) their indices; boxes : one a raster; cut_m : ground was left out beyond this distance, inf: none was
    """

    rows: Ints
    boxes: tuple[Box, ...]
    cut_m: float = np.inf


def lattice_of(raster: Raster) -> Lattice:
    """Where the cell centres of a raster lie."""
    return Lattice((raster.rows, raster.cols), raster.transform, raster.crs)


def is_held(raster: Raster) -> bool:
    """Whether a raster is so small that all of it is held in memory."""
    return raster.rows * raster.cols <= HELD_CELLS


def ground_boxes(
    rasters: Sequence[Raster],
    latitude_deg: Floats,
    longitude_deg: Floats,
    query: ScreeningQuery,
    *,
    lowest_m: float = LOWEST_GROUND_M,
    wider_m: float = 0.0,
) -> Iterator[GroundBoxes]:
    """Groups of addresses with boxes that hold all ground that could matter to them, or as much as fits.

    Parameters
    ----------
    rasters : finest first, of at least two rows and columns each
    latitude_deg, longitude_deg : (n,)
    lowest_m : no ground of the rasters is lower
    wider_m : how far beside each place a dish may stand, besides its position error

    Notes
    -----
    How far ground matters depends on the lowest elevation that a dish could stand at: the lowest ground of all, or,
    where the boxes would be too large, the lowest that the rasters show around the addresses. Addresses whose boxes
    are still too large are divided. Of addresses within a thousand cells that need more, the far ground of the largest
    box is left out: there another raster answers, or the verdict is `unknown`.
    """
    error_m = float(np.hypot(*offsets_around_m(query.position_error_m, PLACES_AROUND)).max())
    asked, todo = _Asked(rasters, query, wider_m + error_m), [np.arange(latitude_deg.size)]
    while todo:
        rows = todo.pop()
        where = latitude_deg[rows], longitude_deg[rows]
        here_m = lowest_m
        boxes = _boxes(asked, *where, here_m)
        if _cells(boxes) > MOST_CELLS:
            here_m = max(_lowest_m(asked, *where), lowest_m)
            boxes = _boxes(asked, *where, here_m)
        if _cells(boxes) <= MOST_CELLS:
            yield GroundBoxes(rows, boxes)
            continue
        halves = _halves(rasters[0], *where)
        if halves is not None:
            todo += [rows[half] for half in halves[::-1]]
            continue
        yield _cut(asked, *where, rows, here_m)


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """Rasters and what is asked of them; moved_m : how far beside each place a dish may stand."""

    rasters: Sequence[Raster]
    query: ScreeningQuery
    moved_m: float


def _cells(boxes: Sequence[Box]) -> int:
    return sum((bottom - top) * (right - left) for top, bottom, left, right in boxes)


def _boxes(
    asked: _Asked, latitude_deg: Floats, longitude_deg: Floats, lowest_m: float, most_m: float = np.inf
) -> tuple[Box, ...]:
    """The box of each raster; lowest_m : of any dish; most_m : no ground farther away."""
    query = asked.query
    angles = _angles(latitude_deg, longitude_deg, query)
    reach_m = min(_reach_m(float(angles.elevation_deg.min()), query, lowest_m), most_m)
    half_deg = window_half_deg(NEAREST_M, float(angles.elevation_deg.max()), query.link) + _ASIDE_DEG
    away_m = 1.05 * reach_m + _SLACK_M
    far = _fan_ends(latitude_deg, longitude_deg, angles.azimuth_deg, half_deg, away_m)
    return tuple(
        _box(raster, latitude_deg, longitude_deg, far, away_m, asked.moved_m) for raster in asked.rasters
    )


def _reach_m(elevation_deg: float, query: ScreeningQuery, lowest_m: float) -> float:
    """How far away ground could matter to an exact margin, or a house or tree stand in the way."""
    lowest_deg = max(elevation_deg - 1.0, 0.5)
    reach_m = reach_needed_m(
        lowest_m, np.append(sought_elevation_deg(lowest_deg, lowest_deg), lowest_deg),
        highest_ground_m=query.highest_ground_m, radius_m=6.4e6 * query.criteria.refraction_factor,
    )  # fmt: skip
    return max(float(np.max(reach_m)), _near_m(elevation_deg))


def _near_m(elevation_deg: float) -> float:
    return float(NEAR_TALL_M / np.tan(np.deg2rad(max(elevation_deg - 1.0 - _MOST_ROOM_DEG, 0.5))))


def _fan_ends(
    latitude_deg: Floats, longitude_deg: Floats, azimuth_deg: Floats, half_deg: float, reach_m: float
) -> tuple[Floats, Floats]:
    """Latitude and longitude of points around the far ends of the rays of all addresses."""
    if half_deg >= 90.0 or not np.isfinite(azimuth_deg).all():
        azimuth_deg, half_deg = np.zeros(latitude_deg.shape), 180.0
    steps = int(np.ceil(2.0 * half_deg / _ARC_STEP_DEG))
    turns = np.linspace(-half_deg, half_deg, steps + 1)
    away_m = reach_m / np.cos(np.deg2rad(half_deg / steps))  # chords between the points stay outside the arc
    azimuth = (azimuth_deg[:, None] + turns).ravel()
    east, north = (np.repeat(part, turns.size) for part in (longitude_deg, latitude_deg))
    longitude, latitude, _ = geod().fwd(east, north, azimuth, np.full(azimuth.shape, away_m))
    return np.asarray(latitude), np.asarray(longitude)


def _box(
    raster: Raster, latitude_deg: Floats, longitude_deg: Floats, far: tuple[Floats, Floats], away_m: float,
    moved_m: float,
) -> Box:  # fmt: skip
    """The box of one raster around addresses and the far ends of their rays, away_m from them."""
    if is_held(raster):
        return 0, raster.rows, 0, raster.cols
    lattice = lattice_of(raster)
    here, there = lattice.cell(latitude_deg, longitude_deg), lattice.cell(*far)
    aside, farthest = _aside_cells(raster, moved_m), 4.0 * away_m * _cells_a_metre(raster) + _SLACK_CELLS
    spans: list[int] = []
    for near, end, count in zip(here, there, (raster.rows, raster.cols), strict=True):
        ends = np.concatenate([near, end])
        # over the edge of the raster's plane, or of its longitudes, where positions go on at the other side
        if not (np.abs(end - np.repeat(near, end.size // near.size)) <= farthest).all():
            spans += [0, count]
            continue
        low, high = (
            int(np.floor((ends.min() - aside) / _STEP_CELLS)) * _STEP_CELLS,
            (int(np.floor((ends.max() + aside) / _STEP_CELLS)) + 1) * _STEP_CELLS,
        )
        # at least two rows, also of a raster that lies elsewhere
        low = min(max(low, 0), count - 2)
        spans += [low, max(min(high, count), low + 2)]
    return spans[0], spans[1], spans[2], spans[3]


def _aside_cells(raster: Raster, moved_m: float) -> float:
    """Cells around an address that are held whatever its satellite is, for dishes moved so far too."""
    return _SLACK_CELLS + 1.05 * moved_m * _cells_a_metre(raster)


def _cells_a_metre(raster: Raster) -> float:
    """Most cells in a metre along rows or columns, at the corners and the middle of a raster."""
    rows = np.array([0.0, 0.0, 1.0, 1.0, 0.5]) * raster.rows
    columns = np.array([0.0, 1.0, 0.0, 1.0, 0.5]) * raster.cols
    lattice, most = lattice_of(raster), 1.0 / raster.cell_size_m
    latitude, longitude = lattice.place(rows, columns)
    for down, across in ((1.0, 0.0), (0.0, 1.0)):
        beside = lattice.place(rows + down, columns + across)
        step_m = geod().inv(longitude, latitude, beside[1], beside[0])[2]
        some = np.isfinite(step_m) & (step_m > 0.0)
        most = max(most, float((1.0 / step_m[some]).max(initial=0.0)))
    return most


def _lowest_m(asked: _Asked, latitude_deg: Floats, longitude_deg: Floats) -> float:
    """Lowest ground that rasters show around addresses; the lowest on the Earth where they show none."""
    found = np.inf
    for raster in asked.rasters:
        row, column = lattice_of(raster).cell(latitude_deg, longitude_deg)
        aside, spans = _aside_cells(raster, asked.moved_m), list[int]()
        for at, count in ((row, raster.rows), (column, raster.cols)):
            if not np.isfinite(at).all():
                return LOWEST_GROUND_M
            spans += [max(int(at.min() - aside), 0), min(int(at.max() + aside) + 1, count)]
        if spans[0] < spans[1] and spans[2] < spans[3]:
            found = min(found, raster.range_of_m(*spans)[0])
    return found - 1.0 if np.isfinite(found) else LOWEST_GROUND_M


def _halves(raster: Raster, latitude_deg: Floats, longitude_deg: Floats) -> tuple[Ints, Ints] | None:
    """Two halves of addresses across the longer side of the box around them; None where it is small."""
    row, column = lattice_of(raster).cell(latitude_deg, longitude_deg)
    sides = [np.ptp(part) if np.isfinite(part).all() else 0.0 for part in (row, column)]
    if max(sides) < _LEAST_GROUP_CELLS:
        return None
    along = row if sides[0] >= sides[1] else column
    low = along < (along.min() + along.max()) / 2.0
    return np.flatnonzero(low), np.flatnonzero(~low)


def _cut(
    asked: _Asked, latitude_deg: Floats, longitude_deg: Floats, rows: Ints, lowest_m: float
) -> GroundBoxes:
    """Boxes without the far ground of the largest raster's box, as much as fits; rows : the number of each address."""
    where, count = (latitude_deg, longitude_deg, lowest_m), len(asked.rasters)
    whole = _boxes(asked, *where)
    largest = max(range(count), key=lambda number: _cells(whole[number : number + 1]))
    lowest_deg = float(_angles(latitude_deg, longitude_deg, asked.query).elevation_deg.min())
    cut_m, least_m = _reach_m(lowest_deg, asked.query, lowest_m), _near_m(lowest_deg)
    alone, boxes = replace(asked, rasters=asked.rasters[largest : largest + 1]), whole
    while _cells(boxes) > MOST_CELLS and cut_m > least_m:
        cut_m = max(_CUT * cut_m, least_m)
        boxes = (*whole[:largest], *_boxes(alone, *where, cut_m), *whole[largest + 1 :])
    return GroundBoxes(rows, boxes, cut_m)


def _angles(latitude_deg: Floats, longitude_deg: Floats, query: ScreeningQuery) -> LookAngles:
    satellite_deg = query.satellite.longitude_deg
    assert satellite_deg is not None
    return look_angles(latitude_deg, longitude_deg, 0.0, satellite_longitude_deg=satellite_deg)


def margins_cells(
    raster: Raster,
    latitude_deg: Floats,
    longitude_deg: Floats,
    query: ScreeningQuery,
) -> tuple[int, int]:
    """Cells needed around some places, by the lowest ray and the highest ground: for exact margins, for verdicts."""
    elevation_deg = _angles(latitude_deg, longitude_deg, query).elevation_deg
    lowest_deg = max(float(elevation_deg.min()) - 1.0, 0.5)
    reach_m = reach_needed_m(
        LOWEST_GROUND_M, np.append(sought_elevation_deg(lowest_deg, lowest_deg), lowest_deg),
        highest_ground_m=query.highest_ground_m, radius_m=6.4e6 * query.criteria.refraction_factor,
    )  # fmt: skip
    # near evidence is asked for as far as trees and houses could stand in the way
    near_m = NEAR_TALL_M / np.tan(np.deg2rad(max(lowest_deg - _MOST_ROOM_DEG, 0.5)))
    reach_m = np.maximum(reach_m, [near_m, 0.0])
    lattice = lattice_of(raster)
    step_deg = 0.01
    here = lattice.cell(latitude_deg[:1], longitude_deg[:1])
    east = lattice.cell(latitude_deg[:1], longitude_deg[:1] + step_deg)
    step_m = step_deg * 111_320.0 * max(float(np.cos(np.deg2rad(latitude_deg[0]))), 0.05)
    per_m = max(float(np.hypot(east[0] - here[0], east[1] - here[1])[0]) / step_m, 1.0 / raster.cell_size_m)
    exact, needed = (int(float(part) * per_m * 1.05) + 70 for part in reach_m)
    return exact, needed

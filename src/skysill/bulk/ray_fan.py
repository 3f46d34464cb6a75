"""Ground seen from many places at once: fans of rays over one lattice, and bounds that spare most of them.

The same lattice, crossings and angles as `horizon/terrain.py`, laid out for a hundred thousand places instead of one:
each place carries its own second-degree map from metres east and north to columns and rows (exact to millimetres
within 10 km), and every ray is sampled where it crosses the lattice lines and where ground bulges between two of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skysill.horizon.lattice import BLOCK_CELLS, Grid, lattice_position, twist
from skysill.horizon.rays import NEAREST_SAMPLE_M, sight_slope
from skysill.units import Bools, Floats, Ints

__all__ = [
    "Ceiling",
    "LocalMaps",
    "Rays",
    "Samples",
    "ceiling",
    "distance_to",
    "first_gap_m",
    "local_maps",
    "over_mesh",
    "sampled",
]

_LINES = 6
"""Lattice lines in a stretch, and twice those in what is followed of it."""

_TOGETHER = 12_288
"""Stretches worked on together: what fits in the processor's cache."""

_PROBES = 200_000
_SLACK_M = 0.05
_MAP_REACH_M = 5_000.0


# --- how high the ground can be -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Ceiling:
    """The highest ground around every place of a grid, at growing block sizes.

    own : level k holds, for blocks of 2**k cells, the highest of a block; -inf if void. A cell is the ground between
        four nodes
    levels : the same of a block and its eight neighbours
    holes : the same for voids, whether there is any; None where the grid has none
    """

    own: tuple[NDArray[np.float32], ...]
    levels: tuple[NDArray[np.float32], ...]
    holes: tuple[Bools, ...] | None

    def level_for(self, cells: float) -> int:
        """The level whose neighbourhood surely covers `cells` on every side."""
        return int(min(max(np.ceil(np.log2(max(cells, 1.0))), 0), len(self.levels) - 1))

    def over(self, level: int, column: Floats, row: Floats) -> Floats:
        """Highest ground within 2**level cells of places; places outside look at the nearest edge."""
        return np.asarray(_look_up(self.levels[level], level, column, row))

    def hole_near(self, level: int, column: Floats, row: Floats) -> Bools:
        """Whether there is a void within 2**level cells of places."""
        if self.holes is None:
            return np.zeros(column.shape, dtype=bool)
        return np.asarray(_look_up(self.holes[level], level, column, row))


def _look_up(table: NDArray[Any], level: int, column: Floats, row: Floats) -> NDArray[Any]:
    rows, columns = table.shape
    i = np.clip(row.astype(np.int64) >> level, 0, rows - 1)
    j = np.clip(column.astype(np.int64) >> level, 0, columns - 1)
    return np.asarray(table.ravel().take(i * columns + j))


def ceiling(grid: Grid) -> Ceiling:
    """Maxima of a grid by blocks of 1, 2, 4, ... cells, each widened by its neighbours."""
    values = grid.values
    plain = np.where(np.isnan(values), np.float32(-np.inf), values) if grid.has_void else values
    own = _halvings(_over_cells(plain))
    holes = [_widened(part) for part in _halvings(_over_cells(np.isnan(values)))] if grid.has_void else None
    return Ceiling(tuple(own), tuple(_widened(part) for part in own), None if holes is None else tuple(holes))


def _over_cells(values: NDArray[Any]) -> NDArray[Any]:
    """Maximum of each node and the three after it: the cell that begins there."""
    top = values.copy()
    np.maximum(top[:, :-1], values[:, 1:], out=top[:, :-1])
    np.maximum(top[:-1], top[1:], out=top[:-1])
    return top


def _halvings(values: NDArray[Any]) -> list[NDArray[Any]]:
    levels = [values]
    while min(values.shape) > 2:
        rows, columns = values.shape
        padded = np.pad(values, ((0, rows % 2), (0, columns % 2)), mode="edge")
        pairs = np.maximum(padded[::2], padded[1::2])
        values = np.maximum(pairs[:, ::2], pairs[:, 1::2])
        levels.append(values)
    return levels


def _widened(values: NDArray[Any]) -> NDArray[Any]:
    """Maximum of each entry and its eight neighbours."""
    wide = values.copy()
    np.maximum(wide[:, 1:], values[:, :-1], out=wide[:, 1:])
    np.maximum(wide[:, :-1], values[:, 1:], out=wide[:, :-1])
    tall = wide.copy()
    np.maximum(tall[1:], wide[:-1], out=tall[1:])
    np.maximum(tall[:-1], wide[1:], out=tall[:-1])
    return tall


# --- rays from many places ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class LocalMaps:
    """From metres along geodesics to columns and rows, around each place.

    start : (place, 2) column and row of the place
    linear : (place, 2, 2) cells per metre east, north (last axis) for column and row
    square : (place, 2, 3) the same for east**2, east * north, north**2
    """

    start: Floats
    linear: Floats
    square: Floats

    def take(self, place: Ints) -> LocalMaps:
        return LocalMaps(*(part.take(place, axis=0) for part in (self.start, self.linear, self.square)))

    def along(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        """(place, 2), (place, 2): cells per metre and per square metre along a unit step of each place's own."""
        first = self.linear[:, :, 0] * east[:, None] + self.linear[:, :, 1] * north[:, None]
        second = (
            self.square[:, :, 0] * (east * east)[:, None]
            + self.square[:, :, 1] * (east * north)[:, None]
            + self.square[:, :, 2] * (north * north)[:, None]
        )
        return first, second


def local_maps(grid: Grid, latitude_deg: Floats, longitude_deg: Floats) -> LocalMaps:
    """Second-degree maps through five geodesics' ends around each place; of many neighbours over a mesh.

    Notes
    -----
    What is left out grows with the cube of the distance over the square of the Earth's radius: 3 mm at 5 km, 0.2 m
    at 20 km. The mesh adds less than 3e-7 of the distance up to 60 degrees of latitude, 3e-6 at 80.
    """
    start = np.stack(lattice_position(grid, latitude_deg, longitude_deg), axis=-1)
    found = over_mesh(partial(_coefficients, grid), latitude_deg, longitude_deg, spacing_deg=0.03)
    return LocalMaps(start, found[:, :4].reshape(-1, 2, 2), found[:, 4:].reshape(-1, 2, 3))


def _coefficients(grid: Grid, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
    """(place, 10): linear and square coefficients of local maps, side by side."""
    from pyproj import Geod

    geod, count = Geod(ellps="WGS84"), latitude_deg.size
    ends = []
    for azimuth in (90.0, 270.0, 0.0, 180.0, 45.0):
        east, north, _ = geod.fwd(
            longitude_deg, latitude_deg, np.full(count, azimuth), np.full(count, _MAP_REACH_M)
        )
        ends.append(np.stack(lattice_position(grid, north, east), axis=-1))
    start = np.stack(lattice_position(grid, latitude_deg, longitude_deg), axis=-1)
    right, left, up, down, aslant = (end - start for end in ends)
    reach = _MAP_REACH_M
    linear = np.stack([(right - left) / (2 * reach), (up - down) / (2 * reach)], axis=-1)
    east2, north2 = (right + left) / (2 * reach**2), (up + down) / (2 * reach**2)
    half = reach / np.sqrt(2.0)
    mixed = (aslant - half * (linear[..., 0] + linear[..., 1])) / half**2 - east2 - north2
    square = np.stack([east2, mixed, north2], axis=-1)
    return np.concatenate([linear.reshape(-1, 4), square.reshape(-1, 6)], axis=1)


def over_mesh(
    function: Callable[[Floats, Floats], Floats], latitude_deg: Floats, longitude_deg: Floats, *, spacing_deg: float
) -> Floats:  # fmt: skip
    """(place, k): a smooth function of latitude and longitude; of many places close together bilinear on a mesh."""
    both = np.stack([latitude_deg, longitude_deg])
    low, high = both.min(axis=1, initial=np.inf), both.max(axis=1, initial=-np.inf)
    count = np.ceil(np.maximum(high - low, 0.0) / spacing_deg) + 1.0  # pieces of the mesh
    if not 4.0 * np.prod(count + 1.0) <= latitude_deg.size or np.abs(latitude_deg).max() > 85.0:
        return function(latitude_deg, longitude_deg)
    pieces = count.astype(np.int64)
    north, east = (least + spacing_deg * np.arange(many + 1) for least, many in zip(low, pieces, strict=True))
    nodes = function(np.repeat(north, east.size), np.tile(east, north.size))
    if not np.isfinite(nodes).all():
        return function(latitude_deg, longitude_deg)
    up, right = (both - low[:, None]) / spacing_deg
    i, j = np.floor(up).astype(np.int64), np.floor(right).astype(np.int64)
    up, right = (up - i)[:, None], (right - j)[:, None]
    corner = i * east.size + j
    below, above = (nodes.take(at, axis=0) * (1.0 - right) + nodes.take(at + 1, axis=0) * right
                    for at in (corner, corner + east.size))  # fmt: skip
    return np.asarray(below + up * (above - below))


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """Rays to be followed, one entry each.

    place : int, index of the place it leaves from (for the caller)
    start, first, second : (ray, 2) column and row: where it starts, per metre, per square metre
    eye_m : elevation of the dish centre
    radius_m : effective Earth radius along it
    least_slope : samples seen lower than this are of no interest
    limit_m : ground distance to follow it to
    near_m : samples nearer are of no interest; one for all or one a ray
    sure_m : ground bulging between two crossings is of no interest where the nearer one is nearer than that
    """

    place: Ints
    start: Floats
    first: Floats
    second: Floats
    eye_m: Floats
    radius_m: Floats
    least_slope: Floats
    limit_m: Floats
    near_m: float | Floats
    sure_m: float

    def __len__(self) -> int:
        return int(self.place.size)

    @property
    def each_near_m(self) -> Floats:
        return np.broadcast_to(np.asarray(self.near_m, dtype=np.float64), self.place.shape)

    def take(self, ray: Ints) -> Rays:
        return Rays(
            self.place[ray], self.start[ray], self.first[ray], self.second[ray], self.eye_m[ray],
            self.radius_m[ray], self.least_slope[ray], self.limit_m[ray], self.each_near_m[ray], self.sure_m,
        )  # fmt: skip

    def at(self, distance_m: Floats) -> tuple[Floats, Floats]:
        """Column and row at a ground distance along each ray."""
        column, row = (self.start + (self.first + self.second * distance_m[:, None]) * distance_m[:, None]).T
        return column, row


_NEVER_M = 1e9


def distance_to(gone: Floats, rate: Floats, bend: Floats) -> Floats:
    """Distance at which rate * d + bend * d**2 = gone, the root near gone / rate; +-1e9 m where there is none."""
    rate = np.where(np.abs(rate) < 1e-12, np.copysign(1e-12, rate), rate)
    under = rate * rate + 4.0 * bend * gone
    root = np.copysign(np.sqrt(np.maximum(under, 0.0)), rate)
    return np.where(under < 0.0, np.copysign(_NEVER_M, gone * rate), 2.0 * gone / (rate + root))


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Ground met by rays, one entry a sample, in no order: the ray, distance along the ground, height, slope."""

    ray: Ints
    distance_m: Floats
    elevation_m: Floats
    slope: Floats


def sampled(grid: Grid, rays: Rays, roofs: Ceiling) -> Samples:
    """All samples of interest along rays: where they cross lattice lines, or bulge between, and look high enough.

    Rays are cut into stretches of a few lattice lines; a stretch is followed only if the highest ground around it
    could look as high as least_slope.
    """
    found = [part for stretch in _stretches(grid, rays, roofs) for part in _followed(grid, rays, stretch)]
    nothing = (np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
    ray, distance_m, elevation_m = (np.concatenate([part[i] for part in (*found, nothing)]) for i in range(3))
    slope = sight_slope(
        distance_m, elevation_m, antenna_elevation_m=rays.eye_m[ray], radius_m=rays.radius_m[ray]
    )
    kept = slope >= rays.least_slope[ray]
    return Samples(ray[kept], distance_m[kept], elevation_m[kept], slope[kept])


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """Stretches of rays to be followed together: the rays, the line each begins at, lines in each, main axis."""

    ray: Ints
    first: Ints
    lines: int
    axis: Ints


def _main_axis(rays: Rays) -> tuple[Ints, Floats]:
    """The axis along which each ray crosses more lines (0 columns, 1 rows), and how many a metre."""
    axis = np.argmax(np.abs(rays.first), axis=1)
    return axis, np.abs(np.take_along_axis(rays.first, axis[:, None], axis=1)[:, 0])


def _stretches(grid: Grid, rays: Rays, roofs: Ceiling) -> Iterator[_Stretch]:
    """What has to be followed: stretches first, then the halves of those that are left."""
    axis, _ = _main_axis(rays)
    heading = _heading(rays, axis)
    begin, end = (_line_at(heading, metres) for metres in (rays.each_near_m, rays.limit_m))
    begin = np.maximum(np.floor(begin - 0.01), 0.0).astype(np.int64)
    count = np.maximum(np.ceil((end + 0.01 - begin) / _LINES).astype(np.int64), 0)
    ends = np.cumsum(count)
    total = int(ends[-1]) if ends.size else 0
    for low in range(0, total, _PROBES):
        index = np.arange(low, min(low + _PROBES, total))
        ray = np.searchsorted(ends, index, side="right")
        first = begin[ray] + (index - (ends[ray] - count[ray])) * _LINES
        worth = _worth(rays, roofs, ray, first, heading, _LINES)
        ray, first = np.repeat(ray[worth], 2), np.repeat(first[worth], 2)
        first[1::2] += _LINES // 2
        worth = _worth(rays, roofs, ray, first, heading, _LINES // 2)
        ray, first = ray[worth], first[worth]
        for at in range(0, ray.size, _TOGETHER):
            some = slice(at, at + _TOGETHER)
            yield _Stretch(ray[some], first[some], _LINES // 2, axis[ray[some]])


def _heading(rays: Rays, axis: Ints) -> tuple[Floats, Floats, Floats]:
    """Of each ray along its main axis: lines a metre, a square metre, and how far line 0 lies behind the place."""
    at = np.arange(axis.size)
    rate, bend, origin = (part[at, axis] for part in (rays.first, rays.second, rays.start))
    sign = np.where(rate > 0, 1.0, -1.0)
    behind = np.where(sign > 0, origin - np.floor(origin), np.ceil(origin) - origin)
    return rate * sign, bend * sign, behind


def _line_at(heading: tuple[Floats, Floats, Floats], distance_m: Floats) -> Floats:
    """Lattice lines (and parts) after line 0, at a distance along each ray."""
    rate, bend, behind = heading
    return np.asarray((rate + bend * distance_m) * distance_m + behind)


def _worth(
    rays: Rays, roofs: Ceiling, ray: Ints, first: Ints, heading: tuple[Floats, Floats, Floats], lines: int
) -> Bools:
    """Whether ground around a stretch could look as high as least_slope from anywhere on it."""
    level = roofs.level_for(lines / 2 + 0.25)
    rate, bend, behind = (part[ray] for part in heading)
    gone = first - behind + lines / 2
    middle_m = gone / rate
    middle_m -= (middle_m * (rate + bend * middle_m) - gone) / (rate + 2.0 * bend * middle_m)
    half_m = (lines / 2 + 0.1) / rate
    from_m, to_m = np.maximum(middle_m - half_m, 1.0), middle_m + half_m
    place = rays.start[ray] + (rays.first[ray] + rays.second[ray] * middle_m[:, None]) * middle_m[:, None]
    rise_m = (
        roofs.over(level, place[:, 0], place[:, 1])
        - rays.eye_m[ray]
        - from_m * from_m / (2.002 * rays.radius_m[ray])
    )
    slope = rise_m / np.where(rise_m > 0.0, from_m, to_m)
    least = rays.least_slope[ray]
    return np.asarray(slope >= least - np.abs(least) * 2e-3 - 1e-4)


class _Ways:
    """A batch of rays laid out step by step: line k is the k-th lattice line crossed along the main axis."""

    def __init__(self, grid: Grid, rays: Rays, stretch: _Stretch) -> None:
        batch, axis, at = stretch.ray, stretch.axis, np.arange(stretch.ray.size)
        rate, bend = rays.first[batch][at, axis], rays.second[batch][at, axis]
        sign = np.where(rate > 0, 1, -1)
        origin = rays.start[batch][at, axis]
        line0 = np.where(sign > 0, np.floor(origin), np.ceil(origin))
        ahead = stretch.first[:, None] + np.arange(stretch.lines + 1)
        t = ahead - np.abs(line0 - origin)[:, None]  # lattice units gone along the main axis
        speed, turn = np.abs(rate)[:, None], (bend * sign)[:, None]
        distance_m = t / speed
        for _ in range(2):  # Newton's method for speed s + turn s**2 = t
            distance_m -= (distance_m * (speed + turn * distance_m) - t) / (speed + 2.0 * turn * distance_m)
        across = 1 - axis
        other = rays.second[batch][at, across][:, None] * distance_m
        other += rays.first[batch][at, across][:, None]
        other *= distance_m
        other += rays.start[batch][at, across][:, None]
        self.distance_m, self.other, self.cell = distance_m, other, np.floor(other)
        self.lines = line0[:, None] + sign[:, None] * ahead
        self.axis, self.view = axis, _View(grid, axis)

    def heights_m(self) -> Floats:
        """Ground on the main lines; nan where it is void or outside."""
        return self.view.on_main_line(self.lines, self.other, self.cell)


def _followed(grid: Grid, rays: Rays, stretch: _Stretch) -> list[tuple[Ints, Floats, Floats]]:
    ways, batch = _Ways(grid, rays, stretch), stretch.ray
    height_m = ways.heights_m()
    lowest_m = _lowest_of_interest(rays, batch, ways.distance_m)
    wanted = (height_m >= lowest_m) & (ways.distance_m >= rays.each_near_m[batch][:, None])
    wanted &= ways.distance_m <= rays.limit_m[batch][:, None]
    row, k = np.nonzero(wanted)
    beside = _crossings_beside(ways)
    found = [
        (batch[row], ways.distance_m[row, k], height_m[row, k]),
        _of_interest(rays, batch[beside.row], beside.distance_m, beside.height_m),
    ]
    for part in _pieces(ways, height_m, lowest_m - _bulge_m(grid, ways)[:, None], beside):
        ray, distance_m, top_m = _crests(grid, rays, batch, ways, part)
        found.append(_of_interest(rays, ray, distance_m, top_m))
    return found


def _lowest_of_interest(rays: Rays, batch: Ints, distance_m: Floats) -> Floats:
    """Height (ray, step) under which ground surely looks lower than least_slope."""
    slope = rays.least_slope[batch][:, None]
    lowest_m = distance_m * (0.4995 / rays.radius_m[batch])[:, None]
    lowest_m += slope - np.abs(slope) * 2e-3
    lowest_m *= distance_m
    lowest_m += rays.eye_m[batch][:, None] - _SLACK_M
    return np.asarray(lowest_m)


def _of_interest(rays: Rays, ray: Ints, distance_m: Floats, height_m: Floats) -> tuple[Ints, Floats, Floats]:
    slope = rays.least_slope[ray]
    lowest_m = rays.eye_m[ray] + (slope - np.abs(slope) * 2e-3) * distance_m - _SLACK_M
    with np.errstate(invalid="ignore"):
        wanted = (
            (height_m >= lowest_m) & (distance_m >= rays.each_near_m[ray]) & (distance_m <= rays.limit_m[ray])
        )
    return ray[wanted], distance_m[wanted], height_m[wanted]


@dataclass(frozen=True, slots=True, eq=False)
class _Beside:
    """Where rays cross a line of the other axis between main lines k and k + 1, a share `part` of the way."""

    row: Ints
    k: Ints
    part: Floats
    distance_m: Floats
    height_m: Floats


def _crossings_beside(ways: _Ways) -> _Beside:
    other, cell, lines, distance_m = ways.other, ways.cell, ways.lines, ways.distance_m
    row, k = np.nonzero(cell[:, 1:] != cell[:, :-1])
    here, ahead = other[row, k], other[row, k + 1]
    line = np.where(ahead > here, cell[row, k] + 1, cell[row, k])
    part = (line - here) / (ahead - here)
    found_m = distance_m[row, k] + part * (distance_m[row, k + 1] - distance_m[row, k])
    nearer = np.minimum(lines[row, k], lines[row, k + 1])
    share = np.where(lines[row, k + 1] > lines[row, k], part, 1.0 - part)
    return _Beside(row, k, part, found_m, ways.view.on_other_line(row, nearer, line, share))


@dataclass(frozen=True, slots=True, eq=False)
class _Pieces:
    """Pieces of rays inside one cell, from crossing to crossing between main lines k and k + 1."""

    row: Ints
    k: Ints
    since: Floats
    until: Floats
    from_m: Floats
    to_m: Floats
    low_m: Floats
    high_m: Floats


def _bulge_m(grid: Grid, ways: _Ways) -> Floats:
    """How far ground can bulge between two crossings, (stretch,): a block answers for its neighbours too."""
    middle = ways.lines.shape[1] // 2
    main, other = ways.lines[:, middle], ways.other[:, middle]
    by_column = ways.axis == 0
    bulge_m = grid.blocks().bulge_m
    column, row = np.where(by_column, main, other), np.where(by_column, other, main)
    i = np.clip(row // BLOCK_CELLS, 0, bulge_m.shape[0] - 1).astype(np.int64)
    j = np.clip(column // BLOCK_CELLS, 0, bulge_m.shape[1] - 1).astype(np.int64)
    return np.asarray(bulge_m[i, j], dtype=np.float64)


def _pieces(ways: _Ways, height_m: Floats, lowest_m: Floats, beside: _Beside) -> Iterator[_Pieces]:
    """The pieces whose ends are so high that ground bulging between them might be of interest."""
    higher = np.maximum(height_m[:, :-1], height_m[:, 1:])
    row, k = np.nonzero((higher >= lowest_m[:, :-1]) & (ways.cell[:, 1:] == ways.cell[:, :-1]))
    distance_m = ways.distance_m
    yield _Pieces(row, k, np.zeros(row.size), np.ones(row.size), distance_m[row, k], distance_m[row, k + 1],
                  height_m[row, k], height_m[row, k + 1])  # fmt: skip
    row, k, part = beside.row, beside.k, beside.part
    for first in (True, False):
        low_m, high_m = (
            (height_m[row, k], beside.height_m) if first else (beside.height_m, height_m[row, k + 1])
        )
        some = np.flatnonzero(np.maximum(low_m, high_m) >= lowest_m[row, k])
        r, at, p = row[some], k[some], part[some]
        from_m, to_m = (
            (distance_m[r, at], beside.distance_m[some])
            if first
            else (beside.distance_m[some], distance_m[r, at + 1])
        )
        yield _Pieces(r, at, np.zeros(r.size) if first else p, p if first else np.ones(r.size), from_m, to_m,
                      low_m[some], high_m[some])  # fmt: skip


def _crests(grid: Grid, rays: Rays, batch: Ints, ways: _Ways, piece: _Pieces) -> tuple[Ints, Floats, Floats]:
    """Tops of the ground between crossings, as `horizon.rays.crests` finds them: ray, distance, height."""
    good = np.flatnonzero((piece.from_m >= rays.sure_m) & ~np.isnan(piece.low_m) & ~np.isnan(piece.high_m))
    row, k, since, until = piece.row[good], piece.k[good], piece.since[good], piece.until[good]
    from_m, to_m, low_m, high_m = piece.from_m[good], piece.to_m[good], piece.low_m[good], piece.high_m[good]
    middle = (since + until) / 2.0
    sideways = ways.other[row, k + 1] - ways.other[row, k]
    step = ways.lines[row, k + 1] - ways.lines[row, k]
    main, other = ways.lines[row, k] + step * middle, ways.other[row, k] + sideways * middle
    by_column = ways.axis[row] == 0
    twisted = twist(grid, np.where(by_column, main, other), np.where(by_column, other, main))
    bent = -twisted * step * (until - since) ** 2 * sideways
    ray = batch[row]
    slope = [
        sight_slope(d, h, antenna_elevation_m=rays.eye_m[ray], radius_m=rays.radius_m[ray])
        for d, h in ((from_m, low_m), (to_m, high_m))
    ]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = 0.5 + (slope[1] - slope[0]) * (from_m + to_m) / (4.0 * bent)
        crest = (bent > 0.0) & (t > 0.0) & (t < 1.0)
    t, at = t[crest], np.flatnonzero(crest)
    low_m, high_m = low_m[at], high_m[at]
    top_m = low_m + t * (high_m - low_m) + bent[at] * t * (1.0 - t)
    return ray[at], from_m[at] + t * (to_m[at] - from_m[at]), top_m


class _View:
    """Two-node gathers for rays whose main axis is the column axis (0) or the row axis (1)."""

    def __init__(self, grid: Grid, axis: Ints) -> None:
        rows, columns = grid.values.shape
        self.flat = grid.values.ravel()
        by_column = (axis == 0)[:, None]
        self.main_last = np.where(by_column, columns - 1, rows - 1)
        self.other_last = np.where(by_column, rows - 1, columns - 1)
        self.main_stride = np.where(by_column, 1, columns)
        self.other_stride = np.where(by_column, columns, 1)

    def on_main_line(self, lines: Any, other: Floats, cell: Floats) -> Floats:
        node = np.minimum(cell, self.other_last - 1)  # the last line itself belongs to the cell before it
        inside = (lines >= 0) & (lines <= self.main_last) & (other >= 0) & (other <= self.other_last)
        index = (lines * self.main_stride + node * self.other_stride).astype(np.int64)
        return self._between(inside, index, other - node, self.other_stride)

    def on_other_line(self, row: Ints, nearer: Floats, line: Floats, share: Floats) -> Floats:
        main_last, other_last = self.main_last[row, 0], self.other_last[row, 0]
        inside = (nearer >= 0) & (nearer < main_last) & (line >= 0) & (line <= other_last)
        stride = self.main_stride[row, 0]
        index = (nearer * stride + line * self.other_stride[row, 0]).astype(np.int64)
        return self._between(inside, index, share, stride)

    def _between(self, inside: Bools, index: Ints, share: Floats, stride: Ints) -> Floats:
        whole = bool(inside.all())
        if not whole:
            index = np.where(inside, index, 0)
        low = self.flat.take(index)
        height_m = self.flat.take(index + stride) - low
        out = height_m * share
        out += low
        if not whole:
            out[~inside] = np.nan
        return np.asarray(out)


def first_gap_m(grid: Grid, rays: Rays) -> Floats:
    """Ground distance (ray,) of the last known sample before the first unknown one; inf if that lies past limit_m."""
    gap_m = np.full(len(rays), np.inf)
    axis, per_m = _main_axis(rays)
    steps = np.ceil(rays.limit_m * per_m * 1.001).astype(np.int64) + 2
    order = np.argsort(steps, kind="stable")
    for at in range(0, order.size, _TOGETHER // 16):
        batch = order[at : at + _TOGETHER // 16]
        ways = _Ways(
            grid, rays, _Stretch(batch, np.zeros(batch.size, np.int64), int(steps[batch[-1]]), axis[batch])
        )
        # known out to the limit is a ray that is known on the next line too
        last_m = rays.limit_m[batch] + 1.0 / np.maximum(per_m[batch], 1e-12)
        counted = (ways.distance_m >= NEAREST_SAMPLE_M) & (ways.distance_m <= last_m[:, None])
        unknown = counted & np.isnan(ways.heights_m())
        gone = unknown.any(axis=1)
        at_line = unknown.argmax(axis=1)
        gap_m[batch[gone]] = ways.distance_m[gone, np.maximum(at_line[gone] - 1, 0)]
    return np.where(gap_m >= rays.limit_m, np.inf, gap_m)

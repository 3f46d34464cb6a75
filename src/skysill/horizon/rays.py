"""Rays over a lattice: where they cross its lines, how high the ground is there, how high it looks.

A ray is a geodesic from the site. It is followed as a curve in the lattice's own column and row numbers and sampled
where it crosses lattice lines, so every sample lies between two known heights. Inside a cell the bilinear ground can
bulge above both of its crossings; `crests` finds those bulges where they could matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skysill.horizon.lattice import (
    Grid,
    LineSampler,
    chord_elevation_m,
    chord_maximum,
    geod,
    lattice_position,
    mixed_difference,
)
from skysill.units import Bools, Floats, Ints

__all__ = [
    "NEAREST_SAMPLE_M",
    "Crossings",
    "RayPaths",
    "chord_bends",
    "crests",
    "crossings",
    "extent_m",
    "ray_paths",
    "reach_needed_m",
    "sight_slope",
]

NEAREST_SAMPLE_M = 0.25
"""Samples nearer than this are dropped: dividing by a tiny distance makes a cliff of any unevenness."""


@dataclass(frozen=True, slots=True, eq=False)
class RayPaths:
    """Rays as curves in the column and row numbers of one lattice.

    Each ray runs mainly along columns or along rows. Its place is told by t, the lattice units gone along that main
    axis: ground distance and the other axis are polynomials in t. Line k of a ray is the k-th lattice line it
    crosses along its main axis, line 0 being the one at or behind the site: t = behind + k.

    by_column : (ray,) bool; True where columns are the main axis
    sign : (ray,) +1 or -1, the way the main axis is followed
    line : (ray,) int; number of line 0 along the main axis
    behind : (ray,) float in (-1, 0]; t of line 0
    start : (ray,) float; the site's number along the other axis
    distance : (degree, ray); ground distance in metres = sum distance[j] t**(j+1)
    other : (degree, ray); other axis = start + sum other[j] t**(j+1)
    length : (ray,) float; t out to which the polynomials hold, 0 for a ray that the CRS cannot follow
    """

    by_column: Bools
    sign: Ints
    line: Ints
    behind: Floats
    start: Floats
    distance: Floats
    other: Floats
    length: Floats

    def __len__(self) -> int:
        return int(self.length.size)

    def take(self, ray: Ints | slice) -> RayPaths:
        """Some of the rays."""
        return RayPaths(
            self.by_column[ray], self.sign[ray], self.line[ray], self.behind[ray], self.start[ray],
            self.distance[:, ray], self.other[:, ray], self.length[ray],
        )  # fmt: skip

    def distance_at(self, t: Floats) -> Floats:
        """Ground distance (ray, ...) at t (ray, ...), metres."""
        return _series(self.distance, t)

    def t_at(self, distance_m: Floats) -> Floats:
        """t (ray, n) at ground distances (ray, n); Newton's method from the straight line, exact to 1e-9."""
        slope = self.distance[0][:, None]
        t = distance_m / slope
        for _ in range(3):
            t = t - (_series(self.distance, t) - distance_m) / _series_slope(self.distance, t)
        return np.asarray(t)

    def position_at(self, t: Floats) -> tuple[Floats, Floats]:
        """Column and row (ray, n) at t (ray, n)."""
        main = (self.line - self.sign * self.behind)[:, None] + self.sign[:, None] * t
        other = self.start[:, None] + _series(self.other, t)
        by_column = self.by_column[:, None]
        return np.where(by_column, main, other), np.where(by_column, other, main)


def _series(coefficients: Floats, t: Floats) -> Floats:
    total = coefficients[-1][:, None] * t
    for row in coefficients[-2::-1]:
        total += row[:, None]
        total *= t
    return np.asarray(total)


def _series_slope(coefficients: Floats, t: Floats) -> Floats:
    degree = len(coefficients)
    total = np.zeros_like(t)
    for power in range(degree, 0, -1):
        total = total * t + power * coefficients[power - 1][:, None]
    return total


def _fit(t: Floats, value: Floats) -> Floats:
    """Coefficients (degree, ray) of t**1.. of the polynomials through (0, 0) and the nodes (ray, node).

    Newton's divided differences, multiplied out.
    """
    nodes = t.shape[1]
    divided = value.copy()
    for level in range(1, nodes):
        divided[:, level:] = (divided[:, level:] - divided[:, level - 1 : -1]) / (
            t[:, level:] - t[:, :-level]
        )
    poly = np.zeros((nodes, len(t)))
    for node in range(nodes - 1, -1, -1):
        shifted = np.vstack([np.zeros((1, len(t))), poly[:-1]])
        poly = shifted - t[:, node] * poly
        poly[0] += divided[:, node]
    return poly[1:]


def ray_paths(
    grid: Grid,
    *,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    azimuth_deg: ArrayLike,
    distance_m: ArrayLike,
) -> RayPaths:
    """Geodesics from a place (or from many), as curves in a lattice.

    Parameters
    ----------
    latitude_deg, longitude_deg, azimuth_deg, distance_m : broadcast to (ray,); true azimuth, length to follow

    Notes
    -----
    Exact at four nodes along each ray (six beyond 100 km): pyproj's geodesic (Karney, Algorithms for geodesics,
    J. Geodesy 87, 2013) and projection; meridian convergence, map scale and the ray's bending in the map are all in it.
    Between nodes the polynomial is within 0.01 cell of 30 m at 50 km (0.1 cell in degrees at 75 of latitude), tested.
    Terms that move nothing by more than 0.002 cell are dropped.
    """
    parts = np.broadcast_arrays(*(np.atleast_1d(np.asarray(p, float)) for p in
                                  (latitude_deg, longitude_deg, azimuth_deg, distance_m)))  # fmt: skip
    latitude, longitude, azimuth, length_m = (part.ravel() for part in parts)
    nodes = 5 if float(np.max(length_m, initial=0.0)) <= 100e3 else 7
    along_m = length_m[:, None] * np.linspace(0.0, 1.0, nodes)
    spread = along_m[:, 1:].shape
    from_longitude, from_latitude, toward = (
        np.broadcast_to(part[:, None], spread) for part in (longitude, latitude, azimuth)
    )
    east, north, _ = geod().fwd(from_longitude, from_latitude, toward, along_m[:, 1:])
    here_col, here_row = lattice_position(grid, latitude, longitude)
    col, row = lattice_position(grid, north, east)
    col, row = np.hstack([here_col[:, None], col]), np.hstack([here_row[:, None], row])
    return _paths_through(col, row, along_m)


def _paths_through(col: Floats, row: Floats, along_m: Floats) -> RayPaths:
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        by_column = np.abs(col[:, -1] - col[:, 0]) >= np.abs(row[:, -1] - row[:, 0])
        main = np.where(by_column[:, None], col, row)
        other = np.where(by_column[:, None], row, col)
        sign = np.where(main[:, -1] >= main[:, 0], 1, -1)
        t = sign[:, None] * (main - main[:, :1])
        good = (
            np.isfinite(t).all(axis=1) & np.isfinite(other).all(axis=1) & (np.diff(t, axis=1) > 0).all(axis=1)
        )
        t = np.where(good[:, None], t, np.arange(t.shape[1], dtype=float))
        distance = _fit(t, np.where(good[:, None], along_m, t))
        sideways = _fit(t, np.where(good[:, None], other - other[:, :1], 0.0))
    length = np.where(good, t[:, -1], 0.0)
    degree = len(distance)
    while degree > 1 and (
        np.max(np.abs(distance[degree - 1] / distance[0]) * length**degree, initial=0.0) < 0.002
        and np.max(np.abs(sideways[degree - 1]) * length**degree, initial=0.0) < 0.002
    ):
        degree -= 1
    origin = np.where(good, main[:, 0], 0.0)
    line = np.where(sign > 0, np.floor(origin), np.ceil(origin))
    return RayPaths(
        by_column=by_column, sign=sign, line=line.astype(np.int64), behind=sign * (line - origin),
        start=np.where(good, other[:, 0], 0.0), distance=distance[:degree], other=sideways[:degree], length=length,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """Samples of one grid along rays, in order of distance.

    distance_m : (ray, slot) ground distance; nan where the slot holds no crossing
    elevation_m : (ray, slot) height, linear between the two nodes; nan with a finite distance: void, or outside
    """

    distance_m: Floats
    elevation_m: Floats
    _first: Ints
    _other: Floats
    _part: Floats


def crossings(grid: Grid, paths: RayPaths, first: ArrayLike, steps: int) -> Crossings:
    """Heights of one grid where rays cross its lattice lines: the sampler of every terrain calculation.

    Parameters
    ----------
    first : (ray,) or scalar int; line (see RayPaths) to begin at
    steps : lines to follow. Slots come in order of distance: line k, then what is crossed between lines k and k+1

    Returns
    -------
    Crossings, (ray, steps * n) with n = 2 (more only where a ray changes its main axis on the way)
    """
    first = np.broadcast_to(np.asarray(first, np.int64).reshape(-1), (len(paths),))
    ahead = first[:, None] + np.arange(steps + 1)
    t = paths.behind[:, None] + ahead
    distance_m = _series(paths.distance, t)
    other = _series(paths.other, t)
    other += paths.start[:, None]
    cell = np.floor(other)
    jump = np.abs(cell[:, 1:] - cell[:, :-1])
    between = max(int(jump.max(initial=0)), 1)
    sampler = LineSampler(grid, paths.by_column)
    forward = paths.sign[:, None] > 0
    found_m = np.empty((len(paths), steps, 1 + between))
    height_m = np.empty_like(found_m)
    parts = np.empty_like(found_m)
    parts[:, :, 0] = 0.0
    main = paths.line[:, None] + paths.sign[:, None] * ahead
    found_m[:, :, 0] = distance_m[:, :-1]
    height_m[:, :, 0] = sampler.on_main_line(main[:, :-1], other[:, :-1], cell[:, :-1])
    rise = other[:, 1:] - other[:, :-1]
    stride_m = distance_m[:, 1:] - distance_m[:, :-1]
    nearer = np.minimum(main[:, :-1], main[:, 1:])
    for extra in range(between):
        line = np.maximum(cell[:, :-1], cell[:, 1:])  # the one line between the two cells
        if between > 1:
            line = np.where(rise > 0, cell[:, :-1] + (1 + extra), cell[:, :-1] - extra)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (line - other[:, :-1]) / rise
        np.copyto(part, np.nan, where=jump <= extra)
        parts[:, :, 1 + extra] = part
        found_m[:, :, 1 + extra] = distance_m[:, :-1] + part * stride_m
        share = np.where(forward, part, 1.0 - part)
        height_m[:, :, 1 + extra] = sampler.on_other_line(nearer, line, share)
    if int(first.min(initial=0)) < 2:
        found_m[found_m < NEAREST_SAMPLE_M] = np.nan
    rays = len(paths)
    return Crossings(
        found_m.reshape(rays, -1), height_m.reshape(rays, -1), first, other, parts.reshape(rays, -1)
    )


def chord_bends(grid: Grid, paths: RayPaths, seen: Crossings, ray: Ints, here: Ints, there: Ints) -> Floats:
    """(n,) c of `chord_elevation_m` between two crossings that follow each other; ray, here, there as in `crests`."""
    step = here // (seen.distance_m.shape[1] // (seen._other.shape[1] - 1))
    since, until = seen._part[ray, here], seen._part[ray, there]
    until = np.where(until > 0.0, until, 1.0)  # the next line itself
    other = seen._other[ray, step]
    sideways = seen._other[ray, step + 1] - other
    middle = 0.5 * (since + until)
    main = paths.line[ray] + paths.sign[ray] * (seen._first[ray] + step + middle)
    other = other + middle * sideways
    by_column = paths.by_column[ray]
    mixed = mixed_difference(grid, np.where(by_column, main, other), np.where(by_column, other, main))
    return np.asarray(-mixed * paths.sign[ray] * (until - since) ** 2 * sideways)


def crests(
    grid: Grid, paths: RayPaths, seen: Crossings, ray: Ints, here: Ints, there: Ints, rise: Floats
) -> tuple[Floats, Floats]:
    """Where the ground inside a cell looks higher than at both crossings of the cell's edge.

    Parameters
    ----------
    paths, seen : rays and their crossings with the grid
    ray, here, there : (n,) int; ray, and the slots of two crossings that follow each other on it
    rise : (n,) slope seen at `there` less slope seen at `here`

    Returns
    -------
    (n,) ground distance, (n,) height of the crest; nan where there is none

    Notes
    -----
    See `chord_maximum` and `chord_elevation_m`.
    """
    bend_m = chord_bends(grid, paths, seen, ray, here, there)
    from_m, to_m = seen.distance_m[ray, here], seen.distance_m[ray, there]
    share = chord_maximum(from_m, to_m, rise, bend_m)
    low_m, high_m = seen.elevation_m[ray, here], seen.elevation_m[ray, there]
    return from_m + share * (to_m - from_m), chord_elevation_m(low_m, high_m, bend_m, share)


def sight_slope(
    distance_m: Floats, elevation_m: Floats, *, antenna_elevation_m: ArrayLike, radius_m: ArrayLike
) -> Floats:
    """Tangent of the elevation angle at which ground is seen, broadcast.

    Parameters
    ----------
    distance_m : ground distance; elevation_m : height there, above the datum
    radius_m : effective Earth radius (refraction factor times the local radius along the azimuth)

    Notes
    -----
    Exact on the sphere of radius R: with theta = s/R, ((R+z) cos theta - (R+za)) / ((R+z) sin theta), written as
    ((z-za)/(R+z) - (1 - cos theta)) / sin theta with the series of 1-cos and sin, which keeps the digits
    (1e-13 at 500 km).
    """
    radius_m, antenna_elevation_m = np.asarray(radius_m, float), np.asarray(antenna_elevation_m, float)
    theta = distance_m / radius_m
    square = theta * theta
    sagging = square * (0.5 - square * (1 / 24 - square / 720))
    level = theta * (1 - square * (1 / 6 - square * (1 / 120 - square / 5040)))
    return np.asarray(((elevation_m - antenna_elevation_m) / (radius_m + elevation_m) - sagging) / level)


def reach_needed_m(
    antenna_elevation_m: ArrayLike,
    elevation_deg: ArrayLike,
    *,
    highest_ground_m: ArrayLike,
    radius_m: ArrayLike,
) -> Floats:
    """Ground distance beyond which ground of a given height can no longer reach a ray, metres, broadcast.

    radius_m : effective Earth radius. 0 where the ray never meets that height.

    Notes
    -----
    The ray leaves the sphere of radius R + Z where (R+Z) cos(e + theta) = (R+za) cos e; its distance is R theta
    (law of sines in the triangle Earth centre, antenna, ground).

    >>> float(reach_needed_m(50.0, 20.0, highest_ground_m=8849.0, radius_m=8.495e6).round(-2))
    24100.0
    """
    radius_m, elevation_rad = np.asarray(radius_m, float), np.deg2rad(np.asarray(elevation_deg, float))
    ratio = (
        (radius_m + antenna_elevation_m)
        * np.cos(elevation_rad)
        / (radius_m + np.asarray(highest_ground_m, float))
    )
    met = (ratio <= 1.0) & ((elevation_rad < 0.0) | (np.asarray(antenna_elevation_m) < highest_ground_m))
    theta = np.arccos(np.clip(ratio, -1.0, 1.0)) - elevation_rad
    unknown = np.isnan(ratio)
    return np.asarray(np.where(unknown, np.nan, np.where(met, radius_m * np.maximum(theta, 0.0), 0.0)))


def extent_m(grid: Grid, paths: RayPaths) -> tuple[Floats, Floats]:
    """Ground distances (ray,), (ray,) at which rays enter and leave the lattice; nan, nan where they miss it.

    A ray that starts inside enters at 0. The ray is taken as 64 chords, each clipped at the four edges, so that a
    corner of the lattice counts however short the stretch through it is.
    """
    rows, cols = grid.values.shape
    t = paths.length[:, None] * np.linspace(0.0, 1.0, 65)
    col, row = paths.position_at(t)
    begin, end = np.zeros((len(paths), 64)), np.ones((len(paths), 64))  # shares of each chord inside
    for inside_by in (col, cols - 1 - col, row, rows - 1 - row):  # cells inside one edge; negative outside
        start, change = inside_by[:, :-1], np.diff(inside_by, axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            crossing = -start / change
        begin = np.maximum(
            begin, np.where(change > 0, crossing, np.where((change == 0) & (start < 0), 2.0, 0.0))
        )
        end = np.minimum(end, np.where(change < 0, crossing, 1.0))
    inside = (begin <= end) & (paths.length > 0)[:, None]
    first, last, ray = inside.argmax(axis=1), 63 - inside[:, ::-1].argmax(axis=1), np.arange(len(paths))
    chord = paths.length / 64
    enter = paths.distance_at((t[ray, first] + begin[ray, first] * chord)[:, None])[:, 0]
    leave = paths.distance_at((t[ray, last] + end[ray, last] * chord)[:, None])[:, 0]
    missed = ~inside.any(axis=1)
    return np.where(missed, np.nan, enter), np.where(missed, np.nan, leave)

"""Rays over a lattice of elevations: where they cross its lines, how high the ground is there, how high it looks.

A raster is taken as a lattice of points, the centres of its cells, with straight lines between neighbours. A ray is
a geodesic from the site. It is followed as a curve in the lattice's own column and row numbers and sampled where it
crosses lattice lines, so every sample lies between two known heights and no crest is stepped over. The height of
the antenna's own ground comes from the same lattice (`interpolate`), so the two can never be out of register.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skysill.units import Bools, Floats, Ints

if TYPE_CHECKING:
    from pyproj import Geod, Transformer

__all__ = [
    "NEAREST_SAMPLE_M",
    "Crossings",
    "Elevations",
    "Grid",
    "HeldGrid",
    "RayPaths",
    "crossings",
    "extent_m",
    "has_data",
    "interpolate",
    "lattice_position",
    "ray_paths",
    "reach_needed_m",
    "sight_slope",
    "within_m",
]

NEAREST_SAMPLE_M = 0.25
"""Samples nearer than this are dropped: dividing by a tiny distance makes a cliff of any unevenness."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Elevations on a lattice of points.

    values : (row, col) float32, metres above the raster's datum, nan = void
    transform : (a, b, c, d, e, f) of cell CENTRES: x = a col + b row + c, y = d col + e row + f
    crs : anything pyproj understands ("EPSG:32627", WKT); x is easting or longitude, y northing or latitude
    notes : plain sentences about what was found while reading
    highest_m : highest value, -inf where all is void (worked out here)
    has_void : whether any value is void (worked out here)
    """

    values: NDArray[np.float32]
    transform: tuple[float, float, float, float, float, float]
    crs: str
    notes: tuple[str, ...] = ()
    highest_m: float = field(init=False)
    has_void: bool = field(init=False)

    def __post_init__(self) -> None:
        top = float(self.values.max()) if self.values.size else float("nan")  # nan wherever one value is nan
        object.__setattr__(self, "has_void", bool(np.isnan(top)))
        if np.isnan(top):
            top = float(np.fmax.reduce(self.values, axis=None)) if self.values.size else float("nan")
        object.__setattr__(self, "highest_m", -np.inf if np.isnan(top) else top)


class Elevations(Protocol):
    """Something that can be asked for the ground around a place: a raster file, or a grid held in memory.

    cell_size_m : the larger side of a cell
    vertical_error_m : standard deviation of the heights
    """

    @property
    def name(self) -> str: ...
    @property
    def kind(self) -> Literal["surface", "bare"]: ...
    @property
    def cell_size_m(self) -> float: ...
    @property
    def vertical_error_m(self) -> float: ...

    def window(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> Grid | None:
        """Elevations out to at least `radius_m` around a place, as far as the source goes; None where it has none."""


@dataclass(frozen=True, slots=True, eq=False)
class HeldGrid:
    """A grid in memory, as a source of elevations."""

    grid: Grid
    name: str = "grid"
    kind: Literal["surface", "bare"] = "bare"
    cell_size_m: float = 30.0
    vertical_error_m: float = 3.0

    def window(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> Grid | None:
        """The whole grid, whatever is asked."""
        return self.grid


@lru_cache(maxsize=64)
def _projector(crs: str) -> tuple[Transformer, float]:
    """From WGS 84 longitude, latitude to the grid's x, y; and the length of a full turn of x (0 if projected)."""
    from pyproj import CRS, Transformer

    plane = CRS.from_user_input(crs)
    if plane.is_compound:
        plane = plane.sub_crs_list[0]
    plane = plane.to_2d()
    turn = 2.0 * np.pi / plane.axis_info[0].unit_conversion_factor if plane.is_geographic else 0.0
    return Transformer.from_crs("EPSG:4326", plane, always_xy=True), turn


@lru_cache(maxsize=1)
def _geod() -> Geod:
    from pyproj import Geod

    return Geod(ellps="WGS84")


def lattice_position(grid: Grid, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Column and row (fractional; whole numbers are cell centres) of places, broadcast; inf where out of the CRS."""
    to_plane, turn = _projector(grid.crs)
    latitude_deg, longitude_deg = np.broadcast_arrays(
        np.asarray(latitude_deg, float), np.asarray(longitude_deg, float)
    )
    x, y = (np.asarray(part, float) for part in to_plane.transform(longitude_deg, latitude_deg))
    a, b, c, d, e, f = grid.transform
    if turn:
        middle = a * (grid.values.shape[1] - 1) / 2 + b * (grid.values.shape[0] - 1) / 2 + c
        x = x + turn * np.round((middle - x) / turn)
    area = a * e - b * d
    return (e * (x - c) - b * (y - f)) / area, (a * (y - f) - d * (x - c)) / area


def within_m(grid: Grid, latitude_deg: float, longitude_deg: float) -> float:
    """Distance from a place within which all of the grid lies, metres; inf where its corners have no position."""
    rows, cols = grid.values.shape
    across, down = np.linspace(0, cols - 1, 9), np.linspace(0, rows - 1, 9)
    col = np.concatenate([across, across, np.zeros(9), np.full(9, cols - 1.0)])
    row = np.concatenate([np.zeros(9), np.full(9, rows - 1.0), down, down])
    a, b, c, d, e, f = grid.transform
    longitude, latitude = _projector(grid.crs)[0].transform(
        a * col + b * row + c, d * col + e * row + f, direction="INVERSE"
    )
    if not (np.isfinite(longitude).all() and np.isfinite(latitude).all()):
        return float("inf")
    away = _geod().inv(np.full(36, longitude_deg), np.full(36, latitude_deg), longitude, latitude)[2]
    return float(np.max(away)) * 1.01 + 1.0


def _cell_corner(grid: Grid, col: Floats, row: Floats) -> tuple[Bools, Ints, Floats, Floats]:
    rows, cols = grid.values.shape
    inside = (col >= 0) & (col <= cols - 1) & (row >= 0) & (row <= rows - 1) & (min(rows, cols) > 1)
    left = np.clip(np.floor(np.where(inside, col, 0.0)), 0, max(cols - 2, 0))
    upper = np.clip(np.floor(np.where(inside, row, 0.0)), 0, max(rows - 2, 0))
    return (
        inside,
        (upper * cols + left).astype(np.int64),
        np.where(inside, col, 0) - left,
        np.where(inside, row, 0) - upper,
    )


def interpolate(grid: Grid, col: ArrayLike, row: ArrayLike) -> Floats:
    """Bilinear height at fractional lattice positions, broadcast; nan outside, and wherever one of the four is void."""
    col, row = np.broadcast_arrays(np.asarray(col, float), np.asarray(row, float))
    inside, corner, right, down = _cell_corner(grid, col, row)
    if not inside.any():
        return np.full(col.shape, np.nan)
    flat, cols = grid.values.ravel(), grid.values.shape[1]
    upper = flat.take(corner).astype(float) * (1 - right) + flat.take(corner + 1) * right
    lower = flat.take(corner + cols).astype(float) * (1 - right) + flat.take(corner + cols + 1) * right
    return np.where(inside, upper * (1 - down) + lower * down, np.nan)


def has_data(grid: Grid, col: ArrayLike, row: ArrayLike) -> Bools:
    """Whether the lattice has a height at fractional positions: inside, and none of the four around is void."""
    col, row = np.broadcast_arrays(np.asarray(col, float), np.asarray(row, float))
    inside, corner, _, _ = _cell_corner(grid, col, row)
    if not grid.has_void or not inside.any():
        return np.asarray(inside)
    flat, cols = grid.values.ravel(), grid.values.shape[1]
    together = (
        flat.take(corner) + flat.take(corner + 1) + flat.take(corner + cols) + flat.take(corner + cols + 1)
    )
    return np.asarray(inside & ~np.isnan(together))


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
    Between nodes the polynomial is within 0.01 cell of 30 m at 50 km up to 75 degrees of latitude, tested.
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
    east, north, _ = _geod().fwd(from_longitude, from_latitude, toward, along_m[:, 1:])
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
    ahead = np.asarray(first, np.int64).reshape(-1, 1) + np.arange(steps + 1)
    t = paths.behind[:, None] + ahead
    distance_m = _series(paths.distance, t)
    other = _series(paths.other, t)
    other += paths.start[:, None]
    cell = np.floor(other)
    jump = np.diff(cell, axis=1)
    between = max(int(np.abs(jump).max(initial=0)), 1)
    sight = _Sight(grid, paths)
    found_m = np.empty((len(paths), steps, 1 + between))
    height_m = np.empty_like(found_m)
    main = paths.line[:, None] + paths.sign[:, None] * ahead
    found_m[:, :, 0] = distance_m[:, :-1]
    height_m[:, :, 0] = sight.on_main_line(main[:, :-1], other[:, :-1], cell[:, :-1])
    rise = np.diff(other, axis=1)
    stride_m = np.diff(distance_m, axis=1)
    nearer = np.minimum(main[:, :-1], main[:, 1:])
    for extra in range(between):
        line = np.where(rise > 0, cell[:, :-1] + (1 + extra), cell[:, :-1] - extra)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (line - other[:, :-1]) / rise
        part[np.abs(jump) <= extra] = np.nan
        found_m[:, :, 1 + extra] = distance_m[:, :-1] + part * stride_m
        height_m[:, :, 1 + extra] = sight.on_other_line(nearer, line, part)
    found_m[found_m < NEAREST_SAMPLE_M] = np.nan
    return Crossings(found_m.reshape(len(paths), -1), height_m.reshape(len(paths), -1))


class _Sight:
    """Two-node gathers from a grid for rays that follow columns or rows."""

    def __init__(self, grid: Grid, paths: RayPaths) -> None:
        rows, cols = grid.values.shape
        self.flat = grid.values.ravel()
        by_column = paths.by_column[:, None]
        self.main_last = np.where(by_column, cols - 1, rows - 1)
        self.other_last = np.where(by_column, rows - 1, cols - 1)
        self.main_stride = np.where(by_column, 1, cols)
        self.other_stride = np.where(by_column, cols, 1)
        self.forward = paths.sign[:, None] > 0
        self.flat_enough = min(rows, cols) > 1

    def on_main_line(self, main: Ints, other: Floats, cell: Floats) -> Floats:
        inside = (main >= 0) & (main <= self.main_last) & (other >= 0) & (other <= self.other_last)
        node = np.clip(cell, 0, np.maximum(self.other_last - 1, 0))
        return self._between(inside, main, node.astype(np.int64), other - node, self.other_stride)

    def on_other_line(self, nearer: Ints, line: Floats, part: Floats) -> Floats:
        inside = (nearer >= 0) & (nearer < self.main_last) & (line >= 0) & (line <= self.other_last)
        share = np.where(self.forward, part, 1.0 - part)
        return self._between(
            inside, nearer, np.where(inside, line, 0).astype(np.int64), share, self.main_stride
        )

    def _between(self, inside: Bools, main: Ints, other: Ints, share: Floats, stride: Ints) -> Floats:
        if not self.flat_enough:
            return np.full(share.shape, np.nan)
        index = main * self.main_stride + other * self.other_stride
        if not inside.all():
            index = np.where(inside, index, 0)
        low = self.flat.take(index)
        height = self.flat.take(index + stride) - low
        height = height * share + low
        if not inside.all():
            height[~inside] = np.nan
        return np.asarray(height)


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

    A ray that starts inside enters at 0. Followed at 256 places, linear between them.
    """
    rows, cols = grid.values.shape
    t = paths.length[:, None] * np.linspace(0.0, 1.0, 257)
    col, row = paths.position_at(t)
    # how far inside the nearest edge, in cells: positive inside, negative outside
    depth = np.minimum(np.minimum(col, cols - 1 - col), np.minimum(row, rows - 1 - row))
    inside = (depth >= 0) & (paths.length > 0)[:, None]
    first, count = inside.argmax(axis=1), len(paths)
    last = 256 - inside[:, ::-1].argmax(axis=1)
    ray = np.arange(count)

    def edge(within: Ints, without: Ints) -> Floats:
        deep, out = depth[ray, within], depth[ray, without]
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(within == without, 0.0, deep / (deep - out))
        return np.asarray(t[ray, within] + share * (t[ray, without] - t[ray, within]))

    enter = paths.distance_at(edge(first, np.maximum(first - 1, 0))[:, None])[:, 0]
    leave = paths.distance_at(edge(last, np.minimum(last + 1, 256))[:, None])[:, 0]
    missed = ~inside.any(axis=1)
    return np.where(missed, np.nan, enter), np.where(missed, np.nan, leave)

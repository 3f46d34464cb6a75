"""Rays of one place over one lattice, and the samples of the ground on them: those of `horizon.rays`.

A ray crosses main lines (columns or rows, whichever it crosses more of) and between two of them lines of the other
axis. Line 0 is the main line at or behind the place. Between crossings that follow each other the ground is a chord
plus
a bulge, see `horizon.lattice.chord_elevation_m`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from skysill.bulk.compiled.jit import compiled, in_place
from skysill.bulk.compiled.raster_stack import OFFSET
from skysill.horizon.lattice import EDGE_SLACK

__all__ = [
    "COLUMN_TERMS",
    "MOST_SAMPLES",
    "OFF_COS",
    "OFF_RAD",
    "OFF_SIN",
    "RADIUS",
    "RAY_FIELDS",
    "ROW_TERMS",
    "lay_rays",
    "position",
    "sample_ray",
    "turn_rays",
]

# columns of the table of rays
OFF_RAD, OFF_COS, OFF_SIN, EAST, NORTH, RADIUS = 0, 1, 2, 3, 4, 5
COLUMN_TERMS, ROW_TERMS = 6, 10  # start and three terms each: metres to columns, to rows
_BY_COLUMN, _SIGN, _LINE_0, _PER_RATE, _BEND, _BEND_2 = 14, 15, 16, 17, 18, 19
RAY_FIELDS = 20

MOST_SAMPLES = 256
"""Samples of one call of `sample_ray`: stretches are short."""

_STRAIGHT = 1e-3


@compiled
def turn_rays(
    rays: Any,
    dense: int,
    inner: int,
    outer: int,
    azimuth_rad: float,
    curve_east: float,
    curve_north: float,
) -> int:
    """The directions of a place's rays, from the left to the right; returns the number of the ray to the satellite.

    dense, inner, outer : as in `bulk.fan_results.Window`
    curve_east, curve_north : of the effective Earth, per metre
    """
    wide = max(outer - inner + 1, 0)
    last = dense + wide
    for number in range(-last, last + 1):
        away = abs(number)
        tenths = away if away <= dense else 5 * (inner + away - dense - 1)
        turn = np.deg2rad(0.1 * tenths)
        if number < 0:
            turn = -turn
        ray = rays[number + last]
        ray[OFF_RAD], ray[OFF_COS], ray[OFF_SIN] = turn, np.cos(turn), np.sin(turn)
        east, north = np.sin(azimuth_rad + turn), np.cos(azimuth_rad + turn)
        ray[EAST], ray[NORTH] = east, north
        ray[RADIUS] = 1.0 / (north * north * curve_north + east * east * curve_east)
    return last


@compiled
def lay_rays(rays: Any, count: int, terms: Any) -> None:
    """The paths of rays over one lattice, from the map around their place (`cubic_maps`)."""
    for number in range(count):
        ray = rays[number]
        e, n = ray[EAST], ray[NORTH]
        for axis in range(2):
            at = COLUMN_TERMS if axis == 0 else ROW_TERMS
            ray[at] = terms[axis]
            ray[at + 1] = terms[2 + 2 * axis] * e + terms[3 + 2 * axis] * n
            q = 6 + 3 * axis
            ray[at + 2] = terms[q] * e * e + terms[q + 1] * e * n + terms[q + 2] * n * n
            q = 12 + 4 * axis
            ray[at + 3] = e * e * (terms[q] * e + terms[q + 1] * n) + n * n * (
                terms[q + 2] * e + terms[q + 3] * n
            )
        by_column = abs(ray[COLUMN_TERMS + 1]) >= abs(ray[ROW_TERMS + 1])
        at = COLUMN_TERMS if by_column else ROW_TERMS
        start, rate, bend, cubic = ray[at], ray[at + 1], ray[at + 2], ray[at + 3]
        ray[_BY_COLUMN] = 1.0 if by_column else 0.0
        ray[_SIGN] = 1.0 if rate >= 0.0 else -1.0
        ray[_LINE_0] = np.floor(start) if rate >= 0.0 else np.ceil(start)
        ray[_PER_RATE] = 1.0 / rate
        ray[_BEND] = bend / rate
        ray[_BEND_2] = 2.0 * ray[_BEND] * ray[_BEND] - cubic / rate


@in_place
def position(ray: Any, distance_m: float) -> tuple[float, float]:
    """Column and row at a ground distance."""
    d = distance_m
    return (
        ray[COLUMN_TERMS]
        + d * (ray[COLUMN_TERMS + 1] + d * (ray[COLUMN_TERMS + 2] + d * ray[COLUMN_TERMS + 3])),
        ray[ROW_TERMS] + d * (ray[ROW_TERMS + 1] + d * (ray[ROW_TERMS + 2] + d * ray[ROW_TERMS + 3])),
    )


@in_place
def _distance_of(ray: Any, line: float) -> float:
    """Ground distance at which a ray crosses a main line."""
    at = COLUMN_TERMS if ray[_BY_COLUMN] != 0.0 else ROW_TERMS
    u = (line - ray[at]) * ray[_PER_RATE]
    d = u * (1.0 - u * (ray[_BEND] - u * ray[_BEND_2]))
    if abs(u * ray[_BEND]) > _STRAIGHT:
        for _ in range(2):
            off = ray[at] + d * (ray[at + 1] + d * (ray[at + 2] + d * ray[at + 3])) - line
            d -= off / (ray[at + 1] + d * (2.0 * ray[at + 2] + 3.0 * d * ray[at + 3]))
    return float(d)


@in_place
def _line_before(ray: Any, distance_m: float) -> int:
    """Number along the ray of the last main line crossed before or at a distance."""
    at = COLUMN_TERMS if ray[_BY_COLUMN] != 0.0 else ROW_TERMS
    d = distance_m
    main = ray[at] + d * (ray[at + 1] + d * (ray[at + 2] + d * ray[at + 3]))
    return int(np.floor(ray[_SIGN] * (main - ray[_LINE_0])))


@in_place
def _note(
    d: float,
    z: float,
    bulge: float,
    before_m: float,
    before_z: float,
    before_slope: float,
    n: int,
    from_m: float,
    to_m: float,
    least_m: float,
    most_m: float,
    eye_m: float,
    sag: float,
    away: Any,
    height: Any,
    voids: bool,
) -> tuple[int, float, float, float]:
    """Note one crossing, and before it the highest-looking ground of the chord that ends there.

    before_m, before_z, before_slope : of the crossing before; before_m of -1: that one does not count

    Returns
    -------
    How many samples there are now; the crossing for the next one
    """
    if not (d >= least_m and d <= most_m and z == z):  # z is nan in voids and outside
        if voids and d >= max(least_m, from_m) and d <= min(most_m, to_m):
            away[n, 0], away[n, 1], away[n, 2], height[n] = d, d, d, np.nan
            n += 1
        return n, -1.0, 0.0, 0.0
    slope = (z - eye_m) / d - d * sag
    if bulge > 0.0 and before_m >= 0.0:
        share = 0.5 + (slope - before_slope) * (before_m + d) / (4.0 * bulge)
        if 0.0 < share < 1.0:
            between_m = before_m + share * (d - before_m)
            if from_m <= between_m <= to_m:
                away[n, 0], away[n, 1], away[n, 2] = between_m, before_m, d
                height[n] = before_z + share * (z - before_z) + bulge * share * (1.0 - share)
                n += 1
    if from_m <= d <= to_m:
        away[n, 0], away[n, 1], away[n, 2], height[n] = d, d, d, z
        n += 1
    return n, d, z, slope


@compiled
def sample_ray(
    cells: Any,
    part: Any,
    ray: Any,
    from_m: float,
    to_m: float,
    least_m: float,
    most_m: float,
    eye_m: float,
    away: Any,
    height: Any,
    voids: bool = False,
) -> int:
    """The samples of one ray from from_m to to_m: where it crosses lattice lines, and where ground that bulges
    between two crossings looks higher than both.

    least_m, most_m : ground distances outside which crossings do not count
    eye_m : elevation of the dish centre
    away, height : filled: (sample, 3) ground distance, and those of the crossings that it lies between, and (sample,)
        elevation; in order of the distance
    voids : crossings in voids and outside are noted too, with a height of nan

    Returns
    -------
    How many there are
    """
    rows, columns, offset = part[OFFSET + 1], part[OFFSET + 2], part[OFFSET]
    by_column, forward = ray[_BY_COLUMN] != 0.0, ray[_SIGN] > 0.0
    main_last, other_last = (columns - 1, rows - 1) if by_column else (rows - 1, columns - 1)
    main_stride, other_stride = (1, columns) if by_column else (columns, 1)
    at = ROW_TERMS if by_column else COLUMN_TERMS
    start, rate, bend, cubic = ray[at], ray[at + 1], ray[at + 2], ray[at + 3]
    sag = 0.5 / ray[RADIUS]
    first, last = _line_before(ray, from_m), _line_before(ray, to_m) + 1
    step = 1 if forward else -1
    line = int(ray[_LINE_0]) + step * first
    d = _distance_of(ray, float(line))
    other = start + d * (rate + d * (bend + d * cubic))
    n, bulge, before_m, before_z, before_slope = 0, 0.0, -1.0, 0.0, 0.0
    for k in range(first, last + 1):
        cell = int(np.floor(other))
        z = np.nan
        if 0 <= line <= main_last and other >= -EDGE_SLACK and other <= other_last + EDGE_SLACK:
            node = min(max(cell, 0), other_last - 1)
            index = offset + line * main_stride + node * other_stride
            low = cells[index]
            z = low + (cells[index + other_stride] - low) * (other - node)
        n, before_m, before_z, before_slope = _note(
            d,
            z,
            bulge,
            before_m,
            before_z,
            before_slope,
            n,
            from_m,
            to_m,
            least_m,
            most_m,
            eye_m,
            sag,
            away,
            height,
            voids,
        )
        if k == last or n + 8 > MOST_SAMPLES:
            break
        d_next = _distance_of(ray, float(line + step))
        other_next = start + d_next * (rate + d_next * (bend + d_next * cubic))
        jump = abs(int(np.floor(other_next)) - cell)
        nearer = line if forward else line - 1
        inside = 0 <= nearer < main_last
        rise = other_next - other
        sideways = 1 if rise > 0.0 else -1
        since, now = 0.0, cell
        for extra in range(jump + 1):
            crossed = now + 1 if sideways > 0 else now
            until = (crossed - other) / rise if extra < jump else 1.0
            bulge = 0.0
            if inside and 0 <= now < other_last:
                corner = offset + nearer * main_stride + now * other_stride
                mixed = (cells[corner] - cells[corner + main_stride]) - (
                    cells[corner + other_stride] - cells[corner + other_stride + main_stride]
                )
                bulge = -mixed * step * (until - since) * (until - since) * rise
            if extra == jump:
                break
            z = np.nan
            if inside and 0 <= crossed <= other_last:
                index = offset + nearer * main_stride + crossed * other_stride
                low = cells[index]
                z = low + (cells[index + main_stride] - low) * (until if forward else 1.0 - until)
            n, before_m, before_z, before_slope = _note(
                d + until * (d_next - d),
                z,
                bulge,
                before_m,
                before_z,
                before_slope,
                n,
                from_m,
                to_m,
                least_m,
                most_m,
                eye_m,
                sag,
                away,
                height,
                voids,
            )
            since = until
            now += sideways
        line, d, other = line + step, d_next, other_next
    return n

"""Rays from the nodes of a small part of a raster, laid out once for all of them: which cells they cross, and how high
the ground may stand there.

Within a hundred metres the satellite's direction and the lattice hardly turn, so the rays of neighbouring nodes cross
the same cells at the same places, counted from the node. The assessment of one mount samples the ground where its rays
cross lattice lines; here those samples are a table of offsets, each with the height over the dish centre up to which
ground there leaves the required room.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.assessment.search_window import window_azimuths_deg
from skysill.bulk.local_maps import local_maps
from skysill.bulk.ray_fan import distance_to
from skysill.horizon.lattice import Grid
from skysill.horizon.rays import NEAREST_SAMPLE_M
from skysill.model.link import Link
from skysill.pointing.look_vector import LookVector
from skysill.radio.required_room import room_angle_rad
from skysill.units import Floats, Ints, local_earth_radius_m, wrap_180

__all__ = ["GROUP_CELLS", "SightLines", "allowed_rise_m", "sight_lines"]

GROUP_CELLS = 8
"""Cells are put in groups of so many along a side, which are ruled out together."""

_MOST_STEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class SightLines:
    """Cells that the rays of a node cross, and the chords of the rays through each; the same for all nodes around.

    row, column : (cell,) int; the cell's upper left node, counted from the dish's node. Cells of one group follow
        each other, nearer groups first
    first : (cell + 1,) int; the cell's chords are [first[i], first[i + 1])
    group : (group + 1,) int; the group's cells are [group[i], group[i + 1])
    least_rise_m : (cell,) no ground of the cell takes room that lies lower than this over the dish centre
    nearest_m, farthest_m : (cell,) ground distances of its nearest and farthest sample
    near, far : (chord, 2) columns and rows from the cell's upper left node, 0 to 1, where the ray enters and leaves
    near_rise_m, far_rise_m : (chord,) height over the dish centre up to which ground there leaves the room
    sag_m : (chord,) q; half-way through the chord that height is q / 4 above the mean of both ends
    """

    row: Ints
    column: Ints
    first: Ints
    group: Ints
    least_rise_m: Floats
    nearest_m: Floats
    farthest_m: Floats
    near: Floats
    far: Floats
    near_rise_m: Floats
    far_rise_m: Floats
    sag_m: Floats


def sight_lines(
    grid: Grid, latitude_deg: float, longitude_deg: float, antenna_elevation_m: float, look: LookVector, link: Link,
    reach_m: float,
) -> SightLines:  # fmt: skip
    """The sight lines of nodes around a place.

    Parameters
    ----------
    grid : the raster, with at least the lattice around the place
    latitude_deg, longitude_deg, antenna_elevation_m : of a dish in the middle of the nodes
    look : from there; reach_m : ground distance out to which ground matters
    """
    azimuth_deg = np.concatenate(window_azimuths_deg(look, link))
    centre_deg = 0.0 if look.azimuth_deg is None else look.azimuth_deg
    offset_deg = wrap_180(azimuth_deg - centre_deg)
    radius_m = link.criteria.refraction_factor * local_earth_radius_m(latitude_deg, azimuth_deg)
    end_m = _room_reach_m(offset_deg, look.elevation_apparent_deg, link, reach_m)
    kept = end_m > NEAREST_SAMPLE_M
    offset_deg, azimuth_deg, radius_m, end_m = (
        part[kept] for part in (offset_deg, azimuth_deg, radius_m, end_m)
    )
    maps = local_maps(grid, np.array([latitude_deg]), np.array([longitude_deg]))
    ray = np.zeros(azimuth_deg.size, dtype=np.int64)
    azimuth_rad = np.deg2rad(azimuth_deg)
    first, second = maps.take(ray).along(np.sin(azimuth_rad), np.cos(azimuth_rad))
    ray, distance_m = _crossed(first, second, end_m)
    position = distance_m[:, None] * (first[ray] + distance_m[:, None] * second[ray])
    follows = np.flatnonzero((ray[1:] == ray[:-1]) & (distance_m[1:] > distance_m[:-1] + 1e-6))

    def rise_m(at: Ints, along_m: Floats) -> Floats:
        return allowed_rise_m(
            along_m, offset_deg[ray[at]], elevation_deg=look.elevation_apparent_deg, link=link,
            antenna_elevation_m=antenna_elevation_m, radius_m=radius_m[ray[at]],
        )  # fmt: skip

    every = rise_m(np.arange(ray.size), distance_m)
    near_m, far_m = distance_m[follows], distance_m[follows + 1]
    near_rise, far_rise = every[follows], every[follows + 1]
    middle = rise_m(follows, (near_m + far_m) / 2.0)
    with np.errstate(invalid="ignore"):
        sag_m = 4.0 * middle - 2.0 * (near_rise + far_rise)
    chords = np.isfinite(near_rise) | np.isfinite(far_rise)
    return _by_cell(*(part[chords] for part in (position[follows], position[follows + 1], near_m, far_m, near_rise,
                                                far_rise, sag_m)))  # fmt: skip


def _room_reach_m(offset_deg: Floats, elevation_deg: float, link: Link, reach_m: float) -> Floats:
    """(ray,) distance out to which a ray so far beside the centre could meet the required room, at most reach_m."""
    aside = np.abs(np.sin(np.deg2rad(offset_deg))) * np.cos(np.deg2rad(elevation_deg))
    aside = np.where(np.abs(offset_deg) > 90.0, np.cos(np.deg2rad(elevation_deg)), aside)
    low, high = np.zeros(offset_deg.shape), np.full(offset_deg.shape, reach_m)
    for _ in range(40):  # the angle of the room shrinks with distance
        middle = (low + high) / 2.0
        within = np.sin(room_angle_rad(np.maximum(middle, 1e-3), link)) >= aside
        low, high = np.where(within, middle, low), np.where(within, high, middle)
    return high


def _crossed(first: Floats, second: Floats, end_m: Floats) -> tuple[Ints, Floats]:
    """Ray and distance of every crossing of a ray with a lattice line, in order; none nearer than is ever sampled."""
    rays, along = [], []
    for axis in (0, 1):
        rate, bend = first[:, axis], second[:, axis]
        cells = (
            np.floor(np.abs(end_m * (rate + bend * end_m))).astype(np.int64) + 1
        )  # one more ends the last chord
        ray = np.repeat(np.arange(rate.size), cells)
        line = np.arange(ray.size) - np.repeat(np.cumsum(cells) - cells, cells) + 1
        rays.append(ray)
        along.append(distance_to(np.sign(rate[ray]) * line, rate[ray], bend[ray]))
    ray, distance_m = np.concatenate(rays), np.concatenate(along)
    order = np.lexsort((distance_m, ray))
    ray, distance_m = ray[order], distance_m[order]
    kept = np.isfinite(distance_m) & (distance_m >= NEAREST_SAMPLE_M)
    kept[1:] &= (ray[1:] != ray[:-1]) | (distance_m[:-1] <= end_m[ray[1:]])
    return ray[kept], distance_m[kept]


def allowed_rise_m(
    distance_m: Floats, offset_deg: Floats, *, elevation_deg: float, link: Link, antenna_elevation_m: float,
    radius_m: Floats,
) -> Floats:  # fmt: skip
    """Height over the dish centre up to which ground leaves the required room; inf where any height does.

    Parameters
    ----------
    distance_m : (n,) along the ground; offset_deg : (n,) azimuth beside the ray's
    elevation_deg : apparent elevation of the ray; radius_m : (n,) effective Earth radius

    Notes
    -----
    A sample at slant distance d keeps clear of the ray by the angle r = atan(required / d). At azimuth offset x from a
    ray of elevation e the circle of radius r around the ray is met from below at elevation phi - acos(cos r / A), with
    A (sin phi, cos phi) = (sin e, cos e cos x): spherical law of cosines. d depends on that elevation. The shortest d
    has the widest circle, so the iteration starts from it and never leaves out a sample that only grazes the room.
    """
    level_m = (radius_m + antenna_elevation_m) * np.sin(distance_m / radius_m)
    sine, cosine = np.sin(np.deg2rad(elevation_deg)), np.cos(np.deg2rad(elevation_deg))
    beside = cosine * np.cos(np.deg2rad(offset_deg))
    amplitude, phase = np.hypot(sine, beside), np.arctan2(sine, beside)
    slope = np.zeros(distance_m.shape)
    for _ in range(_MOST_STEPS):
        room_rad = room_angle_rad(level_m * np.hypot(1.0, slope), link)
        with np.errstate(invalid="ignore"):
            found = np.tan(phase - np.arccos(np.cos(room_rad) / amplitude))  # nan: the circle is not met
        moved = np.where(slope < 0.0, (slope + found) / 2.0, found)
        done = np.nanmax(np.abs(moved - slope), initial=0.0) < 1e-8
        slope = moved
        if done:
            break
    theta = distance_m / radius_m
    up, along = slope * np.sin(theta), np.cos(theta)
    # (R + za) / (cos theta - slope sin theta) - (R + za)
    rise = (up + 2.0 * np.sin(theta / 2.0) ** 2) / (along - up)
    return np.where(np.isnan(slope), np.inf, (radius_m + antenna_elevation_m) * rise)


def _by_cell(
    near: Floats,
    far: Floats,
    near_m: Floats,
    far_m: Floats,
    near_rise: Floats,
    far_rise: Floats,
    sag_m: Floats,
) -> SightLines:
    """Chords sorted into cells, and cells into groups, nearest first."""
    cell = np.floor((near + far) / 2.0).astype(np.int64)
    column, row = cell.T
    group_column, group_row = column // GROUP_CELLS, row // GROUP_CELLS
    away = np.hypot(group_column + 0.5, group_row + 0.5)
    order = np.lexsort((column, row, group_column, group_row, away))
    column, row = column[order], row[order]
    new_cell = (
        np.append(True, (np.diff(column) != 0) | (np.diff(row) != 0)) if column.size else np.zeros(0, bool)
    )
    start = np.flatnonzero(new_cell)
    group_of = np.stack([row[start] // GROUP_CELLS, column[start] // GROUP_CELLS], axis=1)
    new_group = (
        np.append(True, (np.diff(group_of, axis=0) != 0).any(axis=1)) if start.size else start.astype(bool)
    )
    near_rise, far_rise, sag_m = near_rise[order], far_rise[order], sag_m[order]
    lowest = (
        np.minimum(near_rise, far_rise) - np.maximum(-np.nan_to_num(sag_m, posinf=0.0, neginf=0.0), 0.0) / 4.0
    )

    def per_cell(operation: np.ufunc, values: Floats) -> Floats:
        return np.asarray(operation.reduceat(values, start)) if start.size else np.zeros(0)

    return SightLines(
        row=row[start], column=column[start], first=np.append(start, column.size),
        group=np.append(np.flatnonzero(new_group), start.size), least_rise_m=per_cell(np.minimum, lowest),
        nearest_m=per_cell(np.minimum, near_m[order]), farthest_m=per_cell(np.maximum, far_m[order]),
        near=np.clip(near[order] - np.stack([column, row], axis=1), 0.0, 1.0),
        far=np.clip(far[order] - np.stack([column, row], axis=1), 0.0, 1.0),
        near_rise_m=near_rise, far_rise_m=far_rise, sag_m=sag_m,
    )  # fmt: skip

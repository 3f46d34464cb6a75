"""Ground profiles of many spots, sampled once for each along the azimuths that matter to its looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from skysill.assessment.clearance import column_margin_deg
from skysill.assessment.evidence import overruled_ground
from skysill.assessment.placement import Place
from skysill.assessment.search_window import stop_elevation_deg, window_azimuths_deg
from skysill.horizon.lattice import Grid
from skysill.horizon.ray_march import FINE_CELL_M, Layer, stretches_beside
from skysill.horizon.rays import (
    Crossings,
    RayPaths,
    chord_bends,
    crossings,
    extent_m,
    ray_paths,
    reach_needed_m,
    sight_slope,
)
from skysill.model.job import Job
from skysill.pointing.compass import CompassCorrection
from skysill.pointing.look_vector import LookVector
from skysill.radio.required_room import room_angle_deg
from skysill.siting.ground_profiles import Chords, GroundProfiles
from skysill.units import Bools, Floats, Ints, local_earth_radius_m, wrap_180

__all__ = [
    "ground_profiles",
]


_SPOTS_TOGETHER = 24


_FIRST_CLASS_M = 8.0


_FARTHEST_M = 100_000.0


_FAR_SLACK_DEG = 0.3
"""Ground this much below the room at the far end is still kept: what errors could lift into it."""


def ground_profiles(
    job: Job,
    places: Sequence[Place],
    looks: Sequence[Sequence[LookVector]],
    correction: CompassCorrection | None,
    *,
    doubt_m: float = 0.0,
) -> GroundProfiles:
    """The ground around spots that could take the room of a look from the places given, or from higher up.

    Parameters
    ----------
    job : with its rasters
    places : one a spot, each with the lowest height of its dish
    looks : the looks of each spot, as many everywhere
    correction : of the survey's compass; None without readings
    doubt_m : ground that comes so near to the room, as an angle at its distance, is kept too: what errors could move
    """
    count = len(looks[0]) if looks else 0
    pieces = [
        _around(
            job, places[at : at + _SPOTS_TOGETHER], looks[at : at + _SPOTS_TOGETHER], at, correction, doubt_m
        )
        for at in range(0, len(places), _SPOTS_TOGETHER)
        if job.sources.rasters
    ]
    names = Chords.__slots__
    whole = {
        name: np.concatenate(
            [np.zeros(0, np.int64 if name in ("spot", "look", "ray", "raster") else float)]
            + [getattr(p, name) for p in pieces]
        )
        for name in names
    }
    chords = Chords(**whole)
    pair = chords.spot * max(count, 1) + chords.look
    order = np.argsort(pair, kind="stable")
    first = np.searchsorted(pair[order], np.arange(len(places) * count + 1))
    return GroundProfiles(job, tuple(tuple(one) for one in looks), chords.kept(order), first)


@dataclass(frozen=True, slots=True, eq=False)
class _Rays:
    """Rays from several spots, one entry a ray; reach_m (ray, look), offset_deg (ray, look)."""

    spot: Ints
    azimuth_deg: Floats
    offset_deg: Floats
    reach_m: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    antenna_elevation_m: Floats
    radius_m: Floats
    number: Ints

    def kept(self, at: Ints) -> _Rays:
        return _Rays(*(getattr(self, name)[at] for name in self.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class _RaysIn:
    """One raster's part, with the numbers, in rising order, of the rays that it was laid out for."""

    layer: Layer
    number: Ints

    def covers(self, number: Ints, distance_m: Floats) -> Bools:
        """(ray, n) whether it has data at distances along rays, by their numbers; not where a ray is not in it."""
        at = np.minimum(np.searchsorted(self.number, number), self.number.size - 1)
        there = self.number[at] == number
        return np.asarray(self.layer.covers(at, distance_m) & there[:, None])


def _reach_beyond(layers: Sequence[_RaysIn], reach_m: Floats) -> Bools:
    """(ray,) whether a ray goes on where no finer raster without voids speaks for all of it."""
    beyond = np.ones(reach_m.shape, dtype=bool)
    for finer in layers:
        whole = (finer.layer.enter_m <= 0.0) & (finer.layer.leave_m >= reach_m[finer.number])
        beyond[finer.number[whole & (not finer.layer.grid.has_void)]] = False
    return beyond


def _extent_m(grid: Grid, paths: RayPaths, reach_m: Floats) -> tuple[Floats, Floats]:
    """Where rays enter and leave a raster; one that starts and ends inside is inside all along."""
    enter, leave = np.zeros(reach_m.shape), np.full(reach_m.shape, np.inf)
    rows, cols = grid.values.shape
    inside = paths.length > 0
    for at_m in (np.zeros_like(reach_m), reach_m):
        col, row = (part[:, 0] for part in paths.position_at(paths.t_at(at_m[:, None])))
        inside &= (col >= 0) & (col <= cols - 1) & (row >= 0) & (row <= rows - 1)
    rest = np.flatnonzero(~inside)
    if rest.size:
        enter[rest], leave[rest] = extent_m(grid, paths.take(rest))
    return enter, leave


def _around(
    job: Job,
    places: Sequence[Place],
    looks: Sequence[Sequence[LookVector]],
    first_spot: int,
    correction: CompassCorrection | None,
    doubt_m: float,
) -> Chords:
    rays = _rays(job, places, looks, doubt_m)
    apparent_deg = np.array([[one.elevation_apparent_deg for one in group] for group in looks])
    farthest_m = float(rays.reach_m.max(initial=0.0))
    found: list[Chords] = []
    layers: list[_RaysIn] = []
    for index, raster in enumerate(job.sources.rasters):
        spread_m = 2.0 * max(
            float(
                np.hypot(p.mount.east_m - places[0].mount.east_m, p.mount.north_m - places[0].mount.north_m)
            )
            for p in places
        )
        grid = raster.window(
            places[0].latitude_deg,
            places[0].longitude_deg,
            farthest_m + spread_m + 3.0 * raster.cell_size_m,
        )
        if grid is None or min(grid.values.shape) < 2:
            continue
        assured_m = 2.0 * raster.cell_size_m if raster.cell_size_m > FINE_CELL_M else 0.0
        reach_m = np.maximum(rays.reach_m.max(axis=1), 1.0)
        beyond = np.flatnonzero(_reach_beyond(layers, reach_m) & (reach_m > assured_m))
        if not beyond.size:
            continue
        some = rays.kept(beyond)
        paths = ray_paths(
            grid,
            latitude_deg=some.latitude_deg,
            longitude_deg=some.longitude_deg,
            azimuth_deg=some.azimuth_deg,
            distance_m=reach_m[beyond],
        )
        layer = _RaysIn(
            Layer(index, assured_m, grid, paths, *_extent_m(grid, paths, reach_m[beyond])), beyond
        )
        found += _through(job, layer, layers, some, apparent_deg, doubt_m)
        layers.append(layer)
    joined = {
        name: np.concatenate(
            [np.zeros(0, np.int64 if name in ("spot", "look", "ray", "raster") else float)]
            + [getattr(p, name) for p in found]
        )
        for name in Chords.__slots__
    }
    chords = Chords(**joined)
    if job.sources.readings is not None and chords.near_m.size:
        chords = _without_overruled(job, places, correction, rays, chords)
    return Chords(
        chords.spot + first_spot,
        chords.look,
        *(getattr(chords, name) for name in Chords.__slots__ if name not in ("spot", "look")),
    )


def _rays(job: Job, places: Sequence[Place], looks: Sequence[Sequence[LookVector]], doubt_m: float) -> _Rays:
    """The azimuths that an assessment of each spot follows, and how far ground on them can matter to each look."""
    spot, azimuth, offset, reach = [], [], [], []
    for at, (place, group) in enumerate(zip(places, looks, strict=True)):
        seen = [look for look in group if look.elevation_apparent_deg > 0.0]
        windows = [np.concatenate(window_azimuths_deg(look, job.link)) for look in seen] or [np.zeros(0)]
        azimuths = np.unique(np.concatenate(windows))
        aside = np.stack([wrap_180(azimuths - (look.azimuth_deg or 0.0)) for look in group], axis=1)
        far = [_reach_m(job, place, look, aside[:, k], doubt_m) for k, look in enumerate(group)]
        spot.append(np.full(azimuths.size, at))
        azimuth.append(azimuths)
        offset.append(aside)
        reach.append(np.stack(far, axis=1))
    number = np.concatenate(spot)
    latitude, longitude, antenna = (
        np.array([getattr(p, name) for p in places])[number]
        for name in ("latitude_deg", "longitude_deg", "antenna_elevation_m")
    )
    angles = np.concatenate(azimuth)
    radius_m = job.criteria.refraction_factor * np.concatenate(
        [local_earth_radius_m(p.latitude_deg, a) for p, a in zip(places, azimuth, strict=True)]
    )
    return _Rays(
        number,
        angles,
        np.concatenate(offset),
        np.concatenate(reach),
        latitude,
        longitude,
        antenna,
        radius_m,
        np.arange(number.size),
    )


def _needs_deg(job: Job, distance_m: Floats, doubt_m: float) -> Floats:
    """Angle of the required room and of the doubt at a distance."""
    return room_angle_deg(distance_m, job.link) + np.rad2deg(np.arctan(doubt_m / distance_m))


def _reach_m(job: Job, place: Place, look: LookVector, offset_deg: Floats, doubt_m: float) -> Floats:
    """How far out ground on azimuths beside a look can come near enough to matter, at any height of the dish."""
    apparent_deg = look.elevation_apparent_deg
    if apparent_deg <= 0.0:
        return np.zeros(offset_deg.shape)
    # no part of a column comes nearer than its own upright circle (Napier), or, behind, than the zenith
    level = np.cos(np.deg2rad(apparent_deg)) * np.sin(np.deg2rad(np.minimum(np.abs(offset_deg), 90.0)))
    aside_deg = np.where(np.abs(offset_deg) < 90.0, np.rad2deg(np.arcsin(level)), 90.0 - apparent_deg)
    steps_m = np.geomspace(0.25, _FARTHEST_M, 600)
    needs_deg = _needs_deg(job, steps_m, doubt_m)
    at = np.searchsorted(-needs_deg, -aside_deg)  # needs fall with distance
    beside_m = steps_m[np.minimum(at, steps_m.size - 1)]
    highest_m = job.sources.highest_ground_m
    stop_deg = stop_elevation_deg(look, place, highest_m, job.link) - (_FAR_SLACK_DEG if doubt_m else 0.0)
    radius_m = job.criteria.refraction_factor * float(
        local_earth_radius_m(place.latitude_deg, look.azimuth_deg or 0.0)
    )
    highest_m = max(highest_m, *(_highest_m(job, raster, place) for raster in job.sources.rasters))
    beyond_m = reach_needed_m(
        place.antenna_elevation_m, stop_deg, highest_ground_m=highest_m, radius_m=radius_m
    )
    return np.minimum(beside_m, np.maximum(beyond_m, 1.0))


def _highest_m(job: Job, raster: object, place: Place) -> float:
    grid = raster.window(place.latitude_deg, place.longitude_deg, 1000.0)  # type: ignore[attr-defined]  # a reader
    return -np.inf if grid is None else float(grid.highest_m)


def _through(
    job: Job,
    mine: _RaysIn,
    finer: Sequence[_RaysIn],
    rays: _Rays,
    apparent_deg: Floats,
    doubt_m: float,
) -> list[Chords]:
    """Chords of one raster, the rays in classes of about the same reach."""
    found = []
    layer = mine.layer
    reach_m = np.where(layer.paths.length > 0, np.fmin(rays.reach_m.max(axis=1), layer.leave_m), 0.0)
    reach_m = np.nan_to_num(reach_m)
    classes = np.ceil(np.log2(np.maximum(reach_m, _FIRST_CLASS_M) / _FIRST_CLASS_M)).astype(int)
    for one in np.unique(classes[reach_m > 0.25]):
        rows = np.flatnonzero((classes == one) & (reach_m > 0.25))
        paths = layer.paths.take(rows)
        steps = int(paths.t_at(reach_m[rows][:, None]).max()) + 2
        seen = crossings(layer.grid, paths, 0, steps)
        distance_m = np.where(np.isnan(seen.elevation_m), np.nan, seen.distance_m)
        with np.errstate(invalid="ignore"):
            wanted = (distance_m <= reach_m[rows][:, None]) & (distance_m >= layer.assured_m)
        for other in finer:
            wanted &= ~other.covers(rays.number[rows], seen.distance_m)
        slope = sight_slope(
            seen.distance_m,
            seen.elevation_m,
            antenna_elevation_m=rays.antenna_elevation_m[rows][:, None],
            radius_m=rays.radius_m[rows][:, None],
        )
        bulge_m = float(layer.grid.blocks().rise_m.max(initial=0.0))
        with np.errstate(invalid="ignore"):
            top_deg = np.rad2deg(np.arctan(slope + bulge_m / seen.distance_m))
            needs_deg = _needs_deg(job, np.where(wanted, seen.distance_m, 1.0), doubt_m)
        for look in range(apparent_deg.shape[1]):
            with np.errstate(invalid="ignore"):
                lifted = wanted & (seen.distance_m <= rays.reach_m[rows, look][:, None])
                lifted &= top_deg >= apparent_deg[rays.spot[rows], look][:, None] - needs_deg
            at = _whole_and_single(seen.distance_m, lifted, wanted & np.isfinite(seen.elevation_m))
            if at[0].size:
                chords = _chords(layer, paths, seen, rays, rows, look, at)
                found.append(
                    _near_enough(job, chords, rays.antenna_elevation_m[rows[at[0]]], apparent_deg, doubt_m)
                )
    return found


def _whole_and_single(distance_m: Floats, lifted: Bools, known: Bools) -> tuple[Ints, Ints, Ints]:
    """Row and two slots of the chords beside lifted samples; a sample without a known neighbour stands alone."""
    row, here, there = stretches_beside(distance_m, lifted)
    both = known[row, here] & known[row, there]
    row, here, there = row[both], here[both], there[both]
    alone = lifted & known
    alone[row, here] = False
    alone[row, there] = False
    alone_row, alone_slot = np.nonzero(alone)
    return (
        np.concatenate([row, alone_row]),
        np.concatenate([here, alone_slot]),
        np.concatenate([there, alone_slot]),
    )


def _chords(
    layer: Layer,
    paths: RayPaths,
    seen: Crossings,
    rays: _Rays,
    rows: Ints,
    look: int,
    at: tuple[Ints, Ints, Ints],
) -> Chords:
    row, here, there = at
    which = rows[row]
    bends = np.where(here == there, 0.0, chord_bends(layer.grid, paths, seen, row, here, there))
    distance, up = seen.distance_m, seen.elevation_m
    return Chords(
        spot=rays.spot[which],
        look=np.full(row.size, look),
        ray=rays.number[which],
        offset_deg=rays.offset_deg[which, look],
        near_m=distance[row, here],
        near_elevation_m=up[row, here].astype(np.float64),
        far_m=distance[row, there],
        far_elevation_m=up[row, there].astype(np.float64),
        bend_m=bends,
        radius_m=rays.radius_m[which],
        raster=np.full(row.size, layer.index),
    )


def _near_enough(job: Job, chords: Chords, antenna_m: Floats, apparent_deg: Floats, doubt_m: float) -> Chords:
    """Only chords that can come near enough at some height: seen from the lowest they stand highest."""
    top_m = np.maximum(chords.near_elevation_m, chords.far_elevation_m) + np.maximum(chords.bend_m, 0.0) / 4.0
    at_m = np.where(top_m > antenna_m, chords.near_m, chords.far_m)
    top_deg = np.rad2deg(np.arctan2(top_m - antenna_m, at_m))
    margin_deg = column_margin_deg(
        chords.offset_deg, apparent_deg[chords.spot, chords.look], np.minimum(top_deg, 89.9)
    )
    return chords.kept(margin_deg <= _needs_deg(job, chords.near_m, doubt_m) + 1e-3)


def _without_overruled(
    job: Job, places: Sequence[Place], correction: CompassCorrection | None, rays: _Rays, chords: Chords
) -> Chords:
    """Less the ground that the surveyor would have seen and did not."""
    keep = np.zeros(chords.near_m.size, dtype=bool)
    for at, place in enumerate(places):
        mine = np.flatnonzero(chords.spot == at)
        if not mine.size:
            continue
        part = chords.kept(mine)
        distance_m = np.concatenate([part.near_m, part.far_m])
        slope = sight_slope(
            distance_m,
            np.concatenate([part.near_elevation_m, part.far_elevation_m]),
            antenna_elevation_m=place.antenna_elevation_m,
            radius_m=np.tile(part.radius_m, 2),
        )
        seen = overruled_ground(
            job,
            place,
            correction,
            np.tile(rays.azimuth_deg[part.ray], 2),
            np.rad2deg(np.arctan(slope)),
            distance_m * np.hypot(1.0, slope),
        )
        keep[mine] = ~seen.reshape(2, -1).all(axis=0)
    return chords.kept(keep)

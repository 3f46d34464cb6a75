"""What the elevation rasters put against the sky: a march along geodesics, every step of the running maximum kept.

Rays run from the dish centre until ground can no longer reach them (the highest ground around, on a sphere of the
refraction factor times the local Earth radius, gives the exact bound), or until the rasters stop, and then it says so.
Each stretch of a ray comes from the finest raster that has data there. A void is unknown: never zero, never sea.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from skysill.errors import InputError
from skysill.horizon.lattice import Elevations, Grid, HeldGrid, geod, interpolate, lattice_position
from skysill.horizon.ray_march import FINE_CELL_M, Layer, Marched, Observer, layers_around, march
from skysill.horizon.rays import RayPaths, crossings, ray_paths, reach_needed_m, sight_slope
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.units import Floats, Ints, local_earth_radius_m

__all__ = [
    "FINE_CELL_M",
    "Elevations",
    "Grid",
    "HeldGrid",
    "PathProfile",
    "RayPaths",
    "crossings",
    "ground_at",
    "path_profile",
    "ray_paths",
    "reach_needed_m",
    "sight_slope",
    "terrain_silhouette",
]

LOWEST_GROUND_M = -500.0
"""Below any dry ground on Earth (the shore of the Dead Sea is near -430 m, from memory)."""

_WIDEST_GAP_DEG = 5.0


def terrain_silhouette(
    rasters: Sequence[Elevations],
    *,
    latitude_deg: float,
    longitude_deg: float,
    antenna_elevation_m: float,
    azimuth_deg: ArrayLike,
    highest_ground_m: float,
    refraction_factor: float,
    ray_elevation_deg: ArrayLike | None = None,
    max_distance_m: float | None = None,
    near_m: float = 0.0,
) -> Silhouette:
    """What the ground puts against the sky, as seen from a dish centre.

    Parameters
    ----------
    rasters : elevation sources, finest first
    latitude_deg, longitude_deg : of the dish, WGS 84
    antenna_elevation_m : dish centre above the rasters' datum
    azimuth_deg : (n,) true azimuths to follow; between them nothing is looked at
    highest_ground_m : nothing around is higher (where a raster shows higher ground, that counts, with a note)
    refraction_factor : effective over true Earth radius
    ray_elevation_deg : scalar or (n,); follow each ray only until ground cannot reach this elevation any more.
        None: the whole horizon, until ground cannot rise over what was found
    max_distance_m : look no farther along the ground
    near_m : look at least so far; nearer, things that no raster of bare or coarse ground shows may stand

    Returns
    -------
    Silhouette, source "terrain": one column per step of the running maximum along each azimuth, distance along the
    line of sight; one thing per raster. `reliable` is False nearer than two cells of a raster with cells over 2 m;
    such columns are kept beside the others and hide none of them. Each azimuth is one span; `reach_m` is the ground
    distance of the first gap, inf where none lies before ground could no longer matter; `fine_reach_m` the same for
    surface rasters of 2 m or finer, which must reach `near_m` in any case.

    Notes
    -----
    Samples where geodesics cross the lattice lines through cell centres, and where the bilinear ground bulges
    between two of them; angles exact on the effective sphere.
    """
    if not np.isfinite(antenna_elevation_m):
        raise InputError("the dish centre's elevation is not known.", where="antenna_elevation_m",
                         mend="Give the ground elevation, or a raster that covers the site.")  # fmt: skip
    azimuth_deg = np.atleast_1d(np.asarray(azimuth_deg, float)).ravel()
    radius_m = refraction_factor * local_earth_radius_m(latitude_deg, azimuth_deg)
    observer = Observer(latitude_deg, longitude_deg, float(antenna_elevation_m), azimuth_deg, radius_m)
    needed_m = _needed_m(observer, ray_elevation_deg, highest_ground_m)
    stop_m = np.maximum(needed_m, near_m)
    stop_m = stop_m if max_distance_m is None else np.minimum(stop_m, max_distance_m)
    layers = layers_around(rasters, observer, stop_m)
    highest_seen_m = max((layer.grid.highest_m for layer in layers), default=-np.inf)
    if highest_seen_m > highest_ground_m:
        seen = terrain_silhouette(
            rasters, latitude_deg=latitude_deg, longitude_deg=longitude_deg, antenna_elevation_m=antenna_elevation_m,
            azimuth_deg=azimuth_deg, highest_ground_m=highest_seen_m, refraction_factor=refraction_factor,
            ray_elevation_deg=ray_elevation_deg, max_distance_m=max_distance_m, near_m=near_m,
        )  # fmt: skip
        note = (f"The rasters show ground of {highest_seen_m:.0f} m, above the {highest_ground_m:g} m given as "
                "the highest (type highest_ground_m); the higher figure was used.")  # fmt: skip
        return replace(seen, notes=(note, *seen.notes))
    found = [march(observer, layer, layers[:at], stop_m, highest_ground_m) for at, layer in enumerate(layers)]
    return _silhouette(rasters, observer, layers, found, needed_m, stop_m, highest_ground_m, near_m)


def _needed_m(observer: Observer, ray_elevation_deg: ArrayLike | None, highest_ground_m: float) -> Floats:
    if ray_elevation_deg is None:  # as far as a ray grazing the lowest ground could still meet the highest
        low = np.minimum(LOWEST_GROUND_M, observer.antenna_elevation_m)
        ratio = (observer.radius_m + low) / (observer.radius_m + observer.antenna_elevation_m)
        ray_elevation_deg = -np.rad2deg(np.arccos(np.clip(ratio, -1.0, 1.0)))
    return reach_needed_m(
        observer.antenna_elevation_m,
        np.broadcast_to(np.asarray(ray_elevation_deg, float), observer.azimuth_deg.shape),
        highest_ground_m=highest_ground_m,
        radius_m=observer.radius_m,
    )


def _joined_reach_m(found: Sequence[Marched], cell_m: Sequence[float], count: int) -> Floats:
    """Ground distance (ray,) out to which some raster has data without a gap.

    Two rasters that meet edge to edge leave the distance between two cell centres between them: that is bridged,
    a void inside one raster is not.
    """
    reach_m, owner = np.zeros(count), np.full(count, -1)
    growing = True
    while growing:
        growing = False
        for at, (part, cell) in enumerate(zip(found, cell_m, strict=True)):
            bridged_m = np.where((owner[part.known_ray] == at) | (owner[part.known_ray] < 0), 0.0, 1.5 * cell)
            joins = (part.known_from_m <= reach_m[part.known_ray] + bridged_m) & (
                part.known_to_m > reach_m[part.known_ray]
            )
            if joins.any():
                np.maximum.at(reach_m, part.known_ray[joins], part.known_to_m[joins])
                owner[part.known_ray[joins]] = at
                growing = True
    return reach_m


def _silhouette(
    rasters: Sequence[Elevations], observer: Observer, layers: Sequence[Layer], found: Sequence[Marched],
    needed_m: Floats, stop_m: Floats, highest_ground_m: float, near_m: float,
) -> Silhouette:  # fmt: skip
    ray = np.concatenate([part.ray for part in found] or [np.zeros(0, np.int64)])
    distance_m, elevation_m, slope = (
        np.concatenate([getattr(part, label) for part in found] or [np.zeros(0)])
        for label in ("distance_m", "elevation_m", "slope")
    )
    source = np.repeat([layer.index for layer in layers], [part.ray.size for part in found]).astype(np.int64)
    nearest_m = np.zeros(len(rasters) or 1)
    nearest_m[[layer.index for layer in layers]] = [layer.assured_m for layer in layers]
    reliable = distance_m >= nearest_m[source]
    kept = _steps_in_order(2 * ray + reliable, distance_m, slope)
    ray, source, reliable = ray[kept], source[kept], reliable[kept]
    distance_m, elevation_m, slope = distance_m[kept], elevation_m[kept], slope[kept]
    best = np.full(observer.azimuth_deg.size, -np.inf)
    np.maximum.at(best, ray[reliable], slope[reliable])
    reach_m, fine_reach_m = _reaches(
        rasters, observer, layers, found, best, needed_m, stop_m, highest_ground_m, near_m
    )
    error_m = np.array([raster.vertical_error_m for raster in rasters] or [0.0])[source]
    level_m = (observer.radius_m[ray] + elevation_m) * np.sin(distance_m / observer.radius_m[ray])
    slant_m = level_m * np.hypot(1.0, slope)
    return Silhouette(
        source="terrain",
        azimuth_deg=observer.azimuth_deg[ray],
        elevation_deg=np.rad2deg(np.arctan(slope)),
        distance_m=slant_m,
        features=tuple(
            Feature(r.name, "surface" if r.kind == "surface" else "ground", "terrain") for r in rasters
        ),
        feature=source,
        sigma_deg=np.rad2deg(np.arctan(error_m / slant_m)),
        reliable=reliable,
        covered_deg=_spans(observer.azimuth_deg),
        reach_m=reach_m,
        fine_reach_m=fine_reach_m,
        notes=tuple(dict.fromkeys(note for layer in layers for note in layer.grid.notes)),
    )


def _steps_in_order(ray: Ints, distance_m: Floats, slope: Floats) -> Ints:
    """Which samples still rise over everything nearer on their ray, once all rasters are laid together; sorted."""
    order = np.argsort(1e7 * ray + distance_m, kind="stable")  # distances stay far below 1e7 m
    ladder = np.maximum.accumulate(
        4.0 * ray[order] + np.arctan(slope[order])
    )  # a ray's angles stay within its 4
    return np.asarray(order[np.diff(ladder, prepend=-np.inf) > 0])


def _reaches(
    rasters: Sequence[Elevations], observer: Observer, layers: Sequence[Layer], found: Sequence[Marched],
    best: Floats, needed_m: Floats, stop_m: Floats, highest_ground_m: float, near_m: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    best_deg = np.rad2deg(np.arctan(best))
    needed_m = np.minimum(needed_m, reach_needed_m(
        observer.antenna_elevation_m, best_deg,
        highest_ground_m=highest_ground_m, radius_m=observer.radius_m))  # fmt: skip
    count = observer.azimuth_deg.size
    fine = [
        rasters[layer.index].kind == "surface" and rasters[layer.index].cell_size_m <= FINE_CELL_M
        for layer in layers
    ]
    cells = [rasters[layer.index].cell_size_m for layer in layers]
    reach_m = _joined_reach_m(found, cells, count)
    fine_m = _joined_reach_m([p for p, f in zip(found, fine, strict=True) if f],
                             [c for c, f in zip(cells, fine, strict=True) if f], count)  # fmt: skip
    for at, part in enumerate(found):  # a bare or coarse raster set before the fine one speaks in its place
        if not fine[at] and any(fine[at:]):
            np.minimum.at(fine_m, part.known_ray, part.known_from_m)
    return tuple(  # type: ignore[return-value]  # two of them
        np.where(seen_m >= wanted_m, np.inf, np.minimum(seen_m, stop_m))
        for seen_m, wanted_m in ((reach_m, needed_m), (fine_m, np.maximum(needed_m, near_m)))
    )


def _spans(azimuth_deg: Floats) -> Floats:
    """Half-way to the neighbour on each side; not across gaps wider than 5 degrees."""
    count = azimuth_deg.size
    if count < 2:
        return np.column_stack([azimuth_deg, azimuth_deg])
    order = np.argsort(np.mod(azimuth_deg, 360.0), kind="stable")
    ahead = np.empty(count)
    turn = np.mod(azimuth_deg[order], 360.0)
    ahead[order] = np.mod(np.roll(turn, -1) - turn, 360.0)
    behind = np.empty(count)
    behind[order] = np.roll(ahead[order], 1)
    half_ahead = np.where(ahead <= _WIDEST_GAP_DEG, ahead, 0.0) / 2
    half_behind = np.where(behind <= _WIDEST_GAP_DEG, behind, 0.0) / 2
    half_ahead = np.where(ahead <= _WIDEST_GAP_DEG, half_ahead, half_behind)
    half_behind = np.where(behind <= _WIDEST_GAP_DEG, half_behind, half_ahead)
    return np.column_stack([azimuth_deg - half_behind, azimuth_deg + half_ahead])


def ground_at(
    rasters: Sequence[Elevations], latitude_deg: ArrayLike, longitude_deg: ArrayLike
) -> tuple[Floats, Ints]:
    """Ground (or surface) height at places, from the finest raster with data there.

    Parameters
    ----------
    latitude_deg, longitude_deg : broadcast, WGS 84. Places far apart are better asked for one by one

    Returns
    -------
    (...) float metres above the raster's datum, nan where no raster knows
    (...) int, which raster said so, -1 where none
    """
    latitude_deg, longitude_deg = np.broadcast_arrays(
        np.asarray(latitude_deg, float), np.asarray(longitude_deg, float)
    )
    height_m = np.full(latitude_deg.shape, np.nan)
    raster_index = np.full(latitude_deg.shape, -1, np.int64)
    if not latitude_deg.size:
        return height_m, raster_index
    middle = float(latitude_deg.mean()), float(longitude_deg.ravel()[0] + np.mean(
        np.mod(longitude_deg - longitude_deg.ravel()[0] + 180.0, 360.0) - 180.0))  # fmt: skip
    spread_m = geod().inv(
        np.full(latitude_deg.shape, middle[1]),
        np.full(latitude_deg.shape, middle[0]),
        longitude_deg,
        latitude_deg,
    )[2]
    for index, raster in enumerate(rasters):
        if not (wanted := np.isnan(height_m)).any():
            break
        grid = raster.window(*middle, float(np.max(spread_m)) + 3.0 * raster.cell_size_m)
        if grid is None:
            continue
        value = interpolate(grid, *lattice_position(grid, latitude_deg, longitude_deg))
        known = wanted & ~np.isnan(value)
        height_m = np.where(known, value, height_m)
        raster_index = np.where(known, index, raster_index)
    return height_m, raster_index


@dataclass(frozen=True, slots=True, eq=False)
class PathProfile:
    """The ground below one azimuth, for drawing and for reading off.

    distance_m : (n,) along the ground, from 0
    elevation_m : (n,) above the datum; nan where no raster knows
    level_m, rise_m : (n,) the same points in the dish's own plane: along its horizontal, above its centre
    raster : (n,) int, index into names, -1 where unknown
    kinds : "surface" or "bare" of each raster
    radius_m : effective Earth radius used
    """

    azimuth_deg: float
    antenna_elevation_m: float
    radius_m: float
    distance_m: Floats
    elevation_m: Floats
    level_m: Floats
    rise_m: Floats
    raster: Ints
    names: tuple[str, ...]
    kinds: tuple[str, ...]
    notes: tuple[str, ...] = ()


def path_profile(
    rasters: Sequence[Elevations],
    *,
    latitude_deg: float,
    longitude_deg: float,
    antenna_elevation_m: float,
    azimuth_deg: float,
    distance_m: float,
    refraction_factor: float,
) -> PathProfile:
    """The ground along a geodesic, at every lattice line crossed, from the finest raster that has data.

    Unknown stretches keep nan samples (of the coarsest raster, or one at each end), so that they can be drawn as such.
    """
    radius_m = refraction_factor * local_earth_radius_m(latitude_deg, np.array([azimuth_deg]))
    observer = Observer(
        latitude_deg, longitude_deg, antenna_elevation_m, np.array([float(azimuth_deg)]), radius_m
    )
    layers = layers_around(rasters, observer, np.array([float(distance_m)]))
    here_m, here = ground_at(rasters, latitude_deg, longitude_deg)
    along, height, raster_index = [np.zeros(1)], [here_m.reshape(1)], [here.reshape(1)]
    only = np.zeros(1, np.int64)
    for at, layer in enumerate(layers):
        if not layer.paths.length[0] > 0:
            continue
        steps = int(layer.paths.t_at(np.array([[float(distance_m)]]))[0, 0]) + 2
        seen = crossings(layer.grid, layer.paths, 0, min(steps, int(layer.paths.length[0]) + 2))
        wanted = (seen.distance_m <= distance_m) & ~np.isnan(seen.elevation_m)
        for finer in layers[:at]:
            wanted &= ~finer.covers(only, seen.distance_m)
        along.append(seen.distance_m[wanted])
        height.append(seen.elevation_m[wanted])
        raster_index.append(np.full(int(wanted.sum()), layer.index))
    return _laid_out(rasters, observer, layers, along, height, raster_index, float(distance_m))


def _laid_out(
    rasters: Sequence[Elevations], observer: Observer, layers: Sequence[Layer],
    along: list[Floats], height: list[Floats], raster_index: list[Ints], distance_m: float,
) -> PathProfile:  # fmt: skip
    asked = np.linspace(0.0, distance_m, 201)  # where nobody knows, say so at these places
    known = np.zeros((1, asked.size), bool)
    for layer in layers:
        known |= layer.covers(np.zeros(1, np.int64), asked[None, :])
    dark = asked[~known[0] & (asked > 0)]
    along_m = np.concatenate([*along, dark])
    height_m = np.concatenate([*height, np.full(dark.size, np.nan)])
    which = np.concatenate([*raster_index, np.full(dark.size, -1)]).astype(np.int64)
    order = np.argsort(along_m, kind="stable")
    along_m, height_m, which = along_m[order], height_m[order], which[order]
    radius = float(observer.radius_m[0])
    theta = along_m / radius
    return PathProfile(
        azimuth_deg=float(observer.azimuth_deg[0]),
        antenna_elevation_m=observer.antenna_elevation_m,
        radius_m=radius,
        distance_m=along_m,
        elevation_m=height_m,
        level_m=(radius + height_m) * np.sin(theta),
        rise_m=height_m - observer.antenna_elevation_m - 2.0 * (radius + height_m) * np.sin(theta / 2.0) ** 2,
        raster=which,
        names=tuple(raster.name for raster in rasters),
        kinds=tuple(raster.kind for raster in rasters),
        notes=tuple(dict.fromkeys(note for layer in layers for note in layer.grid.notes)),
    )

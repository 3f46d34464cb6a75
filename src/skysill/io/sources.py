"""Elevation rasters of a job: opened, and compared with the elevations that a site file states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.io.elevation.areas import Around
from skysill.io.text import nearest, placed_at, quoted
from skysill.model.job import Job
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M, Mount, Satellite, Site

if TYPE_CHECKING:
    from skysill.io.elevation.allowed_hosts import AllowedHosts

__all__ = [
    "open_listed",
    "open_terrain",
    "refuse_higher",
    "refuse_higher_ground",
    "refuse_implausible_elevations",
    "refuse_outside",
    "split_kind",
    "terrain_area",
    "with_position_error",
]

_LEAST_ELEVATION_DEG = 3.0
"""Lowest ray for which ground of any height is looked for."""

_AREA_SPARE_M = 1000.0  # mounts, stations and obstacles stand around the position
_WIDEST_RADIUS_M = 8.6e6  # effective Earth radius, four thirds, at its longest
_ROUNDING_M = 0.5
_MOST_GROUND_STEP_M = 150.0  # more than the ellipsoid is off any datum of heights
_MOST_SURFACE_M = 300.0
_EXACT_M = 1.0  # a position known better than that is taken as exact
_NEAR_M = 5.0  # a position known worse than that does not tell what stands near


def terrain_area(site: Site, satellites: Sequence[Satellite] = ()) -> Around:
    """The area in which ground of any height could reach a ray from a site to its satellites.

    satellites : none, or one that moves: rays down to 3 degrees are allowed for
    """
    return Around(site.latitude_deg, site.longitude_deg, _reach_m(site, satellites) + _AREA_SPARE_M)


def _reach_m(site: Site, satellites: Sequence[Satellite]) -> float:
    """How far off ground of 8849 m can matter."""
    from skysill.horizon.rays import reach_needed_m
    from skysill.pointing.look_vector import look_angles

    lowest_deg = _LEAST_ELEVATION_DEG if any(one.orbit for one in satellites) or not satellites else 90.0
    for one in satellites:
        if one.longitude_deg is not None:
            look = look_angles(
                site.latitude_deg, site.longitude_deg, 0.0, satellite_longitude_deg=one.longitude_deg
            )
            lowest_deg = min(lowest_deg, float(look.elevation_deg) - 1.0)
    return float(
        reach_needed_m(
            LOWEST_GROUND_M,
            max(lowest_deg, _LEAST_ELEVATION_DEG),
            highest_ground_m=HIGHEST_GROUND_ON_EARTH_M,
            radius_m=_WIDEST_RADIUS_M,
        )
    )


def open_terrain(
    texts: Sequence[str],
    errors_m: Sequence[float] = (),
    *,
    around: Around | None = None,
    hosts: AllowedHosts | None = None,
) -> tuple[Any, ...]:
    """Opened rasters from texts SOURCE, SOURCE:surface or SOURCE:bare (the default), finest first.

    texts : paths, web addresses, or templates of tile names
    errors_m : vertical standard deviation, one for all or one each; empty: each raster's own default
    around : the area they are needed for; None: everywhere
    hosts : web hosts that files may be fetched from; None: none
    """
    split = [split_kind(text) for text in texts]
    with placed_at("--terrain-error"):
        errors = _one_each(errors_m, len(texts))
    further = [{"vertical_error_m": error_m} for error_m in errors]
    return open_listed(
        [path for path, _ in split], [kind for _, kind in split], further, around=around, hosts=hosts
    )


def split_kind(text: str) -> tuple[str, str]:
    """Path and kind of a text SOURCE, SOURCE:surface or SOURCE:bare (the default).

    Raises
    ------
    InputError : an ending that is nearly one of the two
    """
    path, colon, kind = text.rpartition(":")
    if colon and kind in ("surface", "bare") and path:
        return path, kind
    near = nearest(kind, ["surface", "bare"]) if colon and len(path) > 1 and not Path(text).exists() else None
    if near is not None:
        raise InputError(f"{quoted(kind)} is no kind of raster.", where=text, mend=f"Did you mean :{near}?")
    return text, "bare"


def _one_each(values: Sequence[float], count: int) -> list[float | None]:
    if not values:
        return [None] * count
    if len(values) not in (1, count):
        raise InputError(f"{len(values)} values are given for {count} rasters.", mend="Give one each.")
    return [*values] * count if len(values) == 1 else [*values]


def with_position_error(rasters: Sequence[Any], site: Site) -> tuple[Any, ...]:
    """Rasters with the error of the site's own position in theirs.

    Where the position may be off by more than fine cells can tell, they count as cells of that size: what stands
    near is not known then.
    """
    error_m = site.position_error_m
    if error_m < _EXACT_M:
        return tuple(rasters)
    return tuple(
        replace(
            raster,
            facts=replace(
                raster.facts, horizontal_error_m=float(np.hypot(raster.facts.horizontal_error_m, error_m))
            ),
            cell_size_m=max(raster.cell_size_m, error_m) if error_m > _NEAR_M else raster.cell_size_m,
        )
        for raster in rasters
    )


def open_listed(
    paths: Sequence[str | Path],
    kinds: Sequence[str],
    further: Sequence[Mapping[str, Any]],
    *,
    around: Around | None = None,
    hosts: AllowedHosts | None = None,
) -> tuple[Any, ...]:
    """Opened rasters from three lists of one length.

    further : further fields of `RasterSpec` for each
    around : the area they are needed for; None: everywhere
    hosts : web hosts that files may be fetched from; None: none
    """
    if not paths:
        return ()
    from skysill.io.rasters import RasterSpec, open_rasters

    return tuple(
        open_rasters(
            [
                RasterSpec(path, cast(Any, kind), **said)
                for path, kind, said in zip(paths, kinds, further, strict=True)
            ],
            around=around,
            hosts=hosts,
        )
    )


def refuse_higher_ground(
    rasters: Sequence[Any],
    site: Site,
    satellites: Sequence[Satellite],
    highest_ground_m: float | None,
    where: str,
) -> None:
    """Refuse a highest ground that a raster contradicts, as far out as ground of any height could matter.

    Higher ground farther away than ground of the stated height could matter would never be read.

    Raises
    ------
    InputError : a raster holds higher ground
    """
    if highest_ground_m is None or highest_ground_m >= HIGHEST_GROUND_ON_EARTH_M or not rasters:
        return
    reach_m = _reach_m(site, satellites)
    for raster in rasters:
        found_m = raster.highest_m(site.latitude_deg, site.longitude_deg, reach_m)
        refuse_higher(raster.name, found_m, highest_ground_m, where)


def refuse_implausible_elevations(
    rasters: Sequence[Any], site: Site, mounts: Sequence[Mount], shown: str
) -> None:
    """Refuse stated elevations that the rasters make implausible.

    Raises
    ------
    InputError : the site's ground more than 150 m off the rasters', a mount's surface more than 300 m over its ground
        or 150 m below it
    """
    there = [(mount, mount.surface_elevation_m) for mount in mounts if mount.surface_elevation_m is not None]
    if not rasters or (site.ground_elevation_m is None and not there):
        return
    from skysill.horizon.terrain import ground_at

    east_m = np.array([0.0, *(mount.east_m for mount, _ in there)])
    north_m = np.array([0.0, *(mount.north_m for mount, _ in there)])
    latitude_deg, longitude_deg = offset_position(site.latitude_deg, site.longitude_deg, east_m, north_m)
    ground_m, _ = ground_at(rasters, latitude_deg, longitude_deg)
    mend = "Is it in metres, and above the same datum?"
    if (
        site.ground_elevation_m is not None
        and abs(site.ground_elevation_m - ground_m[0]) > _MOST_GROUND_STEP_M
    ):
        raise InputError(
            f"{site.ground_elevation_m:g} m is out of all proportion to the rasters' {ground_m[0]:.0f} m there.",
            where=f"{shown}, ground_elevation_m" if shown else "--ground-elevation",
            mend=mend,
        )
    for (mount, surface_m), under_m in zip(there, ground_m[1:], strict=True):
        if not -_MOST_GROUND_STEP_M <= surface_m - under_m <= _MOST_SURFACE_M and not np.isnan(under_m):
            raise InputError(
                f"{surface_m:g} m is out of all proportion to the ground of {under_m:.0f} m under it.",
                where=f'{shown}, [[mounts]] "{mount.name}", surface_elevation_m',
                mend=mend,
            )


def refuse_higher(name: str, found_m: float, highest_ground_m: float, where: str) -> None:
    """Refuse a highest ground that a raster contradicts by more than its own rounding."""
    if found_m > highest_ground_m + _ROUNDING_M:
        raise InputError(
            f"{highest_ground_m:g} m is lower than ground of {found_m:.0f} m in {name}.",
            where=where,
            mend="Give the height of the highest ground around, or leave it out.",
        )


def refuse_outside(job: Job) -> None:
    """A site that none of the rasters given reaches, and that nobody measured, is a slip rather than a question.

    Raises
    ------
    InputError : the site lies outside every raster, and there are no readings
    """
    site, rasters = job.site, job.sources.rasters
    if not rasters or job.sources.readings is not None:
        return
    if all(r.window(site.latitude_deg, site.longitude_deg, r.cell_size_m) is None for r in rasters):
        raise InputError(
            f"{site.latitude_deg:.5f}, {site.longitude_deg:.5f} lies outside {', '.join(r.name for r in rasters)}.",
            where=f'site "{site.name}"',
            mend="Give a raster that reaches it, or mend the position: are latitude and longitude swapped?",
        )

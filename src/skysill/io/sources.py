"""What stands around a site: rasters opened, obstacles of files and of inline tables stood on the ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from skysill.assessment.placement import place
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.horizon.terrain import LOWEST_GROUND_M
from skysill.io.elevation.areas import Around
from skysill.io.obstacle_keys import ObstacleTable
from skysill.io.obstacle_schema import HEIGHTS, NUMBERS, Feature, Ground, obstacles_of, unique_names
from skysill.io.site_bearings import BearingCorrections, refuse_mixed_bearings
from skysill.io.site_values import given
from skysill.io.text import nearest, placed_at, quoted
from skysill.model.default_errors import OBSTACLE, sighted_error
from skysill.model.job import Job, Sources
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.site import (
    HIGHEST_GROUND_ON_EARTH_M,
    Mount,
    Satellite,
    Site,
)
from skysill.model.survey import Survey
from skysill.units import Floats

if TYPE_CHECKING:
    from skysill.io.elevation.allowed_hosts import AllowedHosts

__all__ = [
    "inline_obstacles",
    "open_listed",
    "open_terrain",
    "plan_of",
    "read_scene",
    "refuse_higher",
    "refuse_higher_ground",
    "refuse_outside",
    "refuse_unlikely",
    "scene_of",
    "stand_on",
    "terrain_area",
]

_LEAST_ELEVATION_DEG = 3.0
"""Lowest ray for which ground of any height is looked for."""

_AREA_SPARE_M = 1000.0  # mounts, stations and obstacles stand around the position
_WIDEST_RADIUS_M = 8.6e6  # effective Earth radius, four thirds, at its longest
_ROUNDING_M = 0.5
_MOST_GROUND_STEP_M = 150.0  # more than the ellipsoid is off any datum of heights
_MOST_SURFACE_M = 300.0


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
    around : the area they are wanted for; None: everywhere
    hosts : that may be asked; None: none
    """
    split = [_split_kind(text) for text in texts]
    with placed_at("--terrain-error"):
        errors = _one_each(errors_m, len(texts))
    further = [{"vertical_error_m": error_m} for error_m in errors]
    return open_listed(
        [path for path, _ in split], [kind for _, kind in split], further, around=around, hosts=hosts
    )


def _split_kind(text: str) -> tuple[str, str]:
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


def open_listed(
    paths: Sequence[str | Path],
    kinds: Sequence[str],
    further: Sequence[Mapping[str, Any]],
    *,
    around: Around | None = None,
    hosts: AllowedHosts | None = None,
) -> tuple[Any, ...]:
    """Opened rasters from three lists of one length.

    further : what else is said of each, as `RasterSpec` has it
    around : the area they are wanted for; None: everywhere
    hosts : that may be asked; None: none
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

    Ground higher than was said, and farther off than ground so low could matter, would never be looked at.

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


def refuse_unlikely(rasters: Sequence[Any], site: Site, mounts: Sequence[Mount], shown: str) -> None:
    """Refuse elevations out of all proportion to the rasters under them.

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


def stand_on(site: Site, rasters: Sequence[Any]) -> Ground:
    """What obstacles stand on: the site's ground, and the bare rasters' rises and falls around it."""
    bare = tuple(raster for raster in rasters if raster.kind == "bare")
    resolved = place(Job(site, (), sources=Sources(rasters=tuple(rasters))), Mount(height_m=0.0)).site
    if resolved.ground_elevation_m is None:
        return Ground(0.0, known=False)
    if not bare:
        return Ground(resolved.ground_elevation_m, known=True)
    from skysill.horizon.terrain import ground_at

    def rise_m(east_m: Floats, north_m: Floats) -> Floats:
        there = offset_position(site.latitude_deg, site.longitude_deg, east_m, north_m)
        heights_m, _ = ground_at(
            bare, np.append(there[0], site.latitude_deg), np.append(there[1], site.longitude_deg)
        )
        return np.asarray(heights_m[:-1] - heights_m[-1])

    return Ground(resolved.ground_elevation_m, known=True, rise_m=rise_m, rise_from=bare[0].name)


def read_scene(path: str | Path, site: Site, *, rasters: Sequence[Any] = (), complete: bool = False) -> Scene:
    """The obstacles of one vector file, standing on the ground around the site.

    Parameters
    ----------
    path : GeoJSON (RFC 7946), or any vector file that GDAL reads
    site : its position is the origin of the plan coordinates
    rasters : give the ground below each obstacle, bare ones first; none: the ground of the site
    complete : somebody states that nothing else stands near

    Returns
    -------
    Scene

    Raises
    ------
    InputError : naming file, feature, field and the mend

    >>> from skysill import Site, read_scene
    >>> scene = read_scene("demo_terrain/clinic_obstacles.geojson", Site("clinic", 58.0312, -24.6541, 41.0))
    >>> len(scene.obstacles), scene.complete
    (52, False)
    """
    from skysill.io.obstacle_files import read_obstacles

    found = read_obstacles(
        path, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, ground=stand_on(site, rasters)
    )
    return scene_of(found, complete=complete)


def scene_of(obstacles: Sequence[Obstacle], *, complete: bool) -> Scene:
    """A scene, its obstacles' notes gathered and said once each."""
    named = unique_names(obstacles)
    notes = dict.fromkeys(note for obstacle in named for note in obstacle.notes)
    return Scene(named, complete=complete, notes=tuple(notes))


def plan_of(door: Any, bearings: BearingCorrections, said: str | None) -> tuple[float, float] | None:
    """East and north of a thing given by either, or by bearing and distance from the site's position.

    said : what its bearing is, as `BearingCorrections` takes it
    """
    flat = door.east_m is not None or door.north_m is not None
    polar = door.bearing_deg is not None or door.distance_m is not None
    if flat and polar:
        raise InputError("east_m, north_m and bearing_deg, distance_m are both given.", mend="Keep one pair.")
    if polar:
        if door.bearing_deg is None or door.distance_m is None:
            raise InputError("bearing_deg and distance_m belong together.", mend="Give both.")
        angle_rad = np.deg2rad(bearings.true_deg(door.bearing_deg, said))
        return float(door.distance_m * np.sin(angle_rad)), float(door.distance_m * np.cos(angle_rad))
    return (door.east_m or 0.0, door.north_m or 0.0) if flat else None


def inline_obstacles(
    tables: Sequence[ObstacleTable], *, bearings: BearingCorrections, ground: Ground, shown: str
) -> tuple[Obstacle, ...]:
    """The [[obstacle]] tables of a site file as shapes; height_m counts from the ground where each stands."""
    features = []
    refuse_mixed_bearings(tables, bearings.survey, shown)
    for number, table in enumerate(tables, start=1):
        where = f"{shown}, [[obstacle]] number {number}" + (f" ({quoted(table.name)})" if table.name else "")
        with placed_at(where):
            features.append(_feature(table, bearings, where, ground))
    return obstacles_of(features, ground)


def _feature(door: ObstacleTable, bearings: BearingCorrections, where: str, ground: Ground) -> Feature:
    numbers = {label: value for label, value in given(door).items() if label in NUMBERS}
    survey, at = bearings.survey, plan_of(door, bearings, door.bearings)
    ways = [at is not None, door.sightings is not None, door.outline is not None, door.line is not None]
    if sum(ways) != 1:
        raise InputError(
            "is placed in no way, or in several.",
            mend="Give one of: east_m and north_m; bearing_deg and distance_m; sightings; outline; line.",
        )
    eye_m, shape = (0.0, 0.0), "point"
    if door.sightings is not None:
        turned = [[east, north, bearings.true_deg(deg, door.bearings)] for east, north, deg in door.sightings]
        at, eye_m = _crossing(turned), (door.sightings[0][0], door.sightings[0][1])
    if at is not None:
        points = [[*at]]
    else:
        shape = "area" if door.outline is not None else "line"
        points = door.outline or door.line or []
        if len({len(point) for point in points}) != 1:
            raise InputError("some vertices have an elevation and some have none.", where=shape)
    if door.inclination_deg is not None:
        if at is None or set(HEIGHTS) & set(numbers):
            raise InputError(
                "serves a thing given by its place and without another height.", where="inclination_deg"
            )
        numbers |= _clinometer(door, at, eye_m, survey, ground)
    errors = OBSTACLE["plan"]
    notes: tuple[str, ...] = ()
    if door.bearing_deg is not None or door.sightings is not None:
        notes = bearings.notes(door.bearings, "obstacles")
    if door.bearing_deg is not None and at is not None:
        errors = sighted_error(
            float(np.hypot(*at)),
            bearing_error_deg=float(
                np.hypot(survey.bearing_error_deg, bearings.correction(door.bearings).sigma_deg)
            ),
            distance_error_m=survey.distance_error_m,
            distance_error_fraction=survey.distance_error_fraction,
            inclination_deg=door.inclination_deg,
            inclination_error_deg=survey.inclination_error_deg,
        )
    return Feature(
        where=where,
        shape=shape,
        points_m=np.array(points, dtype=np.float64),
        holes_m=tuple(np.array(hole) for hole in door.holes),
        name=door.name,
        kind=door.kind,
        crown=door.crown,
        deciduous=door.deciduous,
        numbers=numbers,
        notes=notes,
        errors=errors,
    )


def _clinometer(
    door: ObstacleTable, at: tuple[float, float], eye_m: tuple[float, float], survey: Survey, ground: Ground
) -> dict[str, float]:
    """Height above the site's ground from an angle at a known level distance: eye + s tan(inclination).

    The eye is above the ground where the observer stood.
    """
    eye_up_m = survey.instrument_height_m if door.eye_height_m is None else door.eye_height_m
    away_m = float(np.hypot(at[0] - eye_m[0], at[1] - eye_m[1]))
    if away_m < 0.1:
        raise InputError("needs the thing to stand away from the eye.", where="inclination_deg")
    if ground.rise_m is not None and any(eye_m):
        eye_up_m += float(np.nan_to_num(ground.rise_m(*np.array([eye_m]).T)[0]))
    return {"height_above_site_m": eye_up_m + away_m * float(np.tan(np.deg2rad(door.inclination_deg or 0.0)))}


def _crossing(sightings: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Where two lines of sight cross, each from (east, north) along a true bearing: plane intersection."""
    (east_a, north_a, bearing_a), (east_b, north_b, bearing_b) = sightings
    a_rad, b_rad = np.deg2rad(bearing_a), np.deg2rad(bearing_b)
    turn = float(np.sin(a_rad - b_rad))
    if abs(turn) < np.sin(np.deg2rad(5.0)):
        raise InputError(
            "the two bearings cross at under 5 degrees.",
            where="sightings",
            mend="Sight from places farther apart.",
        )
    step_east, step_north = east_b - east_a, north_b - north_a
    along_a = float(step_north * np.sin(b_rad) - step_east * np.cos(b_rad)) / -turn
    along_b = float(step_north * np.sin(a_rad) - step_east * np.cos(a_rad)) / -turn
    if along_a <= 0.0 or along_b <= 0.0:
        raise InputError(
            "the two bearings meet behind an observer.", where="sightings", mend="Check both bearings."
        )
    return float(east_a + along_a * np.sin(a_rad)), float(north_a + along_a * np.cos(a_rad))

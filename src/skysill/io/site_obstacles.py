"""Obstacles of a site, from vector files and from the site file, placed on their ground."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from skysill.assessment.placement import place
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.io.obstacle_keys import ObstacleTable
from skysill.io.obstacle_schema import HEIGHTS, NUMBERS, Feature, Ground, obstacles_of, unique_names
from skysill.io.site_bearings import BearingCorrections, refuse_mixed_bearings
from skysill.io.site_values import given
from skysill.io.text import placed_at, quoted
from skysill.model.default_errors import OBSTACLE, sighted_error
from skysill.model.job import Job, Sources
from skysill.model.obstacles import Obstacle
from skysill.model.scene import Scene
from skysill.model.site import Mount, Site
from skysill.model.survey import Survey
from skysill.units import Floats

__all__ = ["ground_of", "inline_obstacles", "plan_position", "read_scene", "scene_of"]


def ground_of(site: Site, rasters: Sequence[Any]) -> Ground:
    """The ground that obstacles stand on: the site's, and the rise of the bare rasters around it."""
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
        path,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        ground=ground_of(site, rasters),
    )
    return scene_of(found, complete=complete)


def scene_of(obstacles: Sequence[Obstacle], *, complete: bool) -> Scene:
    """A scene with unique names, and each note of its obstacles once."""
    named = unique_names(obstacles)
    notes = dict.fromkeys(note for obstacle in named for note in obstacle.notes)
    return Scene(named, complete=complete, notes=tuple(notes))


def plan_position(table: Any, bearings: BearingCorrections, kind: str | None) -> tuple[float, float] | None:
    """East and north of a table that gives them, or gives bearing and distance from the site's position.

    kind : of its bearing, as in `BearingCorrections.correction`
    """
    flat = table.east_m is not None or table.north_m is not None
    polar = table.bearing_deg is not None or table.distance_m is not None
    if flat and polar:
        raise InputError("east_m, north_m and bearing_deg, distance_m are both given.", mend="Keep one pair.")
    if polar:
        if table.bearing_deg is None or table.distance_m is None:
            raise InputError("bearing_deg and distance_m belong together.", mend="Give both.")
        angle_rad = np.deg2rad(bearings.true_deg(table.bearing_deg, kind))
        return float(table.distance_m * np.sin(angle_rad)), float(table.distance_m * np.cos(angle_rad))
    return (table.east_m or 0.0, table.north_m or 0.0) if flat else None


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


def _feature(table: ObstacleTable, bearings: BearingCorrections, where: str, ground: Ground) -> Feature:
    numbers = {label: value for label, value in given(table).items() if label in NUMBERS}
    survey, at = bearings.survey, plan_position(table, bearings, table.bearings)
    ways = [at is not None, table.sightings is not None, table.outline is not None, table.line is not None]
    if sum(ways) != 1:
        raise InputError(
            "is placed in no way, or in several.",
            mend="Give one of: east_m and north_m; bearing_deg and distance_m; sightings; outline; line.",
        )
    observer_m, shape = (0.0, 0.0), "point"
    if table.sightings is not None:
        turned = [
            [east, north, bearings.true_deg(deg, table.bearings)] for east, north, deg in table.sightings
        ]
        at, observer_m = _intersection(turned), (table.sightings[0][0], table.sightings[0][1])
    if at is not None:
        points = [[*at]]
    else:
        shape = "area" if table.outline is not None else "line"
        points = table.outline or table.line or []
        if len({len(point) for point in points}) != 1:
            raise InputError("some vertices have an elevation and some have none.", where=shape)
    if table.inclination_deg is not None:
        if at is None or set(HEIGHTS) & set(numbers):
            raise InputError(
                "serves a thing given by its place and without another height.", where="inclination_deg"
            )
        numbers |= _height_from_inclination(table, at, observer_m, survey, ground)
    errors = OBSTACLE["plan"]
    notes: tuple[str, ...] = ()
    if table.bearing_deg is not None or table.sightings is not None:
        notes = bearings.notes(table.bearings, "obstacles")
    if table.bearing_deg is not None and at is not None:
        errors = sighted_error(
            float(np.hypot(*at)),
            bearing_error_deg=float(
                np.hypot(survey.bearing_error_deg, bearings.correction(table.bearings).sigma_deg)
            ),
            distance_error_m=survey.distance_error_m,
            distance_error_fraction=survey.distance_error_fraction,
            inclination_deg=table.inclination_deg,
            inclination_error_deg=survey.inclination_error_deg,
        )
    return Feature(
        where=where,
        shape=shape,
        points_m=np.array(points, dtype=np.float64),
        holes_m=tuple(np.array(hole) for hole in table.holes),
        name=table.name,
        kind=table.kind,
        crown=table.crown,
        deciduous=table.deciduous,
        numbers=numbers,
        notes=notes,
        errors=errors,
    )


def _height_from_inclination(
    table: ObstacleTable,
    at: tuple[float, float],
    observer_m: tuple[float, float],
    survey: Survey,
    ground: Ground,
) -> dict[str, float]:
    """Height above the site's ground from an inclination at a level distance s: instrument height + s tan(inclination).

    The instrument height counts from the ground where the observer stood.
    """
    instrument_height_m = survey.instrument_height_m if table.eye_height_m is None else table.eye_height_m
    away_m = float(np.hypot(at[0] - observer_m[0], at[1] - observer_m[1]))
    if away_m < 0.1:
        raise InputError("needs the thing to stand away from the eye.", where="inclination_deg")
    if ground.rise_m is not None and any(observer_m):
        instrument_height_m += float(np.nan_to_num(ground.rise_m(*np.array([observer_m]).T)[0]))
    return {
        "height_above_site_m": instrument_height_m
        + away_m * float(np.tan(np.deg2rad(table.inclination_deg or 0.0)))
    }


def _intersection(sightings: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Intersection of two lines of sight in the plan, each from (east, north) along a true bearing."""
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

"""Where the dish is, what every source says from there, and whether the azimuths that matter are covered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from skysill.assessment.clearance import NEAREST_M, window_half_deg
from skysill.assessment.placement import CORRELATION_CELLS, Place, PlacedMount, place, surface_at
from skysill.assessment.sampling import OWN_SHARE, Errors, ObstacleErrors, RasterErrors, Unread, Witness
from skysill.assessment.stations import StationHorizon, station_horizons
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position, plan_offset
from skysill.horizon.lattice import Elevations, Grid
from skysill.horizon.raster_sharpness import Blur
from skysill.horizon.roof_surface import OWN_ROOF, with_own_roof
from skysill.horizon.silhouette import Silhouette, Thing, covered
from skysill.model.default_errors import facts_of
from skysill.model.job import Job
from skysill.model.link import Link
from skysill.model.site import HIGHEST_GROUND_ON_EARTH_M
from skysill.pointing.compass import SUN, CompassCorrection, Sighting
from skysill.pointing.look_vector import LookVector
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, local_earth_radius_m, wrap_180, wrap_360

__all__ = [
    "EXACT_MARGIN_DEG",
    "NEAR_TALL_M",
    "Gathered",
    "Place",
    "PlacedMount",
    "blur_at",
    "correction_at",
    "gather",
    "near_reach_m",
    "near_seen",
    "overruled_by",
    "overruled_ground",
    "place",
    "prepared",
    "raster_errors",
    "sought_elevation_deg",
    "stated_errors",
    "stop_elevation_deg",
    "surface_at",
    "terrain_from",
    "uncovered",
    "window_azimuths_deg",
]

NEAR_TALL_M = 30.0
"""Trees and houses are taken to reach no higher than this over the dish: a tall wood. Common practice, no source.

A fine surface raster is near evidence only if it reaches as far as such a thing could stand in the way.
"""

SUN_BEARING_ERROR_DEG = 0.3
"""Of a shadow's line: the sun is half a degree wide and runs a quarter of a degree a minute. Own reasoning."""

_COLUMNS_WITHIN_DEG = 20.0
_DENSE_DEG = 0.1
_WIDE_DEG = 0.5
_STILL_M = 0.01
_REMEMBERED_SLACK_M = 50.0


class Remembered:
    """A source of elevations that keeps the widest window it has read, for asking again from nearby."""

    def __init__(self, source: Elevations) -> None:
        self._source = source
        self._around: tuple[float, float, float] | None = None
        self._grid: Grid | None = None
        self.name, self.kind = source.name, source.kind
        self.cell_size_m, self.vertical_error_m = source.cell_size_m, source.vertical_error_m
        self.facts = facts_of(source)

    def window(self, latitude_deg: float, longitude_deg: float, radius_m: float) -> Grid | None:
        """As the source gives it, out to radius_m or farther."""
        if self._around is not None:
            east_m, north_m = plan_offset(*self._around[:2], latitude_deg, longitude_deg)
            if float(np.hypot(east_m, north_m)) + radius_m <= self._around[2]:
                return self._grid
        radius_m += _REMEMBERED_SLACK_M
        self._around = (latitude_deg, longitude_deg, radius_m)
        self._grid = self._source.window(latitude_deg, longitude_deg, radius_m)
        return self._grid


def prepared(job: Job) -> Job:
    """The same job ready for many questions about one property: rasters are read once, its own roof is an obstacle."""
    rasters = tuple(r if isinstance(r, Remembered) else Remembered(r) for r in job.sources.rasters)
    return with_own_roof(replace(job, sources=replace(job.sources, rasters=rasters)))


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """What every source says from one place.

    terrain, doubtful : terrain columns to be believed, and those only coarse cells saw nearby
    all_round : terrain and obstacles on the azimuths of the profile, for showing
    wanted_m : how far out terrain must be known for the lowest of the rays; 0 without rays
    scene : obstacles today; obstacles : their columns
    correction : what turns the survey's bearings to true ones; None without readings
    stations : the horizon read from each station, carried to the dish
    blur : what fine rasters may have blurred at the columns of `terrain`
    """

    place: Place
    stations: tuple[StationHorizon, ...] = ()
    blur: Blur | None = None
    terrain: Silhouette | None = None
    doubtful: Silhouette | None = None
    obstacles: Silhouette | None = None
    all_round: tuple[Silhouette, ...] = ()
    wanted_m: float = 0.0
    scene: Any | None = None
    notes: tuple[str, ...] = ()
    errors: Errors = field(default_factory=Errors)
    rasters: dict[str, RasterErrors] = field(default_factory=dict)
    correction: CompassCorrection | None = None

    @property
    def silhouettes(self) -> tuple[Silhouette, ...]:
        """All that is to be believed: measured, terrain, obstacles."""
        measured = (station.silhouette for station in self.stations)
        return tuple(s for s in (*measured, self.terrain, self.obstacles) if s is not None)

    @property
    def shown(self) -> tuple[Silhouette, ...]:
        """The same with what stands all round, for pictures and profiles.

        Terrain that ends before ground could no longer reach the lowest of the rays counts as not looked at.
        """
        return tuple(
            s.reaching(self.wanted_m) if s.source == "terrain" else s
            for s in (*self.all_round, *self.silhouettes)
        )

    def witnesses(self, obstacles: Silhouette | None, growth_m: dict[str, float]) -> tuple[Witness, ...]:
        """The same with how their errors hang together; `obstacles` may be the grown ones."""
        found, ground_from = [], self.place.ground_from
        for station in self.stations:
            columns = station.carried.drawn
            found.append(
                Witness(
                    columns.silhouette,
                    columns.anchors,
                    columns.weights,
                    station.step_m,
                    Unread(columns.stretch, columns.along, columns.width_deg, columns.rise_deg),
                )
            )
        if self.terrain is not None:
            found.append(Witness(self.terrain, rasters=self.rasters, ground_from=ground_from, blur=self.blur))
        if obstacles is not None:
            errors = self._obstacle_errors(growth_m)
            found.append(Witness(obstacles, obstacles=errors, rasters=self.rasters, ground_from=ground_from))
        return tuple(found)

    def _obstacle_errors(self, growth_m: dict[str, float]) -> dict[str, ObstacleErrors]:
        """By name; of several obstacles of one name, the widest errors."""
        found: dict[str, ObstacleErrors] = {}
        for o in self.scene.obstacles if self.scene is not None else ():
            mine = ObstacleErrors(
                o.errors.height_m,
                o.errors.along_m,
                o.errors.across_m,
                growth_m.get(o.name, 0.0),
                o.ground_from,
            )
            found[o.name] = mine if o.name not in found else found[o.name].widest(mine)
        return found


def window_azimuths_deg(look: LookVector, link: Link) -> tuple[Floats, Floats]:
    """The azimuths that matter for one ray.

    Returns
    -------
    dense : (n,) 0.1 degree apart, where something `assumed_distance_m` away could take the required room; these
        must be covered. The ray's own azimuth is one of them.
    wide : (m,) 0.5 degree apart, out to where something 2 m away could
    """
    azimuth_deg = 0.0 if look.azimuth_deg is None else look.azimuth_deg
    halves = [
        180.0 if look.azimuth_deg is None else window_half_deg(distance_m, look.elevation_apparent_deg, link)
        for distance_m in (link.assumed_distance_m, NEAREST_M)
    ]
    dense_steps = int(np.ceil(halves[0] / _DENSE_DEG))
    dense = azimuth_deg + np.arange(-dense_steps, dense_steps + 1) * _DENSE_DEG
    wide = (
        azimuth_deg + np.arange(-int(halves[1] / _WIDE_DEG) - 1, int(halves[1] / _WIDE_DEG) + 2) * _WIDE_DEG
    )
    wide = wide[np.abs(wide - azimuth_deg) > halves[0] + _DENSE_DEG]
    if halves[0] >= 180.0:
        dense, wide = azimuth_deg + np.arange(-1800, 1800) * _DENSE_DEG, wide[:0]
    return wrap_360(dense), wrap_360(wide)


def stop_elevation_deg(look: LookVector, at: Place, highest_ground_m: float, link: Link) -> float:
    """The lowest elevation that ground must not reach at the far end: the ray less the room it needs there."""
    rise_m = max(highest_ground_m - at.antenna_elevation_m, 0.0)
    far_m = max(rise_m / np.sin(np.deg2rad(max(look.elevation_apparent_deg, 1.0))), link.assumed_distance_m)
    return look.elevation_apparent_deg - float(room_angle_deg(far_m, link))


EXACT_MARGIN_DEG = 10.0
"""Margins up to this are exact: terrain is followed as far as ground could come so near to the ray."""

_LOWEST_SOUGHT_DEG = 1.0
"""... but no farther than ground could be seen so high."""


def sought_elevation_deg(apparent_deg: ArrayLike, stop_deg: ArrayLike) -> Floats:
    """The elevation, broadcast, down to which ground is looked for: an exact margin below the ray, or its room."""
    return np.minimum(stop_deg, np.maximum(np.asarray(apparent_deg) - EXACT_MARGIN_DEG, _LOWEST_SOUGHT_DEG))


def reach_wanted_m(look: LookVector, at: Place, highest_ground_m: float, link: Link) -> float:
    """How far out somebody must have looked: beyond, ground can no longer come into the required room."""
    from skysill.horizon.terrain import reach_needed_m

    radius_m = link.criteria.refraction_factor * float(
        local_earth_radius_m(at.latitude_deg, look.azimuth_deg or 0.0)
    )
    return float(
        reach_needed_m(
            at.antenna_elevation_m,
            stop_elevation_deg(look, at, highest_ground_m, link),
            highest_ground_m=highest_ground_m,
            radius_m=radius_m,
        )
    )


def gather(
    job: Job,
    at: Place,
    looks: Sequence[LookVector],
    *,
    azimuths_deg: Floats | None = None,
    ground: Silhouette | None = None,
) -> Gathered:
    """Asks every source what it sees from the dish.

    Parameters
    ----------
    looks : the rays to be judged; terrain is followed only as far as ground could reach them
    azimuths_deg : further azimuths on which the whole horizon is wanted (for the profile), None for none
    ground : terrain columns already known, in place of a march
    """
    notes = list(at.notes)
    correction = _correction(job, at)
    stations = station_horizons(job, at, looks, correction)
    if stations and correction is not None:
        notes.extend((*_turn_notes(correction), *correction.notes))
        notes.extend(note for station in stations for note in station.silhouette.notes)
    overruled = partial(overruled_by, stations=stations, job=job) if stations else None
    terrain, doubtful = (ground, None) if ground is not None else terrain_from(job, at, looks, overruled)
    notes.extend(() if terrain is None else terrain.notes)
    obstacles, scene = None, job.sources.scene
    if scene is not None:
        _refuse_inside(scene, at)
        obstacles = scene_columns(scene, at, looks, job)
        notes.extend(obstacles.notes)
    all_round: list[Silhouette] = []
    if azimuths_deg is not None:
        all_round = _all_round(job, at, np.asarray(wrap_360(azimuths_deg)), overruled)
        notes.extend(note for silhouette in all_round for note in silhouette.notes)
    return Gathered(
        place=at,
        stations=stations,
        terrain=terrain,
        blur=blur_at(job, at, terrain),
        doubtful=doubtful,
        obstacles=obstacles,
        all_round=tuple(all_round),
        wanted_m=_farthest_wanted_m(job, at, looks),
        scene=scene,
        notes=tuple(dict.fromkeys(notes)),
        errors=stated_errors(job, correction, at.step_error_m),
        rasters=raster_errors(job),
        correction=correction,
    )


def terrain_from(
    job: Job, at: Place, looks: Sequence[LookVector], overruled: Callable[[Silhouette], Bools] | None
) -> tuple[Silhouette | None, Silhouette | None]:
    """Terrain columns near the rays: those to be believed, and those that only coarse cells saw nearby.

    overruled : which of some columns the measured horizon speaks against
    """
    terrain = _terrain_to_rays(job, at, looks)
    if terrain is None:
        return None, None
    terrain = terrain if overruled is None else terrain.kept(~overruled(terrain))
    assured = np.asarray(terrain.assured)
    return terrain.kept(assured), terrain.kept(~assured)


def raster_errors(job: Job) -> dict[str, RasterErrors]:
    """How each raster errs: its heights, and where it is laid."""
    from skysill.horizon.ray_march import FINE_CELL_M

    found = {}
    for number, raster in enumerate(job.sources.rasters):
        fine = raster.kind == "surface" and raster.cell_size_m <= FINE_CELL_M
        laid_m = facts_of(raster).horizontal_error_m
        alike_m = CORRELATION_CELLS * raster.cell_size_m
        found[raster.name] = RasterErrors(raster.vertical_error_m, alike_m, laid_m, number, fine)
    return found


def blur_at(job: Job, at: Place, terrain: Silhouette | None) -> Blur | None:
    """What fine rasters may have blurred at each of some terrain columns."""
    if terrain is None or not len(terrain):
        return None
    from skysill.horizon.raster_sharpness import blur_of

    return blur_of(terrain, job.sources.rasters, latitude_deg=at.latitude_deg, longitude_deg=at.longitude_deg)


def _farthest_wanted_m(job: Job, at: Place, looks: Sequence[LookVector]) -> float:
    if not at.datum_known:
        return 0.0
    highest_m = job.sources.highest_ground_m
    wanted = [reach_wanted_m(look, at, highest_m, job.link) for look in looks if look.visible]
    return max(wanted, default=0.0)


def _all_round(
    job: Job, at: Place, azimuth_deg: Floats, overruled: Callable[[Silhouette], Bools] | None
) -> list[Silhouette]:
    """Terrain and obstacles as they show on the whole round, less what the measurement overrules."""
    found = []
    terrain = _terrain(job, at, azimuth_deg, None)
    if terrain is not None:
        keep = np.asarray(terrain.assured) if overruled is None else terrain.assured & ~overruled(terrain)
        found.append(terrain.kept(keep))
    if job.sources.scene is not None:
        from skysill.horizon.obstacles import corner_azimuths_deg, scene_silhouette

        scene, dish_m = job.sources.scene, dish_in_scene_m(at)
        cuts = np.append(azimuth_deg, corner_azimuths_deg(scene, dish_m))
        found.append(scene_silhouette(scene, dish_m, azimuth_deg=cuts))
    return found


def dish_in_scene_m(at: Place) -> Floats:
    """(3,) the dish in the scene's frame: east, north, elevation."""
    return np.array([at.mount.east_m, at.mount.north_m, at.antenna_elevation_m])


def _refuse_inside(scene: Any, at: Place) -> None:
    inside = np.flatnonzero(scene.holding(dish_in_scene_m(at))[0])
    if inside.size:
        swallowing = scene.obstacles[inside[0]]
        eaves = (
            " If it hangs under the eaves, list the walls as a building obstacle, inside the roof's outline."
            if swallowing.name == OWN_ROOF
            else ""
        )
        raise InputError(
            f'the dish centre, {at.antenna_elevation_m:.1f} m above the datum, is inside "{swallowing.name}" '
            f"({swallowing.kind}, up to {swallowing.top_elevation_m:.1f} m).",
            where=f'mount "{at.mount.name}"',
            mend=f"Raise or move the mount, or mend the obstacle.{eaves}",
        )


def scene_columns(scene: Any, at: Place, looks: Sequence[LookVector], job: Job) -> Silhouette:
    """The obstacles as columns on the azimuths that matter to the rays: dense, wide, and at every corner there."""
    from skysill.horizon.obstacles import corner_azimuths_deg, near_rays, scene_silhouette

    dish_m = dish_in_scene_m(at)
    scene = near_rays(
        scene,
        dish_m,
        [look.azimuth_deg or 0.0 for look in looks],
        [look.elevation_apparent_deg for look in looks],
        link=job.link,
        within_deg=_COLUMNS_WITHIN_DEG,
    )
    corners = corner_azimuths_deg(scene, dish_m)
    wanted = [np.zeros(0)]
    for look in looks:
        dense, wide = window_azimuths_deg(look, job.link)
        half_deg = float(np.abs(wrap_180(np.append(wide, dense) - (look.azimuth_deg or 0.0))).max())
        wanted += [dense, wide, corners[np.abs(wrap_180(corners - (look.azimuth_deg or 0.0))) < half_deg]]
    return scene_silhouette(scene, dish_m, azimuth_deg=np.concatenate(wanted))


def _correction(job: Job, at: Place) -> CompassCorrection | None:
    """What turns the readings to true north; None without readings."""
    return None if job.sources.readings is None else correction_at(job, at)


def correction_at(job: Job, at: Place) -> CompassCorrection:
    """What turns bearings of the survey's compass to true ones: landmarks and sun sighted, else what it states."""
    from skysill.pointing.compass import survey_correction

    survey = job.sources.survey
    latitude_deg, longitude_deg = offset_position(
        at.site.latitude_deg, at.site.longitude_deg, survey.east_m, survey.north_m
    )
    return survey_correction(
        survey if survey.date is not None else replace(survey, date=job.date),
        job.sources.landmarks,
        latitude_deg=float(latitude_deg),
        longitude_deg=float(longitude_deg),
        height_m=at.site.ground_elevation_m or 0.0,
        further=_sun_seen(job, float(latitude_deg), float(longitude_deg), at.site.ground_elevation_m or 0.0),
    )


def _turn_notes(correction: CompassCorrection) -> tuple[str, ...]:
    if correction.source == "true":
        return ()
    by = {"declination": "the magnetic model", "reference": "the reference bearing"}.get(correction.source)
    return (
        f"The readings' bearings are turned by {correction.correction_deg:+.1f} degrees to true north, by "
        f"{by or 'what was sighted'}.",
    )


def _sun_seen(job: Job, latitude_deg: float, longitude_deg: float, height_m: float) -> tuple[Sighting, ...]:
    """The sun's true azimuths against what the compass showed of its shadows, turned about."""
    seen = job.sources.sun_sightings
    if not seen:
        return ()
    from skysill.pointing.sun import sun_direction

    true = sun_direction([s.time_utc for s in seen], latitude_deg, longitude_deg, height_m)
    found = []
    for sighting, azimuth_deg, elevation_deg in zip(seen, true.azimuth_deg, true.elevation_deg, strict=True):
        if elevation_deg <= 0.0:
            raise InputError(
                f"the sun was {-elevation_deg:.1f} degrees below the horizon at "
                f"{sighting.time_utc:%Y-%m-%d %H:%M} UTC.",
                where="sun_sightings",
                mend="Give the time in UTC, or with its zone.",
            )
        reading_deg = float(wrap_360(sighting.shadow_bearing_deg + 180.0))
        name = f"{SUN} at {sighting.time_utc:%H:%M} UTC"
        found.append(Sighting(name, float(azimuth_deg), reading_deg, SUN_BEARING_ERROR_DEG))
    return tuple(found)


def _terrain_to_rays(job: Job, at: Place, looks: Sequence[LookVector]) -> Silhouette | None:
    """Terrain on the azimuths that matter for each ray, as far out as ground could come within an exact margin."""
    asked: dict[float, float] = {}
    near_m = 0.0
    for look in looks:
        if look.elevation_apparent_deg <= 0.0:
            continue
        stop_deg = stop_elevation_deg(look, at, job.sources.highest_ground_m, job.link)
        near_m = max(near_m, near_reach_m(stop_deg))
        stop_deg = float(sought_elevation_deg(look.elevation_apparent_deg, stop_deg))
        for azimuth in np.concatenate(window_azimuths_deg(look, job.link)):
            key = float(azimuth)
            asked[key] = min(asked.get(key, 90.0), stop_deg)
    azimuth_deg = np.array(sorted(asked))
    return _terrain(job, at, azimuth_deg, np.array([asked[float(a)] for a in azimuth_deg]), near_m)


def near_reach_m(stop_deg: float) -> float:
    """How far out something as tall as trees and houses may be could come into a ray's room."""
    return float(NEAR_TALL_M / np.tan(np.deg2rad(max(stop_deg, 0.5))))


def _terrain(
    job: Job, at: Place, azimuth_deg: Floats, ray_elevation_deg: Floats | None, near_m: float = 0.0
) -> Silhouette | None:
    if not job.sources.rasters or not at.datum_known or not azimuth_deg.size:
        return None
    from skysill.horizon.terrain import terrain_silhouette

    return terrain_silhouette(
        job.sources.rasters,
        latitude_deg=at.latitude_deg,
        longitude_deg=at.longitude_deg,
        antenna_elevation_m=at.antenna_elevation_m,
        azimuth_deg=azimuth_deg,
        ray_elevation_deg=ray_elevation_deg,
        highest_ground_m=job.sources.highest_ground_m,
        refraction_factor=job.criteria.refraction_factor,
        near_m=near_m,
    )


def overruled_ground(
    job: Job, at: Place, azimuth_deg: Floats, elevation_deg: Floats, distance_m: Floats
) -> Bools:
    """(n,) whether points of ground, given as seen from the dish, are overruled by the measured horizon."""
    stations = station_horizons(job, at, (), _correction(job, at), hidden=False)
    if not stations:
        return np.zeros(np.shape(azimuth_deg), dtype=bool)
    ground = Silhouette(
        "terrain",
        azimuth_deg,
        elevation_deg,
        distance_m,
        (Thing("ground", "ground", "terrain"),),
        np.zeros(1, dtype=int),
    )
    return overruled_by(ground, stations=stations, job=job)


def overruled_by(
    terrain: Silhouette, *, stations: Sequence[StationHorizon], job: Job, grown_m: float = 0.0
) -> Bools:
    """Terrain columns that some station speaks against; see `StationHorizon.overrules`."""
    gap_deg = job.sources.survey.max_gap_deg
    found = np.zeros(len(terrain), dtype=bool)
    for station in stations:
        found |= station.overrules(terrain, max_gap_deg=gap_deg, grown_m=grown_m)
    return found


def uncovered(gathered: Gathered, look: LookVector, job: Job) -> str | None:
    """Why the azimuths that matter are not covered, in a sentence; None when they are."""
    at, highest_m = gathered.place, job.sources.highest_ground_m
    dense, _ = window_azimuths_deg(look, job.link)
    spoken = np.zeros(dense.shape, dtype=bool)
    for station in gathered.stations:
        spoken |= covered(station.silhouette, dense)
    if spoken.all():
        return None
    wanted_m = reach_wanted_m(look, at, highest_m, job.link) if at.datum_known else np.inf
    if gathered.terrain is not None:
        spoken |= covered(gathered.terrain, dense, reach_m=wanted_m)
    if spoken.all():
        return None
    missing = dense[~spoken]
    where = f"between azimuth {missing[0]:.0f} and {missing[-1]:.0f} degrees"
    if missing.size > 3500:
        where = "all round"
    if gathered.terrain is None:
        return (
            f"Nobody has looked {where}: no reading and no elevation raster speaks for it. Measure the horizon there "
            "(type --horizon FILE), or give a raster (type --terrain FILE)."
        )
    reach_m = _shortest_reach_m(gathered.terrain, missing)
    if reach_m <= 0.0:
        return (
            f"Nobody has looked {where}: the rasters have no data at the site and no reading speaks for it. Measure "
            "the horizon there (type --horizon FILE), or give a raster that covers the site (type --terrain FILE)."
        )
    lower = ""
    if highest_m >= HIGHEST_GROUND_ON_EARTH_M:
        lower = (
            " Nobody said how high the ground around is: say what it does not exceed (type highest_ground_m under "
            "[terrain], or --highest-ground)."
        )
    return (
        f"The elevation rasters end or have a hole {_km(reach_m)} out {where}, but ground of up to {highest_m:.0f} m "
        f"could reach the line as far out as {_km(wanted_m)}, and no reading speaks for it.{lower}"
    )


def _km(metres: float) -> str:
    return f"{metres / 1000.0:.1f} km" if metres >= 1000.0 else f"{metres:.0f} m"


def _shortest_reach_m(terrain: Silhouette, azimuth_deg: Floats) -> float:
    least = np.inf
    for (start, stop), reach_m in zip(terrain.covered_deg, np.asarray(terrain.reach_m), strict=True):
        if (np.mod(azimuth_deg - start, 360.0) <= stop - start + 1e-7).any():
            least = min(least, float(reach_m))
    return 0.0 if np.isinf(least) else least


def near_seen(gathered: Gathered, look: LookVector, job: Job) -> bool:
    """Whether near evidence exists over all azimuths that matter."""
    if gathered.scene is not None and gathered.scene.complete:
        return True
    dense, _ = window_azimuths_deg(look, job.link)
    seen = np.zeros(dense.shape, dtype=bool)
    for station in gathered.stations:
        seen |= covered(station.silhouette, dense)
    if gathered.terrain is not None and not seen.all():
        stop_deg = stop_elevation_deg(look, gathered.place, job.sources.highest_ground_m, job.link)
        seen |= covered(gathered.terrain, dense, reach_m=near_reach_m(stop_deg), fine=True)
    return bool(seen.all())


def stated_errors(job: Job, correction: CompassCorrection | None, step_error_m: float) -> Errors:
    """The errors as the survey states them. A compass tied to landmarks or the sun keeps only its scatter."""
    survey = job.sources.survey
    bearing_deg = survey.bearing_error_deg
    if correction is not None:
        scatter_deg = bearing_deg * (OWN_SHARE if correction.source in ("landmarks", "sun") else 1.0)
        bearing_deg = float(np.hypot(scatter_deg, correction.sigma_deg))
    return Errors(
        bearing_deg=bearing_deg,
        inclination_deg=survey.inclination_error_deg,
        distance_fraction=survey.distance_error_fraction,
        distance_m=survey.distance_error_m,
        position_m=survey.position_error_m,
        height_m=float(np.hypot(survey.height_error_m, step_error_m)),
    )

"""Where the dish is, what every source says from there, and whether the azimuths that matter are covered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from skysill.assessment.error_model import (
    Errors,
    ObstacleErrors,
    RasterErrors,
    UncertainSilhouette,
    Unread,
)
from skysill.assessment.job_context import JobContext
from skysill.assessment.placement import (
    CORRELATION_CELLS,
    Place,
    PlacedMount,
    dish_in_scene_m,
    place,
    surface_at,
)
from skysill.assessment.sampling import INDEPENDENT_SHARE
from skysill.assessment.search_window import (
    near_reach_m,
    reach_wanted_m,
    sought_elevation_deg,
    stop_elevation_deg,
    window_azimuths_deg,
)
from skysill.assessment.stations import StationHorizon, station_horizons
from skysill.errors import InputError
from skysill.horizon.raster_sharpness import Blur
from skysill.horizon.roof_surface import OWN_ROOF
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.default_errors import facts_of
from skysill.model.job import Job
from skysill.model.scene import Scene
from skysill.pointing.compass import CompassCorrection
from skysill.pointing.look_vector import LookVector
from skysill.units import Bools, Floats, wrap_180, wrap_360

__all__ = [
    "Evidence",
    "Place",
    "PlacedMount",
    "blur_at",
    "gather_evidence",
    "overruled_by",
    "overruled_ground",
    "place",
    "raster_errors",
    "stated_errors",
    "surface_at",
    "terrain_from",
]


_COLUMNS_WITHIN_DEG = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What every source says from one place.

    terrain, unreliable : reliable terrain columns, and those that only coarse cells show nearby
    all_round : terrain and obstacles on the azimuths of the profile, for showing
    wanted_m : how far out terrain must be known for the lowest of the rays; 0 without rays
    scene : obstacles today; obstacles : their columns
    correction : what turns the survey's bearings to true ones; None without readings
    stations : the horizon read from each station, shifted to the dish
    blur : what fine rasters may have blurred at the columns of `terrain`
    """

    place: Place
    stations: tuple[StationHorizon, ...] = ()
    blur: Blur | None = None
    terrain: Silhouette | None = None
    unreliable: Silhouette | None = None
    obstacles: Silhouette | None = None
    all_round: tuple[Silhouette, ...] = ()
    wanted_m: float = 0.0
    scene: Scene | None = None
    notes: tuple[str, ...] = ()
    errors: Errors = field(default_factory=Errors)
    rasters: dict[str, RasterErrors] = field(default_factory=dict)
    correction: CompassCorrection | None = None

    @property
    def silhouettes(self) -> tuple[Silhouette, ...]:
        """The reliable ones: measured, terrain, obstacles."""
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

    def uncertain_silhouettes(
        self, obstacles: Silhouette | None, growth_m: dict[str, float]
    ) -> tuple[UncertainSilhouette, ...]:
        """The same with how the errors of each depend on each other; `obstacles` may be the grown ones."""
        found, ground_from = [], self.place.ground_from
        for station in self.stations:
            columns = station.shifted.drawn
            found.append(
                UncertainSilhouette(
                    columns.silhouette,
                    columns.anchors,
                    columns.weights,
                    station.step_m,
                    Unread(columns.stretch, columns.along, columns.width_deg, columns.rise_deg),
                )
            )
        if self.terrain is not None:
            found.append(
                UncertainSilhouette(
                    self.terrain, rasters=self.rasters, ground_from=ground_from, blur=self.blur
                )
            )
        if obstacles is not None:
            errors = self._obstacle_errors(growth_m)
            found.append(
                UncertainSilhouette(
                    obstacles, obstacles=errors, rasters=self.rasters, ground_from=ground_from
                )
            )
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


def gather_evidence(
    job: Job,
    at: Place,
    looks: Sequence[LookVector],
    *,
    context: JobContext,
    azimuths_deg: Floats | None = None,
    ground: Silhouette | None = None,
) -> Evidence:
    """What every source says, seen from the dish.

    Parameters
    ----------
    context : of the work on this job
    looks : the rays to be judged; terrain is followed only as far as ground could reach them
    azimuths_deg : further azimuths on which the whole horizon is wanted (for the profile), None for none
    ground : terrain columns already known, in place of a march
    """
    notes = list(at.notes)
    correction = context.compass_correction(job, at.site)
    stations = station_horizons(job, at, looks, correction)
    if stations and correction is not None:
        notes.extend((*_turn_notes(correction), *correction.notes))
        notes.extend(note for station in stations for note in station.silhouette.notes)
    overruled = partial(overruled_by, stations=stations, job=job) if stations else None
    terrain, unreliable = (ground, None) if ground is not None else terrain_from(job, at, looks, overruled)
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
    return Evidence(
        place=at,
        stations=stations,
        terrain=terrain,
        blur=blur_at(job, at, terrain),
        unreliable=unreliable,
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
    """Terrain columns near the rays: the reliable ones, and those that only coarse cells show nearby.

    overruled : which of some columns the measured horizon speaks against
    """
    terrain = _terrain_to_rays(job, at, looks)
    if terrain is None:
        return None, None
    terrain = terrain if overruled is None else terrain.kept(~overruled(terrain))
    reliable = np.asarray(terrain.reliable)
    return terrain.kept(reliable), terrain.kept(~reliable)


def raster_errors(job: Job) -> dict[str, RasterErrors]:
    """Standard errors of each raster: of its heights, and of its position in plan."""
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
        keep = np.asarray(terrain.reliable) if overruled is None else terrain.reliable & ~overruled(terrain)
        found.append(terrain.kept(keep))
    if job.sources.scene is not None:
        from skysill.horizon.scene_silhouette import corner_azimuths_deg, scene_silhouette

        scene, dish_m = job.sources.scene, dish_in_scene_m(at)
        cuts = np.append(azimuth_deg, corner_azimuths_deg(scene, dish_m))
        found.append(scene_silhouette(scene, dish_m, azimuth_deg=cuts))
    return found


def _refuse_inside(scene: Scene, at: Place) -> None:
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


def scene_columns(scene: Scene, at: Place, looks: Sequence[LookVector], job: Job) -> Silhouette:
    """The obstacles as columns on the azimuths that matter to the rays: dense, wide, and at every corner there."""
    from skysill.horizon.scene_clearance import near_rays
    from skysill.horizon.scene_silhouette import corner_azimuths_deg, scene_silhouette

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


def _turn_notes(correction: CompassCorrection) -> tuple[str, ...]:
    if correction.source == "true":
        return ()
    by = {"declination": "the magnetic model", "reference": "the reference bearing"}.get(correction.source)
    return (
        f"The readings' bearings are turned by {correction.correction_deg:+.1f} degrees to true north, by "
        f"{by or 'what was sighted'}.",
    )


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
    job: Job,
    at: Place,
    correction: CompassCorrection | None,
    azimuth_deg: Floats,
    elevation_deg: Floats,
    distance_m: Floats,
) -> Bools:
    """(n,) whether points of ground, given as seen from the dish, are overruled by the measured horizon.

    correction : of the survey's compass
    """
    stations = station_horizons(job, at, (), correction, hidden=False)
    if not stations:
        return np.zeros(np.shape(azimuth_deg), dtype=bool)
    ground = Silhouette(
        "terrain",
        azimuth_deg,
        elevation_deg,
        distance_m,
        (Feature("ground", "ground", "terrain"),),
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


def stated_errors(job: Job, correction: CompassCorrection | None, step_error_m: float) -> Errors:
    """The errors as the survey states them. A compass tied to landmarks or the sun keeps only its scatter."""
    survey = job.sources.survey
    bearing_deg = survey.bearing_error_deg
    if correction is not None:
        scatter_deg = bearing_deg * (INDEPENDENT_SHARE if correction.source in ("landmarks", "sun") else 1.0)
        bearing_deg = float(np.hypot(scatter_deg, correction.sigma_deg))
    return Errors(
        bearing_deg=bearing_deg,
        inclination_deg=survey.inclination_error_deg,
        distance_fraction=survey.distance_error_fraction,
        distance_m=survey.distance_error_m,
        position_m=survey.position_error_m,
        height_m=float(np.hypot(survey.height_error_m, step_error_m)),
    )

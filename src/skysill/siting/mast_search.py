"""How high a dish must stand at every spot of a roof: the least height at which the required room is there.

What is found is what `assess` finds of each spot, at steps of 0.05 m: the obstacles exactly, the measured horizon as
it looks from there, and the ground from each spot's own profiles. Certainty is asked afterwards, in `mast_choice`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from skysill.assessment.clearance import column_rooms
from skysill.assessment.growth import grown_stations, with_grown_rasters
from skysill.assessment.job_context import JobContext
from skysill.assessment.pipeline import look_vectors
from skysill.assessment.placement import Place, place
from skysill.assessment.search_window import window_azimuths_deg
from skysill.assessment.stations import StationHorizon, station_horizons
from skysill.errors import InputError
from skysill.horizon.scene_clearance import least_room
from skysill.horizon.silhouette import Silhouette
from skysill.model.job import Job
from skysill.model.scene import Scene
from skysill.model.site import Mount, Terminal
from skysill.pointing.compass import CompassCorrection
from skysill.pointing.look_vector import LookVector
from skysill.remedies.standing_room import standing
from skysill.siting.ground_profiles import GroundProfiles
from skysill.siting.profile_builder import ground_profiles
from skysill.siting.spots import Spots, spots
from skysill.units import Floats, Ints, wrap_180

__all__ = [
    "DEFAULT_MAX_HEIGHT_M",
    "RIM_GAP_M",
    "STEP_M",
    "Searched",
    "SpotRoom",
    "least_practical_m",
    "mast_heights_m",
    "mount_at",
    "search",
    "searched_room",
]

DEFAULT_MAX_HEIGHT_M = 6.0
"""Tallest mast looked at where nobody says otherwise: taller ones want guys. Common practice, no source."""

RIM_GAP_M = 0.1
"""The lowest practical mast keeps the dish's rim this far off the surface: common practice, no source."""

STEP_M = 0.05
"""Step of the heights."""

_DOUBT_M = 6.0
"""Ground so near to the required room may matter to certainty: errors of place, height and raster, and what a raster's
cells may have lost of a thin top.
"""

_SURELY_FREE_DEG = 0.5
"""Spare room that readings seen without a column at the ray's own azimuth must leave, so as not to be asked again."""

_BESIDE_DEG = 90.0
"""Readings farther aside than this leave the room of a ray that does not stand high."""


@dataclass(frozen=True, slots=True, eq=False)
class Searched:
    """Every spot of a search.

    spots : where
    least_height_m : (spot, satellite) least height that leaves the required room, nan where none does
    all_height_m : (spot,) the same for all satellites from one height
    heights_m : (height,) that were looked at
    """

    spots: Spots
    least_height_m: Floats
    all_height_m: Floats
    heights_m: Floats


def mast_heights_m(job: Job, max_height_m: float | None = None) -> Floats:
    """(height,) heights of the dish centre over its surface that are looked at, rising.

    Those of the mast kits, where kits are given; else steps of 0.05 m from the lowest practical one (half the dish and
    `RIM_GAP_M`) to the tallest: `max_height_m`, or `DEFAULT_MAX_HEIGHT_M`.
    """
    tallest = DEFAULT_MAX_HEIGHT_M if max_height_m is None else max_height_m
    lowest = least_practical_m(job.terminal)
    masts = [kit for kit in job.mast_kits if kit.stand_off_m is None]
    if masts:
        heights = np.unique(np.concatenate([kit.heights_m for kit in masts]))
        fit = heights[(heights >= lowest - 1e-9) & (heights <= tallest + 1e-9)]
        if not fit.size:
            raise InputError(
                f"no mast kit has a height from {lowest:g} m, where the dish's rim clears the roof, to {tallest:g} m.",
                where="[[mast_kits]], heights_m",
                mend="Name another kit, or a larger --max-height.",
            )
        return np.asarray(fit)
    first = np.ceil(lowest / STEP_M - 1e-6) * STEP_M
    steps = np.arange(first, tallest + 1e-9, STEP_M)
    return (steps if steps.size else np.array([tallest])).round(6)


def least_practical_m(terminal: Terminal) -> float:
    """The lowest dish centre over a surface whose rim still clears it."""
    return terminal.dish_diameter_m / 2.0 + RIM_GAP_M


def mount_at(grid: Spots, at: int, height_m: float, max_height_m: float | None = None) -> Mount:
    """One spot of a grid as a mount, named by its place."""
    east_m, north_m = float(grid.east_m[at]), float(grid.north_m[at])
    return Mount(
        name=f"spot {abs(east_m):.1f} {'E' if east_m >= 0 else 'W'} {abs(north_m):.1f} {'N' if north_m >= 0 else 'S'}",
        east_m=east_m,
        north_m=north_m,
        height_m=height_m,
        surface_elevation_m=float(grid.surface_elevation_m[at]),
        surface_source=grid.source[at],
        max_height_m=max_height_m,
    )


class SpotRoom:
    """The room of every spot at every height, worked out where it is asked for.

    job : prepared; context : of the work on it
    mounts : one a spot, at its lowest height
    heights_m : (spot, height) rising, inf where a spot has fewer than others
    foot_m : (spot, 3)
    looks : (spot, look); satellite_of : (look,) which satellite each look belongs to
    usable : (spot,) how many of the heights are to be looked at
    """

    def __init__(
        self,
        job: Job,
        mounts: Sequence[Mount],
        heights_m: Floats,
        usable: Ints | None = None,
        *,
        context: JobContext,
    ) -> None:
        self.job, self.context = job, context
        self.heights_m = np.broadcast_to(np.atleast_2d(heights_m), (len(mounts), np.shape(heights_m)[-1]))
        self.mounts = [
            replace(mount, height_m=float(self.heights_m[at, 0])) for at, mount in enumerate(mounts)
        ]
        self.places = [place(job, mount) for mount in self.mounts]
        stands = [(p.mount.east_m, p.mount.north_m, p.mount.surface_elevation_m) for p in self.places]
        self.foot_m = np.array(stands, dtype=np.float64).reshape(-1, 3)
        looks = [[look_vectors(job, at, s) for s in job.satellites] for at in self.places]
        self.satellite_of = np.array(
            [k for k, group in enumerate(looks[0]) for _ in group] if looks else [], dtype=int
        )
        self.looks = [tuple(look for group in groups for look in group) for groups in looks]
        self.usable = np.isfinite(self.heights_m).sum(axis=1) if usable is None else usable
        scene: Scene | None = job.sources.scene
        self._scenes: tuple[Scene, ...] = ()
        if scene is not None:
            years, grows = job.criteria.years_ahead, any(o.growth_m_per_year for o in scene.obstacles)
            self._scenes = (scene,)
            if years and grows:  # what does not grow is in the grown scene as well
                growing = tuple(o for o in scene.obstacles if o.growth_m_per_year)
                self._scenes = (scene.grown(years), replace(scene, obstacles=growing))
        self._uncertain_ground: dict[int, GroundProfiles] = {}
        self._grown: dict[int, GroundProfiles | None] = {}
        self._readings_from = self._first_past_readings()

    def __len__(self) -> int:
        return len(self.mounts)

    def mount(self, spot: int, at: int) -> Mount:
        """A spot's mount at one of its heights."""
        return replace(self.mounts[spot], height_m=float(self.heights_m[spot, at]))

    def place_at(self, spot: int, at: int) -> Place:
        """A spot's place with its dish at one of its heights."""
        up_m = float(self.heights_m[spot, at] - self.heights_m[spot, 0])
        lowest = self.places[spot]
        return replace(
            lowest,
            mount=replace(lowest.mount, height_m=float(self.heights_m[spot, at])),
            antenna_elevation_m=lowest.antenna_elevation_m + up_m,
            from_instrument_m=_raised(lowest.from_instrument_m, up_m),
        )

    @cached_property
    def solved(self) -> tuple[Ints, Ints]:
        """(spot, satellite) and (spot,) first heights with the room, for each satellite and for all together."""
        each = [self.least_index(self.looks_of([k])) for k in range(len(self.job.satellites))]
        table = np.stack(each, axis=1)
        return table, self.least_index(np.arange(self.satellite_of.size), table.max(axis=1))

    @cached_property
    def profiles(self) -> GroundProfiles:
        """The ground around every spot that could take the room."""
        return ground_profiles(self.job, self.places, self.looks, self.correction)

    def _grown_profiles(self, spot: int) -> GroundProfiles | None:
        """The ground around one spot after growth; None where no raster grows."""
        if spot not in self._grown:
            then = with_grown_rasters(self.job, self.places[spot])
            self._grown[spot] = (
                None
                if then is None
                else ground_profiles(then, [self.places[spot]], [self.looks[spot]], self.correction)
            )
        return self._grown[spot]

    def uncertain_ground(self, spot: int, look: int, at: int, *, alone: bool = False) -> Silhouette:
        """The ground around one spot that bears on certainty, seen from one of its heights.

        alone : only on the azimuths that are followed for this look; else on those of all looks
        """
        if spot not in self._uncertain_ground:
            self._uncertain_ground[spot] = ground_profiles(
                self.job, [self.places[spot]], [self.looks[spot]], self.correction, doubt_m=_DOUBT_M
            )
        antenna_m = float(self.foot_m[spot, 2] + self.heights_m[spot, at])
        seen = self._uncertain_ground[spot].columns(0, look, antenna_m)
        if not alone or len(self.satellite_of) == 1:
            return seen
        own = np.concatenate(window_azimuths_deg(self.looks[spot][look], self.job.link))
        return seen.kept(np.isin(np.round(seen.azimuth_deg, 6), np.round(own, 6)))

    def looks_of(self, satellites: Sequence[int]) -> Ints:
        """Which looks belong to some satellites."""
        return np.flatnonzero(np.isin(self.satellite_of, satellites))

    def index_of(self, spot: int, height_m: float) -> int:
        """Which of a spot's heights that is."""
        return int(np.abs(self.heights_m[spot] - height_m).argmin())

    def next_index(self, spot: int, looks: Ints, start: int) -> int:
        """One spot's first height from `start` on with the room for some looks; its `usable` where there is none."""
        at = np.full(len(self), self.heights_m.shape[1])
        at[spot] = start
        return min(int(self.least_index(looks, at)[spot]), int(self.usable[spot]))

    def least_index(self, looks: Ints, start: Ints | None = None) -> Ints:
        """(spot,) the first height, from `start` on, at which every one of some looks has the required room.

        The number of heights where there is none. Under an overhang there may be room below and above it and none
        between: the lowest counts.
        """
        count, none = len(self), self.heights_m.shape[1]
        at = np.zeros(count, dtype=int) if start is None else np.array(start)
        for spot in np.flatnonzero(at < self.usable):
            if not all(self.looks[spot][k].visible for k in looks):
                at[spot] = none
        ask = np.flatnonzero(at < self.usable)
        while ask.size:  # ground and obstacles by turns, until both are content with the same height
            before = at[ask].copy()
            for spot in ask:
                at[spot] = self._past_ground_and_readings(int(spot), looks, int(at[spot]))
            climbing = ask[at[ask] < self.usable[ask]]
            while climbing.size:
                step = self._past_obstacles(climbing, looks, at[climbing])
                at[climbing] += step
                climbing = climbing[(step > 0) & (at[climbing] < self.usable[climbing])]
            ask = ask[(at[ask] != before) & (at[ask] < self.usable[ask])]
        at[at >= self.usable] = none
        return at

    def _past_ground_and_readings(self, spot: int, looks: Ints, start: int) -> int:
        last = int(self.usable[spot])
        at = max(start, *(int(self._readings_from[spot, look]) for look in looks))
        antenna_m = self.foot_m[spot, 2] + self.heights_m[spot, :last]
        moved = True
        while moved and at < last:
            before = at
            for look in looks:
                at = self.profiles.least_index(spot, int(look), antenna_m, at)
                grown = self._grown_profiles(spot)
                if grown is not None:
                    at = grown.least_index(0, int(look), antenna_m, at)
            moved = at != before and looks.size > 1
        return at

    def _first_past_readings(self) -> Ints:
        """(spot, look) the first height at which the measured horizon leaves the room, taking it that it sinks."""
        found = np.zeros((len(self), self.satellite_of.size), dtype=int)
        if self.job.sources.readings is None:
            return found
        for spot in np.flatnonzero(self.usable > 0):
            rays = self.looks[spot]
            rough = _silhouettes(self._stations_seen(int(spot), rays))
            for look, ray in enumerate(rays):
                if self._least_spare_deg(rough, ray) > _SURELY_FREE_DEG:
                    continue
                seen = self._stations_seen(int(spot), [ray])
                if self._least_spare_deg(_silhouettes(seen), ray) < 0.0:
                    found[spot, look] = self._past_readings(int(spot), look, seen)
        return found

    def _past_readings(self, spot: int, look: int, lowest: Sequence[StationHorizon]) -> int:
        """Estimated from the columns seen from the lowest height, lowered; then checked one height above and below."""
        ray, last = self.looks[spot][look], int(self.usable[spot])
        seen = _silhouettes(lowest)

        def up_m(at: int) -> float:
            return float(self.heights_m[spot, at] - self.heights_m[spot, 0])

        def short(at: int) -> bool:
            raised = [one.raised(self.job, up_m(at), [ray]) for one in lowest]
            return self._least_spare_deg(_silhouettes(raised), ray) < 0.0

        low, high = 0, last
        while high - low > 1:
            middle = (low + high) // 2
            lowered = [_seen_from_higher(one, up_m(middle)) for one in seen]
            low, high = (middle, high) if self._least_spare_deg(lowered, ray) < 0.0 else (low, middle)
        while high < last and short(high):
            high += 1
        while high - 1 > 0 and not short(high - 1):
            high -= 1
        return high

    def _stations_seen(self, spot: int, rays: Sequence[LookVector]) -> tuple[StationHorizon, ...]:
        """The measured horizon from a spot's lowest height, today and after growth, as `assess` carries it there."""
        seen = station_horizons(self.job, self.places[spot], rays, self.correction, hidden=False)
        then = grown_stations(self.job, seen, rays[0])  # as dense for the others, but for their own columns
        return seen if then is seen else (*seen, *then)

    @cached_property
    def correction(self) -> CompassCorrection | None:
        """What turns the readings to true north; None without readings."""
        return self.context.compass_correction(self.job, self.places[0].site)

    def _least_spare_deg(self, seen: Sequence[Silhouette], ray: LookVector) -> float:
        least_deg = np.inf
        for one in seen:
            apart_deg = np.abs(wrap_180(one.azimuth_deg - (ray.azimuth_deg or 0.0)))
            rooms = column_rooms(
                one.kept(apart_deg < _BESIDE_DEG) if ray.elevation_apparent_deg < 45.0 else one,
                ray.ray,
                self.job.link,
            )
            least_deg = min(least_deg, np.where(rooms.inside, -90.0, rooms.spare_deg).min(initial=np.inf))
        return float(least_deg)

    def _past_obstacles(self, active: Ints, looks: Ints, at: Ints) -> Ints:
        """(active,) how many heights to go up, at least, before an obstacle leaves the room: 0 where all do."""
        step = np.zeros(active.size, dtype=int)
        if not self._scenes or not active.size:
            return step
        height_m = self.heights_m[active, at]
        dish = self.foot_m[active] + np.column_stack([np.zeros((active.size, 2)), height_m])
        rays = [[self.looks[spot][look] for look in looks] for spot in active]
        azimuth = np.array([[ray.azimuth_deg or 0.0 for ray in group] for group in rays])
        elevation = np.array([[ray.elevation_apparent_deg for ray in group] for group in rays])
        leap = self._leap(active, height_m, elevation)
        for scene in self._scenes:
            found = least_room(
                scene,
                dish,
                azimuth,
                elevation,
                link=self.job.link,
                enough_deg=0.0,
            )
            short = found.spare_deg < 0.0
            step = np.maximum(step, np.where(found.hit & short, leap, short.astype(int)).max(axis=1))
        return step

    def _leap(self, active: Ints, height_m: Floats, elevation_deg: Floats) -> Ints:
        """(active, look) heights to go up where a ray is met: that point must come half the dish out of the line."""
        level = np.cos(np.deg2rad(np.minimum(elevation_deg, 85.0)))
        up_m = height_m[:, None] + 0.95 * self.job.terminal.dish_diameter_m / 2.0 / level
        heights = self.heights_m[active][:, None, :]
        skipped = ((heights > height_m[:, None, None]) & (heights < up_m[:, :, None] - 1e-9)).sum(axis=2)
        return np.asarray(skipped + 1)


def _silhouettes(stations: Sequence[StationHorizon]) -> list[Silhouette]:
    return [one.silhouette for one in stations if len(one.silhouette)]


def _raised(step_m: Floats | None, by_m: float) -> Floats | None:
    return None if step_m is None else step_m + np.array([0.0, 0.0, by_m])


def _seen_from_higher(seen: Silhouette, by_m: float) -> Silhouette:
    """Columns seen from a dish that stands higher; those without a distance stay where they are."""
    known = ~np.isnan(seen.distance_m)
    distance_m = np.where(known, seen.distance_m, 1.0)
    elevation_rad = np.deg2rad(seen.elevation_deg)
    level_m, up_m = distance_m * np.cos(elevation_rad), distance_m * np.sin(elevation_rad) - by_m
    lower_deg = np.rad2deg(np.arctan2(up_m, np.maximum(level_m, 1e-6)))
    return replace(
        seen,
        elevation_deg=np.where(known, lower_deg, seen.elevation_deg),
        distance_m=np.where(known, np.hypot(level_m, up_m), np.nan),
    )


def search(job: Job, grid_step_m: float, max_height_m: float | None = None) -> Searched:
    """Least height of every spot of the roof and yards that leaves the room, for each satellite and for all at once."""
    return searched_room(job, grid_step_m, max_height_m, JobContext())[0]


def searched_room(
    job: Job, grid_step_m: float, max_height_m: float | None, context: JobContext
) -> tuple[Searched, SpotRoom]:
    """The same with what the room was worked out from."""
    assert job.roof is not None
    site = place(job, Mount()).site
    grid = spots(job.roof, site, job.sources.rasters, step_m=grid_step_m, kits=job.mast_kits)
    heights_m = _heights_of(job, grid, max_height_m)
    free = standing(job, grid.east_m, grid.north_m, grid.surface_elevation_m, 0.0)
    usable = (np.isfinite(heights_m) & (heights_m <= free.headroom_m[:, None] + 1e-9)).sum(axis=1)
    mounts = [mount_at(grid, at, float(heights_m[at, 0])) for at in range(len(grid))]
    room = SpotRoom(job, mounts, heights_m, usable, context=context)
    each, together = room.solved
    heights = np.column_stack([room.heights_m, np.full(len(grid), np.nan)])
    least = np.take_along_axis(heights, np.minimum(each, heights.shape[1] - 1), axis=1)
    every = np.unique(room.heights_m[np.isfinite(room.heights_m)])
    return Searched(grid, least, heights[np.arange(len(grid)), together], every), room


def _heights_of(job: Job, grid: Spots, max_height_m: float | None) -> Floats:
    """(spot, height) what may be looked at: steps, the mast kits' heights, or at a wall the bracket's."""
    general = mast_heights_m(job, max_height_m)
    brackets = {kit.name: np.array(kit.heights_m) for kit in job.mast_kits if kit.stand_off_m is not None}
    widest = max([general.size, *(heights.size for heights in brackets.values())])
    table = np.full((len(grid), widest), np.inf)
    table[:, : general.size] = general
    for name, heights in brackets.items():
        mine = np.array([kit == name for kit in grid.kit], dtype=bool)
        table[mine] = np.inf
        table[np.ix_(mine, np.arange(heights.size))] = heights
    return table

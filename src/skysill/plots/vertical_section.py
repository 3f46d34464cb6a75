"""What stands in the upright plane through the dish and one satellite: ground, readings, obstacles.

Heights and distances are in the dish's own plane: along its horizontal, and above its centre. Only drawing
geometry: how far out to show, and how tall.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from skysill.assessment.pipeline import Assessment, SatelliteResult
from skysill.horizon.silhouette import Silhouette
from skysill.horizon.terrain import PathProfile
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats, Ints, cross_track_deg, separation_deg, wrap_180

__all__ = ["PANEL_WIDE_IN", "SectionFeature", "VerticalSection"]

PANEL_WIDE_IN = 4.72
"""Width of a panel's axes, inches."""

_LOW_IN, _TALL_IN = 1.7, 3.0
_STEEPEST_DEG = 89.0


@dataclass(frozen=True, slots=True)
class SectionFeature:
    """One thing near the upright plane, at the place where it leaves the least room.

    level_m, top_m, floor_m : along the dish's horizontal and above its centre; floor_m None: stands on the ground
    """

    source: str
    name: str
    level_m: float
    top_m: float
    floor_m: float | None
    distance_m: float
    assumed: bool
    spare_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class VerticalSection:
    """What stands in the upright plane of one satellite.

    level_m, rise_m : the ground along the dish's horizontal and above its centre; nan where nobody knows
    known : whether a raster said so; else the ground is drawn flat
    things : measured readings and obstacles near the plane, least spare first
    datum_m : dish centre on the picture's height axis
    """

    assessment: Assessment
    result: SatelliteResult
    path: PathProfile | None
    level_m: Floats
    rise_m: Floats
    known: bool
    things: tuple[SectionFeature, ...]
    datum_m: float

    @classmethod
    def of(cls, assessment: Assessment, index: int) -> VerticalSection:
        """The plane of the result at `index`."""
        mount, site, result = assessment.mount, assessment.site, assessment.results[index]
        path: PathProfile | None = assessment.paths[index] if index < len(assessment.paths) else None
        datum_m = mount.height_m if mount.antenna_elevation_m is None else mount.antenna_elevation_m
        below = mount.height_m
        if mount.antenna_elevation_m is not None and site.ground_elevation_m is not None:
            below = mount.antenna_elevation_m - site.ground_elevation_m
        level, rise = np.array([0.0, 1e5]), np.array([-below, -below])
        if path is not None:
            # an unknown place has no height, but its distance along the ground is as good
            level, rise = np.where(np.isnan(path.level_m), path.distance_m, path.level_m), path.rise_m
        things = tuple(_standing(assessment, result))
        return cls(assessment, result, path, level, rise, path is not None, things, datum_m)

    @property
    def up_rad(self) -> float:
        """Elevation of the ray."""
        return math.radians(self.result.look.elevation_apparent_deg)

    @property
    def slope(self) -> float:
        """Rise of the ray per metre along the horizontal."""
        return math.tan(min(self.up_rad, math.radians(_STEEPEST_DEG)))

    def ranges_m(self) -> list[float]:
        """How far out each panel goes, metres: as far as anything matters, then the near zone if that is far.

        The far end is beyond the controlling thing and beyond the ground that stands highest against the sky.
        """
        control = self.result.clearance.controlling
        far = 1.35 * control.distance_m if control is not None and control.distance_m else 0.0
        if self.known:
            beyond = (self.level_m > 5.0) & ~np.isnan(self.rise_m)
            if beyond.any():
                angle = np.where(beyond, self.rise_m / np.maximum(self.level_m, 1.0), -np.inf)
                far = max(far, 1.25 * float(self.level_m[int(np.argmax(angle))]))
            if self.result.verdict == "unknown" and np.isnan(self.rise_m).any():  # show where knowledge ends
                far = max(far, 1.3 * float(self.level_m[int(np.argmax(np.isnan(self.rise_m)))]))
            far = min(far, float(self.level_m[-1]))
        levels = [thing.level_m for thing in self.things]
        far = max(far, 1.4 * max(levels, default=0.0), 25.0)
        if far <= 150.0:
            return [far]
        return [far, max(25.0, 1.5 * max((level for level in levels if level <= 100.0), default=0.0))]

    def limits_m(self, far_m: float, height_in: float, wide_in: float = PANEL_WIDE_IN) -> tuple[float, float]:
        """Lowest and highest shown above the dish, metres; a steep ray may leave through the top."""
        seen = self.rise_m[(self.level_m <= far_m) & ~np.isnan(self.rise_m)]
        if not seen.size or not self.known:
            seen = self.rise_m[:1]
        bottom = min(-self.assessment.mount.height_m, float(np.nanmin(seen, initial=0.0)))
        top = max(far_m * self.slope, float(np.nanmax(seen, initial=2.0)))
        bottom -= 0.05 * (top - bottom) + 0.3
        top += 0.06 * (top - bottom)
        return bottom, min(top, bottom + 1.06 * far_m * height_in / wide_in)

    def panel(self, far_m: float, wide_in: float = PANEL_WIDE_IN) -> tuple[float, float]:
        """Height of a panel `wide_in` inches wide, in inches, and how many times heights are stretched in it."""
        low, high = self.limits_m(far_m, math.inf, wide_in)
        least_in, most_in = (size * wide_in / PANEL_WIDE_IN for size in (_LOW_IN, _TALL_IN))
        height_in = min(max(wide_in * (high - low) / (1.06 * far_m), least_in), most_in)
        low, high = self.limits_m(far_m, height_in, wide_in)
        return height_in, (height_in / (high - low)) / (wide_in / (1.06 * far_m))


def _standing(assessment: Assessment, result: SatelliteResult) -> list[SectionFeature]:
    """Readings and obstacles no farther aside than the room they need, or half a degree."""
    look, link = result.look, assessment.link
    found: list[SectionFeature] = []
    for silhouette in assessment.silhouettes:
        if silhouette.source == "terrain" or not len(silhouette):
            continue
        far_m = np.where(np.isnan(silhouette.distance_m), link.assumed_distance_m, silhouette.distance_m)
        required_deg = room_angle_deg(np.maximum(far_m, 0.01), link)
        turn_deg = wrap_180(silhouette.azimuth_deg - (look.azimuth_deg or 0.0))
        aside_deg = np.where(
            np.abs(turn_deg) < 90.0, cross_track_deg(turn_deg, silhouette.elevation_deg), 180.0
        )
        near = np.flatnonzero((aside_deg <= np.maximum(required_deg, 0.5)) & (far_m > 0.0))
        spare_deg = _apart_deg(silhouette, result) - required_deg
        for thing in np.unique(silhouette.thing[near]):
            mine: Ints = near[silhouette.thing[near] == thing]
            at = int(mine[np.argmin(spare_deg[mine])])
            found.append(_at_column(silhouette, at, float(far_m[at]), float(spare_deg[at])))
    return sorted(
        (_as_controlling(thing, result) for thing in found), key=lambda thing: (thing.spare_deg, thing.name)
    )


def _as_controlling(thing: SectionFeature, result: SatelliteResult) -> SectionFeature:
    """The controlling thing is drawn at the place that controls, so that picture and numbers agree."""
    control = result.clearance.controlling
    if control is None or (control.name, control.source) != (thing.name, thing.source):
        return thing
    ray_rad, up_rad = math.radians(result.look.elevation_apparent_deg), math.radians(control.elevation_deg)
    # where the ray runs under it, what controls is the lower edge, and that is no top
    hangs_over = thing.floor_m is not None and thing.floor_m > thing.level_m * math.tan(ray_rad)
    if not control.distance_m or hangs_over:
        return thing
    return replace(
        thing,
        distance_m=control.distance_m,
        level_m=control.distance_m * math.cos(up_rad),
        top_m=control.distance_m * math.sin(up_rad),
    )


def _at_column(silhouette: Silhouette, at: int, far_m: float, spare_deg: float) -> SectionFeature:
    up_rad = math.radians(float(silhouette.elevation_deg[at]))
    floor_deg = float(np.asarray(silhouette.floor_deg)[at])
    return SectionFeature(
        source=silhouette.source,
        name=silhouette.things[int(silhouette.thing[at])].name,
        level_m=far_m * math.cos(up_rad),
        top_m=far_m * math.sin(up_rad),
        floor_m=None if floor_deg <= -89.9 else far_m * math.sin(math.radians(floor_deg)),
        distance_m=far_m,
        assumed=bool(np.isnan(silhouette.distance_m[at])),
        spare_deg=spare_deg,
    )


def _apart_deg(silhouette: Silhouette, result: SatelliteResult) -> Floats:
    """Angle from the ray to the nearer end of each column, negative where the column reaches across it."""
    azimuth_deg, ray_deg = result.look.azimuth_deg or 0.0, result.look.elevation_apparent_deg
    floor_deg = np.asarray(silhouette.floor_deg)
    end_deg = np.where(ray_deg < floor_deg, floor_deg, silhouette.elevation_deg)
    across = (floor_deg <= ray_deg) & (ray_deg <= silhouette.elevation_deg)
    apart_deg = separation_deg(silhouette.azimuth_deg, end_deg, azimuth_deg, ray_deg)
    return np.where(across, -apart_deg, apart_deg)

"""Ground, readings and obstacles in the vertical plane through the dish and one satellite.

Distances are along the horizontal plane of the dish, heights above its centre. The module holds only the geometry
of the drawing: how far out and how high it reaches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from skysill.assessment.results import Assessment, SatelliteResult
from skysill.horizon.silhouette import Silhouette
from skysill.horizon.terrain import PathProfile
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats, Ints, cross_track_deg, separation_deg, wrap_180

__all__ = ["PANEL_WIDTH_IN", "SectionFeature", "VerticalSection"]

PANEL_WIDTH_IN = 4.72
"""Width of a panel's axes, inches."""

_LEAST_HEIGHT_IN, _MOST_HEIGHT_IN = 1.7, 3.0
_STEEPEST_DEG = 89.0


@dataclass(frozen=True, slots=True)
class SectionFeature:
    """One reading or obstacle near the vertical plane, at the point where it leaves the least room.

    level_m : distance along the dish's horizontal plane; top_m, floor_m : heights above its centre; floor_m is None
        where the feature stands on the ground
    excess_deg : angle from the ray less the required angle
    """

    source: str
    name: str
    level_m: float
    top_m: float
    floor_m: float | None
    distance_m: float
    assumed: bool
    excess_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class VerticalSection:
    """The vertical plane through the dish and one satellite.

    level_m, rise_m : (n,) the ground, along the dish's horizontal plane and above its centre; nan where it is unknown
    known : whether a raster gave the ground; otherwise it is drawn flat
    features : readings and obstacles near the plane, least excess first
    datum_m : dish centre on the picture's height axis
    """

    assessment: Assessment
    result: SatelliteResult
    path: PathProfile | None
    level_m: Floats
    rise_m: Floats
    known: bool
    features: tuple[SectionFeature, ...]
    datum_m: float

    @classmethod
    def of(cls, assessment: Assessment, index: int) -> VerticalSection:
        """The vertical plane of the result at `index`."""
        mount, site, result = assessment.mount, assessment.site, assessment.results[index]
        path: PathProfile | None = assessment.paths[index] if index < len(assessment.paths) else None
        datum_m = mount.height_m if mount.antenna_elevation_m is None else mount.antenna_elevation_m
        below = mount.height_m
        if mount.antenna_elevation_m is not None and site.ground_elevation_m is not None:
            below = mount.antenna_elevation_m - site.ground_elevation_m
        level, rise = np.array([0.0, 1e5]), np.array([-below, -below])
        if path is not None:
            # where the height is unknown, the distance along the ground takes the place of level_m
            level, rise = np.where(np.isnan(path.level_m), path.distance_m, path.level_m), path.rise_m
        features = tuple(_features(assessment, result))
        return cls(assessment, result, path, level, rise, path is not None, features, datum_m)

    @property
    def elevation_rad(self) -> float:
        """Elevation of the ray."""
        return math.radians(self.result.look.elevation_apparent_deg)

    @property
    def slope(self) -> float:
        """Rise of the ray per metre along the horizontal."""
        return math.tan(min(self.elevation_rad, math.radians(_STEEPEST_DEG)))

    def ranges_m(self) -> list[float]:
        """Range of each panel, metres: as far as anything matters, then the near zone where that is far.

        The far end is beyond the controlling obstruction and beyond the ground of the highest elevation angle.
        """
        control = self.result.clearance.controlling
        far = 1.35 * control.distance_m if control is not None and control.distance_m else 0.0
        if self.known:
            beyond = (self.level_m > 5.0) & ~np.isnan(self.rise_m)
            if beyond.any():
                angle = np.where(beyond, self.rise_m / np.maximum(self.level_m, 1.0), -np.inf)
                far = max(far, 1.25 * float(self.level_m[int(np.argmax(angle))]))
            if self.result.verdict == "unknown" and np.isnan(self.rise_m).any():  # show where the data end
                far = max(far, 1.3 * float(self.level_m[int(np.argmax(np.isnan(self.rise_m)))]))
            far = min(far, float(self.level_m[-1]))
        levels = [feature.level_m for feature in self.features]
        far = max(far, 1.4 * max(levels, default=0.0), 25.0)
        if far <= 150.0:
            return [far]
        return [far, max(25.0, 1.5 * max((level for level in levels if level <= 100.0), default=0.0))]

    def limits_m(
        self, far_m: float, height_in: float, wide_in: float = PANEL_WIDTH_IN
    ) -> tuple[float, float]:
        """Lowest and highest height shown, metres above the dish; a steep ray may leave at the top."""
        seen = self.rise_m[(self.level_m <= far_m) & ~np.isnan(self.rise_m)]
        if not seen.size or not self.known:
            seen = self.rise_m[:1]
        bottom = min(-self.assessment.mount.height_m, float(np.nanmin(seen, initial=0.0)))
        top = max(far_m * self.slope, float(np.nanmax(seen, initial=2.0)))
        bottom -= 0.05 * (top - bottom) + 0.3
        top += 0.06 * (top - bottom)
        return bottom, min(top, bottom + 1.06 * far_m * height_in / wide_in)

    def panel(self, far_m: float, wide_in: float = PANEL_WIDTH_IN) -> tuple[float, float]:
        """Height of a panel `wide_in` inches wide, in inches, and the factor by which it stretches heights."""
        low, high = self.limits_m(far_m, math.inf, wide_in)
        least_in, most_in = (size * wide_in / PANEL_WIDTH_IN for size in (_LEAST_HEIGHT_IN, _MOST_HEIGHT_IN))
        height_in = min(max(wide_in * (high - low) / (1.06 * far_m), least_in), most_in)
        low, high = self.limits_m(far_m, height_in, wide_in)
        return height_in, (height_in / (high - low)) / (wide_in / (1.06 * far_m))


def _features(assessment: Assessment, result: SatelliteResult) -> list[SectionFeature]:
    """Readings and obstacles within their required angle of the plane, or within half a degree."""
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
        excess_deg = _angle_from_ray_deg(silhouette, result) - required_deg
        for number in np.unique(silhouette.feature[near]):
            mine: Ints = near[silhouette.feature[near] == number]
            at = int(mine[np.argmin(excess_deg[mine])])
            found.append(_at_column(silhouette, at, float(far_m[at]), float(excess_deg[at])))
    return sorted(
        (_at_controlling_point(feature, result) for feature in found),
        key=lambda feature: (feature.excess_deg, feature.name),
    )


def _at_controlling_point(feature: SectionFeature, result: SatelliteResult) -> SectionFeature:
    """The controlling feature moved to the point that controls, so that picture and numbers agree."""
    control = result.clearance.controlling
    if control is None or (control.name, control.source) != (feature.name, feature.source):
        return feature
    ray_rad = math.radians(result.look.elevation_apparent_deg)
    elevation_rad = math.radians(control.elevation_deg)
    # where the ray passes below it, the lower edge controls, which is not its top
    hangs_over = feature.floor_m is not None and feature.floor_m > feature.level_m * math.tan(ray_rad)
    if not control.distance_m or hangs_over:
        return feature
    return replace(
        feature,
        distance_m=control.distance_m,
        level_m=control.distance_m * math.cos(elevation_rad),
        top_m=control.distance_m * math.sin(elevation_rad),
    )


def _at_column(silhouette: Silhouette, at: int, far_m: float, excess_deg: float) -> SectionFeature:
    elevation_rad = math.radians(float(silhouette.elevation_deg[at]))
    floor_deg = float(np.asarray(silhouette.floor_deg)[at])
    return SectionFeature(
        source=silhouette.source,
        name=silhouette.features[int(silhouette.feature[at])].name,
        level_m=far_m * math.cos(elevation_rad),
        top_m=far_m * math.sin(elevation_rad),
        floor_m=None if floor_deg <= -89.9 else far_m * math.sin(math.radians(floor_deg)),
        distance_m=far_m,
        assumed=bool(np.isnan(silhouette.distance_m[at])),
        excess_deg=excess_deg,
    )


def _angle_from_ray_deg(silhouette: Silhouette, result: SatelliteResult) -> Floats:
    """Angle from the ray to the nearer end of each column, negative where the column reaches across it."""
    azimuth_deg, ray_deg = result.look.azimuth_deg or 0.0, result.look.elevation_apparent_deg
    floor_deg = np.asarray(silhouette.floor_deg)
    end_deg = np.where(ray_deg < floor_deg, floor_deg, silhouette.elevation_deg)
    across = (floor_deg <= ray_deg) & (ray_deg <= silhouette.elevation_deg)
    apart_deg = separation_deg(silhouette.azimuth_deg, end_deg, azimuth_deg, ray_deg)
    return np.where(across, -apart_deg, apart_deg)

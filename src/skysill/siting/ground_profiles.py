"""Ground around many spots, kept as profiles that do not depend on the dish's height.

A roof search asks of every spot how high the dish must be. The ground along each azimuth is sampled once for a spot, by
the sampler of every terrain calculation, and only the pieces that could come into a ray's room are kept. The room at
any height is then worked out from those pieces, as `assess` works it out from a march of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skysill.assessment.clearance import column_margin_deg
from skysill.horizon.lattice import chord_elevation_m, chord_maximum
from skysill.horizon.rays import (
    sight_slope,
)
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.job import Job
from skysill.pointing.look_vector import LookVector
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, Ints

__all__ = [
    "GroundProfiles",
]


@dataclass(frozen=True, slots=True, eq=False)
class Chords:
    """Ground between two crossings that follow each other on a ray.

    spot, look : (chord,) int; ray : (chord,) int, numbered by spot and azimuth
    offset_deg : (chord,) the ray's azimuth less the look's
    near_m, far_m : ground distances of its ends; near_elevation_m, far_elevation_m
    bend_m : how the ground rises over the chord, see `chord_elevation_m`
    radius_m : effective Earth radius; raster : (chord,) int
    """

    spot: Ints
    look: Ints
    ray: Ints
    offset_deg: Floats
    near_m: Floats
    near_elevation_m: Floats
    far_m: Floats
    far_elevation_m: Floats
    bend_m: Floats
    radius_m: Floats
    raster: Ints

    def kept(self, keep: Bools | Ints | slice) -> Chords:
        return Chords(*(getattr(self, name)[keep] for name in self.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class GroundProfiles:
    """The ground that could come into the room of any look from any spot.

    looks : (spot, look)
    """

    job: Job
    looks: tuple[tuple[LookVector, ...], ...]
    chords: Chords
    first: Ints

    def spare_deg(self, spot: int, look: int, antenna_elevation_m: float) -> float:
        """Least spare room over the ground, degrees; inf where none could come into it."""
        chords = self._of(spot, look)
        if not chords.near_m.size:
            return np.inf
        offset, elevation, distance, _, _ = _points(chords, antenna_elevation_m)
        return float(self._spare_deg(spot, look, offset, elevation, distance).min(initial=np.inf))

    def least_index(self, spot: int, look: int, antenna_elevations_m: Floats, start: int) -> int:
        """The first of rising antenna elevations, from `start` on, at which no ground takes the room; their number
        where there is none.
        """
        chords, at, last = self._of(spot, look), start, len(antenna_elevations_m)
        while at < last:
            short = self._short(spot, look, chords, antenna_elevations_m[at])
            if not short.any():
                return at
            # each chord that takes the room here is followed up to where it does not
            chords_left, low, high = chords.kept(short), at, last
            while high - low > 1:
                middle = (low + high) // 2
                still = self._short(spot, look, chords_left, antenna_elevations_m[middle])
                if still.any():
                    low, chords_left = middle, chords_left.kept(still)
                else:
                    high = middle
            at = high
        return last

    def columns(self, spot: int, look: int, antenna_elevation_m: float) -> Silhouette:
        """The ground as columns, as the march gives them, less those too far from the look to matter."""
        chords = self._of(spot, look)
        offset, elevation, distance, ray, raster = _points(chords, antenna_elevation_m)
        order = np.lexsort((distance, ray))
        ladder = np.maximum.accumulate(4.0 * ray[order] + np.deg2rad(elevation[order]))
        order = order[np.diff(ladder, prepend=-np.inf) > 0]  # no ground hidden behind nearer ground
        rasters = self.job.sources.rasters
        error_m = np.array([r.vertical_error_m for r in rasters] or [0.0])[raster[order]]
        return Silhouette(
            source="terrain",
            azimuth_deg=(self.looks[spot][look].azimuth_deg or 0.0) + offset[order],
            elevation_deg=elevation[order],
            distance_m=distance[order],
            features=tuple(Feature(r.name, r.kind, "terrain") for r in rasters),
            feature=raster[order],
            sigma_deg=np.rad2deg(np.arctan(error_m / distance[order])),
        )

    def _of(self, spot: int, look: int) -> Chords:
        pair = spot * len(self.looks[0]) + look
        return self.chords.kept(slice(int(self.first[pair]), int(self.first[pair + 1])))

    def _spare_deg(
        self, spot: int, look: int, offset_deg: Floats, elevation_deg: Floats, distance_m: Floats
    ) -> Floats:
        apparent_deg = self.looks[spot][look].elevation_apparent_deg
        margin_deg = column_margin_deg(offset_deg, apparent_deg, elevation_deg)
        return margin_deg - room_angle_deg(distance_m, self.job.link)

    def _short(self, spot: int, look: int, chords: Chords, antenna_elevation_m: float) -> Bools:
        """(chord,) whether it takes the room."""
        if not chords.near_m.size:
            return np.zeros(0, dtype=bool)
        offset, elevation, distance, _, _ = _points(chords, antenna_elevation_m)
        short = self._spare_deg(spot, look, offset, elevation, distance) < 0.0
        return np.asarray(short.reshape(3, -1).any(axis=0))


def _points(chords: Chords, antenna_elevation_m: float) -> tuple[Floats, Floats, Floats, Ints, Ints]:
    """Offset, elevation, slant distance, ray and raster of each chord's ends and crest, (3 * chord,)."""

    def slope(distance_m: Floats, elevation_m: Floats) -> Floats:
        return sight_slope(
            distance_m, elevation_m, antenna_elevation_m=antenna_elevation_m, radius_m=chords.radius_m
        )

    near, far = (
        slope(chords.near_m, chords.near_elevation_m),
        slope(chords.far_m, chords.far_elevation_m),
    )
    length_m = chords.far_m - chords.near_m
    share = np.nan_to_num(chord_maximum(chords.near_m, chords.far_m, far - near, chords.bend_m))
    crest_m = chords.near_m + share * length_m
    crest_up_m = chord_elevation_m(chords.near_elevation_m, chords.far_elevation_m, chords.bend_m, share)
    along = np.concatenate([chords.near_m, chords.far_m, crest_m])
    up = np.concatenate([chords.near_elevation_m, chords.far_elevation_m, crest_up_m])
    slopes = np.concatenate([near, far, slope(crest_m, crest_up_m)])
    radius = np.tile(chords.radius_m, 3)
    level = (radius + up) * np.sin(along / radius)
    return (
        np.tile(chords.offset_deg, 3),
        np.rad2deg(np.arctan(slopes)),
        level * np.hypot(1.0, slopes),
        np.tile(chords.ray, 3),
        np.tile(chords.raster, 3),
    )

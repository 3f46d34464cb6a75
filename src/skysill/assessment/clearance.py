"""Look vector + horizon -> the room around the ray, the margin, and what controls.

Every column of every source is read, never only the merged profile: a low gutter six metres away can need more
room than a higher hill two kilometres behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.link import Link, Ray
from skysill.radio.fresnel import (
    aperture_loss_db,
    first_fresnel_radius_m,
)
from skysill.radio.required_room import room_angle_deg, room_m
from skysill.units import Bools, Floats, Ints, direction_enu, wrap_180

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from skysill.model.scene import Scene

__all__ = [
    "Clearance",
    "Controlling",
    "Rooms",
    "blocked_fraction",
    "clearance",
    "column_margin_deg",
    "column_rooms",
    "highest_below",
    "scene_rooms",
]


_SAME_AZIMUTH_DEG = 1e-6

_CLOSE_DEG = 10.0
"""Obstacles that leave more spare room than this are looked at exactly only when nothing leaves less."""


@dataclass(frozen=True, slots=True)
class Controlling:
    """The controlling obstruction: the one with the least angular room beyond what is required.

    name, kind : of the obstruction; source : "measured", "terrain" or "obstacle"
    azimuth_deg : its nearest part; elevation_deg : that part's top edge, or its lower edge where the ray runs under it
    distance_m : along the line of sight; an assumed one where distance_assumed, a lower bound where distance_at_least
    """

    name: str
    kind: str
    source: str
    azimuth_deg: float
    elevation_deg: float
    distance_m: float | None
    distance_assumed: bool
    distance_at_least: bool = field(default=False, metadata={"json": False})  # the JSON has seven keys here


@dataclass(frozen=True, slots=True)
class Clearance:
    """Room between the ray to the satellite and what obstructs, at the controlling obstruction.

    All fields are None where nothing obstructs.

    margin_deg : angle at the dish centre between the ray and the nearest obstructed direction; negative inside it
    vertical_margin_deg : the same straight below the satellite
    clearance_m : the same as a distance perpendicular to the ray, d sin(margin), d the distance of the obstruction
    required_m : room that is required there, D/2 + k F1(d)
    fresnel_radius_m : first Fresnel radius F1 there; fresnel_ratio : clearance_m over it
    blocked_fraction : share of the dish's projected aperture that is hidden, geometric optics
    loss_db : knife-edge field of ITU-R P.526 averaged over the aperture
    controlling : the obstruction
    spare_deg : margin_deg less the required angle
    """

    margin_deg: float | None = None
    vertical_margin_deg: float | None = None
    clearance_m: float | None = None
    required_m: float | None = None
    fresnel_radius_m: float | None = None
    fresnel_ratio: float | None = None
    blocked_fraction: float | None = None
    loss_db: float | None = None
    controlling: Controlling | None = None
    spare_deg: float | None = None

    @property
    def obstructed(self) -> bool:
        """Whether the centre ray itself is obstructed."""
        return self.margin_deg is not None and self.margin_deg <= 0.0

    @property
    def has_clearance(self) -> bool:
        """Whether the required angle is there (nothing in the way counts as room)."""
        return self.spare_deg is None or self.spare_deg >= 0.0

    @property
    def has_required_m(self) -> bool:
        """Whether `clearance_m` is at least `required_m`.

        Within a few metres of the dish this asks for more than the angle: atan(required / d) is less than
        asin(required / d).
        """
        if self.clearance_m is None or self.required_m is None:
            return True
        return self.clearance_m >= self.required_m


@dataclass(frozen=True, slots=True, eq=False)
class Rooms:
    """The room at each obstruction, one entry a column or an obstacle.

    margin_deg : (n,) float, negative where the ray is inside
    spare_deg : (n,) float, margin less required angle
    distance_m : (n,) float, assumed where `assumed`
    inside, assumed, at_least : (n,) bool; at_least: distance_m is a lower bound
    azimuth_deg, elevation_deg : (n,) float, nearest part and its edge towards the ray
    feature : (n,) int, index into features
    """

    margin_deg: Floats
    spare_deg: Floats
    distance_m: Floats
    inside: Bools
    assumed: Bools
    azimuth_deg: Floats
    elevation_deg: Floats
    features: tuple[Feature, ...]
    feature: Ints
    at_least: Bools


def column_margin_deg(
    azimuth_offset_deg: ArrayLike, elevation_deg: ArrayLike, top_deg: ArrayLike, floor_deg: ArrayLike = -90.0
) -> Floats:
    """Angle from a ray to the nearest direction of an obstructed vertical column; 0 when the ray is in it.

    Parameters
    ----------
    azimuth_offset_deg : (...) float, column's azimuth minus the ray's
    elevation_deg : broadcast, the ray
    top_deg, floor_deg : broadcast, the column's edges

    Returns
    -------
    (...) float, degrees

    Notes
    -----
    The nearest point of the column's whole vertical circle has tan(foot) = tan(elevation) / cos(offset), at the
    cross-track distance x, sin(x) = cos(elevation) sin(offset) (Napier). Where that point is not between the edges,
    the nearer edge, `gap` off it, is at d: cos(d) = cos(x) cos(gap); taken with atan2, exact for small angles too.

    >>> column_margin_deg([0.0, 0.0, 3.0], 24.0, [20.0, 30.0, 80.0]).round(3)
    array([4.  , 0.  , 2.74])
    """
    offset_rad, elevation_rad = np.deg2rad(azimuth_offset_deg), np.deg2rad(elevation_deg)
    level = np.cos(elevation_rad)
    along, aside, up = level * np.cos(offset_rad), level * np.sin(offset_rad), np.sin(elevation_rad)
    foot_rad = np.arctan2(up, along)
    gap_rad = np.minimum(np.maximum(foot_rad, np.deg2rad(floor_deg)), np.deg2rad(top_deg)) - foot_rad
    in_plane = along**2 + up**2
    off = np.sqrt(aside**2 + in_plane * np.sin(gap_rad) ** 2)
    return np.asarray(np.rad2deg(np.arctan2(off, np.sqrt(in_plane) * np.cos(gap_rad))))


def column_rooms(silhouette: Silhouette, ray: Ray, link: Link) -> Rooms:
    """The room at every column of one silhouette.

    The ray is inside where a column on its very azimuth reaches over it; the depth is then the angle to the
    nearest open direction past the silhouette's highest edge.
    """
    offset_deg = np.asarray(wrap_180(silhouette.azimuth_deg - ray.azimuth_deg))
    floor_deg = np.asarray(silhouette.floor_deg)
    margin_deg = column_margin_deg(offset_deg, ray.elevation_deg, silhouette.elevation_deg, floor_deg)
    inside = (
        (np.abs(offset_deg) < _SAME_AZIMUTH_DEG)
        & (silhouette.elevation_deg >= ray.elevation_deg)
        & (floor_deg <= ray.elevation_deg)
    )
    if inside.any():
        margin_deg = np.where(inside, -_depth_deg(silhouette, offset_deg, ray.elevation_deg), margin_deg)
    assumed = np.isnan(silhouette.distance_m)
    distance_m = np.where(assumed, link.assumed_distance_m, silhouette.distance_m)
    return Rooms(
        margin_deg=margin_deg,
        spare_deg=margin_deg - room_angle_deg(distance_m, link),
        distance_m=distance_m,
        inside=inside,
        assumed=assumed,
        azimuth_deg=np.asarray(silhouette.azimuth_deg),
        elevation_deg=np.where(ray.elevation_deg < floor_deg, floor_deg, silhouette.elevation_deg),
        features=silhouette.features,
        feature=silhouette.feature,
        at_least=np.asarray(silhouette.at_least),
    )


def _depth_deg(silhouette: Silhouette, offset_deg: Floats, elevation_deg: float) -> float:
    """How far an obstructed ray is from the nearest direction that this source leaves open."""
    standing = np.asarray(silhouette.floor_deg) <= elevation_deg
    azimuths, at = np.unique(np.round(offset_deg[standing], 7), return_inverse=True)
    top_deg = np.full(azimuths.shape, -90.0)
    np.maximum.at(top_deg, at, silhouette.elevation_deg[standing])
    # the open part of each vertical circle runs from the skyline to the zenith
    return float(column_margin_deg(azimuths, elevation_deg, 90.0, top_deg).min())


def scene_rooms(
    scene: Scene,
    dish_m: Floats,
    ray: Ray,
    link: Link,
) -> Rooms:
    """The room at every obstacle of a scene, exact (no columns), as `column_rooms` gives it for the others.

    Obstacles far from the ray have no entry while there are close ones. Where one is not met, its entry stands for
    the place on it that leaves the least spare room.
    """
    from skysill.horizon.scene_clearance import clearances, near_rays

    rays = (np.atleast_2d(dish_m), [ray.azimuth_deg], [ray.elevation_deg])
    close = near_rays(scene, *rays, link=link, within_deg=_CLOSE_DEG)
    found = clearances(close, *rays, link=link)
    if len(close) < len(scene) and found.spare_deg.min(initial=np.inf) > _CLOSE_DEG:
        close = scene  # nothing is close: then the nearest of the rest is wanted after all
        found = clearances(close, *rays, link=link)
    hit = found.hit[0, 0]

    def pick(met: Floats, beside: Floats) -> Floats:
        return np.asarray(np.where(hit, met[0, 0], beside[0, 0]))

    return Rooms(
        margin_deg=pick(found.margin_deg, found.critical_margin_deg),
        spare_deg=found.spare_deg[0, 0],
        distance_m=pick(found.distance_m, found.critical_distance_m),
        inside=hit,
        assumed=np.zeros(hit.shape, dtype=bool),
        azimuth_deg=pick(found.azimuth_deg, found.critical_azimuth_deg),
        elevation_deg=pick(found.elevation_deg, found.critical_elevation_deg),
        features=tuple(Feature(o.name, o.kind, "obstacle") for o in close.obstacles),
        feature=np.arange(len(close)),
        at_least=np.zeros(hit.shape, dtype=bool),
    )


def highest_below(silhouettes: Sequence[Silhouette], ray: Ray) -> tuple[Silhouette, int] | None:
    """The highest column on the ray's azimuth that rises from below the ray: (its silhouette, its index)."""
    best: tuple[Silhouette, int] | None = None
    for silhouette in silhouettes:
        here = np.abs(wrap_180(silhouette.azimuth_deg - ray.azimuth_deg)) < _SAME_AZIMUTH_DEG
        here &= np.asarray(silhouette.floor_deg) <= ray.elevation_deg
        if not here.any():
            continue
        top = int(np.flatnonzero(here)[silhouette.elevation_deg[here].argmax()])
        if best is None or silhouette.elevation_deg[top] > best[0].elevation_deg[best[1]]:
            best = (silhouette, top)
    return best


def clearance(
    rooms: Sequence[Rooms],
    silhouettes: Sequence[Silhouette],
    ray: Ray,
    *,
    link: Link,
    losses: bool = True,
) -> Clearance:
    """The clearance of one ray, from the room at every obstruction.

    Parameters
    ----------
    rooms : from `column_rooms` and `scene_rooms`, all sources
    silhouettes : the same sources' columns, for what stands straight below and for the blocked fraction
    losses : also work out the blocked share and the loss; None where not

    Returns
    -------
    Clearance; empty where nothing obstructs
    """
    sizes = [room.margin_deg.size for room in rooms]
    if not sum(sizes):
        return Clearance()
    spare_deg = np.concatenate([room.spare_deg for room in rooms])
    inside = np.concatenate([room.inside for room in rooms])
    distance_m = np.concatenate([room.distance_m for room in rooms])
    at = int(np.where(inside, distance_m, np.inf).argmin()) if inside.any() else int(spare_deg.argmin())
    which = int(np.searchsorted(np.cumsum(sizes), at, side="right"))
    room, index = rooms[which], at - sum(sizes[:which])
    d_m = float(room.distance_m[index])
    # inside several things, the deepest tells how far the ray would have to turn
    margin_deg = (
        min(float(r.margin_deg[r.inside].min()) for r in rooms if r.inside.any())
        if inside.any()
        else float(room.margin_deg[index])
    )
    clearance_m = d_m * float(np.sin(np.deg2rad(margin_deg)))
    required_m = float(room_m(d_m, link))
    zone_m = float(first_fresnel_radius_m(d_m, frequency_ghz=link.frequency_ghz))
    below = highest_below(silhouettes, ray)
    feature = room.features[room.feature[index]]
    return Clearance(
        margin_deg=margin_deg,
        vertical_margin_deg=None
        if below is None
        else ray.elevation_deg - float(below[0].elevation_deg[below[1]]),
        clearance_m=clearance_m,
        required_m=required_m,
        fresnel_radius_m=zone_m,
        # a dish inside the thing itself has no zone and no edge before it
        fresnel_ratio=clearance_m / zone_m if zone_m > 0.0 else None,
        blocked_fraction=blocked_fraction(silhouettes, ray, link) if losses else None,
        loss_db=aperture_loss_db(
            -clearance_m, d_m, dish_diameter_m=link.dish_diameter_m, frequency_ghz=link.frequency_ghz
        )
        if losses and d_m > 0.0
        else None,
        controlling=Controlling(
            name=feature.name,
            kind=feature.kind,
            source=feature.source,
            azimuth_deg=float(room.azimuth_deg[index]),
            elevation_deg=float(room.elevation_deg[index]),
            distance_m=d_m,
            distance_assumed=bool(room.assumed[index]),
            distance_at_least=bool(room.at_least[index]),
        ),
        spare_deg=float(margin_deg - room_angle_deg(d_m, link)),
    )


def blocked_fraction(
    silhouettes: Sequence[Silhouette],
    ray: Ray,
    link: Link,
) -> float:
    """Share of the dish's projected aperture that the silhouettes hide, geometric optics.

    Every point of the aperture looks along its own ray, all parallel. A column at distance d is therefore laid,
    at its true offset in metres, on the plane across the ray; the share is the area of the aperture's disc under
    the union of the columns, each as wide as half the way to its neighbours.

    Returns
    -------
    0 to 1
    """
    radius_m = link.dish_diameter_m / 2.0
    found = [_shadows(silhouette, ray, radius_m, link.assumed_distance_m) for silhouette in silhouettes]
    corners = np.concatenate([np.zeros((0, 4, 2)), *found])
    if not len(corners):
        return 0.0
    import shapely

    disc = shapely.Point(0.0, 0.0).buffer(radius_m, quad_segs=128)
    shapely.prepare(disc)
    quads = np.asarray(shapely.polygons(corners), dtype=object)
    quads = quads[shapely.intersects(disc, quads)]
    if shapely.covers(quads, disc).any():
        return 1.0
    hidden: BaseGeometry = shapely.union_all(quads)
    return float(min(1.0, hidden.intersection(disc).area / disc.area))


def _shadows(silhouette: Silhouette, ray: Ray, radius_m: float, assumed_m: float) -> Floats:
    """(quad, 4, 2) corners, right and up across the ray, of the columns that may touch the aperture's disc."""
    if not len(silhouette):
        return np.zeros((0, 4, 2))
    distance_m = np.where(np.isnan(silhouette.distance_m), assumed_m, silhouette.distance_m)
    offset_deg = np.asarray(wrap_180(silhouette.azimuth_deg - ray.azimuth_deg))
    half_deg = _half_widths(silhouette, offset_deg)
    reach_deg = np.rad2deg(np.arcsin(np.minimum(1.0, radius_m / distance_m))) + half_deg
    # no column comes nearer to the ray than its top is lower
    near = np.flatnonzero(
        (np.abs(offset_deg) < 90.0) & (silhouette.elevation_deg >= ray.elevation_deg - reach_deg)
    )
    margin_deg = column_margin_deg(
        offset_deg[near],
        ray.elevation_deg,
        silhouette.elevation_deg[near],
        np.asarray(silhouette.floor_deg)[near],
    )
    near = near[margin_deg <= reach_deg[near]]
    if not near.size:
        return np.zeros((0, 4, 2))
    floor_deg = np.maximum(
        np.asarray(silhouette.floor_deg)[near], ray.elevation_deg - 3.0 * reach_deg[near] - 1.0
    )
    top_deg = np.minimum(silhouette.elevation_deg[near], ray.elevation_deg + 3.0 * reach_deg[near] + 1.0)
    left, right = (silhouette.azimuth_deg[near] + sign * half_deg[near] for sign in (-1.0, 1.0))
    return np.stack(
        [
            _on_plane(az, np.maximum(el, -89.0), distance_m[near], ray)
            for az, el in ((left, floor_deg), (right, floor_deg), (right, top_deg), (left, top_deg))
        ],
        axis=1,
    )


def _half_widths(silhouette: Silhouette, offset_deg: Floats) -> Floats:
    """Half the spacing of the silhouette's azimuths at each column; a lone azimuth has no width."""
    azimuths, at = np.unique(np.round(offset_deg, 7), return_inverse=True)
    if azimuths.size < 2:
        return np.zeros(offset_deg.shape)
    gaps = np.minimum(np.diff(azimuths), 0.3)  # columns farther apart than that belong to different things
    return np.asarray(np.maximum(np.append(gaps, gaps[-1]), np.append(gaps[0], gaps))[at] / 2.0)


def _on_plane(
    azimuth_deg: Floats,
    elevation_deg: Floats,
    distance_m: Floats,
    ray: Ray,
) -> Floats:
    """(n, 2) metres right and up of the ray, for points given by direction and distance."""
    points_m = direction_enu(azimuth_deg, elevation_deg) * distance_m[:, None]
    right = direction_enu(ray.azimuth_deg + 90.0, 0.0)
    up = direction_enu(ray.azimuth_deg + 180.0, 90.0 - ray.elevation_deg)
    return np.column_stack([points_m @ right, points_m @ up])

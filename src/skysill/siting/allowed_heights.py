"""How tall things may be at a distance along a satellite's azimuth: the surveyor's rule of thumb made exact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skysill.assessment.results import Assessment
from skysill.errors import InputError
from skysill.geodesy.positions import offset_position
from skysill.model.job import Job
from skysill.model.link import Link
from skysill.model.site import Mount
from skysill.radio.required_room import room_angle_deg
from skysill.units import Floats

__all__ = [
    "GroundAlong",
    "allowed_height_m",
    "allowed_heights_by_satellite",
    "allowed_heights_text",
    "ground_along",
]

TEXT_DISTANCES_M = (10.0, 20.0, 50.0)
"""Plan distances that the sentence tells."""

_HIGHEST_USEFUL_M = 1000.0


def allowed_height_m(
    plan_distance_m: ArrayLike,
    *,
    elevation_deg: ArrayLike,
    antenna_height_m: ArrayLike,
    link: Link,
) -> Floats:
    """Height that a thing on the satellite's azimuth may have and still leave the required room.

    Parameters
    ----------
    plan_distance_m : (...) float > 0, level distance from the dish centre
    elevation_deg : (...) or one, apparent elevation of the satellite, 0 to 90
    antenna_height_m : (...) or one, dish centre above what the heights are to be counted from: the ground there

    Returns
    -------
    (...) float, metres; negative where even the ground there stands too high

    Notes
    -----
    The top at plan distance x must stay under the elevation E - atan(required(d) / d), d being the line of sight to
    the top itself: x tan(E - atan(required(d) / d)), solved by repetition, which closes on the answer because the
    room as an angle changes slowly with d. Level ground; within the few hundred metres this is for, the Earth's
    curve takes off less than a centimetre.

    >>> from skysill.model.site import Criteria, Terminal
    >>> allowed_height_m([6.0, 20.0], elevation_deg=24.0, antenna_height_m=2.0,
    ...                  link=Link(Terminal(), Criteria())).round(2)
    array([3.82, 9.87])
    """
    distance_m, up_deg = np.broadcast_arrays(
        np.asarray(plan_distance_m, dtype=np.float64), np.asarray(elevation_deg, dtype=np.float64)
    )
    if not (distance_m > 0.0).all():
        raise InputError("allowed heights are asked for in front of the dish.", where="plan_distance_m")
    top_deg = up_deg
    for _ in range(30):
        before_deg = top_deg
        sight_m = distance_m / np.cos(np.deg2rad(top_deg))
        top_deg = up_deg - room_angle_deg(sight_m, link)
        if not (np.abs(top_deg - before_deg) > 1e-9).any():
            break
    return np.asarray(np.asarray(antenna_height_m) + distance_m * np.tan(np.deg2rad(top_deg)))


@dataclass(frozen=True, slots=True)
class GroundAlong:
    """Ground on the satellite's azimuth: rise_m (n,) above the site's ground, and who says so; None: taken as level."""

    rise_m: Floats
    source: str | None = None


def ground_along(
    job: Job, *, east_m: float, north_m: float, azimuth_deg: float, distances_m: ArrayLike = TEXT_DISTANCES_M
) -> GroundAlong:
    """The ground that things stand on at distances from a plan position along an azimuth.

    From the bare rasters, as the heights of obstacles are; level with the site's ground where one of the places is in
    none of them.
    """
    away_m = np.atleast_1d(np.asarray(distances_m, dtype=np.float64))
    bare = tuple(raster for raster in job.sources.rasters if raster.kind == "bare")
    if not bare:
        return GroundAlong(np.zeros(away_m.shape))
    from skysill.horizon.terrain import ground_at

    azimuth_rad = np.deg2rad(azimuth_deg)
    there = offset_position(
        job.site.latitude_deg,
        job.site.longitude_deg,
        np.append(east_m + away_m * np.sin(azimuth_rad), 0.0),
        np.append(north_m + away_m * np.cos(azimuth_rad), 0.0),
    )
    heights_m, said = ground_at(bare, *there)
    rise_m = np.asarray(heights_m[:-1] - heights_m[-1])
    if np.isnan(rise_m).any():
        return GroundAlong(np.zeros(away_m.shape))
    return GroundAlong(rise_m, bare[int(said[0])].name)


def allowed_heights_text(
    satellite: str,
    *,
    elevation_deg: float,
    antenna_height_m: float,
    link: Link,
    distances_m: tuple[float, ...] = TEXT_DISTANCES_M,
    ground: GroundAlong | None = None,
) -> str:
    """The same as a sentence; heights count from the ground at each distance.

    antenna_height_m : dish centre above the site's ground
    ground : at distances_m; None: level with the site's

    >>> from skysill.model.site import Criteria, Terminal
    >>> print(allowed_heights_text("Demo South", elevation_deg=24.0, antenna_height_m=2.0,
    ...                            link=Link(Terminal(), Criteria())))
    Towards Demo South: at 10 m nothing above 5.5 m over the ground there, at 20 m 9.8 m, at 50 m 23.0 m; the ground is taken as level with the site's.
    """  # noqa: E501  # as it is printed
    ground = GroundAlong(np.zeros(len(distances_m))) if ground is None else ground
    heights = allowed_height_m(
        distances_m,
        elevation_deg=elevation_deg,
        antenna_height_m=antenna_height_m - ground.rise_m,
        link=link,
    )
    # rounded down: the sentence must not allow more than the geometry does
    height_texts = [
        f"{np.floor(height * 10.0) / 10.0:.1f} m" if height > 0 else "not even the ground"
        for height in heights
    ]
    if heights.max() > _HIGHEST_USEFUL_M:
        return f"Towards {satellite}: so steep that only what overhangs the dish matters."
    first = f"at {distances_m[0]:g} m nothing above {height_texts[0]} over the ground there"
    rest = "".join(
        f", at {d:g} m {height}" for d, height in zip(distances_m[1:], height_texts[1:], strict=True)
    )
    who = "is taken as level with the site's" if ground.source is None else f"is that of {ground.source}"
    return f"Towards {satellite}: {first}{rest}; the ground {who}."


def allowed_heights_by_satellite(job: Job, mount: Mount, assessment: Assessment) -> dict[str, str]:
    """How tall things may be at 10, 20 and 50 m along the azimuth of each satellite, as a sentence.

    Parameters
    ----------
    job, mount : what was assessed
    assessment : of that mount, from `skysill.check` or `skysill.assess`

    Returns
    -------
    name of the satellite to the sentence; without satellites below the horizon, and empty where the dish is below
    the ground of the site. Formula: `allowed_height_m`.

    >>> from skysill import Job, Mount, Satellite, Site, allowed_heights_by_satellite, assess
    >>> job = Job(Site("clinic", 58.0312, -24.6541), satellites=(Satellite("Demo South", longitude_deg=-24.0),))
    >>> mount = Mount(height_m=2.0)
    >>> print(allowed_heights_by_satellite(job, mount, assess(job, mount))["Demo South"])
    Towards Demo South: at 10 m nothing above 5.5 m over the ground there, at 20 m 9.9 m, at 50 m 23.1 m; ...
    """
    ground_m, antenna_m = assessment.site.ground_elevation_m, assessment.mount.antenna_elevation_m
    if ground_m is not None and antenna_m is not None:
        antenna_height_m = antenna_m - ground_m
    else:
        antenna_height_m = mount.height_m + (mount.surface_height_m or 0.0)
    if antenna_height_m < 0.0:
        return {}
    return {
        result.satellite.name: allowed_heights_text(
            result.satellite.name,
            elevation_deg=result.look.elevation_apparent_deg,
            antenna_height_m=antenna_height_m,
            link=assessment.link,
            ground=ground_along(
                job,
                east_m=assessment.mount.east_m,
                north_m=assessment.mount.north_m,
                azimuth_deg=result.look.azimuth_deg or 0.0,
            ),
        )
        for result in assessment.results
        if result.look.visible
    }

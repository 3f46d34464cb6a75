"""A flat roof on the equator with a long hall to its east: the least masts follow from plane geometry."""

from __future__ import annotations

import numpy as np

from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import building
from skysill.model.scene import Scene
from skysill.model.site import Criteria, Mount, Roof, Satellite, Site, Terminal

FLAT = Roof(
    outline=((-6, -4), (6, -4), (6, 4), (-6, 4)),
    surface=((-6, -4, 5), (6, -4, 5), (6, 4, 5), (-6, 4, 5)),
    keep_out=(((-2.5, -1.5), (-1.5, -1.5), (-1.5, 1.5), (-2.5, 1.5)),),
)
EAST, HIDDEN = Satellite("East", longitude_deg=30.0), Satellite("Far west", longitude_deg=-120.0)
TERMINAL = Terminal(dish_diameter_m=0.8, receive_ghz=12.0)
TALL_M = 12.0


def level_ground():
    """Bare ground at 0 m within 300 m; in UTM 31N the zero meridian lies 333.98 km west of the middle (from memory)."""
    east_m, half, cell_m = 166_021.4, 150, 2.0
    values = np.zeros((2 * half, 2 * half), dtype=np.float32)
    transform = (cell_m, 0.0, east_m - half * cell_m, 0.0, -cell_m, half * cell_m)
    return HeldGrid(Grid(values, transform, "EPSG:32631"), "level.tif", "bare", cell_m, 0.3)


LEVEL = level_ground()


def hall_job(*things, min_p_clear=0.0, satellites=(EAST,), terminal=TERMINAL, name="Low hall", **more):
    """On the equator, a long hall 12 m tall 9 m east of the roof's middle; the satellite stands due east."""
    hall = building(
        "hall", [[9, -80], [30, -80], [30, 80], [9, 80]], ground_elevation_m=0, top_elevation_m=TALL_M
    )
    given = {
        "roof": FLAT,
        "criteria": Criteria(years_ahead=0, min_p_clear=min_p_clear),
        "mounts": (Mount(),),
        "mounts_named": False,
        **more,
    }
    site = Site(name, 0.0, 0.0, ground_elevation_m=0.0, ground_source="given")
    sources = Sources(rasters=(LEVEL,), scene=Scene((hall, *things), complete=True), highest_ground_m=4.0)
    return Job(site, satellites, terminal=terminal, sources=sources, **given)


def least_by_hand_m(east_m: float) -> float:
    """The least height over the roof, 5 m up, from which the hall's top edge leaves the room, in the plane of the ray.

    Elevation of a geostationary satellite on the equator, 30 degrees of longitude away: atan((cos 30 - R/r) / sin 30),
    R = 6378.137 km, r = 42164.17 km (plane geometry); ray bending at 55 degrees is under 0.01 degrees.
    """
    elevation_rad = np.arctan((np.cos(np.pi / 6) - 6378.137 / 42164.17) / np.sin(np.pi / 6))
    heights = np.arange(0.5, 6.0, 0.001)
    over, away = TALL_M - 5.0 - heights, 9.0 - east_m
    distance = np.hypot(over, away)
    needed = np.arctan((0.4 + 0.6 * np.sqrt(299_792_458 / 12e9 * distance)) / distance)
    free = elevation_rad - np.arctan2(over, away) >= needed
    return float(heights[np.argmax(free)]) if free.any() else np.nan

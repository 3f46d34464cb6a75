"""What is known of an invented world: readings, rasters, lists, each with errors of known size, put to the library."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
from true_worlds import World, sweep

from skysill.geodesy.positions import offset_position
from skysill.horizon.lattice import Grid, HeldGrid, interpolate, lattice_position
from skysill.model.default_errors import RasterFacts
from skysill.model.job import Job, Sources
from skysill.model.obstacle_builders import building, tree
from skysill.model.obstacles import Obstacle
from skysill.model.readings import Readings
from skysill.model.scene import Scene
from skysill.model.site import (
    Criteria,
    Mount,
    Satellite,
    Site,
    Terminal,
)
from skysill.model.survey import Survey

GROWTH_M_PER_YEAR, YEARS_OLD, TODAY = 0.4, 2.0, 2026.5
SURVEY = Survey(bearing_error_deg=1.5, inclination_error_deg=0.5, distance_error_fraction=0.05, distance_error_m=0.3,
                position_error_m=0.2, height_error_m=0.1)  # fmt: skip
COARSE_ERROR_M, FINE_ERROR_M = 2.0, 0.3
CRITERIA = Criteria(years_ahead=0.0)


def job(world: World, sources: Sources, ground_m: float | None) -> Job:
    """The question, as a site file would put it."""
    site = Site("invented", world.latitude_deg, world.longitude_deg, ground_elevation_m=ground_m,
                ground_source="unknown" if ground_m is None else "given")  # fmt: skip
    return Job(site, (Satellite("Demo", world.satellite_deg),), mounts=(Mount(height_m=world.mount_m),),
               terminal=Terminal(world.dish_m, world.frequency_ghz), criteria=CRITERIA, sources=sources,
               date=dt.date(2026, 7, 2))  # fmt: skip


def readings(world: World, rng: np.random.Generator) -> tuple[Readings, Survey]:
    """A surveyor's table. He reads every 2 to 5 degrees, two thirds of him each peak and upright edge besides, from
    the dish's place or from the ground near it; a tenth of him has no rangefinder."""
    at_dish = rng.random() < 0.5
    east, north = (0.0, 0.0) if at_dish else rng.uniform(-4.0, 4.0, 2)
    up = world.mount_m if at_dish else 1.6
    stated = replace(SURVEY, east_m=float(east), north_m=float(north), instrument_height_m=up)
    step, careful = float(rng.choice([2.0, 3.0, 5.0])), rng.random() < 2.0 / 3.0
    need = np.rad2deg(np.arctan(world.dish_m / 20.0 + 0.6 * np.sqrt(0.3 / world.frequency_ghz / 10.0)))
    window = min(need / np.cos(np.deg2rad(world.elevation_deg)), 60.0) + step + rng.choice([2.0, 10.0, 25.0])
    window += 0.0 if at_dish else 20.0
    z = world.ground_m(np.float64(east), np.float64(north)) + up
    azimuth, elevation, distance, _ = sweep(world, (east, north, float(z)), window + 4.0)
    common = [0.9 * rng.normal(), 0.9 * rng.normal()]

    def off(which: int, sigma: float, count: int) -> np.ndarray:
        return sigma * (common[which] + np.sqrt(1.0 - 0.81) * rng.normal(size=count))

    # he turns to whole steps of his compass, and looks where that really is; peaks and edges he reads as they stand
    shown = np.arange(np.ceil((azimuth[0] + 4.0) / step), (azimuth[-1] - 4.0) / step) * step
    there = shown - off(0, stated.bearing_error_deg, shown.size)
    read = np.clip(np.round((there - azimuth[0]) / 0.25).astype(int), 0, azimuth.size - 1)
    if careful:
        rising = np.diff(elevation, prepend=elevation[0])
        peaks = np.flatnonzero((rising > 0.3) & (np.append(rising[1:], 0.0) <= 0))
        edges = np.flatnonzero(np.abs(rising) > 1.0)
        more = np.unique(np.concatenate([peaks, edges, np.maximum(edges - 1, 0)]))
        more = more[np.abs(azimuth[more] - world.azimuth_deg) <= window]
        read = np.append(read, more)
        shown = np.append(shown, azimuth[more] + off(0, stated.bearing_error_deg, more.size))
    n = read.size
    az = np.round(2.0 * shown) / 2.0
    el = np.round(2.0 * (elevation[read] + off(1, stated.inclination_error_deg, n))) / 2.0
    sigma = np.hypot(stated.distance_error_m, stated.distance_error_fraction * distance[read])
    far = np.maximum(distance[read] + sigma * rng.normal(size=n), 0.5)
    if rng.random() < 0.1:
        far = np.full(n, np.nan)
    az = np.mod(az, 360.0)
    order = np.lexsort((-el, az))
    az, first = np.unique(az[order], return_index=True)
    return Readings(az, el[order][first], far[order][first], ("",) * az.size, "invented"), stated


def _noise(rng, n, along):
    """(n, n) of unit variance, alike over about `along` cells."""
    small = int(np.ceil(n / along)) + 3
    coarse = rng.normal(size=(small, small))
    at = np.arange(n) / along
    low = at.astype(int)
    part = at - low
    rows = coarse[low] * (1 - part)[:, None] + coarse[low + 1] * part[:, None]
    both = rows[:, low] * (1 - part) + rows[:, low + 1] * part
    weight = np.sqrt((1 - part) ** 2 + part**2)
    return both / (weight[:, None] * weight)


def _grid(world, east, north, values, cell):
    crs = f"+proj=aeqd +lat_0={world.latitude_deg!r} +lon_0={world.longitude_deg!r} +datum=WGS84 +units=m"
    return Grid(np.asarray(values, np.float32), (cell, 0.0, east, 0.0, cell, north), crs)


def bare_raster(world: World, rng: np.random.Generator) -> HeldGrid:
    """Ground without anything on it in cells of 30 m, as far as it can matter."""
    cell = 30.0
    reach = (world.highest_m - 48.0) / np.tan(np.deg2rad(max(world.elevation_deg - 3.0, 2.0)))
    half = max(450.0, reach + 200.0)
    n = int(2 * half / cell)
    first = -half + rng.uniform(-15.0, 15.0, 2)
    east, north = first[0] + cell * np.arange(n), first[1] + cell * np.arange(n)
    fine = [
        world.ground_m(east[None, :] + dx, north[:, None] + dy) for dx in (-7.5, 7.5) for dy in (-7.5, 7.5)
    ]
    values = np.mean(fine, axis=0) + COARSE_ERROR_M * _noise(rng, n, 5.0)
    return HeldGrid(_grid(world, first[0], first[1], values, cell), "coarse", "bare", cell, COARSE_ERROR_M)


def surface_raster(world: World, rng: np.random.Generator) -> HeldGrid:
    """The surface in cells of 1 m, two years before: plants were lower; laid 0.3 m off. Half the rasters hold the mean
    of each cell, half its highest point.
    """
    n = world.over.shape[0]
    over = np.maximum(world.over - np.where(world.plants, GROWTH_M_PER_YEAR * YEARS_OLD, 0.0), 0.0)
    at = (np.arange(n) + 0.5) * 0.5 - world.half_m
    four = over[: n // 2 * 2, : n // 2 * 2].reshape(n // 2, 2, n // 2, 2)
    holds = "mean" if rng.random() < 0.5 else "highest"
    cells = four.mean(axis=(1, 3)) if holds == "mean" else four.max(axis=(1, 3))
    place = (at[0 : n // 2 * 2 : 2] + at[1::2]) / 2.0
    values = cells + world.ground_m(place[None, :], place[:, None])
    m = values.shape[0]
    values = values + FINE_ERROR_M * np.sqrt(0.5) * (_noise(rng, m, 5.0) + rng.normal(size=(m, m)))
    shift = rng.normal(0.0, 0.3, 2)
    facts = RasterFacts(0.3, holds, TODAY - YEARS_OLD, GROWTH_M_PER_YEAR)
    return HeldGrid(_grid(world, place[0] + shift[0], place[0] + shift[1], values, 1.0), "fine", "surface", 1.0,
                    FINE_ERROR_M, facts)  # fmt: skip


def _box(along, across):
    return (-along, -across), (along, -across), (along, across), (-along, across)


def obstacle_list(world: World, rng: np.random.Generator, ground: HeldGrid) -> Scene:
    """Every thing listed with its highest point over the raster's ground, 0.3 m off in place and height."""
    found: list[Obstacle] = []

    def put(east, north):
        lat, lon = offset_position(world.latitude_deg, world.longitude_deg, east, north)
        return float(
            np.asarray(interpolate(ground.grid, *lattice_position(ground.grid, lat, lon))).reshape(-1)[0]
        )

    def off():
        return rng.normal(0.0, 0.3, 3)

    for number, house in enumerate(world.houses):
        e, n, z = off()
        along, across = house.along_m / 2, house.across_m / 2
        c, s = np.cos(house.turn_rad), np.sin(house.turn_rad)
        ring = [
            [house.east_m + e + c * u - s * v, house.north_m + n + s * u + c * v]
            for u, v in _box(along, across)
        ]
        found.append(building(f"house {number}", ring, ground_elevation_m=put(house.east_m, house.north_m),
                              height_m=house.ridge_m + z))  # fmt: skip
    for number, plant in enumerate(world.grown):
        e, n, z = off()
        east, north = plant.east_m + e, plant.north_m + n
        ground_m, height = put(plant.east_m, plant.north_m), max(plant.height_m + z, 0.8)
        if plant.kind == "hedge":
            c, s = np.cos(plant.turn_rad), np.sin(plant.turn_rad)
            ring = [
                [east + c * u - s * v, north + s * u + c * v]
                for u, v in _box(plant.half_length_m, plant.radius_m)
            ]
            found.append(building(f"hedge {number}", ring, ground_elevation_m=ground_m, height_m=height))
        elif plant.kind == "tree":
            found.append(tree(f"tree {number}", (east, north), ground_elevation_m=ground_m, height_m=height,
                              crown_radius_m=plant.radius_m, crown="dome",
                              crown_base_height_m=0.4 * height))  # fmt: skip
        else:
            turn = np.linspace(0.0, 2 * np.pi, 25)[:-1]
            ring = np.column_stack(
                [east + plant.radius_m * np.cos(turn), north + plant.radius_m * np.sin(turn)]
            )
            found.append(building(f"wood {number}", ring, ground_elevation_m=ground_m, height_m=height))
    return Scene(tuple(replace(thing, ground_from=ground.name) for thing in found), complete=True)


def halved(stated: Survey) -> Survey:
    """The same survey by somebody who thinks himself twice as good."""
    return replace(stated, **{name: getattr(stated, name) / 2.0 for name in (
        "bearing_error_deg", "inclination_error_deg", "distance_error_fraction", "distance_error_m", "position_error_m",
        "height_error_m")})  # fmt: skip


def questions(world: World, rng: np.random.Generator) -> dict[str, Job]:
    """One job for each kind of knowledge."""
    taken, stated = readings(world, rng)
    coarse, fine = bare_raster(world, rng), surface_raster(world, rng)
    highest = world.highest_m + 1.0
    ground = float(world.ground_m(np.float64(0), np.float64(0)))
    return {
        "readings": job(world, Sources(readings=taken, survey=stated), ground),
        "readings and bare 30 m": job(world, Sources(rasters=(coarse,), readings=taken, survey=stated,
                                                     highest_ground_m=highest), None),
        "surface 1 m, two years old": job(world, Sources(rasters=(fine, coarse), highest_ground_m=highest,
                                                         survey=SURVEY), None),
        "obstacle list": job(world, Sources(rasters=(coarse,), highest_ground_m=highest, survey=SURVEY,
                                            scene=obstacle_list(world, rng, coarse)), None),
        "half the errors stated": job(world, Sources(readings=taken, survey=halved(stated)), ground),
    }  # fmt: skip

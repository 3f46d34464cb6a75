"""Places with their rays over a raster stack, as the compiled loops want them."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from skysill.assessment.search_window import NEAR_TALL_M, NEAREST_M, sought_elevation_deg
from skysill.bulk.compiled.cubic_maps import MAP_TERMS, cubic_maps
from skysill.bulk.compiled.place_fields import P_DENSE
from skysill.bulk.compiled.raster_stack import RasterStack
from skysill.bulk.prefilter import ScreeningQuery
from skysill.horizon.lattice import interpolate, lattice_position
from skysill.horizon.rays import reach_needed_m
from skysill.pointing.look_vector import look_angles
from skysill.pointing.refraction import refraction_deg
from skysill.radio.required_room import room_angle_deg
from skysill.units import Bools, Floats, Ints, local_earth_radius_m, wavelength_m

__all__ = ["PlacedDishes", "ground_under", "place_dishes", "required_room"]

_DENSE_DEG, _WIDE_DEG = 0.1, 0.5
"""Steps of the window's azimuths, as in `search_window.window_azimuths_deg`."""

_WIDEST_DENSE_DEG = 80.0
"""Dense azimuths that go farther round the dish are those of a satellite overhead, which is assessed one by one."""


@dataclass(frozen=True, slots=True, eq=False)
class PlacedDishes:
    """Dishes with the ray of each; arrays of one length.

    surface_m : what each stands on; antenna_m : its centre; nan and 0 where no raster has data
    ground_from : the raster that the surface's elevation came from, -1: it was given, or no raster has data
    azimuth_deg, elevation_deg, apparent_deg : look vector
    wanted_m : ground distance out to which ground must be known; near_m : out to which near evidence must reach
    most_m : ground beyond does not count
    table : (place, measure.PLACE_FIELDS) the same for the compiled loops; terms : (raster, place, MAP_TERMS)
    """

    latitude_deg: Floats
    longitude_deg: Floats
    height_m: Floats
    surface_m: Floats
    antenna_m: Floats
    ground_from: Ints
    azimuth_deg: Floats
    elevation_deg: Floats
    apparent_deg: Floats
    wanted_m: Floats
    near_m: Floats
    most_m: Floats
    table: Floats
    terms: Floats

    def __len__(self) -> int:
        return int(self.latitude_deg.size)

    @property
    def simple(self) -> Bools:
        """Which of them the compiled loops can answer: the satellite is up, not overhead, and the maps are known."""
        ray = (self.apparent_deg > 0.0) & np.isfinite(self.azimuth_deg)
        ray &= self.table[:, P_DENSE] <= _WIDEST_DENSE_DEG / _DENSE_DEG
        return np.asarray(ray & np.isfinite(self.terms).all(axis=(0, 2)) & np.isfinite(self.surface_m))

    def take(self, at: Ints | Bools | slice) -> PlacedDishes:
        """Some of them."""
        return PlacedDishes(
            *(
                getattr(self, f.name)[:, at] if f.name == "terms" else getattr(self, f.name)[at]
                for f in fields(self)
            )
        )


def required_room(query: ScreeningQuery) -> tuple[float, float]:
    """Half the dish, and the Fresnel fraction times the root of the wavelength: see `cone.room_tangent`."""
    link = query.link
    return link.dish_diameter_m / 2.0, float(
        link.fresnel_fraction * np.sqrt(wavelength_m(link.frequency_ghz))
    )


def _window(apparent_deg: Floats, query: ScreeningQuery) -> tuple[Floats, Floats, Floats]:
    """Dense rays on either side of the centre, and the first and last of the wide ones, in steps of half a degree."""
    level = np.maximum(np.cos(np.deg2rad(apparent_deg)), 1e-9)
    room = np.sin(
        np.deg2rad(room_angle_deg(np.array([query.criteria.assumed_distance_m, NEAREST_M]), query.link))
    )
    dense_deg, wide_deg = (
        np.where(part >= level, 180.0, np.rad2deg(np.arcsin(np.minimum(part / level, 1.0)))) for part in room
    )
    return (
        np.ceil(dense_deg / _DENSE_DEG),
        np.floor((dense_deg + _DENSE_DEG) / _WIDE_DEG) + 1.0,
        np.floor(wide_deg / _WIDE_DEG) + 1.0,
    )


def ground_under(stack: RasterStack, latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Ints]:
    """(place,) what the finest raster with data has there, nan where none has; and the number of that raster, else
    -1."""
    surface_m, number = np.full(latitude_deg.shape, np.nan), np.full(latitude_deg.shape, -1, dtype=np.int64)
    for index, grid in enumerate(stack.grids):
        todo = np.flatnonzero(np.isnan(surface_m))
        if not todo.size:
            break
        found_m = interpolate(grid, *lattice_position(grid, latitude_deg[todo], longitude_deg[todo]))
        known = ~np.isnan(found_m)
        surface_m[todo[known]], number[todo[known]] = found_m[known], index
    return surface_m, number


def place_dishes(
    stack: RasterStack,
    latitude_deg: Floats,
    longitude_deg: Floats,
    height_m: Floats,
    query: ScreeningQuery,
    *,
    surface_m: Floats | None = None,
    terms: Floats | None = None,
) -> PlacedDishes:
    """Dishes on the ground of a raster stack, or on surfaces that are given.

    latitude_deg, longitude_deg, height_m : (place,) WGS 84 degrees, dish centre above the surface in metres
    surface_m : (place,) elevation of the surface; None: what the finest raster with data has there. A given surface
        does not share that raster's error
    """
    ground_from = np.full(latitude_deg.shape, -1, dtype=np.int64)
    if surface_m is None:
        surface_m, ground_from = ground_under(stack, latitude_deg, longitude_deg)
    antenna_m = np.where(np.isnan(surface_m), 0.0, surface_m) + height_m
    satellite_deg = query.satellite.longitude_deg
    assert satellite_deg is not None
    azimuth, elevation, _ = look_angles(
        latitude_deg, longitude_deg, antenna_m, satellite_longitude_deg=satellite_deg
    )
    apparent = elevation + refraction_deg(elevation, antenna_m)
    factor = query.criteria.refraction_factor
    radius_m = factor * local_earth_radius_m(latitude_deg, np.nan_to_num(azimuth))
    highest_m = query.highest_ground_m
    rise_m = np.maximum(highest_m - antenna_m, 0.0)
    far_m = np.maximum(
        rise_m / np.sin(np.deg2rad(np.maximum(apparent, 1.0))), query.criteria.assumed_distance_m
    )
    stop_deg = apparent - room_angle_deg(far_m, query.link)
    wanted_m, needed_m = (
        reach_needed_m(antenna_m, at_deg, highest_ground_m=highest_m, radius_m=radius_m)
        for at_deg in (stop_deg, sought_elevation_deg(apparent, stop_deg))
    )
    near_m = NEAR_TALL_M / np.tan(np.deg2rad(np.maximum(stop_deg, 0.5)))
    most_m = np.maximum(needed_m, near_m)
    curves = (1.0 / (factor * local_earth_radius_m(latitude_deg, at)) for at in (90.0, 0.0))
    table = np.column_stack(
        [
            antenna_m,
            np.deg2rad(np.nan_to_num(azimuth)),
            np.deg2rad(apparent),
            *curves,
            most_m,
            *_window(apparent, query),
            wanted_m,
            near_m,
            np.where(ground_from < 0, len(stack), ground_from),
        ]
    )
    if terms is None:
        maps = [cubic_maps(grid, latitude_deg, longitude_deg) for grid in stack.grids]
        terms = np.stack(maps) if maps else np.zeros((0, latitude_deg.size, MAP_TERMS))
    return PlacedDishes(
        latitude_deg,
        longitude_deg,
        height_m,
        surface_m,
        antenna_m,
        ground_from,
        azimuth,
        elevation,
        apparent,
        wanted_m,
        near_m,
        most_m,
        table,
        terms,
    )

"""Small invented grounds, and what stands on them against the sky by plain loops: a second route for the bulk modules.

The look vector is the library's own, tested elsewhere. All else here is written again from the definitions: the fan
of azimuths, geodesics and projection by pyproj, lattice crossings by walking along the ray, bilinear ground,
directions as vectors on the effective sphere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from pyproj import Geod, Transformer

from skysill.bulk.prefilter import Ground, ScreeningQuery, locate_places
from skysill.horizon.lattice import Grid
from skysill.model.default_errors import RasterFacts
from skysill.model.site import Criteria, Satellite, Terminal

CRS = "EPSG:32627"
LIGHT_M_S = 299_792_458.0
ELLIPSOID = Geod(ellps="WGS84")


def ground_of(
    values, *, cell_m=30.0, x=499_000.0, y=6_550_000.0, turn=(0.0, 0.0), error_m=None, kind="bare", plan_m=0.0
):
    """A raster of square cells; turn: the two mixed terms of its transform, for one that lies askew."""
    transform = (cell_m, turn[0], x, turn[1], -cell_m, y)
    return Ground.of(
        Grid(np.asarray(values, np.float32), transform, CRS), name="small.tif", kind=kind, cell_size_m=cell_m,
        vertical_error_m=0.1 * cell_m if error_m is None else error_m, facts=RasterFacts(horizontal_error_m=plan_m),
    )  # fmt: skip


def hills(side=48, *, seed=1, relief_m=60.0, cell_m=30.0, roughness=1.8):
    """Fractal ground, invented."""
    rng = np.random.default_rng(seed)
    frequency = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None])
    spectrum = np.fft.rfft2(rng.standard_normal((side, side))) * (frequency**2 + 0.02**2) ** (-roughness / 2)
    ground = np.fft.irfft2(spectrum, s=(side, side))
    return (relief_m * cell_m / 30.0 * ground / ground.std() + 300.0).astype(np.float32)


def asked_of(longitude_deg=-20.0, *, dish_m=1.2, **over):
    said = {"highest_ground_m": 1500.0, "criteria": Criteria()} | over
    return ScreeningQuery(Satellite("Demo", longitude_deg), Terminal(dish_diameter_m=dish_m), **said)


def spots(ground, column, row):
    """Latitude and longitude of lattice positions."""
    a, b, c, d, e, f = ground.grid.transform
    column, row = np.asarray(column, float), np.asarray(row, float)
    turn = Transformer.from_crs(ground.grid.crs, "EPSG:4326", always_xy=True)
    longitude, latitude = turn.transform(a * column + b * row + c, d * column + e * row + f)
    return np.asarray(latitude), np.asarray(longitude)


def places_at(ground, query, column, row, height_m=2.0):
    latitude, longitude = (np.atleast_1d(part) for part in spots(ground, column, row))
    found, known = locate_places(
        ground, latitude, longitude, np.broadcast_to(float(height_m), latitude.shape), query
    )
    assert known.all()
    return found


def fan_offsets_deg(apparent_deg, query):
    """Azimuths beside the ray that one assessment samples: every tenth of a degree out to what 10 m away could take the
    room, and beyond every half degree out to what 2 m away could.
    """
    halves = [
        math.degrees(math.asin(min(math.sin(math.radians(room_deg(d, query))) / math.cos(math.radians(apparent_deg)),
                                   1.0)))
        for d in (query.criteria.assumed_distance_m, 2.0)
    ]  # fmt: skip
    dense = math.ceil(halves[0] / 0.1)
    wide = int(halves[1] / 0.5) + 1
    beyond = [0.5 * k for k in range(-wide, wide + 1) if abs(0.5 * k) > halves[0] + 0.1]
    return np.array(sorted([0.1 * k for k in range(-dense, dense + 1)] + beyond))


def room_deg(slant_m, query):
    """Half the dish and 0.6 of the first Fresnel radius, as an angle."""
    t, c = query.terminal, query.criteria
    fresnel_m = np.sqrt(LIGHT_M_S / (t.lowest_ghz * 1e9) * np.asarray(slant_m, float))
    return np.degrees(np.arctan((t.dish_diameter_m / 2.0 + c.fresnel_fraction * fresnel_m) / slant_m))


def direction(azimuth_deg, elevation_deg):
    """(..., 3) unit vectors east, north, up."""
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    return np.stack(np.broadcast_arrays(np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), np.sin(e)), axis=-1)


def angle_deg(one, other):
    """Between unit vectors."""
    return np.degrees(2.0 * np.arcsin(np.clip(np.linalg.norm(one - other, axis=-1) / 2.0, 0.0, 1.0)))


def off_column_deg(offset_deg, apparent_deg, top_deg):
    """From the ray to the nearest direction of columns that stand from the nadir up to top_deg.

    The cosine of the angle to elevation e on the column is A cos e + B sin e, largest at tan e = B / A.
    """
    offset, apparent, top = (
        np.radians(np.asarray(part, float)) for part in (offset_deg, apparent_deg, top_deg)
    )
    a, b = np.cos(apparent) * np.cos(offset), np.sin(apparent)
    e = np.minimum(np.arctan2(b, a), top)
    return angle_deg(direction(offset_deg, np.degrees(e)), direction(0.0, apparent_deg))


@dataclass
class Seen:
    """Ground met by the fan of one place: one entry a sample. crest: whether it bulges between two crossings."""

    offset_deg: np.ndarray
    distance_m: np.ndarray
    height_m: np.ndarray
    slant_m: np.ndarray
    top_deg: np.ndarray
    crest: np.ndarray

    def only(self, kept):
        return Seen(*(getattr(self, name)[kept] for name in self.__dataclass_fields__))

    def margins_deg(self, apparent_deg):
        return off_column_deg(self.offset_deg, apparent_deg, self.top_deg)


def radius_along_m(latitude_deg, azimuth_deg, factor=4.0 / 3.0):
    """Euler's formula, with the meridian and the prime vertical."""
    a, f = 6_378_137.0, 1.0 / 298.257223563
    e2, s = f * (2.0 - f), np.sin(np.radians(latitude_deg))
    n = a / np.sqrt(1.0 - e2 * s * s)
    m = n * (1.0 - e2) / (1.0 - e2 * s * s)
    return factor / (np.cos(np.radians(azimuth_deg)) ** 2 / m + np.sin(np.radians(azimuth_deg)) ** 2 / n)


def over_sphere(distance_m, height_m, antenna_m, radius_m):
    """Elevation angle and line of sight to ground on the effective sphere, by plain vectors in its plane."""
    theta = distance_m / radius_m
    level, up = (
        (radius_m + height_m) * np.sin(theta),
        (radius_m + height_m) * np.cos(theta) - (radius_m + antenna_m),
    )
    return np.degrees(np.arctan2(up, level)), np.hypot(up, level)


def bilinear(values, column, row):
    i, j = np.floor(row).astype(int), np.floor(column).astype(int)
    inside = (i >= 0) & (j >= 0) & (i < values.shape[0] - 1) & (j < values.shape[1] - 1)
    i, j = np.where(inside, i, 0), np.where(inside, j, 0)
    u, v, z = column - j, row - i, values.astype(float)
    upper, lower = z[i, j] * (1 - u) + z[i, j + 1] * u, z[i + 1, j] * (1 - u) + z[i + 1, j + 1] * u
    return np.where(inside, upper * (1 - v) + lower * v, np.nan)


def seen_from(ground, places, at, query, *, offsets_deg=None, out_to_m=None, near_m=None):
    """All that one place's fan meets: crossings of lattice lines, and bulges between them."""
    offsets_deg = fan_offsets_deg(places.apparent_deg[at], query) if offsets_deg is None else offsets_deg
    out_to_m = ground.cell_size_m * 1.5 * max(ground.grid.values.shape) if out_to_m is None else out_to_m
    near_m = (2.0 * ground.cell_size_m if ground.cell_size_m > 2.0 else 0.25) if near_m is None else near_m
    found = [_along(ground, places, at, float(o), query, out_to_m, near_m) for o in offsets_deg]
    return Seen(
        *(np.concatenate([getattr(one, name) for one in found]) for name in Seen.__dataclass_fields__)
    )


def _along(ground, places, at, offset_deg, query, out_to_m, near_m):
    grid, antenna_m = ground.grid, places.antenna_m[at]
    azimuth = places.azimuth_deg[at] + offset_deg
    s = np.arange(0.0, out_to_m, ground.cell_size_m / 20.0)
    start = np.full(s.shape, places.longitude_deg[at]), np.full(s.shape, places.latitude_deg[at])
    east, north, _ = ELLIPSOID.fwd(*start, np.full(s.shape, azimuth), s)
    column, row = on_lattice(grid, north, east)
    cuts = []
    for line in (column, row):
        at_step = np.flatnonzero(np.floor(line[1:]) != np.floor(line[:-1]))
        whole = np.maximum(np.floor(line[at_step]), np.floor(line[at_step + 1]))
        cuts.append(
            s[at_step] + (whole - line[at_step]) / (line[at_step + 1] - line[at_step]) * (s[1] - s[0])
        )
    crossed_m = np.sort(np.concatenate(cuts))
    crossed_m = crossed_m[crossed_m >= near_m]
    radius_m = radius_along_m(places.latitude_deg[at], azimuth, query.criteria.refraction_factor)

    def ground_m(distance_m):
        # on the line itself the two cells beside it agree: a hair to one side is as good
        return bilinear(grid.values, np.interp(distance_m, s, column), np.interp(distance_m, s, row))

    height_m = ground_m(crossed_m)
    share = np.linspace(1e-6, 1.0 - 1e-6, 60)
    inside_m = crossed_m[:-1, None] + share * np.diff(crossed_m)[:, None]
    inside_height_m = ground_m(inside_m)
    top, _ = over_sphere(inside_m, inside_height_m, antenna_m, radius_m)
    best = np.nan_to_num(top, nan=-90.0).argmax(axis=1) if len(inside_m) else np.zeros(0, int)
    bulging = np.flatnonzero((best > 0) & (best < 59) & ~np.isnan(top).any(axis=1))
    distance_m = np.concatenate([crossed_m, inside_m[bulging, best[bulging]]])
    height_m = np.concatenate([height_m, inside_height_m[bulging, best[bulging]]])
    crest = np.arange(distance_m.size) >= crossed_m.size
    known = ~np.isnan(height_m)
    distance_m, height_m, crest = distance_m[known], height_m[known], crest[known]
    top, slant_m = over_sphere(distance_m, height_m, antenna_m, radius_m)
    return Seen(np.full(distance_m.size, offset_deg), distance_m, height_m, slant_m, top, crest)


def on_lattice(grid, latitude, longitude):
    """Column and row of places by solving the transform."""
    x, y = Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True).transform(longitude, latitude)
    a, b, c, d, e, f = grid.transform
    column, row = np.linalg.solve(np.array([[a, b], [d, e]]), np.stack([x - c, y - f]))
    return column, row

"""Invented surroundings with a fine true surface, and the truth about the room of a ray by brute force.

Shares no code with the library: own look vector, refraction, Fresnel zone, Earth curvature and march. The surface is
ground (a smooth function) plus what stands on it, in columns of 0.5 m: houses, hedges, single trees and woods.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

COLUMN_M = 0.5
EARTH_M, ORBIT_M, FLATTENING = 6378137.0, 42_164_172.0, 1.0 / 298.257223563
BENT_EARTH_M = 4.0 / 3.0 * 6_371_000.0
LIGHT_M_GHZ = 0.299792458


@dataclass
class House:
    east_m: float
    north_m: float
    along_m: float
    across_m: float
    turn_rad: float
    eaves_m: float
    ridge_m: float


@dataclass
class Plant:
    """A hedge ("line" from one end to the other), a single tree or a round wood."""

    kind: str
    east_m: float
    north_m: float
    radius_m: float
    height_m: float
    turn_rad: float = 0.0
    half_length_m: float = 0.0


@dataclass
class World:
    """One place, one satellite, one dish. Metres east, north of the mount; heights above an arbitrary datum."""

    latitude_deg: float
    longitude_deg: float
    satellite_deg: float
    azimuth_deg: float
    elevation_deg: float
    dish_m: float
    frequency_ghz: float
    mount_m: float
    waves: np.ndarray
    hill: tuple[float, float, float, float, float]
    over: np.ndarray
    plants: np.ndarray
    half_m: float
    houses: list[House] = field(default_factory=list)
    grown: list[Plant] = field(default_factory=list)

    def ground_m(self, east, north):
        """Ground at any places; a sum of waves and one ridge across the ray."""
        z = np.zeros(np.broadcast(east, north).shape)
        for height, kx, ky, phase in self.waves:
            z += height * np.sin(kx * east + ky * north + phase)
        top, away, deep, wide, turn = self.hill
        along = east * np.sin(turn) + north * np.cos(turn) - away
        aside = east * np.cos(turn) - north * np.sin(turn)
        return z + top * np.exp(-np.minimum((along / deep) ** 2 + (aside / wide) ** 2, 80.0)) + 50.0

    def surface_m(self, east, north):
        """Top of the column at any places."""
        n = self.over.shape[0]
        col = np.floor((east + self.half_m) / COLUMN_M).astype(np.int32)
        row = np.floor((north + self.half_m) / COLUMN_M).astype(np.int32)
        inside = (col >= 0) & (row >= 0) & (col < n) & (row < n)
        over = np.where(inside, self.over[np.clip(row, 0, n - 1), np.clip(col, 0, n - 1)], 0.0)
        return self.ground_m(east, north) + over

    @property
    def highest_m(self) -> float:
        return float(50.0 + np.abs(self.waves[:, 0]).sum() + self.hill[0])


def look(latitude_deg, longitude_deg, satellite_deg):
    """Azimuth and apparent elevation, degrees: vectors on the WGS 84 ellipsoid, bending after ITU-R P.834 (from
    memory: the form for a known free-space elevation, station at sea level)."""
    lat, lon, sat = np.deg2rad([latitude_deg, longitude_deg, satellite_deg])
    e2 = FLATTENING * (2.0 - FLATTENING)
    n = EARTH_M / np.sqrt(1.0 - e2 * np.sin(lat) ** 2)
    here = np.array(
        [n * np.cos(lat) * np.cos(lon), n * np.cos(lat) * np.sin(lon), n * (1 - e2) * np.sin(lat)]
    )
    d = ORBIT_M * np.array([np.cos(sat), np.sin(sat), 0.0]) - here
    up = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    north = np.cross(up, east)
    elevation = np.rad2deg(np.arctan2(d @ up, np.hypot(d @ east, d @ north)))
    bent = 1.0 / (1.728 + 0.5411 * elevation + 0.03723 * elevation**2) if elevation > 0.0 else 0.0
    return float(np.rad2deg(np.arctan2(d @ east, d @ north)) % 360.0), float(elevation + bent)


def room_deg(distance_m, dish_m, frequency_ghz):
    """Half the dish and 0.6 of the first Fresnel radius sqrt(lambda d), as an angle."""
    room_m = dish_m / 2.0 + 0.6 * np.sqrt(LIGHT_M_GHZ / frequency_ghz * distance_m)
    return np.rad2deg(np.arctan(room_m / distance_m))


def make(rng: np.random.Generator) -> World:
    """A place, a satellite between 8 and 55 degrees up, and what stands around."""
    wanted = rng.uniform(8.0, 55.0)
    while True:
        latitude, longitude = rng.uniform(-72.0, 72.0), rng.uniform(-179.0, 179.0)
        satellite = (longitude + rng.uniform(-75.0, 75.0) + 180.0) % 360.0 - 180.0
        azimuth, elevation = look(latitude, longitude, satellite)
        if abs(elevation - wanted) < 1.0:
            break
    mount = float(rng.choice([rng.uniform(1.0, 4.0), rng.uniform(4.0, 12.0)]))
    low = np.tan(np.deg2rad(max(elevation - 1.5, 3.0)))
    reach = float(np.clip(32.0 / low, 40.0, 260.0))
    lengths = np.exp(rng.uniform(np.log(300.0), np.log(3000.0), 3))
    turns = rng.uniform(0.0, 2 * np.pi, 3)
    waves = np.column_stack([lengths * rng.uniform(0.001, 0.006, 3), 2 * np.pi / lengths * np.sin(turns),
                             2 * np.pi / lengths * np.cos(turns), rng.uniform(0.0, 2 * np.pi, 3)])  # fmt: skip
    away = np.exp(rng.uniform(np.log(400.0), np.log(5000.0)))
    steep = np.deg2rad(min(rng.uniform(0.0, elevation * 1.05), 16.0)) * (rng.random() < 0.7)
    hill = (away * np.tan(steep), away, away / 3.5, away * rng.uniform(0.3, 1.5),
            np.deg2rad(azimuth + rng.normal(0.0, 15.0)))  # fmt: skip
    half = np.ceil((reach + 10.0) / COLUMN_M) * COLUMN_M
    n = int(2 * half / COLUMN_M)
    world = World(latitude, longitude, satellite, azimuth, elevation, float(rng.choice([0.6, 0.75, 0.9, 1.2, 1.8])),
                  float(rng.choice([10.7, 12.5, 19.7])), mount, waves, hill,
                  np.zeros((n, n), np.float32), np.zeros((n, n), bool), half)  # fmt: skip
    for _ in range(rng.integers(0, 3)):
        _house(world, rng, reach)
    for kind, most in (("hedge", 2), ("tree", 2), ("wood", 1)):
        for _ in range(rng.integers(0, most + 1)):
            _plant(world, rng, reach, kind)
    east = (np.arange(n) + 0.5) * COLUMN_M - half
    free = np.hypot(east[:, None], east[None, :]) < 3.0
    world.over[free] = 0.0
    world.plants[free] = False
    return world


def _where(world, rng, reach, height, size):
    """Distance and bearing: more often than not where the top comes near the ray."""
    nearest = size + 3.2
    distance = np.exp(rng.uniform(np.log(nearest), np.log(max(reach, nearest + 1.0))))
    if rng.random() < 0.5 and height > world.mount_m:
        top = np.clip(world.elevation_deg + rng.normal(-5.0, 6.0), 2.0, 75.0)
        distance = (height - world.mount_m) / np.tan(np.deg2rad(top))
    distance = max(float(min(distance, reach)), nearest)
    bearing = np.deg2rad(world.azimuth_deg + rng.normal(0.0, rng.choice([8.0, 40.0])))
    return distance * np.sin(bearing), distance * np.cos(bearing)


def _box(world, east, north, size):
    """The part of the lattice around a place: slices, and the places of its column centres relative to it."""
    n = world.over.shape[0]
    rows, cols = (
        slice(max(0, int((v + world.half_m - size) / COLUMN_M)),
              min(n, int((v + world.half_m + size) / COLUMN_M) + 2)) for v in (north, east)
    )  # fmt: skip
    x = (np.arange(cols.start, max(cols.stop, cols.start)) + 0.5) * COLUMN_M - world.half_m - east
    y = (np.arange(rows.start, max(rows.stop, rows.start)) + 0.5) * COLUMN_M - world.half_m - north
    return (rows, cols), x[None, :], y[:, None]


def _put(world, part, height, plant):
    here = world.over[part]
    higher = height > here
    here[higher] = height[higher]
    world.plants[part][higher] = plant


def _house(world, rng, reach):
    along, across = rng.uniform(8.0, 14.0), rng.uniform(6.0, 9.0)
    eaves = float(rng.choice([2.6, 3.0, 5.4, 5.8, 8.5]))
    ridge = eaves + across / 2.0 * np.tan(np.deg2rad(rng.uniform(15.0, 45.0)))
    size = float(np.hypot(along, across)) / 2.0
    east, north = _where(world, rng, reach, ridge, size)
    house = House(east, north, along, across, rng.uniform(0.0, np.pi), eaves, ridge)
    part, x, y = _box(world, east, north, size)
    u = np.abs(x * np.cos(house.turn_rad) + y * np.sin(house.turn_rad))
    v = np.abs(-x * np.sin(house.turn_rad) + y * np.cos(house.turn_rad))
    height = np.where((u <= along / 2) & (v <= across / 2), ridge - (ridge - eaves) * v / (across / 2), 0.0)
    _put(world, part, height.astype(np.float32), False)
    world.houses.append(house)


def _plant(world, rng, reach, kind):
    turn, half_length = rng.uniform(0.0, np.pi), 0.0
    if kind == "hedge":
        height, radius, half_length = rng.uniform(1.2, 5.0), 0.6, rng.uniform(4.0, 20.0)
        size = 3.0
    elif kind == "tree":
        height = rng.uniform(4.0, 22.0)
        radius = height * rng.uniform(0.15, 0.35)
        size = radius
    else:
        height, radius = rng.uniform(8.0, 28.0), rng.uniform(12.0, 45.0)
        size = radius
    for _ in range(50):  # no hedge through the mount
        east, north = _where(world, rng, reach, height, size)
        u = east * np.cos(turn) + north * np.sin(turn)
        v = -east * np.sin(turn) + north * np.cos(turn)
        if kind != "hedge" or np.hypot(max(abs(u) - half_length, 0.0), v) > 3.8:
            break
    else:
        return
    plant = Plant(kind, east, north, radius, height, turn, half_length)
    part, x, y = _box(world, east, north, max(radius, half_length) + 1.0)
    if kind == "hedge":
        u = np.abs(x * np.cos(turn) + y * np.sin(turn))
        v = np.abs(-x * np.sin(turn) + y * np.cos(turn))
        rough = height * (1.0 + 0.05 * np.sin(x * 2.1 + y * 1.7 + turn))
        tall = np.where((u <= half_length) & (v <= radius), np.minimum(rough, height), 0.0)
    else:
        out = np.hypot(x, y) / radius
        if kind == "tree":  # a crown on a short trunk: opaque to the ground
            tall = np.where(out <= 1.0, height * (0.4 + 0.6 * np.sqrt(np.maximum(1.0 - out**2, 0.0))), 0.0)
        else:  # crowns 6 m apart, their tops up to a fifth lower
            crowns = 0.5 + 0.25 * (np.sin(x * 1.05 + turn * 7) + np.sin(y * 1.05 + turn * 3))
            spread = 0.5 + 0.25 * (np.sin(x * 0.21 + turn * 5) + np.sin(y * 0.17 + turn))
            tall = np.where(out <= 1.0, height * (0.8 + 0.1 * crowns + 0.1 * spread), 0.0)
    _put(world, part, np.asarray(tall, np.float32), True)
    world.grown.append(plant)


def truth(world: World, dish_m, look_past_deg: float = 4.0):
    """(least spare room in degrees, whether the ray itself is met), from the dish centre (east, north, height).

    Rings around the dish, in each as wide a part as could take the room or `look_past_deg` more; samples at most half
    a column apart, closer near the dish.
    """
    east0, north0, z0 = dish_m
    cosine = np.cos(np.deg2rad(world.elevation_deg))
    reach = max(world.half_m * 1.42, 300.0)
    lowest = np.tan(np.deg2rad(max(world.elevation_deg - 5.0, 2.0)))
    reach = max(reach, (world.highest_m - z0) / lowest)
    near = np.concatenate([np.arange(0.3, 8.0, 0.08), np.arange(8.0, 40.0, 0.2),
                           np.arange(40.0, world.half_m * 1.42 + 1.0, 0.3)])  # fmt: skip
    far = near[-1] * 1.02 ** np.arange(1, 2 + max(0, int(np.log(reach / near[-1]) / np.log(1.02))))
    ring = np.concatenate([near, far])
    need = room_deg(ring, world.dish_m, world.frequency_ghz)
    wide = np.minimum(np.sin(np.deg2rad(np.minimum(need + look_past_deg, 89.0))) / cosine, 1.0)
    half = np.arcsin(wide) + 0.002
    step = np.where(ring < 8.0, 0.08, np.where(ring < 40.0, 0.2, np.maximum(0.3, ring * 0.002)))
    count = np.ceil(half * ring / step).astype(int)
    number = 2 * count + 1
    at = np.repeat(np.arange(ring.size), number)
    k = np.arange(at.size) - np.repeat(np.cumsum(number) - number, number) - count[at]
    offset = k * (half / count)[at]
    azimuth = np.deg2rad(world.azimuth_deg) + offset
    d = ring[at]
    top = (
        world.surface_m(east0 + d * np.sin(azimuth), north0 + d * np.cos(azimuth))
        - z0
        - d**2 / (2 * BENT_EARTH_M)
    )
    up = np.arctan2(top, d)
    ray = np.deg2rad(world.elevation_deg)
    foot = np.arctan2(np.sin(ray), cosine * np.cos(offset))
    meet = np.minimum(up, foot)
    angle = np.arccos(np.clip(np.sin(ray) * np.sin(meet) + cosine * np.cos(meet) * np.cos(offset), -1.0, 1.0))
    slant = np.maximum(np.hypot(d, top), 0.3)
    spare = np.rad2deg(angle) - room_deg(slant, world.dish_m, world.frequency_ghz)
    return float(spare.min()), bool(((k == 0) & (up >= ray)).any())


def sweep(world: World, place_m, half_width_deg: float, step_deg: float = 0.25):
    """What a surveyor at `place_m` (east, north, height) sees: by azimuth, the edge that asks for the highest line.

    Returns true azimuth, elevation and distance along the line of sight, (n,) each, and whether it is a plant's.
    """
    east0, north0, z0 = place_m
    azimuth = world.azimuth_deg + np.arange(-half_width_deg, half_width_deg + 1e-6, step_deg)
    near = np.concatenate([np.arange(0.8, 40.0, 0.2), np.arange(40.0, world.half_m * 1.42, 0.45)])
    reach = max(1.3 * world.hill[1], near[-1] * 1.2)
    d = np.concatenate(
        [near, near[-1] * 1.025 ** np.arange(1, 2 + int(np.log(reach / near[-1]) / np.log(1.025)))]
    )
    a = np.deg2rad(azimuth)[:, None]
    east, north = east0 + d * np.sin(a), north0 + d * np.cos(a)
    top = world.surface_m(east, north) - z0 - d**2 / (2 * BENT_EARTH_M)
    up = np.rad2deg(np.arctan2(top, d))
    slant = np.hypot(d, top)
    best = (up + room_deg(slant, world.dish_m, world.frequency_ghz)).argmax(axis=1)
    row = np.arange(azimuth.size)
    n = world.over.shape[0]
    col, line = (np.floor((v[row, best] + world.half_m) / COLUMN_M).astype(int) for v in (east, north))
    inside = (col >= 0) & (line >= 0) & (col < n) & (line < n)
    plant = inside & world.plants[np.clip(line, 0, n - 1), np.clip(col, 0, n - 1)]
    return azimuth, up[row, best], slant[row, best], plant

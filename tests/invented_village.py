"""An invented village of houses and trees as plain data, its surface raster, its outlines, and its triangles.

Nothing here uses the package under test. Plan coordinates are metres east and north on UTM zone 27, from the raster's
south-west corner; elevations are above the raster's datum.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

CRS = "EPSG:32627"
WEST, SOUTH = 283_000.0, 6_437_000.0
HIGHEST_GROUND_M = 90.0
EDGE_M = 160.0
"""Free ground around the houses, so that the raster reaches as far as anything could matter."""


@dataclass(frozen=True)
class House:
    """A house under a gabled, hipped or flat roof.

    east_m, north_m : its middle; turn_deg : of its long side from the east, counter-clockwise; half_m : half its sides
    """

    east_m: float
    north_m: float
    turn_deg: float
    half_m: tuple[float, float]
    eaves_m: float
    rise_m: float
    form: str
    chimney: bool

    def local(self, east, north):
        """Plan coordinates along and across its long side."""
        c, s = np.cos(np.deg2rad(self.turn_deg)), np.sin(np.deg2rad(self.turn_deg))
        x, y = np.asarray(east) - self.east_m, np.asarray(north) - self.north_m
        return c * x + s * y, c * y - s * x

    def plan(self, along, across):
        c, s = np.cos(np.deg2rad(self.turn_deg)), np.sin(np.deg2rad(self.turn_deg))
        along, across = np.asarray(along), np.asarray(across)
        return self.east_m + c * along - s * across, self.north_m + s * along + c * across

    @property
    def outline(self):
        a, b = self.half_m
        return np.column_stack(self.plan([-a, a, a, -a], [-b, -b, b, b]))

    def top_m(self, east, north):
        """Elevation of its roof and chimney; nan beside it."""
        u, v = self.local(east, north)
        a, b = self.half_m
        inside = (np.abs(u) <= a) & (np.abs(v) <= b)
        share = 1.0 - np.abs(v) / b
        if self.form == "hipped":
            share = np.minimum(share, (a - np.abs(u)) / b)
        height = self.eaves_m + (0.0 if self.form == "flat" else self.rise_m * share)
        if self.chimney:
            stack = (np.abs(u - 0.6 * a) < 0.5) & (np.abs(v) < 0.5)
            height = np.where(stack, self.eaves_m + self.rise_m + 1.2, height)
        return np.where(inside, height, np.nan)


@dataclass(frozen=True)
class Village:
    """houses, trees (tree, 4: east, north, top elevation, crown radius), size_m of the square that it stands on."""

    houses: tuple[House, ...]
    trees: np.ndarray
    size_m: float
    slope: tuple[float, float] = field(default=(0.01, -0.015))

    def ground_m(self, east, north):
        return 40.0 + self.slope[0] * np.asarray(east) / 10.0 + self.slope[1] * np.asarray(north) / 10.0


def village(count: int, *, seed: int = 1, trees_each: float = 1.5, spacing_m: float = 24.0) -> Village:
    """So many houses along streets, no two alike, with trees between them."""
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(count)))
    size_m = side * spacing_m + 2.0 * EDGE_M
    bare = Village((), np.zeros((0, 4)), size_m)
    houses = []
    for number in range(count):
        row, column = divmod(number, side)
        east = EDGE_M + (column + 0.5) * spacing_m + rng.uniform(-2.0, 2.0)
        north = EDGE_M + (row + 0.5) * spacing_m + rng.uniform(-2.0, 2.0)
        form = str(rng.choice(["gabled", "gabled", "hipped", "flat"]))
        half = (float(rng.uniform(4.0, 7.0)), float(rng.uniform(3.0, 4.5)))
        eaves = float(bare.ground_m(east, north)) + float(rng.choice([2.8, 5.4, 8.0], p=[0.4, 0.45, 0.15]))
        rise = 0.0 if form == "flat" else half[1] * float(rng.uniform(0.5, 0.9))
        houses.append(
            House(
                east, north, float(rng.uniform(0.0, 180.0)), half, eaves, rise, form, bool(rng.random() < 0.4)
            )
        )
    trees = []
    for _ in range(int(count * trees_each)):
        east, north = rng.uniform(EDGE_M, size_m - EDGE_M, 2)
        if any(np.hypot(east - h.east_m, north - h.north_m) < 8.5 for h in houses):
            continue
        tall = rng.uniform(5.0, 16.0)
        trees.append((east, north, float(bare.ground_m(east, north)) + tall, rng.uniform(1.5, 3.5)))
    return Village(tuple(houses), np.array(trees).reshape(-1, 4), size_m)


def surface(place: Village, cell_m: float):
    """(values, transform of cell centres): the surface at the centre of each cell, row 0 in the north."""
    count = int(place.size_m / cell_m)
    x = (np.arange(count) + 0.5) * cell_m
    y = place.size_m - (np.arange(count) + 0.5) * cell_m
    east, north = np.meshgrid(x, y)
    height = place.ground_m(east, north)

    def raise_to(middle, reach, top):
        columns = np.flatnonzero(np.abs(x - middle[0]) <= reach)
        rows = np.flatnonzero(np.abs(y - middle[1]) <= reach)
        box = np.ix_(rows, columns)
        height[box] = np.fmax(height[box], top(east[box], north[box]))

    for house in place.houses:
        raise_to((house.east_m, house.north_m), float(np.hypot(*house.half_m)), house.top_m)
    for at_east, at_north, top, radius in place.trees:

        def crown(e, n, at_east=at_east, at_north=at_north, top=top, radius=radius):
            off = np.hypot(e - at_east, n - at_north) / radius
            return np.where(
                off < 1.0, top - 1.5 * radius + 1.5 * radius * np.sqrt(np.clip(1 - off**2, 0, 1)), np.nan
            )

        raise_to((at_east, at_north), radius, crown)
    transform = (cell_m, 0.0, WEST + 0.5 * cell_m, 0.0, -cell_m, SOUTH + place.size_m - 0.5 * cell_m)
    return height.astype(np.float32), transform


def to_degrees(east, north):
    """Longitude and latitude of plan coordinates."""
    from pyproj import Transformer

    turn = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    return turn.transform(WEST + np.asarray(east), SOUTH + np.asarray(north))


def feature(ring, properties):
    """A GeoJSON polygon from a ring of plan coordinates."""
    closed = np.vstack([ring, ring[:1]])
    longitude, latitude = to_degrees(closed[:, 0], closed[:, 1])
    corners = [[round(float(a), 9), round(float(b), 9)] for a, b in zip(longitude, latitude, strict=True)]
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": {"type": "Polygon", "coordinates": [corners]},
    }


def write_outlines(path: Path, place: Village) -> Path:
    """The outlines of its houses as GeoJSON."""
    features = [feature(h.outline, {"id": f"{k:04d}", "form": h.form}) for k, h in enumerate(place.houses)]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return path


def write_surface(path: Path, place: Village, cell_m: float = 1.0) -> Path:
    """Its surface raster as GeoTIFF."""
    import rasterio
    from rasterio.transform import Affine

    values, (a, b, c, d, e, f) = surface(place, cell_m)
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0], count=1, dtype="float32",
        crs=CRS, transform=Affine(a, b, c - a / 2, d, e, f - e / 2), nodata=-9999.0, compress="deflate",
    ) as out:  # fmt: skip
        out.write(values, 1)
    return path


def patch_triangles(values, transform, east, north, reach_m, parts=3):
    """Triangles of the raster's bilinear cells around a place, each cell cut into parts x parts squares of two."""
    a, _, c, _, e, f = transform
    column = (WEST + east - c) / a
    row = (SOUTH + north - f) / e
    reach = int(reach_m / a)
    c0, c1 = max(int(column) - reach, 0), min(int(column) + reach, values.shape[1] - 1)
    r0, r1 = max(int(row) - reach, 0), min(int(row) + reach, values.shape[0] - 1)
    at_c = np.linspace(c0, c1, (c1 - c0) * parts + 1)
    at_r = np.linspace(r0, r1, (r1 - r0) * parts + 1)
    low_c, low_r = np.minimum(at_c.astype(int), c1 - 1), np.minimum(at_r.astype(int), r1 - 1)
    u, v = (at_c - low_c)[None, :], (at_r - low_r)[:, None]
    z = values.astype(float)
    near, far = z[np.ix_(low_r, low_c)], z[np.ix_(low_r + 1, low_c)]
    up = near * (1 - u) + z[np.ix_(low_r, low_c + 1)] * u
    down = far * (1 - u) + z[np.ix_(low_r + 1, low_c + 1)] * u
    height = up * (1 - v) + down * v
    x, y = np.broadcast_arrays((c + a * at_c - WEST)[None, :], (f + e * at_r - SOUTH)[:, None])
    points = np.stack([x, y, height], axis=-1)
    one = np.stack([points[:-1, :-1], points[:-1, 1:], points[1:, :-1]], axis=2)
    other = np.stack([points[1:, 1:], points[:-1, 1:], points[1:, :-1]], axis=2)
    return np.concatenate([one.reshape(-1, 3, 3), other.reshape(-1, 3, 3)])

"""An invented village: rough ground with houses and trees on it in a fine surface raster, over coarse bare ground."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from pyproj import Transformer

from skysill.horizon.lattice import Grid, HeldGrid


def rough_ground(seed, roughness, relief_m, side):
    """Fractal ground, (side, side) float32, 300 m high on average."""
    rng = np.random.default_rng(seed)
    frequency = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None])
    ground = np.fft.irfft2(
        np.fft.rfft2(rng.standard_normal((side, side))) * (frequency**2 + 0.004**2) ** (-roughness / 2),
        s=(side, side),
    )
    return (relief_m * (ground - ground.mean()) / ground.std() + 300.0).astype(np.float32)


def village(seed, side, cell_m):
    """(ground with houses and trees, ground), (side, side) float32."""
    rng = np.random.default_rng(seed)
    ground = rough_ground(seed, 2.6, 12.0, side)
    top = ground.copy()
    across = int(10 / cell_m) + 2
    for _ in range(int(side * side * cell_m**2 / 1500)):
        y, x = rng.integers(across, side - across, 2)
        a, b = np.maximum(rng.integers(4, 9, 2) / cell_m, 1).astype(int)
        part = np.s_[y - a : y + a, x - b : x + b]
        ridge = np.clip(rng.uniform(0, 3) - 0.4 * cell_m * np.abs(np.arange(2 * b) - b), 0, None)
        top[part] = ground[y, x] + rng.uniform(3, 8) + ridge
    for _ in range(int(side * side * cell_m**2 / 800)):
        y, x = rng.integers(across, side - across, 2)
        r = max(int(rng.uniform(1, 5) / cell_m), 1)
        part = np.s_[y - r : y + r + 1, x - r : x + r + 1]
        away = np.hypot(*np.mgrid[-r : r + 1, -r : r + 1])
        crown = ground[y, x] + rng.uniform(3, 16) * (1 - 0.5 * (away / (r + 0.5)) ** 2)
        top[part] = np.maximum(top[part], np.where(away <= r, crown, -99))
    return top.astype(np.float32), ground


@lru_cache
def sources(
    seed=1, side=400, cell_m=1.0, *, epsg=32627, east_m=500_000.0, north_m=6_430_000.0, fine_hole=False
):
    """Surface of the village over bare ground of 30 m around it, as sources of elevations, finest first."""
    top, _ = village(seed, side, cell_m)
    if fine_hole:
        rng = np.random.default_rng(seed)
        top[rng.random(top.shape) < 0.0005] = np.nan
        top[side // 2 : side // 2 + 25, side // 3 : side // 3 + 40] = np.nan
    half = 100
    bare = rough_ground(seed + 50, 2.0, 60.0, 2 * half) - 20.0
    middle = side * cell_m / 2
    crs = f"EPSG:{epsg}"
    fine = Grid(top, (cell_m, 0.0, east_m + 0.37, 0.0, -cell_m, north_m + 0.43 + side * cell_m), crs)
    coarse = Grid(
        bare, (30.0, 0.0, east_m + middle - 30.0 * half, 0.0, -30.0, north_m + middle + 30.0 * half), crs
    )
    return (
        HeldGrid(fine, "village.tif", "surface", cell_m, 0.3),
        HeldGrid(coarse, "around.tif", "bare", 30.0, 3.0),
    )


def addresses(
    count, seed, *, side=400, cell_m=1.0, epsg=32627, east_m=500_000.0, north_m=6_430_000.0, beyond_m=0.0
):
    """(n,) latitude, longitude and heights of dishes in the village, and so far beyond its raster."""
    rng = np.random.default_rng(seed)
    x, y = (start + rng.uniform(-beyond_m, side * cell_m + beyond_m, count) for start in (east_m, north_m))
    longitude, latitude = Transformer.from_crs(f"EPSG:{epsg}", "EPSG:4326", always_xy=True).transform(x, y)
    return latitude, longitude, rng.uniform(0.5, 4.0, count)

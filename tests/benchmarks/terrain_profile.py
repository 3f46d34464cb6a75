"""One full horizon profile: 3600 rays to 50 km over a 30 m raster, from the file; against a plain loop over rays.

python tests/benchmarks/terrain_profile.py

Prints seconds and ratios of one run; it passes or fails nothing. The ground is invented: a seeded field whose spectrum
falls off as in hilly country, 3600 x 3600 cells.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
from pyproj import Geod, Transformer

from skysill.horizon.lattice import Grid, HeldGrid
from skysill.horizon.terrain import ground_at, terrain_silhouette
from skysill.io.rasters import RasterSpec, open_rasters, write_geotiff
from skysill.units import local_earth_radius_m

CELLS, CELL_M, FAR_M = 3600, 30.0, 50_000.0
EAST, NORTH = 400_000.0, 6_450_000.0


def invented_ground() -> Grid:
    rng = np.random.default_rng(1)
    spectrum = np.fft.rfft2(rng.normal(size=(CELLS, CELLS)))
    pace = np.hypot(np.fft.fftfreq(CELLS)[:, None], np.fft.rfftfreq(CELLS))
    pace[0, 0] = 1.0
    hills = np.fft.irfft2(spectrum * np.where(pace < 2 / CELLS, 0.0, pace**-1.75), s=(CELLS, CELLS))
    hills *= 260.0 / hills.std()
    heights = (np.where(hills < 0, 0.3 * hills, hills) + 200.0).astype(np.float32)
    half = CELL_M * CELLS / 2
    return Grid(heights, (CELL_M, 0.0, EAST - half, 0.0, -CELL_M, NORTH + half), "EPSG:32627")


def plain_loop(
    grid: Grid, latitude: float, longitude: float, antenna_m: float, azimuths: np.ndarray
) -> np.ndarray:
    """One ray after another, one cell a step, bilinear: what one writes first."""
    geod, to_plane = Geod(ellps="WGS84"), Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    distance = np.arange(CELL_M, FAR_M, CELL_M)
    tops = []
    for azimuth in azimuths:
        lon, lat, _ = geod.fwd(*np.broadcast_arrays(longitude, latitude, azimuth, distance))
        x, y = to_plane.transform(lon, lat)
        col, row = (x - grid.transform[2]) / CELL_M, (grid.transform[5] - y) / CELL_M
        c, r = col.astype(int), row.astype(int)
        fc, fr = col - c, row - r
        z = grid.values
        upper, lower = z[r, c] * (1 - fc) + z[r, c + 1] * fc, z[r + 1, c] * (1 - fc) + z[r + 1, c + 1] * fc
        height = upper * (1 - fr) + lower * fr
        radius = 4 / 3 * float(local_earth_radius_m(latitude, azimuth))
        up = (radius + height) * np.cos(distance / radius) - (radius + antenna_m)
        tops.append(np.degrees(np.arctan2(up, (radius + height) * np.sin(distance / radius))).max())
    return np.array(tops)


def timed(call, repeat: int = 7) -> tuple[float, object]:
    best, answer = np.inf, None
    for _ in range(repeat):
        start = time.perf_counter()
        answer = call()
        best = min(best, time.perf_counter() - start)
    return best, answer


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        grid = invented_ground()
        write_geotiff(Path(folder) / "ground.tif", grid.values, like=grid)
        longitude, latitude = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(
            EAST, NORTH
        )
        ground, _ = ground_at([HeldGrid(grid)], latitude, longitude)
        antenna_m, azimuth = float(ground) + 2.0, np.arange(3600) / 10.0
        settings = {"latitude_deg": latitude, "longitude_deg": longitude, "antenna_elevation_m": antenna_m,
                    "azimuth_deg": azimuth, "highest_ground_m": 2000.0, "refraction_factor": 4 / 3,
                    "max_distance_m": FAR_M}  # fmt: skip
        held = HeldGrid(grid)
        terrain_silhouette([held], **settings)
        memory_s, _ = timed(lambda: terrain_silhouette([held], **settings))
        spec = [RasterSpec(Path(folder) / "ground.tif")]
        file_s, seen = timed(lambda: terrain_silhouette(open_rasters(spec), **settings))
        some = np.arange(0, 3600, 60)
        loop_s, loop_deg = timed(
            lambda: plain_loop(grid, latitude, longitude, antenna_m, azimuth[some]), repeat=3
        )
        loop_s *= azimuth.size / some.size
    far = seen.kept(seen.reliable)
    ours = np.array([far.elevation_deg[far.azimuth_deg == azimuth[at]].max() for at in some])
    lower = ours - loop_deg
    print(f"3600 rays x 50 km, 30 m cells, {len(seen)} columns kept")
    print(f"from file, opened and read   {file_s:.3f} s   plain loop / this: {loop_s / file_s:.0f}")
    print(f"grid already in memory       {memory_s:.3f} s   plain loop / this: {loop_s / memory_s:.0f}")
    print(f"plain loop, in memory        {loop_s:.2f} s   (from {some.size} rays)")
    print(
        f"one-cell steps miss crests: {lower.mean():.3f} degree lower on average, {lower.max():.3f} at most"
    )


if __name__ == "__main__":
    main()

"""Least heights and screening beside the horizon module of a general GIS (GRASS GIS, r.horizon), if it is installed.

    python tests/benchmarks/against_gis.py

Debian: apt install grass-core. Prints times, ratios and agreement of one run; never passes or fails. r.horizon takes
the nearest cell along the ray and starts from the cell's centre, so angles differ by its own sampling error.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio

from bulk import CELL_M, NORTH_M, addresses, geometry_alone, grid_at, reader, rough
from skysill.bulk import screening as room
from skysill.bulk.least_heights import tile_heights_m
from skysill.bulk.raster_tiles import Relief, Tile, block_relief
from skysill.bulk.running_maximum import SweepGeometry, swept_heights_m
from skysill.horizon.lattice import Lattice
from skysill.io.rasters import write_geotiff
from skysill.model.site import Criteria, Satellite, Terminal
from skysill.pointing.look_vector import look_angles
from skysill.pointing.refraction import refraction_deg

SIDE, REACH_M, POINTS = int(os.environ.get("SIDE", "4000")), 20_000, 20


def main():
    grass = shutil.which("grass")
    if grass is None:
        print("grass is not installed: nothing to compare with")
        return
    said = subprocess.run([grass, "--version"], capture_output=True, text=True, check=True)
    print((said.stdout + said.stderr).splitlines()[0])
    with tempfile.TemporaryDirectory() as folder:
        compare(grass, Path(folder))


def compare(grass, folder):
    ground = rough(SIDE)
    grid = grid_at(ground, NORTH_M[20])
    write_geotiff(folder / "g.tif", ground, like=grid)
    lattice = Lattice(ground.shape, grid.transform, grid.crs)
    azimuth, elevation = (float(part) for part in look_angles(
        *lattice.place(SIDE / 2, SIDE / 2), 700.0, satellite_longitude_deg=-20.0)[:2])  # fmt: skip
    there = np.subtract(lattice.cell(*_toward_satellite(lattice, azimuth)), (SIDE / 2, SIDE / 2))
    turned = (
        float(np.rad2deg(np.arctan2(-there[0], there[1]))) % 360.0
    )  # from east, counter-clockwise, on the grid
    (folder / "run.sh").write_text(
        "g.region raster=g\n"
        f"date +%s.%N\nr.horizon -d elevation=g direction={turned:.4f} output=h maxdistance={REACH_M} --q\ndate +%s.%N\n"  # noqa: E501  # one printed line
        "r.out.gdal input=$(g.list raster pattern='h_*') output=h.tif type=Float32 --q\n"
        "date +%s.%N\n"
        + "".join(f"g.region n={y + REACH_M} s={y - REACH_M} e={x + REACH_M} w={x - REACH_M} align=g\n"
                  f"r.horizon -d elevation=g coordinates={x:.1f},{y:.1f} direction={turned:.4f} maxdistance={REACH_M}"
                  " > /dev/null\n" for x, y in _points(grid)) + "date +%s.%N\n", encoding="ascii")  # fmt: skip
    subprocess.run(
        [grass, "-c", str(folder / "g.tif"), str(folder / "db"), "-e"], check=True, capture_output=True
    )
    mapset = str(folder / "db" / "PERMANENT")
    subprocess.run([grass, mapset, "--exec", "r.in.gdal", f"input={folder / 'g.tif'}", "output=g", "--q"], check=True,
                   capture_output=True)  # fmt: skip
    said = subprocess.run(
        [grass, mapset, "--exec", "sh", "run.sh"], check=True, capture_output=True, text=True, cwd=folder
    )
    start, middle, begin, end = (float(t) for t in re.findall(r"^\d{9,}\.\d+$", said.stdout, flags=re.M)[:4])
    theirs_s, point_s = middle - start, (end - begin) / POINTS
    began = time.perf_counter()
    relief, window, tiles = Relief(64, *block_relief(ground, 64)), reader(ground), []
    for top in range(0, SIDE, 2000):
        tiles.append([tile_heights_m(
            window, lattice, Tile(top, min(top + 2000, SIDE), left, min(left + 2000, SIDE)), relief=relief,
            satellite_longitude_deg=-20.0, highest_ground_m=float(ground.max()),
        ) for left in range(0, SIDE, 2000)])  # fmt: skip
    swept = np.block(tiles)
    ours_s = time.perf_counter() - began
    began = time.perf_counter()
    subprocess.run([sys.executable, "-m", "skysill.cli.main", "heights", "--terrain", str(folder / "g.tif"),
                    "--satellite", "20W", "--highest-ground", str(int(ground.max()) + 1), "--quiet",
                    "--out", str(folder / "heights.tif")], check=True)  # fmt: skip
    file_s = time.perf_counter() - began
    drift = np.full(SIDE, np.tan(np.deg2rad(20.0)))
    rise_m = np.zeros((SIDE, 3))
    rise_m[:, 0] = np.arange(SIDE) * CELL_M * np.tan(np.deg2rad(elevation))
    began = time.perf_counter()
    for left in range(0, SIDE, 2000):
        swept_heights_m(
            np.ascontiguousarray(ground[:, left : left + 2000]), SweepGeometry(drift, rise_m, 0.0)
        )
    sweep_s = time.perf_counter() - began
    with rasterio.open(folder / "h.tif") as found:
        angle = found.read(1)
    apparent = elevation + float(refraction_deg(elevation, 700.0))
    inner = np.s_[50:-250, 50:-50]
    theirs, ours = angle[inner] > apparent, swept[inner] > 0.0
    print(f"one direction, azimuth {azimuth:.1f}, elevation {elevation:.1f}, {SIDE} x {SIDE} cells, {REACH_M} m: "
          f"r.horizon {theirs_s:.2f} s wall; the sweep alone {sweep_s:.3f} s, ratio {theirs_s / sweep_s:.0f}; "
          f"least heights in memory {ours_s:.3f} s, ratio {theirs_s / ours_s:.0f}; "
          f"whole command from file to file {file_s:.2f} s, ratio {theirs_s / file_s:.0f}")  # fmt: skip
    print(f"hidden by r.horizon {100 * theirs.mean():.2f} %, by the sweep {100 * ours.mean():.2f} %, "
          f"different {100 * np.mean(theirs != ours):.2f} %; of those, "
          f"{100 * _slight(angle[inner], swept[inner], apparent):.0f} % "
          "lie within 1 degree of the ray or need under 2 m")  # fmt: skip
    for up in (20, 35):
        grid = grid_at(ground, NORTH_M[up])
        own = room.Ground.of(grid, name="g", kind="bare", cell_size_m=CELL_M, vertical_error_m=3.0)
        latitude, longitude = addresses(grid, 40_000)
        asked = room.ScreeningQuery(Satellite("S", -20.0), Terminal(), Criteria(), float(ground.max()))
        with geometry_alone():
            began = time.perf_counter()
            found = room.screen(own, latitude, longitude, 2.0, asked)
            each = (time.perf_counter() - began) / 40_000
        print(f"point mode: r.horizon, one azimuth, {1 / point_s:.1f} sites/s; screening geometry with the whole fan, "
              f"satellite {np.nanmean(found.elevation_deg):.0f} deg up, {1 / each:,.0f}, ratio {point_s / each:,.0f}")  # fmt: skip  # noqa: E501  # one printed line


def _toward_satellite(lattice, azimuth):
    from pyproj import Geod

    latitude, longitude = lattice.place(SIDE / 2, SIDE / 2)
    east, north, _ = Geod(ellps="WGS84").fwd(float(longitude), float(latitude), azimuth, 3_000.0)
    return north, east


def _points(grid):
    rng = np.random.default_rng(1)
    for _ in range(POINTS):
        column, row = rng.integers(100, SIDE - 100, 2)
        yield grid.transform[2] + CELL_M * column, grid.transform[5] - CELL_M * row


def _slight(angle, swept, apparent):
    different = (angle > apparent) != (swept > 0.0)
    near = np.where(swept > 0.0, swept < 2.0, angle - apparent < 1.0) | (np.abs(angle - apparent) < 1.0)
    return float(near[different].mean()) if different.any() else 1.0


if __name__ == "__main__":
    sys.exit(main())

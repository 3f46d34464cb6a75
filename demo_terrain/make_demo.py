"""Makes the invented island of Hollinsay: rasters, site files, a survey, obstacles, addresses.

    python demo_terrain/make_demo.py [FOLDER]

Nothing here is a real place. The same script makes the same files, byte for byte.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyproj
import rasterio
from rasterio.transform import from_origin

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import ground as land  # noqa: E402  (the folder is not a package)
import job_files  # noqa: E402
import open_data  # noqa: E402
import village as skerrow  # noqa: E402

CLINIC_LATITUDE_DEG, CLINIC_LONGITUDE_DEG = 58.0312, -24.6541
MAP_GRID = "EPSG:32627"
MAP_ORIGIN_M = (
    284_265.0,
    6_438_015.0,
)  # map coordinates of the land lattice's origin, a corner of a 30 m cell
RASTER_WEST_M, RASTER_EAST_M, RASTER_SOUTH_M, RASTER_NORTH_M = -24_000.0, 24_000.0, -34_500.0, 7_500.0
VILLAGE_WEST_M, VILLAGE_EAST_M, VILLAGE_SOUTH_M, VILLAGE_NORTH_M = -500, 700, -600, 800
ROCK = (-700.0, -34_090.0)  # Outer Sule, with the lighthouse, hard by the south edge of the raster
HOLE = (2150.0, -1545.0)  # in the radar shadow of the ridge
VOID = -32_768.0
DECLARED = "Invented. Hollinsay does not exist; no height here is a measurement of anywhere."

PLAN = f"+proj=aeqd +lat_0={CLINIC_LATITUDE_DEG} +lon_0={CLINIC_LONGITUDE_DEG} +ellps=WGS84 +units=m"
TO_PLAN = pyproj.Transformer.from_crs(MAP_GRID, PLAN, always_xy=True)
TO_MAP = pyproj.Transformer.from_crs(PLAN, MAP_GRID, always_xy=True)
TO_DEGREES = pyproj.Transformer.from_crs(PLAN, "EPSG:4326", always_xy=True)


def lattice_place(east_m, north_m):
    """Plan metres from the clinic -> metres on the land lattice."""
    x, y = TO_MAP.transform(east_m, north_m)
    return np.asarray(x) - MAP_ORIGIN_M[0], np.asarray(y) - MAP_ORIGIN_M[1]


def degrees_of(east_m, north_m):
    """Plan metres from the clinic -> (latitude, longitude)."""
    longitude, latitude = TO_DEGREES.transform(east_m, north_m)
    return float(latitude), float(longitude)


def written_place(east_m, north_m):
    """Plan metres from the clinic -> [longitude, latitude] as GeoJSON has them, to the millimetre."""
    latitude, longitude = degrees_of(east_m, north_m)
    return [round(longitude, 8), round(latitude, 8)]


def land_and_sea(lattice):
    """The whole raster: the land, the sea at 0 m, one hole without data."""
    rows = round((RASTER_NORTH_M - RASTER_SOUTH_M) / land.CELL_M)
    columns = round((RASTER_EAST_M - RASTER_WEST_M) / land.CELL_M)
    heights = np.zeros((rows, columns))
    top = round((RASTER_NORTH_M - (land.LAND_SOUTH_M + land.LAND_ROWS * land.CELL_M)) / land.CELL_M)
    left = round((land.LAND_WEST_M - RASTER_WEST_M) / land.CELL_M)
    heights[top : top + land.LAND_ROWS, left : left + land.LAND_COLUMNS] = lattice
    x, y = np.meshgrid(
        RASTER_WEST_M + (np.arange(columns) + 0.5) * land.CELL_M,
        RASTER_NORTH_M - (np.arange(rows) + 0.5) * land.CELL_M,
    )
    rock = 1.0 - np.hypot(x - ROCK[0], y - ROCK[1]) / 170.0
    heights = np.where(rock > 0.0, 16.0 * land.smooth(1.4 * rock), heights)
    wobble = land.lattice_noise(x, y, wavelength_m=110.0, seed=44)
    hole = 1.0 - np.hypot((x - HOLE[0]) / 330.0, (y - HOLE[1]) / 130.0) + 0.35 * wobble
    return np.where(hole > 0.0, VOID, np.round(heights * 16.0) / 16.0).astype(np.float32)


def plan_of_cells(x_m, y_m, step=20):
    """Plan east and north of every cell (row, column): exact every 20 m, linear between, within 0.1 mm."""
    nodes_x, nodes_y = (
        x_m[0] + step * np.arange(len(x_m) // step + 2),
        y_m[0] - step * np.arange(len(y_m) // step + 2),
    )
    exact = TO_PLAN.transform(*np.meshgrid(nodes_x + MAP_ORIGIN_M[0], nodes_y + MAP_ORIGIN_M[1]))
    column, row = (x_m - x_m[0]) / step, (y_m[0] - y_m) / step
    c, r = np.floor(column).astype(int), np.floor(row).astype(int)
    a, b = column - c, (row - r)[:, None]
    return [
        (nodes[r][:, c] * (1 - a) + nodes[r][:, c + 1] * a) * (1 - b)
        + (nodes[r + 1][:, c] * (1 - a) + nodes[r + 1][:, c + 1] * a) * b
        for nodes in exact
    ]


def village_surface(lattice, village):
    """1 m cells: the same ground, with everything that an airborne survey would show."""
    x = VILLAGE_WEST_M + 0.5 + np.arange(VILLAGE_EAST_M - VILLAGE_WEST_M)
    y = VILLAGE_NORTH_M - 0.5 - np.arange(VILLAGE_NORTH_M - VILLAGE_SOUTH_M)
    east, north = plan_of_cells(x, y)
    ground = land.ground_m(lattice, *np.meshgrid(x, y))
    surface = skerrow.surface_m(east, north, ground, foot_of(lattice), village)
    return (np.round(surface * 32.0) / 32.0).astype(np.float32)


def foot_of(lattice):
    """A function that gives the ground elevation at plan east, north."""
    return lambda east, north: float(land.ground_m(lattice, *lattice_place(east, north)))


def write_raster(path, values, *, west_m, north_m, cell_m, description):
    """A tiled, deflated GeoTIFF that says it is invented."""
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=values.shape[1],
        height=values.shape[0],
        count=1,
        dtype="float32",
        crs=MAP_GRID,
        transform=from_origin(MAP_ORIGIN_M[0] + west_m, MAP_ORIGIN_M[1] + north_m, cell_m, cell_m),
        nodata=VOID,
        tiled=True,
        blockxsize=256,
        blockysize=256,
        compress="deflate",
        predictor=3,
        zlevel=6,
    ) as raster:
        raster.write(values, 1)
        raster.set_band_unit(1, "metre")
        raster.set_band_description(1, description)
        raster.update_tags(
            PLACE="Hollinsay, an island that does not exist", DECLARATION=DECLARED, SEED=str(land.SEED)
        )


def make(folder):
    """Write every file of the demo into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    lattice = land.land_lattice()
    village = skerrow.build()
    write_raster(
        folder / "island.tif",
        land_and_sea(lattice),
        west_m=RASTER_WEST_M,
        north_m=RASTER_NORTH_M,
        cell_m=land.CELL_M,
        description="bare ground",
    )
    write_raster(
        folder / "village_surface.tif",
        village_surface(lattice, village),
        west_m=VILLAGE_WEST_M,
        north_m=VILLAGE_NORTH_M,
        cell_m=1.0,
        description="surface with houses, trees and walls",
    )
    scan = open_data.scan_points(
        lambda x, y: land.ground_m(lattice, x - MAP_ORIGIN_M[0], y - MAP_ORIGIN_M[1]),
        TO_PLAN.transform,
        TO_MAP.transform,
        foot_of(lattice),
        village,
    )
    published = folder / "survey_data"
    published.mkdir(exist_ok=True)
    open_data.write_scan(published / "village_scan.laz", *scan, MAP_GRID)
    (published / "village_footprints.geojson").write_text(
        open_data.footprints(written_place, village), encoding="utf-8", newline="\n"
    )
    job_files.write_all(
        folder, lattice, village, foot=foot_of(lattice), place=lattice_place, degrees=degrees_of
    )


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)

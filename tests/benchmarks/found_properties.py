"""Verdicts from properties found in invented laser scans, against the true streets that were scanned.

    python tests/benchmarks/found_properties.py [--streets 20] [--first SEED]

For every house of every street the property is found in the scan and in footprints drawn within 0.15 m; dishes are put
over its roof, and satellites asked at many azimuths. The truth is a height field of the street in numpy alone: the
required room is free where no point within its radius around the ray lies below it. Prints how many verdicts of
`clear` were false, how many places with room were `clear`, and the worst cases. It never passes or fails.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from skysill.assessment.job_context import prepared
from skysill.assessment.pipeline import assess
from skysill.errors import InputError
from skysill.extraction.footprints import Footprint
from skysill.extraction.found import SurveyData
from skysill.extraction.point_cloud import PointCloud
from skysill.extraction.property_search import find_property
from skysill.horizon.lattice import Grid
from skysill.io.property_folder import FarTerrain, write_property
from skysill.io.rasters import write_geotiff
from skysill.io.site_file import read_site_file
from skysill.model.site import Criteria, Mount, Satellite
from synthetic_scans import repeated, street

LATITUDE_DEG, LONGITUDE_DEG = 48.0, -24.0
DISH_M, FREQUENCY_GHZ = 1.2, 19.7
LIGHT_M_GHZ = 0.299792458
REACH_M = 90.0


def height_field(truth, east, north):
    """Top of everything solid or in leaf at places, and whether they lie in the scanned extent."""
    top = truth.bare_ground_m(east, north)
    for house in truth.houses:
        roof = house.roof_m(east, north)
        if house.parapet_m:
            on = np.isfinite(roof)
            roof = np.where(
                on & near_outline(house, east, north), house.eaves_elevation_m + house.parapet_m, roof
            )
        top = np.fmax(top, roof)
    for fixture in truth.fixtures:
        if len(fixture.outline) > 1:
            top = np.where(inside(fixture.outline, east, north), np.fmax(top, fixture.top_elevation_m), top)
    for tree in truth.trees:
        share = np.hypot(east - tree.east_m, north - tree.north_m) / tree.crown_radius_m
        depth = tree.height_m - tree.crown_base_m
        shape = np.sqrt(np.maximum(1.0 - share**2, 0.0)) if tree.shape == "round" else 1.0 - share**2
        drop = depth / 2.0 * (1.0 - shape) if tree.shape == "round" else depth * (1.0 - shape)
        top = np.where(share < 1.0, np.fmax(top, tree.ground_m + tree.height_m - drop), top)
    for hedge in truth.hedges:
        way = hedge.line[1] - hedge.line[0]
        along = ((east - hedge.line[0, 0]) * way[0] + (north - hedge.line[0, 1]) * way[1]) / (way @ way)
        along = np.clip(along, 0.0, 1.0)
        away = np.hypot(east - hedge.line[0, 0] - along * way[0], north - hedge.line[0, 1] - along * way[1])
        ground = truth.bare_ground_m(east, north)
        top = np.where(away < hedge.width_m / 2.0, np.fmax(top, ground + hedge.height_m), top)
    for car in truth.cars:
        top = np.where(inside(car, east, north), np.fmax(top, truth.bare_ground_m(east, north) + 1.5), top)
    west, south, right, up = truth.extent
    return top, (east > west) & (east < right) & (north > south) & (north < up)


def near_outline(house, east, north):
    """Whether places lie within the parapet's width of a house's outline."""
    best = np.full(np.shape(east), np.inf)
    for a, b in zip(house.outline, np.roll(house.outline, -1, axis=0), strict=True):
        way = b - a
        along = np.clip(((east - a[0]) * way[0] + (north - a[1]) * way[1]) / (way @ way), 0.0, 1.0)
        best = np.minimum(best, np.hypot(east - a[0] - along * way[0], north - a[1] - along * way[1]))
    return best < house.parapet_width_m


def inside(ring, east, north):
    found = np.zeros(np.shape(east), dtype=bool)
    for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        if y0 != y1:
            found ^= ((y0 > north) != (y1 > north)) & (east < x0 + (north - y0) * (x1 - x0) / (y1 - y0))
    return found


def truly_free(truth, dish, azimuth_deg, elevation_deg, share=1.0):
    """Whether the required room around a ray is free of the true street, out to where the scan ends."""
    azimuth, elevation = np.deg2rad([azimuth_deg, elevation_deg])
    way = np.array(
        [np.sin(azimuth) * np.cos(elevation), np.cos(azimuth) * np.cos(elevation), np.sin(elevation)]
    )
    right = np.array([np.cos(azimuth), -np.sin(azimuth), 0.0])
    upward = np.cross(right, way)
    distance = np.arange(0.3, REACH_M, 0.1)
    room = share * (DISH_M / 2.0 + 0.6 * np.sqrt(LIGHT_M_GHZ / FREQUENCY_GHZ * distance))
    turn = np.deg2rad(np.arange(0.0, 360.0, 10.0))
    off = np.cos(turn)[:, None] * right + np.sin(turn)[:, None] * upward
    places = dish + distance[:, None, None] * way + room[:, None, None] * off
    west, south, east, north = truth.extent  # the street repeats on all sides
    top, _ = height_field(
        truth,
        west + (places[..., 0] - west) % (east - west),
        south + (places[..., 1] - south) % (north - south),
    )
    return not (places[..., 2] < top).any()


@dataclass(frozen=True)
class Far(FarTerrain):
    highest_m: float = 0.0


def far_raster(folder, level_m):
    """Level bare ground of 30 m cells around the street, as an open elevation model has it."""
    half, cell = 200, 30.0
    values = np.full((2 * half + 1, 2 * half + 1), level_m, dtype=np.float32)
    crs = f"+proj=aeqd +lat_0={LATITUDE_DEG} +lon_0={LONGITUDE_DEG} +datum=WGS84 +units=m +no_defs"
    transform = (cell, 0.0, -half * cell, 0.0, -cell, half * cell)
    write_geotiff(folder / "far.tif", values, like=Grid(values, transform, crs))
    return Far("far.tif", "bare", 2.0, highest_m=level_m + 60.0)


def trial(seed, rng, tally, worst):
    scan = street(seed, points_per_m2=float(rng.uniform(5, 20)), noise_m=float(rng.uniform(0.03, 0.1)),
                  classes=str(rng.choice(["asprs", "ground", "none"])), flight_lines=2,
                  slope=(0.0, 0.0))  # fmt: skip
    scan = repeated(scan, 3, 3)
    west, south, right, up = scan.truth.extent
    step = np.array([right - west, up - south])
    shifts = [step * (i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
    for house in scan.truth.houses:
        middle = house.outline.mean(axis=0)
        moved = scan.points - np.array([*(middle + step), 0.0])
        near = np.hypot(moved[:, 0], moved[:, 1]) < REACH_M
        cloud = PointCloud.of(
            moved[near], scan.classes[near], scan.return_number[near], scan.returns[near],
            survey=SurveyData("scan.laz", 0.05, 0.1, survey_year=2026.0, year=2026.5), reach_m=REACH_M,
        )  # fmt: skip
        drawn = [
            Footprint(
                one.name,
                tuple(map(tuple, one.outline - middle + shift + rng.normal(0.0, 0.1, one.outline.shape))),
            )
            for one in scan.truth.houses
            for shift in shifts
        ]
        began = time.perf_counter()
        try:
            found = find_property(
                cloud, drawn, latitude_deg=LATITUDE_DEG, longitude_deg=LONGITUDE_DEG, least_elevation_deg=22.0
            )
        except InputError as fault:
            tally["refused"] += 1
            print(f"street {seed}, {house.name}: {fault}")
            continue
        tally["seconds"] += time.perf_counter() - began
        tally["properties"] += 1
        with tempfile.TemporaryDirectory() as folder:
            far = far_raster(Path(folder), float(scan.truth.bare_ground_m(*middle)))
            write_property(
                folder, found, satellites=[("any", "-24.0")], far=[far], highest_ground_m=far.highest_m
            )
            job = read_site_file(Path(folder) / "site.toml")
            verdicts(seed, house, middle, scan.truth, job, rng, tally, worst)


def verdicts(seed, house, middle, truth, job, rng, tally, worst):
    satellites = tuple(Satellite(f"{lon:g}", float(lon)) for lon in (-58.0, -40.0, -24.0, -8.0, 10.0))
    job = prepared(
        replace(job, satellites=satellites, criteria=Criteria(years_ahead=0.0))
    )  # the truth is today's
    ring = house.outline - middle
    for _ in range(3):
        share = rng.dirichlet(np.ones(len(ring)))
        east, north = share @ ring
        height = float(rng.uniform(0.7, 2.5))
        try:
            found = assess(job, Mount("trial", float(east), float(north), height_m=height))
        except InputError:
            tally["inside something"] += 1
            continue
        at = found.evidence.place
        dish = np.array([east + middle[0], north + middle[1], at.antenna_elevation_m])
        for one in found.results:
            if not one.look.visible:
                continue
            free = truly_free(truth, dish, one.look.azimuth_deg, one.look.elevation_apparent_deg)
            tally["asked"] += 1
            tally["free"] += free
            tally[one.verdict] += 1
            if one.verdict == "clear":
                tally["false clear"] += not free
                met = not truly_free(truth, dish, one.look.azimuth_deg, one.look.elevation_apparent_deg, 0.0)
                tally["clear, ray met"] += met
                if not free:
                    worst.append(
                        (seed, house.form, east, north, height, one.look.azimuth_deg, one.p_clear, met)
                    )
            tally["free and clear"] += free and one.verdict == "clear"
            if one.verdict == "blocked":
                tally["blocked though free"] += free


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--streets", type=int, default=20)
    asked.add_argument("--first", type=int, default=100)
    given = asked.parse_args()
    from collections import Counter

    tally: Counter = Counter()
    worst: list = []
    for seed in range(given.first, given.first + given.streets):
        trial(seed, np.random.default_rng([58, seed]), tally, worst)
    for label, count in tally.items():
        print(f"{label:<22}{count:10.1f}" if label == "seconds" else f"{label:<22}{count:8d}")
    clear, free = max(tally["clear"], 1), max(tally["free"], 1)
    print(f"false clear {100 * tally['false clear'] / clear:.2f} % of {clear}")
    print(f"clear where free {100 * tally['free and clear'] / free:.0f} % of {free}")
    for case in worst[:20]:
        print("false clear:", *(f"{v:.2f}" if isinstance(v, float) else v for v in case))


if __name__ == "__main__":
    main()

"""Planes, ridges and what stands off them, found in synthetic scans of invented streets, against their exact truth.

python tests/benchmarks/roof_planes.py [--streets 20] [--cell 0.5] [--value mean|highest] [--shift 1.0]
    [--verbose]

Seven houses a street, each form once; 5 to 20 points a square metre, 3 to 10 cm noise, one or two flight lines.
Prints rates; never passes or fails.
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1]))

from roof_truth import around, compare, rasterised, top_line_of
from skysill.extraction.found import SurveyData
from skysill.extraction.roof_planes import roof_from_points, roof_from_surface
from synthetic_scans import FORMS, street


def main():
    asked = argparse.ArgumentParser()
    asked.add_argument("--streets", type=int, default=20)
    asked.add_argument("--first", type=int, default=100)
    asked.add_argument("--cell", type=float, default=0.0)
    asked.add_argument("--value", default="mean")
    asked.add_argument("--shift", type=float, default=0.0, help="metres that the footprint lies off the scan")
    asked.add_argument("--verbose", action="store_true")
    wanted = asked.parse_args()
    rows, things, took_s = [], {}, 0.0
    for seed in range(wanted.first, wanted.first + wanted.streets):
        rng = np.random.default_rng(seed)
        density, noise_m = rng.uniform(5.0, 20.0), rng.uniform(0.03, 0.10)
        scan = street(seed, points_per_m2=density, noise_m=noise_m, flight_lines=1 + seed % 2)
        for house in scan.truth.houses:
            near = around(scan.points, house.outline)
            data = SurveyData("scan", 0.1, 0.1, 2025.0, 2026.0)
            turn = rng.uniform(0.0, 2.0 * np.pi)
            outline = house.outline + wanted.shift * np.array([np.cos(turn), np.sin(turn)])
            start = time.perf_counter()
            if wanted.cell:
                east_m, north_m, z = rasterised(near, wanted.cell, wanted.value)
                start = time.perf_counter()
                roof = roof_from_surface(
                    east_m[None, :], north_m[:, None], z, outline, cell_m=wanted.cell, cells=wanted.value, data=data,
                    ground_elevation_m=house.ground_m,
                )  # fmt: skip
            else:
                roof = roof_from_points(near, outline, data=data, ground_elevation_m=house.ground_m)
            took_s += time.perf_counter() - start
            got = compare(roof, house.outline, house.facets, top_line_of(house))
            rows.append((house.form, got, len(roof.parapets), house.parapet_m, roof))
            count_fixtures(things, scan.truth.fixtures, house, roof)
            ok = got.found == got.true and not got.wrong and abs(got.height_m) < 0.15 and (
                house.form == "flat" or got.place_m < 0.3)  # fmt: skip
            if wanted.verbose and not ok:
                print(
                    f"{seed} {house.form} {density:.0f}/m2 {noise_m:.2f} m: {got.found}/{got.true}, wrong {got.wrong}, "
                    f"height {got.height_m:+.2f}, place {got.place_m:.2f}, gap {got.gap_m2:.1f}, "
                    f"{[(p.samples, round(p.residual_rms_m, 2)) for p in roof.planes]} {roof.notes} "
                    f"{[o.kind for o in roof.standing_off]}"
                )
    report(rows, things, took_s)


def count_fixtures(things, fixtures, house, roof):
    for one in fixtures:
        if one.house != house.name:
            continue
        spot = shapely.MultiPoint(one.outline).convex_hull.buffer(0.4)
        near = [o for o in roof.standing_off if spot.intersects(shapely.Polygon(o.outline_m))]
        row = things.setdefault(one.kind, [0, 0, 0, []])
        row[0] += 1
        row[1] += bool(near)
        row[2] += any(o.kind == one.kind for o in near)
        row[3] += [o.top_elevation_m - one.top_elevation_m for o in near[:1]]


def report(rows, things, took_s):
    print(f"{'form':12} houses  planes found  wrong   height<0.15  place<0.3  both    overlap/gap m2")
    for form in (*FORMS, "all"):
        mine = [got for kind, got, *_ in rows if form in (kind, "all")]
        placed = [got for kind, got, *_ in rows if form in (kind, "all") and kind != "flat"]
        true = sum(g.true for g in mine)
        high = np.array([abs(g.height_m) < 0.15 for g in mine])
        both = np.array([abs(g.height_m) < 0.15 and (k == "flat" or g.place_m < 0.3) for k, g, *_ in rows
                         if form in (k, "all")])  # fmt: skip
        place = np.mean([g.place_m < 0.3 for g in placed]) if placed else np.nan
        print(
            f"{form:12} {len(mine):6d}  {sum(g.found for g in mine) / true:8.1%} of {true:3d}  "
            f"{sum(g.wrong for g in mine) / true:6.1%}  {high.mean():8.1%}  {place:10.1%}  {both.mean():8.1%}   "
            f"{max(g.overlap_m2 for g in mine):.3f} / {max(g.gap_m2 for g in mine):.2f}"
        )
    for kind, (many, seen, named, off_m) in things.items():
        spread = (
            f"{np.median(off_m):+.2f} m, 90 % within {np.quantile(np.abs(off_m), 0.9):.2f} m" if off_m else ""
        )
        print(
            f"{kind}: {many}, something found there {seen / many:.0%}, of that kind {named / many:.0%}; top {spread}"
        )
    flat = [(count, tall, roof) for form, _, count, tall, roof in rows if form == "flat"]
    tops = [np.mean([line[2] for line in wall.line_m]) - wall.ground_elevation_m - tall
            for _, tall, roof in flat for wall in roof.parapets]  # fmt: skip
    if tops:
        print(
            f"parapets: {np.mean([c == 4 for c, *_ in flat]):.0%} with all four sides; top {np.median(tops):+.2f} m"
        )
    off = sum(len(row[4].standing_off) for row in rows)
    print(f"things standing off: {off}, fixtures found: {sum(row[1] for row in things.values())}")
    print(f"{took_s / len(rows):.2f} s a house")


if __name__ == "__main__":
    main()

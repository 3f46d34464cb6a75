"""Roofs screened in bulk: python tests/benchmarks/roofs.py rate [COUNT] | equal [COUNT] | file [COUNT]

rate : roofs a second of one core, by parts of the work, and the ratio to `mounts` one by one, both in this run
equal : a sample of roofs, spots 2 m apart, against `mounts` on each; full assessments of every spot offered, also one
    step lower
file : whole process, GeoJSON to CSV

The ground is an invented village (tests/invented_village.py), 1 m cells, the satellite at 24 degrees.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from invented_village import HIGHEST_GROUND_M, village, write_outlines, write_surface
from skysill.assessment.job_context import prepared
from skysill.assessment.pipeline import assess
from skysill.bulk.prefilter import ScreeningQuery
from skysill.bulk.roof_results import RoofSearch, edge_distances_m, outline_of
from skysill.bulk.roof_spots import Roofs, roof_spots
from skysill.geodesy.positions import plan_offset
from skysill.io.address_lists import open_addresses
from skysill.io.building_lists import read_buildings
from skysill.io.rasters import RasterSpec, open_rasters
from skysill.io.roof_parts import RoofParts
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.siting.mounts import compare_mounts

SOUTH = Satellite("Demo South", -24.0)
QUERY = ScreeningQuery(SOUTH, Terminal(), Criteria(), HIGHEST_GROUND_M)
SEARCH = RoofSearch()


def made(folder: Path, count: int, seed: int = 5):
    """An invented village on disk, opened: rasters and roofs."""
    place = village(count, seed=seed)
    write_outlines(folder / "houses.geojson", place)
    write_surface(folder / "surface.tif", place, 1.0)
    rasters = open_rasters([RasterSpec(folder / "surface.tif", "surface")])
    file = open_addresses(folder / "houses.geojson")
    _, roofs = read_buildings(
        file, default_height_m=2.0, satellites=(), step_m=SEARCH.step_m, setback_m=SEARCH.setback_m
    )
    return rasters, roofs


def job_of(rasters, roofs: Roofs, at: int) -> Job:
    return Job(
        site=Site("roof", float(roofs.latitude_deg[at]), float(roofs.longitude_deg[at])),
        satellites=(SOUTH,),
        sources=Sources(rasters=rasters, highest_ground_m=HIGHEST_GROUND_M),
        roof=outline_of(roofs, at),
        mounts_named=False,
    )


def timed(work):
    start = time.process_time()
    result = work()
    return result, time.process_time() - start


def rate(folder: Path, count: int) -> None:
    rasters, roofs = made(folder, count)
    parts = RoofParts(rasters, SEARCH)
    parts.screened(roofs, np.full(len(roofs), 2.0), QUERY)  # compiles, and holds the raster
    found, took_s = timed(lambda: parts.screened(roofs, np.full(len(roofs), 2.0), QUERY))
    grid = rasters[0].cells(0, rasters[0].rows, 0, rasters[0].cols)
    spots, spots_s = timed(
        lambda: roof_spots(roofs, [grid], step_m=SEARCH.step_m, setback_m=SEARCH.setback_m)
    )
    _, edges_s = timed(lambda: edge_distances_m(roofs, spots.building, spots.east_m, spots.north_m))
    sample = np.linspace(0, len(roofs) - 1, 8).astype(int)
    _, single_s = timed(
        lambda: [compare_mounts(job_of(rasters, roofs, k), grid_step_m=SEARCH.step_m, keep=1) for k in sample]
    )
    single_s /= sample.size
    verdicts = dict(zip(*np.unique(found.verdict.astype(str), return_counts=True), strict=True))
    print(f"{len(roofs)} roofs, {spots.building.size / len(roofs):.0f} spots each: {verdicts}")
    print(f"masts over the lowest: {np.mean(found.numbers['mast_height_m'] > 0.71):.1%}")
    print(f"search {len(roofs) / took_s:,.0f} roofs a second; spots {1e6 * spots_s / len(roofs):.0f} us and edges "
          f"{1e6 * edges_s / len(roofs):.0f} us of {1e6 * took_s / len(roofs):.0f} us a roof")  # fmt: skip
    print(f"mounts one by one: {1.0 / single_s:.2f} a second, ratio {single_s * len(roofs) / took_s:,.0f}")


def equal(folder: Path, count: int) -> None:
    rasters, roofs = made(folder, count, seed=8)
    found = RoofParts(rasters, replace(SEARCH, step_m=2.0)).screened(roofs, np.full(len(roofs), 2.0), QUERY)
    differ, unproved, lower_too, p_apart = [], [], [], 0.0
    for k in range(len(roofs)):
        job = job_of(rasters, roofs, k)
        rows = compare_mounts(job, grid_step_m=2.0, keep=1).mounts
        there = {name: float(values[k]) for name, values in found.numbers.items()}
        east_m, north_m = plan_offset(
            roofs.latitude_deg[k],
            roofs.longitude_deg[k],
            there["spot_latitude_deg"],
            there["spot_longitude_deg"],
        )
        mount = Mount(
            "spot", float(east_m), float(north_m), there["mast_height_m"], there["surface_elevation_m"]
        )
        proof = assess(prepared(job), mount, explain=False).results[0]
        if proof.verdict != found.verdict[k]:
            unproved.append(k)
        if proof.p_clear is not None:
            p_apart = max(p_apart, abs(proof.p_clear - found.numbers["p_clear"][k]))
        if rows:
            row = rows[0]
            mast_m = np.nan if row.least_height_m is None else row.least_height_m
            same = row.verdict == found.verdict[k] and np.isclose(
                mast_m, found.least_height_m[k], equal_nan=True
            )
            margins = min(row.margin_deg, 10.0), min(proof.clearance.margin_deg, 10.0)
            if not same or abs(margins[0] - margins[1]) > 1e-3:
                differ.append((k, row.verdict, found.verdict[k], mast_m, found.least_height_m[k], *margins))
        if found.verdict[k] == "clear" and mount.height_m > 0.71:
            less = assess(prepared(job), replace(mount, height_m=mount.height_m - 0.05), explain=False)
            if less.results[0].verdict == "clear":
                lower_too.append(k)
    print(f"{len(roofs)} roofs: {len(differ)} differ from mounts, {len(unproved)} not proved by assess, "
          f"{len(lower_too)} serve a step lower too; p_clear up to {p_apart:.4f} apart")  # fmt: skip
    print(differ[:10], unproved[:10], lower_too[:10])


def whole(folder: Path, count: int) -> None:
    made(folder, count)
    code = "import sys; from skysill.cli.main import run; run()"
    start = time.perf_counter()
    surface = f"{folder / 'surface.tif'}:surface"
    subprocess.run(
        [sys.executable, "-c", code, "screen", folder / "houses.geojson", "--terrain", surface,
         "--satellite", "24.0W", "--highest-ground", f"{HIGHEST_GROUND_M:g}", "--jobs", "1", "--quiet", "--out",
         folder / "out.csv"], check=True,
    )  # fmt: skip
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{count} roofs, whole process: {time.perf_counter() - start:.1f} s wall, "
          f"{used.ru_utime + used.ru_stime:.1f} s of processor, {used.ru_maxrss / 1e6:.2f} GB")  # fmt: skip


if __name__ == "__main__":
    asked = sys.argv[1] if len(sys.argv) > 1 else "rate"
    many = int(sys.argv[2]) if len(sys.argv) > 2 else {"rate": 500, "equal": 200, "file": 2000}[asked]
    with tempfile.TemporaryDirectory() as name:
        {"rate": rate, "equal": equal, "file": whole}[asked](Path(name), many)

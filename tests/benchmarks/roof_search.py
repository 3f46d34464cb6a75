"""Roof search against full assessments of every spot: python tests/benchmarks/roof_search.py [SITE_FILE] [GRID]

Processor time of `compare_mounts` over a grid, and of one plain assessment of a spot at one height, both in this run.
An exhaustive search assesses every spot at every height: the ratio says how many of those the search stands for.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from skysill.assessment.job_context import prepared
from skysill.assessment.pipeline import assess
from skysill.io.site_file import read_site_file
from skysill.siting.mast_search import mast_heights_m, mount_at
from skysill.siting.mounts import compare_mounts

DEMO = Path(__file__).parents[2] / "demo_terrain" / "clinic.toml"


def main() -> None:
    path = sys.argv[1] if len(sys.argv) > 1 else DEMO
    step_m = float(sys.argv[2]) if len(sys.argv) > 2 else 1.0
    job = read_site_file(path)
    start = time.process_time()
    found = compare_mounts(job, grid_step_m=step_m)
    search_s = time.process_time() - start
    grid, ready = found.searched.spots, prepared(job)
    start = time.process_time()
    for number in range(10):
        assess(ready, mount_at(grid, number * len(grid) // 10, 1.5), explain=False)
    one_s = (time.process_time() - start) / 10.0
    tried = len(grid) * len(mast_heights_m(ready))
    print(f"{len(grid)} spots, {len(job.satellites)} satellites: search {search_s:.1f} s of processor")
    print(
        f"one full assessment {one_s:.3f} s; {tried:,} of them {tried * one_s:,.0f} s: "
        f"ratio {tried * one_s / search_s:,.0f}"
    )
    print(f"best: {found.mounts[0].name}, {found.mounts[0].least_height_m} m, {found.mounts[0].verdict}")


if __name__ == "__main__":
    main()

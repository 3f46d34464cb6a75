"""Questions for callers, and their answers: rates, with ratios to one address at a time.

python tests/benchmarks/callers.py
"""

import datetime as dt
import tempfile
import time
from pathlib import Path

import numpy as np

from bulk import NORTH_M, addresses, grid_at, over, rough, timed, write_list
from skysill.bulk.questions import CallDay, questions_for
from skysill.bulk.replies import Reply, judged_reply
from skysill.io.rasters import write_geotiff
from skysill.model.job import Job
from skysill.model.link import Link
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.pointing.look_vector import look_angles
from skysill.pointing.sun import sun_crossings
from skysill.pointing.sun_passages import sun_passages_s
from skysill.siting.allowed_heights import allowed_height_m

AT_M = [10.0, 20.0, 50.0]
LINK, DAY = Link(Terminal(), Criteria()), dt.datetime(2026, 12, 1, tzinfo=dt.UTC)


def rate(count, call):
    began = time.process_time()
    call()
    return count / (time.process_time() - began)


def kernels(count=500_000, alone=200):
    rng = np.random.default_rng(1)
    latitude, longitude = rng.uniform(40.0, 60.0, count), rng.uniform(-30.0, -10.0, count)
    height = rng.choice([2.0, 3.0, 5.0], count)
    azimuth, elevation, _ = look_angles(latitude, longitude, 0.0, satellite_longitude_deg=-20.0)

    def one_by_one():
        for k in range(alone):
            allowed_height_m(
                [10.0, 20.0, 50.0], elevation_deg=float(elevation[k]), antenna_height_m=height[k], link=LINK
            )
            sun_crossings(latitude[k], longitude[k], 0.0, azimuth_deg=float(azimuth[k]), satellite_elevation_deg=30.0,
                          first_utc=DAY, last_utc=DAY + dt.timedelta(days=1))  # fmt: skip

    whole = rate(count, lambda: questions_for(
        latitude, longitude, azimuth_deg=azimuth, elevation_deg=elevation, mount_height_m=height, link=LINK,
        day=CallDay(DAY)))  # fmt: skip
    sun = rate(count, lambda: sun_passages_s(latitude, longitude, azimuth, first_utc=DAY))
    single = rate(alone, one_by_one)
    print(f"questions {whole:,.0f} a second; of them the sun's time alone {sun:,.0f}; one at a time {single:,.0f}, "
          f"ratio {whole / single:,.0f}")  # fmt: skip
    site = Site("croft", 58.0312, -24.6541, ground_elevation_m=41.0)
    job = Job(site, (Satellite("S", -24.0),))
    sizes = zip(rng.uniform(3.0, 20.0, 60), rng.uniform(8.0, 60.0, 60), strict=True)
    told = [Reply("tree", float(height_m), float(away_m)) for height_m, away_m in sizes]
    print(
        f"answers {rate(60, lambda: [judged_reply(job, Mount(height_m=2.0), [one]) for one in told]):,.0f} a second"
    )


def files(count=500_000):
    """Whole processes, satellite at 35 degrees, CSV to CSV, one process."""
    with tempfile.TemporaryDirectory() as folder:
        where, ground = Path(folder), rough()
        grid = grid_at(ground, NORTH_M[35])
        write_geotiff(where / "rough.tif", ground, like=grid)
        write_list(where / "list.csv", *addresses(grid, count))
        command = ["screen", str(where / "list.csv"), *over(where / "rough.tif", ground), "--position-error", "0",
                   "--jobs", "1", "--out", str(where / "out.csv")]  # fmt: skip
        timed(command)
        timed([*command, "--questions"])


if __name__ == "__main__":
    kernels()
    files()

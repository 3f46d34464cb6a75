"""Rates of the compiled loops beside the one-by-one way and the array way, in one run.

    python tests/benchmarks/compiled.py

Invented ground (tests/small_village.py); figures in processor seconds of one core. Read the ratios before the rates.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from skysill.bulk.compiled.kernel import dish_clearances, dish_findings, least_dish_heights, load
from skysill.bulk.compiled.placed import place_dishes
from skysill.bulk.compiled.raster_stack import raster_stack
from skysill.bulk.compiled.verdicts import screen_compiled
from skysill.bulk.controlling_obstruction import controlling_ground
from skysill.bulk.prefilter import Ground, ScreeningQuery, locate_places, may_come_near
from skysill.bulk.screening import screen, screen_one_by_one
from skysill.horizon.lattice import Grid, Lattice
from skysill.model.site import Criteria, Satellite, Terminal
from small_village import addresses, rough_ground, sources


def seconds(work) -> float:
    """The better of two runs."""
    best = np.inf
    for _ in range(2):
        started = time.process_time()
        work()
        best = min(best, time.process_time() - started)
    return best


def query(longitude_deg: float, highest_m: float) -> ScreeningQuery:
    return ScreeningQuery(Satellite("Demo", longitude_deg), Terminal(), Criteria(), highest_m)


def village() -> None:
    """Surface of 1 m over bare ground of 30 m."""
    side = 1200
    for name, place, satellite in (
        ("35 degrees", {"epsg": 32627, "north_m": 5_240_000.0}, -20.0),
        ("23 degrees", {"epsg": 32627, "north_m": 6_530_000.0}, -20.0),
    ):
        rasters = sources(1, side, **place)
        stack = raster_stack(rasters, [raster.grid for raster in rasters])
        asked = query(satellite, 700.0)
        places = addresses(1500, 7, side=side, **place)
        dishes = place_dishes(stack, *places, asked)
        few = tuple(part[:40] for part in places)
        one = seconds(lambda f=few, r=rasters, a=asked: screen_one_by_one(r, *f, a)) / 40
        print(
            f"surface of 1 m, satellite at {dishes.apparent_deg.mean():.0f} ({name}); one by one {1 / one:.0f} a second"
        )
        for label, work in (
            ("clearance", lambda s=stack, d=dishes, a=asked: dish_clearances(s, d, a)),
            ("clearance and certainty", lambda s=stack, d=dishes, a=asked: dish_findings(s, d, a)),
            ("least height", lambda s=stack, d=dishes, a=asked: least_dish_heights(s, d, a, most_m=12.0)),
            (
                "screening, all fields",
                lambda s=stack, r=rasters, p=places, a=asked: screen_compiled(s, r, *p, a),
            ),
        ):
            each = seconds(work) / len(dishes)
            print(f"  {label:26s} {1 / each:8.0f} a second   {one / each:6.0f} times one by one")


def bare() -> None:
    """Bare ground of 30 m: geometry of the compiled loops beside the array way."""
    side = 1500
    values = rough_ground(3, 2.0, 300.0, side) + 400.0
    grid = Grid(values, (30.0, 0.0, 480_000.0, 0.0, -30.0, 6_560_000.0), "EPSG:32627")
    ground = Ground.of(grid, name="bare.tif", kind="bare", cell_size_m=30.0, vertical_error_m=3.0)
    stack = raster_stack((ground.source,), (grid,))
    rng = np.random.default_rng(5)
    row, column = rng.uniform(400, side - 400, (2, 20_000))
    latitude, longitude = Lattice(values.shape, grid.transform, grid.crs).place(row, column)
    height = np.full(latitude.shape, 2.0)
    for satellite in (-20.0, -62.0, -71.0, -79.0):
        asked = query(satellite, float(values.max()) + 1.0)

        def arrays(a=asked) -> None:
            places, _ = locate_places(ground, latitude, longitude, height, a)
            controlling_ground(ground, places.take(np.flatnonzero(may_come_near(ground, places, a))), a)

        dishes = place_dishes(stack, latitude, longitude, height, asked)
        old = seconds(arrays) / latitude.size
        new = seconds(
            lambda a=asked: dish_clearances(stack, place_dishes(stack, latitude, longitude, height, a), a)
        )
        whole = (
            seconds(lambda a=asked: screen(ground, latitude[:4000], longitude[:4000], height[:4000], a))
            / 4000
        )
        new /= latitude.size
        up = dishes.apparent_deg.mean()
        print(f"bare 30 m, satellite at {up:.0f}: arrays {1 / old:.0f}, compiled {1 / new:.0f} a second")
        print(
            f"  ratio {old / new:.2f}; the array way with certainty and least heights {1 / whole:.0f} a second"
        )


if __name__ == "__main__":
    load()
    village()
    bare()

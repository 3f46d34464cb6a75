"""How far rays are known over voids and rims, by the compiled loops as plain Python and by the assessment of one mount.

The ground is level, so that nothing but what is missing decides.
"""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Transformer

from plain_loops import plain_loops
from skysill.assessment.pipeline import assess
from skysill.bulk.prefilter import ScreeningQuery
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal

EAST_M, NORTH_M = 500_000.0, 6_430_000.0


def level(name, kind, cell_m, side, seed, *, voids, size=2, turn=(1.0, 0.0)):
    """Level ground of 300 m with square voids in it, turned about its middle."""
    rng, values = np.random.default_rng(seed), np.full((side, side), 300.0, np.float32)
    for row, column in rng.integers(0, side - size, (voids, 2)):
        values[row : row + size, column : column + size] = np.nan
    a, b = cell_m * turn[0], cell_m * turn[1]
    half = (side - 1) / 2.0 + 0.3
    corner = (a, b, EAST_M - half * (a + b), b, -a, NORTH_M + half * (a - b))
    return HeldGrid(Grid(values, corner, "EPSG:32627"), name, kind, cell_m, 0.1)


def scene(kind):
    """Rasters, elevation of the highest ground around, longitude of the satellite, reach of the places."""
    if kind == "one surface with voids":
        return (level("yard.tif", "surface", 1.0, 110, 1, voids=14),), 328.0, -20.0, 30.0
    if kind == "turned, and ground under it with voids":
        fine = level("yard.tif", "surface", 1.0, 90, 2, voids=7, size=3, turn=(0.8, 0.6))
        return (fine, level("around.tif", "bare", 5.0, 40, 3, voids=10, size=3)), 324.0, 15.0, 25.0
    if kind == "rims, and coarse ground with a void":
        fine = level("yard.tif", "surface", 2.0, 50, 4, voids=0, turn=(-0.6, 0.8))
        return (fine, level("around.tif", "bare", 30.0, 24, 5, voids=2, size=2)), 420.0, -70.0, 60.0
    assert kind == "a surface behind bare ground"
    fine = level("yard.tif", "surface", 2.0, 70, 6, voids=9, size=4)
    return (level("survey.tif", "bare", 1.0, 60, 7, voids=9), fine), 335.0, -20.0, 25.0


def numbers_and_words(sentence):
    words = sentence.replace(",", " ").split()
    return [w for w in words if not w.replace(".", "").isdigit()], [
        float(w) for w in words if w.replace(".", "").isdigit()
    ]


@pytest.mark.parametrize(
    "kind",
    ["one surface with voids", "turned, and ground under it with voids", "rims, and coarse ground with a void",
     "a surface behind bare ground"],
)  # fmt: skip
def test_what_is_missing_decides_as_in_an_assessment(kind, monkeypatch):
    rasters, highest_m, longitude_deg, reach_m = scene(kind)
    rng, loops = np.random.default_rng(12), plain_loops()
    x, y = EAST_M + rng.uniform(-reach_m, reach_m, 5), NORTH_M + rng.uniform(-reach_m, reach_m, 5)
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(x, y)
    places = latitude, longitude, np.full(5, 12.0)
    asked = ScreeningQuery(Satellite("Demo", longitude_deg), Terminal(), Criteria(), highest_m)
    monkeypatch.setattr(loops.draws, "SAMPLES", 8)  # level ground leaves the room in every one
    with np.errstate(all="ignore"):
        stack = loops.raster_stack.raster_stack(rasters, [raster.grid for raster in rasters])
        dishes = loops.placed.place_dishes(stack, *places, asked)
        found = loops.verdicts.screen_compiled(stack, rasters, *places, asked)
    assert dishes.simple.sum() >= 4  # the others stand in a void
    for at in np.flatnonzero(dishes.simple):
        job = Job(
            Site("a", float(latitude[at]), float(longitude[at])), (asked.satellite,),
            sources=Sources(rasters=rasters, highest_ground_m=highest_m),
        )  # fmt: skip
        one = assess(job, Mount(height_m=12.0), explain=False, losses=False).results[0]
        assert found.verdict[at] == one.verdict, (at, one.reasons)
        if one.verdict == "unknown":
            (words, numbers), (others, told) = map(numbers_and_words, (one.reasons[0], found.reason[at]))
            assert others == words
            assert told == pytest.approx(numbers, abs=1.01)
    assert "unknown" in found.verdict

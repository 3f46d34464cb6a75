"""Parts of the compiled loops by themselves, as plain Python: samples, angles, and what each error alone moves."""

from __future__ import annotations

from contextlib import contextmanager

import numpy as np
import pytest
from pyproj import Transformer

from plain_loops import plain_loops
from skysill.assessment import confidence
from skysill.assessment.pipeline import assess
from skysill.bulk.prefilter import ScreeningQuery
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.default_errors import RasterFacts
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal

FEW = 40


def wall_in_the_south(height_m=4.0, away_m=12, **facts):
    """A surface of 1 m, level but for a wall across the south; one place, and the query."""
    x, y = 500_000.0, 6_430_000.0
    values = np.full((100, 60), 300.0, np.float32)
    values[20 + away_m : 23 + away_m] += height_m
    grid = Grid(values, (1.0, 0.0, x - 30.4, 0.0, -1.0, y + 20.3), "EPSG:32627")
    raster = HeldGrid(grid, "yard.tif", "surface", 1.0, 0.3, RasterFacts(**facts))
    longitude, latitude = Transformer.from_crs("EPSG:32627", "EPSG:4326", always_xy=True).transform(x, y)
    place = np.array([latitude]), np.array([longitude]), np.array([1.0])
    return (raster,), place, ScreeningQuery(Satellite("Demo", -20.0), Terminal(), Criteria(), 310.0)


@contextmanager
def noted_spares(patch):
    """What `confidence` asks for: errors, number of samples, and spare room in a few of them."""
    asked, real = [], confidence._spares

    def spy(uncertain, ray, link, errors, samples, enough=0.0):
        found = real(uncertain, ray, link, errors, min(samples, FEW), enough)
        asked.append((errors, samples, found))
        return found

    patch.setattr(confidence, "_spares", spy)
    yield asked


def test_samples_are_as_many_and_the_same_and_each_error_alone_moves_as_much(monkeypatch):
    rasters, place, asked = wall_in_the_south(5.2, horizontal_error_m=0.3)
    job = Job(
        Site("a", float(place[0][0]), float(place[1][0])), (asked.satellite,),
        sources=Sources(rasters=rasters, highest_ground_m=310.0),
    )  # fmt: skip
    with noted_spares(monkeypatch) as spares:
        one = assess(job, Mount(height_m=1.0), losses=False).results[0]
    assert 0.02 < one.p_clear < 0.9
    loops = plain_loops()
    assert [loops.draws.SAMPLES, loops.draws.ALONE_SAMPLES] == [spares[0][1], spares[1][1]]
    for name in ("SAMPLES", "ALONE_SAMPLES"):
        monkeypatch.setattr(loops.draws, name, FEW)
    with np.errstate(all="ignore"):
        stack = loops.raster_stack.raster_stack(rasters, [raster.grid for raster in rasters])
        found = loops.kernel.dish_findings(stack, loops.placed.place_dishes(stack, *place, asked), asked)
    for number, name in enumerate(("position_m", "height_m", "terrain")):
        [alone] = [part.std() for errors, _, part in spares[1:] if getattr(errors, name) > 0.0]
        assert found.alone_deg[0, number] == pytest.approx(alone, rel=0.01), name
        assert alone > 0.02

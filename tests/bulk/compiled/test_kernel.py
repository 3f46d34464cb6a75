"""The compiled loops give what the assessment of one mount gives, over fine and coarse rasters together."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyproj import Transformer

from skysill.assessment.pipeline import assess
from skysill.bulk.compiled.kernel import dish_clearances, dish_findings, least_dish_heights
from skysill.bulk.compiled.placed import place_dishes
from skysill.bulk.compiled.raster_stack import raster_stack
from skysill.bulk.prefilter import ScreeningQuery
from skysill.horizon.lattice import Grid, HeldGrid
from skysill.model.job import Job, Sources
from skysill.model.site import Criteria, Mount, Satellite, Site, Terminal
from skysill.pointing.look_vector import look_vector
from small_village import addresses, sources

pytest.importorskip("numba")


def query(longitude_deg=-20.0, highest_m=700.0):
    return ScreeningQuery(Satellite("Demo", longitude_deg), Terminal(), Criteria(), highest_m)


def assessed(rasters, latitude, longitude, height, asked):
    job = Job(
        site=Site("a", float(latitude), float(longitude)),
        satellites=(asked.satellite,),
        sources=Sources(rasters=rasters, highest_ground_m=asked.highest_ground_m),
    )
    return assess(job, Mount(height_m=float(height)), explain=False, losses=False).results[0]


def verdict(found, at, asked):
    """The rules of `assessment.verdict` in short."""
    clear = found.clearances
    if clear.met[at]:
        return "blocked"
    if np.isfinite(found.gap_from_deg[at]):
        return "unknown"
    if clear.spare_deg[at] < 0.0 or found.p_clear[at] < asked.criteria.min_p_clear:
        return "marginal"
    if not found.near_seen[at] or np.isfinite(found.near_slant_m[at]):
        return "needs-survey"
    return "clear"


def compare(rasters, places, asked, *, p_within=0.01):
    """Holds every field to the assessment of one mount; returns the verdicts."""
    stack = raster_stack(rasters, [raster.grid for raster in rasters])
    dishes = place_dishes(stack, *places, asked)
    found = dish_findings(stack, dishes, asked)
    clear, verdicts = found.clearances, []
    for at in np.flatnonzero(dishes.simple):
        one = assessed(rasters, *(part[at] for part in places), asked)
        assert verdict(found, at, asked) == one.verdict, (at, one.reasons, found.p_clear[at])
        verdicts.append(one.verdict)
        assert dishes.azimuth_deg[at] == pytest.approx(one.look.azimuth_deg, abs=1e-9)
        spare = one.clearance.spare_deg
        if spare is None or spare > 10.0:
            assert clear.spare_deg[at] > 9.9999
        else:
            assert clear.spare_deg[at] == pytest.approx(spare, abs=0.001), at
            assert clear.margin_deg[at] == pytest.approx(one.clearance.margin_deg, abs=0.001)
            assert clear.slant_m[at] == pytest.approx(one.clearance.controlling.distance_m, rel=0.001)
            assert rasters[clear.raster[at]].name == one.clearance.controlling.name
        if one.horizon.elevation_deg is not None:
            assert clear.top_deg[at] == pytest.approx(one.horizon.elevation_deg, abs=0.001)
            assert clear.top_slant_m[at] == pytest.approx(one.horizon.distance_m, rel=0.001)
        if one.p_clear is not None and np.isfinite(found.p_clear[at]):
            assert found.p_clear[at] == pytest.approx(one.p_clear, abs=p_within)
    return verdicts


def test_a_village_over_coarse_ground():
    verdicts = compare(sources(), addresses(24, 1, beyond_m=20.0), query())
    assert {"blocked", "clear"} <= set(verdicts)


def test_bounds_change_no_answer():
    """Pieces of the fan that are left out by a bound hold nothing that matters: bit for bit."""
    rasters, asked = sources(), query()
    stack = raster_stack(rasters, [raster.grid for raster in rasters])
    dishes = place_dishes(stack, *addresses(40, 2), asked)
    quick, slow = (dish_clearances(stack, dishes, asked, bounded=bounded) for bounded in (True, False))
    for name in ("spare_deg", "margin_deg", "slant_m", "raster", "met", "top_deg", "top_slant_m"):
        assert np.array_equal(getattr(quick, name), getattr(slow, name), equal_nan=True), name
    few = dishes.take(np.arange(24))
    quick, slow = (dish_findings(stack, few, asked, bounded=bounded) for bounded in (True, False))
    assert np.array_equal(quick.p_clear, slow.p_clear, equal_nan=True)
    assert ((quick.p_clear > 0.01) & (quick.p_clear < 0.99)).any()
    assert np.allclose(quick.alone_deg, slow.alone_deg, equal_nan=True)
    quick, slow = (
        least_dish_heights(stack, dishes, asked, most_m=30.0, bounded=bounded) for bounded in (True, False)
    )
    assert np.array_equal(quick.height_m, slow.height_m)


def test_least_heights_leave_the_room_and_a_centimetre_less_does_not():
    rasters, asked = sources(), query()
    stack = raster_stack(rasters, [raster.grid for raster in rasters])
    latitude, longitude, _ = addresses(30, 3)
    dishes = place_dishes(stack, latitude, longitude, np.full(latitude.shape, 0.5), asked)
    least = least_dish_heights(stack, dishes, asked, most_m=12.0).height_m
    raised = np.flatnonzero((least > 0.5) & np.isfinite(least))[:12]
    assert raised.size > 5
    for at in raised:
        for height, enough in ((least[at] + 1e-4, True), (least[at] - 0.01, False)):
            clear = assessed(rasters, latitude[at], longitude[at], height, asked).clearance
            assert clear.has_clearance == enough, (at, height, clear.spare_deg)


def test_compiled_code_is_named_after_all_code_that_it_is_made_of():
    """numba renews cached code only where a function's own file has changed; a changed callee must change the name."""
    from skysill.bulk.compiled import jit

    def made(value):
        scope = {"__name__": "a_module", "VALUE": value}
        exec("def inner(x):\n    return x + VALUE\ndef outer(x):\n    return inner(x)\n", scope)
        scope["inner"] = jit.compiled(scope["inner"])
        return jit.compiled(scope["outer"]).py_func.__qualname__

    assert made(1) == made(1)
    assert made(1) != made(2)


def test_a_tall_thing_on_the_corner_of_a_fine_raster_blocks_a_ray_that_only_crosses_the_corner():
    fine, coarse = sources()
    values = fine.grid.values.copy()
    values[-8:, :8] = values[-8:, :8].min() + 60.0  # the south-western corner
    corner = HeldGrid(Grid(values, fine.grid.transform, fine.grid.crs), "village.tif", "surface", 1.0, 0.3)
    step = 1.0 / math.sqrt(2.0)
    a, _, west, _, _, north = fine.grid.transform
    south = north - (values.shape[0] - 1) * a
    # from the north-west to a satellite in the south-east: the ray is 4 m long over the raster
    x, y = west + 2.0 - 60.0 * step, south + 1.5 + 60.0 * step
    longitude, latitude = Transformer.from_crs(fine.grid.crs, "EPSG:4326", always_xy=True).transform([x], [y])
    satellite_deg = next(
        degrees
        for degrees in np.arange(0.0, 40.0, 0.05)
        if look_vector(latitude[0], longitude[0], 300.0, Satellite("Demo", degrees)).azimuth_deg < 135.0
    )
    places = (np.array(latitude), np.array(longitude), np.array([2.0]))
    assert compare((corner, coarse), places, query(float(satellite_deg))) == ["blocked"]

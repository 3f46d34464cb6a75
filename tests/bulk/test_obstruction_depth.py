"""How deep a ray that is met stands: the skyline of its fan by all samples, and walls in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.assessment.pipeline import assess
from skysill.bulk.controlling_obstruction import controlling_ground
from skysill.bulk.fan_results import FanResults
from skysill.bulk.obstruction_depth import measure_depths
from skysill.bulk.thresholds import thresholds_for
from skysill.model.job import Job, Sources
from skysill.model.site import Mount, Site
from small_ground import (
    angle_deg,
    asked_of,
    direction,
    fan_offsets_deg,
    ground_of,
    hills,
    places_at,
    room_deg,
    seen_from,
)


def depth_by_hand(own, places, at, query):
    seen, depth = seen_from(own, places, at, query), np.inf
    for offset in np.unique(seen.offset_deg):
        steps = np.linspace(seen.top_deg[seen.offset_deg == offset].max(), 90.0, 6001)
        depth = min(depth, angle_deg(direction(offset, steps), direction(0.0, places.apparent_deg[at])).min())
    return depth


@pytest.mark.parametrize(("seed", "dish_m"), [(21, 1.2), (22, 3.5), (23, 0.6), (24, 6.0)])
def test_depth_over_a_ragged_skyline(seed, dish_m):
    """A high ridge across the ray, notched at random: the nearest open direction is over it or through a notch."""
    query = asked_of(-20.0, dish_m=dish_m)
    values = np.full((40, 40), 300.0, np.float32)
    rng = np.random.default_rng(seed)
    values[14:17] = 330.0 + rng.uniform(20.0, 160.0, 40)
    values[24] = 300.0 + rng.uniform(0.0, 250.0, 40)
    own = ground_of(values)
    places = places_at(own, query, [20.3, 17.0, 23.4], [6.6, 8.3, 9.9])
    close = controlling_ground(own, places, query)
    assert close.inside.any()
    for at in np.flatnonzero(close.inside):
        depth = depth_by_hand(own, places, at, query)
        assert close.margin_deg[at] == pytest.approx(-depth, abs=0.01)
        assert close.excess_deg[at] == pytest.approx(-depth - room_deg(close.slant_m[at], query), abs=0.01)


def test_beside_a_narrow_stack_the_open_direction_lies_to_its_side():
    """A pillar one cell wide and very high: out sideways, not over it. Napier's rule for the first open azimuth."""
    query = asked_of(-20.0, dish_m=6.0)
    values = np.full((40, 40), 300.0, np.float32)
    values[20, 20] = 2000.0
    own = ground_of(values)
    places = places_at(own, query, [20.05], [12.0])
    close = controlling_ground(own, places, query)
    assert close.inside[0]
    depth = depth_by_hand(own, places, 0, query)
    assert close.margin_deg[0] == pytest.approx(-depth, abs=0.02)
    assert depth < 15.0
    offsets = fan_offsets_deg(places.apparent_deg[0], query)
    aside = np.degrees(
        np.arcsin(np.cos(np.radians(places.apparent_deg[0])) * np.sin(np.radians(np.abs(offsets))))
    )
    assert np.abs(aside - depth).min() < 0.05


def test_a_ray_without_any_known_ground_is_no_way_out():
    """Where the raster has voids nobody says that the sky is open: as the assessment of one mount has it."""
    values = hills(40, seed=2, relief_m=20.0)
    values[12:30] = 900.0
    values[8:, 22:] = np.nan
    query = asked_of(-20.0, dish_m=6.0)
    own = ground_of(values)
    places = places_at(own, query, [20.4], [6.5])
    close = controlling_ground(own, places, query)
    assert close.inside[0]
    site = Site("a", float(places.latitude_deg[0]), float(places.longitude_deg[0]))
    job = Job(site=site, satellites=(query.satellite,), terminal=query.terminal,
              sources=Sources(rasters=(own.source,), highest_ground_m=query.highest_ground_m))  # fmt: skip
    one = assess(job, Mount(height_m=2.0), explain=False).results[0]
    assert close.margin_deg[0] == pytest.approx(one.clearance.margin_deg, abs=0.001)


def test_places_that_are_not_met_are_left_alone():
    own = ground_of(hills(40, seed=2))
    query = asked_of(-20.0)
    places = places_at(own, query, [20.0, 22.0], [8.0, 9.0])
    results = FanResults.of(thresholds_for(own, query), places)
    measure_depths(results, np.array([False, False]), np.array([3.0, np.nan]))
    assert np.isnan(results.margin_deg).all()
    assert np.isinf(results.excess_deg).all()


@pytest.fixture
def sampled_rays(monkeypatch):
    """The rays that are sampled, call by call."""
    from skysill.bulk import obstruction_depth

    seen, sample = [], obstruction_depth.sampled

    def noting(grid, rays, maxima):
        seen.append(rays)
        return sample(grid, rays, maxima)

    monkeypatch.setattr(obstruction_depth, "sampled", noting)
    return seen


@pytest.mark.parametrize("from_edge", [0, 1, 2, 3])
def test_beside_the_edge_low_ground_is_sampled_too_and_elsewhere_not(from_edge, sampled_rays):
    """Coarse cells count from two cells on, and the next three hold a crossing for certain: 150 m with 30 m cells."""
    own, query = ground_of(np.full((49, 49), 300.0)), asked_of(-20.0)
    for cells, certain in ((4.9, False), (7.5, True), (24.0, True)):
        at = [(cells, 24.0), (48.0 - cells, 24.0), (24.0, cells), (24.0, 48.0 - cells)][from_edge]
        places = places_at(own, query, [at[0]], [at[1]])
        results = FanResults.of(thresholds_for(own, query), places)
        sampled_rays.clear()
        measure_depths(results, np.array([True]), np.array([40.0]))
        slopes = np.concatenate([rays.least_slope for rays in sampled_rays])
        assert slopes.size
        assert np.isfinite(slopes).all() == certain
        if not certain:
            continue
        assert slopes == pytest.approx(np.tan(np.radians(places.apparent_deg[0])), abs=0.0011)
        holed = own.grid.values.copy()
        holed[1, 47] = np.nan
        sampled_rays.clear()
        results = FanResults.of(thresholds_for(ground_of(holed), query), places)
        measure_depths(results, np.array([True]), np.array([40.0]))
        assert np.isneginf(np.concatenate([rays.least_slope for rays in sampled_rays])).all()


def test_where_the_skyline_is_even_only_each_tenth_ray_is_sampled(sampled_rays):
    """A long level wall: straight up is nearest. Each tenth ray says so of those beside it, but for the first nine."""
    values = np.full((49, 49), 300.0)
    values[18:30] = 600.0
    own, query = ground_of(values), asked_of(-20.0, dish_m=3.0)
    places = places_at(own, query, [24.0], [8.0])
    close = controlling_ground(own, places, query)
    assert close.inside[0]
    offsets = fan_offsets_deg(places.apparent_deg[0], query)
    each_tenth = 2 * ((offsets.size // 2) // 10)
    assert sum(len(rays) for rays in sampled_rays) <= each_tenth + 2 * 10
    assert close.margin_deg[0] == pytest.approx(-depth_by_hand(own, places, 0, query), abs=0.01)

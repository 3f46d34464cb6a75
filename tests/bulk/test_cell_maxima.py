"""Ground that bulges inside cells: twisted cells looked at all over, and every ray of the fan through them."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.bulk.cell_edges import Corners, sample_edges
from skysill.bulk.cell_maxima import sample_cell_maxima
from skysill.bulk.fan_results import FanResults
from skysill.bulk.quadtree import Cells, cells_near
from skysill.bulk.thresholds import thresholds_for
from small_ground import asked_of, ground_of, hills, places_at, room_deg, seen_from

ASKED = asked_of(-20.0)


def fan_over(own, places, query=ASKED, wide_deg=14.0):
    results = FanResults.of(thresholds_for(own, query), places)
    cells = cells_near(own.maxima, results.frames, results.near_m, lambda p, d: np.full(d.shape, wide_deg))
    return results, cells, Corners.of(results, cells)


def saddles(seed, relief_m=45.0):
    """Ground whose every cell is twisted: node heights drawn at random."""
    values = 300.0 + relief_m * np.random.default_rng(seed).standard_normal((40, 40))
    return ground_of(values.astype(np.float32))


@pytest.mark.parametrize("seed", range(6))
def test_among_bulges_alone_the_tightest_ray_is_found(seed):
    own = saddles(seed)
    places = places_at(own, ASKED, [20.3], [9.6], height_m=140.0)
    results, cells, corners = fan_over(own, places)
    sample_cell_maxima(results, cells, corners)
    seen = seen_from(own, places, 0, ASKED)
    seen = seen.only(seen.crest)
    excess_deg = seen.margins_deg(places.apparent_deg[0]) - room_deg(seen.slant_m, ASKED)
    near = np.sort(excess_deg)
    if near[0] < 10.0:
        assert results.excess_deg[0] == pytest.approx(near[0], abs=0.02)
    else:
        assert np.isinf(results.excess_deg[0])


def test_some_bulges_leave_less_room_than_all_edges():
    decided = 0
    for seed in range(6, 30):
        own = saddles(seed)
        places = places_at(own, ASKED, [20.3], [9.6], height_m=70.0)
        results, cells, corners = fan_over(own, places)
        sample_edges(results, cells, corners)
        edges_deg = float(results.excess_deg[0])
        sample_cell_maxima(results, cells, corners)
        seen = seen_from(own, places, 0, ASKED)
        excess_deg = (seen.margins_deg(places.apparent_deg[0]) - room_deg(seen.slant_m, ASKED)).min()
        if excess_deg < 9.9:
            assert results.excess_deg[0] == pytest.approx(excess_deg, abs=0.01)
        decided += results.excess_deg[0] < edges_deg - 0.01
    assert decided > 0


def test_flat_cells_have_no_bulge_and_nothing_is_sampled():
    row, column = np.mgrid[0:40, 0:40]
    own = ground_of((300.0 + 8.0 * row + 3.0 * column).astype(np.float32))  # a plane: no cell is twisted
    places = places_at(own, ASKED, [20.3], [9.6])
    results, cells, corners = fan_over(own, places)
    assert len(cells)
    sample_cell_maxima(results, cells, corners)
    assert np.isinf(results.excess_deg[0])
    assert not results.uncertain[0]
    sample_cell_maxima(results, cells.take(np.zeros(0, np.int64)), corners.take(np.zeros(0, np.int64)))


def test_a_bulge_within_doubt_is_noted():
    own = ground_of(hills(40, seed=3, relief_m=70.0), error_m=25.0)
    places = places_at(own, ASKED, [20.3], [9.6], height_m=30.0)
    results, cells, corners = fan_over(own, places, wide_deg=40.0)
    sample_cell_maxima(results, cells, corners)
    assert results.uncertain[0]
    sure = ground_of(own.grid.values, error_m=0.001)
    results, cells, corners = fan_over(sure, places, wide_deg=40.0)
    sample_cell_maxima(results, cells, corners)
    assert not results.uncertain[0]


def test_the_raster_s_last_row_and_column_begin_no_cell():
    own = saddles(1)
    places = places_at(own, ASKED, [20.3], [33.0], height_m=60.0)
    results = FanResults.of(thresholds_for(own, ASKED), places)
    last = Cells(np.zeros(2, np.int64), np.array([39, 20]), np.array([36, 39]))
    sample_cell_maxima(results, last, Corners.of(results, last))
    assert np.isinf(results.excess_deg[0])

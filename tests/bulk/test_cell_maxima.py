"""Ground that bulges inside cells: twisted cells looked at all over, and every ray of the fan through them."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.bulk import cell_maxima
from skysill.bulk.cell_edges import Corners, sample_edges
from skysill.bulk.cell_maxima import sample_cell_maxima
from skysill.bulk.fan_results import FanResults
from skysill.bulk.quadtree import Cells, cells_near
from skysill.bulk.thresholds import thresholds_for
from small_ground import asked_of, fan_offsets_deg, ground_of, hills, places_at, room_deg, seen_from

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
def test_among_bulges_alone_the_most_critical_ray_is_found(seed):
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


@pytest.fixture
def sampled_pairs(monkeypatch):
    """The cells and azimuth offsets that are sampled, call by call."""
    seen, sample = [], cell_maxima._sample_maxima

    def noting(results, cells, offset_deg):
        seen.append((cells, offset_deg))
        return sample(results, cells, offset_deg)

    monkeypatch.setattr(cell_maxima, "_sample_maxima", noting)
    return seen


@pytest.mark.parametrize(("steps", "height_m"), [(2, 62.0), (3, 84.0), (5, 130.0)])
def test_of_all_rays_over_a_saddle_the_one_with_the_least_excess_is_found(steps, height_m):
    """Two nodes beside the ray are raised, so that a cell is crossed over a saddle; from places 2 m apart, so that
    each fourth ray, which is sampled first, is seldom the best. With all bounds as tight as the answer allows.
    """
    values, decided = np.full((40, 40), 300.0), 0
    values[20, 20] = values[21, 21] = 300.0 + height_m
    own = ground_of(values, cell_m=21.2, turn=(21.2, 21.2))
    for shift in np.linspace(-0.3, 0.3, 9):
        places = places_at(own, ASKED, [21.0 + steps + shift], [20.0 - steps + shift])
        offsets = fan_offsets_deg(places.apparent_deg[0], ASKED)
        seen = seen_from(own, places, 0, ASKED, offsets_deg=offsets[np.abs(offsets) < 9.0], out_to_m=400.0)
        excess_deg = seen.margins_deg(places.apparent_deg[0]) - room_deg(seen.slant_m, ASKED)
        best = int(excess_deg.argmin())
        if not seen.crest[best] or excess_deg[best] > 9.9:
            continue
        results, cells, corners = fan_over(own, places)
        results.bound_deg[:] = excess_deg[best] + 0.02
        sample_edges(results, cells, corners)
        sample_cell_maxima(results, cells, corners)
        assert results.excess_deg[0] == pytest.approx(excess_deg[best], abs=0.01)
        decided += 1
    assert decided > 4


def test_only_rays_through_a_cell_and_near_enough_are_sampled_and_none_twice(sampled_pairs):
    values = 300.0 + 25.0 * np.random.default_rng(44).standard_normal((40, 40))
    own = ground_of(values, cell_m=21.2, turn=(21.2, 21.2))
    places = places_at(own, ASKED, [30.3], [9.6], height_m=3.0)
    results, cells, corners = fan_over(own, places, wide_deg=40.0)
    sample_cell_maxima(results, cells, corners)
    assert len(sampled_pairs) == 2
    azimuth_deg = np.degrees(np.arctan2(corners.aside_m, corners.ahead_m))
    number = {(c, r): k for k, (c, r) in enumerate(zip(cells.column, cells.row, strict=True))}
    done = set()
    for some, offsets in sampled_pairs:
        for column, row, offset in zip(some.column, some.row, offsets, strict=True):
            mine = azimuth_deg[:, number[column, row]]
            assert mine.min() - 1e-6 <= offset <= mine.max() + 1e-6
            aside = np.cos(np.radians(places.apparent_deg[0])) * np.sin(np.radians(abs(offset)))
            assert np.degrees(np.arcsin(aside)) < 10.0 + room_deg(results.near_m, ASKED) * 1.05
            assert (column, row, round(offset, 6)) not in done
            done.add((column, row, round(offset, 6)))
    assert len(done) > 50


def test_the_bound_of_the_rise_holds_for_all_lines_through_a_cell_and_is_not_far_above_them():
    """Lines from the place through each cell, their bilinear ground less its chord at twenty points."""
    own = saddles(3)
    places = places_at(own, ASKED, [20.3], [18.6])
    results = FanResults.of(thresholds_for(own, ASKED), places)
    row, column = (part.ravel() for part in np.mgrid[6:32, 8:34])
    away = np.maximum(np.abs(column + 0.5 - 20.3), np.abs(row + 0.5 - 18.6))
    cells = Cells(np.zeros(int((away > 2.0).sum()), np.int64), column[away > 2.0], row[away > 2.0])
    bound_m = cell_maxima._rise_bound_m(results, cells, Corners.of(results, cells))
    values, rise_m = own.grid.values.astype(float), np.zeros(len(cells))
    for k, (c, r) in enumerate(zip(cells.column, cells.row, strict=True)):
        z = values[r : r + 2, c : c + 2]
        for u, v in np.random.default_rng(k).uniform(0.01, 0.99, (40, 2)):
            along = np.array([c + u - 20.3, r + v - 18.6])
            with np.errstate(divide="ignore"):
                ends = np.sort(
                    (np.array([[c, c + 1], [r, r + 1]]) - [[20.3], [18.6]]) / along[:, None], axis=1
                )
            t = np.linspace(ends[:, 0].max(), ends[:, 1].min(), 20)
            x, y = 20.3 + t * along[0] - c, 18.6 + t * along[1] - r
            h = (z[0, 0] * (1 - x) + z[0, 1] * x) * (1 - y) + (z[1, 0] * (1 - x) + z[1, 1] * x) * y
            rise_m[k] = max(rise_m[k], (h - np.linspace(h[0], h[-1], 20)).max())
    assert (bound_m >= rise_m - 1e-6).all()
    straight = (np.abs(cells.column + 0.5 - 20.3) >= 1.0) & (np.abs(cells.row + 0.5 - 18.6) >= 1.0)
    assert (bound_m[straight & (rise_m < 1e-9)] == 0.0).all()
    rising = straight & (rise_m > 1.0)
    assert rising.sum() > 100
    assert np.median(bound_m[rising] / rise_m[rising]) < 2.0
    less, more = np.sort(np.abs([cells.column + 0.5 - 20.3, cells.row + 0.5 - 18.6]), axis=0)
    along_an_axis = rising & (more > 3.0 * less)
    assert along_an_axis.sum() > 20
    assert np.median(bound_m[along_an_axis] / rise_m[along_an_axis]) < 2.0

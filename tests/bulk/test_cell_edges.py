"""Edges of cells: where their ground comes nearest to a ray, by dense sampling along them and round the fan."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.bulk.cell_edges import Corners, Edge, edge_parts, parts_in_fan, sample_edges
from skysill.bulk.controlling_obstruction import controlling_ground
from skysill.bulk.fan_results import FanResults
from skysill.bulk.prefilter import locate_places
from skysill.bulk.quadtree import Cells, cells_near
from skysill.bulk.screening import screen
from skysill.bulk.thresholds import thresholds_for
from small_ground import (
    ELLIPSOID,
    angle_deg,
    asked_of,
    direction,
    ground_of,
    hills,
    off_column_deg,
    over_sphere,
    places_at,
    radius_along_m,
    room_deg,
    seen_from,
    spots,
)

BESIDE_THE_RAY = [
    [846.61, 848.64, 849.01, 847.6, 850.1], [852.09, 857.51, 857.62, 859.36, 859.18],
    [854.74, 859.23, 861.36, 872.84, 866.85], [858.95, 868.57, 874.3, 882.94, 880.21],
    [863.5, 874.19, 885.91, 889.76, 887.09], [866.17, 879.01, 894.46, 897.63, 894.12],
    [870.73, 885.86, 902.41, 909.9, 904.64], [877.85, 897.59, 904.48, 919.84, 913.52],
    [885.94, 907.58, 913.86, 918.71, 915.88],
]  # fmt: skip
"""A spur three degrees beside the ray, 155 m away: one edge that draws nearer to the ray all along, and recedes."""


def test_an_edge_that_is_nearest_at_its_end_leaves_least_room_before_it():
    """The angle to the edge falls up to its far end, the room falls faster: the least excess margin lies between."""
    values = np.full((40, 20), 840.0, np.float32)
    values[3:12, 8:13] = BESIDE_THE_RAY
    own = ground_of(values, x=502_850.0, y=6_548_180.0)
    query = asked_of(-20.0, highest_ground_m=1000.0)
    places, _ = locate_places(
        own, np.array([59.072067452731105]), np.array([-20.945245406313127]), np.array([2.0]), query
    )
    assert places.column[0] == pytest.approx(9.64, abs=0.01)
    assert places.row[0] == pytest.approx(3.4, abs=0.01)
    seen = seen_from(own, places, 0, query)
    margin_deg = seen.margins_deg(places.apparent_deg[0])
    excess_deg = margin_deg - room_deg(seen.slant_m, query)
    at = excess_deg.argmin()
    close = controlling_ground(own, places, query)
    assert close.excess_deg[0] == pytest.approx(excess_deg[at], abs=5e-4)
    assert close.margin_deg[0] == pytest.approx(margin_deg[at], abs=5e-4)
    # not at the nearest point: there the margin is smaller, and the room larger
    assert margin_deg.min() < margin_deg[at] - 0.01
    found = screen(own, places.latitude_deg, places.longitude_deg, 2.0, query)
    assert found.margin_deg[0] == pytest.approx(margin_deg[at], abs=1e-3)


ASKED = asked_of(-20.0)


def random_edges(count, seed):
    """Straight lines ahead of a place, 40 to 400 m off, some across the ray, some over it."""
    rng = np.random.default_rng(seed)
    ahead, aside = rng.uniform(40.0, 400.0, (2, count)), rng.uniform(-80.0, 80.0, (2, count))
    ahead[1] = ahead[0] + rng.uniform(-35.0, 35.0, count)
    aside[1] = aside[0] + rng.uniform(-35.0, 35.0, count)
    above = ahead * np.tan(np.radians(rng.uniform(2.0, 30.0, (2, count))))
    return Edge(*ahead, *aside, *above)


def along(edge, at, steps=4001):
    """Azimuth offset, elevation and distance of points of one edge."""
    t = np.linspace(0.0, 1.0, steps)
    ahead, aside, above = (part[at] + t * (end[at] - part[at]) for part, end in
                           ((edge.ahead0_m, edge.ahead1_m), (edge.aside0_m, edge.aside1_m),
                            (edge.above0_m, edge.above1_m)))  # fmt: skip
    level = np.hypot(ahead, aside)
    return (
        t,
        np.degrees(np.arctan2(aside, ahead)),
        np.degrees(np.arctan2(above, level)),
        np.hypot(level, above),
    )


def test_where_an_edge_and_what_is_below_it_comes_nearest_to_a_ray():
    """Each point of the edge as a column from the nadir up: dense steps along the edge."""
    edge, up_deg = random_edges(60, 1), 23.0
    sine, cosine = np.full(60, np.sin(np.radians(up_deg))), np.full(60, np.cos(np.radians(up_deg)))
    best_t, best = edge.nearest(sine, cosine)
    found_deg = np.degrees(np.arccos(np.clip(best, -1.0, 1.0)))
    over = 0
    for at in range(60):
        t, offset, top, _ = along(edge, at, 101)
        wanted = np.array([off_column_deg(o, up_deg, e) for o, e in zip(offset, top, strict=True)])
        met = np.sign(offset[0]) != np.sign(offset[-1]) and (top[np.abs(offset).argmin()] > up_deg)
        if met:  # the ray runs into what is below the edge: the callers know of that before
            continue
        over += top.max() > up_deg
        assert found_deg[at] == pytest.approx(wanted.min(), abs=0.03)
        beside = off_column_deg(np.interp(best_t[at], t, offset), up_deg, np.interp(best_t[at], t, top))
        assert beside == pytest.approx(wanted.min(), abs=0.02)
    assert over > 2
    some_t, _ = edge.nearest(sine, cosine, 0.3, 0.6)
    assert (some_t >= 0.3).all()
    assert (some_t <= 0.6).all()
    assert edge.cosine_at(np.zeros(60), sine, cosine)[0] == pytest.approx(
        np.cos(np.radians(off_column_deg(along(edge, 0)[1][0], up_deg, along(edge, 0)[2][0]))), abs=1e-6
    )
    behind = Edge(*(np.full(1, v) for v in (-50.0, -60.0, 3.0, 9.0, 10.0, 10.0)))
    assert behind.nearest(sine[:1], cosine[:1])[1][0] == -1.0


def test_distances_and_azimuths_of_an_edge():
    edge = random_edges(80, 2)
    ends = edge.azimuth_deg(np.zeros(80)), edge.azimuth_deg(np.ones(80))
    least = edge.least_away_m()
    for at in range(80):
        _, offset, top, away = along(edge, at)
        assert (ends[0][at], ends[1][at]) == pytest.approx((offset[0], offset[-1]))
        assert least[at] == pytest.approx((away * np.cos(np.radians(top))).min(), rel=1e-5)
    assert [part.tolist() for part in edge.take(np.array([3])).at(np.ones(1))] == [
        [edge.ahead1_m[3]], [edge.aside1_m[3]], [edge.above1_m[3]]]  # fmt: skip


@pytest.mark.parametrize("turn", [(0.0, 0.0), (12.0, 12.0)])
def test_corners_stand_where_geodesics_find_them(turn):
    own = ground_of(hills(48, seed=3), turn=turn)
    places = places_at(own, ASKED, [20.3, 30.0], [12.6, 8.2])
    results = FanResults.of(thresholds_for(own, ASKED), places)
    cells = Cells(np.array([0, 1, 0]), np.array([22, 28, 10]), np.array([25, 30, 18]))
    corners = Corners.of(results, cells)
    for number in range(3):
        at = cells.place[number]
        for corner, (right, down) in enumerate(((0, 0), (1, 0), (0, 1), (1, 1))):
            column, row = cells.column[number] + right, cells.row[number] + down
            assert corners.height_m[corner, number] == own.grid.values[row, column]
            latitude, longitude = spots(own, column, row)
            azimuth, _, away_m = ELLIPSOID.inv(
                places.longitude_deg[at], places.latitude_deg[at], longitude, latitude
            )
            offset = np.radians(azimuth - places.azimuth_deg[at])
            assert corners.ahead_m[corner, number] == pytest.approx(away_m * np.cos(offset), abs=0.05)
            assert corners.aside_m[corner, number] == pytest.approx(away_m * np.sin(offset), abs=0.05)
            top, slant_m = over_sphere(away_m, own.grid.values[row, column], places.antenna_m[at],
                                       radius_along_m(places.latitude_deg[at], azimuth))  # fmt: skip
            assert corners.above_m[corner, number] == pytest.approx(
                slant_m * np.sin(np.radians(top)), abs=0.02
            )
    one = corners.take(np.array([1])).edge(0, 2)
    assert (one.ahead0_m[0], one.above1_m[0]) == (corners.ahead_m[0, 1], corners.above_m[2, 1])


def cells_and_fan(own, places, query=ASKED, *, wide_deg=11.0):
    results = FanResults.of(thresholds_for(own, query), places)
    cells = cells_near(own.maxima, results.frames, results.near_m, lambda p, d: np.full(d.shape, wide_deg))
    return results, cells, Corners.of(results, cells)


def test_pieces_are_the_parts_of_edges_that_are_far_enough_away():
    """Fine cells around the place, so that the circle of ground that is not counted cuts edges."""
    own = ground_of(hills(48, seed=3), cell_m=30.0)
    places = places_at(own, ASKED, [20.3, 20.0], [12.6, 18.9])
    results, cells, corners = cells_and_fan(own, places, wide_deg=60.0)
    found = edge_parts(results, cells, corners)
    assert (found.away_m >= 60.0).all()
    assert found.along_row.any()
    assert (~found.along_row).any()
    cut = 0
    for number in range(0, found.cell.size, 5):
        edge = found.edge.take(np.array([number]))
        t, offset, top, away = along(edge, 0, 2001)
        level = away * np.cos(np.radians(top))
        inside = (t >= found.since[number]) & (t <= found.until[number])
        assert (level[inside] >= 60.0 - 0.05).all()
        cut += found.since[number] > 0.0 or found.until[number] < 1.0
        if not inside.any():
            continue
        up_deg = places.apparent_deg[cells.place[found.cell[number]]]
        wanted = off_column_deg(offset[inside], up_deg, top[inside]).min()
        if 0.3 < wanted < 60.0 and np.abs(offset[inside]).max() < 80.0:
            assert found.angle_deg[number] == pytest.approx(wanted, abs=0.03)
            assert found.angle_deg[number] <= wanted + 0.02
    assert cut > 0
    window = results.window.take(cells.place[found.cell])
    seen = parts_in_fan(results, cells, found)
    assert 0 < seen.cell.size < found.cell.size
    crossed = window.ray_from(
        np.minimum(*(found.edge.azimuth_deg(t) for t in (found.since, found.until)))
    ) <= (window.ray_until(np.maximum(*(found.edge.azimuth_deg(t) for t in (found.since, found.until)))))
    assert seen.cell.size == crossed.sum()


@pytest.mark.parametrize(
    ("seed", "column", "row"), [(3, 20.3, 12.6), (4, 25.1, 9.3), (8, 14.7, 16.2), (9, 22.2, 20.0)]
)
def test_the_rays_sampled_beside_edges_find_the_least_room_of_all_rays_at_all_edges(seed, column, row):
    own = ground_of(hills(48, seed=seed, relief_m=75.0))
    places = places_at(own, ASKED, [column], [row], height_m=25.0)
    results, cells, corners = cells_and_fan(own, places)
    sample_edges(results, cells, corners)
    seen = seen_from(own, places, 0, ASKED)
    seen = seen.only(~seen.crest)
    margin_deg = seen.margins_deg(places.apparent_deg[0])
    excess_deg = margin_deg - room_deg(seen.slant_m, ASKED)
    at = excess_deg.argmin()
    if excess_deg[at] >= 10.0:
        assert np.isinf(results.excess_deg[0])
        return
    assert results.excess_deg[0] == pytest.approx(excess_deg[at], abs=1e-3)
    assert results.margin_deg[0] == pytest.approx(margin_deg[at], abs=2e-3)


def test_ground_within_doubt_is_noted():
    """An edge nearer to the ray than the room and the stated errors makes a place uncertain; no other does."""
    edges = []
    for error_m in (0.01, 30.0):
        own = ground_of(hills(48, seed=3, relief_m=75.0), error_m=error_m)
        places = places_at(own, ASKED, [20.3, 25.1, 14.7, 22.2], [12.6, 9.3, 16.2, 20.0], height_m=10.0)
        results, cells, corners = cells_and_fan(own, places, wide_deg=60.0)
        sample_edges(results, cells, corners)
        edges.append(results.uncertain)
        nearest = np.full(4, 90.0)
        found = edge_parts(results, cells, corners)
        beyond_deg = found.angle_deg - thresholds_for(own, ASKED).uncertain_bound_deg(found.away_m)
        np.minimum.at(nearest, cells.place[found.cell], beyond_deg)
        assert (nearest < 0.0).tolist() == results.uncertain.tolist()
    assert 0 < edges[0].sum() <= edges[1].sum() < 4
    sample_edges(results, cells.take(np.zeros(0, np.int64)), corners.take(np.zeros(0, np.int64)))


def test_the_angle_between_directions_used_here_is_the_angle():
    assert angle_deg(direction(0.0, 20.0), direction(0.0, 23.5)) == pytest.approx(3.5)

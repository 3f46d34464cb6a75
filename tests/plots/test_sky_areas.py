"""Silhouettes as areas of sky, gaps, and the two projections."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.plots.sky_areas import (
    azimuthal_equidistant_deg,
    circle_on_sky,
    covered_spans,
    merged_outlines,
    sky_areas,
    uncovered_spans,
)
from skysill.units import separation_deg


def test_a_skyline_keeps_the_highest_column_of_each_azimuth(make_silhouette):
    azimuth_deg = np.repeat(np.arange(10.0, 20.5, 0.5), 2)
    elevation_deg = np.tile([3.0, 9.0], 21)
    (area,) = sky_areas([make_silhouette("terrain", azimuth_deg, elevation_deg, 80.0, spans=[[10.0, 20.0]])])
    assert area.from_ground
    np.testing.assert_array_equal(area.top_deg, 9.0)
    assert area.azimuth_deg[[0, -1]] == pytest.approx([10.0, 20.0])


def test_a_skyline_is_cut_where_nobody_looked(make_silhouette):
    azimuth_deg = np.array([10.0, 12.0, 14.0, 40.0, 42.0])
    found = sky_areas(
        [make_silhouette("measured", azimuth_deg, 9.0, 6.0, spans=[[10.0, 14.0], [40.0, 42.0]])]
    )
    assert sorted(area.azimuth_deg.tolist() for area in found) == [[10.0, 12.0, 14.0], [40.0, 42.0]]


def test_a_skyline_across_north_is_one_piece(make_silhouette):
    azimuth_deg = np.array([0.0, 10.0, 350.0, 355.0])
    (area,) = sky_areas([make_silhouette("measured", azimuth_deg, 9.0, 6.0, spans=[[350.0, 370.0]])])
    assert area.azimuth_deg.tolist() == [350.0, 355.0, 360.0, 370.0]


def test_a_full_circle_is_closed(make_silhouette):
    (area,) = sky_areas([make_silhouette("terrain", np.arange(0.0, 360.0), 9.0, 6.0, spans=[[0.0, 360.0]])])
    assert area.azimuth_deg[-1] - area.azimuth_deg[0] == pytest.approx(360.0)


def test_a_reading_alone_is_drawn_and_not_joined(make_silhouette):
    (area,) = sky_areas([make_silhouette("measured", [50.0], 9.0, 6.0, spans=[[50.0, 50.0]])])
    assert area.azimuth_deg == pytest.approx([49.95, 50.05])


def test_an_area_off_the_ground_keeps_its_lower_edge_and_each_of_its_layers(make_silhouette):
    azimuth_deg = np.tile(np.arange(100.0, 110.0, 0.5), 2)
    elevation_deg = np.repeat([40.0, 60.0], 20)
    found = sky_areas(
        [make_silhouette("obstacle", azimuth_deg, elevation_deg, 5.0, floor_deg=elevation_deg - 1.0)]
    )
    assert sorted((area.floor_deg[0], area.top_deg[0]) for area in found) == [(39.0, 40.0), (59.0, 60.0)]
    assert not any(area.from_ground for area in found)


def test_where_a_dense_silhouette_covers_the_coarse_one_is_left_out(make_silhouette):
    coarse = make_silhouette("terrain", np.arange(0.0, 360.0), 20.0, 900.0, spans=[[0.0, 360.0]])
    dense = make_silhouette("terrain", np.arange(170.0, 190.01, 0.1), 8.0, 900.0, spans=[[170.0, 190.0]])
    (area,) = sky_areas([coarse, dense])
    top = np.interp([100.0, 175.0, 180.0, 250.0], area.azimuth_deg, area.top_deg)
    assert top == pytest.approx([20.0, 8.0, 8.0, 20.0])


def test_ground_is_drawn_first_and_obstacles_last(make_silhouette):
    made = [
        make_silhouette(s, [10.0, 11.0], 5.0, 9.0, spans=[[10.0, 11.0]])
        for s in ("obstacle", "measured", "terrain")
    ]
    assert [area.source for area in sky_areas(made)] == ["terrain", "measured", "obstacle"]


@pytest.mark.parametrize(
    ("spans", "gaps"),
    [
        ([], [(0.0, 360.0)]),
        ([[0.0, 360.0]], []),
        ([[30.0, 300.0]], [(300.0, 390.0)]),
        ([[300.0, 390.0]], [(30.0, 300.0)]),
        ([[10.0, 20.0], [20.0, 40.0], [100.0, 200.0]], [(40.0, 100.0), (200.0, 370.0)]),
        ([[0.0, 180.0]], [(180.0, 360.0)]),
    ],
)
def test_azimuths_nobody_looked_at(make_silhouette, spans, gaps):
    made = [make_silhouette("measured", [15.0], 5.0, 9.0, spans=spans or None)]
    assert uncovered_spans(made) == gaps
    covered = sum(stop - start for start, stop in covered_spans(made))
    assert covered + sum(stop - start for start, stop in gaps) == pytest.approx(360.0)


@pytest.mark.parametrize("elevation_deg", [-5.0, 0.0, 24.0, 85.0, 90.0])
@pytest.mark.parametrize("radius_deg", [0.1, 7.4, 30.0])
def test_a_circle_on_the_sky_is_everywhere_as_far_from_its_centre(elevation_deg, radius_deg):
    around = circle_on_sky(179.2, elevation_deg, radius_deg)
    np.testing.assert_allclose(separation_deg(*around, 179.2, elevation_deg), radius_deg, atol=1e-9)


@pytest.mark.parametrize("elevation_deg", [0.0, 24.0, 60.0, 88.0])
def test_in_the_strips_projection_every_distance_from_the_middle_is_the_angle(elevation_deg):
    """Against spherical trigonometry's haversine form, at ten thousand directions."""
    rng = np.random.default_rng(7)
    azimuth_deg, there_deg = rng.uniform(0.0, 360.0, 10_000), rng.uniform(-89.0, 89.0, 10_000)
    x, y = azimuthal_equidistant_deg(
        azimuth_deg, there_deg, center_azimuth_deg=211.0, center_elevation_deg=elevation_deg
    )
    angle_deg = separation_deg(azimuth_deg, there_deg, 211.0, elevation_deg)
    np.testing.assert_allclose(np.hypot(x, y), angle_deg, atol=1e-6)


def test_the_strips_projection_has_azimuth_to_the_right_and_elevation_up():
    x, y = azimuthal_equidistant_deg(
        np.array([10.0, 12.0]), np.array([30.0, 24.0]), center_azimuth_deg=10.0, center_elevation_deg=24.0
    )
    assert (x[0], y[0]) == pytest.approx((0.0, 6.0))
    assert x[1] == pytest.approx(
        2.0 * np.cos(np.deg2rad(24.0)), rel=1e-3
    )  # short arcs shrink by cos(elevation)


def test_overlapping_outlines_become_one_and_apart_ones_stay_apart():
    square = np.array([[0, 0], [2, 0], [2, 2], [0, 2]], float)
    pieces = merged_outlines([square, square + 1.0, square + 10.0])
    assert len(pieces) == 2
    areas_found = sorted(_area(rings[0]) for rings in pieces)
    assert areas_found == pytest.approx([4.0, 7.0], abs=0.05)  # two squares of 4 that share 1


def test_a_wire_without_thickness_stays_to_be_seen():
    along = np.linspace(0.0, 20.0, 50)
    there = np.column_stack([along, np.sin(along / 5.0)])
    ((ring,),) = merged_outlines([np.concatenate([there, there[::-1]])])
    assert (ring[:, 0].min(), ring[:, 0].max()) == pytest.approx((0.0, 20.0), abs=0.1)
    assert 0.1 < _area(ring) / 20.0 < 0.3  # as wide as a line, degrees


def test_a_wire_that_thins_out_is_drawn_to_its_end():
    along = np.linspace(0.0, 20.0, 50)
    thick = np.maximum(0.0, 1.0 - along / 5.0)
    upper, lower = np.column_stack([along, thick]), np.column_stack([along, np.zeros(50)])
    ((ring,),) = merged_outlines([np.concatenate([upper, lower[::-1]])])
    assert ring[:, 0].max() == pytest.approx(20.0, abs=0.1)


def test_a_wide_hole_stays_open_and_a_slit_is_closed():
    frame = [np.array(p, float) for p in (
        [[0, 0], [10, 0], [10, 2], [0, 2]], [[0, 8], [10, 8], [10, 10], [0, 10]],
        [[0, 0], [2, 0], [2, 10], [0, 10]], [[8, 0], [10, 0], [10, 10], [8, 10]],
    )]  # fmt: skip
    (rings,) = merged_outlines(frame)
    assert len(rings) == 2
    assert _area(rings[1]) == pytest.approx(36.0, abs=0.05)
    (rings,) = merged_outlines([*frame, np.array([[2, 2], [7.9, 2], [7.9, 8], [2, 8]], float)])
    assert len(rings) == 1


def _area(ring):
    """Shoelace formula."""
    x, y = ring[:-1].T
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2.0

"""Sampling against closed-form normal propagation; determinism; the error that matters is named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pytest import approx
from scipy.stats import norm

from skysill.assessment.confidence import confidence
from skysill.assessment.error_model import Errors, RasterErrors, UncertainSilhouette
from skysill.assessment.sampling import sample_shifts, sigma_bound_deg
from skysill.horizon.raster_sharpness import Blur
from skysill.horizon.silhouette import Feature, Silhouette
from skysill.model.default_errors import OBSTACLE
from skysill.model.link import Link, Ray
from skysill.model.site import Criteria, Terminal
from skysill.radio.required_room import room_angle_deg

TERMINAL, CRITERIA = Terminal(), Criteria()
NOTHING = Errors(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
GROUND = {"edge": RasterErrors(3.0, 150.0)}


def edge(elevation, distance, source="measured", slope=0.0, sigma=0.0):
    azimuth = 179.0 + np.arange(-10.0, 10.05, 0.1)
    return Silhouette(
        source=source,
        azimuth_deg=azimuth,
        elevation_deg=elevation + slope * (azimuth - 179.0),
        distance_m=distance,
        features=(Feature("edge", "reading", source),),
        feature=0,
        sigma_deg=sigma,
    )


def asked(silhouette, errors, elevation=24.0, **more):
    return confidence(
        [UncertainSilhouette(silhouette, **more)],
        Ray(179.0, elevation),
        link=Link(TERMINAL, CRITERIA),
        errors=errors,
    )


@pytest.mark.parametrize("spare", [-1.0, -0.3, 0.0, 0.4, 1.0])
def test_inclination_error_of_a_level_edge_is_plain_normal_propagation(spare):
    """One straight level edge, one normal error of 0.5 degrees: p = Phi(spare / 0.5). Within three standard errors."""
    top = 24.0 - float(room_angle_deg(300.0, Link(TERMINAL, CRITERIA))) - spare
    found = asked(edge(top, 300.0), Errors(0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0))
    # the error all readings share is 0.9 of it, their own part adds up over one anchor here: the same total
    assert found.p_clear == approx(norm.cdf(spare / 0.5), abs=max(3.0 * found.standard_error, 0.003))


@pytest.mark.parametrize("spare", [-0.5, 0.0, 0.7])
def test_height_error_of_the_dish_is_an_angle_at_the_edge(spare):
    """A dish 0.3 m (one sigma) off in height sees an edge 20 m away move by 0.3 cos(el) / 20 radians."""
    top = 24.0 - float(room_angle_deg(20.0, Link(TERMINAL, CRITERIA))) - spare
    sigma = np.rad2deg(0.3 * np.cos(np.deg2rad(top)) / 20.0)
    found = asked(edge(top, 20.0), Errors(0.0, 0.0, 0.0, 0.0, 0.3, 0.0, 0.0, 0.0))
    assert found.p_clear == approx(norm.cdf(spare / sigma), abs=max(3.0 * found.standard_error, 0.003))


@pytest.mark.parametrize("spare", [-0.5, 0.0, 0.7])
def test_a_ray_under_an_overhang_is_as_uncertain_as_one_over_an_edge(spare):
    """The lower edge of a slab moves like an upper one: p = Phi(spare / sigma), sigma 0.3 cos(el) / 20 radians."""
    low = 24.0 + float(room_angle_deg(20.0, Link(TERMINAL, CRITERIA))) + spare
    away_m = (
        20.0 * np.cos(np.deg2rad(low)) / np.cos(np.deg2rad(low + 4.0))
    )  # of the upper edge, above the lower one
    slab = replace(edge(low + 4.0, away_m, source="obstacle"), floor_deg=low)
    sigma = np.rad2deg(0.3 * np.cos(np.deg2rad(low)) / 20.0)
    found = asked(slab, Errors(0.0, 0.0, 0.0, 0.0, 0.3, 0.0, 0.0, 0.0))
    assert found.p_clear == approx(norm.cdf(spare / sigma), abs=max(3.0 * found.standard_error, 0.02))


@pytest.mark.parametrize("spare", [-0.5, 0.0, 0.7])
def test_a_tall_overhang_is_as_uncertain_as_its_lower_edge(spare):
    """A slab from just above the ray up to 80 degrees: only the lower edge, 20 m away along the ray, decides."""
    low = 24.0 + float(room_angle_deg(20.0, Link(TERMINAL, CRITERIA))) + spare
    level_m = 20.0 * np.cos(np.deg2rad(low))
    slab = replace(edge(80.0, level_m / np.cos(np.deg2rad(80.0)), source="obstacle"), floor_deg=low)
    sigma = np.rad2deg(0.3 * np.cos(np.deg2rad(low)) / 20.0)
    found = asked(slab, Errors(0.0, 0.0, 0.0, 0.0, 0.3, 0.0, 0.0, 0.0))
    assert found.p_clear == approx(norm.cdf(spare / sigma), abs=max(3.0 * found.standard_error, 0.02))


def test_no_error_means_no_doubt():
    assert asked(edge(20.0, 300.0), NOTHING).p_clear == 1.0
    assert asked(edge(23.99, 300.0), NOTHING).p_clear == 0.0


def test_the_same_inputs_give_the_same_answer():
    one, two = (asked(edge(22.9, 60.0), Errors()) for _ in range(2))
    assert one == two


def test_the_compass_is_named_where_the_skyline_is_steep():
    found = asked(edge(19.5, 300.0, slope=1.5), Errors(bearing_deg=1.5, inclination_deg=0.2, position_m=0.05))
    assert 0.05 < found.p_clear < 0.99
    assert found.dominant == "compass"


def test_the_clinometer_is_named_where_the_skyline_is_level():
    found = asked(edge(23.3, 300.0), Errors(bearing_deg=1.5, inclination_deg=0.5, position_m=0.05))
    assert found.dominant == "clinometer"


def test_many_columns_of_near_ground_do_not_hide_tighter_ground_behind():
    """A near ridge with a wide error must not keep a far one, less in doubt but nearer to the ray, from being drawn."""
    near, far = edge(20.0, 95.0, "terrain"), edge(23.4, 650.0, "terrain")
    both = Silhouette(source="terrain", features=near.features, feature=0, azimuth_deg=np.tile(near.azimuth_deg, 2), **{
        name: np.concatenate([getattr(near, name), getattr(far, name)])
        for name in ("elevation_deg", "distance_m", "sigma_deg")})  # fmt: skip
    still = Errors(position_m=0.0, height_m=0.0)
    alone = asked(far, still, rasters=GROUND).p_clear
    assert asked(both, still, rasters=GROUND).p_clear <= alone < 0.95


def test_terrain_error_is_the_rasters_and_shared_with_the_ground_stood_on():
    """Ground as near as a tenth of the correlation length is as wrong as the ground under the dish: little tilt."""
    near = edge(12.0, 15.0, "terrain")
    alone = asked(near, Errors(position_m=0.0, height_m=0.0), rasters=GROUND)
    shared = asked(near, Errors(position_m=0.0, height_m=0.0), rasters=GROUND, ground_from="edge")
    assert alone.p_clear < shared.p_clear


def test_more_error_never_makes_a_roomy_sky_surer():
    sky = edge(22.5, 60.0)
    chances = [asked(sky, Errors(inclination_deg=s)).p_clear for s in (0.1, 0.3, 0.6, 1.2)]
    assert sorted(chances, reverse=True) == chances


def test_two_edges_of_one_raster_in_one_direction_both_count():
    """Ground 1 km and 5 km away errs apart, 3 m each: p = Phi(s1 / t1) Phi(s2 / t2), t = 3 cos(el) / d radians."""
    far_m, spare = np.array([1000.0, 5000.0]), np.array([0.15, 0.036])
    top = 24.0 - np.array([float(room_angle_deg(d, Link(TERMINAL, CRITERIA))) for d in far_m]) - spare
    ridges = Silhouette("terrain", np.full(2, 179.0), top, far_m, (Feature("edge", "ground", "terrain"),), 0)
    sigma = np.rad2deg(3.0 * np.cos(np.deg2rad(top)) / far_m)
    found = asked(ridges, replace(NOTHING, terrain=1.0), rasters=GROUND)
    want = np.prod(norm.cdf(spare / sigma))
    assert found.p_clear == approx(want, abs=max(4.0 * found.standard_error, 0.02))
    assert want < norm.cdf(spare[0] / sigma[0]) - 0.05


def test_what_is_not_said_of_errors_counts_rasters_and_unread_stretches_as_they_are():
    """1 takes them as stated, as documented; a raster is coarse unless it is said to be fine."""
    assert (Errors().terrain, Errors().unread, Errors().distance_m) == (1.0, 1.0, 0.0)
    assert Errors().growth_fraction == 0.3  # own estimate: three tenths of a stated rate
    assert Errors().obstacle_m == OBSTACLE["plan"].height_m
    assert (RasterErrors(3.0, 150.0).fine, RasterErrors(3.0, 150.0).horizontal_m) == (False, 0.0)


def test_the_bound_for_sorting_out_is_no_less_than_all_that_a_blurred_edge_may_lack():
    """2 m nearer and 1.5 m spread: at 10 m atan(3.5 / 10), besides the raster's own 0.3 m."""
    wood = Silhouette("terrain", np.full(1, 179.0), np.full(1, 20.0), np.full(1, 10.0),
                      (Feature("edge", "ground", "terrain"),), 0)  # fmt: skip
    blur = Blur(np.zeros(1), np.full(1, 2.0), np.full(1, 1.5))
    uncertain = UncertainSilhouette(wood, rasters={"edge": RasterErrors(0.3, 5.0, fine=True)}, blur=blur)
    bound_deg = sigma_bound_deg(uncertain, replace(NOTHING, terrain=1.0), np.full(1, 10.0))
    assert bound_deg >= np.rad2deg(np.arctan2(3.5, 10.0))


def test_columns_at_a_reading_move_with_it_from_both_sides_and_between_two_by_their_shares():
    """The last column before a reading and the first after it; own errors of two readings add up by their shares."""
    columns = Silhouette("measured", np.array([10.0, 12.0, 14.0, 14.0, 16.0]), np.full(5, 20.0), np.full(5, 300.0),
                         (Feature("edge", "reading", "measured"),), 0)  # fmt: skip
    uncertain = UncertainSilhouette(
        columns,
        anchors=np.array([[0, 1], [0, 1], [0, 1], [1, 2], [1, 2]]),
        weights=np.array([[1.0, 0.0], [0.25, 0.75], [0.0, 1.0], [1.0, 0.0], [0.5, 0.5]]),
    )
    drawn = sample_shifts(
        uncertain, replace(NOTHING, inclination_deg=0.5), np.zeros((800, 3)), np.full(5, 300.0), 12.0
    ).elevation_deg
    assert np.std(drawn, axis=0)[:1] == approx(0.5, rel=0.1)
    assert drawn[:, 2] == approx(drawn[:, 3], abs=1e-5)
    assert drawn[:, 1] == approx(0.25 * drawn[:, 0] + 0.75 * drawn[:, 2], abs=2e-4)
    assert np.abs(drawn[:, 0] - drawn[:, 2]).max() > 0.1

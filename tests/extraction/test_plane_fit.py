"""Kernels: nearest neighbours, robust planes and their standard errors, the scatter of samples."""

import numpy as np
import pytest
from pytest import approx
from scipy.spatial import cKDTree

from skysill.extraction.plane_fit import fit_plane, local_planes, nearest_neighbours, noise_m


def samples(rng, count, *, sigma_m=0.05, slope=(0.4, -0.2), level_m=10.0):
    plan = rng.uniform(-4.0, 4.0, (count, 2))
    return np.column_stack([plan, level_m + plan @ np.array(slope) + rng.normal(0.0, sigma_m, count)])


@pytest.mark.parametrize("spread", ["even", "clustered", "thinning out", "line"])
def test_nearest_neighbours_are_those_of_a_tree_search(spread):
    rng = np.random.default_rng(5)
    plan = rng.uniform(0.0, 20.0, (700, 2))
    if spread == "clustered":
        plan[:350] = plan[:350] * 0.02 + 50.0
    elif spread == "thinning out":  # some neighbours lie beyond the tiles around
        plan = 20.0 * rng.random((700, 2)) ** 6
    elif spread == "line":
        plan[:, 1] = 3.0
    found = nearest_neighbours(plan, 9)
    away, _ = cKDTree(plan).query(plan, k=10)
    got = np.hypot(*(plan[found] - plan[:, None]).transpose(2, 0, 1))
    assert got == approx(away[:, 1:], abs=1e-9)
    assert (found != np.arange(700)[:, None]).all()


def test_few_samples_have_all_others_as_neighbours():
    assert nearest_neighbours(np.array([[0.0, 0.0], [1.0, 0.0], [5.0, 0.0]]), 12).tolist() == [
        [1, 2],
        [0, 2],
        [1, 0],
    ]
    assert nearest_neighbours(np.zeros((1, 2)), 4).shape == (1, 0)


def test_a_plane_is_fitted_through_a_quarter_of_samples_that_are_not_on_it():
    rng = np.random.default_rng(3)
    points = samples(rng, 200)
    points[:50, 2] += rng.uniform(0.5, 4.0, 50)
    fit = fit_plane(points)
    assert fit.slope == approx([0.4, -0.2], abs=0.01)
    assert fit.level_m == approx(10.0, abs=0.03)
    assert fit.residual_rms_m == approx(0.05, rel=0.2)


def test_the_standard_error_of_a_plane_is_how_far_it_is_off():
    """300 planes of known truth: errors over standard errors have unit variance; the sample of 300 tells it to 0.08."""
    rng = np.random.default_rng(11)
    corner, ratio = np.array([[6.0, -5.0]]), []
    for _ in range(300):
        fit = fit_plane(samples(rng, 60, sigma_m=0.08))
        ratio.append((fit.at(corner)[0] - (10.0 + corner[0] @ [0.4, -0.2])) / fit.error_at(corner)[0])
    assert np.std(ratio) == approx(
        1.0, abs=0.25
    )  # the biweight keeps 95 % efficiency, and its rms is cut at 3 sigma


def test_samples_that_span_no_area_have_no_plane():
    along = np.linspace(0.0, 9.0, 30)
    assert fit_plane(np.column_stack([along, 2.0 * along, along])) is None
    assert fit_plane(np.zeros((2, 3))) is None


@pytest.mark.parametrize("sigma_m", [0.03, 0.10])
def test_the_scatter_is_found_on_a_folded_roof(sigma_m):
    rng = np.random.default_rng(8)
    plan = rng.uniform(-5.0, 5.0, (800, 2))
    z = 5.0 - 0.8 * np.abs(plan[:, 0]) + rng.normal(0.0, sigma_m, 800)
    points = np.column_stack([plan, z])
    near = nearest_neighbours(plan, 12)
    assert noise_m(local_planes(points, near), 13) == approx(sigma_m, rel=0.15)

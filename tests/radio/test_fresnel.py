"""Fresnel zone, required room, knife-edge field and its mean over the aperture."""

from __future__ import annotations

import csv
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from pytest import approx

from skysill.radio.fresnel import (
    aperture_loss_db,
    first_fresnel_radius_m,
    knife_edge_field,
    knife_edge_loss_db,
    required_angle_deg,
    required_room_m,
)

PUBLISHED = Path(__file__).parents[1] / "published"


def rows(name: str) -> list[dict[str, str]]:
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_first_fresnel_radius_agrees_with_practical_units():
    """ITU-R P.526-8 (2003), section 2, eq. (3): 550 sqrt(d1 d2 / ((d1 + d2) f)), km and MHz, d2 >> d1.

    550 is 547.5 rounded, hence half a percent.
    """
    assert first_fresnel_radius_m(6.0, frequency_ghz=19.7) == approx(550 * sqrt(0.006 / 19_700), rel=0.005)


@pytest.mark.parametrize("row", rows("knife_edge_geometry.csv"), ids=lambda row: row["id"])
def test_first_fresnel_radius_over_a_satellite_path(row):
    """ITU-R P.526-8 (2003), section 2, eq. (2), evaluated with both distances; ours lets the far one go to infinity.

    At 5 km of 40 500 km that leaves 6e-5 of the radius. The two terrestrial rows (1 km + 1 km) are left to nu.
    """
    d1_m, d2_m = float(row["d1_m_dish_to_edge"]), float(row["d2_m_edge_to_satellite"])
    if d2_m < 1e6:  # the terrestrial rows: put the pair into one equivalent distance
        d1_m = d1_m * d2_m / (d1_m + d2_m)
    radius_m = first_fresnel_radius_m(d1_m, frequency_ghz=float(row["freq_hz"]) / 1e9)
    assert radius_m == approx(float(row["fresnel_radius1_m"]), rel=1e-4)
    nu = sqrt(2.0) * float(row["h_m_edge_above_ray_negative_if_clear"]) / radius_m
    assert nu == approx(float(row["nu"]), rel=2e-4, abs=1e-9)
    assert knife_edge_loss_db(nu) == approx(float(row["J_exact_dB"]), abs=2e-3)


def test_knife_edge_loss_is_the_exact_form():
    """ITU-R P.526 section 4.1, J(nu) from Fresnel integrals evaluated with mpmath 1.4.1 (six decimals printed)."""
    table = rows("knife_edge_nu.csv")
    nu = np.array([float(row["nu"]) for row in table])
    printed = np.array([float(row["J_exact_dB"]) for row in table])
    np.testing.assert_allclose(knife_edge_loss_db(nu), printed, atol=1e-6)


def test_knife_edge_field_agrees_with_scipys_fresnel_integrals():
    """scipy.special.fresnel (Cephes), over nu from -40 to 40."""
    from scipy.special import fresnel

    nu = np.linspace(-40.0, 40.0, 40_001)
    sine, cosine = fresnel(nu)
    expected = (1 + 1j) / 2 * ((0.5 - cosine) - 1j * (0.5 - sine))
    np.testing.assert_allclose(knife_edge_field(nu), expected, atol=1e-11)


def test_knife_edge_example_of_a_textbook():
    """Rappaport, Wireless Communications, knife-edge example (from memory): lambda 1/3 m, 1 km + 1 km, 25 m above
    the line: nu 2.74, 22 dB read from the chart, 21.7 dB by formula."""
    nu = 25.0 * sqrt(2.0 * 2000.0 / ((1.0 / 3.0) * 1000.0 * 1000.0))
    assert nu == approx(2.74, abs=0.005)
    assert knife_edge_loss_db(nu) == approx(21.7, abs=0.06)


def test_grazing_costs_six_decibels_whatever_the_dish():
    """On the shadow line the field is one half at every frequency; the aperture lies symmetrically about it."""
    for diameter_m in (1e-3, 0.6, 1.2):
        assert aperture_loss_db(0.0, 40.0, dish_diameter_m=diameter_m, frequency_ghz=12.0) == approx(
            6.0206, abs=1e-3
        )


@pytest.mark.parametrize("height_m", [-3.0, -0.4, -0.05, 0.0, 0.1, 0.7, 3.0])
def test_a_small_dish_sees_the_plain_knife_edge(height_m):
    distance_m, frequency_ghz = 80.0, 12.0
    nu = height_m * sqrt(2.0 / (0.299792458 / frequency_ghz * distance_m))
    small = aperture_loss_db(height_m, distance_m, dish_diameter_m=1e-3, frequency_ghz=frequency_ghz)
    assert small == approx(float(knife_edge_loss_db(nu)), abs=1e-3)


@pytest.mark.parametrize("height_m", [-0.5, -0.3, 0.0, 0.2, 0.4])
def test_a_short_wave_leaves_the_open_share_of_the_aperture(height_m):
    """Coherent mean over the open part: -20 log10(1 - s), s the share of the disc below a chord (circle segment)."""
    radius_m = 0.6
    t = height_m / radius_m
    hidden = 0.5 + (t * sqrt(1.0 - t * t) + np.arcsin(t)) / np.pi
    short = aperture_loss_db(height_m, 5.0, dish_diameter_m=1.2, frequency_ghz=3e5)
    assert short == approx(-20.0 * np.log10(1.0 - hidden), abs=0.02)


def test_the_aperture_mean_agrees_with_plain_integration():
    """The same double integral by brute force on a fine grid of strips."""
    y = np.linspace(-0.6, 0.6, 200_001)[1:-1]
    nu = (0.25 - y) * sqrt(2.0 / (0.299792458 / 19.7 * 30.0))
    weight = np.sqrt(0.36 - y**2)
    expected = -20.0 * np.log10(abs((weight * knife_edge_field(nu)).sum() / weight.sum()))
    assert aperture_loss_db(0.25, 30.0, dish_diameter_m=1.2, frequency_ghz=19.7) == approx(expected, abs=1e-4)


def test_required_room_of_the_gutter_and_of_the_hill():
    """D/2 + 0.6 sqrt(lambda d), worked by hand: lambda = 0.299792458 / 19.7 = 0.0152179 m."""
    room_m = required_room_m([6.0, 2000.0], dish_diameter_m=1.2, frequency_ghz=19.7)
    np.testing.assert_allclose(room_m, [0.6 + 0.6 * 0.302171, 0.6 + 0.6 * 5.516862], atol=1e-5)


def test_required_angle_only_shrinks_with_distance():
    rng = np.random.default_rng(7)
    near_m = rng.uniform(0.2, 5e3, 10_000)
    far_m = near_m * rng.uniform(1.0, 50.0, 10_000)
    kwargs = {
        "dish_diameter_m": rng.uniform(0.3, 3.0, 10_000),
        "frequency_ghz": rng.uniform(1.0, 50.0, 10_000),
    }
    assert (required_angle_deg(far_m, **kwargs) <= required_angle_deg(near_m, **kwargs)).all()

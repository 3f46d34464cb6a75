"""Power density in front of a dish and the limits for people."""

import numpy as np
import pytest
from pytest import approx

from skysill.errors import InputError
from skysill.radio.exposure import beam_limit_m, exposure, public_limit


def test_power_density_of_an_aperture():
    """FCC OET Bulletin 65 (ed. 97-01), aperture formulas, as applied in filings; 3 W, 1.2 m, 29.5 GHz, 0.6: computed
    with numpy from those formulas: surface 10.6103, near field 6.3662 W/m2, to 35.4245 m, far from 85.0188 m."""
    found = exposure(3.0, dish_diameter_m=1.2, frequency_ghz=29.5, efficiency=0.6)
    assert found.surface_w_m2 == approx(10.6103, abs=1e-4)
    assert found.near_w_m2 == approx(6.3662, abs=1e-4)
    assert (found.near_end_m, found.far_start_m) == approx((35.4245, 85.0188), abs=1e-3)


def test_the_far_field_of_a_printed_filing():
    """FCC filing SES-MOD-20091124-01493: 1.2 m, 14.25 GHz, far field from 41.04 m (wavelength rounded to 0.021 m)."""
    assert exposure(125.0, dish_diameter_m=1.2, frequency_ghz=14.25).far_start_m == approx(41.04, abs=0.05)


def test_the_beam_falls_to_a_limit_where_the_printed_formulas_say():
    """The same case (3 W, 1.2 m, 29.5 GHz, 0.6), computed with numpy from OET 65's formulas: 4.5104 W/m2 at 50 m
    (transition), 1.9712 at 100 m and 0.4928 at 200 m (far field); in the tube it is 6.3662 at most."""
    case = {"dish_diameter_m": 1.2, "frequency_ghz": 29.5, "efficiency": 0.6}
    for limit, away_m in ((4.5104, 50.0), (1.9712, 100.0), (0.4928, 200.0)):
        assert beam_limit_m(3.0, **case, limit_w_m2=limit) == approx(away_m, rel=1e-4)
    assert beam_limit_m(3.0, **case, limit_w_m2=6.37) == 0.0
    assert beam_limit_m(3.0, **case, limit_w_m2=6.36) == approx(35.46, abs=0.01)


def test_where_the_two_formulas_do_not_join_the_farther_distance_counts():
    """At 85.02 m the transition gives 2.6526 and the far field 2.7271 W/m2 (same source): for 2.70 that is 85.4 m."""
    found = beam_limit_m(3.0, dish_diameter_m=1.2, frequency_ghz=29.5, limit_w_m2=2.70, efficiency=0.6)
    assert found == approx(85.02 * (2.7271 / 2.70) ** 0.5, abs=0.02)


def test_the_distance_never_shrinks_as_the_limit_falls():
    limits = np.linspace(8.0, 0.2, 400)
    away = [
        beam_limit_m(3.0, dish_diameter_m=1.2, frequency_ghz=29.5, limit_w_m2=float(limit), efficiency=0.6)
        for limit in limits
    ]
    assert (np.diff(away) >= 0.0).all()


def test_the_limit_is_that_of_the_frequency_asked():
    """47 CFR 1.1310, Table 1, general population: f/1500 mW/cm2 from 300 to 1500 MHz, 1.0 mW/cm2 from 1500 MHz to
    100 GHz (the latter as FCC filings print it, 10 W/m2; the former from memory). Above: ICNIRP 2020, from memory."""
    assert public_limit(0.9).density_w_m2 == approx(900 / 1500 * 10)
    assert public_limit(1.5).density_w_m2 == approx(10.0)
    assert (public_limit(14.25).density_w_m2, public_limit(29.5).source) == (10.0, "47 CFR 1.1310")
    assert "ICNIRP" in public_limit(140.0).source
    with pytest.raises(InputError, match="no limit here"):
        public_limit(0.1)

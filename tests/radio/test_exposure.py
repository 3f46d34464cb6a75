"""Power density in front of a dish and the limits for people."""

import numpy as np
import pytest
from pytest import approx

from skysill.errors import InputError
from skysill.radio.exposure import beam_limit_m, exposure, public_limit


def test_power_density_of_an_aperture():
    """FCC OET Bulletin 65 (ed. 97-01), aperture formulas, as applied in filings; 2.5 W, 0.9 m, 28.6 GHz, 0.6: computed
    with numpy from those formulas: surface 15.7190, near field 9.4314 W/m2, to 19.3184 m, far from 46.3641 m."""
    found = exposure(2.5, dish_diameter_m=0.9, frequency_ghz=28.6, efficiency=0.6)
    assert found.surface_w_m2 == approx(15.7190, abs=1e-4)
    assert found.near_w_m2 == approx(9.4314, abs=1e-4)
    assert (found.near_end_m, found.far_start_m) == approx((19.3184, 46.3641), abs=1e-3)


def test_the_far_field_of_a_printed_filing():
    """FCC filing SES-MOD-20091124-01493: 1.2 m, 14.25 GHz, far field from 41.04 m (wavelength rounded to 0.021 m)."""
    assert exposure(125.0, dish_diameter_m=1.2, frequency_ghz=14.25).far_start_m == approx(41.04, abs=0.05)


def test_the_beam_falls_to_a_limit_where_the_printed_formulas_say():
    """The same case (2.5 W, 0.9 m, 28.6 GHz, 0.6), computed with numpy from OET 65's formulas: 6.0733 W/m2 at 30 m
    (transition), 2.4124 at 60 m and 0.38599 at 150 m (far field); in the tube it is 9.4314 at most."""
    case = {"dish_diameter_m": 0.9, "frequency_ghz": 28.6, "efficiency": 0.6}
    for limit, away_m in ((6.0733, 30.0), (2.4124, 60.0), (0.38599, 150.0)):
        assert beam_limit_m(2.5, **case, limit_w_m2=limit) == approx(away_m, rel=1e-4)
    assert beam_limit_m(2.5, **case, limit_w_m2=9.44) == 0.0
    assert beam_limit_m(2.5, **case, limit_w_m2=9.42) == approx(19.342, abs=0.001)


def test_where_the_two_formulas_do_not_join_the_farther_distance_counts():
    """At 46.36 m the transition gives 3.9298 and the far field 4.0401 W/m2 (same source): for 4.00 that is 46.6 m."""
    found = beam_limit_m(2.5, dish_diameter_m=0.9, frequency_ghz=28.6, limit_w_m2=4.00, efficiency=0.6)
    assert found == approx(46.3641 * (4.0401 / 4.00) ** 0.5, abs=0.001)


def test_the_distance_never_shrinks_as_the_limit_falls():
    limits = np.linspace(12.0, 0.2, 400)
    away = [
        beam_limit_m(2.5, dish_diameter_m=0.9, frequency_ghz=28.6, limit_w_m2=float(limit), efficiency=0.6)
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


def test_the_limit_begins_at_the_lowest_frequency_of_a_terminal():
    """47 CFR 1.1310, Table 1, general population, 300 to 1500 MHz: f/1500 mW/cm2, 0.2 mW/cm2 = 2 W/m2 at 300 MHz."""
    assert public_limit(0.3).density_w_m2 == approx(2.0)
    with pytest.raises(InputError, match=r"there is no limit here for 0\.29 GHz"):
        public_limit(0.29)

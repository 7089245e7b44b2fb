"""Sturm et al. 1997, Journal of Glaciology 43: conductivity of snow by its density.

λ = 0.138 − 1.01 ρ + 3.233 ρ² from ρ 0.156 to 0.6 g cm-3, 0.023 + 0.234 ρ below, as coded in public
land models. Our snow settles (Essery 2015) and has one conductivity (fresh snow, Moene & van Dam
2014, Table 2.2), for a provider's depth comes without a density. The miss is stated: right for
snow of a few days, too high for fresh and too low for old wet snow.
"""

import pytest


def conductivity(density):
    rho = density / 1000.0
    if rho < 0.156:
        return 0.023 + 0.234 * rho
    return 0.138 - 1.01 * rho + 3.233 * rho**2


def test_the_one_conductivity_is_that_of_snow_that_has_settled_some_days(hazel_dormouse):
    p = hazel_dormouse.nest
    assert conductivity(200.0) < p.snow_conductivity < conductivity(p.snow_density_cold)


def test_fresh_snow_would_insulate_twice_as_well(hazel_dormouse):
    p = hazel_dormouse.nest
    assert p.snow_conductivity / conductivity(p.snow_density_fresh) == pytest.approx(2.15, abs=0.01)


def test_snow_packed_by_a_long_thaw_would_insulate_four_times_less(hazel_dormouse):
    p = hazel_dormouse.nest
    ratio = conductivity(p.snow_density_melting) / p.snow_conductivity
    assert ratio == pytest.approx(4.41, abs=0.01)

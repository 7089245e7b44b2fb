"""Sturm et al. 1997, Journal of Glaciology 43: conductivity of snow by its density.

λ = 0.138 − 1.01 ρ + 3.233 ρ², ρ in g cm-3 from 0.156 to 0.6, as coded in public land models. Our
snow lies at one density (Sturm et al. 2010, Table 4, maritime, as coded in public packages) and
has one conductivity (fresh snow, Moene & van Dam 2014, Table 2.2): two sources that need not
agree, and a nest under snow feels their product.
"""

import pytest


def test_density_and_conductivity_of_snow_belong_together(hazel_dormouse):
    density = hazel_dormouse.nest.snow_density / 1000.0
    assert 0.156 <= density <= 0.6
    by_density = 0.138 - 1.01 * density + 3.233 * density**2
    assert by_density == pytest.approx(0.0925, abs=1e-4)
    assert hazel_dormouse.nest.snow_conductivity == pytest.approx(by_density, rel=0.15)

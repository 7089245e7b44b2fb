"""O'Donnell et al. 2009, Soil Science 174: heat in organic horizons, as coded in a public model.

λ = min(0.6, max(0.04, 0.03 + 0.5 θ)), C = 45·1920 + 4.18e6 θ; values computed from these.
"""

import pytest

from riskcast.habitat import litter_conductivity, litter_heat_capacity


@pytest.mark.parametrize(
    ("water", "conductivity", "capacity", "diffusivity"),
    [(0.1, 0.08, 504400.0, 1.586e-7), (0.2, 0.13, 922400.0, 1.409e-7)],
)
def test_litter(hazel_dormouse, water, conductivity, capacity, diffusivity):
    k = litter_conductivity(water, hazel_dormouse)
    c = litter_heat_capacity(water, hazel_dormouse)
    assert k == pytest.approx(conductivity, rel=1e-12)
    assert c == pytest.approx(capacity, rel=1e-12)
    assert k / c == pytest.approx(diffusivity, rel=5e-4)


def test_conductivity_is_held_to_its_range(hazel_dormouse):
    assert litter_conductivity(0.0, hazel_dormouse) == 0.04
    assert litter_conductivity(2.0, hazel_dormouse) == 0.6

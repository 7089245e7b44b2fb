"""Allen et al. 1998, FAO Irrigation and Drainage Paper 56: saturation vapour pressure e°.

Eq. 11 and Annex 2, table 2.3 (kPa, as printed to three or four figures; −5 °C computed).
"""

import pytest

from riskcast.habitat import saturation_vapour_pressure, saturation_vapour_pressure_fao56

E_ZERO = {
    -5.0: 0.4212, 0.0: 0.6108, 5.0: 0.8723, 10.0: 1.2280, 18.0: 2.064, 24.5: 3.0746, 25.0: 3.1678
}  # fmt: skip


@pytest.mark.parametrize(("temperature", "pressure"), E_ZERO.items())
def test_equation_11(hazel_dormouse, temperature, pressure):
    found = saturation_vapour_pressure_fao56(temperature, hazel_dormouse)
    assert found == pytest.approx(pressure, abs=6e-4 if temperature == 18.0 else 6e-5)


@pytest.mark.parametrize(("temperature", "pressure"), E_ZERO.items())
def test_the_form_we_use_agrees_within_a_quarter_of_a_percent(
    hazel_dormouse, temperature, pressure
):
    found = saturation_vapour_pressure(temperature, hazel_dormouse)
    assert found == pytest.approx(pressure, rel=2.5e-3)

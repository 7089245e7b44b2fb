"""Kuusisto 1980, Nordic Hydrology 11:235-242: how fast snow melts by air temperature.

Read in the abstract: 12 stations, 1959-1978, mean degree-day factor 2.42 mm per °C and day over
all forest sites and 3.51 over all open ones. The species file holds these numbers: the test
guards that the snow they drive does what they say.
"""

import numpy as np
import pytest

from riskcast.habitat import snow_water


@pytest.mark.parametrize(
    ("canopy", "per_degree_day"), [("deciduous", 2.42), ("evergreen", 2.42), ("open", 3.51)]
)
@pytest.mark.parametrize("warmth", [0.5, 2.0, 4.0])
def test_a_day_of_thaw(hazel_dormouse, canopy, per_degree_day, warmth):
    air = np.r_[np.full(48, -1.0), np.full(24, warmth)]
    water = np.r_[np.full(48, 1.0), np.zeros(24)]
    lies = snow_water(air, water, hazel_dormouse, canopy=canopy)
    assert lies[47] - lies[-1] == pytest.approx(per_degree_day * warmth, rel=1e-12)

"""Jennings et al. 2018, Nature Communications 9:1148: where rain and snow are equally frequent.

Read in the abstract: 1.0 °C in the mean of the Northern Hemisphere, −0.4 to 2.4 °C at 95 % of
its stations, maritime climates lowest. One threshold stands for all of them.
"""

import pytest

from riskcast.habitat import snow_water


def test_the_threshold_is_the_mean_of_the_stations(hazel_dormouse):
    assert hazel_dormouse.nest.snowfall_threshold == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(("air", "falls"), [(-0.4, True), (0.9, True), (1.1, False), (2.4, False)])
def test_below_it_snow_above_it_rain(hazel_dormouse, air, falls):
    lies = snow_water([air], [20.0], hazel_dormouse, canopy="deciduous")
    assert bool(lies[0] > 0.0) is falls

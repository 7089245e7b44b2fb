"""Alduchov & Eskridge 1996, J. Appl. Meteorol. 35:601-609: AERK over water, AERKi over ice.

Values in hPa computed independently from the printed coefficients; beside them WMO's own
(Guide to Instruments and Methods of Observation), which were not computed from these.
"""

import numpy as np
import pytest

from riskcast.habitat import (
    dew_point,
    nest_vapour_pressure_deficit,
    saturation_vapour_pressure,
    vapour_pressure_deficit,
)

WATER = {-10: 2.8677, -5: 4.2191, 0: 6.1094, 5: 8.7156, 10: 12.2602, 20: 23.3344}
ICE = {-10: 2.5967, -5: 4.0157}


@pytest.mark.parametrize(("temperature", "hpa"), WATER.items())
def test_over_water(hazel_dormouse, temperature, hpa):
    found = saturation_vapour_pressure(temperature, hazel_dormouse)
    assert found * 10 == pytest.approx(hpa, abs=6e-5)


@pytest.mark.parametrize(("temperature", "hpa"), ICE.items())
def test_over_ice(hazel_dormouse, temperature, hpa):
    found = saturation_vapour_pressure(temperature, hazel_dormouse, over="ice")
    assert found * 10 == pytest.approx(hpa, abs=6e-5)


@pytest.mark.parametrize(
    ("temperature", "over", "hpa"),
    [(5, "water", 8.7174), (10, "water", 12.2603), (-10, "ice", 2.5987)],
)
def test_wmo(hazel_dormouse, temperature, over, hpa):
    found = saturation_vapour_pressure(temperature, hazel_dormouse, over=over)
    assert found * 10 == pytest.approx(hpa, rel=1e-3)


def test_over_what_has_to_be_known(hazel_dormouse):
    with pytest.raises(ValueError, match="'water' or 'ice'"):
        saturation_vapour_pressure(0.0, hazel_dormouse, over="snow")


@pytest.mark.parametrize(
    ("temperature", "humidity", "dew"), [(5.0, 80.0, 1.8359), (10.0, 60.0, 2.5880)]
)
def test_dew_point(hazel_dormouse, temperature, humidity, dew):
    assert dew_point(temperature, humidity, hazel_dormouse) == pytest.approx(dew, abs=1e-4)


@pytest.mark.parametrize(
    ("temperature", "humidity", "deficit"),
    [(5.0, 80.0, 0.17431), (8.0, 90.0, 0.10713), (10.0, 60.0, 0.49041), (0.0, 95.0, 0.03055)],
)
def test_deficit(hazel_dormouse, temperature, humidity, deficit):
    found = vapour_pressure_deficit(temperature, humidity, hazel_dormouse)
    assert found == pytest.approx(deficit, abs=1e-5)
    same = nest_vapour_pressure_deficit(temperature, temperature, humidity, hazel_dormouse)
    assert same == pytest.approx(deficit, abs=1e-5)


def test_a_nest_colder_than_the_dew_point_has_no_deficit(hazel_dormouse):
    dew = dew_point(10.0, 60.0, hazel_dormouse)
    nests = np.array([dew - 1.0, dew + 1.0])
    found = nest_vapour_pressure_deficit(nests, 10.0, 60.0, hazel_dormouse)
    assert found[0] == 0.0
    assert found[1] > 0.0


def test_below_freezing_the_nest_is_measured_over_ice(hazel_dormouse):
    found = nest_vapour_pressure_deficit(-10.0, -10.0, 50.0, hazel_dormouse)
    assert found * 10 == pytest.approx(2.5967 - 0.5 * 2.8677, abs=1e-4)

"""Humidity against psychrolib (ASHRAE Handbook of Fundamentals 2017), an independent library.

It uses other saturation formulas: the tolerance is the distance between the two, not an error.
"""

import numpy as np
import pytest

from riskcast.habitat import dew_point, saturation_vapour_pressure, vapour_pressure_deficit

psychrolib = pytest.importorskip("psychrolib")
SEA_LEVEL_PA = 101325.0


@pytest.fixture(autouse=True)
def si_units():
    psychrolib.SetUnitSystem(psychrolib.SI)


def ashrae(temperature):
    return np.array([psychrolib.GetSatVapPres(float(t)) for t in temperature]) / 1000


def test_saturation_over_water(hazel_dormouse):
    warm = np.arange(0.5, 30.0, 0.5)
    found = saturation_vapour_pressure(warm, hazel_dormouse)
    assert found == pytest.approx(ashrae(warm), rel=3e-3)


def test_saturation_over_ice(hazel_dormouse):
    cold = np.arange(-30.0, 0.0, 0.5)  # the library takes ice below the triple point
    found = saturation_vapour_pressure(cold, hazel_dormouse, over="ice")
    assert found == pytest.approx(ashrae(cold), rel=4e-3)


def test_dew_point(hazel_dormouse):
    assert psychrolib.GetTDewPointFromRelHum(10.0, 0.6) == pytest.approx(2.5998, abs=1e-4)
    for temperature in (2.0, 5.0, 10.0, 15.0):
        for humidity in (60.0, 80.0, 95.0):
            theirs = psychrolib.GetTDewPointFromRelHum(temperature, humidity / 100)
            if theirs > 0.0:  # below, the library gives a frost point
                found = dew_point(temperature, humidity, hazel_dormouse)
                assert found == pytest.approx(theirs, abs=0.03)


@pytest.mark.parametrize(("temperature", "humidity"), [(5.0, 80.0), (8.0, 90.0), (10.0, 60.0)])
def test_deficit(hazel_dormouse, temperature, humidity):
    ratio = psychrolib.GetHumRatioFromRelHum(temperature, humidity / 100, SEA_LEVEL_PA)
    theirs = psychrolib.GetVaporPressureDeficit(temperature, ratio, SEA_LEVEL_PA) / 1000
    found = vapour_pressure_deficit(temperature, humidity, hazel_dormouse)
    assert found == pytest.approx(theirs, rel=3e-3)

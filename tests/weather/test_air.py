"""Humidity against FAO-56 and psychrolib, lapse against the standard atmosphere."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from riskcast.weather.air import (
    dew_point,
    lapse_correction,
    relative_humidity,
    saturation_vapour_pressure,
    wind_speed,
)


@pytest.mark.parametrize(
    ("temperature", "pressure_kpa"),
    [(1, 0.657), (5, 0.872), (10, 1.228), (18, 2.064), (25, 3.168)],
)
def test_saturation_as_fao_56(temperature, pressure_kpa):
    """Allen et al. 1998, FAO Irrigation and Drainage Paper 56, Annex 2, Table 2.3.

    Its formula (Tetens) and AERK part by 0.2 %.
    """
    assert saturation_vapour_pressure(temperature) / 10 == pytest.approx(pressure_kpa, rel=2.5e-3)


def test_humidity_from_dew_point_as_psychrolib():
    psychrolib.SetUnitSystem(psychrolib.SI)
    for temperature in (-5.0, 0.5, 8.0, 20.0):
        for depression in (0.0, 1.0, 4.0, 9.0):
            expected = psychrolib.GetRelHumFromTDewPoint(temperature, temperature - depression)
            # psychrolib is over ice below zero, this over water: they part there by up to 4 %.
            wide = 4.5 if temperature - depression < 0 else 0.25
            found = relative_humidity(temperature, temperature - depression)
            assert found == pytest.approx(100 * expected, abs=wide)


def test_humidity_of_a_dew_point_by_hand():
    """AERK with 17.625 and 243.04: 80 % at 5 °C has its dew point at 1.8359 °C."""
    assert relative_humidity(5.0, 1.8359) == pytest.approx(80.0, abs=0.001)
    assert relative_humidity(5.0, 5.2) == 100.0


def test_dew_point_undoes_the_saturation_pressure():
    temperature = np.array([-30.0, -5.0, 0.0, 12.5, 35.0])
    np.testing.assert_allclose(dew_point(saturation_vapour_pressure(temperature)), temperature)
    assert np.isnan(dew_point([0.0, -1.0])).all()  # no air is without any vapour


def test_dew_point_of_the_triple_point():
    """Vapour over water at 0.01 °C: 611.657 Pa (IAPWS, the triple point)."""
    assert dew_point(6.11657) == pytest.approx(0.01, abs=0.03)


def test_wind_of_a_345_triangle():
    np.testing.assert_allclose(wind_speed([3.0, 0.0], [-4.0, 2.0]), [5.0, 2.0])


def test_lapse_of_the_standard_atmosphere():
    """ICAO Doc 7488: 6.5 K per km; beyond 300 m the correction stays."""
    assert lapse_correction(200.0, 100.0) == pytest.approx(0.65)
    assert lapse_correction(0.0, 200.0) == pytest.approx(-1.3)
    assert lapse_correction(0.0, 300.0) == lapse_correction(0.0, 2000.0) == pytest.approx(-1.95)

"""Units by definition: NIST SP 811 (2008), Appendix B (inch, foot, mile, knot exact)."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.weather.units import UnitError, convert


@pytest.mark.parametrize(
    ("value", "units", "quantity", "expected"),
    [
        (273.15, "K", "temperature", 0.0),
        (283.15, "kelvin", "temperature", 10.0),
        (5.0, "degC", "temperature", 5.0),
        (5.0, "Celsius", "temperature", 5.0),
        (5.0, "°C", "temperature", 5.0),
        (5.0, "deg_C", "temperature", 5.0),
        (32.0, "°F", "temperature", 0.0),
        (212.0, "degF", "temperature", 100.0),
        (80.0, "%", "humidity", 80.0),
        (0.8, "1", "humidity", 80.0),
        (1.0, "inch", "precipitation", 25.4),
        (0.001, "m", "precipitation", 1.0),
        (0.1, "cm", "precipitation", 1.0),
        (1.0, "kg m-2", "precipitation", 1.0),
        (1.0, "kg m**-2", "precipitation", 1.0),
        (1.0, "kg·m⁻²", "precipitation", 1.0),
        (1.0, "ft", "length", 0.3048),
        (12.0, "inch", "length", 0.3048),
        (5.0, "cm", "length", 0.05),
        (3.6, "km/h", "speed", 1.0),
        (1.0, "m s**-1", "speed", 1.0),
        (1.0, "mp/h", "speed", 0.44704),
        (1.0, "kn", "speed", 1852 / 3600),
    ],
)
def test_amounts_and_states(value, units, quantity, expected):
    converted, rate = convert(np.array([value]), units, quantity)
    assert converted[0] == pytest.approx(expected, abs=1e-12)
    assert not rate


@pytest.mark.parametrize(
    ("value", "units"),
    [(1.0, "mm/h"), (1 / 3600, "kg m-2 s-1"), (1 / 3600, "kg m**-2 s**-1"), (1 / 3.6e6, "m s-1")],
)
def test_rates_of_rain(value, units):
    converted, rate = convert([value], units, "precipitation")
    assert rate
    assert converted[0] == pytest.approx(1.0)


@pytest.mark.parametrize("quantity", ["temperature", "humidity", "precipitation", "length"])
@pytest.mark.parametrize("units", ["", "banana", "m/s", None])
def test_nothing_is_guessed(units, quantity):
    with pytest.raises(UnitError, match="Expected"):
        convert([1.0], "hPa" if units == "m/s" else units, quantity)


@pytest.mark.parametrize(
    ("value", "units", "expected"),
    [(0.611, "kPa", 6.11), (611.0, "Pa", 6.11), (6.11, "hPa", 6.11), (750.0, "mmHg", 999.918)],
)
def test_pressures_of_vapour(value, units, expected):
    """NIST SP 811: one conventional millimetre of mercury is 133.3224 Pa."""
    converted, _ = convert([value], units, "pressure")
    assert converted[0] == pytest.approx(expected, abs=1e-3)


def test_millimetres_a_day_are_a_rate():
    converted, rate = convert([24.0], "mm/day", "precipitation")
    assert (converted[0], rate) == (1.0, True)

"""Sun times where the sun does not cross the horizon, and their place on the map."""

import numpy as np
import pytest

from riskcast.base.daylight import day_length, equation_of_time, solar_noon, sun_times

SOLSTICES = np.array(["2025-06-21", "2025-12-21"], dtype="datetime64[D]")


def test_polar_day_and_night_are_said_not_guessed():
    found = sun_times(75.0, 20.0, SOLSTICES)
    assert list(found.polar) == ["day", "night"]
    assert np.isnat(found.sunrise).all()
    assert np.isnat(found.sunset).all()


def test_between_sunrise_and_sunset_lies_the_day_length():
    found = sun_times(50.0, -4.0, SOLSTICES)
    hours = (found.sunset - found.sunrise) / np.timedelta64(1, "h")
    assert hours == pytest.approx(day_length(50.0, [172, 355]), abs=1e-3)
    assert list(found.polar) == ["none", "none"]


def test_noon_moves_with_longitude():
    east, west = solar_noon(15.0, SOLSTICES), solar_noon(0.0, SOLSTICES)
    assert (west - east == np.timedelta64(3600, "s")).all()


def test_equation_of_time_over_the_year():
    """Almanac, from memory: −14 min in mid February, +16 min at the start of November."""
    found = equation_of_time(np.arange(1, 366))
    assert found.min() == pytest.approx(-14.2, abs=0.3)
    assert found.max() == pytest.approx(16.4, abs=0.3)
    assert 40 <= found.argmin() + 1 <= 46
    assert 304 <= found.argmax() + 1 <= 310


def test_longest_day_is_in_june():
    assert day_length(54.0, np.arange(1, 366)).argmax() + 1 == pytest.approx(172, abs=2)

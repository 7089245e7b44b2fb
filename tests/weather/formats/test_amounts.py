"""Running totals, by the rules ECMWF documents.

ERA5: the hour ending at the stamp; ERA5-Land: since 00 UTC; forecasts: since their start.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.weather.formats.amounts import per_step


@pytest.fixture
def rain():
    """(1, 72) mm, the hours ending 01:00 on the 1st to 00:00 on the 4th."""
    time = np.arange("2025-01-01T01", "2025-01-04T01", dtype="datetime64[h]")
    amounts = np.where(np.arange(72) % 5 == 0, 1.5, 0.0)[None]
    return time, amounts


def test_hourly_amounts_stay(rain):
    time, amounts = rain
    found, kind = per_step(amounts, time, forecast=False)
    assert kind == "step"
    np.testing.assert_array_equal(found, amounts)


def test_totals_since_midnight(rain):
    time, amounts = rain
    total = np.concatenate([np.cumsum(day) for day in amounts[0].reshape(3, 24)])[None]
    found, kind = per_step(total, time, forecast=False)
    assert kind == "day"
    np.testing.assert_allclose(found, amounts)


def test_totals_that_begin_at_midnight_lose_the_first_row_only(rain):
    """00:00 holds the whole day before, of which the file does not have the other hours."""
    time, amounts = rain
    total = np.concatenate([np.cumsum(day) for day in amounts[0].reshape(3, 24)])[None]
    found, kind = per_step(total[:, 23:], time[23:], forecast=False)
    assert kind == "day"
    assert np.isnan(found[0, 0])
    np.testing.assert_allclose(found[:, 1:], amounts[:, 24:])


def test_totals_since_the_start_of_a_forecast(rain):
    time, amounts = rain
    amounts = amounts.copy()
    amounts[0, 0] = 0.0
    found, kind = per_step(np.cumsum(amounts, axis=1), time, forecast=True)
    assert kind == "start"
    np.testing.assert_allclose(found, amounts)


def test_even_rain_of_an_analysis_is_no_running_total(rain):
    time, amounts = rain
    found, kind = per_step(np.ones_like(amounts), time, forecast=False)
    assert kind == "step"
    np.testing.assert_array_equal(found, 1.0)


def test_a_dry_or_short_file_is_taken_as_it_is(rain):
    time, amounts = rain
    assert per_step(amounts * 0, time, forecast=False)[1] == "step"
    assert per_step(np.array([[0.0, 0.4, 0.9]]), time[:3], forecast=False)[1] == "step"

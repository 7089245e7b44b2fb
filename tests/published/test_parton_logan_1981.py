"""Parton & Logan 1981, Agric. Meteorol. 23:205-216: the day's course of air temperature.

Formula and constants (Denver, air at 150 cm: 1.86, 2.20, -0.17) were read in two open
implementations of the paper that agree, not in the paper. The values are worked by hand.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from riskcast.weather.diurnal import parton_logan

# Two equal days with sunrise at 6 and sunset at 18: lowest at 5.83, 29.83 …
DAYS = {"lowest": [2.0] * 3, "highest": [14.0] * 3, "sunrise": [6.0, 30.0, 54.0],
        "sunset": [18.0, 42.0, 66.0]}  # fmt: skip


def at(hour, **changes):
    return float(parton_logan([hour], **(DAYS | changes))[0])


def test_by_day_a_sine_of_the_hours_since_the_lowest():
    """T = (14 - 2) sin(pi m / (12 + 2 · 1.86)) + 2 with m = 10 - 5.83."""
    assert at(10.0) == pytest.approx(2 + 12 * math.sin(math.pi * 4.17 / 15.72), abs=1e-9)


def test_the_highest_is_reached_1_86_h_after_noon_counted_from_the_lowest():
    """m = (12 + 3.72) / 2 = 7.86 h after 5.83: at 13.69."""
    assert at(13.69) == pytest.approx(14.0, abs=1e-9)
    assert max(at(h) for h in np.arange(6, 18, 0.01)) == pytest.approx(14.0, abs=1e-4)


def test_by_night_an_exponential_decline_from_sunset():
    """Sunset: 2 + 12 sin(pi · 12.17 / 15.72) = 9.8171; at 23: 2 + 7.8171 exp(-2.2 · 5 / 12)."""
    assert at(18.0) == pytest.approx(9.8171, abs=1e-3)
    assert at(23.0) == pytest.approx(2 + 7.8171 * math.exp(-2.2 * 5 / 12), abs=1e-3)


def test_the_lowest_stands_0_17_h_before_sunrise():
    assert at(29.83) == pytest.approx(2.0, abs=1e-9)


def test_nothing_jumps_from_day_to_day():
    hour = np.arange(6.0, 53.0, 0.01)
    changing = {"lowest": [2.0, -5.0, 6.0], "highest": [14.0, 3.0, 11.0]}
    curve = parton_logan(hour, **(DAYS | changing))
    assert np.abs(np.diff(curve)).max() < 0.05  # 5 K an hour is the steepest that happens
    # The rest of the decline that the paper leaves, a ninth, is gone by the lowest moment.
    assert float(parton_logan([29.83], **(DAYS | changing))[0]) == pytest.approx(-5.0, abs=1e-9)


def test_members_at_once():
    low = np.array([[2.0, 2.0, 2.0], [4.0, 4.0, 4.0]])
    high = low + 12.0
    both = parton_logan([10.0, 23.0], low, high, DAYS["sunrise"], DAYS["sunset"])
    assert both.shape == (2, 2)
    np.testing.assert_allclose(both[1] - both[0], 2.0)

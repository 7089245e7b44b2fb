"""Baskerville & Emin 1969, Ecology 50:514-517: degree days of one sine a day.

0.47 for 7 to 14 °C above 12 °C is printed; the other values were computed from the closed form.
riskcast sums daily means, as the requirements it uses were fitted (Chuine et al. 2013): where the
threshold lies within the day, that counts less. Both are shown here.
"""

import numpy as np
import pytest
from rival_degree_days import single_sine

from riskcast.habitat import thermal_time

CASES = [
    (7.0, 14.0, 12.0, 0.46806),
    (7.0, 20.0, 12.0, 2.87435),
    (-2.0, 8.0, 3.9, 1.16740),
    (0.0, 10.0, 5.0, 1.59155),
]


@pytest.mark.parametrize(("lowest", "highest", "base", "warmth"), CASES)
def test_single_sine(lowest, highest, base, warmth):
    assert single_sine(lowest, highest, base) == pytest.approx(warmth, abs=1e-5)


def test_as_printed():
    assert round(single_sine(7.0, 14.0, 12.0), 2) == 0.47


@pytest.mark.parametrize(
    ("lowest", "highest", "base"),
    [case[:3] for case in CASES] + [(2.0, 6.0, 1.0), (2.0, 6.0, 6.0)],
)
def test_our_sum_taken_by_the_hour_is_that_integral(lowest, highest, base):
    """The middle of each tenth of an hour of a sinusoidal day, summed as riskcast sums days."""
    moment = (np.arange(240) + 0.5) / 240
    air = (lowest + highest) / 2 + (highest - lowest) / 2 * np.sin(2 * np.pi * moment)
    summed = thermal_time(air, moment, start=0.0, base=base)[-1] / moment.size
    assert summed == pytest.approx(single_sine(lowest, highest, base), abs=1e-3)


def test_the_daily_mean_misses_warmth_of_the_afternoon():
    """A miss by design: −2 to 8 °C above 3.9 °C is nothing by its mean of 3 °C."""
    assert thermal_time([3.0], [1], start=1, base=3.9)[-1] == 0.0
    assert single_sine(-2.0, 8.0, 3.9) > 1.1


def test_above_the_threshold_all_day_the_two_agree():
    by_mean = thermal_time([9.0], [1], start=1, base=4.0)[-1]
    assert single_sine(5.0, 13.0, 4.0) == pytest.approx(by_mean, rel=1e-12)

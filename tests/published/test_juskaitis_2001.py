"""Juškaitis 2001 (read in a digest): males 29.8 g in October, 20.4 g in April; females 27 g, 16 g
in May. The independent check of the winter budget: nothing was fitted to it.

Durations (195 and 210 days) and the nest (1-2 °C, no food) are assumed here, not printed there.
Losses are compared as the exponential rate per day: 0.19 % and 0.25 % from the printed masses.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import winter

MALES, FEMALES = (29.8, 20.4, 195), (27.0, 16.0, 210)


@pytest.fixture(scope="module")
def loss_per_day(hazel_dormouse, nest_series):
    """Of the median of the futures, by sex and temperature of the nest."""
    found = {}
    for name, (mass_g, _, days) in (("males", MALES), ("females", FEMALES)):
        for degc in (1.0, 2.0):
            nest = nest_series(degc, days=days, start="2020-10-10")
            course = winter(nest, [mass_g], hazel_dormouse, season_terms=False)
            median = float(course.body_mass_g.median())
            found[name, degc] = -np.log(median / mass_g) / days
    return found


def test_winter_loss_per_day(loss_per_day):
    assert len(loss_per_day) == 4
    for rate in loss_per_day.values():
        assert 0.0015 <= rate <= 0.0028


def test_males_are_met_and_females_lost_a_quarter_more_than_ours(loss_per_day):
    """A stated miss: at 2 °C ours agree with the males; the females, weighed in May, lost more. The
    multiplier was set to neither."""
    printed = {
        name: np.log(start / end) / days
        for name, (start, end, days) in (("males", MALES), ("females", FEMALES))
    }
    ratio = {name: loss_per_day[name, 2.0] / printed[name] for name in printed}
    print(f"\nours at 2 °C over printed: {ratio}")
    assert ratio["males"] == pytest.approx(1.0, abs=0.07)
    assert ratio["females"] == pytest.approx(0.80, abs=0.06)

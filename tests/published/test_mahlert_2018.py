"""Mahlert et al. 2018, eLife 7:e31225, data in a review's Table 1 (PMC7854925): fasting garden
dormice at 5.3 °C: 19.4 bouts of 195.1 h, euthermia 5.5 h, 3908.1 h in all."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import expected_spend, winter

BOUT_H, WAKING_H, TOTAL_H, BOUTS = 195.1, 5.5, 3908.1, 19.4


@pytest.fixture(scope="module")
def their_rhythm(hazel_dormouse):
    """Our scheme with the printed bout and waking lengths in place of our own."""
    return hazel_dormouse.with_values(
        torpor__log_hazard_at_reference=float(np.log(1 / BOUT_H)),
        torpor__hazard_slope_warm=0.0,
        torpor__arousal_multiplier=1.0,
        arousal__length_at_reference=WAKING_H,
        arousal__length_slope=0.0,
    )


def test_bouts_and_wakings_add_up(their_rhythm, nest_series):
    nest = nest_series(5.3, days=163)
    end = nest.time.to_numpy()[0] + np.timedelta64(round(TOTAL_H), "h")
    window = (nest.time.to_numpy()[0], end)
    expected = expected_spend(nest, their_rhythm, window, season_terms=False)
    assert float(expected.arousals.mean()) == pytest.approx(BOUTS, rel=0.02)


def test_event_scheme_counts_the_same(their_rhythm, nest_series):
    nest = nest_series(np.full((1, round(TOTAL_H)), 5.3))
    course = winter(nest, [40.0] * 8, their_rhythm, season_terms=False)
    # 8 animals × 256 draws; counts of about 19.5 with a spread of 4.2: standard error 0.1.
    assert float(course.arousals.mean()) == pytest.approx(BOUTS, rel=0.02)

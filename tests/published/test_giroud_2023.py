"""Giroud et al. 2023, Frontiers in Zoology, doi 10.1186/s12983-023-00498-9 (abstract): garden
dormice at 14 °C woke 1.7 times as often and stayed awake 2.4 times as long as at 3 °C. They ate
more, which made up for the dearer winter.

The slopes of the garden dormouse are set to the two ratios: those tests guard the arithmetic and
are no evidence. Nothing of the hazel dormouse was fitted to this paper.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import arousal_length, expected_spend, winter

COLD, MILD, OFTENER, LONGER = 3.0, 14.0, 1.7, 2.4
DAYS = 180  # six months, as theirs


def arousals(sp, nest_series, degc):
    nest = nest_series(degc, days=DAYS)
    start = nest.time.to_numpy()[0]
    window = (start, start + np.timedelta64(DAYS, "D"))
    return float(expected_spend(nest, sp, window, season_terms=False).arousals.mean())


def test_garden_dormice_wake_oftener_in_a_mild_winter(garden_dormouse, nest_series):
    often = arousals(garden_dormouse, nest_series, MILD)
    ratio = often / arousals(garden_dormouse, nest_series, COLD)
    assert ratio == pytest.approx(OFTENER, rel=0.06)  # mean over draws of the slope


def test_and_stay_awake_longer(garden_dormouse):
    mild, cold = (float(arousal_length(degc, garden_dormouse)) for degc in (MILD, COLD))
    assert mild / cold == pytest.approx(LONGER, rel=0.01)


def test_hazel_dormice_at_10_and_3_degrees(hazel_dormouse, nest_series):
    """Independent: another species, unfed, and the hazard is held above 10 °C."""
    ratio = arousals(hazel_dormouse, nest_series, 10.0) / arousals(
        hazel_dormouse, nest_series, COLD
    )
    assert 1.2 <= ratio <= 4.0


def test_hazel_dormice_are_thought_to_stay_awake_for_less_longer(hazel_dormouse):
    """A stated miss: from 3 to 14 °C 1.3 times (hours held above 10 °C), not 2.4 times."""
    mild, cold = (float(arousal_length(degc, hazel_dormouse)) for degc in (MILD, COLD))
    assert 1.0 < mild / cold < LONGER


def test_food_makes_up_for_a_mild_winter(garden_dormouse, nest_series):
    """Independent of the fit: unfed, the mild winter costs more; fed, it need not."""
    left = {
        (degc, feeding): float(
            winter(
                nest_series(degc, days=60),
                [100.0],
                garden_dormouse,
                feeding=feeding,
                season_terms=False,
            ).body_mass_g.median()
        )
        for degc in (COLD, MILD)
        for feeding in ("none", "found")
    }
    assert left[MILD, "none"] < left[COLD, "none"] - 2.0
    assert left[MILD, "found"] >= left[COLD, "none"]

"""Mahlert et al. 2018, eLife 7:e31225, data in a review's Table 1 (PMC7854925): fasting garden
dormice at 5.3 °C: 19.4 bouts of 195.1 h, euthermia 5.5 h, 3908.1 h in all. Young with unlimited
food: early-born 40.2 g + 5.6 g a week, 9.6 weeks, plateau 103.1 g; late-born 38.8 g + 9.4 g a
week, 5.1 weeks, plateau 89.9 g. Their loss of mass over winter was not in hand."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import (
    arousal_hazard,
    arousal_length,
    expected_spend,
    gain_taper,
    winter,
)

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


# --- the garden dormouse's own file -------------------------------------------------------------
# Its hazard and the length of its wakings are these numbers: the tests guard the way from the
# file to the count, and are no evidence. Season factors are off: the animals lived in the dark.


def test_the_species_file_holds_their_rhythm(garden_dormouse):
    hazard = garden_dormouse.torpor.arousal_multiplier * arousal_hazard(5.3, garden_dormouse)
    assert 1 / hazard == pytest.approx(BOUT_H, abs=0.1)
    assert arousal_length(5.3, garden_dormouse) == pytest.approx(WAKING_H)


def test_bouts_of_an_unfed_winter_at_5_degrees(garden_dormouse, nest_series):
    """19.4 ± 2.4 (standard error) bouts in 3908.1 h; the mean over draws is within that."""
    nest = nest_series(np.full((1, round(TOTAL_H)), 5.3))
    course = winter(nest, [95.0] * 4, garden_dormouse, season_terms=False)
    assert 17.0 <= float(course.arousals.mean()) <= 21.8
    # Nobody ran out in 163 days, and these weighed about as much (89.9 and 103.1 g).
    assert float(course.reserve_empty.notnull().mean()) < 0.1


@pytest.mark.parametrize(
    ("start_g", "g_per_week", "weeks", "plateau_g"),
    [(40.2, 5.6, 9.6, 103.1), (38.8, 9.4, 5.1, 89.9)],
)
def test_growth_to_the_plateau(start_g, g_per_week, weeks, plateau_g):
    """Printed numbers among themselves; those of the file are the same."""
    assert start_g + g_per_week * weeks == pytest.approx(plateau_g, rel=0.1)


def test_growth_of_the_species_file(garden_dormouse):
    p = garden_dormouse.autumn
    assert p.captive_gain * 7 == pytest.approx(9.4, rel=0.01)
    assert p.captive_gain * 7 / 5.6 == pytest.approx(1.7, rel=0.03)  # late over early
    assert (p.asymptote_juvenile, p.asymptote_adult_female) == (89.9, 103.1)


def test_our_taper_is_slower_than_their_growth(garden_dormouse):
    """A stated miss: with their gain our young need about a week more to come near the plateau,
    for we let the gain fade over the last 13.5 g and they printed a straight line."""
    mass, days = 38.8, 0
    while mass < 0.95 * 89.9:
        share = gain_taper(mass, garden_dormouse.autumn.asymptote_juvenile, garden_dormouse)
        mass += garden_dormouse.autumn.captive_gain * float(share)
        days += 1
    straight = (0.95 * 89.9 - 38.8) / garden_dormouse.autumn.captive_gain
    assert 3 < days - straight < 12

"""The event scheme against a brute-force hourly simulation of the same assumptions.

Hour by hour: a torpid animal wakes with p = 1 − exp(−λ) and pays as it goes. p = λ would be
detectably wrong. Same distribution wanted: Kolmogorov–Smirnov, mean and quantiles; in random
weather, from any season, with and without season terms and searches.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from one_winter import HourlyRates, at_the_centre, wandering
from scipy.stats import ks_2samp

from riskcast import species
from riskcast.physiology import empty_mass, grams_per_ml_oxygen, spendable, winter

SP = species.load("hazel_dormouse")
CENTRAL = at_the_centre(SP)
DAYS = 150


def hourly(nest, sp, mass_g, animals, rng, *, season_terms=False, exact=True):
    """Days in hand and wakings of many animals at the central values, one hour at a time.

    `exact` False takes p = λ: what the test has to be able to tell apart.
    """
    rates = HourlyRates(nest.values[0], nest.time.values, sp, season_terms=season_terms)
    chance = 1 - np.exp(-rates.hazard) if exact else rates.hazard
    torpid, cost, length = rates.torpid, rates.cost, rates.length
    grams = float(grams_per_ml_oxygen(sp))
    search = grams * sp.arousal.search_cost, sp.arousal.search_length
    limit = float(spendable(mass_g, empty_mass(mass_g, sp), sp))
    spent, count = np.zeros(animals), np.zeros(animals, dtype=int)
    awake_until = np.zeros(animals)
    empty = np.full(animals, float(chance.size))
    alive = np.ones(animals, dtype=bool)
    for hour in range(chance.size):
        asleep_for = np.clip(hour + 1 - awake_until, 0, 1)
        p = 1 - (1 - chance[hour]) ** asleep_for
        wakes = alive & (rng.random(animals) < p)
        leaves = wakes & (rng.random(animals) < sp.arousal.search_fraction)
        # Torpid for half the hour in which it wakes, in the mean.
        spent += np.where(alive, torpid[hour] * asleep_for * np.where(wakes, 0.5, 1.0), 0)
        spent += np.where(leaves, search[0], np.where(wakes, cost[hour], 0))
        count += wakes
        awake = np.where(leaves, search[1], length[hour])
        awake_until[wakes] = (hour + 1 - asleep_for / 2 + awake)[wakes]
        gone = alive & (spent >= limit)
        empty[gone] = hour + 1
        alive &= ~gone
    return empty / 24, count


@settings(max_examples=4, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10_000),
    level=st.floats(0.0, 9.0),
    restless=st.floats(0.05, 0.5),
    mass_g=st.floats(13.0, 22.0),
    start=st.sampled_from(["2020-10-20", "2020-12-01", "2021-02-15"]),
    season_terms=st.booleans(),
    search_fraction=st.sampled_from([0.0, 0.25]),
)
@example(1, 5.0, 0.15, 15.0, "2020-11-20", False, 0.0)
@example(2, 5.0, 0.15, 15.0, "2020-11-20", False, 0.0)
@example(3, 7.0, 0.4, 20.0, "2020-10-20", True, 0.25)
@example(4, -2.0, 0.4, 15.0, "2021-01-20", True, 0.0)
def test_same_distribution_in_random_weather(
    nest_series, seed, level, restless, mass_g, start, season_terms, search_fraction
):
    sp = CENTRAL.with_values(arousal__search_fraction=search_fraction)
    values = wandering(seed, level, restless, days=DAYS, low=-6, high=12)
    nest = nest_series(values, start=start)
    course = winter(nest, [mass_g] * 8, sp, season_terms=season_terms, draws=512, seed=seed)
    rng = np.random.default_rng(seed + 1)
    days, count = hourly(nest, sp, mass_g, 4000, rng, season_terms=season_terms)
    ours = course.days_in_hand.to_numpy().ravel()
    assert ks_2samp(ours, days).pvalue > 0.001
    assert ours.mean() == pytest.approx(days.mean(), rel=0.02)
    np.testing.assert_allclose(
        np.quantile(ours, [0.1, 0.5, 0.9]), np.quantile(days, [0.1, 0.5, 0.9]), rtol=0.04
    )
    assert course.arousals.to_numpy().mean() == pytest.approx(count.mean(), rel=0.03)


def test_a_chance_of_lambda_itself_is_told_apart(nest_series):
    """The comparison can fail: with a high hazard, p = λ wakes animals too often."""
    restless = CENTRAL.with_values(torpor__arousal_multiplier=20.0)
    nest = nest_series(5.0, days=30)
    ours = winter(nest, [60.0] * 4, restless, season_terms=False, draws=512).arousals.to_numpy()
    right, wrong = (
        hourly(nest, restless, 60.0, 2000, np.random.default_rng(5), exact=how)[1].mean()
        for how in (True, False)
    )
    assert ours.mean() == pytest.approx(right, rel=0.02)
    assert wrong > 1.05 * ours.mean()

"""The event scheme against a brute-force hourly simulation of the same assumptions.

Hour by hour: a torpid animal wakes with p = 1 − exp(−λ) and pays as it goes. p = λ would be
detectably wrong. Same distribution wanted: Kolmogorov–Smirnov, mean and quantiles.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ks_2samp

from riskcast import species
from riskcast.physiology import (
    arousal_cost,
    arousal_hazard,
    arousal_length,
    empty_mass,
    grams_per_ml_oxygen,
    spendable,
    torpid_rate,
    winter,
)
from riskcast.physiology.events import trailing_mean

SP = species.load("hazel_dormouse")


def hourly(nest: np.ndarray, mass_g: float, animals: int, rng: np.random.Generator):
    """Days in hand and wakings of many animals at the central values, one hour at a time."""
    t24 = trailing_mean(nest, 24)
    chance = 1 - np.exp(-SP.torpor.arousal_multiplier * arousal_hazard(t24, SP))
    grams = float(grams_per_ml_oxygen(SP))
    torpid = grams * torpid_rate(nest, SP)
    cost, length = grams * arousal_cost(nest, SP), arousal_length(nest, SP)
    limit = float(spendable(mass_g, empty_mass(mass_g, SP), SP))
    spent, count = np.zeros(animals), np.zeros(animals, dtype=int)
    awake_until = np.zeros(animals)
    empty = np.full(animals, float(nest.size))
    alive = np.ones(animals, dtype=bool)
    for hour in range(nest.size):
        asleep_for = np.clip(hour + 1 - awake_until, 0, 1)
        p = 1 - (1 - chance[hour]) ** asleep_for
        wakes = alive & (rng.random(animals) < p)
        spent += np.where(alive, torpid[hour] * asleep_for * np.where(wakes, 0.5, 1.0), 0)
        spent += np.where(wakes, cost[hour], 0)
        count += wakes
        awake_until[wakes] = hour + 1 - asleep_for[wakes] / 2 + length[hour]
        gone = alive & (spent >= limit)
        empty[gone] = hour + 1
        alive &= ~gone
    return empty / 24, count


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_same_distribution_in_random_weather(nest_series, seed):
    rng = np.random.default_rng(seed)
    steps = rng.normal(0, 0.15, 170 * 24)
    nest = np.clip(5 + np.cumsum(steps) - 0.004 * np.cumsum(np.cumsum(steps)) / 24, -4, 11)
    central = SP.with_values(
        **{
            name.replace(".", "__"): parameter.value
            for name, parameter in SP.parameters.items()
            if parameter.distribution != "fixed"
        }
    )
    course = winter(
        nest_series(nest), [15.0] * 8, central, season_terms=False, draws=256, seed=seed
    )
    days, count = hourly(nest, 15.0, 4000, rng)
    ours = course.days_in_hand.to_numpy().ravel()
    assert ks_2samp(ours, days).pvalue > 0.001
    assert ours.mean() == pytest.approx(days.mean(), rel=0.02)
    np.testing.assert_allclose(
        np.quantile(ours, [0.1, 0.5, 0.9]), np.quantile(days, [0.1, 0.5, 0.9]), rtol=0.03
    )
    assert course.arousals.to_numpy().mean() == pytest.approx(count.mean(), rel=0.03)

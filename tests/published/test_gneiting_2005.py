"""Gneiting, Raftery, Westveld & Goldman 2005, Mon. Wea. Rev. 133, 1098-1118: minimum CRPS.

The scores are computed from the closed form of the paper (its eq. 5), not printed there; two
public libraries, properscoring and scoringrules, gave the same digits. The regression of the
five-member ensemble {2, 4, 6, 8, 5} is the paper's form (mean a + b x̄, variance c + d S²) with
coefficients of our own choosing.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from riskcast.weather.futures.emos import crps_normal, fit_emos


@pytest.mark.parametrize(
    ("mean", "spread", "outcome", "score"),
    [
        (0, 1, 0, 0.233695),
        (0, 1, 1, 0.602441),
        (0, 1, 2, 1.452792),
        (5, 2, 3, 1.204883),
        (8, 1.5, 10, 1.280901),
    ],
)
def test_closed_form(mean, spread, outcome, score):
    assert crps_normal(mean, spread, outcome) == pytest.approx(score, abs=1e-6)


def test_closed_form_is_the_integral_that_defines_the_score():
    def squared(x):
        return (norm.cdf(x, 5.0, 2.0) - (x >= 3.0)) ** 2

    whole = quad(squared, -20.0, 3.0)[0] + quad(squared, 3.0, 30.0)[0]
    assert crps_normal(5.0, 2.0, 3.0) == pytest.approx(whole, abs=1e-7)


def test_an_ensemble_of_five():
    ensemble = np.array([2.0, 4.0, 6.0, 8.0, 5.0])
    mean = 0.5 + 0.95 * ensemble.mean()
    variance = 0.3 + 0.8 * ensemble.var(ddof=1)
    assert (mean, variance) == (pytest.approx(5.25), pytest.approx(4.3))
    assert norm.sf(7.0, mean, np.sqrt(variance)) == pytest.approx(0.199356, abs=1e-6)
    assert crps_normal(mean, np.sqrt(variance), 6.0) == pytest.approx(0.591653, abs=1e-6)


def test_the_fit_finds_the_regression_that_made_the_pairs():
    random = np.random.default_rng(0)
    forecast = random.normal(0.0, 1.0, 20_000)
    outcome = 0.3 + 0.7 * forecast + 0.6 * random.standard_normal(20_000)
    found = fit_emos(forecast, outcome)
    assert found.a == pytest.approx(0.3, abs=0.02)
    assert found.b == pytest.approx(0.7, abs=0.02)
    assert found.spread == pytest.approx(0.6, abs=0.02)


def test_the_fit_has_the_least_mean_score():
    """No step away from it is better, and neither is least squares (the paper's comparison)."""
    random = np.random.default_rng(1)
    forecast = random.normal(5.0, 3.0, 60)
    outcome = forecast + random.standard_t(3, 60)

    def score(a, b, spread):
        return crps_normal(a + b * forecast, spread, outcome).mean()

    found = fit_emos(forecast, outcome)
    best = score(found.a, found.b, found.spread)
    for step in (-0.05, 0.05):
        assert score(found.a + step, found.b, found.spread) > best
        assert score(found.a, found.b + step, found.spread) > best
        assert score(found.a, found.b, found.spread + step) > best
    b, a = np.polyfit(forecast, outcome, 1)
    assert score(a, b, np.std(outcome - a - b * forecast)) > best


def test_a_negative_weight_is_none():
    """The paper's EMOS+: a forecast that is worse than none is left out."""
    random = np.random.default_rng(2)
    forecast = random.normal(size=200)
    found = fit_emos(forecast, 1.0 - 0.5 * forecast + 0.3 * random.standard_normal(200))
    assert found.b == 0.0
    assert found.a == pytest.approx(1.0, abs=0.2)


def test_thirty_pairs_are_needed():
    with pytest.raises(ValueError, match="at least 30 pairs, found 29"):
        fit_emos(np.arange(29.0), np.arange(29.0))

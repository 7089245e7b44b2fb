"""The estimators behind the derived numbers find what was put in (simulated and hand-made data)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from arousal_models import MODELS, held_out, raw_design
from respirometry import (
    frailty_fit,
    gains,
    hazard_rows,
    loss_rates,
    mass_exponent,
    phases,
    poisson_fit,
    read_hours,
    spline_basis,
    torpid_rates,
)

from riskcast import species

COLUMNS = "Year Month Day Hour Ta_iBut Ti_iBut Tskin_h MR_h energetic_state Note_MR ID_individual"


@pytest.fixture
def hand_made(tmp_path):
    """One animal, 20 g growing to 30 g in ten days; a doubled hour, a gap, one waking."""
    torpid = [(hour, 4.0, 2.0, 0, "torpor") for hour in range(6)]
    waking = [(6, 40.0, 20.0, -1, "arousal"), (7, 4.0, 60.0, 1, "normotherm")]
    again = [(hour, 4.0, 2.0, 0, "torpor") for hour in (8, 9)]
    after_gap = [(hour, 6.0, -9999, 0, "verläßt, später") for hour in (14, 15)]
    doubled = [(9, 99.0, 99.0, 1, "twice")]
    rows = [
        (2009, 12, 1, hour, air, 5.0, -9999, oxygen, state, note, "HM 1")
        for hour, air, oxygen, state, note in after_gap + torpid + waking + again + doubled
    ]
    pd.DataFrame(rows, columns=COLUMNS.split()).to_csv(
        tmp_path / "p21_winter_2009_10.csv", encoding="latin-1", index=False
    )
    masses = pd.DataFrame(
        {
            "Datum": ["26/11/09", "06/12/09", "06/12/09", "05/12/09"],
            "Individual": ["1", "1", "1", "1"],
            "Body_mass": [20.0, 29.0, 31.0, np.nan],
        }
    )
    masses.to_csv(tmp_path / "p21_body_mass_2009_10_and_autumn_2011.csv", index=False)
    return tmp_path


def test_reading(hand_made):
    hours = read_hours(hand_made)
    assert hours.session.to_list() == [1] * 10 + [2] * 2
    assert hours.oxygen_ml_h.isna().sum() == 2
    assert hours.skin.isna().all()
    assert hours.oxygen_ml_h[9] == 2.0  # the first of two rows of one hour
    np.testing.assert_allclose(hours.mass_g[:2], [25.0, 25.0 + 1 / 24])
    # 4 °C for six hours, then 40 °C, plus the excess of the box; anew after the gap.
    assert hours.t24[5] == pytest.approx(4.7)
    assert hours.t24[6] == pytest.approx((6 * 4 + 40) / 7 + 0.7)
    assert hours.t24[10] == pytest.approx(6.7)


def test_torpid_hours_at_risk_and_one_waking(hand_made):
    hours = read_hours(hand_made)
    rows = hazard_rows(hours)
    # Six before, one after (the last of a session has no next hour), one after the gap.
    assert (len(rows), rows.wakes.sum()) == (8, 1)
    table = phases(hours)
    assert len(table) == 1
    assert table.length_h.item() == 2
    assert table.oxygen_ml.item() == 80
    assert not table.left.item()
    assert (table.warming_h.item(), table.cooling_h.item()) == (1, 0)


def test_gain_and_loss_of_mass():
    masses = pd.DataFrame(
        {
            "animal": "a",
            "time": pd.to_datetime(["2009-10-01", "2009-10-11", "2009-11-20", "2010-02-28"]),
            "mass_g": [16.0, 20.0, 30.0, 30.0 * np.exp(-0.2)],
        }
    )
    table = gains(masses)
    assert table.start_g.to_list() == [16.0]
    assert table.gain.item() == pytest.approx(0.4)
    assert loss_rates(masses).item() == pytest.approx(-0.002)


@pytest.fixture(scope="module")
def simulated():
    """60 animals, 2,000 torpid hours each, warm slope 0.15, cold slope 0.10, frailty var 0.3."""
    rng = np.random.default_rng(20091115)
    animal = np.repeat(np.arange(60), 2000)
    t = rng.uniform(-8.0, 12.0, animal.size)
    luck = rng.gamma(1 / 0.3, 0.3, 60)
    hazard = luck[animal] * np.exp(raw_design(t) @ [-4.35, 0.15, 0.10])
    return animal, t, rng.poisson(hazard).astype(float)


def test_hazard_and_its_error_are_found(simulated):
    animal, t, wakes = simulated
    fit = poisson_fit(raw_design(t), wakes, animal)
    for index, truth in enumerate([-4.35, 0.15, 0.10]):
        estimate = fit.estimate(index, t.size)
        assert abs(estimate.value - truth) < 3 * estimate.se
    # Animals differ, so the level's error is several times that of independent hours.
    assert fit.estimate(0, 0).se > 2 / np.sqrt(wakes.sum())


def test_frailty_is_found(simulated):
    animal, t, wakes = simulated
    start = poisson_fit(raw_design(t), wakes, animal).coefficients
    fit = frailty_fit(raw_design(t), wakes, animal, start)
    # Sampling: sd of a variance of 60 gammas, about 0.3 × sqrt(2 / 60) × 1.4.
    assert fit.variance == pytest.approx(0.3, abs=0.2)
    assert fit.coefficients[1] == pytest.approx(0.15, abs=0.02)


def test_held_out_deviance_prefers_the_true_shape(simulated):
    animal, t, wakes = simulated
    few = animal < 12
    rows = pd.DataFrame({"animal": animal[few], "t24": t[few], "wakes": wakes[few]})
    sp = species.load("hazel_dormouse")
    score = {name: held_out(rows, MODELS[name], sp).per_row for name in ("level only", "raw fit")}
    assert score["raw fit"] < score["level only"]


def test_torpid_line_and_mass_exponent_are_found():
    rng = np.random.default_rng(1)
    t, animal = rng.uniform(-6, 12, 4000), rng.integers(0, 13, 4000)
    mean = 0.085 * 2.1 ** (np.maximum(t, 0) / 10) + 0.048 * np.maximum(-t, 0)
    fit = torpid_rates(t, mean + rng.normal(0, 0.02, t.size), animal)
    np.testing.assert_allclose(fit.coefficients, [0.085, 2.1, 0.048], rtol=0.03)
    mass = rng.uniform(18, 36, 200)
    exponent = mass_exponent(
        3 * mass**0.7 * rng.lognormal(0, 0.1, 200), mass, rng.integers(0, 13, 200)
    )
    assert abs(exponent.value - 0.7) < 3 * exponent.se


def test_spline_is_straight_beyond_its_ends():
    knots = np.array([-5.0, 0.0, 4.0, 9.0])
    basis = spline_basis(np.array([9.0, 10.0, 11.0, 12.0]), knots)
    assert basis.shape == (4, 3)
    np.testing.assert_allclose(np.diff(basis, 2, axis=0), 0.0, atol=1e-9)


def test_a_column_without_events_is_an_error():
    x = np.column_stack([np.ones(100), np.arange(100) >= 90])
    y = np.r_[np.tile([0.0, 1.0], 45), np.zeros(10)]
    with pytest.raises(ArithmeticError, match="without events"):
        poisson_fit(x, y, np.arange(100))

"""The derived numbers of the species file, estimated anew from the hours they were derived from.

Data: raw hourly respirometry and weighings behind Pretzlaff, Radchuk, Turner & Dausmann 2021,
first winter (`respirometry` says how they are read and what is left alone). Nothing here is
independent evidence: it shows that the file's numbers are what these data say, by how much they
were moved on purpose, and where they miss. `pytest -s` prints the tables.

The models of the arousal hazard are compared on animals left out of the fit. The file's numbers
were chosen with all 13 in view, so "as shipped" has seen them; the others have not.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from arousal_models import MODELS, Heldout, held_out, raw_design
from respirometry import (
    BOX_EXCESS_K,
    Estimate,
    clustered_mean,
    frailty_fit,
    gains,
    hazard_rows,
    in_midwinter,
    phases,
    poisson_fit,
    read_hours,
    read_masses,
    torpid_rates,
)
from shipped_estimates import LOGARITHMIC, estimates, steady_torpor

from riskcast import species
from riskcast.physiology import arousal_cost, arousal_hazard, torpid_rate

pytestmark = pytest.mark.real_data
SP = species.load("hazel_dormouse")
KEYS = [
    *("torpor.rate_at_zero", "torpor.q10", "torpor.cold_slope"),
    *("torpor.log_hazard_at_reference", "torpor.log_hazard_at_reference own slopes"),
    *("torpor.hazard_slope_warm", "torpor.hazard_slope_cold", "torpor.hazard_rise_slope"),
    *("torpor.season_autumn", "torpor.season_spring"),
    *("arousal.cost_at_reference", "arousal.cost_slope"),
    *("arousal.length_at_reference", "arousal.length_slope"),
    *("arousal.search_cost", "arousal.search_length"),
    *("arousal.euthermic_rate", "arousal.awake_rate_per_day"),
    *("reserve.mass_exponent torpid", "reserve.mass_exponent waking"),
    *("reserve.fed_change_per_day", "autumn.captive_gain", "nest.box_excess"),
]
# Moved on purpose, with the reason in the file's note: towards other sources, and halved for
# animals that find no food. Only these may lie further than two standard errors away.
SHRUNK = {"torpor.hazard_slope_warm", "arousal.cost_slope"}


@pytest.fixture(scope="module")
def hours(real_data):
    if not (real_data / "p21_winter_2009_10.csv").is_file():
        pytest.skip("the folder of real files holds no respirometry")
    return read_hours(real_data)


@pytest.fixture(scope="module")
def found(real_data, hours) -> dict[str, Estimate]:
    return estimates(hours, read_masses(real_data), SP)


@pytest.fixture(scope="module")
def midwinter(hours) -> pd.DataFrame:
    rows = hazard_rows(hours)
    return rows[in_midwinter(rows.time)]


def shipped(key: str) -> tuple[float, float, float]:
    """Value, low and high of the file, as logarithms where the estimate is one."""
    parameter = SP.parameters[key.split()[0]]
    assert isinstance(parameter.value, float)
    three = [
        parameter.value if end is None else end
        for end in (parameter.value, parameter.low, parameter.high)
    ]
    return tuple(np.log(three)) if key in LOGARITHMIC else tuple(three)


def errors_away(key: str, estimate: Estimate) -> float:
    return abs(shipped(key)[0] - estimate.value) / estimate.se


def test_what_was_read(hours, midwinter):
    """Counts by which another reader can tell that the same rows were read."""
    assert len(hours) == 8706
    assert hours.animal.nunique() == 13
    assert hours.session.nunique() == 145
    assert (len(midwinter), midwinter.wakes.sum()) == (5425, 64)
    assert hours.skin.min() == SP.torpor.lowest_skin_temperature


def test_print_the_misfit(found):
    print("\nparameter                                   shipped  estimate      SE   SE away    n")
    for key in KEYS:
        estimate, value = found[key], shipped(key)[0]
        log = " (ln)" if key in LOGARITHMIC else ""
        print(
            f"{key + log:42s} {value:8.4f}  {estimate.value:8.4f} {estimate.se:7.4f}"
            f" {errors_away(key, estimate):9.1f} {estimate.n:4d}"
        )
    assert set(found) == {*KEYS, "handling"}


@pytest.mark.parametrize("key", KEYS)
def test_the_file_says_what_the_data_say(found, key):
    estimate = found[key]
    _, low, high = shipped(key)
    if key in SHRUNK:
        assert low <= estimate.value <= high
    else:
        assert errors_away(key, estimate) <= 2.0


def test_only_what_was_shrunk_lies_apart(found):
    assert {key for key in KEYS if errors_away(key, found[key]) > 2.0} == SHRUNK


def test_torpid_rate_by_degrees(hours):
    """Means of the file's note, and the model against them: within a quarter, 0 to 12 °C."""
    steady = steady_torpor(hours)
    bins = pd.cut(steady.nest, [0, 2, 4, 6, 8, 10, 12], right=True)
    mean = steady.rate.groupby(bins, observed=True).mean().to_numpy()
    np.testing.assert_allclose(mean, [0.100, 0.104, 0.113, 0.175, 0.218, 0.264], atol=5e-4)
    model = torpid_rate([1, 3, 5, 7, 9, 11], SP)
    print("\ntorpid rate, measured ", mean.round(3), "\ntorpid rate, as shipped", model.round(3))
    assert np.abs(model / mean - 1).max() < 0.28


def test_torpid_rate_against_the_air(hours):
    """The model's T leaves out the animal's own heat; the rate was read against the nest that
    holds it. Against air + 0.7 °C, which the hazard is read against, the line is higher at 0 °C and
    flatter on both sides, and the file's numbers miss the mean rate of the winter by under a tenth.
    Why, and what a rate so read would change, is in `test_respirometry_costs`.
    """
    steady = steady_torpor(hours).dropna(subset="air")
    t, rate = steady.air.to_numpy() + BOX_EXCESS_K, steady.rate.to_numpy()
    fit = torpid_rates(t, rate, steady.animal)
    r0, q10, cold = (fit.estimate(index, len(steady)) for index in range(3))
    for name, estimate in (("r0", r0), ("Q10", q10), ("cold slope", cold)):
        print(f"\nagainst air + 0.7 °C: {name} {estimate.value:.3f} ± {estimate.se:.3f}", end="")
    assert q10.value == pytest.approx(SP.torpor.q10, abs=2 * q10.se)
    # Two stated misses: beyond two errors, each to its own side.
    assert r0.value - 2 * r0.se > SP.torpor.rate_at_zero
    assert cold.value + 2 * cold.se < SP.torpor.cold_slope
    assert torpid_rate(t, SP).mean() == pytest.approx(rate.mean(), rel=0.1)


def test_some_captives_leave(hours):
    """14 of 69 complete wakings: the upper end of the file's `search_fraction`, 22 %, is near."""
    table = phases(hours)
    assert (int(table.left.sum()), len(table)) == (14, 69)


def test_spread_between_animals(hours):
    steady = steady_torpor(hours)
    mild = steady[steady.nest.between(0, 6, inclusive="left")]
    by_animal = mild.groupby("animal").rate.mean()
    assert by_animal.mean() == pytest.approx(0.108, abs=0.001)
    assert by_animal.std() == pytest.approx(0.035, abs=0.001)


def test_the_rate_is_lowest_about_the_set_point(hours):
    """The bend that fits best, the rest refitted, lies within 2 °C of the file's."""
    steady = steady_torpor(hours)
    t, rate = steady.nest.to_numpy(), steady.rate.to_numpy()
    left = {}
    for bend in np.arange(-3.0, 6.1, 0.5):
        x = np.column_stack([np.ones(t.size), np.maximum(t - bend, 0), np.maximum(bend - t, 0)])
        left[float(bend)] = np.linalg.lstsq(x, rate)[1][0]
    best = min(left, key=lambda bend: left[bend])
    print("\nbest bend of two straight lines:", best, "°C")
    assert best == pytest.approx(SP.torpor.set_point, abs=2.0)


def test_recording_itself_wakes(found):
    """Handling: the first 6 h of a session hold twice the arousals that temperature explains."""
    assert found["handling"].value > 2 * found["handling"].se
    assert 1.3 < np.exp(found["handling"].value) < 4.0


def test_arousals_by_temperature(midwinter):
    """Observed and shipped arousals a torpid day: the total agrees; at 2-4 °C there were 10 where
    the file expects 6, and near freezing 6 where it expects 14. Stated, not hidden."""
    bins = pd.cut(midwinter.t24, [-20, -5, -2, 0, 2, 4, 6, 8, 10, 20])
    model = pd.Series(arousal_hazard(midwinter.t24, SP), index=midwinter.index)
    table = pd.DataFrame(
        {
            "hours": midwinter.groupby(bins, observed=True).size(),
            "arousals": midwinter.wakes.groupby(bins, observed=True).sum(),
            "a day": 24 * midwinter.wakes.groupby(bins, observed=True).mean(),
            "as shipped": 24 * model.groupby(bins, observed=True).mean(),
        }
    )
    print("\n", table.round(2).to_string())
    total = midwinter.wakes.sum()
    assert abs(model.sum() - total) < 2 * np.sqrt(total)
    expected = model.groupby(bins, observed=True).sum()
    assert expected[pd.Interval(2, 4)] == pytest.approx(5.8, abs=0.5)
    assert expected[pd.Interval(-2, 0)] + expected[pd.Interval(0, 2)] == pytest.approx(14, abs=1.0)
    assert table["arousals"].to_list()[2:5] == [2, 4, 10]


def test_waking_in_frost_costs_more_than_the_file_says(hours):
    """A known miss: below 2 °C (11 wakings, 8 of them below -2 °C) the cost is twice the file's.

    The file's line was read at 2-13 °C and only extended below; nests on the ground are seldom
    so cold. What predicts animals left out better is in `test_respirometry_costs`.
    """
    table = phases(hours)
    cold = table[~table.left & (table.temperature < 2.0)]
    measured = clustered_mean(cold.cost, cold.animal)
    model = float(arousal_cost(cold.temperature, SP).mean())
    print(f"\nwaking below 2 °C: {measured.value:.1f} ± {measured.se:.1f}, as shipped {model:.1f}")
    assert measured.n == 11
    assert measured.value - 2 * measured.se > model
    assert measured.value / model == pytest.approx(2.0, abs=0.4)


def test_gain_of_captives_by_mass(real_data):
    """With food at will the gain falls with mass: 0.49, 0.46, 0.35, 0.22, 0.04 g a day."""
    table = gains(read_masses(real_data))
    by_mass = table.gain.groupby(
        pd.cut(table.start_g, [0, 18, 22, 26, 30, 99], right=False), observed=True
    )
    print("\n", by_mass.agg(["mean", "std", "size"]).round(2).to_string())
    mean = by_mass.mean().to_numpy()
    assert (np.diff(mean) < 0).all()
    assert mean[0] == pytest.approx(SP.autumn.captive_gain, abs=0.05)
    assert abs(mean[-1]) < 0.1


@pytest.fixture(scope="module")
def scores(midwinter) -> dict[str, Heldout]:
    return {name: held_out(midwinter, model, SP) for name, model in MODELS.items()}


def test_print_the_models(scores):
    print("\nheld-out Poisson deviance per 1,000 torpid hours; difference to as shipped ± SE")
    for name, score in scores.items():
        more, error = score.against(scores["as shipped, own level"])
        print(f"{name:26s} {1000 * score.per_row:7.2f} {1000 * more:+7.2f} ± {1000 * error:.2f}")
    assert {int(score.rows.sum()) for score in scores.values()} == {5425}


def test_shipped_slopes_predict_as_well_as_the_raw_fit(scores):
    worse, error = scores["as shipped, own level"].against(scores["raw fit"])
    assert worse <= error
    worse, error = scores["as shipped, untouched"].against(scores["raw fit"])
    assert worse <= error


def test_temperature_earns_its_place(scores):
    worse, error = scores["level only"].against(scores["as shipped, own level"])
    assert worse > 2 * error


@pytest.mark.parametrize("name", sorted(set(MODELS) - {"as shipped, own level"}))
def test_no_other_shape_is_clearly_better(scores, name):
    better, error = scores["as shipped, own level"].against(scores[name])
    assert better <= 2 * error


def test_a_still_flatter_line_is_not_preferred(scores):
    """13 animals: 0.07 per °C, as bouts inverse to torpid rate would have it, is worse."""
    for name in ("flatter: 0.07, cold 0.10", "flatter: 0.07, no cold"):
        assert scores[name].per_row > scores["as shipped, own level"].per_row


def test_animals_do_not_differ_in_hazard_beyond_temperature(midwinter):
    """Gamma frailty: its variance is near nothing, so luck and weather explain the animals."""
    x, y = raw_design(midwinter.t24.to_numpy()), midwinter.wakes.to_numpy()
    plain = poisson_fit(x, y, midwinter.animal).coefficients
    fit = frailty_fit(x, y, midwinter.animal, plain)
    without = float((y * (x @ plain) - np.exp(x @ plain)).sum())
    print(f"\nfrailty variance {fit.variance:.3f}")
    assert fit.variance < 0.2
    # Likelihood ratio of a variance at its edge: 5 % point of half a chi-squared.
    assert 2 * (fit.log_likelihood - without) < 2.71


def test_season_terms_help_and_are_two_errors_from_nothing(hours, found):
    rows = hazard_rows(hours)
    without = held_out(rows, MODELS["raw fit"], SP)
    terms = held_out(rows, MODELS["raw fit"], SP, season=True)
    less, error = terms.against(without)
    print(f"\nseason terms: {1000 * less:+.2f} ± {1000 * error:.2f} per 1,000 torpid hours")
    assert less < 0.0
    assert found["torpor.season_autumn"].value > 2 * found["torpor.season_autumn"].se
    assert found["torpor.season_spring"].value < -2 * found["torpor.season_spring"].se


def test_full_warm_ups_alone_keep_both_slopes(hours, midwinter):
    """Short rises of oxygen left out (56 of 64 remain): 0.17 and 0.17 per °C."""
    awake = hours.state != 0
    run = (awake != awake.shift()).cumsum()
    full = (hours.state == 1).groupby([hours.session, run]).transform("any") & awake
    wakes = full.astype(float).groupby(hours.session).shift(-1).reindex(midwinter.index)
    fit = poisson_fit(raw_design(midwinter.t24.to_numpy()), wakes.to_numpy(), midwinter.animal)
    warm, cold = fit.estimate(1, 56), fit.estimate(2, 56)
    print(f"\nwarm {warm.value:.3f} ± {warm.se:.3f}, cold {cold.value:.3f} ± {cold.se:.3f}")
    assert wakes.sum() == 56
    for estimate, value in (
        (warm, SP.torpor.hazard_slope_warm),
        (cold, SP.torpor.hazard_slope_cold),
    ):
        assert abs(estimate.value - value) < 3 * estimate.se
        assert estimate.value > 2 * estimate.se


def test_box_excess_is_the_files():
    assert SP.nest.box_excess == BOX_EXCESS_K

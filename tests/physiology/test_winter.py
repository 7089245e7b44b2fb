"""The winter step: exactness, order, conservation, and errors that teach."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from riskcast import species
from riskcast.physiology import (
    arousal_cost,
    empty_mass,
    expected_spend,
    grams_per_ml_oxygen,
    mass_after,
    mass_needed,
    spendable,
    spent_until,
    torpid_rate,
    winter,
)

SP = species.load("hazel_dormouse")
# A body that never wakes: what is left is torpor alone.
ASLEEP = SP.with_values(torpor__arousal_multiplier=1e-12)


def test_zero_hazard_is_pure_torpor(nest_series):
    nest = nest_series(5.0, days=30)
    course = winter(nest, [20.0], ASLEEP, draws=8)
    drawn = ASLEEP.draw(8, 0)
    cost = grams_per_ml_oxygen(drawn) * torpid_rate(5.0, drawn) * 30 * 24
    assert int(course.arousals.max()) == 0
    np.testing.assert_allclose(
        course.body_mass_g.to_numpy()[0, 0], mass_after(20.0, cost, drawn), rtol=1e-12
    )


def test_zero_hazard_is_pure_torpor_in_any_weather(nest_series):
    rng = np.random.default_rng(4)
    values = np.clip(3 + np.cumsum(rng.normal(0, 0.4, 40 * 24)), -8, 14)
    course = winter(nest_series(values), [20.0], ASLEEP, draws=8)
    drawn = ASLEEP.draw(8, 0)
    cost = grams_per_ml_oxygen(drawn) * torpid_rate(values, drawn.columns()).sum(axis=1)
    np.testing.assert_allclose(
        course.body_mass_g.to_numpy()[0, 0], mass_after(20.0, cost, drawn), rtol=1e-12
    )


def test_constant_temperature_gives_the_renewal_mean(nest_series):
    nest = nest_series(6.0, days=150)
    end = nest.time[-1].expand_dims(member=[0])
    spent = spent_until(nest, end, SP, season_terms=False, draws=1024)
    times = nest.time.to_numpy()
    expected = expected_spend(nest, SP, (times[0], times[-1]), season_terms=False, draws=1024)
    total = expected.torpor + expected.waking
    # About 25 wakings a future: the mean of 1024 has an error of 0.6 %.
    assert float(spent.mean() / total.mean()) == pytest.approx(1.0, abs=0.02)


def test_reserve_empties_at_the_moment_the_allowance_is_spent(nest_series):
    nest = nest_series(8.0, days=200)
    course = winter(nest, [14.0], SP)
    gone = course.reserve_empty.notnull().to_numpy()[0, 0]
    assert gone.mean() > 0.9
    # In a few draws 14 g is no reserve at all: the mass stays what it was.
    limit = np.minimum(empty_mass(14.0, SP.draw(256, 0)), 14.0)
    np.testing.assert_allclose(course.body_mass_g.to_numpy()[0, 0][gone], limit[gone])


def test_mass_needed_just_lasts(nest_series):
    nest = nest_series(5.0, days=180)
    nat = xr.DataArray(np.array([np.datetime64("NaT", "ns")]), dims=("member",))
    needed = mass_needed(spent_until(nest, nat, SP).to_numpy(), SP.draw(256, 0))
    masses = xr.DataArray(needed, dims=("member", "draw")).expand_dims(animal=["reference"])
    assert bool(winter(nest, masses * 1.0001, SP).reserve_empty.isnull().all())
    assert bool(winter(nest, masses * 0.9999, SP).reserve_empty.notnull().all())


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 10_000),
    st.floats(11.0, 34.0),
    st.floats(0.1, 6.0),
)
def test_heavier_is_never_shorter(seed, mass_g, more_g):
    rng = np.random.default_rng(seed)
    values = 5 + np.cumsum(rng.normal(0, 0.3, (1, 120 * 24)), axis=1)
    times = np.datetime64("2020-11-20", "ns") + np.arange(120 * 24) * np.timedelta64(1, "h")
    nest = xr.DataArray(
        np.clip(values, -8, 14),
        dims=("member", "time"),
        coords={"member": [0], "time": times},
        attrs={"units": "degC"},
    )
    masses = xr.DataArray([mass_g], dims=("animal",), coords={"animal": ["same"]})
    light = winter(nest, masses, SP, draws=64).days_in_hand.to_numpy()
    heavy = winter(nest, masses + more_g, SP, draws=64).days_in_hand.to_numpy()
    assert (heavy >= light - 1e-9).all()


@pytest.mark.parametrize("pair", [(2.0, 4.0), (4.0, 6.5), (6.5, 9.0)])
def test_warmer_above_two_degrees_shortens_the_median(nest_series, pair):
    cool, warm = (
        float(winter(nest_series(t, days=250), [16.0], SP).days_in_hand.median()) for t in pair
    )
    assert warm < cool


def test_same_inputs_same_bytes(nest_series):
    nest = nest_series(5.0, days=60)
    one, two = (winter(nest, [14.0, 20.0], SP, draws=64, seed=3) for _ in range(2))
    assert one.identical(two)


def test_an_animal_keeps_its_chance_when_others_join(nest_series):
    nest = nest_series(5.0, days=60)
    alone = winter(nest, xr.DataArray([14.0], dims="animal", coords={"animal": ["b"]}), SP)
    both = winter(
        nest, xr.DataArray([20.0, 14.0], dims="animal", coords={"animal": ["a", "b"]}), SP
    )
    xr.testing.assert_equal(alone.sel(animal="b"), both.sel(animal="b"))


def test_fed_animals_follow_the_measured_net_change(nest_series):
    nest = nest_series(5.0, days=100)
    end = winter(nest, [28.0], SP, feeding="found").body_mass_g.to_numpy()[0, 0]
    rate = SP.draw(256, 0).reserve.fed_change_per_day
    np.testing.assert_allclose(
        end, np.maximum(28.0 * np.exp(rate * 100), empty_mass(28.0, SP.draw(256, 0)))
    )


def test_days_count_from_the_issue_not_from_onset(nest_series):
    nest = nest_series(8.0, days=200)
    start = nest.time.to_numpy()[0]
    later = start + np.timedelta64(30, "D")
    here = winter(nest, [15.0], SP)
    there = winter(nest, [15.0], SP, issued_at=later)
    np.testing.assert_allclose(there.days_in_hand + 30, here.days_in_hand)


def test_spending_is_conserved_across_masses(nest_series):
    """One accumulated cost takes any two start masses to masses with the same difference in it."""
    drawn = SP.draw(64, 0)
    cost = 0.2
    for mass_g in (12.0, 17.0, 30.0):
        left = mass_after(mass_g, cost, drawn)
        np.testing.assert_allclose(spendable(mass_g, left, drawn), cost, rtol=1e-10)


def test_a_waking_counts_its_cost_once(nest_series):
    """With torpor free of charge, every waking costs exactly one arousal cost."""
    sp = SP.with_values(torpor__rate_at_zero=1e-12, torpor__cold_slope=0.0)
    nest = nest_series(5.0, days=120)
    end = nest.time[-1].expand_dims(member=[0]) + np.timedelta64(1, "h")
    spent = spent_until(nest, end, sp, season_terms=False, key="k").to_numpy()[0]
    masses = xr.DataArray([500.0], dims="animal", coords={"animal": ["k"]})
    count = winter(nest, masses, sp, season_terms=False).arousals.to_numpy()[0, 0]
    drawn = sp.draw(256, 0)
    per_waking = grams_per_ml_oxygen(drawn) * arousal_cost(5.0, drawn)
    ratio = spent / per_waking
    # The last waking may be cut by the end of the series; all others are whole.
    assert (ratio <= count + 1e-9).all()
    assert (ratio > count - 1 - 1e-9).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda n: n.assign_attrs(units="K"), "units 'degC'"),
        (lambda n: n.rename(member="number"), "dimensions"),
        (lambda n: n.isel(time=[0, 1, 3]), "step of 1h"),
        (lambda n: n.where(n.time != n.time[5]), "missing hours"),
    ],
)
def test_wrong_nests_are_refused(nest_series, change, message):
    with pytest.raises(ValueError, match=message):
        winter(
            change(nest_series(5.0, days=2)).assign_attrs(
                units=change(nest_series(5.0, days=2)).attrs.get("units", "degC")
            ),
            [15.0],
            SP,
        )


@pytest.mark.parametrize("masses", [[0.0], [float("nan")], [-3.0]])
def test_wrong_masses_are_refused(nest_series, masses):
    with pytest.raises(ValueError, match="above zero"):
        winter(nest_series(5.0, days=2), masses, SP)


def test_window_outside_the_series_is_refused(nest_series):
    nest = nest_series(5.0, days=2)
    times = nest.time.to_numpy()
    with pytest.raises(ValueError, match="not inside"):
        expected_spend(nest, SP, (times[0], times[-1] + np.timedelta64(2, "D")))


def test_warming_as_such_counts_only_when_it_is_switched_on(nest_series):
    ramp = np.linspace(2.0, 12.0, 60 * 24)
    warming = SP.with_values(torpor__hazard_rise_slope=0.5)
    off = winter(nest_series(ramp), [60.0], SP, season_terms=False).arousals
    on = winter(nest_series(ramp), [60.0], warming, season_terms=False).arousals
    assert float(on.mean()) > 1.05 * float(off.mean())
    falling = winter(nest_series(ramp[::-1]), [60.0], warming, season_terms=False).arousals
    same = winter(nest_series(ramp[::-1]), [60.0], SP, season_terms=False).arousals
    np.testing.assert_array_equal(falling, same)


def test_an_onset_after_the_end_leaves_every_reserve_as_it_is(nest_series):
    nest = nest_series(5.0, days=10)
    later = nest.time.to_numpy()[-1] + np.timedelta64(5, "D")
    course = winter(nest, [9.0, 20.0], SP, onset=later)
    assert bool(course.reserve_empty.isnull().all())
    np.testing.assert_allclose(course.body_mass_g, [[[9.0] * 256], [[20.0] * 256]])


def test_no_member_is_refused_in_words(nest_series):
    with pytest.raises(ValueError, match="at least one member"):
        winter(nest_series(5.0, days=2).isel(member=[]), [15.0], SP)

"""The winter day by day. Witness of every day: the same winter, cut off at the end of that day."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import xarray as xr

from riskcast import species
from riskcast.physiology import (
    futures,
    grams_per_ml_oxygen,
    mass_after,
    spendable,
    torpid_rate,
    winter,
)

SP = species.load("hazel_dormouse")
QUANTILES = [0.1, 0.25, 0.5, 0.75, 0.9]
SPLIT = ["spent_torpid", "spent_waking", "spent_searching"]


@pytest.fixture(scope="module")
def nest(nest_series) -> xr.DataArray:
    rng = np.random.default_rng(7)
    walk = np.cumsum(rng.normal(0, 0.15, (3, 160 * 24)), axis=1)
    walk = walk - walk.mean(axis=1, keepdims=True)
    # From 17:00, so that the first and the last calendar day are cut.
    return nest_series(np.clip(5 + walk, -4, 12), start="2020-10-25T17:00")


@pytest.fixture(scope="module")
def masses() -> xr.DataArray:
    return xr.DataArray([13.0, 20.0], dims="animal", coords={"animal": ["light", "heavy"]})


@pytest.fixture(scope="module")
def days(nest, masses) -> xr.Dataset:
    return winter(nest, masses, SP, draws=128, daily=True)


def test_days_are_those_of_the_series(nest, days):
    stamps = nest.time.to_numpy()
    np.testing.assert_array_equal(
        days.day, np.unique(stamps.astype("datetime64[D]")).astype("datetime64[ns]")
    )


@pytest.mark.parametrize("day", [0, 1, 20, 75, 140, -1])
def test_each_day_is_the_end_of_a_winter_cut_there(nest, masses, days, day):
    until = days.day.to_numpy()[day] + np.timedelta64(1, "D")
    cut = winter(nest.sel(time=nest.time < until), masses, SP, draws=128)
    expected = cut.body_mass_g.quantile(QUANTILES, ("member", "draw"), method="inverted_cdf")
    step = (masses - days.body_mass_g.min(("member", "draw"))) / 512
    apart = abs(days.daily_body_mass_g.isel(day=day) - expected)
    assert bool((apart <= step).all())
    so_far = days.daily_arousals.isel(day=slice(None, None if day == -1 else day + 1)).sum("day")
    np.testing.assert_allclose(so_far, cut.arousals.mean(("member", "draw")), rtol=1e-12)


def test_asking_for_days_changes_nothing_else(nest, masses, days):
    plain = winter(nest, masses, SP, draws=128)
    assert days[list(plain.data_vars)].identical(plain)


def test_every_future_is_counted_once_a_day(days):
    """Quantiles keep their order, never rise, and start at the mass at onset."""
    mass = days.daily_body_mass_g
    assert bool((mass.diff("quantile") >= 0).all())
    assert bool((mass.diff("day") <= 1e-9).all())
    np.testing.assert_allclose(mass.sel(quantile=0.9).isel(day=0), [13.0, 20.0], atol=0.05)


def test_what_the_fat_went_on_adds_up(days, masses):
    np.testing.assert_allclose(sum(days[name] for name in SPLIT), days.spent, atol=1e-12)
    drawn = SP.draw(128, 0)
    start = masses.to_numpy()[:, np.newaxis, np.newaxis]
    np.testing.assert_allclose(
        spendable(start, days.body_mass_g, drawn), days.spent, rtol=1e-9, atol=1e-12
    )


DAILY_SPLIT = [f"daily_spent_{what}_g" for what in ("torpid", "waking", "searching")]


@pytest.mark.parametrize("day", [0, 1, 20, 75, 140, -1])
def test_grams_of_each_day_are_the_fall_of_the_mean_mass(nest, masses, days, day):
    """The witness is the same winter, cut off at the end of that day."""
    until = days.day.to_numpy()[day] + np.timedelta64(1, "D")
    cut = winter(nest.sel(time=nest.time < until), masses, SP, draws=128)
    fallen = masses - cut.body_mass_g.mean(("member", "draw"))
    upto = slice(None, None if day == -1 else day + 1)
    so_far = sum(days[name] for name in DAILY_SPLIT).isel(day=upto).sum("day")
    np.testing.assert_allclose(so_far, fallen, rtol=1e-10, atol=1e-12)


def test_grams_of_each_day_go_on_what_the_cost_went_on(nest_series):
    """Torpor, waking and searching in the proportions of the cost, while masses hardly change."""
    sp = SP.with_values(arousal__search_fraction=0.2)
    nest = nest_series(5.0, days=6)
    days = winter(nest, [5000.0], sp, draws=64, daily=True)
    per_cost = spendable(5000.0, 4999.0, sp.draw(64, 0))
    for what in ("torpid", "waking", "searching"):
        grams = float(days[f"daily_spent_{what}_g"].sum())
        cost = days[f"spent_{what}"].to_numpy()[0] / per_cost
        assert grams == pytest.approx(cost.mean(), rel=0.02)
        assert grams > 0
        assert bool((days[f"daily_spent_{what}_g"] > -1e-9).all())


def test_days_are_the_same_bytes_on_any_number_of_cores(nest_series, monkeypatch):
    nest = nest_series(np.full((9, 30 * 24), 6.0) + np.arange(9)[:, np.newaxis] / 10)
    runs = []
    for threads in (1, 4):
        monkeypatch.setattr(futures, "_MOST_THREADS", threads)
        runs.append(winter(nest, [13.0, 20.0], SP, draws=256, daily=True))
    assert runs[0].identical(runs[1])


def test_torpor_without_waking_is_all_torpor(nest_series, masses):
    asleep = SP.with_values(torpor__arousal_multiplier=1e-12)
    days = winter(nest_series(5.0, days=30), masses, asleep, draws=64, daily=True)
    assert float(days.daily_arousals.sum()) == 0
    assert bool(days.first_arousal.isnull().all() & days.last_arousal.isnull().all())
    assert float(days.spent_waking.max()) == 0
    # Day by day along the torpid rate alone, the median of the draws.
    drawn = asleep.draw(64, 0)
    daily = grams_per_ml_oxygen(drawn) * torpid_rate(5.0, drawn) * 24
    for day in (0, 9, 29):
        expected = np.median(mass_after(20.0, daily * (day + 1), drawn))
        got = days.daily_body_mass_g.sel(animal="heavy", quantile=0.5).isel(day=day)
        assert float(got) == pytest.approx(expected, abs=0.04)


def test_first_and_last_waking_bound_the_wakings(days):
    some = days.arousals > 0
    assert bool((days.first_arousal.notnull() == some).all())
    assert bool((days.first_arousal <= days.last_arousal).where(some, True).all())
    one = days.arousals == 1
    assert bool((days.first_arousal == days.last_arousal).where(one, True).all())
    several = days.arousals > 1
    assert bool((days.first_arousal < days.last_arousal).where(several, True).all())
    # Nobody wakes after the reserve is gone.
    empty = days.reserve_empty.notnull() & some
    assert bool((days.last_arousal <= days.reserve_empty).where(empty, True).all())


def test_before_onset_an_animal_stands_at_its_mass_at_onset(nest, masses):
    onset = nest.time.to_numpy()[50 * 24] + np.timedelta64(20, "m")
    days = winter(nest, masses, SP, onset=onset, draws=64, daily=True)
    before = days.day < onset.astype("datetime64[D]")
    held = days.daily_body_mass_g.where(before, drop=True)
    assert bool((abs(held - masses) <= 0.03).all())
    assert float(days.daily_arousals.where(before, drop=True).sum()) == 0
    assert bool((days.first_arousal.isnull() | (days.first_arousal >= onset)).all())


def test_no_reserve_is_no_waking(nest):
    days = winter(nest, [5.0], SP, draws=64, daily=True)
    assert float(days.daily_arousals.sum()) == float(days.spent.max()) == 0
    np.testing.assert_allclose(days.daily_body_mass_g, 5.0, atol=0.03)


def test_fed_days_follow_the_measured_net_change(nest, masses):
    days = winter(nest, masses, SP, feeding="found", draws=128, daily=True)
    assert "daily_arousals" not in days
    assert "spent" not in days
    day = 90
    until = days.day.to_numpy()[day] + np.timedelta64(1, "D")
    cut = winter(nest.sel(time=nest.time < until), masses, SP, feeding="found", draws=128)
    expected = cut.body_mass_g.quantile(QUANTILES, ("member", "draw"), method="inverted_cdf")
    assert bool((abs(days.daily_body_mass_g.isel(day=day) - expected) <= 0.05).all())


@pytest.mark.parametrize("daily", [False, True])
def test_memory_does_not_hold_the_hours_of_every_future(nest_series, monkeypatch, daily):
    monkeypatch.setattr(futures, "_MOST_THREADS", 1)
    animals, draws, days = 10, 128, 60

    def peak(members: int) -> int:
        nest = nest_series(np.full((members, days * 24), 5.0))
        tracemalloc.start()
        winter(nest, [18.0] * animals, SP, draws=draws, daily=daily, engine="numpy")
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    more = 24
    grown = peak(8 + more) - peak(8)
    every_day = 8 * animals * more * draws * days
    # Some numbers a future grow with members, its days (15 MB) and hours (350 MB) do not.
    assert grown < every_day / 2


# Searching ----------------------------------------------------------------------------------


def test_no_animal_searches_in_the_centre(days):
    assert SP.arousal.search_fraction == 0
    assert float(days.spent_searching.max()) == 0


def test_a_searching_animal_pays_the_published_cost_of_leaving(nest_series):
    """With torpor free of charge and every waking a search, each costs one search."""
    sp = SP.with_values(
        torpor__rate_at_zero=1e-12, torpor__cold_slope=0.0, arousal__search_fraction=1.0
    )
    days = winter(nest_series(5.0, days=90), [500.0], sp, draws=64, daily=True)
    drawn = sp.draw(64, 0)
    ratio = days.spent_searching / (grams_per_ml_oxygen(drawn) * drawn.arousal.search_cost)
    assert float(days.spent_waking.max()) == 0
    # The last waking may be cut by the end of the series; all others are whole.
    assert bool((ratio <= days.arousals + 1e-9).all())
    assert bool((ratio > days.arousals - 1 - 1e-9).all())


def test_the_stated_share_of_wakings_are_searches(nest_series):
    share = 0.22
    sp = SP.with_values(
        arousal__search_fraction=share, arousal__search_cost=44.0, arousal__cost_at_reference=12.5
    )
    nest = nest_series(5.0, days=150)
    days = winter(nest, [500.0], sp, draws=512, daily=True)
    searched = float(days.spent_searching.sum() / (days.spent_searching + days.spent_waking).sum())
    # About 11,000 wakings: the standard error of the share of searches is 0.004.
    assert searched == pytest.approx(share * 44 / (share * 44 + (1 - share) * 12.5), abs=0.02)
    stays = winter(nest, [15.0], SP, draws=128).days_in_hand
    leaves = winter(nest, [15.0], SP.with_values(arousal__search_fraction=share), draws=128)
    assert float(leaves.days_in_hand.median()) < float(stays.median())


# Season -------------------------------------------------------------------------------------


def test_season_terms_act_before_15_november_and_from_1_april(nest_series):
    nest = nest_series(5.0, days=200, start="2020-10-20")

    def wakings(**options: bool) -> xr.DataArray:
        days = winter(nest, [500.0] * 8, SP, draws=256, daily=True, **options)
        return days.daily_arousals.mean("animal")

    on, off = wakings(), wakings(season_terms=False)
    # Mean factors of the draws, 2.16 and 0.354 a torpid hour; the hazard rests 4 % of the time
    # without them (0.008 an hour times 5.5 h), 9 % in autumn, 1.5 % in spring.
    for days, factor in {
        ("2020-10-22", "2020-11-14"): 2.16 * 1.044 / 1.095,
        ("2020-11-17", "2021-03-31"): 1.0,
        ("2021-04-02", "2021-05-05"): 0.354 * 1.044 / 1.015,
    }.items():
        one, other = (float(w.sel(day=slice(*days)).mean()) for w in (on, off))
        assert one / other == pytest.approx(factor, rel=0.04)

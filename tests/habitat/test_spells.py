"""Warm spells of members and past winters on the axis of one season; all invented."""

import numpy as np
import pytest
import xarray as xr

from riskcast.habitat.spells import (
    DEFINITIONS,
    calendar_limits,
    daily,
    limits_of,
    spell_counts,
    warm_spells,
    winter_years,
)

BY_NAME = {definition.name: definition for definition in DEFINITIONS}
DAYS = np.arange("2025-08-01", "2026-06-01", dtype="M8[D]").astype("M8[ns]")


def season(values):
    values = np.atleast_2d(values)
    members = np.arange(len(values))
    return xr.DataArray(values, dims=("member", "day"), coords={"member": members, "day": DAYS})


def warm(first, days, by=10.0, base=5.0):
    values = np.full(DAYS.size, base)
    n = int(np.flatnonzero(np.datetime64(first) == DAYS)[0])
    values[n : n + days] += by
    return values


@pytest.mark.parametrize(("days", "spells"), [(4, 0), (5, 1), (6, 1)])
def test_five_days_above_thirteen(days, spells):
    """Chapman et al. 2020: a winter warm spell of 5 days with daytime maxima above 13 °C."""
    one = BY_NAME["winter_warm_spell_13"]
    values = season(warm("2026-01-10", days))
    found = warm_spells(values, limits_of(values, one), one)
    assert found["spells"].values.tolist() == [[spells]]
    assert found["days"].values.tolist() == [[days * spells]]


def test_thirteen_itself_is_not_above():
    one = BY_NAME["winter_warm_spell_13"]
    values = season(warm("2026-01-10", 9, by=8.0))
    assert int(warm_spells(values, limits_of(values, one), one)["days"].sum()) == 0


def test_winter_definitions_do_not_look_at_autumn():
    one = BY_NAME["winter_warm_spell_13"]
    values = season(warm("2025-10-10", 12))
    assert int(warm_spells(values, limits_of(values, one), one)["days"].sum()) == 0


def test_three_days_above_the_winters_own_quantile():
    """Tomczyk et al. 2019: at least three days, 95th percentile; one limit for the winter."""
    one = BY_NAME["winter_warm_spell_95"]
    past = season(np.random.default_rng(2).normal(5.0, 3.0, (20, DAYS.size)))
    limits = limits_of(past, one)
    inside = np.isin(DAYS.astype("M8[M]").astype(int) % 12 + 1, (12, 1, 2))
    assert len(set(limits)) == 1
    assert (past.values[:, inside] > limits[0]).mean() == pytest.approx(0.05, abs=0.001)
    found = warm_spells(season([warm("2026-01-10", 2), warm("2026-01-10", 3)]), limits, one)
    assert found["spells"].values[:, 0].tolist() == [0, 1]


def test_the_mean_form_takes_daily_means():
    one = BY_NAME["warm_spell_duration_mean"]
    assert (one.of, one.least_days, one.quantile, one.window_days) == ("mean", 6, 0.9, 5)


def test_limits_pool_the_years_and_the_days_about_the_date():
    values = np.arange(3 * DAYS.size, dtype=float).reshape(3, -1)
    limits = calendar_limits(values, DAYS, quantile=0.5, window_days=5)
    # 1 January is day 153 of the season; the median of three years is the middle year.
    assert limits[0] == values[1, 153]
    assert np.isnan(limits[200])  # July is no part of the season
    past = season(values)
    by_day = limits_of(past, BY_NAME["warm_spell_duration"])
    # Type 8: (n + 1/3) p + 1/3 = 14.133 of the 15 values of five days in three years.
    pool = np.sort(values[:, 151:156].ravel())
    assert by_day[153] == pytest.approx(pool[13] + (14.1333333333 - 14) * (pool[14] - pool[13]))


def test_a_spell_over_new_year_stays_one():
    one = BY_NAME["winter_warm_spell_13"]
    values = season(warm("2025-12-29", 6))
    found = warm_spells(values, limits_of(values, one), one)
    assert found["winter"].values.tolist() == [2025]
    assert found["longest"].values.tolist() == [[6]]


def test_the_winter_year_turns_in_july():
    days = np.array(["2025-06-30", "2025-07-01", "2026-06-30"], dtype="M8[D]")
    assert winter_years(days).tolist() == [2024, 2025, 2025]


def test_no_warm_day():
    assert spell_counts(np.zeros(5, dtype=bool), 3) == (0, 0, 0)
    assert spell_counts(np.ones(5, dtype=bool), 3) == (5, 1, 5)


def test_local_days():
    times = np.datetime64("2025-07-01T00", "ns") + np.arange(48) * np.timedelta64(1, "h")
    hours = xr.DataArray(
        np.arange(48.0)[None], dims=("member", "time"), coords={"member": [0], "time": times}
    )
    found = daily(hours, "Europe/London", "max")
    assert found["day"].values.astype("M8[D]").astype(str).tolist() == [
        "2025-07-01", "2025-07-02", "2025-07-03",
    ]  # fmt: skip
    assert found.values.tolist() == [[22.0, 46.0, 47.0]]

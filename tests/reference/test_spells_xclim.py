"""Warm spells against xclim: values computed with it, and itself where it is installed.

Index values: xclim on a series without chance, k = 0 … 10957 days from 1 January 1991 (limits
from the whole series, before the three spells are put into it). Run rule: xclim's run-length
functions on the row below. xclim itself comes with the extra `reference`.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast.habitat.spells import (
    DEFINITIONS,
    calendar_limits,
    runs,
    spell_counts,
    warm_spells,
    winter_years,
)

WSDI = DEFINITIONS[0]
DAYS = np.datetime64("1991-01-01", "ns") + np.arange(10958) * np.timedelta64(1, "D")
INDEX = pd.DatetimeIndex(DAYS)
DAY_OF_YEAR = np.asarray(INDEX.day_of_year)
SPELLS = (("2015-01-10", 8), ("2016-02-01", 5), ("2018-12-28", 7))


@pytest.fixture(scope="module")
def mean():
    k = np.arange(DAYS.size)
    return (
        10
        - 7 * np.cos(2 * np.pi * (DAY_OF_YEAR - 20) / 365.25)
        + 2.5 * np.sin(2 * np.pi * k / 13.7)
        + 1.5 * np.sin(2 * np.pi * k / 97.3)
        + 0.01 * (np.asarray(INDEX.year) - 1991)
    )


@pytest.fixture(scope="module")
def warmest(mean):
    return mean + 4


@pytest.fixture(scope="module")
def with_spells(warmest):
    hot = warmest.copy()
    for first, length in SPELLS:
        n = int(np.flatnonzero(np.datetime64(first) == DAYS)[0])
        hot[n : n + length] += 9
    return hot


@pytest.fixture(scope="module")
def limits(warmest):
    return calendar_limits(warmest, DAYS, quantile=0.9, window_days=5)


def array(values):
    return xr.DataArray(values[None], dims=("member", "day"), coords={"member": [0], "day": DAYS})


def counted(values, limits, definition=WSDI):
    found = warm_spells(array(values), limits[DAY_OF_YEAR - 1], definition)
    days = found["days"].values[0]
    return {int(w): int(d) for w, d in zip(found["winter"].values, days, strict=True) if d}


def test_limits_of_the_date(limits):
    expected = {1: 10.172689, 15: 9.959273, 46: 10.475533, 350: 11.242241}
    for day, limit in expected.items():
        assert limits[day - 1] == pytest.approx(limit, abs=1e-6)


def test_days_above(warmest, limits):
    assert int((warmest > limits[DAY_OF_YEAR - 1]).sum()) == 1065


def test_warm_spell_duration_by_winter_year(with_spells, limits):
    assert counted(with_spells, limits) == {2014: 13, 2015: 9, 2018: 7}


def test_by_calendar_year_the_spell_over_new_year_vanishes(with_spells, limits):
    warm = with_spells > limits[DAY_OF_YEAR - 1]
    years = np.asarray(INDEX.year)
    counts = {year: spell_counts(warm[years == year], 6)[0] for year in np.unique(years)}
    assert {int(year): days for year, days in counts.items() if days} == {2015: 13, 2016: 9}


def test_winter_years(mean):
    frost = pd.Series(mean - 4 < 0).groupby(winter_years(DAYS)).sum()
    assert list(frost.index[:2]) == [1990, 1991]
    assert list(frost[:6]) == [40, 57, 52, 59, 66, 54]


def test_run_rule():
    row = np.array([0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 1, 1, 1, 0], dtype=bool)
    assert spell_counts(row, 3) == (9, 2, 6)
    assert runs(row, 3) == [(1, 4), (8, 14)]


@pytest.mark.filterwarnings("ignore")
def test_against_xclim_itself(warmest, with_spells, limits):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        xclim = pytest.importorskip("xclim", exc_type=ImportError)
        from xclim.core.calendar import percentile_doy

    def series(values):
        return xr.DataArray(
            values, dims="time", coords={"time": DAYS}, attrs={"units": "degC"}, name="tasmax"
        )

    theirs = percentile_doy(series(warmest), window=5, per=90).isel(percentiles=0)
    np.testing.assert_allclose(limits, theirs.values, atol=1e-10)
    index = xclim.indices.warm_spell_duration_index(
        series(with_spells), theirs, window=6, freq="YS-JUL"
    )
    found = {int(str(t)[:4]): int(n) for t, n in zip(index.time.values, index.values, strict=True)}
    assert {year: n for year, n in found.items() if n} == counted(with_spells, limits)

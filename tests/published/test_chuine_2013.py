"""Chuine et al. 2013: thermal time, S = Σ max(0, T − Tb) from t0, event when S > F.

Rows of plants from the table of the R package medfate (leaf-out; primary source not stated there).
Days of the year computed independently on a series without chance: k = 0 … 10957 days from
1 January 1991.
"""

import numpy as np
import pytest

from riskcast.habitat import first_day_above, thermal_time


@pytest.fixture(scope="module")
def series():
    days = np.datetime64("1991-01-01") + np.arange(10958)
    year = days.astype("datetime64[Y]").astype(int) + 1970
    day = (days - days.astype("datetime64[Y]")).astype(int) + 1
    k = np.arange(days.size)
    mean = (
        10
        - 7 * np.cos(2 * np.pi * (day - 20) / 365.25)
        + 2.5 * np.sin(2 * np.pi * k / 13.7)
        + 1.5 * np.sin(2 * np.pi * k / 97.3)
        + 0.01 * (year - 1991)
    )
    return year, day, mean


def leaf_out(series, sp, plant, year, warming=0.0):
    years, day, mean = series
    start, base, needed = (getattr(sp.food, f"{plant}_{part}") for part in ("start", "base", "sum"))
    here = years == year
    sums = thermal_time(mean[here] + warming, day[here], start=start, base=base)
    return int(day[here][first_day_above(sums, [needed])[0, 0]])


def test_the_series_is_the_one_meant(series):
    _, _, mean = series
    assert mean[0] == pytest.approx(3.370582, abs=1e-6)
    assert mean.mean() == pytest.approx(10.148678, abs=1e-6)


def test_growing_degree_days(series):
    years, day, mean = series
    total = thermal_time(mean[years == 1991], day[years == 1991], start=1, base=5.0)[-1]
    assert total == pytest.approx(2012.84829, abs=1e-4)
    spring = (years == 1992) & (day <= 121)  # 30 April in a leap year
    assert thermal_time(mean[spring], day[spring], start=1, base=4.0)[-1] == pytest.approx(
        243.30310, abs=1e-4
    )


@pytest.mark.parametrize(
    ("plant", "days"),
    [("hazel", (102, 83, 102)), ("birch", (99, 84, 95)), ("oak", (126, 124, 126))],
)
def test_leaf_out(series, hazel_dormouse, plant, days):
    found = tuple(leaf_out(series, hazel_dormouse, plant, year) for year in (1991, 2005, 2020))
    assert found == days


def test_two_degrees_warmer(series, hazel_dormouse):
    assert leaf_out(series, hazel_dormouse, "hazel", 2005, warming=2.0) == 67

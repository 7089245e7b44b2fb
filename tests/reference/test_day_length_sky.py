"""Day length of 2023 at 51.75° N from libraries of astronomy, beside the CBM model.

The values were computed with skyfield and read in a table, which says that ephem agrees within
0.0001 h (sun's centre, horizon 50' down). Done again with ephem 4.2.1 at 0° E it agreed within
0.0003 h; neither library is needed here. pvlib (SPA) is asked where it is installed,
astral (NOAA's equations) comes with the extra `test`.
"""

from __future__ import annotations

import datetime as dt
import warnings

import numpy as np
import pandas as pd
import pytest

from riskcast.base.daylight import day_length

LATITUDE = 51.75
SKYFIELD_H = {
    15: 8.3088, 46: 9.9814, 79: 12.1508, 105: 13.8673, 172: 16.6867,
    266: 12.1619, 288: 10.7217, 319: 8.8630, 355: 7.7860,
}  # fmt: skip


def test_pvlib_within_a_thousandth_of_an_hour():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pvlib = pytest.importorskip("pvlib", exc_type=ImportError)
    days = pd.DatetimeIndex(
        [pd.Timestamp("2023-01-01", tz="UTC") + pd.Timedelta(days=day - 1) for day in SKYFIELD_H]
    )
    sun = pvlib.solarposition.sun_rise_set_transit_spa(days, LATITUDE, 0.0)
    hours = (sun.sunset - sun.sunrise).dt.total_seconds().to_numpy() / 3600
    assert np.abs(hours - list(SKYFIELD_H.values())).max() < 1e-3


def test_cbm_is_farthest_from_the_sky_at_the_equinoxes():
    apart = {day: abs(float(day_length(LATITUDE, day)) - h) for day, h in SKYFIELD_H.items()}
    assert max(apart.values()) < 0.1
    assert max(apart, key=apart.get) in (79, 105, 266, 288)
    assert apart[172] == pytest.approx(0.0003, abs=1e-4)


def test_largest_distance_from_astral_in_a_year():
    """50 to 58° N, all of 2023: 0.0876 h (5.25 minutes), under the six we promise."""
    sun = pytest.importorskip("astral.sun")
    astral = pytest.importorskip("astral")
    dates = [dt.date(2023, 1, 1) + dt.timedelta(n) for n in range(365)]
    worst = 0.0
    for latitude in (50, 52, 54, 56, 58):
        there = astral.Observer(latitude, 0.0, 0.0)
        hours = np.array(
            [
                (sun.sunset(there, day, tzinfo=dt.UTC) - sun.sunrise(there, day, tzinfo=dt.UTC))
                / dt.timedelta(hours=1)
                for day in dates
            ]
        )
        worst = max(worst, float(np.abs(day_length(latitude, np.arange(1, 366)) - hours).max()))
    assert worst < 0.1
    assert worst == pytest.approx(0.0876, abs=5e-4)

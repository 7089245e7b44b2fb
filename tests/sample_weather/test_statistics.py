"""The invented weather has the statistics that its generator states.

No outside truth here, for there is none: the files are held to the generator's own words.
Tolerances are three standard errors of what 21 years can show, worked out beside each.
"""

from __future__ import annotations

import datetime as dt
import math
from types import ModuleType

import numpy as np
import numpy.typing as npt
import pandas as pd
from astral import Observer
from astral.sun import sunrise

YEARS = 21
_MONTHS = range(1, 13)


def by_month(values: pd.Series) -> npt.NDArray[np.float64]:
    return values.groupby(values.index.month).mean().to_numpy(dtype=float)


def runs(flags: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Lengths of the runs of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    return edges[1::2] - edges[::2]


def days_that_count(past: pd.DataFrame, persistence: float) -> npt.NDArray[np.float64]:
    """Days of each month, as many as are as good as independent: n (1 - r) / (1 + r)."""
    days = past["mean"].groupby(past.index.month).size().to_numpy()
    return np.asarray(days * (1 - persistence) / (1 + persistence))


def test_monthly_means(generator: ModuleType, past: pd.DataFrame) -> None:
    stated = np.array(generator.MEAN_TEMPERATURE)
    error = generator.DAILY_MEAN_SD / np.sqrt(days_that_count(past, generator.PERSISTENCE))
    assert np.all(np.abs(by_month(past["mean"]) - stated) < 3 * error)
    assert 9.6 < past["mean"].mean() < 10.6


def test_no_trend(past: pd.DataFrame) -> None:
    years = past["mean"].groupby(past.index.year - (past.index.month < 7)).mean()
    x = np.arange(len(years)) - (len(years) - 1) / 2
    slope = float(np.sum(x * years) / np.sum(x**2))
    error = float(years.std()) / np.sqrt(np.sum(x**2))
    assert len(years) == YEARS
    assert abs(slope) < 3 * error


def test_size_of_anomalies(generator: ModuleType, past: pd.DataFrame) -> None:
    anomaly = past["mean"] - past["normal"]
    found = anomaly.groupby(anomaly.index.month).std().to_numpy()
    # Squares of an anomaly persist by r²; a standard deviation errs by SD / sqrt(2 n).
    count = days_that_count(past, generator.PERSISTENCE**2)
    stated = np.array(generator.DAILY_MEAN_SD)
    assert np.all(np.abs(found / stated - 1) < 3 / np.sqrt(2 * count))


def test_persistence(generator: ModuleType, past: pd.DataFrame) -> None:
    z = (past["mean"] - past["normal"]) / past["sd"]
    error = np.sqrt((1 - generator.PERSISTENCE**2) / len(z))
    assert abs(z.autocorr(1) - generator.PERSISTENCE) < 3 * error
    assert 0.0 < z.autocorr(10) < 0.15  # weather forgets


def test_spells(generator: ModuleType, past: pd.DataFrame) -> None:
    """Runs beyond 1 SD of a Gaussian course whose neighbours correlate by r have the mean
    length P(z > 1) / P(z > 1, next ≤ 1)."""
    x = np.linspace(1.0, 8.0, 4001)
    density = np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi)
    r = generator.PERSISTENCE
    bound = (1.0 - r * x) / np.sqrt(1 - r**2)
    below = np.array([0.5 * (1 + math.erf(b / math.sqrt(2))) for b in bound])
    expected = np.trapezoid(density, x) / np.trapezoid(density * below, x)
    assert round(float(expected), 1) == generator.SPELL_DAYS

    z = (past["mean"] - past["normal"]) / past["sd"]
    for year in (2004, 2014):  # not one lucky decade
        years = z[f"{year}-07-01" : f"{year + 11}-06-30"]
        winter = years[years.index.month.isin([11, 12, 1, 2, 3])].to_numpy()
        for beyond in (winter > 1, winter < -1):
            lengths = runs(beyond)
            assert abs(lengths.mean() - expected) < 3 * lengths.std() / np.sqrt(len(lengths))
    assert runs(z.abs().to_numpy() > 1).max() >= 8  # there are long ones too


def test_diurnal_range(generator: ModuleType, past: pd.DataFrame) -> None:
    span = past["warmest"] - past["coldest"]
    stated = np.array(generator.DIURNAL_RANGE)
    error = span.groupby(span.index.month).std() / np.sqrt(days_that_count(past, 0.3))
    # Sun and fronts are added up as squares, which is right to about 3 %.
    assert np.all(np.abs(by_month(span) - stated) < 3 * error.to_numpy() + 0.03 * stated)


def test_the_day_follows_the_sun(generator: ModuleType, hourly: pd.DataFrame) -> None:
    """Coldest within an hour of sunrise (against `astral`), warmest early in the afternoon,
    quick to warm and slow to cool."""
    air = hourly["air_temperature"][:"2025-06-30"]
    place = Observer(generator.LATITUDE, generator.LONGITUDE)
    for month in _MONTHS:
        course = air[air.index.month == month]
        course = course.groupby(course.index.hour).mean()
        coldest, warmest = int(course.idxmin()), int(course.idxmax())
        rise = sunrise(place, dt.date(2025, month, 15), tzinfo=dt.UTC)
        assert abs(coldest - (rise.hour + rise.minute / 60)) <= 1.0, month
        assert 13 <= warmest <= 16, month
        assert warmest - coldest < 12, month


def test_rain(generator: ModuleType, past: pd.DataFrame) -> None:
    rain = past["rain"].round(1)
    wet = rain >= generator.WET_DAY_MM
    share, r = np.array(generator.WET_DAY_SHARE), generator.WET_PERSISTENCE
    error = np.sqrt(share * (1 - share) / days_that_count(past, r))
    assert np.all(np.abs(by_month(wet.astype(float)) - share) < 3 * error)
    assert set(rain[~wet]) == {0.0}

    amount, stated = rain[wet], np.array(generator.RAIN_PER_WET_DAY)
    grouped = amount.groupby(amount.index.month)
    assert np.all(np.abs(grouped.mean() - stated) < 3 * grouped.std() / np.sqrt(grouped.size()))
    # A gamma distribution of shape k has a coefficient of variation of 1 / sqrt(k).
    beyond = (amount - generator.WET_DAY_MM).to_numpy() / (stated[amount.index.month - 1] - 1.0)
    assert abs(beyond.std() - 1 / np.sqrt(generator.GAMMA_SHAPE)) < 0.1


def test_wet_spells(generator: ModuleType, past: pd.DataFrame) -> None:
    wet = (past["rain"].round(1) >= generator.WET_DAY_MM).astype(float)
    odd = wet - by_month(wet)[wet.index.month - 1]
    assert abs(odd.autocorr(1) - generator.WET_PERSISTENCE) < 3 / np.sqrt(len(wet))
    winter = wet[wet.index.month.isin([11, 12, 1])].to_numpy()
    share, r = winter.mean(), generator.WET_PERSISTENCE
    expected = 1 / ((1 - share) * (1 - r))  # of a Markov chain
    lengths = runs(winter > 0)
    assert abs(lengths.mean() - expected) < 3 * lengths.std() / np.sqrt(len(lengths))


def test_wet_hours_cluster(hourly: pd.DataFrame) -> None:
    raining = (hourly["precipitation"] > 0).to_numpy()
    again = raining[1:][raining[:-1]].mean()
    assert again > 3 * raining.mean()
    hours = raining.reshape(-1, 24).sum(axis=1)
    assert 6 < hours[hours > 0].mean() < 12


def test_humidity(generator: ModuleType, hourly: pd.DataFrame) -> None:
    part = hourly[:"2025-06-30"]
    damp = part["relative_humidity"]
    assert damp.between(0, 100).all()
    over = by_month(damp) - np.array(generator.RELATIVE_HUMIDITY)
    assert np.all((over > -1.5) & (over < 3.5))  # cool nights lift it
    raining = part["precipitation"] > 0
    assert damp[raining].mean() - damp[~raining].mean() > 5
    july = damp[damp.index.month == 7]
    at = july.groupby(july.index.hour).mean()
    assert at[4] - at[14] > 20  # the same vapour in warmer air


def test_wind(generator: ModuleType, hourly: pd.DataFrame) -> None:
    wind = hourly["wind_speed"][:"2025-06-30"]
    stated = np.array(generator.WIND_SPEED)
    assert np.all(np.abs(by_month(wind) - stated) < 0.1 * stated)
    relative = wind / stated[wind.index.month - 1]
    # Weibull, shape 2: sd / mean = sqrt(4 / pi - 1).
    assert generator.WIND_SHAPE == 2.0
    assert abs(relative.std() / relative.mean() - np.sqrt(4 / np.pi - 1)) < 0.03
    assert wind.autocorr(1) > 0.9


def test_snow(generator: ModuleType, hourly: pd.DataFrame) -> None:
    snow = hourly["snow_depth"]
    assert (snow >= 0).all()
    # Packed to a millimetre, so a rise of less may be rounding.
    grows = snow.diff() > 0.0015
    assert grows.sum() > 100
    assert (hourly["air_temperature"][grows] < generator.SNOW_BELOW + 0.01).all()
    assert (hourly["precipitation"][grows] > 0).all()
    assert (snow[hourly.index.month.isin([6, 7, 8, 9])] == 0).all()
    lying = (snow.resample("D").max() > 0.01).sum() / (len(snow) / 8766)
    assert 4 < lying < 30  # days a year: it comes and goes

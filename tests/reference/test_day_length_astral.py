"""Day length and sun times against astral (NOAA's solar equations), an independent library."""

import datetime as dt

import numpy as np
import pytest

from riskcast.base.daylight import day_length, solar_noon, sun_times

sun = pytest.importorskip("astral.sun")
astral = pytest.importorskip("astral")

DATES = np.arange("2023-01-01", "2024-01-01", dtype="datetime64[D]")


def sky(latitude, longitude, what):
    """Seconds since 1970 of an event on every date of 2023."""
    observer = astral.Observer(latitude, longitude, 0.0)
    event = getattr(sun, what)
    return np.array(
        [event(observer, date, tzinfo=dt.UTC).timestamp() for date in DATES.astype(object)]
    )


def seconds(times):
    return times.astype("datetime64[s]").astype(float)


@pytest.mark.parametrize("latitude", [50, 52, 54, 56, 58])
def test_day_length_within_six_minutes(latitude):
    hours = (sky(latitude, 0.0, "sunset") - sky(latitude, 0.0, "sunrise")) / 3600
    found = day_length(latitude, np.arange(1, 366))
    assert 60 * np.abs(found - hours).max() < 6.0


@pytest.mark.parametrize(("latitude", "longitude"), [(50.0, -4.0), (52.0, 5.0), (57.0, 23.0)])
def test_sunrise_and_sunset_within_four_minutes(latitude, longitude):
    found = sun_times(latitude, longitude, DATES)
    assert set(found.polar) == {"none"}
    for ours, what in ((found.sunrise, "sunrise"), (found.sunset, "sunset")):
        apart = np.abs(seconds(ours) - sky(latitude, longitude, what)) / 60
        assert apart.max() < 4.0


def test_noon_within_a_minute():
    apart = np.abs(seconds(solar_noon(-4.0, DATES)) - sky(50.0, -4.0, "noon")) / 60
    assert apart.max() < 1.0

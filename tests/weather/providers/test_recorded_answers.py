"""Recorded answers of the services all the way: through files on disk, and through the network.

A01 to A05 and A08 are answers that other projects recorded (Open-Meteo: Berlin, twelve places in
Britain, two ensembles, an error; MET Norway: London). The values beside them were read by hand in
the files. Single rows are tested in `test_open_meteo` and `test_met_norway`; here what a run gets.
"""

from __future__ import annotations

import datetime as dt
import json

import numpy as np
import pandas as pd
import pytest
from loopback import Services

from riskcast.base.errors import WeatherError
from riskcast.site import MetNorway
from riskcast.weather import read
from riskcast.weather.providers import met_norway
from riskcast.weather.web import Clock, Web

LAPSE_K_PER_M = 0.0065  # of the standard atmosphere (ISO 2533)


@pytest.fixture
def path(real_data):
    def find(name):
        (found,) = (real_data / "weather").glob(f"{name}_*")
        return found

    return find


def at(dataset, name, time, member=0):
    return float(dataset[name].isel(member=member).sel(time=np.datetime64(time, "ns")))


def test_a01_is_carried_to_the_height_of_the_site(path, make_place):
    low = read(path("A01"), make_place(52.52, 13.42, 44.8125))
    assert low.sizes["time"] == 168
    assert at(low, "air_temperature", "2021-11-23T23:00") == 6.9
    assert at(low, "precipitation", "2021-11-30T22:00") == 0.88
    high = read(path("A01"), make_place(52.52, 13.42, 144.8125))
    gap = high.air_temperature - low.air_temperature
    np.testing.assert_allclose(gap, -100 * LAPSE_K_PER_M)
    np.testing.assert_array_equal(high.precipitation, low.precipitation)
    assert high.attrs["height_gap_m"] == -100.0
    assert low.depth.values.tolist() == [0.0, 0.06, 0.18]
    assert low.attrs["attribution"] == "Weather data by Open-Meteo.com (https://open-meteo.com/)"


def test_a01_days_of_the_dataset_are_the_provider_s_own(path, make_place):
    """Its daily block is of days of UTC+1, as its offset says; recomputed from our UTC hours."""
    theirs = json.loads(path("A01").read_bytes())["daily"]
    ours = read(path("A01"), make_place(52.52, 13.42, 44.8125))
    hours = pd.DatetimeIndex(ours.time.values) + pd.Timedelta(hours=1)
    air = pd.Series(ours.air_temperature.values[0], hours)
    rain = pd.Series(ours.precipitation.values[0], hours)
    np.testing.assert_allclose(air.resample("D").max(), theirs["temperature_2m_max"])
    np.testing.assert_allclose(air.resample("D").min(), theirs["temperature_2m_min"])
    np.testing.assert_allclose(rain.resample("D").sum(), theirs["precipitation_sum"], atol=0.005)


def test_a02_of_twelve_places_the_site_s_own(path, make_place):
    document = json.loads(path("A02").read_bytes())
    for number in (0, 5, 11):
        one = document[number]
        place = make_place(one["latitude"], one["longitude"], one["elevation"])
        ours = read(path("A02"), place)
        np.testing.assert_allclose(ours.air_temperature[0], one["hourly"]["temperature_2m"])
        assert ours.time.values[0] == np.datetime64("2024-01-26T00:00")


def test_a03_and_a04_keep_every_member(path, make_place):
    ours = read(path("A03"), make_place(52.5, 7.0, 29.0))
    theirs = json.loads(path("A03").read_bytes())["hourly"]
    assert ours.sizes["member"] == 21
    assert ours.air_temperature[0].values.tolist() == [10.5, 10.1]
    assert ours.air_temperature[20].values.tolist() == theirs["temperature_2m_member20"]
    ours = read(path("A04"), make_place(52.25, 5.0, 11.0))
    theirs = json.loads(path("A04").read_bytes())["hourly"]
    assert ours.sizes["member"] == 31
    # utc_offset_seconds is 7200.
    local = np.datetime64(theirs["time"][0]) - np.timedelta64(2, "h")
    assert ours.time.values[0] == local
    assert ours.air_temperature[30].values.tolist() == theirs["temperature_2m_member30"]


def test_a05_is_the_provider_s_refusal_and_no_weather(path, make_place):
    with pytest.raises(WeatherError, match="Cannot initialize TemperatureUnit"):
        read(path("A05"), make_place(52.0, 5.0))


def test_a08_saved_as_it_came_is_nine_days_without_gaps(path, make_place, tmp_path):
    recorded = json.loads(path("A08").read_bytes())["data"]
    saved = tmp_path / "london.json"
    saved.write_text(json.dumps(recorded))
    ours = read(saved, make_place(51.5, -0.1, 25.0))
    series = recorded["properties"]["timeseries"]
    for step in series[1:50]:
        details = step["data"]["instant"]["details"]
        assert at(ours, "air_temperature", step["time"][:-1]) == details["air_temperature"]
        assert at(ours, "wind_speed", step["time"][:-1]) == details["wind_speed"]
    assert set(np.unique(ours["filled"])) == {"none", "interpolated"}
    assert (np.diff(ours.time.values) == np.timedelta64(1, "h")).all()
    assert "snow_depth" not in ours  # the service has none
    assert ours.attrs["attribution"] == "Based on data from MET Norway (https://api.met.no/)"


class RecordedClock(Clock):
    """The moment A08 was recorded, and some minutes on."""

    def __init__(self, minutes=0.0):
        recorded = dt.datetime(2020, 7, 20, 11, 44, 31, tzinfo=dt.UTC)
        self.moment = recorded + dt.timedelta(minutes=minutes)

    def now(self):
        return self.moment.timestamp()


def test_a08_served_with_its_own_headers_is_kept_as_they_say(path, make_place, tmp_path):
    """Expires is 12:16:23: not asked before; then only whether it changed since Last-Modified."""
    recorded = json.loads(path("A08").read_bytes())
    theirs = {name: recorded["headers"][name] for name in ("Expires", "Last-Modified")}

    def as_recorded(reply):
        reply.headers.update(theirs)
        reply.document = recorded["data"]

    def unchanged(reply):
        reply.status, reply.data = 304, b""
        reply.headers.update(theirs)

    place = make_place(51.5, -0.1, 25.0)
    with Services() as services:

        def ask(minutes):
            clock = RecordedClock(minutes)
            services.now = clock.moment
            with Web(tmp_path / "cache", clock=clock) as web:
                moment = np.datetime64(clock.moment.replace(tzinfo=None), "ns")
                return met_norway.fetch(
                    web, MetNorway(**services.met_norway()), place, as_of=moment
                )

        services.fail("met-norway", as_recorded, unchanged)
        first, early, late = ask(0), ask(31), ask(40)
    assert services.count() == 2
    assert services.requests[1].headers["if-modified-since"] == "Mon, 20 Jul 2020 11:44:31 GMT"
    for one in (first, early, late):
        assert not one.stale
        assert one.reference_time == np.datetime64("2020-07-20T01:30")  # to the minute
        assert one.table.values["air_temperature"][0, 0] == 19.6
    assert services.requests[0].query == {"lat": "51.50", "lon": "-0.10", "altitude": "20"}

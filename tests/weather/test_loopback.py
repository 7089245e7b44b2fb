"""The loopback services against recorded answers: same keys, same order, same units, same words."""

from __future__ import annotations

import datetime as dt
import json

import invented_weather
import numpy as np
import pytest
import requests
import service_faults
from loopback import USER_AGENT, Services

NOW = dt.datetime(2025, 11, 10, 7, 20, tzinfo=dt.UTC)
PLACE = {"latitude": "52.1", "longitude": "4.3"}
METNO = {"lat": "52.1", "lon": "4.3", "altitude": "25"}


@pytest.fixture
def services():
    with Services(NOW) as running:
        yield running


def get(services, service, headers=None, **query):
    place = METNO if service == "met-norway" else PLACE
    agent = {"User-Agent": USER_AGENT, "Connection": "close"}
    return requests.get(
        services.url(service), params=place | query, headers=agent | (headers or {}), timeout=5
    )


def recorded(real_data, name):
    (path,) = (real_data / "weather").glob(f"{name}_*.json")
    return json.loads(path.read_text(encoding="utf-8"))


def test_a_forecast_has_the_keys_of_a_recorded_one_in_their_order(services, real_data):
    real = recorded(real_data, "A01")
    names = [name for name in real["hourly"] if name != "time"]
    ours = get(services, "forecast", hourly=",".join(names), timezone="Europe/Berlin").json()
    assert [k for k in real if not k.startswith("daily")] == list(ours)
    assert ours["hourly_units"] == real["hourly_units"]
    assert list(ours["hourly"]) == list(real["hourly"])
    assert len(ours["hourly"]["time"]) == len(real["hourly"]["time"])
    assert ours["utc_offset_seconds"] == real["utc_offset_seconds"]


def test_an_ensemble_has_the_keys_of_a_recorded_one(services, real_data):
    real = recorded(real_data, "A04")
    ours = get(services, "ensemble", hourly="temperature_2m", models="gfs025").json()
    assert list(ours["hourly"]) == list(real["hourly"])
    assert list(ours["hourly_units"]) == list(real["hourly_units"])


def test_a_wrong_unit_is_refused_as_recorded(services, real_data):
    real = recorded(real_data, "A05")
    assert set(real) == set(service_faults.error("x"))
    answer = get(services, "forecast", hourly="temperature_3m")
    assert answer.status_code == 400
    assert answer.json()["reason"].startswith("Cannot initialize")


def test_met_norway_speaks_as_recorded(services, real_data):
    real = recorded(real_data, "A08")
    answer = get(services, "met-norway")
    for name in ("Expires", "Last-Modified", "Content-Type"):
        assert bool(answer.headers[name]) == bool(real["headers"][name])
    ours, theirs = answer.json(), real["data"]
    assert list(ours) == list(theirs)
    assert list(ours["properties"]) == list(theirs["properties"])
    units, known = (d["properties"]["meta"]["units"] for d in (ours, theirs))
    assert units == {name: known[name] for name in units}
    first, last = ours["properties"]["timeseries"][0], ours["properties"]["timeseries"][-1]
    assert set(first["data"]) == set(theirs["properties"]["timeseries"][0]["data"])
    assert set(last["data"]) == {"instant"}
    stamps = [np.datetime64(s["time"][:-1]) for s in ours["properties"]["timeseries"]]
    steps = np.diff(stamps) / np.timedelta64(1, "h")
    assert steps[0] == 1
    assert steps[-1] == 6


def test_values_can_be_told_by_hand(services):
    ours = get(services, "forecast", hourly="temperature_2m,precipitation").json()["hourly"]
    hour = invented_weather.hours_of(ours["time"])
    np.testing.assert_array_equal(
        ours["temperature_2m"], invented_weather.temperature(hour, 52.1, 4.3)
    )
    amounts = {h: p for h, p in zip(hour, ours["precipitation"], strict=True) if p}
    assert set(amounts.values()) == {0.9}
    assert all(h % 9 == 0 for h in amounts)


def test_the_archive_lags_and_says_null(services):
    ours = get(
        services, "archive", hourly="temperature_2m", start_date="2025-11-01",
        end_date="2025-11-10",
    ).json()["hourly"]  # fmt: skip
    assert ours["temperature_2m"][0] is not None
    assert ours["temperature_2m"][-1] is None


def test_met_norway_asks_who_you_are_and_answers_304(services):
    assert get(services, "met-norway", {"User-Agent": "python-requests/2.34"}).status_code == 403
    assert get(services, "met-norway", lat="52.12345").status_code == 403
    first = get(services, "met-norway")
    again = get(services, "met-norway", {"If-Modified-Since": first.headers["Last-Modified"]})
    assert again.status_code == 304
    assert again.content == b""


def test_faults_come_in_the_order_they_were_set_and_then_end(services):
    services.fail("forecast", service_faults.refused(503, "busy"), service_faults.truncated())
    assert get(services, "forecast", hourly="temperature_2m").status_code == 503
    with pytest.raises(requests.exceptions.JSONDecodeError):
        get(services, "forecast", hourly="temperature_2m").json()
    assert get(services, "forecast", hourly="temperature_2m").json()["hourly"]
    assert services.count("forecast") == 3


def test_a_reset_and_a_silence_are_seen_as_such(services):
    services.fail("forecast", service_faults.half_then_reset())
    with pytest.raises(requests.RequestException):
        get(services, "forecast", hourly="temperature_2m")
    services.fail("forecast", service_faults.silence())
    with pytest.raises(requests.Timeout):
        requests.get(services.url("forecast"), params=PLACE, timeout=0.1)


def test_the_redirect_loop_never_ends(services):
    services.fail("archive", service_faults.redirect_loop(), times=None)
    with pytest.raises(requests.TooManyRedirects):
        get(services, "archive")

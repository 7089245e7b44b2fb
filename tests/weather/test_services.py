from __future__ import annotations

import datetime as dt
from urllib.parse import parse_qs, urlsplit

import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather import season
from riskcast.weather.services import archive_address, ensemble_address

HOURLY = "temperature_2m,relative_humidity_2m,precipitation,snow_depth,wind_speed_10m"


@pytest.mark.parametrize(
    ("address", "host"),
    [
        (ensemble_address, "ensemble-api.open-meteo.com"),
        (lambda p: archive_address(p, dt.date(2025, 10, 27), 20),
         "archive-api.open-meteo.com"),
    ],
)  # fmt: skip
def test_addresses_ask_for_what_is_read_here(make_place, address, host):
    parts = urlsplit(address(make_place(50.123456, -4.98765, 117.3)))
    assert parts.hostname == host
    asked = {key: values[0] for key, values in parse_qs(parts.query).items()}
    assert asked["latitude"] == "50.12"
    assert asked["longitude"] == "-4.99"
    assert asked["hourly"] == HOURLY
    assert (asked["timezone"], asked["wind_speed_unit"], asked["format"]) == ("GMT", "ms", "csv")


def test_the_archive_reaches_back_one_winter_more_than_asked(make_place):
    address = archive_address(make_place(50, -4), dt.date(2025, 10, 27), 20)
    asked = parse_qs(urlsplit(address).query)
    assert asked["start_date"] == ["2004-07-01"]
    assert asked["end_date"] == ["2025-10-27"]


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"forecast": "open-meteo"}, ("ensemble-api", 'forecast = "forecast_2025-10-25.csv"')),
        ({"forecast": "met-norway"}, ("ensemble-api", 'forecast = "met-norway"')),
        ({"history": "open-meteo"}, ("archive-api", 'history = "history.csv"')),
    ],
)
def test_a_service_is_refused_with_the_way_out(config, place, changes, told):
    with pytest.raises(WeatherError, match="this version reads weather from files") as raised:
        season(config(**changes), place, issued_at="2025-10-25T20:00")
    for words in told:
        assert words in str(raised.value)
    assert raised.value.exit_code == 69

"""Made-up weather for the plumbing: smooth curves whose every value can be told by hand."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from riskcast.site import Place, Weather

UNITS = {
    "air_temperature": "degC",
    "relative_humidity": "%",
    "precipitation": "mm",
    "snow_depth": "m",
    "wind_speed": "m s-1",
}


def _hourly(first, last):
    """(time,) datetime64[ns], both ends included."""
    return np.arange(np.datetime64(first, "h"), np.datetime64(last, "h") + 1).astype(
        "datetime64[ns]"
    )


def curves(time):
    """Values that name their year (its last two digits are in them) and their hour."""
    hour = time.astype("datetime64[h]").astype(int)
    year = time.astype("datetime64[Y]").astype(int) + 1970
    season = np.cos(2 * np.pi * (hour / 24 / 365.2425))
    return {
        "air_temperature": 9.0 - 6.0 * season + np.sin(2 * np.pi * hour / 24) + (year - 2000) / 10,
        "relative_humidity": 80.0 + 10.0 * season,
        "precipitation": np.where(hour % 9 == 0, 0.9, 0.0),
        "snow_depth": np.where(season > 0.95, 0.05, 0.0),
        "wind_speed": 3.0 + np.cos(2 * np.pi * hour / 24),
    }


def _weather_file(time, members=None, place=(50.0, -4.0), **extra):
    """A Dataset as a provider would write it, one point."""
    data = {}
    for name, values in curves(time).items():
        dims, array = ("time",), values
        if members is not None:
            dims = ("member", "time")
            array = values + np.arange(members)[:, None] / 10 * (name == "air_temperature")
        data[name] = (dims, array, {"units": UNITS[name]})
    coords = {"time": time, "latitude": place[0], "longitude": place[1], **extra}
    if members is not None:
        coords["member"] = np.arange(members)
    return xr.Dataset(data, coords)


@pytest.fixture(scope="session")
def hourly():
    return _hourly


@pytest.fixture(scope="session")
def weather_file():
    return _weather_file


@pytest.fixture
def place():
    return Place(
        id="test-wood",
        name="Test wood",
        latitude=50.0,
        longitude=-4.0,
        elevation_m=120,
        timezone="Europe/London",
    )


@pytest.fixture
def make_place():
    def make(latitude, longitude, elevation_m=0.0):
        return Place(
            id="test-wood",
            name="Test wood",
            latitude=latitude,
            longitude=longitude,
            elevation_m=elevation_m,
            timezone="UTC",
        )

    return make


@pytest.fixture(scope="session")
def seven_years(tmp_path_factory):
    """History from July 2018 to 25 October 2025, 08:00, hourly, as NetCDF."""
    path = tmp_path_factory.mktemp("history") / "history.nc"
    _weather_file(_hourly("2018-07-01T00", "2025-10-25T08")).to_netcdf(path)
    return path


@pytest.fixture(scope="session")
def three_members(tmp_path_factory):
    """Forecast of 25 October 2025, 06:00, with half a past day, for 10 days."""
    path = tmp_path_factory.mktemp("forecast") / "forecast.nc"
    made = np.datetime64("2025-10-25T06", "ns")
    file = _weather_file(
        _hourly("2025-10-25T00", "2025-11-04T23"), members=3, forecast_reference_time=made
    )
    file.to_netcdf(path)
    return path


@pytest.fixture
def config(seven_years, three_members):
    def make(**changes):
        keys = {"forecast": three_members, "history": seven_years, "past_years": 6} | changes
        for name in ("forecast", "history"):
            keys[name] = str(keys[name])
        return Weather(**keys)

    return make

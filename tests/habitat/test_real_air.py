"""The nest in real air: nine years of a coastal lowland at 52° N, hourly (open reanalysis).

Data: Open-Meteo archive, CC BY 4.0, "Weather data by Open-Meteo.com", file A06 of the folder that
RISKCAST_REAL_DATA names. The range of winter means comes from an independent prototype of the
column at 3 cm in litter; it is no measurement in a nest.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast.habitat import food_dates, nest_temperature, nights
from riskcast.site import Habitat

pytestmark = pytest.mark.real_data
WINTERS = range(2015, 2024)


@pytest.fixture(scope="module")
def air(real_data) -> pd.Series:
    path = real_data / "weather" / "A06_openmeteo_archive_hague_hourly_2015_2024.csv.gz"
    frame = pd.read_csv(path, skiprows=3, index_col=0, parse_dates=[0])
    return frame["temperature_2m (°C)"].astype(float)


def as_weather(air: pd.Series) -> xr.Dataset:
    values = air.to_numpy()[np.newaxis]
    return xr.Dataset(
        {
            "air_temperature": (("member", "time"), values, {"units": "degC"}),
            "precipitation": (("member", "time"), np.zeros_like(values), {"units": "mm"}),
        },
        coords={"member": [0], "time": air.index.to_numpy()},
    )


@pytest.fixture(scope="module")
def habitat() -> Habitat:
    return Habitat(nest_depth_cm=3, litter_depth_cm=6, canopy="open", plants=("hazel", "oak"))


@pytest.fixture(scope="module")
def nest(air, habitat) -> pd.Series:
    return nest_temperature(as_weather(air), habitat)[0].to_series()


def daily_range(series: pd.Series) -> float:
    days = series.resample("D")
    return float((days.max() - days.min()).mean())


@pytest.mark.parametrize("year", WINTERS)
def test_winter_mean_lies_where_nests_of_nine_winters_lie(nest, year):
    mean = nest[f"{year}-11-20" : f"{year + 1}-03-14"].mean()  # 115 days
    assert 6.1 <= mean <= 7.9


@pytest.mark.parametrize("year", WINTERS)
def test_daily_range_is_well_below_the_airs(nest, air, year):
    winter = slice(f"{year}-11-20", f"{year + 1}-03-14")
    assert daily_range(nest[winter]) < 0.6 * daily_range(air[winter])


@pytest.mark.parametrize("year", WINTERS)
def test_winter_minimum_is_milder_than_the_airs(nest, air, year):
    winter = slice(f"{year}-11-20", f"{year + 1}-03-14")
    assert nest[winter].min() > air[winter].min() + 2.0


@pytest.mark.parametrize("year", WINTERS)
def test_a_start_in_august_is_forgotten_in_sixty_days(nest, air, habitat, year):
    season = air[f"{year}-08-01" : f"{year + 1}-05-31"]
    alone = nest_temperature(as_weather(season), habitat, deep_temperature_degc=float(air.mean()))
    until = np.datetime64(alone.attrs["spin_up_until"])
    settled = alone[0].sel(time=slice(until, None)).to_series()
    assert (settled - nest[settled.index]).abs().max() < 0.1


def test_oak_and_hazel_on_the_days_of_an_independent_trial(air, habitat, hazel_dormouse):
    """A prototype of the same sums gave oak on day 104 to 136, hazel from January to day 93."""
    unbounded = hazel_dormouse.with_values(food__early_floor=[1, 1])
    oak: list[int] = []
    hazel: list[pd.Timestamp] = []
    held: list[pd.Timestamp] = []
    for year in WINTERS:
        season = as_weather(air[f"{year}-08-01" : f"{year + 1}-05-31"])
        for sp, days in ((unbounded, hazel), (hazel_dormouse, held)):
            first = food_dates(season, habitat, sp)["first_food_date"].values[0]
            days.append(pd.Timestamp(first))
        full = food_dates(season, habitat, hazel_dormouse)["food_date"].values[0]
        oak.append(pd.Timestamp(full).day_of_year)
    assert (min(oak), max(oak)) == (104, 136)
    assert max(day.day_of_year for day in hazel) == 93
    assert min(day.day_of_year for day in hazel) <= 31
    floor = tuple(hazel_dormouse.food.early_floor)
    assert min((day.month, day.day) for day in held) == floor


def test_every_night_of_nine_years_is_there(air, nest, place, habitat):
    course = as_weather(air)
    found = nights(course, place, nest=nest_temperature(course, habitat))
    days = np.diff(found["night"].values) / np.timedelta64(1, "D")
    assert (days == 1.0).all()
    assert found.sizes["night"] == len(air) // 24 - 3

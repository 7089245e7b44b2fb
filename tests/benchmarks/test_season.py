"""A season of 51 members × 304 days from what is kept on the disk: 20 past winters, one forecast.

Aim on 2 cores: within 3 s. Two ways lead to it: from the services' answers in the cache and past
winters by cell, as a second run of the same morning has them; and from kept forecasts. Figure:
seconds, and the ratio to the same season made from plain NetCDF files. Reported, not asserted.
Weather is made up.
"""

from __future__ import annotations

import datetime as dt
import statistics
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import time_machine
import xarray as xr
from loopback import Services

from riskcast.archive.forecasts import ForecastShelf
from riskcast.site import OpenMeteo, Place, Weather
from riskcast.weather import season
from riskcast.weather.access import Access
from riskcast.weather.dataset import VARIABLES, hours
from riskcast.weather.kept.cell_store import CellWeather
from riskcast.weather.kept.issued import keep
from riskcast.weather.kept.winter_store import Winter, WinterStore, year_hours

ISSUED = np.datetime64("2025-10-27T12", "ns")
NOW = dt.datetime(2025, 10, 27, 12, tzinfo=dt.UTC)
MADE = np.datetime64("2025-10-27T00", "ns")
MEMBERS, FORECAST_DAYS, PAST_WINTERS = 51, 15, 20
CELL = (50.0, -4.0)
PLACE = Place(
    id="test-wood",
    name="Test wood",
    latitude=50.0,
    longitude=-4.0,
    elevation_m=120,
    timezone="UTC",
)
CREDIT = {"provider": "Made up", "licence": "none", "attribution": "Made-up weather"}
ROUNDS = 3


def weather(first: int, last: int, members: int = 1, made: np.datetime64 | None = None):
    """Hourly made-up weather of one cell, with one decimal as services send it."""
    hour = np.arange(first, last + 1)
    random = np.random.default_rng(first)
    noise = np.cumsum(random.normal(0.0, 0.3, (members, len(hour))), axis=1)
    noise -= np.linspace(0.0, 1.0, len(hour)) * noise[:, -1:]
    wave = 9 - 6 * np.cos(2 * np.pi * hour / 24 / 365.2425) + np.sin(2 * np.pi * hour / 24)
    values = {
        "air_temperature": np.clip(wave + noise / 8, -15, 30),
        "relative_humidity": np.clip(85 + noise, 30, 100),
        "precipitation": np.where(random.random(noise.shape) < 0.1, 0.4, 0.0),
        "snow_depth": np.where(wave + noise / 8 < 0, 0.05, 0.0),
        "wind_speed": np.abs(4 + noise / 10),
    }
    none = np.zeros(len(hour), dtype=np.int8)
    return CellWeather(
        first,
        np.arange(members),
        {name: array.round(2) for name, array in values.items()},
        none,
        none.astype(bool),
        cell=CELL,
        elevation_m=110.0,
        attrs=dict(CREDIT),
        made_at=made,
    )


def as_file(one: CellWeather, path: Path) -> None:
    """The same weather as anybody's NetCDF."""
    dims = ("member", "time") if len(one.member) > 1 else ("time",)
    data = {
        name: (dims, array.reshape([len(one.member), one.size][-len(dims) :]), {})
        for name, array in one.values.items()
    }
    for name, (_, _, attrs) in data.items():
        attrs["units"] = VARIABLES[name].units
    coords = {"time": one.times, "latitude": CELL[0], "longitude": CELL[1]}
    if one.made_at is not None:
        coords["forecast_reference_time"] = one.made_at
    encoding = {name: {"dtype": "float32", "zlib": True} for name in data}
    xr.Dataset(data, coords, CREDIT).to_netcdf(path, encoding=encoding)


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Stored winters and a kept ensemble, and the same weather as two NetCDF files."""
    folder = tmp_path_factory.mktemp("kept")
    now = int(hours([ISSUED])[0])
    store = WinterStore(folder / "history" / "open-meteo-era5_seamless" / "50.0N004.0W")
    winters = []
    for year in range(2025 - PAST_WINTERS, 2026):
        first, last = year_hours(year)
        winters.append(weather(first, min(last, now)))
        store.save(year, Winter(winters[-1], ISSUED))
    shelf = ForecastShelf(folder / "forecasts")
    made = int(hours([MADE])[0])
    forecast = weather(made, made + FORECAST_DAYS * 24, MEMBERS, MADE)
    assert keep(shelf, "open-meteo.ensemble.ecmwf_ifs025", PLACE, forecast) == ()
    values = {n: np.concatenate([w.values[n] for w in winters], 1) for n in winters[0].values}
    joined = weather(winters[0].start, now)
    joined.values.update(values)
    as_file(joined, folder / "history.nc")
    as_file(forecast, folder / "forecast.nc")
    return folder, shelf


def of_files(folder: Path, forecast: str = "forecast.nc") -> Weather:
    return Weather(forecast=str(folder / forecast), history=str(folder / "history.nc"))


def seconds(work) -> float:
    found = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return statistics.median(found)


def test_season_from_what_is_kept(benchmark, kept):
    folder, shelf = kept
    config = Weather(forecast="open-meteo", history="open-meteo", cache=folder)
    access = Access(folder, shelf, offline=True, live=False)

    def ours():
        return season(config, PLACE, issued_at=ISSUED, access=access)

    made = benchmark.pedantic(ours, rounds=ROUNDS, warmup_rounds=1)
    assert made.futures.sizes == {"member": MEMBERS, "time": 304 * 24}
    assert made.past_years.sizes["member"] == PAST_WINTERS
    median = benchmark.stats.stats.median
    files = of_files(folder)
    plain = seconds(lambda: season(files, PLACE, issued_at=ISSUED))
    benchmark.extra_info |= {"seconds": median, "ratio_to_plain_files": median / plain}
    print(
        f"\n{MEMBERS} members × 304 days, {PAST_WINTERS} winters: {median:.2f} s kept,"
        f" {plain:.2f} s from plain NetCDF ({median / plain:.2f} x)"
    )


@pytest.fixture(scope="module")
def fetched(tmp_path_factory):
    """What one run fetched from the services of this machine; then they are gone."""
    folder = tmp_path_factory.mktemp("fetched")
    access = Access(folder, ForecastShelf(folder / "shelf"))
    with time_machine.travel(NOW), Services() as services:
        own = OpenMeteo(**services.open_meteo())
        config = Weather(forecast="open-meteo", cache=folder, past_years=PAST_WINTERS)
        config = config.model_copy(update={"open_meteo": own})
        season(config, PLACE, issued_at=ISSUED, access=access)
    return config, replace(access, offline=True)


def test_season_from_answers_in_the_cache(benchmark, kept, fetched):
    folder, _ = kept
    config, access = fetched
    with time_machine.travel(NOW):
        made = benchmark.pedantic(
            lambda: season(config, PLACE, issued_at=ISSUED, access=access),
            rounds=ROUNDS,
            warmup_rounds=1,
        )
    assert made.futures.sizes == {"member": MEMBERS, "time": 304 * 24, "depth": 1}
    assert made.past_years.sizes["member"] == PAST_WINTERS
    assert [s.source for s in made.sources if s.used and s.from_cache] == [
        "open-meteo ensemble",
        "open-meteo archive",
        "open-meteo forecast",
    ]
    median = benchmark.stats.stats.median
    files = of_files(folder)
    plain = seconds(lambda: season(files, PLACE, issued_at=ISSUED))
    benchmark.extra_info |= {"seconds": median, "ratio_to_plain_files": median / plain}
    print(
        f"\nfrom answers in the cache: {median:.2f} s, {plain:.2f} s from plain NetCDF"
        f" ({median / plain:.2f} x)"
    )


def test_a_single_forecast_dressed(benchmark, kept):
    """Against the ensemble of 51 of the same files: what dressing costs."""
    folder, _ = kept
    with xr.open_dataset(folder / "forecast.nc") as ensemble:
        ensemble.isel(member=0).load().to_netcdf(folder / "single.nc")
    single, many = of_files(folder, "single.nc"), of_files(folder)
    made = benchmark.pedantic(
        lambda: season(single, PLACE, issued_at=ISSUED), rounds=ROUNDS, warmup_rounds=1
    )
    assert made.futures.sizes["member"] == PAST_WINTERS
    median = benchmark.stats.stats.median
    plain = seconds(lambda: season(many, PLACE, issued_at=ISSUED))
    benchmark.extra_info |= {"seconds": median, "ratio_to_ensemble": median / plain}
    print(f"\ndressed {median:.2f} s, ensemble {plain:.2f} s ({median / plain:.2f} x)")

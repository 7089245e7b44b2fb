"""Each kind of file by its own content, whatever its name: read, and dated where it says so.

Real files (origin in the MANIFEST of their folder): A01 and A05, answers of Open-Meteo; A08, one
of MET Norway; A14, a forecast of the German service.
"""

from __future__ import annotations

import gzip
import json
import shutil
import zipfile

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.site import TableLayout, Weather
from riskcast.weather import read, season
from riskcast.weather.forecasts import newest
from riskcast.weather.formats.by_content import reference_time

BERLIN = "A01_openmeteo_forecast_berlin_20211124_trimmed.json"
ERROR = "A05_openmeteo_error_http400.json"
LONDON = "A08_metno_complete_london_20200720_with_headers.json"
HOLSTEIN = "A14_dwd_mosmix_A762_20211220.kmz"


@pytest.fixture
def folder(real_data):
    return real_data / "weather"


@pytest.mark.real_data
@pytest.mark.parametrize("packed", [False, True])
def test_a_saved_answer_of_open_meteo(folder, make_place, tmp_path, packed):
    """A01, asked for in Berlin's time, an hour ahead: its first stamp is 23:00 UTC."""
    data = (folder / BERLIN).read_bytes()
    path = tmp_path / "saved.txt"
    path.write_bytes(gzip.compress(data) if packed else data)
    dataset = read(path, make_place(52.52, 13.42, 44.8125))
    answer = json.loads(data)["hourly"]
    assert str(dataset.time.values[0])[:13] == "2021-11-23T23"
    np.testing.assert_array_equal(
        dataset.air_temperature.values[0], np.array(answer["temperature_2m"], dtype=float)
    )
    assert "Open-Meteo" in dataset.attrs["attribution"]
    assert reference_time(path, "saved.txt") is None


@pytest.mark.real_data
def test_an_error_of_open_meteo_is_passed_on(folder, place):
    with pytest.raises(WeatherError, match="Cannot initialize TemperatureUnit"):
        read(folder / ERROR, place)


@pytest.mark.real_data
def test_a_saved_answer_of_met_norway_says_when_it_was_made(folder, make_place, tmp_path):
    """A08: updated_at 2020-07-20T01:30:57Z."""
    answer = json.loads((folder / LONDON).read_bytes())["data"]
    path = tmp_path / "saved.json"
    path.write_text(json.dumps(answer))
    found = newest(str(path), make_place(51.5, -0.1, 25.0), np.datetime64("2020-07-20T12", "ns"))
    assert str(found.reference_time)[:19] == "2020-07-20T01:30:57"
    assert (
        found.course.attrs["attribution"] == "Based on data from MET Norway (https://api.met.no/)"
    )


@pytest.mark.real_data
def test_a_forecast_of_the_german_service_says_so_too(folder, make_place, tmp_path):
    """A14: issued on 20 December 2021 at 21:00 UTC; a later one in a name is not opened."""
    shutil.copy(folder / HOLSTEIN, tmp_path / "a.kmz")
    (tmp_path / "b_2021-12-22.kmz").write_bytes(b"rubbish")
    place = make_place(53.92, 10.23, 38.0)
    found = newest(str(tmp_path), place, np.datetime64("2021-12-21T06", "ns"))
    assert found.reference_time == np.datetime64("2021-12-20T21")
    assert found.course.attrs["provider"] == "Deutscher Wetterdienst"
    assert found.course.values["air_temperature"][0, 0] == pytest.approx(-2.1)
    with pytest.raises(WeatherError, match="made later"):
        newest(str(tmp_path / "a.kmz"), place, np.datetime64("2021-12-20T20", "ns"))


@pytest.mark.parametrize("text", [b'{"hourly": {"time": ["2025', b'{"type": "Feature", "geo'])
def test_json_that_was_cut_off(tmp_path, place, text):
    (tmp_path / "cut.json").write_bytes(text)
    with pytest.raises(WeatherError, match=r"cut\.json: 1 fault"):
        read(tmp_path / "cut.json", place)
    assert reference_time(tmp_path / "cut.json", "cut.json") is None


def test_netcdf_in_gzip(tmp_path, place):
    time = np.arange("2025-01-01T00", "2025-01-02T00", dtype="datetime64[h]")
    file = xr.Dataset(
        {"tas": ("time", np.full(24, 280.15), {"units": "K"})},
        {"time": time.astype("datetime64[ns]"), "latitude": 50.0, "longitude": -4.0},
    )
    file.to_netcdf(tmp_path / "a.nc")
    (tmp_path / "b.nc.gz").write_bytes(gzip.compress((tmp_path / "a.nc").read_bytes()))
    (tmp_path / "a.nc").unlink()
    np.testing.assert_allclose(read(tmp_path, place).air_temperature, 7.0)


def test_tables_in_a_zip_take_the_layout(tmp_path, place):
    layout = TableLayout(columns={"T": "air_temperature (degC)"}, time_format="DD.MM.YYYY hh")
    with zipfile.ZipFile(tmp_path / "station.zip", "w") as archive:
        archive.writestr("2025/january.csv", "time,T\n31.01.2025 22,1\n31.01.2025 23,2\n")
        archive.writestr("2025/february.csv", "time,T\n01.02.2025 00,3\n")
    values = read(tmp_path / "station.zip", place, table=layout).air_temperature.values
    np.testing.assert_array_equal(values, [[1, 2, 3]])


def test_our_own_daily_table_needs_no_layout(tmp_path, place):
    rows = "".join(f"2025-01-{day:02d},{day % 3},{day % 3 + 6},2.4\n" for day in range(1, 11))
    heading = "time,air_temperature_min,air_temperature_max,precipitation\n"
    (tmp_path / "days.csv").write_text(heading + rows)
    dataset = read(tmp_path / "days.csv", place)
    assert dataset.sizes["time"] == 240
    np.testing.assert_allclose(dataset.precipitation, 0.1)
    days = dataset.air_temperature.values.reshape(-1, 24)
    assert days.min() >= 0.0
    assert days.max() <= 8.0
    assert set(dataset.filled.values) == {"diurnal_model"}


@pytest.mark.real_data
def test_a_season_of_a_point_forecast_and_a_daily_station(folder, make_place):
    """A14 before thirty years of A16 (as if it stood there): both reach the futures."""
    table = {
        "columns": {
            "Tmin(C)": "air_temperature_min (degC)",
            "Tmax(C)": "air_temperature_max (degC)",
            "Prcp(mm)": "precipitation (mm)",
        },
        "time": ["Day", "Month", "Year"],
        "time_format": "DD MM YYYY",
    }
    config = Weather(
        forecast=[str(folder / HOLSTEIN)],
        history=str(folder / "A16_aquacrop_suffolk_daily_1991_2021.txt.gz"),
        past_years=15,
        table=table,
    )
    issued = np.datetime64("2021-12-21T06", "ns")
    made = season(config, make_place(53.92, 10.23, 38.0), issued_at=issued)
    assert made.reference_time == np.datetime64("2021-12-20T21")
    assert made.past_years.sizes["member"] == 15
    assert {"forecast", "past_year"} <= set(made.futures.provenance.values)
    assert {"none", "diurnal_model"} <= set(made.futures.filled.values)
    assert np.isfinite(made.futures.air_temperature).all()
    assert "daily_values" in {note.code for note in made.notes}

from __future__ import annotations

import shutil

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import InputMissingError, WeatherError
from riskcast.weather.forecasts import date_in_name, newest


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("forecast_2025-10-27.csv", "2025-10-27T00:00"),
        ("open-meteo-50.00N4.00W-2025-10-27.csv", "2025-10-27T00:00"),
        ("ens_20251027T0600.nc", "2025-10-27T06:00"),
        ("ens_20251027_06.nc", "2025-10-27T06:00"),
        ("ens-2025-10-27T06:30Z.csv", "2025-10-27T06:30"),
        ("2025-10-27T0600Z_run.csv", "2025-10-27T06:00"),
        ("site123456789.csv", None),
        ("forecast.csv", None),
        ("forecast_2025-02-31.csv", None),
        ("forecast_2025-13-01.csv", None),
    ],
)
def test_dates_in_names(name, expected):
    found = date_in_name(name)
    assert found == (None if expected is None else np.datetime64(expected))


@pytest.fixture
def folder(tmp_path, hourly, weather_file):
    """Forecasts of three mornings; the NetCDF says so itself, the CSV by its name."""
    for day in (20, 21):
        made = np.datetime64(f"2025-10-{day}T06", "ns")
        time = hourly(f"2025-10-{day}T06", f"2025-10-{day + 9}T06")
        weather_file(time, 2, forecast_reference_time=made).to_netcdf(tmp_path / f"run{day}.nc")
    time = hourly("2025-10-22T06", "2025-10-30T06")
    rows = "".join(f"{str(t)[:16]},5.0,0.0\n" for t in time)
    text = "time,air_temperature,precipitation\n" + rows
    (tmp_path / "forecast_20251022T0600.csv").write_text(text)
    return tmp_path


@pytest.mark.parametrize(
    ("issued", "expected"),
    [
        ("2025-10-20T05:59", None),
        ("2025-10-20T06:00", "2025-10-20T06"),
        ("2025-10-21T23:59", "2025-10-21T06"),
        ("2025-10-22T06:00", "2025-10-22T06"),
    ],
)
def test_the_newest_that_was_made_by_then(folder, place, issued, expected):
    moment = np.datetime64(issued, "ns")
    if expected is None:
        with pytest.raises(WeatherError) as raised:
            newest(str(folder), place, moment)
        for found in ("run20.nc (2025-10-20T06:00Z)", "run21.nc", "forecast_20251022T0600.csv"):
            assert found in str(raised.value)
        return
    assert newest(str(folder), place, moment).reference_time == np.datetime64(expected)


def test_file_pattern_and_folder(folder, place):
    moment = np.datetime64("2025-10-22T12", "ns")
    assert newest(str(folder / "run*.nc"), place, moment).reference_time == np.datetime64(
        "2025-10-21T06"
    )
    assert newest(str(folder / "run20.nc"), place, moment).reference_time == np.datetime64(
        "2025-10-20T06"
    )
    with pytest.raises(InputMissingError, match="no file matches"):
        newest(str(folder / "none*.nc"), place, moment)
    with pytest.raises(InputMissingError, match="no such file"):
        newest(str(folder / "none.nc"), place, moment)


def test_a_forecast_without_a_date_is_not_guessed(folder, place):
    shutil.copy(folder / "forecast_20251022T0600.csv", folder / "forecast.csv")
    with pytest.raises(WeatherError, match="nothing says when this forecast was made") as raised:
        newest(str(folder / "forecast.csv"), place, np.datetime64("2025-10-22T12", "ns"))
    assert "forecast_2025-10-27.csv" in str(raised.value)


def test_a_forecast_that_has_run_out(folder, place):
    with pytest.raises(WeatherError, match=r"ends at 2025-10-30T06:00Z, before 2025-11-20"):
        newest(str(folder), place, np.datetime64("2025-11-20T12", "ns"))


def test_later_files_are_not_even_opened(folder, place, hourly, weather_file):
    moment = np.datetime64("2025-10-21T12", "ns")
    clean = newest(str(folder), place, moment)
    (folder / "forecast_2025-10-23.nc").write_bytes(b"\x89HDF\r\n\x1a\nrubbish")
    (folder / "forecast_2025-10-24.csv").write_bytes(b"%PDF-1.7")
    time = hourly("2025-10-24T06", "2025-10-30T06")
    poison = weather_file(time, 2, forecast_reference_time=time[0])
    poison.map(lambda v: xr.full_like(v, 999.0, dtype=float)).to_netcdf(folder / "later.nc")
    again = newest(str(folder), place, moment)
    assert again.reference_time == clean.reference_time
    assert again.notes == clean.notes == ()
    for name, values in clean.course.values.items():
        assert values.tobytes() == again.course.values[name].tobytes()


def test_a_damaged_file_of_the_past_is_passed_over_and_told(folder, place):
    (folder / "forecast_2025-10-21T09.nc").write_bytes(b"\x89HDF\r\n\x1a\nrubbish")
    found = newest(str(folder), place, np.datetime64("2025-10-21T12", "ns"))
    assert found.reference_time == np.datetime64("2025-10-21T06")
    assert [note.code for note in found.notes] == ["forecast_unreadable"]
    assert found.notes[0].numbers["file"] == "forecast_2025-10-21T09.nc"
    (folder / "forecast_2025-10-21T09.nc").rename(folder / "forecast_2025-10-19.nc")
    assert newest(str(folder), place, np.datetime64("2025-10-21T12", "ns")).notes == ()


def test_an_error_saved_for_a_forecast_is_told_as_one(tmp_path, place):
    """The provider's words, not that its date is missing."""
    (tmp_path / "forecast.json").write_text('{"error":true,"reason":"No data is available"}')
    with pytest.raises(WeatherError, match=r'"No data is available": the provider answers with'):
        newest(str(tmp_path / "*.json"), place, np.datetime64("2025-10-27T06", "ns"))

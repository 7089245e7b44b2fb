"""What people do to weather files, and what riskcast says: one clear report, nothing guessed."""

from __future__ import annotations

import gzip

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import InputMissingError, WeatherError
from riskcast.site import Place, Weather
from riskcast.weather import read, season

UNITS = {"air_temperature": "degC", "relative_humidity": "%", "precipitation": "mm"}
ISSUED = np.datetime64("2025-10-27T20:30", "ns")


def hourly(first, last):
    return np.arange(np.datetime64(first, "h"), np.datetime64(last, "h") + 1).astype(
        "datetime64[ns]"
    )


def as_written(time, members=None):
    """Plausible numbers that differ from hour to hour."""
    hour = time.astype("datetime64[h]").astype(int)
    shape = (len(time),) if members is None else (members, len(time))
    wave = np.sin(hour / 7.3) + np.sin(hour / 1001.7)
    values = {
        "air_temperature": 8.0 + 4.0 * wave,
        "relative_humidity": 80.0 + 5.0 * wave,
        "precipitation": np.where(hour % 11 == 0, 0.7, 0.0),
    }
    dims = ("time",) if members is None else ("member", "time")
    data = {
        name: (dims, np.broadcast_to(array, shape).copy(), {"units": UNITS[name]})
        for name, array in values.items()
    }
    return xr.Dataset(data, {"time": time, "latitude": 50.0, "longitude": -4.0})


def as_csv(file):
    frame = file.to_dataframe()[list(UNITS)]
    frame.columns = ["temperature_2m (°C)", "relative_humidity_2m (%)", "precipitation (mm)"]
    return frame.to_csv(index_label="time", date_format="%Y-%m-%dT%H:%M")


@pytest.fixture
def place():
    return Place(
        id="test-wood", name="Test wood", latitude=50.0, longitude=-4.0, elevation_m=120,
        timezone="Europe/London",
    )  # fmt: skip


@pytest.fixture
def file(tmp_path):
    """Write three weeks of weather as NetCDF, after something has happened to it."""

    def write(edit=lambda ds: ds, name="weather.nc", **options):
        edit(as_written(hourly("2025-10-01", "2025-10-21"))).to_netcdf(tmp_path / name, **options)
        return tmp_path / name

    return write


@pytest.fixture
def history(tmp_path):
    path = tmp_path / "history.nc"
    as_written(hourly("2019-07-01", "2025-10-27T08")).to_netcdf(path)
    return path


@pytest.fixture
def forecast(tmp_path):
    path = tmp_path / "forecasts"
    path.mkdir()
    made = np.datetime64("2025-10-27T06", "ns")
    data = as_written(hourly("2025-10-27T00", "2025-11-06T00"), 4)
    data.assign_coords(forecast_reference_time=made).to_netcdf(path / "run.nc")
    return path


def said(call, *args, error=WeatherError, **options):
    with pytest.raises(error) as raised:
        call(*args, **options)
    return str(raised.value)


def with_units(name, units):
    def edit(ds):
        ds[name].attrs = {} if units is None else {"units": units}
        return ds

    return edit


# --- units -------------------------------------------------------------------------------


def test_unknown_units_are_refused_by_name(file, place):
    text = said(read, file(with_units("precipitation", "bucket")), place)
    assert 'units of precipitation "bucket"' in text
    assert "Expected mm" in text


def test_no_units_are_refused(file, place):
    text = said(read, file(with_units("air_temperature", None)), place)
    assert "units of air_temperature: states no units; nothing is guessed" in text


def test_kelvin_labelled_celsius_is_refused_not_converted(file, place):
    def edit(ds):
        ds["air_temperature"] = (ds.air_temperature + 273.15).assign_attrs(units="degC")
        return ds

    text = said(read, file(edit), place)
    assert "its values are those of K" in text
    assert 'Set the units to "K"' in text


def test_a_number_for_missing_is_named_with_its_place(file, place):
    def edit(ds):
        ds["air_temperature"][30] = 999.0
        ds["relative_humidity"][40:44] = -9999.0
        return ds

    text = said(read, file(edit), place)
    assert "2 faults" in text
    assert "time step 31, 2025-10-02T06:00, air_temperature" in text
    assert '"999 degC": 1 row holds a value outside -60 to 50 degC' in text
    assert "4 rows hold values outside 0 to 100 %" in text


# --- time --------------------------------------------------------------------------------


@pytest.mark.parametrize("calendar", ["360_day", "noleap"])
def test_a_calendar_of_no_real_days(tmp_path, place, calendar):
    ds = as_written(hourly("2025-10-01", "2025-10-03")).drop_vars("time")
    attrs = {"units": "hours since 2025-10-01", "calendar": calendar, "standard_name": "time"}
    ds = ds.assign_coords(time=("time", np.arange(ds.sizes["time"]), attrs))
    ds.to_netcdf(tmp_path / "model.nc")
    text = said(read, tmp_path / "model.nc", place)
    assert f'"{calendar}"' in text
    assert "climate models" in text


def test_time_going_backwards_names_the_first_place(file, place):
    swapped = np.arange(481)
    swapped[[100, 101]] = [101, 100]
    text = said(read, file(lambda ds: ds.isel(time=swapped)), place)
    assert "time step 102, 2025-10-05T04:00: time goes backwards here" in text


def test_a_doubled_hour_of_local_time(tmp_path, place):
    """Stamps in wall-clock time hold 01:00 twice when the clocks go back."""
    table = as_csv(as_written(hourly("2025-10-25", "2025-10-26T06")))
    lines = table.splitlines()
    lines.insert(27, lines[26])
    (tmp_path / "local.csv").write_text("\n".join(lines), encoding="utf-8")
    text = said(read, tmp_path / "local.csv", place)
    assert "row 28, 2025-10-26T01:00: this time stands twice" in text
    assert "clocks go back" in text


def test_daily_values_are_no_hourly_weather(tmp_path, place):
    ds = as_written(hourly("2025-09-01", "2025-10-21")).isel(time=slice(None, None, 24))
    ds.to_netcdf(tmp_path / "daily.nc")
    assert "daily values" in said(read, tmp_path / "daily.nc", place)


def test_day_and_month_are_not_guessed(tmp_path, place):
    (tmp_path / "w.csv").write_text(
        "time,air_temperature\n01/02/2025 00:00,3\n02/02/2025 00:00,4\n"
    )
    text = said(read, tmp_path / "w.csv", place)
    assert "row 2: 2 times cannot be read" in text
    assert "2025-10-27T06:00" in text


# --- place -------------------------------------------------------------------------------


def test_a_site_outside_the_file(file, place):
    def elsewhere(ds):
        return ds.assign_coords(latitude=52.0, longitude=13.0)

    text = said(read, file(elsewhere), place)
    assert "the site lies outside the file" in text
    assert "one point at latitude 52.00, longitude 13.00" in text
    assert "west of Greenwich is negative" in text


def test_longitudes_from_0_to_360_are_the_same_place(file, place):
    plain = read(file(), place)
    turned = read(file(lambda ds: ds.assign_coords(longitude=356.0), "turned.nc"), place)
    assert plain.identical(turned)


# --- gaps --------------------------------------------------------------------------------


def test_short_gaps_are_closed_and_marked(file, place):
    def edit(ds):
        return ds.drop_isel(time=[50, 51, 52])

    dataset = read(file(edit), place)
    assert dataset.sizes["time"] == 481
    np.testing.assert_array_equal(
        np.flatnonzero(dataset.filled.values == "interpolated"), [50, 51, 52]
    )
    assert np.isfinite(dataset.air_temperature).all()


def test_a_long_gap_is_said_not_hidden(file, place):
    def edit(ds):
        ds["precipitation"][50:60] = np.nan
        return ds

    text = said(read, file(edit), place)
    assert "not enough data because precipitation is missing for 10 h" in text


def test_history_shorter_than_asked_is_used_and_told(history, forecast, place):
    config = Weather(forecast=str(forecast), history=str(history), past_years=20)
    found = season(config, place, issued_at=ISSUED)
    assert found.past_years.sizes["member"] == 6
    told = {note.code: dict(note.numbers) for note in found.notes}
    assert told["past_years_short"] == {"have": 6, "asked": 20}


# --- files that are not weather ----------------------------------------------------------


def test_a_netcdf_cut_off_on_the_way(file, place):
    path = file()
    whole = path.read_bytes()
    for size in (20, 3000, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:size])
        assert "Download it again" in said(read, path, place)


@pytest.mark.parametrize("kind", ["NETCDF3_CLASSIC", "NETCDF3_64BIT"])
def test_a_classic_netcdf_cut_off_is_not_read_as_zeros(file, place, kind):
    """The NetCDF library fills what is missing of a classic file with zeros, silently."""
    path = file(format=kind)
    whole = path.read_bytes()
    assert np.isfinite(read(path, place).air_temperature).all()
    for size in (3000, len(whole) // 2, len(whole) - 200):
        path.write_bytes(whole[:size])
        assert "damaged or cut off" in said(read, path, place)


@pytest.mark.parametrize("name", ["weather.nc", "weather.csv", "weather.csv.gz"])
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj", "a PDF document, whatever its name says"),
        (b"", "the file is empty"),
        (b"\n  \n", "the file is empty"),
        (b"<!DOCTYPE html><html>log in", "a web page"),
        (b'{"error":true,"reason":"Minutely API request limit."}', "answers with an error"),
        (b"\x00\x01\x02\x03\x04", "a binary file of an unknown kind"),
        (b"GRIB\x00\x00\x07\x02", "GRIB"),
        (b"PK\x03\x04 cut", "damaged or cut off"),
        (b"\x1f\x8b\x08 cut", "damaged or cut off"),
        (b"Dear all,\nplease find attached\n", "expected a heading row"),
    ],
)
def test_something_else_under_the_name_of_weather(tmp_path, place, name, content, words):
    (tmp_path / name).write_bytes(content)
    text = said(read, tmp_path / name, place)
    assert text.startswith(f"{name}: 1 fault")
    assert words in text


def test_a_csv_cut_off_in_its_last_row(tmp_path, place):
    table = as_csv(as_written(hourly("2025-10-01", "2025-10-03")))
    (tmp_path / "w.csv").write_text(table.rstrip()[:-12], encoding="utf-8")
    assert "do not have the 4 cells of the heading" in said(read, tmp_path / "w.csv", place)


def test_an_answer_that_broke_off_with_words(tmp_path, place):
    """A failure while streaming arrives with status 200, as text in the middle of the data."""
    table = as_csv(as_written(hourly("2025-10-01", "2025-10-03")))
    broken = table[: len(table) // 2].rsplit("\n", 1)[0]
    broken += "\nUnexpected error while streaming data: timeoutReached"
    (tmp_path / "w.csv").write_text(broken, encoding="utf-8")
    text = said(read, tmp_path / "w.csv", place)
    assert "Unexpected error" in text or "cells of the heading" in text


def test_a_missing_file_is_missing_input(tmp_path, place):
    text = said(read, tmp_path / "none.nc", place, error=InputMissingError)
    assert "none.nc" in text
    assert "no such file" in text


def test_a_faulty_file_among_good_ones_stops_with_all_its_faults(file, place, tmp_path):
    file(name="a.nc")
    file(with_units("air_temperature", "bucket"), "b.nc")
    file(with_units("precipitation", None), "c.nc")
    text = said(read, tmp_path / "*.nc", place)
    assert "b.nc: 1 fault" in text
    assert "c.nc: 1 fault" in text
    assert "a.nc" not in text


# --- honest time -------------------------------------------------------------------------


def test_a_forecast_made_after_the_moment_is_not_used(history, forecast, place):
    config = Weather(forecast=str(forecast), history=str(history))
    text = said(season, config, place, issued_at="2025-10-27T05:00")
    assert "no forecast made by 2025-10-27T05:00Z" in text
    assert "run.nc (2025-10-27T06:00Z)" in text


def later_rows(kind):
    """The history with poisoned rows after issue."""
    whole = as_written(hourly("2019-07-01", "2025-11-20"))
    hour = whole.time.values
    after = hour > ISSUED
    if kind == "missing":
        return whole.where(~xr.DataArray(after, dims="time"))
    if kind == "999":
        return whole.map(lambda v: v.where(~xr.DataArray(after, dims="time"), 999.0))
    first = int(np.flatnonzero(after)[0])
    order = np.arange(len(hour))
    if kind == "backwards":
        order[first:] = order[first:][::-1]
        return whole.isel(time=order)
    if kind == "before the others":
        return whole.isel(time=np.r_[order[first:], order[:first]])
    assert kind == "doubled"
    return whole.isel(time=np.r_[order, order[first:]])


def same(one, two):
    assert one.futures.identical(two.futures)
    assert one.past_years.identical(two.past_years)
    for name in UNITS:
        assert one.futures[name].values.tobytes() == two.futures[name].values.tobytes()
        assert one.past_years[name].values.tobytes() == two.past_years[name].values.tobytes()
    assert one.notes == two.notes


@pytest.mark.parametrize("kind", ["missing", "999", "backwards", "before the others", "doubled"])
def test_poisoned_later_rows_change_not_one_bit(tmp_path, place, forecast, kind):
    clean = as_written(hourly("2019-07-01", "2025-10-27T20"))
    clean.to_netcdf(tmp_path / "clean.nc")
    later_rows(kind).to_netcdf(tmp_path / "poisoned.nc")
    found = [
        season(Weather(forecast=str(forecast), history=str(tmp_path / name)), place,
               issued_at=ISSUED)
        for name in ("clean.nc", "poisoned.nc")
    ]  # fmt: skip
    same(*found)


@pytest.mark.parametrize(
    "later",
    [
        "2025-10-27T21:00,999,999,999\n",
        "2025-10-27T21:00,,,\n2025-10-27T22:00,oops,NaN,1e9\n",
        "2025-10-27T21:00\nnonsense\n,,,,,,,,\n",
        "2025-10-28T05:00,1,1,1\n2025-10-28T01:00,1,1,1\n2025-10-28T05:00,1,1,1\n",
        "9999-12-31T23:00,1,1,1\n2025-10-27T21:00,1;5,1,1\n\x00\x00\n",
    ],
)
@pytest.mark.parametrize("packed", [False, True])
def test_poisoned_later_lines_change_not_one_bit(tmp_path, place, forecast, later, packed):
    table = as_csv(as_written(hourly("2023-07-01", "2025-10-27T20")))
    found = []
    for name, text in (("clean.csv", table), ("poisoned.csv", table + later)):
        data = text.encode("utf-8")
        (tmp_path / name).write_bytes(gzip.compress(data, 1) if packed else data)
        config = Weather(forecast=str(forecast), history=str(tmp_path / name))
        one = season(config, place, issued_at=ISSUED)
        plain = [n for n in one.notes if n.code != "place_not_stated"]  # it names the file
        found.append(type(one)(one.futures, one.past_years, tuple(plain), ISSUED, ISSUED))
    same(*found)


def test_poisoned_later_files_change_not_one_bit(tmp_path, place, forecast):
    years = tmp_path / "history"
    years.mkdir()
    as_written(hourly("2019-07-01", "2024-12-31T23")).to_netcdf(years / "a.nc")
    as_written(hourly("2025-01-01", "2025-10-27T20")).to_netcdf(years / "b.nc")
    config = Weather(forecast=str(forecast), history=str(years))
    clean = season(config, place, issued_at=ISSUED)

    poison = as_written(hourly("2025-10-28", "2026-02-01")).map(lambda v: v * 0 + 999.0)
    poison.to_netcdf(years / "c.nc")  # and without units
    made = np.datetime64("2025-10-27T21", "ns")
    later = as_written(hourly("2025-10-27T00", "2025-11-08"), 4)
    worse = later.map(lambda v: v * 0 - 999.0).assign_coords(forecast_reference_time=made)
    worse.to_netcdf(forecast / "run2.nc")
    (forecast / "run_2025-10-28.nc").write_bytes(b"CDF\x01 rubbish")
    (forecast / "run_20251028T0600.csv").write_text("time,air_temperature\n2025-10-28T06:00,1\n")
    same(clean, season(config, place, issued_at=ISSUED))

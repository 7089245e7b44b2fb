from __future__ import annotations

import zipfile

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import InputMissingError, WeatherError
from riskcast.weather import read
from riskcast.weather.files import expand
from riskcast.weather.formats.by_content import container

TIME = np.arange("2025-01-01T00", "2025-01-03T00", dtype="datetime64[h]").astype("datetime64[ns]")


def one(name, values, units, time=TIME, **attrs):
    return xr.Dataset(
        {name: ("time", np.broadcast_to(values, len(time)).astype(float), {"units": units})},
        {"time": time, "latitude": 50.0, "longitude": -4.0},
        attrs,
    )


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"CDF\x01\x00\x00", "netcdf"),
        (b"CDF\x02\x00\x00", "netcdf"),
        (b"\x89HDF\r\n\x1a\n\x00", "netcdf"),
        (b"\x1f\x8b\x08\x00", "gzip"),
        (b"PK\x03\x04\x14", "zip"),
        (b"%PDF-1.7\n", "a PDF document"),
        (b"GRIB\x00\x00\x00\x01", "grib"),
        (b"<!DOCTYPE html>", "a web page"),
        (b'{"error":true,"reason":"x"}', "json"),
        (b'<?xml version="1.0"?><kml:kml xmlns:dwd="x">', "kml"),
        (b'<?xml version="1.0"?><page/>', "a web page"),
        (b"time,air_temperature\n", "text"),
        (b"\xef\xbb\xbftime,air_temperature\n", "text"),
        (b"\xff\xfet\x00i\x00", "text"),
        (b"  \n ", "empty"),
        (b"\x00\x01\x02\x03", "a binary file of an unknown kind"),
    ],
)
def test_first_bytes_tell_what_a_file_is(head, kind):
    assert container(head) == kind


def test_files_with_different_variables_are_joined(tmp_path, place):
    one("t2m", 280.15, "K").to_netcdf(tmp_path / "a.nc")
    one("tp", 0.001, "m", licence="CC BY 4.0").to_netcdf(tmp_path / "b.nc")
    for given in (tmp_path, tmp_path / "*.nc", [tmp_path / "a.nc", tmp_path / "b.nc"]):
        dataset = read(given, place)
        np.testing.assert_allclose(dataset.air_temperature, 7.0)
        np.testing.assert_allclose(dataset.precipitation, 1.0)
        assert dataset.attrs["licence"] == "CC BY 4.0"


def test_files_of_different_years_are_joined_and_the_first_counts(tmp_path, place):
    one("tas", 1.0, "degC", TIME[:30]).to_netcdf(tmp_path / "a.nc")
    one("tas", 2.0, "degC", TIME[24:]).to_netcdf(tmp_path / "b.nc")
    values = read(tmp_path, place).air_temperature.values[0]
    np.testing.assert_array_equal(values, [1.0] * 30 + [2.0] * 18)


def test_a_zip_as_the_copernicus_store_delivers(tmp_path, place):
    one("t2m", 280.15, "K").to_netcdf(tmp_path / "instant.nc")
    one("tp", 0.001, "m").to_netcdf(tmp_path / "accum.nc")
    with zipfile.ZipFile(tmp_path / "era5.zip", "w") as archive:
        for name in ("instant.nc", "accum.nc"):
            archive.write(tmp_path / name, name)
    dataset = read(tmp_path / "era5.zip", place)
    assert {"air_temperature", "precipitation"} <= set(dataset)


def test_a_file_s_own_words_about_licence_are_passed_on(tmp_path, place):
    words = {"institution": "Met Office of Nowhere", "license": "CC0", "attribution": "By Nowhere"}
    one("tas", 1.0, "degC", **words).to_netcdf(tmp_path / "a.nc")
    attrs = read(tmp_path / "a.nc", place).attrs
    assert attrs["provider"] == "Met Office of Nowhere"
    assert (attrs["licence"], attrs["attribution"]) == ("CC0", "By Nowhere")


def test_all_missing_files_are_named(tmp_path):
    with pytest.raises(InputMissingError) as raised:
        expand([tmp_path / "a.nc", tmp_path / "*.csv", tmp_path])
    assert len(raised.value.faults) == 3
    assert raised.value.exit_code == 66


def test_all_faults_of_all_files_together(tmp_path, place):
    one("tas", 280.0, "degC").to_netcdf(tmp_path / "a.nc")
    one("pr", 1.0, "bucket").to_netcdf(tmp_path / "b.nc")
    (tmp_path / "c.csv").write_bytes(b"%PDF-1.4")
    with pytest.raises(WeatherError) as raised:
        read(tmp_path, place)
    assert {fault.source for fault in raised.value.faults} == {"a.nc", "b.nc", "c.csv"}


def test_members_that_stop_early_or_have_holes_are_left_out(tmp_path, place):
    values = np.tile(np.arange(48.0) / 10, (5, 1))
    values[:, 40:] = np.nan  # the service was asked for more hours than the model has
    values[1, 20:] = np.nan
    values[2, 10:16] = np.nan
    values[3, 10:12] = np.nan
    file = xr.Dataset(
        {"tas": (("member", "time"), values, {"units": "degC"})},
        {"time": TIME, "member": np.arange(5), "latitude": 50.0, "longitude": -4.0},
    )
    file.to_netcdf(tmp_path / "a.nc")
    dataset = read(tmp_path / "a.nc", place)
    assert list(dataset.member.values) == [0, 3, 4]
    assert dataset.sizes["time"] == 40
    assert list(np.flatnonzero(dataset.filled.values == "interpolated")) == list(range(10, 12))


def test_a_long_gap_is_filled_from_other_years_and_marked(tmp_path, place):
    time = np.arange("2022-01-01T00", "2025-01-01T00", dtype="datetime64[h]")
    year = time.astype("datetime64[Y]").astype(int) + 1970
    values = (year - 2020.0) + (time.astype(int) % 24) / 100
    hole = slice(20000, 20050)
    values[hole] = np.nan
    one("tas", values, "degC", time.astype("datetime64[ns]")).to_netcdf(tmp_path / "a.nc")
    dataset = read(tmp_path / "a.nc", place)
    filled = dataset.filled.values == "past_year_mean"
    assert list(np.flatnonzero(filled)) == list(range(20000, 20050))
    # 13 April 2024, in the winter 2023/24: the mean of the springs of 2022 and 2023.
    expected = (2 + 3) / 2 + (np.arange(20000, 20050) % 24) / 100
    np.testing.assert_allclose(dataset.air_temperature.values[0, hole], expected)


def test_a_long_gap_without_another_year_is_not_enough_data(tmp_path, place):
    values = np.arange(48.0) / 10
    values[10:20] = np.nan
    one("tas", values, "degC").to_netcdf(tmp_path / "a.nc")
    with pytest.raises(WeatherError, match="not enough data because air_temperature is missing"):
        read(tmp_path / "a.nc", place)


def test_what_a_macintosh_puts_beside_the_files_is_left_alone(tmp_path, place):
    """In a zip a folder of shadows under the same endings, on a foreign disk hidden files."""
    one("tas", 1.0, "degC").to_netcdf(tmp_path / "a.nc")
    (tmp_path / "._a.nc").write_bytes(b"\x00\x05\x16\x07")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.write(tmp_path / "a.nc", "a.nc")
        archive.writestr("__MACOSX/._a.nc", b"\x00\x05\x16\x07")
    for given in (tmp_path, tmp_path / "a.zip"):
        assert read(given, place).sizes["time"] == 48


def test_text_files_with_different_variables_are_joined(tmp_path, place):
    stamps = [str(t)[:16] for t in TIME]
    (tmp_path / "air.csv").write_text(
        "\n".join(["time,air_temperature", *(f"{t},7.0" for t in stamps)])
    )
    (tmp_path / "rain.csv").write_text(
        "\n".join(["time,precipitation", *(f"{t},1.0" for t in stamps)])
    )
    dataset = read(tmp_path, place)
    np.testing.assert_array_equal(dataset.air_temperature, 7.0)
    np.testing.assert_array_equal(dataset.precipitation, 1.0)
    with pytest.raises(WeatherError, match=r"rain.csv: 1 fault\n.*found time, precipitation"):
        read(tmp_path / "rain.csv", place)


def test_an_empty_column_of_air_temperature_is_called_so(tmp_path, place):
    one("tas", np.nan, "degC").to_netcdf(tmp_path / "a.nc")
    rows = "".join(f"{str(t)[:16]},,1.0\n" for t in TIME)
    (tmp_path / "b.csv").write_text("time,air_temperature,precipitation\n" + rows)
    with pytest.raises(WeatherError, match="its air temperature is empty from the first row"):
        read(tmp_path / "b.csv", place)

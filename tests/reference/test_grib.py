"""GRIB written by ecCodes, the reference library of ECMWF, read as the same data in NetCDF.

The samples that ecCodes ships are filled here, so that every value is known.
"""

from __future__ import annotations

import sys

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.site import Place
from riskcast.weather import read
from riskcast.weather.formats import by_content as formats
from riskcast.weather.formats import grib, netcdf

LAT, LON = np.array([50.25, 50.0, 49.75]), np.array([-4.5, -4.25, -4.0, -3.75])
SITE = Place(id="w", name="w", latitude=50.0, longitude=-4.0, elevation_m=0.0, timezone="UTC")
CELL = 10.0 * np.arange(3)[:, None] + np.arange(4)  # the site's cell is row 1, column 2: 12
T2M, D2M, TP = 167, 168, 228


@pytest.fixture(scope="module")
def eccodes():
    pytest.importorskip("cfgrib")
    return pytest.importorskip("eccodes")


def message(eccodes, file, parameter, values, hour, *, step=0, member=None):
    handle = eccodes.codes_grib_new_from_samples("regular_ll_sfc_grib1")
    settings = {
        "Ni": 4, "Nj": 3,
        "latitudeOfFirstGridPointInDegrees": LAT[0], "latitudeOfLastGridPointInDegrees": LAT[-1],
        "longitudeOfFirstGridPointInDegrees": LON[0], "longitudeOfLastGridPointInDegrees": LON[-1],
        "iDirectionIncrementInDegrees": 0.25, "jDirectionIncrementInDegrees": 0.25,
        "dataDate": 20250101 + hour // 24, "dataTime": 100 * (hour % 24), "step": step,
    }  # fmt: skip
    if member is not None:
        # Local definition 1 of ECMWF carries the member; its keys come first.
        settings = {"setLocalDefinition": 1, "localDefinitionNumber": 1, "type": "pf",
                    "stream": "enfo", "number": member, "totalNumber": 3} | settings  # fmt: skip
    for key, value in settings.items():
        eccodes.codes_set(handle, key, value)
    eccodes.codes_set(handle, "paramId", parameter)
    eccodes.codes_set_values(handle, np.broadcast_to(values, (3, 4)).astype(float).ravel())
    eccodes.codes_write(handle, file)
    eccodes.codes_release(handle)


@pytest.fixture
def analysis(eccodes, tmp_path):
    """26 hours of temperature, dew point and rain."""
    path = tmp_path / "era5.grib"
    with path.open("wb") as file:
        for hour in range(26):
            message(eccodes, file, T2M, 273.15 + CELL + 0.1 * hour, hour)
            message(eccodes, file, D2M, 270.15 + CELL + 0.1 * hour, hour)
            message(eccodes, file, TP, 0.001 * (hour % 3), hour)
    return path


def test_the_same_data_as_grib_and_as_netcdf(analysis, tmp_path):
    hour = np.arange(26)
    dims = ("time", "latitude", "longitude")
    kelvin = 273.15 + CELL + 0.1 * hour[:, None, None]
    rain = np.broadcast_to(0.001 * (hour % 3)[:, None, None], kelvin.shape)
    same = xr.Dataset(
        {
            "t2m": (dims, kelvin, {"units": "K"}),
            "d2m": (dims, kelvin - 3.0, {"units": "K"}),
            "tp": (dims, rain, {"units": "m"}),
        },
        {
            "time": (np.datetime64("2025-01-01T00", "ns") + hour * np.timedelta64(1, "h")),
            "latitude": LAT,
            "longitude": LON,
        },
    )
    same.to_netcdf(tmp_path / "era5.nc")
    expected = netcdf.decode(tmp_path / "era5.nc", "era5.nc", SITE, None)
    found = grib.decode(analysis, "era5.grib", SITE, None)
    np.testing.assert_array_equal(found.time, expected.time)
    assert found.cell == pytest.approx(expected.cell)
    assert found.values.keys() == expected.values.keys()
    for name in expected.values:  # GRIB packs its values: a hundredth of a degree here
        np.testing.assert_allclose(found.values[name], expected.values[name], atol=0.02)
    assert found.values["air_temperature"][0, 10] == pytest.approx(13.0, abs=0.01)
    assert found.values["precipitation"][0, :4] == pytest.approx([0.0, 1.0, 2.0, 0.0], abs=0.01)


def test_rows_after_the_moment_asked_for_are_not_read(analysis):
    assert grib.reference_time(analysis, "era5.grib") is None
    moment = np.datetime64("2025-01-01T05:30", "ns")
    found = grib.decode(analysis, "era5.grib", SITE, moment)
    assert str(found.time[-1])[:13] == "2025-01-01T05"
    assert grib.decode(analysis, "era5.grib", SITE, np.datetime64("2024-12-01", "ns")) is None


def test_members_of_a_forecast(eccodes, tmp_path):
    path = tmp_path / "ensemble.grib"
    with path.open("wb") as file:
        for member in (1, 2, 3):
            for step in range(6):
                message(eccodes, file, T2M, 273.15 + CELL + member + 0.1 * step, 0,
                        step=step, member=member)  # fmt: skip
    found = grib.decode(path, "ensemble.grib", SITE, None)
    assert list(found.member) == [1, 2, 3]
    assert found.forecast
    assert str(found.time[-1])[:13] == "2025-01-01T05"
    np.testing.assert_allclose(found.values["air_temperature"][:, 0], [13, 14, 15], atol=0.01)
    made = grib.reference_time(path, "ensemble.grib")
    assert made == np.datetime64("2025-01-01T00", "ns")


def test_rain_of_a_reanalysis_by_start_and_step(eccodes, tmp_path):
    """ERA5 stores it by forecasts from 06 and 18 UTC: two axes, but each moment once."""
    path = tmp_path / "tp.grib"
    with path.open("wb") as file:
        for hour in range(7, 30):
            message(eccodes, file, T2M, 273.15 + CELL, hour)
        for start in (6, 18):
            for step in range(1, 13):
                message(eccodes, file, TP, 0.0001 * (start + step), start, step=step)
    found = grib.decode(path, "tp.grib", SITE, None)
    rain = found.values["precipitation"][0]
    at = np.flatnonzero(found.time == np.datetime64("2025-01-01T20", "ns"))[0]
    assert rain[at] == pytest.approx(2.0, abs=0.01)
    assert np.isfinite(rain).sum() == 24


def test_a_file_cut_off(analysis):
    whole = analysis.read_bytes()
    analysis.write_bytes(whole[: len(whole) // 2 + 5])
    with pytest.raises(WeatherError, match=r"damaged or cut off, it cannot be read as GRIB"):
        grib.decode(analysis, "era5.grib", SITE, None)


def test_without_the_library_the_error_names_the_extra(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "cfgrib", None)
    path = tmp_path / "a.grib"
    path.write_bytes(b"GRIB")
    with pytest.raises(WeatherError, match="not installed") as refusal:
        grib.decode(path, "a.grib", SITE, None)
    assert 'pip install "riskcast[grib]"' in refusal.value.faults[0].remedy


def test_a_grib_forecast_is_read_like_any_file(eccodes, tmp_path):
    """Told by its first bytes, whatever its name; the time it was made is in it."""
    path = tmp_path / "forecast.dat"
    with path.open("wb") as file:
        for step in range(6):
            message(eccodes, file, T2M, 273.15 + CELL + 0.1 * step, 12, step=step)
    dataset = read(path, SITE)
    np.testing.assert_allclose(dataset.air_temperature[0], 12 + 0.1 * np.arange(6), atol=0.01)
    assert formats.reference_time(path, path.name) == np.datetime64("2025-01-01T12", "ns")

"""Real files of four providers: values spot-checked by hand or by a second route.

Origin and licence of each file stand in the MANIFEST of the folder RISKCAST_REAL_DATA names.
"""

from __future__ import annotations

import csv
import gzip

import numpy as np
import pytest
import xarray as xr
from scipy.io import netcdf_file

from riskcast.base.errors import WeatherError
from riskcast.weather import read
from riskcast.weather.formats import netcdf

pytestmark = pytest.mark.real_data

HAGUE = "A06_openmeteo_archive_hague_hourly_2015_2024.csv.gz"
PARIS = "A07_openmeteo_archive_paris_hourly_2014_2023.csv.gz"
BERLIN = "A09_era5_berlin_2017_hourly_cf16_packed.nc"
SEA = "A10_era5land_t2m_newcds_validtime_expver.nc"
DEW = "A11_era5land_d2m_newcds_validtime_expver.nc"
NORWAY = "A12_era5land_centralnorway_5days.nc"
ENGLAND = "A13_era5_t2m_southern_uk_201903_DERIVED.nc"
ALOFT = "A19_era5_members_number_dim_DERIVED.nc"


@pytest.fixture
def folder(real_data):
    return real_data / "weather"


def test_open_meteo_archive_with_its_first_block(folder, make_place):
    """First and last row read off the file: 3.7 °C, 86 % and 9.5 °C, 82 %; no gap."""
    dataset = read(folder / HAGUE, make_place(52.126537, 4.309392, 7.0))
    assert dataset.sizes == {"member": 1, "time": 87672}
    first, last = dataset.isel(member=0, time=0), dataset.isel(member=0, time=-1)
    assert (float(first.air_temperature), float(first.relative_humidity)) == (3.7, 86.0)
    assert (float(last.air_temperature), float(last.relative_humidity)) == (9.5, 82.0)
    assert str(last.time.values)[:13] == "2024-12-31T23"
    assert set(dataset.filled.values) == {"none"}
    assert dataset.attrs["cell_distance_km"] == 0.0
    assert dataset.attrs["height_gap_m"] == 0.0
    with gzip.open(folder / HAGUE, "rt", encoding="utf-8") as file:
        rows = list(csv.reader(file))[4:]
    rain = [float(row[5]) for row in rows]
    assert float(dataset.precipitation.sum()) == pytest.approx(sum(rain))


def test_a_decade_of_the_hague_has_the_climate_of_the_hague(folder, make_place):
    """Means of KNMI's coast 1991-2020 (from memory): about 11 °C and 850 mm a year."""
    dataset = read(folder / HAGUE, make_place(52.13, 4.31, 7.0))
    assert 10.5 < float(dataset.air_temperature.mean()) < 12.5
    assert 700 < float(dataset.precipitation.sum()) / 10 < 1100


def test_open_meteo_archive_with_its_first_block_cut_off(folder, make_place):
    dataset = read(folder / PARIS, make_place(48.82, 2.29, 46.0))
    assert dataset.sizes["time"] == 87648
    np.testing.assert_array_equal(
        dataset.air_temperature.values[0, [0, 1, 2, 3, -2, -1]], [5.9, 5.5, 5.2, 5.0, 7.5, 7.4]
    )
    assert "cell_distance_km" not in dataset.attrs


def test_legacy_copernicus_packed_integers(folder, make_place):
    """Unpacked a second time by hand from SciPy's raw integers: value × scale + offset."""
    dataset = read(folder / BERLIN, make_place(52.6, 13.1))
    with netcdf_file(folder / BERLIN, "r", mmap=False) as raw:
        packed = raw.variables["t2m"]
        by_hand = packed.data[:, 0, 0] * packed.scale_factor + packed.add_offset - 273.15
    np.testing.assert_allclose(dataset.air_temperature.values[0], by_hand)
    assert float(dataset.air_temperature[0, 0]) == pytest.approx(2.745, abs=0.001)
    assert str(dataset.time.values[-1])[:13] == "2017-12-31T23"
    words = "Contains modified Copernicus Climate Change Service information 2020"
    assert dataset.attrs["attribution"] == words
    assert 2.0 < float(dataset.wind_speed.mean()) < 5.0
    assert "precipitation" not in dataset


def test_spot_values_of_legacy_copernicus(folder, make_place):
    """A09, cell 52.35 N 13.6 E, by hand from the raw integers of 1 January and 2 July 2017, 12 UTC.

    t2m 10529 · 0.000643064601 + 284.568274 = 291.3391 K = 18.1891 °C; u10 5.8065, v10 -0.1604:
    √(5.8065² + 0.1604²) = 5.8088 m/s.
    """
    dataset = read(folder / BERLIN, make_place(52.3, 13.65))
    summer = dataset.sel(time="2017-07-02T12").isel(member=0)
    assert float(summer.air_temperature) == pytest.approx(18.1891, abs=2e-4)
    assert float(summer.wind_speed) == pytest.approx(5.8088, abs=2e-4)
    first = dataset.isel(time=0, member=0)
    assert float(first.air_temperature) == pytest.approx(274.9088 - 273.15, abs=2e-4)
    assert float(first.wind_speed) == pytest.approx((2.8825**2 + 3.0127**2) ** 0.5, abs=2e-4)
    assert str(dataset.time.values[0])[:13] == "2017-01-01T00"


def test_a_land_model_has_nothing_at_sea(folder, make_place):
    with pytest.raises(WeatherError, match="the 16 cells around the site hold no values"):
        read(folder / SEA, make_place(59.85, 0.15))


def test_new_copernicus_layout(folder, make_place, tmp_path):
    """The stored cells are all sea: filled here, so that the layout can be read."""
    with xr.open_dataset(folder / SEA) as file:
        land = file.fillna(280.15)
        land["t2m"].attrs = file["t2m"].attrs
        land.to_netcdf(tmp_path / "land.nc")
    dataset = read(tmp_path / "land.nc", make_place(59.85, 0.15))
    np.testing.assert_allclose(dataset.air_temperature.values, [[7.0] * 4], atol=1e-4)
    assert str(dataset.time.values[0])[:13] == "2020-01-01T00"
    assert dataset.attrs["licence"] == "CC BY 4.0"
    assert dataset.attrs["attribution"].endswith("information 2024")


def test_the_new_store_s_dew_point_finds_the_temperature_of_its_own_file(
    folder, make_place, tmp_path
):
    """A10 and A11 in one folder, both all sea: filled here with 7 and 5 °C.

    Humidity by hand with the AERK coefficients: 6.1094 exp(17.625 · 5 / 248.04) = 8.7158 hPa,
    at 7 °C 10.0083 hPa: 87.09 %.
    """
    for source, name, kelvin in ((SEA, "t2m", 280.15), (DEW, "d2m", 278.15)):
        with xr.open_dataset(folder / source) as file:
            land = file.fillna(kelvin)
            land[name].attrs = file[name].attrs
            land.to_netcdf(tmp_path / f"{name}.nc")
    dataset = read(tmp_path, make_place(59.85, 0.15))
    np.testing.assert_allclose(dataset.relative_humidity, 87.09, atol=0.02)
    assert dataset.sizes == {"member": 1, "time": 4}
    assert "preliminary_from" not in dataset.attrs  # expver 0001: final


def test_spot_values_of_an_r_file(folder, make_place):
    """A12: rows stamped 23:00 are days of Central European time that begin there.

    Cell 60.5 N 7.0 E, read with ncdump's eyes: 265.04044, 264.2423 … 263.88214 K.
    """
    table = netcdf.decode(folder / NORWAY, NORWAY, make_place(60.5, 7.0), None)
    assert table.daily
    assert str(table.time[0])[:13] == "1994-12-31T23"
    found = table.values["air_temperature"][0]
    np.testing.assert_allclose(found[[0, 1, 4]], [-8.1096, -8.9077, -9.2679], atol=1e-4)
    known = netcdf.decode(
        folder / NORWAY, NORWAY, make_place(60.5, 7.0), np.datetime64("1995-01-02T00", "ns")
    )
    assert len(known.time) == 1  # the second day ends at 23 UTC


def test_daily_stamps_of_an_r_file_are_refused(folder, make_place):
    with pytest.raises(WeatherError, match="daily values of air temperature only: the frost"):
        read(folder / NORWAY, make_place(60.5, 7.0))


def test_a_month_of_southern_england(folder, make_place):
    """282.24512 K in the first cell, read with ncdump's eyes: 9.0951 °C."""
    dataset = read(folder / ENGLAND, make_place(52.0, -5.0))
    assert float(dataset.air_temperature[0, 0]) == pytest.approx(9.0951, abs=1e-4)
    assert dataset.sizes["time"] == 744  # the clocks go forward in it: UTC does not
    inner = read(folder / ENGLAND, make_place(51.25, -3.0)).air_temperature[0]
    # 17 March, 02 UTC: 278.761 K; the coldest hour of the cell: 276.29736 K, 29 March, 07 UTC.
    assert float(inner.sel(time="2019-03-17T02")) == pytest.approx(5.611, abs=1e-3)
    assert float(inner.min()) == pytest.approx(3.1474, abs=1e-4)
    assert str(inner.time.values[int(np.argmin(inner.values))])[:13] == "2019-03-29T07"


def test_west_of_greenwich_in_either_count(folder, make_place, tmp_path):
    with xr.open_dataset(folder / ENGLAND) as file:
        turned = file.assign_coords(longitude=(file.longitude % 360).assign_attrs(
            file.longitude.attrs)).sortby("longitude")  # fmt: skip
        turned.to_netcdf(tmp_path / "turned.nc")
        expected = file.t2m.sel(latitude=51.25, longitude=-3.0).values - np.float32(273.15)
    site = make_place(51.3, -3.05)
    for path in (folder / ENGLAND, tmp_path / "turned.nc"):
        dataset = read(path, site)
        np.testing.assert_allclose(dataset.air_temperature.values[0], expected, atol=1e-4)
        assert dataset.attrs["cell_distance_km"] == pytest.approx(6.6, abs=0.2)


def test_air_at_850_hpa_is_not_where_animals_live(folder, make_place):
    with pytest.raises(WeatherError, match="air temperature at 850 hPa"):
        read(folder / ALOFT, make_place(51.0, -3.0))


def test_ten_members_and_longitudes_to_360(folder, make_place, tmp_path):
    """As if at the ground: the reference time is not taken for the time, 357° is 3° west."""
    with xr.open_dataset(folder / ALOFT, decode_times=False) as file:
        file.drop_vars("isobaricInhPa").to_netcdf(tmp_path / "members.nc")
        expected = file.t.sel(latitude=51.0, longitude=357.0).values - 273.15
    table = netcdf.decode(tmp_path / "members.nc", "members.nc", make_place(51.1, -2.9), None)
    assert list(table.member) == list(range(10))
    assert table.cell == (51.0, -3.0)
    # A19, read with ncdump's eyes: members 0, 1 and 9 at 51 N 357 E, 1 January 2017, 00 UTC.
    spots = table.values["air_temperature"][[0, 1, 9], 0]
    np.testing.assert_allclose(spots, [-1.3833, -1.4984, -1.1657], atol=1e-4)
    np.testing.assert_allclose(table.values["air_temperature"], expected, atol=1e-4)
    assert str(table.time[-1])[:13] == "2017-01-02T12"
    with pytest.raises(WeatherError, match="steps of 12 h"):
        read(tmp_path / "members.nc", make_place(51.1, -2.9))

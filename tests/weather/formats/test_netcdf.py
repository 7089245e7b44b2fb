"""NetCDF as providers lay it out (the two layouts of the Copernicus store, CF, R's names)."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.weather import read
from riskcast.weather.formats import netcdf

TIME = np.arange("2025-01-01T00", "2025-01-03T00", dtype="datetime64[h]").astype("datetime64[ns]")
LAT, LON = np.array([50.25, 50.0, 49.75]), np.array([-4.5, -4.25, -4.0, -3.75])


def field(offset=273.15):
    """(time, lat, lon): 10 × row + column tell the cell, a hundredth the hour."""
    cell = 10.0 * np.arange(3)[:, None] + np.arange(4)
    return offset + cell + 0.01 * np.arange(48)[:, None, None]


@pytest.fixture
def era5(tmp_path, place):
    """Write a grid and read it at the site, whose cell is row 1, column 2: 12 °C."""

    def run(name="t2m", units="K", edit=lambda ds: ds, encoding=None, **options):
        grid = xr.DataArray(
            field(), {"time": TIME, "latitude": LAT, "longitude": LON}, name=name
        ).assign_attrs({} if units is None else {"units": units})
        grid.latitude.attrs["units"], grid.longitude.attrs["units"] = (
            "degrees_north",
            "degrees_east",
        )
        path = tmp_path / "era5.nc"
        edit(grid.to_dataset()).to_netcdf(path, encoding=encoding or {})
        return read(path, place, **options)

    return run


def test_the_site_s_cell(era5):
    dataset = era5()
    assert dataset.air_temperature.dims == ("member", "time")
    np.testing.assert_allclose(dataset.air_temperature.values[0], 12 + 0.01 * np.arange(48))
    assert dataset.attrs["cell_distance_km"] == 0.0
    assert dataset.air_temperature.attrs["units"] == "degC"
    assert dataset.attrs["Conventions"] == "CF-1.11"


@pytest.mark.parametrize(
    "edit",
    [
        lambda ds: ds.isel(latitude=slice(None, None, -1)),
        lambda ds: ds.assign_coords(longitude=ds.longitude % 360),
        lambda ds: ds.assign_coords(longitude=ds.longitude % 360).sortby("longitude"),
        lambda ds: ds.transpose("longitude", "latitude", "time"),
        lambda ds: ds.rename(latitude="lat", longitude="lon"),
        lambda ds: ds.expand_dims(height=[2.0]),
    ],
    ids=["south-first", "0-360", "0-360-sorted", "turned", "lat-lon", "height-axis"],
)
def test_layouts(era5, edit):
    np.testing.assert_allclose(era5(edit=edit).air_temperature.values[0, 0], 12.0)


@pytest.mark.parametrize(
    "name", ["t2m", "2m_temperature", "X2m_temperature", "2m.temperature", "tas", "tg", "T2M"]
)
def test_names(era5, name):
    assert era5(name).air_temperature.values[0, 0] == pytest.approx(12.0)


def test_the_standard_name_goes_before_all(era5):
    def edit(ds):
        ds = ds.rename(tas="whatever")
        ds["whatever"].attrs["standard_name"] = "air_temperature"
        return ds

    assert era5("tas", edit=edit).air_temperature.values[0, 0] == pytest.approx(12.0)


def test_a_daily_maximum_is_no_air_temperature(era5):
    def edit(ds):
        most = ds.t2m.assign_attrs(
            units="K", standard_name="air_temperature", cell_methods="time: maximum"
        )
        return ds.assign(mx2t=most + 5)

    assert era5(edit=edit).air_temperature.values[0, 0] == pytest.approx(12.0)


def test_packed_integers_with_two_fill_values(era5):
    packing = {"dtype": "int16", "scale_factor": 0.01, "add_offset": 280.0,
               "_FillValue": -32767, "missing_value": np.int16(-32767)}  # fmt: skip
    found = era5(encoding={"t2m": packing}).air_temperature.values[0]
    np.testing.assert_allclose(found, 12 + 0.01 * np.arange(48), atol=0.0051)


def test_masked_cells_are_passed_over(era5):
    def edit(ds):
        return ds.where(~((ds.latitude == 50.0) & (ds.longitude == -4.0)))

    dataset = era5(edit=edit)
    # East and west are equally near; the first in the file is taken.
    assert dataset.air_temperature.values[0, 0] == pytest.approx(11.0)
    assert dataset.attrs["cell_distance_km"] == pytest.approx(17.9, abs=0.1)


def test_all_sea(era5):
    with pytest.raises(WeatherError, match=r"cells around the site hold no values"):
        era5(edit=lambda ds: ds.where(False))


def test_the_new_copernicus_layout(era5):
    def edit(ds):
        ds = ds.rename(time="valid_time")
        ds["valid_time"].attrs["standard_name"] = "time"
        ds["expver"] = ("valid_time", ["0001"] * 48)
        number = xr.DataArray(0, attrs={"standard_name": "realization", "units": "1"})
        return ds.assign_coords(number=number).assign_attrs(
            GRIB_centre="ecmf", history="2025-02-03"
        )

    dataset = era5(edit=edit)
    assert dataset.sizes["member"] == 1
    assert dataset.attrs["licence"] == "CC BY 4.0"
    expected = "Contains modified Copernicus Climate Change Service information 2025"
    assert dataset.attrs["attribution"] == expected


def test_the_legacy_axis_of_final_and_preliminary_data(era5):
    def edit(ds):
        hour = np.arange(48)
        final = ds.where(xr.DataArray(hour < 30, dims="time"))
        early = ds.where(xr.DataArray(hour >= 30, dims="time"))
        return xr.concat([final, early], dim=xr.DataArray([1, 5], dims="expver", name="expver"))

    np.testing.assert_allclose(era5(edit=edit).air_temperature.values[0], 12 + 0.01 * np.arange(48))


@pytest.mark.parametrize("dim", ["number", "realization", "member", "ens"])
def test_members(era5, dim):
    def edit(ds):
        attrs = {"standard_name": "realization"} if dim == "ens" else {}
        axis = xr.DataArray([0, 1, 2], dims=dim, name=dim, attrs=attrs)
        return ds + xr.DataArray([0.0, 1.0, 2.0], dims=dim).assign_coords({dim: axis})

    def with_units(ds):
        out = edit(ds)
        out["t2m"].attrs["units"] = "K"
        return out

    dataset = era5(edit=with_units)
    np.testing.assert_allclose(dataset.air_temperature.values[:, 0], [12, 13, 14])
    assert list(dataset.member.values) == [0, 1, 2]


def test_an_unknown_axis_is_not_guessed(era5):
    with pytest.raises(WeatherError, match=r"cannot tell which of realm \(2\)"):
        era5(edit=lambda ds: ds.expand_dims(realm=2))


def test_humidity_from_dew_point_and_wind_from_components(era5):
    def edit(ds):
        wind = xr.full_like(ds.t2m, 3.0).assign_attrs(units="m s**-1")
        dew = (ds.t2m - 3.0).assign_attrs(units="K")
        return ds.assign(d2m=dew, u10=wind, v10=(wind * 4 / 3).assign_attrs(units="m s**-1"))

    dataset = era5(edit=edit)
    np.testing.assert_allclose(dataset.wind_speed, 5.0)
    # 100 · e(9) / e(12) by the AERK coefficients, worked by hand: 11.4625 / 14.0005 hPa.
    assert dataset.relative_humidity.values[0, 0] == pytest.approx(81.87, abs=0.02)


def test_rates_and_metres_of_rain(era5):
    def flux(ds):
        rain = xr.full_like(ds.t2m, 1 / 3600).assign_attrs(
            units="kg m-2 s-1", standard_name="precipitation_flux"
        )
        return ds.assign(pr=rain)

    np.testing.assert_allclose(era5(edit=flux).precipitation, 1.0)

    def metres(ds):
        drops = np.where(np.arange(48) % 5 == 0, 0.002, 0.0)
        rain = xr.DataArray(drops, dims="time") + 0 * ds.t2m
        return ds.assign(tp=rain.assign_attrs(units="m"))

    expected = np.where(np.arange(48) % 5 == 0, 2.0, 0.0)
    np.testing.assert_allclose(era5(edit=metres).precipitation.values[0], expected)


def test_rain_that_runs_on_from_midnight_is_split(era5):
    """ERA5-Land: the value at 00 UTC holds the whole day before."""

    def edit(ds):
        hour_of_total = (np.arange(48) - 1) % 24 + 1  # 00:00 → 24, 01:00 → 1
        rain = xr.DataArray(hour_of_total / 1000.0, dims="time") + 0 * ds.t2m
        return ds.assign(tp=rain.assign_attrs(units="m"))

    dataset = era5(edit=edit)
    np.testing.assert_allclose(dataset.precipitation.values[0], 1.0)
    assert dataset.attrs["precipitation_stored"] == "running from 00 UTC"


def test_soil_layers(era5):
    def edit(ds):
        return ds.assign(stl1=ds.t2m + 1, stl3=ds.t2m + 3).map(lambda v: v.assign_attrs(units="K"))

    soil = era5(edit=edit).soil_temperature
    np.testing.assert_allclose(soil.depth, [0.035, 0.64])
    np.testing.assert_allclose(soil.values[0, 0], [13.0, 15.0])


def test_height_of_the_cell_moves_temperature_to_the_site(era5):
    """The site lies at 120 m; ICAO 6.5 K per km."""

    def at(height):
        surface = xr.DataArray(height, attrs={"standard_name": "surface_altitude", "units": "m"})
        return lambda ds: ds.assign(elevation=surface + 0 * ds.t2m.isel(time=0, drop=True))

    def with_name(height):
        def edit(ds):
            out = at(height)(ds)
            out["elevation"].attrs |= {"standard_name": "surface_altitude", "units": "m"}
            return out

        return edit

    low = era5(edit=with_name(20.0))
    assert low.air_temperature.values[0, 0] == pytest.approx(12 - 0.65)
    assert low.attrs["height_gap_m"] == -100.0  # the cell lies lower
    assert low.attrs["lapse_correction_degc"] == -0.65
    high = era5(edit=with_name(1120.0))
    assert high.air_temperature.values[0, 0] == pytest.approx(12 + 1.95)  # capped at 300 m
    assert high.attrs["height_gap_m"] == 1000.0


def test_time_axes_with_a_reference_time(tmp_path, place):
    """As cfgrib writes a forecast: time is when it was made, valid_time what it is for."""
    made = np.datetime64("2025-01-01T00", "ns")
    step = np.arange(0, 48).astype("timedelta64[h]").astype("timedelta64[ns]")
    ds = xr.Dataset(
        {"t2m": (("number", "step"), field()[:, 1, 2] + np.arange(2)[:, None], {"units": "K"})},
        {
            "number": [1, 2],
            "step": ("step", step, {"standard_name": "forecast_period"}),
            "time": ((), made, {"standard_name": "forecast_reference_time"}),
            "valid_time": ("step", made + step, {"standard_name": "time"}),
            "latitude": 50.0,
            "longitude": 356.0,
        },
    )
    path = tmp_path / "forecast.nc"
    ds.to_netcdf(path)
    dataset = read(path, place)
    assert dataset.time.values[0] == made
    assert dataset.sizes == {"member": 2, "time": 48}
    assert netcdf.reference_time(path, path.name) == made
    both = ds.expand_dims(run=2).assign_coords(
        valid_time=(("run", "step"), np.stack([made + step] * 2), {"standard_name": "time"})
    )
    both.to_netcdf(path)
    with pytest.raises(WeatherError, match="several forecasts in one file"):
        read(path, place)


@pytest.mark.parametrize("stated", ["2025-10-27T06:00:00Z", "2025-10-27T08:00:00+02:00"])
def test_reference_time_in_an_attribute(tmp_path, stated):
    path = tmp_path / "f.nc"
    file = xr.Dataset({"t2m": ("time", [1.0, 2.0])}, {"time": TIME[:2]}, {"reference_time": stated})
    file.to_netcdf(path)
    assert netcdf.reference_time(path, "f.nc") == np.datetime64("2025-10-27T06", "ns")


def test_fractions_of_days_are_whole_seconds(tmp_path, place):
    days = np.arange(48) / 24
    attrs = {"units": "days since 2025-01-01", "standard_name": "time"}
    file = xr.Dataset(
        {"tas": ("time", np.arange(48.0) / 10, {"units": "degC"})},
        {"time": ("time", days, attrs), "lat": 50.0, "lon": -4.0},
    )
    path = tmp_path / "days.nc"
    file.to_netcdf(path)
    np.testing.assert_array_equal(read(path, place).time.values, TIME)


def test_as_of_cuts_before_anything_is_judged(era5):
    def poison(ds):
        hour = xr.DataArray(np.arange(48), dims="time")
        return ds.where(hour < 24, 999.0).map(lambda v: v.assign_attrs(units="K"))

    moment = TIME[23] + np.timedelta64(30, "m")
    clean, poisoned = era5(as_of=moment), era5(edit=poison, as_of=moment)
    assert clean.sizes["time"] == 24
    assert clean.identical(poisoned)
    with pytest.raises(WeatherError, match="24 rows hold values outside"):
        era5(edit=poison)


def test_what_we_write_we_read(era5, tmp_path, place):
    dataset = era5()
    dataset.to_netcdf(tmp_path / "own.nc")
    again = read(tmp_path / "own.nc", place)
    np.testing.assert_array_equal(again.air_temperature, dataset.air_temperature)

"""Gridded observations and other shapes of CF files, built here as their providers document them.

No sample of E-OBS, HadUK-Grid or a rotated grid may lie in a public repository: layout, names,
packing and attributes follow headers printed in tutorials (E-OBS v26.0e: gdalinfo; rotated and
projected grids: ncdump of CORDEX and seNorge files) and the CF Conventions 1.11. The values are
made up.
"""

from __future__ import annotations

import zipfile

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.weather import read
from riskcast.weather.formats import netcdf

DAYS = 5
LOW = np.array([-2.0, 1.0, -6.0, 0.0, 2.0])
HIGH = np.array([5.0, 9.0, 3.0, 6.0, 8.0])
RAIN = np.array([2.4, 0.0, 12.0, 0.7, 0.0])
FIRST = np.datetime64("2025-01-10")


def of_day(dataset, name="air_temperature"):
    """(day, 24) without the hour that ends the last day's night."""
    return dataset[name].values[0][: DAYS * 24].reshape(DAYS, 24)


def e_obs(folder, name, values, scale):
    """As the tutorial of v26.0e prints it: every variable says "time: mean"."""
    lat, lon = np.array([49.95, 50.05, 50.15]), np.array([-4.05, -3.95])
    grid = np.broadcast_to(values[:, None, None], (DAYS, 3, 2)).copy()
    grid[:, 1, 1] = np.nan  # sea
    standard = "thickness_of_rainfall_amount" if name == "rr" else "air_temperature"
    attrs = {"units": "mm" if name == "rr" else "Celsius", "standard_name": standard,
             "cell_methods": "time: mean"}  # fmt: skip
    since = (FIRST - np.datetime64("1950-01-01")).astype(int)
    time_attrs = {"units": "days since 1950-01-01 00:00", "calendar": "standard",
                  "standard_name": "time", "cell_methods": "time: mean"}  # fmt: skip
    file = xr.Dataset(
        {name: (("time", "latitude", "longitude"), grid, attrs)},
        {
            "time": ("time", (since + np.arange(DAYS)).astype("int32"), time_attrs),
            "latitude": ("latitude", lat, {"standard_name": "latitude", "units": "degrees_north"}),
            "longitude": (
                "longitude",
                lon,
                {"standard_name": "longitude", "units": "degrees_east"},
            ),
        },
        {"E-OBS_version": "26.0e", "Conventions": "CF-1.4"},
    )
    packing = {"dtype": "int16", "scale_factor": scale, "add_offset": 0.0, "_FillValue": -9999}
    file.to_netcdf(
        folder / f"{name}_ens_mean_0.1deg_reg_2011-2022_v26.0e.nc", encoding={name: packing}
    )


@pytest.fixture
def eobs_folder(tmp_path):
    folder = tmp_path / "eobs"
    folder.mkdir()
    e_obs(folder, "tn", LOW, 0.01)
    e_obs(folder, "tx", HIGH, 0.01)
    e_obs(folder, "tg", (LOW + HIGH) / 2, 0.01)
    e_obs(folder, "rr", RAIN, 0.1)
    return folder


def test_four_files_of_gridded_observations(eobs_folder, place):
    dataset = read(eobs_folder, place)
    assert dataset.sizes == {"member": 1, "time": DAYS * 24}
    assert str(dataset.time.values[0])[:13] == "2025-01-10T01"
    np.testing.assert_allclose(of_day(dataset).max(axis=1), HIGH, atol=0.15)
    np.testing.assert_allclose(of_day(dataset).min(axis=1), LOW, atol=0.05)
    np.testing.assert_allclose(of_day(dataset, "precipitation").sum(axis=1), RAIN, atol=1e-6)
    assert set(dataset.filled.values) == {"diurnal_model"}
    assert "non-commercial" in dataset.attrs["licence"]
    assert "E-OBS" in dataset.attrs["attribution"]


def test_the_mean_alone_is_refused(eobs_folder, place):
    mean = next(eobs_folder.glob("tg_*"))
    with pytest.raises(WeatherError, match="frost of the nights") as refusal:
        read(mean, place)
    assert refusal.value.faults[0].source == mean.name


def test_the_days_that_are_not_over_are_not_read(eobs_folder, place):
    dataset = read(eobs_folder, place, as_of="2025-01-13T15:00")
    assert str(dataset.time.values[-1])[:13] == "2025-01-13T00"
    # Nor does the next dawn, still to come, pull down the last evening.
    tn = next(eobs_folder.glob("tn_*"))
    with xr.open_dataset(tn) as file:
        later = file.load()
    later["tn"][{"time": slice(3, None)}] = -30.0
    tn.unlink()
    later.to_netcdf(tn)
    again = read(eobs_folder, place, as_of="2025-01-13T15:00")
    np.testing.assert_allclose(
        again.air_temperature.values, dataset.air_temperature.values, atol=0.01
    )


def curved(name, values, dims, axes, edit=None, **more):
    """A file on map coordinates with two-dimensional latitude and longitude."""
    lat = np.array([[49.9, 49.91, 49.92], [50.0, 50.01, 50.02]])
    lon = np.array([[-4.1, -4.0, -3.9], [-4.12, -4.02, -3.92]])
    # The site's cell is (1, 1); each other cell is ten times its number warmer.
    cell = np.array([[10.0, 20.0, 30.0], [40.0, 0.0, 50.0]])
    grid = values[:, None, None] + cell
    attrs = {"units": "degC", "standard_name": "air_temperature",
             "coordinates": "lat lon", **more}  # fmt: skip
    return xr.Dataset(
        {name: (("time", *dims), grid, attrs)},
        {
            "time": ("time", (FIRST + np.arange(DAYS)).astype("datetime64[ns]")),
            dims[0]: (dims[0], [0.0, 1.0], {"standard_name": axes[0], "units": "m"}),
            dims[1]: (dims[1], [0.0, 1.0, 2.0], {"standard_name": axes[1], "units": "m"}),
            "lat": (dims, lat, {"standard_name": "latitude", "units": "degrees_north"}),
            "lon": (dims, lon, {"standard_name": "longitude", "units": "degrees_east"}),
        },
    )  # fmt: skip


PROJECTED = (("projection_y_coordinate", "projection_x_coordinate"),) * 2
ROTATED = (("rlat", "rlon"), ("grid_latitude", "grid_longitude"))


@pytest.mark.parametrize(("dims", "axes"), [PROJECTED, ROTATED], ids=["projected", "rotated"])
def test_curved_grids(tmp_path, place, dims, axes):
    low = curved("tasmin", LOW, dims, axes, cell_methods="time: minimum within days")
    high = curved("tasmax", HIGH, dims, axes, cell_methods="time: maximum within days")
    low.to_netcdf(tmp_path / "tasmin_day.nc")
    high.to_netcdf(tmp_path / "tasmax_day.nc")
    dataset = read(tmp_path, place)
    np.testing.assert_allclose(of_day(dataset).max(axis=1), HIGH, atol=0.15)
    assert dataset.attrs["cell_distance_km"] == pytest.approx(1.8, abs=0.1)


def test_a_grid_without_latitude_and_longitude_is_refused(tmp_path, place):
    file = curved("tasmin", LOW, *PROJECTED).drop_vars(["lat", "lon"])
    del file["tasmin"].attrs["coordinates"]
    file.to_netcdf(tmp_path / "flat.nc")
    with pytest.raises(WeatherError, match="a grid in a map projection") as refusal:
        read(tmp_path / "flat.nc", place)
    assert "two-dimensional latitude and longitude" in refusal.value.faults[0].remedy


def pair(begin, bounds=None, stamps=None):
    """Lowest and highest at one point, stamped and bounded as asked."""
    begin = np.asarray(begin, dtype="datetime64[ns]")
    stamps = begin if stamps is None else np.asarray(stamps, dtype="datetime64[ns]")
    file = xr.Dataset(
        {
            "tn": ("time", LOW, {"units": "degC"}),
            "tx": ("time", HIGH, {"units": "degC"}),
            "rr": ("time", RAIN, {"units": "mm"}),
        },
        {"time": ("time", stamps, {"standard_name": "time"}), "lat": 50.0, "lon": -4.0},
    )
    if bounds:
        file["time"].attrs["bounds"] = "time_bnds"
        file["time"].encoding["units"] = "hours since 1970-01-01"
        file["time_bnds"] = (
            ("time", "bnds"),
            np.stack([begin, begin + np.timedelta64(24, "h")], 1),
        )
    return file


MIDNIGHTS = FIRST.astype("datetime64[h]") + 24 * np.arange(DAYS)


@pytest.mark.parametrize(
    ("begin", "stamps", "bounds"),
    [
        (MIDNIGHTS, None, False),
        (MIDNIGHTS, MIDNIGHTS + 12, False),
        (MIDNIGHTS, MIDNIGHTS + 12, True),
        (MIDNIGHTS, MIDNIGHTS + 24, True),
        (MIDNIGHTS - 1, None, False),
        (MIDNIGHTS + 9, MIDNIGHTS, True),
    ],
    ids=["midnight", "noon", "noon-bounds", "end-bounds", "23-h", "9-to-9"],
)
def test_where_a_day_begins(tmp_path, place, begin, stamps, bounds):
    """By its bounds, whatever the stamp; R writes local midnights as 23:00 of the day before."""
    pair(begin, bounds, stamps).to_netcdf(tmp_path / "days.nc")
    dataset = read(tmp_path / "days.nc", place)
    assert dataset.time.values[0] == begin[0] + np.timedelta64(1, "h")
    by_window = dataset.precipitation.values[0].reshape(DAYS, 24)
    np.testing.assert_allclose(by_window.sum(axis=1), RAIN)
    np.testing.assert_allclose(by_window.std(axis=1), 0.0, atol=1e-12)


def test_one_day_is_a_day_too(tmp_path, place):
    pair(MIDNIGHTS).isel(time=[0]).to_netcdf(tmp_path / "day.nc")
    assert read(tmp_path / "day.nc", place).sizes["time"] == 24


def hourly_file(**variables):
    time = np.arange("2025-01-10T00", "2025-01-12T00", dtype="datetime64[h]")
    data = {
        name: (dims, np.broadcast_to(values, (48,) if len(dims) == 1 else (48, 3)), attrs)
        for name, (dims, values, attrs) in variables.items()
    }
    return xr.Dataset(data, {"time": time.astype("datetime64[ns]")})


def test_a_list_of_stations(tmp_path, place):
    """CF discrete geometries (9.2): one dimension of stations with their coordinates."""
    file = hourly_file(tas=(("time", "station"), [1.0, 2.0, 3.0], {"units": "degC"}))
    at = {"lat": ("station", [51.0, 50.02, 49.0]), "lon": ("station", [-4.0, -4.01, -4.0])}
    file.assign_coords(at).to_netcdf(tmp_path / "stations.nc")
    dataset = read(tmp_path / "stations.nc", place)
    np.testing.assert_array_equal(dataset.air_temperature, 2.0)


def test_members_named_by_words_are_counted(tmp_path, place):
    file = hourly_file(tas=(("time", "member"), [1.0, 2.0, 3.0], {"units": "degC"}))
    file = file.assign_coords(member=["r1i1p1", "r2i1p1", "r3i1p1"], lat=50.0, lon=-4.0)
    file.to_netcdf(tmp_path / "members.nc")
    dataset = read(tmp_path / "members.nc", place)
    assert list(dataset.member.values) == [0, 1, 2]
    np.testing.assert_array_equal(dataset.air_temperature[:, 0], [1.0, 2.0, 3.0])


def test_snow_told_as_mass_is_no_depth_either(tmp_path, place):
    """Kilograms a square metre are millimetres of water; the file is of use without them."""
    file = hourly_file(
        t2m=(("time",), 275.15, {"units": "K"}),
        snow_depth=(("time",), 20.0, {"units": "kg m-2", "long_name": "Snow"}),
    ).assign_coords(lat=50.0, lon=-4.0)
    file.to_netcdf(tmp_path / "snow.nc")
    assert "snow_depth" not in read(tmp_path / "snow.nc", place)
    (note,) = netcdf.decode(tmp_path / "snow.nc", "snow.nc", place, None).notes
    assert note.code == "snow_as_water"


def test_snow_told_as_water_is_no_depth(tmp_path, place):
    """ECMWF's sd is metres of water: a depth only with a density, which the file has not."""
    water = {"units": "m of water equivalent", "long_name": "Snow depth",
             "standard_name": "lwe_thickness_of_surface_snow_amount"}  # fmt: skip
    file = hourly_file(
        t2m=(("time",), 275.15, {"units": "K"}),
        sd=(("time",), 0.02, water),
        snow_depth=(("time",), 0.02, {"units": "m of water equivalent"}),
    ).assign_coords(lat=50.0, lon=-4.0)
    file.to_netcdf(tmp_path / "snow.nc")
    assert "snow_depth" not in read(tmp_path / "snow.nc", place)
    (note,) = netcdf.decode(tmp_path / "snow.nc", "snow.nc", place, None).notes
    assert (note.code, note.numbers["source"]) == ("snow_as_water", "snow.nc")
    file["sde"] = ("time", np.full(48, 0.1), {"units": "m"})
    file.to_netcdf(tmp_path / "deep.nc")
    np.testing.assert_allclose(read(tmp_path / "deep.nc", place).snow_depth, 0.1)
    assert not netcdf.decode(tmp_path / "deep.nc", "deep.nc", place, None).notes


def test_rows_of_preliminary_data_are_told(tmp_path, place):
    file = hourly_file(t2m=(("time",), 275.15, {"units": "K"})).assign_coords(lat=50.0, lon=-4.0)
    file["expver"] = ("time", ["0001"] * 30 + ["0005"] * 18)
    file.to_netcdf(tmp_path / "early.nc")
    table = netcdf.decode(tmp_path / "early.nc", "early.nc", place, None)
    assert table.attrs["preliminary_from"] == "2025-01-11T06:00Z"


@pytest.mark.parametrize("offset", ["+01:00", "+1", "-06:00"])
def test_an_offset_in_the_units_of_time(tmp_path, place, offset):
    """CF 4.4: legal, if discouraged."""
    file = hourly_file(tas=(("time",), 5.0, {"units": "degC"})).assign_coords(lat=50.0, lon=-4.0)
    units = {"units": f"hours since 2025-01-10 00:00:00 {offset}", "standard_name": "time"}
    file["time"] = ("time", np.arange(48), units)
    file.to_netcdf(tmp_path / "zone.nc")
    hours = {"+01:00": -1, "+1": -1, "-06:00": 6}[offset]
    first = read(tmp_path / "zone.nc", place).time.values[0]
    assert first == np.datetime64("2025-01-10T00", "ns") + np.timedelta64(hours, "h")


@pytest.mark.parametrize("packed", [False, True], ids=["folder", "zip"])
def test_each_variable_in_a_file_of_its_own(tmp_path, place, packed):
    """As the Copernicus store delivers them: dew point and wind find their partners."""
    where = {"lat": 50.0, "lon": -4.0}
    parts = {
        "t2m": hourly_file(t2m=(("time",), 285.15, {"units": "K"})),
        "d2m": hourly_file(d2m=(("time",), 282.15, {"units": "K"})),
        "u10": hourly_file(u10=(("time",), 3.0, {"units": "m s**-1"})),
        "v10": hourly_file(v10=(("time",), 4.0, {"units": "m s**-1"})),
        "tp": hourly_file(tp=(("time",), 0.001, {"units": "m"})),
    }
    folder = tmp_path / "store"
    folder.mkdir()
    for name, file in parts.items():
        file.assign_coords(where).to_netcdf(folder / f"{name}.nc")
    source = folder
    if packed:
        source = tmp_path / "store.zip"
        with zipfile.ZipFile(source, "w") as archive:
            for name in parts:
                archive.write(folder / f"{name}.nc", f"data_{name}.nc")
    dataset = read(source, place)
    np.testing.assert_allclose(dataset.wind_speed, 5.0)
    # 100 · e(9) / e(12) by the AERK coefficients, worked by hand: 11.4625 / 14.0005 hPa.
    np.testing.assert_allclose(dataset.relative_humidity, 81.87, atol=0.02)
    np.testing.assert_allclose(dataset.precipitation, 1.0, rtol=1e-6)


def test_dew_point_without_temperature_says_what_is_missing(tmp_path, place):
    file = hourly_file(d2m=(("time",), 282.15, {"units": "K"})).assign_coords(lat=50.0, lon=-4.0)
    file.to_netcdf(tmp_path / "d2m.nc")
    with pytest.raises(WeatherError, match="no air temperature in it"):
        read(tmp_path / "d2m.nc", place)


def test_a_coast_s_nearest_cell_counts_even_if_it_begins_late(tmp_path, place):
    """Of 48 rows its own cell has only one: the dozen rows looked at first may miss it."""
    lat, lon = [50.0, 50.1], [-4.0, -3.9]
    values = np.full((48, 2, 2), np.nan)
    values[:, 1, 1] = 3.0
    time = np.arange("2025-01-10T00", "2025-01-12T00", dtype="datetime64[h]")
    coords = {"time": time.astype("datetime64[ns]"), "lat": lat, "lon": lon}
    file = xr.Dataset({"tas": (("time", "lat", "lon"), values, {"units": "degC"})}, coords)
    file.to_netcdf(tmp_path / "coast.nc")
    assert netcdf.decode(tmp_path / "coast.nc", "coast.nc", place, None).cell == pytest.approx(
        (50.1, -3.9)
    )
    file["tas"][:, 1, 1] = np.nan
    file["tas"][2, 0, 1] = 4.0
    file.to_netcdf(tmp_path / "late.nc")
    assert netcdf.decode(tmp_path / "late.nc", "late.nc", place, None).cell == pytest.approx(
        (50.0, -3.9)
    )

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from riskcast.weather.cells import distance_deg, kilometres, nearest_first, outside


def test_a_nautical_mile_is_a_minute_of_latitude(make_place):
    """The nautical mile (1852 m) was made a minute of arc; on the mean sphere it is 1853.2 m."""
    away = distance_deg(50.0 + 1 / 60, -4.0, make_place(50.0, -4.0))
    assert kilometres(float(away)) == pytest.approx(1.852, rel=1e-3)


def test_degrees_of_longitude_shrink_with_the_cosine(make_place):
    away = distance_deg(60.0, 0.2, make_place(60.0, 0.0))
    assert away == pytest.approx(0.1, rel=1e-4)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("east_only", [False, True])
def test_nearest_cell_whatever_the_layout(make_place, turned, east_only):
    lat = np.array([50.5, 50.25, 50.0])[:: -1 if turned else 1]
    lon = np.array([-0.5, -0.25, 0.0, 0.25])
    lon = lon % 360 if east_only else lon
    axes = xr.DataArray(lat, dims="y"), xr.DataArray(lon, dims="x")
    index, away = next(nearest_first(*axes, make_place(50.26, -0.24)))
    assert (lat[index["y"]], (lon[index["x"]] + 180) % 360 - 180) == (50.25, -0.25)
    assert away < 0.02


def test_curved_grids_and_lists_of_stations(make_place):
    lat = np.array([[50.0, 50.1], [50.2, 50.3]])
    lon = np.array([[0.0, 0.1], [0.05, 0.15]])
    curved = xr.DataArray(lat, dims=("y", "x")), xr.DataArray(lon, dims=("y", "x"))
    assert next(nearest_first(*curved, make_place(50.21, 0.04)))[0] == {"y": 1, "x": 0}
    listed = xr.DataArray(lat.ravel(), dims="s"), xr.DataArray(lon.ravel(), dims="s")
    assert next(nearest_first(*listed, make_place(50.31, 0.16)))[0] == {"s": 3}


def test_outside_names_what_the_file_covers(make_place):
    axes = xr.DataArray([52.6, 52.35], dims="y"), xr.DataArray([13.1, 13.6], dims="x")
    assert list(nearest_first(*axes, make_place(50.0, -4.0))) == []
    fault = outside("era5.nc", *axes, make_place(50.0, -4.0))
    assert "latitude 52.35 to 52.60, longitude 13.10 to 13.60" in str(fault)
    assert "correct [site]" in fault.remedy

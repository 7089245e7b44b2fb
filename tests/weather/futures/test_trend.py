"""The trend of past winters: found where it stands out, held back where it does not."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy.stats import linregress

from riskcast.weather import season
from riskcast.weather.futures.trend import fit_trend

ISSUED = "2025-10-25T22:59:59"


def winters(slope, noise, years=20, seed=0):
    random = np.random.default_rng(seed)
    first = 2005
    return {
        first + k: 5.0 + slope / 10.0 * k + noise * random.standard_normal() for k in range(years)
    }


def test_the_line_and_its_error_are_those_of_least_squares():
    """Witness: scipy.stats.linregress."""
    means = winters(0.4, 1.0)
    found, known = fit_trend(means), linregress(list(means), list(means.values()))
    assert found.fitted == pytest.approx(10 * known.slope)
    assert found.standard_error == pytest.approx(10 * known.stderr)
    assert found.years == 20


def test_a_clear_trend_is_kept_and_a_doubtful_one_held_back():
    clear = fit_trend(winters(0.4, 0.01))
    assert clear.degc_per_decade == pytest.approx(0.4, abs=0.01)
    doubtful = fit_trend(winters(0.4, 1.5))
    assert abs(doubtful.degc_per_decade) < 0.7 * abs(doubtful.fitted)
    assert np.sign(doubtful.degc_per_decade) == np.sign(doubtful.fitted)


def test_held_back_it_misses_less_than_the_plain_line():
    """Over 300 sets of twenty winters that differ by 1.2 °C about a trend of 0.3 a decade."""
    found = [fit_trend(winters(0.3, 1.2, seed=seed)) for seed in range(300)]
    used = np.mean([(f.degc_per_decade - 0.3) ** 2 for f in found])
    assert used < 0.5 * np.mean([(f.fitted - 0.3) ** 2 for f in found])


def test_never_more_than_a_degree_per_decade():
    assert fit_trend(winters(3.0, 0.01)).degc_per_decade == 1.0
    assert fit_trend(winters(-3.0, 0.01)).degc_per_decade == -1.0


def test_nine_winters_tell_no_trend():
    assert fit_trend(winters(0.4, 0.01, years=9)) is None
    assert fit_trend(winters(0.4, 0.01, years=10)) is not None


@pytest.fixture(scope="module")
def twelve_years(tmp_path_factory, hourly, weather_file):
    """In the made-up files each calendar year is 0.1 °C warmer: exactly 1 °C a decade."""
    path = tmp_path_factory.mktemp("history") / "history.nc"
    weather_file(hourly("2013-07-01T00", "2025-10-25T08")).to_netcdf(path)
    return path


def both(config, place, history, years):
    keys = {"history": history, "past_years": years}
    return [
        season(config(trend_adjusted=on, **keys), place, issued_at=ISSUED) for on in (False, True)
    ]


def test_past_winters_are_moved_to_the_winter_to_come(config, place, twelve_years):
    plain, moved = both(config, place, twelve_years, 12)
    (note,) = moved.notes
    assert (note.code, dict(note.numbers)) == (
        "trend_adjusted",
        {"degc_per_decade": 1.0, "years": 12},
    )
    assert [n.code for n in plain.notes] == []
    away = moved.past_years.air_temperature - plain.past_years.air_temperature
    expected = xr.DataArray((2025 - away.member) / 10.0, dims="member")
    np.testing.assert_allclose(away, expected.broadcast_like(away), atol=1e-6)
    for name in ("relative_humidity", "precipitation", "snow_depth", "wind_speed"):
        assert moved.past_years[name].identical(plain.past_years[name])
        assert moved.futures[name].identical(plain.futures[name])
    deep = moved.futures.annual_mean_air_temperature - plain.futures.annual_mean_air_temperature
    assert float(deep) == pytest.approx(0.65, abs=1e-6)  # mean of 0.1 to 1.2


def test_what_was_and_what_is_forecast_stay(config, place, twelve_years):
    plain, moved = both(config, place, twelve_years, 12)
    until = slice(None, "2025-11-02T23")
    one, other = (s.futures.air_temperature.sel(time=until) for s in (plain, moved))
    assert one.identical(other)


def test_with_nine_winters_nothing_happens(config, place, twelve_years):
    plain, moved = both(config, place, twelve_years, 9)
    assert moved.futures.identical(plain.futures)
    assert moved.notes == plain.notes


def test_soil_two_metres_down_goes_along_and_what_was_measured_stays(
    config, place, twelve_years, tmp_path
):
    with xr.open_dataset(twelve_years) as file:
        soil = (file.air_temperature * 0 + 9.0).assign_attrs(units="degC")
        file.assign(stl4=soil).to_netcdf(tmp_path / "h.nc")
    plain, moved = both(config, place, tmp_path / "h.nc", 12)
    away = moved.past_years["soil_temperature"] - plain.past_years["soil_temperature"]
    expected = xr.DataArray((2025 - away.member) / 10.0, dims="member").broadcast_like(away)
    np.testing.assert_allclose(away, expected, atol=1e-6)
    known = slice(None, moved.futures["soil_temperature"].attrs["measured_until"][:16])
    measured = [s.futures["soil_temperature"].sel(time=known) for s in (plain, moved)]
    np.testing.assert_array_equal(*measured)
    assert float(measured[0].min()) == float(measured[0].max()) == pytest.approx(9.0)

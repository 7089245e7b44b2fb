"""A litter logger: known litter is found again, and nothing is gained where there is nothing.

The series are made with the column itself and noise: the test shows that the fit works, and says
nothing about real litter.
"""

import numpy as np
import pytest
import xarray as xr
from scipy.signal import lfilter

from riskcast.habitat import calibrate_litter, nest_temperature

DEEP = 10.0
DAYS = 180


@pytest.fixture(scope="module")
def autumn(weather, year_of_air):
    return weather(year_of_air[: DAYS * 24])


@pytest.fixture(scope="module")
def buried(autumn, litter, hazel_dormouse):
    """Noise-free temperature (time,) at 3 cm in litter of this depth and moisture."""

    def make(depth_cm, moisture):
        wet = hazel_dormouse.with_values(nest__litter_water_content=moisture)
        where = litter.model_copy(update={"litter_depth_cm": depth_cm})
        return nest_temperature(autumn, where, wet, deep_temperature_degc=DEEP).values[0]

    return make


def as_logger(values, course, **attrs):
    return xr.DataArray(
        values,
        dims=("time",),
        coords={"time": course["time"]},
        name="litter_temperature",
        attrs={"units": "degC"} | attrs,
    )


def noise(seed, size, sd, hours):
    """Errors that last: AR(1) with this spread and memory."""
    stay = np.exp(-1.0 / hours)
    shocks = np.random.default_rng(seed).normal(0.0, sd, size)
    return lfilter([np.sqrt(1.0 - stay**2)], [1.0, -stay], shocks)


@pytest.mark.parametrize(("depth_cm", "moisture"), [(10.0, 0.2), (4.0, 0.3), (10.0, 0.05)])
def test_known_litter_is_found_again(buried, autumn, litter, depth_cm, moisture):
    truth = buried(depth_cm, moisture)
    logger = as_logger(truth + noise(1, truth.size, 0.3, 2.0), autumn)
    fit = calibrate_litter(logger, autumn, litter, deep_temperature_degc=DEEP)
    assert fit.used
    assert fit.litter_depth_cm == pytest.approx(depth_cm, rel=0.1)
    assert fit.moisture == pytest.approx(moisture, abs=0.02)
    assert fit.rmse_after_degc == pytest.approx(0.3, abs=0.03)
    assert fit.rmse_before_degc > 0.5
    assert fit.hours == (DAYS - 60) * 24


def test_the_judges_are_hours_that_were_not_fitted(buried, autumn, litter):
    """Litter of another kind in the later part: a fit to the earlier must not be used there."""
    logger = as_logger(
        np.where(np.arange(DAYS * 24) < (60 + 72) * 24, buried(12.0, 0.3), buried(6.0, 0.1)), autumn
    )
    fit = calibrate_litter(logger, autumn, litter, deep_temperature_degc=DEEP)
    assert not fit.used
    assert fit.rmse_before_degc < 0.1
    assert fit.rmse_after_degc > 0.3
    assert (fit.litter_depth_cm, fit.moisture) == (litter.litter_depth_cm, 0.1)


@pytest.mark.parametrize("seed", range(2))
def test_noise_alone_gains_nothing(autumn, litter, hazel_dormouse, seed):
    """A logger that follows no weather: damping it all away lowers the error, and is not used."""
    logger = as_logger(np.random.default_rng(seed).normal(8.0, 1.5, DAYS * 24), autumn)
    fit = calibrate_litter(logger, autumn, litter, deep_temperature_degc=DEEP)
    assert not fit.used
    assert fit.litter_depth_cm == litter.litter_depth_cm
    assert fit.moisture == hazel_dormouse.nest.litter_water_content


@pytest.mark.parametrize("seed", range(3))
def test_litter_as_assumed_is_left_as_assumed(buried, autumn, litter, seed):
    truth = buried(6.0, 0.1)
    logger = as_logger(truth + noise(seed, truth.size, 0.5, 6.0), autumn)
    fit = calibrate_litter(logger, autumn, litter, deep_temperature_degc=DEEP)
    assert not fit.used
    assert fit.litter_depth_cm == litter.litter_depth_cm
    assert fit.rmse_after_degc == pytest.approx(fit.rmse_before_degc, rel=0.05)


def test_another_depth_of_the_logger(autumn, litter, hazel_dormouse):
    deeper = litter.model_copy(update={"nest_depth_cm": 8.0, "litter_depth_cm": 10.0})
    truth = nest_temperature(autumn, deeper, hazel_dormouse, deep_temperature_degc=DEEP).values[0]
    logger = as_logger(truth, autumn)
    fit = calibrate_litter(logger, autumn, litter, logger_depth_cm=8.0, deep_temperature_degc=DEEP)
    assert fit.litter_depth_cm == pytest.approx(10.0, abs=0.3)
    assert fit.moisture == pytest.approx(0.1, abs=0.01)


def test_hours_without_a_reading_take_no_part(buried, autumn, litter):
    values = buried(10.0, 0.2)
    values[2000:2400] = np.nan
    whole = as_logger(values, autumn)
    fit = calibrate_litter(whole, autumn, litter, deep_temperature_degc=DEEP)
    assert fit.hours == (DAYS - 60) * 24 - 400
    later = calibrate_litter(
        whole.isel(time=slice(1800, None)), autumn, litter, deep_temperature_degc=DEEP
    )
    assert later.hours == DAYS * 24 - 1800 - 400
    assert later.litter_depth_cm == pytest.approx(10.0, abs=0.1)


def test_weather_from_before_is_the_spin_up(buried, autumn, litter):
    """The logger's first hours count where the weather began two months before them."""
    logger = as_logger(buried(10.0, 0.2), autumn).isel(time=slice(60 * 24, None))
    fit = calibrate_litter(logger, autumn, litter, deep_temperature_degc=DEEP)
    assert fit.hours == logger.size


# Bad input


def test_too_few_hours(buried, autumn, litter):
    short = as_logger(buried(6.0, 0.1), autumn).isel(time=slice(0, 100 * 24))
    with pytest.raises(ValueError, match=r"960 hours .* at least 1680 are needed. Give weather"):
        calibrate_litter(short, autumn, litter, deep_temperature_degc=DEEP)


def test_wrong_units_and_steps(buried, autumn, litter):
    logger = as_logger(buried(6.0, 0.1), autumn)
    with pytest.raises(ValueError, match="expected units 'degC', found 'K'"):
        calibrate_litter(logger.assign_attrs(units="K"), autumn, litter)
    with pytest.raises(ValueError, match="step of 1h"):
        calibrate_litter(logger.isel(time=slice(0, None, 2)), autumn, litter)


def test_weather_of_many_members(buried, autumn, litter):
    both = xr.concat([autumn, autumn.assign_coords(member=[1])], dim="member")
    with pytest.raises(ValueError, match="one member, found 2"):
        calibrate_litter(as_logger(buried(6.0, 0.1), autumn), both, litter)

"""Thermal time against pyPhenology, and against the observations that package carries.

Taylor 2018, JOSS: leaf and flower dates of blueberry (Vaccinium corymbosum) with daily means of
their sites. The package's own test finds a sum of 272 °C day for the leaf; its model with base 0
from 1 January gives the first predictions and errors below (computed with it, not printed).
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from riskcast.habitat import first_day_above, thermal_time
from riskcast.habitat.fit_dates import ThermalTimeRegressor, fit_dates

CASES = [("budburst", 272.0, 5.664), ("flowers", 448.0, 3.295)]


@pytest.fixture(scope="module")
def pyphenology():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # an old package: it imports what others deprecate
        models = pytest.importorskip("pyPhenology.models", exc_type=ImportError)
        utils = pytest.importorskip("pyPhenology.utils", exc_type=ImportError)
    return models, utils


def ours(observed, temperature, needed):
    """Predicted day of the year for every observation."""
    found = []
    for site, year in zip(observed.site_id, observed.year, strict=True):
        days = temperature[(temperature.site_id == site) & (temperature.year == year)]
        days = days.sort_values("doy")
        sums = thermal_time(days.temperature.to_numpy(), days.doy.to_numpy(), start=1, base=0.0)
        found.append(days.doy.to_numpy()[first_day_above(sums, [needed])[0, 0]])
    return np.array(found)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(("phase", "needed", "error"), CASES)
def test_predictions(pyphenology, phase, needed, error):
    models, utils = pyphenology
    observed, temperature = utils.load_test_data(name="vaccinium", phenophase=phase)
    found = ours(observed, temperature, needed)
    theirs = models.ThermalTime(parameters={"T": 0, "t1": 1, "F": needed}).predict(
        observed, temperature
    )
    assert (found == theirs).all()
    assert np.sqrt(np.mean((found - observed.doy.to_numpy()) ** 2)) == pytest.approx(
        error, abs=0.0005
    )
    if phase == "budburst":
        assert list(found[:5]) == [110, 110, 110, 109, 109]
    # Better than the mean date, which knows no weather.
    mean_date = observed.doy.mean()
    assert np.sqrt(np.mean((mean_date - observed.doy) ** 2)) > error


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("phase", "refitted", "error"), [("budburst", 272.56, 5.664), ("flowers", 448.0, 3.295)]
)
def test_fitted_requirement(pyphenology, phase, refitted, error):
    """Refitted by their optimiser: 272.56 (their test: 272) and 448.

    Every sum of our best step does equally well; theirs lies in it, or no better beside it.
    """
    observed, by_year = years(pyphenology[1], phase)
    model = ThermalTimeRegressor(first_day=int(by_year.columns[0]), start=1, base=0.0)
    daily_mean = by_year.loc[list(zip(observed.site_id, observed.year, strict=True))].to_numpy()
    model.fit(daily_mean, observed.doy)
    low, high = model.requirement_range_
    assert low <= refitted < high
    misses = model.predict(daily_mean) - observed.doy.to_numpy()
    assert np.sqrt(np.mean(misses**2)) <= error + 0.0005


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("phase", "error", "mean_error"), [("budburst", 6.45, 7.31), ("flowers", 2.17, 5.82)]
)
def test_years_not_seen(pyphenology, phase, error, mean_error):
    """Left out in turn, the plants' mean day of each of twelve years: thermal time helps.

    Computed here, not printed anywhere; the trial with this package that it follows found the
    order, thermal time before the mean date, with 3.35 and 6.44 days.
    """
    observed, by_year = years(pyphenology[1], phase)
    mean_day = observed.groupby(["site_id", "year"]).doy.mean()
    fit = fit_dates(
        by_year.loc[mean_day.index].to_numpy(),
        mean_day.to_numpy(),
        first_day=int(by_year.columns[0]),
    )
    assert (fit.error, fit.mean_error) == pytest.approx((error, mean_error), abs=0.05)
    assert fit.error < fit.mean_error


def years(utils, phase):
    """Observations, and daily means by site and year (rows) and day of the year (columns)."""
    observed, temperature = utils.load_test_data(name="vaccinium", phenophase=phase)
    by_year = temperature.pivot_table(
        index=["site_id", "year"], columns="doy", values="temperature"
    )
    return observed, by_year

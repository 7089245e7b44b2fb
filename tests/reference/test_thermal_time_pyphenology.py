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
    # Better than the mean date, which knows no weather.
    mean_date = observed.doy.mean()
    assert np.sqrt(np.mean((mean_date - observed.doy) ** 2)) > error

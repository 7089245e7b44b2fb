"""Spring: emergence by night, and the cost of waiting for food in closed form."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast import species
from riskcast.physiology import emergence, emergence_logit, gap_cost, grams_per_ml_oxygen

SP = species.load("hazel_dormouse")


def nights_at(nest_degc: float) -> xr.Dataset:
    night = pd.date_range("2025-11-01", "2026-05-31").to_numpy()
    return xr.Dataset(
        {
            "nest_temperature_10d": (
                ("member", "night"),
                np.full((1, night.size), nest_degc),
                {"units": "degC"},
            )
        },
        coords={"member": [0], "night": night},
    )


def dates(*text: str) -> xr.DataArray:
    return xr.DataArray(np.array([text], dtype="datetime64[ns]"), dims=("member", "draw"))


def test_nobody_emerges_before_the_15th_of_march():
    out = emergence(nights_at(20.0), SP)
    assert out.min().to_numpy() >= np.datetime64("2026-03-15")
    assert (out == np.datetime64("2026-03-15", "ns")).mean() > 0.9


def test_warmth_brings_emergence_forward():
    cool, warm = (np.sort(emergence(nights_at(t), SP).to_numpy().ravel()) for t in (8.0, 11.0))
    assert warm[128] < cool[128]


def test_cold_nests_keep_animals_in_to_the_end():
    assert bool(emergence(nights_at(-5.0), SP).isnull().mean() > 0.9)


def test_logit_at_the_reference_temperature():
    assert float(emergence_logit(9.0, SP)) == pytest.approx(-3.0)
    assert float(emergence_logit(10.0, SP)) == pytest.approx(-2.4)


def test_median_wait_at_constant_temperature_is_that_of_the_hazard():
    """At 9 °C the odds are e^-3 a night: half are out after ln 2 / ln(1 + e^-3) nights, 14.3."""
    sp = SP.with_values(emergence__intercept=-3.0, emergence__temperature_slope=0.6)
    out = np.sort(emergence(nights_at(9.0), sp, draws=4096).to_numpy().ravel())
    wait = (out[2048] - np.datetime64("2026-03-15")) / np.timedelta64(1, "D")
    assert wait == pytest.approx(np.log(2) / np.log1p(np.exp(-3)), abs=1.5)


@pytest.mark.parametrize(
    ("begin", "first", "full", "unmet_days"),
    [
        ("2026-04-01", "2026-04-11", "2026-04-21", 10 + 5),  # whole wait, then the whole ramp
        ("2026-04-16", "2026-04-11", "2026-04-21", 5**2 / 20),  # half way up the ramp
        ("2026-04-25", "2026-04-11", "2026-04-21", 0),  # food is there
        ("2026-04-01", "2026-04-11", "2026-04-11", 10),  # no ramp at all
    ],
)
def test_cost_of_the_wait(begin, first, full, unmet_days):
    cost = gap_cost(dates(begin), dates(first), dates(full), SP, draws=1).item()
    drawn = SP.draw(1, 0)
    per_day = (grams_per_ml_oxygen(drawn) * drawn.arousal.awake_rate_per_day).item()
    assert cost == pytest.approx(unmet_days * per_day, abs=1e-12)


def test_an_unknown_date_leaves_the_cost_unknown():
    cost = gap_cost(dates("NaT"), dates("2026-04-11"), dates("2026-04-21"), SP, draws=1)
    assert bool(cost.isnull().all())


def test_nights_that_end_before_spring_are_refused():
    short = nights_at(9.0).isel(night=slice(0, 100))
    with pytest.raises(ValueError, match="expected to reach 2026-03-15"):
        emergence(short, SP)

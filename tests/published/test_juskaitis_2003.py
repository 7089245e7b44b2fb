"""Juškaitis 2003 (digest): the latest litters are born about 22 September.

With independence at 35-40 days and 10 g (regional fauna page; common practice, no source) and
0.2 g a day (provisional) 15 g is reached about 21-26 November. This tests the arithmetic of
the autumn step only: the gain was found in no paper.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast.physiology import autumn


@pytest.fixture(scope="module")
def even_nights():
    """Nights all alike, warm nest, so that every night is a normal October night."""
    night = pd.date_range("2025-08-01", "2026-05-31").to_numpy()
    shape = (1, night.size)
    return xr.Dataset(
        {
            "feeding_share": (("member", "night"), np.full(shape, 0.6), {"units": "1"}),
            "nest_temperature_10d": (("member", "night"), np.full(shape, 9.0), {"units": "degC"}),
            "day_length_h": (("night",), np.full(night.size, 10.0), {"units": "h"}),
        },
        coords={"member": [0], "night": night},
    )


@pytest.mark.parametrize("age_days", [35, 40])
def test_date_of_15_grams(hazel_dormouse, even_nights, age_days):
    start = pd.Timestamp("2025-09-22") + pd.Timedelta(days=age_days)
    sp = hazel_dormouse.with_values(
        autumn__gain=0.2,
        autumn__gain_between_animals=0.0,
        autumn__scale_error=0.0,
        autumn__food_end_day=400.0,
        autumn__asymptote_juvenile=30.0,
        onset__intercept=-50.0,
        onset__day_length_slope=0.0,
    )
    reached = None
    for day in pd.date_range("2025-11-01", "2025-12-20"):
        month_day = [day.month, day.day]
        until = sp.with_values(onset__latest=month_day)
        animal = pd.DataFrame(
            {
                "key": ["young"],
                "body_mass_g": [10.0],
                "event_date": [start],
                "life_stage": ["juvenile"],
                "sex": ["unknown"],
            }
        )
        mass = autumn(even_nights, animal, until, draws=1).body_mass_g.item()
        if mass >= 15.0:
            reached = day
            break
    assert reached is not None
    expected = start + pd.Timedelta(days=25)
    assert abs((reached - expected).days) <= 2
    assert pd.Timestamp("2025-11-10") <= reached <= pd.Timestamp("2025-12-05")

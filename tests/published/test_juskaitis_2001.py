"""Juškaitis 2001 (read in a digest): males 29.8 g in October, 20.4 g in April; females 27 g, 16 g
in May. The independent check of the winter budget: nothing was fitted to it.

Durations (195 and 210 days) and the nest (1-2 °C, no food) are assumed here, not printed there.
Losses are compared as the exponential rate per day: 0.19 % and 0.25 % from the printed masses.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import winter


@pytest.mark.parametrize(("mass_g", "days"), [(29.8, 195), (27.0, 210)])
@pytest.mark.parametrize("nest_degc", [1.0, 2.0])
def test_winter_loss_per_day(hazel_dormouse, nest_series, mass_g, days, nest_degc):
    nest = nest_series(nest_degc, days=days, start="2020-10-10")
    end = winter(nest, [mass_g], hazel_dormouse, season_terms=False).body_mass_g.to_numpy()
    rate = -np.log(np.median(end) / mass_g) / days
    assert 0.0015 <= rate <= 0.0028

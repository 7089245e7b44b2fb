"""Csorba 2003, Acta Zool. Acad. Sci. Hung.: 18 animals, 5 ± 2 °C, 108 days, mean loss 29 %.

Read in a published digest, not in the paper. The arousal multiplier is calibrated on the mean
loss: that test guards the calibration and is no evidence for it. Survivors began at 18.19 g,
the dead at 15.26 g (difference reported as not significant).
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import winter

DAYS = 108


def test_mean_loss_over_108_days(hazel_dormouse, nest_series):
    nest = nest_series(5.0, days=DAYS)
    end = winter(nest, [16.9], hazel_dormouse, season_terms=False, draws=1024).body_mass_g
    loss = 1 - end.to_numpy().ravel() / 16.9
    assert 0.26 <= np.median(loss) <= 0.32
    # The multiplier is set so that it is 29 %: closer than a loss read in a digest deserves.
    assert np.median(loss) == pytest.approx(0.29, abs=0.008)
    low, high = np.quantile(loss, [0.1, 0.9])
    assert low >= 0.18
    assert high <= 0.42


def test_lighter_animals_run_out_more_often(hazel_dormouse, nest_series):
    nest = nest_series(5.0, days=DAYS)
    course = winter(nest, [15.26, 18.19], hazel_dormouse, season_terms=False, draws=1024)
    out = course.reserve_empty.notnull().mean(("member", "draw"))
    assert float(out[0]) > float(out[1])

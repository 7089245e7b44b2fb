"""Walhovd & Jensen 1976, Oecologia (digest; one animal): warming took about 40 minutes (30-70),
cooling about 5 hours."""

from __future__ import annotations

import numpy as np

from riskcast.physiology import arousal_length


def test_warming_and_cooling(hazel_dormouse):
    arousal = hazel_dormouse.arousal
    assert 0.5 <= arousal.warming_length <= 1.2
    assert 3.0 <= arousal.cooling_length <= 7.0
    drawn = hazel_dormouse.draw(256, 0).arousal.warming_length
    assert np.quantile(drawn, 0.1) >= 0.4
    assert np.quantile(drawn, 0.9) <= 1.2


def test_a_whole_waking_is_longer_than_warming_alone(hazel_dormouse):
    for nest_degc in (0.0, 5.0, 10.0):
        whole = float(arousal_length(nest_degc, hazel_dormouse))
        assert hazel_dormouse.arousal.warming_length < whole < 12.0

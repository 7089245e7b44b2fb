"""Ruf & Geiser 2015, Biol. Rev. 90:891-926, Table 1 (read in a public transcription): hazel
dormouse, mean bout 218 h in torpor with body temperature down to 0 °C. Independent of our fit.
"""

from __future__ import annotations

import numpy as np

from riskcast.physiology import arousal_hazard


def test_mean_bout_near_freezing(hazel_dormouse):
    wild = hazel_dormouse.torpor.arousal_multiplier * arousal_hazard(
        np.linspace(0.0, 1.0, 11), hazel_dormouse
    )
    assert 150 <= float(1 / wild.mean()) <= 320

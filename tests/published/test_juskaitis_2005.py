"""Juškaitis 2005 (abstract; 1,038 animals) and Armitage et al. 2025 (abstract; 53,953 records): in
September and October the heavier animals are the torpid ones (October: torpid 22.3 g, active
17.5 g). Only the sign is published, so only the sign is tested. That lighter animals are the torpid
ones from April to August has no counterpart in riskcast: it models no torpor of the active season.
"""

from __future__ import annotations

import numpy as np

from riskcast.physiology import nightly_hazard, onset_logit

TORPID_G, ACTIVE_G = 22.3, 17.5


def test_heavier_animals_go_in_first(hazel_dormouse):
    for day_length_h, nest_degc in ((11.5, 13.0), (10.0, 9.0), (8.5, 6.0)):
        heavy, light = nightly_hazard(
            onset_logit(day_length_h, nest_degc, [TORPID_G, ACTIVE_G], hazel_dormouse)
        )
        assert heavy > light


def test_in_nearly_every_draw(hazel_dormouse):
    drawn = hazel_dormouse.draw(512, 0)
    heavy = onset_logit(10.0, 9.0, TORPID_G, drawn)
    light = onset_logit(10.0, 9.0, ACTIVE_G, drawn)
    # The slope is held at or above nought, so a draw can tie, never turn round.
    assert (np.asarray(heavy) >= np.asarray(light)).all()
    assert (np.asarray(heavy) > np.asarray(light)).mean() > 0.95

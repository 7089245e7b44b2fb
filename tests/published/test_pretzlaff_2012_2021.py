"""Pretzlaff & Dausmann 2012 and Pretzlaff, Radchuk, Turner & Dausmann 2021 (abstracts), and the
regressions in the public repository of the latter's analysis.

Torpid metabolism is lowest at intermediate temperatures; arousals are rarer there than in
warmth or hard frost; skin never fell below -2.9 °C. Exercise regression of the repository, both
winters: 28.9 g torpid at 4.35 °C uses 3.05 mL O2/h, euthermic at 5 °C 83 mL O2/h.
"""

from __future__ import annotations

import numpy as np

from riskcast.physiology import arousal_hazard, torpid_body_temperature, torpid_rate

SCAN = np.arange(-10.0, 12.01, 0.05)


def test_torpid_rate_is_lowest_at_intermediate_temperature(hazel_dormouse):
    rate = torpid_rate(SCAN, hazel_dormouse)
    assert -1.0 <= SCAN[rate.argmin()] <= 6.0
    assert torpid_rate(-8.0, hazel_dormouse) > 2 * torpid_rate(2.0, hazel_dormouse)


def test_torpid_oxygen_of_a_whole_animal(hazel_dormouse):
    reserve = hazel_dormouse.reserve
    scaled_mass = reserve.scale_mass * (28.9 / reserve.scale_mass) ** reserve.mass_exponent
    assert 2.2 <= float(torpid_rate(4.35, hazel_dormouse)) * scaled_mass <= 4.0


def test_euthermic_oxygen_of_a_whole_animal(hazel_dormouse):
    assert 60 <= hazel_dormouse.arousal.euthermic_rate * 28.9 <= 110


def test_arousals_are_rarest_near_freezing(hazel_dormouse):
    near, warm, frost = arousal_hazard([0.0, 5.0, -8.0], hazel_dormouse)
    assert near < warm
    assert near < frost


def test_body_temperature_in_torpor_is_defended(hazel_dormouse):
    assert torpid_body_temperature(SCAN, hazel_dormouse).min() >= -3.0

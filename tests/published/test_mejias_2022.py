"""Mejías et al. 2022 (abstract): 5.72 g of fat in 31 days is 81 % of 8.89 kJ a day.

The energy of fat in the species file is from memory; this checks it against printed numbers.
"""

from __future__ import annotations

import pytest


def test_energy_of_fat(hazel_dormouse):
    per_day = 5.72 * hazel_dormouse.reserve.energy_per_fat / 31
    assert per_day == pytest.approx(0.81 * 8.89, rel=0.02)

"""Chilling as growers of fruit count it: Utah units and dynamic portions.

Utah: Richardson, Seeley & Walker 1974, the table's weights. Portions: Fishman, Erez & Couvillon
1987; 1,000 hours of one temperature computed with an own port, a single source. Neither is part of
riskcast (tests/support/rival_chilling.py): they are what its count of cold days is set beside.
"""

import numpy as np
import pytest
from rival_chilling import dynamic_portions, utah_units


def test_utah_units():
    found = utah_units([0.0, 2.0, 6.0, 10.0, 14.0, 17.0, 20.0])
    assert found.tolist() == [0.0, 0.5, 1.0, 0.5, 0.0, -0.5, -1.0]


@pytest.mark.parametrize(
    ("temperature", "portions"),
    [(0, 4.852), (4, 29.849), (6, 34.204), (8, 34.568), (10, 32.436), (13, 0.0)],
)
def test_portions_of_a_thousand_hours(temperature, portions):
    assert dynamic_portions(np.full(1000, float(temperature))) == pytest.approx(portions, abs=5e-4)


def test_what_is_kept_is_not_undone_by_warmth():
    cold, warm = np.full(1000, 6.0), np.full(200, 20.0)
    assert dynamic_portions(np.r_[cold, warm]) == pytest.approx(dynamic_portions(cold), abs=1.0)
    assert utah_units(np.r_[cold, warm]).sum() == utah_units(cold).sum() - 200

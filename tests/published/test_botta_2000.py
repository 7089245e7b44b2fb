"""Botta et al. 2000, Global Change Biology 6:709–725: warmth needed after chilling, °C day.

F = −68 + 638·exp(−0.01·NCD), as coded in a public model; values computed independently.
"""

import pytest

from riskcast.habitat import generic_requirement


@pytest.mark.parametrize(
    ("chilling_days", "needed"),
    [(0, 570.0), (30, 404.642), (60, 282.142), (90, 191.391), (120, 124.162), (150, 74.357)],
)
def test_requirement(hazel_dormouse, chilling_days, needed):
    assert generic_requirement(chilling_days, hazel_dormouse) == pytest.approx(needed, abs=1e-3)

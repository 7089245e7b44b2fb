"""Carslaw & Jaeger 1959, Conduction of Heat in Solids, §2.4: a step at the surface.

Values of step·erfc(z / 2 sqrt(κt)) computed independently to the digits given.
"""

import numpy as np
import pytest

from riskcast.habitat import Column, conduct, surface_in_balance, temperature_step

CASES = [
    (1.6e-7, 0.05, 6, 5.4757),
    (1.6e-7, 0.05, 24, 7.6364),
    (1.6e-7, 0.05, 72, 8.6217),
    (5e-7, 0.10, 24, 7.3370),
    (5e-7, 0.10, 168, 8.9769),
]


@pytest.mark.parametrize(("diffusivity", "depth", "hours", "warming"), CASES)
def test_closed_form(diffusivity, depth, hours, warming):
    found = temperature_step(depth, hours * 3600.0, step=10.0, diffusivity=diffusivity)
    assert found == pytest.approx(warming, abs=1e-4)


@pytest.mark.parametrize(("diffusivity", "depth", "hours", "warming"), CASES)
def test_column_takes_the_step(diffusivity, depth, hours, warming):
    nodes = np.arange(0.0, 2.0001, 0.01)
    column = Column(nodes, np.full(200, diffusivity * 2e6), np.full(200, 2e6))
    air = np.full((hours + 1, 1), 10.0)
    none = np.zeros_like(air)
    initial = surface_in_balance(column, np.zeros((nodes.size, 1)), air[0], none[0])
    kept, _ = conduct(column, air, none, none, initial, output=column.node(depth))
    assert kept[-1, 0] == pytest.approx(warming, abs=0.05)

"""The column against scipy's stiff solver: the same equation, none of our code in the right side.

Snow comes and goes, so the resistance at the surface changes within the series.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from riskcast.habitat import conduct, litter_column, steady_profile, surface_in_balance

HOURS = 24 * 12
BOTTOM_C = 9.0


@pytest.fixture(scope="module")
def forcing():
    """Air of two members, one of them under snow for some days: smooth, so both can be exact."""
    hour = np.arange(HOURS)
    day = 2 * np.pi * hour / 24
    air = np.stack([6 + 4 * np.sin(day), 2 + 5 * np.sin(day) - 0.02 * hour], axis=1)
    snow = np.zeros_like(air)
    snow[:, 1] = 0.15 * np.clip(np.sin(np.pi * (hour - 72) / 120), 0.0, None)
    return air, 0.1 + snow / 0.1


def exact(column, air, resistance, initial, node):
    """Temperature at a node by BDF with tight tolerances."""
    thickness = np.diff(column.depth)
    conductance = column.conductivity / thickness
    stored = np.zeros(column.depth.size)
    stored[:-1] += column.heat_capacity * thickness / 2
    stored[1:] += column.heat_capacity * thickness / 2
    stamps = np.arange(HOURS) * 3600.0

    def warming(t, inner):
        profile = np.append(inner, BOTTOM_C)
        down = conductance * (profile[:-1] - profile[1:])
        surface = (np.interp(t, stamps, air) - profile[0]) / np.interp(t, stamps, resistance)
        return (np.append(surface, down[:-1]) - down) / stored[:-1]

    solution = solve_ivp(
        warming, (0.0, stamps[-1]), initial[:-1], "BDF", stamps, rtol=1e-7, atol=1e-7,
        max_step=1800.0,
    )  # fmt: skip
    assert solution.success
    return solution.y[node]


@pytest.mark.parametrize("member", [0, 1])
def test_hourly_nest_against_a_stiff_solver(hazel_dormouse, forcing, member):
    air, resistance = forcing
    column = litter_column(0.03, 0.06, hazel_dormouse)
    node = column.node(0.03)
    steady = steady_profile(column, air[:24].mean(axis=0), resistance[0], BOTTOM_C)
    start = surface_in_balance(column, steady, air[0], resistance[0])
    kept, _ = conduct(column, air, resistance, np.full_like(air, BOTTOM_C), start, output=node)
    theirs = exact(column, air[:, member], resistance[:, member], start[:, member], node)
    assert np.abs(kept[:, member] - theirs).max() < 0.05

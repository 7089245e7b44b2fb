"""Single futures against SciPy's `solve_ivp`, to the second.

The same winter as differential equations: dΛ/dt = hazard and dC/dt = loss in torpor, dC/dt along
the profile of a waking in between; SciPy locates where Λ meets the animal's next exponential and
where C meets what it may spend. An outside witness of the jumps, the rest of the hazard while
awake, and the moment inside a bout or a waking at which the reserve is gone.
"""

from __future__ import annotations

import numpy as np
import pytest
from one_winter import HourlyRates
from scipy.integrate import solve_ivp

from riskcast import species
from riskcast.base.streams import stream
from riskcast.physiology import empty_mass, spendable, winter

SP = species.load("hazel_dormouse")
DRAWS, SEED = 4, 11


def by_ode(rates: HourlyRates, limit: float, targets: np.ndarray) -> tuple[float, int]:
    """Hour at which the reserve is gone (or the end) and wakings begun, for one future."""
    hazard, torpid, cost, length = rates.hazard, rates.torpid, rates.cost, rates.length
    t, state, wakings = 0.0, [0.0, 0.0], 0

    def met(_, y):
        return y[0] - targets[wakings]

    def empty(_, y):
        return y[1] - limit

    met.terminal = empty.terminal = True
    options = {"events": (met, empty), "rtol": 1e-10, "atol": 1e-12}
    while t < hazard.size:
        hour = int(t)
        rates = [hazard[hour], torpid[hour]]
        bout = solve_ivp(lambda _, y, r=rates: r, (t, hour + 1.0), state, **options)
        t, state = float(bout.t[-1]), list(bout.y[:, -1])
        if bout.t_events[1].size:
            return t, wakings
        if bout.t_events[0].size:
            wakings, wake = wakings + 1, t
            lasts, costs = length[hour], cost[hour]
            until = min(wake + lasts, float(hazard.size))

            def rewarm(now, y, wake=wake, lasts=lasts, costs=costs):
                return [0.0, 2.0 * costs / lasts * (1.0 - (now - wake) / lasts)]

            awake = solve_ivp(rewarm, (wake, until), [0.0, state[1]], **options)
            t, state = float(awake.t[-1]), [0.0, float(awake.y[1, -1])]
            if awake.t_events[1].size:
                return t, wakings
        elif t < hour + 1.0:
            raise AssertionError("the solver stopped without a cause")
    return t, wakings


@pytest.mark.parametrize("mass_g", [12.0, 13.0, 60.0])
def test_every_future_of_a_short_winter(nest_series, mass_g):
    rng = np.random.default_rng(2)
    values = 8 + np.cumsum(rng.normal(0, 0.2, 35 * 24))
    nest = nest_series(values, start="2020-11-01")
    course = winter(nest, [mass_g], SP, draws=DRAWS, seed=SEED)
    # The k-th waking of an animal meets its k-th stored exponential.
    targets = stream(SEED, "arousal", "target", "0", "0").standard_exponential((32, DRAWS))
    drawn = SP.draw(DRAWS, SEED)
    limit = spendable(mass_g, empty_mass(mass_g, drawn), drawn)
    assert bool(course.reserve_empty.notnull().any()) == (mass_g < 60)
    for d in range(DRAWS):
        if limit[d] <= 0:
            continue
        one = drawn.rows(np.array([d]))
        rates = HourlyRates(values, nest.time.to_numpy(), one)
        hour, wakings = by_ode(rates, limit[d], targets[:, d])
        assert float(course.days_in_hand[0, 0, d]) * 24 == pytest.approx(hour, abs=1 / 3600)
        assert int(course.arousals[0, 0, d]) == wakings

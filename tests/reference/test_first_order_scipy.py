"""First-order shares from given draws against scipy.stats.sobol_indices (Saltelli et al. 2010).

scipy evaluates the function anew at designed points, n·(d + 2) of them; ours reads the draws
that there are. Both are told the same functions; the shares have to agree.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import sobol_indices, uniform

from riskcast.risk.sensitivity import first_order_shares
from riskcast.species.draw import uniforms

DRAWS = 8192


def ishigami(u):
    first, second, third = np.pi * (2 * u - 1)
    return np.sin(first) * (1 + 0.1 * third**4) + 7 * np.sin(second) ** 2


def days_of_reserve(u):
    """A reserve over a cost a day: products, a power and a quotient, as in the winter budget.

    Ranges are near those of the species file; the form alone matters here.
    """
    rate, q10, wakings, cost, length = (
        low + (high - low) * values
        for values, (low, high) in zip(
            u, [(0.066, 0.11), (1.5, 2.8), (0.1, 0.4), (10.0, 15.0), (4.0, 7.0)], strict=True
        )
    )
    awake = wakings * length / 24
    return 0.3 / (24 * rate * q10**0.6 * (1 - awake) + wakings * cost)


@pytest.mark.parametrize(("function", "count"), [(ishigami, 3), (days_of_reserve, 5)])
def test_shares_agree(function, count):
    x = {f"x{n}": uniforms(f"x{n}", DRAWS, 0) for n in range(count)}
    ours = first_order_shares(x, function(np.stack(list(x.values()))))
    theirs = sobol_indices(func=function, n=DRAWS, dists=[uniform()] * count, rng=0).first_order
    assert list(ours.values()) == pytest.approx(theirs, abs=0.03)
    assert max(theirs) > 0.3

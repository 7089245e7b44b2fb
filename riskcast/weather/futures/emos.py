"""Bare formulas: how well a normal forecast met what came, and the one that meets it best.

NumPy in and out, any shapes that broadcast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import ndtr

__all__ = ["LEAST_PAIRS", "Emos", "crps_normal", "fit_emos"]

Values = npt.NDArray[np.float64]

# Fewer pairs give no regression that beats a general one (common practice: training periods
# of 30 to 40 days; Gneiting et al. 2005 chose 40).
LEAST_PAIRS = 30

# A spread of nothing would call every other outcome impossible.
_LEAST_SPREAD = 1e-3


@dataclass(frozen=True)
class Emos:
    """Ensemble model output statistics of a single forecast: N(a + b x, σ²).

    Gneiting et al. 2005, Mon. Wea. Rev. 133, eq. 1 and 2, with one member, whose ensemble
    spread is nothing: the variance is a constant.

    Attributes
    ----------
    a, spread : in the unit of what was fitted; spread above zero
    b : not below zero (the paper's EMOS+: a negative weight would be noise)
    """

    a: float
    b: float
    spread: float


def crps_normal(mean: npt.ArrayLike, spread: npt.ArrayLike, outcome: npt.ArrayLike) -> Values:
    """Continuous ranked probability score of N(mean, spread²), in the outcome's unit.

    Closed form of Gneiting et al. 2005, Mon. Wea. Rev. 133, eq. 5; lower is better.

    Parameters
    ----------
    spread : standard deviation, above zero
    """
    sigma = np.asarray(spread, dtype=float)
    z = (np.asarray(outcome, dtype=float) - np.asarray(mean, dtype=float)) / sigma
    return np.asarray(
        sigma * (z * (2.0 * ndtr(z) - 1.0) + 2.0 * _density(z) - 1.0 / np.sqrt(np.pi))
    )


def fit_emos(forecast: npt.ArrayLike, outcome: npt.ArrayLike) -> Emos:
    """The regression with the least mean CRPS over past pairs (Gneiting et al. 2005).

    Parameters
    ----------
    forecast, outcome : (pair,) finite, of one lead

    Raises
    ------
    ValueError
        Fewer than `LEAST_PAIRS` pairs.
    """
    x, y = np.asarray(forecast, dtype=float), np.asarray(outcome, dtype=float)
    if len(x) < LEAST_PAIRS:
        raise ValueError(f"expected at least {LEAST_PAIRS} pairs, found {len(x)}")
    first = [float(np.mean(y - x)), 1.0, float(np.log(np.std(y - x) + _LEAST_SPREAD))]

    def mean_score(of: Values) -> tuple[float, Values]:
        a, b, log_spread = of
        sigma = np.exp(log_spread)
        z = (y - a - b * x) / sigma
        by_mean = 1.0 - 2.0 * ndtr(z)
        by_spread = 2.0 * _density(z) - 1.0 / np.sqrt(np.pi)
        slope = [np.mean(by_mean), np.mean(by_mean * x), np.mean(by_spread) * sigma]
        return float(np.mean(crps_normal(a + b * x, sigma, y))), np.array(slope)

    bounds = [(None, None), (0.0, None), (float(np.log(_LEAST_SPREAD)), None)]
    found = minimize(mean_score, first, jac=True, method="L-BFGS-B", bounds=bounds)
    a, b, log_spread = found.x
    return Emos(float(a), float(b), float(np.exp(log_spread)))


def _density(z: Values) -> Values:
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))

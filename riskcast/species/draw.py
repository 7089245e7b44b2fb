"""Draws of the uncertain parameters.

Each parameter has its own scrambled Sobol sequence, scrambled and shuffled by a stream
keyed with its name: every margin is evenly covered, and a parameter that is added or
removed moves no other. (One joint Sobol sequence would cover the margins' combinations
more evenly, but its dimensions shift when a parameter joins.)
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from riskcast.base.streams import stream

__all__ = ["draw_parameters", "uniforms"]

# 10 % and 90 % quantiles of a standard normal lie this far from its centre.
_Z90 = float(ndtri(0.9))
_TAIL = 0.1

FloatArray = npt.NDArray[np.float64]


@lru_cache(maxsize=1024)  # every room draws the same species: the numbers are made once
def uniforms(name: str, n: int, seed: int) -> FloatArray:
    """Evenly spread numbers in (0, 1), shape (n,), keyed by name and seed; read only.

    Raises
    ------
    ValueError
        `n` is not a power of two: Sobol sequences keep their balance only there.
    """
    if n < 1 or n & (n - 1):
        raise ValueError(f"draws: expected a power of two, found {n}")
    generator = stream(seed, "draw", name)
    points = qmc.Sobol(1, scramble=True, rng=generator).random(n)[:, 0]
    # Points may fall on 0: half a cell inward keeps every quantile finite.
    inside = np.clip(points, 0.5 / (2 * n), 1 - 0.5 / (2 * n))
    shuffled: FloatArray = generator.permutation(inside)
    shuffled.setflags(write=False)
    return shuffled


def draw_parameters(
    parameters: Mapping[str, Any], correlation: Mapping[str, Mapping[str, Any]], n: int, seed: int
) -> dict[str, FloatArray]:
    """Arrays of shape (n,) for every parameter that is not fixed.

    `correlation` holds groups ``{"names": [...], "matrix": [[...]]}`` of rank correlations
    between normal scores (a Gaussian copula).
    """
    scores = {
        name: ndtri(uniforms(name, n, seed))
        for name, parameter in parameters.items()
        if parameter.distribution != "fixed"
    }
    for group in correlation.values():
        names = [name for name in group["names"] if name in scores]
        rows = [group["names"].index(name) for name in names]
        lower = np.linalg.cholesky(np.asarray(group["matrix"], dtype=float)[np.ix_(rows, rows)])
        mixed = lower @ np.stack([scores[name] for name in names])
        scores |= dict(zip(names, mixed, strict=True))
    return {name: _quantile(parameters[name], z) for name, z in scores.items()}


def _quantile(parameter: Any, z: FloatArray) -> FloatArray:
    """Value of a parameter at normal score z, its ends cut at min and max."""
    value, low, high = parameter.value, parameter.low, parameter.high
    kind = parameter.distribution
    if kind == "normal":
        # Two half normals share the centre, so that low and high are met on both sides.
        out = value + np.where(z < 0, value - low, high - value) * z / _Z90
    elif kind == "lognormal":
        width = np.where(z < 0, np.log(value / low), np.log(high / value))
        out = value * np.exp(width * z / _Z90)
    elif kind == "uniform":
        reach = (high - low) / (1 - 2 * _TAIL)
        out = low + reach * (ndtr(z) - _TAIL)
    else:
        out = _triangular(value, low, high, ndtr(z))
    return np.asarray(np.clip(out, parameter.min, parameter.max))


def _triangular(mode: float, low: float, high: float, u: FloatArray) -> FloatArray:
    """Triangle whose sides each run to where a tenth of that side lies beyond low or high."""
    # Of a side of length a, the share beyond distance d from the mode is (1 - d/a)².
    stretch = 1 - np.sqrt(_TAIL / 0.5)
    left, right = (mode - low) / stretch, (high - mode) / stretch
    below = u < 0.5
    out = np.where(
        below,
        mode - left * (1 - np.sqrt(np.clip(2 * u, 0, 1))),
        mode + right * (1 - np.sqrt(np.clip(2 * (1 - u), 0, 1))),
    )
    return np.asarray(out)

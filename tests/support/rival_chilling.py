"""Rival measures of a plant's chilling, by the hour; own ports, each with its paper."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["dynamic_portions", "utah_units"]

FloatArray = npt.NDArray[np.float64]

_LIMITS = (1.4, 2.4, 9.1, 12.4, 15.9, 18.0)
_UNITS = np.array([0.0, 0.5, 1.0, 0.5, 0.0, -0.5, -1.0])


def utah_units(hourly: npt.ArrayLike) -> FloatArray:
    """Chill units of each hour (Richardson, Seeley & Walker 1974, HortScience 9:331-332)."""
    return np.asarray(_UNITS[np.searchsorted(_LIMITS, np.asarray(hourly, dtype=float))])


def dynamic_portions(hourly: npt.ArrayLike) -> float:
    """Chill portions of a series of hours (Fishman, Erez & Couvillon 1987, J. Theor. Biol. 124).

    With the constants of Erez & Fishman as Luedeling et al. 2009 give them: an intermediate that
    warmth destroys; whenever it reaches 1, a share of it is kept for good. As in the public
    ports, the intermediate is 0 in the first hour, which only begins the series.
    """
    e0, e1, a0, a1, slope, melting = 4153.5, 12888.8, 139500.0, 2.567e18, 1.6, 277.0
    kelvin = np.asarray(hourly, dtype=float) + 273.0
    hazard = np.exp(slope * melting * (kelvin - melting) / kelvin)
    kept = hazard / (1 + hazard)
    level = a0 / a1 * np.exp((e1 - e0) / kelvin)
    stays = np.exp(-a1 * np.exp(-e1 / kelvin))
    middle, portions = 0.0, 0.0
    for hour in range(1, kelvin.size):
        if middle >= 1.0:
            middle -= middle * kept[hour - 1]
        middle = level[hour] - (level[hour] - middle) * stays[hour]
        if middle >= 1.0:
            portions += middle * kept[hour]
    return float(portions)

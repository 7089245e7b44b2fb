"""Bare formulas of spring: warmth summed until a plant is ready. NumPy in, NumPy out.

Days are daily mean temperatures along the last axis.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from riskcast.species import Species

__all__ = ["chilling_days", "first_day_above", "generic_requirement", "thermal_time"]

FloatArray = npt.NDArray[np.float64]


def thermal_time(
    daily_mean: npt.ArrayLike, day: npt.ArrayLike, *, start: float, base: float
) -> FloatArray:
    """Warmth summed since `start`: S = Σ max(0, T − base), °C day.

    The thermal-time (growing-degree-day) model in the form of Chuine et al. 2013.

    Parameters
    ----------
    daily_mean : (…, day) °C
    day : (day,) day of the year; days before 1 January are zero or less
    start : first day that counts (a fraction counts from the next whole day)
    base : temperature above which a day counts, °C

    Returns
    -------
    ndarray (…, day), the sum up to and with each day
    """
    warmth = np.maximum(np.asarray(daily_mean, dtype=float) - base, 0.0)
    return np.asarray(np.cumsum(np.where(np.asarray(day) >= start, warmth, 0.0), axis=-1))


def chilling_days(
    daily_mean: npt.ArrayLike, day: npt.ArrayLike, *, start: float, base: float
) -> FloatArray:
    """Number of days colder than `base` since `start`, up to and with each day.

    Parameters and shape as `thermal_time`; `start` is negative for a day of the year before.
    """
    cold = np.asarray(daily_mean, dtype=float) < base
    return np.asarray(np.cumsum(cold & (np.asarray(day) >= start), axis=-1), dtype=float)


def generic_requirement(chilling: npt.ArrayLike, sp: Species) -> FloatArray:
    """Warmth a broadleaf wood needs to leaf out, °C day: less, the more it was chilled.

    Botta et al. 2000, Global Change Biology 6:709–725, as coded in a public model:
    F = −68 + 638·exp(−0.01·NCD).

    Parameters
    ----------
    chilling : NCD, days below 5 °C since 1 November, 0 to about 200; any shape
    sp : Species
    """
    p = sp.food
    fading = np.exp(-p.generic_chill_rate * np.asarray(chilling, dtype=float))
    return np.asarray(p.generic_sum_offset + p.generic_sum_scale * fading)


def first_day_above(sums: npt.ArrayLike, needed: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Number of the first day on which the sum has passed what is needed (S > F).

    Parameters
    ----------
    sums : (member, day), never falling along the days
    needed : (draw,)

    Returns
    -------
    ndarray (member, draw) of int; the number of days where it is not reached
    """
    thresholds = np.asarray(needed, dtype=float)
    rows = [
        np.searchsorted(row, thresholds, side="right")
        for row in np.atleast_2d(np.asarray(sums, dtype=float))
    ]
    return np.asarray(rows, dtype=np.int64)

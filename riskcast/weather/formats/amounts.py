"""Precipitation that a file sums up over more than one step, back into amounts per step.

ERA5 gives the sum of the hour ending at the stamp. ERA5-Land, under the same name, runs on
from 00 UTC, and its 00:00 value holds the whole day before. Forecast files run on from the
start of the forecast. The three differ in where the numbers fall back: anywhere, only after
00 UTC, nowhere.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["per_step"]

Values = npt.NDArray[np.float64]

# Packing and rounding make a running total step back by this much, mm, without any meaning.
_JITTER_MM = 0.02

# A total that never falls back says nothing in a shorter file: one shower looks like it.
_LEAST_STEPS = 25


def per_step(
    amount: Values, time: npt.NDArray[np.datetime64], *, forecast: bool
) -> tuple[Values, str]:
    """Amounts of each step from what a file stores under ``tp``.

    Parameters
    ----------
    amount : (member, row) mm, NaN where missing
    time : (row,) datetime64, increasing
    forecast : the file holds one forecast, whose totals may run on from its start

    Returns
    -------
    amounts, (member, row) mm; NaN in the first row of a running total, whose start is unknown
    kind : ``"step"``, ``"day"`` (since 00 UTC) or ``"start"`` (since the first hour)
    """
    hour = np.asarray(time, dtype="datetime64[h]").astype(np.int64)
    day_of_interval = (hour - 1) // 24  # the hour ending at 00:00 belongs to the day before
    new_day = np.diff(day_of_interval) > 0
    change = np.diff(amount, axis=1)
    falls = (change < -_JITTER_MM).any(axis=0)
    if amount.shape[1] < 2 or not np.nansum(amount) > 0 or bool((falls & ~new_day).any()):
        return amount, "step"
    if not falls.any():
        if not forecast or amount.shape[1] < _LEAST_STEPS:
            return amount, "step"
        first = np.full((amount.shape[0], 1), np.nan)
        # The forecast itself begins with nothing fallen.
        first[amount[:, :1] <= _JITTER_MM] = 0.0
        return np.concatenate([first, np.maximum(change, 0.0)], axis=1), "start"
    own = np.where(new_day, amount[:, 1:], np.maximum(change, 0.0))
    return np.concatenate([_first_of_day(amount, hour), own], axis=1), "day"


def _first_of_day(amount: Values, hour: npt.NDArray[np.int64]) -> Values:
    """The first row is an amount of its own only where it is stamped 01 UTC."""
    known = hour[0] % 24 == 1
    return amount[:, :1] if known else np.full((amount.shape[0], 1), np.nan)

"""Rows of a station that come more often than hourly, or beside the full hour: onto full hours."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from riskcast.weather.dataset import Times, Values, hours, stamps
from riskcast.weather.table import Table

__all__ = ["onto_full_hours"]

_HOUR = np.timedelta64(1, "h")
_HOUR_NS = 3_600_000_000_000

# A state is interpolated between readings up to this far apart: between neighbours of an hourly
# station that is a little unpunctual, and over a reading or two of one that is more frequent.
_FARTHEST = np.timedelta64(90, "m")


def onto_full_hours(table: Table) -> None:
    """Put the rows of one station on the full hours between the first and the last of them.

    States are interpolated between the readings around the hour, and are the reading itself
    where one stands on the hour. Precipitation is the sum of the rows that end within the hour;
    an hour that lacks one of them is missing, not drier. Daily tables, rows that stand on the
    hours already and rows in disorder are left alone, the latter for `quality.check`.

    Parameters
    ----------
    table : one member, not daily; changed in place
    """
    time = table.time
    if table.daily or len(time) < 2 or np.isnat(time).any():
        return
    steps = np.diff(time)
    if (steps <= np.timedelta64(0)).any() or (time == time.astype("datetime64[h]")).all():
        return
    lengths, counts = np.unique(steps, return_counts=True)
    step = lengths[np.argmax(counts)]
    first = -int(-(time[0].astype(np.int64)) // _HOUR_NS)
    size = int(hours([time[-1]])[0]) - first + 1
    if step > _HOUR or size < 1:
        return
    every = stamps(first + np.arange(size))
    for name, values in table.values.items():
        if name == "precipitation":
            parts = max(round(_HOUR / step), 1)
            table.values[name] = _summed(values[0], time, first, size, parts, table.rate)
        else:
            columns = values[0].reshape(len(time), -1).T
            made = np.stack([_between(column, time, every) for column in columns], axis=-1)
            table.values[name] = made.reshape(1, size, *values.shape[2:])
    table.row = table.row[np.searchsorted(time, every)]
    table.time = every


def _between(values: Values, time: Times, every: Times) -> Values:
    """(hour,) values at full hours; NaN where the readings around one are too far apart."""
    known = np.isfinite(values)
    if not known.any():
        return np.full(len(every), np.nan)
    at, have = time[known], values[known]
    right = np.minimum(np.searchsorted(at, every), len(at) - 1)
    left = np.maximum(right - (at[right] > every), 0)
    whole = np.interp(every.astype(np.int64), at.astype(np.int64), have)
    outside = (every < at[0]) | (every > at[-1])
    return np.where(outside | (at[right] - at[left] > _FARTHEST), np.nan, whole)


def _summed(
    amounts: Values, time: Times, first: int, size: int, parts: int, rate: bool
) -> npt.NDArray[np.float64]:
    """(1, hour) sum of the `parts` rows that end within each hour, or mean of their rates."""
    hour = -(-time.astype(np.int64) // _HOUR_NS) - first
    inside = (hour >= 0) & (hour < size) & np.isfinite(amounts)
    total = np.bincount(hour[inside], amounts[inside], minlength=size)
    count = np.bincount(hour[inside], minlength=size)
    made = total / np.maximum(count, 1) if rate else total
    return np.where(count >= parts, made, np.nan)[np.newaxis]

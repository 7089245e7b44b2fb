"""Are day and month of the stamps swapped? A spreadsheet does it wherever the day is at most 12.

1 February becomes 2 January and the other way round, 13 February stays: such a file has
every date, and summer days in January. A packaged station file that is really so in the
world is what this was written for.
"""

from __future__ import annotations

import numpy as np

from riskcast.base.errors import Fault
from riskcast.weather.dataset import Times, Values
from riskcast.weather.table import Table

__all__ = ["check_swapped", "swap"]

# Swapping back has to leave at most this share of the places where time goes backwards, or of
# the gaps, and of the mean step over midnight. In ten years of real hours at three places that
# step is 0.4 to 0.6 K, with days swapped 4 to 5 K.
_PLACES_LEFT = 0.1
_STEP_LEFT = 0.5

# Fewer midnights or places are no evidence.
_LEAST_MIDNIGHTS = 24
_LEAST_PLACES = 4

# Daily tables have the extremes instead.
_AIR = ("air_temperature", "air_temperature_min", "air_temperature_max")

_REMEDY = (
    "Give the dates as YYYY-MM-DD when the table is saved, or state the order of day and month"
    " in weather.table.time_format."
)


def swap(time: Times) -> Times:
    """The stamps with day and month exchanged where both can be either; NaT stays."""
    day = time.astype("datetime64[D]")
    month = day.astype("datetime64[M]")
    year = month.astype("datetime64[Y]")
    of_month = (day - month.astype("datetime64[D]")).astype(np.int64)  # 0 = the first
    of_year = (month - year.astype("datetime64[M]")).astype(np.int64)  # 0 = January
    may = ~np.isnat(time) & (of_month < 12)
    moved = (year.astype("datetime64[M]") + np.where(may, of_month, 0)).astype("datetime64[D]")
    moved = moved + np.where(may, of_year, 0)
    out = time.copy()
    out[may] = moved[may].astype(time.dtype) + (time[may] - day[may].astype(time.dtype))
    return out


def check_swapped(table: Table) -> list[Fault]:
    """At most one fault: the rows make sense with day and month exchanged, and not as they are.

    Seen in the order of the rows (time goes to and fro), in gaps (days of one month strewn
    over a year) or, in rows that were sorted since, in the steps of air temperature over
    midnight.
    """
    time = table.time
    if len(time) < _LEAST_MIDNIGHTS or np.isnat(time).any():
        return []
    other = swap(time)
    if np.array_equal(other, time):
        return []
    air = next((table.values[name] for name in _AIR if name in table.values), None)
    if not (_order_mends(time, other) or _gaps_mend(time, other) or _steps_mend(time, other, air)):
        return []
    moved = np.flatnonzero(other != time)
    was, is_ = (str(t[moved[0]].astype("datetime64[D]")) for t in (time, other))
    problem = (
        f"day and month are swapped where the day is at most 12 ({len(moved)} rows): read as"
        f" {was}, this can only be {is_}."
    )
    return [Fault(table.source, table.place_of(int(moved[0])), problem, remedy=_REMEDY)]


def _order_mends(time: Times, other: Times) -> bool:
    back, back_then = (int((np.diff(t) < np.timedelta64(0)).sum()) for t in (time, other))
    return back >= _LEAST_PLACES and back_then <= _PLACES_LEFT * back


def _gaps_mend(time: Times, other: Times) -> bool:
    gaps, gaps_then = _gaps(time), _gaps(other)
    return gaps >= _LEAST_PLACES and gaps_then <= _PLACES_LEFT * gaps


def _gaps(time: Times) -> int:
    """Places where the next stamp in order of time is not the usual step away."""
    steps = np.diff(np.sort(time)).astype(np.int64)
    values, counts = np.unique(steps, return_counts=True)
    return int((steps != values[np.argmax(counts)]).sum())


def _steps_mend(time: Times, other: Times, air: Values | None) -> bool:
    if air is None:
        return False
    as_is, count = _midnight_step(time, air[0])
    then, count_then = _midnight_step(other, air[0])
    return min(count, count_then) >= _LEAST_MIDNIGHTS and then < _STEP_LEFT * as_is


def _midnight_step(time: Times, air: Values) -> tuple[float, int]:
    """Mean change of air temperature, K, from the last row of a day to the first of the next.

    Only where a day that could be swapped meets another: the rest is the same either way.
    """
    order = np.argsort(time, kind="stable")
    day = time[order].astype("datetime64[D]")
    step = np.abs(np.diff(air[order]))
    of_month = (day - day.astype("datetime64[M]").astype("datetime64[D]")).astype(np.int64) + 1
    may = of_month <= 12
    wanted = (np.diff(day) == np.timedelta64(1, "D")) & (may[1:] | may[:-1]) & np.isfinite(step)
    count = int(wanted.sum())
    return (float(step[wanted].mean()) if count else np.inf), count

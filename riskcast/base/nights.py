"""Nights and local days: the one place where UTC hours meet the clock on the wall.

All times inside riskcast are UTC. A *night* runs from local noon to local noon and is
named by the date of its evening. Daylight saving is taken from the zone's own rules, so
the night of a clock change has 23 or 25 hours.
"""

from __future__ import annotations

import datetime as dt
from typing import Any, cast
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["as_ns", "end_of_day", "local_date", "local_days", "night_of", "utc"]

_HALF_DAY = pd.Timedelta(hours=12)


def _local(times: Any, timezone: str) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(np.asarray(times, dtype="datetime64[ns]"), tz="UTC").tz_convert(
        ZoneInfo(timezone)
    )


def night_of(times: Any, timezone: str) -> npt.NDArray[np.datetime64]:
    """Evening date (datetime64[D]) of the night each UTC time belongs to."""
    wall = _local(times, timezone).tz_localize(None)
    return np.asarray((wall - _HALF_DAY).normalize(), dtype="datetime64[D]")


def local_days(times: Any, timezone: str) -> npt.NDArray[np.datetime64]:
    """Calendar date (datetime64[D]) on the wall at each UTC time."""
    wall = _local(times, timezone).tz_localize(None)
    return np.asarray(wall.normalize(), dtype="datetime64[D]")


def local_date(moment: Any, timezone: str) -> dt.date:
    """Calendar date on the wall at one UTC moment."""
    return dt.date.fromisoformat(str(local_days([as_ns(moment)], timezone)[0]))


def end_of_day(date: dt.date, timezone: str) -> np.datetime64:
    """Last second of a local day, as UTC datetime64[ns]."""
    wall = dt.datetime.combine(date, dt.time(23, 59, 59), tzinfo=ZoneInfo(timezone))
    return utc(wall)


def utc(moment: dt.datetime) -> np.datetime64:
    """An aware datetime as UTC datetime64[ns]."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment!r} has no time zone")
    return np.datetime64(moment.astimezone(dt.UTC).replace(tzinfo=None), "ns")


def as_ns(moment: Any) -> np.datetime64:
    """Any date or naive UTC moment as datetime64[ns], the one resolution used inside."""
    stamp: Any = np.asarray(moment, dtype="datetime64[ns]")[()]
    return cast(np.datetime64, stamp)

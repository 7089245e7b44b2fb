"""The moment a run speaks from."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from riskcast.base.nights import end_of_day, local_date, utc

__all__ = ["Moment", "moment"]


@dataclass(frozen=True)
class Moment:
    """The moment a run speaks from: nothing dated or issued later is read.

    `live` is False for a moment in the past that was asked for: nothing can be sent then.
    """

    issued_at: np.datetime64
    issued_on: dt.date
    live: bool


def moment(as_of: dt.date | dt.datetime | None, timezone: str) -> Moment:
    """The moment of a run: a bare date is the end of that day at the site, None is now."""
    now = utc(dt.datetime.now(dt.UTC))
    if as_of is None:
        return Moment(now, local_date(now, timezone), live=True)
    if isinstance(as_of, dt.datetime):
        aware = as_of if as_of.tzinfo else as_of.replace(tzinfo=ZoneInfo(timezone))
        issued = utc(aware)
    else:
        issued = end_of_day(as_of, timezone)
    return Moment(issued, local_date(issued, timezone), live=bool(issued >= now))

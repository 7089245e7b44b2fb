"""Daily means about one New Year: what the sums of spring are made of."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.nights import local_days
from riskcast.habitat.inputs import complete_variable
from riskcast.habitat.phenology import first_day_above

__all__ = ["Spring"]

FloatArray = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

# A local day of 23 to 25 hours counts from this many hours on.
_WHOLE_HOURS = 20
_JULY = 7
# Days from here on can matter: 1 July of the year before, counted from this New Year.
_WINTER_YEAR_BEGINS = -183
_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class Spring:
    """Daily means about one New Year.

    Attributes
    ----------
    year : of the spring
    ordinal : (day,) day of that year, zero or less before it
    daily_mean : (member, day) °C, whole local days only
    """

    year: int
    ordinal: npt.NDArray[np.int64]
    daily_mean: FloatArray

    @classmethod
    def of(cls, weather: xr.Dataset, timezone: str) -> Spring:
        """The spring of the last hour's winter year, from hourly air temperature."""
        air = complete_variable(weather, "air_temperature", "degC")
        label = local_days(air["time"].values, timezone)
        days, start, hours = np.unique(label, return_index=True, return_counts=True)
        mean = np.add.reduceat(air.values, start, axis=1) / hours
        whole = hours >= _WHOLE_HOURS
        last = days[-1].astype("datetime64[M]").astype(int)
        year = 1970 + int(last) // 12 + (int(last) % 12 + 1 >= _JULY)
        new_year = np.datetime64(f"{year:04d}-01-01", "D")
        ordinal = ((days - new_year) // _DAY + 1).astype(np.int64)
        recent = whole & (ordinal >= _WINTER_YEAR_BEGINS)
        return cls(year, ordinal[recent], mean[:, recent])

    def ordinal_of(self, month_day: Sequence[int]) -> int:
        """Day of the spring's year of a month and day."""
        month, day = month_day
        return dt.date(self.year, month, day).timetuple().tm_yday

    def require_from(self, start: float, what: str) -> None:
        """A sum that begins before its first day would be too small without a word."""
        if not self.ordinal.size or self.ordinal[0] > np.ceil(start):
            first = self.dates(np.array([np.ceil(start)]))[0].astype("datetime64[D]")
            raise ValueError(f"weather: expected whole days from {first} on, for {what}")

    def reached(self, sums: FloatArray, needed: npt.ArrayLike) -> FloatArray:
        """Day of the year on which each sum is passed (member, draw), inf = not in the series."""
        index = first_day_above(sums, np.atleast_1d(needed))
        return np.append(self.ordinal.astype(float), np.inf)[index]

    def dates(self, ordinal: FloatArray) -> Times:
        """Days of the year as datetime64[ns]; NaT for inf."""
        known = np.isfinite(ordinal)
        whole = np.round(np.where(known, ordinal, 1.0)).astype(np.int64)
        date = np.datetime64(f"{self.year:04d}-01-01", "D") + (whole - 1) * _DAY
        return np.where(known, date.astype("datetime64[ns]"), np.datetime64("NaT", "ns"))

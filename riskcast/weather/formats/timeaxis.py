"""When the rows of a CF file are valid: its time axis, its calendar, and where its days begin."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import cf_xarray  # noqa: F401  (registers the .cf accessor)
import cftime
import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.weather.daily import over_by
from riskcast.weather.dataset import Times
from riskcast.weather.table import readable, refuse

__all__ = ["Rows", "decoded", "made_at", "name_of_time", "rows_until"]

Whole = npt.NDArray[np.int64]
_T = TypeVar("_T")

_CALENDARS = ("standard", "gregorian", "proleptic_gregorian")

_DAY = np.timedelta64(24, "h")
_NOON_H = 12


@dataclass(frozen=True)
class Rows:
    """Rows of a file that may be read.

    Attributes
    ----------
    position : (row,) int, where they stand on the file's axis
    time : (row,) datetime64[ns] UTC: the moment, or where the 24 h of a daily row begin
    daily : the rows are days
    """

    position: Whole
    time: Times
    daily: bool


def name_of_time(file: xr.Dataset, source: str) -> str:
    """Name of the variable that says when each row is valid."""
    by_standard = file.cf.standard_names.get("time", [])
    names = [*by_standard, *(n for n in ("valid_time", "time", "t") if n in file.variables)]
    dated = [n for n in dict.fromkeys(names) if "since" in str(file[n].attrs.get("units", ""))]
    rows = [str(n) for n in dated if file[n].ndim == 1]
    if rows:
        return rows[0]
    if any(file[name].ndim > 1 for name in dated):
        problem = "several forecasts in one file: its times have two dimensions."
        raise refuse(source, "time", problem, remedy="Write one file a forecast.")
    raise refuse(
        source,
        "time",
        "no time axis: expected a variable with standard_name time and units such as"
        ' "hours since 1970-01-01".',
        remedy=f"The file holds {', '.join(map(str, file.variables)) or 'nothing'}.",
    )


def rows_until(
    file: xr.Dataset, time: str, as_of: np.datetime64 | None, source: str, *, extremes: bool
) -> Rows:
    """Rows that are known when it is `as_of`; a day is known when it is over.

    Rows are days where they stand 24 h apart, or where their bounds do; of a single row
    without bounds only its variables can tell (`extremes`: lowest and highest temperatures).
    A day begins where its bounds say, else at its stamp, else, stamped 12:00, at midnight.

    Parameters
    ----------
    time : name of the variable that says when each row is valid (`name_of_time`)

    Raises
    ------
    WeatherError
        A calendar of no real days, or times that cannot be read.
    """
    axis = file[time]
    calendar = str(axis.attrs.get("calendar", "standard")).lower()
    if calendar not in _CALENDARS:
        raise refuse(
            source,
            time,
            "a calendar without real dates belongs to climate models, not to observed or"
            " forecast weather.",
            calendar,
            "Use a reanalysis, a station or a forecast (calendar standard).",
        )
    raw = np.asarray(axis.values)
    limit = None
    if as_of is not None:
        moment = as_of.astype("datetime64[us]").astype(dt.datetime)
        limit = _understood(axis, source, lambda units: cftime.date2num(moment, units, calendar))
    position = readable(raw, limit)
    stamps = decoded(axis, raw[position], source)
    begin = _days(file, axis, position, stamps, extremes, source)
    if begin is None:
        return Rows(position, stamps, False)
    over = over_by(begin, as_of)
    return Rows(position[over], begin[over], True)


def _days(
    file: xr.Dataset,
    axis: xr.DataArray,
    position: Whole,
    stamps: Times,
    extremes: bool,
    source: str,
) -> Times | None:
    """(row,) where each row's 24 h begin, None where the rows are no days."""
    if not len(stamps):
        return None
    bounds = _bounds(file, axis, position, source)
    if bounds is not None:
        widths = bounds[:, 1] - bounds[:, 0]
        return bounds[:, 0] if (widths == _DAY).all() else None
    steps = np.diff(stamps)
    a_day_apart = len(steps) > 0 and np.count_nonzero(steps == _DAY) * 2 > len(steps)
    if not (a_day_apart or (len(stamps) == 1 and extremes)):
        return None
    of_day = stamps - stamps.astype("datetime64[D]")
    if (of_day == np.timedelta64(_NOON_H, "h")).all():
        return np.asarray(stamps - np.timedelta64(_NOON_H, "h"))
    return stamps


def _bounds(file: xr.Dataset, axis: xr.DataArray, position: Whole, source: str) -> Times | None:
    """(row, 2) beginning and end of each row's interval, where the file states them."""
    named = axis.attrs.get("bounds", axis.encoding.get("bounds"))
    names = [str(named), "time_bnds", "time_bounds"]
    name = next((n for n in names if n in file.variables and file[n].shape == (axis.size, 2)), None)
    if name is None:
        return None
    # CF 7.1: bounds take the units of what they bound, unless they state their own.
    stated = file[name] if "units" in file[name].attrs else axis
    ends = [decoded(stated, file[name].values[position, k], source) for k in (0, 1)]
    return np.stack(ends, axis=1)


def decoded(time: xr.DataArray, raw: npt.NDArray[np.generic], source: str) -> Times:
    """(row,) datetime64[ns]; NaN becomes NaT. Seconds are whole: fractions of days are not."""

    def by_xarray(units: str) -> Times:
        attrs = {"units": units, "calendar": time.attrs.get("calendar", "standard")}
        fine = xr.decode_cf(xr.Dataset({"at": ("row", raw, attrs)}))["at"].values
        half = np.timedelta64(500, "ms")
        whole: Times = (fine.astype("datetime64[ns]") + half).astype("datetime64[s]")
        return whole.astype("datetime64[ns]")

    return _understood(time, source, by_xarray)


def _understood(time: xr.DataArray, source: str, step: Callable[[str], _T]) -> _T:
    units = str(time.attrs.get("units", ""))
    try:
        return step(units)
    except (ValueError, OverflowError) as error:
        problem = f"times cannot be read: {error}."
        remedy = 'Expected units such as "hours since 1970-01-01".'
        raise refuse(source, str(time.name), problem, units, remedy) from None


def made_at(file: xr.Dataset, source: str) -> np.datetime64 | None:
    """When the forecast in a dataset was made, None where it does not say.

    Raises
    ------
    WeatherError
        Several forecasts in one, or a time that cannot be read.
    """
    valid = name_of_time(file, source)
    named = ["forecast_reference_time"] if "forecast_reference_time" in file.variables else []
    for name in [*named, *file.cf.standard_names.get("forecast_reference_time", [])]:
        made = file[name]
        if name == valid or (made.size > 1 and made.dims == file[valid].dims):
            continue  # an analysis: every step is its own start
        if made.size > 1:
            problem = f"the file holds {made.size} forecasts, expected one."
            raise refuse(source, str(name), problem, remedy="Write one file a forecast.")
        return np.datetime64(decoded(made, np.atleast_1d(made.values), source)[0])
    stated = file.attrs.get("reference_time", file.attrs.get("forecast_reference_time"))
    return None if stated is None else _parsed(str(stated), source)


def _parsed(text: str, source: str) -> np.datetime64:
    try:
        moment = dt.datetime.fromisoformat(text.strip().replace("Z", "+00:00"))
    except ValueError:
        problem = "expected a time as in 2025-10-27T06:00:00Z."
        raise refuse(source, "reference_time", problem, text) from None
    if moment.tzinfo is not None:
        moment = moment.astimezone(dt.UTC).replace(tzinfo=None)
    return np.datetime64(moment, "ns")

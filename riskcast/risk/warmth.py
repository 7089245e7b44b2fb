"""Weather a visitor or a sleeper would meet, day by day, against the site's own past."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import xarray as xr

from riskcast.base.nights import local_days
from riskcast.habitat.spells import daily, runs
from riskcast.risk.assessment import Calendar, WarmSpell
from riskcast.species import Species

__all__ = ["calendar", "warm_spell", "warm_spell_limits"]

# How far ahead a visit is planned, and how far back a spell under way may have begun.
_DAYS_AHEAD = 60
_DAYS_BACK = 10
_DIGITS = 3


def calendar(futures: xr.Dataset, issued_on: dt.date, timezone: str, sp: Species) -> Calendar:
    """What a visit would meet on each of the next days.

    A day is unfit when the visiting hours bring more rain or a stronger mean wind than the
    species file allows. Without wind in the weather, rain alone decides.
    """
    start = np.datetime64(issued_on, "D")
    inside = futures.isel(
        time=(futures.time.values >= start - np.timedelta64(1, "D"))
        & (futures.time.values < start + np.timedelta64(_DAYS_AHEAD + 2, "D"))
    )
    warmest = daily(inside["air_temperature"], timezone, "max")
    coldest = daily(inside["air_temperature"], timezone, "min")
    local = pd.DatetimeIndex(inside.time.values, tz="UTC").tz_convert(timezone)
    first, last = sp.risk.visit_first_hour, sp.risk.visit_last_hour
    # Precipitation is that of the hour which ends at its stamp.
    rain = inside["precipitation"].isel(time=(local.hour > first) & (local.hour <= last))
    unfit = daily(rain, timezone, "sum") > sp.risk.visit_rain_limit
    if "wind_speed" in inside:
        wind = inside["wind_speed"].isel(time=(local.hour >= first) & (local.hour < last))
        unfit = unfit | (daily(wind, timezone, "mean") > sp.risk.visit_wind_limit)
    wanted = pd.date_range(pd.Timestamp(issued_on), periods=_DAYS_AHEAD).to_numpy()
    wanted = wanted[np.isin(wanted, unfit["day"].values)]

    def middle(values: xr.DataArray) -> tuple[float, ...]:
        chosen = values.sel(day=wanted).median("member").values
        return tuple(round(float(v), 1) for v in chosen)

    return Calendar(
        days=tuple(pd.Timestamp(day).date() for day in wanted),
        unfit_weather=tuple(
            round(float(v), _DIGITS) for v in unfit.sel(day=wanted).mean("member").values
        ),
        warmest=middle(warmest),
        coldest=middle(coldest),
    )


def warm_spell_limits(past: xr.Dataset, timezone: str, sp: Species) -> xr.DataArray:
    """The site's own 90th percentile of daily maximum for each day, from a 5-day window.

    Warm spell duration index, Expert Team on Climate Change Detection and Indices.
    """
    warmest = daily(past["air_temperature"], timezone, "max")
    width = int(sp.risk.warm_spell_window)
    # The ends of the season repeat their last day: May says nothing of August.
    padded = np.pad(warmest.values, ((0, 0), (width // 2, width // 2)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width, axis=1)
    limit = np.quantile(windows, sp.risk.warm_spell_quantile, axis=(0, 2))
    return xr.DataArray(limit, dims=("day",), coords={"day": warmest["day"]})


def warm_spell(
    futures: xr.Dataset, past: xr.Dataset, issued_on: dt.date, timezone: str, sp: Species
) -> WarmSpell | None:
    """The first warm spell that is under way or comes within the forecast; None if there is none.

    A spell is a run of at least `risk.warm_spell_length` days on which the median member's
    maximum is above the site's own 90th percentile for the date.
    """
    if not past.sizes["member"]:
        return None
    warmest = daily(futures["air_temperature"], timezone, "max")
    limits = warm_spell_limits(past, timezone, sp)
    forecast = futures.time.values[futures["provenance"].values == "forecast"]
    if not forecast.size:
        return None
    last = local_days(forecast[-1:], timezone)[0]
    issued = np.datetime64(issued_on, "D")
    days = warmest["day"].values.astype("datetime64[D]")
    chosen = (days >= issued - np.timedelta64(_DAYS_BACK, "D")) & (days <= last)
    days = days[chosen]
    above = (warmest.values - limits.sel(day=warmest["day"]).values)[:, chosen] > 0
    median_above = (
        np.median(warmest.values, axis=0)[chosen] > limits.sel(day=warmest["day"]).values[chosen]
    )
    for first, end in runs(median_above, int(sp.risk.warm_spell_length)):
        if days[end - 1] < issued:
            continue
        run = above[:, first:end]
        long_enough = np.array(
            [bool(runs(member, int(sp.risk.warm_spell_length))) for member in run]
        )
        return WarmSpell(
            start=dt.date.fromisoformat(str(days[first])),
            end=dt.date.fromisoformat(str(days[end - 1])),
            days=end - first,
            share=round(float(long_enough.mean()), _DIGITS),
        )
    return None

"""Warm spells as others define them: runs of warm days, counted by winter year.

They describe the weather and enter no risk: what a warm spell costs an animal is computed through
nest, torpor and fat. Counted by winter year (July to June), a spell over New Year stays one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from riskcast.base.nights import local_days

__all__ = [
    "DEFINITIONS",
    "SpellDefinition",
    "calendar_limits",
    "daily",
    "limits_of",
    "runs",
    "spell_counts",
    "warm_days",
    "warm_spells",
    "winter_years",
]

FloatArray = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_DAYS_OF_LEAP_YEAR = 366
_JULY = 7
_WINTER = (12, 1, 2)


@dataclass(frozen=True)
class SpellDefinition:
    """What somebody calls a warm spell: at least so many days running above a limit.

    Attributes
    ----------
    name, title : for programs, for people
    of : which daily value, "max" or "mean"
    least_days : shortest run that counts
    quantile : the limit is this quantile of the site's own past; None = `limit_degc`
    window_days : days about the date that the quantile is taken of; None = all days of `months`
    limit_degc : a fixed limit, °C
    months : the only ones that are looked at; empty = all
    source : whose, and what of it was read
    """

    name: str
    title: str
    of: Literal["max", "mean"]
    least_days: int
    source: str
    quantile: float | None = None
    window_days: int | None = None
    limit_degc: float | None = None
    months: tuple[int, ...] = ()


# Their numbers are part of the definitions and belong to no species.
DEFINITIONS = (
    SpellDefinition(
        "warm_spell_duration",
        "6 days and more with a maximum above the 90th percentile of the date",
        "max",
        6,
        "WSDI; Expert Team on Climate Change Detection and Indices",
        quantile=0.9,
        window_days=5,
    ),
    SpellDefinition(
        "warm_spell_duration_mean",
        "the same with the daily mean",
        "mean",
        6,
        "form of WSDI for daily means",
        quantile=0.9,
        window_days=5,
    ),
    SpellDefinition(
        "winter_warm_spell_95",
        "3 days and more with a maximum above the 95th percentile of December to February",
        "max",
        3,
        # That all days of the winter are taken together is how we read the abstract.
        "Tomczyk et al. 2019, abstract",
        quantile=0.95,
        months=_WINTER,
    ),
    SpellDefinition(
        "winter_warm_spell_13",
        "5 days and more with a maximum above 13 °C, December to February",
        "max",
        5,
        "Chapman et al. 2020, abstract; they judge by crossings and count no runs",
        limit_degc=13.0,
        months=_WINTER,
    ),
)


def daily(values: xr.DataArray, timezone: str, how: str) -> xr.DataArray:
    """Aggregate hours to local days: ``how`` is "max", "min", "mean" or "sum".

    Parameters
    ----------
    values : (member, time), hourly

    Returns
    -------
    DataArray (member, day), day as datetime64 midnight of the local date
    """
    days = local_days(values.time.values, timezone).astype("datetime64[ns]")
    frame = pd.DataFrame(values.transpose("time", "member").values, index=days)
    frame = getattr(frame.groupby(level=0), how)()
    return xr.DataArray(
        frame.to_numpy().T,
        dims=("member", "day"),
        coords={"member": values["member"].values, "day": frame.index.to_numpy()},
    )


def runs(flags: Flags, shortest: int) -> list[tuple[int, int]]:
    """Runs of True of at least a length in one row, as (first, end) with the end excluded."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [(int(a), int(b)) for a, b in pairs if b - a >= shortest]


def spell_counts(flags: Flags, least_days: int) -> tuple[int, int, int]:
    """Days in runs of at least a length, number of such runs, and the longest of them.

    Parameters
    ----------
    flags : (day,)
    """
    lengths = [end - first for first, end in runs(flags, least_days)]
    return sum(lengths), len(lengths), max(lengths, default=0)


def winter_years(days: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """First year of the winter year (July to June) each day belongs to."""
    index = pd.DatetimeIndex(np.asarray(days, dtype="datetime64[ns]"))
    return np.asarray(index.year - (index.month < _JULY), dtype=np.int64)


def calendar_limits(
    values: npt.ArrayLike, days: npt.ArrayLike, *, quantile: float, window_days: int
) -> FloatArray:
    """Quantile of daily values for each day of the year, from the days about that date.

    The calendar-day percentile of ETCCDI, in the form that xclim gives it: windows run over the
    ends of years, quantiles are median-unbiased (type 8 of Hyndman & Fan 1996), and where the
    366th day has fewer values than the others, 365 limits are stretched over 366 days.

    Parameters
    ----------
    values : (member, day); several members are several years on the same days
    days : (day,) datetime64, consecutive
    window_days : odd

    Returns
    -------
    ndarray (366,); NaN for days of the year that do not occur
    """
    data = np.atleast_2d(np.asarray(values, dtype=float))
    half = window_days // 2
    padded = np.pad(data, ((0, 0), (half, half)), constant_values=np.nan)
    about = np.lib.stride_tricks.sliding_window_view(padded, window_days, axis=1)
    ordinal = np.asarray(pd.DatetimeIndex(np.asarray(days, dtype="datetime64[ns]")).day_of_year)
    limits = np.full(_DAYS_OF_LEAP_YEAR, np.nan)
    for day in np.unique(ordinal):
        pool = about[:, ordinal == day].ravel()
        limits[day - 1] = np.nanquantile(pool, quantile, method="median_unbiased")
    count = np.bincount(ordinal, minlength=_DAYS_OF_LEAP_YEAR + 1)
    if 0 < count[_DAYS_OF_LEAP_YEAR] < count[_DAYS_OF_LEAP_YEAR - 1]:
        others = np.linspace(1, _DAYS_OF_LEAP_YEAR, _DAYS_OF_LEAP_YEAR - 1)
        limits = np.interp(np.arange(1, _DAYS_OF_LEAP_YEAR + 1), others, limits[:-1])
    return limits


def limits_of(past: xr.DataArray, definition: SpellDefinition) -> FloatArray:
    """The limit on each day of `past`, °C.

    Parameters
    ----------
    past : DataArray (member, day) of the daily value that the definition is of

    Returns
    -------
    ndarray (day,)
    """
    days = past["day"].values
    if definition.quantile is None:
        return np.full(days.size, definition.limit_degc, dtype=float)
    if definition.window_days is not None:
        limits = calendar_limits(
            past.transpose("member", "day").values,
            days,
            quantile=definition.quantile,
            window_days=definition.window_days,
        )
        return np.asarray(limits[pd.DatetimeIndex(days).day_of_year - 1])
    inside = _inside(days, definition)
    pool = past.transpose("member", "day").values[:, inside]
    limit = np.nan
    if pool.size:
        limit = float(np.quantile(pool, definition.quantile, method="median_unbiased"))
    return np.full(days.size, limit)


def warm_days(values: xr.DataArray, limits: FloatArray, definition: SpellDefinition) -> Flags:
    """Which days (member, day) are above their limit, in the months that are looked at."""
    data = values.transpose("member", "day").values
    return np.asarray((data > limits) & _inside(values["day"].values, definition))


def warm_spells(
    values: xr.DataArray, limits: FloatArray, definition: SpellDefinition
) -> xr.Dataset:
    """Warm spells of each member in each winter year.

    Parameters
    ----------
    values : DataArray (member, day), consecutive days
    limits : (day,) from `limits_of`, °C

    Returns
    -------
    Dataset (member, winter)
        ``days`` in spells, number of ``spells``, ``longest``; winter = first year. A run is
        cut where the winter year ends.
    """
    warm = warm_days(values, limits, definition)
    year = winter_years(values["day"].values)
    winters = np.unique(year)
    counts = np.array(
        [[spell_counts(row[year == winter], definition.least_days) for winter in winters]
         for row in warm]
    )  # fmt: skip
    return xr.Dataset(
        {
            name: (("member", "winter"), counts[..., n])
            for n, name in enumerate(("days", "spells", "longest"))
        },
        coords={"member": values["member"].values, "winter": winters},
    )


def _inside(days: npt.NDArray[np.datetime64], definition: SpellDefinition) -> Flags:
    """Days in the months that the definition looks at."""
    if not definition.months:
        return np.ones(days.size, dtype=bool)
    return np.isin(pd.DatetimeIndex(days).month, definition.months)

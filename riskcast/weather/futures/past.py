"""What past years lend: the same dates of another winter, the usual value of an hour, the mean.

A winter year runs from July to June and is named by its first year: counted by calendar
years, a spell over New Year would vanish.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from riskcast.base.errors import WeatherError
from riskcast.weather.dataset import FILLED, Course, Note, Values, stamp, stamps

__all__ = [
    "LEAST_SHARE",
    "NORMAL_YEARS",
    "Usual",
    "annual_mean",
    "fill_long_gaps",
    "gap_note",
    "past_year_mean",
    "recent_gap_share",
    "same_dates",
    "share_present",
    "usual",
    "winter_year",
]

Whole = npt.NDArray[np.int64]

# A past winter with more than this missing is another winter (common practice, no source).
LEAST_SHARE = 0.95

# Fewer past winters than this give no normal (common practice, no source).
NORMAL_YEARS = 5

# The usual value of an hour is the mean of the same hour on 15 days around the date: one
# date of 20 years still carries the noise of single days.
_WINDOW_DAYS = 7

# The nest's column remembers about ten days; with more than a fifth of them unknown its
# state today is not known either.
_RECENT_HOURS = 240
_MOST_RECENT_FILLED = 0.2

# K²; a file of one repeated year has no spread, and nothing can be divided by that.
_LEAST_VARIANCE = 1e-4

_PAST_YEAR_MEAN = FILLED.index("past_year_mean")
_MONTH_STARTS = np.array([0, 31, 60, 91, 121, 152, 182, 213, 244, 274, 305, 335])
_LEAP_YEAR_DAYS = 366


def _calendar(hour: Whole) -> tuple[Whole, Whole, Whole]:
    """Winter year, day of a leap year (0..365) and hour of day of hours since 1970."""
    day = (hour // 24).astype("datetime64[D]")
    month = day.astype("datetime64[M]")
    month_of_year = month.astype(np.int64) % 12
    year = month.astype(np.int64) // 12 + 1970
    day_of_year = _MONTH_STARTS[month_of_year] + (day - month.astype("datetime64[D]")).astype(int)
    return year - (month_of_year < 6), day_of_year, hour % 24


def winter_year(hour: int) -> int:
    """First year of the winter year (July to June) an hour since 1970 lies in."""
    return int(_calendar(np.array([hour]))[0][0])


def same_dates(hour: Whole, years: int) -> Whole:
    """The same month, day and hour so many years later (earlier when negative).

    29 February becomes 28 February where the other year has none.

    Parameters
    ----------
    hour : (time,) hours since 1970-01-01
    """
    day = (hour // 24).astype("datetime64[D]")
    month = day.astype("datetime64[M]")
    other = month + np.timedelta64(12 * years, "M")
    length = ((other + 1).astype("datetime64[D]") - other.astype("datetime64[D]")).astype(int)
    of_month = np.minimum((day - month.astype("datetime64[D]")).astype(int), length - 1)
    moved: Whole = (other.astype("datetime64[D]") + of_month).astype(np.int64)
    return moved * 24 + hour % 24


def share_present(course: Course, names: tuple[str, ...], wanted: Whole) -> float:
    """Share of the wanted hours at which every named variable has a value."""
    there = [
        np.isfinite(course.reach(name, wanted)).reshape(len(wanted), -1).all(axis=1)
        for name in names
    ]
    return float(np.all(there, axis=0).mean())


def past_year_mean(course: Course, name: str, wanted: Whole) -> Values:
    """Mean of the other winter years at the same hour of day, dates within 7 days.

    Parameters
    ----------
    course : one member, NaN where missing
    wanted : (time,) hours since 1970-01-01

    Returns
    -------
    (time,) or (time, depth); NaN where no other year has a value
    """
    series = course.values[name][0].reshape(course.size, -1)
    hour = course.start + np.arange(course.size)
    winter, day, of_day = _calendar(hour)
    own, at_day, at_hour = _calendar(wanted)
    first = int(min(winter.min(), own.min()))
    shape = (int(max(winter.max(), own.max())) - first + 1, _LEAP_YEAR_DAYS, 24)
    flat = np.ravel_multi_index((winter - first, day, of_day), shape)
    columns = []
    for column in series.T:
        finite = np.isfinite(column)
        size = int(np.prod(shape))
        weights = np.where(finite, column, 0.0)
        total = _windowed(_sum_by(flat, weights, size).reshape(shape))
        count = _windowed(_sum_by(flat, finite, size).reshape(shape))
        mine = (own - first, at_day, at_hour)
        others = total.sum(axis=0)[at_day, at_hour] - total[mine]
        known = np.rint(count.sum(axis=0)[at_day, at_hour] - count[mine])
        columns.append(np.where(known > 0, others / np.maximum(known, 1), np.nan))
    return np.stack(columns, axis=-1).reshape(len(wanted), *course.values[name].shape[2:])


@dataclass(frozen=True)
class Usual:
    """What is usual at some hours: mean and standard deviation of other winter years.

    Attributes
    ----------
    mean, spread : (time,), in the variable's unit; NaN where no other year has a value
    """

    mean: Values
    spread: Values


def usual(course: Course, name: str, wanted: Whole) -> Usual:
    """Mean and spread of the other winter years at the same hour of day, dates within 7 days.

    Parameters
    ----------
    course : one member; `name` has no depth
    wanted : (time,) hours since 1970-01-01
    """
    mean = past_year_mean(course, name, wanted)
    square = replace(course, values={name: np.square(course.values[name])})
    variance = past_year_mean(square, name, wanted) - mean**2
    return Usual(mean, np.sqrt(np.maximum(variance, _LEAST_VARIANCE)))


def _sum_by(place: Whole, values: npt.ArrayLike, size: int) -> Values:
    weights = np.asarray(values, dtype=np.float64)
    return np.bincount(place, weights, minlength=size).astype(np.float64)


def _windowed(table: Values) -> Values:
    """Sum over the days around each day, around the year's end too; (winter, day, hour)."""
    reach = _WINDOW_DAYS
    around = np.concatenate([table[:, -reach:], table, table[:, :reach]], axis=1)
    running = np.cumsum(around, axis=1)
    before = np.concatenate([np.zeros_like(running[:, :1]), running[:, : -2 * reach - 1]], axis=1)
    return np.asarray(running[:, 2 * reach :] - before)


def annual_mean(course: Course, winters: list[int]) -> float:
    """Mean air temperature of whole years, °C: the past winter years, July to June.

    Where none of them is whole (a short history), the mean of the days of the year, each
    day's own mean first, so that no season counts twice.

    Raises
    ------
    WeatherError
        Less than a whole year in the history.
    """
    temperature = course.values["air_temperature"][0]
    hour = course.start + np.arange(course.size)
    winter, day, _ = _calendar(hour)
    whole = []
    for year in winters:
        values = temperature[winter == year]
        if np.isfinite(values).sum() >= LEAST_SHARE * (_LEAP_YEAR_DAYS - 1) * 24:
            whole.append(float(np.nanmean(values)))
    if whole:
        return float(np.mean(whole))
    finite = np.isfinite(temperature)
    total = np.bincount(day[finite], temperature[finite], minlength=_LEAP_YEAR_DAYS)
    count = np.bincount(day[finite], minlength=_LEAP_YEAR_DAYS)
    if (count > 0).sum() < LEAST_SHARE * _LEAP_YEAR_DAYS:
        days = int((count > 0).sum())
        raise WeatherError(
            f"not enough data because the history holds {days} different days of the year:"
            " a whole year is needed for the mean temperature below the nest. Give"
            " weather.history a longer file."
        )
    return float(np.mean(total[count > 0] / count[count > 0]))


def recent_gap_share(missing: npt.NDArray[np.bool_]) -> float:
    """Share of the last ten days that had to be filled.

    Raises
    ------
    WeatherError
        More than a fifth: not enough data.
    """
    recent = missing[-_RECENT_HOURS:]
    share = float(recent.mean()) if len(recent) else 0.0
    if share > _MOST_RECENT_FILLED:
        raise WeatherError(
            f"not enough data because {int(recent.sum())} of the last {len(recent)} hours are"
            f" missing ({share:.0%}; at most {_MOST_RECENT_FILLED:.0%} can be filled in)."
        )
    return share


def fill_long_gaps(course: Course) -> Course:
    """Gaps of more than three hours filled with the usual value of the hour in other years.

    The nest has memory, so a gap cannot be left out; what is filled is marked and told.

    Raises
    ------
    WeatherError
        No other year to take it from, or more than a fifth of the last ten days.
    """
    holes = {
        name: np.isnan(array).reshape(len(course.member), course.size, -1).any(axis=(0, 2))
        for name, array in course.values.items()
    }
    missing = np.any(list(holes.values()), axis=0)
    if not missing.any():
        return course
    values, filled = dict(course.values), course.filled.copy()
    faults = []
    for name, hole in holes.items():
        if not hole.any():
            continue
        hour = course.start + np.flatnonzero(hole)
        usual = past_year_mean(course, name, hour)
        if len(course.member) > 1 or np.isnan(usual).any():
            first, last = stamps(hour[[0, -1]])
            span = f"between {stamp(first)} and {stamp(last)}"
            faults.append(f"{name} is missing for {len(hour)} h {span}")
            continue
        array = values[name].copy()
        own = np.isnan(array[0, hole])
        array[0, hole] = np.where(own, usual, array[0, hole])
        values[name] = array
        filled[hole] = _PAST_YEAR_MEAN
    if faults:
        raise WeatherError(
            f"not enough data because {', '.join(faults)}, and the file holds no other year to"
            " fill it from. Download the missing hours."
        )
    share = recent_gap_share(course.gap | missing)
    told = gap_note(share, missing)
    return replace(course, values=values, filled=filled, notes=(*course.notes, *told))


def gap_note(share: float, long_gap: npt.NDArray[np.bool_]) -> list[Note]:
    """What to tell of long gaps; a few interpolated hours are not worth a word.

    Parameters
    ----------
    share : of the last ten days, all filled hours
    long_gap : (time,) hours filled with other years' values
    """
    if long_gap[-_RECENT_HOURS:].any():
        return [Note("gap_filled", {"share_last_10_days": round(share, 3)})]
    if long_gap.any():
        return [Note("earlier_gap_filled", {"hours": int(long_gap.sum())})]
    return []

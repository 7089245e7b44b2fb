"""What is not there: empty columns, hours without a value, and values of a sensor that hangs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from riskcast.base.errors import Fault
from riskcast.base.nights import night_of
from riskcast.weather.dataset import Note, Values, hours
from riskcast.weather.table import Table

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["check_frozen", "frozen", "set_aside", "tell_missing"]

# Equal values in a row, and days over which they stretch, from which a thermometer hangs, by
# the resolution it reports in: Dunn et al. 2012 (HadISD), test for repeated streaks, as in
# the program of the data set's makers. Either is enough. The longest real streak in 18 years
# of hours at two places, in tenths of a degree, is 8.
_FEWEST = 10  # equal values, below which no stretch of time counts
_STREAKS = ((0.9, 40, 14.0), (0.4, 30, 10.0), (0.0, 24, 7.0))

# Digits that tell the resolution; finer ones are noise of packing.
_DIGITS = 3

# Missing in a column from here on is told: from the same share a past winter is not used.
_TOLD_SHARE = 0.05

# A night with more than this share of its hours missing tells little of its coldest hour
# (common practice, no source).
_MOST_OF_A_NIGHT = 1 / 3

Mask = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]


def check_frozen(table: Table) -> list[Fault]:
    """At most one fault: a thermometer that hung all the time."""
    air = table.values.get("air_temperature")
    if air is None or not _is_measured(table) or not np.isfinite(air).any():
        return []
    hanging = frozen(hours(table.time).astype(float), air[0])
    if not hanging[np.isfinite(air[0])].all():
        return []
    problem = "the same value in every row: the thermometer hangs, or the column is another."
    value = f"{air[0][hanging][0]:g} degC"
    return [Fault(table.source, "air_temperature", problem, value, "Look at the file.")]


def _is_measured(table: Table) -> bool:
    """One course of hours, not a forecast and not made by a model of the day."""
    return len(table.member) == 1 and not table.forecast and table.filled is None


def set_aside(table: Table) -> None:
    """Take empty columns out and set a hanging sensor's values to missing, each with a note.

    Only the air temperature of a single course is looked at: models do not hang, and rain,
    snow, wind and moist air keep one value for days.
    """
    for name in [n for n, v in table.values.items() if v.size and not np.isfinite(v).any()]:
        del table.values[name]
        # One note a column: another of the same name may come from the decoder.
        if not any(n.code == "null_column" and n.numbers.get("name") == name for n in table.notes):
            table.notes.append(Note("null_column", {"name": name, "source": table.source}))
    air = table.values.get("air_temperature")
    if air is None or not _is_measured(table):
        return
    hour = hours(table.time)
    hanging = frozen(hour.astype(float), air[0])
    if hanging.any():
        table.values["air_temperature"] = np.where(hanging, np.nan, air)
        step = int(np.median(np.diff(hour)))
        numbers: dict[str, Any] = {"hours": int(hanging.sum()) * step, "source": table.source}
        table.notes.append(Note("frozen_sensor", numbers))


def frozen(hour: Values, values: Values) -> Mask:
    """Which rows belong to a streak of one value so long that the thermometer hangs.

    Parameters
    ----------
    hour : (row,) increasing, h
    values : (row,) °C, NaN where missing; missing rows neither end a streak nor count

    Returns
    -------
    (row,) bool, False at missing rows
    """
    out = np.zeros(len(values), dtype=bool)
    there = np.flatnonzero(np.isfinite(values))
    if len(there) < 2:
        return out
    rounded = np.round(values[there], _DIGITS)
    least, days = _longest_streak(rounded)
    edges = np.flatnonzero(np.r_[True, rounded[1:] != rounded[:-1], True])
    count = np.diff(edges)
    stretch = hour[there[edges[1:] - 1]] - hour[there[edges[:-1]]]
    hangs = (count >= least) | ((count >= _FEWEST) & (stretch >= days * 24))
    out[there] = np.repeat(hangs, count)
    return out


def _longest_streak(rounded: Values) -> tuple[int, float]:
    """Rows and days from which equal values are suspect, by how finely they are written.

    One value throughout says nothing of that: then only the longest of the stretches counts.
    """
    distinct = np.unique(rounded)
    if len(distinct) == 1:
        return len(rounded) + 1, _STREAKS[0][2]
    step = float(np.median(np.diff(distinct)))
    return next((rows, days) for finest, rows, days in _STREAKS if step >= finest)


def tell_missing(table: Table, native_h: Whole, place: Place | None) -> None:
    """Note each column of one course that lacks a good part of its hours, and the nights in it.

    A night runs from local noon to local noon (UTC without a place). Counted is from the first
    row to the last with any value, so that what is not yet known is not missing.

    Parameters
    ----------
    table : times in order, on the full hour
    native_h : (row,) hours each row stands for
    """
    if len(table.member) != 1 or table.forecast:
        return
    there = [
        np.isfinite(values[0]).reshape(len(table.time), -1).all(axis=1)
        for values in table.values.values()
    ]
    some = np.flatnonzero(np.any(there, axis=0)) if there else np.zeros(0)
    if not len(some):
        return
    window = slice(some[0], some[-1] + 1)
    hour, native = hours(table.time[window]), native_h[window]
    # Columns that lack the same hours, as where rows are missing, are told of together.
    told: dict[bytes, list[str]] = {}
    for name, mask in zip(table.values, there, strict=True):
        told.setdefault(mask[window].tobytes(), []).append(name)
    for mask, names in ((np.frombuffer(key, dtype=bool), names) for key, names in told.items()):
        missing = _hours_missing(hour, native, mask)
        share = len(missing) / (hour[-1] - hour[0] + native[0])
        if share >= _TOLD_SHARE:
            nights = _short_nights(missing, place)
            numbers: dict[str, Any] = {"name": ", ".join(names), "percent": round(100 * share, 1)}
            numbers |= {"nights": nights, "source": table.source}
            table.notes.append(Note("hours_missing", numbers))


def _hours_missing(hour: Whole, native: Whole, mask: Mask) -> Whole:
    """Hours since 1970 for which no row has a value, between the first row and the last."""
    covered = np.zeros(hour[-1] - hour[0] + native[0] + 1, dtype=np.int64)
    end = hour - hour[0] + native[0]
    np.add.at(covered, (end - native)[mask], 1)
    np.add.at(covered, end[mask], -1)
    first = int(hour[0] - native[0]) + 1
    return np.flatnonzero(np.cumsum(covered)[:-1] <= 0).astype(np.int64) + first


def _short_nights(missing: Whole, place: Place | None) -> int:
    """Nights in which more than a third of the hours are missing."""
    times = missing.astype("datetime64[h]").astype("datetime64[ns]")
    night = night_of(times, "UTC" if place is None else place.timezone)
    _, counts = np.unique(night, return_counts=True)
    return int((counts > _MOST_OF_A_NIGHT * 24).sum())

"""Are the rows fit for use? Order, ranges, steps; then the hourly course with short gaps closed.

There is no filter on jumps: a fall of 16 K in a day is weather (a real station has one), and
such a filter deletes truth. What is refused is refused with all faults of the file at once;
what is kept is kept as it is, or set aside as missing and said to be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from riskcast.base.errors import Fault
from riskcast.weather.dataset import VARIABLES, Values, hours
from riskcast.weather.quality.gaps import check_frozen, set_aside, tell_missing
from riskcast.weather.quality.plausible import check_season
from riskcast.weather.quality.swapped import check_swapped
from riskcast.weather.table import Table

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["LONGEST_STEP", "SHORT_GAP", "check", "close_short_gaps", "grid"]

# Temperature is near enough to a straight line over three hours; over six the night's
# minimum is lost.
LONGEST_STEP = 3
SHORT_GAP = 3

# °C. Kelvin read as °C lies between them, °C read as Kelvin between their negatives.
_LIKE_KELVIN = (180.0, 340.0)

# What to do about a number that stands for no value.
_MISSING_IN_TEXT = (
    "If it stands for a missing value, leave it empty or name it under missing in [weather.table]."
)
_MISSING_ELSEWHERE = "If it stands for a missing value, leave it empty or state it as _FillValue."

# A run of this many equal steps is how the file is written; a single long one is a gap.
_STEPS_MEANT = 4

Whole = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


def check(table: Table, place: Place | None = None) -> list[Fault]:
    """All faults of the rows: their order and steps, and values no weather has.

    Where there are none, empty columns are taken out of the table, values of a thermometer
    that hangs are set to missing, and both are noted in it, as are columns with many hours or
    nights missing. All other values stay as they are.

    Parameters
    ----------
    table : hourly, or in steps of up to three hours
    place : the site, for its nights, and its latitude where the table does not say its own
    """
    faults = _check_lengths(table)
    if faults:
        return faults
    in_time = _check_time(table)
    faults += in_time
    for name, values in table.values.items():
        faults += _check_range(table, name, values)
    if not faults:
        faults += check_frozen(table)
        latitude = table.cell[0] if table.cell else None if place is None else place.latitude
        faults += check_season(table, latitude) if latitude is not None else []
    if not table.member.size:
        problem = "no member has both air temperature and precipitation."
        remedy = "Download both for all members."
        faults.append(Fault(table.source, "members", problem, remedy=remedy))
    if not faults and len(table.time):
        set_aside(table)
        tell_missing(table, _native_steps(hours(table.time)), place)
    return faults


def _check_lengths(table: Table) -> list[Fault]:
    """Columns that do not have one value a member and row: nothing can be said about them."""
    rows, members = len(table.time), len(table.member)
    odd = [
        f"{name} has {' x '.join(map(str, values.shape))} values"
        for name, values in table.values.items()
        if values.shape[:2] != (members, rows)
    ]
    if len(table.row) != rows:
        odd.append(f"{len(table.row)} rows are numbered")
    if not odd:
        return []
    problem = f"columns of different length: {rows} times, but {', '.join(odd)}."
    remedy = "The file is cut off or was put together wrongly; download it again."
    return [Fault(table.source, "", problem, remedy=remedy)]


def _check_time(table: Table) -> list[Fault]:
    """At most one fault: what comes after it would follow from it."""
    time = table.time

    def fault(index: int, problem: str, remedy: str) -> list[Fault]:
        return [Fault(table.source, table.place_of(index), problem, remedy=remedy)]

    unreadable = np.flatnonzero(np.isnat(time))
    if len(unreadable):
        remedy = "Write times as 2025-10-27T06:00 (UTC)."
        return fault(unreadable[0], f"{len(unreadable)} times cannot be read.", remedy)
    swapped = check_swapped(table)
    if swapped:
        return swapped
    steps = np.diff(time)
    back = np.flatnonzero(steps < np.timedelta64(0))
    if len(back):
        before = np.datetime_as_string(time[back[0]], unit="m")
        problem = f"time goes backwards here, the row before is {before} ({len(back)} such places)."
        remedy = "Sort the rows by time, or download the file again."
        return fault(back[0] + 1, problem, remedy)
    twice = np.flatnonzero(steps == np.timedelta64(0))
    if len(twice):
        problem = f"this time stands twice ({len(twice)} such places)."
        remedy = "Leave one row a time; stamps in local time double when the clocks go back."
        return fault(twice[0] + 1, problem, remedy)
    off = np.flatnonzero(time != time.astype("datetime64[h]"))
    if len(off):
        problem = f"{len(off)} times are not on the full hour."
        return fault(off[0], problem, "Download hourly values.")
    native = _native_steps(hours(time))
    coarse = np.flatnonzero(native > LONGEST_STEP)
    if len(coarse):
        step = int(native[coarse[0]])
        kind = "daily values" if step == 24 else f"steps of {step} h"
        problem = f"{kind} from here on: the warm hours and the frost of a day are lost in them."
        problem += f" Steps of at most {LONGEST_STEP} h are interpolated."
        return fault(coarse[0], problem, "Download hourly values.")
    return []


def _check_range(table: Table, name: str, values: Values) -> list[Fault]:
    about = VARIABLES[name]
    finite = np.isfinite(values)
    if not finite.any():
        return []
    mistaken = _mistaken_units(name, values[finite])
    if mistaken:
        problem, remedy = mistaken
        return [Fault(table.source, name, problem, remedy=remedy)]
    low, high = about.lowest - about.slack, about.highest + about.slack
    beyond = finite & ((values < low) | (values > high))
    rows = np.flatnonzero(beyond.any(axis=tuple(i for i in range(values.ndim) if i != 1)))
    if not len(rows):
        return []
    first = values[:, rows[0]][beyond[:, rows[0]]].ravel()[0]
    count = "1 row holds a value" if len(rows) == 1 else f"{len(rows)} rows hold values"
    return [
        Fault(
            table.source,
            f"{table.place_of(rows[0])}, {name}",
            f"{count} outside {about.lowest:g} to {about.highest:g} {about.units}.",
            f"{first:g} {about.units}",
            _MISSING_IN_TEXT if table.row_word == "row" else _MISSING_ELSEWHERE,
        )
    ]


def _mistaken_units(name: str, values: Values) -> tuple[str, str] | None:
    """Problem and remedy where the values belie the units the file states."""
    if VARIABLES[name].quantity == "temperature":
        middle = float(np.median(values))
        if _LIKE_KELVIN[0] < abs(middle) < _LIKE_KELVIN[1]:
            told, meant = ("degC", "K") if middle > 0 else ("K", "degC")
            problem = f"the file says {told}, but its values are those of {meant}: half of them"
            problem += f" lie beyond {middle:.0f} degC when read as it says."
            return problem, f'Set the units to "{meant}"; nothing is guessed.'
    if name == "relative_humidity" and float(values.max()) <= 1.0:
        problem = "the file says %, but no value is above 1: these are fractions."
        return problem, 'Set the units to "1"; nothing is guessed.'
    return None


def _native_steps(hour: Whole) -> Whole:
    """(row,) hours each row stands for: the file's own steps, gaps left out.

    The commonest step is the file's; others count where at least four follow each other
    (forecasts turn coarser with lead). A single longer step is a gap of missing rows.
    """
    if len(hour) < 2:
        return np.ones(len(hour), dtype=np.int64)
    steps = np.diff(hour)
    values, counts = np.unique(steps, return_counts=True)
    usual = int(values[np.argmax(counts)])
    starts = np.flatnonzero(np.r_[True, steps[1:] != steps[:-1]])
    lengths = np.diff(np.r_[starts, len(steps)])
    meant = np.repeat((lengths >= _STEPS_MEANT) | (steps[starts] == usual), lengths)
    native = np.where(meant, steps, usual)
    return np.concatenate([native[:1], native]).astype(np.int64)


def grid(table: Table) -> tuple[int, dict[str, Values], npt.NDArray[np.int8]]:
    """Rows that passed `check`, on every hour from first to last.

    Hours between the file's regular steps of 2 or 3 h are interpolated (sums are shared out
    evenly); hours whose row or value is missing stay NaN.

    Returns
    -------
    start : first hour since 1970
    values : name → (member, time[, depth]), moved onto physical bounds
    filled : (time,) int8 index into `FILLED`: 1 where interpolated between regular steps, the
        table's own mark where it has one
    """
    hour = hours(table.time)
    native = _native_steps(hour)
    start, size = int(hour[0]), int(hour[-1] - hour[0]) + 1
    at = hour - start
    every = np.arange(size)
    right = np.searchsorted(at, every)
    left = np.maximum(right - 1, 0)
    exact = at[right] == every
    between = ~exact & (at[right] - at[left] == native[right]) & (native[right] > 1)
    out: dict[str, Values] = {}
    for name, values in table.values.items():
        about = VARIABLES[name]
        bounded = np.clip(values, about.lowest, about.highest)
        full = np.full((values.shape[0], size, *values.shape[2:]), np.nan)
        if name == "precipitation":
            amount = bounded if table.rate else bounded / native
            full[:, exact | between] = amount[:, right[exact | between]]
        else:
            full[:, at] = bounded
            lo, hi = left[between], right[between]
            share = (every[between] - at[lo]) / np.maximum(at[hi] - at[lo], 1)
            share = share.reshape(-1, *[1] * (values.ndim - 2))
            full[:, between] = bounded[:, lo] * (1 - share) + bounded[:, hi] * share
        out[name] = full
    filled = between.astype(np.int8)
    if table.filled is not None:
        filled[at] = table.filled
    return start, out, filled


def close_short_gaps(values: Values) -> tuple[Values, Mask]:
    """Interpolate runs of up to three missing hours along time; longer ones stay missing.

    At either end of the course the nearest value is carried on.

    Parameters
    ----------
    values : (member, time) or (member, time, depth)

    Returns
    -------
    values : a copy where something was filled, else the array itself
    filled : (time,) bool
    """
    filled = np.zeros(values.shape[1], dtype=bool)
    missing = np.isnan(values)
    if not missing.any():
        return values, filled
    flat = np.moveaxis(values, 1, -1).reshape(-1, values.shape[1]).copy()
    every = np.arange(values.shape[1])
    for line in flat:  # a line is one member (and depth); nearly all have nothing to fill
        hole = np.isnan(line)
        if not hole.any() or hole.all():
            continue
        edges = np.flatnonzero(np.diff(np.r_[False, hole, False].astype(np.int8)))
        for first, after in edges.reshape(-1, 2):
            if after - first > SHORT_GAP:
                hole[first:after] = False
        have = ~np.isnan(line)
        line[hole] = np.interp(every[hole], every[have], line[have])
        filled |= hole
    moved = flat.reshape(*np.moveaxis(values, 1, -1).shape)
    return np.moveaxis(moved, -1, 1), filled

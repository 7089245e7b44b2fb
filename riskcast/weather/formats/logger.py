"""What a temperature logger in the litter recorded, as its software exports it.

Such exports look alike and agree in nothing: some lines about the device, then headings such
as ``Date Time, GMT+01:00`` and ``Temp, °C``, or date and time apart, semicolons with decimal
commas, a column of units, a column of events. What the file says is read; what it leaves
open, ``[weather.logger_table]`` of the site file has to say. The order of day and month above
all is never guessed: where rows fit two orders, they are refused.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr

from riskcast.base.errors import Fault, InputMissingError, WeatherError
from riskcast.weather.dataset import VARIABLES, Times, Values, hours, stamp, stamps
from riskcast.weather.formats.logger_headings import (
    LITTER,
    SECTION,
    Columns,
    columns_of,
    offset_hours,
    sheet_of,
)
from riskcast.weather.formats.sheet import Sheet, numbers_of
from riskcast.weather.formats.stamp_format import StampFormat
from riskcast.weather.formats.text import SHOWN, fine, lines_of, states_zone, utc
from riskcast.weather.table import Table, readable, refuse
from riskcast.weather.units import UnitError, convert

if TYPE_CHECKING:
    from riskcast.site import TableLayout

__all__ = ["LITTER", "read_logger"]

_HALF = re.compile(r"\b[AP]\.?M\.?$", re.IGNORECASE)

# Orders that a date of figures may be in. "31.01.20" leaves two, "2020-01-31" one.
_YEAR_FIRST, _YEAR_LAST = ("YYYY-MM-DD",), ("DD-MM-YYYY", "MM-DD-YYYY")
_TWO_FIGURES = ("DD-MM-YY", "MM-DD-YY", "YY-MM-DD")
_LIKE = {"YYYY-MM-DD": "YYYY-MM-DD", "DD-MM-YYYY": "DD/MM/YYYY", "MM-DD-YYYY": "MM/DD/YYYY",
         "DD-MM-YY": "DD/MM/YY", "MM-DD-YY": "MM/DD/YY", "YY-MM-DD": "YY/MM/DD"}  # fmt: skip

# Litter lags and damps the day so far that six-hourly readings keep its course; of twelve
# hours the day is lost (no source).
_LONGEST_STEP_H = 6.0
# A reading more than this many steps after the one before leaves a gap, not a line.
_GAP_STEPS = 1.5
_HOUR, _HALF_HOUR = np.timedelta64(1, "h"), np.timedelta64(30, "m")


def read_logger(
    path: str | Path, layout: TableLayout | None = None, *, as_of: np.datetime64 | None = None
) -> xr.DataArray:
    """Hourly litter temperature from the export of a logger.

    Readings more often than hourly are averaged over the half hours before and after the full
    hour; others are interpolated in time between readings one step apart. Where readings are
    missing the hours stay missing (NaN).

    Parameters
    ----------
    path : CSV or text
    layout : ``[weather.logger_table]``; what the file itself says of its time zone counts,
        unless the layout says otherwise: then the two are a fault
    as_of : UTC moment; readings after it are not looked at

    Returns
    -------
    DataArray ``litter_temperature``
        (time,) float64 degC, hourly UTC from the first to the last full hour with a value;
        attributes ``step_minutes`` of the logger and its file name as ``source``.

    Raises
    ------
    InputMissingError
        No such file.
    WeatherError
        All that is wrong with the file; or it holds no reading by `as_of`.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        fault = Fault(path.name, "", f"cannot be opened ({error.strerror}).")
        raise InputMissingError(faults=[fault]) from None
    table = _decode(data, path.name, layout, as_of)
    start, values, step = _hourly(table)
    return xr.DataArray(
        values,
        dims=("time",),
        coords={"time": ("time", stamps(start + np.arange(len(values))))},
        name=LITTER,
        attrs={
            "units": "degC",
            "long_name": "temperature in the litter, by a logger",
            "source": path.name,
            "step_minutes": round(step / np.timedelta64(1, "m")),
        },
    )


def _decode(
    data: bytes, source: str, layout: TableLayout | None, as_of: np.datetime64 | None
) -> Table:
    sheet = sheet_of(lines_of(data), layout, source)
    none = np.zeros(0, dtype="datetime64[ns]")
    table = Table(source, none, np.zeros(0, dtype=np.int64), "row", np.zeros(1, dtype=np.int64))
    columns = columns_of(sheet, layout, table)
    offset_h = offset_hours(sheet, layout, table)
    if columns is None or table.faults:
        raise WeatherError(faults=table.faults)
    texts = sheet.stamps(columns.time)
    # The order of day and month is the file's, not the weather's: all rows may tell it.
    if texts and states_zone(texts[0]):
        times = utc(texts, 0.0)
    else:
        times = _local(texts, layout, table) - np.timedelta64(round(offset_h * 3600), "s")
    keep = readable(times, None if as_of is None else as_of.astype("datetime64[us]"))
    if not len(keep):
        when = "in it" if as_of is None else f"by {stamp(as_of)}"
        raise refuse(source, "", f"no reading {when}.", remedy="Export more of the record.")
    rows = [sheet.body[k] for k in keep]
    table.time, table.row = fine(times[keep]), np.asarray(rows, dtype=np.int64) + 1
    _fill(table, sheet, columns, rows, layout)
    _check(table, [texts[k] for k in keep])
    return table


def _local(texts: list[str], layout: TableLayout | None, table: Table) -> Times:
    """(row,) datetime64[us] by the logger's clock."""
    if layout is not None and layout.time_format is not None:
        try:
            form = StampFormat.of(layout.time_format, in_parts=len(layout.time) > 1)
        except ValueError as error:
            remedy = 'Write it as "YYYY-MM-DD hh:mm" or "DD.MM.YYYY hh:mm" (mm minutes).'
            where = f"{SECTION} time_format"
            raise refuse(table.source, where, f"{error}.", layout.time_format, remedy) from None
        return form.parse(texts)
    readings = {order: _read(texts, order) for order in _orders(texts)}
    faults = {order: _misfits(times) for order, times in readings.items()}
    fewest = min(faults.values())
    fitting = [order for order, count in faults.items() if count == fewest]
    same = all(np.array_equal(readings[o], readings[fitting[0]], equal_nan=True) for o in fitting)
    if not same:
        ways = " or ".join(f'"{_LIKE[order]} hh:mm"' for order in fitting)
        problem = f"its dates can be read as {ways}; nothing is guessed."
        remedy = f"Set time_format under {SECTION} to one of them."
        raise refuse(table.source, "", problem, texts[0][:SHOWN], remedy)
    return readings[fitting[0]]


def _orders(texts: list[str]) -> tuple[str, ...]:
    first = next((text for text in texts if text), "")
    figures = re.match(r"(\d+)\D+\d+\D+(\d+)", first)
    if figures is not None and len(figures[1]) == 4:
        return _YEAR_FIRST
    if figures is not None and len(figures[2]) == 4:
        return _YEAR_LAST
    # Years of two figures come first in the old ISO writing only, which has dashes.
    return _TWO_FIGURES if "-" in first else _TWO_FIGURES[:2]


def _read(texts: list[str], order: str) -> Times:
    clock = " hh:mm:ss" if any(text.count(":") > 1 for text in texts[:1]) else " hh:mm"
    half = " am" if any(_HALF.search(text) for text in texts[:1]) else ""
    plain = [re.sub(r"(?<=\d)[T,](?=\s*\d)", " ", text) for text in texts]
    plain = [re.sub(r"\.\d+$", "", text) for text in plain]
    return StampFormat.of(f"{order}{clock}{half}", in_parts=True).parse(plain)


def _misfits(times: Times) -> int:
    """Rows that cannot be read, or go backwards, in one order of day and month."""
    known = times[~np.isnat(times)]
    return int(np.isnat(times).sum() + (np.diff(known) < np.timedelta64(0)).sum())


def _fill(
    table: Table, sheet: Sheet, columns: Columns, rows: list[int], layout: TableLayout | None
) -> None:
    # Rows of events stand between the readings and may be shorter: no value, no fault.
    cells = [sheet.row(k) for k in rows]
    heading = sheet.headings[columns.value]
    texts = [row[columns.value] if len(row) > columns.value else "" for row in cells]
    raw = numbers_of(texts, heading, table, layout.missing if layout is not None else ())
    units = columns.units
    if units is None and columns.unit_column is not None:
        at = columns.unit_column
        named = sorted({row[at] for row in cells if len(row) > at and row[at]})
        units = named[0] if len(named) == 1 else None
        if len(named) > 1:
            problem = f"the unit changes within the file ({', '.join(named[:4])})."
            table.fault(sheet.headings[at], problem, remedy="Export one record a file.")
            return
    if raw is None:
        return
    try:
        values, _ = convert(raw, units, "temperature")
    except UnitError as error:
        remedy = f'Say it under {SECTION}: columns."{heading}" = "{LITTER} (degC)".'
        table.fault(f"heading {heading}", str(error), units or "", remedy)
        return
    table.values[LITTER] = values[np.newaxis]


def _check(table: Table, texts: list[str]) -> None:
    """Order of the readings and their range; rows without a reading are then left out."""
    bad = np.flatnonzero(np.isnat(table.time))
    if len(bad):
        problem = f"{len(bad)} of {len(texts)} times cannot be read."
        remedy = f'Say how they are written: time_format = "DD.MM.YYYY hh:mm" under {SECTION}.'
        table.fault(table.place_of(bad[0]), problem, texts[bad[0]][:SHOWN], remedy)
    if LITTER in table.values and not len(bad):
        have = np.isfinite(table.values[LITTER][0])
        # Before rows without a reading go: a few left of many must not look like a long step.
        table.attrs["step"] = _step(table.time)
        table.time, table.row = table.time[have], table.row[have]
        table.values[LITTER] = table.values[LITTER][:, have]
        _check_readings(table)
    if table.faults:
        raise WeatherError(faults=table.faults)


def _check_readings(table: Table) -> None:
    if not len(table.time):
        table.fault("", "no row holds a reading.", remedy="Export the record again.")
        return
    late = np.flatnonzero(np.diff(table.time) <= np.timedelta64(0))
    if len(late):
        problem = f"{len(late)} readings are not later than the one before."
        remedy = "Sort the rows by time and leave one a time; a clock that was set back doubles"
        remedy += " its hour."
        table.fault(table.place_of(late[0] + 1), problem, remedy=remedy)
    soil, values = VARIABLES["soil_temperature"], table.values[LITTER][0]
    beyond = np.flatnonzero((values < soil.lowest) | (values > soil.highest))
    if len(beyond):
        problem = f"{len(beyond)} readings outside {soil.lowest:g} to {soil.highest:g} degC."
        remedy = "Check the unit; leave a failed reading empty, or name its text under missing."
        shown = f"{values[beyond[0]]:g} degC"
        table.fault(table.place_of(beyond[0]), problem, shown, remedy)
    step = table.attrs["step"]
    if step > _LONGEST_STEP_H * _HOUR:
        problem = f"readings every {step / _HOUR:g} h; the course of a day is lost in them."
        table.fault("", problem, remedy=f"Read at least every {_LONGEST_STEP_H:g} h.")


def _step(time: Times) -> np.timedelta64:
    """The logger's own step, the commonest one; an hour where there is one row only."""
    steps = np.diff(time)
    steps = steps[steps > np.timedelta64(0)]
    if not len(steps):
        return _HOUR
    steps, counts = np.unique(steps, return_counts=True)
    return np.timedelta64(steps[np.argmax(counts)])


def _hourly(table: Table) -> tuple[int, Values, np.timedelta64]:
    """First hour since 1970, (time,) values with NaN in the gaps, and the logger's step."""
    time, values, step = table.time, table.values[LITTER][0], table.attrs["step"]
    # Only hours between the first and the last reading: a later one would be from the future.
    start = int(np.ceil((time[0] - np.datetime64(0, "h")) / _HOUR))
    size = max(int(hours([time[-1]])[0]) - start + 1, 0)
    if step < _HOUR:
        means = pd.Series(values).groupby(hours(time + _HALF_HOUR) - start).mean()
        hourly = np.asarray(means.reindex(range(size)), dtype=float)
    else:
        every = stamps(start + np.arange(size))
        right = np.searchsorted(time, every)
        left = np.maximum(right - (time[right] != every), 0)
        whole = np.interp(every.astype(np.int64), time.astype(np.int64), values)
        hourly = np.where((time[right] - time[left]) > _GAP_STEPS * step, np.nan, whole)
    known = np.flatnonzero(np.isfinite(hourly))
    if not len(known):
        problem = "no full hour lies between its readings."
        raise refuse(table.source, "", problem, remedy="Export more of the record.")
    first, last = int(known[0]), int(known[-1])
    return start + first, hourly[first : last + 1], step

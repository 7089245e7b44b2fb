"""Tables of daily values into hourly ones: the lowest and highest air of a day, sums of rain.

A daily `Table` says so by ``daily=True``. Its ``time`` is the *beginning* of each 24 h window
in UTC, wherever the day is cut; its values are ``air_temperature_min`` and
``air_temperature_max``, ``air_temperature`` for a daily mean, ``precipitation`` for the sum
of the window, and daily means of the other variables. `hourly` makes hours of them, whose
air temperature is marked "diurnal_model".

Such hours are worked out of what was measured, and are no gap: they do not count among what was
filled in of the last ten days, and the note ``daily_values`` tells of them. A day without its
lowest or highest temperature is a gap like any other.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from riskcast.base.daylight import day_ends
from riskcast.base.errors import Fault
from riskcast.weather.air import saturation_vapour_pressure
from riskcast.weather.credit import together
from riskcast.weather.dataset import FILLED, Note, Times, Values, hours, stamps
from riskcast.weather.diurnal import parton_logan
from riskcast.weather.quality.swapped import check_swapped
from riskcast.weather.table import Table, derive

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["HIGHEST", "LOWEST", "MEAN", "hourly", "over_by"]

LOWEST, HIGHEST, MEAN = "air_temperature_min", "air_temperature_max", "air_temperature"

Whole = npt.NDArray[np.int64]

_DAY_H = 24
_DEGREES_PER_HOUR = 15.0
_SECONDS_PER_HOUR = 3600.0
_DIURNAL_MODEL = FILLED.index("diurnal_model")

# Hours of the sun's clock by which a window belongs to the night or the afternoon in it
# (common practice, no source): one from 9 to 9 holds the afternoon of the day it begins on and
# the dawn of the next.
_DAWN_H, _AFTERNOON_H = 6.0, 14.0

# The model's sun rises and sets every day. Where the real one hardly does, the day is given
# this length, so that the curve keeps time to warm and to cool (no source).
_SHORTEST_DAY_H, _LONGEST_DAY_H = 6.0, 20.0

# K by which a gridded lowest may stand above the highest, interpolated each on its own
# (common practice, no source); more is an error of the file.
_CROSSED_K = 1.0

# mm in a day; more is no rain of a temperate or boreal wood (common practice, no source).
_MOST_RAIN_MM = 500.0


@dataclass
class _Part:
    """One variable of one group of tables: (row,) windows, (member, row) values."""

    begin: Whole
    row: Whole
    values: Values
    source: str
    rate: bool


@dataclass
class _Group:
    """Daily tables of one height and the same members."""

    tables: list[Table]
    parts: dict[str, _Part] = field(default_factory=dict)

    @property
    def has_both(self) -> bool:
        return {LOWEST, HIGHEST} <= self.parts.keys()


def over_by(time: Times, as_of: np.datetime64 | None) -> npt.NDArray[np.int64]:
    """Positions of the windows that are over when it is `as_of`: only then are they known.

    Parameters
    ----------
    time : (row,) datetime64 UTC, beginnings of 24 h windows; NaT rows are kept, for the fault
    as_of : None for all rows
    """
    if as_of is None:
        return np.arange(len(time))
    ended = time + np.timedelta64(_DAY_H, "h") <= as_of
    return np.flatnonzero(ended | np.isnat(time))


def hourly(tables: list[Table], place: Place) -> list[Table]:
    """Hourly tables as they are, then an hourly one for each group of daily tables.

    Lowest and highest temperature, rain and the rest may come in files of their own and of
    different years: they are brought together, the first file counting where two have the
    same day. Rain is shared evenly over its window, so that the sum stays; humidity keeps the
    day's vapour; everything else is held through its window. Daily means of temperature are
    not used beside the extremes.

    What is wrong with a group is in the faults of its table, which then has no rows.
    """
    ready = [table for table in tables if not table.daily]
    groups = [_gather(group) for group in _grouped([t for t in tables if t.daily])]
    has_air = any(MEAN in table.values for table in ready) or any(g.has_both for g in groups)
    made = [_converted(group, place, has_air) for group in groups]
    # Means beside other tables' hours are not used: nothing may be left of a group.
    return ready + [table for table in made if len(table.time) or table.faults]


def _grouped(tables: list[Table]) -> list[list[Table]]:
    groups: dict[tuple[float | None, bytes], list[Table]] = {}
    for table in tables:
        groups.setdefault((table.elevation_m, table.member.tobytes()), []).append(table)
    return list(groups.values())


def _gather(tables: list[Table]) -> _Group:
    """Each variable of the tables along its own windows, in order of time."""
    group = _Group(tables)
    for table in tables:
        if _disorder(table):
            continue
        begin = hours(table.time)
        for name, values in table.values.items():
            have = group.parts.get(name)
            part = _Part(begin, table.row, values, table.source, table.rate)
            group.parts[name] = part if have is None else _joined(have, part)
    return group


def _joined(first: _Part, second: _Part) -> _Part:
    new = ~np.isin(second.begin, first.begin)
    begin = np.concatenate([first.begin, second.begin[new]])
    order = np.argsort(begin, kind="stable")
    row = np.concatenate([first.row, second.row[new]])
    more = second.values[:, new]
    if first.rate != second.rate:
        more = more / _DAY_H if first.rate else more * _DAY_H
    values = np.concatenate([first.values, more], axis=1)
    return _Part(begin[order], row[order], values[:, order], first.source, first.rate)


def _disorder(table: Table) -> bool:
    """Sets down the first thing wrong with the rows' times; True where there is one."""
    swapped = check_swapped(table)
    if swapped:
        table.faults += swapped
        return True
    problem, remedy, index = "", "", 0
    unreadable = np.flatnonzero(np.isnat(table.time))
    steps = np.diff(table.time)
    close = np.flatnonzero(steps < np.timedelta64(_DAY_H, "h"))
    if len(unreadable):
        index, problem = int(unreadable[0]), f"{len(unreadable)} dates cannot be read."
        remedy = "Write dates as 2025-10-27."
    elif len(close):
        index = int(close[0]) + 1
        problem = f"{len(close)} of these daily rows are less than a day after the row before."
        remedy = "Sort the rows by date and leave one a day, or download the file again."
    if problem:
        table.fault(table.place_of(index), problem, remedy=remedy)
    return bool(problem)


def _converted(group: _Group, place: Place, has_air: bool) -> Table:
    """One hourly table of a group, without rows where it has faults."""
    faults = [fault for table in group.tables for fault in table.faults]
    out = _blank(group)
    out.faults = faults
    if not faults:
        out.faults += _missing_half(group, has_air) + _crossed(group, place) + _flood(group)
    parts = {name: part for name, part in group.parts.items() if name not in (LOWEST, HIGHEST)}
    if group.has_both or not has_air:
        parts.pop(MEAN, None)
    if out.faults or not (parts or group.has_both):
        return out
    begin = np.unique(np.concatenate([part.begin for part in group.parts.values()]))
    # A window is (begin, begin + 24 h]: what ends a day's rain also ends its temperature.
    hour = np.arange(begin[0] + 1, begin[-1] + _DAY_H + 1)
    out.time = stamps(hour)
    at = _window_of(hour, begin)
    first = next(iter(group.parts.values()))
    rows = dict(zip(first.begin.tolist(), first.row.tolist(), strict=True))
    out.row = np.array([rows.get(int(b), 0) for b in begin], dtype=np.int64)[at]
    if group.has_both:
        out.values[MEAN] = _temperature(group, hour, place)
        known = np.isfinite(out.values[MEAN]).any(axis=0)
        out.filled = np.where(known, _DIURNAL_MODEL, 0).astype(np.int8)
        days = round(int(known.sum()) / _DAY_H)
        out.notes.append(Note("daily_values", {"days": days, "source": out.source}))
    for name, part in parts.items():
        held = _held(part, hour)
        if name == "precipitation":
            out.values[name] = held if part.rate else held / _DAY_H
        elif name in ("relative_humidity", "dew_point") and group.has_both:
            vapour = _vapour(name, held, group, hour)
            saturated = saturation_vapour_pressure(out.values[MEAN])
            wet = np.minimum(100.0 * vapour / saturated, 100.0)
            out.values.setdefault("relative_humidity", wet)
        elif name != "dew_point":
            out.values[name] = held
    derive(out)
    return out


def _blank(group: _Group) -> Table:
    lead = next((t for t in group.tables if LOWEST in t.values), group.tables[0])
    names = list(dict.fromkeys(table.source for table in group.tables))
    source = ", ".join(names[:3]) + (" …" if len(names) > 3 else "")
    out = Table(source, stamps([]), np.zeros(0, dtype=np.int64), lead.row_word, lead.member)
    out.cell, out.elevation_m, out.attrs = lead.cell, lead.elevation_m, dict(lead.attrs)
    out.rate = True  # by then every amount is one of an hour
    out.depth = next((t.depth for t in group.tables if len(t.depth)), lead.depth)
    for key in ("provider", "licence", "attribution"):
        text = together(table.attrs.get(key) for table in group.tables)
        if text:
            out.attrs[key] = text
    out.notes = list({note.code: note for t in group.tables for note in t.notes}.values())
    return out


def _missing_half(group: _Group, has_air: bool) -> list[Fault]:
    names = group.parts.keys()
    if group.has_both or has_air:
        return []
    if LOWEST in names or HIGHEST in names:
        have, miss = ("lowest", "highest") if LOWEST in names else ("highest", "lowest")
        source = group.parts[LOWEST if LOWEST in names else HIGHEST].source
        problem = f"daily {have} air temperatures without the {miss}."
        remedy = f"Download the daily {miss} temperature too (tn, tx) and read both together."
        return [Fault(source, "air_temperature", problem, remedy=remedy)]
    if MEAN in names:
        problem = "daily values of air temperature only: the frost of the nights and the warm"
        problem += " hours of the days are lost in them."
        remedy = "Download hourly values, or the daily lowest and highest temperature (tn and tx)."
        return [Fault(group.parts[MEAN].source, "air_temperature", problem, remedy=remedy)]
    return []


def _crossed(group: _Group, place: Place) -> list[Fault]:
    """Days whose lowest temperature lies above the highest."""
    if not group.has_both:
        return []
    low, high = group.parts[LOWEST], group.parts[HIGHEST]
    both, in_low, in_high = np.intersect1d(low.begin, high.begin, return_indices=True)
    above = low.values[:, in_low] - high.values[:, in_high]
    days = np.flatnonzero((above > _CROSSED_K).any(axis=0))
    if not len(days):
        return []
    date = np.datetime_as_string(stamps(both[days[0]]), unit="D")
    k = int(np.argmax(above[:, days[0]]))
    lowest, highest = low.values[k, in_low[days[0]]], high.values[k, in_high[days[0]]]
    problem = f"the lowest temperature lies above the highest ({len(days)} such days)."
    remedy = "Are the two columns or files exchanged? Else leave both empty on these days."
    where = f"row {low.row[in_low[days[0]]]}, {date}"
    return [Fault(low.source, where, problem, f"{lowest:.1f} and {highest:.1f} degC", remedy)]


def _flood(group: _Group) -> list[Fault]:
    """Daily sums no weather has: shared over 24 hours they would pass for rain."""
    part = group.parts.get("precipitation")
    if part is None:
        return []
    most = _MOST_RAIN_MM / _DAY_H if part.rate else _MOST_RAIN_MM
    days = np.flatnonzero((part.values > most).any(axis=0))
    if not len(days):
        return []
    amount = float(np.nanmax(part.values[:, days[0]])) * (_DAY_H if part.rate else 1)
    date = np.datetime_as_string(stamps(part.begin[days[0]]), unit="D")
    problem = f"{len(days)} days with more than {_MOST_RAIN_MM:g} mm of precipitation."
    remedy = "If it stands for a missing value, leave it empty; check the units."
    where = f"row {part.row[days[0]]}, {date}, precipitation"
    return [Fault(part.source, where, problem, f"{amount:g} mm", remedy)]


def _window_of(hour: Whole, begin: Whole) -> Whole:
    """Index of the window that ends at or after an hour."""
    return np.clip(np.searchsorted(begin, hour, "left") - 1, 0, len(begin) - 1)


def _held(part: _Part, hour: Whole) -> Values:
    """(member, hour[, depth]) the value of the window an hour lies in, NaN in none."""
    at = _window_of(hour, part.begin)
    inside = (hour > part.begin[at]) & (hour <= part.begin[at] + _DAY_H)
    out: Values = np.array(part.values[:, at], dtype=float)
    out[:, ~inside] = np.nan
    return out


def _vapour(name: str, held: Values, group: _Group, hour: Whole) -> Values:
    """Vapour pressure of the day, hPa: from its dew point, or humidity at its middle."""
    if name == "dew_point":
        return saturation_vapour_pressure(held)
    middle = (_held(group.parts[LOWEST], hour) + _held(group.parts[HIGHEST], hour)) / 2.0
    return held / 100.0 * saturation_vapour_pressure(middle)


def _temperature(group: _Group, hour: Whole, place: Place) -> Values:
    """(member, hour) by the diurnal model, NaN where the lowest or the highest is missing."""
    low, high = group.parts[LOWEST], group.parts[HIGHEST]
    of_low = _date(low.begin, _DAWN_H, place)
    of_high = _date(high.begin, _AFTERNOON_H, place)
    # One more day at either end: the first night began before, the last one ends after.
    first = min(of_low[0], of_high[0]) - 1
    size = int(max(of_low[-1], of_high[-1]) - first) + 2
    lowest, highest = _on_days(low, of_low - first, size), _on_days(high, of_high - first, size)
    same_day = np.isfinite(lowest) & np.isfinite(highest) & (lowest > highest)
    lowest, highest = (
        np.where(same_day, highest, lowest),
        np.where(same_day, lowest, highest),
    )
    sunrise, sunset = _sun(first + np.arange(size), place)
    curve = parton_logan(hour, _carried(lowest), _carried(highest), sunrise, sunset)
    # The air of a window never was beyond its extremes, wherever the next night is bound: a
    # front at midnight shows as a step. NaN where either is missing.
    least, most = _held(low, hour), _held(high, hour)
    return np.clip(curve, np.minimum(least, most), np.maximum(least, most))


def _date(begin: Whole, clock_h: float, place: Place) -> Whole:
    """Day since 1970, by the sun's clock, whose `clock_h` lies in each window."""
    local = begin + place.longitude / _DEGREES_PER_HOUR
    return np.asarray(np.ceil((local - clock_h) / _DAY_H), dtype=np.int64)


def _on_days(part: _Part, index: Whole, size: int) -> Values:
    out = np.full((part.values.shape[0], size), np.nan)
    out[:, index] = part.values
    return out


def _carried(values: Values) -> Values:
    """Days without a value take that of the nearest day before, else after: only neighbours of
    known days are ever seen, in the half night that reaches into them."""
    every = np.arange(values.shape[1])
    known = np.isfinite(values)
    last = np.maximum.accumulate(np.where(known, every, -1), axis=1)
    following = np.where(known, every, values.shape[1])
    following = np.minimum.accumulate(following[:, ::-1], axis=1)[:, ::-1]
    source = np.where(last >= 0, last, np.minimum(following, values.shape[1] - 1))
    return np.take_along_axis(values, source, axis=1)


def _sun(day: Whole, place: Place) -> tuple[Values, Values]:
    """Sunrise and sunset of days since 1970, hours since 1970; short and long days bounded."""
    begin, end = (
        moment.astype("datetime64[s]").astype(float) / _SECONDS_PER_HOUR
        for moment in day_ends(
            place.latitude,
            place.longitude,
            day.astype("datetime64[D]"),
            shortest_h=_SHORTEST_DAY_H,
            longest_h=_LONGEST_DAY_H,
        )
    )
    return begin, end

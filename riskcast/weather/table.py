"""The raw rows of one file at one place: what every decoder hands on.

A decoder finds names, units, members and the cell, cuts off what is later than `as_of`
before it looks at any value, and leaves judging the values to `quality`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from riskcast.base.errors import Fault, WeatherError
from riskcast.weather.air import relative_humidity, wind_speed
from riskcast.weather.dataset import Note, Times, Values

__all__ = ["Table", "derive", "derive_together", "readable", "refuse"]


@dataclass
class Table:
    """Rows of one file in riskcast's units, not yet hourly, not yet judged.

    Attributes
    ----------
    source : the file's name, for faults
    time : (row,) datetime64[ns] UTC; NaT where a stamp could not be read
    row : (row,) int, where each row stands in the file
    row_word : what a row is called in faults, "row" or "time step"
    member : (member,) int
    values : name → (member, row), ``soil_temperature`` (member, row, depth); besides the
        names of `dataset.VARIABLES` the ingredients ``dew_point``, ``eastward_wind`` and
        ``northward_wind`` until `derive` has used them
    rate : precipitation is mm per hour, not an amount per step
    daily : the rows are days and `time` is where their 24 h begin; values may then be
        ``air_temperature_min`` and ``air_temperature_max`` (`daily.hourly` makes hours of them)
    filled : (row,) int8 index into `FILLED` where a row's temperature was made by a model,
        None where no row's was
    forecast : the rows are steps of one forecast
    cell : latitude and longitude of the values, None where the file does not say
    elevation_m : height the values stand for, None where the file does not say
    faults : what was found wrong on the way
    lacking : what is wrong with it if no other table holds the air temperature, None = nothing
    """

    source: str
    time: Times
    row: npt.NDArray[np.int64]
    row_word: str
    member: npt.NDArray[np.int64]
    values: dict[str, Values] = field(default_factory=dict)
    rate: bool = False
    daily: bool = False
    filled: npt.NDArray[np.int8] | None = None
    forecast: bool = False
    depth: Values = field(default_factory=lambda: np.zeros(0))
    cell: tuple[float, float] | None = None
    elevation_m: float | None = None
    attrs: dict[str, Any] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    lacking: Fault | None = None

    def fault(self, where: str, problem: str, value: str = "", remedy: str = "") -> None:
        """Set down one thing wrong with this file."""
        self.faults.append(Fault(self.source, where, problem, value, remedy))

    def place_of(self, index: int) -> str:
        """Row and time, for a fault: ``row 17, 2025-10-26T04:00``."""
        when = self.time[index]
        stamp = "" if np.isnat(when) else f", {np.datetime_as_string(when, unit='m')}"
        return f"{self.row_word} {self.row[index]}{stamp}"


def readable(time: Any, as_of: Any) -> npt.NDArray[np.int64]:
    """Positions of the rows that may be read when it is `as_of`: all that is known by then.

    Rows after the last one that is not later than `as_of` are never looked at, readable
    stamp or not; later stamps before it are passed over.

    Parameters
    ----------
    time : (row,) any ordered type; NaT or NaN where a stamp could not be read
    as_of : one value of that type, or None for all rows
    """
    stamps = np.asarray(time)
    if as_of is None:
        return np.arange(len(stamps))
    known = stamps <= as_of
    if not known.any():
        return np.zeros(0, dtype=np.int64)
    last = int(np.flatnonzero(known)[-1])
    unreadable = stamps != stamps  # NaT and NaN differ from themselves
    return np.flatnonzero((known | unreadable)[: last + 1])


def derive(table: Table) -> None:
    """Humidity from dew point and wind from its components, where not given themselves.

    A dew point or a component whose partner is not in this table stays, for
    `derive_together`; so do those of daily rows, which `daily.hourly` uses.
    """
    values = table.values
    if table.daily:
        return
    if {"dew_point", "air_temperature"} <= values.keys():
        computed = relative_humidity(values["air_temperature"], values.pop("dew_point"))
        values.setdefault("relative_humidity", computed)
    if {"eastward_wind", "northward_wind"} <= values.keys():
        computed = wind_speed(values.pop("eastward_wind"), values.pop("northward_wind"))
        values.setdefault("wind_speed", computed)


def derive_together(tables: list[Table]) -> None:
    """The same across tables: the Copernicus store may deliver each variable as a file.

    A dew point takes the air temperature of the same cell, member and moment; what finds no
    partner is dropped, and with it a table that held nothing else.
    """
    for table in tables:
        derive(table)
        for name, partner, made, formula in (
            ("dew_point", "air_temperature", "relative_humidity", _humidity),
            ("eastward_wind", "northward_wind", "wind_speed", wind_speed),
        ):
            if name not in table.values:
                continue
            value = table.values.pop(name)
            other = _partner(tables, table, partner)
            if other is not None:
                table.values.setdefault(made, formula(value, other))
    for table in tables:
        table.values.pop("northward_wind", None)
    # One stays in any case, so that what is missing can be said of it.
    tables[:] = [table for table in tables if table.values or table.faults] or tables[:1]


def _humidity(dew_point: Values, temperature: Values) -> Values:
    return relative_humidity(temperature, dew_point)


def _partner(tables: list[Table], table: Table, name: str) -> Values | None:
    """(member, row) values of another table of the same cell at this one's moments."""
    out = None
    for other in tables:
        fits = other.cell == table.cell and np.array_equal(other.member, table.member)
        if other.daily or name not in other.values or not fits or not len(other.time):
            continue
        at = np.clip(np.searchsorted(other.time, table.time), 0, len(other.time) - 1)
        found = np.where(other.time[at] == table.time, other.values[name][:, at], np.nan)
        out = found if out is None else np.where(np.isnan(out), found, out)
    return None if out is None or np.isnan(out).all() else out


def refuse(
    source: str, where: str, problem: str, value: str = "", remedy: str = ""
) -> WeatherError:
    """The error for a fault after which a file cannot be read any further."""
    return WeatherError(faults=[Fault(source, where, problem, value, remedy)])

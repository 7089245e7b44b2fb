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

__all__ = ["Table", "derive", "readable", "refuse"]


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
    """Humidity from dew point and wind from its components, where not given themselves."""
    dew_point = table.values.pop("dew_point", None)
    if dew_point is not None and {"air_temperature"} <= table.values.keys():
        computed = relative_humidity(table.values["air_temperature"], dew_point)
        table.values.setdefault("relative_humidity", computed)
    east = table.values.pop("eastward_wind", None)
    north = table.values.pop("northward_wind", None)
    if east is not None and north is not None:
        table.values.setdefault("wind_speed", wind_speed(east, north))


def refuse(
    source: str, where: str, problem: str, value: str = "", remedy: str = ""
) -> WeatherError:
    """The error for a fault after which a file cannot be read any further."""
    return WeatherError(faults=[Fault(source, where, problem, value, remedy)])

"""Hourly weather of building simulation: EnergyPlus weather files (EPW).

Eight heading rows, the first with the place, then 35 comma-separated fields an hour. From the
EnergyPlus documentation (Auxiliary Programs, "EnergyPlus Weather File (EPW) Data Dictionary"):

* hours 1 to 24 of local standard time, whose offset from UTC stands in the first row, all
  year; hour 1 is the hour from 00:00 to 01:00. States are those at its end, sums those of it;
* each field has a number that stands for "missing" (and so has any number above it).

Most such files hold a *typical* year, put together from months of different years. That is no
winter that happened: such a file is refused.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskcast.base.errors import WeatherError
from riskcast.weather.dataset import Times, Values
from riskcast.weather.formats.locate import locate
from riskcast.weather.formats.text import cell_at, fine, lines_of, numbers, readable_text
from riskcast.weather.table import Table, derive, readable, refuse

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["VARIABLE_MAP", "decode", "recognises"]

# Our name → position of the field, number that stands for missing, factor into our unit.
VARIABLE_MAP = {
    "air_temperature": (6, 99.9, 1.0),
    "dew_point": (7, 99.9, 1.0),
    "relative_humidity": (8, 999.0, 1.0),
    "wind_speed": (21, 999.0, 1.0),
    "snow_depth": (30, 999.0, 0.01),  # cm
    "precipitation": (33, 999.0, 1.0),
}
# Hours over which the amount of precipitation was collected. An amount over no time, or over
# an unknown or longer one, is not the hour's: missing, not zero.
_COLLECTED = 34
_AN_HOUR = 1.0

_FIRST_WORD = "LOCATION"
_KIND, _LATITUDE, _LONGITUDE, _OFFSET_H, _ELEVATION = 4, 6, 7, 8, 9
_HEADING_ROWS = 8
_FEWEST_FIELDS = 22  # up to the wind: older files end after the snow
_HOURS_A_DAY = 24
_MONTHS_A_YEAR = 12
# What the first row calls a typical year whose dates were given one year afterwards.
# "Country" and "ministry" end in three of these letters and mean nothing.
_TYPICAL = re.compile(r"(?<![a-z])(?:TMY|TRY|IWEC)|typical", re.IGNORECASE)


def recognises(line: str) -> bool:
    """Whether a line is the first one of such a file."""
    return line.upper().startswith(f"{_FIRST_WORD},")


def decode(data: bytes, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    """Rows of such a file up to `as_of`, or None where it has none yet.

    Raises
    ------
    WeatherError
        The heading rows or the rows cannot be read, or the year is a typical one.
    """
    lines = [line.rstrip("\r") for line in lines_of(data)]
    about = [text.strip() for text in readable_text(lines[0]).split(",")]
    stated = pd.to_numeric(pd.Series([*about, *[""] * 10][: _ELEVATION + 1]), errors="coerce")
    latitude, longitude, offset_h, elevation = (
        float(stated[i]) for i in (_LATITUDE, _LONGITUDE, _OFFSET_H, _ELEVATION)
    )
    if not np.isfinite([latitude, longitude, offset_h]).all():
        problem = "expected latitude, longitude and hours from UTC as its 7th to 9th field."
        raise refuse(source, "row 1", problem, lines[0][:80], "Download the file again.")
    body = [k for k in range(_HEADING_ROWS, len(lines)) if lines[k].strip()]
    parts = [[cell_at(lines[k], ",", i) for k in body] for i in range(4)]
    local = _ends(*parts)
    times = local - np.timedelta64(round(offset_h * 3600), "s")
    keep = readable(times, None if as_of is None else as_of.astype("datetime64[us]"))
    if not len(keep):
        return None
    if _TYPICAL.search(_origin(about)) or _is_patchwork(local[keep]):
        problem = "a typical year, put together from months of several years: no winter went so."
        remedy = "Use measured or reanalysed hours of the years themselves."
        raise refuse(source, "", problem, _origin(about), remedy)
    rows = np.asarray(body, dtype=np.int64)[keep]
    table = Table(source, fine(times[keep]), rows + 1, "row", np.zeros(1, dtype=np.int64))
    locate(table, place, latitude, longitude, elevation if np.isfinite(elevation) else None)
    if _origin(about):
        table.attrs["provider"] = _origin(about)
    width = lines[rows[0]].count(",") + 1
    if width < _FEWEST_FIELDS:
        table.fault(table.place_of(0), f"{width} fields, expected 35.", remedy="Download it again.")
        raise WeatherError(faults=table.faults)
    wanted = {position: name for name, (position, _, _) in VARIABLE_MAP.items()}
    wanted[_COLLECTED] = "hours of precipitation"
    wanted = {position: name for position, name in wanted.items() if position < width}
    cells = numbers([lines[k] for k in rows], ",", width, wanted, table)
    if cells is None:
        raise WeatherError(faults=table.faults)
    _fill(table, list(wanted), cells)
    derive(table)
    return table


def _ends(years: list[str], months: list[str], days: list[str], hours_: list[str]) -> Times:
    """(row,) datetime64[us] local standard time, the end of each hour; NaT if unreadable."""
    frame = pd.DataFrame({"year": years, "month": months, "day": days})
    day = pd.to_datetime(frame.apply(pd.to_numeric, errors="coerce"), errors="coerce")
    hour = np.asarray(pd.to_numeric(pd.Series(hours_), errors="coerce"), dtype=float)
    hour[~((hour >= 1) & (hour <= _HOURS_A_DAY))] = np.nan
    return np.asarray(day + pd.to_timedelta(hour, unit="h"), dtype="datetime64[us]")


def _is_patchwork(local: Times) -> bool:
    """Whether months follow each other by the calendar, but come from different years."""
    begin = local[~np.isnat(local)] - np.timedelta64(1, "h")
    month = begin.astype("datetime64[M]").astype(np.int64)
    steps = np.unique(np.diff(month))
    jumps = [int(step) for step in steps if step < 0 or step > 1]
    return bool(jumps) and all(step % _MONTHS_A_YEAR in (0, 1) for step in jumps)


def _origin(about: list[str]) -> str:
    """What the file's first row says that its data are."""
    return about[_KIND] if len(about) > _KIND else ""


def _fill(table: Table, positions: list[int], cells: Values) -> None:
    for name, (position, missing, factor) in VARIABLE_MAP.items():
        if position not in positions:
            continue
        values = cells[:, positions.index(position)]
        values = np.where(values >= missing, np.nan, values) * factor
        if name == "precipitation":
            if _COLLECTED not in positions:
                continue
            collected = cells[:, positions.index(_COLLECTED)]
            values = np.where(collected == _AN_HOUR, values, np.nan)
        if np.isfinite(values).any():
            table.values[name] = values[np.newaxis]

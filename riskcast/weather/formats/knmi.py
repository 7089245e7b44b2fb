"""Station text of the Royal Netherlands Meteorological Institute (KNMI), hourly or daily.

A free text in two languages, a heading row ``# STN,YYYYMMDD,   HH, …`` and rows of whole
numbers: tenths of a degree, of a millimetre, of a metre per second. What the file's own
explanation says, and what follows from it here:

``HH``
    hour 1 to 24 of the day in UT: "hourly division 05 runs from 04.00 UT to 5.00 UT". The
    stamp is the end of the hour, and HH 24 is 00:00 of the next day.
``T``, ``TD``, ``U``
    "at the time of observation", which is the end of the hour.
``FF``
    mean of the last ten minutes before the observation: the wind at the stamp. Without it
    ``FH``, the mean of the hour.
``RH``
    sum of the hour; -1 stands for less than 0.05 mm and is read as nothing, as the institute
    does in its daily sums (tests/weather/formats/test_knmi.py: all 366 days of 2000 agree).
    The middle of 0 and 0.05 mm instead would make that year 30 mm wetter.
blank
    missing.

A daily file has no ``HH``; its days are those of UT, and hours are made of them (`daily`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from riskcast.base.errors import WeatherError
from riskcast.weather.daily import HIGHEST, LOWEST, MEAN
from riskcast.weather.dataset import Times, Values
from riskcast.weather.formats.locate import locate
from riskcast.weather.formats.text import cell_at, fine, lines_of, numbers
from riskcast.weather.table import Table, derive, readable

if TYPE_CHECKING:
    from riskcast.site import Place, TableLayout

__all__ = ["DAILY_MAP", "VARIABLE_MAP", "decode", "recognises"]

# Heading → our name and what one of its units is in ours. Where two give the same name the
# first that has values counts.
VARIABLE_MAP = {
    "T": ("air_temperature", 0.1),
    "TD": ("dew_point", 0.1),
    "U": ("relative_humidity", 1.0),
    "RH": ("precipitation", 0.1),
    "FF": ("wind_speed", 0.1),
    "FH": ("wind_speed", 0.1),
}
DAILY_MAP = {
    "TN": (LOWEST, 0.1),
    "TX": (HIGHEST, 0.1),
    "TG": (MEAN, 0.1),
    "UG": ("relative_humidity", 1.0),
    "RH": ("precipitation", 0.1),
    "FG": ("wind_speed", 0.1),
}
_TRACE = -1  # of RH: "-1 for <0.05 mm"
_CREDIT = {
    "provider": "KNMI",
    "licence": "CC BY 4.0",  # from memory; KNMI has to be named as the source
    "attribution": "Data: Royal Netherlands Meteorological Institute (KNMI)",
}
_HEADING = re.compile(r"#?\s*STN\s*,\s*YYYYMMDD\s*,")
# ``# 260         5.180       52.100       1.90  De Bilt``, below a line with LON(east) in it.
_STATION = re.compile(r"#?\s*(\d+):?\s+(-?\d+\.\d+)\s+(-?\d+\.\d+)\s+(-?\d+\.\d+)\s")
_HOURS_A_DAY = 24
_HOUR_HEADINGS = ("HH", "H")  # the shorter one from memory: hours must not pass for days


def recognises(line: str) -> bool:
    """Whether a line is the heading row of such a file."""
    return _HEADING.match(line) is not None


def decode(
    data: bytes,
    source: str,
    place: Place,
    as_of: np.datetime64 | None,
    layout: TableLayout | None = None,
) -> Table | None:
    """Rows of such a file up to `as_of`, or None where it has none yet.

    Parameters
    ----------
    layout : its place and height of the station count where the file names none

    Raises
    ------
    WeatherError
        The rows cannot be read, or belong to several stations.
    """
    lines = lines_of(data)
    at = next(k for k, line in enumerate(lines) if recognises(line))
    headings = [heading.strip(" #\r") for heading in lines[at].split(",")]
    body = [k for k in range(at + 1, len(lines)) if lines[k].strip() and lines[k][0] != "#"]
    clock = next((headings.index(h) for h in _HOUR_HEADINGS if h in headings), None)
    days = [cell_at(lines[k], ",", headings.index("YYYYMMDD")) for k in body]
    moment = None if as_of is None else as_of.astype("datetime64[us]")
    if clock is None:
        times = _beginnings(days)
        keep = readable(times + np.timedelta64(1, "D"), moment)  # known when they are over
    else:
        times = _ends(days, [cell_at(lines[k], ",", clock) for k in body])
        keep = readable(times, moment)
    if not len(keep):
        return None
    rows = np.asarray(body, dtype=np.int64)[keep]
    table = Table(source, fine(times[keep]), rows + 1, "row", np.zeros(1, dtype=np.int64))
    table.daily = clock is None
    table.attrs |= _CREDIT
    _one_station(table, [cell_at(lines[k], ",", 0) for k in rows])
    locate(table, place, *_station(lines[:at], layout))
    names = DAILY_MAP if table.daily else VARIABLE_MAP
    wanted = {i: h for i, h in enumerate(headings) if h in names}
    cells = numbers([lines[k].strip("\r") for k in rows], ",", len(headings), wanted, table)
    if cells is None:
        if not wanted:
            table.fault(
                f"row {at + 1}",
                "no column is read here.",
                remedy="Download T and RH, or TN, TX and RH.",
            )
        raise WeatherError(faults=table.faults)
    _fill(table, names, list(wanted.values()), cells)
    derive(table)
    return table


def _beginnings(days: list[str]) -> Times:
    """(row,) datetime64[us], the beginning of each day; NaT where a stamp cannot be read."""
    day = pd.to_datetime(pd.Index(days), format="%Y%m%d", errors="coerce")
    return np.asarray(day, dtype="datetime64[us]")


def _ends(days: list[str], hours_of_day: list[str]) -> Times:
    """(row,) datetime64[us], the end of each hour; NaT where a stamp cannot be read."""
    day = pd.DatetimeIndex(_beginnings(days))
    hour = np.asarray(pd.to_numeric(pd.Series(hours_of_day), errors="coerce"), dtype=float)
    hour[~((hour >= 1) & (hour <= _HOURS_A_DAY))] = np.nan
    return np.asarray(day + pd.to_timedelta(hour, unit="h"), dtype="datetime64[us]")


def _one_station(table: Table, numbers_of_station: list[str]) -> None:
    stations = list(dict.fromkeys(numbers_of_station))
    if len(stations) > 1:
        problem = f"the file holds {len(stations)} stations ({', '.join(stations[:5])})."
        table.fault("STN", problem, remedy="Download one station a file.")


def _station(
    head: list[str], layout: TableLayout | None
) -> tuple[float | None, float | None, float | None]:
    """Latitude, longitude and height of the station, from the file or from the layout."""
    named = [match for line in head if (match := _STATION.match(line))]
    if len(named) == 1:
        longitude, latitude, height = (float(text) for text in named[0].groups()[1:])
        return latitude, longitude, height
    if layout is None:
        return None, None, None
    return layout.latitude, layout.longitude, layout.elevation_m


def _fill(
    table: Table, names: Mapping[str, tuple[str, float]], headings: list[str], cells: Values
) -> None:
    for heading, (name, factor) in names.items():
        if heading not in headings:
            continue
        values: npt.NDArray[np.float64] = cells[:, headings.index(heading)]
        if name == "precipitation":
            values = np.where(values == _TRACE, 0.0, values)
        if name not in table.values and np.isfinite(values).any():
            # Division keeps 4.9 what 49 times 0.1 would make 4.9000000000000004.
            table.values[name] = (values / round(1.0 / factor))[np.newaxis]

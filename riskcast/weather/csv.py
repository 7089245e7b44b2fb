"""Weather tables as text: Open-Meteo's CSV, and our own plain one.

Open-Meteo writes a block about the place (often cut off when the file is passed on), a blank
line, then ``time,temperature_2m (°C),…`` with one column a member (``_member01``). Its stamps
carry one fixed offset for the whole file, named in the first block, whatever the time zone's
rules say: UTC is the stamp minus ``utc_offset_seconds``.

The plain table is ``time,air_temperature,precipitation,…``: UTC, our names, our units (a unit
in brackets after the name is read too). Commas with decimal points, or semicolons or tabs
with decimal points or commas.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.weather.cells import REACH_DEG, distance_deg, kilometres, outside
from riskcast.weather.columns import Column, choose, fill
from riskcast.weather.dataset import VARIABLES, Note, Times, Values
from riskcast.weather.open_meteo_names import ATTRIBUTION, VARIABLE_MAP, soil_depth_m, split
from riskcast.weather.table import Table, derive, readable, refuse

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["decode"]

# Any other name a variable is known by; it needs its unit in the heading.
_ALIASES = {alias: name for name, about in VARIABLES.items() for alias in about.aliases}
_ALIASES |= {"dew_point": "dew_point", "d2m": "dew_point"}
_UNIX = re.compile(r"^-?\d{9,11}(\.0*)?$")
_ZONED = re.compile(r"(Z|[+-]\d\d:?\d\d)$")
_SHOWN = 40


def decode(data: bytes, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    """Rows of a text table up to `as_of`, or None where it has none yet.

    Raises
    ------
    WeatherError
        The text is no weather table, or its columns cannot be told.
    """
    lines = _lines(data)
    about, at = _about(lines, source)
    heading_at, headings, delimiter = _headings(lines, at, source)
    body = _body(lines, heading_at)
    column = next(i for i, heading in enumerate(headings) if _is_time(heading))
    stamps = [_cell(lines[k], delimiter, column) for k in body]
    times = _utc(stamps, float(about.get("utc_offset_seconds", 0) or 0))
    keep = readable(times, None if as_of is None else as_of.astype("datetime64[us]"))
    if not len(keep):
        return None
    rows = np.asarray(body, dtype=np.int64)[keep]
    table = Table(source, _fine(times[keep]), rows + 1, "row", np.zeros(1, dtype=np.int64))
    _place(table, about, place)
    columns = _columns(headings, table)
    cells = _numbers([lines[k] for k in rows], delimiter, len(headings), columns, table)
    if cells is None:
        raise WeatherError(faults=table.faults)
    fill(table, columns, cells)
    derive(table)
    return table


def _lines(data: bytes) -> list[str]:
    """Lines, byte for byte: only headings need an encoding, and a later row cannot spoil it."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        data = data.decode("utf-16", errors="replace").encode("utf-8")
    return data.removeprefix(b"\xef\xbb\xbf").decode("latin-1").split("\n")


def _text(line: str) -> str:
    raw = line.encode("latin-1")
    try:
        return raw.decode("utf-8").strip("\r")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace").strip("\r")


def _delimiter(line: str) -> str:
    return max(",;\t", key=line.count)


def _cell(line: str, delimiter: str, column: int) -> str:
    parts = line.split(delimiter, column + 1)
    return parts[column].strip(' "\r') if len(parts) > column else ""


def _about(lines: list[str], source: str) -> tuple[dict[str, str], int]:
    """The block about the place, if there is one, and the line where the rest begins."""
    at = next((i for i, line in enumerate(lines) if line.strip()), None)
    if at is None:
        raise refuse(source, "", "the file is empty.", remedy="Download it again.")
    delimiter = _delimiter(lines[at])
    keys = [cell.strip(' "').lower() for cell in _text(lines[at]).split(delimiter)]
    if not {"latitude", "longitude"} <= set(keys):
        return {}, at
    end = next((i for i in range(at, len(lines)) if not lines[i].strip()), len(lines))
    if end - at != 2:
        problem = f"the file holds {end - at - 1} places, expected one."
        raise refuse(source, f"row {at + 2}", problem, remedy="Download one place a file.")
    values = _text(lines[at + 1]).split(delimiter)
    return {k: v.strip(' "') for k, v in zip(keys, values, strict=False)}, end


def _is_time(heading: str) -> bool:
    return _unbracketed(heading)[0].lower() in ("time", "valid_time")


def _unbracketed(heading: str) -> tuple[str, str | None]:
    """``temperature_2m (°C)`` as its name and its units."""
    match = re.match(r"^(.*?)\s*(?:[(\[]([^)\]]*)[)\]])?$", heading.strip())
    return (match[1].strip(), match[2]) if match else (heading, None)


def _headings(lines: list[str], at: int, source: str) -> tuple[int, list[str], str]:
    while at < len(lines) and (not lines[at].strip() or lines[at].startswith("#")):
        at += 1
    line = _text(lines[at]) if at < len(lines) else ""
    delimiter = _delimiter(line)
    headings = [cell.strip(' "') for cell in line.split(delimiter)]
    if any(_is_time(heading) for heading in headings):
        return at, headings, delimiter
    raise refuse(
        source,
        f"row {at + 1}",
        "expected a heading row with a column time, such as time,air_temperature,precipitation"
        " or that of an Open-Meteo CSV.",
        line[:_SHOWN],
        "Download the file again with format=csv, or add the heading row.",
    )


def _body(lines: list[str], heading_at: int) -> list[int]:
    """Line numbers of the hourly block; a further heading row begins the daily one."""
    rows: list[int] = []
    for k in range(heading_at + 1, len(lines)):
        if lines[k].startswith(("time", '"time')):
            break
        if lines[k].strip():
            rows.append(k)
    return rows


def _utc(stamps: list[str], offset_s: float) -> Times:
    """(row,) datetime64[us] UTC, NaT where a stamp is not ISO 8601 or Unix seconds.

    Microseconds, because nanoseconds end in 2262 and turn the year 9999 into 1816.
    """
    first = stamps[0] if stamps else ""
    if _UNIX.match(first):
        seconds = pd.to_numeric(pd.Series(stamps), errors="coerce")
        index = pd.DatetimeIndex(pd.to_datetime(seconds, unit="s", errors="coerce"))
        offset_s = 0.0  # Unix time is UTC by definition, whatever the first block says
    else:
        index = pd.DatetimeIndex(
            pd.to_datetime(pd.Index(stamps), format="ISO8601", utc=True, errors="coerce")
        ).tz_localize(None)
        if _ZONED.search(first):
            offset_s = 0.0
    shifted = index - pd.Timedelta(seconds=offset_s)
    return np.asarray(shifted.to_numpy(), dtype="datetime64[us]")


def _fine(times: Times) -> Times:
    """(row,) datetime64[ns], NaT beyond what nanoseconds can say."""
    bounds = np.array(["1700-01-01", "2262-01-01"], dtype="datetime64[us]")
    inside = (times >= bounds[0]) & (times < bounds[1])
    return np.where(inside, times, np.datetime64("NaT")).astype("datetime64[ns]")


def _place(table: Table, about: dict[str, str], place: Place) -> None:
    def number(key: str) -> float | None:
        value = float(pd.to_numeric(about.get(key, ""), errors="coerce"))
        return value if np.isfinite(value) else None

    latitude, longitude = number("latitude"), number("longitude")
    table.elevation_m = number("elevation")
    if latitude is None or longitude is None:
        table.notes.append(Note("place_not_stated", {"file": table.source}))
        return
    table.cell = (latitude, longitude)
    away = float(distance_deg(latitude, longitude, place))
    if away > REACH_DEG:
        point = xr.DataArray(latitude), xr.DataArray(longitude)
        table.faults.append(outside(table.source, *point, place))
    table.attrs["cell_distance_km"] = round(kilometres(away), 1)


def _columns(headings: list[str], table: Table) -> list[Column]:
    found = [column for i, h in enumerate(headings) if (column := _column(i, h)) is not None]
    if any(_is_open_meteo(heading) for heading in headings):
        table.attrs |= ATTRIBUTION
    return choose(found, table, "heading", headings)


def _is_open_meteo(heading: str) -> bool:
    """Whether only Open-Meteo would write it so; our own names are not enough."""
    text, units = _unbracketed(heading)
    name, _, _ = split(text.lower())
    plain = name in VARIABLES and units is None
    return soil_depth_m(name) is not None or (name in VARIABLE_MAP and not plain)


def _column(index: int, heading: str) -> Column | None:
    """What a column holds, or None where it is not wanted here."""
    text, units = _unbracketed(heading)
    name, member, model = split(text.lower())
    depth = soil_depth_m(name)
    if depth is not None:
        return Column(heading, "soil_temperature", member, units, model, depth, index)
    # The plain table needs no units: our names stand for our units.
    plain = name in VARIABLES and units is None
    ours = VARIABLE_MAP.get(name) or _ALIASES.get(name)
    if ours is None or ours == "soil_temperature":
        return None
    stated = VARIABLES[ours].units if plain else units
    return Column(heading, ours, member, stated, model, None, index)


def _numbers(
    rows: list[str], delimiter: str, width: int, columns: list[Column], table: Table
) -> Values | None:
    """(row, column) float64, NaN where a cell is empty; None where rows cannot be parsed."""
    if not columns:
        return None
    counts = np.fromiter((row.count(delimiter) for row in rows), dtype=np.int64, count=len(rows))
    ragged = np.flatnonzero(counts != width - 1)
    if len(ragged):
        first = ragged[0]
        problem = f"{len(ragged)} of {len(rows)} rows do not have the {width} cells of the heading"
        problem += f" (this one has {counts[first] + 1})."
        shown = rows[first].strip()[:_SHOWN]
        table.fault(table.place_of(first), problem, shown, "Download the file again.")
        return None
    wanted = sorted(columns, key=lambda column: column.index)
    decimal = "," if delimiter != "," and any("," in row for row in rows) else "."
    options: dict[str, Any] = {
        "sep": delimiter,
        "decimal": decimal,
        "header": None,
        "skipinitialspace": True,
        "usecols": [column.index for column in wanted],
        "engine": "c",
    }
    text = "\n".join(rows)
    try:
        frame = pd.read_csv(io.StringIO(text), dtype=np.float64, **options)
    except ValueError:
        _name_words(pd.read_csv(io.StringIO(text), dtype=str, **options), decimal, wanted, table)
        return None
    order = [wanted.index(column) for column in columns]
    return np.asarray(frame.to_numpy(dtype=np.float64)[:, order])


def _name_words(frame: pd.DataFrame, decimal: str, columns: list[Column], table: Table) -> None:
    """One fault a column that holds text where numbers belong."""
    for i, column in enumerate(columns):
        cells = frame.iloc[:, i]
        plain = cells.str.replace(decimal, ".", regex=False)
        words = np.flatnonzero(cells.notna() & pd.to_numeric(plain, errors="coerce").isna())
        if len(words):
            where = f"{table.place_of(words[0])}, {column.heading}"
            count = (
                "1 cell is no number" if len(words) == 1 else f"{len(words)} cells are no numbers"
            )
            shown = str(cells.iloc[words[0]])[:_SHOWN]
            table.fault(where, f"{count}.", shown, "Leave a missing value empty.")

"""Weather tables as text: Open-Meteo's CSV, and our own plain one.

Open-Meteo writes a block about the place (often cut off when the file is passed on), a blank
line, then ``time,temperature_2m (°C),…`` with one column a member (``_member01``). Its stamps
carry one fixed offset for the whole file, named in the first block, whatever the time zone's
rules say: UTC is the stamp minus ``utc_offset_seconds``.

The plain table is ``time,air_temperature,precipitation,…``: UTC, our names, our units (a unit
in brackets after the name is read too). Commas with decimal points, or semicolons or tabs
with decimal points or commas. Rows more often than hourly, or beside the full hour, are put on
the full hours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskcast.base.errors import WeatherError
from riskcast.weather.dataset import VARIABLES
from riskcast.weather.formats.columns import Column, choose, fill
from riskcast.weather.formats.full_hours import onto_full_hours
from riskcast.weather.formats.locate import locate
from riskcast.weather.formats.text import (
    SHOWN,
    cell_at,
    delimiter_of,
    fine,
    lines_of,
    numbers,
    readable_text,
    unbracketed,
    utc,
)
from riskcast.weather.providers.open_meteo_names import (
    ATTRIBUTION,
    VARIABLE_MAP,
    soil_depth_m,
    split,
)
from riskcast.weather.table import Table, derive, readable, refuse

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["column_of", "decode", "is_open_meteo", "recognises"]

# Any other name a variable is known by; it needs its unit in the heading.
_ALIASES = {alias: name for name, about in VARIABLES.items() for alias in about.aliases}
_ALIASES |= {"dew_point": "dew_point", "d2m": "dew_point"}


def decode(data: bytes, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    """Rows of a text table up to `as_of`, or None where it has none yet.

    Raises
    ------
    WeatherError
        The text is no weather table, or its columns cannot be told.
    """
    lines = lines_of(data)
    about, at = _about(lines, source)
    heading_at, headings, delimiter = _headings(lines, at, source)
    body = _body(lines, heading_at)
    column = next(i for i, heading in enumerate(headings) if _is_time(heading))
    stamps = [cell_at(lines[k], delimiter, column) for k in body]
    times = utc(stamps, float(about.get("utc_offset_seconds", 0) or 0))
    keep = readable(times, None if as_of is None else as_of.astype("datetime64[us]"))
    if not len(keep):
        return None
    rows = np.asarray(body, dtype=np.int64)[keep]
    table = Table(source, fine(times[keep]), rows + 1, "row", np.zeros(1, dtype=np.int64))
    _place(table, about, place)
    columns = _columns(headings, table)
    wanted = {column.index: column.heading for column in columns}
    cells = numbers([lines[k] for k in rows], delimiter, len(headings), wanted, table)
    if cells is None:
        raise WeatherError(faults=table.faults)
    fill(table, columns, cells)
    derive(table)
    if not table.faults and len(table.member) == 1:
        onto_full_hours(table)
    return table


def recognises(lines: list[str]) -> bool:
    """Whether a text has a heading row that is read here: a column time, or a block before it."""
    try:
        _, at = _about(lines, "")
        _headings(lines, at, "")
    except WeatherError:
        return False
    return True


def is_open_meteo(lines: list[str]) -> bool:
    """Whether a text is one of Open-Meteo's, by its first block or its headings."""
    try:
        about, at = _about(lines, "")
        _, headings, _ = _headings(lines, at, "")
    except WeatherError:
        return False
    return bool(about) or any(_is_open_meteo(heading) for heading in headings)


def _about(lines: list[str], source: str) -> tuple[dict[str, str], int]:
    """The block about the place, if there is one, and the line where the rest begins."""
    at = next((i for i, line in enumerate(lines) if line.strip()), None)
    if at is None:
        raise refuse(source, "", "the file is empty.", remedy="Download it again.")
    delimiter = delimiter_of(lines[at])
    keys = [cell.strip(' "').lower() for cell in readable_text(lines[at]).split(delimiter)]
    if not {"latitude", "longitude"} <= set(keys):
        return {}, at
    end = next((i for i in range(at, len(lines)) if not lines[i].strip()), len(lines))
    if end - at != 2:
        problem = f"the file holds {end - at - 1} places, expected one."
        raise refuse(source, f"row {at + 2}", problem, remedy="Download one place a file.")
    values = readable_text(lines[at + 1]).split(delimiter)
    return {k: v.strip(' "') for k, v in zip(keys, values, strict=False)}, end


def _is_time(heading: str) -> bool:
    return unbracketed(heading)[0].lower() in ("time", "valid_time")


def _headings(lines: list[str], at: int, source: str) -> tuple[int, list[str], str]:
    while at < len(lines) and (not lines[at].strip() or lines[at].startswith("#")):
        at += 1
    line = readable_text(lines[at]) if at < len(lines) else ""
    delimiter = delimiter_of(line)
    headings = [cell.strip(' "') for cell in line.split(delimiter)]
    if any(_is_time(heading) for heading in headings):
        return at, headings, delimiter
    raise refuse(
        source,
        f"row {at + 1}",
        "expected a heading row with a column time, such as time,air_temperature,precipitation"
        " or that of an Open-Meteo CSV.",
        line[:SHOWN],
        "Say under [weather.table] which heading is what, add the heading row, or download the"
        " file again with format=csv.",
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


def _place(table: Table, about: dict[str, str], place: Place) -> None:
    def number(key: str) -> float | None:
        value = float(pd.to_numeric(about.get(key, ""), errors="coerce"))
        return value if np.isfinite(value) else None

    locate(table, place, number("latitude"), number("longitude"), number("elevation"))


def _columns(headings: list[str], table: Table) -> list[Column]:
    found = [column for i, h in enumerate(headings) if (column := column_of(i, h)) is not None]
    if any(_is_open_meteo(heading) for heading in headings):
        table.attrs |= ATTRIBUTION
    return choose(found, table, "heading", headings)


def _is_open_meteo(heading: str) -> bool:
    """Whether only Open-Meteo would write it so; our own names are not enough."""
    text, units = unbracketed(heading)
    name, _, _ = split(text.lower())
    plain = name in VARIABLES and units is None
    return soil_depth_m(name) is not None or (name in VARIABLE_MAP and not plain)


def column_of(index: int, heading: str) -> Column | None:
    """What a column holds, or None where it is not wanted here."""
    text, units = unbracketed(heading)
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

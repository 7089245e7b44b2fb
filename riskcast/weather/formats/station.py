"""Tables of a weather station, read as the site file's ``[weather.table]`` says.

Stations, loggers and yearbooks all name their columns otherwise. The layout says which heading
stands for which of our names, in which unit, how the time is written, and where the station
stands. Nothing of that is guessed: what does not fit is named with its heading and a remedy.

A table whose stamps are days holds ``air_temperature_min`` and ``air_temperature_max``; hours
are made of them later (`daily`). Rows more often than hourly are put on the full hours.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import WeatherError
from riskcast.site.nearest import nearest
from riskcast.weather import daily
from riskcast.weather.air import dew_point
from riskcast.weather.dataset import VARIABLES, Times, Values
from riskcast.weather.formats import csv
from riskcast.weather.formats.full_hours import onto_full_hours
from riskcast.weather.formats.locate import locate
from riskcast.weather.formats.sheet import Sheet, numbers_of, split_row
from riskcast.weather.formats.stamp_format import StampFormat
from riskcast.weather.formats.text import (
    SHOWN,
    delimiter_of,
    fine,
    lines_of,
    readable_text,
    unbracketed,
    utc,
)
from riskcast.weather.providers.open_meteo_names import soil_depth_m
from riskcast.weather.table import Table, derive, readable
from riskcast.weather.units import UnitError, convert, expected

if TYPE_CHECKING:
    from riskcast.site import Place, TableLayout

__all__ = ["QUANTITIES", "applies", "decode"]

# Our names for a column, and the quantity of each; soil_temperature_10cm goes beside them.
QUANTITIES = {name: about.quantity for name, about in VARIABLES.items()} | {
    daily.LOWEST: "temperature",
    daily.HIGHEST: "temperature",
    "dew_point": "temperature",
    "vapour_pressure": "pressure",
    "eastward_wind": "speed",
    "northward_wind": "speed",
}
del QUANTITIES["soil_temperature"]
_SOIL = "soil_temperature_10cm"

_SECTION = "[weather.table]"
_HEADING_WITHIN = 60  # rows of explanation above the headings (common practice, no source)
_ISO_DAY = re.compile(r"\d{4}-\d\d-\d\d$")
_LISTED = 12  # headings that a fault lists


@dataclass(frozen=True)
class _Wanted:
    """A column to be read: its heading, our name for it, its unit, its quantity."""

    index: int
    heading: str
    name: str
    units: str | None
    depth_m: float | None = None


def applies(lines: list[str], layout: TableLayout) -> bool:
    """Whether a text is read here: it has the layout's headings, says nothing of itself, or
    holds daily extremes under our own names."""
    if not _is_set(layout):
        return daily.LOWEST in "".join(lines)
    if layout.columns:
        # A heading for the time alone ("time") stands in tables of others too.
        return _heading_row(lines, set(layout.columns))[1] > 0 or not csv.recognises(lines)
    return not csv.is_open_meteo(lines)


def _is_set(layout: TableLayout) -> bool:
    return layout != type(layout)()


def decode(
    data: bytes, source: str, place: Place, as_of: np.datetime64 | None, layout: TableLayout
) -> Table | None:
    """Rows of a station's table up to `as_of`, or None where it has none yet.

    Raises
    ------
    WeatherError
        All that does not fit the layout, at once.
    """
    lines = lines_of(data)
    at, _ = _heading_row(lines, {*layout.columns, *layout.time})
    sheet = Sheet.below(lines, at)
    table = Table(source, _none(), np.zeros(0, dtype=np.int64), "row", np.zeros(1, dtype=np.int64))
    wanted = _wanted(sheet, layout, table)
    parts = _time_columns(sheet, layout, table)
    form = _format(layout, table)
    if table.faults:
        raise WeatherError(faults=table.faults)
    stamps = sheet.stamps(parts)
    times, table.daily = _times(stamps, form, layout)
    # A day is known when it is over.
    known = times + np.timedelta64(1, "D") if table.daily else times
    keep = readable(known, None if as_of is None else as_of.astype("datetime64[us]"))
    if not len(keep):
        return None
    rows = [sheet.body[k] for k in keep]
    table.time, table.row = fine(times[keep]), np.asarray(rows, dtype=np.int64) + 1
    _check_stamps(table, [stamps[k] for k in keep], layout)
    _check_extremes(table, wanted)
    locate(table, place, layout.latitude, layout.longitude, layout.elevation_m)
    cells = sheet.cells(rows, table)
    if cells is not None:
        _fill(table, wanted, cells, layout)
    if table.faults:
        raise WeatherError(faults=table.faults)
    if not table.daily:
        derive(table)
        onto_full_hours(table)
    return table


def _none() -> Times:
    return np.zeros(0, dtype="datetime64[ns]")


def _heading_row(lines: list[str], asked: set[str]) -> tuple[int, int]:
    """The line with most of the headings asked for, and how many; else the first with text."""
    best, most, first, looked = -1, 0, -1, 0
    for k, line in enumerate(lines):
        if not line.strip():
            continue
        first = k if first < 0 and not line.startswith("#") else first
        text = readable_text(line)
        delimiter = delimiter_of(text)
        found = len(asked & set(split_row(text, delimiter if delimiter in text else "")))
        if found > most:
            best, most = k, found
        looked += 1
        if looked == _HEADING_WITHIN:
            break
    return (best, most) if most else (max(first, 0), 0)


def _wanted(sheet: Sheet, layout: TableLayout, table: Table) -> list[_Wanted]:
    found: list[_Wanted] = []
    if not layout.columns:  # the headings are our own names, or those of a service
        for i, heading in enumerate(sheet.headings):
            name, units = unbracketed(heading)
            known = csv.column_of(i, heading)
            if name in (daily.LOWEST, daily.HIGHEST):
                found.append(_Wanted(i, heading, name, units or "degC"))
            elif known is not None and known.member == 0:
                found.append(_Wanted(i, heading, known.name, known.units, known.depth))
    for heading, meant in layout.columns.items():
        one = _column(sheet, heading, meant, table)
        if one is not None:
            found.append(one)
    seen: dict[tuple[str, float | None], _Wanted] = {}
    for column in found:
        other = seen.setdefault((column.name, column.depth_m), column)
        if other is not column:
            problem = f'two columns for {column.name}: "{other.heading}" and "{column.heading}".'
            table.fault(f"{_SECTION} columns", problem, remedy="Leave one of them out.")
    names = {name for name, _ in seen}
    if not names & {"air_temperature", daily.LOWEST, daily.HIGHEST} and not table.faults:
        problem = "no column holds the air temperature."
        remedy = f'Add a line under {_SECTION} columns: "its heading" = "air_temperature (degC)".'
        table.fault(f"row {sheet.at + 1}", f"{problem} {_has(sheet)}", remedy=remedy)
    return list(seen.values())


def _has(sheet: Sheet) -> str:
    shown = ", ".join(f'"{heading}"' for heading in sheet.headings[:_LISTED])
    more = " …" if len(sheet.headings) > _LISTED else ""
    return f"The table has {shown}{more}."


def _column(sheet: Sheet, heading: str, meant: str, table: Table) -> _Wanted | None:
    """One line of the layout; None, and what is wrong with it among the faults."""
    where = f'{_SECTION} columns."{heading}"'
    name, units = unbracketed(meant)
    depth = soil_depth_m(name)
    before = len(table.faults)
    if depth is None and name not in QUANTITIES:
        known = [*QUANTITIES, _SOIL]
        near = nearest(name, known)
        remedy = f'Did you mean "{near}"?' if near else f"Expected one of {', '.join(known)}."
        if name == "soil_temperature":
            remedy = f'Name its depth too, as in "{_SOIL} (degC)".'
        table.fault(where, "is no name of ours.", name, remedy)
    else:
        quantity = "temperature" if depth is not None else QUANTITIES[name]
        try:
            convert([], units, quantity)
        except UnitError as error:
            example = expected(quantity).split(",")[0].split(" or ")[0]
            remedy = f'Write the unit behind the name: "{name} ({example})".'
            table.fault(where, str(error), units or "", remedy)
    if heading not in sheet.headings:
        near = nearest(heading, sheet.headings)
        remedy = f'Did you mean "{near}"?' if near else _has(sheet)
        table.fault(where, "the table has no such heading.", heading, remedy)
    if len(table.faults) > before:
        return None
    index = sheet.headings.index(heading)
    return _Wanted(index, heading, name if depth is None else "soil_temperature", units, depth)


def _time_columns(sheet: Sheet, layout: TableLayout, table: Table) -> list[int]:
    asked = (
        layout.time
        or tuple(
            heading for heading in sheet.headings if unbracketed(heading)[0].casefold() == "time"
        )[:1]
    )
    if not asked:
        remedy = f'Name it: time = ["its heading"] under {_SECTION}.'
        table.fault(f"row {sheet.at + 1}", f"no column is called time. {_has(sheet)}",
                    remedy=remedy)  # fmt: skip
    found = []
    for heading in asked:
        if heading in sheet.headings:
            found.append(sheet.headings.index(heading))
            continue
        near = nearest(heading, sheet.headings)
        remedy = f'Did you mean "{near}"?' if near else _has(sheet)
        table.fault(f"{_SECTION} time", "the table has no such heading.", heading, remedy)
    return found


def _format(layout: TableLayout, table: Table) -> StampFormat | None:
    in_parts = len(layout.time) > 1
    where = f"{_SECTION} time_format"
    if layout.time_format is None:
        if in_parts:
            problem = "is missing: the time stands in several columns."
            remedy = 'Write the order of its parts, as in "DD MM YYYY" or "YYYY-MM-DD hh:mm".'
            table.fault(where, problem, remedy=remedy)
        return None
    try:
        return StampFormat.of(layout.time_format, in_parts=in_parts)
    except ValueError as error:
        remedy = 'Write it as "YYYY-MM-DD hh:mm" or "DD.MM.YYYY hh" (MM months, mm minutes).'
        table.fault(where, f"{error}.", layout.time_format, remedy)
        return None


def _times(stamps: list[str], form: StampFormat | None, layout: TableLayout) -> tuple[Times, bool]:
    """(row,) datetime64[us] UTC, and whether they are the beginnings of days."""
    offset_s = layout.utc_offset_hours * 3600.0
    if form is None:
        days = bool(stamps) and all(_ISO_DAY.match(stamp) for stamp in stamps)
        return utc(stamps, offset_s), days
    local = form.parse(stamps)
    return local - np.timedelta64(round(offset_s), "s"), not form.has_hour


def _check_stamps(table: Table, stamps: list[str], layout: TableLayout) -> None:
    bad = np.flatnonzero(np.isnat(table.time))
    if not len(bad):
        return
    form = layout.time_format
    written = f'are not written as "{form}"' if form else "are not written as in ISO 8601"
    problem = f"{len(bad)} of {len(stamps)} times {written}."
    remedy = f"Correct time_format under {_SECTION}, or the rows."
    if form is None:
        remedy = f'Say how they are written: time_format = "DD.MM.YYYY hh:mm" under {_SECTION}.'
    table.fault(table.place_of(bad[0]), problem, stamps[bad[0]][:SHOWN], remedy)
    raise WeatherError(faults=table.faults)


def _check_extremes(table: Table, wanted: list[_Wanted]) -> None:
    extremes = [c for c in wanted if c.name in (daily.LOWEST, daily.HIGHEST)]
    if extremes and not table.daily:
        problem = f"{extremes[0].name} is one value a day, but the times of this table have hours."
        remedy = 'Name a column of hourly air temperature, or give days only ("DD.MM.YYYY").'
        table.fault(f'{_SECTION} columns."{extremes[0].heading}"', problem, remedy=remedy)


def _fill(table: Table, wanted: list[_Wanted], cells: list[list[str]], layout: TableLayout) -> None:
    layers: dict[float, Values] = {}
    for column in wanted:
        texts = [row[column.index] for row in cells]
        raw = numbers_of(texts, column.heading, table, layout.missing)
        if raw is None:
            continue
        quantity = QUANTITIES.get(column.name, "temperature")
        try:
            values, rate = convert(raw, column.units, quantity)
        except UnitError as error:
            remedy = f'Write the unit behind the name: "{column.heading} (…)".'
            table.fault(f"heading {column.heading}", str(error), column.units or "", remedy)
            continue
        if not np.isfinite(values).any():
            continue
        if column.depth_m is not None:
            layers[column.depth_m] = values
        elif column.name == "vapour_pressure":
            table.values.setdefault("dew_point", dew_point(values)[np.newaxis])
        else:
            table.values[column.name] = values[np.newaxis]
            table.rate |= rate and column.name == "precipitation"
    if layers:
        table.depth = np.array(sorted(layers))
        table.values["soil_temperature"] = np.stack([layers[d] for d in sorted(layers)], axis=-1)[
            np.newaxis
        ]

"""The headings of a logger's export: where they stand, and which column is what."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from riskcast.site.nearest import nearest
from riskcast.weather.formats.sheet import Sheet, split_row
from riskcast.weather.formats.text import SHOWN, delimiter_of, readable_text, unbracketed
from riskcast.weather.table import Table, refuse

if TYPE_CHECKING:
    from riskcast.site import TableLayout

__all__ = ["LITTER", "SECTION", "Columns", "columns_of", "offset_hours", "sheet_of"]

LITTER = "litter_temperature"
SECTION = "[weather.logger_table]"

_HEADING_WITHIN = 60  # lines about the device above the headings (common practice, no source)

# Words by which the headings of such exports are known (common practice, no source), in the
# languages of the countries where hazel dormice live and loggers are read.
_DATE_WORDS = re.compile(r"date|datum|timestamp|dato\b|data\b|time stamp", re.IGNORECASE)
_TIME_WORDS = re.compile(r"\btime\b|zeit|heure|\btid\b|\bora\b|hour|tijd", re.IGNORECASE)
_HEAT_WORDS = re.compile(r"temp|°|\bvalue\b|\bwert\b", re.IGNORECASE)
_UNIT_WORDS = re.compile(r"unit|einheit", re.IGNORECASE)
_UNIT = re.compile(r"(?:°|º|deg)\s*([CF])\b|[(\[]\s*([CFK])\s*[)\]]|[_ ,]([CF])$")
# ``GMT+01:00``, ``UTC-5``, ``(UTC)``.
_ZONE = re.compile(r"(?:GMT|UTC)\s*(?:([+\-−])\s*(\d{1,2})(?::?(\d{2}))?)?", re.IGNORECASE)


@dataclass(frozen=True)
class Columns:
    """Positions of the columns that are read.

    time : of the stamp, or of its parts in order
    value : of the temperature
    units : as the heading or the layout states them
    unit_column : where each row states them; None = in none
    """

    time: list[int]
    value: int
    units: str | None
    unit_column: int | None


def sheet_of(lines: Sequence[str], layout: TableLayout | None, source: str) -> Sheet:
    """The table below the lines about the device.

    Raises
    ------
    WeatherError
        No line is a heading row.
    """
    sheet = Sheet.below(lines, _heading_row(lines, layout, source))
    # ``Date Time, GMT+01:00`` without quotes is one heading with a comma in it.
    merged: list[str] = []
    for heading in sheet.headings:
        if merged and _ZONE.fullmatch(heading):
            merged[-1] += f", {heading}"
        else:
            merged.append(heading)
    width = len(sheet.row(sheet.body[0])) if sheet.body else 0
    return replace(sheet, headings=merged) if width == len(merged) else sheet


def _heading_row(lines: Sequence[str], layout: TableLayout | None, source: str) -> int:
    asked = {*layout.columns, *layout.time} if layout is not None else set()
    looked = [k for k, line in enumerate(lines) if line.strip()][:_HEADING_WITHIN]
    for k in looked:
        text = readable_text(lines[k])
        cells = split_row(text, delimiter_of(text))
        if asked & set(cells):
            return k
        dated = any(_DATE_WORDS.search(c) or _TIME_WORDS.search(c) for c in cells)
        if not asked and len(cells) > 1 and dated and any(_HEAT_WORDS.search(c) for c in cells):
            return k
    problem = "no heading row was found: none names a time and a temperature."
    remedy = f'Name the columns under {SECTION}: time = ["…"], columns."…" = "{LITTER} (degC)".'
    shown = readable_text(lines[looked[0]])[:SHOWN] if looked else ""
    raise refuse(source, f"row {looked[0] + 1}" if looked else "", problem, shown, remedy)


def columns_of(sheet: Sheet, layout: TableLayout | None, table: Table) -> Columns | None:
    """Which column is what; None, and all faults, where that cannot be told."""
    headings = sheet.headings
    where = f"row {sheet.at + 1}"
    if layout is not None and layout.time:
        time: list[int | None] = [_position(h, sheet, table) for h in layout.time]
    else:
        dates = [i for i, h in enumerate(headings) if _DATE_WORDS.search(h)]
        clocks = [i for i, h in enumerate(headings) if _TIME_WORDS.search(h) and i not in dates]
        both = dates[:1] and _TIME_WORDS.search(headings[dates[0]])
        time = [*dates[:1]] if both or not clocks else [*dates[:1], clocks[0]]
        if not time:
            table.fault(where, "no heading names a date or a time.",
                        remedy=f'Name it: time = ["…"] under {SECTION}.')  # fmt: skip
    if layout is not None and layout.columns:
        value, units = _from_layout(sheet, layout, table)
    else:
        value, units = _by_words(sheet, time, table, where)
    unit_column = next((i for i, h in enumerate(headings) if _UNIT_WORDS.search(h)), None)
    if value is None or None in time:
        return None
    if units is None and unit_column is None:
        problem = f'"{headings[value]}" states no unit; nothing is guessed.'
        remedy = f'Say it under {SECTION}: columns."{headings[value]}" = "{LITTER} (degC)".'
        table.fault(where, problem, remedy=remedy)
    return Columns([i for i in time if i is not None], value, units, unit_column)


def _position(heading: str, sheet: Sheet, table: Table) -> int | None:
    if heading in sheet.headings:
        return sheet.headings.index(heading)
    near = nearest(heading, sheet.headings)
    known = ", ".join(f'"{h}"' for h in sheet.headings)
    remedy = f'Did you mean "{near}"?' if near else f"The table has {known}."
    table.fault(SECTION, "the table has no such heading.", heading, remedy)
    return None


def _from_layout(sheet: Sheet, layout: TableLayout, table: Table) -> tuple[int | None, str | None]:
    found: list[tuple[int | None, str | None]] = []
    for heading, meant in layout.columns.items():
        name, units = unbracketed(meant)
        if name != LITTER:
            remedy = f'Write it as "{LITTER} (degC)".'
            table.fault(f'{SECTION} columns."{heading}"', "a logger has one column only.",
                        name, remedy)  # fmt: skip
            continue
        found.append((_position(heading, sheet, table), units))
    if len(found) > 1:
        problem = f"{len(found)} columns for {LITTER}."
        table.fault(f"{SECTION} columns", problem, remedy="Leave all but one out.")
    return found[0] if found else (None, None)


def _by_words(
    sheet: Sheet, time: list[int | None], table: Table, where: str
) -> tuple[int | None, str | None]:
    warm = [i for i, h in enumerate(sheet.headings) if _HEAT_WORDS.search(h) and i not in time]
    if len(warm) == 1:
        return warm[0], _unit_in(sheet.headings[warm[0]])
    listed = ", ".join(f'"{sheet.headings[i]}"' for i in warm or range(len(sheet.headings)))
    problem = f"{len(warm) or 'no'} columns may be the temperature of the litter: {listed}."
    remedy = f'Say which: columns."…" = "{LITTER} (degC)" under {SECTION}.'
    table.fault(where, problem, remedy=remedy)
    return None, None


def _unit_in(heading: str) -> str | None:
    match = _UNIT.search(heading)
    return None if match is None else next(part for part in match.groups() if part)


def offset_hours(sheet: Sheet, layout: TableLayout | None, table: Table) -> float:
    """Hours that the logger's clock was ahead of UTC: of its headings, or of the layout."""
    told = layout is not None and "utc_offset_hours" in layout.model_fields_set
    stated = layout.utc_offset_hours if layout is not None else 0.0
    zones = [match for heading in sheet.headings if (match := _ZONE.search(heading))]
    if not zones:
        return stated
    sign, whole, minutes = zones[0].groups()
    offset = float(whole or 0) + float(minutes or 0) / 60.0
    offset = offset if sign in (None, "+") else -offset
    if told and stated != offset:
        problem = f"its headings say {zones[0][0]}, the site file {stated:g} hours from UTC."
        remedy = f"Leave utc_offset_hours out of {SECTION}, or correct the heading."
        table.fault(f"row {sheet.at + 1}", problem, remedy=remedy)
    return offset
